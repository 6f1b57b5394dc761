"""What a ladder varies: the settings, how they are written on a command line, and the treatment they come to."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from gcodetools.documents.kinds import nearest
from gcodetools.errors import UsageError
from gcodetools.kit.settings import Fan, Flow, Nozzle, Perimeters, Speed, Treatment
from gcodetools.records import dataclass

__all__ = [
    "KINDS",
    "Factor",
    "Kind",
    "parse_held",
    "parse_varied",
    "step_words",
    "treatment_of",
    "value_words",
]

_MOST_VALUES = 40
_HAIR = 1e-6  # of a fan; a step of its 255 is 4000 times as much


@dataclass(frozen=True, slots=True)
class Kind:
    """A setting. unit : as it stands behind a value. low, high : what makes sense at all. same : the value that
    leaves the file as it is, None where the file's own is not known. lasting : nozzle and fan, which follow late."""

    name: str
    unit: str
    low: float
    high: float
    same: float | None
    lasting: bool
    example: str


KINDS = {
    kind.name: kind
    for kind in (
        Kind("nozzle", " C", 100, 500, None, True, "nozzle=220:250:10"),
        Kind("fan", "%", 0, 100, None, True, "fan=0%,25%,50%"),
        Kind("speed", "%", 5, 500, 100.0, False, "speed=60%,100%"),
        Kind("flow", "%", 50, 200, 100.0, False, "flow=96%,100%,104%"),
        Kind("perimeters", "", 0, 20, 0.0, False, "perimeters=0,1,2"),
    )
}


@dataclass(frozen=True, slots=True)
class Factor:
    """A setting and its values, ascending: C, percent (of the file's own for speed and flow), or how many
    perimeters are added."""

    name: str
    values: tuple[float, ...]

    @property
    def kind(self) -> Kind:
        """Of the setting."""
        return KINDS[self.name]

    @property
    def words(self) -> str:
        """`nozzle 220, 230, 240 C`."""
        unit = self.kind.unit
        if unit == "%":
            return f"{self.name} {', '.join(f'{value:g}%' for value in self.values)}"
        return f"{self.name} {', '.join(f'{value:g}' for value in self.values)}{unit}"


def value_words(name: str, value: float) -> str:
    """`220 C`, `25%`, `+2`."""
    return f"+{value:g}" if name == "perimeters" else f"{value:g}{KINDS[name].unit}"


def step_words(settings: Mapping[str, float]) -> str:
    """`nozzle 220 C, fan 25%`."""
    return ", ".join(f"{name} {value_words(name, value)}" for name, value in settings.items())


def parse_varied(text: str) -> Factor:
    """Read `nozzle=220:250:10` (from, to, step) or `fan=0%,25%,50%`.

    Raises
    ------
    UsageError : anything else, a value twice, or fewer than two.
    """
    kind, given = _split(text, "--vary")
    values = sorted(_spread(kind, given, text) if ":" in given else _listed(kind, given, text, "--vary"))
    if len(set(values)) < len(values):
        raise UsageError(
            f"--vary {text}: a value twice", "Give each once; --repeat prints each several times."
        )
    if len(values) < 2:
        raise UsageError(
            f"--vary {text}: one value, expected at least two",
            f"Use --hold {text} for what is the same in all.",
        )
    return Factor(kind.name, tuple(values))


def parse_held(text: str) -> Factor:
    """Read `speed=80%`.

    Raises
    ------
    UsageError : anything else.
    """
    kind, given = _split(text, "--hold")
    values = _listed(kind, given, text, "--hold")
    if len(values) != 1:
        raise UsageError(
            f"--hold {text}: {len(values)} values, expected one",
            "Use --vary for what changes from step to step.",
        )
    return Factor(kind.name, tuple(values))


def _split(text: str, option: str) -> tuple[Kind, str]:
    name, equals, given = text.partition("=")
    name = name.strip().lower()
    if name not in KINDS:
        close = nearest(name, KINDS)
        raise UsageError(
            f"{option} {text}: no setting {name!r}{f', nearest {close!r}' if close else ''}",
            f"There are: {', '.join(KINDS)}.",
        )
    if not equals or not given.strip():
        raise UsageError(f"{option} {text}: no value", f"For example {option} {KINDS[name].example}.")
    return KINDS[name], given


def _spread(kind: Kind, given: str, text: str) -> list[float]:
    """Values from, to and step."""
    parts = [_number(kind, part, text, "--vary") for part in given.split(":")]
    if len(parts) != 3:
        raise UsageError(
            f"--vary {text}: {len(parts)} numbers between colons, expected three: from, to and step",
            f"For example --vary {KINDS['nozzle'].example}.",
        )
    first, last, step = parts
    unit = kind.unit.strip() if kind.unit == "%" else ""
    if step == 0:
        raise UsageError(f"--vary {text}: a step of 0", f"For example --vary {kind.example}.")
    if (last - first) * step < 0:
        raise UsageError(
            f"--vary {text}: no way from {first:g} to {last:g} in steps of {step:g}",
            f"Turn it round: --vary {kind.name}={last:g}{unit}:{first:g}{unit}:{step:g}{unit}.",
        )
    count = (last - first) / step
    if count > _MOST_VALUES:
        raise UsageError(f"--vary {text}: more than {_MOST_VALUES} values", "Give a larger step.")
    if abs(count - round(count)) > 1e-6:
        reached = first + int(count) * step
        nearest_end = reached if reached != first else reached + step
        raise UsageError(
            f"--vary {text}: steps of {step:g} from {first:g} reach {reached:g} and {reached + step:g}, not {last:g}",
            f"For example --vary {kind.name}={first:g}{unit}:{nearest_end:g}{unit}:{step:g}{unit}.",
        )
    return [
        _checked(kind, round(float(value), 6), text, "--vary")
        for value in first + step * np.arange(round(count) + 1)
    ]


def _listed(kind: Kind, given: str, text: str, option: str) -> list[float]:
    parts = given.split(",")
    if len(parts) > _MOST_VALUES:
        raise UsageError(
            f"{option} {_short(text)}: {len(parts)} values, expected at most {_MOST_VALUES}",
            "Give fewer values.",
        )
    return [_checked(kind, _number(kind, part, text, option), text, option) for part in parts]


def _short(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:57]}..."


def _number(kind: Kind, part: str, text: str, option: str) -> float:
    plain = part.strip()
    unit = kind.unit.strip()
    bare = plain.removesuffix(unit).strip() if unit else plain
    if unit == "%" and not plain.endswith("%"):
        raise UsageError(
            f"{option} {text}: {plain!r} without a percent sign", f"For example {option} {kind.example}."
        )
    try:
        value = float(bare)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise UsageError(f"{option} {text}: {plain!r} is no number", f"For example {option} {kind.example}.")
    return value


def _checked(kind: Kind, value: float, text: str, option: str) -> float:
    if not kind.low <= value <= kind.high:
        raise UsageError(
            f"{option} {text}: {value:g}{kind.unit}, expected {kind.low:g} to {kind.high:g}{kind.unit}",
            "Choose values in between.",
        )
    if kind.name == "perimeters" and value != round(value):
        raise UsageError(
            f"{option} {text}: {value:g} perimeters, expected a whole number", "Choose whole numbers."
        )
    return value


def treatment_of(settings: Mapping[str, float], *, outer: bool = False, fan_mode: str = "hold") -> Treatment:
    """What `apply` is asked for a step.

    Parameters
    ----------
    settings : by name, in the units of `Factor`. outer : flow acts on the outermost perimeter too. fan_mode : how
    the fan is told, see `Fan`.

    What is held back for the print's sake elsewhere is done here (`force`): a step that is not printed tells
    nothing.
    """
    given: dict[str, object] = {"force": True}
    for name, value in settings.items():
        kind = KINDS[name]
        if value == kind.same:
            continue
        if name == "nozzle":
            given[name] = Nozzle(set_c=value, mode="hold")
        elif name == "fan":
            # In a fan that follows each instance, what is the file's own must be asked for too, or the neighbours'
            # speed would be held over it: a hair off it is asked for, and comes out the same.
            share = value / 100 if fan_mode != "follow" else max(value / 100 - _HAIR, 0.0)
            given[name] = Fan(set=share, mode=fan_mode)  # type: ignore[arg-type]
        elif name == "speed":
            given[name] = Speed(scale=value / 100)
        elif name == "flow":
            given[name] = Flow(scale=value / 100, outer=outer)
        else:
            given[name] = Perimeters(add=int(value))
    return Treatment(**given)  # type: ignore[arg-type]

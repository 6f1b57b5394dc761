"""Steps that `advise` may take: settings of a region, one at a time, and the kit's text for a set of them."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Any, Literal

import numpy as np

from gcodetools.jobs.regions import Found
from gcodetools.kit.schema import Region
from gcodetools.kit.settings import Fan, Flow, Nozzle, Perimeters, Speed, Treatment
from gcodetools.kit.shapes import Box
from gcodetools.records import dataclass
from gcodetools.strength.got import Got
from gcodetools.strength.region import RegionStrength
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.target import Bounds

__all__ = ["Kept", "Root", "Step", "ladders_of", "root_of"]

Kind = Literal["beads", "root", "nozzle", "fan", "speed", "flow"]
Ladders = dict[Kind, list["Step"]]

_NOZZLE_STEP_C = 5.0
_FAN_CAPS = (0.25, 0.10, 0.0)
_SLOWER, _MORE_FLOW = 0.8, 1.03
_SOLID = 0.94  # of a section: nothing is left to be filled
_FULL = 0.98  # of a weld's area that rests on solid beads
_WIDER_MM, _DEEPER_LAYERS = 1.0, 6


@dataclass(frozen=True, slots=True)
class Root:
    """What an arm stands on, in the part's frame: a box that reaches wider and deeper than its lowest layer."""

    x: tuple[float, float]
    y: tuple[float, float]
    z: tuple[float, float]

    @property
    def region(self) -> Region:
        """A region that lays it solid."""
        return Region(within=Box(x=self.x, y=self.y, z=self.z), treat=Treatment(infill="solid"))


@dataclass(frozen=True, slots=True)
class Step:
    """One setting. kind : steps of a kind replace each other. changes : fields of the treatment; None clears.
    label : as people read it."""

    kind: Kind
    label: str
    changes: dict[str, Any] = field(default_factory=dict)
    root: Root | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """A set of steps, at most one a kind."""

    steps: tuple[Step, ...] = ()

    def with_step(self, step: Step) -> Kept:
        """The set with this step instead of the one of its kind."""
        return Kept((*(one for one in self.steps if one.kind != step.kind), step))

    def without(self, kind: Kind) -> Kept:
        """The set without the step of a kind."""
        return Kept(tuple(one for one in self.steps if one.kind != kind))

    @property
    def root(self) -> Root | None:
        """The box below the arm, if it is in the set."""
        return next((one.root for one in self.steps if one.root is not None), None)

    @property
    def treatment(self) -> Treatment | None:
        """The region's own settings; None without one."""
        changes = {key: value for one in self.steps for key, value in one.changes.items()}
        return Treatment(**changes) if changes else None

    @property
    def spelled(self) -> dict[str, str]:
        """The region's settings as the kit spells them: `{"nozzle": "{add: 10}"}`."""
        treatment = self.treatment
        return {} if treatment is None else {key: _spelled(key, treatment) for key in treatment.settings}

    @property
    def label(self) -> str:
        """All steps in a line."""
        return ", ".join(one.label for one in self.steps) or "nothing"


def _spelled(key: str, treatment: Treatment) -> str:
    value = getattr(treatment, key)
    if isinstance(value, str):
        return value
    if isinstance(value, Nozzle):
        return f"{{add: {value.add_c:g}}}"
    if isinstance(value, Fan):
        return f"{{cap: {_percent(value.cap)}}}"
    if isinstance(value, Perimeters):
        return "{fill: true}"
    return f"{{scale: {_percent(value.scale)}}}"


def _percent(share: float | None) -> str:
    return f"{100.0 * (share or 0.0):g}%"


def ladders_of(
    plate: Plate, found: Found, one: RegionStrength, got: Got, bounds: Bounds, peak_c: float | None
) -> tuple[Ladders, list[str]]:
    """Steps that can act on strength between layers, by kind, the mildest first, and why others are not there.

    Parameters
    ----------
    one : the region as sliced. got : what the plate's beads got. bounds : what the machine and the material allow.
    peak_c : hottest nozzle that was measured to help; None where nothing was measured.
    """
    rows = found.hit.selection.row
    _, told, fan = got.at(rows)
    ladders: Ladders = {}
    left_out: list[str] = []
    hollow = one.arm is not None and one.arm.share < _SOLID
    open_ = len(one.welds.transition) > 0 or bool(np.any(one.welds.contact < _FULL))
    sparse = one.wall is not None and one.wall.fill.median < _SOLID
    if hollow or open_ or sparse:
        ladders["beads"] = [
            Step("beads", "infill solid", {"infill": "solid"}),
            Step("beads", "perimeters fill", {"perimeters": Perimeters(fill=True)}),
        ]
    else:
        left_out.append("more beads: every layer rests on solid beads already")
    root = root_of(plate, found, one) if hollow else None
    if root is not None:
        ladders["root"] = [Step("root", "solid below the root, wider and deeper", {}, root)]
    ladders["nozzle"], why = _nozzles(told, bounds, peak_c)
    ladders["fan"], fan_why = _fans(fan, bounds)
    left_out += [text for text in (why, fan_why) if text]
    ladders["speed"] = [Step("speed", f"speed {_percent(_SLOWER)}", {"speed": Speed(scale=_SLOWER)})]
    ladders["flow"] = [Step("flow", f"flow {_percent(_MORE_FLOW)}", {"flow": Flow(scale=_MORE_FLOW)})]
    return {kind: steps for kind, steps in ladders.items() if steps}, left_out


def _nozzles(told_c: np.ndarray[Any, Any], bounds: Bounds, peak_c: float | None) -> tuple[list[Step], str]:
    """Hotter by 5 C a step, no further than was measured to help and than the hotend stands."""
    known = told_c[~np.isnan(told_c)]
    if peak_c is None:
        return [], "a hotter nozzle: nothing is measured of heat for this plastic"
    if len(known) == 0:
        return [], "a hotter nozzle: nobody says how hot it is (`base: {nozzle: ...}` in the kit)"
    own = float(known.max())
    high, source = peak_c, "the measured peak"
    if bounds.nozzle_high_c < high:
        high, source = bounds.nozzle_high_c, bounds.nozzle_from
    adds = [_NOZZLE_STEP_C * k for k in range(1, math.floor((high - own) / _NOZZLE_STEP_C) + 1)]
    if not adds:
        return [], f"a hotter nozzle: {own:g} C now, at most {high:g} C ({source})"
    steps = [Step("nozzle", f"nozzle {add:+g} C", {"nozzle": Nozzle(add_c=add)}) for add in adds]
    return steps, f"a nozzle above {own + adds[-1]:g} C: at most {high:g} C ({source})"


def _fans(fan: np.ndarray[Any, Any], bounds: Bounds) -> tuple[list[Step], str]:
    """Less fan, down to what the material takes."""
    own, low = (
        float(np.nanmax(fan)) if len(fan) and not np.all(np.isnan(fan)) else 0.0,
        bounds.material.fan.low,
    )
    caps = [cap for cap in _FAN_CAPS if low - 1e-9 <= cap < own - 1e-6]
    if not caps:
        why = (
            "it is off there"
            if own <= 0
            else f"{100 * own:.0f} % now, {100 * low:.0f} % is the material's least"
        )
        return [], f"less fan: {why}"
    return [Step("fan", f"fan at most {_percent(cap)}", {"fan": Fan(cap=cap)}) for cap in caps], ""


def root_of(plate: Plate, found: Found, one: RegionStrength) -> Root | None:
    """A box around the weakest layer of an arm that reaches 1 mm wider and six layers deeper; None without an arm."""
    if one.arm is None:
        return None
    pose = found.pose
    rows = pose.rows[pose.layer == one.arm.layer]
    rows = rows[np.isin(rows, found.hit.selection.row)].astype(np.int64)
    if len(rows) == 0:
        return None
    moves = plate.moves
    ends = np.concatenate([rows, np.maximum(rows - 1, 0)])
    x, y = pose.to_part(moves.x[ends], moves.y[ends])
    height = float(np.nanmedian(plate.beads.height[rows]))
    top = float(np.median(moves.z[rows])) - pose.z_mm
    wider = _WIDER_MM / pose.scale
    bottom = max(top - (_DEEPER_LAYERS + 1) * height, 0.0)
    return Root(
        (_down(x.min() - wider), _up(x.max() + wider)),
        (_down(y.min() - wider), _up(y.max() + wider)),
        (round(bottom / pose.scale, 2), round(top / pose.scale, 2)),
    )


def _down(value: float) -> float:
    return math.floor(10.0 * value) / 10.0


def _up(value: float) -> float:
    return math.ceil(10.0 * value) / 10.0

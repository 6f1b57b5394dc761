"""The rest of the demo's tale: a ladder, what broke, a filament tuned, a fit nudged, a setting carried, a run planned.

    hooks ──ladder──▶ sheet ──broken (invented)──▶ tune ──▶ a material of one's own ──▶ estimate anew
    keys ──nudge──▶ keys of four fits      slicer's settings ──carry──▶ a copy      order ──plan──▶ table, calendar

Each step works on the files of the demo's folder, as its command would.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Iterable
from dataclasses import field
from pathlib import Path
from typing import Any

from gcodetools.demo.broken import filled_in
from gcodetools.demo.maker import make_plate
from gcodetools.demo.plates import Placement, four_keys, twelve_hooks
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options, apply_plate, write
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.ladder import ladder_plate
from gcodetools.jobs.ladder_asked import Asked as Rungs
from gcodetools.jobs.nudge import Nudge, nudge_plate
from gcodetools.jobs.plan import Wanted, plan_file
from gcodetools.jobs.profile import Way
from gcodetools.jobs.profile_carry import Asked as Carried
from gcodetools.jobs.profile_carry import carry_profile, write_copy
from gcodetools.jobs.sources import Subset
from gcodetools.jobs.tune import Asked as Read
from gcodetools.jobs.tune_out import Outputs, tune_files
from gcodetools.kit.schema import Kit
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.trials.factors import parse_varied

__all__ = ["ORDER_TEXT", "STORY_NAMES", "tell"]

Record = dict[str, Any]
Progress = Callable[[str], None]

STORY_NAMES = (
    "hooks.gcode", "hooks-ladder.gcode", "hooks-ladder.sheet.html", "hooks-ladder.sheet.csv", "hooks-broken.csv",
    "bench-petg.yaml", "bench-petg.svg", "keys.gcode", "keys-nudged.gcode", "bench.ini", "bench-carried.ini",
    "order.yaml", "run.csv", "run.ics",
)  # fmt: skip
_HOOK, _KEY = "shelf-hook/finger", "wedge-key-easy/shank"
_VARIED = ("nozzle=220:240:10", "fan=0%,40%")
_OFFSETS_MM = (-0.05, 0.0, 0.05, 0.1)
_HOOKS = Subset.parse("shelf-hook")
ORDER_TEXT = """\
# Forty benches by Easter. All of it is invented.
beadwright: 1
order: spring benches
kit: hoophouse.kit.yaml
kits: 40
one_kit: {film-clip: 12, ridge-saddle: 2, wedge-key-snug: 4, shelf-hook: 4}
zone: Europe/Vienna
start: 2027-03-15T08:00
due: 2027-03-26T18:00
plates:
  - {file: plate.gcode, treated: plate-treated.gcode}
printers:
  # Somebody is there from seven to ten; what prints at ten may print on alone.
  - {name: bench, count: 3, machine: desktop-220, hours: "07:00-22:00", swap: 10 min, failed: 4%}
spools:
  - {material: petg, net_g: 1000, on_hand: 3, price: 22}
electricity_per_kwh: 0.30
"""


def tell(
    folder: Path, kit: Kit, plate: Plate, pair: Plate, progress: Progress
) -> tuple[list[Record], list[str]]:
    """Steps of the tale and warnings; the demo's plates and kit are in `folder` already, and the rest is written there.

    A step is {step, command, record}, or with `left_out`, what is to be installed, in place of the record.
    """
    bench = _Bench(folder, kit, progress)
    bench.ladder()
    if bench.tune():
        bench.estimate(pair)
    bench.nudge()
    bench.carry(plate)
    bench.plan()
    return bench.steps, bench.warnings


@dataclass
class _Bench:
    """The keeper's bench: a folder of files, and what was told of each step."""

    folder: Path
    kit: Kit
    progress: Progress
    steps: list[Record] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def at(self, name: str) -> Path:
        return self.folder / name

    @property
    def kit_at(self) -> Path:
        return self.at("hoophouse.kit.yaml")

    def sliced(self, name: str, parts: tuple[Placement, ...], sequential: bool = False) -> Plate:
        """A plate of these parts, written and read."""
        data = make_plate(parts=parts, sequential=sequential)
        write_atomic(self.at(name), data)
        return Plate.from_bytes(data, str(self.at(name)))

    def told(self, step: str, command: str, record: Record, warnings: Iterable[str] = ()) -> None:
        self.steps.append({"step": step, "command": command, "record": record})
        self.warnings += warnings

    def ladder(self) -> None:
        """A ladder of hooks, and its table filled in."""
        self.progress("a ladder of hooks")
        plate, out = (
            self.sliced("hooks.gcode", twelve_hooks(), sequential=True),
            self.at("hooks-ladder.gcode"),
        )
        asked = Rungs(tuple(map(parse_varied, _VARIED)), repeat=2)
        part, region = _HOOK.split("/")
        ladder = ladder_plate(plate, self.kit, (part, region), Options((self.kit_at,)), asked)
        outputs = dict(ladder.outputs(out, None))
        outputs[self.at("hooks-broken.csv")] = filled_in(outputs[self.at("hooks-ladder.sheet.csv")])
        for path, data in outputs.items():
            write_atomic(path, data)
        vary = " ".join(f"--vary {text}" for text in _VARIED)
        command = (
            f"ladder {self.at('hooks.gcode')} --kit {self.kit_at} --region {_HOOK} {vary} --repeat 2 -o {out}"
        )
        self.told("ladder", command, {**ladder.record, "out": str(out)})

    def tune(self) -> bool:
        """A filament by what broke; False where the library for that is missing."""
        sheet, out = self.at("hooks-broken.csv"), self.at("bench-petg.yaml")
        command = f"tune {sheet} --machine desktop-220 --shape-only -o {out}"
        if importlib.util.find_spec("scipy") is None:
            self.steps.append({"step": "tune", "command": command, "left_out": _install("scipy", "trials")})
            return False
        self.progress("tuning a filament")
        drawn = importlib.util.find_spec("matplotlib") is not None
        outputs = Outputs(material=out, overwrite=True, plot=self.at("bench-petg.svg") if drawn else None)
        tuned = tune_files([sheet], Read(machine="desktop-220", shape_only=True), outputs)
        self.told("tune", command, tuned.record, tuned.warnings)
        return True

    def estimate(self, pair: Plate) -> None:
        """The hook, treated, by PETG's profile and by the filament's own; one record of both."""
        self.progress("estimating anew")
        own_at = self.at("bench-petg.yaml")
        treated = apply_plate(pair, self.kit, Options((), subset=_HOOKS)).treated.plate
        by_profile, _ = estimate_plate(treated, self.kit, Options((), subset=_HOOKS))
        by_own, _ = estimate_plate(treated, self.kit, Options((), material=str(own_at), subset=_HOOKS))
        treated_at = self.at("plate-treated.gcode")
        command = f"estimate {treated_at} --kit {self.kit_at} --material {own_at} --only shelf-hook#1"
        self.told("estimate", command, {"by_profile": by_profile, "by_own": by_own})

    def nudge(self) -> None:
        """Four keys of four fits."""
        self.progress("nudging a fit")
        plate, out = self.sliced("keys.gcode", four_keys()), self.at("keys-nudged.gcode")
        nudged = nudge_plate(
            plate, self.kit, Options((self.kit_at,)), Nudge(_OFFSETS_MM, (_KEY,)), self.progress
        )
        write(nudged.applied, out)
        offsets = ",".join(f"{mm:g}" for mm in _OFFSETS_MM)
        command = (
            f"nudge {self.at('keys.gcode')} --kit {self.kit_at} --region {_KEY} --offsets={offsets} -o {out}"
        )
        self.told("nudge", command, {**nudged.record, "out": str(out)}, nudged.warnings)

    def carry(self, plate: Plate) -> None:
        """The hook's treatment in a slicer's settings."""
        self.progress("carrying a treatment into the slicer's settings")
        settings, out = self.at("bench.ini"), self.at("bench-carried.ini")
        write_atomic(settings, _settings_of(plate))
        copy = carry_profile(settings, Way(), Carried((self.kit_at,), _HOOK))
        write_copy(copy, out)
        command = f"profile carry {settings} --kit {self.kit_at} --region {_HOOK} -o {out}"
        self.told("profile carry", command, {**copy.record, "out": str(out)}, copy.warnings)

    def plan(self) -> None:
        """Forty benches by their date."""
        self.progress("planning the run")
        order, table, dates = self.at("order.yaml"), self.at("run.csv"), self.at("run.ics")
        write_atomic(order, ORDER_TEXT.encode())
        dated = importlib.util.find_spec("icalendar") is not None
        wanted = Wanted(against="untreated", csv=table, ics=dates if dated else None)
        record, warnings = plan_file(order, wanted, Options(()), self.progress)
        command = f"plan {order} --against untreated --csv {table}" + (f" --ics {dates}" if dated else "")
        self.told("plan", command, record, warnings)
        if not dated:
            self.steps[-1]["without_calendar"] = _install("icalendar", "plan")


def _install(library: str, extra: str) -> str:
    return f"needs the library {library}: pip install 'beadwright[{extra}]'"


def _settings_of(plate: Plate) -> bytes:
    """A slicer's settings file: what the sliced file's block says, with what the demo's maker has no word for."""
    head = "; settings of the bench's PETG, invented for the demo\n\n"
    pairs = {**plate.settings.raw, "max_fan_speed": "40", "min_fan_speed": "40"}
    return (head + "".join(f"{key} = {value}\n" for key, value in sorted(pairs.items()))).encode()

"""Writes planned layers as G-code in a convention's words and counts what it wrote.

Feeds in mm/s, accelerations in mm/s2, lengths mm. E is rounded per piece and summed from the rounded pieces,
so absolute and relative files push exactly the same filament. Its time is length over feed plus one start and
one stop a path at the path's acceleration: corners cost nothing, heating neither.
"""

from __future__ import annotations

from math import ceil, hypot, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.demo.arcfit import fit_arcs
from gcodetools.demo.printing import (
    ACCELS,
    BED_C,
    FAN_OFF_LAYERS,
    FAN_SHARE,
    FEEDS,
    FILAMENT_AREA,
    FIRST_ACCEL,
    FIRST_LAYER_FEED,
    LIFT_MM,
    NOZZLE_C,
    OTHER_ACCEL,
    PRIME_MM,
    RETRACT_FEED,
    RETRACT_MM,
    RETRACT_OVER_MM,
    TRAVEL_ACCEL,
    TRAVEL_FEED,
    Z_FEED,
    Instance,
    Options,
    Tally,
    number,
)
from gcodetools.demo.slicing import Path, bead_area
from gcodetools.records import dataclass

__all__ = ["Writer"]

F8 = NDArray[np.float64]


@dataclass(frozen=True)
class Placed:
    """A path on the bed, its words ready: `heads` (G1, G2, G3 with X and Y), `tails` (I and J), E a piece."""

    start: tuple[float, float]
    end: tuple[float, float]
    heads: list[str]
    tails: list[str]
    pieces: list[float]
    filament_mm: float
    length_mm: float
    block: list[str]


class Writer:
    """Lines so far and the printer's state. Use: start, layers, paths, end; then `lines` and `tally`."""

    def __init__(self, options: Options, layers: int) -> None:
        self.options = options
        self.layers = layers
        self.voice = options.voice
        self.lines: list[str] = []
        self.tally = Tally()
        self.progress: list[tuple[int, float]] = []
        self.x = self.y = self.z = 0.0
        self.e = 0.0
        self.retracted = False
        self.feed = 0.0
        self.accel = 0.0
        self.fan = 0.0
        self.mark: tuple[str, float] = ("", 0.0)
        self.layer = -1
        self.layer_on_bed = True
        self.layer_fan = 0.0
        self.target_z = 0.0
        self.track = 0
        self._cache: dict[tuple[int, int], Placed] = {}
        self._kept: list[Path] = []

    # numbers and plain commands

    def xy(self, value: float) -> str:
        return number(value, self.options.xy_decimals, self.voice.numbers)

    def ee(self, value: float) -> str:
        return number(value, self.options.e_decimals, self.voice.numbers)

    def say(self, templates: tuple[str, ...], **fields: Any) -> None:
        """Write templates; those that begin with @ are commands of ours."""
        commands = {"@z": self.go_up, "@reset": self.reset, "@progress": self.note_progress}
        for template in templates:
            if template in commands:
                commands[template]()
            else:
                self.lines.append(template.format(**fields) if "{" in template else template)

    def reset(self) -> None:
        self.lines.append("G92 E0")
        self.e = 0.0

    def note_progress(self) -> None:
        self.progress.append((len(self.lines), self.tally.time_s))
        self.lines.append("M73")

    def go_up(self) -> None:
        self.retract()
        self.lift_to(self.target_z, "")

    def lift_to(self, z: float, note: str) -> None:
        if abs(z - self.z) > 1e-9:
            self.lines.append(f"G1 Z{self.xy(z)} F{Z_FEED * 60:.0f}{self.voice.inline.get(note, '')}")
            self.tally.time_s += abs(z - self.z) / Z_FEED
            self.z, self.feed = z, Z_FEED

    def push(self, amount: float) -> str:
        """Book filament through the nozzle; the E word's text."""
        tally = self.tally
        tally.net_mm += amount
        tally.highest_mm = max(tally.highest_mm, tally.net_mm)
        self.e += amount
        return f"E{self.ee(amount if self.options.relative else self.e)}"

    def retract(self) -> None:
        self._retraction(-1)

    def unretract(self) -> None:
        self._retraction(1)

    def _retraction(self, sign: int) -> None:
        if self.retracted == (sign < 0):
            return
        note = self.voice.inline.get("retract" if sign < 0 else "unretract", "")
        if sign < 0 and self.voice.reset == "path":
            self.reset()
        if self.options.firmware_retraction:
            self.lines.append(("G10" if sign < 0 else "G11") + note)
        else:
            self.lines.append(f"G1 {self.push(sign * RETRACT_MM)} F{RETRACT_FEED * 60:.0f}{note}")
            self.feed = RETRACT_FEED
        self.tally.time_s += RETRACT_MM / RETRACT_FEED
        self.retracted = sign < 0

    def set_accel(self, accel: float) -> None:
        if self.voice.accel and accel != self.accel:
            self.lines.append(f"M204 S{accel:.0f}")
        self.accel = accel

    def set_fan(self, share: float) -> None:
        if share != self.fan:
            self.lines.append(f"M106 S{round(share * 255)}" if share else "M107")
            self.fan = share

    # motion

    def travel(self, x: float, y: float) -> None:
        """Go there without a bead: retracted and lifted where it is far."""
        way = hypot(x - self.x, y - self.y)
        if way > 1e-6:
            if way > RETRACT_OVER_MM:
                self.retract()
                self._hop()
            self.glide(x, y)
        self.lift_to(self.target_z, "drop")
        self.unretract()

    def glide(self, x: float, y: float) -> None:
        """Travel as things are, at the height there is."""
        way = hypot(x - self.x, y - self.y)
        self.set_accel(TRAVEL_ACCEL)
        words = f"{self.voice.travel} X{self.xy(x)} Y{self.xy(y)}"
        words += f" Z{self.xy(self.z)}" if self.voice.every else ""
        self.lines.append(f"{words} F{TRAVEL_FEED * 60:.0f}{self.voice.inline.get('travel', '')}")
        self.tally.time_s += way / TRAVEL_FEED + TRAVEL_FEED / TRAVEL_ACCEL
        self.tally.travel_mm += way
        self.x, self.y, self.feed = x, y, TRAVEL_FEED

    def _hop(self) -> None:
        lifted = self.target_z + LIFT_MM
        if self.z >= lifted - 1e-9:
            return
        if self.voice.spiral_lift:
            self.lines += ["G17", f"G3 Z{self.xy(lifted)} I1.2 J0 P1 F{TRAVEL_FEED * 60:.0f}"]
            self.tally.time_s += hypot(2 * pi * 1.2, LIFT_MM) / TRAVEL_FEED
            self.z, self.feed = lifted, TRAVEL_FEED
        else:
            self.lift_to(lifted, "lift")

    def path(self, path: Path, instance: Instance | None) -> None:
        """Print one path: feature marks, travel, beads."""
        placed = self._placed(path, instance)
        feature = path.feature
        first = self.layer_on_bed
        feed = min(FEEDS[feature], FIRST_LAYER_FEED) if first else FEEDS[feature]
        word = self.voice.words.get(feature, "")
        changed = self.voice.repeat or self.mark[0] != word
        fields: dict[str, Any] = {
            "word": word.format(side="inner" if path.hole else "outer"), "w": round(path.width, 5),
            "h": self.options.layer_mm, "head": feed, "track": self.track,
            "feed_e": feed * placed.filament_mm / placed.length_mm,
        }  # fmt: skip
        self.track += 1
        if changed and word:
            self.say(self.voice.before, **fields)
        self.travel(*placed.start)
        if not first:
            self.set_fan(1.0 if feature in ("bridge", "overhang") else self.layer_fan)
        self.set_accel(FIRST_ACCEL if first else ACCELS.get(feature, OTHER_ACCEL))
        if changed and word:
            self.say(self.voice.after, **fields)
        if self.voice.width and (abs(path.width - self.mark[1]) > 1e-6 or not self.mark[0]):
            self.say((self.voice.width,), **fields)
        self.mark = (word, path.width)
        self._beads(placed, feed)
        self.say(self.voice.close.get(feature, self.voice.close.get("", ())))
        self._book(path, placed, feed)

    def _beads(self, placed: Placed, feed: float) -> None:
        voice, options = self.voice, self.options
        if voice.reset == "path":
            self.reset()
        if voice.bead_on:
            self.lines.append(voice.bead_on)
        begin = len(self.lines) + (1 if voice.feed == "own" else 0)
        if voice.feed == "own":
            self.lines.append(f"G1 F{feed * 60:.0f}")
        if options.relative:
            self.lines += placed.block
        else:
            running = (self.e + np.cumsum(placed.pieces)).tolist()
            z = f" Z{self.xy(self.z)} F{feed * 60:.1f}" if voice.every else ""
            rows = zip(placed.heads, placed.tails, running, strict=True)
            self.lines += [f"{head}{z} E{self.ee(e)}{tail}" for head, tail, e in rows]
        if voice.feed == "back":
            self.lines[begin] += f" F{feed * 60:.0f}"
        elif voice.feed == "front":
            self.lines[begin] = self.lines[begin].replace(" ", f" F{feed * 60:.0f} ", 1)
        if voice.bead_off:
            self.lines.append(voice.bead_off)
        self.push(placed.filament_mm)
        self.feed = feed
        self.x, self.y = placed.end

    def _book(self, path: Path, placed: Placed, feed: float) -> None:
        tally = self.tally
        tally.length_mm[path.feature] += placed.length_mm
        tally.filament_mm[path.feature] += placed.filament_mm
        tally.beads += len(placed.pieces)
        tally.layer_filament_mm[-1] += placed.filament_mm
        here = tally.layer_features[-1]
        here[path.feature] = here.get(path.feature, 0.0) + placed.length_mm
        tally.time_s += placed.length_mm / feed + feed / self.accel

    def _placed(self, path: Path, instance: Instance | None) -> Placed:
        key = (id(path), instance.index if instance else -1)
        if key not in self._cache:
            self._cache[key] = self._prepare(path, instance)
            self._kept.append(path)
        return self._cache[key]

    def _prepare(self, path: Path, instance: Instance | None) -> Placed:
        points = instance.place(path.points) if instance else path.points
        points = np.round(points, self.options.xy_decimals)
        stops, centres, lengths = fit_arcs(points) if self.options.arcs else _straight(points)
        area = bead_area(path.width, self.options.layer_mm)
        pieces = np.round(lengths * area / FILAMENT_AREA, self.options.e_decimals).tolist()
        heads, tails = [], []
        at = points[0]
        for stop, centre in zip(points[stops], centres, strict=True):
            heads.append(f"{centre[0]} X{self.xy(stop[0])} Y{self.xy(stop[1])}")
            tail = (
                f" I{self.xy(centre[1] - at[0])} J{self.xy(centre[2] - at[1])}" if centre[0] != "G1" else ""
            )
            tails.append(tail)
            at = stop
        rows = zip(heads, tails, pieces, strict=True)
        block = [f"{head}{tail} E{self.ee(e)}" for head, tail, e in rows]
        ends = tuple(points[0].tolist()), tuple(points[-1].tolist())
        return Placed(ends[0], ends[1], heads, tails, pieces, sum(pieces), float(lengths.sum()), block)

    # layers and objects

    def start(self) -> None:
        """Start code: limits, heating, a priming line along the bed's front."""
        self.say(self.voice.opening)
        if self.options.macro_start:
            self.lines.append(f"print_start EXTRUDER={NOZZLE_C} BED={BED_C}")
        else:
            self.lines += [
                f"M140 S{BED_C}",
                f"M104 S{NOZZLE_C}",
                "G28",
                f"M190 S{BED_C}",
                f"M109 S{NOZZLE_C}",
            ]
        self.lines += ["G21", "G90", "M83" if self.options.relative else "M82", "M107", "G92 E0"]
        self.lines += ["G1 Z0.3 F720", "G1 X10 Y5 F7800", f"G1 X110 {self.push(PRIME_MM)} F900"]
        self.x, self.y, self.z, self.feed = 110.0, 5.0, 0.3, 15.0
        self.tally.start_mm = PRIME_MM
        self.reset()

    def end(self) -> None:
        """End code; then the progress commands, now that the whole time is known."""
        self.retract()
        self.set_fan(0.0)
        self.say(self.voice.ending)
        self.lines += [f"G1 Z{self.xy(self.z + 10)} F720", "M104 S0", "M140 S0", "G1 X10 Y200 F7800", "M84"]
        whole = max(self.tally.time_s, 1e-9)
        for at, time in self.progress:
            self.lines[at] = f"M73 P{int(100 * time / whole)} R{ceil((whole - time) / 60)}"

    def begin_layer(self, z: float, number_in_object: int) -> None:
        """Marks and the move up."""
        self.layer += 1
        self.target_z = round(z, 5)
        self.layer_on_bed = number_in_object == 0
        self.layer_fan = FAN_SHARE if number_in_object >= FAN_OFF_LAYERS else 0.0
        self.tally.layer_features.append({})
        self.tally.layer_filament_mm.append(0.0)
        self.tally.layer_z.append(self.target_z)
        self.tally.layer_time_s.append(self.tally.time_s)
        self.say(self.voice.layer, **self._layer_fields())
        if number_in_object == 0 and self.layer:
            self.set_fan(0.0)
        elif number_in_object:
            self.set_fan(self.layer_fan)
        self.mark = ("", 0.0)

    def end_layer(self) -> None:
        times = self.tally.layer_time_s
        times[-1] = self.tally.time_s - times[-1]
        self.say(self.voice.layer_end, **self._layer_fields())

    def _layer_fields(self) -> dict[str, Any]:
        return {
            "z": self.target_z, "h": self.options.layer_mm, "index": self.layer + self.voice.first_layer,
            "number": self.layer + 1, "elapsed": self.tally.time_s, "layers": self.layers,
        }  # fmt: skip

    def begin_object(self, instance: Instance) -> None:
        if self.options.labelled:
            self.say((*self.voice.object_on, *_commands(self.options.commands, "on")), **instance.fields)
            self.mark = ("", 0.0)

    def end_object(self, instance: Instance) -> None:
        if self.options.labelled:
            self.say((*self.voice.object_off, *_commands(self.options.commands, "off")), **instance.fields)

    def define(self, instance: Instance, corners: str) -> None:
        """Declare an instance ahead of the first layer."""
        templates = (*self.voice.define, *_commands(self.options.commands, "define"))
        self.say(templates, corners=corners, **instance.fields)


COMMANDS: dict[str, dict[str, tuple[str, ...]]] = {
    "exclude": {
        "define": ("EXCLUDE_OBJECT_DEFINE NAME={key} CENTER={x:.3f},{y:.3f} POLYGON={corners}",),
        "on": ("EXCLUDE_OBJECT_START NAME={key}",),
        "off": ("EXCLUDE_OBJECT_END NAME={key}",),
    },
    "m486": {"define": (), "on": ("M486 S{index}", "M486 A{label} copy {copy}"), "off": ("M486 S-1",)},
}


def _commands(kind: str, moment: str) -> tuple[str, ...]:
    return COMMANDS[kind][moment] if kind else ()


Centre = tuple[str, float, float]


def _straight(points: F8) -> tuple[NDArray[np.int64], list[Centre], F8]:
    """Every piece a line: ends, commands, lengths."""
    lengths: F8 = np.hypot(*np.diff(points, axis=0).T)
    return np.arange(1, len(points)), [("G1", 0.0, 0.0)] * (len(points) - 1), lengths

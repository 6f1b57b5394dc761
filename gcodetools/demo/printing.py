"""How the demo prints: feeds, accelerations, filament; an instance on the bed; what a writer counts.

Feeds in mm/s, accelerations in mm/s2, lengths mm, temperatures C.
"""

from __future__ import annotations

import base64
from collections import defaultdict
from dataclasses import field
from math import cos, pi, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.demo.voices import Voice
from gcodetools.records import dataclass

__all__ = ["ACCELS", "FEEDS", "Instance", "Options", "Tally", "number"]

F8 = NDArray[np.float64]

FILAMENT_MM = 1.75
FILAMENT_AREA = pi * FILAMENT_MM**2 / 4
DENSITY_G_CM3 = 1.27
PRICE_PER_KG = 22.0
NOZZLE_C, BED_C = 230, 80
FAN_SHARE = 0.4
FAN_OFF_LAYERS = 3
TRAVEL_FEED, Z_FEED, RETRACT_FEED = 130.0, 12.0, 35.0
RETRACT_MM, LIFT_MM, RETRACT_OVER_MM = 0.8, 0.4, 2.0
PRIME_MM = 9.0

FEEDS = {
    "outermost": 30.0, "perimeter": 45.0, "overhang": 20.0, "gap": 25.0, "bridge": 25.0, "bottom": 40.0,
    "solid": 45.0, "top": 35.0, "sparse": 60.0, "skirt": 25.0,
}  # fmt: skip
ACCELS = {"outermost": 1000, "perimeter": 1500, "overhang": 800, "bridge": 800, "top": 1000}
OTHER_ACCEL, FIRST_ACCEL, TRAVEL_ACCEL = 1500, 500, 2500
FIRST_LAYER_FEED = 20.0


def number(value: float, decimals: int, style: str) -> str:
    """A number as the convention prints it: "fixed", "trim" (no trailing zeros) or "short" (`.5`, `-.5`)."""
    text = f"{value:.{decimals}f}"
    if style == "fixed":
        return text
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        return "0"
    if style == "short":
        text = text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
    return text


@dataclass(frozen=True)
class Instance:
    """Where a part stands and what the file calls it. index counts all instances from 0, copy per part."""

    index: int
    name: str
    part_id: int
    copy: int
    x_mm: float
    y_mm: float
    turn_deg: float
    mirrored: bool
    scale: float

    def place(self, points: F8) -> F8:
        """Points of the part's frame, (k, 2), on the bed."""
        a = radians(self.turn_deg)
        mirror = np.array([-1.0 if self.mirrored else 1.0, 1.0])
        turned = (points * mirror) @ np.array([[cos(a), sin(a)], [-sin(a), cos(a)]])
        placed: F8 = turned + np.array([self.x_mm, self.y_mm])
        return placed

    @property
    def fields(self) -> dict[str, Any]:
        """What object templates may name."""
        mask = (1 << self.index).to_bytes(8 * (self.index // 64 + 1), "little")
        label = f"{self.name}.stl"
        return {
            "label": label,
            "part_id": self.part_id,
            "copy": self.copy,
            "label_id": 101 + 7 * self.index,
            "mask": base64.b64encode(mask).decode(),
            "x": self.x_mm,
            "y": self.y_mm,
            "key": f"{label}_id_{self.part_id}_copy_{self.copy}",
            "index": self.index,
        }


@dataclass(frozen=True)
class Options:
    """How to write: see `maker.make_plate`."""

    voice: Voice
    relative: bool
    labelled: bool
    arcs: bool
    firmware_retraction: bool
    commands: str
    xy_decimals: int = 3
    e_decimals: int = 5
    layer_mm: float = 0.2
    macro_start: bool = False


@dataclass
class Tally:
    """What was written. Keys are own feature words; filament in mm."""

    length_mm: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    filament_mm: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    layer_features: list[dict[str, float]] = field(default_factory=list)
    layer_filament_mm: list[float] = field(default_factory=list)
    layer_z: list[float] = field(default_factory=list)
    layer_time_s: list[float] = field(default_factory=list)
    start_mm: float = 0.0
    net_mm: float = 0.0
    highest_mm: float = 0.0
    time_s: float = 0.0
    travel_mm: float = 0.0
    beads: int = 0

"""What stands on a made plate, and the truth about the file made of it."""

from __future__ import annotations

from gcodetools.demo.shapes import Part
from gcodetools.records import dataclass

__all__ = [
    "BED_MM",
    "InstanceTruth",
    "Made",
    "Placement",
    "Truth",
    "clip_and_hook",
    "four_keys",
    "hoophouse_plate",
    "twelve_hooks",
]

BED_MM = 220.0


@dataclass(frozen=True)
class Placement:
    """A part on the bed: its frame's origin, then mirrored in x = 0, scaled and turned about that origin."""

    part: str | Part
    x_mm: float
    y_mm: float
    turn_deg: float = 0.0
    mirrored: bool = False
    scale: float = 1.0


@dataclass(frozen=True)
class InstanceTruth:
    """One instance as it stands on the plate. label: what the file calls it, "" where it has no labels."""

    part: str
    copy: int
    label: str
    x_mm: float
    y_mm: float
    turn_deg: float
    mirrored: bool
    scale: float
    layers: int
    height_mm: float


@dataclass(frozen=True)
class Truth:
    """What is in the file, counted as it was written. Own feature words; mm, mm3, s.

    layers : layer marks (objects one after another count each of theirs). layer_z : z of each.
    layer_time_s, layer_features, layer_filament_mm : a layer's time, bead length by feature, filament of
    its beads. length_mm, filament_mm : by feature, start code left out. beads_mm : filament of all beads,
    skirt included. start_mm : of the start code. highest_mm, net_mm : net E at its highest and at the end.
    stated_mm : the total that the file states, by its convention's meaning. beads : extruding moves.
    time_s : as the file states it; corners and heating cost nothing in it.
    """

    convention: str
    relative_e: bool
    layers: int
    layer_z: tuple[float, ...]
    layer_time_s: tuple[float, ...]
    layer_features: tuple[dict[str, float], ...]
    layer_filament_mm: tuple[float, ...]
    instances: tuple[InstanceTruth, ...]
    length_mm: dict[str, float]
    filament_mm: dict[str, float]
    beads_mm: float
    start_mm: float
    highest_mm: float
    net_mm: float
    stated_mm: float
    volume_mm3: float
    beads: int
    time_s: float


@dataclass(frozen=True)
class Made:
    """A made file and the truth about it."""

    data: bytes
    truth: Truth


def hoophouse_plate() -> tuple[Placement, ...]:
    """Nine film clips (three turned), two ridge saddles, eight keys in a row, four shelf hooks."""
    turns = {2: 30.0, 5: 90.0, 7: 200.0}
    spots = [(35 + 30 * k, 35) for k in range(5)] + [(35 + 30 * k, 65) for k in range(4)]
    clips = [Placement("film-clip", x, y, turns.get(n, 0.0)) for n, (x, y) in enumerate(spots)]
    saddles = [Placement("ridge-saddle", 60, 102), Placement("ridge-saddle", 150, 98, 180.0)]
    snug = [Placement("wedge-key-snug", 35 + 16 * k, 130) for k in range(4)]
    easy = [Placement("wedge-key-easy", 99 + 16 * k, 130) for k in range(4)]
    hooks = [Placement("shelf-hook", 40 + 34 * k, 180, 0.0 if k < 3 else 90.0) for k in range(4)]
    return (*clips, *saddles, *snug, *easy, *hooks)


def clip_and_hook() -> tuple[Placement, ...]:
    """One film clip and one shelf hook."""
    return Placement("film-clip", 80, 110), Placement("shelf-hook", 130, 110)


def twelve_hooks() -> tuple[Placement, ...]:
    """Hooks to break, in three rows, far enough apart to be printed one after the other."""
    return tuple(Placement("shelf-hook", 40 + 34 * k, 60 + 50 * row) for row in range(3) for k in range(4))


def four_keys() -> tuple[Placement, ...]:
    """Keys to try in a slot, in a row."""
    return tuple(Placement("wedge-key-easy", 40 + 20 * k, 100) for k in range(4))

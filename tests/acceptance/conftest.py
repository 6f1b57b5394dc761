"""What the acceptance tests share: plates read once a session, and kits that fit any file."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from gcodetools.demo import maker
from gcodetools.demo.maker import Made, Placement
from gcodetools.demo.shapes import film_clip, ridge_saddle, shelf_hook
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.kit.stacks import split_stacks
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

# The Hoophouse's parts, lower than they are, for the sake of time.
SMALL = (
    Placement(film_clip(height_mm=3.0), 60, 60),
    Placement(shelf_hook(height_mm=5.0), 120, 60),
    Placement(ridge_saddle(height_mm=5.0), 100, 130),
)
MANY = 20
# A step of the nozzle and the material whose limits allow it, by the hottest bead of the file, C.
STEPS = ((216, "pla", 4), (226, "pla", -4), (241, "petg", -4), (259, "petg", -4), (400, "abs", -6))


@lru_cache(maxsize=16)  # all of them: 18 MB of text
def _sample(path: Path) -> Plate:
    return Plate.read(path)


@lru_cache(maxsize=6)
def _made(letter: str, options: tuple[tuple[str, Any], ...]) -> tuple[Made, Plate]:
    made = maker.make(letter, **{"parts": SMALL, **dict(options)})
    return made, Plate.from_bytes(made.data, f"{letter}.gcode")


@pytest.fixture
def sample(sample_path: Path) -> Plate:
    """One sample, read; kept for the next tests on it."""
    return _sample(sample_path)


@pytest.fixture(scope="session")
def demo() -> Callable[..., tuple[Made, Plate]]:
    """`demo(letter, **options of maker.make)`: a made plate with its truth, read; three parts by default."""
    return lambda letter, **options: _made(letter, tuple(options.items()))


@dataclass
class Probe:
    """Makes kits whose one part is the whole of what a file prints first, and treats plates with them."""

    memory: dict[tuple[str, int], str] = field(default_factory=dict)

    def kit(self, plate: Plate, within: str, treat: str | None, beads: str = "any") -> Kit:
        """A kit with one part, found by any label or else by its own outline, and one region of it."""
        return kit_from_bytes(self.text(plate, within, treat, beads).encode(), "probe.kit.yaml")

    def text(self, plate: Plate, within: str, treat: str | None, beads: str = "any") -> str:
        _, material, _ = self.step(plate)
        lines = [
            "beadwright: 1",
            "kit: probe",
            f"material: {material}",
            "base: {nozzle: 210}",
            "parts:",
            "  thing:",
            f"    found_by: {self.found_by(plate)}",
            "    regions:",
            "      zone:",
            f"        beads: {beads}",
            f"        within: {within}",
        ]
        return "\n".join([*lines, *([f"        treat: {treat}"] if treat else [])]) + "\n"

    def step(self, plate: Plate) -> tuple[float, str, int]:
        """Hottest bead, and a material with a step of the nozzle that stays inside its limits."""
        rows = np.flatnonzero(plate.beads.is_bead)
        line = plate.program.moves.line[rows]
        tracks = plate.program.states.nozzle.values()
        hottest = max((float(np.nanmax(np.append(t.at(line), 0.0))) for t in tracks), default=0.0)
        hottest = hottest or 210.0
        for limit, material, add in STEPS:
            if hottest < limit:
                return hottest, material, add
        raise AssertionError(hottest)

    def found_by(self, plate: Plate) -> str:
        names = plate.marks.objects.names
        if names:
            return "{label: [" + ", ".join(f'"{n}"' for n in ("*", *names) if n == "*" or n.isdigit()) + "]}"
        # By content: an id is given to another plate once the first is gone.
        key = hash(plate.render())
        if key not in self.memory:
            self.memory[key] = _outline_of(plate)
        return self.memory[key]

    def slab(self, plate: Plate) -> str:
        """The middle third of the height."""
        top = float(plate.layers.z_mm.max())
        low, high = (0.0, top) if len(plate.layers) == 1 else (top / 3, 2 * top / 3)
        return f"{{slab: {{z: [{low:.3f}, {high:.3f}]}}}}"

    def six(self, plate: Plate) -> str:
        """All treatments at once."""
        return (
            f"{{nozzle: {{add: {self.step(plate)[2]}}}, fan: {{cap: 20%}}, speed: {{scale: 80%}}, "
            "flow: {scale: 103%}, accel: {max: 700}, rest: {seconds: 2}, force: true}"
        )

    def apply(self, plate: Plate, kit: Kit) -> Applied:
        return apply_plate(plate, kit, Options(()))


def _outline_of(plate: Plate) -> str:
    """The widest stack's first layer as an outline; `symmetry` is what the shape itself has."""
    own = [
        FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang", "solid", "sparse", "gap", "bridge")
    ]
    beads = plate.beads
    rows = np.flatnonzero((beads.layer >= 0) & np.isin(beads.feature, own))
    rows = rows[~plate.layers.raft[beads.layer[rows]]]
    shapes = [grown.footprint for grown in split_stacks(plate, rows)]
    if len(shapes) > MANY:  # a sheet of rulings: one bar of them, for the sake of time
        shapes = [shape for shape in shapes if shapely.get_num_coordinates(shape) <= 6]
    shape = max(shapes, key=lambda p: p.area)
    centre = shapely.get_coordinates(shape.envelope)[:-1].mean(axis=0)
    rings = shapely.get_rings(shapely.get_parts(shape))
    text = ", ".join(
        "[" + ", ".join(f"[{x:.4f}, {y:.4f}]" for x, y in shapely.get_coordinates(r)[:-1] - centre) + "]"
        for r in rings
    )
    return f"{{outline: [{text}], symmetry: {_symmetry(shape)}}}"


def _symmetry(shape: shapely.Geometry) -> int:
    """Turns that leave the shape as it is, within a twentieth of its area."""
    for n in (4, 2, 3, 6):
        turned = shapely.affinity.rotate(shape, 360 / n, origin="centroid")
        if shape.symmetric_difference(turned).area < 0.05 * shape.area:
            return n
    return 1


@pytest.fixture(scope="session")
def probe() -> Probe:
    return Probe()


WORD = re.compile(rb"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
LETTERS = ("x", "y", "z")


@dataclass
class Followed:
    """Moves of a file as a plain loop finds them, one entry a G0 to G3: ends in mm, filament pushed in mm,
    feed in mm/min, states in force. Independent of the package, and slow. Knows G90 G91 M82 M83 G92 G20 G21."""

    x: list[float] = field(default_factory=list)
    y: list[float] = field(default_factory=list)
    z: list[float] = field(default_factory=list)
    e: list[float] = field(default_factory=list)
    f: list[float] = field(default_factory=list)
    fan: list[float] = field(default_factory=list)
    accel: list[float] = field(default_factory=list)
    nozzle: list[float] = field(default_factory=list)

    def column(self, name: str) -> np.ndarray:
        return np.array(getattr(self, name), float)


def follow(data: bytes) -> Followed:
    """Walk through a file line by line."""
    out = Followed()
    place, logical = {b"X": 0.0, b"Y": 0.0, b"Z": 0.0}, {b"X": 0.0, b"Y": 0.0, b"Z": 0.0, b"E": 0.0}
    relative, away, unit, feed, fan, accel, nozzle = False, False, 1.0, 0.0, 0.0, 0.0, 0.0
    for line in data.splitlines():
        command = re.sub(rb"\([^)]*\)", b"", line.split(b";", 1)[0]).split(b"(", 1)[0].upper().strip()
        command = re.sub(rb"^N\d+\s*", b"", command)
        if not command or command[:1] not in b"GM":
            continue
        words = [(k, float(v)) for k, v in WORD.findall(command)]
        if not words:
            continue
        (letter, number), values = words[0], dict(words[1:])
        code = letter + (b"%d" % int(number) if number == int(number) else b"?")
        if code in (b"G0", b"G1", b"G2", b"G3") and values.get(b"H") != 1:
            for axis in (b"X", b"Y", b"Z"):
                if axis in values:
                    value = values[axis] * unit
                    step = value if away else value - logical[axis]
                    logical[axis] += step
                    place[axis] += step
            pushed = 0.0
            if b"E" in values:
                value = values[b"E"] * unit
                pushed = value if relative else value - logical[b"E"]
                logical[b"E"] += pushed
            feed = values.get(b"F", feed / unit) * unit
            if not set(values) & set(logical):
                continue  # a feed alone
            for name, v in (*zip(LETTERS, place.values(), strict=True), ("e", pushed), ("f", feed),
                            ("fan", fan), ("accel", accel), ("nozzle", nozzle)):  # fmt: skip
                getattr(out, name).append(v)
        elif code == b"G92":
            for axis in logical:
                if axis in values or not set(values) & set(logical):
                    logical[axis] = values.get(axis, 0.0) * unit
        elif code in (b"G20", b"G21"):
            unit = 25.4 if code == b"G20" else 1.0
        elif code in (b"G90", b"G91"):
            away = code == b"G91"
        elif code in (b"M82", b"M83"):
            relative = code == b"M83"
        elif code in (b"M106", b"M107") and values.get(b"P", 0) == 0:
            fan = 0.0 if code == b"M107" else values.get(b"S", 255.0)
        elif code == b"M204":
            accel = values.get(b"S", values.get(b"P", accel))
        elif code in (b"M104", b"M109"):
            nozzle = values.get(b"S", values.get(b"R", nozzle))
    return out


@pytest.fixture(scope="session")
def walk() -> Callable[[bytes], Followed]:
    return follow

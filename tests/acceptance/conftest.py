"""What the acceptance tests share: plates read once a session, and kits that fit any file."""

from __future__ import annotations

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
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.kit.stacks import split_stacks
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

SMALL = (
    Placement("film-clip", 60, 60),
    Placement("shelf-hook", 120, 60),
    Placement("ridge-saddle", 100, 130),
)
# A step of the nozzle and the material whose limits allow it, by the hottest bead of the file, C.
STEPS = ((216, "pla", 4), (226, "pla", -4), (241, "petg", -4), (259, "petg", -4), (400, "abs", -6))


@lru_cache(maxsize=4)
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

    memory: dict[int, str] = field(default_factory=dict)

    def kit(self, plate: Plate, within: str, treat: str | None, beads: str = "any") -> Kit:
        """A kit with one part, found by any label or else by its own outline, and one region of it."""
        return kit_from_bytes(self.text(plate, within, treat, beads).encode(), "probe.kit.yaml")

    def text(self, plate: Plate, within: str, treat: str | None, beads: str = "any") -> str:
        _, material, _ = self.step(plate)
        lines = [
            "beadwright: 1",
            "kit: probe",
            f"material: {material}",
            "base: {nozzle: 210, fan: 40%}",
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
        if id(plate) not in self.memory:
            self.memory[id(plate)] = _outline_of(plate)
        return self.memory[id(plate)]

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
    own = [FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang", "solid", "sparse", "gap", "bridge")]
    beads = plate.beads
    rows = np.flatnonzero((beads.layer >= 0) & np.isin(beads.feature, own))
    rows = rows[~plate.layers.raft[beads.layer[rows]]]
    shape = max((grown.footprint for grown in split_stacks(plate, rows)), key=lambda p: p.area)
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

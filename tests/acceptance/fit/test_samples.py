"""Real files: the middle third of the height with its walls moved; the text that comes of it, read anew."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from fit_read import apart, grown
from shapely import Polygon

from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.walls import walls_of

FILES = (
    "B-cube.gcode", "D-part.gcode", "C-arcs.gcode", "E0-cube.gcode", "B-two-objects.gcode", "A-two-names.gcode",
    "E0-tpu.gcode", "I-no-marks.gcode", "J-bare.g", "B2-fast.gcode", "H-parentheses.gcode",
)  # fmt: skip
QUICK = {("B-cube.gcode", -0.05), ("D-part.gcode", 0.1), ("E0-cube.gcode", 0.1)}
LAYERS = 6  # that are judged, evenly
NEAR_MM, MOST = (
    0.01,
    0.05,
)  # what is promised, and the share of a loop's points that corners of few moves may miss
CASES = [
    pytest.param(name, by, id=f"{name}{by:+g}", marks=() if (name, by) in QUICK else pytest.mark.long)
    for name in FILES
    for by in (-0.05, 0.1)
]


@lru_cache(maxsize=1)
def read(path: Path) -> Plate:
    return Plate.read(path)


def loops(plate: Plate, layer: int) -> list[Polygon]:
    """Closed outermost loops of a layer."""
    found = walls_of(plate, of_layer(plate, layer))
    return [Polygon(w.points) for own in found for w in own if w.outermost and w.closed]


def area(rings: list[Polygon]) -> shapely.Geometry:
    total = Polygon()
    for ring in sorted((r for r in rings if r.is_valid), key=lambda r: -r.area):
        total = total.symmetric_difference(ring)
    return total


@pytest.mark.parametrize(("name", "by"), CASES)
def test_walls_of_a_sample_are_moved_by_what_was_asked(samples, probe, name, by):
    before = read(samples / name)
    applied = probe.apply(before, probe.kit(before, probe.slab(before), f"{{fit: {{offset: {by}}}}}"))
    assert applied.treated.audit(full=True).differing == 0
    done = [one for one in applied.done if one.setting == "fit"]
    assert done and all("walls moved by" in one.done for one in done)
    after = Plate.from_bytes(applied.treated.output, name)
    assert after.moves.x[-1] == before.moves.x[-1]  # the file ends where it did
    top = float(before.layers.z_mm.max())
    third = np.flatnonzero((before.layers.z_mm > top / 3 + 0.4) & (before.layers.z_mm < 2 * top / 3 - 0.4))
    judged = 0
    for layer in third[:: max(len(third) // LAYERS, 1)].tolist():
        old, new = area(loops(before, layer)), area(loops(after, layer))
        if len(loops(before, layer)) != len(loops(after, layer)) or shapely.get_parts(old).size == 0:
            continue
        wanted = grown(old, by)
        points = shapely.points(shapely.get_coordinates(shapely.segmentize(shapely.boundary(new), 0.2)))
        off = shapely.distance(points, shapely.boundary(wanted))
        kept = shapely.distance(points, shapely.boundary(old)) < 1e-6  # told, and left
        if np.mean(kept) > 0.5:
            continue
        judged += 1
        assert np.mean(off[~kept] > NEAR_MM) <= MOST, (layer, float(np.mean(off > NEAR_MM)), float(off.max()))
        assert apart(new, wanted) < 3 * abs(by) + 0.05
    # Objects printed to move in each other leave no room to grow.
    assert judged >= (0 if any("across the air" in one.why for one in done) else 2)


@pytest.mark.every(9)
@pytest.mark.parametrize("name", FILES)
def test_what_is_not_in_the_region_is_the_same_bytes(samples, probe, name):
    """Every line of a layer outside the third is there still, in order."""
    before = read(samples / name)
    applied = probe.apply(before, probe.kit(before, probe.slab(before), "{fit: {offset: -0.05}}"))
    lines, layers = before.program.lines, before.layers
    top = float(layers.z_mm.max())
    low = layers.line[np.flatnonzero(layers.z_mm < top / 3 - 0.5)[-1]]
    own = lines.data[int(lines.start[int(layers.line[0])]) : int(lines.start[int(low)])]
    changed = {change.first for change in applied.treated.changes if change.why.startswith("moved")}
    assert changed and min(changed) > low
    plain = [t for t in own.splitlines() if t.startswith((b"G0", b"G1 ", b"G2", b"G3"))]
    text = iter(applied.treated.output.splitlines())
    assert all(any(line == other for other in text) for line in plain)

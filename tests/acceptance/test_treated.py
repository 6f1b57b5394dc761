"""All six treatments on a slab and on a box of every file: audit, re-reading, and a walk of its own."""

from __future__ import annotations

import re

import pytest

from gcodetools.demo import maker
from gcodetools.kit.placing import place
from gcodetools.toolpath.plate import Plate

OURS = re.compile(rb"^; beadwright .*\r?\n", re.M)


STATED = re.compile(rb"^; ?.*(?:time|filament|plastic|cost|volume|minutes)", re.I)
NUMBERS = re.compile(rb"(?:\d[\d.]*[dhms]? ?)+")


def box(plate, pose) -> str:
    """Half of the instance's first layer, all heights, in its own frame."""
    rows = pose.rows[pose.layer == 1]
    x, _ = pose.to_part(plate.moves.x[rows], plate.moves.y[rows])
    low, high = float(x.min()), float(x.max())
    return f"{{box: {{x: [{low - 1:.3f}, {(low + high) / 2:.3f}], y: [-500, 500], z: [0, 1000]}}}}"


def comments(data: bytes) -> list[bytes]:
    return [line for line in OURS.sub(b"", data).splitlines() if line[:1] in (b";", b"(")]


def check(plate: Plate, applied, splits: bool) -> Plate:
    treated = applied.treated
    output = treated.render()
    assert applied.audit.differing == 0
    whole = treated.audit(full=True)
    assert whole.whole_file and (whole.differing, whole.first_difference) == (0, "")
    assert output != plate.render()
    again = Plate.from_bytes(output, "treated")
    assert len(again.layers) == len(plate.layers)
    assert again.layers.z_mm == pytest.approx(plate.layers.z_mm, abs=1e-9)
    assert again.marks.convention == plate.marks.convention
    before, after = (int(p.beads.is_bead.sum()) for p in (plate, again))
    assert after >= before if splits else after == before
    # Comments of the file come through in their order; ours are in the record alone.
    old, new = comments(plate.render()), comments(output)
    assert len(old) == len(new)
    differing = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    # Times and totals are brought up to date: the same words around other numbers (see test_progress.py).
    assert all(STATED.match(a) and NUMBERS.sub(b"#", a) == NUMBERS.sub(b"#", b) for a, b in differing)
    assert output.count(b"\r\n") == (output.count(b"\n") if b"\r\n" in plate.render() else 0)
    done = {d.setting: d for d in applied.done if d.done != "nothing"}
    assert set(done) >= {"speed", "nozzle"}
    # Where a file names no acceleration there is none to return to, and it is left alone.
    named = re.search(rb"^M204 ", plate.render(), re.M) is not None
    assert ("accel" in done) == named
    return again


@pytest.mark.every(3)
def test_six_treatments_in_a_slab_of_a_sample(sample, probe):
    kit = probe.kit(sample, probe.slab(sample), probe.six(sample))
    check(sample, probe.apply(sample, kit), splits=True)


@pytest.mark.every(3, 1)
def test_six_treatments_in_a_box_of_a_sample(sample, probe):
    start = place(probe.kit(sample, probe.slab(sample), None), sample)
    kit = probe.kit(sample, box(sample, start.poses[0]), probe.six(sample))
    check(sample, probe.apply(sample, kit), splits=True)


@pytest.mark.every(3)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("relative", [True, False])
def test_six_treatments_in_half_of_a_demo_part(demo, probe, letter, relative):
    made, plate = demo(letter, relative_e=relative, arcs=letter in "CDI")
    start = place(probe.kit(plate, probe.slab(plate), None), plate)
    inner = f"{{all_of: [{box(plate, start.poses[0])}, {{slab: {{z: [1, 2.5]}}}}]}}"
    again = check(plate, probe.apply(plate, probe.kit(plate, inner, probe.six(plate))), splits=True)
    assert len(again.layers) == made.truth.layers

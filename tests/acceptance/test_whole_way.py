"""Every file there is and files written in other ways go the whole way: nothing asked, all asked, estimate, page."""

from __future__ import annotations

import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import film_clip, shelf_hook
from gcodetools.jobs.apply import Applied, Options, apply_plate, read_plate
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.report import report_plates
from gcodetools.kit.placing import place
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.report.page import assemble
from gcodetools.toolpath.plate import Plate

sys.path[:0] = [str(Path(__file__).parent)]

from rewritings import ODD, SAME  # noqa: E402

PARTS = (Placement(film_clip(height_mm=1.2), 60, 60), Placement(shelf_hook(height_mm=1.2), 120, 60))
LOAD = "load: {cantilever: {length: 12, thickness: 2, width: 8, undercut: 1}}"
COLUMNS = ("x", "y", "z", "e", "f", "fan", "accel", "nozzle")
# What a rewritten number is rounded to, summed up: mm, mm/min, per cent or mm/s2 or C.
NEAR = {"x": 2e-4, "y": 2e-4, "z": 2e-4, "e": 2e-4, "f": 0.6, "fan": 1e-9, "accel": 1e-9, "nozzle": 1e-9}


def all_asked(probe, plate: Plate) -> Kit:
    """A kit whose regions, one above the other, ask for all there is."""
    bare = probe.text(plate, "all", None)
    poses = place(kit_from_bytes(bare.encode(), "bare.kit.yaml"), plate).poses
    top = min(float(plate.layers.z_mm[plate.beads.layer[one.rows]].max()) - one.z_mm for one in poses)
    six = probe.six(plate)[1:-1]
    asked = {"low": f"{six}, perimeters: {{add: 1}}, infill: solid"}
    if len(plate.layers) > 2:
        asked |= {
            "mid": f"{six}, perimeters: {{fill: true}}",
            "high": "fit: {offset: -0.03}, fan: {cap: 30%}",
        }
    edges = [0.0, *(top * k / len(asked) for k in range(1, len(asked))), top + 1]
    text = bare.split("    regions:")[0] + "    regions:\n"
    for (name, treat), low, high in zip(asked.items(), edges, edges[1:], strict=False):
        text += f"      {name}:\n        within: {{slab: {{z: [{low:.3f}, {high:.3f}]}}}}\n"
        text += f"        {LOAD}\n        treat: {{{treat}}}\n"
    return kit_from_bytes(text.encode(), "all.kit.yaml")


def nothing_asked(probe, plate: Plate) -> Kit:
    text = (
        probe.text(plate, "all", None)
        + f"      empty:\n        within: {probe.slab(plate)}\n        treat: {{}}\n"
    )
    return kit_from_bytes(text.encode(), "nothing.kit.yaml")


def whole_way(probe, plate: Plate, data: bytes) -> Applied:
    """Nothing asked gives the very bytes; all asked passes the audit of everything; both ends are told of."""
    applied = apply_plate(plate, nothing_asked(probe, plate), Options(()))
    assert applied.placed.poses and applied.treated.render_file() == data
    kit = all_asked(probe, plate)
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert (applied.audit.differing, applied.audit.whole_file) == (0, True)
    assert applied.treated.render_file() != data
    after = applied.treated.plate
    record, _ = estimate_plate(after, kit, Options(()))
    assert {one["region"] for one in record["regions"]} == set(kit.parts["thing"].regions)
    page = assemble(report_plates(after, plate, kit, Options(()))[0])
    assert page.startswith(b"<!doctype html>") and len(page) < 15_000_000
    return applied


@pytest.mark.every(5, 2)
def test_a_sample_goes_the_whole_way(sample, sample_path, probe, few_cells):
    whole_way(probe, sample, sample_path.read_bytes())


@pytest.mark.every(1, 1)
@pytest.mark.parametrize("name", ["K-cube.bgcode", "D-part.gcode.3mf"])
def test_a_packed_sample_goes_the_whole_way(samples, name, probe, few_cells):
    whole_way(probe, read_plate(samples / name), (samples / name).read_bytes())


DEMOS = {
    "relative, arcs": {"relative_e": True, "arcs": True},
    "absolute, CRLF": {"relative_e": False, "newline": "\r\n"},
    "one by one, CRLF": {"sequential": True, "newline": "\r\n"},
    "absolute, arcs, no labels": {"relative_e": False, "arcs": True, "labelled": False},
}


@pytest.mark.every(5)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("how", DEMOS)
def test_a_demo_plate_goes_the_whole_way(letter, how, probe, few_cells):
    data = maker.make(letter, parts=PARTS, **DEMOS[how]).data
    whole_way(probe, Plate.from_bytes(data, f"{letter}.gcode"), data)


BASES = {
    "B": {"relative_e": True},
    "A": {"relative_e": False, "newline": "\r\n"},
    "C": {"relative_e": True, "arcs": True},
}


@lru_cache(maxsize=4)
def base(letter: str) -> bytes:
    return maker.make(letter, parts=PARTS, **BASES[letter]).data


_walked: dict[str, object] = {}


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", BASES)
@pytest.mark.parametrize("way", SAME)
def test_the_same_print_written_otherwise_is_treated_the_same(letter, way, probe, walk):
    """Where the nozzle goes, how fast, with how much filament, fan and heat: by a plain loop over both outputs."""
    plain = Plate.from_bytes(base(letter), "plain.gcode")
    kit = all_asked(probe, plain)
    if letter not in _walked:
        _walked[letter] = walk(apply_plate(plain, kit, Options(())).treated.render())
    data = SAME[way](base(letter))
    if data == base(letter):
        pytest.skip("no such words in it")
    plate = Plate.from_bytes(data, "other.gcode")
    assert apply_plate(plate, nothing_asked(probe, plate), Options(())).treated.render() == data
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert applied.audit.differing == 0
    one, other = _walked[letter], walk(applied.treated.render())
    assert len(one.x) == len(other.x)
    for name in COLUMNS:
        off = np.abs(one.column(name) - other.column(name))
        assert off.max() <= NEAR[name], (name, int(off.argmax()))


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", BASES)
@pytest.mark.parametrize("way", ODD)
def test_a_print_with_something_odd_in_it_goes_the_whole_way(letter, way, probe, walk, few_cells):
    data = ODD[way](base(letter))
    assert data != base(letter)
    plate = Plate.from_bytes(data, "odd.gcode")
    output = whole_way(probe, plate, data).treated.render()
    before, after = walk(data), walk(output)
    for name in ("x", "y", "z", "fan", "accel", "nozzle"):
        # The file ends where and as it did.
        assert getattr(after, name)[-1] == pytest.approx(getattr(before, name)[-1], abs=2e-3), name
    again = Plate.from_bytes(output, "again.gcode")
    assert len(again.layers) == len(plate.layers)


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_a_print_of_one_layer_goes_the_whole_way(letter, probe, few_cells):
    part = Placement(film_clip(height_mm=0.2), 60, 60)
    data = maker.make(letter, parts=(part,)).data
    plate = Plate.from_bytes(data, "flat.gcode")
    assert len(plate.layers) == 1
    whole_way(probe, plate, data)


@pytest.mark.parametrize("letter", ["A", pytest.param("B", marks=pytest.mark.long)])
def test_filament_in_absolute_numbers_behind_g91_is_read_as_that(letter, probe, walk):
    """Steps from place to place, with M82 or M83 said behind G91, mean the very print; it was read as relative once."""
    simple = "{speed: {scale: 80%}, flow: {scale: 110%}, fan: {cap: 20%}, force: true}"
    outputs = []
    for data in (base(letter), ODD["relative places"](base(letter))):
        plate = Plate.from_bytes(data, "steps.gcode")
        kit = probe.kit(plate, "{slab: {z: [0.4, 0.8]}}", simple)
        outputs.append(walk(apply_plate(plate, kit, Options(())).treated.render()))
    for name in COLUMNS:
        off = np.abs(outputs[0].column(name) - outputs[1].column(name))
        assert off.max() <= NEAR[name], (name, int(off.argmax()))

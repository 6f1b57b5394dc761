"""What `apply` tells: spill of holds, beds, records in the file, subsets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.bed import off_bed
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PARTS = (Placement("shelf-hook", 60, 110), Placement("wedge-key-snug", 130, 110))


@pytest.fixture(scope="module")
def plate():
    return Plate.from_bytes(make(parts=PARTS).data, "plate.gcode")


@pytest.fixture(scope="module")
def applied(plate):
    return apply_plate(plate, kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml"), Options(()))


def test_spill_and_region_make_up_the_hold(plate, applied):
    """The hook's finger is held over its layers; what of those is not the finger is spill."""
    region = next(w for w in applied.record["holds"] if w["setting"] == "nozzle")
    length = plate.beads.length_mm
    hold = min((h for h in applied.treated.draft.holds if h.setting == "nozzle"), key=lambda h: h.first)
    under = np.zeros(len(length), bool)
    under[hold.first : hold.last] = plate.beads.feature[hold.first : hold.last] != 0
    assert region["bead_length_mm"] == pytest.approx(float(length[under].sum()), abs=0.1)
    assert region["regions"] == ["shelf-hook#1/finger"]
    assert 0 < region["spill"]["length_mm"] < region["bead_length_mm"]
    assert region["spill"]["instances"] == ["wedge-key-snug#1", "shelf-hook#1"]
    total = float(length[plate.beads.feature != 0].sum())
    assert region["spill"]["share_of_plate"] == pytest.approx(region["spill"]["length_mm"] / total, abs=1e-4)


def test_a_region_of_everything_spills_only_on_what_is_no_part(plate):
    text = """\
beadwright: 1
kit: all
parts:
  hook: {found_by: {label: "shelf*"}, regions: {all: {within: all, treat: {nozzle: {add: 5}, force: true}}}}
  key: {found_by: {label: "wedge*"}, regions: {all: {within: all, treat: {nozzle: {add: 5}, force: true}}}}
"""
    holds = apply_plate(plate, kit_from_bytes(text.encode(), "all.kit.yaml"), Options(())).record["holds"]
    skirt = plate.beads.feature == 9
    skirt_mm = float(plate.beads.length_mm[skirt].sum())
    assert sum(hold["spill"]["length_mm"] for hold in holds) <= skirt_mm + 0.2
    assert all(hold["spill"]["instances"] == [] for hold in holds)


def test_held_back_lists_line_and_text(plate, applied):
    lines = plate.program.lines.data.split(b"\n")
    assert applied.record["held_back"]
    for item in applied.record["held_back"]:
        assert lines[item["line"] - 1].decode().strip() == item["text"]


def test_the_record_in_the_file_is_short_lines_of_comment(applied):
    lines = [k for k in applied.treated.render().split(b"\n") if k.startswith(b"; beadwright")]
    assert lines[0] == b"; beadwright record 1"
    keys = [line.split(b" ")[2].rstrip(b":") for line in lines[1:]]
    assert keys[:4] == [b"version", b"original", b"kit", b"material"] and keys[-1] == b"totals"
    assert all(len(line) < 200 for line in lines)


def test_what_the_kit_asks_in_vain_is_warned_of(plate):
    text = hoophouse_kit().replace("height: 24\n", "height: 24\n    instances: [1, 5]\n")
    kit = kit_from_bytes(text.encode(), "hoophouse.kit.yaml")
    warnings = apply_plate(plate, kit, Options(())).warnings
    assert "shelf-hook: the kit names instance 5, 1 on the plate" in warnings


@pytest.fixture(scope="module")
def machine():
    return profiles.load_machine("desktop-220")


def test_on_the_bed_nothing_is_said(plate, machine):
    assert off_bed(plate, machine, ()) == [] and off_bed(plate, None, ()) == []


def test_beyond_a_rectangle_the_instance_and_the_distance_are_named(plate, machine):
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    poses = place(kit, plate).poses
    key = next(pose for pose in poses if pose.part == "wedge-key-snug")
    edge = float(np.max(plate.moves.x[key.rows]))
    small = replace_bed(machine, size=(edge - 2.0, 500.0), radius=None)
    assert off_bed(plate, small, poses) == [
        "wedge-key-snug#1 stands 2.0 mm beyond the bed of machine desktop-220; the file has it so",
        *off_bed(plate, small, poses)[1:],
    ]


def test_beyond_a_disc_counts_from_its_middle(plate, machine):
    disc = replace_bed(machine, size=None, radius=1.0)
    beads = plate.beads.feature != 0
    far = float(np.hypot(plate.moves.x[beads], plate.moves.y[beads]).max()) - 1.0
    (sentence,) = off_bed(plate, disc, ())
    assert f"up to {far:.1f} mm beyond the bed" in sentence


def replace_bed(machine, **fields):
    from msgspec import structs

    return structs.replace(machine, bed=structs.replace(machine.bed, origin=(0.0, 0.0), **fields))


def test_half_is_every_second_of_those_chosen(plate):
    from gcodetools.jobs.sources import Subset

    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    result = apply_plate(plate, kit, replace(Options(()), subset=Subset.parse(None, half=True)))
    assert [f"{pose.part}#{pose.instance}" for pose in result.chosen] == ["wedge-key-snug#1", "shelf-hook#1"]

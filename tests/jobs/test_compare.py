"""Two files side by side: tables that add up, agreement with `apply`, layers and instances that do not match."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import gcodetools as bw
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import CONVENTIONS, Placement, Recipe, make
from gcodetools.errors import InputError, NotFoundOnPlate
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.compare import compare_files, compare_plates
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.jobs.region_states import _median, region_state, state_difference
from gcodetools.jobs.sources import digest
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.kit.selection import Selection
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

pytestmark = pytest.mark.usefixtures("few_cells")
KIT = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
PARTS = (
    Placement("wedge-key-snug", 60, 110),
    Placement("wedge-key-snug", 90, 110),
    Placement("shelf-hook", 130, 110),
)
KEYS = PARTS[:2]
PRICED = Options((), machine="desktop-220", sets=("machine.electricity_per_kwh=0.30",))
BARE = Options(())
TABLES = ("features", "regions")


@cache
def plate_of(parts=KEYS, convention="B", **options: Any) -> Plate:
    return Plate.from_bytes(make(convention, parts=parts, **options).data, f"{convention}.gcode")


def numbers(value: Any, path: str = "") -> dict[str, float]:
    """Every number of a record by its path."""
    if isinstance(value, dict):
        pairs = list(value.items())
    elif isinstance(value, list):
        pairs = list(enumerate(value))
    else:
        return {path: value} if isinstance(value, (int, float)) else {}
    return {key: number for name, item in pairs for key, number in numbers(item, f"{path}/{name}").items()}


def adds_up(record: dict[str, Any]) -> None:
    """Features, regions and layers of each side and of the difference come to the whole; the difference of two
    wholes is small against them, so its sums are held against the larger side."""
    for side in ("before", "after", "difference"):
        table = record[side]
        for column, whole in table["whole"].items():
            scale = max(abs(record[other]["whole"][column]) for other in ("before", "after"))
            sums = {name: [row[column] for row in table[name].values()] for name in TABLES}
            sums["layers"] = [*table["layers"][column], table["outside"][column]]
            for name, found in sums.items():
                assert math.fsum(found) == pytest.approx(whole, abs=1e-9 * scale + 1e-12), (
                    side,
                    name,
                    column,
                )


@pytest.fixture(scope="module")
def applied():
    return apply_plate(plate_of(PARTS), KIT, PRICED)


@pytest.fixture(scope="module")
def compared(applied):
    after = Plate.from_bytes(applied.treated.render(), "treated.gcode")
    return compare_plates(plate_of(PARTS), after, KIT, PRICED)[0]


def test_each_side_and_the_difference_add_up(compared):
    assert compared["before"]["whole"].keys() == compared["columns"].keys() == compared["totals"].keys()
    assert {"time_s", "filament_mm", "mass_g", "cost", "energy_wh", "energy_cost"} <= compared[
        "columns"
    ].keys()
    adds_up(compared)


def test_it_agrees_with_what_apply_told_of_the_same_pair(applied, compared):
    """`apply` reads the treated text too, but takes the instances over from the first plate."""
    told = applied.record["costs"]
    for ours, theirs in (("before", "before"), ("after", "after"), ("difference", "added")):
        for table in ("whole", *TABLES, *(("layers", "outside") if theirs != "added" else ())):
            a, b = numbers(compared[ours][table]), numbers(told[theirs][table])
            assert a.keys() == b.keys() and len(a) > 4
            for path, value in b.items():
                scale = (
                    abs(numbers(told["after"]["whole"])["/" + path.rpartition("/")[2]])
                    if theirs == "added"
                    else 0
                )
                assert a[path] == pytest.approx(value, rel=1e-6, abs=1e-9 + 1e-9 * scale), (ours, path)
    assert compared["difference"]["whole"]["time_s"] > 10
    assert compared["columns"] == told["columns"]


def test_the_layers_of_a_treated_copy_are_those_of_the_first(compared):
    layers = compared["difference"]["layers"]
    assert layers["before"] == layers["after"] == list(range(1, 121))
    sides = [compared[side]["layers"]["time_s"] for side in ("before", "after")]
    assert layers["time_s"] == pytest.approx([b - a for a, b in zip(*sides, strict=True)], abs=1e-12)


def test_it_says_what_the_second_is(compared):
    assert compared["after_is_before_treated"] and not compared["identical"]
    assert [compared["files"][side]["treated"] for side in ("before", "after")] == [False, True]


def test_states_are_as_the_kit_asks(compared):
    """The kit: finger +8 C, fan at most 25 %, solid inside; shank 102 % flow."""
    name = "shelf-hook#1/finger"
    before, after = (compared[side]["states"][name] for side in ("before", "after"))
    assert before["nozzle_c"] == [230, 230] and after["nozzle_c"] == [230, 238]
    assert before["fan_percent"][1] == pytest.approx(40) and after["fan_percent"][1] == pytest.approx(
        25, abs=0.3
    )
    assert after["volume_mm3"] > 1.3 * before["volume_mm3"]
    more = compared["difference"]["states"][name]
    assert more["nozzle_c"] == [0, 8] and more["beads"] == after["beads"] - before["beads"] > 0
    for number in (1, 2):
        shank = [compared[side]["states"][f"wedge-key-snug#{number}/shank"] for side in ("before", "after")]
        assert shank[1]["length_mm"] == pytest.approx(shank[0]["length_mm"], rel=1e-5)
        # All but the outermost perimeter gets 2 % more.
        assert 1.005 < shank[1]["volume_mm3"] / shank[0]["volume_mm3"] < 1.02


def test_the_same_file_twice_has_no_difference(tmp_path):
    path = tmp_path / "plate.gcode"
    path.write_bytes(make(parts=PARTS).data)
    (tmp_path / "k.kit.yaml").write_text(hoophouse_kit())
    record, warnings = compare_files(path, path, Options((tmp_path / "k.kit.yaml",)))
    assert record["identical"] and warnings == []
    layers = record["difference"].pop("layers")
    found = numbers({**record["difference"], **{key: layers[key] for key in record["columns"]}})
    assert len(found) > 500 and not any(found.values())
    assert record["parts"]["both"] == ["wedge-key-snug#1", "wedge-key-snug#2", "shelf-hook#1"]
    assert not record["parts"]["only_before"] + record["parts"]["only_after"] + record["parts"]["moved"]
    for total in record["totals"].values():
        assert (total["difference"]["low"], total["difference"]["high"]) == (0, 0)


@pytest.fixture(scope="module")
def scaled():
    """A file that leaves its limits open and states a time, its treated copy, and one that keeps that time."""
    first = plate_of(convention="A")
    copies = [
        apply_plate(plate_of(convention="A"), KIT, Options((), keep_times=keep)).treated.render()
        for keep in (False, True)
    ]
    return first, *(Plate.from_bytes(data, "treated.gcode") for data in copies)


@pytest.mark.parametrize("copy", [1, 2], ids=["times brought up to date", "times kept"])
def test_a_treated_copy_is_on_the_clock_of_the_first(scaled, copy):
    first, second = scaled[0], scaled[copy]
    record = compare_plates(first, second, KIT, BARE)[0]
    told = apply_plate(plate_of(convention="A"), KIT, BARE).record
    factors = {record["files"][side]["scaled_by"] for side in ("before", "after")}
    assert len(factors) == 1 and factors != {1.0}
    source = record["columns"]["time_s"]["source"]
    assert "to the file's own time, that of the first" in source and "before:" not in source
    added = record["totals"]["time_s"]["difference"]
    assert added["best"] == pytest.approx(told["added"]["time_s"]["best"], rel=1e-5)
    assert [added[end] for end in ("low", "high")] == pytest.approx(
        [told["added"]["time_s"][end] for end in ("low", "high")], rel=1e-3
    )


def test_files_that_are_not_treated_keep_their_own_clocks(scaled):
    other = plate_of(PARTS, convention="A")
    record = compare_plates(scaled[0], other, None, BARE)[0]
    for side, plate in (("before", scaled[0]), ("after", other)):
        assert record[side]["whole"]["time_s"] == pytest.approx(plate.totals.time_s, rel=1e-9)
    total = record["totals"]["time_s"]
    assert total["difference"]["low"] == pytest.approx(
        total["after"]["low"] - total["before"]["high"], abs=1e-5
    )
    assert "before: " in record["columns"]["time_s"]["source"]


def test_a_treated_file_of_another_origin_is_told_as_such(applied):
    after = Plate.from_bytes(applied.treated.render(), "treated.gcode")
    record = compare_plates(plate_of(KEYS), after, KIT, PRICED)[0]
    assert record["files"]["after"]["treated"] and not record["after_is_before_treated"]
    adds_up(record)


def test_a_treated_file_of_another_origin_that_says_its_limits_keeps_its_clock(applied, scaled):
    after = Plate.from_bytes(applied.treated.render(), "treated.gcode")
    files = compare_plates(scaled[0], after, None, BARE)[0]["files"]
    assert files["before"]["scaled_by"] != 1.0 and files["after"]["scaled_by"] == 1.0


def test_a_copy_that_names_limits_the_first_leaves_open_is_still_on_its_clock(scaled):
    """The doubt is that of the first, so that of the difference stays small."""
    data = scaled[0].render()
    record = b"; beadwright record 1\n; beadwright original: sha256 %s\n" % digest(data).encode()
    limits = b"M201 X500 Y500\nM203 X100 Y100\nM204 P400 T400 R400\nM205 X5 Y5\n"
    after = Plate.from_bytes(record + limits + data, "treated.gcode")
    assert times(after).factor == 1.0 and times(scaled[0]).factor != 1.0
    found = compare_plates(scaled[0], after, None, BARE)[0]
    assert found["after_is_before_treated"] and "before:" not in found["columns"]["time_s"]["source"]
    assert found["files"]["after"]["scaled_by"] == found["files"]["before"]["scaled_by"]
    more = found["totals"]["time_s"]["difference"]
    assert 0 < more["low"] < more["best"] < more["high"] < 2 * more["best"]


def test_the_band_of_a_time_knows_heating_from_moving():
    """As `inspect` has it."""
    told = inspect_plate(plate_of(), None, PRICED)[0]["time"]["total_s"]
    found = compare_plates(plate_of(), plate_of(PARTS), None, PRICED)[0]["totals"]["time_s"]["before"]
    for end in ("low", "best", "high"):
        assert found[end] == pytest.approx(told[end], rel=1e-9)


def test_a_kit_on_the_second_plate_only_is_no_error():
    hooks = kit_from_bytes(
        b"beadwright: 1\nkit: h\nparts:\n  hook:\n    found_by: {label: 'shelf*'}\n"
        b"    regions: {a: {within: all}}\n",
        "h.kit.yaml",
    )
    record = compare_plates(plate_of(), plate_of(PARTS), hooks, BARE)[0]
    assert record["parts"]["only_after"] == ["hook#1"] and record["parts"]["absent"] == []
    assert record["before"]["regions"].keys() == {"rest"}
    adds_up(record)


def test_other_layer_heights_are_compared_only_where_they_agree():
    record = compare_plates(plate_of(), plate_of(recipe=Recipe(layer_mm=0.3)), KIT, BARE)[0]
    adds_up(record)
    layers = record["difference"]["layers"]
    both = [k for k in range(len(layers["z_mm"])) if layers["before"][k] and layers["after"][k]]
    assert len(both) < 3
    for side in ("before", "after"):
        count = record["files"][side]["layers"]
        assert sorted(n for n in layers[side] if n) == list(range(1, count + 1))
    assert record["files"]["before"]["layers"] > record["files"]["after"]["layers"]
    assert layers["z_mm"] == sorted(layers["z_mm"])


@pytest.mark.parametrize("swapped", [False, True])
def test_an_instance_in_one_file_only_is_named(swapped):
    plates = [plate_of(PARTS), plate_of(KEYS[:1])]
    record = compare_plates(*(plates[::-1] if swapped else plates), KIT, BARE)[0]
    adds_up(record)
    alone, none = ("only_after", "only_before") if swapped else ("only_before", "only_after")
    assert record["parts"]["both"] == ["wedge-key-snug#1"] and record["parts"][none] == []
    assert record["parts"][alone] == ["wedge-key-snug#2", "shelf-hook#1"]
    assert record["difference"]["states"].keys() == {"wedge-key-snug#1/shank"}
    sign = 1 if swapped else -1
    more = record["difference"]["regions"]["shelf-hook#1/finger"]["time_s"]
    own = record["after" if swapped else "before"]["regions"]["shelf-hook#1/finger"]["time_s"]
    assert more == sign * own and own > 1
    # 24 layers of a key against 120 of a hook.
    layers = record["difference"]["layers"]
    assert sum(1 for n in layers["after" if swapped else "before"] if n) == 120
    assert sum(1 for n in layers["before" if swapped else "after"] if n) == 24


def test_an_instance_that_stands_elsewhere_is_told():
    moved = (KEYS[0], Placement("wedge-key-snug", 90, 130))
    record = compare_plates(plate_of(), plate_of(moved), KIT, BARE)[0]
    assert record["parts"]["moved"] == ["wedge-key-snug#2"]


@pytest.mark.every(1)
@pytest.mark.parametrize("letter", CONVENTIONS)
def test_the_same_beads_in_another_convention(letter):
    """The maker lays the same beads whatever the words: within the decimals of E the filament is the same."""
    record, _ = compare_plates(plate_of(), plate_of(convention=letter), KIT, BARE)
    adds_up(record)
    states = [record[side]["states"] for side in ("before", "after")]
    assert states[0].keys() == states[1].keys() == {f"wedge-key-snug#{k}/shank" for k in (1, 2)}
    for name, state in states[0].items():
        other = states[1][name]
        assert other["length_mm"] == pytest.approx(state["length_mm"], rel=2e-3)
        assert other["volume_mm3"] == pytest.approx(state["volume_mm3"], rel=5e-3)


def test_objects_one_after_the_other_match_layer_by_layer():
    record = compare_plates(plate_of(sequential=True), plate_of(sequential=True), KIT, BARE)[0]
    layers = record["difference"]["layers"]
    assert layers["before"] == layers["after"] == list(range(1, 49))


def test_a_kit_on_neither_plate_is_an_error():
    clips = kit_from_bytes(
        b"beadwright: 1\nkit: c\nparts:\n  clip:\n    found_by: {label: clip}\n    regions: {a: {within: all}}\n",
        "c.kit.yaml",
    )
    with pytest.raises(NotFoundOnPlate, match=r"B\.gcode, A\.gcode: no part of kit c is on either plate"):
        compare_plates(plate_of(), plate_of(convention="A"), clips, BARE)


def test_without_a_kit_all_is_the_rest():
    record = bw.compare(plate_of(), plate_of(PARTS), material="petg")
    assert record["schema"] == "beadwright.compare/1" and "parts" not in record and "kit" not in record
    assert record["before"]["regions"].keys() == {"rest"} and record["difference"]["states"] == {}
    adds_up(record)


def test_what_only_one_file_lets_us_tell_is_left_out():
    """Energy needs the bed's temperature, which the second file hides."""
    data = make(parts=KEYS).data
    hidden = b"\n".join(
        line
        for line in data.split(b"\n")
        if not line.startswith((b"M140", b"M190")) and b"bed_temp" not in line
    )
    sides = [Plate.from_bytes(data, "a.gcode"), Plate.from_bytes(hidden, "b.gcode")]
    assert "energy_wh" in compare_plates(sides[0], sides[0], None, PRICED)[0]["columns"]
    for pair in (sides, sides[::-1]):
        record = compare_plates(*pair, None, PRICED)[0]
        assert not {"energy_wh", "energy_cost"} & {path.rpartition("/")[2] for path in numbers(record)}


def test_warnings_name_the_file_they_are_of():
    wide = (Placement("wedge-key-snug", 60, 400),)
    _, warnings = compare_plates(plate_of(KEYS[:1]), plate_of(wide, convention="D"), KIT, PRICED)
    beyond = [text for text in warnings if "beyond the bed" in text]
    assert beyond and all(text.startswith("D.gcode: ") for text in beyond)


SMALL = b"""\
M104 S200
M106 S51
M83
G1 Z0.2 F600
;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
;TYPE:External perimeter
G1 X30 Y0 E3 F1200
M220 S50
M106 S102
;TYPE:Perimeter
G1 X0 Y0 E3 F3600
M104 S210
G1 X15 Y0 E1
"""


def test_states_of_a_few_beads_by_hand():
    """30 mm outermost at 20 mm/s, 200 C and 20 % fan; 30 + 15 mm inner at 60 mm/s halved, 40 % fan, the last at
    210 C. Of the last, two thirds are in the region: 10 mm."""
    plate = Plate.from_bytes(SMALL, "small.gcode")
    row = np.flatnonzero(plate.beads.is_bead)
    assert len(row) == 3
    selection = Selection(row, np.zeros(3), np.array([1.0, 1.0, 2 / 3]))
    found = region_state(plate, selection, 2.0, 190.0)
    assert found["length_mm"] == pytest.approx(70)
    assert found["volume_mm3"] == pytest.approx(2 * (3 + 3 + 2 / 3))
    assert found["perimeters"] == pytest.approx(1 + 40 / 30)
    assert found["fan_percent"] == pytest.approx([20, 40])
    assert found["nozzle_c"] == [200, 210] and found["feed_mm_s"] == pytest.approx(30) and found["beads"] == 3
    first = Selection(row[:1], np.zeros(1), np.ones(1))
    assert region_state(plate, first, 2.0, None)["feed_mm_s"] == pytest.approx(20)


def test_a_nozzle_that_no_command_sets_is_the_base():
    plate = Plate.from_bytes(SMALL.replace(b"M104 S200\n", b""), "small.gcode")
    row = np.flatnonzero(plate.beads.is_bead)
    selection = Selection(row, np.zeros(3), np.ones(3))
    assert region_state(plate, selection, 1.0, 190.0)["nozzle_c"] == [190, 210]
    assert region_state(plate, selection, 1.0, None)["nozzle_c"] == [210, 210]
    assert "nozzle_c" not in region_state(plate, Selection(row[:1], np.zeros(1), np.ones(1)), 1.0, None)


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=12))
def test_half_of_the_length_is_at_most_the_median_feed(pairs):
    value, weight = (np.array(column, float) for column in zip(*pairs, strict=True))
    plainly = np.repeat(value, weight.astype(int))
    found = _median(value, weight)
    assert (plainly <= found).mean() >= 0.5 and (plainly >= found).mean() >= 0.5


def test_a_state_that_one_side_does_not_know_has_no_difference():
    found = state_difference({"beads": 3, "nozzle_c": [1.0, 2.0]}, {"beads": 5, "feed_mm_s": 9.0})
    assert found == {"beads": 2}


def test_a_second_file_that_is_not_there_is_told_before_the_first_is_read(tmp_path):
    first = tmp_path / "first.gcode"
    first.write_text("; no print at all\n")
    with pytest.raises(InputError, match=r"second\.gcode: no such file"):
        compare_files(first, tmp_path / "second.gcode", BARE)
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="folder: a folder, expected a sliced file"):
        compare_files(first, tmp_path / "folder", BARE)
    (tmp_path / "third.gcode").write_text("G28\n")
    with pytest.raises(InputError, match=r"first\.gcode"):
        compare_files(first, tmp_path / "third.gcode", BARE)

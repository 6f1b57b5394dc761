"""Tables of costs add up to the whole: on random stretches against a plain loop, on samples, before and after."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from low_clip import LOW_CLIP, low_kit

from gcodetools.demo.maker import CONVENTIONS, Placement, make
from gcodetools.documents import profiles
from gcodetools.jobs import costs as costs_of
from gcodetools.jobs import durations
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.clock import standing
from gcodetools.jobs.costs import HEATING, KINDS, REST, Extra, Side, add_up, add_up_sides
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.kit.selection import Selection, select_all
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

EXACT = 1e-9
KIT = kit_from_bytes(low_kit().encode(), "hoophouse.kit.yaml")
PARTS = (Placement(LOW_CLIP, 60, 110), Placement("shelf-hook", 130, 110))
KEY = (Placement("wedge-key-snug", 110, 110),)
COLUMNS = ("seconds", "heating_s", "filament_mm")


def adds_up(costs, exact=EXACT):
    for table in (costs.features, costs.layers, costs.regions):
        assert len(table.names) == len(table.seconds)
        for column in COLUMNS:
            whole = float(getattr(costs.whole, column)[0])
            assert math.fsum(getattr(table, column)) == pytest.approx(whole, rel=exact, abs=1e-9)


def record_adds_up(record):
    """The same of a record, column by column, as a script would add it up."""
    for column, whole in record["whole"].items():
        sums = {
            "features": math.fsum(row[column] for row in record["features"].values()),
            "regions": math.fsum(row[column] for row in record["regions"].values()),
            "layers": math.fsum([*record["layers"][column], record["outside"][column]]),
        }
        for table, found in sums.items():
            assert found == pytest.approx(whole, rel=EXACT, abs=1e-12), (table, column)


@pytest.fixture(scope="module")
def plate():
    return Plate.from_bytes(make(parts=KEY, arcs=True).data, "key.gcode")


@pytest.fixture(scope="module")
def planned(plate):
    return times(plate)


@pytest.fixture(scope="module")
def few():
    """Some thirty rows with beads, travels, retractions and a wait, and their times."""
    lines = [b"M83", b"G1 Z0.2 F600"]
    for k in range(9):
        lines += [
            b"G1 X%d Y%d E0.%d F1200" % (10 + k, 10 + k % 2, k + 1),
            b"G1 E-0.8 F2100",
            b"G1 X30 Y%d" % k,
        ]
    plate = Plate.from_bytes(b"\n".join([*lines, b"G4 P500", b"G1 E0.8", b""]), "few.gcode")
    assert len(plate.moves) >= 30
    return plate, times(plate)


def stretches(count: int):
    """A selection of up to 12 stretches of the first rows, none over another."""
    cuts = st.lists(st.integers(0, 20), min_size=2, max_size=6, unique=True).map(sorted)
    rows = st.dictionaries(st.integers(0, count - 1), cuts, max_size=6)

    def build(found):
        triples = [
            (row, a / 20, b / 20)
            for row, at in sorted(found.items())
            for a, b in zip(at[::2], at[1::2], strict=False)
        ]
        row, t0, t1 = zip(*triples, strict=True) if triples else ((), (), ())
        return Selection(np.array(row, np.int64), np.array(t0, float), np.array(t1, float))

    return rows.map(build)


def plainly(plate, planned, selections):
    """Seconds and filament of each selection and of the rest, a twentieth of a row at a time."""
    sums = np.zeros((len(selections) + 1, 2))
    for row in range(len(plate.moves)):
        own = np.array([planned.seconds[row], plate.moves.e[row]]) / 20
        mine = [[(a, b) for r, a, b in zip(s.row, s.t0, s.t1, strict=True) if r == row] for s in selections]
        for k in range(20):
            middle = (k + 0.5) / 20
            owner = next(
                (n for n, spans in enumerate(mine) if any(a < middle < b for a, b in spans)), len(selections)
            )
            sums[owner] += own
    return sums


@given(st.lists(stretches(30), max_size=4))
def test_the_first_written_region_has_what_two_claim(few, selections):
    found = add_up(*few, [(str(k), s) for k, s in enumerate(selections)])
    expected = plainly(*few, selections)
    assert found.regions.seconds == pytest.approx(expected[:, 0], rel=1e-9, abs=1e-9)
    assert found.regions.filament_mm == pytest.approx(expected[:, 1], rel=1e-9, abs=1e-9)
    adds_up(found)


@given(st.data(), st.sampled_from([1, 7, 64, 1000]))
def test_looking_at_few_rows_at_a_time_changes_nothing(plate, planned, data, block):
    selections = [("a", data.draw(stretches(2000))), ("b", data.draw(stretches(2000)))]
    whole = add_up(plate, planned, selections)
    before = costs_of._ROWS
    costs_of._ROWS = max(block, 64)
    try:
        parts = add_up(plate, planned, selections)
    finally:
        costs_of._ROWS = before
    for name in ("features", "layers", "regions"):
        for column in COLUMNS:
            a, b = (getattr(getattr(one, name), column) for one in (whole, parts))
            assert a == pytest.approx(b, rel=1e-9, abs=1e-9)


def test_two_sides_of_a_plate_are_each_as_alone(few, monkeypatch):
    monkeypatch.setattr(costs_of, "_ROWS", 8)
    plate, planned = few
    slower = replace(planned, seconds=planned.seconds * 3, waits_s=planned.waits_s * 3)
    regions = [("a", Selection(np.array([2, 5]), np.array([0.0, 0.5]), np.array([0.5, 1.0])))]
    extra = [Extra(HEATING, np.array([4]), np.array([9.0]))]

    def twice(low, high):
        return plate.moves.e[low:high] * 2

    one, other = add_up_sides(plate, [Side(planned), Side(slower, extra, twice)], regions)
    alone = add_up(plate, planned, regions), add_up_sides(plate, [Side(slower, extra, twice)], regions)[0]
    for found, expected in zip((one, other), alone, strict=True):
        for name in ("whole", "features", "layers", "regions"):
            for column in COLUMNS:
                a, b = (getattr(getattr(each, name), column) for each in (found, expected))
                assert np.array_equal(a, b)
        adds_up(found)
        assert found.pushed_mm.sum() == pytest.approx(found.whole.filament_mm[0])
    assert other.whole.seconds[0] == pytest.approx(3 * one.whole.seconds[0] + 9.0)
    assert other.whole.filament_mm[0] == pytest.approx(2 * one.whole.filament_mm[0])


def test_time_that_no_move_takes_is_in_its_layer_and_in_the_rest(plate, planned):
    row = int(plate.layers.first_row[3])
    extra = Extra(HEATING, np.array([0, row, len(plate.moves)]), np.array([100.0, 7.0, 1.0]))
    bare, found = add_up(plate, planned), add_up(plate, planned, extras=[extra])
    adds_up(found)
    assert float(found.whole.seconds[0] - bare.whole.seconds[0]) == pytest.approx(108.0)
    assert found.features.seconds[KINDS.index(HEATING)] == 108.0
    assert float(found.layers.seconds[3] - bare.layers.seconds[3]) == pytest.approx(7.0)
    assert float(found.layers.heating_s[-1]) == 101.0
    assert found.regions.names == (REST,) and float(found.regions.heating_s[0]) == 108.0


TWO_TOOLS = b"""\
;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
M83
G1 Z0.2 F600
;TYPE:External perimeter
G1 X50 Y0 E2 F600
G1 X50 Y50 E2
; CP TOOLCHANGE START
G1 E-5 F1200
T1
G1 X150 Y50 F3000
G4 S20
G1 E5 F1200
;TYPE:Wipe tower
G1 X160 Y50 E1 F600
; CP TOOLCHANGE END
;TYPE:External perimeter
G1 X0 Y50 F3000
G1 X0 Y0 E2 F600
; CP EMPTY GRID START
G1 X100 Y0 F3000
G1 X110 Y0 E1 F600
; CP EMPTY GRID END
G1 X0 Y0 F3000
G1 X50 Y0 E2 F600
"""


def test_tool_changes_are_a_line_of_their_own():
    """What lies between the marks of a change and is no bead; a tower's layer without a change is none."""
    plate = Plate.from_bytes(TWO_TOOLS, "two.gcode")
    planned = times(plate)
    found = add_up(plate, planned)
    adds_up(found)
    spent = dict(zip(found.features.names, found.features.seconds.tolist(), strict=True))
    lines = TWO_TOOLS.split(b"\n")
    first, last = (lines.index(b"; CP TOOLCHANGE " + word) for word in (b"START", b"END"))
    inside = (plate.moves.line > first) & (plate.moves.line < last) & (plate.beads.feature == 0)
    assert int(inside.sum()) == 4
    assert 20 < spent["tools"] == pytest.approx(float(planned.seconds[inside].sum()))
    assert spent["wait"] == 0 and spent["tower"] > 0 and spent["travel"] > 0
    record = inspect_plate(plate, None, Options(()))[0]["time"]
    assert record["tools_s"]["best"] == pytest.approx(spent["tools"], abs=1e-5)
    apart = ("print_s", "start_s", "end_s", "tools_s")
    assert sum(record[key]["best"] for key in apart) == pytest.approx(planned.total_s, abs=1e-5)


@pytest.mark.every(1)
@pytest.mark.parametrize("machine", [None, "desktop-220"])
def test_every_sample_adds_up(sample_path, machine):
    plate = Plate.read(sample_path)
    profile = profiles.load_machine(machine) if machine else None
    planned = times(plate, profile)
    rows = np.flatnonzero(plate.beads.is_bead)
    half = Selection(rows, np.full(len(rows), 0.25), np.full(len(rows), 0.75))
    some = Selection(rows[::3], np.zeros(len(rows[::3])), np.full(len(rows[::3]), 0.5))
    costs = add_up(
        plate, planned, [("a", some), ("b", half)], standing(plate, planned.seconds, profile).extras
    )
    adds_up(costs)
    assert float(costs.whole.filament_mm[0]) == pytest.approx(float(plate.moves.e.sum()), rel=1e-9)
    # Of the second region the first has a quarter of every third bead already.
    e = plate.moves.e
    left = 0.5 * float(e[rows].sum()) - 0.25 * float(e[rows[::3]].sum())
    assert float(costs.regions.filament_mm[1]) == pytest.approx(left, rel=1e-9)


@pytest.mark.parametrize("letter", CONVENTIONS)
def test_every_convention_adds_up_as_inspect_prints_it(letter):
    plate = Plate.from_bytes(make(letter, parts=KEY).data, f"{letter}.gcode")
    record, _ = inspect_plate(plate, KIT, Options((), machine="desktop-220"))
    record_adds_up(record["costs"])
    time = record["time"]
    parts = ("print_s", "start_s", "end_s", "heating_s", "tools_s")
    lines = math.fsum(time[key]["best"] for key in parts if key in time)
    assert lines == pytest.approx(record["costs"]["whole"]["time_s"], abs=1e-5)
    assert time["total_s"]["best"] == pytest.approx(lines, abs=1e-5)
    for hit in record["regions"]:
        own = record["costs"]["regions"][f"{hit['part']}#{hit['instance']}/{hit['region']}"]
        assert own["time_s"] == pytest.approx(hit["time_s"], abs=1e-3)


@pytest.fixture(scope="module")
def applied():
    plate = Plate.from_bytes(make(parts=PARTS).data, "plate.gcode")
    options = Options((), machine="desktop-220", sets=("machine.electricity_per_kwh=0.30",))
    return apply_plate(plate, KIT, options)


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_treated_plate_adds_up_on_either_side(applied, side):
    record = applied.record["costs"][side]
    assert set(record["whole"]) >= {"time_s", "mass_g", "cost", "energy_wh", "energy_cost"}
    record_adds_up(record)


def test_what_is_told_of_the_treated_side_is_what_its_bytes_say(applied):
    """Read anew: the kit placed and its regions selected on the written bytes."""
    again = Plate.from_bytes(applied.treated.render(), "again")
    machine = profiles.load_machine("desktop-220")
    planned = times(again, machine)
    poses = place(KIT, again).poses
    regions = []
    for part in ("film-clip", "shelf-hook"):
        mine = [pose for pose in poses if pose.part == part]
        for name in KIT.parts[part].regions:
            regions += [
                (f"{part}#{pose.instance}/{name}", hits[name].selection)
                for pose, hits in zip(mine, select_all(again, mine, KIT.parts[part].regions), strict=True)
            ]
    found = add_up(again, planned, regions, standing(again, planned.seconds, machine).extras)
    adds_up(found)
    told = applied.record["costs"]["after"]
    assert told["whole"]["time_s"] == pytest.approx(float(found.whole.seconds[0]), rel=1e-9)
    assert told["whole"]["filament_mm"] == pytest.approx(float(found.whole.filament_mm[0]), rel=1e-9)
    assert set(told["regions"]) == set(found.regions.names)
    for name, seconds in zip(found.regions.names, found.regions.seconds.tolist(), strict=True):
        assert told["regions"][name]["time_s"] == pytest.approx(seconds, rel=1e-9)


def test_added_is_after_less_before_in_every_table(applied):
    costs = applied.record["costs"]
    for table in ("features", "regions"):
        for name, row in costs["added"][table].items():
            sides = [costs[side][table].get(name, {}) for side in ("before", "after")]
            for column, value in row.items():
                assert value == pytest.approx(
                    sides[1].get(column, 0.0) - sides[0].get(column, 0.0), abs=1e-12
                )
    whole = costs["added"]["whole"]
    assert whole["time_s"] == pytest.approx(applied.record["added"]["time_s"]["best"], abs=1e-5)
    assert whole["mass_g"] == pytest.approx(applied.record["added"]["mass_g"]["best"], rel=5e-3)
    assert whole["energy_wh"] > 0 and whole["energy_cost"] == pytest.approx(whole["energy_wh"] * 0.3 / 1000)


def test_every_column_says_its_band_and_where_it_is_from(applied):
    costs = applied.record["costs"]
    assert set(costs["columns"]) == set(costs["before"]["whole"])
    for trust in costs["columns"].values():
        assert 0 < trust["low"] <= 1 <= trust["high"] and trust["source"]
        assert trust["basis"] in ("measured", "modelled", "assumed") and trust["coverage"] == 0.9


@pytest.fixture(scope="module")
def by_draft():
    """Feed and flow of a region, planned on the treated bytes, and as on a large file on the draft alone."""
    treat = "{speed: {scale: 60%}, flow: {scale: 105%}}"
    text = "beadwright: 1\nkit: k\nmaterial: petg\nparts:\n  key:\n    found_by: {label: 'wedge*'}\n    regions:\n"
    text += f"      low: {{within: {{slab: {{z: [0, 2]}}}}, treat: {treat}}}\n"
    kit = kit_from_bytes(text.encode(), "k.kit.yaml")
    plate = Plate.from_bytes(make(parts=KEY).data, "key.gcode")
    read = apply_plate(plate, kit, Options(()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(durations, "_LARGE_BYTES", 0)
        return read, apply_plate(plate, kit, Options(()))


def test_on_a_large_file_the_draft_tells_the_same(by_draft):
    read, drafted = (one.record["costs"] for one in by_draft)
    record_adds_up(drafted["after"])
    assert drafted["before"] == read["before"]
    for table in ("features", "regions"):
        for name, row in read["after"][table].items():
            found = drafted["after"][table][name]
            assert found["time_s"] == pytest.approx(row["time_s"], rel=2e-3, abs=0.05)
            assert found["mass_g"] == pytest.approx(row["mass_g"], rel=1e-4, abs=1e-4)
    assert read["added"]["regions"]["key#1/low"]["mass_g"] > 0.005


def test_on_a_large_file_the_marks_are_the_same(by_draft):
    read, drafted = (one.treated.render().split(b"\n") for one in by_draft)
    assert len(read) == len(drafted)
    assert sum(a != b for a, b in zip(read, drafted, strict=True)) <= 2
    assert by_draft[1].treated.render() != by_draft[1].treated.original.render()


def test_without_changes_both_sides_are_one():
    kit = kit_from_bytes(re.sub(r"\n *treat: .*", "", low_kit()).encode(), "untreated.kit.yaml")
    plate = Plate.from_bytes(make(parts=KEY).data, "key.gcode")
    done = apply_plate(plate, kit, Options(()))
    assert done.treated.render() == plate.render()
    costs = done.record["costs"]
    assert costs["before"] == costs["after"]
    assert all(value == 0 for value in costs["added"]["whole"].values())

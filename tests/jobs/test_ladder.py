"""Ladders on made plates and on real files, read back by a small reader of lines that shares no code with the tool."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from shapely import box

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part
from gcodetools.errors import AlreadyTreated, CannotWrite, InputError, NotFoundOnPlate, Refused, UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.ladder import ladder_file, write_together
from gcodetools.jobs.ladder_asked import Asked
from gcodetools.jobs.sources import Subset
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.trials.factors import parse_held, parse_varied

BAR = Part("coupon", 30.0, lambda z: box(-6, -3, 6, 3), (-6.0, -3.0))
NECK = Part("coupon", 20.0, lambda z: box(-4, -3, 4, 3) if 5 < z < 7 else box(-6, -3, 6, 3), (-6.0, -3.0))
LOW = Part("coupon", 3.0, lambda z: box(-8, -6, 8, 6), (-8.0, -6.0))
MID = Part("coupon", 5.0, lambda z: box(-8, -6, 8, 6), (-8.0, -6.0))
WIDE = Part("coupon", 2.0, lambda z: box(-20, -10, 20, 10), (-20.0, -10.0))
OBJECT = re.compile(rb"; printing object (\S+) id:\d+ copy (\d+)")


def spots(part, count, apart):
    return tuple(Placement(part, 40 + apart * (k % 3), 60 + apart * (k // 3)) for k in range(count))


@lru_cache(maxsize=8)
def made(name):
    return {
        "tall": lambda: make(parts=spots(BAR, 1, 40)),
        "neck": lambda: make(parts=spots(NECK, 1, 40)),
        "three": lambda: make(parts=spots(BAR, 3, 40)),
        "nine": lambda: make(parts=spots(LOW, 9, 40)),
        "wide": lambda: make(parts=spots(WIDE, 4, 60)),
        "apart": lambda: make(parts=spots(MID, 6, 40), sequential=True),
        "unlabelled": lambda: make(parts=spots(BAR, 1, 40), labelled=False),
        "mixed": lambda: make(parts=(*spots(LOW, 2, 40), Placement("wedge-key-snug", 130, 150))),
    }[name]().data


@pytest.fixture
def plate(tmp_path, monkeypatch):
    """Writes a made plate into a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def write(name):
        path = tmp_path / f"{name}.gcode"
        path.write_bytes(made(name))
        return path

    return write


def asked(*vary, hold=(), **more):
    return Asked(tuple(map(parse_varied, vary)), tuple(map(parse_held, hold)), **more)


def ladder(path, *vary, hold=(), options=None, label=None, region=None, **more):
    return ladder_file(path, options or Options(()), asked(*vary, hold=hold, **more), region, label)


@dataclass
class Bead:
    copy: int
    layer: int
    nozzle: float
    fan: float
    feed: float
    e: float
    mm: float
    kind: bytes


def beads_of(data):
    """Every extruding move of convention B with relative E: which copy and layer, and what is in force."""
    copy, layer, nozzle, fan, feed, kind = -1, 0, 0.0, 0.0, 0.0, b""
    x = y = 0.0
    counts: dict[int, int] = {}
    found = []
    for line in data.split(b"\n"):
        if mark := OBJECT.match(line):
            copy = int(mark[2])
            counts[copy] = counts.get(copy, 0) + 1
            layer = counts[copy]
        elif line.startswith(b"; stop printing object"):
            copy = -1
        elif line.startswith(b";TYPE:"):
            kind = line[6:].strip()
        command = line.split(b";")[0]
        words = {word[:1]: float(word[1:]) for word in command.split()[1:] if word[1:]}
        if command.startswith((b"M104", b"M109")) and b"S" in words:
            nozzle = words[b"S"]
        elif command.startswith(b"M106"):
            fan = words.get(b"S", 255.0) / 2.55
        elif command.startswith(b"M107"):
            fan = 0.0
        elif command.startswith((b"G1 ", b"G0 ")):
            feed = words.get(b"F", feed * 60.0) / 60.0
            at = words.get(b"X", x), words.get(b"Y", y)
            mm = float(np.hypot(at[0] - x, at[1] - y))
            x, y = at
            if words.get(b"E", 0.0) > 0 and mm > 0 and copy >= 0:
                found.append(Bead(copy, layer, nozzle, fan, feed, words[b"E"], mm, kind))
    return found


def inside(beads, specimen):
    first, last = specimen["layers"]
    return [bead for bead in beads if bead.copy == specimen["instance"] - 1 and first <= bead.layer <= last]


def kinds(beads, *names):
    return [bead for bead in beads if bead.kind in names]


PLAIN = (b"Perimeter", b"External perimeter", b"Internal infill", b"Solid infill")


def test_each_instance_has_a_speed_and_a_flow_of_its_own(plate):
    """By feed and E of the lines themselves, against those of the file as sliced."""
    found = ladder(plate("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    assert len(found.record["specimens"]) == 9 and found.record["as_sliced"] == []
    before, after = beads_of(made("nine")), beads_of(found.applied.treated.render())
    seen = set()
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        assert len(a) == len(b) > 0
        speed, flow = one["asked"]["speed_percent"] / 100, one["asked"]["flow_percent"] / 100
        seen.add((speed, flow))
        assert {round(q.feed / p.feed, 3) for p, q in zip(a, b, strict=True)} == {speed}
        for p, q in zip(a, b, strict=True):
            wanted = 1.0 if p.kind == b"External perimeter" else flow
            assert q.e == pytest.approx(p.e * wanted, abs=1.1e-5)
    assert len(seen) == 9


def test_the_first_layer_and_what_is_no_specimen_stay_as_sliced(plate):
    found = ladder(plate("nine"), "speed=60%,80%", repeat=2)
    assert len(found.record["specimens"]) == 4 and len(found.record["as_sliced"]) == 5
    before, after = beads_of(made("nine")), beads_of(found.applied.treated.render())
    used = {one["instance"] - 1 for one in found.record["specimens"]}
    left = {int(name.partition("#")[2]) - 1 for name in found.record["as_sliced"]}
    assert used | left == set(range(9)) and not used & left
    assert len(before) == len(after)
    for p, q in zip(before, after, strict=True):
        if p.layer == 1 or p.copy in left:
            assert p == q
        else:
            assert q.feed < p.feed


def test_perimeters_are_added_where_asked(plate):
    options = Options((), subset=Subset.parse("coupon#1,2,3,4"))
    found = ladder(plate("nine"), "perimeters=0,1,2", options=options)
    after = beads_of(found.applied.treated.render())
    added = {}
    for one in found.record["specimens"]:
        mine = inside(after, one)
        inner = sum(bead.mm for bead in kinds(mine, b"Perimeter"))
        outer = sum(bead.mm for bead in kinds(mine, b"External perimeter"))
        added.setdefault(one["asked"]["perimeters_added"], []).append(inner / outer)
        assert one["got"]["perimeters"] == pytest.approx(1 + inner / outer, rel=0.02)
    assert np.mean(added[0]) + 0.3 < np.mean(added[1]) < np.mean(added[2]) - 0.3


def test_bands_of_heat_and_fan_in_one_coupon(plate):
    """Each extruding line of a band has its nozzle and fan in force; between bands there is room to arrive."""
    found = ladder(plate("tall"), "nozzle=220:240:20", "fan=10%,40%")
    after = beads_of(found.applied.treated.render())
    ends = []
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        asked_for = one["asked"]
        # The command for what follows may stand just before the end: what leaves the nozzle is told ahead.
        settled = mine[: int(len(mine) * 0.9)]
        assert {bead.nozzle for bead in settled} == {asked_for["nozzle_c"]}
        assert {round(bead.fan) for bead in settled} == {asked_for["fan_percent"]}
        assert one["got"]["nozzle_c"] == pytest.approx(asked_for["nozzle_c"], abs=1.0)
        assert one["got"]["fan_percent"] == pytest.approx(asked_for["fan_percent"], abs=2.0)
        ends.append(one["layers"])
    assert ends[0][0] > 3  # the file keeps the fan off on three layers
    assert all(b[0] - a[1] - 1 >= 5 for a, b in pairwise(ends))  # 1 mm and more
    heights = [b - a for a, b in ends]
    assert max(heights) - min(heights) <= 1
    bands = found.record["bands"]
    assert [band["layers"] for band in bands] == ends
    for band in bands:  # layers of 0.2 mm
        assert band["z_mm"] == pytest.approx([(band["layers"][0] - 1) * 0.2, band["layers"][1] * 0.2])
    last = after[-1]
    assert last.layer == 150


def test_the_gap_between_bands_is_as_long_as_the_nozzle_takes(plate):
    found = ladder(plate("tall"), "nozzle=220:240:10", order="rising")
    layer_s = np.array([one["got"]["layer_time_s"] for one in found.record["specimens"]])
    waits = [band["between_below"] * layer_s.min() for band in found.record["bands"][1:]]
    # The profile's slow end heats at 1.2 C/s near 240 C and settles in 15 s: 10 C are some 8 s and 5 s of lag at least.
    assert all(wait > 13.0 for wait in waits)
    assert [one["asked"]["nozzle_c"] for one in found.record["specimens"]] == [220, 230, 240]
    assert any("rising order" in note for note in found.record["notes"])


def test_object_after_object_takes_heat_by_instance(plate):
    found = ladder(plate("apart"), "nozzle=220:240:10", "fan=20%,60%")
    assert found.record["printed"] == "object after object" and found.record["by"] == "instance"
    after = beads_of(found.applied.treated.render())
    pairs = set()
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        settled = mine[: int(len(mine) * 0.85)]
        assert {bead.nozzle for bead in settled} == {one["asked"]["nozzle_c"]}
        assert {round(bead.fan) for bead in settled} == {one["asked"]["fan_percent"]}
        pairs.add((one["asked"]["nozzle_c"], one["asked"]["fan_percent"]))
    assert len(pairs) == 6


def test_by_height_every_coupon_of_a_layered_plate_is_alike(plate):
    found = ladder(plate("three"), "nozzle=220,240", by="height")
    columns = {}
    for one in found.record["specimens"]:
        columns.setdefault(one["instance"], []).append((one["asked"]["nozzle_c"], tuple(one["layers"])))
    assert len(columns) == 3 and len(set(map(tuple, columns.values()))) == 1
    assert [one["specimen"] for one in found.record["specimens"]] == list(range(1, 7))
    assert any("breaks at its weakest band" in note for note in found.record["notes"])


def test_object_after_object_each_coupon_may_have_an_order_of_its_own(plate):
    found = ladder(plate("apart"), "speed=50%,100%", by="height", gap_mm=0.0)
    orders = {}
    for one in found.record["specimens"]:
        orders.setdefault(one["instance"], []).append(one["asked"]["speed_percent"])
    assert len(orders) == 6 and all(sorted(order) == [50, 100] for order in orders.values())
    assert len(set(map(tuple, orders.values()))) > 1


def test_heat_by_height_and_the_rest_by_instance(plate):
    found = ladder(plate("three"), "nozzle=220,240", "speed=60%,100%", by="both")
    assert found.record["as_sliced"] == ["coupon#3"] or len(found.record["as_sliced"]) == 1
    before, after = beads_of(made("three")), beads_of(found.applied.treated.render())
    combinations = set()
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        speed = round(100 * np.mean([q.feed for q in b]) / np.mean([p.feed for p in a]))
        assert speed == one["asked"]["speed_percent"]
        assert {bead.nozzle for bead in b[: int(len(b) * 0.9)]} == {one["asked"]["nozzle_c"]}
        combinations.add((one["asked"]["nozzle_c"], speed))
    assert len(combinations) == 4


def test_a_fan_follows_instances_that_last_long_enough(plate):
    """40 % is the file's own: it must be told too, or the neighbours' would be held over it."""
    found = ladder(plate("wide"), "fan=20%,40%")
    assert [one["asked"]["fan_percent"] for one in found.record["specimens"]].count(40) == 2
    after = beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        usual = np.bincount([round(bead.fan) for bead in mine]).argmax()
        assert usual == one["asked"]["fan_percent"]
        assert one["got"]["fan_percent"] == pytest.approx(one["asked"]["fan_percent"], abs=3.0)


@pytest.mark.long
def test_the_seed_settles_who_gets_what(plate):
    path = plate("nine")
    one, two, other = (
        [s["step"] for s in ladder(path, "speed=60%,100%", repeat=3, seed=seed).record["specimens"]]
        for seed in (4, 4, 5)
    )
    assert one == two != other


def test_the_correlation_told_is_that_of_the_table(plate):
    record = ladder(plate("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%").record
    table = np.array(
        [
            [s["x_mm"], s["y_mm"], s["asked"]["speed_percent"], s["asked"]["flow_percent"]]
            for s in record["specimens"]
        ]
    )
    greatest = np.abs(np.corrcoef(table.T)[:2, 2:]).max()
    assert record["placing"]["greatest_correlation"] == pytest.approx(greatest, abs=1e-4)


def test_a_fraction_of_a_design(plate):
    path = plate("apart")
    found = ladder(path, "speed=60%,100%", "flow=97%,103%", "fan=20%,40%", design="fraction", repeat=1)
    design = found.record["design"]
    assert (design["steps"], design["of_all"], design["repeats"], design["resolution"]) == (4, 8, 1, 3)
    assert len({tuple(s["asked"].values()) for s in found.record["specimens"]}) == 4
    assert any("what can't be told apart" in note for note in found.record["notes"])


def test_held_settings_are_in_every_specimen(plate):
    found = ladder(plate("tall"), "nozzle=220,240", hold=("speed=80%",))
    assert found.record["held"] == {"speed_percent": 80.0}
    before, after = beads_of(made("tall")), beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        assert {round(q.feed / p.feed, 3) for p, q in zip(a, b, strict=True)} == {0.8}


def test_past_the_measured_peak_the_nozzle_goes_and_it_is_said(plate):
    """The profile's peak of PETG is 245 C; `apply` stops there, a ladder is there to look beyond."""
    found = ladder(plate("tall"), "nozzle=240,255", options=Options((), machine="fast-250"))
    after = beads_of(found.applied.treated.render())
    hot = next(one for one in found.record["specimens"] if one["asked"]["nozzle_c"] == 255)
    assert {bead.nozzle for bead in kinds(inside(after, hot), *PLAIN)[:200]} == {255.0}
    assert any("past the peak" in note for note in found.record["notes"])
    assert found.record["overrides"] == ["material.measured_peak_c=255"]


def test_sections_are_those_of_the_part(plate):
    """A bar of 12 x 6 mm has 72 mm2 in every layer."""
    for one in ladder(plate("tall"), "nozzle=220,240").record["specimens"]:
        assert one["got"]["section_mm2"] == pytest.approx(72.0, rel=0.005)


def test_the_section_is_the_smallest_of_its_layers(plate):
    """A neck of 8 x 6 mm somewhere in the bar."""
    first, second = ladder(plate("neck"), "nozzle=225,235").record["specimens"]
    assert first["layers"][0] <= 30 <= first["layers"][1]  # 6 mm up
    assert first["got"]["section_mm2"] == pytest.approx(48.0, rel=0.01)
    assert second["got"]["section_mm2"] == pytest.approx(72.0, rel=0.005)


def test_an_unlabelled_plate_is_one_coupon(plate):
    found = ladder(plate("unlabelled"), "nozzle=220,240")
    assert found.record["part"] == "unlabelled" and len(found.record["specimens"]) == 2


def test_only_some_instances(plate):
    options = Options((), subset=Subset.parse("coupon#1,3,5,7"))
    found = ladder(plate("nine"), "speed=60%,100%", options=options)
    assert {one["instance"] for one in found.record["specimens"]} == {1, 3, 5, 7}


@pytest.fixture(scope="module")
def hooks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hooks")
    parts = [Placement("shelf-hook", 60 + 40 * k, 110) for k in range(4)]
    (folder / "plate.gcode").write_bytes(make(parts=(*parts, Placement("wedge-key-snug", 60, 160))).data)
    (folder / "hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return folder


def test_a_region_of_a_kit_gets_the_steps_and_nothing_else_is_treated(hooks):
    options = Options((hooks / "hoophouse.kit.yaml",))
    found = ladder(hooks / "plate.gcode", "speed=50%,100%", region="shelf-hook/finger", options=options)
    kit = kit_from_bytes(hoophouse_kit().encode(), "kit")
    assert kit.parts["shelf-hook"].regions["finger"].treat is not None  # which is left out of it
    changed = {(one["part"], one["region"]) for one in found.record["regions"]}
    assert changed == {("shelf-hook", "finger")}
    assert {one["treatment"] for one in found.record["regions"]} == {"speed"}
    assert found.record["file_has"]["nozzle_c"] == 230.0


@pytest.mark.parametrize(
    ("name", "vary", "more", "error", "words"),
    [
        ("nine", ("speed=10%:100%:10%",), {}, Refused, ("room for 9 instances", "at most 9 values of speed")),
        ("nine", ("speed=60%,100%",), {"repeat": 5}, Refused, ("each 5 times", "make 10")),
        ("three", ("nozzle=220,240",), {}, Refused, ("layer by layer", "--by height (up to", "object after object")),
        ("three", ("nozzle=220,240", "speed=60%,90%"), {}, Refused, ("--by both", "speed by instance")),
        ("three", ("fan=0%,40%",), {}, Refused, ("s a layer; the fan needs 4 s", "--by height")),
        ("nine", ("nozzle=220,240",), {"by": "height"}, Refused, ("2 bands", "in 2.8 mm", "not even two bands")),
        ("tall", ("nozzle=220:240:2",), {}, Refused, ("11 bands don't fit in 29.8 mm", "to arrive")),
        ("tall", ("nozzle=220:270:10",), {}, Refused, ("270 C is outside 220 to 240 C", "no machine named")),
        ("tall", ("nozzle=180,230",), {}, Refused, ("180 C is outside", "Possible: 220 to 240 C")),
        ("tall", ("speed=60%,100%",), {"by": "instance"}, Refused, ("one instance", "--by height")),
        ("tall", ("speed=100%,300%",), {}, Refused, ("mm3/s", "speed times flow up to")),
        ("tall", ("speed=5%,100%",), {}, None, ()),
        ("nine", ("perimeters=0,12,13",), {"options": Options((), subset=Subset.parse("coupon#1,2,3"))}, Refused,
         ("+12 and +13 come out alike", "fewer perimeters")),
        ("nine", ("speed=60%,100%", "speed=70%,80%"), {}, UsageError, ("speed is given twice",)),
        ("nine", ("speed=60%,100%",), {"by": "both"}, UsageError, ("nozzle and another setting",)),
        ("nine", ("speed=60%,100%",), {"bands": 3, "by": "height"}, UsageError, ("2 steps fill 2 bands",)),
        ("nine", ("speed=60%,100%",), {"bands": 0}, UsageError, ("--bands 0",)),
        ("mixed", ("speed=60%,100%",), {}, InputError, ("2 objects in it and none named", "--object")),
        ("mixed", ("speed=60%,100%",), {"label": "bracket"}, NotFoundOnPlate, ("no instance of bracket", "coupon")),
        ("mixed", ("speed=60%,100%",), {"label": "*"}, Refused, ("unlike heights",)),
        ("tall", ("speed=60%,100%",), {"region": "a/b"}, UsageError, ("without a kit",)),
    ],
)  # fmt: skip
def test_what_is_impossible_is_refused_with_what_is_possible(plate, name, vary, more, error, words):
    path = plate(name)
    if error is None:
        assert ladder(path, *vary, **more).record["specimens"]
        return
    with pytest.raises(error) as caught:
        ladder(path, *vary, **more)
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_a_treated_file_is_no_start(plate):
    path = plate("tall")
    path.write_bytes(ladder(path, "nozzle=220,240").applied.treated.render())
    with pytest.raises(AlreadyTreated, match="starts from the file as sliced"):
        ladder(path, "nozzle=220,240")


def test_a_kit_needs_a_region_of_it(hooks):
    options = Options((hooks / "hoophouse.kit.yaml",))
    for region, words in (
        (None, "which of its regions is not said"),
        ("shelf-hook/claw", "no region 'shelf-hook/claw'"),
    ):
        with pytest.raises(UsageError, match=words):
            ladder(hooks / "plate.gcode", "speed=50%,100%", region=region, options=options)


def test_several_files_are_written_or_none(tmp_path):
    old, new, bad = tmp_path / "old", tmp_path / "new", tmp_path / "missing" / "bad"
    old.write_bytes(b"before")
    with pytest.raises(CannotWrite):
        write_together([(old, b"after"), (new, b"after"), (bad, b"after")])
    assert old.read_bytes() == b"before" and sorted(p.name for p in tmp_path.iterdir()) == ["old"]
    write_together([(old, b"after"), (new, b"after")])
    assert old.read_bytes() == new.read_bytes() == b"after"


@pytest.mark.every(3)
@pytest.mark.parametrize("name", ["A-vase-crlf", "B-cube", "D-part", "E0-cube", "G-lid-crlf", "I-no-marks"])
def test_bands_in_real_files(samples, name):
    """Of any convention: two bands, each with its nozzle in force where its lines stand, and nothing else changed."""
    path = samples / f"{name}.gcode"
    found = ladder(path, "nozzle=225,235", options=Options((), material="petg"))
    record = found.record
    assert [one["got"]["nozzle_c"] for one in record["specimens"]] == pytest.approx(
        [one["asked"]["nozzle_c"] for one in record["specimens"]], abs=1.0
    )
    own = path.read_bytes().split(b"\n")
    treated = [line for line in found.applied.treated.render().split(b"\n") if b"beadwright" not in line]
    told = re.compile(rb"M10[49] (T\d+ )?S[\d.]+\r?$")
    kept = set(own)
    new = [line for line in treated if line not in kept]
    assert new == [] or all(told.match(line) or line.startswith((b";", b"M73")) for line in new), new[:5]
    values = [float(word) for line in treated for word in re.findall(rb"^M104 (?:T\d+ )?S(\d+)", line)]
    assert {225.0, 235.0} <= set(values)


@pytest.mark.long
def test_unlike_bands_are_warned_of(samples):
    found = ladder(samples / "D-part.gcode", "nozzle=225,235", options=Options((), material="petg"))
    assert any("specimens are not alike" in text for text in found.warnings)


@pytest.mark.long
def test_where_no_temperature_is_known_heat_is_refused(samples):
    with pytest.raises(Refused, match="nozzle can't be varied: no temperature is known"):
        ladder(samples / "H-parentheses.gcode", "nozzle=225,235", options=Options((), material="petg"))


def test_nothing_is_told_before_the_first_layer_is_down(plate):
    """The first layer holds the print: it keeps the file's nozzle and fan, on plates of either kind and for what is
    held as for what varies; a specimen begins where the nozzle has had time to arrive."""
    for name, vary, more in (
        ("tall", ("nozzle=220,240",), {}),
        ("three", ("nozzle=220,240",), {"by": "height"}),
        ("apart", ("nozzle=220:240:10", "fan=20%,60%"), {}),
        ("nine", ("speed=60%,80%,100%",), {"hold": ("nozzle=235",)}),
    ):
        found = ladder(plate(name), *vary, **more)
        before, after = beads_of(made(name)), beads_of(found.applied.treated.render())
        first = [(p, q) for p, q in zip(before, after, strict=True) if p.layer == 1]
        assert first and all((p.nozzle, p.fan) == (q.nozzle, q.fan) for p, q in first), name
        assert any(p.nozzle != q.nozzle for p, q in zip(before, after, strict=True))
        for one in found.record["specimens"]:
            begins = next(bead for bead in inside(after, one))
            assert begins.nozzle == one["asked"]["nozzle_c"], name
            assert one["got"]["nozzle_c"] == pytest.approx(one["asked"]["nozzle_c"], abs=1.0)
            assert one["layers"][0] > 2


def test_a_held_fan_leaves_out_layers_on_which_the_file_keeps_it_off(plate):
    found = ladder(plate("nine"), "speed=60%,100%", hold=("fan=70%",))
    after = beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        assert {round(bead.fan) for bead in kinds(inside(after, one), *PLAIN)} == {70}
        assert one["got"]["fan_percent"] == pytest.approx(70.0, abs=2.0)


def test_a_nozzle_that_is_on_its_way_when_an_object_begins_is_warned_of(plate):
    warm = ladder(plate("apart"), "nozzle=220,240", repeat=2)
    [told] = [text for text in warm.warnings if "still on its way back" in text]
    hot = {s["instance"] for s in warm.record["specimens"] if s["asked"]["nozzle_c"] == 240}
    assert "230 C as sliced" in told and "coupon#1 " not in told
    for name in re.findall(r"coupon#(\d) \((2[34]\d) C", told):  # 220 before it leaves it colder, 240 hotter
        assert (int(name[0]) - 1 in hot) == (int(name[1]) > 230)
    assert not any(
        "on its way" in text for text in ladder(plate("apart"), "speed=60%,100%", repeat=2).warnings
    )


def test_perimeters_without_room_are_warned_of(plate):
    options = Options((), subset=Subset.parse("coupon#1,2,3,4"))
    found = ladder(plate("nine"), "perimeters=0,9", options=options)
    assert any("perimeters: side by side on the mean of specimens" in text for text in found.warnings)
    found = ladder(plate("nine"), "perimeters=0,2", options=options)
    assert not any("side by side" in text for text in found.warnings)


def test_objects_of_several_names_that_are_alike_are_one_part(tmp_path):
    """Convention D numbers its objects, a number each."""
    path = tmp_path / "d.gcode"
    path.write_bytes(make("D", parts=spots(LOW, 4, 40)).data)
    every = ladder(path, "speed=60%,100%")
    assert len(every.record["specimens"]) == 4
    labels = sorted({one["label"] for one in every.record["specimens"]})
    assert len(labels) == 4
    two = ladder(path, "speed=60%,100%", label=", ".join(labels[:2]))
    assert sorted(one["label"] for one in two.record["specimens"]) == labels[:2]
    with pytest.raises(NotFoundOnPlate, match="no object '999'"):
        ladder(path, "speed=60%,100%", label=f"{labels[0]},999")
    odd = (*spots(LOW, 2, 40), Placement(BAR, 120, 120))
    path.write_bytes(make("D", parts=odd).data)
    with pytest.raises(InputError, match=r"not all alike: .* has 15 layers and 192 mm2 .* has 150 and 72"):
        ladder(path, "speed=60%,100%")
    twisted = (
        *spots(LOW, 1, 40),
        Placement(Part("c", 3.0, lambda z: box(-5, -4, 5, 4), (-5.0, -4.0)), 120, 120),
    )
    path.write_bytes(make("D", parts=twisted).data)
    with pytest.raises(InputError, match="not all alike"):  # as high, but smaller
        ladder(path, "speed=60%,100%")


@pytest.mark.parametrize(("order", "sign"), [("rising", 1), ("falling", -1)])
def test_the_correlation_of_an_order_is_that_of_the_table(plate, order, sign):
    record = ladder(plate("nine"), "speed=60%,80%,100%", "flow=97%,103%", order=order).record
    speed = [s["asked"]["speed_percent"] for s in record["specimens"]]
    assert [sign * value for value in speed] == sorted(sign * value for value in speed)
    table = np.array(
        [
            [s["x_mm"], s["y_mm"], s["asked"]["speed_percent"], s["asked"]["flow_percent"]]
            for s in record["specimens"]
        ]
    )
    greatest = np.abs(np.corrcoef(table.T)[:2, 2:]).max()
    assert record["placing"]["greatest_correlation"] == pytest.approx(greatest, abs=1e-4)
    assert 0.5 < greatest < 1.0


def test_what_goes_with_the_place_is_said(plate):
    options = Options((), subset=Subset.parse("coupon#1,2,4,5"))
    vary = ("speed=60%,100%", "flow=97%,103%", "perimeters=0,1")
    few = ladder(plate("nine"), *vary, options=options, design="fraction")
    assert any("goes with" in note and "correlation 1.00" in note for note in few.record["notes"])
    many = ladder(plate("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    assert not any("goes with" in note for note in many.record["notes"])


@pytest.mark.parametrize(
    ("name", "vary", "more", "words", "not_there"),
    [
        ("nine", ("nozzle=220,240", "speed=60%,90%"), {}, ("slice it object after object", "taller"), "--by"),
        ("nine", ("nozzle=220,240",), {"by": "height"}, ("not even two bands",), "at most"),
        ("nine", ("speed=60%,100%",), {"repeat": 5}, ("these steps with --repeat 4",), "at most 9"),
        ("tall", ("speed=61%:100%:1%", "fan=1%:40%:1%"), {}, ("1600 steps", "room for 10 bands"), None),
        ("tall", ("speed=61%:100%:1%", "fan=1%:40%:1%", "nozzle=221:240:1"), {}, ("make 32000 steps",), None),
    ],
)  # fmt: skip
def test_a_refusal_offers_only_what_is_possible(plate, name, vary, more, words, not_there):
    with pytest.raises(Refused) as caught:
        ladder(plate(name), *vary, **more)
    assert all(word in str(caught.value) for word in words), str(caught.value)
    assert not_there is None or not_there not in str(caught.value)


def test_a_fan_that_blows_on_the_first_layer_stays_as_it_is_there(plate):
    path = plate("nine")
    path.write_bytes(path.read_bytes().replace(b"\nM107\n", b"\nM106 S102\n", 1))
    own = beads_of(path.read_bytes())
    assert {round(bead.fan) for bead in own if bead.layer == 1} == {40}
    found = ladder(path, "speed=60%,100%", hold=("fan=80%",))
    after = beads_of(found.applied.treated.render())
    assert {round(bead.fan) for bead in after if bead.layer == 1} == {40}
    mine = [bead for one in found.record["specimens"] for bead in inside(after, one)]
    assert {round(bead.fan) for bead in kinds(mine, *PLAIN)} == {80}


def test_steps_are_numbered_by_what_was_asked_and_tested_in_an_order_of_chance(plate):
    record = ladder(plate("nine"), "speed=60%,80%", "flow=97%,103%").record
    pairs = {(one["step"], tuple(one["asked"].items())) for one in record["specimens"]}
    assert sorted(step for step, _ in pairs) == [1, 2, 3, 4] and len({asked for _, asked in pairs}) == 4
    assert {step["step"]: tuple(step.items())[1:] for step in record["steps"]} == dict(pairs)
    count = len(record["specimens"])
    assert sorted(record["test_order"]) == list(range(1, count + 1)) != record["test_order"]


def test_the_picture_stands_as_the_plate_does(plate):
    """Numbers to the right where x is larger, upward where y is larger (y is away from the reader)."""
    found = ladder(plate("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    page = next(
        data for path, data in found.outputs(Path("x.gcode"), None) if path.suffix == ".html"
    ).decode()
    at = {
        int(number): (float(x), -float(y))
        for x, y, number in re.findall(r'<text class="ink" x="([\d.]+)" y="([\d.]+)"[^>]*>(\d+)</text>', page)
    }
    specimens = found.record["specimens"]
    assert sorted(at) == [one["specimen"] for one in specimens]
    for axis, key in ((0, "x_mm"), (1, "y_mm")):
        drawn = [at[one["specimen"]][axis] for one in specimens]
        assert np.corrcoef(drawn, [one[key] for one in specimens])[0, 1] > 0.999
    spots_drawn = {tuple(round(v) for v in (one["x_mm"], one["y_mm"])) for one in specimens}
    assert spots_drawn == {(40 + 40 * i, 60 + 40 * j) for i in range(3) for j in range(3)}


def test_heights_are_those_of_the_layers_and_the_fan_has_time_to_arrive(plate):
    """Layers of 0.2 mm; without a gap for a saw there are still layers in which the fan arrives."""
    record = ladder(plate("tall"), "fan=10%,40%", gap_mm=0.0).record
    for one in record["specimens"]:
        first, last = one["layers"]
        assert one["z_mm"] == pytest.approx(0.2 * (first - 1 + last) / 2, abs=0.01)
    assert record["bands"][1]["between_below"] >= 1


def test_faster_steps_leave_more_layers_to_arrive_in(plate):
    own, fast = (
        ladder(plate("tall"), "nozzle=225,235", order="rising", gap_mm=0.0, hold=hold).record["bands"][1]
        for hold in ((), ("speed=150%",))
    )
    assert fast["between_below"] == pytest.approx(1.5 * own["between_below"], abs=1.6)
    assert fast["between_below"] > own["between_below"]


def test_the_higher_the_setting_the_fuller_the_shade(plate):
    options = Options((), subset=Subset.parse("coupon#1,2,3"))
    found = ladder(plate("nine"), "speed=60%,80%,100%", options=options)
    page = next(
        data for path, data in found.outputs(Path("x.gcode"), None) if path.suffix == ".html"
    ).decode()
    shades = [
        float(v)
        for v in re.findall(r'class="shade edge"[^>]*fill-opacity="([\d.]+)"[^>]*stroke-width="1.2"', page)
    ]
    speeds = [one["asked"]["speed_percent"] for one in found.record["specimens"]]
    assert [s for _, s in sorted(zip(speeds, shades, strict=True))] == sorted(shades) and len(
        set(shades)
    ) == 3
    assert "the fuller the shade, the higher its speed" in page

"""What ladders refuse, with what is possible instead; a region of a kit; parts that are alike."""

from __future__ import annotations

import pytest
from ladder_plates import BAR, LOW, ladder, spots
from shapely import box

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part
from gcodetools.errors import AlreadyTreated, CannotWrite, InputError, NotFoundOnPlate, Refused, UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.ladder import write_together
from gcodetools.jobs.sources import Subset
from gcodetools.kit.schema import kit_from_bytes


@pytest.fixture(scope="module")
def hooks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hooks")
    parts = [Placement("shelf-hook", 60 + 40 * k, 110) for k in range(4)]
    (folder / "plate.gcode").write_bytes(make(parts=(*parts, Placement("wedge-key-snug", 60, 160))).data)
    (folder / "hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return folder


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
def test_what_is_impossible_is_refused_with_what_is_possible(coupons, name, vary, more, error, words):
    path = coupons(name)
    if error is None:
        assert ladder(path, *vary, **more).record["specimens"]
        return
    with pytest.raises(error) as caught:
        ladder(path, *vary, **more)
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_a_treated_file_is_no_start(coupons):
    path = coupons("tall")
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


@pytest.mark.long
def test_where_no_temperature_is_known_heat_is_refused(samples):
    with pytest.raises(Refused, match="nozzle can't be varied: no temperature is known"):
        ladder(samples / "H-parentheses.gcode", "nozzle=225,235", options=Options((), material="petg"))


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
def test_a_refusal_offers_only_what_is_possible(coupons, name, vary, more, words, not_there):
    with pytest.raises(Refused) as caught:
        ladder(coupons(name), *vary, **more)
    assert all(word in str(caught.value) for word in words), str(caught.value)
    assert not_there is None or not_there not in str(caught.value)


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


def test_a_region_of_a_kit_gets_the_steps_and_nothing_else_is_treated(hooks):
    options = Options((hooks / "hoophouse.kit.yaml",))
    found = ladder(hooks / "plate.gcode", "speed=50%,100%", region="shelf-hook/finger", options=options)
    kit = kit_from_bytes(hoophouse_kit().encode(), "kit")
    assert kit.parts["shelf-hook"].regions["finger"].treat is not None  # which is left out of it
    changed = {(one["part"], one["region"]) for one in found.record["regions"]}
    assert changed == {("shelf-hook", "finger")}
    assert {one["treatment"] for one in found.record["regions"]} == {"speed"}
    assert found.record["file_has"]["nozzle_c"] == 230.0

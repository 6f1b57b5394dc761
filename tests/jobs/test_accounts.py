"""What `apply` accounts for: filament that came and went, answers by layers, holds over layers made anew."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PARTS = (Placement("film-clip", 60, 110), Placement("shelf-hook", 130, 110))


def applied(*treatments: tuple[str, str]) -> Applied:
    """A clip and a hook; treatments of the demo's kit replaced."""
    text = hoophouse_kit()
    for old, new in treatments:
        assert old in text
        text = text.replace(old, new)
    kit = kit_from_bytes(text.encode(), "hoophouse.kit.yaml")
    return apply_plate(Plate.from_bytes(make(parts=PARTS).data, "plate.gcode"), kit, Options(()))


@pytest.fixture(scope="module")
def demo() -> Applied:
    return applied()


@pytest.fixture(scope="module")
def no_rest() -> Applied:
    return applied(("treat: [stout, {rest: {seconds: 2}}]", "treat: stout"))


def beads_mm(plate: Plate) -> float:
    return float(plate.moves.e[plate.beads.is_bead].sum())


def test_the_mass_added_is_that_of_the_two_files(no_rest):
    """Weighed from the bytes: filament of all beads after, less before, as a cylinder of 1.75 mm."""
    before, after = no_rest.treated.original, no_rest.treated.plate
    petg = profiles.load_material("petg")
    gram = (beads_mm(after) - beads_mm(before)) * pi * 1.75**2 / 4 * petg.density_g_cm3.value / 1000
    assert no_rest.record["added"]["mass_g"]["best"] == pytest.approx(gram, rel=2e-3)
    assert gram > 0.1


def test_where_flow_stays_what_came_less_what_went_is_what_is_added():
    added = applied(
        ("treat: {flow: {scale: 103%}}", "treat: {speed: {scale: 90%}}"),
        ("packed: {flow: {scale: 104%, outer: true}}", "packed: {speed: {scale: 90%}}"),
        (", {rest: {seconds: 2}}", ""),
    ).record["added"]
    assert added["new_beads_g"] > added["removed_g"] > 0
    assert added["mass_g"]["best"] == pytest.approx(added["new_beads_g"] - added["removed_g"], abs=2e-6)


def test_without_new_beads_nothing_came_and_nothing_went():
    plain = applied(("treat: [gentle, {perimeters: {fill: true}}]", "treat: gentle"), ("infill: solid, ", ""))
    added = plain.record["added"]
    assert added["new_beads_g"] == added["removed_g"] == 0
    assert not any("layers" in answer for answer in plain.record["regions"])


def test_new_beads_are_told_by_runs_of_layers_that_follow_on(demo):
    told = {a["treatment"]: a["layers"] for a in demo.record["regions"] if "layers" in a}
    assert set(told) == {"perimeters", "infill"}
    for runs in told.values():
        spans = [run["layers"] for run in runs]
        assert all(first <= last for first, last in spans)
        assert all(b[0] > a[1] for a, b in pairwise(spans))
    assert told["perimeters"][0]["layers"][0] == 1 and told["perimeters"][-1]["layers"][1] == 150
    assert all(run["perimeters"] >= 1 and run["room_mm"] > 0 for run in told["perimeters"])
    assert any(run.get("bridge") for run in told["infill"])


@pytest.mark.parametrize("setting", ["nozzle", "fan"])
def test_a_hold_reaches_over_layers_whose_own_fill_all_gave_way(setting):
    """The foot of the hook: what the region has there is all laid anew, and is still the region's."""
    with_fill, without = applied(), applied(("infill: solid, ", ""))
    layers = []
    for run in (with_fill, without):
        spans = [h["layers"] for h in run.record["holds"] if h["setting"] == setting]
        layers.append({layer for first, last in spans for layer in range(first, last + 1)})
    assert layers[1] and layers[0] >= layers[1]


def test_the_text_says_what_came_and_what_went(demo):
    from gcodetools.cli.layout import Paper
    from gcodetools.cli.text_apply import show_apply

    paper = Paper(width=200)
    show_apply({**demo.record, "out": "o.gcode"}, paper)
    (line,) = [line for line in paper.text.splitlines() if line.startswith("filament")]
    assert "g of new beads" in line and "g of fill taken out for them" in line

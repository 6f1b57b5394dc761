"""What `apply` accounts for: filament that came and went, answers by layers, holds over layers made anew."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise
from math import pi

import numpy as np
import pytest
from low_clip import LOW_CLIP, low_kit

from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles
from gcodetools.jobs.accounts import sentences
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.target import Done

PARTS = (Placement(LOW_CLIP, 60, 110), Placement("shelf-hook", 130, 110))


@cache
def applied(*treatments: tuple[str, str]) -> Applied:
    """A clip and a hook; treatments of the demo's kit replaced. Worked out once: nobody changes it."""
    text = low_kit()
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
    assert told["perimeters"][0]["layers"][0] == 1 and told["perimeters"][-1]["layers"][1] == 60
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


HOOK = """\
beadwright: 1
kit: hook
material: petg
parts:
  hook:
    found_by: {label: "shelf-hook*", outline: [[[-9, -6], [9, -6], [9, 3], [6, 6], [-9, 6]]]}
    regions:
      low: {within: {slab: {z: [1, 8]}}, treat: %s}
"""


def hook(treat: str, convention: str = "B", sets: tuple[str, ...] = (), parts=PARTS[1:]) -> Applied:
    kit = kit_from_bytes((HOOK % treat).encode(), "hook.kit.yaml")
    plate = Plate.from_bytes(make(convention, parts=parts).data, "plate.gcode")
    return apply_plate(plate, kit, Options((), sets=sets))


def told_mm(ran: Applied, setting: str, pattern: str) -> float:
    (text,) = [a["done"] for a in ran.record["regions"] if a["treatment"] == setting]
    return float(re.search(pattern, text)[1])


def test_new_beads_count_for_speed_and_flow():
    """Checked on the text: what is at the cap there, new or old, is what is told."""
    ran = hook("{infill: solid, speed: {max: 17}, flow: {scale: 105%}}")
    new = told_mm(ran, "infill", r"(\d+) mm of new beads")
    assert new > 500
    for setting in ("speed", "flow"):
        assert told_mm(ran, setting, r"and (\d+) mm of new beads") == pytest.approx(new, abs=2)
    after = ran.treated.plate
    at_cap = after.beads.is_bead & (np.abs(after.moves.f - 17.0) < 0.01)
    whole = told_mm(ran, "speed", r"over (\d+) mm") + told_mm(ran, "speed", r"and (\d+) mm of new")
    assert float(after.beads.length_mm[at_cap].sum()) == pytest.approx(whole, rel=0.01)


def test_of_new_beads_only_those_at_the_cap_count():
    assert "new beads" not in "".join(
        a["done"]
        for a in hook("{infill: solid, speed: {max: 290}}").record["regions"]
        if a["treatment"] == "speed"
    )


@pytest.mark.parametrize("convention", ["B", "E0"])
def test_mass_and_money_added_are_those_of_the_costs(convention):
    """The file states 1.27 g/cm3; with another density in the material there are still one mass and one source."""
    ran = hook("{flow: {scale: 108%}, infill: solid}", convention, ("material.density_g_cm3=1.1",))
    assert ran.profiles.material_from == "kit"
    for key in ("mass_g", "cost"):
        whole = ran.record["costs"]["added"]["whole"][key]
        assert ran.record["added"][key]["best"] == pytest.approx(whole, rel=1e-3) and whole > 0
    text = (HOOK % "{flow: {scale: 108%}, infill: solid}").replace("material: petg\n", "")
    data = make(convention, parts=PARTS[1:]).data.replace(b"ensity = 1.27", b"ensity = 1.1").replace(
        b"ensity,1.27", b"ensity,1.1"
    )  # fmt: skip
    plate = Plate.from_bytes(data, "plate.gcode")
    assert plate.settings.density_g_cm3 == 1.1
    stated = apply_plate(plate, kit_from_bytes(text.encode(), "hook.kit.yaml"), Options(())).record
    assert stated["added"]["mass_g"]["best"] == pytest.approx(
        stated["costs"]["added"]["whole"]["mass_g"], rel=1e-3
    )
    assert "density 1.1 g/cm3 from the file's settings" in stated["added"]["mass_g"]["source"]


@pytest.mark.parametrize(
    ("convention", "grams", "cost"),
    [
        ("E0", rb"Plastic weight: ([\d.]+) g", rb"Material cost: ([\d.]+)"),
        ("I", rb"\n; total filament used \[g\] = ([\d.]+)", rb"\n; total filament cost = ([\d.]+)"),
        ("I", rb"\n; filament used \[g\] = ([\d.]+)", rb"\n; filament cost = ([\d.]+)"),
    ],
)
def test_the_file_s_own_cost_goes_with_its_grams(convention, grams, cost):
    text = (HOOK % "{flow: {scale: 108%}, infill: solid}").encode()
    data = make(convention, parts=PARTS[1:]).data
    was = re.search(cost, data)
    data = data[: was.start(1)] + b"12.3456" + data[was.end(1) :]
    ran = apply_plate(Plate.from_bytes(data, "p.gcode"), kit_from_bytes(text, "hook.kit.yaml"), Options(()))
    out = ran.treated.render()
    before, after = (float(re.search(grams, side)[1]) for side in (data, out))
    assert after > before * 1.2
    assert float(re.search(cost, out)[1]) == pytest.approx(12.3456 * after / before, rel=0.01)


def test_what_the_start_code_draws_is_in_no_layer_and_no_height_is_minus_nought():
    kit = kit_from_bytes(
        (HOOK % "{nozzle: {add: 10}, force: true}").replace("[1, 8]", "[0, 8]").encode(), "k"
    )
    ran = apply_plate(Plate.from_bytes(make("B", parts=PARTS[1:]).data, "p.gcode"), kit, Options(()))
    assert min(hold["layers"][0] for hold in ran.record["holds"]) == 1
    heights = [z for item in ran.record["spill"] for band in item.get("bands", ()) for z in band["z_mm"]]
    assert heights and not any(str(z).startswith("-0") for z in heights)


def test_a_warning_is_short_and_names_part_region_setting_and_reason(demo):
    why = (
        "other islands: no room inside the walls on layer 28; nothing carries 620 mm on layers 21-22 (spans over "
        "5 mm), filling begins in full at layer 23; `from_below` starts earlier, `over_air` lays them all the same"
    )
    done = "; ".join(f"{k} perimeters on layers {k}-{k + 9}" for k in range(20))
    many = [
        Done("clip", k, "mid", "perimeters", "fill the room", done, why, warning=True) for k in range(1, 24)
    ]
    held = "held back on 6 of 30 layers: layer 4.9 s, 10 s needed (modelled; add `rest`, `speed` or `force`)"
    nozzle = Done("clip", 1, "mid", "nozzle", "+10 C", "240 C " + "x" * 120, held, warning=True)
    endless = Done("clip", 1, "m" * 60, "fan", "at most 25%", "word " * 40, "word " * 99, warning=True)
    short = Done("clip", 1, "mid", "rest", "2 s", "nothing", "no place", warning=True)
    said = sentences(demo.treated, [*many, nozzle, endless, short], demo.treated.original)[:4]
    assert all(len(text) < 200 for text in said)
    assert said[0] == (
        "clip/mid (23 instances): perimeters fill the room: nothing carries 620 mm on layers 21-22 (spans over "
        "5 mm), filling begins in full at layer 23; more in the region's own entry and with --json"
    )
    assert said[1] == f"clip#1/mid: nozzle +10 C: {held}; more in the region's own entry and with --json"
    assert " ...; more in" in said[2]
    assert said[3] == "clip#1/mid: rest 2 s: nothing, no place"

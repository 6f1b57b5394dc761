"""Which way strength goes when one thing is changed: in the laws for every draw, and on plates from end to end.

None of these directions is fitted. Each is a statement of the page that says how the tool works; measured ones are
named where they are.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from bars import bar, instance, told
from shapely import box

from gcodetools.demo.maker import Placement, Recipe, make
from gcodetools.demo.shapes import Part
from gcodetools.documents.profiles import load_material
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.compare import compare_plates
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.kit.loads import OpenRing
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.loads import case_of, demand_of
from gcodetools.strength.spreads import Draws, band_of
from gcodetools.toolpath.plate import Plate

LAWS = {name: Law(load_material(name), Draws(300)) for name in ("petg", "pla", "abs", "asa", "pc")}
AGES = np.array([0.3, 1.0, 2.0, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0, 40.0, 80.0, 200.0, 1000.0])
FANS = np.linspace(0.0, 1.0, 6)


def ratios(name: str, **columns: object) -> np.ndarray:
    """(1 + d, n) of welds that differ in what is given."""
    law = LAWS[name]
    at = law.strength.reference
    usual = {
        "age_s": 10.0,
        "nozzle_c": at.nozzle_c.value,
        "fan": 0.4,
        "height_share": 0.44,
        "wall_mm": 0.9,
        "faces": 2.0,
    }
    n = max(np.size(value) for value in columns.values())
    return law.weld_ratio(Welds(**{key: np.ones(n) * value for key, value in {**usual, **columns}.items()}))


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("over_c", [-20.0, 0.0, 20.0])
def test_a_longer_layer_time_never_gains(name, over_c):
    """Under any fan, in walls and bodies, with any nozzle, in every draw; and in some it loses."""
    hot = LAWS[name].strength.reference.nozzle_c.value + over_c
    for fan in (0.0, 0.2, 0.4, 1.0):
        for wall, faces in ((0.45, 2.0), (0.9, 2.0), (2.4, 2.0), (10.0, 1.0)):
            found = ratios(name, age_s=AGES, fan=fan, wall_mm=wall, faces=faces, nozzle_c=hot)
            assert np.all(np.diff(found, axis=1) <= 1e-9)
            bond = LAWS[name].bonds(found)
            assert np.all(np.diff(bond, axis=1) <= 1e-9)
            assert bond[0, -1] < bond[0, 0]


@pytest.mark.parametrize("name", LAWS)
def test_more_fan_never_gains(name):
    lost = 0.0
    for age in AGES:
        for wall in (0.9, 2.4):
            found = ratios(name, fan=FANS, age_s=age, wall_mm=wall)
            assert np.all(np.diff(found, axis=1) <= 1e-9)
            lost = max(lost, 1.0 - float(found[0, -1] / found[0, 0]))
    assert lost > 0.05


@pytest.mark.parametrize("name", LAWS)
def test_a_thicker_wall_cools_less(name):
    found = ratios(name, wall_mm=np.array([0.45, 0.9, 1.6, 2.4, 6.0]), age_s=20.0)
    assert np.all(np.diff(found, axis=1) >= -1e-9)
    assert found[0, -1] > found[0, 0]


@pytest.mark.parametrize("name", ["abs", "asa", "pc"])
def test_a_hotter_nozzle_never_loses_where_no_table_says_so(name):
    hot = LAWS[name].strength.reference.nozzle_c.value + np.array([-30.0, -15.0, 0.0, 10.0, 20.0])
    for age in AGES:
        found = ratios(name, nozzle_c=hot, age_s=age)
        assert np.all(np.diff(found, axis=1) >= -1e-9)
        assert found[0, -1] > found[0, 0]


def test_petg_gains_from_215_to_235_and_loses_from_245_to_260():
    """CNC Kitchen 2020 (tests/published/data/strength_by_nozzle_c.csv, second-hand): 22 MPa at 215 C, 30 at 230,
    32 at 245, 24 at 260. Nine draws of ten must agree."""
    found = ratios("petg", nozzle_c=np.array([215.0, 235.0, 245.0, 260.0]))
    assert band_of(found[:, 1] / found[:, 0]).low > 1.0
    assert band_of(found[:, 3] / found[:, 2]).high < 1.0


@pytest.mark.parametrize("name", LAWS)
def test_wider_and_lower_beads_hold_better_across_layers(name):
    """Kuznetsov 2018: every nozzle of that table, row by row."""
    found = LAWS[name].shape_ratio(np.array([0.2 / 0.6, 0.2 / 0.45, 0.28 / 0.45, 0.28 / 0.4]))
    assert np.all(np.diff(found, axis=1) < 0)


def bars_of(**how: Any) -> Any:
    return told(instance(bar(3.0, 2, long=30.0, **how)), LAWS["petg"])


def test_wider_and_lower_beads_hold_better_in_a_bar():
    usual, lower, wider = (
        bars_of(width=width, height=height) for width, height in ((0.45, 0.25), (0.45, 0.15), (0.55, 0.25))
    )
    for better in (lower, wider):
        assert np.all(better.across_draws >= usual.across_draws - 1e-9)
        assert better.across.best > 1.02 * usual.across.best


def test_filling_a_zigzag_wall_makes_it_stiffer_and_stronger_along():
    zigzag, filled = bars_of(density=0.25, solid=False), bars_of(density=1.0, angle_deg=0.0)
    assert zigzag.wall.thickness_mm.median == pytest.approx(filled.wall.thickness_mm.median)
    assert filled.wall.ei_share.median > zigzag.wall.ei_share.median + 0.03
    assert np.all(filled.ei_share > zigzag.ei_share)
    assert np.all(filled.along_draws > zigzag.along_draws)


RING = {"bore_mm": 16.0, "gap_deg": 100.0, "onto_mm": 16.0, "height_mm": 30.0, "printed": "standing"}


def test_a_thicker_wall_strains_a_clip_more_and_a_filled_one_does_not():
    """At the same opening strain goes with thickness (any handbook: eps = M y / E I, and M goes with I); what fills
    a wall of the same thickness changes force alone."""
    law = LAWS["petg"]
    strains = [
        demand_of(OpenRing(**RING, wall_mm=wall), law.strength).strain for wall in (1.6, 2.0, 2.4, 3.0)
    ]
    assert np.all(np.diff(strains) > 0)
    ones = np.ones(len(law.draws))
    hollow, filled = (
        case_of(OpenRing(**RING, wall_mm=2.4), None, law, ones, share * ones, None) for share in (0.7, 0.92)
    )
    assert filled.demand == hollow.demand
    assert np.array_equal(filled.margin_draws, hollow.margin_draws)
    assert filled.stiffness_n_per_mm.best > hollow.stiffness_n_per_mm.best


# Plates, from G-code to the record.

# 16 layers, 6 of them solid.
TAB = Part("tab", 3.2, lambda z: box(-8, -1.2, 8, 1.2), (-8.0, 0.0))
HALVES = {
    "right": "within: {box: {x: [1, 8]}}",
    "left": "within: {box: {x: [-8, -1]}}",
    "whole": "within: {box: {x: [-9, 9]}}",
}
LOAD = "load: {cantilever: {length: 8, thickness: 2.4, width: 2.4, undercut: 0.3, printed: lying}}"
PRINTED = Options((), machine="desktop-220")


def kit(
    treat: dict[str, str] | None = None, order: tuple[str, ...] = ("right", "left"), only: str = "all"
) -> Kit:
    lines = ["beadwright: 1", "kit: tabs", "material: petg", "parts:", "  tab:"]
    lines += ['    found_by: {label: "tab*"}', f"    instances: {only}", "    regions:"]
    for name in order:
        lines += [f"      {name}:", "        role: clip", f"        {HALVES[name]}", f"        {LOAD}"]
        lines += [f"        treat: {treat[name]}"] if treat and name in treat else []
    return kit_from_bytes("\n".join(lines).encode(), "tabs.kit.yaml")


@cache
def tabs(count: int, convention: str = "B", **recipe: Any) -> Plate:
    parts = [Placement(TAB, 40 + 22 * (k % 3), 60 + 14 * (k // 3)) for k in range(count)]
    return Plate.from_bytes(make(convention, parts=parts, recipe=Recipe(**recipe)).data, "tabs.gcode")


def regions(plate: Plate, some: Kit) -> dict[str, dict[str, Any]]:
    record, _ = estimate_plate(plate, some, PRINTED)
    return {f"{one['part']}#{one['instance']}/{one['region']}": one for one in record["regions"]}


def strength_of(one: dict[str, Any]) -> dict[str, Any]:
    """What a region's record says of strength, nothing of time and mass."""
    keys = (
        "below_age_s",
        "contact",
        "bond",
        "strength_mpa",
        "wall",
        "stiffness_n_per_mm",
        "load",
        "notes",
        "sentence",
    )
    return {key: one[key] for key in keys if key in one}


def ends(band: dict[str, float]) -> np.ndarray:
    return np.array([band["low"], band["best"], band["high"]])


def test_nine_parts_on_the_plate_bond_no_better_than_one():
    """Nine times the layer time; the age of what is below follows it."""
    alone, among = regions(tabs(1), kit()), regions(tabs(9), kit())
    assert len(alone) == 2 and len(among) == 18
    for name, one in among.items():
        single = alone["tab#1/" + name.split("/")[1]]
        assert one["below_age_s"] > 5 * single["below_age_s"]
        for number in ("mean", "min"):
            assert np.all(ends(one["bond"][number]) <= ends(single["bond"][number]) + 1e-6)
        across = [ends(each["strength_mpa"]["across_layers"]) for each in (one, single)]
        assert np.all(across[0] <= across[1] + 1e-6)
        assert across[0][1] < 0.95 * across[1][1]


def test_a_plate_printed_colder_or_hotter_follows_the_table():
    """Nozzle of 215, 230, 245 and 260 C in the file's own commands: 22, 30, 32 and 24 MPa (second-hand, as above)."""
    data = make("B", parts=[Placement(TAB, 60, 60)]).data
    told_of = {}
    for hot in (215, 230, 245, 260):
        text = data.replace(b" S230", b" S%d" % hot)
        assert (text != data) == (hot != 230)
        told_of[hot] = regions(Plate.from_bytes(text, "tabs.gcode"), kit())["tab#1/left"]
        assert told_of[hot]["nozzle_c"]["reached_mean"] == pytest.approx(hot, abs=0.5)
    level = {hot: one["strength_mpa"]["across_layers"]["best"] for hot, one in told_of.items()}
    for hot, measured in {215: 22, 245: 32, 260: 24}.items():
        assert level[hot] / level[230] == pytest.approx(measured / 30, rel=0.01)


def test_a_plate_of_lower_or_wider_beads_holds_better():
    usual = regions(tabs(3, layer_mm=0.3), kit())["tab#2/left"]["strength_mpa"]["across_layers"]
    for better in ({"layer_mm": 0.2}, {"layer_mm": 0.3, "width_mm": 0.55}):
        found = regions(tabs(3, **better), kit())["tab#2/left"]["strength_mpa"]["across_layers"]
        assert found["best"] > usual["best"]


@cache
def treated(
    setting: str, convention: str = "B"
) -> tuple[dict[str, dict[str, Any]], dict[str, dict[str, Any]]]:
    """Records of three tabs before and after the whole of the first one got a setting."""
    some = kit({"whole": setting}, order=("whole",), only="[1]")
    plate = tabs(3, convention)
    after = Plate.from_bytes(apply_plate(plate, some, PRINTED).treated.render(), "treated.gcode")
    return regions(plate, kit()), regions(after, kit())


def leaves(value: Any, path: str = "") -> dict[str, Any]:
    """Every number and word of a record by its path."""
    if isinstance(value, dict | list):
        pairs = value.items() if isinstance(value, dict) else enumerate(value)
        return {key: leaf for name, item in pairs for key, leaf in leaves(item, f"{path}/{name}").items()}
    return {path: value}


def changed(before: dict[str, dict[str, Any]], after: dict[str, dict[str, Any]]) -> set[str]:
    """Regions whose strength is told otherwise. More plastic turns the extruder faster at corners, which moves the
    clock by microseconds and numbers by millionths; that is no change."""
    found = set()
    for name in before:
        one, other = (leaves(strength_of(side[name])) for side in (before, after))
        words = {key for key, leaf in one.items() if isinstance(leaf, str)}
        same = one.keys() == other.keys() and all(one[key] == other[key] for key in words)
        if not same or any(
            other[key] != pytest.approx(one[key], rel=5e-6, abs=2e-6) for key in one.keys() - words
        ):
            found.add(name)
    return found


@pytest.mark.parametrize("convention", ["B", "A"])
def test_flow_in_one_part_changes_no_other(convention):
    """Flow keeps times, nozzle, fan and rows: all other parts are told as before."""
    before, after = treated("{flow: {scale: 110%}}", convention)
    assert changed(before, after) <= {"tab#1/right", "tab#1/left"}


@pytest.mark.parametrize(
    "convention",
    [
        "B",
        "A",
    ],
)
def test_flow_is_seen(convention):
    """A tenth more plastic: wider beads, more fill, more of both strengths."""
    before, after = treated("{flow: {scale: 110%}}", convention)
    assert changed(before, after) == {"tab#1/right", "tab#1/left"}
    first, then = (side["tab#1/right"] for side in (before, after))
    assert then["wall"]["fill"] > first["wall"]["fill"]
    for way in ("across_layers", "along_beads"):
        assert then["strength_mpa"][way]["best"] >= first["strength_mpa"][way]["best"]


def test_perimeters_in_one_part_change_no_other_parts_beads():
    """They take time, so what is laid on them is younger or older elsewhere; section and strength along beads stay."""
    before, after = treated("{perimeters: {fill: true}}")
    for name, one in before.items():
        for same in ("wall", "stiffness_n_per_mm", "contact"):
            assert (one[same] == after[name][same]) != name.startswith("tab#1/")
    first, then = (side["tab#1/right"]["stiffness_n_per_mm"]["best"] for side in (before, after))
    assert then > first


def test_a_slow_region_ages_what_the_others_are_laid_on():
    """Speed changes times alone: no region gains, by cause of age, and none changes its section."""
    before, after = treated("{speed: {scale: 40%}}")
    for name, one in before.items():
        assert after[name]["below_age_s"] > one["below_age_s"]
        assert np.all(ends(after[name]["bond"]["mean"]) <= ends(one["bond"]["mean"]) + 1e-6)
        assert after[name]["wall"] == one["wall"]
        assert after[name]["strength_mpa"]["along_beads"] == one["strength_mpa"]["along_beads"]


def test_an_untreated_plate_against_itself_has_not_changed():
    record, _ = compare_plates(tabs(3), tabs(3), kit(), PRINTED)
    said = _means(record)
    assert len(said) == 6
    assert set(said) == {"the same beads in both: no change"}


def _means(value: Any) -> list[str]:
    """Every `means` of a record, wherever it stands."""
    if isinstance(value, dict):
        own = [value["means"]] if isinstance(value.get("means"), str) else []
        return own + [each for item in value.values() for each in _means(item)]
    return [each for item in value for each in _means(item)] if isinstance(value, list) else []


def test_the_order_of_regions_in_the_kit_does_not_matter():
    one, other = (regions(tabs(3), kit(order=order)) for order in (("right", "left"), ("left", "right")))
    assert one == other
    assert list(one) != list(other)


def test_other_regions_in_the_kit_do_not_matter():
    both, alone = regions(tabs(3), kit()), regions(tabs(3), kit(order=("left",)))
    assert {name: both[name] for name in alone} == alone

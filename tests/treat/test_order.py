"""What treatments make of their settings: held, capped, refused, shared between regions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gcodetools.documents.profiles import load_machine, load_material
from gcodetools.errors import Refused
from gcodetools.kit.settings import Accel, Fan, Fit, Flow, Nozzle, Rest, Speed, Treatment
from gcodetools.treat.asks import layer_words
from gcodetools.treat.limits import bounds_of, check_limits
from gcodetools.treat.order import draft_of

BRIDGES = (5, 6)
HOT = "fast-250"  # its hotend bears more than PETG may have


def states(plate, name, rows):
    track = plate.program.states.nozzle[0] if name == "nozzle" else getattr(plate.program.states, name)
    return track.at(plate.moves.line[rows])


def beads_in(plate, layers, features=None):
    bead = plate.beads
    mine = (bead.feature != 0) & (bead.layer >= layers[0]) & (bead.layer <= layers[1])
    return np.flatnonzero(mine & np.isin(bead.feature, features) if features else mine)


def only(done, setting):
    found = [d for d in done if d.setting == setting]
    assert len(found) == 1, done
    return found[0]


def test_a_rise_past_the_measured_peak_is_done_up_to_it_and_says_so(case):
    one = case()
    treated, done = one.run(one.work(Treatment(nozzle=Nozzle(add_c=25.0))), machine=load_machine(HOT))
    answer = only(done, "nozzle")
    assert answer.asked == "+25 C" and answer.done.startswith("245 C over plate layers 5-9, reached")
    assert "measured peak of 245 C" in answer.why and answer.warning and not answer.refused
    after = treated.plate
    told = states(after, "nozzle", beads_in(after, (0, 11)))
    # Up in steps of at most 10 C before the region's first bead, down again by the end; never beyond.
    assert np.all(states(after, "nozzle", beads_in(after, (4, 7))) == 245.0)
    assert told.max() == 245.0 and told[0] == told[-1] == 230.0
    assert np.abs(np.diff(told)).max() <= 10.0


def test_a_nozzle_beyond_the_range_is_refused_with_line_value_and_limits(case):
    one = case()
    work = one.work(Treatment(nozzle=Nozzle(set_c=275.0)))
    line = int(one.plate.moves.line[work[0].selection.row[0]]) + 1
    with pytest.raises(Refused) as found:
        one.run(work, machine=load_machine(HOT))
    assert str(found.value).startswith(f"gates.gcode:{line}: gate#1/lips: `nozzle: {{set: 275}}`")
    assert "275 C, allowed are 220 to 260 C (material petg)" in found.value.cause
    with pytest.raises(Refused, match="allowed are 220 to"):
        one.run(one.work(Treatment(nozzle=Nozzle(add_c=-40.0))), machine=load_machine(HOT))


def test_the_hint_goes_the_way_that_is_missing(case):
    one = case()
    with pytest.raises(Refused, match=r"`nozzle: \{add: -60\}` would print this bead at 170 C") as cold:
        one.run(one.work(Treatment(nozzle=Nozzle(add_c=-60.0))))
    with pytest.raises(Refused, match=r"`nozzle: \{set: 400\}` would print this bead at 400 C") as hot:
        one.run(one.work(Treatment(nozzle=Nozzle(set_c=400.0))))
    assert "less" not in str(cold.value.hint) and "hotter" in str(cold.value.hint)
    assert "Ask for less" in str(hot.value.hint)


@pytest.mark.parametrize("add_c", [8.0, 25.0, -5.0])
def test_where_the_material_is_only_assumed_and_does_not_fit_it_is_to_be_named(case, add_c):
    """The file prints at 205 C: what PETG may do says nothing about it, whether it would allow the rise or not."""
    one = case()
    cool = one.plate.program.lines.data.replace(b"M109 S230", b"M109 S205").replace(
        b"M104 S230", b"M104 S205"
    )
    plate = type(one.plate).from_bytes(cool, "cool.gcode")
    work = one.work(Treatment(nozzle=Nozzle(add_c=add_c)))
    layer_s = np.full(len(plate.layers), 60.0)

    def drafted(assumed: bool, material: str = "petg"):
        bounds = bounds_of(plate, load_material(material), None, assumed)
        return draft_of(plate, [work], bounds, layer_s, (np.nan, np.nan))

    with pytest.raises(
        Refused, match=r"prints this bead at 205 C; PETG is only assumed.* 220 to 260 C"
    ) as found:
        drafted(True)
    assert "--material" in str(found.value.hint) and "less" not in str(found.value.hint)
    drafted(False, "pla")


def test_an_assumed_material_that_fits_is_no_hindrance(case):
    one = case()
    work = one.work(Treatment(nozzle=Nozzle(add_c=8.0)))
    bounds = bounds_of(one.plate, one.material, None, True)
    _, done, _ = draft_of(one.plate, [work], bounds, np.full(len(one.plate.layers), 60.0), (np.nan, np.nan))
    assert only(done, "nozzle").done.startswith("238 C")


def test_with_no_machine_named_240_c_is_the_limit(case):
    one = case()
    treated, _ = one.run(one.work(Treatment(nozzle=Nozzle(set_c=240.0))))
    assert b"M104 S240\n" in treated.output
    with pytest.raises(Refused, match=r"allowed are 220 to 240 C .no machine named, so at most 240 C"):
        one.run(one.work(Treatment(nozzle=Nozzle(set_c=241.0))))


def test_with_no_machine_named_the_file_s_hottest_bead_may_raise_the_limit(case):
    one = case()
    hot = one.plate.program.lines.data.replace(b"M109 S230", b"M109 S252").replace(b"M104 S230", b"M104 S300")
    one.plate = type(one.plate).from_bytes(hot, "hot.gcode")
    treated, done = one.run(one.work(Treatment(nozzle=Nozzle(set_c=250.0))))
    # The peak caps only what rises above the file's own value.
    assert b"M104 S250\n" in treated.output and only(done, "nozzle").done.startswith("250 C")
    with pytest.raises(Refused, match="at most 252 C"):
        one.run(one.work(Treatment(nozzle=Nozzle(add_c=1.0))))


def test_an_unknown_base_is_refused_and_a_named_one_used(case):
    one = case(macro_start=True)
    for setting in (Nozzle(add_c=8.0), Nozzle(set_c=238.0)):
        treated, done = one.run(one.work(Treatment(nozzle=setting)))
        assert only(done, "nozzle").refused and "base" in only(done, "nozzle").why
        assert treated.output == one.plate.program.lines.data
        treated, done = one.run(one.work(Treatment(nozzle=setting)), base=(230.0, 0.0))
        assert treated.output.count(b"M104 S238\n") == 1 and treated.output.count(b"M104 S230\n") == 1


@pytest.mark.parametrize(
    ("treatment", "setting"),
    [(Treatment(nozzle=Nozzle(add_c=8.0)), "nozzle"), (Treatment(fan=Fan(cap=0.25)), "fan")],
)
def test_layers_that_are_too_fast_hold_back_a_rise_or_a_cut(case, treatment, setting):
    one = case()
    treated, done = one.run(one.work(treatment), layer_s=6.1)
    answer = only(done, setting)
    assert answer.done == "nothing" and answer.warning
    assert "layer 6.1 s, 10 s needed" in answer.why
    assert treated.output == one.plate.program.lines.data


@pytest.mark.parametrize("way", [{"force": True}, {"rest": Rest(6.0)}, {"speed": Speed(scale=0.5)}])
def test_force_rest_or_speed_override_what_is_held_back(case, way):
    one = case()
    _, done = one.run(one.work(Treatment(fan=Fan(cap=0.25), **way)), layer_s=6.1)
    assert only(done, "fan").done.startswith("25% over")


def test_a_fall_of_the_nozzle_and_a_rise_of_the_fan_are_never_held_back(case):
    one = case()
    treatment = Treatment(nozzle=Nozzle(add_c=-8.0), fan=Fan(add=0.2))
    _, done = one.run(one.work(treatment), layer_s=6.1)
    assert only(done, "nozzle").done.startswith("222 C") and only(done, "fan").done.startswith("60%")


def test_the_fan_is_never_raised_where_the_file_keeps_it_at_0(case):
    one = case()
    for setting in (Fan(set=0.8), Fan(add=0.3), Fan(cap=0.9)):
        treated, _ = one.run(one.work(Treatment(fan=setting), layers=(0, 6)))
        assert np.all(states(treated.plate, "fan", beads_in(treated.plate, (0, 2))) == 0.0)
    treated, _ = one.run(one.work(Treatment(fan=Fan(set=0.8)), layers=(0, 6)))
    assert np.all(states(treated.plate, "fan", beads_in(treated.plate, (3, 5))) == 0.8)


def test_bridge_beads_keep_their_fan_unless_told(case):
    one = case()
    bridges = beads_in(one.plate, (6, 6), (5,))
    assert len(bridges) and np.all(states(one.plate, "fan", bridges) == 1.0)
    kept, _ = one.run(one.work(Treatment(fan=Fan(cap=0.2))))
    rows = beads_in(kept.plate, (6, 6), (5,))
    assert np.all(states(kept.plate, "fan", rows) == 1.0)
    others = np.setdiff1d(beads_in(kept.plate, (4, 8)), beads_in(kept.plate, (4, 8), BRIDGES))
    others = others[kept.plate.moves.x[others] < 105]
    assert np.all(states(kept.plate, "fan", others) == 0.2)
    told, _ = one.run(one.work(Treatment(fan=Fan(cap=0.2, bridges=True))))
    rows = beads_in(told.plate, (6, 6), (5,))
    mine = told.plate.moves.x[rows] < 105
    assert np.all(states(told.plate, "fan", rows[mine]) == 0.2)
    assert np.all(states(told.plate, "fan", rows[~mine]) == 1.0)


def test_the_first_region_wins_setting_by_setting_and_the_overlap_is_told(case):
    one = case()
    slow = one.work(Treatment(speed=Speed(max_mm_s=20.0)), layers=(4, 6), region="lips")
    both = one.work(
        Treatment(speed=Speed(max_mm_s=10.0), flow=Flow(scale=1.02)), layers=(6, 8), region="ribs"
    )
    draft, done = one.draft(slow, both)
    layer = one.plate.beads.layer[draft.row]
    assert np.nanmax(draft.feed[layer == 6]) <= 20.0 and np.nanmin(draft.feed[layer == 6]) > 10.0
    assert np.nanmax(draft.feed[layer == 7]) == 10.0
    inner = (one.plate.beads.feature[draft.row] > 1) & (layer == 6) & (one.plate.moves.x[draft.row] < 105)
    assert np.all(draft.flow[inner] == 1.02)
    told = next(d for d in done if d.region == "ribs" and d.setting == "speed")
    assert "belong to a region written earlier" in told.why
    _, quiet = one.draft(both)
    assert all("earlier" not in d.why for d in quiet)


def test_the_outermost_perimeter_keeps_its_flow_unless_told(case):
    one = case()
    draft, _ = one.draft(one.work(Treatment(flow=Flow(scale=1.04))))
    outermost = one.plate.beads.feature[draft.row] == 1
    assert np.all(np.isnan(draft.flow[outermost])) and np.any(draft.flow == 1.04)
    draft, done = one.draft(one.work(Treatment(flow=Flow(scale=1.04, outer=True))))
    assert np.any(draft.flow[outermost] == 1.04)
    # Width 0.45, height 0.2: area (0.45 - 0.2) 0.2 + pi 0.01 = 0.0814; 4 % of it over the height, halved.
    assert "outside moves by +0.008 mm a side (+0.000 to +0.008" in only(done, "flow").why


def test_more_than_the_melt_rate_is_refused_with_the_line(case):
    one = case()
    told = r"gates.gcode:\d+: the treated bead would need .* melt rate of petg is 8 mm3/s"
    with pytest.raises(Refused, match=told):
        one.draft(one.work(Treatment(speed=Speed(scale=4.0))))
    draft, _ = one.draft(one.work(Treatment(speed=Speed(scale=1.2))))
    assert np.nanmax(draft.feed) > 0


def test_the_melt_rate_goes_by_the_diameter_that_the_file_states(case):
    one = case()
    faster = one.work(Treatment(speed=Speed(scale=1.2)))
    one.plate = replace(one.plate, settings=replace(one.plate.settings, filament_diameter_mm=2.85))
    with pytest.raises(Refused, match="the melt rate of petg"):
        one.draft(faster)


def test_what_the_file_itself_exceeds_is_a_warning(case):
    one = case()
    fast = one.plate.program.lines.data.replace(b"F3600", b"F36000").replace(b"F2700", b"F27000")
    one.plate = type(one.plate).from_bytes(fast, "fast.gcode")
    draft, _ = one.draft(one.work(Treatment(speed=Speed(scale=0.9))))
    warnings = check_limits(draft, bounds_of(one.plate, one.material, None))
    assert any("the file asked for that itself" in text for text in warnings)


def test_acceleration_is_capped_and_never_raised(case):
    one = case()
    treated, done = one.run(one.work(Treatment(accel=Accel(1200.0))))
    rows = beads_in(treated.plate, (4, 8))
    rows = rows[treated.plate.moves.x[rows] < 105]
    own = states(one.plate, "accel", beads_in(one.plate, (4, 8)))
    assert own.max() > 1200.0 and own.min() < 1200.0
    assert states(treated.plate, "accel", rows).max() == 1200.0
    assert states(treated.plate, "accel", rows).min() == own.min()
    _, done = one.run(one.work(Treatment(accel=Accel(9000.0))))
    assert only(done, "accel").done == "nothing"


def test_unknown_acceleration_is_refused(case):
    one = case("J")
    treated, done = one.run(one.work(Treatment(accel=Accel(500.0))))
    assert only(done, "accel").refused and "none to return to" in only(done, "accel").why
    assert treated.output == one.plate.program.lines.data


def test_a_rest_is_once_a_layer_however_many_regions_ask(case):
    one = case()
    first = one.work(Treatment(rest=Rest(6.0)), layers=(4, 6))
    second = one.work(Treatment(rest=Rest(9.0)), layers=(5, 8), instance=2)
    draft, done = one.draft(first, second)
    assert [(r.layer, r.seconds) for r in draft.rests] == [(4, 6.0), (5, 6.0), (6, 6.0), (7, 9.0), (8, 9.0)]
    assert done[1].done == "9 s before 2 layers" and "2 layers rest for an earlier region" in done[1].why


def test_no_rest_is_asked_before_the_first_layer_of_an_object(case):
    one = case(sequential=True)
    later = int(np.flatnonzero(np.diff(one.plate.layers.run))[0]) + 1
    draft, _ = one.draft(one.work(Treatment(rest=Rest(6.0)), layers=(later, later + 2), instance=2))
    assert [r.layer for r in draft.rests] == [later + 1, later + 2]


def test_only_settings_that_act_on_beads_cut_them(case):
    one = case()
    held, _ = one.draft(one.work(Treatment(nozzle=Nozzle(add_c=8.0), fan=Fan(cap=0.2)), t=(0.2, 0.8)))
    assert len(held.row) == len(one.plate.moves)
    cut, _ = one.draft(one.work(Treatment(speed=Speed(scale=0.5)), t=(0.2, 0.8)))
    feature = one.plate.beads.feature[cut.row[cut.t0 > 0]]
    assert len(feature) and not np.any(feature == 1)
    named, _ = one.draft(one.work(Treatment(speed=Speed(scale=0.5)), t=(0.2, 0.8), beads="perimeters"))
    assert np.any(one.plate.beads.feature[named.row[named.t0 > 0]] == 1)
    inside = (cut.t0 >= 0.2 - 1e-9) & (cut.t1 <= 0.8 + 1e-9)
    assert np.all(np.isnan(cut.feed[(cut.t1 <= 0.2 + 1e-9) | (cut.t0 >= 0.8 - 1e-9)]))
    assert not np.any(np.isnan(cut.feed[inside]))


def test_a_kit_with_only_nozzle_and_fan_changes_no_move(case):
    one = case()
    treated, _ = one.run(one.work(Treatment(nozzle=Nozzle(add_c=8.0), fan=Fan(cap=0.2)), t=(0.2, 0.8)))
    for name in ("x", "y", "z", "e", "f", "kind"):
        assert np.array_equal(getattr(treated.moves, name), getattr(one.plate.moves, name))


def test_object_after_object_has_one_hold_an_object(case):
    one = case(sequential=True)
    run = one.plate.layers.run
    second = int(np.flatnonzero(run == 1)[0])
    works = [
        one.work(Treatment(nozzle=Nozzle(add_c=8.0)), layers=(4, 8)),
        one.work(Treatment(nozzle=Nozzle(add_c=8.0)), layers=(second + 4, second + 8), instance=2),
    ]
    treated, _ = one.run(*works)
    assert treated.output.count(b"M104 S238\n") == 2
    assert treated.output.count(b"M104 S230\n") == one.plate.program.lines.data.count(b"M104 S230\n") + 2


def test_instances_side_by_side_share_one_hold(case):
    one = case()
    works = [one.work(Treatment(nozzle=Nozzle(add_c=8.0)), instance=k) for k in (1, 2)]
    treated, done = one.run(*works)
    assert treated.output.count(b"M104 S238\n") == 1 and len(treated.draft.holds) == 1
    assert treated.draft.holds[0].regions == ("gate#1/lips", "gate#2/lips")
    assert [d.done.split(",")[0] for d in done] == ["238 C over plate layers 5-9"] * 2


def test_a_moved_wall_comes_before_what_acts_on_beads(case):
    one = case()
    treated, done = one.run(one.work(Treatment(fit=Fit(-0.05), speed=Speed(scale=0.5))))
    assert only(done, "fit").done.startswith("walls moved by -0.05 mm over ")
    assert only(done, "speed").done and treated.audit().differing == 0
    assert treated.moves.x.min() > one.plate.moves.x.min() - 1e-9


def test_a_region_without_a_bead_s_midpoint_says_so(case):
    one = case()
    _, done = one.run(one.work(Treatment(fan=Fan(cap=0.2)), t=(0.0, 0.01), features=(1,)))
    assert only(done, "fan").done == "nothing" and "no bead has its midpoint" in only(done, "fan").why


def test_speeds_that_are_all_one_are_said_once(case):
    one = case()
    slowed = only(one.run(one.work(Treatment(speed=Speed(max_mm_s=12.0))))[1], "speed")
    assert slowed.done.startswith("12 mm/s over ")
    scaled = only(one.run(one.work(Treatment(speed=Speed(scale=0.5))))[1], "speed")
    low, to, high = scaled.done.split(" mm/s")[0].split(" ")
    assert to == "to" and float(low) < float(high)


def test_a_fan_hold_leaves_out_the_layers_without_fan(case):
    """The demo's fan is off on the first three layers and at 40 % from then on."""
    one = case()
    treated, done = one.run(one.work(Treatment(fan=Fan(cap=0.25)), layers=(0, 6)))
    answer = only(done, "fan")
    assert answer.done.startswith("25% over plate layers 4-7, reached") and not answer.warning
    (hold,) = treated.draft.holds
    column = treated.draft.fan[hold.first : hold.last]
    assert hold.first == one.plate.layers.first_row[3]
    assert np.unique(column[~np.isnan(column)]).tolist() == [0.25]


def test_a_region_without_fan_gets_no_hold(case):
    one = case()
    treated, done = one.run(one.work(Treatment(fan=Fan(set=0.8)), layers=(0, 2)))
    answer = only(done, "fan")
    assert (answer.done, answer.why) == ("nothing", "the file keeps the fan at 0 there")
    assert not answer.warning and treated.draft.holds == []


def test_what_was_asked_is_said_in_the_words_of_a_kit(case):
    one = case()
    _, done = one.run(one.work(Treatment(flow=Flow(scale=1.04, outer=True)), layers=(90, 91)))
    assert only(done, "flow").asked == "scale 1.04, outer true"


def test_one_layer_is_no_layers():
    assert layer_words([(0, 0)]) == "plate layer 1"
    assert layer_words([(0, 2)]) == "plate layers 1-3"
    assert layer_words([(0, 0), (4, 4)]) == "plate layers 1, 5"

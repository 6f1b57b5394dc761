"""Treatments: settings read, merged and looked up; the profiles that come along."""

import pytest

from gcodetools.documents import profiles
from gcodetools.errors import InputError
from gcodetools.kit.schema import kit_from_bytes, resolve_treatment
from gcodetools.kit.settings import (
    Accel,
    Fan,
    Fit,
    Flow,
    Nozzle,
    Perimeters,
    Rest,
    Speed,
    Treatment,
    load_treatment,
)
from gcodetools.treat.order import BUILT, GEOMETRY

KIT = """\
beadwright: 1
kit: k
parts:
  film-clip:
    found_by: {label: clip}
    regions:
      lips: {within: all, treat: supple}
      rest: {within: all}
treatments:
  supple: {perimeters: {fill: true}, fan: {cap: 25%}}
  stout: {infill: solid, nozzle: {add: 8}, fan: {cap: 30%}}
"""


def kit(text=KIT, folder=None):
    return kit_from_bytes(text.encode(), "h.kit.yaml", folder)


def changed(old, new):
    assert old in KIT
    return KIT.replace(old, new, 1)


def refusal(text, folder=None):
    with pytest.raises(InputError) as caught:
        kit(text, folder)
    assert caught.value.hint
    return caught.value.cause


def treat(text):
    one = kit(changed("rest: {within: all}", f"rest: {{within: all, treat: {text}}}"))
    return resolve_treatment(one, one.parts["film-clip"].regions["rest"])


@pytest.mark.parametrize(
    ("text", "setting", "value"),
    [
        (
            "{perimeters: {add: 2, over_air: true, from_below: 3}}",
            "perimeters",
            Perimeters(add=2, over_air=True, from_below=3),
        ),
        ("{perimeters: {fill: true}}", "perimeters", Perimeters(fill=True)),
        ("{infill: solid}", "infill", "solid"),
        ("{nozzle: {add: -5}}", "nozzle", Nozzle(add_c=-5)),
        ("{nozzle: {set: 400}}", "nozzle", Nozzle(set_c=400)),
        ("{fan: {cap: 25%, bridges: true}}", "fan", Fan(cap=0.25, bridges=True)),
        ("{fan: {set: 0}}", "fan", Fan(set=0.0)),
        ("{fan: {scale: 50%}}", "fan", Fan(scale=0.5)),
        ("{fan: {add: -10%}}", "fan", Fan(add=-0.1)),
        ("{speed: {scale: 0.8}}", "speed", Speed(scale=0.8)),
        ("{speed: {max: 30}}", "speed", Speed(max_mm_s=30)),
        ("{flow: {scale: 300%}}", "flow", Flow(3.0)),
        ("{flow: {scale: 1.04, outer: true}}", "flow", Flow(1.04, True)),
        ("{accel: {max: 800}}", "accel", Accel(800)),
        ("{rest: {seconds: 6}}", "rest", Rest(6)),
        ("{fit: {offset: -0.05}}", "fit", Fit(-0.05)),
        ("{force: true, fan: {set: 0%}}", "force", True),
    ],
)
def test_setting_is_read(text, setting, value):
    assert getattr(treat(text), setting) == value


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("{perimeters: {}}", "treat.perimeters: found none of add, fill"),
        ("{perimeters: {add: 1, fill: true}}", "treat.perimeters: found add and fill"),
        ("{perimeters: {fill: false}}", "treat.perimeters.fill: found false, expected true"),
        ("{perimeters: {add: 0}}", "treat.perimeters.add: found 0"),
        ("{nozzle: 240}", "treat.nozzle: found 240, expected a mapping such as {add: 8} or {set: 240}"),
        ("{nozzle: {set: 501}}", "treat.nozzle.set: found 501, expected a number in C from 0 to 500"),
        ("{nozzle: {add: 8%}}", "treat.nozzle.add: found '8%', expected a number in C"),
        ("{fan: {cap: 25%, set: 25%}}", "treat.fan: found cap and set"),
        ("{fan: {cap: -1%}}", "treat.fan.cap: found '-1%'"),
        ("{fan: {set: 101%}}", "treat.fan.set: found '101%'"),
        (
            "{fan: {add: 10}}",
            "treat.fan.add: found 10, expected a percentage with its sign from -100% to 100%: write 10%",
        ),
        ("{fan: {cap: 25%, bridges: maybe}}", "treat.fan.bridges: found 'maybe', expected true or false"),
        ("{speed: {scale: 80}}", "treat.speed.scale: found 80, expected a factor such as 1.05"),
        ("{speed: {max: 0}}", "treat.speed.max: found 0, expected a number in mm/s from 0.1 to 2000"),
        ("{flow: {}}", "treat.flow: found no key 'scale'"),
        ("{flow: {scale: 11}}", "treat.flow.scale: found 11"),
        ("{flow: {scale: -5%}}", "treat.flow.scale: found '-5%'"),
        ("{accel: {max: -1}}", "treat.accel.max: found -1"),
        ("{rest: {seconds: 31}}", "treat.rest.seconds: found 31, expected a number in s from above 0 to 30"),
        ("{fit: {offset: 0.3}}", "treat.fit.offset: found 0.3, expected a number in mm from -0.2 to 0.2"),
        (
            "{noozle: {add: 8}}",
            "treat.noozle: found unknown key 'noozle', expected 'nozzle' (nearest valid key)",
        ),
        ("[[stout]]", "treat[1]: found a list of 1, expected a name"),
        ("[]", "treat: found a list of 0, expected a list of at least 1"),
    ],
)
def test_wrong_setting_is_told(text, where):
    cause = refusal(changed("rest: {within: all}", f"rest: {{within: all, treat: {text}}}"))
    assert cause.splitlines()[0].startswith(f"h.kit.yaml:8: parts.film-clip.regions.rest.{where}")


def test_list_is_merged_left_to_right_setting_by_setting():
    got = treat("[stout, supple, {fan: {set: 5%}}]")
    assert got == Treatment(
        infill="solid", nozzle=Nozzle(add_c=8), perimeters=Perimeters(fill=True), fan=Fan(set=0.05)
    )
    assert treat("[{fan: {set: 5%}}, stout]").fan == Fan(cap=0.3)


def test_later_force_wins_and_absent_force_keeps():
    assert treat("[{force: true}, {force: false}]").force is False
    assert treat("[{force: true}, stout]").force is True


def test_kit_hides_the_profile_of_the_same_name():
    assert treat("stout").fan == Fan(cap=0.3)
    assert load_treatment("stout").settings.fan == Fan(cap=0.25)
    assert treat("warm") == load_treatment("warm").settings


def test_region_without_treat_has_no_setting():
    one = kit()
    assert resolve_treatment(one, one.parts["film-clip"].regions["rest"]).settings == ()


def test_treatments_may_build_on_each_other():
    text = KIT + "  both: [stout, more]\n  more: {fan: {set: 1%}}\n"
    one = kit(text.replace("treat: supple", "treat: both"))
    got = resolve_treatment(one, one.parts["film-clip"].regions["lips"])
    assert (got.fan, got.nozzle) == (Fan(set=0.01), Nozzle(add_c=8))


def test_treatment_that_leads_back_to_itself_is_told_once_a_mention():
    cause = refusal(KIT + "  a: [b]\n  b: [c, stout]\n  c: a\n")
    assert (
        cause.splitlines()[0]
        == "h.kit.yaml:12: treatments.a[1]: treatment leads back to itself: a > b > c > a"
    )
    assert len(cause.splitlines()) == 3
    assert "x > x" in refusal(KIT + "  x: x\n")


def test_treatments_that_multiply_or_chain_cost_no_time_and_no_stack():
    double = "".join(f"  t{n}: [t{n + 1}, t{n + 1}]\n" for n in range(40)) + "  t40: {fan: {set: 0}}\n"
    one = kit((KIT + double).replace("treat: supple", "treat: t0"))
    assert resolve_treatment(one, one.parts["film-clip"].regions["lips"]).fan == Fan(set=0.0)
    chain = "".join(f"  t{n}: t{n + 1}\n" for n in range(3000)) + "  t3000: {}\n"
    assert "leads back to itself" in refusal(KIT + chain)


@pytest.mark.parametrize("name", profiles.names("treatments"))
def test_treatment_profile_holds_only_settings_that_act_already(name):
    profile = load_treatment(name)
    assert profile.name == name
    assert set(profile.settings.settings) <= {*BUILT, *GEOMETRY}
    assert len(profile.known) > 40
    assert len(profile.not_known) > 40
    assert treat(f"[{name}]").settings  # also under the names that the kit hides

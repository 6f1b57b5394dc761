"""What is written on a command line, and the treatment it comes to."""

from __future__ import annotations

import pytest

from gcodetools.errors import UsageError
from gcodetools.trials.factors import parse_held, parse_varied, step_words, treatment_of


@pytest.mark.parametrize(
    ("text", "name", "values"),
    [
        ("nozzle=220:250:10", "nozzle", (220, 230, 240, 250)),
        ("nozzle=250:220:-15", "nozzle", (220, 235, 250)),
        ("nozzle = 240 C, 225", "nozzle", (225, 240)),
        ("Fan=50%,0%,25%", "fan", (0, 25, 50)),
        ("fan=0%:30%:10%", "fan", (0, 10, 20, 30)),
        ("flow=96.5%,103.5%", "flow", (96.5, 103.5)),
        ("flow=98%:98.3%:0.1%", "flow", (98, 98.1, 98.2, 98.3)),
        ("perimeters=0:2:1", "perimeters", (0, 1, 2)),
    ],
)
def test_values(text, name, values):
    factor = parse_varied(text)
    assert factor.name == name and factor.values == pytest.approx(values)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nozle=220,230", ("no setting 'nozle'", "nearest 'nozzle'")),
        ("nozzle", ("no value", "nozzle=220:250:10")),
        ("nozzle=", ("no value",)),
        ("nozzle=220", ("at least two", "--hold nozzle=220")),
        ("nozzle=220,220", ("a value twice", "--repeat")),
        ("nozzle=220:250", ("2 numbers", "from, to and step")),
        ("nozzle=220:250:20", ("reach 240 and 260, not 250", "nozzle=220:240:20")),
        ("nozzle=250:220:10", ("no way from 250 to 220", "nozzle=220:250:10")),
        ("speed=100%:60%:20%", ("no way from 100 to 60", "--vary speed=60%:100%:20%")),
        ("speed=60%:100%:30%", ("reach 90 and 120, not 100", "--vary speed=60%:90%:30%")),
        ("nozzle=220:250:0", ("a step of 0",)),
        ("nozzle=100:500:1", ("more than 40",)),
        ("nozzle=220,x", ("'x' is no number",)),
        ("nozzle=220,nan", ("no number",)),
        ("nozzle=220,900", ("900 C, expected 100 to 500 C",)),
        ("fan=0.2,0.4", ("'0.2' without a percent sign",)),
        ("fan=0%,120%", ("120%, expected 0 to 100%",)),
        ("perimeters=0,1.5", ("whole number",)),
    ],
)
def test_mistakes_name_what_was_found_and_what_to_write(text, words):
    with pytest.raises(UsageError) as caught:
        parse_varied(text)
    assert all(word in str(caught.value) for word in words)
    assert str(caught.value).startswith(f"--vary {text}")


def test_a_thousand_values_are_too_many_and_not_all_repeated():
    with pytest.raises(UsageError, match="1000 values, expected at most 40") as caught:
        parse_varied("flow=" + ",".join(f"{96 + k / 1000:.3f}%" for k in range(1000)))
    assert len(str(caught.value)) < 200


def test_held_is_one_value():
    assert parse_held("speed=80%").values == (80,)
    with pytest.raises(UsageError, match="2 values, expected one"):
        parse_held("speed=80%,90%")


def test_what_leaves_the_file_as_it_is_is_no_setting():
    assert treatment_of({"speed": 100, "flow": 100, "perimeters": 0}).settings == ()
    treatment = treatment_of(
        {"nozzle": 240, "fan": 20, "speed": 80, "flow": 102, "perimeters": 2}, outer=True
    )
    assert treatment.nozzle.set_c == 240 and treatment.fan.set == pytest.approx(0.2) and treatment.force
    assert treatment.speed.scale == 0.8 and treatment.flow.scale == 1.02 and treatment.flow.outer
    assert treatment.perimeters.add == 2


def test_a_fan_that_follows_asks_even_for_the_files_own():
    asked = treatment_of({"fan": 40}, fan_mode="follow").fan
    assert 0 < 0.4 - asked.set < 1e-5 and round(asked.set * 255) == round(0.4 * 255)
    assert treatment_of({"fan": 0}, fan_mode="follow").fan.set == 0.0


def test_words():
    assert step_words({"nozzle": 220, "fan": 25, "perimeters": 1}) == "nozzle 220 C, fan 25%, perimeters +1"
    assert (
        parse_varied("fan=0%,25%").words == "fan 0%, 25%"
        and parse_varied("nozzle=220,240").words == "nozzle 220, 240 C"
    )

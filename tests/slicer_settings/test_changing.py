"""Only the bytes of the numbers change: in INI, JSON, comments and pieces, whatever stands around them."""

from __future__ import annotations

import configparser
import json
import re
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from settings_files import ini, profile_of

from gcodetools.errors import Fault
from gcodetools.slicer_settings.changing import Changes, Edit, edited
from gcodetools.slicer_settings.opening import read_settings
from gcodetools.slicer_settings.readings import read_profile
from gcodetools.slicer_settings.tables import table_of

NOISE = st.sampled_from(
    ["", "; a = comment 3", "# more", "unknown_key = {x} ; 230", "notes = Grüße\\n; temperature = 99", "   "]
)
SPELLED = st.sampled_from(
    ["230", " 230", '"230"', "230.0 ", "+230", "230 ; warm", "2.3e2", "230,230", "230;240"]
)
NEWLINES = st.sampled_from(["\n", "\r\n"])


@given(
    st.lists(NOISE, max_size=4),
    SPELLED,
    st.lists(NOISE, max_size=4),
    NEWLINES,
    st.booleans(),
    st.integers(-20, 20),
)
def test_ini_files_change_in_the_span_alone(
    before: list[str], spelled: str, after: list[str], newline: str, marked: bool, more: int
) -> None:
    line = f"temperature={spelled}"
    parts = [newline.join([*before, ""]), "temperature=", spelled, newline + newline.join(after)]
    data = (b"\xef\xbb\xbf" if marked else b"") + "".join(parts).encode()
    profile = profile_of(data + newline.encode() + b"layer_height = 0.2")
    changes = Changes(profile)
    for reading in changes.targets("nozzle_c"):
        assert isinstance(reading.value, Fraction)
        changes.want(reading, reading.value + more)
    out = edited(profile.document, changes.edits())
    start = data.index(line.encode()) + len("temperature=")
    end = start + len(spelled.encode())
    assert out[:start] == profile.document.data[:start]
    tail = profile.document.data[end:]
    assert out.endswith(tail)
    mine = out[start : len(out) - len(tail)].decode()
    numbers = r"\d+(?:\.\d+)?(?:e\d)?"
    old, new = re.findall(numbers, spelled.split(" ;")[0]), re.findall(numbers, mine.split(" ;")[0])
    assert [float(n) for n in new] == [float(o) + more for o in old]
    assert re.sub(numbers, "", mine) == re.sub(numbers, "", spelled)


VALUES = st.fixed_dictionaries(
    {
        "nozzle_temperature": st.sampled_from(["230", ["230"], ["230", "240"], 230, 230.0, [230, 235]]),
        "wall_loops": st.sampled_from(["2", 2]),
        "layer_height": st.just("0.2"),
        "notes": st.sampled_from(
            ["ä 230", '\\u00e4 "230"\n', None, [], {"a": [{"nozzle_temperature": "1"}]}]
        ),
    }
)


@given(VALUES, st.sampled_from([None, 4]), st.booleans())
def test_json_files_change_in_the_value_alone(
    document: dict[str, object], indent: int | None, ascii_only: bool
) -> None:
    data = json.dumps(document, indent=indent, ensure_ascii=ascii_only).encode()
    profile = profile_of(data, "C")
    changes = Changes(profile)
    for reading in changes.targets("nozzle_c"):
        assert isinstance(reading.value, Fraction)
        changes.want(reading, reading.value + 8)
    read = json.loads(edited(profile.document, changes.edits()))
    old, new = document.pop("nozzle_temperature"), read.pop("nozzle_temperature")
    assert read == document
    olds, news = (value if isinstance(value, list) else [value] for value in (old, new))
    assert [type(value) for value in news] == [type(value) for value in olds], "texts stay texts"
    assert [float(value) for value in news] == [float(value) + 8 for value in olds]


def test_configparser_reads_the_change_and_nothing_else() -> None:
    data = b"[print]\r\n" + ini().replace(b"\n", b"\r\n")
    profile = profile_of(data)
    changes = Changes(profile)
    (reading,) = changes.targets("flow")
    changes.want(reading, Fraction("1.0192"))
    old, new = configparser.ConfigParser(interpolation=None), configparser.ConfigParser(interpolation=None)
    old.read_string(data.decode())
    new.read_string(edited(profile.document, changes.edits()).decode())
    differing = {key: new["print"][key] for key in old["print"] if old["print"][key] != new["print"][key]}
    assert differing == {"extrusion_multiplier": "1.0192"}


def test_a_value_cut_over_pieces_is_changed_in_both(samples: Path) -> None:
    data = (samples / "A-vase-crlf.gcode").read_bytes()
    joined = b"".join(re.findall(rb"^;SETTING_3 ([^\r\n]*)", data, re.M)).decode()
    place = joined.index("material_print_temperature = 205") + len("material_print_temperature = 2")
    # The pieces anew, with a cut inside the number.
    pieces = [joined[:place], joined[place : place + 90], joined[place + 90 :]]
    cut = "".join(f";SETTING_3 {piece}\r\n" for piece in pieces).encode()
    plain = re.sub(rb"^;SETTING_3 [^\r\n]*\r\n", b"", data, flags=re.M) + cut
    document = read_settings(plain, "x.gcode")
    profile = read_profile(document, table_of("A"))
    changes = Changes(profile)
    (reading,) = changes.targets("nozzle_c")
    changes.want(reading, Fraction(1215))
    assert len(changes.edits()) == 2
    out = edited(document, changes.edits())
    assert out == plain.replace(b"= 2\r\n;SETTING_3 05\\\\n", b"= 1215\r\n;SETTING_3 \\\\n") != plain
    again = b"".join(re.findall(rb"^;SETTING_3 ([^\r\n]*)", out, re.M)).decode()
    assert json.loads(again) == json.loads(joined.replace("temperature = 205", "temperature = 1215"))


def test_what_a_number_multiplies_counts_as_changed_already() -> None:
    data = b'{"defaultSpeed": "4600", "outlineUnderspeed": "0.4", "layerHeight": 0.3}'
    profile = profile_of(data, "E0")
    changes = Changes(profile)
    (base,), (outer,) = changes.targets("speed_infill_mm_s"), changes.targets("speed_outer_mm_s")
    assert outer.value == Fraction(4600, 60) * Fraction(2, 5)
    changes.want(base, Fraction(50))
    assert changes.current(outer) == 20
    changes.want(outer, Fraction(20))
    assert [c.text for c in changes.planned] == ["3000"]
    changes.want(outer, Fraction(30))
    assert [c.text for c in changes.planned] == ["3000", "0.6"]


def test_whole_numbers_are_rounded_towards_the_old_one_or_below_a_cap() -> None:
    profile = profile_of(ini())
    changes = Changes(profile)
    (fan,) = changes.targets("fan_max")
    changes.want(fan, Fraction("0.375"))
    assert [(c.text, c.rounded) for c in changes.planned] == [("38", True)]
    changes.want(fan, Fraction("0.375"), "down")
    assert changes.planned[0].text == "37"
    changes.want(fan, Fraction(1, 2))
    assert changes.planned == (), "back to what it was is no change"


def test_edits_that_overlap_are_a_fault() -> None:
    document = profile_of(ini()).document
    with pytest.raises(Fault, match="overlap"):
        edited(document, [Edit(3, 6, b""), Edit(5, 7, b"")])


def test_what_falls_back_may_be_given_a_number_of_its_own() -> None:
    changes = Changes(profile_of(ini()))
    # 0 holds as the 1500 of infill_acceleration.
    (solid,) = changes.targets("accel_solid_mm_s2")
    assert changes.current(solid) == 1500 and changes.want(solid, Fraction(700))
    assert [c.text for c in changes.planned] == ["700"] and changes.current(solid) == 700

"""`profile carry` on the settings blocks of the samples and on INI and JSON files: changed numbers only, and the right.

Oracles: the bytes themselves, json and configparser.
"""

from __future__ import annotations

import configparser
import difflib
import json
import re
import time
import zipfile
from fractions import Fraction
from pathlib import Path

import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.errors import Fault, InputError, Refused, UsageError
from gcodetools.jobs.profile import Way
from gcodetools.jobs.profile_carry import NOT_TO_PRINT, Asked, Copy, carry_profile
from gcodetools.slicer_settings.carrier import Carried, Carrier
from gcodetools.slicer_settings.carrying import carry_all
from gcodetools.slicer_settings.changing import Changes, Edit, edited
from gcodetools.slicer_settings.document import Document

EVERYTHING = """\
beadwright: 1
treatment: everything
about: all that settings may hold, for the tests
known: nothing
not_known: everything
source: made up
settings:
  perimeters: {add: 1}
  infill: solid
  nozzle: {add: 2}
  fan: {scale: 90%}
  speed: {scale: 80%}
  flow: {scale: 99%, outer: true}
  accel: {max: 700}
  rest: {seconds: 2}
  fit: {offset: -0.02}
"""


@pytest.fixture
def everything(tmp_path: Path) -> str:
    path = tmp_path / "everything.yaml"
    path.write_text(EVERYTHING)
    return str(path)


PLAIN = Way()


def carry(path: Path, treatment: str, way: Way = PLAIN, **more: object) -> Copy:
    return carry_profile(path, way, Asked(treatment=treatment, **more))  # type: ignore[arg-type]


# (sample, material, keys that may change in it, what is carried of each setting)
BLOCKS = {
    "A-two-names.gcode": "pla", "A-vase-crlf.gcode": "pla", "B-cube.gcode": "petg", "B-two-objects.gcode": "pla",
    "B2-fast.gcode": "abs", "C-arcs-small.gcode": "pla", "D-part.gcode": "petg", "E0-cube.gcode": "pla",
    "E0-tpu.gcode": "tpu-95a", "E1-vase.gcode": "petg", "G-lid-crlf.gcode": "pla", "H-parentheses.gcode": "abs",
    "I-no-marks.gcode": "pla",
}  # fmt: skip


# The large ones are read once more elsewhere.
LARGE = ("A-two-names.gcode", "B-two-objects.gcode", "B2-fast.gcode", "E0-tpu.gcode", "I-no-marks.gcode")


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.long) if n in LARGE else n for n in BLOCKS]
)
def test_in_the_blocks_of_samples_only_numbers_change(samples: Path, everything: str, name: str) -> None:
    path = samples / name
    copy = carry(path, everything, material=BLOCKS[name], machine="fast-250")
    old, new = path.read_bytes(), copy.data
    changes = copy.record["changes"]
    assert changes and NOT_TO_PRINT in copy.warnings
    # Line by line: as many lines, with the same ends; those that differ are those told, and differ in numbers alone.
    before, after = old.split(b"\n"), new.split(b"\n")
    differing = [k for k, (a, b) in enumerate(zip(before, after, strict=True), 1) if a != b]
    told = {one["line"] for one in changes}
    # A value of pieces may go on in the next line.
    assert set(differing) <= told | ({line + 1 for line in told} if name.startswith("A-") else set())
    assert told <= set(differing)
    number = rb"-?[0-9]+(?:\.[0-9]+)?"
    for k in differing:
        assert before[k - 1][:1] in b";(" and re.sub(number, b"", before[k - 1]) == re.sub(
            number, b"", after[k - 1]
        )
    # Moves are as they were.
    moves = re.compile(rb"^[GMT][^;\n]*", re.M)
    assert moves.findall(old) == moves.findall(new)
    assert copy.record["read_back"]["changed"] == len(changes)


def test_each_sample_line_changes_as_told(samples: Path, everything: str) -> None:
    path = samples / "B-cube.gcode"
    copy = carry(path, everything, material="petg", machine="fast-250")
    told = {one["key"]: (one["old"], one["new"]) for one in copy.record["changes"]}
    # By hand: 240 + 2; 230 + 2; 2 + 1; 15 % to 100 %; fan 50 and 30 by 0.9; 800 and what is above to 700; 0 - 0.02.
    assert {
        "temperature": ("240", "242"), "first_layer_temperature": ("230", "232"), "perimeters": ("2", "3"),
        "fill_density": ("15", "100"), "max_fan_speed": ("50", "45"), "min_fan_speed": ("30", "27"),
        "external_perimeter_acceleration": ("800", "700"), "xy_size_compensation": ("0", "-0.02"),
        "extrusion_multiplier": ("1", "0.99"), "external_perimeter_speed": ("30", "24"), "infill_speed": ("80", "64"),
    }.items() <= told.items()  # fmt: skip
    # The head of the file states five of these too: each place is changed.
    head = copy.data[:6000].decode()
    for row in ("; temperature = 242\n", "; fill_density = 100%\n"):
        assert copy.data.decode().count(row) == path.read_text().count(
            row.replace("242", "240").replace("100%", "15%")
        )
    assert "first_layer_acceleration" not in told and "travel_speed" not in told
    assert head.count("; nozzle_diameter = 0.4") == path.read_text()[:6000].count("; nozzle_diameter = 0.4")


def test_four_tools_of_a_sample(samples: Path) -> None:
    path = samples / "I-no-marks.gcode"
    copy = carry(path, "warm", machine="fast-250")
    assert {(one["key"], one["tool"], one["new"]) for one in copy.record["changes"]} == {
        (key, tool, "230") for key in ("temperature", "first_layer_temperature") for tool in range(4)
    }
    assert b"; temperature = 230,230,230,230\n" in copy.data
    one = carry(path, "warm", Way(tool=2), machine="fast-250")
    assert b"; temperature = 220,220,230,220\n" in one.data and one.record["tool"] == 2


@pytest.fixture
def project(samples: Path, tmp_path: Path) -> Path:
    """The JSON of settings from a package sample: values as texts, lists of them."""
    path = tmp_path / "project.json"
    with zipfile.ZipFile(samples / "D-part.gcode.3mf") as package:
        path.write_bytes(package.read("Metadata/project_settings.config"))
    return path


def test_a_real_json_file(project: Path, everything: str) -> None:
    copy = carry(project, everything, material="petg", machine="fast-250")
    old, new = json.loads(project.read_bytes()), json.loads(copy.data)
    assert list(old) == list(new)
    differing = {key: (old[key], new[key]) for key in old if old[key] != new[key]}
    assert set(differing) == {one["key"] for one in copy.record["changes"]}
    assert differing["wall_loops"] == ("3", "4") and differing["sparse_infill_density"] == ("15%", "100%")
    assert differing["fan_max_speed"] == (["90"], ["81"]) and differing["filament_flow_ratio"] == (
        ["0.95"],
        ["0.9405"],
    )
    outcome = {one["setting"]: one for one in copy.record["settings"]}
    # 245 C is the peak of PETG already.
    assert outcome["nozzle"]["carried"] == "in part" and "nozzle_temperature" not in differing
    assert outcome["rest"]["carried"] == "not"


def test_an_ini_file_keeps_order_comments_ends_and_encoding(tmp_path: Path) -> None:
    rows = [
        "# made by hand, Größe 3", "[print:0.2 fein]", "perimeters=2", "fill_density = 15 %  ", "", "; perimeters = 9",
        "layer_height = 0.20", "nozzle_diameter = 0.4;0.4", "[filament:x]", "temperature = 230;230 ",
        "max_fan_speed =\t40", "unheard_of = 7 ; 7", "notes = temperature = 3", "filament_type = PETG;PETG",
    ]  # fmt: skip
    data = "\r\n".join(rows).encode("latin-1")
    path = tmp_path / "x.ini"
    path.write_bytes(data)
    copy = carry(path, "stout", machine="fast-250")
    wanted = data.replace(b"15 %", b"100 %").replace(b"230;230 ", b"238;238 ").replace(b"=\t40", b"=\t25")
    assert copy.data == wanted != data
    old, new = configparser.ConfigParser(interpolation=None), configparser.ConfigParser(interpolation=None)
    old.read_string(data.decode("latin-1"))
    new.read_string(copy.data.decode("latin-1"))
    diff = difflib.ndiff(_flat(old), _flat(new))
    assert sum(line.startswith("+ ") for line in diff) == 3


def _flat(parser: configparser.ConfigParser) -> list[str]:
    return [
        f"{section} {key}={value}" for section in parser.sections() for key, value in parser.items(section)
    ]


def test_a_region_of_a_kit_says_what_is_local(tmp_path: Path, samples: Path) -> None:
    (tmp_path / "h.kit.yaml").write_text(hoophouse_kit())
    asked = Asked(kits=(tmp_path / "h.kit.yaml",), region="shelf-hook/finger", machine="fast-250")
    copy = carry_profile(samples / "B-cube.gcode", Way(), asked)
    assert copy.record["treatment"] == "shelf-hook/finger" and copy.record["kit"] == "hoophouse"
    assert "where shelf-hook/finger is: settings know no places in a part" in copy.record["local"]
    assert copy.record["cost"].startswith("settings hold for the whole part")
    outcome = {one["setting"]: one["carried"] for one in copy.record["settings"]}
    assert outcome["rest"] == "not"


def test_the_blend_of_a_fit_is_local(samples: Path, everything: str) -> None:
    path = Path(everything)
    path.write_text(EVERYTHING.replace("offset: -0.02", "offset: -0.02, blend: 3"))
    copy = carry(samples / "C-arcs-small.gcode", everything, material="pla", machine="fast-250")
    assert any(
        text.startswith("`fit: blend: 3`: settings move whole outlines") for text in copy.record["local"]
    )
    quiet = carry(samples / "C-arcs-small.gcode", "unhurried", material="pla", machine="fast-250")
    assert not any("blend" in text for text in quiet.record["local"])


@pytest.mark.parametrize("many", ["keys", "sections", "cells"])
@pytest.mark.every(1)
def test_what_stands_there_often_takes_no_time(tmp_path: Path, many: str) -> None:
    count = 3000
    head = b"layer_height = 0.2\nperimeters = 2\nfilament_type = PETG\n"
    rows = {
        "keys": b"temperature = 230\n" * count,
        "sections": b"".join(b"[s%d]\ntemperature = 230\n" % k for k in range(count)),
        "cells": b"temperature = " + b",".join([b"230"] * count),
    }
    path = tmp_path / "x.ini"
    path.write_bytes(head + rows[many])
    began = time.process_time()
    copy = carry(path, "warm", machine="fast-250")
    # All against all took some 10 s.
    assert time.process_time() - began < 4
    assert copy.data == path.read_bytes().replace(b"= 230", b"= 240").replace(b",230", b",240")


def test_a_treatment_of_the_kit_hides_the_profiles(tmp_path: Path, samples: Path) -> None:
    text = hoophouse_kit() + "  warm: {fan: {cap: 10%}}\n"
    (tmp_path / "h.kit.yaml").write_text(text)
    asked = Asked(kits=(tmp_path / "h.kit.yaml",), treatment="warm", machine="fast-250")
    copy = carry_profile(samples / "B-cube.gcode", Way(), asked)
    assert [one["setting"] for one in copy.record["settings"]] == ["fan"]


def test_nothing_to_change_is_the_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "x.ini"
    path.write_bytes(b"max_fan_speed = 20\ntemperature = 230\nlayer_height = 0.2\n")
    treatment = tmp_path / "cool.yaml"
    treatment.write_text(EVERYTHING[: EVERYTHING.index("settings:")] + "settings: {fan: {cap: 25%}}\n")
    copy = carry(path, str(treatment), material="petg")
    assert copy.data == path.read_bytes() and copy.record["changes"] == []
    assert "nothing is changed: the copy is the file as it was" in copy.warnings


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (Asked(), "neither --region nor --treatment"),
        (Asked(region="a/b", treatment="warm"), "both --region and --treatment"),
        (Asked(region="a/b"), "no kit is named"),
    ],
)
def test_either_a_region_or_a_treatment(samples: Path, asked: Asked, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        carry_profile(samples / "B-cube.gcode", Way(), asked)


def test_names_that_are_not_there(tmp_path: Path, samples: Path) -> None:
    (tmp_path / "h.kit.yaml").write_text(hoophouse_kit())
    kits = (tmp_path / "h.kit.yaml",)
    with pytest.raises(
        UsageError, match=r"--region shelf-hook/fingr: no such region .*; nearest 'shelf-hook/finger'"
    ):
        carry_profile(samples / "B-cube.gcode", Way(), Asked(kits=kits, region="shelf-hook/fingr"))
    with pytest.raises(InputError, match="no treatment named 'warn'; nearest 'warm'"):
        carry(samples / "B-cube.gcode", "warn")


def test_a_limit_refuses_all_of_it(samples: Path) -> None:
    with pytest.raises(
        Refused, match=r"would make 250 C of 240 C, allowed are 220 to 240 C \(machine desktop-220\)"
    ):
        carry(samples / "B-cube.gcode", "warm", machine="desktop-220")


def test_a_copy_that_says_something_else_is_a_fault(samples: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = samples / "C-arcs-small.gcode"

    def later(carrier: Carrier) -> Carried:
        found = carry_all(carrier)
        monkeypatch.setattr(Changes, "current", lambda self, reading: Fraction(1))
        return found

    monkeypatch.setattr("gcodetools.jobs.profile_carry.carry_all", later)
    with pytest.raises(Fault, match=r"C-arcs-small\.gcode:\d+: \w+ says something else in the copy"):
        carry(path, "unhurried", material="pla", machine="fast-250")


def test_a_copy_with_another_byte_changed_is_a_fault(samples: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def more(document: Document, edits: list[Edit]) -> bytes:
        return edited(document, edits).replace(b"; wall_loops = 3", b"; wall_loops = 5")

    monkeypatch.setattr("gcodetools.jobs.profile_carry.edited", more)
    with pytest.raises(Fault, match="wall_loops reads otherwise in the copy"):
        carry(samples / "C-arcs-small.gcode", "unhurried", material="pla", machine="fast-250")

"""`profile show` and `profile audit`: what the records hold, on samples and files made here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gcodetools.errors import InputError, UsageError
from gcodetools.jobs.profile import Way, show_profile
from gcodetools.jobs.profile_audit import audit_profile

INI = (
    b"temperature = 230,240\nlayer_height = 0.2\nperimeters = 2\nprint_host = 10.0.0.7\nmine = 3\n"
    b"nozzle_diameter=0.4\n"
)


@pytest.fixture
def ini(tmp_path: Path) -> Path:
    path = tmp_path / "x.ini"
    path.write_bytes(INI)
    return path


def test_show_tells_names_values_keys_and_what_is_unknown(ini: Path) -> None:
    record, warnings = show_profile(ini, Way(), every=True)
    assert record["schema"] == "beadwright.profile-show/1" and warnings == []
    assert (record["form"], record["convention"], record["tools"], record["keys"]) == ("ini", "B", 2, 6)
    assert record["recognised"].startswith("by its keys: 4 of 6 are known")
    told = {one["name"]: one for one in record["settings"]}
    assert [(v["tool"], v["value"], v["key"], v["line"]) for v in told["nozzle_c"]["values"]] == [
        (0, 230.0, "temperature", 1), (1, 240.0, "temperature", 1),
    ]  # fmt: skip
    assert told["nozzle_c"]["unit"] == "C" and told["perimeters"]["values"][0]["text"] == "2"
    assert record["unknown"]["count"] == 2
    assert {"key": "print_host", "value": "(hidden)", "line": 4, "hidden": True} in record["unknown"]["keys"]
    assert {"key": "mine", "value": "3", "line": 5} in record["unknown"]["keys"]
    assert "10.0.0.7" not in json.dumps(record)


def test_one_tool_alone(ini: Path) -> None:
    record, _ = show_profile(ini, Way(tool=1))
    (nozzle,) = (one for one in record["settings"] if one["name"] == "nozzle_c")
    assert [v["value"] for v in nozzle["values"]] == [240.0]
    with pytest.raises(UsageError, match=r"--tool 2: .* has settings for T0 to T1"):
        show_profile(ini, Way(tool=2))
    with pytest.raises(UsageError, match="--section print: no such section"):
        show_profile(ini, Way(section="print"))


def test_a_letter_may_be_named(ini: Path) -> None:
    record, _ = show_profile(ini, Way(convention="b2"))
    assert (record["convention"], record["recognised"]) == ("B2", "named on the command line")


def test_private_values_of_samples_are_not_told(samples: Path) -> None:
    record, _ = show_profile(samples / "C-arcs.gcode", Way(), every=True)
    text = json.dumps(record)
    # The file's own line, which this test reads past the tool: it names a machine in somebody's network.
    host = next(
        line.split(" = ")[1]
        for line in (samples / "C-arcs.gcode").read_text("latin-1").splitlines()
        if line.startswith("; print_host = ")
    )
    assert host and host not in text and '"print_host", "value": "(hidden)"' in text


@pytest.mark.parametrize(
    ("name", "letter", "tools", "least"),
    [
        ("A-two-names.gcode", "A", 1, 20), ("B-cube.gcode", "B", 1, 80), ("B2-fast.gcode", "B2", 1, 80),
        ("C-arcs-small.gcode", "C", 1, 80), ("D-part.gcode", "D", 1, 80), ("E0-cube.gcode", "E0", 6, 28),
        ("E1-vase.gcode", "E1", 6, 28), ("G-lid-crlf.gcode", "G", 1, 20), ("H-parentheses.gcode", "H", 1, 14),
        ("I-no-marks.gcode", "I", 4, 70),
    ],
)  # fmt: skip
def test_samples_are_shown_by_their_letter(
    samples: Path, name: str, letter: str, tools: int, least: int
) -> None:
    record, warnings = show_profile(samples / name, Way())
    assert (record["convention"], record["tools"], record["form"]) == (letter, tools, "sliced")
    marked = record["recognised"] == "by the marks of the sliced file"
    assert marked == (letter != "I"), "I has no marks"
    assert len(record["settings"]) >= least and warnings == [] and record["conflicts"] == []


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "empty, expected a slicer's settings"),
        (b"G1 X1 Y2\nG1 X3\n", "no settings in it, expected a slicer's settings"),
        (b"hello\nworld\n", "no settings in it"),
        (b"[1, 2]", "a JSON list, expected"),
        (b'["a"]', "a JSON list, expected"),
        (b'"text"', "no settings in it"),
        (b'{"a": 1', "x:1:8: no JSON"),
        (b"\xff\xfea\0=\0", "UTF-16"),
        (b"a = 1\nb = 2\nc = 3\n", "3 keys, of which at most 0 are known"),
        (b"PK\x03\x04abc", "end record of the zip: found none"),
        (b"temperature = 2\0", "a NUL byte"),
    ],
)
def test_what_is_no_settings_file_is_said(tmp_path: Path, data: bytes, told: str) -> None:
    (tmp_path / "x").write_bytes(data)
    with pytest.raises(InputError) as caught:
        show_profile(tmp_path / "x", Way())
    assert told in caught.value.cause and caught.value.hint


def test_a_folder_and_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a folder, expected a slicer's settings"):
        show_profile(tmp_path, Way())
    with pytest.raises(InputError, match="no such file"):
        show_profile(tmp_path / "nowhere.ini", Way())


def test_odd_lines_and_conflicts_are_warned_of(tmp_path: Path) -> None:
    (tmp_path / "x.ini").write_bytes(INI + b"what is this\n[more]\nperimeters = 3\n")
    record, warnings = show_profile(tmp_path / "x.ini", Way())
    assert record["odd_lines"] == [7] and record["sections"] == ["more"]
    assert any("neither `key = value` nor section nor comment: 7" in text for text in warnings)
    assert (
        "perimeters is stated differently: perimeters = 2 (line 3), perimeters = 3 (line 9 in [more])"
        in warnings
    )


def test_audit_names_what_it_is_held_against(ini: Path) -> None:
    record, warnings = audit_profile(ini, Way(), machine="desktop-220", sets=("material.min_layer_time_s=8",))
    assert record["schema"] == "beadwright.profile-audit/1"
    assert (record["material"], record["material_from"], record["machine"]) == (
        "petg",
        "assumed",
        "desktop-220",
    )
    assert record["overrides"] == ["material.min_layer_time_s=8"]
    assert any("PETG assumed" in text for text in warnings)
    assert "bed_c" in record["not_told"] and "nozzle_c" not in record["not_told"]
    assert set(record["count"]) == {"stop", "warning", "note"}


def test_findings_of_one_tool_say_so_and_the_gravest_comes_first(tmp_path: Path) -> None:
    path = tmp_path / "x.ini"
    path.write_bytes(
        INI.replace(b"230,240", b"230,300").replace(b"layer_height = 0.2", b"layer_height = 0.5")
    )
    record, _ = audit_profile(path, Way(), machine="desktop-220", material="petg")
    gravities = [one["gravity"] for one in record["findings"]]
    assert gravities == sorted(gravities, key=["stop", "warning", "note"].index) and gravities[0] == "stop"
    (hot,) = (one for one in record["findings"] if one["gravity"] == "stop")
    assert (hot["about"], hot["tools"], hot["keys"]) == ("nozzle_c", [1], ["temperature"])
    (tall,) = (one for one in record["findings"] if one["about"] == "layer_height_mm")
    assert "tools" not in tall, "all tools have it"


@pytest.mark.long
def test_a_large_file_is_read_in_seconds(tmp_path: Path) -> None:
    import time

    rows = b"".join(b"key_%d = value %d ; x\n" % (k, k) for k in range(100_000))
    (tmp_path / "x.ini").write_bytes(INI + rows)
    began = time.process_time()
    record, _ = show_profile(tmp_path / "x.ini", Way())
    assert record["unknown"]["count"] == 100_002 and time.process_time() - began < 5


@pytest.mark.parametrize(
    ("name", "letters"),
    [
        ("C-arcs-small.gcode", "C"),
        ("E0-cube.gcode", ("E0", "E1")),
        ("B-cube.gcode", "B"),
        ("D-part.gcode", "D"),
    ],
)
def test_a_block_alone_without_the_marks_of_its_file_is_told_by_its_keys(
    samples: Path, tmp_path: Path, name: str, letters: tuple[str, ...]
) -> None:
    whole, _ = show_profile(samples / name, Way())
    rows = [
        line
        for line in (samples / name).read_text("latin-1").splitlines()
        if line.startswith(";   ") or (line.startswith("; ") and " = " in line and ", Z = " not in line)
    ]
    (tmp_path / "block.txt").write_text("\n".join(rows), "latin-1")
    record, _ = show_profile(tmp_path / "block.txt", Way())
    assert record["convention"] in letters
    assert [one["name"] for one in record["settings"]] == [one["name"] for one in whole["settings"]]

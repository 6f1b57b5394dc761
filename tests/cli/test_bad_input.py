"""Bad input: status, the first line of what is said, and never a traceback (`run` looks for one)."""

from __future__ import annotations

import re

import pytest

from gcodetools.demo.maker import Placement

ONE = (Placement("wedge-key-snug", 110, 110),)
KIT = """\
beadwright: 1
kit: keys
parts:
  key:
    found_by: {label: "wedge-key-snug*"}
    regions:
      all: {within: all, treat: {speed: {scale: 50%}}}
"""
HUGE = 100_000_000


@pytest.fixture
def place(bench, made):
    """`bench` with a plate of one key and its kit."""
    (bench / "plate.gcode").write_bytes(made(ONE))
    (bench / "key.kit.yaml").write_text(KIT)
    return bench


@pytest.mark.parametrize("command", ["inspect", "apply", "post", "compare", "learn"])
def test_a_missing_file_is_named_with_its_neighbour(place, run, command):
    ran = run(*_args(command, "plate.gcod"))
    assert (ran.status, ran.first) == (3, "error: plate.gcod: no such file")
    assert "Did you mean plate.gcode?" in ran.err


# Magic numbers: the block-wise binary container begins with GCDE; zip with PK 3 4 (APPNOTE.TXT 4.3.7).
@pytest.mark.parametrize(
    "data, cause",
    [
        (b"", "empty, expected G-code"),
        (b"\xef\xbb\xbf\r\n\r\n", "empty, expected G-code"),
        (b"GCDE\x01\x00\x00\x00\x01\x00", "binary container: found no G-code block, expected at least one"),
        (b"PK\x03\x04\x14\x00", "end record of the zip: found none, expected one at the end of the file"),
        (
            b"\x1f\x8b\x08\x00",
            "gz header at offset 0: found the end of the file after 4 bytes, expected the rest of the header",
        ),
        (b"just some words\nand more\n", "no bead in it, expected a sliced print"),
        (b"G28\nG1 X10 Y10 F3000\n", "no bead in it, expected a sliced print"),
    ],
)
@pytest.mark.parametrize("command", ["inspect", "apply", "post", "compare", "learn"])
def test_what_is_no_sliced_text_is_refused_by_name(place, run, command, data, cause):
    (place / "bad.gcode").write_bytes(data)
    ran = run(*_args(command, "bad.gcode"))
    assert (ran.status, ran.first) == (3, f"error: bad.gcode: {cause}")
    assert len(ran.err.splitlines()) == 2, "the cause, then what to do"
    assert (place / "bad.gcode").read_bytes() == data


@pytest.mark.parametrize("command", ["inspect", "apply", "post", "compare", "learn"])
def test_a_folder_is_refused(place, run, command):
    (place / "folder").mkdir()
    ran = run(*_args(command, "folder"))
    assert (ran.status, ran.first) == (3, "error: folder: a folder, expected a sliced file")


def test_a_nul_byte_is_refused_with_its_line(place, run, made):
    data = made(ONE)
    (place / "bad.gcode").write_bytes(b"; a\n; b\nG1\0 X3\n" + data)
    ran = run("inspect", "bad.gcode")
    assert ran.status == 3
    assert ran.first == (
        "error: bad.gcode:3: a NUL byte (offset 10); binary data or a damaged file, expected G-code text"
    )


def test_a_comment_of_100_mb_is_no_trouble(place, run, made):
    (place / "plate.gcode").write_bytes(b"; " + b"x" * HUGE + b"\n" + made(ONE))
    ran = run("inspect", "plate.gcode", "--json")
    assert ran.status == 0 and ran.json["lines"] > 2000


@pytest.mark.parametrize("piece", [b"1", b" X1 Y1 E.01"])
def test_a_command_of_100_mb_is_refused_with_its_line(place, run, made, piece):
    (place / "plate.gcode").write_bytes(b"G1 X" + piece * (HUGE // len(piece)) + b"\n" + made(ONE))
    ran = run("inspect", "plate.gcode")
    assert ran.status == 3
    assert ran.first == (
        "error: plate.gcode:1: a line of 100 MB that is no comment; "
        "a command has at most some hundred characters"
    )


@pytest.mark.parametrize("tail", [b"G1 X", b"G1 X10 Y10 E", b"G1 X10.", b"G1 X50 Y50 E1", b";TYP", b"\xc3"])
def test_a_file_cut_off_in_its_last_line_keeps_its_end(place, run, made, tail):
    data = made(ONE)
    whole = data[: len(data) // 2].rpartition(b"\n")[0] + b"\n"
    (place / "plate.gcode").write_bytes(whole + tail)
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode")
    assert ran.status == 0
    # Behind a whole last bead stands the restored feed, else nothing does.
    assert re.search(rb"\n" + re.escape(tail) + rb"(\nG1 F\d+)?\Z", (place / "o.gcode").read_bytes())


_TOP = "beadwright, kit, parts, material, machine, base, treatments"
_KITS = [
    ("", f"1: found nothing, expected a mapping of {_TOP}"),
    ("only text", f"1: found 'only text', expected a mapping of {_TOP}"),
    ("\t- x", "1: a tab in the indentation"),
    ("beadwright: 1\nkit: [a", "2: column 8: not YAML: "),
    (KIT.replace("beadwright: 1", "beadwright: 2"), "1: beadwright: found version 2, expected at most 1"),
    (KIT.replace("beadwright: 1\n", ""), "1: found no key 'beadwright', expected the version of"),
    (KIT.replace("parts:", "part:"), "3: part: found unknown key 'part', expected 'parts'"),
    (KIT + "kit: twice\n", "8: key 'kit' stands twice, first on line 2"),
    (KIT.replace('{label: "wedge-key-snug*"}', "{}"), "5: parts.key.found_by: found neither label nor"),
    (
        KIT.replace("within: all", "within: {slab: {z: [9, 2]}}"),
        "7: parts.key.regions.all.within.slab.z: found [9, 2], expected [low, high] with low below high",
    ),
    (
        KIT.replace("within: all", "within: {slob: {z: [2, 9]}}"),
        "7: parts.key.regions.all.within: found 'slob', expected a solid: ",
    ),
    (
        KIT.replace("within: all", "within: {prism: {polygon: [[0, 0], [4, 4], [4, 0], [0, 4]]}}"),
        "7: parts.key.regions.all.within.prism.polygon: found ",
    ),
    (KIT.replace("50%", "50 C"), "7: parts.key.regions.all.treat.speed.scale: found '50 C', expected"),
    (KIT.replace("50%", "50"), "7: parts.key.regions.all.treat.speed.scale: found 50, expected a factor"),
    (
        KIT.replace("speed:", "sped:"),
        "7: parts.key.regions.all.treat.sped: found unknown key 'sped', expected 'speed'",
    ),
    (
        KIT.replace("{speed: {scale: 50%}}", "supel"),
        "7: parts.key.regions.all.treat: no treatment named 'supel'; nearest 'supple'",
    ),
    (KIT.replace("regions:", "regions: {}\n    x:"), "6: parts.key.regions: found an empty mapping, "),
    (KIT + "material: pteg\n", "8: material: no material named 'pteg'; nearest 'petg'"),
    (KIT + "machine: ../nowhere.yaml\n", "8: machine: found '../nowhere.yaml', where no file is"),
    (
        KIT.replace("within: all", "within: all, beads: all"),
        "7: parts.key.regions.all.beads: found 'all', expected one of any, infill, perimeters",
    ),
    (KIT.replace("kit: keys", "kit: &a [*a]"), "2: *a names no value that ends above it"),
]


@pytest.mark.parametrize("text, first", _KITS, ids=range(len(_KITS)))
def test_a_mistake_in_a_kit_is_named_by_line_and_key(place, run, text, first):
    (place / "bad.kit.yaml").write_text(text)
    for args in (["check", "bad.kit.yaml"], ["post", "--kit", "bad.kit.yaml", "plate.gcode"]):
        ran = run(*args)
        assert ran.status == 3 and ran.out == ""
        assert ran.first.startswith(f"error: bad.kit.yaml:{first}")


@pytest.mark.parametrize(
    "name, first",
    [
        ("nowhere.kit.yaml", "error: nowhere.kit.yaml: no such file"),
        ("empty", "error: empty: no kit in this folder"),
        ("binary.kit.yaml", "error: binary.kit.yaml:2: byte 0x80 is no UTF-8 text"),
    ],
)
def test_a_kit_that_is_not_there_or_no_text(place, run, name, first):
    (place / "empty").mkdir()
    (place / "binary.kit.yaml").write_bytes(bytes(range(256)))
    ran = run("check", name)
    assert ran.status == 3 and ran.first.startswith(first)


@pytest.mark.parametrize(
    "treat, pattern",
    [
        (
            "{nozzle: {set: 400}}",
            r"key#1/all: `nozzle: {set: 400}` would print this bead at 400 C, allowed are 220 to 240 C \(.*",
        ),
        ("{flow: {scale: 300%}}", r"the treated bead would need [\d.]+ mm3/s, the melt rate of petg is .*"),
        ("{speed: {scale: 400%}}", r"the treated bead would need [\d.]+ mm3/s, the melt rate of petg is .*"),
    ],
)
def test_beyond_a_limit_is_status_5_with_the_line_and_nothing_written(place, run, made, treat, pattern):
    (place / "key.kit.yaml").write_text(KIT.replace("{speed: {scale: 50%}}", treat))
    for args in (["apply", "plate.gcode", "-o", "o.gcode"], ["post", "plate.gcode"]):
        ran = run(args[0], "--kit", "key.kit.yaml", "--material", "petg", *args[1:])
        assert ran.status == 5
        assert re.fullmatch(r"error: plate\.gcode:\d+: " + pattern, ran.first)
    assert not (place / "o.gcode").exists()
    assert (place / "plate.gcode").read_bytes() == made(ONE)


@pytest.mark.parametrize(
    "treat, first",
    [
        ("{nozzle: {add: 170}}", "nozzle.add: found 170, expected a number in C from -100 to 100"),
        ("{rest: {seconds: 40}}", "rest.seconds: found 40, expected a number in s from above 0 to 30"),
    ],
)
def test_what_no_kit_may_ask_for_is_status_3(place, run, treat, first):
    (place / "key.kit.yaml").write_text(KIT.replace("{speed: {scale: 50%}}", treat))
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode")
    assert (ran.status, ran.first) == (3, f"error: key.kit.yaml:7: parts.key.regions.all.treat.{first}")


def test_without_any_temperature_add_is_refused_with_the_reason(place, run, made):
    """Neither commands nor macro words nor settings: nothing to add to, and nothing to return to."""
    lines = made(ONE).split(b"\n")
    bare = [k for k in lines if not k.startswith((b"M104", b"M109")) and b"temperature" not in k]
    assert len(bare) < len(lines)
    (place / "plate.gcode").write_bytes(b"\n".join(bare))
    (place / "key.kit.yaml").write_text(
        KIT.replace("{speed: {scale: 50%}}", "{nozzle: {add: 8}, speed: {scale: 50%}}")
    )
    assert "nozzle_c" not in run("inspect", "plate.gcode", "--json").json
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--json")
    assert ran.status == 0
    nozzle = next(r for r in ran.json["regions"] if r["treatment"] == "nozzle")
    assert nozzle["done"] == "nothing"
    assert nozzle["why"].startswith("no temperature is known before these beads")
    speed = next(r for r in ran.json["regions"] if r["treatment"] == "speed")
    assert speed["done"] != "nothing"
    assert "warning: key#1/all: nozzle +8 C: nothing, no temperature is known" in ran.err
    # With a base in the kit the same plate is treated.
    with_base = (place / "key.kit.yaml").read_text() + "base: {nozzle: 230}\n"
    (place / "key.kit.yaml").write_text(with_base.replace("speed: {scale: 50%}}", "force: true}"))
    again = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--json").json
    assert again["regions"][0]["done"].startswith("238 C over ")


def test_control_characters_of_a_file_never_reach_the_terminal(place, run, made):
    evil = b"wedge-key-snug\x1b[2J\x07"
    (place / "plate.gcode").write_bytes(made(ONE).replace(b"wedge-key-snug", evil))
    for args in (["inspect", "plate.gcode"], ["inspect", "plate.gcode", "-v", "--kit", "key.kit.yaml"]):
        ran = run(*args)
        assert ran.status == 0 and "\x1b" not in ran.out + ran.err and "\x07" not in ran.out + ran.err


def _args(command: str, file: str) -> list[str]:
    return {
        "inspect": ["inspect", file],
        "apply": ["apply", file, "--kit", "key.kit.yaml", "-o", "o.gcode"],
        "post": ["post", "--kit", "key.kit.yaml", file],
        "compare": ["compare", "plate.gcode", file],
        "learn": ["learn", file, "-o", "new.kit.yaml"],
    }[command]

"""Commands on packed files: plates by number, in place, under any name, and left alone where something is wrong."""

from __future__ import annotations

import gzip
import io
import json
import re
import struct
import subprocess
import sys
import zipfile
from functools import lru_cache
from pathlib import Path

import pytest
import yaml
from container_makers import LIST, RELS, SLICED, block, digest, entries, package, plate_list, rels, sliced
from own_readers import text_of, walk
from slow_forms import slow_pack

from gcodetools.demo.maker import Placement, make

KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))
TEXT = "Metadata/plate_{}.gcode"
KIT = """beadwright: 1
kit: keys
material: petg
parts:
  key:
    found_by: {label: ["wedge-key*"]}
    regions:
      all:
        role: seat
        within: all
        load: {press: {diameter: 8, interference: 0.1, length: 10, outer: 14}}
        treat: {speed: {scale: 80%}}
"""


@lru_cache(maxsize=4)
def keys(count: int = 2) -> bytes:
    return make("B", parts=KEYS[:count]).data


@lru_cache(maxsize=4)
def two_plates() -> bytes:
    """A package of two plates: one key, two keys."""
    first, second = keys(1), keys(2)
    contents = entries(first) | {TEXT.format(2): second, TEXT.format(2) + ".md5": digest(second)}
    names = [TEXT.format(n) for n in (1, 2)]
    contents |= {
        RELS: rels(*("/" + name for name in names)),
        LIST: plate_list((1, "single", names[0]), (2, "pair", names[1])),
        SLICED: sliced((1, 100, "0.18"), (2, 200, "0.18")),
    }
    return package(contents)


@lru_cache(maxsize=8)
def binary(encoding: int, compression: int = 0) -> bytes:
    """A binary container of the keys, as slicers pack them: pictures and numbers apart, blocks of 64 KB."""
    printer = b"printer_model=Maker\nestimated printing time (normal mode)=5m 0s\nfilament used [g]=1.50\n"
    parts = [
        b"GCDE" + struct.pack("<IH", 1, 1),
        block(0, b"Producer=maker 1\n"),
        block(3, printer),
        block(5, b"PNG", 0, struct.pack("<HHH", 0, 16, 16)),
        block(4, printer.partition(b"\n")[2]),
        block(2, b"filament_diameter=1.75\nlayer_height=0.2\nnozzle_diameter=0.4\n", 1),
    ]
    piece = b""
    # What the text form states in comments stands in the blocks above.
    lines = [line for line in keys().splitlines(keepends=True) if not re.match(rb"; .* = ", line)] + [b""]
    for line in lines:
        if (not line or len(piece) + len(line) > 65536) and piece:
            content = piece if encoding == 0 else slow_pack(piece, comments=encoding == 2)
            parts.append(block(1, content, compression, struct.pack("<H", encoding)))
            piece = b""
        piece += line
    return b"".join(parts)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("keys.kit.yaml").write_text(KIT)
    Path("two.gcode.3mf").write_bytes(two_plates())
    Path("plain.gcode").write_bytes(keys())
    return tmp_path


COMMANDS = {
    "inspect": ("inspect", "FILE"),
    "apply": ("apply", "FILE", "--kit", "keys.kit.yaml", "-o", "out.3mf"),
    "post": ("post", "--kit", "keys.kit.yaml", "FILE"),
    "estimate": ("estimate", "FILE", "--kit", "keys.kit.yaml"),
    "advise": ("advise", "FILE", "--kit", "keys.kit.yaml", "--margin", "1.5"),
    "compare": ("compare", "FILE", "plain.gcode"),
    "compare, second": ("compare", "plain.gcode", "FILE"),
    "report": ("report", "FILE", "-o", "out.html"),
    "report, against": ("report", "plain.gcode", "--against", "FILE", "-o", "out.html"),
    "plot": ("plot", "FILE", "--layer", "2", "-o", "out.svg"),
    "plot, against": ("plot", "plain.gcode", "--against", "FILE", "--layer", "2", "-o", "out.svg"),
    "learn": ("learn", "FILE", "-o", "out.kit.yaml"),
    "ladder": ("ladder", "FILE", "--kit", "keys.kit.yaml", "--vary", "speed=60%,80%", "-o", "out.3mf"),
    "nudge": ("nudge", "FILE", "--kit", "keys.kit.yaml", "--offset", "0.05", "-o", "out.3mf"),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_asks_which_plate(run, folder, command):
    ran = run(*(word.replace("FILE", "two.gcode.3mf") for word in COMMANDS[command]))
    assert ran.status == 2 and ran.out == ""
    assert "two.gcode.3mf: found 2 plates, expected one to be chosen" in ran.err
    assert "--plate" in ran.err and "1 (single), 2 (pair)" in ran.err
    assert Path("two.gcode.3mf").read_bytes() == two_plates()
    assert not list(folder.glob("out*"))


QUICK = ["inspect", "apply", "compare", "compare, second", "report", "plot", "learn", "ladder", "nudge"]


@pytest.mark.parametrize("command", QUICK)
def test_each_command_takes_the_plate_named(run, folder, few_cells, command):
    words = [word.replace("FILE", "two.gcode.3mf") for word in COMMANDS[command]]
    if command == "learn":
        words += ["--object", "wedge-key-snug"]
    ran = run(*words, "--plate", 2, "--json")
    assert ran.status == 0, ran.err
    if command == "inspect":
        record = json.loads(ran.out)
        assert len(record["objects"]) == 2 and record["file"] == "two.gcode.3mf"
        assert record["container"] == {
            "kind": "package", "plate": 2, "inside": "Metadata/plate_2.gcode", "thumbnails": 0, "notes": [],
            "plates": [{"number": 1, "name": "single"}, {"number": 2, "name": "pair"}], "bytes": len(two_plates()),
        }  # fmt: skip
    if command in ("apply", "ladder", "nudge"):
        with zipfile.ZipFile("out.3mf") as out:
            assert out.read(TEXT.format(1)) == keys(1)
            assert b"; beadwright record" in out.read(TEXT.format(2))
        assert Path("two.gcode.3mf").read_bytes() == two_plates()
    stale = "Metadata/plate_2.json: the boxes of objects in it stay as they were"
    assert (stale in ran.err) is (command == "nudge")


def test_post_treats_one_plate_in_place(run, folder):
    Path("slice.tmp").write_bytes(two_plates())
    ran = run("post", "--kit", "keys.kit.yaml", "--verify", "--plate", 2, "slice.tmp")
    assert ran.status == 0 and "1 region" not in ran.err
    with zipfile.ZipFile(io.BytesIO(two_plates())) as a, zipfile.ZipFile("slice.tmp") as b:
        assert {n for n in a.namelist() if a.read(n) != b.read(n)} == {
            TEXT.format(2), TEXT.format(2) + ".md5", SLICED,
        }  # fmt: skip
        told = b.read(SLICED).decode()
        assert b.read(TEXT.format(2) + ".md5") == digest(b.read(TEXT.format(2)))
    assert 'value="100"' in told and 'value="200"' not in told
    once = Path("slice.tmp").read_bytes()
    ran = run("post", "--kit", "keys.kit.yaml", "--plate", 2, "slice.tmp")
    assert ran.status == 5 and "treated already" in ran.err
    assert Path("slice.tmp").read_bytes() == once
    # The other plate is not treated yet.
    assert run("post", "--kit", "keys.kit.yaml", "--plate", 1, "slice.tmp").status == 0
    ran = run("compare", "two.gcode.3mf", "slice.tmp", "--plate", 2, "--json")
    record = json.loads(ran.out)
    assert record["after_is_before_treated"] and record["files"]["after"]["plate"] == 2
    crossed = run("compare", "two.gcode.3mf", "slice.tmp", "--plate", 2, "--plate-before", 1, "--json")
    record = json.loads(crossed.out)
    assert not record["after_is_before_treated"] and record["files"]["before"]["plate"] == 1


@pytest.mark.every(1)
@pytest.mark.parametrize("form", ["2 heatshrink", "2", "1", "0", "gz"])
def test_post_in_place_under_any_name(run, folder, form):
    data = gzip.compress(keys()) if form == "gz" else binary(int(form[0]), 3 if " " in form else 0)
    kit = KIT
    if form == "1":  # no comments, so no labels
        kit = KIT.replace('{label: ["wedge-key*"]}', keys_outline(run))
    Path("keys.kit.yaml").write_text(kit)
    Path("slice.gcode").write_bytes(data)
    ran = run("post", "--kit", "keys.kit.yaml", "--verify", "slice.gcode")
    assert ran.status == 0, ran.err
    out = Path("slice.gcode").read_bytes()
    kind = "gz" if form == "gz" else "binary"
    assert out != data and out[:4] == data[:4]
    assert (b"; beadwright record" in text_of(kind, out)) is (form != "1")
    if kind == "binary":
        before, after = walk(data), walk(out)
        assert [a.stored for a in before[:1]] + [before[2].stored, before[4].stored] == [
            after[0].stored, after[2].stored, after[4].stored,
        ]  # fmt: skip
        times = {b.pairs["estimated printing time (normal mode)"] for b in (after[1], after[3])}
        assert len(times) == 1 and times != {"5m 0s"}
        record = [value for key, value in after[3].pairs.items() if key.startswith("beadwright ")]
        assert (record[:1] == ["beadwright record 1"]) is (form == "1")
        assert ("our record goes to the print metadata" in ran.err) is (form == "1")
    ran = run("post", "--kit", "keys.kit.yaml", "slice.gcode")
    assert ran.status == 5 and "treated already" in ran.err and Path("slice.gcode").read_bytes() == out
    ran = run("compare", "--kit", "keys.kit.yaml", write(Path("first"), data), "slice.gcode", "--json")
    assert json.loads(ran.out)["after_is_before_treated"]
    again = run("post", "--kit", "keys.kit.yaml", "--again", "slice.gcode")
    assert again.status == 0 and "treated already and now on top of that" in again.err


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def keys_outline(run) -> str:
    """The outline that `learn` finds, as the kit's `found_by`."""
    run("learn", write(Path("one.gcode"), keys(1)), "-o", "learnt.kit.yaml")
    (part,) = yaml.safe_load(Path("learnt.kit.yaml").read_text())["parts"].values()
    found = {key: value for key, value in part["found_by"].items() if key != "label"}
    return json.dumps(found)


def test_a_plate_without_the_part_stays(run, folder):
    kit = KIT.replace("wedge-key*", "nothing*")
    Path("keys.kit.yaml").write_text(kit)
    Path("a.bgcode").write_bytes(binary(2, 3))
    ran = run("post", "--kit", "keys.kit.yaml", "a.bgcode")
    assert ran.status == 0 and "left as it is" in ran.err
    assert Path("a.bgcode").read_bytes() == binary(2, 3)


def wrong_digest() -> bytes:
    return package(entries(keys()) | {TEXT.format(1) + ".md5": b"0" * 32})


def broken_sum() -> bytes:
    data = bytearray(binary(0))
    data[-1] ^= 1
    return bytes(data)


def damaged(kind: str) -> tuple[bytes, int, str]:
    """A file that must be refused: its bytes, the status, and what is said."""
    bomb = entries(b"G1 X1\n" * (1 << 23)) if kind == "bomb" else {}
    return {
        "digest": lambda: (wrong_digest(), 5, "its digest disagrees"),
        "sum": lambda: (broken_sum(), 5, "the checksum of the G-code block at offset"),
        "cut": lambda: (binary(0)[:-9], 3, "found a length of"),
        "cut gz": lambda: (gzip.compress(keys())[:-9], 3, "the end of the file"),
        "bomb": lambda: (package(bomb), 3, "plate_1.gcode"),
        "trick": lambda: (package(entries(keys()) | {"../out": b"x"}), 3, "'../out'"),
        "model": lambda: (package({"3D/3dmodel.model": b"<model/>"}), 3, "a model, not a print"),
        "nested": lambda: (gzip.compress(binary(0)), 3, "a binary container inside a gz"),
    }[kind]()


@pytest.mark.parametrize("kind", ["digest", "sum", "cut", "cut gz", "bomb", "trick", "model", "nested"])
def test_what_is_wrong_is_told_and_left_alone(run, folder, kind):
    data, status, said = damaged(kind)
    Path("slice.bin").write_bytes(data)
    ran = run("post", "--kit", "keys.kit.yaml", "slice.bin")
    cause = next(line for line in ran.err.splitlines() if line.startswith("error:"))
    assert ran.status == status and cause.startswith("error: slice.bin: ") and said in cause
    assert ran.err.splitlines()[-1] != cause  # and a hint
    assert Path("slice.bin").read_bytes() == data
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        ["keys.kit.yaml", "plain.gcode", "slice.bin", "two.gcode.3mf"]
    )
    if status == 5:  # what can be read is shown, with a warning
        ran = run("inspect", "slice.bin")
        assert ran.status == 0 and "warning: slice.bin: " in ran.err


def test_endings_that_say_another_thing_are_warned_of(run, folder):
    Path("a.bgcode").write_bytes(binary(2, 3))
    apply = ("apply", "a.bgcode", "--kit", "keys.kit.yaml", "-q", "-o")
    assert "ending" not in run(*apply, "out.bgcode").err
    said = run(*apply, "out.gcode").err
    assert "-o out.gcode: a binary container is written" in said and "--unpacked" in said
    assert Path("out.gcode").read_bytes() == Path("out.bgcode").read_bytes()
    assert "ending" not in run(*apply, "out.gcode", "--unpacked").err
    assert Path("out.gcode").read_bytes() == text_of("binary", Path("out.bgcode").read_bytes())
    assert "plain text is written under the ending .bgcode" in run(*apply, "out2.bgcode", "--unpacked").err
    assert run(*apply, "strict.gcode", "--strict").status == 6
    assert not Path("strict.gcode").exists()


def test_a_number_that_one_plate_does_not_have(run, folder):
    ran = run("inspect", "plain.gcode", "--plate", 2)
    assert ran.status == 2 and "a text file holds one plate, asked for plate 2" in ran.err
    assert run("inspect", "plain.gcode", "--plate", 1, "-q").status == 0
    ran = run("inspect", "two.gcode.3mf", "--plate", 3)
    assert ran.status == 2 and "found no plate 3" in ran.err
    ran = run("compare", "two.gcode.3mf", "plain.gcode", "--plate", 2)
    assert ran.status == 0 and "plain.gcode: holds one plate, which is taken" in ran.err
    ran = run("compare", "two.gcode.3mf", "plain.gcode", "--plate", 3)
    assert ran.status == 2 and "There" not in ran.out
    ran = run("report", "plain.gcode", "--plate-before", 1, "-o", "out.html")
    assert ran.status == 2 and "--plate-before without --against" in ran.err


def test_what_people_read(run, folder):
    Path("a.bgcode").write_bytes(binary(2, 3))
    shown = run("inspect", "a.bgcode").out
    assert "packed in  binary container, " in shown and "heatshrink, packed text, 1 picture" in shown
    assert "5 min 00 s stated by the file" in shown
    shown = run("inspect", "two.gcode.3mf", "--plate", 2).out
    assert "plate      2; there are 1 (single), 2 (pair)" in shown
    apply = ("apply", "a.bgcode", "--kit", "keys.kit.yaml", "--no-estimate", "-o")
    assert "packed in  binary container; all else in it as it was" in run(*apply, "o.bgcode").out
    shown = " ".join(run(*apply, "o.gcode", "--unpacked").out.split())
    assert "left behind in the container: 4 settings, 2 totals, 1 picture" in shown


def test_a_plain_file_loads_nothing_that_unpacks(run, folder):
    """Most files are plain, and a hook runs on every slice."""
    script = (
        "import sys\nfrom gcodetools.cli.main import status_of\n"
        "status = status_of(sys.argv[1:])\n"
        "loaded = [m for m in sys.modules if m.startswith('gcodetools.gcode.containers.') or m == 'heatshrink2']\n"
        "sys.exit(f'{status} {sorted(loaded)}')\n"
    )
    post = ("post", "-q", "--kit", "keys.kit.yaml", "plain.gcode")
    write(Path("a.bgcode"), binary(2, 3))
    apply = ("apply", "-q", "--kit", "keys.kit.yaml", "a.bgcode", "-o")
    plain, packed = (
        subprocess.run([sys.executable, "-c", script, *words], capture_output=True, timeout=60, check=False)
        for words in (post, (*apply, "-"))
    )
    assert plain.stderr.decode().splitlines()[-1] == "0 ['gcodetools.gcode.containers.base']"
    assert b"heatshrink2" in packed.stderr and packed.stderr.splitlines()[-1].startswith(b"0 ")
    # What goes to standard output is what goes to a file.
    assert run(*apply, "out.bgcode").status == 0
    assert packed.stdout == Path("out.bgcode").read_bytes()

"""Kits, profiles and files from strangers: nothing runs, nothing leaves its folder, nothing is smuggled into G-code.

What is tested elsewhere: YAML's tags, aliases and depth (tests/documents/test_yaml.py), bombs and names in packages
(tests/gcode/containers/test_package.py), the page (tests/browser/test_hostile.py). Weaknesses by their numbers in the
Common Weakness Enumeration (MITRE): 22 path traversal, 74 injection, 409 amplification, 150 terminal escapes.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import re
import time
import xml.etree.ElementTree as ElementTree
import zipfile
from pathlib import Path

import pytest
from targets import INI, ORDER, kit_text, package, plate

from gcodetools.cli.main import status_of
from gcodetools.demo.kit import hoophouse_kit

KIT = ["--kit", "k.kit.yaml"]
EVIL = "G1 X999 Y999 E99"
# What ends a line in some reader or other: the line feed and return of G-code; NEL, LS and PS of Unicode (section 5.8
# of the Unicode Standard); vertical tab and form feed, at which Python's own splitlines cuts.
ENDS = ["\n", "\r", "\r\n", "\x0b", "\x0c", "\x85", "\u2028", "\u2029", "\x1c"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plate of one key and its kit, inside one that must stay as it is."""
    folder = tmp_path / "outer" / "inner"
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    (folder / "plate.gcode").write_bytes(plate("B"))
    (folder / "k.kit.yaml").write_text(kit_text(), encoding="utf-8")
    return folder


def everything(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def quoted(text: str) -> str:
    """As a scalar of YAML that holds the very characters."""
    return json.dumps(text)


# --- comments that we write into G-code


def commands_of(data: bytes) -> list[bytes]:
    """Lines that a printer takes for commands, cut wherever any reader might cut."""
    text = data.decode("utf-8", "surrogateescape")
    for end in ENDS:
        text = text.replace(end, "\n")
    lines = [line.strip() for line in text.split("\n")]
    return [line.encode("utf-8", "surrogateescape") for line in lines if line and line[0] not in ";("]


def added(before: bytes, after: bytes) -> set[bytes]:
    return set(commands_of(after)) - set(commands_of(before))


@pytest.mark.parametrize("end", ENDS, ids=repr)
@pytest.mark.parametrize("where", ["kit", "part", "region"])
@pytest.mark.every(4)
def test_a_name_in_the_kit_smuggles_no_command(bench: Path, end: str, where: str) -> None:
    """CWE-74. The record names kit, part and region: a line end in a name must not end its comment."""
    name = f"nice{end}{EVIL}{end}; x"
    text = kit_text()
    place = {"kit": "kit: keys", "part": "  wedge-key-snug:", "region": "      shank:"}[where]
    assert place in text
    new = f"kit: {quoted(name)}" if where == "kit" else place.replace(place.strip(" :"), quoted(name))
    (bench / "k.kit.yaml").write_text(text.replace(place, new), encoding="utf-8")
    status = status_of(["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q", "--verify"])
    if status == 3:  # refused as a name
        assert not (bench / "o.gcode").exists()
        return
    assert status == 0
    out = (bench / "o.gcode").read_bytes()
    assert b"beadwright record" in out
    assert not [line for line in added(plate("B"), out) if b"X999" in line or b"E99" in line]


@pytest.mark.skipif(os.name == "nt", reason="names there hold no line end")
@pytest.mark.parametrize("end", ["\n", "\r", "\u2028"], ids=repr)
def test_a_file_name_smuggles_no_command(bench: Path, end: str) -> None:
    """CWE-74. The record names the kit's file."""
    kit = f"k{end}{EVIL}{end};.kit.yaml"
    (bench / "k.kit.yaml").rename(bench / kit)
    assert status_of(["apply", "plate.gcode", "--kit", kit, "-o", "o.gcode", "-q"]) == 0
    assert not [line for line in added(plate("B"), (bench / "o.gcode").read_bytes()) if b"X999" in line]


@pytest.mark.parametrize(
    "label",
    [
        f"wedge-key-snug\r{EVIL}", f"wedge-key-snug;{EVIL}", f"wedge-key-snug) {EVIL} (",
        "wedge-key-snug*" + "A" * 5000,
        "wedge-key-snug\u2028" + EVIL, "wedge-key-snug NAME=other", "wedge-key-snug\x85" + EVIL,
    ],
    ids=lambda label: repr(label[:30]),
)  # fmt: skip
@pytest.mark.parametrize("letter", ["B", "H"])
@pytest.mark.every(3)
def test_a_label_in_the_file_smuggles_no_command(bench: Path, letter: str, label: str) -> None:
    """CWE-74. Marks before new beads repeat the file's own words; what follows a carriage return in them is no command
    of ours."""
    data = plate(letter).replace(b"wedge-key-snug", label.encode())
    (bench / "plate.gcode").write_bytes(data)
    (bench / "k.kit.yaml").write_text(kit_text("{perimeters: {add: 1}, nozzle: {add: 4}}"), encoding="utf-8")
    status = status_of(["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q", "--verify"])
    assert status in (0, 3, 4, 5)
    if status == 0:
        out = (bench / "o.gcode").read_bytes()
        assert not [line for line in added(data, out) if b"X999" in line]
        count = EVIL.encode()
        assert sum(count in line for line in commands_of(out)) == sum(
            count in line for line in commands_of(data)
        )


def test_values_of_the_command_line_smuggle_no_command(bench: Path) -> None:
    """CWE-74. Overrides are entered in the record."""
    args = ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q", "--set", f"material.price_per_kg=22\n{EVIL}"]
    assert status_of(args) in (0, 2, 3)
    if (bench / "o.gcode").exists():
        assert not [line for line in added(plate("B"), (bench / "o.gcode").read_bytes()) if b"X999" in line]


@pytest.mark.parametrize("name", ["petg\nG1 X999", "p\u2028G1 X999", "../petg", "petg\x00"], ids=repr)
def test_a_material_with_a_hostile_name(bench: Path, name: str) -> None:
    (bench / "m.yaml").write_text(f"beadwright: 1\nmaterial: {quoted(name)}\nlike: petg\n", encoding="utf-8")
    status = status_of(["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q", "--material", "./m.yaml"])
    assert status in (0, 3)
    if status == 0:
        assert not [line for line in added(plate("B"), (bench / "o.gcode").read_bytes()) if b"X999" in line]


# --- what is shown and written elsewhere


def test_no_escape_of_a_terminal_in_what_is_said(bench: Path, capfd) -> None:
    """CWE-150, in errors too: a label, and keys of a kit that is wrong."""
    (bench / "plate.gcode").write_bytes(plate("B").replace(b"wedge-key-snug", b"wedge\x1b]0;owned\x07\x9b2J"))
    text = kit_text().replace("wedge-key-snug:", '"key\\x1b[2J\\x9b":')
    (bench / "k.kit.yaml").write_text(text, encoding="utf-8")
    for args in (["inspect", "plate.gcode"], ["inspect", "plate.gcode", *KIT], ["check", "k.kit.yaml"],
                 ["learn", "plate.gcode", "--object", "no\x1b[2J", "-o", "l.kit.yaml"]):  # fmt: skip
        status_of(args)
    text = kit_text().replace("shank:", '"sh\\x1b[2J": {rle: 1}\n      shank:')
    (bench / "k.kit.yaml").write_text(text, encoding="utf-8")
    assert status_of(["check", "k.kit.yaml"]) == 3
    out, err = capfd.readouterr()
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", out + err)


def test_drawings_escape_what_they_name(bench: Path) -> None:
    """CWE-74: SVG is XML (W3C), and browsers run scripts in it."""
    name = "</text><script>alert(1)</script>\"&'"
    text = (
        kit_text()
        .replace("  wedge-key-snug:", f"  {quoted(name)}:")
        .replace("      shank:", f"      {quoted(name)}:")
    )
    (bench / "k.kit.yaml").write_text(text, encoding="utf-8")
    assert status_of(["check", "k.kit.yaml", "-o", "k.svg", "-q"]) == 0
    label = "<script>alert(2)</script>"
    (bench / "plate.gcode").write_bytes(plate("B").replace(b"wedge-key-snug", label.encode()))
    assert status_of(["learn", "plate.gcode", "--object", "<script>*", "-o", "l.kit.yaml", "-q"]) in (0, 3, 4)
    for path in bench.glob("*.svg"):
        tree = ElementTree.parse(path)
        assert not [node for node in tree.iter() if node.tag.endswith(("script", "foreignObject", "image"))]
        assert not [key for node in tree.iter() for key in node.attrib if key.lower().startswith("on")]
    assert (bench / "k.svg").exists()


def test_a_learnt_kit_quotes_its_label(bench: Path) -> None:
    """A label that would be YAML of its own in the kit that `learn` writes."""
    label = 'x"]}\n'.strip() + "  regions: {a: 1} #"
    (bench / "plate.gcode").write_bytes(plate("B").replace(b"wedge-key-snug", label.encode()))
    assert status_of(["learn", "plate.gcode", "--object", "x*", "-o", "l.kit.yaml", "-q"]) == 0
    assert status_of(["check", "l.kit.yaml", "-q"]) in (0, 3)
    text = (bench / "l.kit.yaml").read_text(encoding="utf-8")
    assert "\nregions:" not in text and not re.search(r"^\s*regions: \{a: 1\}", text, re.MULTILINE)


def test_a_table_holds_no_formula(bench: Path) -> None:
    """Names in the schedule that a spreadsheet would run (OWASP, CSV injection: a cell that begins with = + - @)."""
    text = ORDER.replace("name: bench", "name: '=1+1'").replace("name: attic", "name: '@x'")
    (bench / "run.order.yaml").write_text(text, encoding="utf-8")
    status = status_of(["plan", "run.order.yaml", "--runs", "100", "--csv", "o.csv", "--ics", "o.ics", "-q"])
    assert status in (0, 3)
    if status == 0:
        rows = list(csv.reader(io.StringIO((bench / "o.csv").read_text(encoding="utf-8"))))
        assert rows and not [cell for row in rows for cell in row if cell[:1] in ("=", "@")]
        ics = (bench / "o.ics").read_bytes()
        assert ics.count(b"BEGIN:VCALENDAR") == 1


def test_a_calendar_keeps_one_event_an_event(bench: Path) -> None:
    """A printer's name with the end of an event in it (RFC 5545, 3.3.11: line feeds in text are escaped)."""
    name = "x\nEND:VEVENT\nBEGIN:VALARM\nATTACH:file:///etc/passwd"
    text = ORDER.replace("name: bench", f"name: {quoted(name)}")
    (bench / "run.order.yaml").write_text(text, encoding="utf-8")
    status = status_of(["plan", "run.order.yaml", "--runs", "100", "--ics", "o.ics", "-q"])
    assert status in (0, 3)
    if status == 0:
        ics = (bench / "o.ics").read_bytes()
        assert b"\nBEGIN:VALARM" not in ics and ics.count(b"\nEND:VEVENT") == ics.count(b"\nBEGIN:VEVENT")


# --- paths


@pytest.mark.parametrize(
    "value", ["/etc/passwd", "../../secret.yaml", "..", "/dev/zero", "secret\x00.yaml", "~/.ssh/id_rsa"]
)
@pytest.mark.parametrize("key", ["material", "machine", "mesh"])
@pytest.mark.every(3)
def test_a_path_in_a_kit_is_read_at_most(bench: Path, capfd, key: str, value: str) -> None:
    """CWE-22. What a kit names is opened as what it is to be; of any other file no content is shown."""
    (bench.parent.parent / "secret.yaml").write_text("password: hunter2\n", encoding="utf-8")
    text = kit_text()
    if key == "mesh":
        text = text.replace("within: {slab: {z: [1, 3]}}", f"within: {{mesh: {quoted(value)}}}")
    else:
        text = re.sub(r"(?m)^material: petg$", "", text) + f"{key}: {quoted(value)}\n"
    (bench / "k.kit.yaml").write_text(text, encoding="utf-8")
    before = everything(bench.parent.parent)
    began = time.process_time()
    status = status_of(["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q"])
    assert status == 3 and time.process_time() - began < 10
    out, err = capfd.readouterr()
    assert "hunter2" not in out + err and "nobody:" not in out + err
    assert everything(bench.parent.parent) == before


@pytest.mark.parametrize(
    "name", ["../../x.gcode", "/tmp/beadwright-x.gcode", "Metadata/../../../x.gcode", "..\\x.gcode"]
)
def test_a_package_is_never_unpacked_into_files(bench: Path, name: str) -> None:
    """CWE-22, "zip slip"."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package())) as old, zipfile.ZipFile(made, "w") as new:
        for entry in old.namelist():
            new.writestr(entry, old.read(entry))
        new.writestr(name, b"G1 X1\n")
    (bench / "p.3mf").write_bytes(made.getvalue())
    before = everything(bench.parent.parent)
    assert status_of(["inspect", "p.3mf", "-q"]) in (0, 3)
    assert status_of(["post", *KIT, "-q", "p.3mf"]) in (0, 3)
    after = everything(bench.parent.parent)
    assert after.keys() == before.keys() and not Path("/tmp/beadwright-x.gcode").exists()


def test_an_order_reads_plates_and_writes_what_it_was_told(bench: Path, capfd) -> None:
    text = ORDER.replace("file: plate.gcode", "file: /etc/passwd")
    (bench / "run.order.yaml").write_text(text, encoding="utf-8")
    before = everything(bench.parent.parent)
    assert status_of(["plan", "run.order.yaml", "--runs", "100"]) == 3
    assert "root:" not in "".join(capfd.readouterr()) and everything(bench.parent.parent) == before


# --- code, and size


CODE = [
    "!!python/object/apply:os.system ['touch ran']", "!!python/name:os.system",
    "!<tag:yaml.org,2002:python/module:os> x",
    "{__import__: os}", "'{0.__class__.__mro__}'", "'%(x)s{x!r}${IFS}`touch ran`$(touch ran)'",
]  # fmt: skip


@pytest.mark.parametrize("code", CODE, ids=str)
@pytest.mark.parametrize("file", ["kit", "material", "order", "settings", "sheet"])
@pytest.mark.every(4)
def test_no_code_of_a_file_runs(bench: Path, file: str, code: str) -> None:
    texts = {
        "kit": (kit_text().replace("kit: keys", f"kit: {code}"), "k.kit.yaml", ["check", "k.kit.yaml"]),
        "material": (f"beadwright: 1\nmaterial: {code}\nlike: petg\n", "m.yaml",
                     ["inspect", "plate.gcode", "--material", "./m.yaml"]),
        "order": (ORDER.replace("order: spring", f"order: {code}"), "r.yaml", ["plan", "r.yaml", "--runs", "100"]),
        "settings": (INI.decode() + f"post_process = {code}\n", "s.ini", ["profile", "show", "s.ini", "--all"]),
        "sheet": (f"# part: {code}\nspecimen,nozzle_c,force_n\n1,220,{code}\n", "s.csv", ["tune", "s.csv"]),
    }  # fmt: skip
    text, name, args = texts[file]
    (bench / name).write_text(text, encoding="utf-8")
    assert status_of([*args, "-q"]) in (0, 2, 3, 5)
    assert not (bench / "ran").exists()


def bomb(levels: int, width: int = 10) -> str:
    rows = [f"a0: &a0 [{', '.join(['x'] * width)}]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * width)}]" for n in range(1, levels)]
    return "\n".join(rows)


@pytest.mark.parametrize("name, args", [
    ("k.kit.yaml", ["check", "k.kit.yaml"]), ("m.yaml", ["inspect", "plate.gcode", "--material", "./m.yaml"]),
    ("m.yaml", ["inspect", "plate.gcode", "--machine", "./m.yaml"]), ("r.yaml", ["plan", "r.yaml"]),
    ("s.json", ["profile", "show", "s.json"]),
])  # fmt: skip
@pytest.mark.parametrize("text", [
    bomb(12), "[" * 100_000, "{a: " * 50_000, "a: &a {<<: *a}", "x: " + "9" * 3_000_000, "{" * 3_000_000,
    '{"a":' * 100_000,
], ids=["aliases", "lists", "mappings", "itself", "digits", "open", "json"])  # fmt: skip
@pytest.mark.every(6)
def test_bombs_of_every_kind_end_soon(bench: Path, name: str, args: list[str], text: str) -> None:
    """CWE-409 and CWE-776: refused, within seconds."""
    (bench / name).write_text(text, encoding="utf-8")
    began = time.process_time()
    status = status_of([*args, "-q"])
    took = time.process_time() - began
    assert status == 3 or (name == "s.json" and status == 0)
    assert took < 8


@pytest.mark.parametrize("bytes_of", [
    lambda: gzip.compress(b"G1 X1\n" * 20_000_000, 9), lambda: package()[:-1] + b"\xff" * 70_000,
], ids=["gz", "comment"])  # fmt: skip
@pytest.mark.long
def test_packed_bombs_end_soon(bench: Path, bytes_of) -> None:
    (bench / "p.gz").write_bytes(bytes_of())
    began = time.process_time()
    assert status_of(["inspect", "p.gz", "-q"]) == 3
    assert time.process_time() - began < 8


def test_a_pattern_of_a_label_that_backtracks(bench: Path) -> None:
    """CWE-1333: a glob of many stars against a label that almost fits it."""
    (bench / "plate.gcode").write_bytes(plate("B").replace(b"wedge-key-snug", b"a" * 150))
    text = kit_text().replace('label: "*"', f'label: "{"*a" * 60}b"')
    (bench / "k.kit.yaml").write_text(text, encoding="utf-8")
    began = time.process_time()
    assert status_of(["inspect", "plate.gcode", *KIT, "-q"]) in (0, 3)
    assert time.process_time() - began < 8


def test_the_kit_of_the_demo_is_none_of_this(bench: Path) -> None:
    """What stands here would prove nothing if an honest kit were refused as well."""
    (bench / "k.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    assert status_of(["check", "k.kit.yaml", "-q"]) == 0

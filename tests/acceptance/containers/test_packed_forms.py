"""Forms of containers that no sample shows: nothing asked gives the very bytes; a treatment, read by others."""

from __future__ import annotations

import gzip
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path

import pytest
from container_makers import CONFIG, PLATE, PRINT, PRINTER, block, digest, entries, package
from own_readers import walk
from slow_forms import slow_pack, slow_unpack

from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import film_clip
from gcodetools.jobs.apply import Options, apply_plate, read_plate
from gcodetools.kit.schema import kit_from_bytes

KIT = """beadwright: 1
kit: clips
material: petg
parts:
  clip:
    found_by: {label: ["*"]}
    regions:
      all: {within: all, treat: {TREAT}}
"""
ALL = "{perimeters: {add: 1}, infill: solid, speed: {scale: 80%}, fan: {cap: 20%}, rest: {seconds: 1}, force: true}"
ODD_NAMES = {
    "Metadata/Größe & co.txt": b"x",
    "a b/c (1).png": b"y",
    "日本.txt": b"z",
    "a%20b": b"1",
    ".hidden": b"",
    "x" * 200: b"",
}


@lru_cache(maxsize=4)
def text(newline: str = "\n") -> bytes:
    """A small print; what its settings say stands beside the text in a binary container."""
    data = make("B", parts=(Placement(film_clip(height_mm=1.0), 60, 60),), newline=newline).data
    return re.sub(rb"(?m)^; [^\n]* = [^\n]*\n", b"", data)


def cut(data: bytes, size: int = 65536) -> Iterator[bytes]:
    piece = b""
    for line in data.splitlines(keepends=True):
        if piece and len(piece) + len(line) > size:
            yield piece
            piece = b""
        piece += line
    yield piece


def binary(
    order: str = "fptms", size: int = 65536, compression: int = 0, encoding: int = 2, summed: bool = True,
    metadata: int = 0, newline: str = "\n",
) -> bytes:  # fmt: skip
    """A binary container. order : of the blocks before the text: file, printer, thumbnail, print, settings."""
    made = {
        "f": (0, b"Producer=maker 1\n"), "p": (3, PRINTER), "m": (4, PRINT), "s": (2, CONFIG), "e": (0, b""),
        "n": (4, PRINT[:-1]), "o": (4, PRINT + b"no equals sign\nx\xff=\xfe\nfilament cost=0.1\n"),
    }  # fmt: skip
    parts = [b"GCDE" + struct.pack("<IH", 1, int(summed))]
    for letter in order:
        if letter in "tq":
            form = struct.pack("<HHH", 0 if letter == "t" else 2, 16, 16)
            parts.append(block(5, b"PNG or QOI", 0, form, summed))
        else:
            parts.append(block(*made[letter], metadata, summed=summed))
    for piece in cut(text(newline), size):
        content = slow_pack(piece, comments=True) if encoding == 2 else piece
        parts.append(block(1, content, compression, struct.pack("<H", encoding), summed))
    return b"".join(parts)


def flagged() -> bytes:
    """A gz with an extra field, a name, a comment and a sum of its header, after RFC 1952."""
    head = (
        b"\x1f\x8b\x08\x1e"
        + struct.pack("<I", 77)
        + b"\x02\x03"
        + struct.pack("<H", 4)
        + b"abcdname.gcode\0a comment\0"
    )
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = packer.compress(text()) + packer.flush()
    tail = struct.pack("<II", zlib.crc32(text()), len(text()))
    return head + struct.pack("<H", zlib.crc32(head) & 0xFFFF) + body + tail


def without(suffix: str) -> dict[str, bytes]:
    return {name: content for name, content in entries(text()).items() if not name.endswith(suffix)}


def commented() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        made.writestr("Metadata/", b"")
        for name, content in entries(text()).items():
            made.writestr(name, content)
        made.comment = b"a comment"
    return out.getvalue()


ORDERS = ("ptms", "ftqpms", "spmtf", "fptm", "", "eptns", "fptos")
FORMS: dict[str, Callable[[], bytes]] = {
    **{
        f"compression {c}, encoding {e}": lambda c=c, e=e: binary(compression=c, encoding=e)
        for c in range(4)
        for e in (0, 2)
    },
    **{f"blocks {order}": lambda order=order: binary(order) for order in ORDERS},
    **{f"metadata {c}": lambda c=c: binary(metadata=c) for c in (1, 2, 3)},
    "no checksums": lambda: binary(summed=False),
    "many small blocks": lambda: binary(size=300, compression=3),
    "one large block": lambda: binary(size=1 << 30),
    "CRLF in blocks": lambda: binary(newline="\r\n"),
    "CRLF in plain blocks": lambda: binary(newline="\r\n", encoding=0, compression=2),
    "stored": lambda: package(entries(text()), method=zipfile.ZIP_STORED),
    "zip64": lambda: package(entries(text()), zip64=True),
    "streamed": lambda: package(entries(text()), streamed=True),
    "streamed zip64": lambda: package(entries(text()), streamed=True, zip64=True),
    "a comment and a folder": commented,
    "odd names": lambda: package(entries(text()) | ODD_NAMES),
    "no digest": lambda: package(without(".md5")),
    "a digest in lower case": lambda: package(entries(text()) | {f"{PLATE}.md5": digest(text()).lower() + b"\r\n"}),
    "no relationships": lambda: package(without(".rels")),
    "G-code alone": lambda: package({PLATE: text()}),
    "plate 3 alone": lambda: package({"Metadata/plate_3.gcode": text()}),
    "CRLF in a package": lambda: package(entries(text("\r\n"))),
    "members of a gz": lambda: b"".join(gzip.compress(piece) for piece in cut(text(), 20_000)),
    "a gz that packs nothing": lambda: gzip.compress(text(), 0),
    "zeros behind a gz": lambda: gzip.compress(text()) + b"\0" * 512,
    "a gz with all fields": flagged,
}  # fmt: skip


def read_by_others(data: bytes) -> bytes:
    """The text in a container: by zipfile, by gzip, by a walk over blocks."""
    if data[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(data)) as made:
            assert made.testzip() is None
            return next(made.read(name) for name in made.namelist() if name.endswith(".gcode"))
    if data[:2] == b"\x1f\x8b":
        return gzip.decompress(data.rstrip(b"\0") + b"\0\0\0\0" if data.endswith(b"\0" * 512) else data)
    blocks = walk(data)
    return b"".join(
        slow_unpack(one.content) if one.encoding else one.content for one in blocks if one.kind == 1
    )


def commands(data: bytes) -> list[bytes]:
    """Lines without comments and blanks, which packing may drop."""
    bare = (re.sub(rb";.*|\s", b"", line) for line in data.splitlines())
    return [line for line in bare if line]


@pytest.mark.every(2)
@pytest.mark.parametrize("form", FORMS)
def test_a_form_goes_the_whole_way(form, tmp_path: Path):
    data = FORMS[form]()
    path = tmp_path / "a.bin"
    path.write_bytes(data)
    plate = read_plate(path)
    for treat in ("{}", "{speed: {scale: 100%}, flow: {scale: 100%}}"):
        kit = kit_from_bytes(KIT.replace("{TREAT}", treat).encode(), "nothing.kit.yaml")
        assert apply_plate(plate, kit, Options(())).treated.render_file() == data
    kit = kit_from_bytes(KIT.replace("{TREAT}", ALL).encode(), "all.kit.yaml")
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert applied.audit.differing == 0 and {one.setting for one in applied.done} >= {
        "perimeters",
        "speed",
        "fan",
    }
    out = applied.treated.render_file()
    if form == "no checksums":
        return  # the walk wants them
    found = read_by_others(out)
    assert b"; beadwright record 1" in found and commands(found) == commands(applied.treated.render())
    assert len(re.findall(rb"(?m)^G4 ?[PS]", found)) >= len(plate.layers) - 1

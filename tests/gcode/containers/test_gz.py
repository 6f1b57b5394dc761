"""Compressed text: the standard library's gzip is the outside oracle (RFC 1952)."""

from __future__ import annotations

import gzip
import io
import struct
import zlib

import pytest

from gcodetools.errors import Fault, InputError, UsageError
from gcodetools.gcode.containers.base import Limits
from gcodetools.gcode.containers.compression import WRAPPED, inflate
from gcodetools.gcode.containers.opening import open_container, sniff

TEXT = b"".join(b"G1 X%d.%d Y2 E.01\n" % (k, k * 7 % 10) for k in range(3000))


def packed(text: bytes = TEXT, level: int = 6) -> bytes:
    """With a time, a name and a level, as the program of the standard does."""
    out = io.BytesIO()
    with gzip.GzipFile("plate.gcode", "wb", level, out, mtime=1_700_000_000) as made:
        made.write(text)
    return out.getvalue()


def refusal(data: bytes, **limits: int) -> str:
    with pytest.raises(InputError) as caught:
        open_container(data, "a.gz", limits=Limits(**limits))
    return str(caught.value)


@pytest.mark.parametrize("level", [1, 6, 9])
def test_read_and_written_back(level: int) -> None:
    data = packed(level=level)
    found = open_container(data, "a.gz")
    assert (sniff(data), found.kind, found.text, found.notes) == ("gz", "gz", TEXT, ())
    assert found.rebuilt(TEXT) == data
    new = TEXT.replace(b"X7.9", b"X7.9 F900")
    # The same time, name and level: the very bytes that the standard's program makes of the new text.
    assert found.rebuilt(new) == packed(new, level)


def test_all_optional_fields_stay() -> None:
    body = zlib.compressobj(9, zlib.DEFLATED, -15)
    deflated = body.compress(TEXT) + body.flush()
    head = (
        b"\x1f\x8b\x08\x1e"
        + struct.pack("<I", 77)
        + b"\x02\x03"
        + b"\x04\0ab\x00\x00"
        + b"n.gcode\0"
        + b"a word\0"
    )
    head += struct.pack("<H", zlib.crc32(head) & 0xFFFF)
    data = head + deflated + struct.pack("<II", zlib.crc32(TEXT), len(TEXT))
    assert gzip.decompress(data) == TEXT
    found = open_container(data, "a.gz")
    assert found.text == TEXT and found.rebuilt(TEXT) == data
    new = found.rebuilt(TEXT + b"M84\n")
    assert new.startswith(head) and gzip.decompress(new) == TEXT + b"M84\n"
    assert "header checksum" in refusal(head[:-1] + bytes([head[-1] ^ 1]) + data[len(head) :])


def test_members_whose_text_is_unchanged_are_copied() -> None:
    first, second, third = packed(TEXT), packed(b"M104 S200\n" * 200, 9), packed(TEXT[::-1] + b"\n", 1)
    data = first + second + third
    found = open_container(data, "a.gz")
    assert found.text == gzip.decompress(data)
    assert found.rebuilt(found.text) == data
    new = found.text.replace(b"M104 S200\n", b"M104 S210\n", 1)
    written = found.rebuilt(new)
    assert gzip.decompress(written) == new
    assert written.startswith(first) and written.endswith(third) and written != data


@pytest.mark.parametrize(
    ("behind", "said"), [(bytes(512), "512 zero bytes"), (b"junk", "4 bytes that are no")]
)
def test_what_stands_behind_the_end_is_told_and_kept(behind: bytes, said: str) -> None:
    data = packed() + behind
    found = open_container(data, "a.gz")
    assert found.text == TEXT and said in found.notes[0] and str(len(packed())) in found.notes[0]
    assert found.rebuilt(TEXT) == data
    assert found.rebuilt(TEXT + b"M84\n") == packed(TEXT + b"M84\n") + behind


def test_truncated_anywhere_is_refused() -> None:
    data = packed()
    for length in [*range(2, 60), *range(60, len(data), 97), *range(len(data) - 12, len(data))]:
        text = refusal(data[:length])
        assert "a.gz: " in text and "expected the rest" in text


def test_a_flipped_bit_is_refused_or_harmless() -> None:
    data = packed()
    harmless = 0
    for at in [*range(30), *range(30, len(data), 61), *range(len(data) - 8, len(data))]:
        broken = bytearray(data)
        broken[at] ^= 1 << (at % 8)
        if sniff(bytes(broken)) is None:
            continue
        try:
            assert open_container(bytes(broken), "a.gz").text == TEXT
            harmless += 1
        except InputError as error:
            assert str(error).startswith("a.gz: ")
    assert harmless < 24  # time, name and the like


def test_bombs() -> None:
    bomb = gzip.compress(bytes(300_000))
    assert "more than 20000 bytes" in refusal(bomb, ratio=20, ratio_from_bytes=20_000)
    assert "more than 1000 bytes" in refusal(packed(), text_bytes=1000)
    two = packed()
    assert "more than" in refusal(two + two, text_bytes=len(TEXT) + 10)
    assert "at most 3" in refusal(two * 4, parts=3)
    assert open_container(two * 3, "a.gz", limits=Limits(parts=3)).text == TEXT * 3


def test_unpacking_stops_one_byte_beyond_the_limit() -> None:
    bomb = zlib.compress(bytes(1 << 20))
    assert inflate(bomb, WRAPPED, 5000)[0] == bytes(5001)
    assert inflate(bomb + b"behind", WRAPPED, 1 << 20) == (bytes(1 << 20), len(bomb), True)
    assert inflate(bomb[:-1], WRAPPED, 1 << 20)[1:] == (len(bomb) - 1, False)


def test_wrong_sums_and_other_methods() -> None:
    data = bytearray(packed())
    data[-5] ^= 1
    assert "checksum at offset" in refusal(bytes(data))
    assert "method 7" in refusal(b"\x1f\x8b\x07" + packed()[3:])
    assert "a binary container inside a gz" in refusal(gzip.compress(b"GCDE\1\0\0\0"))


def test_one_plate_and_no_totals() -> None:
    with pytest.raises(UsageError, match="plate 2"):
        open_container(packed(), "a.gz", 2)
    with pytest.raises(Fault, match="no such total"):
        open_container(packed(), "a.gz", 1).rebuilt(TEXT, {"prediction": "1"})


def test_plain_text_is_no_container() -> None:
    assert sniff(TEXT) is None
    assert "no container" in refusal(TEXT)

"""Real files against their text twins, and against other libraries: zipfile, zlib, base64, heatshrink2."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator

import heatshrink2
import pytest
from slow_forms import slow_expand, slow_pack, slow_unpack

from gcodetools.errors import InputError, Refused
from gcodetools.gcode.containers.base import SECRET, Limits
from gcodetools.gcode.containers.binary import Binary
from gcodetools.gcode.containers.blocks import GCODE, SETTINGS, THUMBNAIL, Block, block_bytes, read_blocks
from gcodetools.gcode.containers.opening import open_container, sniff
from gcodetools.gcode.containers.packing import pack_lines
from gcodetools.gcode.files import check_text

PLATE = "Metadata/plate_1.gcode"
EDIT = (b"\nG1 Z.4", b"\nG1 Z.4\n; beadwright: a line of ours\nM104 S243")


def lines(text: bytes) -> list[bytes]:
    return text.removesuffix(b"\n").split(b"\n")


def blocks(data: bytes) -> list[Block]:
    return read_blocks(data, "cube", Limits())


# --- the binary container ------------------------------------------------------------------------------------------


def leftover(whole: list[bytes], part: list[bytes]) -> list[bytes]:
    """Lines of `whole` that are not in its subsequence `part`; fails if it is none."""
    rest, at = [], 0
    for one in whole:
        if at < len(part) and one == part[at]:
            at += 1
        else:
            rest.append(one)
    assert at == len(part), f"line {at + 1} is not in the twin, in order: {part[at]!r}"
    return rest


def test_the_text_is_an_exact_subsequence_of_its_twin(cube: bytes, cube_twin: bytes) -> None:
    found = open_container(cube, "cube")
    assert (found.kind, found.notes) == ("binary", ())
    check_text(found.text, "cube")
    mine = lines(found.text)
    rest = leftover(lines(cube_twin), mine)
    assert (len(mine), len(rest)) == (25_851, 437)
    inside = False
    for one in rest[1:]:  # the first names generator, date and time
        opens, closes = one.startswith(b"; thumbnail begin"), one.startswith(b"; thumbnail end")
        inside = (inside or opens) and not closes
        assert inside or closes or one in (b"", b";") or re.fullmatch(rb"; .* = .*", one), one


def test_settings_and_totals_are_those_of_the_twin(cube: bytes, cube_twin: bytes) -> None:
    found = open_container(cube, "cube")
    known = {**found.settings, **found.totals}
    rest = leftover(lines(cube_twin), lines(found.text))
    twin = dict(m.groups() for one in rest if (m := re.fullmatch(r"; (.*?) = (.*)", one.decode())))
    twin = {
        key: value for key, value in twin.items() if not key.endswith("_config") and not SECRET.search(key)
    }
    assert len(twin) > 290
    assert {key: known[key] for key in twin} == twin
    assert found.totals["estimated printing time (normal mode)"] == "32m 6s"


def test_thumbnails_are_those_of_the_twin(cube: bytes, cube_twin: bytes) -> None:
    stored = [cube[one.data_begin : one.data_end] for one in blocks(cube) if one.kind == THUMBNAIL]
    twin = [
        base64.b64decode(found.replace(b"; ", b"").replace(b"\n", b""))
        for found in re.findall(rb"; thumbnail begin [^\n]*\n(.*?); thumbnail end", cube_twin, re.S)
    ]
    assert stored == twin and len(stored) == open_container(cube, "cube").thumbnails == 2


def test_blocks_by_the_slow_references(cube: bytes) -> None:
    """heatshrink2, a decoder of heatshrink of our own and one of packed text agree with what was read."""
    found = open_container(cube, "cube")
    assert isinstance(found, Binary)
    gcode = [one for one in found.blocks if one.kind == GCODE]
    for k, one in enumerate(gcode):
        stored = cube[one.data_begin : one.data_end]
        packed = heatshrink2.decompress(stored, window_sz2=12, lookahead_sz2=4)
        assert slow_unpack(packed) == found.text[found.bounds[k] : found.bounds[k + 1]]
        if k == 9:
            assert slow_expand(stored, 12, one.size) == packed


def test_every_block_is_made_again_byte_for_byte(cube: bytes) -> None:
    """From the decoded text alone, by the packer and by the slow reference: all ten blocks of G-code; the settings
    by zlib."""
    found = open_container(cube, "cube")
    assert isinstance(found, Binary)
    gcode = [one for one in found.blocks if one.kind == GCODE]
    for k, one in enumerate(gcode):
        text = found.text[found.bounds[k] : found.bounds[k + 1]]
        assert cube[one.begin : one.end] == _made(text)
        assert cube[one.begin : one.end] == block_bytes(one, pack_lines(text, comments=True).data)
    (settings,) = (one for one in found.blocks if one.kind == SETTINGS)
    stored = cube[settings.data_begin : settings.data_end]
    assert zlib.compress(zlib.decompress(stored)) == stored


def _made(text: bytes) -> bytes:
    packed = slow_pack(text, comments=True)
    stored = heatshrink2.compress(packed, window_sz2=12, lookahead_sz2=4)
    body = struct.pack("<HHIIH", GCODE, 3, len(packed), len(stored), 2) + stored
    return body + struct.pack("<I", zlib.crc32(body))


def test_from_one_block_s_text_to_another_and_back(cube: bytes) -> None:
    """Blocks made by our writer from the file's own text are the file's own blocks."""
    found = open_container(cube, "cube")
    other = found.text.replace(b"\nG1 ", b"\nG1 F1 ")
    written = open_container(found.rebuilt(other), "cube")
    back = written.rebuilt(found.text)
    assert open_container(back, "cube").text == found.text
    same = [cube[one.begin : one.end] for one in blocks(cube)]
    mine = [back[one.begin : one.end] for one in blocks(back)]
    # The first block begins where it did, so its lines are cut alike; all before G-code is copied.
    assert mine[: len(same) - 10] == same[: len(same) - 10]


def test_the_same_text_gives_the_same_bytes(cube: bytes) -> None:
    found = open_container(cube, "cube")
    assert found.rebuilt(found.text) == cube == found.rebuilt(found.text, dict(found.totals))


def test_only_the_block_that_changed_is_written(cube: bytes) -> None:
    found = open_container(cube, "cube")
    new = found.text.replace(*EDIT, 1)
    written = found.written(new)
    assert written.text == new == open_container(written.data, "cube").text and written.notes == ()
    before = [cube[one.begin : one.end] for one in blocks(cube)]
    after = [written.data[one.begin : one.end] for one in blocks(written.data)]
    # The first was full: its lines are two blocks now. All others are where they were.
    assert after[:6] == before[:6] and after[8:] == before[7:]
    assert all(one.sound for one in blocks(written.data))


@pytest.mark.parametrize("place", ["type", "parameter", "data", "checksum"])
def test_a_flipped_bit_makes_that_block_bad_and_no_other(cube: bytes, place: str) -> None:
    number = 9
    one = blocks(cube)[number]
    places = {
        "type": one.begin,
        "parameter": one.data_begin - 1,
        "data": one.data_begin + 99,
        "checksum": one.end - 1,
    }
    broken = bytearray(cube)
    broken[places[place]] ^= 1
    after = blocks(bytes(broken))
    assert [block.sound for block in after] == [k != number for k in range(len(after))]


def test_a_broken_checksum_alone(cube: bytes) -> None:
    """The text is intact and the note names block and offset; that block is not written anew."""
    one = blocks(cube)[8]
    broken = bytearray(cube)
    broken[one.data_end : one.end] = b"\0\0\0\0"
    found = open_container(bytes(broken), "cube")
    assert found.text == open_container(cube, "cube").text
    assert len(found.notes) == 1 and f"offset {one.begin} (G-code block 3)" in found.notes[0]
    assert found.rebuilt(found.text) == bytes(broken)
    with pytest.raises(Refused, match=f"offset {one.begin}"):
        found.rebuilt(found.text.replace(b"\nG1 X", b"\nG1 F9 X"))


def flips(data: bytes, step: int) -> Iterator[bytes]:
    for at in range(0, len(data), step):
        broken = bytearray(data)
        broken[at] ^= 1 << (at // step % 8)
        yield bytes(broken)


def test_a_flipped_bit_is_seen_wherever_it_stands(cube: bytes) -> None:
    """An error or a note, but in the file header's checksum type: it has no checksum of its own."""
    for broken in [*flips(cube, 6007), *flips_of_headers(cube)]:
        if sniff(broken) is None:
            continue
        try:
            assert open_container(broken, "cube").notes
        except InputError as error:
            assert str(error).startswith("cube: ")


def flips_of_headers(data: bytes) -> Iterator[bytes]:
    """The file header, and every byte of some blocks' headers."""
    one = blocks(data)
    places = [*range(8), *(k for b in (one[0], one[7]) for k in range(b.begin, b.data_begin))]
    for at in places:
        broken = bytearray(data)
        broken[at] ^= 1 << (at % 8)
        yield bytes(broken)


def test_truncated_binary_is_refused_but_between_blocks(cube: bytes) -> None:
    """There is no trailer and no count: cut between two blocks, the file is whole, only shorter."""
    ends = {one.end: k for k, one in enumerate(blocks(cube))}
    text = open_container(cube, "cube").text
    for length in [*range(4, 700, 3), *range(700, len(cube), 1709), *ends]:
        if length == len(cube):
            continue
        if length in ends and ends[length] >= 6:
            assert text.startswith(open_container(cube[:length], "cube").text)
            continue
        with pytest.raises(InputError):
            open_container(cube[:length], "cube")


# --- the package ---------------------------------------------------------------------------------------------------


def test_the_package_holds_its_twin(part: bytes, part_twin: bytes) -> None:
    found = open_container(part, "part")
    assert (found.kind, found.text, found.notes) == ("package", part_twin, ())
    assert found.totals == {
        "prediction": "721",
        "weight": "0.55",
        "filament 1 used_m": "0.18",
        "filament 1 used_g": "0.55",
    }
    assert found.thumbnails == 5 and [one.number for one in found.plates] == [1]
    assert found.rebuilt(part_twin) == part


def test_the_package_s_settings_are_those_of_the_text(part: bytes, part_twin: bytes) -> None:
    """But for quotes around texts in lists, which only the text has, and for one value."""
    found = open_container(part, "part")
    own = dict(re.findall(r"^; (\w+) = (.*)$", part_twin.decode(), re.M))
    both = [key for key in own if key in found.settings]
    differ = [key for key in both if own[key].replace('"', "") != found.settings[key].replace('"', "")]
    assert len(both) > 450 and differ == ["enable_prime_tower"]


def test_an_edited_package(part: bytes, part_twin: bytes) -> None:
    """Only three entries differ, the digest is that of the text, and zipfile finds all sums right."""
    found = open_container(part, "part")
    new = part_twin.replace(b"\nG1 ", b"\nG1 F600 ", 9)
    written = found.rebuilt(new, {"prediction": "745", "filament 1 used_g": "0.58"})
    with zipfile.ZipFile(io.BytesIO(part)) as before, zipfile.ZipFile(io.BytesIO(written)) as after:
        assert after.testzip() is None and after.namelist() == before.namelist()
        assert after.read(PLATE) == new
        assert after.read(f"{PLATE}.md5") == hashlib.md5(new).hexdigest().upper().encode()
        sliced = before.read("Metadata/slice_info.config")
        wanted = sliced.replace(b'"721"', b'"745"').replace(b'used_g="0.55"', b'used_g="0.58"')
        assert after.read("Metadata/slice_info.config") == wanted
        for one, other in zip(before.infolist(), after.infolist(), strict=True):
            assert (one.flag_bits, one.compress_type, one.date_time) == (
                other.flag_bits,
                other.compress_type,
                other.date_time,
            )
            if one.filename not in (PLATE, f"{PLATE}.md5", "Metadata/slice_info.config"):
                size = len(one.filename) + one.compress_size + 30 + 16
                assert part[one.header_offset :][:size] == written[other.header_offset :][:size]
        at = after.getinfo(PLATE).header_offset
        assert written[at + 30 + len(PLATE) :].startswith(struct.pack("<HH", 0x9999, 16) + bytes(16))
    # The sample was deflated by zlib at its usual level when it was made anew, so that the way back ends there.
    assert open_container(written, "part").rebuilt(part_twin, found.totals) == part
    assert open_container(written, "part").notes == ()


def test_a_flipped_bit_in_a_package_is_refused_or_harmless(part: bytes, part_twin: bytes) -> None:
    harmless = 0
    for broken in flips(part, 241):
        try:
            found = open_container(broken, "part")
        except InputError as error:
            assert str(error).startswith("part: ")
            continue
        assert found.text == part_twin
        harmless += 1
    assert harmless < 30  # dates and attributes


def test_a_truncated_package_is_refused(part: bytes) -> None:
    for length in [*range(4, len(part), 997), *range(len(part) - 30, len(part))]:
        with pytest.raises(InputError):
            open_container(part[:length], "part")

"""The binary container: variants that no sample shows, made by hand; edits, totals and what is refused."""

from __future__ import annotations

import importlib
import struct
import zlib
from dataclasses import replace

import heatshrink2
import pytest
from container_makers import CONFIG, PRINT, binary, block
from hypothesis import given
from hypothesis import strategies as st
from slow_forms import slow_pack

from gcodetools.errors import Fault, InputError, Refused, UsageError
from gcodetools.gcode.containers.base import Limits
from gcodetools.gcode.containers.binary import Binary, open_binary
from gcodetools.gcode.containers.blocks import GCODE, read_blocks
from gcodetools.gcode.containers.opening import open_container, sniff
from gcodetools.gcode.files import check_text

FIRST = b";TYPE:Wall\n" + b"".join(b"G1 X%d.5 Y2 E.01\n" % k for k in range(400)) + b"M104 S230\n"
SECOND = b";TYPE:Solid infill\n" + b"".join(b"G1 X%d Y%d E.2\n" % (k, k % 7) for k in range(300)) + b"T0\n"
THIRD = b"M107\n; end\nM84\n"
TEXT = FIRST + SECOND + THIRD
FORMS = [(c, e) for c in range(4) for e in range(3)]


def opened(data: bytes) -> Binary:
    found = open_container(data, "a.bin")
    assert isinstance(found, Binary)
    return found


def refusal(data: bytes, **limits: int) -> str:
    with pytest.raises(InputError) as caught:
        open_container(data, "a.bin", limits=Limits(**limits))
    return str(caught.value)


def raw_blocks(data: bytes) -> list[bytes]:
    return [data[b.begin : b.end] for b in read_blocks(data, "a", Limits())]


@pytest.mark.parametrize(("compression", "encoding"), FORMS)
@pytest.mark.parametrize("summed", [True, False])
def test_every_form_is_read_and_written_back(compression: int, encoding: int, summed: bool) -> None:
    data = binary([FIRST, SECOND, THIRD], compression, encoding, summed)
    found = opened(data)
    kept = TEXT if encoding != 1 else b"\n".join(k for k in TEXT.split(b"\n") if not k.startswith(b";"))
    assert sniff(data) == "binary" and found.text == kept
    assert found.rebuilt(found.text) == data
    new = found.text.replace(b"G1 X9 Y2", b"G1 F900 X9 Y2")
    written = found.rebuilt(new)
    again = opened(written)
    assert again.text == new and again.notes == found.notes
    assert again.settings == found.settings and again.totals == found.totals
    before, after = raw_blocks(data), raw_blocks(written)
    assert [a == b for a, b in zip(before, after, strict=True)] == [True] * 6 + [False, True]
    forms = {(b.compression, b.encoding, b.summed) for b in again.blocks if b.kind == GCODE}
    assert forms == {(compression, encoding, summed)}
    assert bool(found.notes) == (encoding == 1)
    if encoding == 1:
        assert "comments can't be kept in it; our record goes to the print metadata" in found.notes[0]


def test_a_new_block_is_what_a_maker_of_the_format_makes() -> None:
    """Header, sizes, CRC over header, parameters and stored data (zlib); heatshrink by the library."""
    found = opened(binary([FIRST, SECOND], 3, 2))
    new = SECOND.replace(b"T0", b"T1")
    assert raw_blocks(found.rebuilt(FIRST + new))[-1] == block(1, slow_pack(new, comments=True), 3, b"\2\0")


def test_our_lines_become_blocks_below_the_limit() -> None:
    found = opened(binary([FIRST, SECOND], 0, 0))
    many = b"".join(b"; beadwright: line %d\n" % k for k in range(9000))
    written = found.rebuilt(FIRST + many + SECOND)
    blocks = [b for b in read_blocks(written, "a", Limits()) if b.kind == GCODE]
    texts = [written[b.data_begin : b.data_end] for b in blocks]
    assert b"".join(texts) == FIRST + many + SECOND
    assert texts[0] == FIRST and texts[-1] == SECOND
    assert all(text.endswith(b"\n") and len(text) <= 65536 for text in texts)
    assert len(texts) == 2 + -(-len(many) // 65536)


def test_a_line_longer_than_a_block_is_refused() -> None:
    with pytest.raises(Refused, match=f"line {FIRST.count(10) + 1} of the new text has more than 65536"):
        opened(binary([FIRST])).rebuilt(FIRST + b";" + b"x" * 65536 + b"\n")
    assert opened(binary([FIRST])).rebuilt(FIRST + b";" + b"x" * 65534 + b"\n")


@pytest.mark.parametrize("encoding", [1, 2])
def test_a_line_that_packing_damages(encoding: int) -> None:
    found = opened(binary([FIRST, SECOND], 2, encoding))
    new = found.text.replace(b"T0\n", b"M117 Layer G1 now\nT0\n")
    if encoding == 2:
        written = found.written(new)
        assert written.text == new == opened(written.data).text
        assert written.asides == ("1 line that packing would damage kept unpacked",) and not written.notes
        return
    with pytest.raises(Refused) as caught:
        found.rebuilt(new)
    number = new.split(b"\n").index(b"M117 Layer G1 now") + 1
    assert f"a.bin: line {number} of the new text: `M117 Layer G1 now`" in str(caught.value)
    assert caught.value.hint


@pytest.mark.parametrize("encoding", [1, 2])
def test_what_packed_text_loses_is_told(encoding: int) -> None:
    found = opened(binary([FIRST, SECOND], 3, encoding))
    new = found.text.replace(b"T0\n", b"; beadwright: a\n\nT0 ; b\nG1 X1Y2 ; c\n")
    written = found.written(new)
    ours = b"; beadwright: a\n" if encoding == 2 else b""
    assert written.text == found.text.replace(b"T0\n", ours + b"T0\nG1 X1 Y2\n")
    assert opened(written.data).text == written.text
    assert written.notes[0] == "packed text holds no comments behind commands: 2 left out"
    assert len(written.notes) == 3 - encoding
    assert found.written(found.text).notes == ()


def test_totals_change_in_all_their_places() -> None:
    data = binary([FIRST, SECOND], 3, 2)
    found = opened(data)
    key = "estimated printing time (normal mode)"
    assert found.totals == {
        "filament used [mm]": "10.5", "filament cost": "0.1", key: "1m 0s",
        "estimated first layer printing time (normal mode)": "9s",
    }  # fmt: skip
    written = found.rebuilt(
        found.text, {key: "1m 44s", "filament used [mm]": "11.25", "filament cost": "0.1"}
    )
    assert written.count(b"filament used [mm]=11.25\n") == written.count(b"(normal mode)=1m 44s\n") == 2
    assert b"=10.5\n" not in written and b"=1m 0s\n" not in written
    before, after = raw_blocks(data), raw_blocks(written)
    assert [k for k in range(len(before)) if before[k] != after[k]] == [1, 3]
    assert all(b.sound for b in read_blocks(written, "a", Limits()))
    with pytest.raises(Fault, match="no such total"):
        found.rebuilt(found.text, {"layer_height": "0.3"})
    with pytest.raises(Fault, match="more than one line"):
        found.rebuilt(found.text, {key: "1m\n"})


def test_metadata_with_carriage_returns_keep_them() -> None:
    data = binary([FIRST])
    head, rest = data[:10], raw_blocks(data)
    rest[3] = block(4, PRINT.replace(b"\n", b"\r\n"))
    found = opened(head + b"".join(rest))
    assert found.totals["filament used [mm]"] == "10.5" and b"\r" not in found.said
    new = found.restated_in(found.said.replace(b"= 10.5\n", b"= 11.5\n"))
    assert new == {"filament used [mm]": "11.5"}
    after = raw_blocks(found.rebuilt(found.text, new))
    assert after[3] == block(4, PRINT.replace(b"10.5", b"11.5").replace(b"\n", b"\r\n"))


def test_a_total_that_stands_among_the_settings_too_is_one_total() -> None:
    data = binary([FIRST])
    head, rest = data[:10], raw_blocks(data)
    rest[4] = block(2, CONFIG + b"filament used [mm]=777\n", 1)
    found = opened(head + b"".join(rest))
    assert "filament used [mm]" not in found.settings and b"777" not in found.said
    after = opened(found.rebuilt(found.text, {"filament used [mm]": "11.5"}))
    assert after.settings == found.settings
    rest[4] = block(2, CONFIG + b"filament used [mm]=11.5\n", 1)
    assert raw_blocks(after.data)[4] == rest[4]


def test_settings_are_split_at_the_first_sign_and_hold_no_secret() -> None:
    found = opened(binary([FIRST]))
    assert found.settings == {
        "before_layer_gcode": ";a\\nG92 E0 ; x=1", "layer_height": "0.2", "empty": "",
        "printer_model": "Maker", "nozzle_diameter": "0.4",
    }  # fmt: skip
    shown = repr(found) + repr(dict(found.settings)) + found.said.decode()
    assert b"SESAME" in CONFIG and "SESAME" not in shown and "10.0.0.7" not in shown
    assert b"; filament used [mm] = 10.5\n" in found.said and b"; layer_height = 0.2\n" in found.said


def test_totals_said_as_comments_and_heard_again() -> None:
    found = opened(binary([FIRST]))
    new = found.said.replace(b"= 1m 0s\n", b"= 1m 9s\n").replace(b"= 10.5\n", b"= 11.5\n")
    assert found.restated_in(new) == {
        "filament used [mm]": "11.5",
        "estimated printing time (normal mode)": "1m 9s",
    }
    assert found.restated_in(found.said) == {}
    assert opened(found.rebuilt(found.text, found.restated_in(new))).said == new


edits = st.lists(
    st.tuples(
        st.integers(0, 700), st.integers(0, 3), st.sampled_from([b"", b"M104 S240\n", b"; ours\nG1 X1 E.2\n"])
    ),
    max_size=4,
)


@given(edits, st.sampled_from([(0, 0), (1, 0), (3, 2), (0, 2)]))
def test_any_edit_is_read_back(edits: list[tuple[int, int, bytes]], form: tuple[int, int]) -> None:
    found = opened(binary([FIRST, SECOND, THIRD], *form))
    lines = TEXT.splitlines(keepends=True)
    for at, gone, came in edits:
        lines[at : at + gone] = came.splitlines(keepends=True)
    new = b"".join(lines)
    written = found.written(new)
    assert opened(written.data).text == written.text == new and written.notes == ()
    kept = set(raw_blocks(written.data))
    assert sum(block not in kept for block in raw_blocks(found.data)) <= 3 * bool(edits)


def test_metadata_lines_without_a_sign_are_told() -> None:
    data = binary([FIRST]) + block(3, b"no sign here\nprinter_model=x")
    notes = opened(data).notes
    assert "1 lines without `=`" in " ".join(notes)
    assert "blocks in another order" in " ".join(notes)
    assert "no sign here" not in opened(data).settings
    assert opened(data).rebuilt(FIRST) == data


def damaged_at(data: bytes, block_number: int) -> bytes:
    """The last byte of a block's checksum flipped."""
    end = read_blocks(data, "a", Limits())[block_number].end
    return data[: end - 1] + bytes([data[end - 1] ^ 0x40]) + data[end:]


def test_a_broken_checksum_is_told_kept_and_never_mended() -> None:
    good = binary([FIRST, SECOND, THIRD], 2, 2)
    at = read_blocks(good, "a", Limits())[6].begin
    data = damaged_at(good, 6)
    found = opened(data)
    assert found.text == TEXT and found.rebuilt(TEXT) == data
    assert found.notes == (
        f"G-code block at offset {at} (G-code block 2): its checksum is broken; what it holds may be damaged",
    )
    other = found.rebuilt(TEXT.replace(b"M84", b"M18"))
    assert raw_blocks(other)[:7] == raw_blocks(data)[:7] and len(opened(other).notes) == 1
    with pytest.raises(Refused, match=f"G-code block at offset {at} is broken"):
        found.rebuilt(TEXT.replace(b"T0", b"T1"))
    meta = opened(damaged_at(good, 1))
    with pytest.raises(Refused, match="printer metadata"):
        meta.rebuilt(meta.text, {"filament used [mm]": "11"})


def field(data: bytes, number: int, place: int, form: str, value: int) -> bytes:
    """A number of a block's header changed, with its checksum made good."""
    one = read_blocks(data, "a", Limits())[number]
    out = bytearray(data)
    struct.pack_into(form, out, one.begin + place, value)
    struct.pack_into("<I", out, one.data_end, zlib.crc32(out[one.begin : one.data_end]))
    return bytes(out)


def test_what_is_refused_is_refused_in_words() -> None:
    data = binary([FIRST], 2, 2)
    last = len(read_blocks(data, "a", Limits())) - 1
    at = read_blocks(data, "a", Limits())[last].begin
    assert "version 2" in refusal(data[:4] + b"\2" + data[5:])
    assert "checksum type 7" in refusal(data[:8] + b"\7\0" + data[10:])
    assert f"block at offset {at}: found type 6" in refusal(field(data, last, 0, "<H", 6))
    assert "compression 4" in refusal(field(data, last, 2, "<H", 4))
    assert "encoding 3" in refusal(field(data, last, 12, "<H", 3))
    assert "encoding 1" in refusal(field(data, 0, 8, "<H", 1))
    assert "nothing behind them" in refusal(field(data, last, 4, "<I", 5000))
    assert "nothing behind them" in refusal(field(data, last, 4, "<I", 100))
    assert "a length of" in refusal(field(data, last, 8, "<I", 2**31))
    assert "no G-code block" in refusal(data[:at])
    assert "10" in refusal(data[:9])
    assert "encoding 0" in refusal(field(data, 4, 12, "<H", 2))
    with pytest.raises(UsageError, match="plate 3"):
        open_container(data, "a.bin", 3)


def test_bombs() -> None:
    big = binary([b"G1 X1\n" * 5000], 1)
    assert "at most 20000" in refusal(big, ratio=2, ratio_from_bytes=20_000)
    assert "at most 9000" in refusal(big, text_bytes=9000)
    assert "more text than the limit" in refusal(binary([FIRST] * 3, 0, 2), text_bytes=len(FIRST) + 4000)
    assert "at most 4" in refusal(big, parts=4)
    assert "at most 30" in refusal(big, part_bytes=30)
    assert "at most 99" in refusal(binary([FIRST], 2, 2), packed_bytes=99)
    # A size of 4 GB in a header is refused before anything is unpacked.
    assert "4294967295" in refusal(field(binary([FIRST], 2, 0), 5, 4, "<I", 2**32 - 1))


def test_references_before_the_start_are_no_text() -> None:
    """Such heatshrink data unpack to zero bytes, which no G-code has: who reads the text refuses them."""
    bits = "0" + "1" * 11 + "0111"
    stored = int(bits, 2).to_bytes(2, "big")
    assert heatshrink2.decompress(stored, window_sz2=11, lookahead_sz2=4) == bytes(8)
    head = struct.pack("<HHII", 1, 2, 8, 2) + b"\0\0" + stored
    data = binary([FIRST]) + head + struct.pack("<I", zlib.crc32(head))
    assert opened(data).text == FIRST + bytes(8)
    with pytest.raises(InputError, match="a NUL byte"):
        check_text(opened(data).text, "a.bin")


def test_packed_text_that_breaks_off_is_refused() -> None:
    head = struct.pack("<HHI", 1, 0, 7) + b"\2\0" + b"\xff\xff\xfb\xff\xff\xf7\x1f"
    data = binary([FIRST], 0, 2) + head + struct.pack("<I", zlib.crc32(head))
    assert "breaks off within a character" in refusal(data)


def test_text_that_is_gone_is_not_written() -> None:
    with pytest.raises(Refused, match="no G-code left"):
        opened(binary([FIRST])).rebuilt(b"\n")
    shorter = opened(binary([FIRST, SECOND, THIRD])).rebuilt(FIRST + THIRD)
    assert raw_blocks(shorter) == raw_blocks(binary([FIRST, THIRD]))


def test_without_the_library_heatshrink_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(UsageError) as caught:
        open_binary(binary([FIRST], 2), "a.bin", None, Limits())
    assert "heatshrink2" in str(caught.value) and "beadwright[containers]" in caught.value.hint
    assert open_binary(binary([FIRST], 1, 2), "a.bin", None, Limits()).text == FIRST


def test_what_text_without_comments_can_t_hold_goes_to_the_metadata() -> None:
    data = binary([FIRST, SECOND], 2, 1)
    found = opened(data)
    ours = b"; beadwright record 1\n; beadwright set: a=b ; c\n"
    assert found.remarks == b"" and not found.keeps_comments
    written = replace(found, remarks=ours).written(ours + found.text.replace(b"T0\n", b"T1\n"))
    assert written.notes == () and b"beadwright" not in written.text
    again = opened(written.data)
    assert again.remarks == ours
    assert (again.totals, again.settings) == (found.totals, found.settings)
    # With other line ends its lines are known as well.
    ended = (ours + found.text.replace(b"T0\n", b"T1\n")).replace(b"\n", b"\r\n")
    assert replace(found, remarks=ours).written(ended).notes == ()
    # Only the print metadata holds it, behind its own pairs.
    before, after = raw_blocks(data), raw_blocks(written.data)
    assert before[:3] == after[:3] and before[4] == after[4]
    added = b"beadwright 1=beadwright record 1\nbeadwright 2=beadwright set: a=b ; c\n"
    assert PRINT + added in after[3]
    # A second record takes the first one's place, and an unchanged text leaves all as it is.
    more = ours.replace(b"a=b", b"d")
    third = opened(replace(again, remarks=more).rebuilt(again.text.replace(b"T1\n", b"T0\n")))
    assert third.remarks == more
    assert replace(again, remarks=more).rebuilt(again.text) == again.data


def test_where_no_metadata_can_hold_a_record_that_is_told() -> None:
    data = binary([FIRST], 2, 1)
    bare = data[:10] + b"".join(block for block in raw_blocks(data) if block[:2] not in (b"\3\0", b"\4\0"))
    found = replace(opened(bare), remarks=b"; beadwright record 1\n")
    written = found.written(b"; beadwright record 1\n" + found.text)
    assert "no metadata block that could hold our record" in written.notes[-1]
    assert opened(written.data).remarks == b""

"""The record: comments of ours, harmless to every reader, where a file has room for them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit.draft import Draft
from gcodetools.edit.record import MARK, MAX_LINE_BYTES, already_treated, record_lines
from gcodetools.edit.treated import emit
from gcodetools.gcode.scan import read_program
from gcodetools.marks.header import header_end


@given(st.lists(st.tuples(st.sampled_from(["kit", "region", "set"]), st.text(max_size=300)), max_size=5))
def test_whatever_the_values_every_line_is_a_short_printable_comment(pairs):
    for newline in (b"\n", b"\r\n"):
        text = record_lines(pairs, newline)
        assert text.endswith(newline)
        lines = text.removesuffix(newline).split(newline)
        assert len(lines) == len(pairs) + 1
        for line in lines:
            assert line.startswith(b"; beadwright ")
            assert len(line + newline) <= MAX_LINE_BYTES
            assert all(0x20 <= c <= 0x7E for c in line)


@pytest.mark.parametrize(
    "label", ["a\nM104 S300", "a\r\nG28", "a\x00\x1b[2J", "a\u2028M104 S300", "käse\u0085G28"]
)
def test_a_label_can_not_smuggle_a_command(label):
    program = read_program(record_lines([("region", label)], b"\n"), "record")
    assert len(program.moves) == 0 and len(program.words.line) == 0


def test_nothing_in_it_reads_as_a_layer_a_time_or_a_total(plate_of):
    pairs = [
        ("version", "1"),
        ("region", ";LAYER:3 ;TIME:20 ;Z:0.4 filament used [mm] = 9"),
        ("totals", "1 s"),
    ]
    plate = plate_of(record_lines(pairs, b"\n") + b"G21\nG90\nM83\nG1 X1 Y1 F900\nG1 X9 E.4\n")
    plain = plate_of(b"G21\nG90\nM83\nG1 X1 Y1 F900\nG1 X9 E.4\n")
    assert plate.totals == plain.totals
    assert plate.marks.convention == plain.marks.convention
    assert len(plate.marks.layer_line) == 0


def place(plate_of, text):
    plate = plate_of(text)
    return header_end(plate.program, plate.marks)


CODE = "G21\nG90\nM83\nG1 X0 Y0 F900\nG1 X9 E.4\n"


@pytest.mark.parametrize(
    ("head", "line"),
    [
        ("", 0),
        ("; generated\n", 1),
        ("; generated\n\n; more\n", 3),
        ("\n", 1),
        ("; HEADER_BLOCK_START\n; a\n; HEADER_BLOCK_END\n; THUMBNAIL\n; more\n", 3),
        (";START_OF_HEADER\n;a:1\n;END_OF_HEADER\n;more\n", 3),
        ("; generated\n; thumbnail begin 16x16 24\n; QmVh\n; thumbnail end\n", 4),
        ("(head)\n", 1),
        ("\ufeff; generated\n", 1),
    ],
)
def test_it_stands_behind_the_first_comments_or_a_closed_header(plate_of, head, line):
    assert place(plate_of, head + CODE) == line


def test_it_never_stands_inside_a_thumbnail_or_a_settings_block(plate_of):
    head = "; generated\n; thumbnail begin 16x16 24\n; QmVh\n\n; QmVh\n; thumbnail end\n; external = 1\n\n"
    line = place(plate_of, head + CODE)
    assert line == 0 or line >= 6


def test_on_real_files_it_leaves_thumbnails_and_settings_whole(sample):
    line = header_end(sample.program, sample.marks)
    text = sample.program.lines.data
    before = text[: sample.program.lines.start[line]]
    assert before.count(b"thumbnail begin") == before.count(b"thumbnail end")
    for block in (b"HEADER_BLOCK", b"THUMBNAIL_BLOCK", b"CONFIG_BLOCK"):
        assert before.count(block + b"_START") == before.count(block + b"_END")
    rest = sample.program.lines.text(line)
    assert not (rest.startswith(b";SETTING_3") and before.rstrip().split(b"\n")[-1].startswith(b";SETTING_3"))


def test_a_record_is_written_only_where_something_changes(plate_of, write):
    plate = plate_of("; head\n" + CODE)
    record = (1, lambda unrested: record_lines([("version", "1")], b"\n"))
    assert emit(Draft.of(plate), ooze_mm=0.0, bed=None, record=record).output == plate.program.lines.data
    draft = Draft.of(plate)
    draft.feed[-1] = 10.0
    output = write(draft, record=record).output
    assert output.startswith(b"; head\n" + MARK + b" 1\n; beadwright version: 1\nG21\n")
    assert already_treated(output) and not already_treated(plate.program.lines.data)


def test_a_record_at_the_top_leaves_a_byte_order_mark_first(plate_of, write):
    plate = plate_of(b"\xef\xbb\xbf" + CODE.encode())
    draft = Draft.of(plate)
    draft.feed[-1] = 10.0
    output = write(draft, record=(0, lambda unrested: record_lines([], b"\n"))).output
    assert output.startswith(b"\xef\xbb\xbf") and output.count(b"\xef\xbb\xbf") == 1
    assert output.split(b"\n")[0].removeprefix(b"\xef\xbb\xbf") == MARK + b" 1"
    assert already_treated(output)


def test_words_of_ours_inside_a_line_are_no_record():
    assert not already_treated(b"G28 ; beadwright record 1\n")
    assert already_treated(b"M73\r\n; beadwright record 1\r\n")

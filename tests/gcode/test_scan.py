"""A whole file to a Program: bytes kept, lines found, nothing of a real file's oddities misread."""

from __future__ import annotations

import dataclasses
import re
from functools import reduce
from itertools import pairwise
from operator import xor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.errors import InputError
from gcodetools.gcode import tokens
from gcodetools.gcode.program import ENDSTOP, RETRACT, UNRETRACT, Program, Track
from gcodetools.gcode.scan import read_program


def read(text: str | bytes) -> Program:
    return read_program(text if isinstance(text, bytes) else text.encode(), "t.gcode")


def ends(text: str | bytes) -> list[tuple[float, float, float]]:
    moves = read(text).moves
    return list(zip(moves.x.tolist(), moves.y.tolist(), moves.z.tolist(), strict=True))


def pushed(text: str | bytes) -> list[float]:
    return read(text).moves.e.tolist()


def numbered(line: str) -> str:
    return f"{line}*{reduce(xor, line.encode())}"


def arrays(record: object, path: str = "") -> dict[str, np.ndarray]:
    """Every array inside a record, by path."""
    if isinstance(record, np.ndarray):
        return {path: record}
    found: dict[str, np.ndarray] = {}
    if dataclasses.is_dataclass(record):
        for field in dataclasses.fields(record):
            found |= arrays(getattr(record, field.name), f"{path}.{field.name}")
    elif isinstance(record, dict):
        for key, value in record.items():
            found |= arrays(value, f"{path}[{key}]")
    return found


def assert_same(a: Program, b: Program) -> None:
    first, second = arrays(a), arrays(b)
    assert first.keys() == second.keys()
    for path, array in first.items():
        assert array.dtype == second[path].dtype, path
        np.testing.assert_array_equal(array, second[path], path)
    assert (a.decimals, a.warnings, a.lines.data, a.lines.newline) == (
        b.decimals,
        b.warnings,
        b.lines.data,
        b.lines.newline,
    )


# --- real files


def test_the_lines_of_a_sample_are_its_bytes(sample_path: Path) -> None:
    data = sample_path.read_bytes()
    lines = read_program(data, sample_path.name).lines
    independent = data.splitlines(keepends=True) if b"\r" not in data else data.split(b"\n")
    if b"\r" in data:
        independent = [part + b"\n" for part in independent[:-1]] + [independent[-1]] * bool(independent[-1])
    else:
        # Bytes are split at line feeds alone; the other line ends that `splitlines` knows are joined again.
        assert not re.search(rb"[\x0b\x0c\x1c-\x1e]", data)
    kept = [lines.data[a:b] for a, b in zip(lines.start[:-1].tolist(), lines.start[1:].tolist(), strict=True)]
    assert b"".join(kept) == data
    assert kept == independent
    assert lines.newline == (b"\r\n" if "crlf" in sample_path.name else b"\n")


def test_every_motion_line_of_a_sample_is_a_move(sample_path: Path) -> None:
    data = sample_path.read_bytes()
    moves = read_program(data, sample_path.name).moves
    plain = re.compile(rb"\s*G0*[0-3](?![0-9.])", re.I)
    expected = [k for k, line in enumerate(data.split(b"\n")) if plain.match(line)]
    g_moves = moves.line[(moves.kind & 7) != 0]
    assert g_moves.tolist() == expected


def test_every_comment_of_a_sample_begins_where_its_first_opener_stands(sample_path: Path) -> None:
    data = sample_path.read_bytes()
    comments = read_program(data, sample_path.name).comments
    found, start = [], 0
    for line in data.split(b"\n"):
        at = re.search(rb"[;(]", line)
        if at:
            found.append(start + at.start())
        start += len(line) + 1
    assert comments.start.tolist() == found


def test_no_sample_gives_a_warning(sample_path: Path) -> None:
    assert read_program(sample_path.read_bytes(), sample_path.name).warnings == ()


# --- blocks

MIXED = (
    "; head\nG21\nG90\nM82\nG28\nG92 E0\nG1 X10 Y5.25 Z.2 F1800\n(a (b)) G1 X11.5 E1.25 ; tail\n\n\n"
    "N7 G1 X12*0\nM204 P500 T900\nM106 S63.8\nT1\nG1 Y7 E2\nG2 X14 Y9 I1 J1 E3\nG10\nG11\nG91\nG1 X1 Y1 E.5\n"
    "G90\nM83\n_MACRO A=1\nG1 X20 E.07\nG4 P500\nG1 X1 ( ; ) Y2\nSET_VELOCITY_LIMIT ACCEL=700\nG92 X0\nG1 X1"
)


@pytest.mark.parametrize("size", [40, 41, 53, 64, 97, 128, 200, 333, 1000])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_block_borders_change_nothing(monkeypatch: pytest.MonkeyPatch, size: int, newline: str) -> None:
    data = newline.join([MIXED] * 3).replace("\n", newline).encode()
    whole = read_program(data, "t")
    monkeypatch.setattr(tokens, "BLOCK_BYTES", size)
    assert_same(read_program(data, "t"), whole)


def test_block_borders_change_nothing_in_a_sample(sample_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = sample_path.read_bytes()[:200_000]
    monkeypatch.setattr(tokens, "BLOCK_BYTES", 1 << 30)
    whole = read_program(data, "t")
    monkeypatch.setattr(tokens, "BLOCK_BYTES", 22_111)
    assert_same(read_program(data, "t"), whole)


def test_a_line_longer_than_a_block_is_read_up_to_its_comment(monkeypatch: pytest.MonkeyPatch) -> None:
    data = b"G1 X1\nG1 Y2 ; " + b"x" * 500 + b"\nG1 Z3"
    whole = read_program(data, "t")
    monkeypatch.setattr(tokens, "BLOCK_BYTES", 64)
    assert_same(read_program(data, "t"), whole)


def test_a_comment_of_100_mb_is_read_over() -> None:
    data = b"G1 X1\n;" + b"(" * 100_000_000 + b"\nG1 X2\n"
    program = read_program(data, "t")
    assert program.moves.x.tolist() == [1.0, 2.0]
    assert program.moves.line.tolist() == [0, 2]
    assert program.comments.start.tolist() == [6]
    assert program.lines.start.tolist() == [0, 6, 100_000_008, 100_000_014]


def test_comment_lines_of_21_kb_are_comments() -> None:
    program = read(b"; " + b"G1 X5 (" * 3000 + b"\nG1 X1\n")
    assert program.moves.line.tolist() == [1]
    assert program.comments.line.tolist() == [0]


# --- texts that are hardly any


@pytest.mark.parametrize(
    "text", ["", "\n", "\n\n\r\n", ";only\n;comments", "(a)", "   ", "M117 hello\n", "\r"]
)
def test_a_file_without_moves_has_none(text: str) -> None:
    program = read(text)
    assert len(program.moves) == 0 and len(program.arcs.row) == 0
    assert len(program.lines) == text.count("\n") + bool(text and not text.endswith("\n"))


def test_an_empty_file_has_no_line() -> None:
    assert read("").lines.start.tolist() == [0]


def test_the_last_line_needs_no_line_end() -> None:
    assert ends("G1 X1\nG1 X2.5") == [(1, 0, 0), (2.5, 0, 0)]


def test_empty_lines_count() -> None:
    assert read("\n\nG1 X1\n\nG1 X2\n").moves.line.tolist() == [2, 4]


def test_crlf_is_a_line_end_and_known_as_the_files() -> None:
    program = read("G1 X1\r\n; c\r\nG1 X2 E.5\r\n")
    assert program.lines.newline == b"\r\n"
    assert program.moves.x.tolist() == [1, 2]
    assert program.lines.text(2) == b"G1 X2 E.5"


def test_a_byte_order_mark_hides_no_command() -> None:
    assert ends(b"\xef\xbb\xbfG1 X1\nG1 Y2\n") == [(1, 0, 0), (1, 2, 0)]
    assert read(b"\xef\xbb\xbfG1 X1\n").lines.data.startswith(b"\xef\xbb\xbf")
    assert read(b"\xef\xbb\xbf; c\nG1 X1\n").comments.start.tolist() == [3]


def test_lines_that_end_in_bare_returns_are_refused() -> None:
    with pytest.raises(InputError) as caught:
        read("G1 X1\rG1 X2\r")
    assert str(caught.value) == (
        "t.gcode: lines end in a bare carriage return, expected line feeds\n"
        "Convert the line ends (most editors can) and try again."
    )


def test_a_return_in_the_middle_of_a_line_is_told() -> None:
    program = read("G1 X1\n; a\rG1 X2\r\nG1 X3\r\r\n")
    assert program.moves.x.tolist() == [1, 3]
    assert program.warnings == (
        "t.gcode:2: 1 line(s) with a carriage return in the middle; it was read as a blank. "
        "Convert the line ends (most editors can)",
    )


def test_nul_and_latin_1_bytes_are_carried_through() -> None:
    data = b"; gr\xf6\xdfe\x00\nG1 X1\nM117 \xe9\x00\nG1 X2 \xff Y3\n"
    program = read(data)
    assert program.lines.data == data
    assert ends(data) == [(1, 0, 0), (2, 3, 0)]
    assert program.odd.tolist() == [2, 3]
    assert program.warnings == (
        "t.gcode:4: 1 move(s) with characters that belong to no word; read without them",
    )


@given(st.binary(max_size=400))
def test_any_bytes_are_read_and_kept(data: bytes) -> None:
    if b"\n" not in data and b"\r" in data.rstrip(b"\r\n"):
        data += b"\n"
    program = read_program(data, "t")
    starts = program.lines.start.tolist()
    kept = [data[a:b] for a, b in pairwise(starts)]
    assert b"".join(kept) == data
    assert all(line.endswith(b"\n") for line in kept[:-1])
    assert np.all(np.diff(program.moves.line) > 0)


@given(st.text("GMTXYEF0123456789.-+ ;()\n\r*N=_\t", max_size=300))
def test_any_text_is_read_whatever_it_says(text: str) -> None:
    program = read_program(b";\n" + text.encode(), "t")
    assert np.all(np.diff(program.moves.line) > 0)
    assert np.all(np.diff(program.comments.line) > 0)


def test_no_array_can_be_written_to() -> None:
    program = read(MIXED)
    assert [path for path, array in arrays(program).items() if array.flags.writeable] == []


# --- spellings of numbers and words


def test_numbers_without_a_leading_zero() -> None:
    assert ends("G1 X-.5 Y0.5 Z.25") == [(-0.5, 0.5, 0.25)]
    assert pushed("M83\nG1 X1 E.07") == [0.07]


def test_numbers_with_a_trailing_dot() -> None:
    assert ends("G1 X5. Y-6.") == [(5, -6, 0)]


def test_more_digits_than_a_double_holds() -> None:
    assert ends("G1 X0.12345678901234567890 Y12345678.901234567890")[0][:2] == (
        0.12345678901234567890, 12345678.901234567890
    )  # fmt: skip


def test_six_decimals_of_one_convention() -> None:
    assert ends("G1 Z47.599998") == [(0, 0, 47.599998)]


def test_words_without_blanks() -> None:
    assert ends("G1X1Y2Z3E4F60\nG1X-1Y-2") == [(1, 2, 3), (-1, -2, 3)]


def test_blanks_anywhere() -> None:
    assert ends("  G1   X 1\tY\t2   \t; c\n\tG1 X3  ") == [(1, 2, 0), (3, 2, 0)]


def test_lower_case() -> None:
    assert ends("g1 x1 y2\ng90; absolute\ng1 x2") == [(1, 2, 0), (2, 2, 0)]


def test_any_order_of_words() -> None:
    assert ends("G1 F600 E1 Y2 X1") == [(1, 2, 0)]
    assert read("G1 F600 E1 Y2 X1").moves.f.tolist() == [10.0]


def test_moves_with_one_axis_keep_the_others() -> None:
    assert ends("G1 X1\nG1 Y2\nG0 Z3") == [(1, 0, 0), (1, 2, 0), (1, 2, 3)]


def test_leading_zeros_of_a_command() -> None:
    assert ends("G00 X1\nG01 Y2\nG001 Z3") == [(1, 0, 0), (1, 2, 0), (1, 2, 3)]


@pytest.mark.parametrize(
    "line", ["G1.1 X9", "G39.3 X9", "G5 X9", "G29 X9", "G257 X9", "G1000 X9", "G-1 X9", "G X9"]
)
def test_other_g_numbers_are_no_moves(line: str) -> None:
    assert ends(f"G1 X1\n{line}\nG1 Y2") == [(1, 0, 0), (1, 2, 0)]


def test_line_numbers_are_no_words() -> None:
    assert ends("N1 G1 X1\nN2G1X2\nn3 g1 x3") == [(1, 0, 0), (2, 0, 0), (3, 0, 0)]


def test_good_checksums_are_silent() -> None:
    text = "\n".join([numbered("N1 G1 X1.5 "), numbered("N2 M106 S255") + " ; c", numbered("N3 G1 X2")])
    assert read(text).warnings == ()
    assert ends(text) == [(1.5, 0, 0), (2, 0, 0)]


def test_a_checksum_of_nothing_is_zero() -> None:
    assert read("*0\nG1 X1").warnings == ()
    assert read("*42\nG1 X1").warnings == ("t.gcode:1: 1 line checksum(s) don't match their line",)


def test_bad_checksums_are_told_and_the_line_read() -> None:
    text = "N1 G1 X1*255\n" + numbered("N2 G1 X2") + "\nN3 G1 X3*1"
    program = read(text)
    assert program.warnings == ("t.gcode:1: 2 line checksum(s) don't match their line",)
    assert program.moves.x.tolist() == [1, 2, 3]


# --- comments


def test_commented_out_commands_in_parentheses() -> None:
    assert ends("(;M108 R24.0\n(G1 X9)\nG1 X1") == [(1, 0, 0)]


def test_nested_parentheses_and_two_comments_on_a_line() -> None:
    assert ends("(<rotation> (6.12e-17+1j) )\nG1 X1 (a)(b) Y2 (c)") == [(1, 2, 0)]


def test_a_semicolon_inside_parentheses_ends_nothing() -> None:
    assert ends("G1 X1 (a; b) Y2") == [(1, 2, 0)]


def test_no_blank_before_a_parenthesis() -> None:
    assert ends("G1 X1(a)\nG1 Y2.5(b)") == [(1, 0, 0), (1, 2.5, 0)]


def test_settings_that_look_like_commands_are_comments() -> None:
    text = "; start = G28\\nG1 X9;M104 S{t}\n;TYPE:G1 X8\n; end = ;G1 X7\nG1 X1"
    assert ends(text) == [(1, 0, 0)]


# --- commands that are no moves


def test_a_blank_inside_a_command_word() -> None:
    program = read("G1 X5\nG 28 W ;\nG1 Y1")
    assert ends("G1 X5\nG 28 W ;\nG1 Y1")[1] == (0, 1, 0)
    assert program.warnings == () and program.odd.tolist() == []


def test_a_command_with_nothing_but_a_semicolon_behind() -> None:
    assert ends("G1 X5 Y5 Z5\nG28;\nG1 Y1") == [(5, 5, 5), (0, 1, 0)]


@pytest.mark.parametrize(
    "line",
    [
        "P0 S1 L1 D0",
        "M486 AEmbossed text",
        "M486 AG1 X9 Y9",
        "M624 AQAAAAAAAAA=",
        "M622.1 S1",
        "M1002 gcode_claim_action : 4",
        "print_start EXTRUDER=215 BED=60",
        "_PRINT_START EXTRUDER=215",
        "END_PRINT",
        "SET_PRESSURE_ADVANCE ADVANCE=0.025; text",
        "EXCLUDE_OBJECT_START NAME=G1_X9",
        "M117 G1 X9",
        "%",
        "O1000",
        "G39.3 S1",
        "G92.1",
        "M73.2 R1.0",
    ],
)
def test_what_it_does_not_know_is_carried_through(line: str) -> None:
    plain = read("G1 X1 E1\n;\nG1 Y2 E2")
    program = read(f"G1 X1 E1\n{line}\nG1 Y2 E2")
    for column, expected in arrays(plain.moves).items():
        np.testing.assert_array_equal(arrays(program.moves)[column], expected, column)
    assert program.lines.text(1).decode() == line
    changed = {
        name
        for name, track in vars_of(program.states).items()
        if isinstance(track, Track) and (len(track.line) > 0)
    }
    assert changed == set()


def vars_of(record: object) -> dict[str, object]:
    return {field.name: getattr(record, field.name) for field in dataclasses.fields(record)}  # type: ignore[arg-type]


def test_bare_g10_retracts_and_g10_with_words_does_not() -> None:
    program = read(
        "G10\nG10 P0 S220 R170\nG10 P1 X0 Y0 Z0\nG11\nG10 S1\nG10 S0 ; long\nG11 S1\nG10 ; c\n"
        "N5 G10\nG10 S1 P1\n"
    )
    assert program.moves.line.tolist() == [0, 3, 4, 5, 6, 7, 8]
    bits = program.moves.kind & (RETRACT | UNRETRACT)
    assert bits.tolist() == [RETRACT, UNRETRACT, RETRACT, RETRACT, UNRETRACT, RETRACT, RETRACT]


def test_an_endstop_move_moves_nothing_known() -> None:
    text = "G1 X10 Y10 Z1\nG1 X999 Y999 Z50 H1 F600\nG1 X11\nG1 Y12 H0"
    assert ends(text) == [(10, 10, 1), (10, 10, 1), (11, 10, 1), (11, 12, 1)]
    assert ((read(text).moves.kind & ENDSTOP) != 0).tolist() == [False, True, False, False]


def test_an_arc_without_a_centre_is_told_and_read_as_a_line() -> None:
    program = read("G2 X10 Y5\nG3 X11 Y5 I.5")
    assert program.warnings == ("t.gcode: 1 arc(s) without centre or radius; read as straight lines",)
    assert program.arcs.row.tolist() == [1]
    assert (program.moves.kind & 2).tolist() == [0, 2]


def test_decimals_are_the_most_seen_outside_comments() -> None:
    program = read("G1 X1.25 Y1. E.12345 ; X1.23456789\nG1 X1.2 Z3\nG2 X3 I1.2345 J0 F60.5\nM204 X1.234567")
    assert {k: program.decimals[k] for k in "XYZEFIJ"} == {
        "X": 2, "Y": 0, "Z": 0, "E": 5, "F": 1, "I": 4, "J": 0
    }  # fmt: skip


def test_dwells_are_milliseconds_by_p_and_seconds_by_s() -> None:
    program = read("G1 X1\nG4 P1500\nG4 S2.5\nG4\nG1 X2")
    assert program.dwell_row.tolist() == [1, 2, 3]
    assert program.dwell_s.tolist() == [1.5, 2.5, 0.0]


def test_words_hold_every_line_but_moves_and_names() -> None:
    program = read("G1 X1\nM204 P500\n_M104 S1\nG28 X\nmacro A=5\n")
    found = [(int(n), chr(c)) for n, c in zip(program.words.line, program.words.letter, strict=True)]
    assert found == [
        (1, "M"),
        (1, "P"),
        (3, "G"),
        (3, "X"),
        (4, "M"),
        (4, "A"),
        (4, "C"),
        (4, "R"),
        (4, "O"),
        (4, "A"),
    ]


# --- what is left out is told


def test_arcs_with_absolute_centres() -> None:
    program = read("G1 X4 Y1\nG90.1\nG3 X8 Y1 I6 J4\nG91.1\nG3 X4 Y1 I-2 J3")
    assert program.arcs.cx.tolist() == [6, 6] and program.arcs.cy.tolist() == [4, 4]
    assert program.warnings == ()


def test_an_arc_that_ends_off_its_circle_is_told() -> None:
    assert read("G1 X10\nG3 X0 Y10 I-10\nG3 X-12 Y0 J-10\nG3 X0 Y-13 I12").warnings == (
        "t.gcode:3: 2 arc(s) whose end is nearer to or farther from the centre than the start; "
        "read with the radius of the start",
    )


def test_motion_that_is_not_read_is_told() -> None:
    assert read("G1 X1\nG5 X2 Y2 I1 J1 P1 Q1\nG53 G0 X3\nG5 X1").warnings == (
        "t.gcode:2: 3 motion command(s) that are not read (G5, G53): what they lay is missing, and where the "
        "nozzle stands is not known until the next absolute move",
    )


@pytest.mark.parametrize("text", ["G90 G1 X10", "G1 X10 G90", "G21 G90", "G1 X5 E1 M106 S9"])
def test_several_commands_on_a_line_are_told(text: str) -> None:
    (warning,) = read(text).warnings
    assert warning.startswith("t.gcode:1: 1 line(s) with several commands; only the first of each is read")


def test_odd_characters_are_told_of_lines_that_set_where_the_machine_is_too() -> None:
    """Those lines are no rows of moves."""
    program = read_program(b"G1 X1\nG92 E0 ?\nG28 X &\nG1 X2 %\nM117 %\n", "t")
    assert program.moves.line.tolist() == [0, 3]
    assert program.odd.tolist() == [1, 2, 3, 4]
    assert any(text.startswith("t:2: 3 move(s) with characters") for text in program.warnings)

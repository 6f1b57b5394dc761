"""Words of chosen lines with their places in the file, and the checksums of edited lines."""

from __future__ import annotations

import re
from functools import reduce

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit import lines as module
from gcodetools.edit.draft import Draft
from gcodetools.edit.lines import line_words, lines_with
from gcodetools.gcode.scan import read_program

NUMBER = st.from_regex(r"-?([0-9]{1,4}(\.[0-9]{0,5})?|\.[0-9]{1,5})", fullmatch=True)
WORDS = st.lists(
    st.tuples(st.sampled_from("XYZEF"), NUMBER), min_size=1, max_size=4, unique_by=lambda w: w[0]
)
LINE = st.tuples(
    st.sampled_from(["G1", "G0 ", "g1", " G1"]), WORDS, st.sampled_from(["", " ; X9 Y9", " (E1)"])
)


@given(st.lists(LINE, min_size=1, max_size=12), st.data())
def test_places_are_those_of_the_number_s_own_text(lines, draw):
    texts = [h + "".join(f" {k}{v}" for k, v in words) + tail for h, words, tail in lines]
    data = ("\n".join(texts) + "\n").encode()
    program = read_program(data)
    wanted = np.array(sorted(draw.draw(st.sets(st.integers(0, len(texts) - 1), min_size=1))))
    found = line_words(program.lines, wanted, "XYZEF")
    assert found.line.tolist() == wanted.tolist()
    for k, line in enumerate(wanted.tolist()):
        words = dict(lines[line][1])
        for letter in "XYZEF":
            a, b = int(found.begin[letter][k]), int(found.end[letter][k])
            if letter in words:
                assert data[a:b].decode() == words[letter]
                assert found.value[letter][k] == float(words[letter])
            else:
                assert a == -1 and np.isnan(found.value[letter][k])
        assert data[: found.words_end[k]].decode().endswith(lines[line][1][-1][1])


@given(
    st.lists(st.text("fFgE; 1", max_size=4), min_size=1, max_size=12),
    st.data(),
    st.sampled_from([1, 9, 1 << 20]),
)
def test_lines_with_a_letter_large_or_small_are_found(texts, draw, block_bytes):
    program = read_program(("\n".join(texts) + "\n").encode())
    wanted = np.array(sorted(draw.draw(st.sets(st.integers(0, len(texts) - 1)))), np.int64)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "BLOCK_BYTES", block_bytes)
        found = lines_with(program.lines, wanted, "F")
    assert found.tolist() == ["f" in texts[k].lower() for k in wanted.tolist()]


def checksum(line):
    return reduce(lambda a, b: a ^ b, line)


def numbered(lines):
    out = []
    for k, line in enumerate(lines):
        body = f"N{k} {line}".encode()
        out.append(body + b"*" + str(checksum(body)).encode())
    return b"\n".join(out) + b"\n"


@pytest.mark.parametrize("setting", ["feed", "flow", "accel"])
def test_an_edited_line_with_a_checksum_gets_a_new_one(plate_of, write, setting):
    lines = ["G21", "G90", "M83", "M204 S1000", "G1 X0 Y0 F1800", "G1 X10 E.4", "M204 S900", "G1 Y10 E.4"]
    data = b";TYPE:Perimeter\n" + numbered(lines)
    plate = plate_of(data)
    draft = Draft.of(plate)
    getattr(draft, setting)[plate.beads.feature != 0] = {"feed": 20.0, "flow": 1.05, "accel": 500.0}[setting]
    output = write(draft).output
    assert output != data
    stated = re.findall(rb"^(N[^*\n]*)\*([0-9]+)$", output, re.M)
    assert len(stated) == len(lines)
    assert all(checksum(body) == int(value) for body, value in stated)
    assert not read_program(output).warnings


def test_only_lines_with_a_checksum_get_one_and_each_its_own(plate_of, write):
    """Lines with and without, an asterisk in a comment, and lines of ours before one."""
    lines = [
        b"G21",
        b"G90",
        b"M83",
        b";TYPE:Perimeter",
        b"G1 X0 Y0 F1800",
        b"N7 G1 X10 E.4",
        b"G1 Y10 E.4 ; 3*4",
    ]
    lines[5] += b"*" + str(checksum(lines[5])).encode()
    plate = plate_of(b"\n".join([*lines, b"G1 X0 E.4", b"G1 Y0 E.4"]) + b"\n")
    draft = Draft.of(plate)
    draft.feed[plate.beads.feature != 0] = [20.0, 25.0, 20.0, 15.0]
    output = write(draft).output.splitlines()
    body, _, value = output[5].partition(b"*")
    assert body == b"N7 G1 X10 E.4 F1200" and checksum(body) == int(value)
    assert output[6] == b"G1 Y10 E.4 F1500 ; 3*4"
    assert sum(b"*" in line for line in output) == 2

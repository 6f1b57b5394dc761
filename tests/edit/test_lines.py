"""Words of chosen lines with their places in the file, and the checksums of edited lines."""

from __future__ import annotations

import re
from functools import reduce

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit.draft import Draft
from gcodetools.edit.lines import line_words
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

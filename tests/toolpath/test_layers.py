"""Layers: of every sample by a reader of the tests' own, with comments and without, and of made files."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.demo.plates import Made
from gcodetools.toolpath.layers import laying
from gcodetools.toolpath.plate import Plate

Read = Callable[..., Plate]
MakePlate = Callable[..., Made]

# Marks as CONVENTIONS.md lists them; a raft's layers are marked too.
MARK = {
    "A": rb"(?m)^;LAYER:-?\d+\r?$",
    "B": rb"(?m)^;LAYER_CHANGE\r?$",
    "C": rb"(?m)^;LAYER_CHANGE\r?$",
    "D": rb"(?m)^; CHANGE_LAYER\r?$",
    "E": rb"(?m)^; layer \d+, Z = [\d.]+\r?$",
    "G": rb"(?m)^; BEGIN_LAYER_OBJECT z=[\d.]+\r?$",
    "H": rb"(?m)^\(<layer> [\d.]+ \)",
}
VASES = {"A-vase-crlf.gcode", "E1-vase.gcode"}
# Lines that the start code draws, at heights that are no layer's: read off the files.
PRIMING_Z = {"J-bare.g": {0.2}, "D-part.gcode": {0.3}, "E0-cube.gcode": {0.2}, "A-two-names.gcode": {0.3}}
NUMBER = re.compile(rb"([XYZE])(-?\d*\.?\d+)")


def heights_by_hand(data: bytes) -> list[float]:
    """Heights at which plastic is laid, in order, one a run of equal ones: a plain loop over the lines."""
    at = {b"X": 0.0, b"Y": 0.0, b"Z": 0.0, b"E": 0.0}
    relative_e, relative, found = False, False, list[float]()
    for raw in data.splitlines():
        line = raw.split(b";")[0].split(b"(")[0].strip()
        word = line.split(b" ")[0]
        if word in (b"M83", b"M82"):
            relative_e = word == b"M83"
        if word in (b"G90", b"G91"):
            relative = word == b"G91"
        if word not in (b"G0", b"G1", b"G2", b"G3", b"G92"):
            continue
        words = {k: float(v) for k, v in NUMBER.findall(line)}
        if word == b"G92":
            at |= words
            continue
        pushed = words.get(b"E", 0.0 if relative_e else at[b"E"]) - (0.0 if relative_e else at[b"E"])
        moved = any(
            axis in words and (relative or abs(words[axis] - at[axis]) > 1e-9) for axis in (b"X", b"Y")
        )
        for axis, value in words.items():
            at[axis] = at[axis] + value if relative and axis != b"E" else value
        if pushed > 0 and moved and (not found or abs(found[-1] - at[b"Z"]) > 1e-4):
            found.append(at[b"Z"])
    return found


def test_marked_samples_have_as_many_layers_as_marks(sample_path: Path, read: Read) -> None:
    data = sample_path.read_bytes()
    marks = len(re.findall(MARK.get(sample_path.name[0], rb"(?!)"), data))
    if marks == 0:
        pytest.skip("no layer marks in this sample")
    layers = read(sample_path).layers
    assert layers.source == "comments"
    assert len(layers) == marks


def test_flat_samples_have_the_heights_that_a_plain_reader_finds(sample_path: Path, read: Read) -> None:
    if sample_path.name in VASES:
        pytest.skip("a spiral has no heights of its own")
    wanted = heights_by_hand(sample_path.read_bytes())
    if wanted and wanted[0] in PRIMING_Z.get(sample_path.name, set()):
        wanted = wanted[1:]
    for bare in (False, True):
        np.testing.assert_allclose(read(sample_path, bare).layers.z_mm, wanted, atol=1e-4)


def test_without_comments_beads_lie_in_the_layers_that_marks_say(sample_path: Path, read: Read) -> None:
    marked = read(sample_path)
    bare = read(sample_path, bare=True)
    assert bare.layers.source == "geometry"
    np.testing.assert_array_equal(marked.moves.e, bare.moves.e)
    rows = marked.beads.is_bead & (marked.beads.layer >= 0)
    if sample_path.name in VASES:
        # A file may cut a turn at another place of it; the flat first turn of A counts with the turn above.
        assert abs(len(bare.layers) - len(marked.layers)) <= 1
        assert np.abs(marked.beads.layer[rows] - bare.beads.layer[rows]).max() <= 1
    else:
        np.testing.assert_array_equal(bare.beads.layer[rows], marked.beads.layer[rows])
    assert bare.layers.raft.sum() == marked.layers.raft.sum()


def test_spiral_sample_has_a_layer_a_turn_by_its_marks_and_by_its_path(samples: Path, read: Read) -> None:
    path = samples / "E1-vase.gcode"
    assert len(read(path).layers) == len(read(path, bare=True).layers) == 74


@pytest.mark.every(3)
@pytest.mark.parametrize("sequential", [False, True], ids=["by layer", "one by one"])
@pytest.mark.parametrize("bare", [False, True], ids=["with comments", "without"])
@pytest.mark.parametrize("convention", CONVENTIONS)
def test_demo_plates_have_the_layers_they_were_made_of(
    made: MakePlate, read_made: Read, convention: str, bare: bool, sequential: bool
) -> None:
    truth = made(convention, sequential=sequential).truth
    layers = read_made(convention, bare=bare, sequential=sequential).layers
    np.testing.assert_allclose(layers.z_mm, truth.layer_z, atol=1e-4)
    np.testing.assert_allclose(layers.height_mm, 0.2, atol=1e-4)
    assert layers.run.max() == (1 if sequential else 0)


def test_a_row_lays_a_bead_only_if_it_pushes_while_it_moves_in_the_plane() -> None:
    text = (
        b"M83\nG1 X10 Y10 Z0.2\n"  # travel
        b"G1 X20 E0.5\n"  # bead
        b"G1 X30\n"  # travel
        b"G1 X25 E-0.4\n"  # wipe
        b"G1 E0.4\n"  # refill
        b"G1 Z0.6 E0.1\n"  # rises on the spot
        b"G1 X25 E0\n"  # zero-length
        b"G3 X25 Y10 I5 J0 E1\n"  # full circle: a bead
        b"G1 X999 Y999 Z50 E1 H1\n"  # endstop
        b"G0 X40 E0.2\n"  # G0 may carry E
    )
    plate = Plate.from_bytes(text)
    assert np.flatnonzero(laying(plate.program)).tolist() == [1, 7, 9]


def test_rows_around_the_print_belong_to_no_layer(pen: Any) -> None:
    pen.say("G1 X5 Y5 Z0.3", "G1 X5 Y100 E20")
    for k in range(3):
        pen.layer(0.2 * (k + 1))
        pen.square(50, 50, 20)
    pen.say("G1 E-2", "G1 X0 Y200 Z50")
    plate = pen.plate()
    assert len(plate.layers) == 3
    assert plate.beads.layer[1] == -1
    assert plate.beads.layer[-1] == -1
    assert np.all(np.diff(plate.layers.first_row) > 0)
    np.testing.assert_array_equal(plate.layers.first_row[1:], plate.layers.last_row[:-1])


def test_a_mark_without_beads_makes_no_layer_and_two_marks_at_one_height_make_one() -> None:
    text = b"M83\nG90\n"
    for z, body in ((0.2, b"G1 X10 E1\n"), (0.2, b"G1 Y10 E1\n"), (0.4, b""), (0.6, b"G1 X0 E1\n")):
        text += b";LAYER_CHANGE\n;Z:%g\nG1 Z%g\n;TYPE:Perimeter\n%s" % (z, z, body)
    layers = Plate.from_bytes(text).layers
    assert layers.source == "comments"
    np.testing.assert_allclose(layers.z_mm, [0.2, 0.6])


def test_the_layer_above_a_raft_has_its_own_thickness_not_the_gaps(samples: Path, read: Read) -> None:
    layers = read(samples / "A-two-names.gcode").layers
    assert layers.raft.sum() == 4  # -6 to -3 in the file
    np.testing.assert_allclose(layers.height_mm[~layers.raft], 0.2, atol=1e-4)  # `;Layer height: 0.2`


def test_a_file_without_beads_has_no_layers() -> None:
    plate = Plate.from_bytes(b"G28\nG1 X10 Y10 Z5\n")
    assert len(plate.layers) == 0
    assert not np.any(plate.beads.is_bead)
    assert np.all(plate.beads.layer == -1)

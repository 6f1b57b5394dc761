"""Words, end points and arcs agree with pygcode, an independent reader of G-code (GPL, test use only).

Proves: the same words with the same numbers on the motion lines of real files; each move's end from its start;
arcs on the same circle, as long and ending in the same place. Proves nothing about filament, feed or states:
pygcode has no meaning for E on a move and takes temperatures for spindle speeds. Every tenth line by default,
all of them with `-m long`.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.program import ENDSTOP, Program
from gcodetools.gcode.scan import read_program
from gcodetools.gcode.tokens import tokenise

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its sources hold escape sequences that interpreters warn about
    import pygcode
    from pygcode.transform import ArcLinearizeInside, linearize_arc

POSITION_MM = 1e-9
PLANES = {17: pygcode.GCodeSelectXYPlane, 18: pygcode.GCodeSelectZXPlane, 19: pygcode.GCodeSelectYZPlane}
# Where pygcode reads another number than `float` does: a plus sign, blanks inside words.
_PLAIN = re.compile(rb"^\s*G0*[0-3](\s*[XYZEFIJKRPH]-?(\d+\.?\d*|\.\d+))*\s*([;(].*)?$", re.I)

steps = pytest.mark.parametrize("step", [10, pytest.param(1, marks=pytest.mark.long)])


def theirs(text: bytes) -> pygcode.Line:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pygcode.Line(text.decode("utf-8", "replace").rstrip("\r\n"))


def motion_of(line: pygcode.Line) -> pygcode.GCodeMotion:
    (motion,) = [g for g in line.block.gcodes if isinstance(g, pygcode.gcodes.GCodeMotion)]
    return motion


def motion_rows(program: Program, step: int) -> Iterator[tuple[int, bytes]]:
    """Every `step`-th row of a G0 to G3 that pygcode can read, with its text."""
    rows = np.flatnonzero((program.moves.kind & 7) != 0)
    readable = 0
    for row in rows[::step].tolist():
        text = program.lines.text(int(program.moves.line[row]))
        if _PLAIN.match(text):
            readable += 1
            yield row, text
    # Else the comparison would prove little.
    assert readable >= 0.99 * len(rows[::step])


@steps
def test_the_words_of_motion_lines(sample_path: Path, step: int) -> None:
    program = read_program(sample_path.read_bytes(), sample_path.name)
    texts = [text for _, text in motion_rows(program, step)]
    tokens = tokenise(b"\n".join(texts))
    bounds = np.searchsorted(tokens.line, np.arange(len(texts) + 1)).tolist()
    letters, values = tokens.letter.tolist(), tokens.value.tolist()
    for index, text in enumerate(texts):
        first, last = bounds[index], bounds[index + 1]
        mine = [(chr(c), v) for c, v in zip(letters[first:last], values[first:last], strict=True)]
        other = [(word.letter, float(word.value)) for word in theirs(text).block.words]
        assert mine == other, text


@steps
def test_the_end_points_of_moves(sample_path: Path, step: int) -> None:
    program = read_program(sample_path.read_bytes(), sample_path.name)
    moves, states = program.moves, program.states
    relative = states.xyz_relative.at(moves.line) == 1.0
    offset = np.column_stack([t.at(moves.line) for t in (states.offset_x, states.offset_y, states.offset_z)])
    place = np.column_stack([moves.x, moves.y, moves.z])
    homed = program.words.line[(program.words.letter == ord("G")) & (program.words.value == 28)]
    machine = pygcode.Machine()
    modes = {True: pygcode.GCodeIncrementalDistanceMode(), False: pygcode.GCodeAbsoluteDistanceMode()}
    for row, text in motion_rows(program, step):
        if row == 0 or moves.kind[row] & ENDSTOP:
            continue
        between = (homed > moves.line[row - 1]) & (homed < moves.line[row])
        if np.any(between):
            continue
        start = place[row - 1] - offset[row]
        machine.set_mode(modes[bool(relative[row])])
        machine.pos = machine.Position(X=start[0], Y=start[1], Z=start[2])
        machine.process_gcodes(motion_of(theirs(text)))
        end = np.array([machine.pos.X, machine.pos.Y, machine.pos.Z])
        np.testing.assert_allclose(end, place[row] - offset[row], rtol=0, atol=POSITION_MM, err_msg=str(text))


def vertices(text: bytes, start: tuple[float, float, float], plane: int, error_mm: float) -> np.ndarray:
    """Corners (k, 3) of the straight lines that pygcode makes of an arc, its start first."""
    arc = motion_of(theirs(text))
    lines = linearize_arc(
        arc,
        pygcode.Position(X=start[0], Y=start[1], Z=start[2]),
        plane=PLANES[plane](),
        method_class=ArcLinearizeInside,
        max_error=error_mm,
    )
    return np.array([start] + [[float(move.params[k].value) for k in "XYZ"] for move in lines])


def assert_same_arc(program: Program, index: int, text: bytes, start: tuple[float, float, float]) -> None:
    """Corners lie on our circle, end where we end, and are as long as a fine polygon should be."""
    arcs, row, error_mm = program.arcs, int(program.arcs.row[index]), 1e-4
    corners = vertices(text, start, int(arcs.plane[index]), error_mm)
    end = np.array([program.moves.x[row], program.moves.y[row], program.moves.z[row]])
    # pygcode moves the centre so that both ends lie on the circle; files round centres to three decimals.
    rounding_mm = abs(math.dist(end[:2], (arcs.cx[index], arcs.cy[index])) - arcs.radius[index])
    slack_mm = 2e-3 + (rounding_mm if arcs.plane[index] == 17 else 0.0)
    np.testing.assert_allclose(corners[-1], end, atol=1e-6)
    flat = {17: (0, 1), 18: (2, 0), 19: (1, 2)}[int(arcs.plane[index])]
    away = np.hypot(corners[:, flat[0]] - arcs.cx[index], corners[:, flat[1]] - arcs.cy[index])
    assert np.abs(away - arcs.radius[index]).max() <= 2 * slack_mm, text
    length = float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum())
    mine = float(arc_lengths(program.moves, arcs)[index])
    # A chord is shorter than its arc by about 8/3 of its height over its length, squared.
    assert mine == pytest.approx(length, rel=2e-3, abs=3 * abs(arcs.sweep[index]) * slack_mm), text


@steps
def test_the_arcs_of_files(sample_path: Path, step: int) -> None:
    program = read_program(sample_path.read_bytes(), sample_path.name)
    moves, arcs = program.moves, program.arcs
    if len(arcs.row) == 0:
        pytest.skip("no arcs in this file")
    compared = 0
    for index in range(0, len(arcs.row), step):
        row = int(arcs.row[index])
        if abs(arcs.sweep[index]) >= 2 * math.pi - 1e-9:
            continue  # pygcode knows no full circles
        start = (float(moves.x[row - 1]), float(moves.y[row - 1]), float(moves.z[row - 1]))
        assert_same_arc(program, index, program.lines.text(int(moves.line[row])), start)
        compared += 1
    assert compared > 0.5 * len(arcs.row) / step


@pytest.mark.parametrize("command", ["G2", "G3"])
@pytest.mark.parametrize(
    ("plane", "words"),
    [
        (17, "X3 Y4 I-5 J0"),
        (17, "X0 Y5 Z7 I-5 J0"),
        (17, "X4 Y-3 R5"),
        (17, "X4 Y-3 R-5"),
        (17, "X-5 Y0.001 I-5 J0"),
        (18, "X5 Z5 I-0 K5 Y2"),
        (18, "X10 Z5 R6"),
        (19, "Y5 Z5 J5 K0"),
        (19, "Y3 Z1 R-9 X2"),
    ],
)
def test_forms_and_planes(command: str, plane: int, words: str) -> None:
    line = f"{command} {words}"
    program = read_program(f"G1 X5 Y0 Z0\nG{plane}\n{line}\n".encode(), "t")
    assert_same_arc(program, 0, line.encode(), (5.0, 0.0, 0.0))

"""Words, end points and arcs agree with pygcode, an independent reader of G-code (GPL, test use only).

Proves: the same words with the same numbers on the motion lines of real files; each move's end from its
start; arcs on the same circle, as long and ending in the same place. Proves nothing about filament, feed or
states: pygcode has no meaning for E on a move and takes temperatures for spindle speeds. Every thirtieth line
by default, all of them with `-m long`; its slow machine runs on every tenth of those.
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
# Where pygcode reads another number than `float` does: a plus sign, blanks inside words.
_PLAIN = re.compile(rb"^\s*G0*[0-3](\s*[XYZEFIJKRPH]-?(\d+\.?\d*|\.\d+))*\s*([;(].*)?$", re.I)

steps = pytest.mark.parametrize("step", [30, pytest.param(1, marks=pytest.mark.long)])


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
    machine, compared = pygcode.Machine(), 0
    modes = {True: pygcode.GCodeIncrementalDistanceMode(), False: pygcode.GCodeAbsoluteDistanceMode()}
    for row, text in motion_rows(program, step):
        if row == 0 or moves.kind[row] & ENDSTOP:
            continue
        between = (homed > moves.line[row - 1]) & (homed < moves.line[row])
        if np.any(between):
            continue
        start, end = place[row - 1] - offset[row], place[row] - offset[row]
        motion = motion_of(theirs(text))
        given = motion.get_param_dict("XYZ")
        base = start if relative[row] else np.zeros(3)
        worked = [base[k] + given[axis] if axis in given else start[k] for k, axis in enumerate("XYZ")]
        np.testing.assert_allclose(worked, end, rtol=0, atol=POSITION_MM, err_msg=str(text))
        compared += 1
        if compared % 10 == 1:
            machine.set_mode(modes[bool(relative[row])])
            machine.pos = machine.Position(X=start[0], Y=start[1], Z=start[2])
            machine.process_gcodes(motion)
            found = [machine.pos.X, machine.pos.Y, machine.pos.Z]
            np.testing.assert_allclose(found, end, rtol=0, atol=POSITION_MM, err_msg=str(text))
    assert compared


# pygcode makes one straight line of an arc in ZX or YZ: there the axes are renamed, first and second to X, Y.
RENAMED = {17: b"XYZIJK", 18: b"YZXJKI", 19: b"ZXYKIJ"}
ORDER = {17: [0, 1, 2], 18: [2, 0, 1], 19: [1, 2, 0]}


def vertices(text: bytes, start: np.ndarray, plane: int, relative: bool, error_mm: float) -> np.ndarray:
    """Corners (k, 3) of the straight lines that pygcode makes of an arc, its start first, in the plane's own
    axes: first, second, normal."""
    arc = motion_of(theirs(text.upper().translate(bytes.maketrans(b"XYZIJK", RENAMED[plane]))))
    lines = linearize_arc(
        arc,
        pygcode.Position(**dict(zip("XYZ", start.tolist(), strict=True))),
        plane=pygcode.GCodeSelectXYPlane(),
        method_class=ArcLinearizeInside,
        dist_mode=(pygcode.GCodeIncrementalDistanceMode if relative else pygcode.GCodeAbsoluteDistanceMode)(),
        max_error=error_mm,
        decimal_places=12,
    )
    corners = np.array([[float(move.params[k].value) for k in "XYZ"] for move in lines])
    return np.vstack([start, np.cumsum(corners, axis=0) + start if relative else corners])


def assert_same_arc(program: Program, index: int, relative: bool = False) -> None:
    """Corners lie on our circle, end where we end, and are as long as a fine polygon should be."""
    arcs, moves, row = program.arcs, program.moves, int(program.arcs.row[index])
    text = program.lines.text(int(moves.line[row]))
    plane = int(arcs.plane[index])
    start, end = (np.array([moves.x[k], moves.y[k], moves.z[k]])[ORDER[plane]] for k in (row - 1, row))
    corners = vertices(text, start, plane, relative, 1e-4)
    np.testing.assert_allclose(corners[-1], end, atol=1e-6, err_msg=str(text))
    # pygcode moves the centre so that both ends lie on the circle; files round centres to three decimals.
    centre = (float(arcs.cx[index]), float(arcs.cy[index]))
    slack_mm = 1e-3 + 2 * abs(math.dist(end[:2], centre) - arcs.radius[index])
    away = np.hypot(corners[:, 0] - centre[0], corners[:, 1] - centre[1])
    assert np.abs(away - arcs.radius[index]).max() <= slack_mm, text
    length = float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum())
    mine = float(arc_lengths(moves, arcs)[index])
    assert mine == pytest.approx(length, rel=1e-3, abs=abs(arcs.sweep[index]) * slack_mm), text


@steps
def test_the_arcs_of_files(sample_path: Path, step: int) -> None:
    program = read_program(sample_path.read_bytes(), sample_path.name)
    moves, arcs = program.moves, program.arcs
    if len(arcs.row) == 0:
        pytest.skip("no arcs in this file")
    relative = program.states.xyz_relative.at(moves.line[arcs.row]) == 1.0
    # pygcode knows no full circles.
    partial = np.flatnonzero(np.abs(arcs.sweep) < 2 * math.pi - 1e-9)
    for index in partial[::step].tolist():
        assert_same_arc(program, index, bool(relative[index]))


@pytest.mark.parametrize("command", ["G2", "G3"])
@pytest.mark.parametrize(
    ("mode", "plane", "start", "words"),
    [
        (90, 17, "X5 Y0 Z0", "X3 Y4 I-5 J0"),
        (90, 17, "X5 Y0 Z0", "X0 Y5 Z7 I-5 J0"),
        (90, 17, "X5 Y0 Z1", "X4 Y-3 R5"),
        (90, 17, "X5 Y0 Z1", "X4 Y-3 R-5"),
        (90, 18, "X5 Y1 Z0", "X0 Z5 I-5 K0 Y2"),
        (90, 18, "X5 Y1 Z0", "X10 Z5 R6"),
        (90, 19, "Y5 Z0 X1", "Y0 Z5 J-5 K0"),
        (90, 19, "Y5 Z0 X1", "Y3 Z1 R-9 X2"),
        (91, 17, "X5 Y0 Z0", "X-2 Y4 I-5 J0"),
        (91, 17, "X5 Y0 Z1", "X4 Y-3 Z2 R-5"),
        (91, 18, "X5 Y1 Z0", "X-5 Z5 I-5 K0 Y2"),
        (91, 19, "Y5 Z0 X1", "Y3 Z1 R9 X2"),
    ],
)
def test_forms_and_planes(command: str, mode: int, plane: int, start: str, words: str) -> None:
    program = read_program(f"G1 {start}\nG{plane}\nG{mode}\n{command} {words}\n".encode(), "t")
    assert_same_arc(program, 0, mode == 91)

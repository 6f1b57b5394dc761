"""The judge itself finds faults that are planted in a treated file, each by its own check."""

from __future__ import annotations

import re

import bead_shapes as shapes
import numpy as np
import pytest
from bead_judge import Verdict
from bead_laid import OUTERMOST, WALLS, made_shapes

PART = shapes.thing(shapes.slotted(10, 4.0, 80), 1.0)


@pytest.fixture(scope="module")
def printed(press):
    return press(PART, ("all", "{perimeters: {add: 1}}"), relative_e=True)


def spoilt(printed, change) -> Verdict:
    """The verdict over a file whose lines `change` has altered; it gets the lines and the verdict before."""
    verdict = printed.verdict()
    program = verdict.after.plate.program
    lines = [program.lines.text(k) for k in range(len(program.lines))]
    at = program.moves.line[verdict.after.rows]
    change(lines, at, verdict)
    islands = made_shapes(printed.placements, printed.recipe.layer_mm)
    return Verdict(printed.before, b"\n".join(lines) + b"\n", islands, wall_q=1.0)


def scaled(word: bytes, by: float):
    return lambda line: re.sub(word + rb"(-?[\d.]+)", lambda m: b"%s%.5f" % (word, float(m[1]) * by), line)


def on(kind, edit):
    """A change of the lines of new beads, or of old ones of some features, on the fourth layer."""

    def change(lines, at, verdict):
        mine = verdict.is_new if kind is None else np.isin(verdict.after.feature, kind) & ~verdict.is_new
        for n in at[mine & (verdict.after.layer == 3)].tolist():
            lines[n] = edit(lines[n])

    return change


def late(lines, at, verdict):
    """A new bead behind the fill of its island."""
    mine = verdict.after.layer == 3
    fill = np.flatnonzero(mine & ~np.isin(verdict.after.feature, WALLS) & ~verdict.is_new)
    n = int(at[fill[-1]])
    x, y = (float(v) for v in re.search(rb"X([\d.]+) Y([\d.]+)", lines[n]).groups())
    lines[n] += b"\nG1 X%.3f Y%.3f E0.03" % (x + 0.6, y + 0.6)


def unpulled(lines, at, verdict):
    first, last = (int(at[np.flatnonzero(verdict.after.layer == 3)[k]]) for k in (0, -1))
    for n in range(first - 12, last):
        if re.fullmatch(rb"G1 E-?[\d.]+ F[\d.]+", lines[n]):
            lines[n] = b"; gone"
    n = int(at[np.flatnonzero(verdict.is_new & (verdict.after.layer == 3))[0]])
    lines[n - 4] = b"\n".join([lines[n - 4], b"G1 X140 Y100 F9000", b"G1 X90 Y100 F9000"])


PLANTED = {
    "outline": on(None, lambda line: re.sub(rb"X([\d.]+)", lambda m: b"X%.3f" % (float(m[1]) + 1.5), line)),
    "outermost": on([OUTERMOST], lambda line: line + b" "),
    "bands": on(None, scaled(b"E", 1.06)),
    "island_fill": on(None, scaled(b"E", 5.0)),
    "sane": on(None, scaled(b"E", 2.5)),
    "kept": on(list(WALLS), scaled(b"E", 1.05)),
    "crossings": unpulled,
    "marks": on(None, lambda line: b";TYPE:Skirt\n" + line),
    "order": late,
}


def test_the_file_is_without_fault_before(printed):
    assert not printed.verdict().faults()


@pytest.mark.parametrize("check", PLANTED)
def test_a_planted_fault_is_found(printed, check):
    assert getattr(spoilt(printed, PLANTED[check]), check)()

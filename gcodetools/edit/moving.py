"""Puts the new places of moved rows on the file's own lines: X and Y, and I and J of arcs, word for word.

Lines of ours for the pieces of cut rows are written by `pieces`; the last piece is the file's own line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context, coordinate_decimals, logical
from gcodetools.edit.displaced import circles_of, ends_of
from gcodetools.edit.lines import LineWords, line_words
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.numbers import fixed, fixed_text, join_pools
from gcodetools.gcode.program import ARC, LINE

__all__ = ["move_lines"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


def move_lines(context: Context, is_cut: Bool) -> None:
    """Rewrite the lines of rows that end, or begin, elsewhere than in the file. is_cut : (p,) pieces of cut rows."""
    draft = context.draft
    assert draft.moved is not None
    moves = draft.plate.program.moves
    touched = draft.moved.touched
    context.declare(distinct(touched), ("position", "e"), "moved by `fit`")
    last = draft.first[touched + 1].astype(np.int64) - 1
    keep = (moves.kind[touched] & (LINE | ARC)) != 0
    if draft.removed is not None:
        keep &= ~draft.removed[last]
    rows, piece = touched[keep], last[keep]
    arc = (moves.kind[rows] & ARC) != 0
    # The last piece of a cut arc has its words from where its other pieces are written.
    own = ~(arc & is_cut[piece])
    rows, piece, arc = rows[own], piece[own], arc[own]
    words = line_words(draft.plate.program.lines, moves.line[rows], "XYIJR")
    start, end = ends_of(draft, piece)
    for n, axis in enumerate("xy"):
        _axis(context, words, rows, piece, axis, start[:, n], end[:, n])
    bent = np.flatnonzero(arc)
    if len(bent):
        _centres(context, words, rows[bent], piece[bent], start[bent])


def _axis(context: Context, words: LineWords, rows: I8, piece: I8, axis: str, start: F8, end: F8) -> None:
    """Replace or add the word of one axis where it has to say another place."""
    program = context.draft.plate.program
    letter, other = axis.upper(), "Y" if axis == "x" else "X"
    at = words.of(program.moves.line[rows])
    has = words.begin[letter][at] >= 0
    decimals = coordinate_decimals(program, letter)
    value = logical(program, rows, end, axis)
    # A letter without a number says no more than a word that is left out.
    empty = has & np.isnan(words.value[letter][at]) & (np.abs(start - end) > 0.0)
    new = np.flatnonzero(empty | (has & (end != getattr(program.moves, axis)[rows])))
    text = fixed(value[new], decimals)
    context.edits.add(words.begin[letter][at[new]], words.end[letter][at[new]], 2 * piece[new], 4, text)
    # A line that leaves an axis out stays where the row before has ended, which is elsewhere now.
    left = np.flatnonzero(~has & (np.abs(start - end) > 0.0))
    place = words.end[other][at[left]]
    for name in "IJR":
        place = np.where(place >= 0, place, words.end[name][at[left]])
    left, place = left[place >= 0], place[place >= 0]
    text = join_pools(b" " + letter.encode(), fixed(value[left], decimals), count=len(left))
    context.edits.add(place, place, 2 * piece[left], 4, text)


def _centres(context: Context, words: LineWords, rows: I8, piece: I8, start: F8) -> None:
    """Centres of whole arcs: I and J from where they begin now; they take the place of R."""
    draft = context.draft
    program = draft.plate.program
    circle = circles_of(draft, piece)
    at = words.of(program.moves.line[rows])
    absolute = program.states.arc_absolute.at(program.moves.line[rows]) == 1.0
    centre = {}
    for n, (axis, middle) in enumerate((("x", circle.cx), ("y", circle.cy))):
        # The step from a start that is rounded as it is printed.
        stands = logical(program, rows, start[:, n], axis)
        scale = 10.0 ** coordinate_decimals(program, axis.upper())
        there = logical(program, rows, middle, axis)
        centre["IJ"[n]] = np.where(absolute, there, there - np.rint(stands * scale) / scale)
    by_radius = words.begin["R"][at] >= 0
    for letter, value in centre.items():
        decimals = coordinate_decimals(program, letter)
        has = words.begin[letter][at] >= 0
        begin, end = words.begin[letter][at], words.end[letter][at]
        differs = np.rint(_numbers(words, letter)[at] * 10.0**decimals) != np.rint(value * 10.0**decimals)
        new = np.flatnonzero(has & differs)
        context.edits.add(begin[new], end[new], 2 * piece[new], 4, fixed(value[new], decimals))
        other = "J" if letter == "I" else "I"
        left = np.flatnonzero(~has & ~by_radius & (np.abs(value) >= 0.5 * 10.0**-decimals))
        place = words.end[other][at[left]]
        text = join_pools(b" " + letter.encode(), fixed(value[left], decimals), count=len(left))
        context.edits.add(place, place, 2 * piece[left], 4, text)
    for k in np.flatnonzero(by_radius).tolist():
        words_of_centre = b" ".join(
            letter.encode() + fixed_text(float(value[k]), coordinate_decimals(program, letter))
            for letter, value in centre.items()
        )
        low, high = int(words.begin["R"][at[k]]) - 1, int(words.end["R"][at[k]])
        context.edits.one(low, high, 2 * int(piece[k]), 4, words_of_centre)


def _numbers(words: LineWords, letter: str) -> F8:
    """The words' values, 0 where a line has none."""
    return np.nan_to_num(words.value[letter])

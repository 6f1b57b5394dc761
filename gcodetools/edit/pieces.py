"""Lines for the pieces of a cut move: all but the last are new, the last is the file's own line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context, coordinate_decimals, feed_text, logical
from gcodetools.edit.displaced import circles_of, ends_of
from gcodetools.edit.draft import e_decimals
from gcodetools.edit.lines import LineWords
from gcodetools.gcode.numbers import Pool, fixed, fixed_text, join_pools
from gcodetools.gcode.program import ARC, CLOCKWISE

__all__ = ["piece_lines"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


def piece_lines(context: Context, words: LineWords, is_cut: Bool, feed_word: F8, e_word: F8) -> None:
    """Write the lines of cut moves' pieces but the last, and the new arc centres of the last."""
    draft = context.draft
    moves = draft.plate.program.moves
    stays = is_cut if draft.removed is None else is_cut & ~draft.removed
    piece = np.flatnonzero(stays & (draft.t1 < 1.0))
    arc = (moves.kind[draft.row[piece]] & ARC) != 0
    _straight_pieces(context, words, piece[~arc], feed_word, e_word)
    tails = np.flatnonzero(stays & (draft.t0 > 0.0) & (draft.t1 == 1.0))
    tails = tails[(moves.kind[draft.row[tails]] & ARC) != 0]
    _arc_pieces(context, words, piece[arc], tails, feed_word, e_word)


def _optional(letter: bytes, values: F8, present: Bool, decimals: int) -> Pool:
    """` L<value>` where present, nothing elsewhere."""
    number = fixed(values[present], decimals)
    words = join_pools(b" " + letter, number, count=int(present.sum()))
    length = np.zeros(len(values), np.int64)
    length[present] = words.length
    return Pool(words.data, length)


def _straight_pieces(context: Context, words: LineWords, piece: I8, feed_word: F8, e_word: F8) -> None:
    draft = context.draft
    program = draft.plate.program
    if len(piece) == 0:
        return
    from_row = draft.row[piece].astype(np.int64)
    moves = program.moves
    before = np.maximum(from_row - 1, 0)
    start, end = ends_of(draft, piece)
    z = moves.z[before] + (moves.z[from_row] - moves.z[before]) * draft.t1[piece]
    point = {"X": end[:, 0], "Y": end[:, 1], "Z": z}
    goes = {"X": start[:, 0] != end[:, 0], "Y": start[:, 1] != end[:, 1]}
    goes["Z"] = moves.z[before] != moves.z[from_row]
    at = words.of(moves.line[from_row])
    parts: list[Pool | bytes] = [b"G1"]
    for letter in "XYZ":
        present = goes[letter] if letter == "Z" else goes[letter] | (words.begin[letter][at] >= 0)
        value = logical(program, from_row, point[letter], letter.lower())
        parts.append(_optional(letter.encode(), value, present, coordinate_decimals(program, letter)))
    parts.append(_optional(b"E", e_word[piece], ~np.isnan(e_word[piece]), e_decimals(draft.plate)))
    parts.append(_feed_words(context, piece, feed_word))
    parts.append(context.newline)
    place = program.lines.start[moves.line[from_row]]
    context.edits.add(place, place, 2 * piece, 2, join_pools(*parts, count=len(piece)))


def _feed_words(context: Context, piece: I8, feed_word: F8) -> Pool:
    draft = context.draft
    present = ~np.isnan(feed_word[piece])
    number = feed_text(context, feed_word[piece[present]], draft.row[piece[present]])
    words = join_pools(b" F", number, count=int(present.sum()))
    length = np.zeros(len(piece), np.int64)
    length[present] = words.length
    return Pool(words.data, length)


def _arc_pieces(context: Context, words: LineWords, piece: I8, tails: I8, feed_word: F8, e_word: F8) -> None:
    """Pieces of arcs, always with I and J, whatever the file's own line had; absolute ones behind a G90.1."""
    draft = context.draft
    program = draft.plate.program
    moves = program.moves
    digits = {k: coordinate_decimals(program, k) for k in "XYZIJ"}
    every = np.concatenate([piece, tails]).astype(np.int64)
    feeds = _feed_words(context, every, feed_word)
    ends = np.cumsum(feeds.length)
    starts, points = ends_of(draft, every)
    centres = circles_of(draft, every)
    for n, p in enumerate(every.tolist()):
        row = int(draft.row[p])
        here = np.array([row])
        unit = float(
            logical(program, here, np.array([1.0]), "x")[0] - logical(program, here, np.array([0.0]), "x")[0]
        )
        if program.states.arc_absolute.at(moves.line[here])[0] == 1.0:
            i, j = (
                logical(program, here, centre[n : n + 1], axis)[0]
                for centre, axis in ((centres.cx, "x"), (centres.cy, "y"))
            )
        else:
            i, j = (centres.cx[n] - starts[n, 0]) * unit, (centres.cy[n] - starts[n, 1]) * unit
        x, y = points[n].tolist()
        rise = moves.z[row] - moves.z[row - 1] if row else 0.0
        text = b"G2" if moves.kind[row] & CLOCKWISE else b"G3"
        for letter, axis, value in (("X", "x", x), ("Y", "y", y)):
            number = float(logical(program, here, np.array([value]), axis)[0])
            text += b" " + letter.encode() + fixed_text(number, digits[letter])
        if rise:
            z = moves.z[row - 1] + rise * draft.t1[p]
            text += b" Z" + fixed_text(float(logical(program, here, np.array([z]), "z")[0]), digits["Z"])
        text += b" I" + fixed_text(float(i), digits["I"]) + b" J" + fixed_text(float(j), digits["J"])
        if not np.isnan(e_word[p]):
            text += b" E" + fixed_text(float(e_word[p]), e_decimals(draft.plate))
        line = int(moves.line[row])
        at = int(words.of(np.array([line]))[0])
        if draft.t1[p] < 1.0:
            text += feeds.data[ends[n] - feeds.length[n] : ends[n]].tobytes() + context.newline
            place = int(program.lines.start[line])
            context.edits.one(place, place, 2 * p, 2, text)
        else:
            _replace_arc_words(context, words, at, p, text)


def _replace_arc_words(context: Context, words: LineWords, at: int, p: int, text: bytes) -> None:
    """Put the tail's own I and J (R's successors) on the file's line, leaving its other words alone.

    An end point that the file leaves out is the start's, and the tail starts elsewhere: it is named too.
    """
    numbers = {chunk[:1]: chunk[1:] for chunk in text.split(b" ")[1:]}
    for letter in ("I", "J") if context.draft.moved is None else ("X", "Y", "I", "J"):
        if words.begin[letter][at] >= 0:
            place = int(words.begin[letter][at]), int(words.end[letter][at])
            context.edits.one(*place, 2 * p, 4, numbers[letter.encode()])
    missing = b"".join(
        b" " + k.encode() + numbers[k.encode()] for k in ("X", "Y", "I", "J") if words.begin[k][at] < 0
    )
    if words.begin["R"][at] >= 0:
        first = int(words.begin["R"][at]) - 1
        context.edits.one(first, int(words.end["R"][at]), 2 * p, 4, missing.strip())
    elif missing:
        last = max(int(words.end[k][at]) for k in ("X", "Y", "I", "J"))
        context.edits.one(last, last, 2 * p, 5, missing)

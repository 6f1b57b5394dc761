"""The only writer: walks wanted settings against those in force and turns the differences into edits.

Feed, flow and acceleration change inside object brackets and are put back before a bracket ends, so that
leaving an object out leaves nothing of ours behind. Nozzle and fan are written by `commands`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context, feed_text
from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft
from gcodetools.edit.filament import filament_words, shifted_stretches, write_filament
from gcodetools.edit.lines import LineWords, line_words
from gcodetools.edit.moving import move_lines
from gcodetools.edit.pieces import piece_lines
from gcodetools.edit.runs import emit_runs
from gcodetools.gcode.arrays import distinct, marked
from gcodetools.gcode.numbers import Pool, join_pools
from gcodetools.gcode.program import ARC, LINE
from gcodetools.toolpath.plate import Plate

__all__ = ["emit_beads"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


def emit_beads(context: Context) -> None:
    """Edits for feed, flow and acceleration of pieces, and for cuts."""
    draft = context.draft
    moves = draft.plate.program.moves
    file_feed = moves.f[draft.row]
    target = np.where(np.isnan(draft.feed) | np.isnan(file_feed), file_feed, draft.feed)
    # Before the file's first F there is none to return to.
    fed = ~np.isnan(draft.feed) & ~np.isnan(file_feed) & (target != file_feed)
    gone = draft.removed
    if gone is not None:
        fed &= ~gone
    factor = draft.pushes()
    flowing = factor != 1.0
    is_cut = _is_cut(draft)
    bracket = context.bracket[draft.row]
    broken = np.concatenate([[True], bracket[1:] != bracket[:-1]])

    next_is = np.concatenate([[False], fed[:-1]])
    stretch = shifted_stretches(context, factor)
    context.shift_after = stretch.shift_after
    touched = fed | next_is | is_cut | flowing
    if gone is not None:
        touched[_after_gone(gone)] = True
    late = _behind_late_runs(draft)
    touched[late] = True
    wanted_rows = marked(len(moves), draft.row[touched], stretch.rows)
    feed_behind = target
    if len(wanted_rows):
        words = line_words(draft.plate.program.lines, moves.line[wanted_rows], "EF")
        walk = _walk_feed(draft, words, target, file_feed, fed, broken, is_cut, late)
        if draft.runs:
            feed_behind = np.where(walk.restore, file_feed, target)
        _write_feed(context, words, walk, is_cut)
        e_word, e_row = filament_words(context, words, factor, is_cut, stretch)
        write_filament(context, words, e_word, e_row)
        cut_lines = moves.line[distinct(draft.row[is_cut])]
        cut_words = line_words(draft.plate.program.lines, cut_lines, "GXYZEFIJR")
        piece_lines(context, cut_words, is_cut, walk.feed_word, e_word)
        context.declare(distinct(draft.row[fed]), ("feed",), "speed")
        context.declare(distinct(draft.row[is_cut]), (), "cut at a region's edge")
        context.declare(marked(len(moves), draft.row[flowing], stretch.rows), ("e",), "flow")
    if draft.moved is not None:
        move_lines(context, is_cut)
    if gone is not None:
        _delete_lines(context, gone)
    if gone is not None or draft.runs:
        off = displaced(draft)
        first = np.where(off.since >= 0, draft.row[off.since] + 1, 0)
        last = np.maximum(draft.row[off.piece], first)
        context.declare_runs(first, last, ("position",), "begins where new beads end")
    emit_runs(context, _held_feed(feed_behind, gone), stretch.shift_run)


def _behind_late_runs(draft: Draft) -> I8:
    """The pieces right before which a run stands: they say their feed anew."""
    if not draft.runs:
        return np.empty(0, np.int64)
    late = np.array([not run.early for run in draft.runs])
    pieces: I8 = draft.run_pieces()[late]
    return pieces


def _after_gone(gone: Bool) -> I8:
    """The first piece that stays behind each run of removed ones."""
    stays = np.flatnonzero(~gone)
    behind: I8 = stays[1:][np.diff(stays) > 1]
    return behind if len(stays) == 0 or stays[0] == 0 else np.append(stays[:1], behind)


def _held_feed(feed: F8, gone: Bool | None) -> F8:
    """(p,) the feed behind each piece, where what is removed leaves the one before."""
    if gone is None:
        return feed
    at = np.maximum.accumulate(np.where(gone, -1, np.arange(len(feed))))
    return np.where(at >= 0, feed[np.maximum(at, 0)], np.nan)


def _delete_lines(context: Context, gone: Bool) -> None:
    """Leave out the lines of moves whose last piece is removed."""
    draft = context.draft
    start, lines = draft.plate.program.lines.start, draft.plate.program.moves.line
    piece = np.flatnonzero(gone & (draft.t1 == 1.0))
    line = lines[draft.row[piece]]
    empty = Pool(np.empty(0, np.uint8), np.zeros(len(piece), np.int64))
    context.edits.add(start[line], start[line + 1], 2 * piece, 4, empty)
    rows = distinct(draft.row[gone])
    context.declare(rows, ("position", "e"), "replaced by new beads")


def _is_cut(draft: Draft) -> Bool:
    same = draft.row[1:] == draft.row[:-1]
    cut = np.zeros(len(draft.row), bool)
    cut[1:] |= same
    cut[:-1] |= same
    return cut


@dataclass(frozen=True, slots=True)
class _Walk:
    """feed_word : (p,) feed to write on each piece's own line, NaN for none. restore : (p,) pieces behind
    which the file's feed is put back on a line of its own."""

    feed_word: F8
    restore: Bool


def _walk_feed(
    draft: Draft,
    words: LineWords,
    target: F8,
    file_feed: F8,
    fed: Bool,
    broken: Bool,
    is_cut: Bool,
    late: I8,
) -> _Walk:
    """Which pieces write a feed word, and behind which the file's feed is restored."""
    anew = np.zeros(len(fed), bool)
    anew[late] = True
    if draft.removed is not None:
        return _walk_kept(draft, words, target, file_feed, fed, is_cut, broken, anew)
    return _walk_pieces(draft, words, target, file_feed, fed, broken, is_cut, anew, anew)


def _walk_kept(
    draft: Draft,
    words: LineWords,
    target: F8,
    file_feed: F8,
    fed: Bool,
    is_cut: Bool,
    broken: Bool,
    anew: Bool,
) -> _Walk:
    """The same over the pieces that stay: those removed neither write a feed nor set one."""
    assert draft.removed is not None
    kept = np.flatnonzero(~draft.removed)
    fresh = (np.diff(kept, prepend=-1) > 1) | anew[kept]
    total = np.cumsum(broken)
    now_broken = np.concatenate([[True], total[kept[1:]] != total[kept[:-1]]])
    stays = _Kept(draft.plate, draft.row[kept], draft.t0[kept])
    walk = _walk_pieces(
        stays, words, target[kept], file_feed[kept], fed[kept], now_broken, is_cut[kept], fresh, anew[kept]
    )
    feed_word = np.full(len(draft.row), np.nan)
    restore = np.zeros(len(draft.row), bool)
    feed_word[kept], restore[kept] = walk.feed_word, walk.restore
    return _Walk(feed_word, restore)


@dataclass(frozen=True, slots=True)
class _Kept:
    """Pieces of a draft: what the walk asks for."""

    plate: Plate
    row: NDArray[np.int32]
    t0: F8


def _walk_pieces(
    draft: Draft | _Kept,
    words: LineWords,
    target: F8,
    file_feed: F8,
    fed: Bool,
    broken: Bool,
    is_cut: Bool,
    fresh: Bool,
    anew: Bool,
) -> _Walk:
    """fresh : pieces behind removed ones, whose feed may have been set there. anew : pieces behind a travel of
    ours, which say their feed in any case."""
    count = len(draft.row)
    feed_word = np.full(count, np.nan)
    restore = np.zeros(count, bool)
    lines = draft.plate.program.moves.line
    before_fed = np.concatenate([[False], fed[:-1]])
    first_piece = draft.t0 == 0.0
    check = np.flatnonzero(fed | before_fed | is_cut | fresh)
    own = np.zeros(count, bool)
    own[check] = first_piece[check] & (words.begin["F"][words.of(lines[draft.row[check]])] >= 0)
    own &= _takes_feed(draft)

    write_own = own & (fed | is_cut)
    feed_word[write_own] = target[write_own]
    # A line of ours stands between brackets' pieces; inside a cut move the next piece's own line does it.
    leaving = np.flatnonzero(before_fed & ~own & (broken | (~fed & first_piece)))
    restore[leaving - 1] = True
    entering = np.flatnonzero((fed | before_fed | fresh) & ~own)
    before = np.maximum(entering - 1, 0)
    have = np.where(restore[before], file_feed[before], target[before])
    unknown = anew[entering] | (entering == 0)
    wanted = target[entering]
    says = (unknown | (wanted != have)) & ~np.isnan(wanted)
    feed_word[entering[says]] = wanted[says]
    if count and fed[-1]:
        restore[-1] = True
    return _Walk(feed_word, restore)


def _takes_feed(draft: Draft | _Kept) -> Bool:
    """(p,) whether an F may stand on a piece's line: not on G4 and G11, and a G10 with words sets offsets."""
    result: Bool = (draft.plate.program.moves.kind[draft.row] & (LINE | ARC)) != 0
    return result


def _write_feed(context: Context, words: LineWords, walk: _Walk, is_cut: Bool) -> None:
    """Replace or add F words on whole lines; lines of cut moves are written elsewhere."""
    draft = context.draft
    moves = draft.plate.program.moves
    lines, start = moves.line, draft.plate.program.lines.start
    last_piece = draft.t1 == 1.0
    piece = np.flatnonzero(~np.isnan(walk.feed_word) & last_piece)
    # What takes no feed has it on a line before.
    moving = _takes_feed(draft)[piece]
    bare, piece = piece[~moving], piece[moving]
    _feed_lines(context, bare, start[lines[draft.row[bare]]], walk.feed_word[bare])
    at = words.of(lines[draft.row[piece]])
    has = words.begin["F"][at] >= 0
    text = feed_text(context, walk.feed_word[piece[has]], draft.row[piece[has]])
    context.edits.add(words.begin["F"][at[has]], words.end["F"][at[has]], 2 * piece[has], 4, text)
    new = piece[~has]
    text = join_pools(b" F", feed_text(context, walk.feed_word[new], draft.row[new]), count=len(new))
    end = words.words_end[at[~has]]
    context.edits.add(end, end, 2 * new, 5, text)
    # The last piece of a cut move that has an F of its own, which now belongs to its first piece.
    stays = is_cut if draft.removed is None else is_cut & ~draft.removed
    tail = np.flatnonzero(stays & last_piece & np.isnan(walk.feed_word))
    at = words.of(lines[draft.row[tail]])
    tail, at = tail[words.begin["F"][at] >= 0], at[words.begin["F"][at] >= 0]
    now = np.where(np.isnan(draft.feed[tail]), moves.f[draft.row[tail]], draft.feed[tail])
    context.edits.add(
        words.begin["F"][at], words.end["F"][at], 2 * tail, 4, feed_text(context, now, draft.row[tail])
    )
    back = np.flatnonzero(walk.restore)
    place = np.where(draft.t1[back] == 1.0, start[lines[draft.row[back]] + 1], start[lines[draft.row[back]]])
    _feed_lines(context, back, place, moves.f[draft.row[back]])


def _feed_lines(context: Context, piece: I8, place: I8, feed: F8) -> None:
    """Lines of ours that say a feed alone, at bytes `place`. piece : (k,) that each belongs to. feed : mm/s."""
    words = feed_text(context, feed, context.draft.row[piece])
    text = join_pools(b"G1 F", words, context.newline, count=len(piece))
    context.edits.add(place, place, 2 * piece, 3, text)

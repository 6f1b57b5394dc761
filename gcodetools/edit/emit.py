"""The only writer: walks wanted settings against those in force and turns the differences into edits.

Feed, flow and acceleration change inside object brackets and are put back before a bracket ends, so that
leaving an object out leaves nothing of ours behind. Nozzle and fan are written by `commands`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context, feed_text
from gcodetools.edit.displaced import displaced, stranded_from
from gcodetools.edit.draft import Draft
from gcodetools.edit.filament import filament_words, shifted_stretches, write_filament
from gcodetools.edit.lines import LineWords, line_words, lines_with
from gcodetools.edit.pieces import piece_lines
from gcodetools.edit.stepped import stepped
from gcodetools.gcode.arrays import distinct, marked
from gcodetools.gcode.numbers import Pool, join_pools
from gcodetools.gcode.program import ARC, LINE
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["emit_beads"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


def emit_beads(context: Context) -> None:
    """Edits for feed, flow and acceleration of pieces, and for cuts."""
    draft = context.draft
    moves = draft.plate.program.moves
    gone = draft.removed
    feeds = _Feeds(moves.f, draft.row, draft.feed)
    fed = feeds.changed()
    if gone is not None:
        fed &= ~gone
    factor = draft.pushes()
    flowing = factor != 1.0
    is_cut = _is_cut(draft)
    stretch = shifted_stretches(context, factor)
    context.shift_after = stretch.shift_after
    touched = fed | is_cut | flowing
    touched[1:] |= fed[:-1]
    if gone is not None:
        touched[_after_gone(gone)] = True
    late = _behind_late_runs(draft)
    touched[late] = True
    wanted_rows = marked(len(moves), draft.row[touched], stretch.rows)
    restore: I8 = np.empty(0, np.int64)
    if len(wanted_rows):
        steady = _steady(context, fed, is_cut | flowing, late)
        if len(steady):
            wanted_rows = _without(len(moves), wanted_rows, draft.row[steady], stretch.rows)
        words = line_words(draft.plate.program.lines, moves.line[wanted_rows], "EF")
        walk = _walk_feed(context, words, feeds, fed, is_cut, steady, late)
        restore = np.flatnonzero(walk.restore)
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
        from gcodetools.edit.moving import move_lines

        move_lines(context, is_cut)
    if gone is not None:
        _delete_lines(context, gone)
    if gone is not None or draft.runs:
        off = displaced(draft, returned=True, staying=True)
        first = np.where(off.since >= 0, draft.row[off.since] + 1, 0)
        last = np.maximum(draft.row[off.piece], first)
        context.declare_runs(first, last, ("position",), "begins where new beads end")
        context.declare(
            np.arange(stranded_from(draft), len(moves)), ("position",), "stands where new beads end"
        )
    if draft.runs:
        from gcodetools.edit.runs import emit_runs

        every = np.arange(len(draft.row))
        behind = feeds.wanted(every)
        behind[restore] = feeds.own(restore)
        emit_runs(context, _held_feed(behind, gone), stretch.shift_run)


@dataclass(frozen=True, slots=True)
class _Feeds:
    """Feeds of pieces, mm/s. f : (m,) what the file has on each row. row : (p,) of each piece. feed : (p,) what is
    wanted, NaN for what the file has."""

    f: F8
    row: NDArray[np.int32]
    feed: F8

    def own(self, piece: NDArray[np.integer]) -> F8:
        """What the file has on some pieces."""
        result: F8 = self.f[self.row[piece]]
        return result

    def wanted(self, piece: NDArray[np.integer]) -> F8:
        """What is wanted on some pieces; before the file's first F there is none to return to."""
        own, feed = self.own(piece), self.feed[piece]
        return np.where(np.isnan(feed) | np.isnan(own), own, feed)

    def changed(self) -> Bool:
        """(p,) pieces on which that is another than the file has."""
        result = np.zeros(len(self.row), bool)
        asked = np.flatnonzero(~np.isnan(self.feed))
        own = self.own(asked)
        result[asked[~np.isnan(own) & (self.feed[asked] != own)]] = True
        return result


def _broken(context: Context, row: NDArray[np.integer], piece: I8) -> Bool:
    """(k,) pieces between which and the piece before a bracket begins or ends, and the first. row : (p,) of pieces."""
    here, before = row[piece], row[np.maximum(piece - 1, 0)]
    result: Bool = (context.bracket[here] != context.bracket[before]) | (piece == 0)
    # Where rows between are left out, a whole bracket may lie there.
    apart = np.flatnonzero(here - before > 1)
    steps = context.bracket_steps
    number, until = (np.searchsorted(steps, rows[apart], side="right") for rows in (here, before))
    result[apart] |= number != until
    return result


def _steady(context: Context, fed: Bool, other: Bool, late: I8) -> I8:
    """Pieces whose line needs no look: fed like the piece before, and without a letter F that could say a feed.

    other : (p,) pieces whose line is written for another cause. late : those right before which a run stands.
    """
    draft = context.draft
    if draft.removed is not None or draft.moved is not None:
        return np.empty(0, np.int64)
    alike = ~other
    alike[1:] &= fed[1:] & fed[:-1]
    alike[:1] = False
    alike[late] = False
    piece = np.flatnonzero(alike)
    piece = piece[(draft.feed[piece] == draft.feed[piece - 1]) & ~_broken(context, draft.row, piece)]
    lines = draft.plate.program.moves.line[draft.row[piece]].astype(np.int64)
    result: I8 = piece[~lines_with(draft.plate.program.lines, lines, "F")]
    return result


def _without(count: int, rows: I8, gone: NDArray[np.integer], kept: I8) -> I8:
    """Ascending `rows` (below `count`) without those `gone`, but with all that are `kept`."""
    flag = np.zeros(count, bool)
    flag[rows] = True
    flag[gone] = False
    flag[kept] = True
    return np.flatnonzero(flag)


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
    context: Context, words: LineWords, feeds: _Feeds, fed: Bool, is_cut: Bool, steady: I8, late: I8
) -> _Walk:
    """Which pieces write a feed word, and behind which the file's feed is restored."""
    draft = context.draft
    anew = np.zeros(len(fed), bool)
    anew[late] = True
    if draft.removed is None:
        return _walk_pieces(context, draft, words, feeds, fed, is_cut, steady, anew, anew)
    # Over the pieces that stay: those removed neither write a feed nor set one.
    kept = np.flatnonzero(~draft.removed)
    fresh = (np.diff(kept, prepend=-1) > 1) | anew[kept]
    stays = _Kept(draft.plate, draft.row[kept], draft.t0[kept])
    feeds = _Feeds(feeds.f, stays.row, draft.feed[kept])
    none = np.empty(0, np.int64)
    walk = _walk_pieces(context, stays, words, feeds, fed[kept], is_cut[kept], none, fresh, anew[kept])
    feed_word = np.full(len(draft.row), np.nan)
    restore = np.zeros(len(draft.row), bool)
    feed_word[kept], restore[kept] = walk.feed_word, walk.restore
    return _Walk(stepped(feed_word), restore)


@dataclass(frozen=True, slots=True)
class _Kept:
    """Pieces of a draft: what the walk asks for."""

    plate: Plate
    row: NDArray[np.int32]
    t0: F8


def _walk_pieces(
    context: Context,
    draft: Draft | _Kept,
    words: LineWords,
    feeds: _Feeds,
    fed: Bool,
    is_cut: Bool,
    steady: I8,
    fresh: Bool,
    anew: Bool,
) -> _Walk:
    """steady : pieces that are left out of `words`, see `_steady`. fresh : pieces behind removed ones, whose feed may
    have been set there. anew : pieces behind a travel of ours, which say their feed in any case."""
    count = len(draft.row)
    feed_word = np.full(count, np.nan)
    restore = np.zeros(count, bool)
    lines = draft.plate.program.moves.line
    before_fed = np.zeros(count, bool)
    before_fed[1:] = fed[:-1]
    look = fed | before_fed | is_cut | fresh
    look[steady] = False
    check = np.flatnonzero(look)
    first_piece = draft.t0[check] == 0.0
    # An F without a number says nothing.
    says_own = ~np.isnan(words.value["F"][words.of(lines[draft.row[check]])])
    own = first_piece & says_own & _takes_feed(draft, check)

    write_own = check[own & (fed[check] | is_cut[check])]
    feed_word[write_own] = feeds.wanted(write_own)
    # A line of ours stands between brackets' pieces; inside a cut move the next piece's own line does it.
    broken = _broken(context, draft.row, check)
    leaving = check[before_fed[check] & ~own & (broken | (~fed[check] & first_piece))]
    restore[leaving - 1] = True
    entering = check[(fed | before_fed | fresh)[check] & ~own]
    before = np.maximum(entering - 1, 0)
    have = np.where(restore[before], feeds.own(before), feeds.wanted(before))
    unknown = anew[entering] | (entering == 0)
    wanted = feeds.wanted(entering)
    says = (unknown | (wanted != have)) & ~np.isnan(wanted)
    feed_word[entering[says]] = wanted[says]
    if count and fed[-1]:
        restore[-1] = True
    return _Walk(stepped(feed_word), restore)


def _takes_feed(draft: Draft | _Kept, piece: I8) -> Bool:
    """(k,) whether an F may stand on the line of each piece: not on G4 and G11, and a G10 with words sets offsets; nor
    where characters belong to no word, which would go on its number."""
    moves, odd = draft.plate.program.moves, draft.plate.program.odd
    rows = draft.row[piece]
    result: Bool = (moves.kind[rows] & (LINE | ARC)) != 0
    if len(odd):
        result &= ~np.isin(moves.line[rows], odd)
    return result


def _write_feed(context: Context, words: LineWords, walk: _Walk, is_cut: Bool) -> None:
    """Replace or add F words on whole lines; lines of cut moves are written elsewhere."""
    draft = context.draft
    moves = draft.plate.program.moves
    lines, start = moves.line, draft.plate.program.lines.start
    piece = np.flatnonzero(~np.isnan(walk.feed_word))
    piece = piece[draft.t1[piece] == 1.0]
    # What takes no feed has it on a line before.
    moving = _takes_feed(draft, piece)
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
    tail = np.flatnonzero(stays)
    tail = tail[(draft.t1[tail] == 1.0) & np.isnan(walk.feed_word[tail])]
    at = words.of(lines[draft.row[tail]])
    says = ~np.isnan(words.value["F"][at])
    tail, at = tail[says], at[says]
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

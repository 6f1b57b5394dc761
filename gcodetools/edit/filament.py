"""E words: scaled flow, cut moves, and the absolute counter that shifts until a G92 sets it back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context, e_factor
from gcodetools.edit.draft import e_decimals
from gcodetools.edit.lines import LineWords, line_words
from gcodetools.edit.stepped import step_at
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.numbers import fixed, join_pools
from gcodetools.gcode.program import RETRACT, UNRETRACT
from gcodetools.records import dataclass

__all__ = [
    "Stretch",
    "filament_words",
    "file_counter",
    "file_sets_counter",
    "shifted_stretches",
    "write_filament",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows whose absolute E words shift, until a G92 of the file or of ours sets the counter back.

    rows : rows with an E word to rewrite. shift_after : (p,) E units the written counter is ahead of the
    file's behind a piece; shift_run : (r,) where each run of new moves begins. None where no absolute E changes.
    """

    rows: I8
    shift_after: F8 | None
    shift_run: F8 | None = None


def _rebase_lines(context: Context) -> I8:
    """Lines before which a G92 of ours may stand: outside object brackets, at a travel or a retraction, never
    between two joined beads (a line that only sets the feed joins them)."""
    plate = context.draft.plate
    moves, feature = plate.program.moves, plate.beads.feature
    filament = (moves.e != 0) | ((moves.kind & (RETRACT | UNRETRACT)) != 0)
    acting = (plate.beads.length_mm > 0) | filament
    if context.draft.removed is not None:  # a removed move separates nothing
        acting[
            context.draft.row[context.draft.removed & (context.draft.t0 == 0) & (context.draft.t1 == 1)]
        ] = False
    acting = np.flatnonzero(acting)
    is_bead = np.append(feature[acting] != 0, False)
    free = acting[~is_bead[:-1] & (context.bracket[acting] < 0)]
    after = context.bracket_last + 1
    row = np.searchsorted(moves.line[acting], after)
    bead_after, bead_before = is_bead[row], is_bead[row - 1]
    outside = (context.bracket_at(after) < 0) | np.isin(after, context.bracket_first)
    ok = ~(bead_after & bead_before) & outside
    return np.unique(np.concatenate([moves.line[free].astype(np.int64), after[ok]]))


def shifted_stretches(context: Context, factor: F8) -> Stretch:
    """Find the rows whose absolute E words change, and write the G92 that ends each stretch. factor : (p,) of
    filament."""
    draft = context.draft
    program = draft.plate.program
    lines = program.moves.line
    none = Stretch(np.empty(0, np.int64), None)
    piece, at_line, extra, slot = _events(context, factor)
    if len(piece) == 0:
        return none
    ours, theirs = _rebase_lines(context), file_sets_counter(context)
    behind = len(program.lines)

    def following(stops: I8) -> I8:
        index = np.searchsorted(stops, at_line, side="right")
        return np.where(index < len(stops), np.append(stops, behind)[index], behind)

    stop_ours, stop_theirs = following(ours), following(theirs)
    stop = np.minimum(stop_ours, stop_theirs)
    first = np.flatnonzero(np.diff(stop, prepend=-1) != 0)
    first_line, stop_line = at_line[first], stop[first]
    g92 = stop_ours[first] < stop_theirs[first]

    # Shift behind each piece: what was added since its stretch began, slot 2p before piece p, 2p + 1 in it.
    count = len(draft.row)
    total = np.cumsum(np.bincount(slot, extra, minlength=2 * count))
    begin = np.searchsorted(lines, first_line)
    end = np.searchsorted(lines, stop_line)
    first_piece = np.searchsorted(draft.row, begin)
    end_piece = np.searchsorted(draft.row, end)
    base = total[2 * first_piece]
    shift = np.zeros(count)
    inside = np.zeros(count + 1, np.int64)
    inside[first_piece] += 1
    inside[end_piece] -= 1
    member = np.cumsum(inside[:-1]) > 0
    group = np.cumsum(np.bincount(first_piece, minlength=count + 1)[:-1]) - 1
    shift[member] = total[1::2][member] - base[group[member]]
    context.rebased = stop_line[g92]
    _write_g92(context, stop_line[g92], end[g92])
    runs = _run_shifts(context, shift, np.where(member, group, -1 - np.arange(count)))
    return Stretch(distinct(draft.row[member]).astype(np.int64), shift, runs)


def _events(context: Context, factor: F8) -> tuple[I8, I8, F8, I8]:
    """What shifts an absolute counter, in order: piece, line behind which it stands, E units, slot."""
    draft = context.draft
    program = draft.plate.program
    lines = program.moves.line
    piece = np.flatnonzero(factor != 1.0)
    share = draft.t1[piece] - draft.t0[piece]
    extra = (factor[piece] - 1.0) * program.moves.e[draft.row[piece]] * share
    at_line, slot = lines[draft.row[piece]].astype(np.int64), 2 * piece + 1
    if draft.runs:
        net = np.array([float(run.e.sum()) for run in draft.runs])
        new = draft.run_pieces()
        row = draft.row[new].astype(np.int64)
        early = np.array([run.early for run in draft.runs]) & (row > 0)
        pushes = np.flatnonzero(np.abs(net) > 1e-9)
        where = np.where(early, lines[np.maximum(row - 1, 0)], lines[row]).astype(np.int64)
        piece = np.concatenate([piece, new[pushes]])
        at_line, slot = np.concatenate([at_line, where[pushes]]), np.concatenate([slot, 2 * new[pushes]])
        extra = np.concatenate([extra, net[pushes]])
        order = np.lexsort((slot, at_line))
        piece, at_line, extra, slot = piece[order], at_line[order], extra[order], slot[order]
    if len(piece) == 0:
        return piece, at_line, extra, slot
    counts = program.states.e_relative.at(at_line) == 0.0
    counts |= _counted_on(context, at_line)
    counts &= extra != 0
    extra = extra / e_factor(context, np.searchsorted(lines, at_line))
    return piece[counts], at_line[counts], extra[counts], slot[counts]


def _counted_on(context: Context, line: I8) -> Bool:
    """(k,) whether an absolute E word comes behind each line before the file sets the counter: what relative
    words push there counts in it."""
    program = context.draft.plate.program
    lines = program.moves.line
    absolute = lines[(program.moves.e != 0) & (program.states.e_relative.at(lines) == 0.0)].astype(np.int64)
    if len(absolute) in (0, len(lines)):
        return np.zeros(len(line), bool)
    stops = np.append(file_sets_counter(context), len(program.lines))
    reads = np.append(absolute, len(program.lines))
    result: Bool = (
        reads[np.searchsorted(absolute, line, side="right")]
        < (stops[np.searchsorted(stops[:-1], line, side="right")])
    )
    return result


def _run_shifts(context: Context, shift: F8, group: I8) -> F8:
    """(r,) the shift where each run begins: that behind the piece before, if no G92 stands between."""
    draft = context.draft
    if not draft.runs:
        return np.empty(0)
    piece = draft.run_pieces()
    before = np.maximum(piece - 1, 0)
    early = np.array([run.early for run in draft.runs])
    # Runs before one piece follow each other, and each pushes the counter on.
    net = np.array([float(run.e.sum()) for run in draft.runs]) / e_factor(context, draft.row[piece])
    same = np.concatenate([[False], piece[1:] == piece[:-1]])
    total = np.cumsum(net) - net
    starts = np.maximum.accumulate(np.where(same, 0, np.arange(len(piece))))
    joined = early | (group[piece] == group[before]) | (draft.t0[piece] > 0)
    pushed = np.where(piece > 0, shift[before], 0.0) + total - total[starts]
    # Right before a piece of another stretch the counter is the file's; late runs push nothing on balance.
    result: F8 = np.where(joined, pushed, 0.0)
    return result


def file_sets_counter(context: Context) -> I8:
    """Lines of the file that set the E counter."""
    words = context.draft.plate.program.words
    lines = words.line[(words.letter == ord("G")) & (words.value == 92)]
    with_e = np.isin(lines, words.line[words.letter == ord("E")])
    other = np.isin(lines, words.line[np.isin(words.letter, np.frombuffer(b"XYZ", np.uint8))])
    return np.unique(lines[with_e | ~other]).astype(np.int64)


def _write_g92(context: Context, stop_line: I8, row: I8) -> None:
    """Set the counter back to what the file had before `row`, at the start of `stop_line`."""
    counter = file_counter(context, row)
    plate = context.draft.plate
    text = join_pools(b"G92 E", fixed(counter, e_decimals(plate)), context.newline, count=len(row))
    place = plate.program.lines.start[stop_line]
    seq = 2 * np.searchsorted(context.draft.row, row) - 1
    context.edits.add(place, place, seq, 1, text)


def file_counter(context: Context, row: I8, line: I8 | None = None) -> F8:
    """The file's E counter before each of `row`, in the units of its text: its last E word or G92 E.

    line : where it is wanted, no later than the rows' own lines, before which a G92 may stand; None there.
    """
    program = context.draft.plate.program
    relative = program.states.e_relative
    lines = program.moves.line
    carrying = np.flatnonzero((program.moves.e != 0) & (relative.at(lines) == 0.0))
    at = np.searchsorted(carrying, row) - 1
    last_row = np.where(at >= 0, carrying[np.maximum(at, 0)] if len(carrying) else 0, -1)
    g92 = file_sets_counter(context)
    here = np.append(lines, len(program.lines)).astype(np.int64)[row] if line is None else line
    g_at = np.searchsorted(g92, here) - 1
    last_set = np.where(g_at >= 0, g92[np.maximum(g_at, 0)] if len(g92) else 0, -1)
    result = np.zeros(len(row))
    row_line = np.where(last_row >= 0, lines[np.maximum(last_row, 0)], -1)
    by_row = row_line > last_set
    if np.any(by_row):
        words = line_words(program.lines, row_line[by_row], "E")
        result[by_row] = words.value["E"][words.of(row_line[by_row])]
    by_set = (last_set >= 0) & ~by_row
    if np.any(by_set):
        words = line_words(program.lines, last_set[by_set], "E")
        result[by_set] = np.nan_to_num(words.value["E"][words.of(last_set[by_set])])
    return result + _relative_since(context, np.maximum(row_line, last_set), row)


def _relative_since(context: Context, since_line: I8, row: I8) -> F8:
    """What relative E words before each of `row` have added to the counter since a line, in E units."""
    moves = context.draft.plate.program.moves
    rows = np.flatnonzero(context.draft.plate.program.states.e_relative.at(moves.line) == 1.0)
    if len(rows) == 0:
        return np.zeros(len(row))
    total = np.concatenate([[0.0], np.cumsum(moves.e[rows] / e_factor(context, rows))])
    low = np.searchsorted(moves.line[rows], since_line, side="right")
    added: F8 = total[np.searchsorted(rows, row)] - total[low]
    return np.where(np.searchsorted(rows, row) > low, added, 0.0)


def filament_words(
    context: Context, words: LineWords, factor: F8, is_cut: Bool, stretch: Stretch
) -> tuple[F8, Bool]:
    """E to write for each piece, in the units of the text, and which pieces need one.

    Rounding carries over: what a relative E word loses is added to the next piece of the same visit.
    """
    draft = context.draft
    program = draft.plate.program
    need = is_cut | (factor != 1.0)
    if stretch.shift_after is not None:
        need |= np.isin(draft.row, stretch.rows)
    piece = np.flatnonzero(need)
    rows = draft.row[piece]
    line = program.moves.line[rows]
    written = words.value["E"][words.of(line)]
    has = ~np.isnan(written)
    piece, rows, written = piece[has], rows[has], written[has]
    relative = program.states.e_relative.at(program.moves.line[rows]) == 1.0
    e_unit = program.moves.e[rows] / e_factor(context, rows)
    word = np.full(len(piece), np.nan)

    remaining = e_unit * (1.0 - draft.t1[piece])
    shift = stretch.shift_after[piece] if stretch.shift_after is not None else 0.0
    word[~relative] = (written - remaining + shift)[~relative]

    share = (written * (draft.t1[piece] - draft.t0[piece]) * factor[piece])[relative]
    at = piece[relative]
    if len(at):
        new_visit = np.flatnonzero(np.diff(at, prepend=-9) > 1)
        total = np.cumsum(share)
        base = np.zeros(len(at))
        base[new_visit] = np.concatenate([[0.0], total[new_visit[1:] - 1]])
        visit = np.zeros(len(at), np.int64)
        visit[new_visit] = 1
        owner = np.cumsum(visit) - 1
        run = total - base[new_visit][owner]
        scale = 10.0 ** e_decimals(draft.plate)
        rounded = np.rint(run * scale)
        before = np.concatenate([[0.0], rounded[:-1]])
        before[new_visit] = 0.0
        word[relative] = (rounded - before) / scale
    result = step_at(piece, word, np.nan, len(draft.row))
    return result, ~np.isnan(result)


def write_filament(context: Context, words: LineWords, e_word: F8, has: Bool) -> None:
    """Replace the E number on the lines that survive; cut pieces before them are written elsewhere."""
    draft = context.draft
    piece = np.flatnonzero(has & (draft.t1 == 1.0))
    if draft.removed is not None:
        piece = piece[~draft.removed[piece]]
    if len(piece) == 0:
        return
    at = words.of(draft.plate.program.moves.line[draft.row[piece]])
    decimals = e_decimals(draft.plate)
    # A word that would say the same is left alone.
    differs = np.rint(words.value["E"][at] * 10.0**decimals) != np.rint(e_word[piece] * 10.0**decimals)
    piece, at = piece[differs], at[differs]
    text = fixed(e_word[piece], decimals)
    context.edits.add(words.begin["E"][at], words.end["E"][at], 2 * piece, 4, text)

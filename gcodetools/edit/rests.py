"""Rests: the pause at a layer change, with the nozzle off every outline and primed again afterwards.

After the file's own retraction and lift the nozzle goes off the parts, waits in pieces of at most 5 s, comes
back over infill or an inner perimeter of the layer below, goes down to the height of the layer to come, is
primed there by what was retracted plus the ooze, retracts and lifts again. On a plate printed object after
object it stays above the current object.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Bed
from gcodetools.edit.context import Context, e_factor, feed_text
from gcodetools.edit.draft import Draft, Rest, e_decimals
from gcodetools.edit.filament import file_counter, file_sets_counter
from gcodetools.edit.lines import line_words
from gcodetools.edit.moves import FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH, TRAVEL, WAIT, Wait
from gcodetools.edit.refusals import origin_lines
from gcodetools.gcode.numbers import fixed_text
from gcodetools.gcode.program import LINE, RETRACT
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.remembered import Remembered

__all__ = ["MAX_DWELL_S", "Unrested", "emit_rests", "rest_obstacle"]

F8 = NDArray[np.float64]

MAX_DWELL_S = 5.0  # a longer G4 looks to a host like a printer that hangs
PRIME_MM_S = 25.0
_LIFT_MM_S = 10.0  # where the file has no move in Z alone so far; common practice, no source
_CLEAR_MM = 2.0
_MARGIN_MM = 5.0
_NONE = float("nan")
_LOOKED_AT = 256  # rows, at first
_AT_ONCE = 1 << 15  # distances
_OUTLINE = tuple(FEATURE_INDEX[word] for word in ("outermost", "overhang"))
_INNER = tuple(FEATURE_INDEX[word] for word in ("solid", "sparse", "perimeter", "gap"))
_ORIGINS: Remembered[NDArray[np.int64]] = Remembered()  # lines that set coordinates


@dataclass(frozen=True, slots=True)
class Unrested:
    """A rest that was not done: plate layer index, who asked, why."""

    layer: int
    region: str
    why: str


def emit_rests(context: Context, ooze_mm: float, bed: Bed | None) -> tuple[list[Unrested], list[Wait]]:
    """Write the draft's rests; return those that had no safe place, and the moves of all others.

    Parameters
    ----------
    ooze_mm : filament lost in a rest, primed on top of what the file retracted.
    bed : where the nozzle may go, None to stay within the box of the file's own beads.
    """
    missed: list[Unrested] = []
    waits: list[Wait] = []
    spots = _parking_spots(context, bed) if context.draft.rests else np.empty((0, 2))
    for rest in sorted(context.draft.rests, key=lambda r: r.layer):
        found = _one(context, rest, ooze_mm, spots)
        if isinstance(found, str):
            missed.append(Unrested(rest.layer, rest.region, found))
        else:
            waits.append(found)
    return missed, waits


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a rest stands: behind `row`, before the bead `behind`; how much is pulled back there; the rows of
    the layer below, and those over which it may be primed."""

    row: int
    behind: int
    retracted: float
    below: NDArray[np.int64]
    inner: NDArray[np.int64]


def rest_obstacle(draft: Draft, layer: int) -> str:
    """Why no rest can stand before a plate layer; empty where one can."""
    found = _place(draft, layer)
    return found if isinstance(found, str) else ""


def _one(context: Context, rest: Rest, ooze_mm: float, spots: F8) -> Wait | str:
    """The moves of a rest, written; or why there are none."""
    place = _place(context.draft, rest.layer)
    if isinstance(place, str):
        return place
    prime_at = _stands(context, int(place.inner[-1]))
    sequential = bool(context.draft.plate.layers.run.max(initial=0) > 0)
    park = None if sequential else _clear_spot(context, spots, place.below)
    at = park or prime_at
    wait = _planned(context, rest, place.row, place.behind, at, prime_at, place.retracted, ooze_mm)
    _write(context, rest, wait, place.behind)
    return wait


def _stands(context: Context, row: int) -> tuple[float, float]:
    """Where the nozzle stands behind a row: as the draft has it, which may be elsewhere than in the file."""
    x, y = context.draft.places()
    return float(x[row]), float(y[row])


def _place(draft: Draft, layer: int) -> _Place | str:
    """Where a rest before a layer stands, or why there is no place. Only rows beside the layer's first are looked at:
    each layer of a plate may be asked for."""
    plate = draft.plate
    moves, layers = plate.program.moves, plate.layers
    first_row = int(layers.first_row[layer])
    behind = _bead_from(draft, first_row)
    last_bead = _bead_before(draft, behind)
    if last_bead < 0:
        return "nothing is printed before it"
    if layers.run[layer] != layers.run[layer - 1]:
        return "it is the first layer of its object"
    row, retracted = _retracted_and_lifted(draft, last_bead, behind, float(layers.z_mm[layer]))
    if row < 0:
        return "the file does not retract and lift before this layer"
    if plate.program.states.xyz_relative.at(moves.line[[row]])[0] == 1.0:
        return "the file moves in relative coordinates there"
    returns = _next_travel(draft, row, behind)
    if returns is not None:  # until then the nozzle is where it was primed
        sets = _ORIGINS.of(plate, lambda: origin_lines(plate.program))
        if np.any((sets > moves.line[row]) & (sets < moves.line[returns])):
            return "the file sets its coordinates there"
    below = np.arange(max(int(layers.first_row[layer - 1]), 0), last_bead + 1)
    inner = below[np.isin(plate.beads.feature[below], _INNER) & ~_left_out(draft, below)]
    if len(inner) == 0:
        return "nothing but outermost perimeters lies below, so there is no place to prime over"
    return _Place(row, behind, retracted, below, inner)


def _left_out(draft: Draft, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(k,) rows whose own line is left out: they end where they were removed."""
    if draft.removed is None:
        return np.zeros(len(rows), bool)
    gone: NDArray[np.bool_] = draft.removed[draft.first[rows + 1] - 1]
    return gone


def _beads_left(draft: Draft, first: int, stop: int) -> NDArray[np.int64]:
    """Rows of beads from `first` up to `stop` whose own line is not left out."""
    rows = first + np.flatnonzero(draft.plate.beads.feature[first:stop] != 0)
    return rows[~_left_out(draft, rows)]


def _bead_from(draft: Draft, row: int) -> int:
    """The first row of a bead that is left from `row` on; the count of rows for none."""
    count, step = len(draft.plate.program.moves), _LOOKED_AT
    while row < count:
        found = _beads_left(draft, row, min(row + step, count))
        if len(found):
            return int(found[0])
        row, step = row + step, 2 * step
    return count


def _bead_before(draft: Draft, row: int) -> int:
    """The last row of a bead that is left before `row`; -1 for none."""
    step = _LOOKED_AT
    while row > 0:
        found = _beads_left(draft, max(row - step, 0), row)
        if len(found):
            return int(found[-1])
        row, step = row - step, 2 * step
    return -1


def _retracted_and_lifted(draft: Draft, last_bead: int, behind: int, z_mm: float) -> tuple[int, float]:
    """The first row after the last bead at which the filament is pulled back and the nozzle is at least at
    the new layer's height, and how much is pulled back (NaN for a firmware retraction)."""
    moves = draft.plate.program.moves
    rows = np.arange(last_bead + 1, behind)
    rows = rows[~_left_out(draft, rows)]
    if len(rows) == 0:
        return -1, 0.0
    pulled = -np.cumsum(moves.e[rows])
    by_firmware = ((moves.kind[rows] & RETRACT) != 0) & (moves.e[rows] == 0)
    firmware = np.maximum.accumulate(by_firmware)
    ok = ((pulled > 1e-6) | firmware) & (moves.z[rows] >= z_mm - 1e-6)
    if not np.any(ok):
        return -1, 0.0
    k = int(np.argmax(ok))
    return int(rows[k]), float("nan") if firmware[k] else float(pulled[k])


def _parking_spots(context: Context, bed: Bed | None) -> F8:
    """Candidate points (k, 2): corners and edges of the beads' box with a margin where the bed allows it,
    then without, then a grid inside it."""
    plate = context.draft.plate
    rows = np.flatnonzero((plate.beads.feature != 0) & (plate.beads.layer >= 0))
    x, y = (axis[rows] for axis in context.draft.places())
    low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    unit = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0], [0, 0.5], [1, 0.5], [0.5, 1]])
    outer = (low - _MARGIN_MM) + unit * (high - low + 2 * _MARGIN_MM)
    grid = np.stack(np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 1, 21)), -1).reshape(-1, 2)
    spots = [low + unit * (high - low), low + grid * (high - low)]
    if bed is not None:
        spots.insert(0, outer[_on_bed(outer, bed)])
    return np.concatenate(spots)


def _on_bed(points: F8, bed: Bed) -> NDArray[np.bool_]:
    origin = np.array(bed.origin)
    if bed.radius is not None:
        inside: NDArray[np.bool_] = np.hypot(*(points - origin).T) <= bed.radius
        return inside
    size = np.array(bed.size)
    within: NDArray[np.bool_] = np.all((points >= origin) & (points <= origin + size), axis=1)
    return within


def _clear_spot(context: Context, spots: F8, rows: NDArray[np.int64]) -> tuple[float, float] | None:
    """The first spot at least 2 mm from every bead of the layer below and inside none of its outlines (a
    sparse infill leaves such gaps), None if there is none."""
    plate = context.draft.plate
    beads = rows[(plate.beads.feature[rows] != 0) & (rows > 0)]
    a, b = (np.column_stack([axis[at] for axis in context.draft.places()]) for at in (beads - 1, beads))
    outline = np.isin(plate.beads.feature[beads], _OUTLINE)
    along = b - a
    size = np.maximum((along**2).sum(1), 1e-12)
    # Mostly the first one will do; else many are tried at once, as far as memory is no matter.
    at, many = 0, 1
    while at < len(spots):
        some = spots[at : at + many, None]
        t = np.clip(((some - a) * along).sum(2) / size, 0, 1)
        off = some - a - along * t[:, :, None]
        clear = np.hypot(off[:, :, 0], off[:, :, 1]).min(axis=1, initial=np.inf) >= _CLEAR_MM
        for spot in some[clear, 0]:
            if not _inside(spot, a[outline], b[outline]):
                return float(spot[0]), float(spot[1])
        at, many = at + many, max(1, _AT_ONCE // max(len(a), 1))
    return None


def _inside(spot: F8, a: F8, b: F8) -> bool:
    """Whether most of three rays from `spot` cross the outline's pieces a to b an odd number of times; a seam
    leaves a loop a little open, which one ray in three may hit."""
    odd = 0
    for angle in (0.3, 2.5, 4.4):
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        p, q = (a - spot) @ turn.T, (b - spot) @ turn.T
        crosses = (p[:, 1] > 0) != (q[:, 1] > 0)
        p, q = p[crosses], q[crosses]
        at = p[:, 0] - p[:, 1] * (q[:, 0] - p[:, 0]) / (q[:, 1] - p[:, 1])
        odd += int(np.count_nonzero(at > 0)) % 2
    return odd >= 2


def _travel_feed(context: Context, row: int) -> float:
    """The file's own travel feed near `row`, mm/s."""
    plate = context.draft.plate
    moves = plate.program.moves
    near = slice(max(0, row - 2000), row + 2000)
    travel = (plate.beads.feature[near] == 0) & (plate.beads.length_mm[near] > 0.5)
    feeds = moves.f[near][travel & ((moves.kind[near] & LINE) != 0)]
    feeds = feeds[~np.isnan(feeds)]
    return float(feeds.max()) if len(feeds) else 50.0


def _lift_feed(context: Context, row: int) -> float:
    """Feed of the file's last move in Z alone up to `row`, mm/s."""
    moves = context.draft.plate.program.moves
    near = np.arange(max(1, row - 2000), row + 1)
    stays = (moves.x[near] == moves.x[near - 1]) & (moves.y[near] == moves.y[near - 1])
    feeds = moves.f[near[stays & (moves.z[near] != moves.z[near - 1]) & (moves.e[near] == 0)]]
    feeds = feeds[~np.isnan(feeds)]
    return float(feeds[-1]) if len(feeds) else _LIFT_MM_S


def _prime_z(context: Context, rest: Rest, behind: int) -> float:
    """Height (machine mm) at which a nozzle is primed: that of the layer to come, where its beads will be laid.
    Higher up the ooze would hang as a drop instead of lying on the layer below."""
    plate = context.draft.plate
    z_mm = float(plate.layers.z_mm[rest.layer])
    return max(z_mm, float(plate.program.moves.z[behind])) if behind < len(plate.program.moves) else z_mm


def _planned(
    context: Context,
    rest: Rest,
    row: int,
    behind: int,
    park: tuple[float, float],
    prime_at: tuple[float, float],
    retracted: float,
    ooze_mm: float,
) -> Wait:
    """The moves of a rest behind `row`: what was retracted plus the ooze is pushed where the nozzle is primed,
    and what was retracted is pulled back again, so that the file goes on from its state."""
    moves = context.draft.plate.program.moves
    travel = _travel_feed(context, row)
    steps: list[tuple[int, tuple[float, float], float, float, float]] = [(TRAVEL, park, 0.0, travel, 0.0)]
    left = rest.seconds
    while left > 1e-9:
        steps.append((WAIT, park, 0.0, _NONE, min(left, MAX_DWELL_S)))
        left -= MAX_DWELL_S
    if park != prime_at:
        steps.append((TRAVEL, prime_at, 0.0, travel, 0.0))
    down, lift, before = _prime_z(context, rest, behind), _lift_feed(context, row), len(steps)
    lifted = bool(moves.z[row] > down + 1e-6)
    if lifted:
        steps.append((LIFT, prime_at, 0.0, lift, 0.0))
    if retracted != retracted:
        steps += [
            (FIRMWARE_PUSH, prime_at, 0.0, _NONE, 0.0),
            (PUSH, prime_at, ooze_mm, PRIME_MM_S, 0.0),
            (FIRMWARE_PULL, prime_at, 0.0, _NONE, 0.0),
        ]
    else:
        steps.append((PUSH, prime_at, retracted + ooze_mm, PRIME_MM_S, 0.0))
        steps.append((PULL, prime_at, -retracted, PRIME_MM_S, 0.0))
    low = slice(before, len(steps))
    if lifted:
        steps.append((LIFT, prime_at, 0.0, lift, 0.0))
    if _next_travel(context.draft, row, behind) is None:
        steps.append((TRAVEL, _stands(context, row), 0.0, travel, 0.0))
    kind, point, e, feed, seconds = zip(*steps, strict=True)
    x, y = np.array(point).T
    z = np.full(len(kind), moves.z[row])
    z[low] = down if lifted else moves.z[row]
    return Wait(row, _line_behind(context, row), np.array(kind, np.uint8), x, y, z, np.array(e), np.array(feed),
                np.array(seconds))  # fmt: skip


def _write(context: Context, rest: Rest, wait: Wait, behind: int) -> None:
    program, row = context.draft.plate.program, wait.row
    moves = program.moves
    words = _filament(context, wait)
    text: list[bytes] = []
    for k, kind in enumerate(wait.kind.tolist()):
        feed = _feed_word(context, row, float(wait.feed[k]))
        if kind == WAIT:
            text.append(b"G4 P" + fixed_text(float(wait.seconds[k]) * 1000.0, 0))
        elif kind == TRAVEL:
            x, y = (_coordinate(context, wait, k, axis) for axis in "xy")
            text.append(b"G0 X" + x + b" Y" + y + feed)
        elif kind == LIFT:
            text.append(b"G1 Z" + _coordinate(context, wait, k, "z") + feed)
        elif kind in (PUSH, PULL):
            text.append(b"G1 E" + words.e[k] + feed)
        else:
            text.append(b"G11" if kind == FIRMWARE_PUSH else b"G10")
    if words.reset:
        text.append(words.reset)
    feed_mm_s = moves.f[row]
    if feed_mm_s == feed_mm_s:  # before the file's first F there is none to return to
        text.append(b"G1" + _feed_word(context, row, float(feed_mm_s)))
    place = int(program.lines.start[wait.line])
    seq = 2 * int(np.searchsorted(context.draft.row, row + 1)) - 1
    context.edits.one(place, place, seq, 3, b"".join(t + context.newline for t in text))
    returns = _next_travel(context.draft, row, behind)
    end = int(moves.line[returns]) if returns is not None else int(moves.line[min(row + 1, len(moves) - 1)])
    span = np.array([wait.line]), np.array([end])
    context.changes.add(*span, ("position", "e"), f"rest of {rest.seconds:g} s")


def _feed_word(context: Context, row: int, feed_mm_s: float) -> bytes:
    if feed_mm_s != feed_mm_s:
        return b""
    return b" F" + feed_text(context, np.array([feed_mm_s]), np.array([row])).data.tobytes()


def _coordinate(context: Context, wait: Wait, k: int, axis: str) -> bytes:
    """Where move k of a rest ends, as the file's text would write it."""
    program = context.draft.plate.program
    value, line = float(getattr(wait, axis)[k]), program.moves.line[[wait.row]]
    offset = float(np.nan_to_num(getattr(program.states, f"offset_{axis}").at(line))[0])
    unit = 25.4 if program.states.inches.at(line)[0] == 1.0 else 1.0
    return fixed_text((value - offset) / unit, max(program.decimals.get(axis.upper(), 0), 3))


def _line_behind(context: Context, row: int) -> int:
    """The first line behind `row`'s that stands outside object brackets, or the very next one."""
    moves = context.draft.plate.program.moves
    first = int(moves.line[row]) + 1
    last = int(moves.line[row + 1]) if row + 1 < len(moves) else first
    candidates = np.arange(first, last + 1)
    free = candidates[context.bracket_at(candidates) < 0]
    return int(free[0]) if len(free) else first


@dataclass(frozen=True, slots=True)
class _Words:
    """E numbers of a rest's moves, and the line that sets an absolute counter back, empty where E is relative."""

    e: list[bytes]
    reset: bytes


def _filament(context: Context, wait: Wait) -> _Words:
    here = np.array([wait.row])
    program = context.draft.plate.program
    decimals = e_decimals(context.draft.plate)
    units = wait.e / e_factor(context, here)
    relative = program.states.e_relative.at(program.moves.line[here])[0] == 1.0
    if relative and not _counted_on(context, wait.line):
        return _Words([fixed_text(float(e), decimals) for e in units], b"")
    # What flow has added stands in the counter until the G92 that ends its stretch.
    counter = float(file_counter(context, np.array([wait.row + 1]), np.array([wait.line]))[0])
    counter += _shift_at(context, wait.row, wait.line)
    text = [fixed_text(float(e), decimals) for e in (units if relative else counter + np.cumsum(units))]
    return _Words(text, b"G92 E" + fixed_text(counter, decimals))


def _counted_on(context: Context, line: int) -> bool:
    """Whether an absolute E word comes behind `line`, at which E is relative, before the file sets the counter."""
    program = context.draft.plate.program
    track, lines = program.states.e_relative, program.moves.line
    absolute = track.line[(track.value == 0) & (track.line >= line)]
    if len(absolute) == 0:
        return False
    rows = np.arange(int(np.searchsorted(lines, absolute[0])), len(lines))
    reads = lines[rows[(program.moves.e[rows] != 0) & (track.at(lines[rows]) == 0)]]
    sets = file_sets_counter(context)
    at = int(np.searchsorted(sets, line))
    return len(reads) > 0 and (at == len(sets) or int(reads[0]) < int(sets[at]))


def _shift_at(context: Context, row: int, place: int) -> float:
    """E units by which the written counter is ahead of the file's at the start of line `place` behind `row`."""
    if context.shift_after is None:
        return 0.0
    line = int(context.draft.plate.program.moves.line[row])
    ours, theirs = context.rebased, file_sets_counter(context)
    if np.any((ours > line) & (ours <= place)) or np.any((theirs > line) & (theirs < place)):
        return 0.0
    return float(context.shift_after[np.searchsorted(context.draft.row, row, side="right") - 1])


def _next_travel(draft: Draft, row: int, behind: int) -> int | None:
    """The file's own next move in X and Y if it is a travel with both words that stays: it may start elsewhere."""
    moves = draft.plate.program.moves
    for k in range(row + 1, min(behind + 1, len(moves))):
        along, across = moves.x[k] != moves.x[k - 1], moves.y[k] != moves.y[k - 1]
        if along or across:
            stays = draft.removed is None or not draft.removed[draft.first[k + 1] - 1]
            straight = bool(moves.kind[k] & LINE)
            return k if along and across and straight and stays and k < behind and moves.e[k] == 0 else None
        if moves.e[k] != 0 and _names_a_place(draft, k):
            return None  # it would push on its way there
    return None


def _names_a_place(draft: Draft, row: int) -> bool:
    program = draft.plate.program
    words = line_words(program.lines, program.moves.line[[row]], "XY")
    return bool(words.begin["X"][0] >= 0 or words.begin["Y"][0] >= 0)

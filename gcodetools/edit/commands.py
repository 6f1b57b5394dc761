"""Nozzle, fan and acceleration: state commands written, replaced and put back.

For each row a target stands beside what the file has. Where they part, the file's own commands inside are
held back (their lines get the target's value) and where they meet again the file's value stands.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import Context
from gcodetools.edit.draft import Draft
from gcodetools.edit.lines import line_words
from gcodetools.edit.splice import ranges
from gcodetools.edit.stepped import steps_of
from gcodetools.gcode.arrays import marked, present
from gcodetools.gcode.numbers import fixed, fixed_text, join_pools
from gcodetools.gcode.program import Track
from gcodetools.records import dataclass

__all__ = [
    "accel_in_force",
    "accel_words",
    "emit_accel",
    "emit_fan",
    "emit_nozzle",
    "fan_in_force",
    "fan_track",
    "fewest_decimals",
    "file_fan",
    "hold_line",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _State:
    """One state: its name, the fields its command sets, how it is written, which word of a line holds it."""

    name: str
    fields: tuple[str, ...]
    command: bytes
    letters: tuple[bytes, ...]
    decimals: int


def _steps(values: F8) -> I8:
    """Where a value differs from the one before, and the first; NaN is like NaN."""
    return np.concatenate([np.zeros(min(len(values), 1), np.int64), steps_of(values)])


def _told(context: Context, steps: I8, commands: NDArray[np.integer], by_piece: bool) -> I8:
    """Rows, or pieces, at which something may have to be written: where a target steps, behind each command, and
    where a bracket begins or ends. Between two of these nothing changes."""
    draft = context.draft
    row_line = draft.plate.program.moves.line
    behind = np.searchsorted(row_line, commands, side="right")
    rows = np.concatenate([behind[behind < len(row_line)], context.bracket_steps])
    return marked(
        len(draft.row) if by_piece else len(row_line), steps, draft.first[rows] if by_piece else rows
    )


def _walk(
    context: Context,
    index: I8,
    by_piece: bool,
    track: Track,
    target: F8,
    file_value: F8,
    state: _State,
    why: str,
) -> None:
    """Write, replace and restore commands so that each row finds its target.

    index : (k,) rows at which something may change (see `_told`), or pieces where moves are cut. target, file_value :
    (k,) from there on. Commands by row keep out of object brackets wherever a line outside is near; those by piece
    stand inside and are restored before the bracket ends.
    """
    draft, outside = context.draft, not by_piece
    row_line = draft.plate.program.moves.line
    commands = track.line
    rows = draft.row[index].astype(np.int64) if by_piece else index
    before_row = draft.row[np.maximum(index - 1, 0)] if by_piece else np.maximum(index - 1, 0)
    bracket = context.bracket[rows]
    line = row_line[rows].astype(np.int64)
    line_before = np.where(index > 0, row_line[before_row], -1).astype(np.int64)
    command = np.searchsorted(commands, line) - 1
    has_command = np.zeros(len(index), bool)
    if len(commands):
        has_command = (command >= 0) & (commands[np.maximum(command, 0)] > line_before)

    # Where the file never set a value there is none to put back.
    treated = ~(np.isclose(target, file_value, rtol=0, atol=1e-9) | np.isnan(target) | np.isnan(file_value))
    if not np.any(treated):
        return
    seq = 2 * (index if by_piece else _first_piece(context, rows)) - 1
    wanted = np.where(treated, target, file_value)
    was_treated = np.concatenate([[False], treated[:-1]])
    broken = np.zeros(len(line), bool)
    if not outside:
        broken[1:] = bracket[1:] != bracket[:-1]
        if len(commands):
            has_command &= ~treated | (context.bracket_at(commands[np.maximum(command, 0)]) == bracket)
    before = np.concatenate([[np.nan], wanted[:-1]])

    _replace(context, track, line, line_before, np.flatnonzero(has_command & treated), wanted, seq, state)
    enter = treated & ~has_command & (~was_treated | broken | (wanted != before))
    leave = was_treated & (broken | (~treated & ~has_command))
    leave_at, enter_at = np.flatnonzero(leave), np.flatnonzero(enter)
    leave_value = np.where(broken[leave_at], file_value[leave_at - 1], wanted[leave_at])
    if outside:
        for i, value in zip(leave_at.tolist(), leave_value.tolist(), strict=True):
            _insert_outside(context, int(rows[i]), value, state)
        for i in enter_at.tolist():
            _insert_outside(context, int(rows[i]), float(wanted[i]), state)
    else:
        # Right behind what was treated; between two pieces of one move that is before the move's own line.
        behind = np.minimum(line_before[leave_at] + 1, line[leave_at])
        _insert(context, behind, leave_value, seq[leave_at], 0, state)
        _insert(context, line[enter_at], wanted[enter_at], seq[enter_at], 3, state)
    if treated[-1]:
        _insert_outside(context, len(row_line), float(file_value[-1]), state)
    ends = (np.append(index[1:], len(draft.row) if by_piece else len(row_line)) - 1)[treated]
    context.declare_runs(rows[treated], draft.row[ends] if by_piece else ends, state.fields, why)


def _first_piece(context: Context, rows: NDArray[np.integer]) -> I8:
    first: I8 = context.draft.first[rows].astype(np.int64)
    return first


def _replace(
    context: Context,
    track: Track,
    line: I8,
    line_before: I8,
    rows: I8,
    wanted: F8,
    row_seq: I8,
    state: _State,
) -> None:
    """Give the file's own command lines before `rows` (indices into `line`) the wanted value; all since
    `line_before` get it."""
    if len(rows) == 0:
        return
    lines = context.draft.plate.program.lines
    commands = track.line.astype(np.int64)
    low = np.searchsorted(commands, line_before[rows], side="right")
    high = np.searchsorted(commands, line[rows], side="left")
    count = high - low
    at = commands[np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))]
    value = np.repeat(wanted[rows], count)
    seq = np.repeat(row_seq[rows], count)
    words = line_words(lines, at, "".join(letter.decode() for letter in state.letters))
    begin, end = np.full(len(at), -1, np.int64), np.full(len(at), -1, np.int64)
    old = np.full(len(at), np.nan)
    for letter in (letter.decode() for letter in reversed(state.letters)):
        has = words.begin[letter] >= 0
        begin[has], end[has], old[has] = (
            words.begin[letter][has],
            words.end[letter][has],
            words.value[letter][has],
        )
    known = ~np.isnan(old)
    number = value * _scale(context, state)
    differs = known & (np.abs(old - number) > 0.5 * 10.0**-state.decimals)
    if state.fields == ("accel",):  # S says the travel acceleration too, which stays
        text = np.frombuffer(lines.data, np.uint8)
        both = differs & ((text[begin - 1] == ord("S")) | (text[begin - 1] == ord("s")))
        apart = join_pools(
            b"P",
            fixed(number[both], state.decimals),
            b" T",
            fixed(old[both], fewest_decimals(old[both], old[both])),
            count=int(both.sum()),
        )
        context.edits.add(begin[both] - 1, end[both], seq[both], 4, apart)
        context.held_back += at[both].tolist()
        differs &= ~both
    context.edits.add(begin[differs], end[differs], seq[differs], 4, fixed(number[differs], state.decimals))
    for k in np.flatnonzero(~known).tolist():
        _replace_odd(context, int(at[k]), int(seq[k]), float(value[k]), state)
    context.held_back += at[differs | ~known].tolist()


def _replace_odd(context: Context, at: int, seq: int, value: float, state: _State) -> None:
    """A command line without a plain word for the value: an extended command, M107, a bare M106."""
    lines = context.draft.plate.program.lines
    text = re.split(rb"[;(]", lines.text(at), maxsplit=1)[0].rstrip()
    begin = int(lines.start[at])
    found = re.search(rb"(?i)\b(?:ACCEL|TARGET)\s*=\s*([-+]?[0-9.]+)", text)
    if found:
        number = fixed_text(value * _scale(context, state), state.decimals)
        context.edits.one(begin + found.start(1), begin + found.end(1), seq, 4, number)
    else:
        context.edits.one(begin, begin + len(text), seq, 4, _command(context, value, state))


def _scale(context: Context, state: _State) -> float:
    return context.draft.plate.program.states.fan_full if state.name == "fan" else 1.0


def _command(context: Context, value: float, state: _State) -> bytes:
    number = fixed_text(value * _scale(context, state), state.decimals)
    return state.command + number


def _insert(context: Context, at: I8, value: F8, seq: I8, sub: int, state: _State) -> None:
    """Commands on lines of their own before the lines `at`; unknown values are not written."""
    known = ~np.isnan(value)
    at, value, seq = at[known], value[known], seq[known]
    number = fixed(value * _scale(context, state), state.decimals)
    text = join_pools(state.command, number, context.newline, count=len(at))
    place = context.draft.plate.program.lines.start[at]
    context.edits.add(place, place, seq, sub, text)


def _insert_outside(context: Context, row: int, value: float, state: _State) -> None:
    """A command between the row before and `row`, outside object brackets where there is such a line."""
    at = np.array([hold_line(context, row)])
    seq = 2 * _first_piece(context, np.array([row])) - 1
    _insert(context, at, np.array([value]), seq, 2, state)


def hold_line(context: Context, row: int) -> int:
    """Line before which a hold may begin or end at `row`: outside object brackets if any line between the row
    before and `row` is, and behind a layer mark."""
    plate = context.draft.plate
    moves = plate.program.moves
    first = int(moves.line[row - 1]) + 1 if row else 0
    last = int(moves.line[row]) if row < len(moves) else first
    candidates = np.arange(last, first - 1, -1)
    free = candidates[context.bracket_at(candidates) < 0]
    opens = candidates[np.isin(candidates, context.bracket_first)]
    if len(opens):
        before = free[free < opens[0]]
        return int(opens[-1]) if len(before) else int(opens[0])
    return int(free[0]) if len(free) else last


def emit_nozzle(context: Context) -> None:
    """Commands for the wanted nozzle temperatures."""
    draft = context.draft
    if draft.nozzle_c is None:
        return
    program = draft.plate.program
    used = sorted(set(present(program.moves.tool)) | set(program.states.nozzle))
    for tool in used:
        track = draft.nozzle_track(tool)
        many = len(used) > 1
        target = draft.nozzle_c
        if many:
            mine = program.moves.tool == tool
            target = _filled(np.where(mine, target, np.nan), mine)
        if np.all(np.isnan(target)):
            continue
        index = _told(context, _steps(target), track.line, False)
        target, file_value = target[index], track.at(program.moves.line[index])
        suffix = f"M104 T{tool} S".encode() if many else b"M104 S"
        state = _State("nozzle", ("nozzle",), suffix, (b"S", b"R"), fewest_decimals(target, file_value))
        _walk(context, index, False, track, target, file_value, state, "nozzle hold")


def fan_track(draft: Draft) -> Track:
    """The file's own part fan; before its first command the kit's base, if it names one."""
    track = draft.plate.program.states.fan
    return Track(track.line, track.value, 0.0 if np.isnan(draft.base_fan) else draft.base_fan)


def file_fan(draft: Draft, rows: NDArray[np.integer] | slice = slice(None)) -> F8:
    """Part fan the file has at `rows`; before its first command the kit's base, if it names one."""
    return fan_track(draft).at(draft.plate.program.moves.line[rows])


def fan_in_force(draft: Draft, rows: NDArray[np.integer] | slice = slice(None)) -> F8:
    """Part fan at `rows` as it is written: what a hold wants, in the steps of the file's scale, or the file's."""
    own = file_fan(draft, rows)
    if draft.fan is None:
        return own
    held = draft.fan[rows]
    steps = 255.0 if draft.plate.program.states.fan_full == 255.0 else 100.0
    result: F8 = np.where(np.isnan(held) | (held == own), own, np.rint(held * steps) / steps)
    return result


def _filled(target: F8, mine: Bool) -> F8:
    """Rows of other tools keep this tool's last target, so that its heater does not chase tool changes."""
    index = np.where(mine, np.arange(len(target)), -1)
    last = np.maximum.accumulate(index)
    return np.where(last >= 0, target[np.maximum(last, 0)], np.nan)


def fewest_decimals(*values: F8) -> int:
    """Fewest decimals, up to 4, that print all these numbers as they are: what is put back must be exact."""
    known = np.concatenate([v[_steps(v)] for v in values])
    known = known[~np.isnan(known)]
    for decimals in range(4):
        if np.all(np.abs(known - np.round(known, decimals)) < 1e-6):
            return decimals
    return 4


def emit_fan(context: Context) -> None:
    """Commands for the wanted part fan."""
    draft = context.draft
    if draft.fan is None:
        return
    states = draft.plate.program.states
    full = states.fan_full
    rows = _told(context, _steps(draft.fan), states.fan.line, False)
    target = np.where(np.isnan(draft.fan[rows]), np.nan, fan_in_force(draft, rows))
    # Two wanted values may come to the same step of the file's scale.
    index = _told(context, rows[_steps(target)], states.fan.line, False)
    target, file_value = target[np.searchsorted(rows, index)], file_fan(draft, index)
    decimals = fewest_decimals(target * full, file_value * full)
    state = _State("fan", ("fan",), b"M106 S", (b"S",), decimals)
    _walk(context, index, False, states.fan, target, file_value, state, "fan hold")


def emit_accel(context: Context) -> None:
    """Commands for the wanted acceleration of beads, in the file's own words."""
    draft = context.draft
    if np.all(np.isnan(draft.accel)):
        return
    program = draft.plate.program
    track = program.states.accel
    target = _bridged(context, draft.accel.copy(), track)
    index = _told(context, _steps(target), track.line, True)
    target, file_value = target[index], track.at(program.moves.line[draft.row[index]])
    words = accel_words(context)
    fields = ("accel",) if words == b"M204 P" else ("accel", "travel_accel")
    state = _State("accel", fields, words, (b"P", b"S"), fewest_decimals(target, file_value))
    _walk(context, index, True, track, target, file_value, state, "acceleration")


def accel_in_force(context: Context) -> F8:
    """(p,) acceleration on each piece as it is written, mm/s2; NaN where the file never set one."""
    draft = context.draft
    program = draft.plate.program
    own = program.states.accel.at(program.moves.line[draft.row])
    if np.all(np.isnan(draft.accel)):
        return own
    target = _bridged(context, draft.accel.copy(), program.states.accel)
    result: F8 = np.where(np.isnan(target) | np.isnan(own), own, target)
    return result


def _bridged(context: Context, target: F8, track: Track) -> F8:
    """Keep a target over the travels between two treated beads of one bracket, unless the file sets its own
    value there: fewer commands, the same beads. Writes into `target`."""
    rows = context.draft.row
    treated = np.flatnonzero(~np.isnan(target))
    a, b = treated[:-1], treated[1:]
    gap = np.flatnonzero(b - a > 1)
    a, b = a[gap], b[gap]
    line = context.draft.plate.program.moves.line
    ok = (target[a] == target[b]) & (context.bracket[rows[a]] == context.bracket[rows[b]])
    ok &= np.searchsorted(track.line, line[rows[a]]) == np.searchsorted(track.line, line[rows[b]])
    a, b = a[ok], b[ok]
    between = ranges(a + 1, b)
    beads = np.append(0, np.cumsum(context.draft.plate.beads.feature[rows[between]] != 0))
    end = np.cumsum(b - a - 1)
    ok = beads[end] == beads[end - (b - a - 1)]
    a, b = a[ok], b[ok]
    count = b - a - 1
    between = ranges(a + 1, b)
    target[between] = np.repeat(target[a], count)
    return target


def accel_words(context: Context) -> bytes:
    """How this file sets the print acceleration: an extended command, `M204 P` or `M204 S`.

    S sets the travel acceleration too, so it will not do where the file has ever set the two apart.
    """
    states = context.draft.plate.program.states
    lines = states.accel.line
    if len(lines) == 0:
        return b"M204 S"
    text = context.draft.plate.program.lines.text(int(lines[-1])).upper()
    if b"SET_VELOCITY_LIMIT" in text:
        return b"SET_VELOCITY_LIMIT ACCEL="
    same = np.array_equal(lines, states.travel_accel.line)
    if same:
        same = np.array_equal(states.accel.value, states.travel_accel.value)
    else:
        both = np.union1d(lines, states.travel_accel.line) + 1
        same = np.array_equal(states.accel.at(both), states.travel_accel.at(both), equal_nan=True)
    return b"M204 S" if same else b"M204 P"

"""Windows of an output: read behind each other they say what the whole says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit import windows as module
from gcodetools.edit.draft import Draft
from gcodetools.edit.splice import EditList, apply_edits
from gcodetools.edit.windows import line_map, read_windows, windows
from gcodetools.gcode.scan import read_program

PLATES = [
    ("B", {}),
    ("B", {"relative_e": False}),
    ("C", {"arcs": True}),
    ("D", {"relative_e": False, "arcs": True}),
    ("F", {}),
    ("J", {}),
]


@given(st.lists(st.integers(0, 12), max_size=20))
def test_lines_are_found_again_behind_what_was_inserted(places):
    data = b"".join(b"%d\n" % k for k in range(12))
    start = np.append(np.flatnonzero(np.frombuffer(b"\n" + data, np.uint8) == 10), len(data))[:13]
    edits = EditList()
    for seq, line in enumerate(places):
        edits.one(int(start[line]), int(start[line]), seq, 0, b"new\n")
    done = edits.finish(data)
    mapped = line_map(done, start)
    lines = apply_edits(data, done).splitlines()
    assert [int(lines[k]) for k in mapped[:-1]] == list(range(12))
    assert mapped[-1] == len(lines)


def treated(plate, write):
    """Settings of all kinds on some beads, with kept stretches between."""
    beads = np.flatnonzero(plate.beads.feature != 0)
    cut = beads[::301]
    draft = Draft.of(plate, cut, np.full(len(cut), 0.4))
    some = (plate.beads.feature[draft.row] != 0) & (draft.row % 300 < 20)
    draft.feed[some] = 0.8 * plate.moves.f[draft.row[some]]
    draft.flow[some] = 1.04
    draft.accel[some & (draft.row % 2 == 0)] = 400.0
    draft.fan = np.full(len(plate.moves), np.nan)
    draft.fan[beads[len(beads) // 3] : beads[len(beads) // 2]] = 0.2
    draft.nozzle_c = np.full(len(plate.moves), np.nan)
    draft.nozzle_c[beads[len(beads) // 4] : beads[2 * len(beads) // 3]] = 238.0
    return write(draft)


@pytest.mark.parametrize(("convention", "options"), PLATES)
@pytest.mark.parametrize("batch_moves", [40, 150_000])
def test_windows_say_what_the_whole_says(demo, write, monkeypatch, convention, options, batch_moves):
    monkeypatch.setattr(module, "_BATCH_MOVES", batch_moves)
    result = treated(demo(convention, **options), write)
    program = result.original.program
    mapped = line_map(result.edits, program.lines.start)
    found = windows(program, result.edits, result.declared)
    whole = read_program(result.output)
    rows = []
    for batch in read_windows(program, result.output, mapped, found):
        mine = batch.other.moves
        at = np.searchsorted(mine.line, batch.to_line)
        there = np.searchsorted(whole.moves.line, mapped[program.moves.line[batch.rows]])
        assert np.array_equal(mine.line[at], batch.to_line)
        for name in ("x", "y", "z", "f"):
            a, b = getattr(mine, name)[at], getattr(whole.moves, name)[there]
            assert np.allclose(a[~np.isnan(b)], b[~np.isnan(b)], rtol=0, atol=1e-9), name
        lines, whole_lines = mine.line[at], whole.moves.line[there]
        for name in ("accel", "travel_accel", "fan", "bed", "e_relative", "tool", "plane"):
            a, b = (getattr(p.states, name) for p in (batch.other, whole))
            # The fan's share is told with four decimals.
            assert np.allclose(a.at(lines), b.at(whole_lines), rtol=0, atol=1e-6, equal_nan=True), name
        for tool, track in whole.states.nozzle.items():
            a = batch.other.states.nozzle[tool].at(lines)
            assert np.array_equal(a, track.at(whole_lines), equal_nan=True)
        rows.append(batch.rows)
    assert np.all(np.diff(np.concatenate(rows)) > 0)
    assert batch_moves > 40 or len(rows) > 2
    assert 0 < sum(map(len, rows)) < len(program.moves)

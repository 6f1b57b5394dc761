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
    for batch in read_windows(program, result.output, result.edits, mapped, found):
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


@given(
    st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=9),
    st.integers(0, 9),
    st.sampled_from([0, 10**15]),
)
def test_padded_numbers_are_the_numbers(wholes, decimals, more):
    values = np.array([whole + more for whole in wholes]) / 10.0**decimals
    rows = [row.tobytes().decode() for row in module._padded(values, decimals)]
    assert len({len(row) for row in rows}) == 1
    for row, value in zip(rows, values.tolist(), strict=True):
        assert abs(float(row) - value) <= 1e-15 * abs(value) and len(row.partition(".")[2]) == decimals


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e18, -1e19])
def test_what_can_t_be_padded_is_refused(value):
    with pytest.raises(ValueError, match="not finite or has too many"):
        module._padded(np.array([1.0, value]), 0)


@pytest.mark.parametrize("batch_moves", [1, 3, 150_000])
@pytest.mark.parametrize("relative_e", [True, False])
def test_windows_that_begin_where_places_are_relative_are_read_so(
    plate_of, write, monkeypatch, batch_moves, relative_e
):
    monkeypatch.setattr(module, "_BATCH_MOVES", batch_moves)
    lines = [
        "G21",
        "G90",
        "M83" if relative_e else "M82",
        "M204 S900",
        ";TYPE:Perimeter",
        "G1 X0 Y0 Z0.2 F6000",
        "G91",
    ]
    for k in range(1, 9):
        lines += [f"G1 X{k} Y-1 E{0.4 if relative_e else 0.4 * k:.1f} F1800", *["G1 X0.1", "G1 X-0.1"] * 5]
        lines += ["G90", f"G1 X{k} Y{k}", "G91"] if k % 3 == 0 else []
    plate = plate_of("\n".join(lines) + "\n")
    beads = np.flatnonzero(plate.beads.feature != 0)
    draft = Draft.of(plate)
    draft.feed[beads[:7]] = 20.0
    result = write(draft)
    program = result.original.program
    found = windows(program, result.edits, result.declared)
    assert len(found[0]) >= 4 and np.any(program.states.xyz_relative.at(found[0]) == 1.0)
    mapped = line_map(result.edits, program.lines.start)
    whole, count = read_program(result.output), 0
    for batch in read_windows(program, result.output, result.edits, mapped, found):
        at = np.searchsorted(batch.other.moves.line, batch.to_line)
        there = np.searchsorted(whole.moves.line, mapped[program.moves.line[batch.rows]])
        for name in "xyze":
            mine, all_ = getattr(batch.other.moves, name)[at], getattr(whole.moves, name)[there]
            assert np.allclose(mine, all_, rtol=0, atol=1e-8), name
        count += 1
    assert count > 1 or batch_moves > 100

"""The judge itself finds faults that are planted in a treated file, each by its own check."""

from __future__ import annotations

import re

import bead_shapes as shapes
import numpy as np
import pytest
from bead_judge import Verdict
from bead_laid import OUTERMOST, SPARSE, WALLS, made_shapes

from gcodetools.demo.slicing import Recipe
from gcodetools.toolpath.plate import Plate

PART = shapes.thing(shapes.slotted(10, 4.0, 80), 1.0)


@pytest.fixture(scope="module")
def printed(press):
    return press(PART, ("all", "{perimeters: {add: 1}}"), relative_e=True)


def spoilt(printed, change) -> Verdict:
    """The verdict over a file whose lines `change` has altered; it gets the lines and the verdict before."""
    verdict = printed.verdict()
    lines = lines_of(verdict.after.plate)
    at = verdict.after.plate.program.moves.line[verdict.after.rows]
    change(lines, at, verdict)
    islands = made_shapes(printed.placements, printed.recipe.layer_mm)
    return Verdict(printed.before, b"\n".join(lines) + b"\n", islands, wall_q=1.0)


def lines_of(plate: Plate) -> list[bytes]:
    return [plate.program.lines.text(k) for k in range(len(plate.program.lines))]


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


def begun_at_the_seam(lines, at, verdict):
    """A new loop turned so that it begins where it comes closest to the outermost seam."""
    site = next(site for site in verdict.sites if site.layer == 3)
    seam = verdict.outer_seams(site)[0]
    points, loop = verdict.loops(site)[0]
    k = int(np.argmin(np.hypot(*(points[:-1] - seam).T)))
    first, last = int(at[loop[0]]), int(at[loop[-1]])
    assert last - first + 1 == len(loop)
    travel = max(n for n in range(first) if lines[n].startswith(b"G1 X"))
    lines[travel] = b"G1 X%.3f Y%.3f F9000" % tuple(points[k])
    lines[first : last + 1] = lines[first + k : last + 1] + lines[first : first + k]


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
    "seams": begun_at_the_seam,
}


def test_the_file_is_without_fault_before(printed):
    assert not printed.verdict().faults()


@pytest.mark.parametrize("check", PLANTED)
def test_a_planted_fault_is_found(printed, check):
    assert getattr(spoilt(printed, PLANTED[check]), check)()


def with_marks(data: bytes, first: bytes, last: bytes) -> bytes:
    """An outermost perimeter from one of its lines to another over air."""
    begin, end = data.index(first), data.index(last) + len(last)
    over = b";TYPE:Overhang perimeter\n" + data[begin:end] + b"\n;TYPE:External perimeter"
    return data[:begin] + over + data[end:]


def test_an_outermost_perimeter_that_goes_over_air_does_not_begin_anew(printed):
    """Nor behind the air, even where a new loop begins right beside it."""
    plain = printed.verdict()
    site = next(site for site in plain.sites if site.layer == 3)
    outer = site.old[plain.before.feature[site.old] == OUTERMOST]
    start = plain.loops(site)[0][0][0]
    ends = np.array([line.coords[-1] for line in plain.before.line[outer]])
    k = int(np.argmin(np.hypot(*(ends - start).T)))
    assert 4 < k < len(outer) - 4
    words = [plain.before.text(int(outer[n])) for n in (k - 3, k)]
    islands = made_shapes(printed.placements, printed.recipe.layer_mm)
    before = Plate.from_bytes(with_marks(printed.before.render(), *words), "before.gcode")
    data = with_marks(printed.data, *words)
    verdict = Verdict(before, data, islands, wall_q=1.0)
    assert not verdict.seams()
    assert len(verdict.outer_seams(verdict.sites[2])) == 1
    lines = lines_of(verdict.after.plate)
    begun_at_the_seam(lines, verdict.after.plate.program.moves.line[verdict.after.rows], verdict)
    assert Verdict(before, b"\n".join(lines) + b"\n", islands, wall_q=1.0).seams()


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_bead_along_old_fill_is_kept_fill_only_where_it_stands_alone(press, goes_on):
    """In a file without marks; one that a new bead goes on from is new. Alone it is old fill laid twice."""
    printed = press(PART, ("all", "{perimeters: {add: 1}}"), letter="I", relative_e=True)
    plain = Verdict(printed.before, printed.before.render(), wall_q=1.0)
    laid = plain.before
    fill = np.flatnonzero((laid.layer == 3) & (laid.feature == SPARSE) & (laid.length > 3))[0]
    wall = np.flatnonzero((laid.layer == 3) & np.isin(laid.feature, WALLS))[-1]
    begin, end = np.array(laid.line[fill].coords)
    step = (end - begin) / laid.length[fill]
    stop, off = begin + 0.5 * step, begin + 0.5 * step + 1.5 * step[::-1] * (1, -1)
    per_mm = laid.e[fill] / laid.length[fill]
    added = b"G1 X%.4f Y%.4f F9000\nG1 X%.4f Y%.4f E%.5f F900" % (*begin, *stop, 0.5 * per_mm)
    if goes_on:
        added += b"\nG1 X%.4f Y%.4f E%.5f" % (*off, 1.5 * per_mm)
    lines = lines_of(printed.before)
    lines[int(laid.plate.program.moves.line[laid.rows[wall]])] += b"\n" + added
    verdict = Verdict(printed.before, b"\n".join(lines) + b"\n", wall_q=1.0)
    assert int(verdict.is_new.sum()) == (2 if goes_on else 0)
    assert bool(verdict.kept()) == (not goes_on)


def test_fill_that_went_from_between_walls_is_missed(printed):
    """A line of gap fill between the walls, out of reach of new beads, that is in the file before only."""
    verdict = printed.verdict()
    x = 90.0 + printed.recipe.width_mm / 2 + printed.recipe.spacing_mm / 2
    gap = b"\n;TYPE:Gap fill\nG1 X%.3f Y99 F9000\nG1 X%.3f Y101 E0.02 F900\n" % (x, x)

    def with_gap(laid):
        wall = (laid.layer == 3) & np.isin(laid.feature, WALLS)
        wall &= ~verdict.is_new if laid is verdict.after else True
        lines = lines_of(laid.plate)
        n = int(laid.plate.program.moves.line[laid.rows[np.flatnonzero(wall)[-1]]])
        # The nozzle goes back to where it was, so that new beads behind it are what they were.
        lines[n] += gap + b" ".join(lines[n].split()[:3]) + b" F9000"
        return b"\n".join(lines) + b"\n"

    before = Plate.from_bytes(with_gap(verdict.before), "before.gcode")
    islands = made_shapes(printed.placements, printed.recipe.layer_mm)
    assert not Verdict(before, with_gap(verdict.after), islands, wall_q=1.0).gaps()
    assert Verdict(before, printed.data, islands, wall_q=1.0).gaps()


def test_new_beads_that_overfill_an_island_are_found_where_its_own_fill_does(press):
    """Two ribs too narrow for the file's solid lines, of which the foot holds more than enough."""
    recipe = Recipe(density=0.15, solid_layers=1)
    part = shapes.thing(shapes.ribs((1.5, 1.9, 2.0), 8.0), 0.6)
    printed = press(part, ("all", "{infill: solid}"), letter="A", relative_e=True, recipe=recipe)
    plain = printed.verdict()
    assert plain.is_new[plain.after.layer == 0].any()
    assert not plain.island_fill()

    def more(lines, at, verdict):
        for n in at[verdict.is_new & (verdict.after.layer == 0)].tolist():
            lines[n] = scaled(b"E", 1.2)(lines[n])

    assert spoilt(printed, more).island_fill()


def test_solid_lines_that_overfill_a_room_are_found_where_the_files_own_leave_voids(press):
    """Between holes the file's own lines leave corners free, so that its solid layer holds less than its walls."""
    recipe = Recipe(density=0.15, solid_layers=1, perimeters=3)
    part = shapes.thing(shapes.holes(24, 8, (0.8, 1.5, 2.2)), 1.0)
    printed = press(part, ("all", "{infill: solid}"), letter="A", relative_e=True, recipe=recipe)
    assert not printed.verdict().bands()
    assert spoilt(printed, on(None, scaled(b"E", 1.06))).bands()

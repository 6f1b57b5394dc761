"""Ways back to where the file goes on, behind removed beads and behind new ones, outside of any island."""

from __future__ import annotations

import numpy as np
import pytest
from replay import PERIMETER, SPARSE, Sheet, replay, run_of, squares, with_hops, without
from shapely import box

from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft
from gcodetools.edit.treated import emit
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.style import style_at
from gcodetools.treat import hops
from gcodetools.treat.hops import add_hops
from gcodetools.treat.links import Ground


@pytest.fixture(scope="module")
def plate():
    return squares(Sheet(), layers=2).plate()


def fill_of(plate, layer=0):
    return np.flatnonzero((plate.beads.feature == SPARSE) & (plate.beads.layer == layer))


def hopped(draft, sites=()):
    add_hops(draft, list(sites))
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert treated.audit(full=True).differing == 0
    return draft.runs


def test_without_removals_and_runs_there_is_nothing_to_reach(plate):
    draft = Draft.of(plate)
    add_hops(draft, [])
    assert draft.runs == []


def test_a_bead_whose_head_is_gone_is_reached_where_the_rest_begins(plate):
    row = int(fill_of(plate)[2])
    draft = without(plate, [(row, 0.0, 0.25)])
    (run,) = hopped(draft)
    assert (run.row, run.t0, run.early) == (row, 0.25, False)
    a, b = ((plate.moves.x[k], plate.moves.y[k]) for k in (row - 1, row))
    assert (run.x[-1], run.y[-1]) == pytest.approx([p + (q - p) / 4 for p, q in zip(a, b, strict=True)])
    assert run.e.sum() == 0 and run.feed[-1] == style_at(plate, 0).travel_mm_s


def test_a_travel_that_names_both_coordinates_needs_no_way(plate):
    last = int(fill_of(plate)[-1])
    travel = next(k for k in range(last + 1, last + 6) if plate.moves.x[k] != plate.moves.x[k - 1])
    draft = without(plate, [(last, 0.0, 1.0)])
    assert draft.row[displaced(draft).piece].tolist() == [travel]
    assert hopped(draft) == []


def test_ways_stand_in_the_order_of_their_pieces_among_runs(plate):
    fill = fill_of(plate)
    draft = without(plate, [(int(fill[k]), 0.0, 0.25) for k in (2, 6)])
    wall = int(np.flatnonzero((plate.beads.feature == PERIMETER) & (plate.beads.layer == 1))[3])
    draft.runs.append(run_of(wall + 1, [(1, 1), (5, 1, 0.1)], 0.4))
    runs = hopped(draft)
    assert [run.row for run in runs[:3]] == [fill[2], fill[6], wall + 1]
    assert [run.early for run in runs[:3]] == [False, False, True]


def test_a_way_to_the_next_layer_goes_back_before_the_file_leaves_this_one(monkeypatch):
    """The last bead of a layer is gone, and the file's travel to the next would cross an outline: the nozzle goes to
    where that travel began, right behind the bead that stays."""
    sheet = Sheet()
    for layer, z in enumerate((0.2, 0.4)):
        sheet.say(";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2", ";TYPE:Internal infill")
        if layer:
            sheet.height(z)
        else:
            sheet.height(z)
            sheet.go(2, 2, 100)
        if layer:
            sheet.go(18, 12)
        sheet.bead(18, 2 if not layer else 16, 0.5, 30)
        if not layer:
            sheet.bead(18, 18, 0.5)
    sheet.go(40, 40)
    own = sheet.plate()
    beads = np.flatnonzero(own.beads.feature != 0)
    assert own.beads.layer[beads].tolist() == [0, 0, 1]
    draft = without(own, [(int(beads[1]), 0.0, 1.0)])
    ell = (box(0, 0, 20, 4) | box(16, 0, 20, 20)) - box(17, 9, 21, 11)
    (run,), _ = on(monkeypatch, own, draft, ell)
    assert run.early and run.row == beads[0] + 1 and run.z.tolist() == pytest.approx([0.2] * len(run.z))
    assert (run.x[-1], run.y[-1]) == pytest.approx((18.0, 18.0))


def test_such_a_way_stands_behind_the_moves_on_which_the_last_wall_is_run_dry(monkeypatch):
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter")
    sheet.height(0.2)
    sheet.go(18, 2, 100)
    for x, y, e in ((2, 2, 0.5), (2, 3.8, 0.06), (16.5, 3.8, 0.45)):
        sheet.bead(x, y, e, 30)
    sheet.go(18, 2)
    sheet.say(";TYPE:Internal infill")
    sheet.bead(18, 18, 0.5)
    sheet.say(";LAYER_CHANGE", ";Z:0.4", ";HEIGHT:0.2")
    sheet.height(0.4)
    sheet.go(18, 12)
    sheet.bead(18, 16, 0.2)
    sheet.go(40, 40)
    own = sheet.plate()
    beads = np.flatnonzero(own.beads.feature != 0)
    assert own.beads.layer[beads].tolist() == [0, 0, 0, 0, 1]
    draft = without(own, [(int(beads[3]), 0.0, 1.0)])
    ell = (box(0, 0, 20, 4) | box(16, 0, 20, 20)) - box(17, 9, 21, 11)
    monkeypatch.setattr(hops, "_Grounds", lambda *_: Grounds(ell, Site(), int(beads[2])))
    (run,) = hopped(draft)
    assert run.early and run.row == beads[2] + 2
    assert (run.x[-1], run.y[-1]) == pytest.approx((18.0, 18.0))


@pytest.mark.parametrize("seed", range(6))
def test_every_bead_that_stays_begins_where_it_began(plate, seed):
    """The same ways as the tests' own, which bring the nozzle straight to each piece that does not begin there."""
    rng = np.random.default_rng(seed)
    rows = np.sort(rng.choice(fill_of(plate, seed % 2), 5, replace=False)).tolist()
    t = [(0.0, 1.0), (0.0, 0.3), (0.3, 0.7), (0.6, 1.0)]
    stretches = [(row, *t[int(rng.integers(4))]) for row in rows]
    draft, other = without(plate, stretches), without(plate, stretches)
    hopped(draft)
    with_hops(other)
    assert [(r.row, r.t0, r.early) for r in draft.runs] == [(r.row, r.t0, r.early) for r in other.runs]
    for one, two in zip(draft.runs, other.runs, strict=True):
        assert (one.x[-1], one.y[-1]) == pytest.approx((two.x[-1], two.y[-1]))
    begins = {s.tag: s.begin for s in replay(plate.program.lines.data)}
    for step in replay(emit(draft, ooze_mm=0.0, bed=None).output):
        if step.tag is not None and step.is_bead and step.tag not in rows:
            assert step.begin == pytest.approx(begins[step.tag], abs=1e-9)


class Grounds:
    """Stands in for the island that a row belongs to."""

    def __init__(self, polygon, site, last):
        self.answer = Ground(polygon, 0.45), site, last
        self.polygon = polygon

    def before(self, row):
        return self.answer

    def own(self, row):
        return None

    def shared(self, site, layer):
        return Ground(self.polygon, 0.45)


class Site:
    pulls = 0


def on(monkeypatch, plate, draft, polygon):
    """Ways on an island, and the retractions that its site counts."""
    site = Site()
    last = int(draft.row[np.flatnonzero(draft.removed)[0]]) - 1
    monkeypatch.setattr(hops, "_Grounds", lambda *_: Grounds(polygon, site, last))
    return hopped(draft), site.pulls


def test_a_way_inside_the_island_is_not_pulled_back(plate, monkeypatch):
    draft = without(plate, [(int(fill_of(plate)[2]), 0.0, 0.25)])
    (run,), pulls = on(monkeypatch, plate, draft, box(0, 0, 20, 20))
    assert pulls == 0 and len(run.kind) == 1


def test_a_way_that_leaves_the_island_is_pulled_back_and_lifted_as_the_file_does(monkeypatch):
    """The file pulls 0.8 mm back and goes up by 0.4 mm between its squares."""
    plate = squares(Sheet(), layers=3, names=("a", "b")).plate()
    row = int(fill_of(plate, 1)[2])
    draft = without(plate, [(row, 0.0, 0.25)])
    assert (plate.moves.x[row - 1], plate.moves.y[row - 1]) == (19.0, 4.0)
    (run,), pulls = on(monkeypatch, plate, draft, box(0, 0, 20, 20) - box(16, -1, 17, 21))
    assert pulls == 1
    assert run.e.tolist() == pytest.approx([-0.8, 0, 0, 0, 0.8])
    assert run.z.tolist() == pytest.approx([0.4, 0.8, 0.8, 0.4, 0.4])
    assert (run.x[-1], run.y[-1]) == pytest.approx((14.5, 4.0))


def test_a_free_travel_that_would_cross_an_outline_is_led_there_first(plate, monkeypatch):
    """Behind the removed last line the file would travel from elsewhere, over the edge which it did not cross."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill")
    sheet.height(0.2)
    sheet.go(2, 2, 100)
    sheet.bead(18, 2, 0.5, 30)
    sheet.bead(18, 18, 0.5)
    sheet.go(18, 12)
    sheet.bead(12, 18, 0.3)
    sheet.push(-0.8)
    sheet.go(40, 40)
    own = sheet.plate()
    beads = np.flatnonzero(own.beads.feature != 0)
    ell = box(0, 0, 20, 4) | box(16, 0, 20, 20)
    for island, count in ((box(0, 0, 20, 20), 0), (ell - box(17, 9, 21, 11), 1)):
        draft = without(own, [(int(beads[1]), 0.0, 1.0)])
        runs, _ = on(monkeypatch, own, draft, island)
        assert len(runs) == count
        if count:
            assert runs[0].row == beads[1] + 1 and (runs[0].x[-1], runs[0].y[-1]) == (18.0, 12.0)


def test_the_first_bead_of_a_layer_cut_at_its_head_is_reached_behind_the_travel_to_it():
    """Fill before walls: what the nozzle left before the layer is an island of the layer below."""
    text = "G21\nG90\nM83\nM104 S230\nM106 S100\n"
    for layer in range(1, 6):
        z = round(0.2 * layer, 1)
        text += f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\nG1 Z{z} F600\n; printing object plate id:0 copy 0\n"
        text += ";TYPE:Internal infill\n;WIDTH:0.45\n"
        for k in range(27 if layer == 1 else 4):
            x = 50.6 + 0.48 * k if layer == 1 else 52.4 + 3 * k
            low, high = (50.5, 63.5) if k % 2 else (63.5, 50.5)
            text += f"G1 X{x:.2f} Y{low} F6000\nG1 X{x:.2f} Y{high} E.433 F1800\n"
        text += ";TYPE:External perimeter\nG1 X50 Y50 F6000\nG1 F1800\n"
        text += "G1 X64 Y50 E.466\nG1 X64 Y64 E.466\nG1 X50 Y64 E.466\nG1 X50 Y50 E.466\n"
        text += "; stop printing object plate id:0 copy 0\n"
    plate = Plate.from_bytes((text + "G1 E-1 F2000\nG1 X0 Y0 F6000\n").encode(), "plate.gcode")
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: plates\nmaterial: petg\nbase: {nozzle: 230}\nparts:\n  plate:\n"
        b"    found_by: {label: ['*']}\n"
        b"    regions: {zone: {within: {slab: {layers: [2, 4]}}, treat: {perimeters: {add: 1}}}}\n",
        "plates.kit.yaml",
    )
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert applied.audit.differing == 0
    steps = replay(applied.treated.output)
    fill = [s for s in steps if s.is_bead and 0.3 < s.end[2] < 0.9 and s.begin[0] in (52.4, 55.4, 58.4, 61.4)]
    assert len(fill) == 12
    for bead in fill:
        assert bead.end[0] == bead.begin[0] and 50.5 < min(bead.begin[1], bead.end[1]) < 51.5

"""`fit`: the outermost perimeter of a region moved along its normal, with all that follows it.

Planned once a plate, like new beads; what it comes to is told to the draft as columns (see `edit.moved`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import coordinate_step
from gcodetools.edit.draft import INCH_MM, Draft, Run
from gcodetools.edit.moved import Moved, carriers
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Fit, Treatment
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure, measure
from gcodetools.treat.fit_layer import ALONE, BEHIND, LayerFit, Others, Told, fit_layer
from gcodetools.treat.fit_rings import Asked
from gcodetools.treat.fit_told import NO_WALL, told_fit
from gcodetools.treat.target import Done

__all__ = ["FitPlan", "plan", "settle"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_WALLS = tuple(FEATURE_INDEX[w] for w in ("outermost", "overhang"))
_ALIKE = 24  # shapes of layers that are remembered
_NEAR_MM = 1.0  # beyond a pitch from an instance's beads
NEW_BEADS = (
    "`perimeters` or `infill` lay new beads there: treat with `fit` first and then, with --again, with them"
)

Item = tuple[RegionHit, Pose, Treatment, str]


@dataclass(slots=True)
class FitPlan:
    """What moved walls of a plate come to. moved : None where none moves. told : what each region is told, by layer
    of the instance, with the region and what it asks."""

    moved: Moved | None = None
    told: list[tuple[RegionHit, Fit, list[tuple[int, Told]], I8]] = field(default_factory=list)

    @property
    def cuts(self) -> tuple[I8, F8]:
        """Where beads are cut for it: rows and fractions."""
        return (np.empty(0, np.int64), np.empty(0)) if self.moved is None else self.moved.knots()


def plan(plate: Plate, work: Iterable[Item], runs: list[Run]) -> FitPlan:
    """Move the walls of every region that asks for it.

    Parameters
    ----------
    runs : new beads that regions lay; where an instance gets some on a layer its walls stay.
    """
    asking: dict[tuple[str, int], list[tuple[RegionHit, Fit]]] = {}
    poses: dict[tuple[str, int], Pose] = {}
    for hit, pose, treatment, _ in work:
        if treatment.fit is not None:
            asking.setdefault((pose.part, pose.instance), []).append((hit, treatment.fit))
            poses[pose.part, pose.instance] = pose
    result = FitPlan()
    if not asking:
        return result
    builder = _Builder(plate, measure(plate), carriers(plate.program))
    for key, asked in asking.items():
        result.told += builder.build(poses[key], asked, _laid_on(plate, runs, poses[key]))
    result.moved = builder.moved()
    return result


def _laid_on(plate: Plate, runs: list[Run], pose: Pose) -> set[int]:
    """Plate layers on which an instance gets new beads."""
    name = f"{pose.part}#{pose.instance}"
    rows = [run.row - 1 for run in runs if run.region.rsplit("/", 1)[0] == name]
    return set(plate.beads.layer[np.array(rows, np.int64)].tolist()) if rows else set()


class _Builder:
    """Layers of instances, those that are alike worked out once."""

    def __init__(self, plate: Plate, gauge: Measure, source: I8) -> None:
        self.plate, self.gauge, self.source = plate, gauge, source
        self.known: dict[tuple[bytes, ...], LayerFit] = {}
        self.parts: list[LayerFit] = []
        self.shift = np.zeros((len(plate.program.moves), 2))
        self.alone: dict[int, I8] = {}
        self.bulge = np.zeros(len(plate.program.moves))
        self.bulge[plate.program.arcs.row] = 2 * plate.program.arcs.radius
        self.least_mm = _least_mm(plate)

    def build(
        self, pose: Pose, asked: list[tuple[RegionHit, Fit]], laid: set[int]
    ) -> list[tuple[RegionHit, Fit, list[tuple[int, Told]], I8]]:
        """Move the walls of one instance."""
        plate = self.plate
        told: list[list[tuple[int, Told]]] = [[] for _ in asked]
        layers = plate.beads.layer[pose.rows]
        stretches = [_by_layer(plate, hit) for hit, _ in asked]
        rows: list[I8] = [np.empty(0, np.int64)]
        for layer in sorted(set().union(*stretches)):
            low, high = np.searchsorted(layers, [layer, layer + 1])
            mine = pose.rows[low:high].astype(np.int64)
            wanted = [
                Asked(n, fit.offset_mm, fit.blend_mm, *stretches[n][layer])
                for n, (_, fit) in enumerate(asked)
                if layer in stretches[n] and abs(fit.offset_mm) >= self.least_mm
            ]
            if not wanted or len(mine) == 0:
                continue
            if layer in laid:
                done = LayerFit(told=[_left(plate, one, NEW_BEADS) for one in wanted])
            else:
                done = self._layer(layer, mine, wanted)
                self.shift[done.row] = done.shift
                self.parts.append(done)
                rows.append(mine)
            for one in done.told:
                told[one.number].append((int(pose.layer[low]), one))
        every = np.concatenate(rows)
        # What several regions of an instance share can't be told apart.
        own = every if len(asked) == 1 else every[:0]
        return [(hit, fit, told[n], own) for n, (hit, fit) in enumerate(asked)]

    def _layer(self, layer: int, rows: I8, asked: list[Asked]) -> LayerFit:
        plate, moves, first = self.plate, self.plate.program.moves, int(rows[0])
        # What lies behind the last bead tells how a loop runs dry.
        part = slice(max(first - 1, 0), min(int(rows[-1]) + BEHIND, len(moves)))
        others = self._beside(layer, rows)
        before = np.maximum(others - 1, 0)
        columns: list[NDArray[np.generic]] = [
            moves.x[part], moves.y[part], moves.z[part] - moves.z[first], moves.e[part], moves.kind[part],
            plate.beads.feature[part], self.source[part] - first, rows - first,
            np.array([float(plate.layers.height_mm[layer])]), self.shift[part],
            moves.x[before], moves.y[before], moves.x[others], moves.y[others], moves.kind[others],
            plate.beads.feature[others], self.shift[self.source[before]], self.shift[self.source[others]],
            *self._round(part), self.bulge[others], plate.program.states.xyz_relative.at(moves.line[part]),
        ]  # fmt: skip
        for one in asked:
            columns += [np.array([one.number, one.offset_mm, one.blend_mm]), one.row - first, one.t0, one.t1]
        key = tuple(column.tobytes() for column in columns)
        if key not in self.known:
            if len(self.known) >= _ALIKE:
                self.known.pop(next(iter(self.known)))
            self.known[key] = fit_layer(
                plate, layer, rows, asked, self.gauge, self.source, Others(others, self.shift)
            )
        return self.known[key].behind(first)

    def _round(self, part: slice) -> tuple[NDArray[np.generic], ...]:
        """What the ends of arcs don't tell of them."""
        arcs = self.plate.program.arcs
        mine = slice(*np.searchsorted(arcs.row, [part.start, part.stop]).tolist())
        return arcs.row[mine] - part.start, arcs.cx[mine], arcs.cy[mine], arcs.sweep[mine], arcs.plane[mine]

    def _beside(self, layer: int, rows: I8) -> I8:
        """Beads near an instance's in a layer that are none of its own, and that its walls may meet."""
        plate, moves = self.plate, self.plate.program.moves
        if layer not in self.alone:
            every = np.arange(int(plate.layers.first_row[layer]), int(plate.layers.last_row[layer]))
            self.alone[layer] = every[np.isin(plate.beads.feature[every], ALONE)]
        found = self.alone[layer]
        reach = self.gauge.pitch_mm + _NEAR_MM
        near = np.ones(len(found), bool)
        for axis in (moves.x, moves.y):
            a, b = axis[np.maximum(found - 1, 0)], axis[found]
            # An arc bulges beyond its ends, at most by its diameter.
            near &= np.maximum(a, b) + self.bulge[found] > axis[rows].min() - reach
            near &= np.minimum(a, b) - self.bulge[found] < axis[rows].max() + reach
        return found[near & ~np.isin(found, rows)]

    def moved(self) -> Moved | None:
        """All of it as one; None where nothing moves."""
        parts = [p for p in self.parts if len(p.row) or len(p.knot_row) or len(p.fill_row)]
        if not parts:
            return None
        names = ("row", "shift", "knot_row", "knot_t", "knot", "fill_row", "fill")
        row, shift, knot_row, knot_t, knot, fill_row, fill = (
            np.concatenate([getattr(p, name) for p in parts]) for name in names
        )
        # What two instances share, as a way that leads from one to the other, goes with the first.
        row, first = np.unique(row, return_index=True)
        fill_row, once = np.unique(fill_row, return_index=True)
        return Moved.of(
            self.plate.program, row, shift[first], (knot_row, knot_t, knot), (fill_row, fill[once])
        )


def _least_mm(plate: Plate) -> float:
    """The least offset that shows in coordinates as they are printed: half of their last decimal."""
    last = plate.program.moves.line[plate.beads.is_bead][-1:]  # an end code may speak in another unit
    inches = bool(np.any(plate.program.states.inches.at(last) == 1.0))
    step = min(coordinate_step(plate.program, letter) for letter in "XY")
    return step / 2 * (INCH_MM if inches else 1.0)


def _by_layer(plate: Plate, hit: RegionHit) -> dict[int, tuple[I8, F8, F8]]:
    """Stretches of a region's outermost walls, by plate layer."""
    chosen = hit.selection
    keep = np.isin(plate.beads.feature[chosen.row], _WALLS)
    row, t0, t1 = chosen.row[keep], chosen.t0[keep], chosen.t1[keep]
    layer = plate.beads.layer[row]
    found = {}
    for k in np.unique(layer).tolist():
        mine = layer == k
        found[int(k)] = row[mine], t0[mine], t1[mine]
    return found


def _left(plate: Plate, asked: Asked, why: str) -> Told:
    length = float((plate.beads.length_mm[asked.row] * (asked.t1 - asked.t0)).sum())
    return Told(asked.number, 0.0, 0.0, length, 0.0, 0.0, 0, 0, (why,))


def settle(draft: Draft, made: FitPlan) -> dict[tuple[str, int, str, str], Done]:
    """Tell a draft what moves, and say what became of each region's wish."""
    draft.moved = made.moved
    done = {}
    least_mm = _least_mm(draft.plate)
    for hit, fit, told, rows in made.told:
        more = _more_mm(draft, rows)
        found = told_fit(hit, fit, told, more)
        if fit.offset_mm == 0.0:
            found = Done(hit.part, hit.instance, hit.region, "fit", "+0 mm", "nothing", "the offset is 0")
        elif abs(fit.offset_mm) < least_mm:
            why = f"the offset is below half of the last decimal of the file's coordinates, {2 * least_mm:.3g} mm"
            found = Done(
                hit.part, hit.instance, hit.region, "fit", f"{fit.offset_mm:+.3g} mm", "nothing", why,
                warning=True, refused=True,
            )  # fmt: skip
        elif not told:
            found = Done(
                hit.part, hit.instance, hit.region, "fit", f"{fit.offset_mm:+.3g} mm", "nothing", NO_WALL,
                warning=True, refused=True,
            )  # fmt: skip
        done[hit.part, hit.instance, hit.region, "fit"] = found
    return done


def _more_mm(draft: Draft, rows: I8) -> float:
    """Filament, mm, that the beads of `rows` get more than in the file because they move."""
    if draft.moved is None or len(rows) == 0:
        return 0.0
    rows = rows[np.isin(rows, draft.moved.touched)]
    first, last = draft.first[rows].astype(np.int64), draft.first[rows + 1].astype(np.int64)
    count = last - first
    piece = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    row, t0, t1 = draft.row[piece], draft.t0[piece], draft.t1[piece]
    gain = draft.moved.gains(row, t0, t1, draft.length_mm(piece))
    return float((draft.plate.program.moves.e[row] * (t1 - t0) * (gain - 1.0)).sum())

"""What a picture of one layer draws: its beads as columns of strokes, kept, new or removed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft, Run
from gcodetools.edit.moved import Moved
from gcodetools.edit.moves import BEAD
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["GONE", "KEPT", "NEW", "Strokes", "after", "before", "joined", "of_layer", "runs_on"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

KEPT, NEW, GONE = 0, 1, 2
Box = tuple[float, float, float, float]

_XY = 17
_SAME_MM = 1e-6
_LARGE_TURN = 1.9 * np.pi
_SAME_Z_MM = 1e-3
_NO_WIDTH_MM = 0.4  # where a file tells no bead's width; common practice, no source


@dataclass(frozen=True, slots=True)
class Strokes:
    """Beads of a layer in printing order, one row a bead or a piece of one.

    begin, end : (n, 2) mm, machine coordinates. width : (n,) mm. feature : (n,) uint8, index into FEATURES.
    status : (n,) uint8, KEPT, NEW or GONE. radius : (n,) mm, NaN where the bead is straight. sweep : (n,)
    radians, counter-clockwise positive.
    """

    begin: F8
    end: F8
    width: F8
    feature: U1
    status: U1
    radius: F8
    sweep: F8

    def __len__(self) -> int:
        return len(self.width)

    @property
    def length_mm(self) -> F8:
        """(n,) length of each, mm."""
        straight = np.hypot(*(self.end - self.begin).T)
        return np.where(np.isnan(self.radius), straight, np.abs(self.radius * self.sweep))

    @property
    def bounds(self) -> Box:
        """Lowest x and y, highest x and y of all footprints, mm; arcs count with their chord."""
        half = self.width / 2
        low = np.minimum(self.begin, self.end) - half[:, None]
        high = np.maximum(self.begin, self.end) + half[:, None]
        (x0, y0), (x1, y1) = low.min(axis=0).tolist(), high.max(axis=0).tolist()
        return x0, y0, x1, y1

    def of(self, chosen: Bool) -> Strokes:
        """Those where `chosen` is true."""
        return Strokes(*(getattr(self, name)[chosen] for name in self.__slots__))

    def within(self, box: Box) -> Strokes:
        """Those that may reach into a box (x0, y0, x1, y1)."""
        reach = self.width / 2 + np.where(np.isnan(self.radius), 0.0, 2 * self.radius)
        low = np.minimum(self.begin, self.end) - reach[:, None]
        high = np.maximum(self.begin, self.end) + reach[:, None]
        return self.of(np.all(high >= box[:2], axis=1) & np.all(low <= box[2:], axis=1))


def joined(parts: Sequence[Strokes]) -> Strokes:
    """Several, one behind the other."""
    return Strokes(*(np.concatenate([getattr(p, name) for p in parts]) for name in Strokes.__slots__))


def of_layer(plate: Plate, layer: int, new: Bool | None = None) -> Strokes:
    """Beads of a plate layer (index into Layers); new : (m,) which rows are marked as new."""
    row = np.arange(int(plate.layers.first_row[layer]), int(plate.layers.last_row[layer]))
    row = row[plate.beads.is_bead[row]]
    status = np.full(len(row), KEPT, np.uint8) if new is None else np.where(new[row], NEW, KEPT)
    return _of_pieces(plate, row, np.zeros(len(row)), np.ones(len(row)), status.astype(np.uint8))


def before(draft: Draft, layer: int) -> Strokes:
    """Beads of a layer of the original; those that the draft removes are GONE."""
    piece, gone = _pieces(draft, layer)
    status = np.where(gone, GONE, KEPT).astype(np.uint8)
    return _of_pieces(
        draft.plate, draft.row[piece].astype(np.int64), draft.t0[piece], draft.t1[piece], status
    )


def after(draft: Draft, layer: int) -> Strokes:
    """Beads of a layer as the draft has them printed, its new ones last."""
    piece, gone = _pieces(draft, layer)
    piece = piece[~gone]
    status = np.full(len(piece), KEPT, np.uint8)
    rows, t0, t1 = draft.row[piece].astype(np.int64), draft.t0[piece], draft.t1[piece]
    kept = _of_pieces(draft.plate, rows, t0, t1, status, draft.moved)
    layers = draft.plate.layers
    first, last, z = int(layers.first_row[layer]), int(layers.last_row[layer]), float(layers.z_mm[layer])
    mine = [run for run in draft.runs if first <= run.row <= last and np.any(_beads_at(run, z))]
    return joined([kept, *(_of_run(draft, run) for run in mine)])


def _pieces(draft: Draft, layer: int) -> tuple[I8, Bool]:
    """Pieces of a layer's beads, and which of them are removed."""
    layers = draft.plate.layers
    first, last = (int(draft.first[int(rows[layer])]) for rows in (layers.first_row, layers.last_row))
    piece = np.arange(first, last)
    piece = piece[draft.plate.beads.is_bead[draft.row[piece]]]
    gone = np.zeros(len(piece), bool) if draft.removed is None else draft.removed[piece]
    return piece, gone


def _beads_at(run: Run, z_mm: float) -> Bool:
    at: Bool = (run.kind == BEAD) & (np.abs(run.z - z_mm) < _SAME_Z_MM)
    return at


def _of_run(draft: Draft, run: Run) -> Strokes:
    """New beads of a run. Where it begins with a bead, that one begins where the row before ends."""
    moves, before_row = draft.plate.program.moves, max(run.row - 1, 0)
    ends = np.column_stack([run.x, run.y])
    start = np.array([[moves.x[before_row], moves.y[before_row]]])
    begins = np.vstack([start, ends[:-1]])
    is_bead = run.kind == BEAD
    count = int(is_bead.sum())
    none = np.full(count, np.nan)
    return Strokes(
        begins[is_bead], ends[is_bead], run.width[is_bead], run.feature[is_bead].astype(np.uint8),
        np.full(count, NEW, np.uint8), none, none,
    )  # fmt: skip


def _of_pieces(plate: Plate, row: I8, t0: F8, t1: F8, status: U1, moved: Moved | None = None) -> Strokes:
    """Stretches (row, t0, t1) of beads. Arcs in other planes than XY are drawn by their chord."""
    moves, arcs = plate.program.moves, plate.program.arcs
    row, t0, t1, status = _halved(plate, row, t0, t1, status)
    before_row = np.maximum(row - 1, 0)
    last = np.column_stack([moves.x[row], moves.y[row]])
    first = np.column_stack([moves.x[before_row], moves.y[before_row]])
    first[row == 0] = 0.0
    begin, end = first + (last - first) * t0[:, None], first + (last - first) * t1[:, None]
    radius, sweep = np.full(len(row), np.nan), np.full(len(row), np.nan)
    at = np.minimum(np.searchsorted(arcs.row, row), max(len(arcs.row) - 1, 0))
    if len(arcs.row):
        k = np.flatnonzero((arcs.row[at] == row) & (arcs.plane[at] == _XY))
        a = at[k]
        radius[k], sweep[k] = arcs.radius[a], arcs.sweep[a] * (t1[k] - t0[k])
        for points, t in ((begin, t0), (end, t1)):
            angle = arcs.begin[a] + arcs.sweep[a] * t[k]
            points[k, 0] = arcs.cx[a] + arcs.radius[a] * np.cos(angle)
            points[k, 1] = arcs.cy[a] + arcs.radius[a] * np.sin(angle)
        if moved is not None:
            bent = moved.arcs(row[k], t0[k], t1[k])
            radius[k], sweep[k] = bent.radius, bent.sweep
    if moved is not None:
        begin, end = moved.points(row, t0), moved.points(row, t1)
    width = plate.beads.width[row].astype(np.float64)
    width = np.where(width > 0, width, _NO_WIDTH_MM)
    return Strokes(begin, end, width, plate.beads.feature[row], status, radius, sweep)


def _halved(plate: Plate, row: I8, t0: F8, t1: F8, status: U1) -> tuple[I8, F8, F8, U1]:
    """The same with arcs of about a turn or more in pieces of half a turn: their ends alone tell nothing."""
    arcs = plate.program.arcs
    turn = np.zeros(len(plate.program.moves))
    turn[arcs.row] = np.abs(arcs.sweep)
    turn = turn[row] * (t1 - t0)
    parts = np.where(turn > _LARGE_TURN, np.ceil(turn / np.pi - 1e-6), 1).astype(np.int64)
    if np.all(parts == 1):
        return row, t0, t1, status
    nth = np.arange(int(parts.sum())) - np.repeat(np.cumsum(parts) - parts, parts)
    share = np.repeat((t1 - t0) / parts, parts)
    begin = np.repeat(t0, parts) + nth * share
    return np.repeat(row, parts), begin, begin + share, np.repeat(status, parts)


def runs_on(strokes: Strokes) -> Bool:
    """(n,) whether a stroke goes on where the one before ended, alike in all that is drawn of it."""
    on = np.zeros(len(strokes), bool)
    if len(strokes) > 1:
        near = np.abs(strokes.begin[1:] - strokes.end[:-1]).max(axis=1) < _SAME_MM
        alike = (strokes.feature[1:] == strokes.feature[:-1]) & (strokes.status[1:] == strokes.status[:-1])
        on[1:] = near & alike & (np.round(strokes.width[1:], 2) == np.round(strokes.width[:-1], 2))
    return on

"""What a treatment writes into: pieces of moves and the settings wanted for them. Writes no text."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.sparse import Sparse, sparse
from gcodetools.edit.stepped import filled, known_or, step_at, stepped, without
from gcodetools.gcode.arrays import distinct, marked
from gcodetools.gcode.program import ARC, Track
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

if TYPE_CHECKING:
    from gcodetools.edit.moved import Moved

__all__ = [
    "INCH_MM",
    "MIN_PIECE_E_UNITS",
    "MIN_PIECE_MM",
    "Draft",
    "Hold",
    "Rest",
    "Run",
    "cuttable",
    "e_decimals",
    "least_piece_e_mm",
    "pieces_of",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]

MIN_PIECE_MM = 0.5  # a cut nearer to a corner than this is moved to the corner
MIN_PIECE_E_UNITS = 20  # of the file's last E decimal: below, rounding would change the flow by over 2.5 %
MIN_E_DECIMALS = 5
MIN_E_DECIMALS_INCHES = 6
INCH_MM = 25.4
_ROWS = 1 << 14


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch of rows under one nozzle temperature or fan: rows [first, last), what asked for it."""

    setting: str
    first: int
    last: int
    regions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rest:
    """A pause before the first bead of layer index `layer` (into Layers), seconds, and who asked."""

    layer: int
    seconds: float
    region: str


@dataclass(frozen=True, slots=True)
class Run:
    """New moves of ours, before the piece that begins at fraction `t0` of row `row`.

    early : the run stands right behind the row before (its bracket, its feature, its state) rather than right
    before the piece. kind : (n,) uint8, see `edit.moves`. x, y, z : (n,) where each move ends, machine mm.
    e : (n,) filament, mm. feed : (n,) mm/s. width : (n,) of a bead, NaN elsewhere. feature : (n,) index into
    FEATURES, 0 elsewhere. fan : 0 to 1, accel : mm/s2, in the run, NaN as it is; what held before is put back.
    region : who asked, as messages have it.
    """

    row: int
    t0: float
    early: bool
    kind: U1
    x: F8
    y: F8
    z: F8
    e: F8
    feed: F8
    width: F8
    feature: U1
    height_mm: float
    region: str
    fan: float = float("nan")
    accel: float = float("nan")


def e_decimals(plate: Plate) -> int:
    """Decimals to print E with: the most in the file, at least 5; 6 in inches, where a step is as much more."""
    least = MIN_E_DECIMALS_INCHES if _in_inches(plate) else MIN_E_DECIMALS
    return max(plate.program.decimals.get("E", 0), least)


def least_piece_e_mm(plate: Plate) -> float:
    """Filament that a piece of a cut move must carry to be written, mm."""
    step = 10.0 ** -e_decimals(plate) * (INCH_MM if _in_inches(plate) else 1.0)
    return float(MIN_PIECE_E_UNITS * step)


def _in_inches(plate: Plate) -> bool:
    """Whether any move of the file is."""
    inches = plate.program.states.inches
    return bool(np.any(inches.value == 1.0) and np.any(inches.at(plate.program.moves.line) == 1.0))


@dataclass(slots=True)
class Draft:
    """Pieces of the plate's moves and what is wanted for each.

    row, t0, t1 : (p,) every row, or its pieces in order where it is cut; fractions of the path.
    first : (m + 1,) the first piece of each row, and p.
    feed (mm/s), flow (1 = as it is), accel (mm/s2) : (p,) float64, NaN = as the file has it. They are `Sparse` while
    they are written, and `Stepped`, to be read alone, once all is wanted: see `step_columns`. t0 and t1 always are.
    removed : (p,) bool, pieces that are not printed. runs : new moves, in the order of their pieces.
    nozzle_c, fan : (m,) float64 per row, NaN = as the file has it; None while nobody wants any; stepped too.
    base_nozzle_c, base_fan : what holds before the file's first command, NaN if unknown. bed_kept : nozzle and fan
    of first layers are the file's own, even where what comes above them needs time.
    moved : where moves go elsewhere than in the file; None where none does.
    holds, rests : what stands between moves.
    """

    plate: Plate
    row: I4
    t0: F8
    t1: F8
    feed: F8
    flow: F8
    accel: F8
    nozzle_c: F8 | None = None
    fan: F8 | None = None
    base_nozzle_c: float = float("nan")
    base_fan: float = float("nan")
    bed_kept: bool = False
    holds: list[Hold] = field(default_factory=list)
    rests: list[Rest] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    removed: NDArray[np.bool_] | None = None
    moved: Moved | None = None
    first: I4 = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.first = _first_of(self.row)

    @classmethod
    def of(
        cls,
        plate: Plate,
        cut_row: I8 | None = None,
        cut_t: F8 | None = None,
        exact: tuple[I8, F8] | None = None,
    ) -> Draft:
        """A draft that changes nothing, cut at `cut_t` of the rows `cut_row` (see `pieces_of`)."""
        row, t0, t1 = pieces_of(plate, cut_row, cut_t, exact)
        count = len(row)
        return cls(plate, row, t0, t1, sparse(count), sparse(count), sparse(count))

    def remove(self, row: I8, t0: F8, t1: F8) -> None:
        """Print nothing of the pieces whose midpoint lies in one of the stretches (row, t0, t1), sorted by row."""
        if self.removed is None:
            self.removed = np.zeros(len(self.row), bool)
        gone = self._pieces_within(row, t0, t1)
        self.removed[gone] = True
        self.flow[gone] = 0.0

    def run_pieces(self) -> I8:
        """(r,) the piece before which each run stands."""
        row = np.array([run.row for run in self.runs], np.int64)
        t0 = np.array([run.t0 for run in self.runs])
        piece = self.first[row].astype(np.int64)
        inner = np.flatnonzero(t0 > 0)
        if len(inner):
            # Places along all moves end to end; pieces lie far wider apart than rounding.
            place = self.row + self.t0
            at = np.searchsorted(place, row[inner] + t0[inner])
            before = np.maximum(at - 1, 0)
            after = np.minimum(at, len(place) - 1)
            wanted = row[inner] + t0[inner]
            nearer = np.abs(place[before] - wanted) < np.abs(place[after] - wanted)
            piece[inner] = np.where(nearer, before, after)
        return piece

    def join_alike(self) -> None:
        """Join the pieces of a move that want the same: it was cut for a setting that turned out not to differ.

        Indices of pieces from before are of no use afterwards.
        """
        tails = np.flatnonzero(self.row[1:] == self.row[:-1]) + 1
        if len(tails) == 0:
            return
        cut = marked(len(self.row), tails, tails - 1)
        moves = self.plate.program.moves
        rows = self.row[cut]
        own_accel = self.plate.program.states.accel.at(moves.line[rows])
        at = np.searchsorted(cut, tails)
        alike = np.ones(len(tails), bool)
        for column, own in (
            (self.feed, moves.f[rows]),
            (self.flow, np.ones(len(cut))),
            (self.accel, own_accel),
        ):
            wanted = column[cut]
            same = np.flatnonzero(wanted == own)
            if len(same):
                column[cut[same]] = wanted[same] = np.nan
            a, b = wanted[at - 1], wanted[at]
            alike &= (a == b) | (np.isnan(a) & np.isnan(b))
        if self.removed is not None:
            alike &= self.removed[tails - 1] == self.removed[tails]
        if self.runs:  # a run stands between two pieces
            alike &= ~np.isin(tails, self.run_pieces())
        if self.moved is not None:  # where a moved bead turns, two pieces meet
            alike &= ~self.moved.is_knot(self.row[tails], self.t0[tails])
        self._join(tails[alike])

    def _join(self, gone: I8) -> None:
        """Leave out pieces, ascending, each of which goes with the one before it in its row."""
        if len(gone) == 0:
            return
        tails = np.flatnonzero(self.row[1:] == self.row[:-1]) + 1
        left = ~np.isin(tails, gone, assume_unique=True)
        t = self.t0[tails[left]]
        keep = np.ones(len(self.row), bool)
        keep[gone] = False
        self.row = self.row[keep]
        # The piece that stays before others in a row takes the end of the last of them.
        self.t0, self.t1 = _ends(tails[left] - np.searchsorted(gone, tails[left]), t, len(self.row))
        for name in ("feed", "flow", "accel"):
            setattr(self, name, without(_stepped(getattr(self, name)), gone))
        if self.removed is not None:
            self.removed = self.removed[keep]
        self.first = _first_of(self.row)

    def step_columns(self) -> None:
        """Hold what is wanted as steps from here on: it is a tenth of the plain columns, which are let go."""
        for name in ("t0", "t1", "feed", "flow", "accel", "nozzle_c", "fan"):
            column = getattr(self, name)
            if column is not None:
                setattr(self, name, _stepped(column))

    def nozzle_track(self, tool: int) -> Track:
        """Nozzle temperature the file has for `tool`, C, with the base where it leaves the heating to a macro:
        before its first command, and where a command of 0 stands before the first bead."""
        program = self.plate.program
        track = program.states.nozzle.get(tool, Track(np.empty(0, np.int32), np.empty(0)))
        first = _first_bead_line(self.plate)
        left_out = (track.value == 0) & (track.line < first)
        value = np.where(left_out, self.base_nozzle_c, track.value)
        return Track(track.line, value, self.base_nozzle_c if np.isnan(track.initial) else track.initial)

    def length_mm(self, pieces: I8) -> F8:
        """Length of each of `pieces`, mm."""
        length: F8 = self.plate.beads.length_mm[self.row[pieces]] * (self.t1[pieces] - self.t0[pieces])
        return length

    def places(self) -> tuple[F8, F8]:
        """(m,) x and y where each row ends, machine mm: as they will be."""
        moves = self.plate.program.moves
        return (moves.x, moves.y) if self.moved is None else (self.moved.x, self.moved.y)

    def pushed(self, pieces: I8) -> F8:
        """(k,) factor of the filament of `pieces`: what is wanted of their flow, and how much longer they are."""
        flow = known_or(self.flow[pieces], 1.0)
        if self.moved is None:
            return flow
        return flow * self.moved.gains(
            self.row[pieces], self.t0[pieces], self.t1[pieces], self.length_mm(pieces)
        )

    def pushes(self) -> F8:
        """(p,) the same of all pieces, to be read alone."""
        if self.moved is None:
            return filled(self.flow, 1.0)
        factor = known_or(self.flow, 1.0)
        piece = self._moved_pieces()
        factor[piece] = self.pushed(piece)
        return factor

    def _moved_pieces(self) -> I8:
        """Pieces of rows that the fit touches."""
        assert self.moved is not None
        touched = np.zeros(len(self.first) - 1, bool)
        touched[self.moved.touched] = True
        return np.flatnonzero(touched[self.row])

    def pieces_in(self, row: NDArray[np.integer], t0: F8, t1: F8) -> I8:
        """Indices of the pieces whose midpoint lies in one of the stretches (row, t0, t1), sorted by row; none
        that is removed."""
        found = self._pieces_within(row, t0, t1)
        return found if self.removed is None else found[~self.removed[found]]

    def _pieces_within(self, row: NDArray[np.integer], t0: F8, t1: F8) -> I8:
        first = self.first[row]
        count = self.first[row + 1] - first
        # A whole row has its midpoint at a half; those that are cut are looked at piece by piece.
        found = first[(count == 1) & (t0 <= 0.5) & (t1 >= 0.5)]
        cut = np.flatnonzero(count > 1)
        if len(cut):
            first, count = first[cut], count[cut]
            piece = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
            middle = (self.t0[piece] + self.t1[piece]) / 2
            inside = (middle >= np.repeat(t0[cut], count)) & (middle <= np.repeat(t1[cut], count))
            found = np.sort(np.concatenate([found, piece[inside]]), kind="stable")
        odd = self.plate.program.odd
        if len(odd):
            # Lines with characters that belong to no word are never edited.
            found = found[~np.isin(self.plate.program.moves.line[self.row[found]], odd)]
        found = found.astype(np.int64)
        # Stretches of one bead are disjoint, so the pieces ascend; should they not, sort them.
        return distinct(found if np.all(found[1:] >= found[:-1]) else np.sort(found))


def _stepped(column: F8) -> F8:
    """A column to be read alone."""
    one = cast("object", column)
    return one.stepped() if isinstance(one, Sparse) else stepped(column)


def _ends(tails: I8, t: F8, count: int) -> tuple[F8, F8]:
    """(t0, t1) of `count` pieces of which `tails` begin at `t` of their rows, the others with them."""
    return step_at(tails, t, 0.0, count), step_at(tails - 1, t, 1.0, count)


def _first_of(row: I4) -> I4:
    """(m + 1,) the first piece of each row, and how many there are."""
    begins = np.flatnonzero(row[1:] != row[:-1])
    first = np.empty(len(begins) + 2 if len(row) else 1, np.int32)
    first[0], first[-1] = 0, len(row)
    first[1:-1] = begins
    first[1:-1] += 1
    return first


def _first_bead_line(plate: Plate) -> int:
    """The line of a plate's first bead, 0 where it has none; asked for often, and near the beginning."""
    feature = plate.beads.feature
    for low in range(0, len(feature), _ROWS):
        found = np.flatnonzero(feature[low : low + _ROWS])
        if len(found):
            return int(plate.moves.line[low + found[0]])
    return 0


def pieces_of(
    plate: Plate, cut_row: I8 | None, cut_t: F8 | None, exact: tuple[I8, F8] | None = None
) -> tuple[I4, F8, F8]:
    """Rows and their pieces (row, t0, t1), in order.

    A cut within 0.5 mm of an end of its move, or of the cut before it, is dropped, and so is one that would
    leave a piece with less filament than 20 units of the file's last E decimal. Cuts `exact` (row, t) stand
    whatever they leave: what lies beyond them is removed.
    """
    count = len(plate.program.moves)
    none = np.empty(0, np.int64), np.empty(0)
    given = none if cut_row is None or cut_t is None else (np.asarray(cut_row, np.int64), cut_t)
    sure = none if exact is None else exact
    if len(given[0]) == 0 and len(sure[0]) == 0:
        return np.arange(count, dtype=np.int32), *_ends(none[0], none[1], count)
    rows, t = _worth_it(plate, np.concatenate([given[0], sure[0]]), np.concatenate([given[1], sure[1]]),
                        np.arange(len(given[0]) + len(sure[0])) >= len(given[0]))  # fmt: skip
    # The first piece of a row keeps t0 = 0, each further one begins at a cut.
    at = rows + np.arange(1, len(rows) + 1)
    row = np.arange(count + len(rows), dtype=np.int32)
    row -= np.repeat(np.arange(len(rows) + 1, dtype=np.int32), np.diff(at, prepend=0, append=len(row)))
    return row, *_ends(at, t, len(row))


def _worth_it(plate: Plate, rows: I8, t: F8, sure: NDArray[np.bool_]) -> tuple[I8, F8]:
    """The cuts that stand, sorted; those marked `sure` always do."""
    order = np.lexsort((~sure, t, rows))
    rows, t, sure = rows[order], t[order], sure[order]
    length = plate.beads.length_mm[rows]
    keep = (t * length >= MIN_PIECE_MM) & ((1 - t) * length >= MIN_PIECE_MM)
    keep &= _splittable(plate, rows)
    keep |= sure
    rows, t, sure = rows[keep], t[keep], sure[keep]
    smallest_e = least_piece_e_mm(plate)
    while True:
        length, e = plate.beads.length_mm[rows], plate.program.moves.e[rows]
        same_before = np.diff(rows, prepend=-1) == 0
        before = np.where(same_before, np.concatenate([[0.0], t[:-1]]), 0.0)
        same_after = np.diff(rows, append=-1) == 0
        after = np.where(same_after, np.concatenate([t[1:], [1.0]]), 1.0)
        short = (t - before) * length < MIN_PIECE_MM
        # A cut that would stand right before a sure one gives way to it.
        short |= np.append(sure[1:], False) & ((after - t) * length < MIN_PIECE_MM)
        starved = ((t - before) * e < smallest_e) | ((after - t) * e < smallest_e)
        bad = (short | starved) & ~sure
        # Of a chain of cuts that crowd each other the first goes on standing.
        bad &= ~(np.concatenate([[False], bad[:-1]]) & same_before)
        if not np.any(bad):
            return rows, t
        rows, t, sure = rows[~bad], t[~bad], sure[~bad]


def _splittable(plate: Plate, rows: I8) -> NDArray[np.bool_]:
    """Rows whose path can be written as several: absolute coordinates, arcs in XY of one turn at most."""
    program = plate.program
    ok: NDArray[np.bool_] = program.states.xyz_relative.at(program.moves.line[rows]) == 0
    arc = (program.moves.kind[rows] & ARC) != 0
    if np.any(arc):
        where = np.searchsorted(program.arcs.row, rows[arc])
        plain = np.abs(program.arcs.sweep[where]) <= 2 * np.pi + 1e-9
        ok[arc] &= (program.arcs.plane[where] == 17) & plain
    return ok


def cuttable(plate: Plate, rows: NDArray[np.integer], outermost: bool) -> NDArray[np.bool_]:
    """Which rows may be cut: beads, the outermost perimeter only if asked, arcs in XY of one turn."""
    feature = plate.beads.feature[rows]
    ok: NDArray[np.bool_] = feature != 0
    if not outermost:
        ok &= feature != FEATURE_INDEX["outermost"]
    return ok & _splittable(plate, np.asarray(rows, np.int64))

"""Nozzle and fan over a print's time, commanded and as they followed, in as many points as a picture needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.strength.got import Got
from gcodetools.toolpath.plate import Plate

__all__ = ["Course", "course_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_BUCKETS = 800


@dataclass(frozen=True, slots=True)
class Course:
    """Columns (n,) in the order of printing: t_s since the file's begin, told_c and reached_c of the nozzle that
    prints (NaN where nobody knows), fan_told and fan 0 to 1, layer of the plate from 0 (-1 before the first), tool.
    thinned : points for each one kept."""

    t_s: F8
    told_c: F8
    reached_c: F8
    fan_told: F8
    fan: F8
    layer: I8
    tool: I8
    thinned: float


def course_of(plate: Plate, got: Got) -> Course:
    """The course of a plate. Of each of 800 stretches of time the first, lowest and highest points are kept."""
    row = got.row
    fan_told = np.nan_to_num(plate.program.states.fan.at(plate.moves.line[row]))
    kept = _kept(got.begin_s[row], (got.told_c, got.nozzle_c, fan_told, got.fan))
    row = row[kept]
    return Course(
        t_s=got.begin_s[row],
        told_c=got.told_c[kept],
        reached_c=got.nozzle_c[kept],
        fan_told=fan_told[kept],
        fan=got.fan[kept],
        layer=plate.beads.layer[row].astype(np.int64),
        tool=plate.moves.tool[row].astype(np.int64),
        thinned=len(got.row) / max(len(kept), 1),
    )


def _kept(t_s: F8, columns: tuple[F8, ...]) -> I8:
    if len(t_s) <= 2 * _BUCKETS:
        return np.arange(len(t_s))
    bucket = np.floor((t_s - t_s[0]) / max(float(t_s[-1] - t_s[0]), 1e-9) * _BUCKETS).astype(np.int64)
    ends = np.append(np.flatnonzero(np.diff(bucket, prepend=-1)), len(t_s))
    kept = [ends[:-1], np.array([len(t_s) - 1])]
    for column in columns:
        order = np.lexsort((np.nan_to_num(column), bucket))
        kept += [order[ends[:-1]], order[ends[1:] - 1]]
    return np.unique(np.concatenate(kept))

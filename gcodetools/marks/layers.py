"""Layer marks: their lines, and the z, thickness and raft that they or the comments behind them tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.marks.conventions import Convention
from gcodetools.marks.sifter import Sifter
from gcodetools.records import dataclass

__all__ = ["LayerMarks", "find_layer_marks"]

I4 = NDArray[np.int32]
F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LayerMarks:
    """line : (k,) int32 ascending. z, height : (k,) mm, NaN where nothing names them. raft : (k,) bool."""

    line: I4
    z: F8
    height: F8
    raft: Bool


def find_layer_marks(sifter: Sifter, table: Convention, height: tuple[I4, F8]) -> LayerMarks:
    """Layer marks of a file.

    Parameters
    ----------
    height : lines and mm of the comments that state a thickness; the first in a layer is the layer's.
    """
    if table.layer is None:
        none = np.empty(0)
        return LayerMarks(none.astype(np.int32), none, none, none.astype(bool))
    line, z, raft = _marks(sifter, table.layer)
    if table.z is not None:
        z = _first_within(line, *sifter.numbers(table.z), z)
    if table.raft_end is not None:
        end = sifter.lines_like(table.raft_end)
        raft |= line < (end[0] if len(end) else -1)
    if table.layer_repeats and len(line):
        new = np.concatenate([[True], np.diff(z) != 0])
        line, z, raft = line[new], z[new], raft[new]
    return LayerMarks(line, z, _first_within(line, *height, np.full(len(line), np.nan)), raft)


def _marks(sifter: Sifter, pattern: str) -> tuple[I4, F8, Bool]:
    """Lines, z and raft by the mark itself: a negative number is a raft's."""
    if "(?P<" not in pattern:
        line = sifter.lines_like(pattern)
        return line, np.full(len(line), np.nan), np.zeros(len(line), bool)
    found = [(line, match.groupdict()) for line, match in sifter.matches(pattern)]
    z = [float(groups.get("z") or "nan") for _, groups in found]
    raft = [int(groups.get("number") or 0) < 0 for _, groups in found]
    return np.array([line for line, _ in found], np.int32), np.array(z, np.float64), np.array(raft, bool)


def _first_within(layer_line: I4, line: I4, value: F8, default: F8) -> F8:
    """The first of `value` behind each layer mark and before the next."""
    if len(line) == 0 or len(layer_line) == 0:
        return default
    first = np.searchsorted(line, layer_line)
    stop = np.append(layer_line[1:], np.iinfo(np.int32).max)
    at = np.minimum(first, len(line) - 1)
    inside = (first < len(line)) & (line[at] < stop)
    return np.where(inside, value[at], default)

"""A column of numbers of which many follow one another alike, held as its steps.

A plate has millions of pieces; what a treatment wants of them changes at the edges of regions alone.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import NDArray

__all__ = ["Stepped", "filled", "known_or", "step_at", "stepped", "steps_of", "without"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]

_LEAST_RUN = 4  # entries a step; with fewer the plain column is hardly larger, and faster


class Stepped(NDArrayOperatorsMixin):
    """(n,) float64 to read, as an array is read: by index, slice or mask, in comparisons and sums.

    first : (s,) int32 ascending from 0, where each step begins. value : (s,) of its entries. Where only numbers are
    put against it, a function is worked out once a step; anything else sees the plain array.
    """

    __slots__ = ("_count", "first", "value")

    def __init__(self, first: I4, value: F8, count: int) -> None:
        self.first, self.value, self._count = first, value, count

    def __len__(self) -> int:
        return self._count

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return self.spread(self.value).astype(dtype or np.float64, copy=False)

    def copy(self) -> F8:
        """The plain array."""
        return self.spread(self.value)

    def spread(self, value: NDArray[Any]) -> NDArray[Any]:
        """(n,) of something that is worked out a step."""
        return np.repeat(value, np.diff(self.first, append=np.int32(self._count)))

    def __getitem__(self, at: Any) -> Any:
        if isinstance(at, slice):
            begin, end, step = at.indices(self._count)
            if step != 1:
                return self[np.arange(begin, end, step)]
            low = int(np.searchsorted(self.first, np.int32(begin), side="right")) - 1
            high = int(np.searchsorted(self.first, np.int32(end)))
            edges = np.clip(np.append(self.first[low:high], end), begin, end)
            return np.repeat(self.value[low:high], np.diff(edges))
        index = np.asarray(at)
        if index.dtype == bool:
            index = np.flatnonzero(index)
        return self._found(index)

    def _found(self, at: NDArray[np.integer]) -> Any:
        """Entries at some places."""
        if at.ndim == 1 and len(at) > 1 and np.all(at[1:] >= at[:-1]) and at[0] >= 0:
            self._check(at[-1:])
            # Looked up as whole numbers of the steps' own size, so that these are not all turned into others.
            low, high = np.searchsorted(self.first, at[[0, -1]].astype(np.int32), side="right") - 1
            if high - low < len(at):
                # Ascending places lie in fewer steps than they are: the steps are looked up among them.
                inner = np.searchsorted(at, self.first[low + 1 : high + 1].astype(at.dtype))
                return np.repeat(self.value[low : high + 1], np.diff(inner, prepend=0, append=len(at)))
        self._check(at)
        at = np.where(at < 0, at + self._count, at)
        return self.value[np.searchsorted(self.first, at.astype(np.int32), side="right") - 1]

    def _check(self, at: NDArray[np.integer]) -> None:
        if np.any((at >= self._count) | (at < -self._count)):
            raise IndexError(f"a place beyond the {self._count} entries of the column")

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *given: Any, **options: Any) -> Any:
        if any(isinstance(one, Stepped) for one in options.get("out", ())):
            return NotImplemented  # a column is read alone
        mine = [one for one in given if isinstance(one, Stepped)]
        plain = [one for one in given if not isinstance(one, Stepped) and np.ndim(one) == 0]
        if method == "__call__" and not options and len(mine) == 1 and len(plain) + 1 == len(given):
            found = ufunc(*(one.value if isinstance(one, Stepped) else one for one in given))
            return self.spread(found) if isinstance(found, np.ndarray) else NotImplemented
        return getattr(ufunc, method)(
            *(np.asarray(one) if isinstance(one, Stepped) else one for one in given), **options
        )


def stepped(column: F8) -> F8:
    """A column as its steps, if that is smaller; unknown entries are alike. Its type is told as the array's that it
    reads like."""
    if isinstance(cast("object", column), Stepped):
        return column
    bits = np.ascontiguousarray(column).view(np.int64)
    begins = np.flatnonzero(bits[1:] != bits[:-1])
    if len(column) == 0 or len(column) < _LEAST_RUN * (len(begins) + 1):
        return column
    first = np.empty(len(begins) + 1, np.int32)
    first[0] = 0
    np.add(begins, 1, out=first[1:], casting="same_kind")
    return cast("F8", Stepped(first, column[first], len(column)))


def steps_of(column: F8) -> I8:
    """Where a column differs from the entry before; what is unknown is alike."""
    one = cast("object", column)
    values = one.value if isinstance(one, Stepped) else np.ascontiguousarray(column)
    bits = values.view(np.int64)
    at = np.flatnonzero(bits[1:] != bits[:-1]) + 1
    return one.first[at].astype(np.int64) if isinstance(one, Stepped) else at


def step_at(places: I8, values: F8, other: float, count: int) -> F8:
    """A column of `count` entries that has `values` at ascending `places`, each once, and `other` elsewhere; as its
    steps, if that is smaller."""
    first, value = np.empty(2 * len(places), np.int64), np.full(2 * len(places), other)
    first[::2], first[1::2], value[::2] = places, places + 1, values
    begins = np.ones(
        len(first), bool
    )  # behind a place the others go on, unless another place follows or nothing
    begins[1:-1:2] = first[1:-1:2] != first[2::2]
    begins[-1:] = first[-1:] < count
    if len(places) == 0 or places[0] > 0:
        first, value, begins = (np.append(a, b) for a, b in ((0, first), (other, value), (True, begins)))
    first, value = first[begins], value[begins]
    if count < _LEAST_RUN * len(first):
        return np.repeat(value, np.diff(first, append=count)) if count else np.empty(0)
    return cast("F8", Stepped(first.astype(np.int32), value, count))


def without(column: F8, gone: I8) -> F8:
    """A column without the entries `gone`, ascending, each once."""
    one = cast("object", column)
    if not isinstance(one, Stepped):
        return np.delete(column, gone)
    first = one.first - np.searchsorted(gone, one.first).astype(np.int32)
    count = len(one) - len(gone)
    stays = np.diff(first, append=np.int32(count)) > 0
    return cast("F8", Stepped(first[stays], one.value[stays], count))


def filled(column: F8, default: float) -> F8:
    """A column with `default` in place of what is unknown, held as it was."""
    one = cast("object", column)
    if isinstance(one, Stepped):
        return cast("F8", Stepped(one.first, known_or(one.value, default), len(one)))
    return known_or(column, default)


def known_or(column: F8, default: float) -> F8:
    """The plain array with `default` in place of what is unknown."""
    one = cast("object", column)
    if isinstance(one, Stepped):
        return one.spread(known_or(one.value, default))
    return np.where(np.isnan(column), default, column)

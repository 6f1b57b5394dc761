"""A column of numbers that are mostly unknown, while it is written: what is put into it, and where."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import NDArray

from gcodetools.edit.stepped import stepped

__all__ = ["Sparse", "sparse", "unknown"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]


class Sparse(NDArrayOperatorsMixin):
    """(n,) float64, NaN but where something was put; read and written as an array is, though each reading but
    `unknown` costs as much as the plain array, which is made for it.

    What is put at last counts. Once half of the column was put, the plain array is kept.
    """

    __slots__ = ("_count", "_entries", "_known", "_plain", "_put")

    def __init__(self, count: int) -> None:
        self._count, self._entries = count, 0
        self._known: Bool | None = None
        self._plain: F8 | None = None
        self._put: list[tuple[I4, F8]] = []

    def __len__(self) -> int:
        return self._count

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return self.copy().astype(dtype or np.float64, copy=False)

    def copy(self) -> F8:
        """The plain array."""
        if self._plain is not None:
            return self._plain.copy()
        plain = np.full(self._count, np.nan)
        for at, value in self._put:
            plain[at] = value
        return plain

    def __getitem__(self, at: Any) -> Any:
        return (self.copy() if self._plain is None else self._plain)[at]

    def __setitem__(self, at: Any, value: Any) -> None:
        if self._plain is not None:
            self._plain[at] = value
            return
        index = np.asarray(at) if not isinstance(at, slice) else np.arange(self._count, dtype=np.int32)[at]
        if index.dtype == bool:
            if index.shape != (self._count,):
                raise IndexError(f"a mask of {index.size} for {self._count} entries")
            index = np.flatnonzero(index)
        if np.any((index < -self._count) | (index >= self._count)):
            raise IndexError(f"a place outside {self._count} entries")
        index = np.where(index < 0, index + self._count, index).astype(np.int32)
        values = np.broadcast_to(np.asarray(value, np.float64), index.shape).copy()
        if self._known is None:
            self._known = np.zeros(self._count, bool)
        self._known[index] = ~np.isnan(values)
        self._put.append((index, values))
        self._entries += index.size
        if 2 * self._entries > self._count:
            self._plain = self.copy()
            self._put, self._known = [], None

    def unknown(self, at: NDArray[np.integer]) -> Bool:
        """Which of some places hold nothing."""
        if self._plain is not None:
            return np.asarray(np.isnan(self._plain[at]))
        return np.ones(len(at), bool) if self._known is None else np.asarray(~self._known[at])

    def stepped(self) -> F8:
        """The column as its steps; see `stepped`."""
        return stepped(self.copy() if self._plain is None else self._plain)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *given: Any, **options: Any) -> Any:
        if any(isinstance(one, Sparse) for one in options.get("out", ())):
            return NotImplemented  # written by places alone
        return getattr(ufunc, method)(
            *(np.asarray(one) if isinstance(one, Sparse) else one for one in given), **options
        )


def sparse(count: int) -> F8:
    """A column of which nothing is known. Its type is told as the array's that it reads and is written like."""
    return cast("F8", Sparse(count))


def unknown(column: F8, at: NDArray[np.integer]) -> Bool:
    """Which of some places of a column, plain or not, hold nothing."""
    one = cast("object", column)
    return one.unknown(at) if isinstance(one, Sparse) else np.isnan(column[at])

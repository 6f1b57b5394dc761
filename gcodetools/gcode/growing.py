"""Columns that grow block by block, so that a large text's blocks and its whole columns never stand side by side."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Growing", "in_turn"]

T = TypeVar("T")
R = TypeVar("R")
_SPARE, _LEAST = 1.02, 1024  # room above what the share read so far lets expect
_GROWTH = 1.25  # where that fell short


class Growing:
    """A column that parts are put behind of, in one stretch of memory.

    Room is made for as many values as the part of the text that was read lets expect of the whole, and cut to size
    in the end: memory that is asked for but not yet written to costs nothing.
    """

    def __init__(self, dtype: type[np.generic]) -> None:
        self._values: NDArray[Any] = np.empty(0, dtype)
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, part: NDArray[Any], share: float, shift: int = 0) -> None:
        """Put `part` behind, with `shift` added. share : how much of the text is read with it, 0 to 1."""
        count = self._count + len(part)
        if count > len(self._values):
            self._make_room(max(count, int(count / share * _SPARE) + _LEAST))
        mine = self._values[self._count : count]
        np.add(part, shift, out=mine, casting="same_kind") if shift else np.copyto(mine, part)
        self._count = count

    def _make_room(self, count: int) -> None:
        if self._count == 0:
            self._values = np.empty(count, self._values.dtype)
        else:
            # Nobody else has seen the array, so that it may move.
            self._values.resize(max(count, int(_GROWTH * len(self._values))), refcheck=False)

    def done(self) -> NDArray[Any]:
        """The whole column; nothing can be added any more."""
        values, self._values = self._values, np.empty(0, self._values.dtype)
        values.resize(self._count, refcheck=False)
        return values


def in_turn(pool: Executor, function: Callable[[T], R], items: Iterable[T], ahead: int) -> Iterator[R]:
    """Results in order, never more than `ahead` of them under way: what waits to be fetched takes memory."""
    waiting: deque[Future[R]] = deque()
    for item in items:
        if len(waiting) == ahead:
            yield waiting.popleft().result()
        waiting.append(pool.submit(function, item))
    while waiting:
        yield waiting.popleft().result()

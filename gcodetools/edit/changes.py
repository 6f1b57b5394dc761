"""Declared changes: in which lines which fields may differ, and why. Columns, since a plate has many."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Change", "Changes"]

I8 = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Change:
    """Lines [first, last] (0-based, of the original) in which `fields` may differ, and why."""

    first: int
    last: int
    fields: tuple[str, ...]
    why: str


class Changes:
    """All changes of a treated file, in the order of their lines once it is read.

    Blocks of spans share their fields and reason: (first lines, last lines, fields, why).
    """

    def __init__(self) -> None:
        self._blocks: list[tuple[I8, I8, tuple[str, ...], str]] = []

    def add(self, first: I8, last: I8, fields: tuple[str, ...], why: str) -> None:
        """Declare spans of lines, both ends inclusive."""
        if len(first):
            self._blocks.append((np.asarray(first, np.int64), np.asarray(last, np.int64), fields, why))

    def __len__(self) -> int:
        return sum(len(first) for first, *_ in self._blocks)

    def __iter__(self) -> Iterator[Change]:
        spans = (
            Change(a, b, fields, why)
            for first, last, fields, why in self._blocks
            for a, b in zip(first.tolist(), last.tolist(), strict=True)
        )
        return iter(sorted(spans, key=lambda change: (change.first, change.last)))

    def spans(self, field: str) -> tuple[I8, I8]:
        """First and last lines of all spans that declare a field."""
        return self._spans([block for block in self._blocks if field in block[2]])

    def because(self, why: str) -> tuple[I8, I8]:
        """First and last lines of all spans whose reason begins so, ascending."""
        first, last = self._spans([block for block in self._blocks if block[3].startswith(why)])
        order = np.argsort(first, kind="stable")
        return first[order], last[order]

    def local(self) -> tuple[I8, I8]:
        """Spans of all but the holds of nozzle and fan, which reach over whole layers."""
        return self._spans([block for block in self._blocks if not set(block[2]) <= {"nozzle", "fan"}])

    def _spans(self, blocks: list[tuple[I8, I8, tuple[str, ...], str]]) -> tuple[I8, I8]:
        none = np.empty(0, np.int64)
        first = np.concatenate([none, *(block[0] for block in blocks)])
        return first, np.concatenate([none, *(block[1] for block in blocks)])

    def without(self, field: str) -> Changes:
        """The same without what declares a field."""
        rest = Changes()
        rest._blocks = [block for block in self._blocks if field not in block[2]]
        return rest

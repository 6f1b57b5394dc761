"""What was worked out of a plate, kept for as long as the plate lives."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar
from weakref import ref

import numpy as np
from numpy.typing import NDArray

from gcodetools.toolpath.plate import Plate

__all__ = ["Remembered"]

F8 = NDArray[np.float64]
T = TypeVar("T")


class Remembered(Generic[T]):
    """What was worked out of each plate, for as long as the plate lives."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[ref[F8], T]] = {}

    def of(self, plate: Plate, make: Callable[[], T]) -> T:
        """The plate's own, made where there is none."""
        # A plate can't be referred to weakly, its columns can.
        column = plate.beads.length_mm
        key = id(column)
        found = self._known.get(key)
        if found is None or found[0]() is not column:
            found = (ref(column, lambda _: self._known.pop(key, None)), make())
            self._known[key] = found
        return found[1]

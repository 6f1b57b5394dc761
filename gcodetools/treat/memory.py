"""Remembers what was worked out for geometry that is alike: a plate has hundreds of like layers."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import replace
from functools import wraps
from typing import ParamSpec, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.toolpath.strands import Strand

__all__ = ["moved", "remembered", "shifted"]

_PLACES = 6  # of mm

P = ParamSpec("P")
G = TypeVar("G", bound=shapely.Geometry)
R = TypeVar("R")


def _key(value: object) -> Hashable:
    """What tells two arguments apart: geometry by its coordinates, strands by their points."""
    if isinstance(value, shapely.Geometry):
        return bytes(shapely.to_wkb(value))
    if isinstance(value, Strand):
        return value.points.tobytes(), value.breadth.tobytes(), value.closed, value.loop
    if isinstance(value, np.ndarray):
        return value.tobytes(), value.shape, value.dtype.str
    if isinstance(value, (list, tuple)):
        return tuple(_key(item) for item in value)
    own = getattr(value, "key", None)
    if callable(own):
        return _keys(own())
    if not isinstance(value, Hashable):
        raise TypeError(f"no key for {value!r}")
    return value


def moved(strands: Iterable[Strand], by: NDArray[np.float64]) -> list[Strand]:
    """Strands somewhere else."""
    return [replace(strand, points=strand.points + by) for strand in strands]


def shifted(geometry: G, by: NDArray[np.float64]) -> G:
    """Geometry somewhere else, rounded so that like things in other places become the very same."""
    there: G = shapely.transform(geometry, lambda xy: np.round(xy + by, _PLACES))
    return there


def _keys(values: Iterable[object]) -> Hashable:
    return tuple(_key(value) for value in values)


def remembered(most: int) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Keep the last `most` results of a function of geometry; a result must not be changed afterwards."""

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        known: OrderedDict[Hashable, R] = OrderedDict()

        @wraps(function)
        def call(*args: P.args, **kwargs: P.kwargs) -> R:
            key = _keys((*args, *sorted(kwargs.items())))
            if key in known:
                known.move_to_end(key)
                return known[key]
            result = function(*args, **kwargs)
            known[key] = result
            if len(known) > most:
                known.popitem(last=False)
            return result

        return call

    return decorate

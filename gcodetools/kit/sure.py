"""Which straight paths surely lie inside a solid or outside it, by their ends alone: most do, and are not looked at.

What is told here is told with a margin far above any rounding; the paths in between are for the exact geometry.
"""

from __future__ import annotations

from math import cos, hypot, inf, sin

import numpy as np
from numpy.typing import NDArray

from gcodetools.kit.paths import Boxes
from gcodetools.records import dataclass

__all__ = ["Sure", "beside", "between", "left_of", "nearer_than"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ends = NDArray[np.floating | np.integer]

_MARGIN_MM = 1e-6  # a face's slack is a thousandth of it, rounding on a bed of metres a millionth


@dataclass(frozen=True, slots=True)
class Sure:
    """inside, outside : (n,) straight paths that surely lie in a solid, or out of it, from end to end. What is said of
    arcs means nothing."""

    inside: Bool
    outside: Bool

    def __and__(self, other: Sure) -> Sure:
        return Sure(self.inside & other.inside, self.outside | other.outside)

    def __or__(self, other: Sure) -> Sure:
        return Sure(self.inside | other.inside, self.outside & other.outside)

    def __invert__(self) -> Sure:
        return Sure(self.outside, self.inside)

    @classmethod
    def all_inside(cls, count: int) -> Sure:
        """Of a solid without bounds."""
        return cls(np.ones(count, bool), np.zeros(count, bool))


def between(least: Ends, most: Ends, low: float, high: float) -> Sure:
    """Of what lies from `low` to `high`, by the least and the most that is reached on each path."""
    if low == -inf:
        return Sure(most < high - _MARGIN_MM, least > high + _MARGIN_MM)
    above = Sure(least > low + _MARGIN_MM, most < low - _MARGIN_MM)
    return above if high == inf else above & between(least, most, -inf, high)


def beside(boxes: Boxes, low: F8, high: F8) -> Sure:
    """Of any solid in the box (4,) `low` to `high`: what lies beside that is outside."""
    outside = np.ones(len(boxes.paths), bool)
    outside[boxes.touching(low - _MARGIN_MM, high + _MARGIN_MM)] = False
    return Sure(np.zeros(len(outside), bool), outside)


def left_of(boxes: Boxes, centre: tuple[float, float], angle: float) -> Sure:
    """Of the half to the left of an upright plane through `centre` that runs towards `angle`, radians."""
    c, s = cos(angle), sin(angle)
    ends = [points[:, 1] * c - points[:, 0] * s for points in (boxes.paths.p0, boxes.paths.p1)]
    return between(np.minimum(*ends), np.maximum(*ends), centre[1] * c - centre[0] * s, inf)


def nearer_than(boxes: Boxes, centre: tuple[float, ...], radius: float) -> Sure:
    """Of a standing cylinder (two coordinates) or a ball (three)."""
    count = len(boxes.paths)
    if count == 0:
        return Sure.all_inside(0)
    ends = [boxes.along(axis) for axis in range(len(centre))]
    far = [
        max(float(most.max()) - at, at - float(least.min()))
        for at, (least, most) in zip(centre, ends, strict=True)
    ]
    if hypot(*far) < radius - _MARGIN_MM:
        return Sure.all_inside(count)
    bounds = np.full(4, -inf), np.full(4, inf)
    bounds[0][: len(centre)], bounds[1][: len(centre)] = np.array(centre) - radius, np.array(centre) + radius
    outside = beside(boxes, *bounds).outside
    squares = [np.zeros(count), np.zeros(count)]
    for axis, at in enumerate(centre):
        for square, points in zip(squares, (boxes.paths.p0, boxes.paths.p1), strict=True):
            away = points[:, axis] - at
            away *= away
            square += away
    return Sure(np.maximum(*squares) < max(radius - _MARGIN_MM, 0.0) ** 2, outside)

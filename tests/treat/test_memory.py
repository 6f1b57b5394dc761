"""What is remembered, by what two arguments are told apart, and what is forgotten first."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Point, box

from gcodetools.toolpath.strands import Strand
from gcodetools.treat.memory import moved, remembered, shifted


def counted(most=8):
    """A remembered function that counts its calls."""
    calls = []

    @remembered(most)
    def tell(*args: object, **more: object) -> object:
        """Told."""
        calls.append(args)
        return object()

    return tell, calls


def strand(x=0.0, breadth=0.4, closed=True, loop=1):
    return Strand(np.array([(x, 0.0), (1, 0), (1, 1)]), np.full(3, breadth), closed, loop)


class Own:
    def __init__(self, *values: object) -> None:
        self.values = values

    def key(self) -> tuple[object, ...]:
        return self.values


SAME = [
    (box(0, 0, 1, 1), box(0, 0, 1, 1)),
    (strand(), strand()),
    ([strand(), strand(2.0)], [strand(), strand(2.0)]),
    (np.arange(6.0), np.arange(6.0)),
    ((1, (2.0, "a")), (1, (2.0, "a"))),
    (Own(box(0, 0, 1, 1), 3), Own(box(0, 0, 1, 1), 3)),
]
OTHER = [
    (box(0, 0, 1, 1), box(0, 0, 1, 1.0000001)),
    (strand(), strand(1e-9)),
    (strand(), strand(breadth=0.41)),
    (strand(), strand(closed=False)),
    (strand(), strand(loop=2)),
    ([strand(), strand(2.0)], [strand(2.0), strand()]),
    (np.arange(6.0), np.arange(6.0).reshape(2, 3)),
    (np.zeros(2), np.zeros(2, np.int64)),
    (np.array([1, 2], np.int64), np.array([1, 2], np.int64).view(np.float64)),
    (1.0, 2.0),
    (Own(1, strand()), Own(1, strand(0.5))),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_what_is_alike_is_worked_out_once(one, other):
    tell, calls = counted()
    assert tell(one) is tell(other) and len(calls) == 1


@pytest.mark.parametrize(("one", "other"), OTHER)
def test_what_differs_is_worked_out_anew(one, other):
    tell, calls = counted()
    assert tell(one) is not tell(other) and len(calls) == 2


def test_named_arguments_count_whatever_their_order():
    tell, calls = counted()
    assert tell(1, a=2, b=strand()) is tell(1, b=strand(), a=2)
    assert tell(1, a=3, b=strand()) is not tell(1, a=2, b=strand()) and len(calls) == 2


def test_what_was_not_asked_for_the_longest_is_forgotten_first():
    tell, calls = counted(2)
    tell(1.0), tell(2.0), tell(1.0), tell(3.0)
    assert len(calls) == 3
    tell(1.0)
    assert len(calls) == 3
    tell(2.0)
    assert len(calls) == 4


def test_two_functions_share_nothing():
    one, other = counted()[0], counted()[0]
    assert one(1) is not other(1)


def test_what_can_not_be_told_apart_is_refused():
    tell, calls = counted()
    with pytest.raises(TypeError, match="no key"):
        tell({"a": 1})
    assert not calls


def test_it_keeps_its_name():
    tell, _ = counted()
    assert tell.__name__ == "tell" and tell.__doc__ == "Told."


def test_strands_somewhere_else_are_others_of_the_same_breadth():
    one = strand()
    (there,) = moved([one], np.array([3.0, -1.0]))
    assert there.points.tolist() == [[3, -1], [4, -1], [4, 0]] and one.points[0].tolist() == [0, 0]
    assert there.breadth is one.breadth and (there.closed, there.loop) == (True, 1)


def test_like_geometry_from_elsewhere_is_the_very_same():
    by = np.array([123.456, -7.89])
    there = shapely.transform(Point(0, 0).buffer(3), lambda xy: xy + by)
    here = shifted(there, -by)
    assert here.wkb == shifted(Point(0, 0).buffer(3), np.zeros(2)).wkb
    assert here.wkb != shapely.transform(there, lambda xy: xy - by).wkb  # unrounded it would not be

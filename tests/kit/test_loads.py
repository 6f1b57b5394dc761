"""Load cases and use: what is taken, and that numbers no part can have are refused."""

import math
from typing import Any

import pytest
from msgspec import Struct

from gcodetools.documents import yaml
from gcodetools.documents.fields import read
from gcodetools.errors import InputError
from gcodetools.kit.loads import Annular, Cantilever, Key, Load, OpenRing, Press, Use


class Holder(Struct, frozen=True):
    load: Load | None = None
    use: Use | None = None


GOOD: dict[str, dict[str, Any]] = {
    "open_ring": {"bore": 16, "gap": 100, "onto": 16, "wall": 2.4, "height": 30},
    "cantilever": {"length": 19, "thickness": 3.28, "width": 9.5, "undercut": 2.4, "tip": 1.64, "lead": 30},
    "annular": {"diameter": 8, "outer": 12, "undercut": 0.3},
    "press": {"diameter": 8, "interference": 0.1, "outer": 16, "length": 10},
    "key": {"width": 6, "squeeze": 0.05, "height": 4, "length": 12, "taper": 5},
}


def holder(text):
    return read(yaml.load(text.encode(), "k"), Holder, "k")


def load(kind, **changes):
    numbers = {**GOOD[kind], **changes}
    body = ", ".join(f"{key}: {value}" for key, value in numbers.items())
    return holder(f"load: {{{kind}: {{{body}}}}}").load


@pytest.mark.parametrize(
    ("kind", "struct"),
    list(zip(GOOD, [OpenRing, Cantilever, Annular, Press, Key], strict=True)),
)
def test_each_load_is_its_own_type(kind, struct):
    assert type(load(kind)) is struct


def test_open_ring_of_a_16_mm_tube_has_the_mouth_of_its_chord():
    # The chord under an angle g of a circle of diameter d is d sin(g / 2).
    ring = load("open_ring")
    assert math.isclose(ring.bore_mm * math.sin(math.radians(ring.gap_deg / 2)), 12.26, abs_tol=0.005)
    assert (ring.tilt_deg, ring.friction) == (0.0, 0.3)


@pytest.mark.parametrize("kind", ["open_ring", "cantilever"])
def test_how_it_is_printed_may_be_said(kind):
    assert load(kind).printed is None
    assert load(kind, printed="standing").printed == "standing"
    assert load(kind, printed="lying").printed == "lying"


def test_fillet_of_a_root_may_be_said():
    assert load("cantilever").fillet_mm is None
    assert load("cantilever", fillet=0.8).fillet_mm == 0.8


@pytest.mark.parametrize(
    ("kind", "changes", "where"),
    [
        (kind, {key: value}, f"load.{kind}.{key}")
        for kind, numbers in GOOD.items()
        for key in numbers
        for value in (-1, "2mm")
    ]
    + [
        ("open_ring", {"gap": 360.5}, "gap"),
        ("open_ring", {"tilt": 90}, "tilt"),
        ("open_ring", {"printed": "upright"}, "printed: found 'upright', expected one of lying, standing"),
        ("cantilever", {"printed": 1}, "printed"),
        ("cantilever", {"fillet": -0.1}, "fillet"),
        ("open_ring", {"friction": 2}, "friction"),
        ("cantilever", {"tip": 4}, "tip: found 4, expected at most the root's thickness, 3.28"),
        ("cantilever", {"undercut": 19}, "undercut: found 19, expected less than the length, 19"),
        ("annular", {"outer": 8}, "outer: found 8, expected more than the diameter, 8"),
        ("annular", {"undercut": 9}, "undercut: found 9, expected less than the diameter, 8"),
        ("press", {"outer": 8}, "outer: found 8, expected more than the diameter, 8"),
        ("press", {"inner": 8}, "inner: found 8, expected less than the diameter, 8"),
        ("press", {"interference": 4}, "interference: found 4, expected less than half the diameter, 4"),
        ("press", {"pin": "steel"}, "pin: found 'steel', expected one of rigid, same"),
        ("key", {"squeeze": 3}, "squeeze: found 3, expected less than half the width, 3"),
        ("key", {"taper": 45}, "taper"),
        ("key", {"lenght": 45}, "lenght: found unknown key 'lenght', expected 'length'"),
    ],
)
def test_impossible_number_is_refused(kind, changes, where):
    with pytest.raises(InputError) as caught:
        load(kind, **changes)
    assert where in caught.value.cause


def test_missing_number_is_named():
    with pytest.raises(InputError, match=r"k:1: load\.annular: found no key 'undercut'"):
        holder("load: {annular: {diameter: 8, outer: 12}}")


def test_unknown_load_is_told_with_the_nearest():
    with pytest.raises(InputError, match=r"found 'cantilver', expected a load: .*; nearest: cantilever"):
        holder("load: {cantilver: {}}")


def test_use_is_taken():
    use = holder("use: {times: 20, held: strained, temperature: [-5, 50], years: 2}").use
    assert use == Use(times=20, held="strained", temperature_c=(-5.0, 50.0), years=2.0)
    assert holder("use: {}").use == Use()


@pytest.mark.parametrize(
    "text",
    ["times: 0", "times: 1.5", "held: bent", "temperature: [50, -5]", "temperature: 50", "years: 0", "x: 1"],
)
def test_impossible_use_is_refused(text):
    with pytest.raises(InputError, match=r"k:1: use"):
        holder(f"use: {{{text}}}")

"""New beads in outlines of all sorts: what must hold of every one of them, whatever the kit asks."""

from __future__ import annotations

import bead_shapes as shapes
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from gcodetools.demo import maker
from gcodetools.demo.slicing import Recipe

TREATS = {
    "add 1": "{perimeters: {add: 1}}",
    "add 2": "{perimeters: {add: 2}}",
    "add 3": "{perimeters: {add: 3}}",
    "fill": "{perimeters: {fill: true}}",
    "solid": "{infill: solid}",
    "both": "{perimeters: {add: 1}, infill: solid}",
}
PLAIN = {
    "ring": shapes.thing(shapes.ring(9, 2.4), 1.0),
    "slotted ring": shapes.thing(shapes.slotted(9, 2.8, 80), 1.0),
    "holes": shapes.thing(shapes.holes(22, 9, (2.0, 1.2)), 0.8),
    "ribs": shapes.thing(shapes.ribs((1.2, 1.9, 2.2, 3.1), 8.0), 0.8),
    "neck": shapes.thing(shapes.necks(2.1, 7.0), 0.8),
    "star": shapes.thing(shapes.star(5, 5, 12), 0.8),
    "taper": shapes.thing(shapes.taper(1.4, 4.5), 0.8),
    "grows": shapes.build(shapes.rectangle(14, 8), shapes.rectangle(15, 9), 1.0),
    "shrinks": shapes.build(shapes.rectangle(14, 8), shapes.rectangle(13, 7), 1.0),
}
# Sizes at which the room inside two perimeters, 1.71 mm of beads, is none to four beads wide.
mm = st.integers(0, 60).map(lambda n: 1.5 + n * 0.05)


@st.composite
def outlines(draw: st.DrawFn) -> shapes.Polygon:
    kind = draw(st.sampled_from(["ring", "slotted", "holes", "ribs", "necks", "star", "taper", "bent"]))
    if kind == "ring":
        return shapes.ring(draw(st.integers(6, 11)), draw(mm), draw(st.sampled_from([3, 8, 16])))
    if kind == "slotted":
        return shapes.slotted(draw(st.integers(7, 11)), draw(mm), draw(st.integers(30, 150)))
    if kind == "holes":
        return shapes.holes(
            24,
            draw(st.integers(7, 11)),
            draw(st.lists(st.sampled_from([0.8, 1.5, 2.2]), min_size=1, max_size=3)),
        )
    if kind == "ribs":
        return shapes.ribs(draw(st.lists(mm, min_size=1, max_size=3)), draw(st.integers(4, 10)))
    if kind == "necks":
        return shapes.necks(draw(mm), draw(st.integers(5, 8)))
    if kind == "star":
        points = draw(st.integers(4, 8))
        outer = draw(st.integers(9, 12))
        return shapes.star(points, outer * draw(st.sampled_from([0.5, 0.65, 0.8])), outer)
    if kind == "taper":
        return shapes.taper(draw(mm), draw(mm) + 1.0, draw(st.integers(10, 24)))
    return shapes.bent(draw(mm))


regions = st.sampled_from(
    [
        "all",
        "all",
        "{slab: {z: [0.3, 0.9]}}",
        "{box: {x: [-30, 2], y: [-30, 30], z: [0, 5]}}",
        "{wedge: {centre: [0, 0], radius: [2, 30], angle: [20, 200]}}",
    ]
)
asked = st.one_of(
    st.integers(1, 4).map(lambda n: f"{{perimeters: {{add: {n}}}}}"),
    st.just("{perimeters: {fill: true}}"),
    st.just("{infill: solid}"),
    st.just("{perimeters: {add: 1}, infill: solid}"),
)


def _pairs() -> list[object]:
    """Every outline and every wish; each outline with one of the wishes in every run, all with -m long."""
    return [
        pytest.param(shape, treat, id=f"{shape}-{treat}", marks=() if (n + m) % 6 == 0 else pytest.mark.long)
        for n, shape in enumerate(PLAIN)
        for m, treat in enumerate(TREATS)
    ]


@pytest.mark.parametrize(("shape", "treat"), _pairs())
def test_new_beads_of_a_plain_outline_are_without_fault(press, clean, shape, treat):
    # A room that is one bead wide has no place for lines of solid fill, which is an answer too.
    printed = press(PLAIN[shape], ("all", TREATS[treat]), turn=17.0)
    verdict = clean(printed, new=treat != "solid")
    assert verdict.is_new.any() or all(done.why for done in printed.applied.done)


def _judge(press, clean, shape, treat, within, turn, letter, relative, perimeters):
    part = shapes.thing(shape, 1.0)
    recipe = Recipe(density=0.15, solid_layers=1, perimeters=perimeters)
    try:
        printed = press(part, (within, treat), turn=turn, letter=letter, relative_e=relative, recipe=recipe)
    except Exception as error:
        # A region may miss every bead of an outline, and an outline may fit several turns.
        if type(error).__name__ in ("NotFoundOnPlate", "InputError"):
            return
        raise
    # What a lone perimeter takes of the room nobody can measure: the pitch to a second one tells it.
    but = ("bands",) if perimeters == 1 else ()
    clean(printed, *but, whole=within == "all" or "slab" in within, new=False)


cases = {
    "shape": outlines(),
    "treat": asked,
    "within": regions,
    "turn": st.integers(0, 359),
    "letter": st.sampled_from(maker.CONVENTIONS),
    "relative": st.booleans(),
    "perimeters": st.integers(1, 3),
}


# The same examples every time, and no search for a smaller one: that is for the long run.
@settings(max_examples=5, derandomize=True, phases=[Phase.generate])
@given(**cases)
def test_new_beads_of_any_outline_are_without_fault(press, clean, **case):
    _judge(press, clean, **case)


@pytest.mark.long
@settings(max_examples=400)
@given(**cases)
def test_new_beads_of_any_outline_are_without_fault_at_length(press, clean, **case):
    _judge(press, clean, **case)

"""Rests between the way to a wall and the wall: every bead begins and ends where it does without them."""

from __future__ import annotations

import re

import bead_shapes as shapes
import pytest
from fit_read import Sheet

from gcodetools.demo.slicing import Recipe
from gcodetools.edit import rests
from gcodetools.errors import Fault

BLOCK = shapes.rectangle(20, 14)
RECIPE = Recipe(density=0.15, solid_layers=1)
HEIGHT_MM = 1.2


def let_down_late(data: bytes, sparse: bool) -> bytes:
    """The same with each layer's rise behind the travel that leads to it, where a rest goes then. sparse : lines name
    only the axes on which they move, as some files do."""
    lines, pulled = [], False
    at: dict[str, str] = {}
    change = -1
    for line in data.decode().splitlines():
        if line.startswith(";LAYER_CHANGE"):
            change, pulled = 0, len(lines) > 100
        if pulled and change < 2 and re.match(r"G1 Z\S+ F", line):
            change += 1
            continue
        words = dict(re.findall(r"([XY])(\S+)", line)) if line.startswith("G1 X") else {}
        if sparse and words and " E" in line:
            for axis, number in words.items():
                if at.get(axis) == number and len(words) > 1:
                    line = line.replace(f" {axis}{number}", "")
        at |= words
        lines.append(line)
    return ("\n".join(lines) + "\n").encode()


def ends(sheet: Sheet) -> list[tuple[str, float, list[tuple[float, float]]]]:
    """All paths: what each is, its height, its points."""
    return [(bead.feature, bead.z, bead.points) for bead in sheet.beads]


def same(one: Sheet, other: Sheet) -> None:
    """Each path begins and goes where its like does, by what rounding leaves."""
    for (word, z, points), (own, height, there) in zip(ends(one), ends(other), strict=True):
        assert (word, z, len(points)) == (own, height, len(there))
        assert [c for p in points for c in p] == pytest.approx([c for p in there for c in p], abs=1.1e-3)


LEFT, RIGHT = (
    "{box: {x: [-60, 0], y: [-60, 60], z: [-1, 60]}}",
    "{box: {x: [0, 60], y: [-60, 60], z: [-1, 60]}}",
)
LOW, HIGH = "{slab: {z: [0.3, 0.7]}}", "{slab: {z: [0.7, 1.3]}}"
FIT, REST = "fit: {offset: 0.07}", "rest: {seconds: 2}"
# Regions without their rests, and where the rests are.
ASKED = {
    "same": ([("all", FIT)], ["all"]),
    "holes": ([("all", "fit: {offset: -0.1}, speed: {scale: 80%}, flow: {scale: 103%}")], ["all"]),
    "left": ([(LEFT, FIT)], [RIGHT]),
    "two": ([(LEFT, FIT), (RIGHT, "fit: {offset: -0.07}")], [LEFT, RIGHT]),
    "perimeters below": ([(LOW, "perimeters: {add: 1}"), (HIGH, FIT)], [LOW, HIGH]),
    "fit below": ([(LOW, FIT), (HIGH, "perimeters: {add: 1}")], [LOW, HIGH]),
    "perimeters": ([("all", "perimeters: {add: 1}")], ["all"]),
    "solid below": ([(LOW, "infill: solid"), (HIGH, FIT)], [LOW, HIGH]),
    "solid": ([("all", "infill: solid")], ["all"]),
    "solid beside": ([(LEFT, "infill: solid"), (RIGHT, "perimeters: {add: 1}")], [RIGHT]),
}


def regions(asked: list[tuple[str, str]], resting: list[str]) -> list[tuple[str, str]]:
    """Regions as kits have them, with rests."""
    done = [(w, f"{{{t}, {REST}}}" if w in resting else f"{{{t}}}") for w, t in asked]
    return [*done, *((w, f"{{{REST}}}") for w in resting if w not in dict(asked))]


@pytest.fixture(scope="module")
def late(move):
    """`late(sparse, count=1, relative=True)`: blocks whose layers rise behind their first travel."""

    def build(sparse: bool, count: int = 1, **options) -> bytes:
        places = ((80.0, 100.0), (120.0, 100.0))[:count]
        made = move((BLOCK,) * count, 0.05, places=places, height=HEIGHT_MM, recipe=RECIPE, **options)
        return let_down_late(made.plate.render(), sparse)

    return build


@pytest.mark.every(1)
@pytest.mark.parametrize("sparse", [False, True], ids=["both", "sparse"])
@pytest.mark.parametrize("name", ASKED)
def test_a_rest_moves_no_bead(treat, late, name, sparse):
    asked, resting = ASKED[name]
    data = late(sparse)
    alone = treat(data, *regions(asked, []))
    both = treat(data, *regions(asked, resting))
    assert both.data.count(b"\nG4 ") == 5 and b"\nG4 " not in alone.data
    assert all(one.done != "nothing" for one in alone.applied.done)
    same(both.after, alone.after)


@pytest.mark.parametrize("relative", [False, True], ids=["absolute", "relative"])
def test_neither_does_one_beside_another_instance(treat, late, relative):
    data = late(True, 2, relative_e=relative)
    alone = treat(data, *regions([("all", FIT)], []))
    both = treat(data, *regions([("all", FIT)], ["all"]))
    assert both.data.count(b"\nG4 ") >= 3
    same(both.after, alone.after)


def in_the_file(context, row):
    """Where a row ends in the file: what a rest once came back to."""
    moves = context.draft.plate.program.moves
    return float(moves.x[row]), float(moves.y[row])


@pytest.mark.parametrize("sparse", [False, True], ids=["both", "sparse"])
def test_a_rest_that_comes_back_to_the_old_place_is_seen(treat, late, monkeypatch, sparse):
    monkeypatch.setattr(rests, "_stands", in_the_file)
    with pytest.raises(Fault, match=r"the (place|begin) of a move"):
        treat(late(sparse), *regions([("all", FIT)], ["all"]))

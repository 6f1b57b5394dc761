"""The big plate is a true plate, made quickly."""

from __future__ import annotations

import re
from itertools import pairwise
from math import cos, radians, sin

import pytest
from shapely import LineString, Polygon

from gcodetools.demo.bench import bench_lug, big_kit, big_perimeters_kit, big_plate
from gcodetools.kit.schema import kit_from_bytes, resolve_treatment
from gcodetools.kit.settings import Perimeters


@pytest.fixture(scope="module")
def text() -> str:
    return big_plate(400_000).decode()


def test_it_has_the_lines_asked_for_by_whole_layers(text: str) -> None:
    assert 400_000 <= text.count("\n") < 460_000


def test_fewer_rows_make_a_shorter_plate_with_as_many_lugs_a_row() -> None:
    text = big_plate(200_000, rows=3).decode()
    assert 200_000 <= text.count("\n") < 240_000
    layer = text.split(";LAYER_CHANGE\n")[5]
    assert len(set(re.findall(r"^; printing object (\S+ id:\d+ copy \d+)", layer, re.M))) == 3 * 7


def test_heights_climb_by_a_layer_each(text: str) -> None:
    marks = [float(z) for z in re.findall(r"^;Z:([\d.]+)$", text, re.M)]
    assert marks == pytest.approx([0.2 * (k + 1) for k in range(len(marks))])
    for k, layer in enumerate(text.split(";LAYER_CHANGE\n")[1:]):
        z, lifted = 0.2 * (k + 1), 0.2 * (k + 1) + 0.4
        moves = {float(v) for v in re.findall(r"^G1 Z([\d.]+) F720$", layer.split(";TYPE:Custom")[0], re.M)}
        assert sorted(moves) == pytest.approx([z, lifted])
    assert float(re.findall(r"^G1 Z([\d.]+)", text, re.M)[-1]) == pytest.approx(marks[-1] + 10)


def test_its_totals_are_those_of_its_lines(text: str) -> None:
    beads = sum(float(e) for e in re.findall(r"^G1 X\S+ Y\S+ E([\d.]+)$", text, re.M))
    stated = float(re.findall(r"; filament used \[mm\] = ([\d.]+)", text)[0])
    # Plus 9 mm of start code: the convention's total is what went through the nozzle.
    assert stated == pytest.approx(beads + 9.0, abs=0.02)


def test_its_kit_covers_a_third_of_a_middle_layer(text: str) -> None:
    kit = kit_from_bytes(big_kit().encode(), "bench.kit.yaml")
    part = kit.parts["bench-lug"]
    assert len(part.regions) == 4
    outer, bore = part.found_by.outline or ()
    assert Polygon(outer, [bore]).symmetric_difference(bench_lug().outline).area < 0.01
    layer = text.split(";LAYER_CHANGE\n")[5]
    first = layer.split("; stop printing object")[0]
    points = [(float(x) - 22, float(y) - 25) for x, y in re.findall(r"^G1 X(\S+) Y(\S+)", first, re.M)]
    sectors = [_sector(a) for a in (20, 110, 200, 290)]
    pairs = [LineString(pair) for pair in pairwise(points)]
    inside = sum(pair.intersection(sector).length for pair in pairs for sector in sectors)
    whole = sum(pair.length for pair in pairs)
    assert inside / whole == pytest.approx(1 / 3, abs=0.05)


def test_its_other_kits_ask_for_perimeters_in_a_wedge_or_between_two_heights() -> None:
    regions = []
    for slab in (None, (1.0, 5.2)):
        kit = kit_from_bytes(big_perimeters_kit(slab).encode(), "bench.kit.yaml")
        (region,) = kit.parts["bench-lug"].regions.values()
        assert resolve_treatment(kit, region).perimeters == Perimeters(add=2)
        regions.append(region.within)
    assert regions[0] != regions[1]


def _sector(start_deg: float) -> Polygon:
    rays = [(40 * cos(radians(a)), 40 * sin(radians(a))) for a in (start_deg, start_deg + 18, start_deg + 36)]
    return Polygon([(0, 0), *rays])

"""Pointing, reading and drawing: places in the plate's and the part's frame, numbers of beads, lines for a kit.

Places are compared with the poses that the demo's plate was made with; lines for a kit are read by the program's own
reader.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from page_data import beads_of, few_of_each, look_at, mapping, numbers, readout, side_of, unpacked

from gcodetools.kit.schema import kit_from_bytes

PLACES = {
    part: [one for one in few_of_each() if one.part == part]
    for part in ("film-clip", "ridge-saddle", "shelf-hook")
}


@pytest.mark.every(2)
@pytest.mark.parametrize("size", [(1440, 900), (1280, 800), (1000, 800), (390, 844)])
def test_pointing_leaves_the_drawing_where_it_is(tab, pages, size):
    tab.look(size)
    look_at(tab, pages, "film-clip#2", 30)
    left, top, width, height = tab.box("#layer")
    seen = set()
    for share in np.linspace(0.1, 0.9, 13):
        tab.mouse("mouseMoved", left + width * share, top + height * share)
        tab.settle()
        seen.add((len(readout(tab)), *tab.box("#layer")))
    assert len({one[0] for one in seen}) > 1, "no bead was met"
    assert {one[1:] for one in seen} == {(left, top, width, height)}


@pytest.mark.parametrize(("part", "number"), [("film-clip", 2), ("ridge-saddle", 2), ("shelf-hook", 2)])
def test_coordinates_are_right_on_the_plate_and_in_the_part(tab, pages, part, number):
    look_at(tab, pages, f"{part}#{number}", 30)
    place = PLACES[part][number - 1]
    px, py, x, y, scale = mapping(tab)
    turn = np.radians(place.turn_deg)
    for dx, dy in ((0, 0), (90, -60), (-120, 70)):
        tab.mouse("mouseMoved", px + dx, py + dy)
        tab.settle()
        said = readout(tab)
        on_plate = numbers(said["plate"])
        assert on_plate[:2] == pytest.approx([x + dx / scale, y - dy / scale], abs=0.011)
        assert on_plate[2] == pytest.approx(side_of(pages, "after")["layers"]["z_mm"][29], abs=0.006)
        names = [name for name in said if name.startswith(part)]
        if names != [f"{part} #{number}"]:
            continue
        away = np.array(on_plate[:2]) - [place.x_mm, place.y_mm]
        expected = [
            np.cos(turn) * away[0] + np.sin(turn) * away[1],
            np.cos(turn) * away[1] - np.sin(turn) * away[0],
        ]
        assert numbers(said[names[0]])[:2] == pytest.approx(expected, abs=0.06)
        if dx == 0:
            centre = True
    assert centre


def test_numbers_of_the_bead_pointed_at_are_the_data(tab, pages):
    look_at(tab, pages, "film-clip#2", 60)
    px, py, x, y, scale = mapping(tab)
    left, top, width, height = tab.box("#layer")
    layer = unpacked(side_of(pages, "after"), 59)
    k, length = beads_of(layer)
    middle = np.stack([layer["x"][k - 1] + layer["x"][k], layer["y"][k - 1] + layer["y"][k]], axis=1) / 2
    at = np.stack([px + (middle[:, 0] - x) * scale, py - (middle[:, 1] - y) * scale], axis=1)
    inside = np.all((at > [left + 5, top + 5]) & (at < [left + width - 5, top + height - 5]), axis=1)
    chosen = np.flatnonzero(inside & (length > 0.8) & (layer["region"][k] > 0))[::7][:6]
    assert len(chosen) >= 3
    for one in chosen:
        tab.mouse("mouseMoved", *at[one])
        tab.settle()
        said, point = readout(tab), k[one]
        assert numbers(said["feed"])[0] == pytest.approx(layer["feed"][point] / 10, rel=6e-3)
        assert numbers(said["flow"])[0] == pytest.approx(layer["rate"][point] / 100, rel=6e-3)
        assert numbers(said["nozzle"])[0] == pytest.approx(layer["nozzle"][point] / 10, abs=0.06)
        wide, high = numbers(said["wide, high"])
        assert (wide, high) == pytest.approx(
            (layer["width"][point] / 100, layer["height"][point] / 200), abs=0.006
        )
        region = pages.data["regions"][layer["region"][point] - 1]
        assert f"in {region['region']}" in said["bead"]
        assert pages.data["features"][layer["feature"][point]].split()[0] in said["bead"]


def test_keys_go_from_bead_to_bead_and_say_what_hovering_says(tab, pages):
    tab.open(pages.pair)
    tab.show(40)
    tab.run("document.querySelector('#layer').focus()")
    texts = []
    for _ in range(3):
        tab.key("ArrowRight")
        texts.append(tab.text("#readout"))
    assert len(set(texts)) == 3 and all("plate" in text and "mm/s" in text for text in texts)
    tab.key("ArrowLeft")
    assert tab.text("#readout") == texts[1]
    assert tab.run("document.querySelector('#readout').getAttribute('aria-live')") == "polite"


def kit_of(tab: Any, part: str) -> Any:
    """What is drawn, read by the program's own reader of kits."""
    fragment = tab.text("#fragment")
    named = fragment.replace(f"  {part}:\n", f"  {part}:\n    found_by: {{label: {part}}}\n")
    assert named != fragment
    return kit_from_bytes(f"beadwright: 1\nkit: drawn\n{named}".encode(), "drawn.kit.yaml")


def start_drawing(tab: Any, pages: Any, way: str) -> tuple[float, ...]:
    """film-clip #3 stands at (95, 35), turned by 30 degrees."""
    look_at(tab, pages, "film-clip#2", 30)
    tab.press(f"#draw button[data-way={way}]")
    assert (
        tab.run(f"document.querySelector('#draw button[data-way={way}]').getAttribute('aria-pressed')")
        == "true"
    )
    return mapping(tab)


def test_a_drawn_box_is_a_kit(tab, pages):
    px, py, x, y, scale = start_drawing(tab, pages, "box")
    corners = [(px - 100, py - 60), (px + 60, py + 90)]
    tab.drag(*corners)
    kit = kit_of(tab, "film-clip")
    box = kit.parts["film-clip"].regions["drawn"].within
    place, turn = PLACES["film-clip"][1], np.radians(30.0)
    ends = []
    for sx, sy in corners:
        away = np.array([x + (sx - px) / scale, y - (sy - py) / scale]) - [place.x_mm, place.y_mm]
        ends.append(
            [np.cos(turn) * away[0] + np.sin(turn) * away[1], np.cos(turn) * away[1] - np.sin(turn) * away[0]]
        )
    low, high = np.min(ends, axis=0), np.max(ends, axis=0)
    assert (box.x[0], box.x[1]) == pytest.approx((low[0], high[0]), abs=0.12)
    assert (box.y[0], box.y[1]) == pytest.approx((low[1], high[1]), abs=0.12)
    assert (box.z[0], box.z[1]) == pytest.approx((0.0, 30.0), abs=0.11)
    assert tab.run("document.querySelector('#copy').disabled") is False


def test_a_drawn_ring_sector_is_a_kit(tab, pages):
    px, py, x, y, scale = start_drawing(tab, pages, "ring")
    place = PLACES["film-clip"][1]
    centre = (px + (place.x_mm - x) * scale, py - (place.y_mm - y) * scale)
    # In the part's frame: radius 7.5 to 11 and from 50 to 80 degrees, which the plate sees turned by 30.
    for radius, angle in ((0, 0), (7.5, 80), (11, 110)):
        at = np.radians(angle)
        tab.click(centre[0] + radius * np.cos(at) * scale, centre[1] - radius * np.sin(at) * scale)
    wedge = kit_of(tab, "film-clip").parts["film-clip"].regions["drawn"].within
    assert list(wedge.centre) == pytest.approx([0, 0], abs=0.11)
    assert list(wedge.radius) == pytest.approx([7.5, 11], abs=0.16)
    assert list(wedge.angle_deg) == pytest.approx([50, 80], abs=1.6)


def test_a_drawn_polygon_is_a_kit(tab, pages):
    px, py, _, _, scale = start_drawing(tab, pages, "polygon")
    corners = [(-80, -80), (80, -80), (80, 40), (-80, 40)]
    for dx, dy in corners:
        tab.click(px + dx, py + dy)
    tab.run("document.querySelector('#layer').focus()")
    tab.key("Enter")
    prism = kit_of(tab, "film-clip").parts["film-clip"].regions["drawn"].within
    ring = np.array([list(point) for point in prism.polygon])
    assert len(ring) == 4
    sides = np.hypot(*(ring - np.roll(ring, 1, axis=0)).T)
    assert sorted(sides) == pytest.approx(sorted([160 / scale, 120 / scale] * 2), abs=0.25)


def test_a_region_can_be_typed_without_a_mouse(tab, pages):
    start_drawing(tab, pages, "box")
    values = {"x from": -2, "x to": 3, "y from": 1.5, "y to": 6, "z from": 2, "z to": 9}
    for name, value in values.items():
        tab.run(f"document.querySelector('#draw input[name=\"{name}\"]').focus()")
        tab.run("document.activeElement.select()")
        tab.send("Input.insertText", text=str(value))
    box = kit_of(tab, "film-clip").parts["film-clip"].regions["drawn"].within
    assert (tuple(box.x), tuple(box.y), tuple(box.z)) == ((-2, 3), (1.5, 6), (2, 9))


def test_copying_says_so(tab, pages):
    start_drawing(tab, pages, "box")
    assert tab.run("document.querySelector('#copy').disabled") is True  # nothing is drawn yet
    left, top, width, height = tab.box("#layer")
    tab.drag((left + 0.4 * width, top + 0.4 * height), (left + 0.6 * width, top + 0.6 * height))
    tab.press("#copy")
    tab.until("document.querySelector('#draw [role=status]').textContent !== ''")
    said = tab.text("#draw [role=status]")
    assert said in ("Copied.", "Selected: copy it with the keyboard.")
    if said.startswith("Selected"):
        assert tab.run("getSelection().toString()").strip() == tab.text("#fragment").strip()


def test_a_time_chosen_on_the_traces_is_the_layer_laid_then(tab, pages):
    tab.open(pages.demo)
    trace = pages.data["trace"]["after"]
    left, top, width, height = tab.box("#traces")
    shown = []
    for share in (0.2, 0.5, 0.8):
        tab.click(left + share * width, top + height / 3)
        tab.settle()
        shown.append(tab.layer())
        assert shown[-1] - 1 in trace["layer"]
    assert shown == sorted(set(shown))

"""Heights, sides and beads: what is chosen is shown, and what is drawn is what the data say.

The canvas is read two ways: what it is told to draw (lengths of paths by colour), and pixels. Colours of quantities are
compared with matplotlib's cividis, places with the poses that the demo's plate was made with.
"""

from __future__ import annotations

import base64
import re
import zlib
from typing import Any

import numpy as np
import pytest
from matplotlib import colormaps

from gcodetools.demo.maker import hoophouse_plate
from gcodetools.kit.schema import kit_from_bytes

STEPS = 24  # of the page's scale
PLACES = {
    part: [one for one in hoophouse_plate() if one.part == part] for part in ("film-clip", "ridge-saddle", "shelf-hook")
}
# Lengths of what is stroked, by colour; paths are made once and stroked often, so they keep their own.
RECORDED = """
window.strokes = [];
for (const name of ["moveTo", "lineTo"]) {
  const was = Path2D.prototype[name];
  Path2D.prototype[name] = function (x, y) {
    if (name === "lineTo") this.length_ = (this.length_ ?? 0) + Math.hypot(x - this.x_, y - this.y_);
    [this.x_, this.y_] = [x, y];
    return was.call(this, x, y);
  };
}
const was = CanvasRenderingContext2D.prototype.stroke;
CanvasRenderingContext2D.prototype.stroke = function (path) {
  if (path) window.strokes.push([String(this.strokeStyle), path.length_, this.lineWidth, this.getLineDash().length]);
  return path ? was.call(this, path) : was.call(this);
};
"""


def unpacked(side: dict[str, Any], wanted: int) -> dict[str, np.ndarray]:
    """Columns of a layer (from 0), read from what the page carries; x and y in mm."""
    for first, count, text in side["chunks"]:
        if not first <= wanted < first + count:
            continue
        data, at = zlib.decompress(base64.b64decode(text), wbits=-15), 0
        for number in range(first, first + count):
            n = int.from_bytes(data[at : at + 4], "little")
            if number < wanted:
                at += 12 + 19 * n
                continue
            start = np.frombuffer(data, "<i4", 2, at + 4)
            at += 12
            one: dict[str, np.ndarray] = {}
            names = ("x", "y", "flag", "feature", "region", "instance", "width", "height", "feed", "rate", "nozzle", "age", "bond")
            for name in names:
                raw = np.frombuffer(data, np.uint8, n, at).astype(np.int64)
                at += n
                if name in ("x", "y", "feed", "rate", "nozzle", "age"):
                    raw = raw + 256 * np.frombuffer(data, np.uint8, n, at).astype(np.int64)
                    at += n
                one[name] = raw
            for k, name in enumerate(("x", "y")):
                steps = np.where(one[name] > 32767, one[name] - 65536, one[name])
                one[name] = (start[k] + np.cumsum(steps)) * side["unit_mm"]
            return one
    raise AssertionError(wanted)


def beads_of(layer: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the points that end a bead, and lengths."""
    k = np.flatnonzero((layer["flag"] & 1) == 0)
    return k, np.hypot(layer["x"][k] - layer["x"][k - 1], layer["y"][k] - layer["y"][k - 1])


def side_of(pages: Any, name: str) -> dict[str, Any]:
    return next(side for side in pages.data["sides"] if side["name"] == name)


def numbers(text: str) -> list[float]:
    return [float(word.replace("\u2212", "-")) for word in re.findall(r"[-\u2212]?\d+(?:\.\d+)?", text)]


def readout(tab: Any) -> dict[str, str]:
    return dict(
        tab.run("[...document.querySelectorAll('#readout div')].map((d) => [...d.children].map((c) => c.textContent))")
    )


def mapping(tab: Any) -> tuple[float, float, float, float, float]:
    """Left and top of the canvas and its middle's place, mm, and pixels a mm: by pointing at the middle."""
    left, top, width, height = tab.box("#layer")
    tab.mouse("mouseMoved", left + width / 2, top + height / 2)
    tab.settle()
    x, y, _ = numbers(readout(tab)["plate"])
    return left + width / 2, top + height / 2, x, y, tab.run("beadwright.stats().scale")


def test_a_height_chosen_on_the_strip_is_the_layer_shown(tab, pages):
    tab.open(pages.demo)
    left, top, width, height = tab.box("#strip")
    shown = []
    for share in (0.25, 0.5, 0.75):
        tab.click(left + width / 2, top + share * height)
        tab.settle()
        shown.append(tab.layer())
        assert tab.run("document.querySelector('#strip').getAttribute('aria-valuenow')") == str(shown[-1])
        label = tab.run("document.querySelector('#layer').getAttribute('aria-label')")
        assert label.startswith(f"Layer {shown[-1]} of {len(side_of(pages, 'after')['layers']['z_mm'])}")
        beads = len(beads_of(unpacked(side_of(pages, "after"), shown[-1] - 1))[0])
        assert tab.run("beadwright.stats().beads") == [beads]
        assert f"{beads:,} beads" in label
    # Higher on the strip is higher on the part, and as much as the way there is.
    assert shown[0] > shown[1] > shown[2]
    assert shown[0] - shown[1] == pytest.approx(shown[1] - shown[2], abs=2)
    tab.drag((left + width / 2, top + 0.3 * height), (left + width / 2, top + 0.6 * height))
    assert shown[2] < tab.layer() < shown[0]


def test_the_height_pointed_at_is_the_layers_height(tab, pages):
    """The strip's own marks tell where which height is; a click between two of them shows the layer there."""
    tab.open(pages.demo)
    left, _, width, _ = tab.box("#strip")
    marks = tab.run(
        "(() => { const s = document.querySelector('#strip'); const top = s.getBoundingClientRect().top;"
        "const all = [...s.querySelectorAll('text[text-anchor=end].soft')];"
        "return all.filter((t) => t.getAttribute('x') === all[0].getAttribute('x')).map((t) => [Number(t.textContent),"
        "top + Number(t.previousElementSibling.getAttribute('y1'))]); })()"
    )
    (z0, y0), (z1, y1) = marks[0], marks[-1]
    assert z1 > z0 and y1 < y0
    layers = side_of(pages, "after")["layers"]["z_mm"]
    for z in (2.5, 7.1, 11.9):
        if z > z1:
            continue
        tab.click(left + width / 2, y0 + (y1 - y0) * (z - z0) / (z1 - z0))
        tab.settle()
        number = tab.layer() - 1
        assert layers[number] >= z - 0.06 and (number == 0 or layers[number - 1] <= z + 0.06)


def test_keys_on_the_strip_step_layers(tab, pages):
    tab.open(pages.demo)
    last = len(side_of(pages, "after")["layers"]["z_mm"])
    tab.run("document.querySelector('#strip').focus()")
    tab.show(20)
    for key, expected in (
        ("ArrowUp", 21), ("ArrowRight", 22), ("ArrowDown", 21), ("ArrowLeft", 20), ("Home", 1), ("ArrowDown", 1),
        ("End", last), ("ArrowUp", last),
    ):  # fmt: skip
        tab.key(key)
        tab.until(f"beadwright.layer() === {expected}")
        assert tab.run("document.querySelector('#strip').getAttribute('aria-valuenow')") == str(expected)
    tab.key("PageDown")
    page = last - tab.layer()
    assert page >= 5
    tab.key("PageUp")
    assert tab.layer() == last
    # Said, not shown only: layer, height, and what the strip draws.
    tab.show(20)
    words = tab.run("document.querySelector('#strip').getAttribute('aria-valuetext')")
    assert words.startswith(f"layer 20 of {last}") and "strength across layers" in words


def test_the_strip_says_the_strength_of_the_layer(tab, pages):
    tab.open(pages.demo)
    key = pages.data["instances"][int(tab.run("document.querySelector('#instance').value"))]["key"]
    told = pages.data["strip"][key]
    place = next(k for k, value in enumerate(told["after"]["strength_mpa"]["best"]) if value)
    tab.show(told["layer"][place] + 1)
    said = numbers(tab.text("#beside-says").partition("after")[2])
    band = [told["after"]["strength_mpa"][end][place] for end in ("best", "low", "high")]
    assert said[:3] == [float(f"{value:.1e}") for value in band]


def test_b_alternates_and_both_stand_side_by_side(tab, pages):
    tab.open(pages.demo)
    number = next(
        k for k in range(20, 120)
        if len({len(beads_of(unpacked(side, k))[0]) for side in pages.data["sides"]}) == 2
    )  # fmt: skip
    tab.show(number + 1)
    beads = {side["name"]: len(beads_of(unpacked(side, number))[0]) for side in pages.data["sides"]}
    picture = "document.querySelector('#layer').toDataURL()"
    seen = {}
    for expected in ("after", "before", "after"):
        assert tab.run("beadwright.side()") == expected
        assert tab.run("document.querySelector('#side input:checked').value") == expected
        assert tab.run("beadwright.stats().beads") == [beads[expected]]
        now = tab.run(picture)
        assert seen.setdefault(expected, now) == now
        tab.key("b")
    assert seen["before"] != seen["after"]
    tab.run("document.querySelector('#side input[value=both]').click()")
    tab.settle()
    assert tab.run("beadwright.side()") == "both"
    assert tab.run("beadwright.stats().beads") == [beads["before"], beads["after"]]


@pytest.mark.parametrize(("motion", "moves"), [("no-preference", True), ("reduce", False)])
def test_by_turns_honours_who_wants_no_motion(tab, pages, motion, moves):
    tab.look(motion=motion)
    tab.open(pages.pair)
    tab.press("#alternate")
    assert tab.run("beadwright.side()") == "before"
    tab.run("new Promise((done) => setTimeout(() => done(1), 1200))")
    assert (tab.run("beadwright.side()") == "after") == moves
    # No style of the page moves anything either.
    moving = (
        "[...document.querySelectorAll('*')].filter((e) => { const s = getComputedStyle(e);"
        "return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0 || s.scrollBehavior === 'smooth'; })"
        ".length"
    )
    assert tab.run(moving) == 0


def shares(quantity: str, layer: dict[str, np.ndarray], k: np.ndarray) -> np.ndarray:
    """Where values lie on the scale of a layer: feed and flow from 0 to the largest, bond from 0 to 1, nozzle from
    the least to the largest, 4 C at least. NaN where unknown."""
    raw = layer[quantity][k].astype(float)
    if quantity == "bond":
        return np.where(raw == 255, np.nan, raw / 250)
    if quantity == "nozzle":
        raw = np.where(raw == 0, np.nan, raw / 10)
        low, high = np.nanmin(raw), np.nanmax(raw)
        short = max(0.0, 4 - (high - low))
        return (raw - low + short / 2) / (high - low + short)
    return raw / raw.max()


def colours_of(share: np.ndarray) -> np.ndarray:
    """RGB of shares, (n, 3), in the page's steps."""
    steps = np.round(np.nan_to_num(share) * STEPS) / STEPS
    return np.round(255 * colormaps["cividis"](steps)[:, :3]).astype(int)


def rgb(text: str) -> tuple[int, ...]:
    if text.startswith("#"):
        return tuple(int(text[k : k + 2], 16) for k in (1, 3, 5))
    return tuple(int(float(word)) for word in re.findall(r"[\d.]+", text)[:3])


@pytest.mark.parametrize("quantity", ["feed", "rate", "nozzle", "bond"])
def test_drawn_lengths_by_colour_are_the_data(tab, pages, quantity):
    tab.watch(RECORDED)
    tab.open(pages.demo)
    tab.choose("#quantity", quantity)
    number = 60
    tab.run("window.strokes.length = 0")
    tab.show(number)
    layer = unpacked(side_of(pages, "after"), number - 1)
    k, length = beads_of(layer)
    share = shares(quantity, layer, k)
    assert np.isfinite(share).sum() > 50
    drawn: dict[tuple[int, ...], float] = {}
    edge, quiet, paper, line = colours_named(tab, "edge", "quiet", "paper", "line")
    for colour, how_long, _, dashes in tab.run("window.strokes"):
        assert dashes == 0
        if rgb(colour) in (edge, quiet):
            continue  # lies under a bead, for its edges to be seen
        key = paper if rgb(colour) == line else rgb(colour)  # of what is unknown: far away, and near
        drawn[key] = drawn.get(key, 0.0) + how_long
    times = round(sum(drawn.values()) / length.sum())
    assert times >= 1 and sum(drawn.values()) == pytest.approx(times * length.sum(), rel=1e-4)
    expected: dict[tuple[int, ...], float] = {}
    for colour, how_long, value in zip(colours_of(share).tolist(), length, share, strict=True):
        key = paper if np.isnan(value) else tuple(colour)
        expected[key] = expected.get(key, 0.0) + times * float(how_long)
    left = dict(drawn)
    for colour, how_long in expected.items():
        # A sixteenth of the scale is a straight line on the page: a few levels beside matplotlib's table.
        near = [one for one in left if max(abs(a - b) for a, b in zip(one, colour, strict=True)) <= 3]
        assert len(near) == 1, (colour, list(left))
        assert left.pop(near[0]) == pytest.approx(how_long, rel=1e-3, abs=0.05)
    assert left == {}
    # The file's own: what the plate has on this layer.
    assert length.sum() == pytest.approx(pages.lengths[number - 1], rel=1e-3)


def colours_named(tab: Any, *names: str) -> list[tuple[int, ...]]:
    """Colours of the style sheet."""
    style = "getComputedStyle(document.documentElement)"
    return [rgb(tab.run(f"{style}.getPropertyValue('--{name}').trim()")) for name in names]


def strokes_at(tab: Any, number: int) -> list[tuple[tuple[int, ...], float, int]]:
    """Colour, length and dashes of what is stroked when a layer is shown, how often it is all drawn taken out."""
    tab.run("window.strokes.length = 0")
    tab.show(number)
    raw = tab.run("window.strokes")
    once = [raw[k] for k in range(len(raw)) if raw[k] not in raw[:k]]
    times = len(raw) / len(once)
    assert times == round(times)
    return [(rgb(colour), length, dashes) for colour, length, _, dashes in once if not colour.startswith("[object")]


def test_what_changed_is_drawn_as_long_as_it_is(tab, pages):
    """New beads in the accent, removed ones as dashes over them, on the layer where most changed."""
    tab.watch(RECORDED)
    tab.open(pages.demo)
    assert tab.run("document.querySelector('#quantity').value") == "change"
    sides = {side["name"]: side for side in pages.data["sides"]}

    def told(name: str, number: int) -> float:
        layer = unpacked(sides[name], number)
        k, length = beads_of(layer)
        return float(length[(layer["flag"][k] & 2) > 0].sum())

    number = max(range(10, 110, 7), key=lambda k: min(told("before", k), told("after", k)))
    assert told("after", number) > 50 and told("before", number) > 50
    (new,) = colours_named(tab, "new")
    drawn = strokes_at(tab, number + 1)
    assert sum(how_long for colour, how_long, dashes in drawn if colour == new and not dashes) == pytest.approx(
        told("after", number), rel=1e-4
    )
    assert sum(how_long for _, how_long, dashes in drawn if dashes) == pytest.approx(told("before", number), rel=1e-4)


def test_regions_are_drawn_as_long_as_they_are(tab, pages):
    tab.watch(RECORDED)
    tab.open(pages.demo)
    tab.choose("#quantity", "region")
    layer = unpacked(side_of(pages, "after"), 39)
    k, length = beads_of(layer)
    hatch = np.array([-1, *(one["hatch"] for one in pages.data["regions"])])[layer["region"][k]]
    drawn = strokes_at(tab, 40)
    wide = np.max(layer["width"][k]) / 100 * tab.run("beadwright.stats().scale") >= 3
    assert wide, "too far away to be filled"
    seen = 0
    for number in sorted(set(hatch.tolist()) - {-1}):
        (hue,) = colours_named(tab, f"hue-{number}")
        mine = sum(how_long for colour, how_long, _ in drawn if colour == hue)
        assert mine == pytest.approx(length[hatch == number].sum(), rel=1e-4)
        seen += 1
    assert seen >= 3


@pytest.mark.parametrize("quantity", ["feed", "nozzle"])
def test_pixels_at_beads_have_their_colours(tab, pages, quantity):
    look_at(tab, pages, "film-clip#3", 60)
    tab.choose("#quantity", quantity)
    px, py, x, y, scale = mapping(tab)
    left, top, width, height = tab.box("#layer")
    layer = unpacked(side_of(pages, "after"), 59)
    k, length = beads_of(layer)
    colour = colours_of(shares(quantity, layer, k))
    middle = np.stack([layer["x"][k - 1] + layer["x"][k], layer["y"][k - 1] + layer["y"][k]], axis=1) / 2
    screen = np.stack([px - left + (middle[:, 0] - x) * scale, py - top - (middle[:, 1] - y) * scale], axis=1)
    inside = np.all((screen > 3) & (screen < [width - 3, height - 3]), axis=1) & (length > 0.8)
    chosen = np.flatnonzero(inside)
    assert len(chosen) > 25
    tab.mouse("mouseMoved", 2, 2)
    tab.settle()
    points = np.round(screen[chosen]).astype(int).tolist()
    pixels = tab.run(
        "(() => { const c = document.querySelector('#layer'); const p = c.getContext('2d');"
        f"return {points}.map(([x, y]) => [...p.getImageData(x, y, 1, 1).data]); }})()"
    )
    pixels = np.array(pixels)
    off = np.abs(pixels[:, :3] - colour[chosen]).max(axis=1)
    # Names, axes and leaders lie over a few.
    assert np.mean(off <= 4) > 0.85
    # Where no bead is near nothing but writing is: the corners of the canvas.
    corners = tab.run(
        "(() => { const c = document.querySelector('#layer'); const p = c.getContext('2d');"
        "return [[2, 2], [c.width - 3, 2], [c.width - 3, c.height - 3]].map(([x, y]) => p.getImageData(x, y, 1, 1).data[3]); })()"
    )
    assert corners == [0, 0, 0]


def look_at(tab: Any, pages: Any, key: str, number: int) -> None:
    """An instance as it is fitted, on a layer, from 1."""
    tab.open(pages.demo)
    index = next(k for k, one in enumerate(pages.data["instances"]) if one["key"] == key)
    tab.choose("#instance", str(index))
    tab.show(number)
    tab.key("0")


@pytest.mark.parametrize("size", [(1440, 900), (1280, 800), (1000, 800), (390, 844)])
def test_pointing_leaves_the_drawing_where_it_is(tab, pages, size):
    tab.look(size)
    look_at(tab, pages, "film-clip#3", 30)
    left, top, width, height = tab.box("#layer")
    seen = set()
    for share in np.linspace(0.05, 0.95, 25):
        tab.mouse("mouseMoved", left + width * share, top + height * share)
        tab.settle()
        seen.add((len(readout(tab)), *tab.box("#layer")))
    assert len({one[0] for one in seen}) > 1, "no bead was met"
    assert {one[1:] for one in seen} == {(left, top, width, height)}


@pytest.mark.parametrize(("part", "number"), [("film-clip", 3), ("ridge-saddle", 2), ("shelf-hook", 4)])
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
        expected = [np.cos(turn) * away[0] + np.sin(turn) * away[1], np.cos(turn) * away[1] - np.sin(turn) * away[0]]
        assert numbers(said[names[0]])[:2] == pytest.approx(expected, abs=0.06)
        if dx == 0:
            centre = True
    assert centre


def test_numbers_of_the_bead_pointed_at_are_the_data(tab, pages):
    look_at(tab, pages, "film-clip#3", 60)
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
        assert (wide, high) == pytest.approx((layer["width"][point] / 100, layer["height"][point] / 200), abs=0.006)
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
    look_at(tab, pages, "film-clip#3", 30)
    tab.press(f"#draw button[data-way={way}]")
    assert tab.run(f"document.querySelector('#draw button[data-way={way}]').getAttribute('aria-pressed')") == "true"
    return mapping(tab)


def test_a_drawn_box_is_a_kit(tab, pages):
    px, py, x, y, scale = start_drawing(tab, pages, "box")
    corners = [(px - 100, py - 60), (px + 60, py + 90)]
    tab.drag(*corners)
    kit = kit_of(tab, "film-clip")
    box = kit.parts["film-clip"].regions["drawn"].within
    place, turn = PLACES["film-clip"][2], np.radians(30.0)
    ends = []
    for sx, sy in corners:
        away = np.array([x + (sx - px) / scale, y - (sy - py) / scale]) - [place.x_mm, place.y_mm]
        ends.append([np.cos(turn) * away[0] + np.sin(turn) * away[1], np.cos(turn) * away[1] - np.sin(turn) * away[0]])
    low, high = np.min(ends, axis=0), np.max(ends, axis=0)
    assert (box.x[0], box.x[1]) == pytest.approx((low[0], high[0]), abs=0.12)
    assert (box.y[0], box.y[1]) == pytest.approx((low[1], high[1]), abs=0.12)
    assert (box.z[0], box.z[1]) == pytest.approx((0.0, 30.0), abs=0.11)
    assert tab.run("document.querySelector('#copy').disabled") is False


def test_a_drawn_ring_sector_is_a_kit(tab, pages):
    px, py, x, y, scale = start_drawing(tab, pages, "ring")
    place = PLACES["film-clip"][2]
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

"""Heights, sides and beads: what is chosen is shown, and what is drawn is what the data say.

The canvas is read two ways: what it is told to draw (lengths of paths by colour), and pixels. Colours of quantities are
compared with matplotlib's cividis.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from page_data import beads_of, colours_named, look_at, mapping, numbers, rgb, side_of, unpacked

STEPS = 24  # of the page's scale
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
@pytest.mark.every(1, 1)
def test_by_turns_honours_who_wants_no_motion(tab, pages, motion, moves):
    tab.look(motion=motion)
    tab.open(pages.pair)
    tab.press("#alternate")
    if moves:
        for side in ("before", "after", "before"):
            tab.until(f"beadwright.side() === '{side}'")
    else:
        tab.run("new Promise((done) => setTimeout(() => done(1), 1200))")
        assert tab.run("beadwright.side()") == "before"
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
    from matplotlib import colormaps

    steps = np.round(np.nan_to_num(share) * STEPS) / STEPS
    return np.round(255 * colormaps["cividis"](steps)[:, :3]).astype(int)


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


def strokes_at(tab: Any, number: int) -> list[tuple[tuple[int, ...], float, int]]:
    """Colour, length and dashes of what is stroked when a layer is shown, how often it is all drawn taken out."""
    tab.run("window.strokes.length = 0")
    tab.show(number)
    raw = tab.run("window.strokes")
    once = [raw[k] for k in range(len(raw)) if raw[k] not in raw[:k]]
    times = len(raw) / len(once)
    assert times == round(times)
    return [
        (rgb(colour), length, dashes)
        for colour, length, _, dashes in once
        if not colour.startswith("[object")
    ]


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
    assert sum(
        how_long for colour, how_long, dashes in drawn if colour == new and not dashes
    ) == pytest.approx(told("after", number), rel=1e-4)
    assert sum(how_long for _, how_long, dashes in drawn if dashes) == pytest.approx(
        told("before", number), rel=1e-4
    )


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
    look_at(tab, pages, "film-clip#2", 60)
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
        "return [[2, 2], [c.width - 3, 2], [c.width - 3, c.height - 3]].map(([x, y]) =>"
        "p.getImageData(x, y, 1, 1).data[3]); })()"
    )
    assert corners == [0, 0, 0]

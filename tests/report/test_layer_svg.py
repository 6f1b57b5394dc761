"""Pictures of a layer: read back as XML, measured against the plates they show."""

from __future__ import annotations

import re
from math import cos, pi, radians, sin
from xml.etree import ElementTree

import numpy as np
import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.report.layer_svg import before_after_svg, layer_svg
from gcodetools.report.strokes import GONE, KEPT, NEW, after, before, of_layer
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

SVG = "{http://www.w3.org/2000/svg}"
LAYER = 40
NUMBER = r"-?\d*\.?\d+"
STEP = re.compile(rf"([MLA])((?:\s?{NUMBER})+)")


@pytest.fixture(scope="module")
def treated():
    plate = Plate.from_bytes(make(parts=(Placement("film-clip", 60, 60),)).data, "clip.gcode")
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    return apply_plate(plate, kit, Options(())).treated


@pytest.fixture(scope="module")
def plate(treated):
    return treated.original


def parsed(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def panels(root: ElementTree.Element) -> list[ElementTree.Element]:
    return [item for item in root if item.tag == f"{SVG}svg"]


def bodies(panel: ElementTree.Element) -> list[tuple[ElementTree.Element, ElementTree.Element]]:
    """(group, path) of every chain of beads drawn at true width."""
    return [(g, path) for g in panel.iter(f"{SVG}g") if "data-kind" in g.attrib for path in g]


def segments(d: str) -> list[tuple[str, list[float]]]:
    return [(a, [float(x) for x in re.findall(NUMBER, b)]) for a, b in STEP.findall(d)]


def length(d: str) -> float:
    """Length of the straight segments of a path."""
    here, total = (0.0, 0.0), 0.0
    for letter, values in segments(d):
        point = (values[-2], values[-1])
        if letter == "L":
            total += float(np.hypot(point[0] - here[0], point[1] - here[1]))
        here = point
    return total


def drawn(panel: ElementTree.Element, name: str = "") -> float:
    return sum(length(path.get("d", "")) for g, path in bodies(panel) if name in g.get("class", ""))


def beads(plate: Plate, layer: int) -> np.ndarray:
    here = (plate.beads.layer == layer) & plate.beads.is_bead
    return np.flatnonzero(here)


def test_every_bead_of_the_layer_is_drawn_once_at_its_width_and_place(plate):
    (panel,) = panels(parsed(layer_svg(plate, LAYER)))
    rows = beads(plate, LAYER)
    found = [s for _, path in bodies(panel) for s in segments(path.get("d", "")) if s[0] != "M"]
    assert len(found) == len(rows)
    ends = np.array(sorted(tuple(values) for _, values in found))
    moves = plate.program.moves
    wanted = np.array(
        sorted((round(x, 3), round(y, 3)) for x, y in zip(moves.x[rows], moves.y[rows], strict=True))
    )
    assert np.allclose(ends, wanted, atol=1.1e-3)
    assert drawn(panel) == pytest.approx(float(plate.beads.length_mm[rows].sum()), rel=1e-3)
    widths = {float(path.get("stroke-width", "")) for _, path in bodies(panel)}
    assert widths == {round(float(w), 2) for w in plate.beads.width[rows]}


def test_kinds_are_told_apart_by_lightness_and_pattern_not_by_hue(plate):
    """No tone of what was there before has a colour to speak of, on light paper and on dark."""
    text = layer_svg(plate, LAYER)
    (panel,) = panels(parsed(text))
    tones = {g.get("data-kind"): g.get("stroke", "") for g, _ in bodies(panel)}
    assert {"outermost", "perimeter", "sparse"} <= set(tones)
    dark = dict(re.findall(r"\.bw-(outermost|perimeter|solid|sparse)\{stroke:(#\w{6})\}", text))
    for tone in [*tones.values(), *dark.values()]:
        red, green, blue = (int(tone[k : k + 2], 16) for k in (1, 3, 5))
        assert max(red, green, blue) - min(red, green, blue) < 26
    for scheme in (tones, dark):
        light = [luminance(scheme[k]) for k in ("outermost", "perimeter", "sparse")]
        steps = np.abs(np.diff(light))
        assert np.all(steps > 15) and np.all(np.diff(np.sign(np.diff(light))) == 0)


def luminance(tone: str) -> float:
    """Lightness L* of CIE 1976 from sRGB (IEC 61966-2-1), 0 to 100."""
    values = np.array([int(tone[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def test_new_rows_are_marked_and_only_they(plate):
    rows = beads(plate, LAYER)
    new = np.zeros(len(plate.moves), bool)
    new[rows[3:9]] = True
    (panel,) = panels(parsed(layer_svg(plate, LAYER, new=new)))
    marked = [s for g, p in bodies(panel) if g.get("class") == "bw-new" for s in segments(p.get("d", ""))]
    assert sum(letter != "M" for letter, _ in marked) == 6
    assert drawn(panel, "bw-new") == pytest.approx(float(plate.beads.length_mm[rows[3:9]].sum()), rel=1e-3)


def test_before_and_after_share_a_box_and_tell_what_went_and_came(treated):
    root = parsed(before_after_svg(treated, LAYER))
    left, right = panels(root)
    assert left.get("viewBox") == right.get("viewBox") and left.get("width") == right.get("width")
    assert [t.text for t in root.iter(f"{SVG}text")][1:3] == ["before", "after"]
    gone = [p for p in left.iter(f"{SVG}path") if p.get("class") == "bw-gone-core"]
    assert gone and all(p.get("stroke-dasharray") for p in gone)
    assert drawn(left, "bw-new") == 0 and not [p for p in right.iter() if "gone" in p.get("class", "")]
    # What the draft removed is on the left alone; what is laid on the right alone.
    removed = sum(length(p.get("d", "")) for p in gone)
    laid = drawn(right, "bw-new")
    assert removed > 1 and laid > 10
    assert drawn(left) - drawn(right) == pytest.approx(removed - laid, abs=0.05)


def test_the_after_panel_is_what_the_treated_file_holds(treated):
    """Drawn from the draft; read back from the bytes it is the same layer."""
    _, right = panels(parsed(before_after_svg(treated, LAYER)))
    again = Plate.from_bytes(treated.render(), "treated.gcode")
    strokes = of_layer(again, LAYER)
    assert drawn(right) == pytest.approx(float(strokes.length_mm.sum()), abs=0.1)
    mine = after(treated.draft, LAYER)
    new = mine.of(mine.status == NEW)
    away = np.hypot(*(new.end[:, None] - strokes.end[None]).transpose(2, 0, 1))
    assert np.all(away.min(axis=1) < 2e-3)
    nearest = strokes.width[away.argmin(axis=1)]
    assert np.allclose(nearest, new.width, atol=0.02)


def test_columns_of_before_are_the_layer_whole(treated):
    strokes = before(treated.draft, LAYER)
    rows = beads(treated.original, LAYER)
    assert set(np.unique(strokes.status)) == {KEPT, GONE}
    total = float(treated.original.beads.length_mm[rows].sum())
    assert float(strokes.length_mm.sum()) == pytest.approx(total, rel=1e-9)


@pytest.mark.parametrize("label", ["<script>alert(1)</script>", 'a" onload="x', "&amp; ]]> \x00\x1b\ud800"])
def test_labels_are_text_and_nothing_else(treated, label):
    root = parsed(before_after_svg(treated, LAYER, title=label))
    assert {item.tag for item in root.iter()} == {
        SVG + name for name in ("svg", "title", "style", "rect", "text", "g", "path")
    }
    assert all(not key.startswith("on") for item in root.iter() for key in item.attrib)
    shown = "".join(c if c.isprintable() else " " for c in label).encode("utf-8", "replace").decode()
    assert next(root.iter(f"{SVG}title")).text == shown


def test_nothing_is_fetched_and_dark_paper_is_provided_for(treated):
    text = before_after_svg(treated, LAYER)
    assert "prefers-color-scheme: dark" in text
    assert not re.search(r"href|url\(|@import|<image|<script", text)
    assert re.findall(r"https?://[^\"' ]+", text) == ["http://www.w3.org/2000/svg"]


def test_a_box_cuts_the_view_and_the_scale_bar_is_its_round_share(plate):
    box = (50.0, 60.0, 62.0, 72.0)
    root = parsed(layer_svg(plate, LAYER, box=box))
    (panel,) = panels(root)
    assert [float(v) for v in panel.get("viewBox", "").split()] == [50.0, -72.0, 12.0, 12.0]
    scale = float(panel.get("width", "")) / 12.0
    assert float(panel.get("height", "")) == pytest.approx(12.0 * scale)
    bar = next(p for p in root.iter(f"{SVG}path") if p.get("class") == "bw-bar")
    begin, end = (float(v) for v in re.findall(rf"[MH]({NUMBER})", bar.get("d", "")))
    words = [t.text for t in root.iter(f"{SVG}text")]
    (said,) = [float(w.removesuffix(" mm")) for w in words if re.fullmatch(r"[\d.]+ mm", w or "")]
    assert end - begin == pytest.approx(said * scale, abs=0.11) and said == 2.0
    whole = [
        s for _, p in bodies(panels(parsed(layer_svg(plate, LAYER)))[0]) for s in segments(p.get("d", ""))
    ]
    cut = [s for _, p in bodies(panel) for s in segments(p.get("d", ""))]
    assert 0 < len(cut) < len(whole)


def test_the_legend_names_each_kind_shown_in_words(treated):
    words = [t.text or "" for t in parsed(before_after_svg(treated, LAYER)).iter(f"{SVG}text")]
    for name in ("outermost perimeter", "perimeter", "sparse fill"):
        assert name in words
    assert any(re.fullmatch(r"sparse fill removed, \d+ mm", w) for w in words)
    assert any(re.fullmatch(r"new bead, \d+ mm", w) for w in words)
    alone = [t.text or "" for t in parsed(layer_svg(treated.original, LAYER)).iter(f"{SVG}text")]
    assert not any("new" in w or "removed" in w for w in alone)


def arc_file(*words: str) -> Plate:
    head = (
        b";LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\nG90\nM83\nG1 Z0.2 F600\n;TYPE:External perimeter\n;WIDTH:0.45\n"
    )
    body = "\n".join(words).encode()
    return Plate.from_bytes(b"; generated\n" + head + body + b"\nG1 X40 Y40 E1\n", "arcs.gcode")


def test_arcs_are_arcs_with_their_radius_and_direction():
    """A quarter counter-clockwise, three quarters clockwise, a full circle as two halves."""
    plate = arc_file(
        "G1 X20 Y10 F3000", "G3 X10 Y20 I-10 J0 E.5", "G1 X20 Y10 F3000", "G2 X10 Y20 I-10 J0 E.5",
        "G1 X30 Y10 F3000", "G3 X30 Y10 I-4 J0 E.9",
    )  # fmt: skip
    (panel,) = panels(parsed(layer_svg(plate, 0)))
    arcs = [v for _, p in bodies(panel) for letter, v in segments(p.get("d", "")) if letter == "A"]
    # rx, ry, rotation, large arc, positive direction, x, y
    assert arcs == [
        [10, 10, 0, 0, 1, 10, 20],
        [10, 10, 0, 1, 0, 10, 20],
        [4, 4, 0, 0, 1, 22, 10],
        [4, 4, 0, 0, 1, 30, 10],
    ]
    flip = next(g for g in panel if g.tag == f"{SVG}g")
    assert flip.get("transform") == "scale(1,-1)"
    strokes = of_layer(plate, 0)
    assert float(strokes.length_mm[:4].sum()) == pytest.approx(10 * pi / 2 + 10 * 1.5 * pi + 8 * pi, abs=1e-3)


def test_a_piece_of_an_arc_begins_and_ends_on_it(treated):
    """Cut at thirds: points in closed form."""
    from gcodetools.edit.draft import Draft

    plate = arc_file("G1 X20 Y10 F3000", "G3 X10 Y20 I-10 J0 E.5")
    row = int(plate.program.arcs.row[0])
    draft = Draft.of(plate, np.array([row, row]), np.array([1 / 3, 2 / 3]))
    draft.remove(np.array([row]), np.array([1 / 3]), np.array([2 / 3]))
    middle = before(draft, 0)
    gone = middle.of(middle.status == GONE)
    at = [(10 + 10 * cos(radians(a)), 10 + 10 * sin(radians(a))) for a in (30, 60)]
    assert np.allclose([gone.begin[0], gone.end[0]], at, atol=1e-9)
    kept = after(draft, 0)
    assert FEATURE_INDEX["outermost"] in kept.feature and len(kept) == len(middle) - 1


@pytest.mark.parametrize("layer", [-1, 10_000])
def test_a_layer_that_is_not_there_is_said(plate, treated, layer):
    for draw in (lambda: layer_svg(plate, layer), lambda: before_after_svg(treated, layer)):
        with pytest.raises(ValueError, match=f"layer {layer + 1} of {len(plate.layers)}"):
            draw()


def test_an_empty_box_is_said(plate):
    with pytest.raises(ValueError, match="an empty box"):
        layer_svg(plate, LAYER, box=(1.0, 1.0, 1.0, 2.0))


def test_a_box_beside_the_beads_is_an_empty_picture(plate):
    (panel,) = panels(parsed(layer_svg(plate, LAYER, box=(0.0, 0.0, 5.0, 5.0))))
    assert bodies(panel) == []

"""Plots compared by numbers with the data behind them; texts shown as they are; the same bytes each time."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from gcodetools.errors import UsageError
from gcodetools.report import sheet as sheet_module
from gcodetools.report.plot_data import (
    LAYER_QUANTITIES,
    STRIP_QUANTITIES,
    LayerBeads,
    LayerPlot,
    LayerSide,
    StripCourse,
    StripPlot,
    StripRegion,
    TracePlot,
    TraceSide,
)
from gcodetools.report.plots import rendered, sheet_of
from gcodetools.report.sheet import DARK, LIGHT, Look, Sheet
from gcodetools.report.strokes import GONE, NEW

ODD = r"$\frac{1}{2}$ <script>alert(1)</script> & \n_^{x} %s {} ü"
SIZES = [(100.0, 80.0), (160.0, 100.0), (300.0, 120.0), (90.0, 200.0)]
MM = 25.4


def beads(count: int = 40, seed: int = 1, value: bool = True) -> LayerBeads:
    """Pieces in chains of five, of three widths, values from 1 to 90 with some unknown."""
    draw = np.random.default_rng(seed)
    points = np.cumsum(draw.uniform(0.5, 2.0, (count + 1, 2)) * [1.0, 0.6], axis=0)
    begin, end = points[:-1].copy(), points[1:].copy()
    begin[::5] += [0.0, 0.4]
    values = draw.uniform(1.0, 90.0, count)
    values[::7] = np.nan
    return LayerBeads(
        begin=begin,
        end=end,
        length_mm=np.hypot(*(end - begin).T),
        width_mm=np.repeat([0.42, 0.5, 0.86, 0.42], -(-count // 4))[:count],
        height_mm=np.full(count, 0.2),
        feature=(np.arange(count) // 5 % 5 + 1).astype(np.uint8),
        row=np.arange(count, dtype=np.int64),
        t=np.full(count, 0.5),
        region=(np.arange(count) // 10 - 1).astype(np.int32),
        status=np.zeros(count, np.uint8),
        value=values if value else np.full(count, np.nan),
    )


def layer(quantity: str = "bond", two: bool = False, words: str = "clip") -> LayerPlot:
    first, second = beads(), beads(seed=2)
    if quantity == "change":
        first = replace(first, status=np.where(np.arange(40) < 10, GONE, 0).astype(np.uint8))
        second = replace(second, status=np.where(np.arange(40) < 15, NEW, 0).astype(np.uint8))
    shown = (LayerSide("before", first), LayerSide("after", second)) if two else (LayerSide("", first),)
    bounds = np.array([side.beads.bounds for side in shown])
    low, high = bounds[:, :2].min(axis=0) - 1, bounds[:, 2:].max(axis=0) + 1
    regions = (words, f"{words} 2", "spine")
    return LayerPlot(
        words,
        words,
        LAYER_QUANTITIES[quantity],
        shown,
        (*low.tolist(), *high.tolist()),
        regions,
        f"modelled; {words}",
    )


def strip(two: bool = True, words: str = "clip", count: int = 2) -> StripPlot:
    draw = np.random.default_rng(3)
    n = 60
    regions = []
    for k in range(count):
        courses = {}
        for name in ("before", "after") if two else ("",):
            best = draw.uniform(15, 20, n)
            best[10:14] = np.nan
            opened = np.zeros(n, bool)
            opened[10:13] = True
            z = 0.2 * np.arange(1, n + 1)
            courses[name] = StripCourse(
                np.arange(1, n + 1, dtype=np.int32), z, best - 5, best, best + 8, opened
            )
        regions.append(StripRegion(f"{words} {k}", (0.2, 12.0), courses))
    shadow = draw.uniform(0, 3, (n, 40))
    return StripPlot(
        words, words, STRIP_QUANTITIES["strength"], tuple(regions), shadow, np.linspace(-10, 10, 41),
        0.2 * np.arange(n + 1), 1, words,
    )  # fmt: skip


def trace(two: bool = True, words: str = "clip", seconds: float = 4000.0) -> TracePlot:
    sides = []
    for name in ("before", "after") if two else ("",):
        t = np.linspace(0, seconds, 500)
        told = np.where((t % 900) > 600, 238.0, 230.0)
        reached = np.convolve(told, np.ones(9) / 9, "same")
        visits = np.column_stack([t[10:200:20], t[15:205:20]])
        fan = np.where(t < 400, 0.0, 0.4)
        sides.append(TraceSide(name, t, told, reached, fan, fan * 0.9, np.arange(500), visits, 0.0))
    return TracePlot(words, words, tuple(sides), "the file", words)


PLOTS = {
    "region": lambda words="clip": layer("region", words=words),
    "change": lambda words="clip": layer("change", two=True, words=words),
    "age": lambda words="clip": layer("age", two=True, words=words),
    "bond": lambda words="clip": layer("bond", words=words),
    "strip": lambda words="clip": strip(words=words),
    "strip of one": lambda words="clip": strip(two=False, words=words, count=1),
    "trace": lambda words="clip": trace(words=words),
    "trace of one": lambda words="clip": trace(two=False, words=words),
}


def axes_of(sheet: Sheet, label: str):
    (found,) = [axes for axes in sheet.figure.axes if axes.get_label() == label]
    return found


def bodies_of(axes):
    (found,) = [c for c in axes.collections if c.get_gid() == "beads"]
    return found


def pt_per_mm(sheet: Sheet, axes) -> float:
    """Points on paper for each mm of the part, from the axes' place on the sheet."""
    box, limits = axes.get_position(), axes.get_xlim()
    across = box.width * sheet.width / (limits[1] - limits[0])
    down = box.height * sheet.height / (axes.get_ylim()[1] - axes.get_ylim()[0])
    assert across == pytest.approx(down)
    return across * 72 / MM


def length(line: np.ndarray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


@pytest.mark.parametrize(
    ("quantity", "size"), [*((q, SIZES[1]) for q in LAYER_QUANTITIES), *(("bond", size) for size in SIZES)]
)
def test_beads_are_drawn_in_their_length_and_width(quantity, size):
    plot = layer(quantity, two=quantity == "change")
    sheet = sheet_of(plot, size)
    for side in plot.sides:
        axes = axes_of(sheet, side.name or "layer")
        bodies = bodies_of(axes)
        lines = bodies.get_segments()
        wide = np.array(bodies.get_linewidths()) / pt_per_mm(sheet, axes)
        shown = sum(length(line) for line in lines)
        covered = sum(length(line) * w for line, w in zip(lines, wide, strict=True))
        # A joint of pieces that part by up to 0.05 mm is drawn through.
        assert shown == pytest.approx(side.beads.length_mm.sum(), rel=1e-6)
        assert covered == pytest.approx((side.beads.length_mm * side.beads.width_mm).sum(), rel=1e-6)
        assert set(np.round(wide, 6)) == {0.42, 0.5, 0.86}


@pytest.mark.every(3)
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("quantity", ["age", "bond", "feed", "rate", "nozzle"])
def test_each_colour_stands_for_its_value(quantity, dark):
    """Each bead's colour is looked up on the drawn scale, and the value read there is the bead's own."""
    plot = layer(quantity, two=True)
    sheet = sheet_of(plot, (160, 100), dark)
    scale = axes_of(sheet, "scale")
    (mesh,) = scale.collections
    tones = mesh.to_rgba(mesh.get_array().ravel())[:, :3]
    edges = mesh.get_coordinates()[0, :, 0]
    lookup = (edges[:-1] + edges[1:]) / 2
    checked = 0
    for side in plot.sides:
        bodies = bodies_of(axes_of(sheet, side.name or "layer"))
        for line, colour in zip(bodies.get_segments(), bodies.get_colors(), strict=True):
            mine = np.flatnonzero(np.all(np.isclose(side.beads.begin, line[0]), axis=1))[0]
            value = side.beads.value[mine]
            if np.isnan(value):
                assert colour[:3] == pytest.approx(sheet.rgb(sheet.look.unknown), abs=1e-6)
                continue
            near = np.abs(tones - colour[:3]).sum(axis=1)
            read = lookup[np.argmin(near)]
            assert near.min() < 1e-6
            assert read == pytest.approx(value, rel=0.02 if plot.quantity.log else 1e-9, abs=0.4)
            checked += 1
    assert checked > 40
    assert scale.get_xlim() == pytest.approx((edges[0], edges[-1]))


def test_beads_in_regions_and_what_changed_have_their_own_tones():
    plot = layer("region")
    sheet = sheet_of(plot, (160, 100))
    bodies = bodies_of(axes_of(sheet, "layer"))
    for line, colour in zip(bodies.get_segments(), bodies.get_colors(), strict=True):
        mine = np.flatnonzero(np.all(np.isclose(plot.sides[0].beads.begin, line[0]), axis=1))[0]
        region = plot.sides[0].beads.region[mine]
        hues = [sheet.rgb(hue) for hue in sheet.look.hues]
        told = [k for k, hue in enumerate(hues) if np.allclose(hue, colour[:3])]
        assert told == ([region] if region >= 0 else [])
    hatched = [patch.get_hatch() for patch in axes_of(sheet, "layer").patches]
    assert len(set(hatched)) == 3 and all(hatched)
    changed = sheet_of(layer("change", two=True), (160, 100))
    accent = changed.rgb(changed.look.accent)
    after = bodies_of(axes_of(changed, "after"))
    new = sum(
        length(line)
        for line, colour in zip(after.get_segments(), after.get_colors(), strict=True)
        if np.allclose(colour[:3], accent)
    )
    one = layer("change", two=True).sides[1].beads
    assert new == pytest.approx(one.length_mm[one.status == NEW].sum())
    texts = " ".join(text.get_text() for text in changed.frame.texts)
    assert f"added, {new:.0f} mm" in texts


@pytest.mark.parametrize("size", SIZES)
def test_the_bar_is_as_long_as_it_says(size):
    plot = layer("region")
    sheet = sheet_of(plot, size)
    (bar,) = [line for line in sheet.frame.lines if line.get_gid() == "scale"]
    on_sheet = float(np.ptp(bar.get_xdata()))
    (words,) = [
        t.get_text() for t in sheet.frame.texts if t.get_text().endswith(" mm") and "," not in t.get_text()
    ]
    scale = pt_per_mm(sheet, axes_of(sheet, "layer")) * MM / 72
    assert on_sheet == pytest.approx(float(words.removesuffix(" mm")) * scale)
    assert on_sheet <= 30.0 + 1e-9


def lines_of(axes) -> dict[str, object]:
    return {line.get_label(): line for line in axes.lines}


def test_a_strip_draws_its_columns():
    plot = strip()
    sheet = sheet_of(plot, (160, 100))
    for region in plot.regions:
        axes = axes_of(sheet, region.name)
        found = lines_of(axes)
        for name, label in (("before", "before"), ("after", "best")):
            course = region.courses[name]
            assert np.array_equal(found[label].get_xdata(), course.best, equal_nan=True)
            assert np.array_equal(found[label].get_ydata(), course.z_mm)
        after = region.courses["after"]
        assert found["least"].get_xdata() == [np.nanmin(after.best)]
        (band,) = axes.collections
        points = np.vstack([path.vertices for path in band.get_paths()])
        known = ~np.isnan(after.best)
        assert (points[:, 0].min(), points[:, 0].max()) == pytest.approx(
            (after.low[known].min(), after.high[known].max())
        )
        edges = [line for line in axes.lines if line.get_label() == "band before"]
        first = region.courses["before"]
        assert [np.nanmin(e.get_xdata()) for e in edges] == [np.nanmin(first.low), np.nanmin(first.high)]
        opened = found["open"].get_ydata()
        assert np.array_equal(opened[~np.isnan(opened)], after.z_mm[after.open])
        k = after.least
        texts = [t.get_text() for t in sheet.frame.texts]
        assert f"least at layer {after.layer[k]}:" in texts
        assert axes.get_ylim() == (plot.z_mm[0], plot.z_mm[-1])


def test_the_part_stands_to_scale_beside_its_strip():
    plot = strip()
    sheet = sheet_of(plot, (160, 100))
    box = axes_of(sheet, "part").get_position()
    wide, high = box.width * sheet.width, box.height * sheet.height
    span = float(plot.x_mm[-1] - plot.x_mm[0])
    assert wide == pytest.approx(min(high * span / 12.0, 0.24 * sheet.width))
    slim = replace(plot, x_mm=np.linspace(-1, 1, 41))
    sheet = sheet_of(slim, (160, 100))
    box = axes_of(sheet, "part").get_position()
    assert box.width * sheet.width / 2.0 == pytest.approx(box.height * sheet.height / 12.0)


@pytest.mark.every(3)
@pytest.mark.parametrize(("seconds", "unit", "each"), [(90, "s", 1), (4000, "min", 60), (20000, "h", 3600)])
def test_a_trace_draws_its_columns(seconds, unit, each):
    plot = trace(seconds=seconds)
    sheet = sheet_of(plot, (160, 100))
    for label, columns in (("nozzle", ("told_c", "reached_c")), ("fan", ("fan_told", "fan"))):
        found = lines_of(axes_of(sheet, label))
        for side in plot.sides:
            for word, column in zip(("commanded", "reached"), columns, strict=True):
                line = found[f"{word}{' before' if side.name == 'before' else ''}"]
                value = getattr(side, column) * (100.0 if label == "fan" else 1.0)
                # Points on a level stretch are left out; what is drawn between them is the same.
                drawn = np.interp(side.t_s / each, line.get_xdata(), line.get_ydata())
                assert drawn == pytest.approx(value)
                assert len(line.get_xdata()) < len(side.t_s)
    visits = axes_of(sheet, "visits")
    for side, line in zip(reversed(plot.sides), visits.lines, strict=True):
        spans = line.get_xdata().reshape(-1, 3)[:, :2]
        assert spans == pytest.approx(side.visits / each)
    assert visits.get_xlabel() == f"time since the file begins, {unit}"


@pytest.mark.every(3)
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", PLOTS)
def test_no_text_leaves_the_sheet(name, size):
    long = "film-clip-with-a-very-long-name-of-a-part-indeed#12 " * 3
    for words in ("clip", long):
        sheet = sheet_of(PLOTS[name](words), size)
        edge = sheet.figure.bbox
        boxes = [(text.get_text(), text.get_window_extent()) for text in sheet.frame.texts]
        boxes += [
            (axes.get_label(), axes.get_tightbbox()) for axes in sheet.figure.axes if axes is not sheet.frame
        ]
        assert len(boxes) > 4
        for text, box in boxes:
            assert min(box.x0, box.y0) >= -1 and box.x1 <= edge.x1 + 1 and box.y1 <= edge.y1 + 1, (text, box)


@pytest.mark.every(3)
@pytest.mark.parametrize("name", PLOTS)
def test_odd_signs_are_shown_as_they_are(name):
    plot = PLOTS[name](ODD)
    text = rendered(plot, "svg", (300, 160)).decode()
    root = ElementTree.fromstring(text)
    tags = {item.tag.rpartition("}")[2] for item in root.iter()}
    assert "script" not in tags and "text" in tags
    shown = [item.text for item in root.iter("{http://www.w3.org/2000/svg}text")]
    assert ODD in shown
    for form in ("png", "pdf"):
        assert len(rendered(plot, form, (300, 160))) > 1000


@pytest.mark.every(3)
@pytest.mark.parametrize("words", ["tab\there\x07 and\nline", "日本語 🦆 \ud800", "$", "$$", "\\", "%", "{"])
def test_any_label_can_be_drawn(words):
    for form in ("png", "svg", "pdf"):
        data = rendered(strip(words=words), form, (160, 100))
        if form == "svg":
            ElementTree.fromstring(data.decode())


@cache
def drawn(name: str, form: str) -> bytes:
    return rendered(PLOTS[name](), form, (160, 100))


@pytest.mark.every(1)
@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
@pytest.mark.parametrize("name", ["region", "strip", "trace"])
def test_the_same_plot_gives_the_same_bytes(name, form):
    data = drawn(name, form)
    assert rendered(PLOTS[name](), form, (160, 100)) == data
    assert {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[form] == data[: 5 if form == "svg" else 4]
    for date in (b"CreationDate", b"dc:date", b"tIME"):
        assert date not in data


@pytest.mark.long
def test_another_process_without_a_display_gives_the_same_bytes(tmp_path):
    """Whatever the hash seed, the time zone and the user's own settings of the library."""
    (tmp_path / "matplotlibrc").write_text(
        "backend: TkAgg\nfont.size: 30\ntext.parse_math: True\nsvg.fonttype: path\n"
    )
    code = (
        "import sys, hashlib, runpy; m = runpy.run_path(sys.argv[1]);"
        "print([hashlib.sha256(m['rendered'](m['PLOTS'][n](), f, (160, 100))).hexdigest()"
        " for n in ('region', 'strip', 'trace') for f in ('png', 'svg', 'pdf')])"
    )
    clean = {key: value for key, value in os.environ.items() if key not in ("DISPLAY", "MPLBACKEND")}
    environment = {
        **clean,
        "PYTHONHASHSEED": "7",
        "TZ": "Asia/Tokyo",
        "MATPLOTLIBRC": str(tmp_path / "matplotlibrc"),
    }
    done = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__))],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    here = [
        hashlib.sha256(drawn(n, f)).hexdigest()
        for n in ("region", "strip", "trace")
        for f in ("png", "svg", "pdf")
    ]
    assert done.stdout.strip() == str(here)


def test_a_sheet_too_small_for_it_is_refused():
    with pytest.raises(UsageError, match="too small") as caught:
        rendered(strip(), "png", (80, 30))
    assert caught.value.hint == "Give a larger --size."


def test_without_the_library_it_says_what_to_install(monkeypatch):
    monkeypatch.setattr(sheet_module, "matplotlib", None)
    with pytest.raises(UsageError, match="not installed") as caught:
        rendered(layer(), "png", (160, 100))
    assert "pip install 'beadwright[plot]'" in caught.value.hint


def luminance(tone: str | np.ndarray) -> float:
    """Relative luminance of WCAG 2 (sRGB, IEC 61966-2-1)."""
    rgb = np.array([int(tone[k : k + 2], 16) / 255 for k in (1, 3, 5)]) if isinstance(tone, str) else tone[:3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    """WCAG 2, success criterion 1.4.3: (L1 + 0.05) / (L2 + 0.05)."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_texts_stand_out_from_the_paper(look: Look):
    for tone in (look.ink, look.quiet, look.accent):
        assert contrast(tone, look.paper) >= 4.5


@pytest.mark.parametrize("dark", [False, True])
def test_the_scale_is_even_and_ascends_in_lightness(dark):
    """Lightness L* of CIE 1976 rises in even steps: told apart without colour."""
    tones = np.array(Sheet((160, 100), dark).scale().colors)
    y = np.array([luminance(tone) for tone in tones])
    light = np.where(y > 0.008856, 116 * np.cbrt(y) - 16, 903.3 * y)
    steps = np.diff(light[::16])
    assert np.all(steps > 0) and steps.max() < 2.5 * steps.min()
    assert light[-1] - light[0] > 45

"""The plot of a fitted trial: the same bytes for the same numbers, everything drawn where it is."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gcodetools.report.plots_tune import drawn_tune, tune_sheet
from gcodetools.report.tune_panels import TunePanel, TunePlot


def panel(name="nozzle", peak=(231.0, 236.0, 243.0), side=(0, 0, 1, 0, -1, 0)):
    x = np.linspace(220, 250, 50)
    best = 30 - 0.02 * (x - 236) ** 2
    return TunePanel(
        name, f"{name}, C", x, best - 2, best, best + 2, np.array([220.0, 230, 230, 240, 250, 250]),
        np.array([25.0, 29, 31, 30, 24, 26]), np.array(side), peak,
    )  # fmt: skip


def plot(*panels):
    return TunePlot(
        "bars.csv: best nozzle 236 C", "petg, 6 specimens", "strength, MPa", "A note.", panels or (panel(),)
    )


def axes_of(sheet, name):
    return next(axes for axes in sheet.figure.axes if axes.get_label() == name)


@pytest.mark.parametrize("form", ["svg", "pdf", "png"])
def test_the_same_plot_gives_the_same_bytes(form):
    heads = {"svg": b"<?xml", "pdf": b"%PDF", "png": b"\x89PNG"}
    data = drawn_tune(plot(), form)
    assert data.startswith(heads[form]) and data == drawn_tune(plot(), form)


def test_mean_band_specimens_and_peak_stand_where_they_are():
    one = panel()
    axes = axes_of(tune_sheet(plot(one)), "nozzle")
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert np.array_equal(lines["mean"].get_ydata(), one.best)
    for label, side in (("broke", 0), ("held", 1), ("broke before", -1)):
        assert np.array_equal(lines[label].get_xdata(), one.at[one.side == side])
        assert np.array_equal(lines[label].get_ydata(), one.value[one.side == side])
    assert lines["held"].get_marker() == "^" and lines["broke before"].get_marker() == "v"
    assert lines["held"].get_markerfacecolor() != lines["broke"].get_markerfacecolor()  # open
    assert (
        list(lines["peak's interval"].get_xdata()) == [231.0, 243.0] and lines["peak"].get_xdata()[0] == 236.0
    )
    (band,) = [c for c in axes.collections if c.get_label() == "band"]
    hull = band.get_paths()[0].vertices
    assert hull[:, 1].min() == pytest.approx(one.low.min()) and hull[:, 1].max() == pytest.approx(
        one.high.max()
    )


def test_no_peak_is_drawn_where_none_is_told():
    axes = axes_of(tune_sheet(plot(panel(peak=None))), "nozzle")
    assert not [line for line in axes.get_lines() if "peak" in line.get_label()]
    assert b">peak<" not in drawn_tune(plot(panel(peak=None)), "svg")


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_panels_share_a_scale_and_do_not_overlap(count):
    names = ["nozzle", "fan", "speed", "flow", "perimeters"][:count]
    sheet = tune_sheet(plot(*(panel(name) for name in names)))
    axes = [axes_of(sheet, name) for name in names]
    assert len({one.get_ylim() for one in axes}) == 1
    boxes = [one.get_position() for one in axes]
    for k, a in enumerate(boxes):
        assert 0 <= a.x0 < a.x1 <= 1 and 0 <= a.y0 < a.y1 <= 1
        for b in boxes[k + 1 :]:
            assert a.x1 <= b.x0 + 1e-9 or b.x1 <= a.x0 + 1e-9 or a.y1 <= b.y0 + 1e-9 or b.y1 <= a.y0 + 1e-9


def test_texts_are_texts_and_the_note_stands_there():
    svg = drawn_tune(plot(), "svg").decode()
    words = re.findall(r"<text[^>]*>([^<]*)</text>", svg)
    assert "A note." in words and "strength, MPa" in words and "held that, did not break" in words


def test_a_band_that_knows_nothing_does_not_flatten_the_rest():
    one = panel()
    wild = TunePanel(
        one.name,
        one.words,
        one.x,
        one.low * 0 + 0.01,
        one.best,
        one.high * 1e4,
        one.at,
        one.value,
        one.side,
        None,
    )
    low, high = axes_of(tune_sheet(plot(wild)), "nozzle").get_ylim()
    assert high < 100 and low >= 0

"""The plot of a fitted trial: specimens, the mean with its band, and where it peaks, over each setting."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from gcodetools.report.sheet import LINE_MM, MARGIN_MM, Sheet, require_plotting, styled
from gcodetools.report.tune_panels import TunePanel, TunePlot

__all__ = ["drawn_tune", "require_plotting", "tune_sheet"]

_LEFT_MM, _BELOW_MM, _GAP_MM, _KEY_MM = 11.0, 10.0, 6.0, 5.0
_ACROSS = 3  # panels in a row
_PANEL_MM = (75.0, 66.0)
_LEAST_WIDE_MM, _ROUND_MM = 130.0, 42.0
_SPARE = 0.08
_BAND = 0.16
_HEAD_SHARE = 0.1  # of the axis, kept for the peak's bracket


def drawn_tune(plot: TunePlot, form: str, dark: bool = False) -> bytes:
    """A plot as the bytes of a file: "png", "svg" or "pdf".

    Raises
    ------
    UsageError : the plotting library is not installed.
    """
    require_plotting()
    with styled():
        return _drawn(plot, dark).bytes(form)


def tune_sheet(plot: TunePlot, dark: bool = False) -> Sheet:
    """A plot, drawn and not yet written.

    Raises
    ------
    UsageError : as `drawn_tune`.
    """
    require_plotting()
    with styled():
        return _drawn(plot, dark)


def _drawn(plot: TunePlot, dark: bool) -> Sheet:
    columns = min(len(plot.panels), _ACROSS)
    rows = math.ceil(len(plot.panels) / columns)
    size = (max(columns * _PANEL_MM[0] + 20.0, _LEAST_WIDE_MM), rows * _PANEL_MM[1] + _ROUND_MM)
    sheet = Sheet(size, dark)
    top = sheet.heading(plot.title, plot.subtitle, sheet.width - 2 * MARGIN_MM)
    foot = sheet.note(plot.note) - 1.0
    _keys(sheet, top + 1.0, plot)
    top += _KEY_MM + LINE_MM
    sheet.text(MARGIN_MM, top - 0.8, plot.words, quiet=True)
    top += 1.0
    left = MARGIN_MM + _LEFT_MM
    wide = (sheet.width - left - MARGIN_MM - (columns - 1) * _GAP_MM) / columns
    high = (foot - top) / rows - _BELOW_MM
    low_y, high_y = _range(plot)
    for k, panel in enumerate(plot.panels):
        x = left + (k % columns) * (wide + _GAP_MM)
        y = top + (k // columns) * (high + _BELOW_MM)
        axes = sheet.axes(x, y, wide, high)
        axes.set_label(panel.name)
        _panel(sheet, axes, panel)
        axes.set_ylim(low_y, high_y)
        if panel.peak is not None:
            _peak(sheet, axes, panel.peak, (low_y, high_y))
        if k % columns:
            axes.set_yticklabels([])
        sheet.text(x + wide / 2, y + high + 7.4, panel.words, ha="center")
    return sheet


def _range(plot: TunePlot) -> tuple[float, float]:
    """One scale for all panels, that holds bands and specimens."""
    values = np.concatenate([np.concatenate([one.low, one.high, one.value]) for one in plot.panels])
    low, high = float(values.min()), float(values.max())
    # A band that knows next to nothing would press everything else flat.
    known = np.concatenate([np.concatenate([one.best, one.value]) for one in plot.panels])
    reach = float(known.max() - known.min()) or max(abs(high), 1.0)
    low, high = max(low, float(known.min()) - reach, 0.0), min(high, float(known.max()) + reach)
    spare = _SPARE * (high - low)
    return max(low - spare, 0.0), high + spare + _HEAD_SHARE * (high - low)


def _panel(sheet: Sheet, axes: Any, panel: TunePanel) -> None:
    look = sheet.look
    axes.fill_between(panel.x, panel.low, panel.high, color=look.ink, alpha=_BAND, linewidth=0, label="band")
    axes.plot(panel.x, panel.best, color=look.ink, linewidth=1.6, label="mean", zorder=3)
    style = _point_style(sheet)
    for side, marker in ((0, "o"), (1, "^"), (-1, "v")):
        mine = panel.side == side
        if np.any(mine):
            label = {0: "broke", 1: "held", -1: "broke before"}[side]
            axes.plot(panel.at[mine], panel.value[mine], marker=marker, label=label, **style[side])
    reach = float(panel.x[-1] - panel.x[0])
    axes.set_xlim(panel.x[0] - 0.05 * reach, panel.x[-1] + 0.05 * reach)


def _point_style(sheet: Sheet) -> dict[int, dict[str, Any]]:
    look = sheet.look
    common: dict[str, Any] = {"linestyle": "none", "zorder": 4, "markeredgewidth": 0.8}
    open_ = {**common, "markersize": 5.0, "markerfacecolor": look.paper, "markeredgecolor": look.ink}
    filled = {**common, "markersize": 3.6, "markerfacecolor": look.ink, "markeredgecolor": look.paper}
    return {0: filled, 1: open_, -1: open_}


def _peak(sheet: Sheet, axes: Any, peak: tuple[float, float, float], span: tuple[float, float]) -> None:
    """A line at the peak and a bracket over its interval."""
    low, best, high = peak
    colour = sheet.look.accent
    y = span[1] - 0.45 * _HEAD_SHARE * (span[1] - span[0])
    axes.plot([best, best], [span[0], y], color=colour, linewidth=0.8, linestyle=(0, (3, 2)), label="peak")
    axes.plot(
        [low, high], [y, y], color=colour, linewidth=2.0, solid_capstyle="butt", label="peak's interval"
    )
    axes.plot([best], [y], color=colour, marker="o", markersize=3.6, linestyle="none", zorder=5)


def _keys(sheet: Sheet, y: float, plot: TunePlot) -> None:
    look = sheet.look
    x = MARGIN_MM
    sheet.patch(x, y - 1.4, 6.5, 2.8, look.unknown, "")
    sheet.stroke([x, x + 6.5], [y, y], color=look.ink, linewidth=1.6)
    x = _word(sheet, x, y, "mean, with the ends of 9 times in 10")
    kinds = [(0, "o", "broke"), (1, "^", "held that, did not break"), (-1, "v", "broke before")]
    for side, marker, words in kinds:
        if any(np.any(panel.side == side) for panel in plot.panels):
            style = {key: value for key, value in _point_style(sheet)[side].items() if key != "zorder"}
            sheet.stroke([x + 3.2], [y], marker=marker, **style)
            x = _word(sheet, x, y, words)
    if any(panel.peak is not None for panel in plot.panels):
        sheet.stroke([x, x + 6.5], [y, y], color=look.accent, linewidth=2.0)
        _word(sheet, x, y, "peak")


def _word(sheet: Sheet, x: float, y: float, words: str) -> float:
    """A word behind its sign; where the next begins."""
    sheet.text(x + 8.0, y, words, va="center")
    return x + 8.0 + sheet.wide(words) + 4.0

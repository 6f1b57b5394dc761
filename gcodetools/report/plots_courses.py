"""Plots of courses: what a part's layers bear along its height, and nozzle and fan over a print's time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError
from gcodetools.report.plot_data import StripCourse, StripPlot, StripRegion, TracePlot, TraceSide
from gcodetools.report.sheet import LINE_MM, MARGIN_MM, NOTE_PT, Sheet

__all__ = ["draw_strip", "draw_trace", "hatch_of"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]

_HATCHES = ("//////", "\\\\\\\\\\\\", "xxxx", "-----", "|||||", "...")
_GAP_MM = 4.0
_LEFT_MM, _BELOW_MM, _RIGHT_MM = 11.0, 10.5, 10.0
_BRACKET_MM = 2.6
_LEAST_SPAN_C = 10.0
_BAND = 0.13
_LEAST_PANEL_MM = 9.0


def hatch_of(number: int) -> str:
    """Hatching of a region; where hues come round again, with another."""
    return _HATCHES[(number + number // len(_HATCHES)) % len(_HATCHES)]


def draw_strip(sheet: Sheet, plot: StripPlot) -> None:
    """The part from the side at the left, to scale along its height; a panel a region beside it.

    Raises
    ------
    UsageError : the sheet is too narrow for the regions.
    """
    two = any(len(region.courses) > 1 for region in plot.regions)
    legend, below = _strip_legend(sheet, two)
    top = sheet.heading(plot.title, plot.subtitle, sheet.width - 2 * MARGIN_MM - legend) + below
    opened = any(np.any(list(region.courses.values())[-1].open) for region in plot.regions)
    head = 11.7 if opened else 9.0
    top += LINE_MM + head - 2.0
    foot = sheet.note(plot.note) - _BELOW_MM
    high = foot - top
    low_z, high_z = float(plot.z_mm[0]), float(plot.z_mm[-1])
    wide = high * float(plot.x_mm[-1] - plot.x_mm[0]) / max(high_z - low_z, 1e-9)
    part_mm = min(wide, 0.24 * sheet.width)
    x = MARGIN_MM + _LEFT_MM
    part = sheet.axes(x, top, part_mm, high)
    part.set_label("part")
    _part(sheet, part, plot)
    x += part_mm + 1.5
    for number, region in enumerate(plot.regions):
        _bracket(sheet, (x, top, high), plot, number, region)
        x += _BRACKET_MM + 0.8
    x += 1.5
    n = len(plot.regions)
    room = sheet.width - MARGIN_MM - _RIGHT_MM - x - _GAP_MM * (n - 1)
    if room / n < _LEAST_PANEL_MM:
        raise UsageError(
            f"--size {sheet.width:g}x{sheet.height:g}: too narrow for {n} regions side by side",
            "Give a wider --size.",
        )
    most = max(_most(region) for region in plot.regions)
    for number, region in enumerate(plot.regions):
        left = x + number * (room / n + _GAP_MM)
        axes = sheet.axes(left, top, room / n, high, sharey=part)
        axes.set_label(region.name)
        axes.tick_params(axis="y", left=False, labelleft=False)
        sheet.swatch(left, top - head, sheet.look.hues[number % 6], hatch_of(number), 4.5)
        sheet.text(left + 6.0, top - head, sheet.fitted(region.name, room / n - 6.0), va="center")
        axes.set_xlim(0, most * 1.04)
        axes.grid(axis="y", color=sheet.look.grey, linewidth=0.3, alpha=0.4)
        for name, course in region.courses.items():
            _course(sheet, axes, course, name == "before")
        place = left, top - head + 4.7, room / n + _GAP_MM - 1.0
        _least(sheet, axes, list(region.courses.values())[-1], plot.quantity.unit, place)
        if number == n - 1:
            _layer_numbers(sheet, axes, plot, high)
    sheet.text(
        x + (sheet.width - MARGIN_MM - _RIGHT_MM - x) / 2, foot + 8.2, plot.quantity.words, ha="center"
    )
    sheet.text(
        MARGIN_MM + 1.2, (top + foot) / 2, "height in the part, mm", rotation=90, ha="center", va="center"
    )
    part.set_ylim(low_z, high_z)


def _strip_legend(sheet: Sheet, two: bool) -> tuple[float, float]:
    """Words and lines at the top right, or below the headings; the room they take there, mm across and down."""
    look = sheet.look
    entries: list[tuple[str, dict[str, Any]]] = [("best estimate, with its band", _line_style(sheet, False))]
    if two:
        entries = [
            ("before", _line_style(sheet, True)),
            ("after, each with its band", _line_style(sheet, False)),
        ]
    wide = sum(sheet.wide(words) + 12.0 for words, _ in entries)
    at_right = wide <= 0.6 * sheet.width
    x, y = sheet.width - MARGIN_MM, MARGIN_MM + (2.2 if at_right else 13.0)
    for words, style in reversed(entries):
        x -= sheet.wide(words)
        sheet.text(x, y, words, va="center")
        x -= 8.0
        if words == "before":
            for off in (-1.5, 1.5):
                sheet.stroke([x, x + 6.5], [y + off, y + off], **_edge_style(sheet))
        else:
            sheet.frame.fill_between([x, x + 6.5], y - 1.5, y + 1.5, color=look.ink, alpha=_BAND, linewidth=0)
        sheet.stroke([x, x + 6.5], [y, y], **style)
        x -= 4.0
    return (wide, 0.0) if at_right else (0.0, LINE_MM + 1.5)


def _line_style(sheet: Sheet, before: bool) -> dict[str, Any]:
    if before:
        return {"color": sheet.look.quiet, "linewidth": 0.8}
    return {"color": sheet.look.ink, "linewidth": 1.8, "solid_capstyle": "round"}


def _edge_style(sheet: Sheet) -> dict[str, Any]:
    return {"color": sheet.look.quiet, "linewidth": 0.6, "linestyle": (0, (1.2, 1.6))}


def _part(sheet: Sheet, axes: Any, plot: StripPlot) -> None:
    """Plastic of each layer, darker where more of it stands behind one another."""
    most = max(
        float(np.percentile(plot.shadow[plot.shadow > 0], 98)) if np.any(plot.shadow > 0) else 1.0, 1e-12
    )
    shade = np.clip(plot.shadow / most, 0.0, 1.0)
    rgba = np.zeros((*shade.shape, 4))
    rgba[..., :3] = sheet.rgb(sheet.look.walls)
    rgba[..., 3] = np.where(shade > 0, 0.12 + 0.88 * shade**0.6, 0.0)
    axes.pcolormesh(plot.x_mm, plot.z_mm, rgba, rasterized=True)
    axes.set_xlim(plot.x_mm[0], plot.x_mm[-1])
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)


def _bracket(
    sheet: Sheet, place: tuple[float, float, float], plot: StripPlot, number: int, region: StripRegion
) -> None:
    """Over which heights a region reaches."""
    x, top, high = place
    low_z, high_z = float(plot.z_mm[0]), float(plot.z_mm[-1])
    course = next(iter(region.courses.values()))
    if len(course.layer) == 0:
        return
    bottom = max(region.z_mm[0] - (course.z_mm[1] - course.z_mm[0] if len(course.z_mm) > 1 else 0.0), low_z)
    ends = np.clip((bottom, min(region.z_mm[1], high_z)), low_z, high_z)
    y = [top + high * (high_z - z) / (high_z - low_z) for z in ends.tolist()]
    sheet.patch(x, y[1], _BRACKET_MM, y[0] - y[1], sheet.look.hues[number % 6], hatch_of(number))


def _most(region: StripRegion) -> float:
    highs = np.concatenate([course.high for course in region.courses.values()])
    return 1.0 if np.all(np.isnan(highs)) else float(np.nanmax(highs))


def _course(sheet: Sheet, axes: Any, course: StripCourse, before: bool) -> None:
    if before:
        for end in (course.low, course.high):
            axes.plot(end, course.z_mm, label="band before", zorder=3, **_edge_style(sheet))
    else:
        axes.fill_betweenx(
            course.z_mm, course.low, course.high, color=sheet.look.ink, alpha=_BAND, linewidth=0, label="band"
        )
    if np.any(course.open):
        z = np.where(course.open, course.z_mm, np.nan)
        colour, size, wide = (sheet.look.quiet, 9.0, 0.7) if before else (sheet.look.accent, 6.0, 1.2)
        axes.plot(
            np.zeros(len(z)), z, color=colour, marker="_", markersize=size, markeredgewidth=wide, linestyle="none",
            clip_on=False, label="open before" if before else "open", zorder=5,
        )  # fmt: skip
    style = _line_style(sheet, before)
    axes.plot(course.best, course.z_mm, label="before" if before else "best", **style)


def _least(
    sheet: Sheet, axes: Any, course: StripCourse, unit: str, place: tuple[float, float, float]
) -> None:
    """Mark the layer with the least; its numbers stand below the region's name. place : x, y and width there, mm."""
    x, y, room = place
    k = course.least
    if np.any(course.open):
        lost = _spans(course.layer[course.open])
        _fitting(sheet, (x, y + 5.4, room), f"{lost}: no strength", f"{lost}: none")
    if k < 0:
        sheet.text(x, y, sheet.fitted("no weld counted", room, NOTE_PT), size=NOTE_PT, quiet=True)
        return
    low, best, high = (float(v[k]) for v in (course.low, course.best, course.high))
    axes.plot(
        [best], [float(course.z_mm[k])], marker="o", markersize=4.0, color=sheet.look.accent, linestyle="none",
        label="least", clip_on=False, zorder=5,
    )  # fmt: skip
    number, told = course.layer[k], f"{_two(best)} ({_two(low)} to {_two(high)})"
    _fitting(sheet, (x, y, room), f"least at layer {number}:", f"layer {number}:")
    _fitting(sheet, (x, y + 2.7, room), f"{told} {unit}", told)


def _fitting(sheet: Sheet, place: tuple[float, float, float], *words: str) -> None:
    """The first of some words that fits, whole, or nothing: half a number tells another one."""
    x, y, room = place
    for text in words:
        if sheet.wide(text, NOTE_PT) <= room:
            sheet.text(x, y, text, size=NOTE_PT, color=sheet.look.accent)
            return


def _spans(layers: I4) -> str:
    """`layers 5 to 21`, or how many of them where there are gaps."""
    low, high = int(layers[0]), int(layers[-1])
    if low == high:
        return f"layer {low}"
    return (
        f"layers {low} to {high}"
        if high - low + 1 == len(layers)
        else f"{len(layers)} of layers {low} to {high}"
    )


def _two(value: float) -> str:
    """Two significant figures."""
    if value <= 0:
        return "0"
    rounded = float(f"{value:.1e}")
    return f"{rounded:.0f}" if rounded >= 10 else f"{rounded:.1f}" if rounded >= 1 else f"{rounded:.2g}"


def _layer_numbers(sheet: Sheet, axes: Any, plot: StripPlot, high: float) -> None:
    """Layers of the instance at the right."""
    first = plot.first_layer
    count = len(plot.z_mm) - 1
    step = next(
        s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10000) if count / s <= max(high / 7.0, 1.0)
    )
    numbers = [n for n in range(first, first + count) if n % step == 0 or count <= 2]
    other = axes.secondary_yaxis("right")
    other.set_yticks([float(plot.z_mm[n - first + 1]) for n in numbers])
    other.set_yticklabels([str(n) for n in numbers])
    other.tick_params(colors=sheet.look.quiet, width=0.6, length=2.5, pad=2.0)
    for spine in other.spines.values():
        spine.set_color(sheet.look.grey)
    other.set_ylabel("layer", color=sheet.look.ink, labelpad=1.5)


def draw_trace(sheet: Sheet, plot: TracePlot) -> None:
    """Nozzle above, fan below, and when beads of a region are laid."""
    legend, below = _trace_legend(sheet, plot)
    top = sheet.heading(plot.title, plot.subtitle, sheet.width - 2 * MARGIN_MM - legend) + 1.0
    top += below
    marked = [side for side in plot.sides if len(side.visits)]
    foot = sheet.note(plot.note) - _BELOW_MM
    visits_mm = 3.4 * len(marked) + (2.0 if marked else 0.0)
    high = foot - top - visits_mm - _GAP_MM
    x, wide = MARGIN_MM + _LEFT_MM + 1.5, sheet.width - 2 * MARGIN_MM - _LEFT_MM - 1.5
    nozzle = sheet.axes(x, top, wide, 0.62 * high)
    fan = sheet.axes(x, top + 0.62 * high + _GAP_MM, wide, 0.38 * high, sharex=nozzle)
    nozzle.set_label("nozzle")
    fan.set_label("fan")
    unit, seconds = _clock(plot)
    for side in plot.sides:
        before = side.name == "before"
        t = side.t_s / seconds
        _pair(sheet, nozzle, t, (side.told_c, side.reached_c), before)
        _pair(sheet, fan, t, (100.0 * side.fan_told, 100.0 * side.fan), before)
    _limits(nozzle, fan, plot, seconds)
    nozzle.tick_params(labelbottom=False)
    for axes, words in ((nozzle, "nozzle, °C"), (fan, "fan, %")):
        axes.set_ylabel(words, color=sheet.look.ink, labelpad=2.0)
        axes.yaxis.set_label_coords(-9.5 / wide, 0.5)
        axes.grid(axis="y", color=sheet.look.grey, linewidth=0.3, alpha=0.4)
    if marked:
        fan.tick_params(labelbottom=False)
        low = _visits(sheet, marked, (x, foot - visits_mm + 2.0, wide), nozzle, seconds)
    (low if marked else fan).set_xlabel(
        f"time since {plot.since} begins, {unit}", color=sheet.look.ink, labelpad=2.0
    )


def _trace_legend(sheet: Sheet, plot: TracePlot) -> tuple[float, float]:
    """Words and lines at the top right, or below the headings; the room they take there, mm across and down."""
    two = len(plot.sides) > 1
    entries: list[tuple[str, dict[str, Any]]] = []
    for side in plot.sides:
        before = side.name == "before"
        suffix = f" {side.name}" if two else ""
        entries += [
            (f"commanded{suffix}", _told_style(sheet, before)),
            (f"reached{suffix}", _reached_style(sheet, before)),
        ]
    wide = sum(sheet.wide(words) + 11.0 for words, _ in entries) - 3.0
    at_right = wide <= 0.6 * sheet.width
    x, y, rows = (
        (sheet.width - MARGIN_MM - wide, MARGIN_MM + 2.2, 0) if at_right else (MARGIN_MM, MARGIN_MM + 13.0, 1)
    )
    for words, style in entries:
        if x + 8.0 + sheet.wide(words) > sheet.width - MARGIN_MM + 0.1:
            x, y, rows = MARGIN_MM, y + LINE_MM + 0.6, rows + 1
        sheet.stroke([x, x + 6.5], [y, y], **style)
        sheet.text(x + 8.0, y, words, va="center")
        x += sheet.wide(words) + 11.0
    return (wide, 0.0) if at_right else (0.0, rows * (LINE_MM + 0.6) + 0.9)


def _told_style(sheet: Sheet, before: bool) -> dict[str, Any]:
    if before:
        return {"color": sheet.look.quiet, "linewidth": 0.6, "linestyle": (0, (1.2, 1.6))}
    return {"color": sheet.look.accent, "linewidth": 0.6}


def _reached_style(sheet: Sheet, before: bool) -> dict[str, Any]:
    return {"color": sheet.look.grey if before else sheet.look.ink, "linewidth": 1.0 if before else 1.8}


def _pair(sheet: Sheet, axes: Any, t: F8, pair: tuple[F8, F8], before: bool) -> None:
    """Commanded in steps, reached as it followed."""
    name = " before" if before else ""
    kept = _bends(pair)
    t, pair = t[kept], (pair[0][kept], pair[1][kept])
    axes.plot(t, pair[1], label=f"reached{name}", zorder=2 if before else 4, **_reached_style(sheet, before))
    axes.plot(
        t,
        pair[0],
        label=f"commanded{name}",
        drawstyle="steps-post",
        zorder=3 if before else 5,
        **_told_style(sheet, before),
    )


def _bends(pair: tuple[F8, F8]) -> NDArray[np.bool_]:
    """(n,) the points where a line through all of them leaves the level, and the ends."""
    columns = np.nan_to_num(np.stack(pair), nan=-1.0)
    kept = np.ones(columns.shape[1], bool)
    level = np.all(columns[:, 1:] == columns[:, :-1], axis=0)
    kept[1:-1] = ~(level[:-1] & level[1:])
    return kept


def _clock(plot: TracePlot) -> tuple[str, float]:
    """Unit of the time axis, and how many seconds it has."""
    spans = [float(np.ptp(side.t_s)) for side in plot.sides if len(side.t_s)]
    longest = max(spans, default=0.0)
    return ("h", 3600.0) if longest > 10800 else ("min", 60.0) if longest > 180 else ("s", 1.0)


def _limits(nozzle: Any, fan: Any, plot: TracePlot, seconds: float) -> None:
    times = np.concatenate([side.t_s for side in plot.sides]) / seconds
    if len(times):
        spare = max(float(np.ptp(times)) * 0.01, 1e-6)
        nozzle.set_xlim(float(times.min()) - spare, float(times.max()) + spare)
    values = np.concatenate([np.concatenate([side.told_c, side.reached_c]) for side in plot.sides])
    if not np.all(np.isnan(values)):
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        spare = max((_LEAST_SPAN_C - (high - low)) / 2, 0.06 * (high - low), 1.0)
        nozzle.set_ylim(low - spare, high + spare)
    fan.set_ylim(-5, 105)


def _visits(
    sheet: Sheet, marked: list[TraceSide], place: tuple[float, float, float], nozzle: Any, seconds: float
) -> Any:
    """A row of bars a side: when beads of a region are laid; the time axis stands below."""
    x, y, wide = place
    high = 3.4 * len(marked)
    axes = sheet.axes(x, y, wide, high, sharex=nozzle)
    axes.set_label("visits")
    for k, side in enumerate(reversed(marked)):
        # One line with gaps: thousands of bars would be thousands of shapes.
        ends = np.column_stack([side.visits / seconds, np.full(len(side.visits), np.nan)]).ravel()
        colour = sheet.look.grey if side.name == "before" else sheet.look.ink
        axes.plot(
            ends,
            np.full(len(ends), k + 0.5),
            color=colour,
            linewidth=5.0,
            solid_capstyle="butt",
            label=side.name,
        )
    axes.set_ylim(0, len(marked))
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    sheet.text(x - 1.5, y + high / 2, "in regions", ha="right", va="center", size=NOTE_PT)
    return axes

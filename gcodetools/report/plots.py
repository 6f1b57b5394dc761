"""The plots: one layer at true width, a part along its height, nozzle and fan over time."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.report.layer_values import chains
from gcodetools.report.plot_data import LayerBeads, LayerPlot, Plot, StripPlot
from gcodetools.report.plots_courses import draw_strip, draw_trace, hatch_of
from gcodetools.report.sheet import FORMS, LINE_MM, MARGIN_MM, PT_PER_MM, Sheet, plain_number, styled
from gcodetools.report.sheet import require_plotting as require_plotting
from gcodetools.report.strokes import GONE, NEW
from gcodetools.toolpath.beads import FEATURE_INDEX

__all__ = ["FORMS", "rendered", "require_plotting", "sheet_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Size = tuple[float, float]

_STEPS = 256
_CORE_PT, _CORE_SHARE, _CORED_PT = 0.35, 0.1, 1.2  # of middles; finer beads are drawn without
_GAP_MM = 5.0
_BAR_MM, _STACK_MM = 56.0, 4.5
_WALL, _INNER = (FEATURE_INDEX["outermost"],), (FEATURE_INDEX["perimeter"], FEATURE_INDEX["overhang"])
_FILL = tuple(FEATURE_INDEX[w] for w in ("solid", "bridge", "gap", "sparse"))


def rendered(plot: Plot, form: str, size_mm: Size, dark: bool = False) -> bytes:
    """A plot as the bytes of a file: "png", "svg" or "pdf". size_mm : width and height.

    Raises
    ------
    UsageError : the plotting library is not installed, or the sheet is too small.
    """
    require_plotting()
    with styled():
        return _drawn(plot, size_mm, dark).bytes(form)


def sheet_of(plot: Plot, size_mm: Size, dark: bool = False) -> Sheet:
    """A plot, drawn and not yet written.

    Raises
    ------
    UsageError : as `rendered`.
    """
    require_plotting()
    with styled():
        return _drawn(plot, size_mm, dark)


def _drawn(plot: Plot, size_mm: Size, dark: bool) -> Sheet:
    sheet = Sheet(size_mm, dark)
    if isinstance(plot, LayerPlot):
        _layer(sheet, plot)
    elif isinstance(plot, StripPlot):
        draw_strip(sheet, plot)
    else:
        draw_trace(sheet, plot)
    return sheet


def _layer(sheet: Sheet, plot: LayerPlot) -> None:
    top = sheet.heading(plot.title, plot.subtitle, sheet.width - 2 * MARGIN_MM)
    named = any(side.name for side in plot.sides)
    foot = sheet.note(plot.note) - 1.0
    keys = _Keys(sheet, plot)
    key_height = keys.height
    places, scale = _places(
        plot, (top, foot - key_height - 3.0), sheet.width, LINE_MM + 1.0 if named else 0.0
    )
    keys.draw(foot - key_height, scale)
    for side, (x, y, width, height) in zip(plot.sides, places, strict=True):
        if side.name:
            sheet.text(x, y - 1.6, side.name)
        axes = sheet.bare(x, y, width, height, plot.box)
        axes.set_label(side.name or "layer")
        _beads(sheet, axes, plot, side.beads, keys, scale * PT_PER_MM)


def _places(
    plot: LayerPlot, span: Size, width: float, name_mm: float
) -> tuple[list[tuple[float, float, float, float]], float]:
    """Panels side by side or one above the other, whichever shows more; and mm on the sheet for each of the part's."""
    across, down = plot.box[2] - plot.box[0], plot.box[3] - plot.box[1]
    n, room = len(plot.sides), width - 2 * MARGIN_MM
    high = max(span[1] - span[0], 5.0)
    options = []
    for columns, rows in {(n, 1), (1, n)}:
        free = (room - _GAP_MM * (columns - 1)) / columns, (high - _GAP_MM * (rows - 1)) / rows - name_mm
        options.append((min(free[0] / across, free[1] / down), columns))
    scale, columns = max(options)
    w, h = across * scale, down * scale
    cell = (room - _GAP_MM * (columns - 1)) / columns
    rows = n // columns
    spare = max(high - rows * (h + name_mm) - _GAP_MM * (rows - 1), 0.0) / 2
    places = []
    for k in range(n):
        column, row = k % columns, k // columns
        x = MARGIN_MM + column * (cell + _GAP_MM) + (cell - w) / 2
        places.append((x, span[0] + spare + name_mm + row * (h + name_mm + _GAP_MM), w, h))
    return places, scale


class _Keys:
    """What tones stand for: a colour scale for a quantity, swatches for regions and changes; and a bar of a round
    length beside it."""

    def __init__(self, sheet: Sheet, plot: LayerPlot) -> None:
        self.sheet, self.plot = sheet, plot
        self.scaled = plot.quantity.key not in ("region", "change")
        values = np.concatenate([side.beads.value for side in plot.sides])
        known = values[~np.isnan(values)]
        gaps = self.scaled and len(known) < len(values)
        bond = plot.quantity.key == "bond"
        self.unknown = ("in no region, or no weld counted" if bond else "not known") if gaps else ""
        self.bar_mm = min(_BAR_MM, 0.4 * sheet.width)
        self.left = MARGIN_MM + _longest_bar(sheet) + 16.0
        room = sheet.width - MARGIN_MM - self.bar_mm - 5.0 - self.left
        self.stacked = bool(self.unknown) and sheet.wide(self.unknown) + 7.4 > room
        self.range = _range(known, plot.quantity.log, plot.quantity.least) if len(known) else None
        if self.range is not None:
            self.norm = sheet.norm(*self.range, plot.quantity.log)
        self.map = sheet.scale()
        self.rows = [] if self.scaled else self._in_rows(self._entries())

    @property
    def height(self) -> float:
        """How much room they take, mm."""
        if self.scaled:
            return 10.0 + (_STACK_MM if self.stacked else 0.0)
        return len(self.rows) * (LINE_MM + 1.0) + 0.5

    def tones(self, beads: LayerBeads) -> tuple[I8, list[Any]]:
        """(n,) which tone each piece has, and the tones."""
        look = self.sheet.look
        if self.scaled:
            known = ~np.isnan(beads.value)
            tone = np.full(len(beads), _STEPS, np.int64)
            if self.range is not None:
                tone[known] = np.clip(np.asarray(self.norm(beads.value[known])) * _STEPS, 0, _STEPS - 1)
            return tone, [*self.map.colors, look.unknown]  # type: ignore[misc]
        tone = np.full(len(beads), 3, np.int64)
        for number, kinds in enumerate((_WALL, _INNER, _FILL)):
            tone[np.isin(beads.feature, kinds)] = number
        colours = [look.walls, look.inner, look.fills, look.rest, look.accent, *look.hues]
        if self.plot.quantity.key == "change":
            tone[beads.status == NEW] = 4
            tone[beads.status == GONE] = 3
        else:
            mine = beads.region >= 0
            tone[mine] = 5 + beads.region[mine] % len(look.hues)
        return tone, colours

    def _entries(self) -> list[tuple[str, str, str, str]]:
        """(kind of swatch, tone, hatch, words) of what is there."""
        look, sides = self.sheet.look, [side.beads for side in self.plot.sides]
        if self.plot.quantity.key == "change":
            removed, added = (
                sum(float(one.length_mm[one.status == status].sum()) for one in sides)
                for status in (GONE, NEW)
            )
            return [
                ("bead", look.accent, "", f"added, {added:.0f} mm"),
                ("dashed", look.rest, "", f"removed, {removed:.0f} mm"),
                ("bead", look.inner, "", "in both"),
            ]
        used = np.unique(np.concatenate([one.region for one in sides]))
        found = [
            ("area", look.hues[k % len(look.hues)], hatch_of(k), self.plot.regions[k])
            for k in used.tolist()
            if k >= 0
        ]
        outside = np.concatenate([one.feature[one.region < 0] for one in sides])
        kinds = (
            (_WALL, look.walls, "outermost"), (_INNER, look.inner, "perimeter"), (_FILL, look.fills, "fill"),
        )  # fmt: skip
        there = [(tone, words) for codes, tone, words in kinds if np.any(np.isin(outside, codes))]
        if there:
            words = ", ".join(words for _, words in there) + (" in no region" if found else "")
            found.append(("tones", " ".join(tone for tone, _ in there), "", words))
        if np.any(~np.isin(outside, (*_WALL, *_INNER, *_FILL))):
            found.append(("bead", look.rest, "", "skirt, support or the like"))
        return found

    def _in_rows(self, entries: list[tuple[str, str, str, str]]) -> list[list[tuple[float, Any]]]:
        """Entries with their x, wrapped."""
        left = self.left
        rows: list[list[tuple[float, Any]]] = [[]]
        x = left
        for kind, tone, hatch, words in entries:
            words = self.sheet.fitted(words, self.sheet.width - left - MARGIN_MM - 9.0)
            needed = 8.0 + self.sheet.wide(words)
            if x + needed > self.sheet.width - MARGIN_MM and rows[-1]:
                rows.append([])
                x = left
            rows[-1].append((x, (kind, tone, hatch, words)))
            x += needed + 5.0
        return rows

    def draw(self, top: float, scale: float) -> None:
        sheet, look = self.sheet, self.sheet.look
        _scale_bar(sheet, top + self.height - 5.1 if self.scaled else top + 2.2, scale)
        if self.scaled:
            self._bar(top)
            return
        for number, row in enumerate(self.rows):
            y = top + 2.2 + number * (LINE_MM + 1.0)
            for x, (kind, tone, hatch, words) in row:
                if kind == "area":
                    sheet.swatch(x, y, tone, hatch)
                elif kind == "tones":
                    for k, one in enumerate(tones := tone.split()):
                        sheet.patch(x, y - 1.4 + 2.8 * k / len(tones), 6.0, 2.8 / len(tones), one, "")
                else:
                    sheet.stroke([x + 1.2, x + 4.8], [y, y], color=tone, linewidth=2.4 * PT_PER_MM)
                if kind == "dashed":
                    dash = (0, (2.2, 1.6))
                    sheet.stroke([x, x + 6], [y, y], color=look.accent, linewidth=0.9, linestyle=dash)
                sheet.text(x + 7.4, y, words, va="center")

    def _bar(self, top: float) -> None:
        """The colour scale with its numbers; what has no value is told beside it, or above where room is short."""
        sheet, quantity = self.sheet, self.plot.quantity
        right = sheet.width - MARGIN_MM
        x, wide = right - self.bar_mm, sheet.wide(self.unknown) + 7.4
        if self.unknown:
            left, y = (right - wide, top + 1.6) if self.stacked else (x - wide - 5.0, top + 4.9)
            sheet.swatch(left, y, sheet.look.unknown)
            sheet.text(left + 7.4, y, self.unknown, va="center", quiet=True)
        top += _STACK_MM if self.stacked else 0.0
        sheet.text(min(x, right - sheet.wide(quantity.words)), top + 2.4, quantity.words)
        if self.range is None:
            return
        axes = sheet.axes(x, top + 3.6, self.bar_mm, 2.6)
        low, high = self.range
        edges = np.geomspace(low, high, _STEPS + 1) if quantity.log else np.linspace(low, high, _STEPS + 1)
        axes.pcolormesh(edges, [0, 1], np.arange(_STEPS)[None, :], cmap=self.map, rasterized=True)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlim(low, high)
        if quantity.log:
            axes.set_xscale("log")
            axes.minorticks_off()
            axes.set_xticks(_round_values(low, high))
            axes.xaxis.set_major_formatter(sheet.formatter())
        axes.set_label("scale")


def _range(known: F8, log: bool, least: float) -> Size:
    """Ends of a scale that hold all values, at least so far apart."""
    low, high = float(known.min()), float(known.max())
    if log:
        low = max(low, 1e-3)
        grow = max(math.sqrt(max(least, 1.01) / (high / low)), 1.0) if high / low < least else 1.0
        return low / grow, high * grow
    grow = max(least - (high - low), 0.0) / 2
    return low - min(grow, max(low, 0.0)), high + grow + (grow - min(grow, max(low, 0.0)))


def _round_values(low: float, high: float) -> list[float]:
    """Values to stand at a scale by ratios."""
    for steps in ((1,), (1, 3), (1, 2, 5)):
        found = [m * 10.0**e for e in range(-3, 6) for m in steps if low <= m * 10.0**e <= high]
        if len(found) >= 3:
            return found
    step = next(m * 10.0**e for e in range(-4, 6) for m in (1, 2, 5) if (high - low) / (m * 10.0**e) <= 5)
    return [float(step * k) for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _beads(
    sheet: Sheet, axes: Any, plot: LayerPlot, beads: LayerBeads, keys: _Keys, pt_per_mm: float
) -> None:
    """Beads at their true width, a fine line along their middle; hatching over regions."""
    tone, tones = keys.tones(beads)
    lines, starts = chains(beads, tone)
    first = starts[:-1]
    wide = beads.width_mm[first] * pt_per_mm
    colours = [tones[k] for k in tone[first].tolist()]
    bodies = sheet.strokes(axes, lines, linewidths=wide, colors=colours, zorder=1)
    bodies.set_gid("beads")
    if plot.quantity.key == "region":
        for k in np.unique(beads.region[beads.region >= 0]).tolist():
            sheet.hatched(axes, _rings(beads, beads.region == k), hatch_of(k))
    gone = beads.status[first] == GONE
    cored = np.flatnonzero(~gone & (wide >= _CORED_PT))
    fine = np.minimum(_CORE_PT, _CORE_SHARE * wide[cored])
    sheet.strokes(
        axes, [lines[k] for k in cored], linewidths=fine, colors=sheet.look.paper, zorder=2, alpha=0.75
    )
    if np.any(gone):
        removed = [line for line, out in zip(lines, gone.tolist(), strict=True) if out]
        sheet.strokes(
            axes,
            removed,
            linewidths=0.9,
            colors=sheet.look.accent,
            linestyles=[(0, (2.2, 1.6))],
            capstyle="butt",
            zorder=2,
        )


def _rings(beads: LayerBeads, chosen: NDArray[np.bool_]) -> list[F8]:
    """Rings of the area that some beads cover."""
    lines = shapely.linestrings(np.stack([beads.begin[chosen], beads.end[chosen]], axis=1))
    area = shapely.union_all(shapely.buffer(lines, beads.width_mm[chosen] / 2, quad_segs=4))
    found = []
    for polygon in shapely.get_parts(shapely.simplify(area, 0.02)):
        rings = [shapely.get_exterior_ring(polygon), *polygon.interiors]
        found += [shapely.get_coordinates(ring) for ring in rings]
    return found


def _longest_bar(sheet: Sheet) -> float:
    return min(30.0, 0.2 * sheet.width)


def _scale_bar(sheet: Sheet, y: float, scale: float) -> None:
    """A bar of a round length. scale : mm on the sheet for each of the part's."""
    steps = [m * 10.0**e for e in range(-2, 4) for m in (1, 2, 5)]
    size = max(step for step in steps if step * scale <= _longest_bar(sheet) or step == steps[0])
    x = MARGIN_MM + 0.2
    end = x + size * scale
    sheet.stroke(
        [x, x, x, end, end, end],
        [y - 1, y + 1, y, y, y - 1, y + 1],
        color=sheet.look.ink,
        linewidth=0.9,
        gid="scale",
    )
    sheet.text(end + 1.6, y, f"{plain_number(size)} mm", va="center")

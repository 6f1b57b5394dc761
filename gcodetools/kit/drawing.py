"""Drawings of parts to read coordinates from: SVG text with a grid in the part's own frame, mm.

Whatever comes from files is escaped; nothing in a drawing runs or is fetched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from html import escape
from itertools import pairwise
from math import ceil, floor

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.schema import Kit, Part
from gcodetools.kit.sections import heights_in, outline_of, section_at
from gcodetools.marks.objects import readable
from gcodetools.records import dataclass

__all__ = ["ACCENT", "GREY", "INK", "PAPER", "Panel", "Row", "draw", "draw_sections", "plain_text"]

F8 = NDArray[np.float64]

PAPER, INK, GREY, ACCENT = "#FAF8F4", "#23282D", "#8A9097", "#B4552D"
_PANEL_PX = 380.0
_GAP_PX, _LEFT_PX, _HEAD_PX, _FOOT_PX = 28.0, 46.0, 34.0, 30.0
_MARGIN_MM = 2.0
_STEPS_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_MOST_LINES = 16
_PANELS = 3


@dataclass(frozen=True, slots=True)
class Panel:
    """One section. plastic : outlined quietly. marked : (label, polygons) filled in the accent colour.
    beads : centre lines (k, 2), thin and grey."""

    title: str
    plastic: shapely.Geometry
    marked: tuple[tuple[str, shapely.Geometry], ...] = ()
    beads: tuple[F8, ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True)
class Row:
    """Panels side by side at one scale under a heading, with lines of text below."""

    heading: str
    panels: tuple[Panel, ...]
    notes: tuple[str, ...] = ()


def plain_text(text: str) -> str:
    """Text for a drawing or a comment: one line, nothing that XML forbids or UTF-8 can't hold."""
    kept = "".join(c if c.isprintable() else " " for c in readable(text))
    return kept.encode("utf-8", "replace").decode()


def draw(title: str, rows: Sequence[Row]) -> str:
    """A drawing as SVG text; x to the right, y up, grid labelled in mm."""
    top, width, body = 58.0, 2 * _GAP_PX + 300.0, []
    for row in rows:
        text, across, down = _row(row, top)
        body.append(text)
        width, top = max(width, across), top + down
    name = escape(plain_text(title))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {top:.0f}" '
            f'width="{width:.0f}" height="{top:.0f}" role="img" font-family="sans-serif">',
            f"<title>{name}</title>",
            f'<rect width="100%" height="100%" fill="{PAPER}"/>',
            _text(_GAP_PX, 34.0, title, size=17),
            *body,
            "</svg>",
            "",
        ]
    )


def draw_sections(kit: Kit) -> str:
    """A kit's parts with their regions at up to three heights each."""
    rows = [_part_row(name, part) for name, part in kit.parts.items()]
    return draw(f"Kit {kit.name}: first-layer outlines and regions, mm in each part's own frame", rows)


def _part_row(name: str, part: Part) -> Row:
    outline = outline_of(part)
    drawn = outline
    if outline.is_empty:
        # Without an outline the regions themselves say how large the drawing must be.
        drawn = shapely.box(-50, -50, 50, 50)
    room = shapely.box(*(np.array(drawn.bounds) + np.array([-1, -1, 1, 1]) * _MARGIN_MM))
    panels = []
    for z in _telling_heights(part, outline, room):
        cuts = ((title, section_at(r.within, z, outline, room)) for title, r in part.regions.items())
        marked = tuple((title, shapely.intersection(cut, room)) for title, cut in cuts if not cut.is_empty)
        panels.append(Panel(f"z = {z:.2f}", outline, marked))
    notes = [] if not outline.is_empty else ["no outline in the kit: its frame is the first layer's centre"]
    height = part.found_by.height_mm
    heading = name if height is None else f"{name}, {height:g} mm high"
    return Row(heading, tuple(panels), tuple(notes))


def _telling_heights(part: Part, outline: shapely.Geometry, room: shapely.Geometry) -> list[float]:
    """Up to three heights that together show as many regions as they can, from the bed upward."""
    bounds = [z for region in part.regions.values() for z in heights_in(region.within)]
    height = part.found_by.height_mm or max([1.0, *bounds])
    levels = sorted({0.0, height, *(z for z in bounds if 0 < z < height)})
    middles = [(a + b) / 2 for a, b in pairwise(levels)]
    spans = np.diff(levels)
    shows = [
        {t for t, r in part.regions.items() if not section_at(r.within, z, outline, room).is_empty}
        for z in middles
    ]
    chosen: list[int] = []
    seen: set[str] = set()
    while len(chosen) < min(_PANELS, len(middles)):
        left = [k for k in range(len(middles)) if k not in chosen]
        best = max(left, key=lambda k: (len(shows[k] - seen), len(shows[k]), spans[k]))
        if chosen and not shows[best] - seen and len(chosen) >= 2:
            break
        chosen.append(best)
        seen |= shows[best]
    return [middles[k] for k in sorted(chosen)]


def _row(row: Row, top: float) -> tuple[str, float, float]:
    """SVG of a row, its width and its height, px."""
    boxes = [_bounds(panel) for panel in row.panels]
    low, high = np.min([b[:2] for b in boxes], axis=0), np.max([b[2:] for b in boxes], axis=0)
    low, high = low - _MARGIN_MM, high + _MARGIN_MM
    scale = _PANEL_PX / float(max(*(high - low), 1e-6))
    across, down = ((high - low) * scale).tolist()
    parts = [_text(_GAP_PX, top + 14.0, row.heading, size=14)]
    for k, panel in enumerate(row.panels):
        left = _GAP_PX + _LEFT_PX + k * (across + _GAP_PX + _LEFT_PX)
        parts.append(_panel(panel, left, top + _HEAD_PX + 16.0, low, high, scale))
    foot = top + _HEAD_PX + 16.0 + down + _FOOT_PX
    parts += [_text(_GAP_PX, foot + 16.0 * (k + 1), note, GREY, 11) for k, note in enumerate(row.notes)]
    width = _GAP_PX + len(row.panels) * (across + _GAP_PX + _LEFT_PX)
    return "\n".join(parts), max(width, 520.0), foot + 16.0 * (len(row.notes) + 1) - top


def _bounds(panel: Panel) -> F8:
    shapes = [panel.plastic, *(shape for _, shape in panel.marked)]
    held = [shape.bounds for shape in shapes if not shape.is_empty]
    if not held:
        return np.array([-5.0, -5.0, 5.0, 5.0])
    boxes = np.array(held)
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])


def _panel(panel: Panel, left: float, top: float, low: F8, high: F8, scale: float) -> str:
    def px(points: F8) -> F8:
        moved: F8 = np.column_stack(
            [left + (points[:, 0] - low[0]) * scale, top + (high[1] - points[:, 1]) * scale]
        )
        return moved

    parts = [_text(left, top - 8.0, panel.title, GREY, 12), *_grid(left, top, low, high, scale)]
    if not panel.plastic.is_empty:
        style = f'fill="{GREY}" fill-opacity="0.12" stroke="{INK}" stroke-width="1.1"'
        parts.append(f'<path d="{_path(panel.plastic, px)}" fill-rule="evenodd" {style}/>')
    if panel.beads:
        runs = " ".join(_run(px(line), "") for line in panel.beads if len(line) > 1)
        parts.append(f'<path d="{runs}" fill="none" stroke="{GREY}" stroke-width="0.5"/>')
    for label, shape in panel.marked:
        if shape.is_empty:
            continue
        style = f'fill="{ACCENT}" fill-opacity="0.3" stroke="{ACCENT}" stroke-width="1"'
        parts.append(f'<path d="{_path(shape, px)}" fill-rule="evenodd" {style}/>')
        spot = px(shapely.get_coordinates(shapely.point_on_surface(shape)))[0]
        parts.append(_text(spot[0], spot[1] + 4.0, label, ACCENT, 12, "middle", halo=True))
    return "\n".join(parts)


def _grid(left: float, top: float, low: F8, high: F8, scale: float) -> list[str]:
    """Lines at round coordinates with their numbers; those through the frame's origin are darker."""
    span = float(max(high - low))
    step = next((s for s in _STEPS_MM if span / s <= _MOST_LINES), _STEPS_MM[-1])
    step *= max(1, ceil(span / step / _MOST_LINES))
    across, down = ((high - low) * scale).tolist()
    parts = []
    for axis in (0, 1):
        first, last = ceil(low[axis] / step - 1e-9), floor(high[axis] / step + 1e-9)
        for n in range(first, last + 1):
            at = (n * step - low[axis]) * scale
            ink = f'stroke="{GREY}" stroke-opacity="{0.9 if n == 0 else 0.28}" stroke-width="0.8"'
            if axis == 0:
                x, ends = left + at, (top, top + down)
                parts.append(f'<path d="M{x:.2f} {ends[0]:.2f}V{ends[1]:.2f}" {ink}/>')
                parts.append(_text(x, top + down + 14.0, f"{n * step:g}", GREY, 10, "middle"))
            else:
                y = top + down - at
                parts.append(f'<path d="M{left:.2f} {y:.2f}H{left + across:.2f}" {ink}/>')
                parts.append(_text(left - 6.0, y + 3.5, f"{n * step:g}", GREY, 10, "end"))
    parts.append(_text(left + across, top + down + 26.0, "x, mm", GREY, 10, "end"))
    parts.append(_text(left - 6.0, top - 8.0, "y, mm", GREY, 10, "end"))
    return parts


def _path(shape: shapely.Geometry, px: object) -> str:
    """SVG path of all rings of the polygons in a shape."""
    rings = shapely.get_rings(shapely.get_parts(shape))
    return " ".join(_run(px(shapely.get_coordinates(ring)), "Z") for ring in rings)  # type: ignore[operator]


def _run(points: F8, end: str) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points.tolist()) + end


def _text(
    x: float,
    y: float,
    words: str,
    ink: str = INK,
    size: int = 13,
    anchor: str = "start",
    *,
    halo: bool = False,
) -> str:
    around = f' stroke="{PAPER}" stroke-width="3" paint-order="stroke"' if halo else ""
    where = f'x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}"'
    return f'<text {where} fill="{ink}"{around}>{escape(plain_text(words))}</text>'

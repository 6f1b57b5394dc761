"""Pictures of a ladder as SVG: the plate from above with the specimens' numbers, and a coupon's bands from the side."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.documents.profiles import Bed
from gcodetools.records import dataclass

__all__ = ["Drawn", "Footprint", "bands_svg", "plate_svg"]

F8 = NDArray[np.float64]
Record = dict[str, Any]

_SIDE_PX, _MARGIN_MM = 380.0, 16.0
_FLATTEST = 0.4  # of a frame without a bed, height to width
_LIGHTEST, _DARKEST = 0.06, 0.42  # how dark a footprint is filled
_STRIP_PX, _STRIP_WIDE_PX = 300.0, 34.0


@dataclass(frozen=True, slots=True)
class Footprint:
    """An instance on the plate, mm. numbers : of its specimens, from the bed upward; none where it is as sliced."""

    shape: shapely.Geometry
    numbers: tuple[int, ...]
    instance: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """What is on the plate. rest : whatever else lies there. bed : of the machine, None where none is named."""

    footprints: tuple[Footprint, ...]
    rest: shapely.Geometry
    bed: Bed | None


def plate_svg(drawn: Drawn, shades: dict[int, float], of: str = "") -> str:
    """The plate from above, x to the right, y away from the reader.

    Parameters
    ----------
    shades : by specimen, 0 to 1: how dark its instance is drawn, where it is alone in it. of : the setting that they
    stand for.
    """
    shapes = [one.shape for one in drawn.footprints]
    x0, y0, x1, y1 = _frame(drawn, shapes)
    scale = _SIDE_PX / max(x1 - x0, y1 - y0)
    wide, tall = (x1 - x0) * scale, (y1 - y0) * scale

    def at(points: F8) -> F8:
        return np.column_stack([(points[:, 0] - x0) * scale, (y1 - points[:, 1]) * scale])

    body = [_bed(drawn.bed, (x0, y0, x1, y1), scale)]
    if not drawn.rest.is_empty:
        body.append(
            f'<path class="away" d="{_path(drawn.rest, at)}" stroke-width="0.7" stroke-dasharray="1.5 2"/>'
        )
    for one in drawn.footprints:
        edge = 'stroke-width="1.2"' if one.numbers else 'stroke-width="1" stroke-dasharray="3 2.5"'
        dark = shades[one.numbers[0]] if len(one.numbers) == 1 else 0.3
        fill = _LIGHTEST + (_DARKEST - _LIGHTEST) * dark if one.numbers else 0.0
        d = _path(one.shape, at)
        body.append(
            f'<path class="shade edge" d="{d}" fill-opacity="{fill:.2f}" fill-rule="evenodd" {edge}/>'
        )
    size = _badge_px(shapes, scale)
    for one in drawn.footprints:
        if one.numbers:
            left, low, right, high = one.shape.bounds
            words = _numbers(one.numbers)
            x, y = at(np.array([[(left + right) / 2, (low + high) / 2]]))[0].tolist()
            if _badge_wide(words, size) > (right - left) * scale or 1.5 * size > (high - low) * scale:
                y -= (high - low) * scale / 2 + size * 0.95  # above what it would hide
            body.append(_badge(x, y, words, size))
    foot = tall + 16.0
    alone = all(len(one.numbers) < 2 for one in drawn.footprints)
    more = f"more {of}" if of == "perimeters" else f"higher its {of}"
    legend = f"; the fuller the shade, the {more}" if of and alone else ""
    body.append(
        f'<text class="quiet" x="{wide / 2:.1f}" y="{foot:.1f}" text-anchor="middle" font-size="11">'
        f"front of the plate{legend}</text>"
    )
    label = "The plate from above with the numbers of the specimens"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.1f} {foot + 5:.1f}" width="{wide:.0f}" '
        f'height="{foot + 5:.0f}" role="img" aria-label="{label}"><title>{label}</title>{"".join(body)}</svg>'
    )


def _frame(drawn: Drawn, shapes: list[shapely.Geometry]) -> tuple[float, float, float, float]:
    """The bed where it is known, with whatever lies beyond it; else what lies there, with a margin."""
    low_high = np.array([shape.bounds for shape in [*shapes, drawn.rest] if not shape.is_empty])
    x0, y0 = (low_high[:, :2].min(axis=0) - _MARGIN_MM).tolist()
    x1, y1 = (low_high[:, 2:].max(axis=0) + _MARGIN_MM).tolist()
    missing = _FLATTEST * (x1 - x0) - (y1 - y0)
    if drawn.bed is None and missing > 0:
        y0, y1 = y0 - missing / 2, y1 + missing / 2
    if drawn.bed is not None:
        a, b, c, d = _bed_box(drawn.bed)
        x0, y0, x1, y1 = min(x0, a), min(y0, b), max(x1, c), max(y1, d)
    return x0, y0, x1, y1


def _bed_box(bed: Bed) -> tuple[float, float, float, float]:
    x, y = bed.origin
    if bed.size is not None:
        return x, y, x + bed.size[0], y + bed.size[1]
    r = bed.radius or 0.0
    return x - r, y - r, x + r, y + r


def _bed(bed: Bed | None, frame: tuple[float, float, float, float], scale: float) -> str:
    x0, _, _, y1 = frame
    a, b, c, d = _bed_box(bed) if bed is not None else frame
    left, top, wide, tall = (a - x0) * scale, (y1 - d) * scale, (c - a) * scale, (d - b) * scale
    if bed is not None and bed.radius is not None:
        middle = f'cx="{left + wide / 2:.1f}" cy="{top + tall / 2:.1f}"'
        return f'<circle class="paper bed" {middle} r="{wide / 2 - 0.5:.1f}"/>'
    dashes = "" if bed is not None else ' stroke-dasharray="2 3"'
    return (
        f'<rect class="paper bed" x="{left + 0.5:.1f}" y="{top + 0.5:.1f}" width="{wide - 1:.1f}" '
        f'height="{tall - 1:.1f}" rx="3"{dashes}/>'
    )


def _path(shape: shapely.Geometry, at: Any) -> str:
    parts = []
    for polygon in shapely.get_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            points = at(shapely.get_coordinates(ring.simplify(0.05)))
            parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points[:-1].tolist()) + "Z")
    return "".join(parts)


def _badge_px(shapes: list[shapely.Geometry], scale: float) -> float:
    """Height of the numbers: as large as the distances between instances allow."""
    centres = np.array([shapely.box(*shape.bounds).centroid.coords[0] for shape in shapes])
    if len(centres) < 2:
        return 15.0
    apart = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1))
    nearest = float(apart[apart > 1e-6].min(initial=1e9))
    return float(min(max(nearest * scale * 0.34, 6.0), 15.0))


def _numbers(numbers: tuple[int, ...]) -> str:
    if len(numbers) == 1:
        return str(numbers[0])
    return f"{numbers[0]}-{numbers[-1]}"


def _badge_wide(words: str, size: float) -> float:
    return size * (0.75 + 0.6 * len(words))


def _badge(x: float, y: float, words: str, size: float) -> str:
    wide = _badge_wide(words, size)
    return (
        f'<rect class="badge" x="{x - wide / 2:.1f}" y="{y - size * 0.75:.1f}" width="{wide:.1f}" '
        f'height="{size * 1.5:.1f}" rx="{size * 0.75:.1f}" stroke-width="0.8"/>'
        f'<text class="ink" x="{x:.1f}" y="{y + size * 0.36:.1f}" text-anchor="middle" font-size="{size:.1f}" '
        f'font-weight="700">{words}</text>'
    )


def bands_svg(record: Record) -> str:
    """A coupon from the side: bands with the numbers of their specimens (of all coupons), hatched layers between."""
    bands = record["bands"]
    first = record["specimens"][0]["instance"]
    numbers = [one["specimen"] for one in record["specimens"] if one["instance"] == first]
    count = len({one["instance"] for one in record["specimens"]})
    top = float(bands[-1]["z_mm"][1])
    scale = _STRIP_PX / top

    def y(z_mm: float) -> float:
        return 18.0 + _STRIP_PX - z_mm * scale

    left, right = 4.0, 4.0 + _STRIP_WIDE_PX
    whose = "coupon" if count == 1 else f"#{first}"
    body = [
        '<defs><pattern id="between" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="line" d="M0 0V5" stroke-width="1.6"/></pattern></defs>',
        f'<text class="quiet" x="{left}" y="10" font-size="11">{whose}, from the side</text>',
        f'<rect x="{left}" y="{y(top):.1f}" width="{_STRIP_WIDE_PX}" height="{top * scale:.1f}" fill="url(#between)" '
        'class="edge" stroke-width="1"/>',
    ]
    for number, band in zip(numbers, bands, strict=True):
        low, high = band["z_mm"]
        tall = (high - low) * scale
        body.append(
            f'<rect class="paper edge" x="{left}" y="{y(high):.1f}" width="{_STRIP_WIDE_PX}" height="{tall:.1f}" '
            'stroke-width="1"/>'
        )
        size = min(13.0, tall * 0.8)
        middle = (left + right) / 2
        body.append(
            f'<text class="ink" x="{middle:.1f}" y="{y((low + high) / 2) + size * 0.36:.1f}" text-anchor="middle" '
            f'font-size="{size:.1f}" font-weight="700">{number}</text>'
        )
        if tall > 11:
            body.append(
                f'<text class="quiet" x="{right + 5:.1f}" y="{y((low + high) / 2) + 4:.1f}" font-size="10.5">'
                f"{low:.1f} to {high:.1f} mm</text>"
            )
    wide, tall = right + 112.0, _STRIP_PX + 36.0
    body.append(f'<text class="quiet" x="{left}" y="{tall - 3:.1f}" font-size="11">bed</text>')
    label = "A coupon from the side with its bands"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {tall:.0f}" width="{wide:.0f}" '
        f'height="{tall:.0f}" role="img" aria-label="{label}"><title>{label}</title>{"".join(body)}</svg>'
    )

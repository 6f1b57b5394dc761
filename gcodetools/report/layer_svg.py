"""A picture of one layer as SVG text: beads at their true width, by what they are; before and after.

Kinds are told apart by lightness and by the pattern of their centre lines, so that no colour is needed: only
what is new carries the accent. Panels are drawn in millimetres of the machine. Nothing in a picture runs or
is fetched; whatever comes from files is escaped.
"""

from __future__ import annotations

from html import escape
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.treated import Treated
from gcodetools.kit.drawing import ACCENT, GREY, INK, PAPER, plain_text
from gcodetools.records import dataclass
from gcodetools.report.strokes import GONE, KEPT, NEW, Strokes, after, before, of_layer, runs_on
from gcodetools.toolpath.beads import FEATURES
from gcodetools.toolpath.plate import Plate

__all__ = ["before_after_svg", "layer_svg"]

Box = tuple[float, float, float, float]

_PANEL_PX = 460.0
_MARGIN_PX, _HEAD_PX, _FOOT_PX, _LEGEND_PX = 16.0, 66.0, 34.0, 24.0
_MARGIN_MM = 0.6
_CORE_MM = 0.07
_DARK_PAPER, _DARK_INK, _DARK_GREY, _DARK_ACCENT = "#1B1E22", "#E8E4DC", "#9AA1A8", "#DE8A5E"


@dataclass(frozen=True, slots=True)
class _Look:
    """How a kind of bead is drawn: words for the legend, tone on light and dark paper, dashes of its centre
    line, mm ("" for a whole line)."""

    words: str
    light: str
    dark: str
    dashes: str = ""


# Walls dark, fill light: the lightness of neighbours differs by 20 of 100 or more.
_LOOKS = {
    "outermost": _Look("outermost perimeter", "#2F363D", "#E8E4DC"),
    "perimeter": _Look("perimeter", "#737B83", "#A2A8AE"),
    "overhang": _Look("overhang", "#737B83", "#A2A8AE", "0.1 0.2"),
    "solid": _Look("solid fill", "#A9B0B6", "#6F767D", "0.7 0.25"),
    "bridge": _Look("bridge", "#A9B0B6", "#6F767D", "0.7 0.2 0.05 0.2"),
    "gap": _Look("gap fill", "#A9B0B6", "#6F767D", "0.25 0.25"),
    "sparse": _Look("sparse fill", "#D0D3D4", "#494F55", "0.02 0.3"),
}
_ELSE = _Look("skirt, support or the like", "#E4E1DA", "#33383D", "0.02 0.6")
_NEW = "new bead"
_GONE = "removed"


@dataclass(frozen=True, slots=True)
class _Panel:
    """What one panel shows."""

    title: str
    strokes: Strokes


def layer_svg(
    plate: Plate,
    layer: int,
    *,
    box: Box | None = None,
    title: str | None = None,
    new: NDArray[np.bool_] | None = None,
) -> str:
    """One layer of a plate as SVG text.

    Parameters
    ----------
    layer : index into the plate's Layers, from 0.
    box : x0, y0, x1, y1 in mm, machine coordinates; None for all beads of the layer.
    title : above the picture; None for the layer's number and height.
    new : (m,) which rows to mark as new.

    Raises
    ------
    ValueError : no such layer, no bead in it, or an empty box.
    """
    strokes = of_layer(plate, _checked(plate, layer), new)
    return _picture(title or _layer_words(plate, layer), [_Panel("", strokes)], box)


def before_after_svg(
    treated: Treated, layer: int, *, box: Box | None = None, title: str | None = None
) -> str:
    """One layer before and after, side by side in the same box: what is removed is dashed on the left, what
    is new is marked on the right.

    Parameters
    ----------
    layer : index into the original's Layers, from 0. box, title : see `layer_svg`.

    Raises
    ------
    ValueError : no such layer, no bead in it, or an empty box.
    """
    plate, draft = treated.original, treated.draft
    _checked(plate, layer)
    panels = [_Panel("before", before(draft, layer)), _Panel("after", after(draft, layer))]
    return _picture(title or _layer_words(plate, layer), panels, box)


def _checked(plate: Plate, layer: int) -> int:
    if not 0 <= layer < len(plate.layers):
        raise ValueError(f"layer {layer + 1} of {len(plate.layers)}")
    return layer


def _layer_words(plate: Plate, layer: int) -> str:
    return f"layer {layer + 1}, nozzle at {plate.layers.z_mm[layer]:.2f} mm"


def _picture(title: str, panels: list[_Panel], box: Box | None) -> str:
    whole = [p.strokes for p in panels if len(p.strokes)]
    if not whole:
        raise ValueError(f"{title}: no bead in it")
    if box is None:
        bounds = np.array([strokes.bounds for strokes in whole])
        low, high = bounds[:, :2].min(axis=0) - _MARGIN_MM, bounds[:, 2:].max(axis=0) + _MARGIN_MM
        box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    across, down = box[2] - box[0], box[3] - box[1]
    if not (across > 0 and down > 0):
        raise ValueError(f"{title}: an empty box")
    scale = _PANEL_PX / max(across, down)
    panel_width, height = across * scale, down * scale
    shown = [_Panel(p.title, p.strokes.within(box)) for p in panels]
    head = _HEAD_PX if any(p.title for p in shown) else _HEAD_PX - 22.0
    left = [_MARGIN_PX + k * (panel_width + _MARGIN_PX) for k in range(len(shown))]
    width = max(left[-1] + panel_width + _MARGIN_PX, 2 * _MARGIN_PX + 420.0)
    body = [_text(_MARGIN_PX, 28.0, title, size=17)]
    for x, panel in zip(left, shown, strict=True):
        if panel.title:
            body.append(_text(x, head - 12.0, panel.title, size=14))
        body.append(_drawn(panel, box, (x, head), scale))
    foot = head + height
    body.append(_scale_bar(_MARGIN_PX, foot + 18.0, across, scale))
    legend, bottom = _legend(shown, scale, foot + _FOOT_PX, width)
    return _document(title, width, bottom + 10.0, [*body, *legend])


def _document(title: str, width: float, height: float, body: list[str]) -> str:
    name = escape(plain_text(title))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
            f'width="{width:.0f}" height="{height:.0f}" role="img" aria-label="{name}" '
            'font-family="system-ui, sans-serif">',
            f"<title>{name}</title>",
            f"<style>{_dark_style()}</style>",
            f'<rect class="bw-paper" width="100%" height="100%" fill="{PAPER}"/>',
            *body,
            "</svg>",
            "",
        ]
    )


def _dark_style() -> str:
    """What changes on dark paper; light is what stands in the attributes."""
    rules = [
        f".bw-paper{{fill:{_DARK_PAPER}}}",
        f".bw-ink{{fill:{_DARK_INK}}}",
        f".bw-bar{{stroke:{_DARK_INK}}}",
        f".bw-frame{{stroke:{_DARK_GREY}}}",
        f".bw-core{{stroke:{_DARK_PAPER}}}",
        f".bw-new{{stroke:{_DARK_ACCENT}}}",
        f".bw-gone-core{{stroke:{_DARK_ACCENT}}}",
        *(f".bw-{word}{{stroke:{look.dark}}}" for word, look in {**_LOOKS, "else": _ELSE}.items()),
    ]
    return "@media (prefers-color-scheme: dark){" + "".join(rules) + "}"


def _drawn(panel: _Panel, box: Box, place: tuple[float, float], scale: float) -> str:
    """A panel in mm, y up: bodies at true width, then centre lines."""
    x0, y0, x1, y1 = box
    across, down = x1 - x0, y1 - y0
    where = f'x="{place[0]:.1f}" y="{place[1]:.1f}" width="{across * scale:.1f}" height="{down * scale:.1f}"'
    groups = _groups(panel.strokes)
    return "\n".join(
        [
            f'<svg {where} viewBox="{x0:.3f} {-y1:.3f} {across:.3f} {down:.3f}">',
            '<g transform="scale(1,-1)" fill="none" stroke-linecap="round" stroke-linejoin="round">',
            *(_bodies(group) for group in groups),
            *(_cores(group) for group in groups),
            "</g></svg>",
            f'<rect class="bw-frame" {where} fill="none" stroke="{GREY}" stroke-width="1"/>',
        ]
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """Chains of beads of one kind and status: (width mm, path data)."""

    word: str
    status: int
    chains: tuple[tuple[float, str], ...]
    length_mm: float

    @property
    def look(self) -> _Look:
        return _LOOKS.get(self.word, _ELSE)


def _groups(strokes: Strokes) -> list[_Group]:
    """What is removed first, what is new last; in between fill under walls."""
    words = [word if word in _LOOKS else "else" for word in FEATURES]
    ranks = {word: -k for k, word in enumerate([*_LOOKS, "else"])}
    found = []
    for status in (GONE, KEPT, NEW):
        here = strokes.status == status
        present = {words[k] for k in np.unique(strokes.feature[here]).tolist()}
        for word in sorted(present, key=ranks.__getitem__):
            alike = here & np.isin(strokes.feature, [k for k, w in enumerate(words) if w == word])
            mine = strokes.of(alike)
            found.append(_Group(word, status, tuple(_chains(mine)), float(mine.length_mm.sum())))
    return found


def _chains(strokes: Strokes) -> list[tuple[float, str]]:
    starts = np.append(np.flatnonzero(~runs_on(strokes)), len(strokes)).tolist()
    begin, end = strokes.begin.tolist(), strokes.end.tolist()
    width, radius, sweep = (column.tolist() for column in (strokes.width, strokes.radius, strokes.sweep))
    chains = []
    for a, b in pairwise(starts):
        text = [f"M{_mm(begin[a][0])} {_mm(begin[a][1])}"]
        for k in range(a, b):
            if radius[k] == radius[k]:
                text.append(_arc(end[k], radius[k], sweep[k]))
            else:
                text.append(f"L{_mm(end[k][0])} {_mm(end[k][1])}")
        chains.append((round(width[a], 2), "".join(text)))
    return chains


def _arc(end: list[float], radius: float, sweep: float) -> str:
    """An arc of less than a turn; in the panel y points up, so SVG's positive direction is counter-clockwise."""
    r = _mm(radius)
    return f"A{r} {r} 0 {int(abs(sweep) > np.pi)} {int(sweep > 0)} {_mm(end[0])} {_mm(end[1])}"


def _mm(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _bodies(group: _Group) -> str:
    """The beads at their true width."""
    paths = "".join(f'<path d="{d}" stroke-width="{_mm(width)}"/>' for width, d in group.chains)
    kind, tone = ("new", ACCENT) if group.status == NEW else (group.word, group.look.light)
    faint = ' stroke-opacity="0.45"' if group.status == GONE else ""
    return f'<g class="bw-{kind}" data-kind="{group.word}" stroke="{tone}"{faint}>{paths}</g>'


def _cores(group: _Group) -> str:
    """Their centre lines, one path a group."""
    d = "".join(text for _, text in group.chains)
    if group.status == GONE:
        style = f'class="bw-gone-core" stroke="{ACCENT}" stroke-width="{2 * _CORE_MM}"'
        return f'<path d="{d}" {style} stroke-dasharray="0.35 0.3" stroke-linecap="butt"/>'
    dashes = f' stroke-dasharray="{group.look.dashes}"' if group.look.dashes else ""
    return f'<path d="{d}" class="bw-core" stroke="{PAPER}" stroke-width="{_CORE_MM}"{dashes}/>'


def _scale_bar(left: float, top: float, across_mm: float, scale: float) -> str:
    """A bar of a round length, at most a third of the panel."""
    steps = [m * 10.0**e for e in range(-2, 4) for m in (1, 2, 5)]
    size = max(step for step in steps if step <= across_mm / 3 or step == steps[0])
    end = left + size * scale
    bar = f'<path class="bw-bar" d="M{left:.1f} {top - 5:.1f}v10m0 -5H{end:.1f}m0 -5v10" fill="none" '
    return bar + f'stroke="{INK}" stroke-width="1.5"/>' + _text(end + 8.0, top + 4.5, f"{size:g} mm", size=12)


def _legend(panels: list[_Panel], scale: float, top: float, width: float) -> tuple[list[str], float]:
    """Swatches and words for what is shown, in rows; and where they end, px."""
    entries: dict[tuple[str, int], _Group] = {}
    for panel in panels:
        for group in _groups(panel.strokes):
            entries.setdefault((group.word if group.status != NEW else "", group.status), group)
    order = [*_LOOKS, "else"]
    shown = sorted(entries.values(), key=lambda g: ((KEPT, GONE, NEW).index(g.status), order.index(g.word)))
    lines, x, y = [], _MARGIN_PX, top + 14.0
    for group in shown:
        words = _words(group, panels)
        needed = 49.0 + 7.2 * len(words)
        if x + needed > width and x > _MARGIN_PX:
            x, y = _MARGIN_PX, y + _LEGEND_PX
        lines += [_swatch(group, x + 6.0, y - 4.0, scale), _text(x + 37.0, y, words, size=12)]
        x += needed
    return lines, y


def _words(group: _Group, panels: list[_Panel]) -> str:
    if group.status == KEPT:
        return group.look.words
    lengths = [p.strokes.of(p.strokes.status == group.status) for p in panels]
    if group.status == GONE:
        words = {k for k, name in enumerate(FEATURES) if (name if name in _LOOKS else "else") == group.word}
        lengths = [s.of(np.isin(s.feature, list(words))) for s in lengths]
    total = sum(float(s.length_mm.sum()) for s in lengths)
    return f"{_NEW}, {total:.0f} mm" if group.status == NEW else f"{group.look.words} {_GONE}, {total:.0f} mm"


def _swatch(group: _Group, x: float, y: float, scale: float) -> str:
    """A short bead as the panels draw it, at the panels' scale."""
    body_mm = group.chains[0][0]
    own = _Group(group.word, group.status, ((body_mm, f"M0 0H{_mm(20.0 / scale)}"),), 0.0)
    size = min(scale, 12.0 / body_mm)
    place = f'transform="translate({x:.1f} {y:.1f}) scale({size:.3f})"'
    return f'<g {place} fill="none" stroke-linecap="round">{_bodies(own)}{_cores(own)}</g>'


def _text(x: float, y: float, words: str, *, size: int) -> str:
    where = f'x="{x:.1f}" y="{y:.1f}" font-size="{size}"'
    return f'<text class="bw-ink" {where} fill="{INK}">{escape(plain_text(words))}</text>'

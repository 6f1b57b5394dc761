"""What became of new beads, layer by layer, told as ranges of layers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.beads import bead_width_mm
from gcodetools.toolpath.strands import Filled, Strand
from gcodetools.treat.laying import Bead
from gcodetools.treat.sites import Site
from gcodetools.treat.target import Done

__all__ = ["LayerTold", "told"]

_STEP_MM = 0.03  # widths that part by less are told as one
_MOST_RUNS = 6
_LEAST_OPEN_MM = 0.5


@dataclass(frozen=True, slots=True)
class LayerTold:
    """One island of one layer. layer : of the instance, from 1. laid : perimeters, by the deepest loop.
    middle_mm : mean width of beads along the middle, 0 for none. lines_mm : length of solid lines.
    length_mm : of all new beads. room_mm : thickness of the room. bridge : laid over sparse fill or air.
    open_mm, dots_mm, unreached_mm : length left out because nothing carries it, because it is too short,
    because it would need more retractions. crumbs_mm : of fill in pieces too short to print, that went too.
    """

    layer: int
    laid: int
    middle_mm: float
    lines_mm: float
    length_mm: float
    room_mm: float
    bridge: bool
    open_mm: float
    dots_mm: float
    unreached_mm: float
    crumbs_mm: float
    why: str

    @classmethod
    def of(
        cls,
        site: Site,
        key: str,
        *,
        fill: float = 1.0,
        beads: list[Bead] | None = None,
        filled: list[Filled] | None = None,
        open_mm: float = 0.0,
        dots_mm: float = 0.0,
        unreached_mm: float = 0.0,
        crumbs_mm: float = 0.0,
        why: str = "",
    ) -> LayerTold:
        """Sum up what was laid on a site, by the fill of the file."""
        strands = [bead.strand for bead in beads or []]
        sizes = [_size(strand.points, strand.closed) for strand in strands]
        height = site.room.height_mm
        middle = [(_width(s, height, fill), n) for s, n in zip(strands, sizes, strict=True) if s.loop == 0]
        thickness = np.concatenate([f.thickness for f in filled or []] or [np.empty(0)])
        room = float(np.median(thickness)) if len(thickness) else 0.0
        return cls(
            site.layer,
            max((s.loop for s in strands), default=0) if key == "perimeters" else 0,
            sum(w * n for w, n in middle) / sum(n for _, n in middle) if middle else 0.0,
            sum(n for s, n in zip(strands, sizes, strict=True) if s.loop < 0),
            sum(sizes),
            room,
            any(bead.bridge for bead in beads or []),
            open_mm,
            dots_mm,
            unreached_mm,
            crumbs_mm,
            why,
        )

    def record(self, key: str) -> dict[str, Any]:
        """The same for scripts, without its layer."""
        return {
            "perimeters": self.laid if key == "perimeters" else None,
            "solid_lines": (self.lines_mm > 0) if key == "infill" else None,
            "middle_mm": round(self.middle_mm, 3) or None,
            "room_mm": round(self.room_mm, 2) or None,
            "bridge": self.bridge or None,
            "why": self.why or None,
        }


def _width(strand: Strand, height_mm: float, fill: float) -> float:
    area = strand.breadth * height_mm * fill
    return float(bead_width_mm(area, np.full(len(area), height_mm)).mean())


def _size(points: Any, closed: bool) -> float:
    line = np.vstack([points, points[:1]]) if closed else points
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def told(hit: RegionHit, key: str, treatment: Treatment, layers: list[LayerTold]) -> Done:
    """The answer of one region of one instance."""
    asked = _asked(key, treatment)
    laid = [item for item in layers if item.length_mm > 0]
    done = "; ".join(_done(key, laid)) if laid else "nothing"
    notes = _notes(layers, laid)
    details = _details(key, layers)
    return Done(
        hit.part, hit.instance, hit.region, key, asked, done, "; ".join(notes),
        warning=not laid or any("nothing carries" in n or "retractions" in n for n in notes),
        refused=not laid, details=details,
    )  # fmt: skip


def _asked(key: str, treatment: Treatment) -> str:
    if key == "infill":
        return "solid"
    setting = treatment.perimeters
    assert setting is not None
    return "fill the room" if setting.fill else f"{setting.add}"


def _done(key: str, laid: list[LayerTold]) -> list[str]:
    """What was laid, in words."""
    found = [", ".join(_laid_words(key, group) for group in _alike(laid, _loops))]
    bridged = sorted({item.layer for item in laid if item.bridge})
    if bridged:
        found.append(f"{_spans(bridged)} laid as a bridge, which counts as no strength")
    found.append(f"{sum(item.length_mm for item in laid):.0f} mm of new beads")
    rooms = [item.room_mm for item in laid if item.room_mm > 0]
    if rooms:
        found.append(f"room {_between(rooms)} mm")
    return found


def _loops(items: list[LayerTold]) -> tuple[int, int]:
    """Fewest and most perimeters on the islands of a layer."""
    return min(item.laid for item in items), max(item.laid for item in items)


def _alike(laid: list[LayerTold], tell: Callable[[list[LayerTold]], object]) -> list[list[LayerTold]]:
    """Runs of layers of which `tell` says the same, each with all its islands."""
    by_layer: dict[int, list[LayerTold]] = {}
    for item in laid:
        by_layer.setdefault(item.layer, []).append(item)
    groups: list[list[LayerTold]] = []
    last: tuple[int, object] | None = None
    for layer in sorted(by_layer):
        now = tell(by_layer[layer])
        if last is not None and last == (layer - 1, now):
            groups[-1] += by_layer[layer]
        else:
            groups.append(list(by_layer[layer]))
        last = layer, now
    return groups if len(groups) <= _MOST_RUNS else [laid]


def _laid_words(key: str, group: list[LayerTold]) -> str:
    layers = _spans(sorted({item.layer for item in group}))
    if key == "infill":
        return f"solid lines on {layers}"
    low, high = _loops(group)
    words = []
    if high:
        count = f"{low} to {high}" if low != high else f"{high}"
        words.append(f"{count} perimeter{'s' if high > 1 else ''}")
    middle = [item.middle_mm for item in group if item.middle_mm]
    if middle:
        many = max(middle) - min(middle) > _STEP_MM
        words.append(
            f"middle beads of {_between(middle)} mm" if many else f"a middle bead of {_between(middle)} mm"
        )
    return f"{' and '.join(words)} on {layers}"


def _between(values: list[float]) -> str:
    low, high = min(values), max(values)
    return f"{low:.2f} to {high:.2f}" if high - low > _STEP_MM else f"{(low + high) / 2:.2f}"


def _spans(layers: list[int]) -> str:
    """`layers 3-8, 10`."""
    runs: list[list[int]] = []
    for layer in layers:
        if runs and layer == runs[-1][1] + 1:
            runs[-1][1] = layer
        else:
            runs.append([layer, layer])
    shown = [f"{a}" if a == b else f"{a}-{b}" for a, b in runs[:_MOST_RUNS]]
    more = f" and {len(runs) - _MOST_RUNS} more runs" if len(runs) > _MOST_RUNS else ""
    return f"layer{'s' if len(layers) > 1 else ''} {', '.join(shown)}{more}"


def _notes(layers: list[LayerTold], laid: list[LayerTold]) -> list[str]:
    notes = []
    reasons: dict[str, set[int]] = {}
    for item in layers:
        if item.why and item.length_mm == 0:
            reasons.setdefault(item.why, set()).add(item.layer)
    there = {item.layer for item in laid}
    for why, empty in reasons.items():
        elsewhere = "other islands: " if empty & there else ""
        notes.append(f"{elsewhere}{why} on {_spans(sorted(empty))}")
    open_layers = [item for item in layers if item.open_mm > _LEAST_OPEN_MM]
    if open_layers:
        which = sorted({i.layer for i in open_layers})
        above = [i.layer for i in laid if i.layer > which[-1]]
        begin = f", filling begins in full at layer {min(above)}" if above else ""
        notes.append(
            f"nothing carries {sum(i.open_mm for i in open_layers):.0f} mm on {_spans(which)} "
            f"(spans over 5 mm){begin}; `from_below` starts earlier, `over_air` lays them all the same"
        )
    unreached = sum(item.unreached_mm for item in layers)
    if unreached > 0:
        notes.append(f"{unreached:.0f} mm would need more than two retractions a layer and are not laid")
    dots = sum(item.dots_mm for item in layers)
    crumbs_mm = sum(item.crumbs_mm for item in layers)
    if dots > 0:
        notes.append(f"{dots:.1f} mm in beads too short to print left out")
    # Lengths only: instances that differ in these alone are told as one.
    if crumbs_mm > 0:
        notes.append(f"{crumbs_mm:.1f} mm of fill left out in pieces too short to print")
    return notes


def _details(key: str, layers: list[LayerTold]) -> tuple[dict[str, Any], ...]:
    """What was laid as records, equal neighbouring layers as one."""
    found: list[dict[str, Any]] = []
    for item in layers:
        record = {k: v for k, v in item.record(key).items() if v is not None}
        last = found[-1] if found else None
        if last and {k: v for k, v in last.items() if k != "layers"} == record:
            last["layers"][1] = item.layer
        else:
            found.append({"layers": [item.layer, item.layer], **record})
    return tuple(found)

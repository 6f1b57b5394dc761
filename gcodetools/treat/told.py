"""What became of new beads, layer by layer, told as ranges of layers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.strands import Filled
from gcodetools.treat.laying import Bead
from gcodetools.treat.sites import Site
from gcodetools.treat.target import Done

__all__ = ["LayerTold", "told"]

_STEP_MM = 0.02  # widths that part by less are told as one
_LEAST_OPEN_MM = 0.5


@dataclass(frozen=True, slots=True)
class LayerTold:
    """One island of one layer. layer : of the instance, from 1. laid : perimeters, by the deepest loop.
    middle_mm : mean breadth of beads along the middle, 0 for none. lines_mm : length of solid lines.
    length_mm : of all new beads. room_mm : thickness of the room. bridge : laid over sparse fill or air.
    open_mm, dots_mm, unreached_mm : length left out because nothing carries it, because it is too short,
    because it would need more retractions. crumbs : pieces of fill too short to print that went too.
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
    crumbs: int
    crumbs_mm: float
    why: str

    @classmethod
    def of(
        cls,
        site: Site,
        key: str,
        *,
        beads: list[Bead] | None = None,
        filled: list[Filled] | None = None,
        open_mm: float = 0.0,
        dots_mm: float = 0.0,
        unreached_mm: float = 0.0,
        crumbs: tuple[int, float] = (0, 0.0),
        why: str = "",
    ) -> LayerTold:
        """Sum up what was laid on a site."""
        strands = [bead.strand for bead in beads or []]
        sizes = [_size(strand.points, strand.closed) for strand in strands]
        middle = [(float(np.mean(s.breadth)), n) for s, n in zip(strands, sizes, strict=True) if s.loop == 0]
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
            *crumbs,
            why,
        )

    def words(self, key: str) -> str:
        """What was laid, in words."""
        if self.length_mm == 0:
            return "nothing"
        if key == "infill":
            return "solid lines"
        laid = [f"{self.laid} perimeter{'s' if self.laid > 1 else ''}"] if self.laid > 0 else []
        if self.middle_mm:
            laid.append(f"a middle bead of {_step(self.middle_mm):.2f} mm")
        return " and ".join(laid) + (" as a bridge" if self.bridge else "")

    def record(self, key: str) -> dict[str, Any]:
        """The same for scripts, without its layer."""
        return {
            "laid": self.words(key),
            "perimeters": self.laid,
            "middle_mm": round(self.middle_mm, 3) or None,
            "room_mm": round(self.room_mm, 2) or None,
            "bridge": self.bridge or None,
            "why": self.why or None,
        }


def _size(points: Any, closed: bool) -> float:
    line = np.vstack([points, points[:1]]) if closed else points
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _step(value: float) -> float:
    return round(value / _STEP_MM) * _STEP_MM


def told(hit: RegionHit, key: str, treatment: Treatment, layers: list[LayerTold]) -> Done:
    """The answer of one region of one instance."""
    asked = _asked(key, treatment)
    laid = [item for item in layers if item.length_mm > 0]
    done = _ranges([(item.layer, item.words(key)) for item in laid]) if laid else "nothing"
    if laid:
        rooms = [item.room_mm for item in laid if item.room_mm > 0]
        done += f"; {sum(item.length_mm for item in laid):.0f} mm of new beads"
        if rooms:
            low, high = min(rooms), max(rooms)
            done += f"; room {low:.2f} mm" if high - low < 0.05 else f"; room {low:.2f} to {high:.2f} mm"
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


def _ranges(items: list[tuple[int, str]]) -> str:
    """`2 perimeters on layers 3-40, 1 perimeter on layers 41-44`: equal neighbours as one."""
    by_layer: dict[int, list[str]] = {}
    for layer, words in items:
        kept = by_layer.setdefault(layer, [])
        if words not in kept:
            kept.append(words)
    runs: list[list[Any]] = []
    for layer in sorted(by_layer):
        words = " or ".join(sorted(by_layer[layer]))
        if runs and runs[-1][2] == words and runs[-1][1] == layer - 1:
            runs[-1][1] = layer
        else:
            runs.append([layer, layer, words])
    shown = [f"{words} on {_layers(a, b)}" for a, b, words in runs[:6]]
    return ", ".join(shown) + (f" and {len(runs) - 6} more runs" if len(runs) > 6 else "")


def _layers(first: int, last: int) -> str:
    return f"layer {first}" if first == last else f"layers {first}-{last}"


def _notes(layers: list[LayerTold], laid: list[LayerTold]) -> list[str]:
    notes = []
    reasons = [(item.layer, item.why) for item in layers if item.why and item.length_mm == 0]
    if reasons and (not laid or len(reasons) > 0):
        notes.append(_ranges(reasons))
    open_layers = [item for item in layers if item.open_mm > _LEAST_OPEN_MM]
    if open_layers:
        first, last = min(i.layer for i in open_layers), max(i.layer for i in open_layers)
        above = [i.layer for i in laid if i.layer > last]
        begin = f", filling begins in full at layer {min(above)}" if above else ""
        notes.append(
            f"nothing carries {sum(i.open_mm for i in open_layers):.0f} mm on {_layers(first, last)} "
            f"(spans over 5 mm){begin}; `from_below` starts earlier, `over_air` lays them all the same"
        )
    unreached = sum(item.unreached_mm for item in layers)
    if unreached > 0:
        notes.append(f"{unreached:.0f} mm would need more than two retractions a layer and are not laid")
    dots = sum(item.dots_mm for item in layers)
    crumbs, crumbs_mm = sum(item.crumbs for item in layers), sum(item.crumbs_mm for item in layers)
    if dots > 0:
        notes.append(f"{dots:.0f} mm in beads too short to print left out")
    if crumbs:
        notes.append(f"{crumbs} pieces of fill too short to print ({crumbs_mm:.0f} mm) left out")
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

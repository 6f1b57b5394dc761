"""What became of new beads, layer by layer, told as ranges of layers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import bead_width_mm
from gcodetools.toolpath.strands import Filled, Strand
from gcodetools.treat.laying import Bead
from gcodetools.treat.places import Places, places_of
from gcodetools.treat.reasons import NARROW, OUTSIDE
from gcodetools.treat.sites import Site
from gcodetools.treat.target import Done

__all__ = ["LayerTold", "spans", "told"]

_STEP_MM = 0.03  # widths that part by less are told as one
_MOST_RUNS = 4  # ranges of layers that are named
_LEAST_OPEN_MM = 0.5
_LEAST_LESS_MM3 = 0.05
_SHORT_SHARE = 0.02  # of the new beads; what is left out as too short is worth a word if it is more
_MUCH = 0.1  # of the usual number of perimeters: layers that differ by more are named
_HINTED = (
    0.01  # of the beads of its layers: what is left out for want of a carrier comes with advice if it is more
)
_SEE = re.compile(r", see --json")


@dataclass(frozen=True, slots=True)
class LayerTold:
    """One island of one layer. layer : of the instance, from 1. laid : most perimeters side by side.
    middle_mm : mean width of beads along the middle, 0 for none. lines_mm : length of solid lines.
    length_mm : of all new beads. room_mm : median thickness of the room where they are; 0 for not known. bridge :
    whether some are laid over sparse fill or air. open_mm, dots_mm, unreached_mm : length left out because nothing
    carries it, because it is too short, because it would need more retractions. crumbs_mm : of fill in pieces too
    short to print, that went too. bridge_mm : of new beads that are bridges. places : where they lie in the room;
    None where that is the same everywhere. less_mm3 : plastic less than before. spared_mm : of new beads left out,
    where the file's own fill holds as much.
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
    bridge_mm: float = 0.0
    places: Places | None = None
    less_mm3: float = 0.0
    spared_mm: float = 0.0

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
        less_mm3: float = 0.0,
        spared_mm: float = 0.0,
        why: str = "",
    ) -> LayerTold:
        """Sum up what was laid on a site, by the fill of the file."""
        strands = [bead.strand for bead in beads or []]
        sizes = [_size(strand.points, strand.closed) for strand in strands]
        height = site.room.height_mm
        middle = [(_width(s, height, fill), n) for s, n in zip(strands, sizes, strict=True) if s.loop == 0]
        places = places_of(site.room.space, filled or [], strands)
        room = places.room_mm[1]
        if why == NARROW:
            known = [f.thickness for f in filled or [] if len(f.thickness)]
            room = float(np.median(np.concatenate(known or [np.zeros(1)])))
        bridges = [n for bead, n in zip(beads or [], sizes, strict=True) if bead.bridge]
        return cls(
            site.layer,
            _most(places, strands) if key == "perimeters" else 0,
            sum(w * n for w, n in middle) / sum(n for _, n in middle) if middle else 0.0,
            sum(n for s, n in zip(strands, sizes, strict=True) if s.loop < 0),
            sum(sizes),
            room,
            bool(bridges),
            open_mm,
            dots_mm,
            unreached_mm,
            crumbs_mm,
            why,
            sum(bridges),
            places if len(places.loops) else None,
            less_mm3,
            spared_mm,
        )

    @property
    def everywhere(self) -> Places:
        """Its places, one if it is the same everywhere."""
        if self.places is not None:
            return self.places
        weight = np.array([max(self.length_mm, 1e-6)])
        return Places(np.array([self.room_mm]), weight, np.array([self.laid], np.int64))

    def record(self, key: str) -> dict[str, Any]:
        """The same for scripts, without its layer."""
        low, _, high = self.everywhere.room_mm
        _, typical, _ = self.everywhere.counts
        perimeters = self.laid if key == "perimeters" else None
        return {
            "perimeters": perimeters,
            "perimeters_typical": typical if perimeters and typical != perimeters else None,
            "solid_lines": (self.lines_mm > 0) if key == "infill" else None,
            "middle_mm": round(self.middle_mm, 3) or None,
            "room_mm": round(self.room_mm, 2) or None,
            "room_range_mm": [round(low, 2), round(high, 2)] if high - low > _STEP_MM else None,
            "nothing_carries_mm": round(self.open_mm, 1) if self.open_mm > _LEAST_OPEN_MM else None,
            "bridge": self.bridge or None,
            "less_mm3": round(self.less_mm3, 2) or None,
            "why": self.why or None,
        }


def _most(places: Places, strands: list[Strand]) -> int:
    """Most perimeters side by side; by the deepest loop where no place is known."""
    return places.counts[2] if len(places.loops) else max((s.loop for s in strands), default=0)


def _width(strand: Strand, height_mm: float, fill: float) -> float:
    area = strand.breadth * height_mm * fill
    return float(bead_width_mm(area, np.full(len(area), height_mm)).mean())


def _size(points: Any, closed: bool) -> float:
    line = np.vstack([points, points[:1]]) if closed else points
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def told(hit: RegionHit, key: str, treatment: Treatment, layers: list[LayerTold]) -> Done:
    """The answer of one region of one instance."""
    laid = [item for item in layers if item.length_mm > 0]
    done = _once("; ".join(_done(key, laid))) if laid else "nothing"
    notes = _notes(layers, laid)
    return Done(
        hit.part, hit.instance, hit.region, key, _asked(key, treatment), done, _once("; ".join(notes)),
        warning=not laid or any("nothing carries" in n or "retractions" in n for n in notes),
        refused=not laid, details=_details(key, layers),
    )  # fmt: skip


def _once(text: str) -> str:
    """The text with one hint to the full list."""
    first = _SEE.search(text)
    return text if first is None else text[: first.end()] + _SEE.sub("", text[first.end() :])


def _asked(key: str, treatment: Treatment) -> str:
    if key == "infill":
        return "solid"
    setting = treatment.perimeters
    assert setting is not None
    return "fill the room" if setting.fill else f"{setting.add}"


def _done(key: str, laid: list[LayerTold]) -> list[str]:
    """What was laid and the room there was for it, in words."""
    where = spans(item.layer for item in laid)
    if key == "infill":
        found = [f"solid lines on {where}"]
    else:
        whole = Places.of(item.everywhere for item in laid)
        found = [f"laid {_laid_words(laid, whole)} on {where}{_differing(laid, whole)}"]
        low, middle, high = whole.room_mm
        if high > 0:
            spread = f", median {_mm(middle)} mm" if high - low > _STEP_MM else ""
            found.append(f"room {_between([low, high])} mm{spread}")
    found.append(f"{sum(item.length_mm for item in laid):.0f} mm of new beads")
    bridged = [item for item in laid if item.bridge]
    if bridged:
        found[-1] += (
            f", {sum(item.bridge_mm for item in bridged):.0f} mm of it as bridges on "
            f"{spans(item.layer for item in bridged)}, which count as no strength"
        )
    return found


def _laid_words(laid: list[LayerTold], whole: Places) -> str:
    """Perimeters, fewest to most with what is typical, and beads along the middle."""
    low, typical, high = whole.counts
    low = min(low, *_typical(laid).values())
    middles = [item.middle_mm for item in laid if item.middle_mm]
    middle = ""
    if middles:
        many = max(middles) - min(middles) > _STEP_MM
        middle = f"{'middle beads' if many else 'a middle bead'} of {_between(middles)} mm"
    if high == 0:
        return middle
    if low == 0 and middle:
        if typical == 0:
            return f"{middle}, in wide places up to {_counted(high)},"
        words = _counted(high) if typical == high else f"up to {_counted(high)}, typically {typical}"
        return f"{words}, in narrow places {middle},"
    if low == high:
        return f"{_counted(high)} and {middle}" if middle else _counted(high)
    words = f"{low} to {_counted(high)}, typically {typical},"
    return f"{words} and {middle}" if middle else words


def _counted(perimeters: int) -> str:
    return f"{perimeters} perimeter{'s' * (perimeters > 1)}"


def _typical(laid: list[LayerTold]) -> dict[int, int]:
    """Perimeters that are typical of each layer; layers that are alike have the very same places."""
    known: dict[tuple[int, ...], int] = {}
    found = {}
    for layer, items in _by_layer(laid).items():
        key = tuple(id(item.places) for item in items)
        if key not in known or any(item.places is None for item in items):
            known[key] = Places.of(item.everywhere for item in items).counts[1]
        found[layer] = known[key]
    return found


def _differing(laid: list[LayerTold], whole: Places) -> str:
    """Layers on which clearly another number is typical than on the whole: ` (2 on layers 41-44)`."""
    usual = whole.counts[1]
    by_count: dict[int, list[int]] = {}
    for layer, count in _typical(laid).items():
        if abs(count - usual) > _MUCH * usual:
            by_count.setdefault(count, []).append(layer)
    runs = [
        (last - first, first, last, count) for count, own in by_count.items() for first, last in _runs(own)
    ]
    named: dict[int, list[int]] = {}
    for _, first, last, count in sorted(sorted(runs, reverse=True)[:_MOST_RUNS], key=lambda run: run[1]):
        named.setdefault(count, []).extend(range(first, last + 1))
    words = [f"{count or 'middle beads'} on {spans(own)}" for count, own in named.items()]
    more = f" and {len(runs) - _MOST_RUNS} more, see --json" if len(runs) > _MOST_RUNS else ""
    return f" ({'; '.join(words)}{more})" if words else ""


def _by_layer(items: Iterable[LayerTold]) -> dict[int, list[LayerTold]]:
    """Islands by layer, ascending."""
    found: dict[int, list[LayerTold]] = {}
    for item in sorted(items, key=lambda item: item.layer):
        found.setdefault(item.layer, []).append(item)
    return found


def _between(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    return f"{_mm(low)} to {_mm(high)}" if high - low > _STEP_MM else _mm((low + high) / 2)


def _mm(value: float) -> str:
    return f"{value:.2f}" if value < 9.995 else f"{value:.1f}"


def _runs(layers: Iterable[int]) -> list[tuple[int, int]]:
    """First and last of layers that follow on."""
    runs: list[tuple[int, int]] = []
    for layer in sorted(set(layers)):
        if runs and layer == runs[-1][1] + 1:
            runs[-1] = runs[-1][0], layer
        else:
            runs.append((layer, layer))
    return runs


def spans(layers: Iterable[int]) -> str:
    """`layers 3-8, 10`."""
    runs = _runs(layers)
    shown = ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs[:_MOST_RUNS])
    more = f" and {len(runs) - _MOST_RUNS} more, see --json" if len(runs) > _MOST_RUNS else ""
    return f"layer{'s' * (runs[0][0] < runs[-1][1])} {shown}{more}"


def _notes(layers: list[LayerTold], laid: list[LayerTold]) -> list[str]:
    there = {item.layer for item in laid}
    empty = [item for item in layers if item.why and item.length_mm == 0]
    if laid or any(item.why != OUTSIDE for item in empty):  # else it is the whole answer
        empty = [item for item in empty if item.why != OUTSIDE]
    bare = _reasons(item for item in empty if item.layer not in there)
    beside = _reasons(item for item in empty if item.layer in there)
    if _interleaved(bare, beside):
        groups = [("some islands or all get none", _reasons(empty))]
    else:
        groups = [("none", bare), ("some islands get none", beside)]
    if laid:
        notes = [f"{who} on {spans(on)}: {', or '.join(whys)}" for who, found in groups for on, whys in found]
    else:
        notes = [f"{', or '.join(whys)}{',' * (len(whys) > 1)} on {spans(on)}" for on, whys in bare]
    notes += _uncarried(layers, there)
    notes += _exchanged(laid)
    unreached = sum(item.unreached_mm for item in layers)
    if unreached > 0:
        notes.append(f"{unreached:.0f} mm would need more than two retractions a layer and are not laid")
    least = _SHORT_SHARE * sum(item.length_mm for item in laid)
    # Lengths only: instances that differ in these alone are told as one.
    short = [
        f"{mm:.1f} mm of {what}"
        for mm, what in (
            (sum(item.dots_mm for item in layers), "new beads"),
            (sum(item.crumbs_mm for item in layers), "fill"),
        )
        if mm > least
    ]
    return [*notes, f"left out as too short to print: {', '.join(short)}"] if short else notes


_Reasons = list[tuple[set[int], list[str]]]


def _reasons(empty: Iterable[LayerTold]) -> _Reasons:
    """Layers on which islands got nothing, with the reasons; those of ranges that overlap as one."""
    by_reason: dict[str, set[int]] = {}
    for item in empty:
        by_reason.setdefault(item.why, set()).add(item.layer)
    groups: _Reasons = []
    for why, layers in sorted(by_reason.items(), key=lambda item: min(item[1])):
        if groups and min(layers) <= max(groups[-1][0]):
            groups[-1][0].update(layers)
            groups[-1][1].append(why)
        else:
            groups.append((set(layers), [why]))
    return groups


def _interleaved(bare: _Reasons, beside: _Reasons) -> bool:
    """Whether layers without any bead and such with some alternate, for the same reasons."""
    if len(bare) != 1 or len(beside) != 1 or set(bare[0][1]) != set(beside[0][1]):
        return False
    return max(map(min, (bare[0][0], beside[0][0]))) < min(map(max, (bare[0][0], beside[0][0])))


def _exchanged(laid: list[LayerTold]) -> list[str]:
    """What was spared because fill holds as much, and what the region has less of than before."""
    notes = []
    spared = sum(item.spared_mm for item in laid)
    if spared > _SHORT_SHARE * sum(item.length_mm for item in laid):
        on = spans(item.layer for item in laid if item.spared_mm > 0)
        notes.append(f"{spared:.0f} mm left out on {on}: the file's own fill holds as much there")
    less = [item for item in laid if round(item.less_mm3, 2) > 0]
    if less:
        lost = sum(item.less_mm3 for item in less)
        notes.append(f"{lost:.2f} mm3 less plastic than before on {spans(item.layer for item in less)}")
    return notes


def _uncarried(layers: list[LayerTold], there: set[int]) -> list[str]:
    """What was left out because nothing carries it, and where filling begins if it is so at first."""
    gaps = [item for item in layers if item.open_mm > _LEAST_OPEN_MM]
    if not gaps:
        return []
    which = {item.layer for item in gaps}
    words = f"nothing carries {sum(i.open_mm for i in gaps):.0f} mm on {spans(which)} (spans over 5 mm)"
    if sum(i.open_mm for i in gaps) < _HINTED * sum(i.length_mm for i in layers if i.layer in which):
        return [words]
    first, full = min(which | there), sorted(there - which)
    hints = ["`over_air` lays them all the same"]
    if first in which:
        hints.insert(0, "`from_below` starts earlier")
        words += f", filling begins in full at layer {full[0]}" if full else ""
    return [f"{words}; {', '.join(hints)}"]


def _details(key: str, layers: list[LayerTold]) -> tuple[dict[str, Any], ...]:
    """What was laid as records, of islands that are alike on layers that follow on one each."""
    found: list[dict[str, Any]] = []
    open_runs: list[tuple[dict[str, Any], dict[str, Any]]] = []  # what it says, its record
    for layer, items in _by_layer(layers).items():
        still = []
        for item in items:
            what = {k: v for k, v in item.record(key).items() if v is not None}
            alike = (
                n for n, (other, run) in enumerate(open_runs) if other == what and run["layers"][1] < layer
            )
            n = next(alike, None)
            if n is None:
                run = {"layers": [layer, layer], **what}
                found.append(run)
            else:
                run = open_runs.pop(n)[1]
                run["layers"][1] = layer
            still.append((what, run))
        open_runs = still
    return tuple(found)

"""Which walls of which instances were moved: written into a treated file's record, and read from it again."""

from __future__ import annotations

import re
from collections.abc import Iterable

from gcodetools.edit.record import MAX_LINE_BYTES, escaped, recorded
from gcodetools.treat.order import Work
from gcodetools.treat.target import Done

__all__ = ["Moved", "moved_in", "moved_pairs", "moved_share", "tells"]

Moved = dict[tuple[str, int], float]
"""By `part/region` (as the record escapes it) and instance: mm by which its walls were moved, out of the plastic."""

_KEY = "fit"
_MOST = 0.5
_LEAD_BYTES = 24  # `; beadwright fit: ` and the line's end
_LINE = re.compile(r"([-+]?\d+(?:\.\d+)?) mm: (.+)#(\d[\d,]*)")


def moved_pairs(work: Iterable[Work], done: Iterable[Done]) -> list[tuple[str, str]]:
    """Lines of the record: `fit: +0.05 mm: wedge-key/shank#1,2`, of those alone whose walls were moved, at least half
    of them: of a fit that stays what it is for the most part nothing is to be read back."""
    nothing = {(d.part, d.region, d.instance) for d in done if d.setting == _KEY and not tells(d)}
    groups: dict[tuple[str, float], list[int]] = {}
    for hit, pose, treatment, _ in work:
        if treatment.fit is not None and (hit.part, hit.region, pose.instance) not in nothing:
            key = (f"{hit.part}/{hit.region}", treatment.fit.offset_mm)
            groups.setdefault(key, []).append(pose.instance)
    pairs: list[tuple[str, str]] = []
    for (name, offset), instances in groups.items():
        if offset:
            head = f"{offset:+.6f}".rstrip("0").rstrip(".") + f" mm: {name}#"
            pairs += [(_KEY, head + numbers) for numbers in _lines(instances, len(escaped(head)))]
    return pairs


def moved_share(one: Done) -> float:
    """Share of the length of a region's walls that was moved, 0 to 1."""
    moved = kept = 0.0
    for run in one.details:
        layers = run["layers"][1] - run["layers"][0] + 1
        moved += layers * run["moved_mm"]
        kept += layers * run.get("not_moved_mm", 0.0)
    if moved + kept > 0:
        return moved / (moved + kept)
    return 0.0 if one.done == "nothing" else 1.0


def tells(one: Done) -> bool:
    """Whether a `fit` moved so much of a region's walls that the fit is another one."""
    return one.done != "nothing" and moved_share(one) >= _MOST


def _lines(instances: list[int], used: int) -> list[str]:
    """Numbers joined by commas, as many a text as a line of the record holds."""
    lines: list[str] = []
    for number in map(str, instances):
        if lines and used + len(lines[-1]) + 1 + len(number) <= MAX_LINE_BYTES - _LEAD_BYTES:
            lines[-1] += f",{number}"
        else:
            lines.append(number)
    return lines


def moved_in(data: bytes) -> Moved:
    """What the record of a file says was moved; a file that was treated twice has the sum."""
    found: Moved = {}
    for key, value in recorded(data):
        match = _LINE.fullmatch(value) if key == _KEY else None
        for number in match[3].split(",") if match else ():
            if match and number:
                name = (match[2], int(number))
                found[name] = round(found.get(name, 0.0) + float(match[1]), 6)
    return found

"""What tests of ladders share: plates, ladders, and a small reader of lines that shares no code with the tool."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from shapely import box

from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part
from gcodetools.jobs.apply import Options
from gcodetools.jobs.ladder import ladder_file
from gcodetools.jobs.ladder_asked import Asked
from gcodetools.trials.factors import parse_held, parse_varied

BAR = Part("coupon", 30.0, lambda z: box(-6, -3, 6, 3), (-6.0, -3.0))
NECK = Part("coupon", 20.0, lambda z: box(-4, -3, 4, 3) if 5 < z < 7 else box(-6, -3, 6, 3), (-6.0, -3.0))
LOW = Part("coupon", 3.0, lambda z: box(-8, -6, 8, 6), (-8.0, -6.0))
MID = Part("coupon", 5.0, lambda z: box(-8, -6, 8, 6), (-8.0, -6.0))
WIDE = Part("coupon", 2.0, lambda z: box(-20, -10, 20, 10), (-20.0, -10.0))
OBJECT = re.compile(rb"; printing object (\S+) id:\d+ copy (\d+)")
PLAIN = (b"Perimeter", b"External perimeter", b"Internal infill", b"Solid infill")


def spots(part, count, apart):
    return tuple(Placement(part, 40 + apart * (k % 3), 60 + apart * (k // 3)) for k in range(count))


@lru_cache(maxsize=8)
def made(name):
    return {
        "tall": lambda: make(parts=spots(BAR, 1, 40)),
        "neck": lambda: make(parts=spots(NECK, 1, 40)),
        "three": lambda: make(parts=spots(BAR, 3, 40)),
        "nine": lambda: make(parts=spots(LOW, 9, 40)),
        "wide": lambda: make(parts=spots(WIDE, 4, 60)),
        "apart": lambda: make(parts=spots(MID, 6, 40), sequential=True),
        "unlabelled": lambda: make(parts=spots(BAR, 1, 40), labelled=False),
        "mixed": lambda: make(parts=(*spots(LOW, 2, 40), Placement("wedge-key-snug", 130, 150))),
    }[name]().data


def asked(*vary, hold=(), **more):
    return Asked(tuple(map(parse_varied, vary)), tuple(map(parse_held, hold)), **more)


def ladder(path, *vary, hold=(), options=None, label=None, region=None, **more):
    """`ladder_file`; the same one of the same bytes at the same path is worked out once."""
    settings = asked(*vary, hold=hold, **more)
    return _worked_out(path, path.read_bytes(), options or Options(()), settings, region, label)


@lru_cache(maxsize=8)
def _worked_out(path, data, options, settings, region, label):
    return ladder_file(path, options, settings, region, label)


@dataclass
class Bead:
    copy: int
    layer: int
    nozzle: float
    fan: float
    feed: float
    e: float
    mm: float
    kind: bytes


def beads_of(data):
    """Every extruding move of convention B with relative E: which copy and layer, and what is in force."""
    copy, layer, nozzle, fan, feed, kind = -1, 0, 0.0, 0.0, 0.0, b""
    x = y = 0.0
    counts: dict[int, int] = {}
    found = []
    for line in data.split(b"\n"):
        if mark := OBJECT.match(line):
            copy = int(mark[2])
            counts[copy] = counts.get(copy, 0) + 1
            layer = counts[copy]
        elif line.startswith(b"; stop printing object"):
            copy = -1
        elif line.startswith(b";TYPE:"):
            kind = line[6:].strip()
        command = line.split(b";")[0]
        words = {word[:1]: float(word[1:]) for word in command.split()[1:] if word[1:]}
        if command.startswith((b"M104", b"M109")) and b"S" in words:
            nozzle = words[b"S"]
        elif command.startswith(b"M106"):
            fan = words.get(b"S", 255.0) / 2.55
        elif command.startswith(b"M107"):
            fan = 0.0
        elif command.startswith((b"G1 ", b"G0 ")):
            feed = words.get(b"F", feed * 60.0) / 60.0
            at = words.get(b"X", x), words.get(b"Y", y)
            mm = float(np.hypot(at[0] - x, at[1] - y))
            x, y = at
            if words.get(b"E", 0.0) > 0 and mm > 0 and copy >= 0:
                found.append(Bead(copy, layer, nozzle, fan, feed, words[b"E"], mm, kind))
    return found


def inside(beads, specimen):
    first, last = specimen["layers"]
    return [bead for bead in beads if bead.copy == specimen["instance"] - 1 and first <= bead.layer <= last]


def kinds(beads, *names):
    return [bead for bead in beads if bead.kind in names]

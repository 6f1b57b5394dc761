"""Walls and arms made of roads, as samples: what the tests of sections and footprints are put to."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np

from gcodetools.physics.pieces import Samples

Line = tuple[float, float, float, float]

WIDTH, HEIGHT = 0.45, 0.2
PITCH = WIDTH - HEIGHT * (1 - np.pi / 4)  # no void


class Roads:
    """Collects lines of beads; `samples` gives them with what is outermost."""

    def __init__(self, width: float = WIDTH, height: float = HEIGHT) -> None:
        self.width, self.height = width, height
        self.lines: list[Line] = []
        self.facts: list[tuple[bool, bool, int, float]] = []

    def add(
        self,
        lines: Iterable[Line],
        *,
        outer: bool = False,
        solid: bool = True,
        layer: int = 1,
        width: float = 0,
    ) -> Roads:
        for line in lines:
            self.lines.append(line)
            self.facts.append((outer, solid, layer, width or self.width))
        return self

    def box(self, x0: float, y0: float, x1: float, y1: float, **facts: object) -> Roads:
        """A closed loop of centre lines."""
        corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
        return self.add(((*a, *b) for a, b in itertools.pairwise(corners)), **facts)  # type: ignore[arg-type]

    def samples(self, turn_deg: float = 0.0, step: float = 0.5) -> tuple[Samples, np.ndarray]:
        cut = []
        for (x0, y0, x1, y1), facts in zip(self.lines, self.facts, strict=True):
            length = float(np.hypot(x1 - x0, y1 - y0))
            n = max(int(np.ceil(length / step)), 1)
            for t in (np.arange(n) + 0.5) / n:
                at = (x0 + t * (x1 - x0), y0 + t * (y1 - y0))
                cut.append((*at, (x1 - x0) / length, (y1 - y0) / length, length / n, *facts))
        x, y, ux, uy, length, outer, solid, layer, width = np.array(cut, np.float64).T
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        n = len(x)
        return Samples(
            x_mm=c * x - s * y,
            y_mm=s * x + c * y,
            ux=c * ux - s * uy,
            uy=s * ux + c * uy,
            length_mm=length,
            width_mm=width,
            height_mm=np.full(n, self.height),
            top_mm=layer * self.height,
            layer=layer.astype(np.int32),
            laid_s=np.arange(n) * 1.0,
            solid=solid > 0,
            owner=np.zeros(n, np.int64),
            row=np.arange(n, dtype=np.int64),
        ), outer > 0


def wall(roads: int, long: float = 30.0, pitch: float = PITCH) -> Roads:
    """A closed wall along x of an even number of roads, as loops inside one another; y from 0 is its outer edge."""
    made = Roads()
    deep = (roads - 1) * pitch
    for k in range(roads // 2):
        off = WIDTH / 2 + k * pitch
        made.box(off, off, long - off, WIDTH / 2 + deep - k * pitch, outer=k == 0)
    return made


def core(made: Roads, low: float, high: float, x0: float, x1: float, spacing: float, *, solid: bool) -> Roads:
    """A zigzag of 45 degrees, or denser, between two heights."""
    x, up, lines = x0, True, []
    while x < x1:
        lines.append((x, low, x + spacing, high) if up else (x, high, x + spacing, low))
        x, up = x + spacing, not up
    return made.add(lines, solid=solid)

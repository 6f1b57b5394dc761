"""A pen that writes small files, a stripper that takes comments away, and demo plates made once."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from math import hypot, pi
from pathlib import Path

import pytest
from shapely import Point, box, union_all

from gcodetools.demo.maker import make
from gcodetools.demo.plates import Made, Placement
from gcodetools.demo.shapes import Part
from gcodetools.toolpath.plate import Plate

FILAMENT_MM2 = pi * 1.75**2 / 4
Points = Sequence[tuple[float, float]]


class Pen:
    """Writes G-code in relative E: `travel`, `line`, `loop` at the height of the last `layer`."""

    def __init__(self, width: float = 0.45, height: float = 0.2) -> None:
        self.width, self.height = width, height
        self.lines = ["G90", "M83"]
        self.at = (0.0, 0.0)

    @property
    def e_per_mm(self) -> float:
        """A stadium's area over the filament's: (w - h) h + pi h^2 / 4 over pi d^2 / 4 (closed forms)."""
        return ((self.width - self.height) * self.height + pi * self.height**2 / 4) / FILAMENT_MM2

    def say(self, *lines: str) -> None:
        self.lines += lines

    def layer(self, z: float, lift: float = 0.4) -> None:
        """Lift and come down at another height, as a travel between layers does."""
        self.lines += [f"G1 Z{z + lift:.4f} F600", f"G1 Z{z:.4f}"]

    def travel(self, x: float, y: float) -> None:
        self.lines.append(f"G1 X{x:.5f} Y{y:.5f} F9000")
        self.at = (x, y)

    def line(self, points: Points, z: Sequence[float] | None = None, flow: float = 1.0) -> None:
        """Travel to the first point and lay a bead to each of the others, rising to `z` where given."""
        self.travel(*points[0])
        for k, (x, y) in enumerate(points[1:]):
            length = hypot(x - self.at[0], y - self.at[1])
            height = f" Z{z[k]:.4f}" if z is not None else ""
            self.lines.append(f"G1 X{x:.5f} Y{y:.5f}{height} E{length * self.e_per_mm * flow:.6f} F1800")
            self.at = (x, y)

    def loop(self, points: Points, seam: float = 0.06) -> None:
        """A closed loop that stops `seam` short of its start."""
        x0, y0 = points[-1]
        x1, y1 = points[0]
        length = hypot(x1 - x0, y1 - y0)
        t = 1 - seam / length
        self.line([*points, (x0 + (x1 - x0) * t, y0 + (y1 - y0) * t)])

    def square(self, x: float, y: float, side: float, seam: float = 0.06) -> None:
        """A square loop about (x, y), counter-clockwise."""
        r = side / 2
        self.loop([(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)], seam)

    def hatch(self, x: float, y: float, side: float, pitch: float) -> None:
        """Lines along x in a square about (x, y), joined to and fro."""
        r, points, row, forth = side / 2, list[tuple[float, float]](), 0, True
        while -r + row * pitch <= r + 1e-9:
            ends = [(x - r, y - r + row * pitch), (x + r, y - r + row * pitch)]
            points += ends if forth else ends[::-1]
            row, forth = row + 1, not forth
        self.line(points)

    @property
    def data(self) -> bytes:
        return ("\n".join(self.lines) + "\n").encode()

    def plate(self) -> Plate:
        return Plate.from_bytes(self.data, "pen.gcode")


@pytest.fixture
def pen() -> Pen:
    return Pen()


@pytest.fixture(scope="session")
def new_pen() -> type[Pen]:
    """The pen's class, for tests that draw several files."""
    return Pen


def without_comments(data: bytes) -> bytes:
    """The file's commands, line for line, every comment taken away."""
    data = re.sub(rb";[^\r\n]*", b"", data)
    while True:
        fewer = re.sub(rb"\([^()\r\n]*\)", b"", data)
        if fewer == data:
            return data
        data = fewer


@lru_cache(maxsize=48)
def _sample(path: Path, bare: bool) -> Plate:
    data = path.read_bytes()
    return Plate.from_bytes(without_comments(data) if bare else data, path.name)


@pytest.fixture(scope="session")
def read() -> Callable[..., Plate]:
    """`read(path)`: a sample's plate, read once; `read(path, bare=True)`: its comments taken away first."""
    return lambda path, bare=False: _sample(path, bare)


@lru_cache(maxsize=64)
def _made_plate(convention: str, bare: bool, options: tuple[tuple[str, object], ...]) -> Plate:
    data = _made(convention, options).data
    return Plate.from_bytes(without_comments(data) if bare else data, f"{convention}.gcode")


@pytest.fixture(scope="session")
def read_made() -> Callable[..., Plate]:
    """`read_made("B", bare=True, arcs=True)`: the plate of `made("B", arcs=True)`, read once."""
    return lambda convention, bare=False, **options: _made_plate(
        convention, bare, tuple(sorted(options.items()))
    )


def _gate() -> Part:
    """A bridge over a gap on two posts, a bore in one of them."""
    post = Point(-8, 0).buffer(7, quad_segs=12).difference(Point(-8, 0).buffer(2.5, quad_segs=12))
    legs = union_all([post, box(6, -6, 14, 6)])
    whole = union_all([post, box(-3, -6, 14, 6)])
    return Part("gate", 2.6, lambda z: legs if z < 1.4 else whole, (0.0, 0.0))


@lru_cache(maxsize=64)
def _made(convention: str, options: tuple[tuple[str, object], ...]) -> Made:
    gate = _gate()
    parts = [Placement(gate, 80, 110), Placement(gate, 130, 120, 35.0)]
    return make(convention, parts=parts, **dict(options))  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def made() -> Callable[..., Made]:
    """`made("B", arcs=True)`: a demo plate of two gates, and the truth about it."""
    return lambda convention, **options: _made(convention, tuple(sorted(options.items())))

"""What plots for papers draw, as columns: one layer's beads, a part's height, a print's course over time.

Nothing here draws, so that what is drawn can be printed, tested and read without the plotting library.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = [
    "LAYER_QUANTITIES",
    "STRIP_QUANTITIES",
    "Box",
    "LayerBeads",
    "LayerPlot",
    "LayerSide",
    "Plot",
    "Quantity",
    "StripCourse",
    "StripPlot",
    "StripRegion",
    "TracePlot",
    "TraceSide",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What colours or lengths stand for. label : words for the axis; unit : "" where it has none. log : shown by
    ratios. least : the least span of a colour scale, a ratio where `log`, lest noise looks like a difference."""

    key: str
    label: str
    unit: str
    log: bool = False
    least: float = 0.0

    @property
    def words(self) -> str:
        """Label and unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label


LAYER_QUANTITIES = {
    one.key: one
    for one in (
        Quantity("region", "region of the kit", ""),
        Quantity("age", "age of the bead below", "s", log=True, least=2.0),
        Quantity("nozzle", "nozzle reached", "°C", least=5.0),
        Quantity("bond", "bond to the bead below, healed", "%", least=10.0),
        Quantity("feed", "feed as commanded", "mm/s", least=5.0),
        Quantity("rate", "flow at the feed commanded", "mm³/s", least=0.5),
        Quantity("change", "added or removed", ""),
    )
}
STRIP_QUANTITIES = {
    one.key: one
    for one in (
        Quantity("strength", "strength across layers", "MPa"),
        Quantity("bond", "bond between layers, healed", "%"),
    )
}


@dataclass(frozen=True, slots=True)
class LayerBeads:
    """Straight pieces of a layer's beads in printing order, one row a piece.

    begin, end : (n, 2) mm, machine coordinates. length_mm : (n,) along the bead's path, which an arc's chord falls
    short of. width_mm, height_mm : (n,). feature : (n,) index into FEATURES. row : (n,) of `Moves`. t : (n,) place
    of the piece's middle on its row, 0 to 1. region : (n,) index of the first region that claims the piece, -1 in
    none. status : (n,) KEPT, NEW or GONE of `strokes`. value : (n,) of the quantity, NaN where it is not known.
    """

    begin: F8
    end: F8
    length_mm: F8
    width_mm: F8
    height_mm: F8
    feature: U1
    row: I8
    t: F8
    region: I4
    status: U1
    value: F8

    def __len__(self) -> int:
        return len(self.row)

    @property
    def bounds(self) -> Box:
        """Lowest x and y, highest x and y of all footprints, mm; there is a bead."""
        half = self.width_mm[:, None] / 2
        low, high = np.minimum(self.begin, self.end) - half, np.maximum(self.begin, self.end) + half
        (x0, y0), (x1, y1) = low.min(axis=0).tolist(), high.max(axis=0).tolist()
        return x0, y0, x1, y1


@dataclass(frozen=True, slots=True)
class LayerSide:
    """A panel. name : "before", "after", or "" where there is one file."""

    name: str
    beads: LayerBeads


@dataclass(frozen=True, slots=True)
class LayerPlot:
    """One layer of one or two files. box : x0, y0, x1, y1, mm. regions : names, in the order of
    `LayerBeads.region`."""

    title: str
    subtitle: str
    quantity: Quantity
    sides: tuple[LayerSide, ...]
    box: Box
    regions: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class StripCourse:
    """A quantity over a region's layers, columns (k,).

    layer : of the instance, from 1. z_mm : its top over the part's bottom. low, best, high : NaN where nothing counts.
    open : (k,) layers over sparse fill or air for the most part, which count as no strength.
    """

    layer: I4
    z_mm: F8
    low: F8
    best: F8
    high: F8
    open: NDArray[np.bool_]

    @property
    def least(self) -> int:
        """Index of the layer with the least best estimate; -1 where none has one."""
        return -1 if np.all(np.isnan(self.best)) else int(np.nanargmin(self.best))


@dataclass(frozen=True, slots=True)
class StripRegion:
    """A region: its heights, mm over the part's bottom, and a course a side (by "before", "after" or "")."""

    name: str
    z_mm: tuple[float, float]
    courses: Mapping[str, StripCourse]


@dataclass(frozen=True, slots=True)
class StripPlot:
    """An instance along its height.

    regions : in the kit's order. shadow : (layers, bins) plastic of each layer seen from the side, mm3 a bin, and
    x_mm, z_mm the bins' and the layers' edges in the part's frame, (bins + 1,) and (layers + 1,). first_layer : of
    the layers shown.
    """

    title: str
    subtitle: str
    quantity: Quantity
    regions: tuple[StripRegion, ...]
    shadow: F8
    x_mm: F8
    z_mm: F8
    first_layer: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class TraceSide:
    """The course of one print, columns (n,) where beads are laid.

    t_s : since `begin_s` on the print's clock. told_c, reached_c : of the nozzle, NaN where nobody knows.
    fan_told, fan : 0 to 1. row : of `Moves`. visits : (v, 2) from when to when beads of a region are laid.
    """

    name: str
    t_s: F8
    told_c: F8
    reached_c: F8
    fan_told: F8
    fan: F8
    row: I8
    visits: F8
    begin_s: float


@dataclass(frozen=True, slots=True)
class TracePlot:
    """Nozzle and fan over time, of one or two prints, each on its own clock. since : what begins at 0."""

    title: str
    subtitle: str
    sides: tuple[TraceSide, ...]
    since: str
    note: str = ""


Plot = LayerPlot | StripPlot | TracePlot

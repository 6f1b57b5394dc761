"""Bars and arms made of roads, as instances of a plate: what the tests of strength are put to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from roads import Roads
from shapely import LineString, box

from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Region
from gcodetools.kit.selection import RegionHit, Selection
from gcodetools.kit.shapes import Slab
from gcodetools.physics.below import below
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance
from gcodetools.strength.region import RegionStrength, strength_of

SLAB = Slab(layers=(1, 10_000))


def void_free(width: float, height: float) -> float:
    return width - height * (1 - np.pi / 4)


def bar(
    wide: float,
    walls: int,
    *,
    long: float = 30.0,
    layers: int = 4,
    width: float = 0.45,
    height: float = 0.2,
    density: float = 1.0,
    solid: bool = True,
    angle_deg: float = 45.0,
    first: int = 1,
) -> Roads:
    """A flat bar along x: perimeters, and inside of them lines that turn by a right angle from layer to layer."""
    pitch = void_free(width, height)
    made = Roads(width, height)
    loops = min(walls, int((wide - width) / (2 * pitch)) + 1)
    for layer in range(first, first + layers):
        for k in range(loops):
            off = width / 2 + k * pitch
            if wide - 2 * off < pitch / 2:
                made.add([(off, wide / 2, long - off, wide / 2)], layer=layer)
            else:
                made.box(off, off, long - off, wide - off, outer=k == 0, layer=layer)
        edge = width / 2 + (loops - 0.5) * pitch
        if wide - 2 * edge > pitch / 2:
            turn = angle_deg if layer % 2 else angle_deg - 90.0
            made.add(
                _hatch((edge, edge, long - edge, wide - edge), turn, pitch / density),
                solid=solid,
                layer=layer,
            )
    return made


def _hatch(room: tuple[float, float, float, float], turn_deg: float, pitch: float) -> list[tuple]:
    along = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    beside = np.array([-along[1], along[0]])
    area, lines = box(*room), []
    middle, reach = np.array(area.centroid.coords[0]), area.length / 2
    for k in range(-int(reach / pitch), int(reach / pitch) + 1):
        at = middle + beside * k * pitch
        cut = LineString([at - along * reach, at + along * reach]).intersection(area)
        if cut.length > 0.1:
            lines.append(tuple(np.array(cut.coords).ravel()))
    return lines


def instance(
    made: Roads, *, layer_s: float = 10.0, nozzle_c: float = 230.0, fan: float = 0.4, ends_mm: float = 5.0
) -> Instance:
    """Roads as they would be found on a plate whose layers take `layer_s`; the region is all but the ends along x."""
    samples, outer = made.samples()
    samples = replace(samples, laid_s=samples.layer * layer_s)
    low, high = samples.x_mm.min() + ends_mm, samples.x_mm.max() - ends_mm
    within = (samples.x_mm > low) & (samples.x_mm < high)
    at = np.flatnonzero(within)
    n = len(samples)
    return Instance(
        samples=samples,
        outer=outer,
        within=(within,),
        nozzle_c=np.full(n, nozzle_c),
        told_c=np.full(n, nozzle_c),
        fan=np.full(n, fan),
        at=at,
        on=below(samples.take(at), samples),
        own_layer=samples.layer,
        top_mm=float(samples.top_mm.max()),
    )


def told(one: Instance, law: Law, region: Region | None = None) -> RegionStrength:
    """What is told of the region."""
    samples, within = one.samples, one.within[0]
    rows = samples.row[within]
    selection = Selection(rows, np.zeros(len(rows)), np.ones(len(rows)))
    layers = (int(samples.layer[within].min()), int(samples.layer[within].max()))
    z = (float(samples.top_mm[within].min()), float(samples.top_mm[within].max()))
    hit = RegionHit("bar", 1, "all", "clip", selection, layers, z)
    pose = Pose("bar", 1, None, 0.0, 0.0, 0.0, 0.0, 1.0, False, 0.0, samples.row.astype(np.int32),
                samples.layer, layers[1])  # fmt: skip
    return strength_of(hit, pose, region or Region(within=SLAB), one, within, law)

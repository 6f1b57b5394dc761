"""Arms that stand: how much of each layer's section rests on the layer below, where bending pulls it apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.footprints import footprints
from gcodetools.records import dataclass
from gcodetools.strength.pieces import Instance
from gcodetools.strength.welds import LayerWelds

__all__ = ["Arm", "arm_of"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

_CUT = 0.5  # share of a lump's edge behind which plastic goes on: more, and it is part of a block, no arm
_SOLID = 0.94  # modulus share of a solid section of printed roads, which test pieces have too
_LEAST = 0.02


@dataclass(frozen=True, slots=True)
class Arm:
    """What an arm bears at its weakest layer. ratio : (1 + d,) strength of the weld there, times the share of the
    section that rests on solid beads, over the weld of the test piece. layer : of the instance, from 1.
    share : of the section modulus there. stiffness : share of the second moment, usual. rests : layers of the
    arm told of."""

    ratio: F8
    layer: int
    share: float
    stiffness: float
    rests: int


def arm_of(
    instance: Instance,
    within: Bool,
    welds: LayerWelds,
    across_mpa: F8,
    length_mm: float,
    doubt: F8 | float = 1.0,
) -> Arm | None:
    """The arm of a region; None where no layer of it rests on another.

    Bending falls evenly from the lowest layer of the arm to its tip, so a layer farther up may be weaker for it.

    Parameters
    ----------
    across_mpa : (1 + d,) of the test piece. length_mm : of the arm, root to tip. doubt : (1 + d,) exponent on the share
    of the section that rests; 1 takes it as it is.
    """
    if len(welds.layer) == 0:
        return None
    on = instance.lies_on(within)
    share = np.full(len(instance.samples), np.nan)
    share[within] = np.where(np.isnan(on.age_s), 0.0, on.share * (1.0 - on.sparse))
    alike = _alike(instance, within, share)
    found = footprints(
        instance.samples, share, instance.outer, within & np.isin(instance.samples.layer, alike)
    )
    layer, at = _spread(alike, found.layer)
    layers, first = np.unique(instance.samples.layer, return_index=True)
    place = first[np.searchsorted(layers, layer)]
    own, top = instance.own_layer[place], instance.samples.top_mm[place]
    free = (found.cut[at] <= _CUT) & (own > 1) & (found.outline_mm2[at] > 0)
    mine = np.flatnonzero(free if np.any(free) else own > 1)
    mine = mine[np.diff(own[mine], prepend=-1) != 0]  # the largest lump of each layer
    if len(mine) == 0:
        return None
    lump = at[mine]
    modulus = np.clip(found.modulus_share[lump] / _SOLID, _LEAST, 1.0)
    up = (top[mine] - top[mine].min()) / max(length_mm, 1e-9)
    moment = np.maximum(1.0 - up, 0.05)
    told = np.clip(np.searchsorted(welds.layer, own[mine]), 0, len(welds.layer) - 1)
    rests = modulus ** np.reshape(doubt, (-1, 1))
    ratio = welds.strength_mpa.draws[:, told] / across_mpa[:, None] * (rests / moment)
    k = int(np.argmin(ratio[0]))
    stiff = found.least_mm4[lump] / np.maximum(found.outline_least_mm4[lump], 1e-12)
    return Arm(
        ratio[:, k],
        int(own[mine][k]),
        float(found.modulus_share[lump][k]),
        float(np.median(stiff)),
        len(mine),
    )


def _alike(instance: Instance, within: Bool, share: F8) -> NDArray[np.int32]:
    """(layers,) of each plate layer with pieces of the region one that is like it: beads at the same places that rest
    on as much. Index 0 is the first layer of the plate."""
    samples = instance.samples
    columns = np.column_stack(
        [
            samples.x_mm,
            samples.y_mm,
            samples.ux,
            samples.uy,
            samples.length_mm,
            samples.width_mm,
            samples.height_mm,
        ]
    )
    columns = np.column_stack([np.round(columns, 3), np.round(np.nan_to_num(share, nan=-1.0), 2)])
    flags = np.column_stack([within, instance.outer, samples.solid])
    like = np.full(int(samples.layer.max()) + 1, -1, np.int32)
    known: dict[bytes, int] = {}
    order = np.argsort(samples.layer, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(samples.layer[order])) + 1):
        if np.any(within[mine]):
            layer = int(samples.layer[mine[0]])
            like[layer] = known.setdefault(columns[mine].tobytes() + flags[mine].tobytes(), layer)
    return like


def _spread(
    alike: NDArray[np.int32], layer: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows found for some layers given to all that are like them: the layer of each, and the row; by layer."""
    begin = np.searchsorted(layer, alike, side="left")
    count = np.where(alike >= 0, np.searchsorted(layer, alike, side="right") - begin, 0)
    layers = np.repeat(np.arange(len(alike)), count)
    rows = np.repeat(begin - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    return layers, rows

"""Holds: nozzle and fan can't follow a feature inside a layer, so they hold over whole layers.

A region's holds are the runs of its instance's layers in which it occurs, from the first move of the first
layer to the last of the last, in file order. On a plate printed layer by layer the holds of several instances
run into one another; on one printed object after object each instance has its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft, Hold
from gcodetools.treat.target import Target

__all__ = [
    "HELD_SHARE_WARNING",
    "Span",
    "fast_layers",
    "held_note",
    "hold_spans",
    "layer_words",
    "record_hold",
]

HELD_SHARE_WARNING = 0.6  # of the plate's bead length; beyond, the slicer's own setting is the better place
F8 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Span:
    """Rows [first, last) under one hold, and the plate layers [first_layer, last_layer] they are."""

    first: int
    last: int
    first_layer: int
    last_layer: int


def hold_spans(draft: Draft, target: Target, left_out: NDArray[np.bool_]) -> list[Span]:
    """Holds of a region: runs of plate layers in which it occurs, but those `left_out` (a flag a layer).

    A layer in which the region has no bead ends a run.
    """
    beads, layers = draft.plate.beads, draft.plate.layers
    rows = draft.row[target.pieces]
    used = np.unique(beads.layer[rows])
    used = used[(used >= 0)]
    used = used[~left_out[used]]
    if len(used) == 0:
        return []
    breaks = np.flatnonzero((np.diff(used) > 1) | (np.diff(layers.run[used]) != 0)) + 1
    starts = np.concatenate([[0], breaks])
    ends = np.concatenate([breaks, [len(used)]]) - 1
    spans = []
    for a, b in zip(used[starts].tolist(), used[ends].tolist(), strict=True):
        spans.append(Span(int(layers.first_row[a]), int(layers.last_row[b]), a, b))
    return spans


def fast_layers(target: Target) -> NDArray[np.bool_]:
    """A flag a plate layer: too fast for less fan or more heat. None is where the treatment has a rest, a
    speed or `force`."""
    treatment = target.treatment
    if treatment.rest is not None or treatment.speed is not None or treatment.force:
        return np.zeros(len(target.layer_s), bool)
    return target.layer_s < target.bounds.material.min_layer_time_s.value


def held_note(draft: Draft, target: Target, left_out: NDArray[np.bool_]) -> str:
    """Sentence on the layers of the region that are held back; empty for none."""
    layer = draft.plate.beads.layer[draft.row[target.pieces]]
    used = np.unique(layer[layer >= 0])
    back = used[left_out[used]]
    if len(back) == 0:
        return ""
    shortest = float(target.layer_s[back].min())
    need = target.bounds.material.min_layer_time_s.value
    return (
        f"held back on {len(back)} of {len(used)} layers: layer {shortest:.1f} s, {need:g} s needed "
        "(modelled; add `rest`, `speed` or `force`)"
    )


def layer_words(spans: list[Span]) -> str:
    """The plate layers of holds, counted from 1."""
    names = [
        f"{s.first_layer + 1}" if s.first_layer == s.last_layer else f"{s.first_layer + 1}-{s.last_layer + 1}"
        for s in spans
    ]
    shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more runs" if len(names) > 6 else "")
    return f"plate layers {shown}"


def record_hold(draft: Draft, setting: str, spans: list[Span], name: str) -> None:
    """Note the holds in the draft, joined to those of other regions that touch them."""
    for span in spans:
        touching = [
            h for h in draft.holds if h.setting == setting and h.first <= span.last and span.first <= h.last
        ]
        first = min([span.first, *(h.first for h in touching)])
        last = max([span.last, *(h.last for h in touching)])
        names = tuple(dict.fromkeys([n for h in touching for n in h.regions] + [name]))
        draft.holds[:] = [h for h in draft.holds if h not in touching]
        draft.holds.append(Hold(setting, first, last, names))

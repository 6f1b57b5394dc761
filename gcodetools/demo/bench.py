"""A plate of millions of lines for benchmarks, and the small kit that goes with it.

A short plate is made honestly; its middle layers are then repeated as text with their heights moved. Every
layer is still a layer that was planned, and the totals at the end are those of the file.
"""

from __future__ import annotations

import re
from math import ceil

from shapely import Polygon, box

from gcodetools.demo.maker import make, spent_lines
from gcodetools.demo.plates import Placement
from gcodetools.demo.shapes import Bands, Part, arc_points

__all__ = ["bench_lug", "big_kit", "big_perimeters_kit", "big_plate"]

LAYER_MM = 0.2
PATTERN_LAYERS = 10
REPEATED = (4, 6)  # two layers, one a direction of infill
LIFT_MM = 0.4
STEP_DEG = 3.0
ROWS = 6  # of lugs
RADIUS_MM, BORE_MM = 11.0, 4.0


def bench_lug(height_mm: float = 20.0) -> Part:
    """A disc with a bore and a tab towards +x: round walls in short pieces, room for infill."""
    disc = Polygon(arc_points(RADIUS_MM, 0, 360 - STEP_DEG, STEP_DEG))
    bore = Polygon(arc_points(BORE_MM, 0, 360 - STEP_DEG, STEP_DEG))
    lug = disc.union(box(0, -3, 15, 3)).difference(bore)
    return Part("bench-lug", height_mm, Bands(((height_mm, lug),)), (-RADIUS_MM, 0.0))


def big_plate(lines: int = 2_000_000, rows: int = ROWS) -> bytes:
    """A plate of rows of 7 labelled lugs in convention B with at least this many lines.

    Parameters
    ----------
    lines : wanted, rounded up to whole pairs of layers; at least some 51,000 a row.
    rows : of lugs, 1 to 6.

    Returns
    -------
    bytes
        UTF-8 text with plain line ends.
    """
    lug = bench_lug(PATTERN_LAYERS * LAYER_MM)
    spots = [Placement(lug, 22.0 + 29.0 * k, 25.0 + 30.0 * n) for n in range(rows) for k in range(7)]
    made = make("B", parts=spots)
    head, *layers = re.split(rb"(?m)^(?=;LAYER_CHANGE$)", made.data)
    last, tail = re.split(rb"(?m)^(?=M107\n;TYPE:Custom$)", layers[-1])
    layers[-1] = last
    first, stop = REPEATED
    order = list(range(PATTERN_LAYERS))
    counts = [layer.count(b"\n") for layer in layers]
    pair = sum(counts[first:stop])
    missing = max(0, lines - sum(counts) - head.count(b"\n") - tail.count(b"\n"))
    order[stop:stop] = list(range(first, stop)) * -(-missing // pair)
    truth = made.truth
    filament = truth.start_mm + sum(truth.layer_filament_mm[own] for own in order)
    times = [truth.layer_time_s[own] for own in order]
    whole = sum(times)
    head = _progress(head, 0.0, whole)
    body, reached = [], 0.0
    for k, own in enumerate(order):
        body.append(_progress(_at_height(layers[own], own, k), reached, whole))
        reached += times[k]
    clear = f"G1 Z{len(order) * LAYER_MM + 10:g} F720\n".encode()
    tail = re.sub(rb"G1 Z\S+ F720\n", clear, tail, count=1)
    return b"".join([head, *body, _with_totals(tail, filament, whole, times[0])])


def _progress(text: bytes, reached: float, whole: float) -> bytes:
    """The first progress command of a text, for the plate at hand."""
    words = f"M73 P{int(100 * reached / whole)} R{ceil((whole - reached) / 60)}"
    return re.sub(rb"M73 P\d+ R\d+", words.encode(), text, count=1)


def _at_height(layer: bytes, own: int, wanted: int) -> bytes:
    """A layer's text moved from its own height to another's."""
    if own == wanted:
        return layer
    for lift in (0.0, LIFT_MM):
        old, new = (f"{round((k + 1) * LAYER_MM + lift, 5):g}".removeprefix("0") for k in (own, wanted))
        layer = layer.replace(f"Z{old} F".encode(), f"Z@{new} F".encode())
    layer = layer.replace(b"Z@", b"Z")
    old, new = (f"{round((k + 1) * LAYER_MM, 5):g}" for k in (own, wanted))
    return layer.replace(f";Z:{old}\n".encode(), f";Z:{new}\n".encode()).replace(
        f"\n;{old}\n".encode(), f"\n;{new}\n".encode()
    )


def _with_totals(tail: bytes, filament_mm: float, seconds: float, first_s: float) -> bytes:
    """End code and trailer, the totals made anew."""
    before, old, after = re.split(rb"(?ms)^(; filament used \[mm\].*?\n\n)", tail, maxsplit=1)
    assert old
    return before + "\n".join([*spent_lines(filament_mm, seconds, first_s), ""]).encode() + after


def big_kit() -> str:
    """The kit of `big_plate`: four regions of 36 degrees each, beside the tab; a third of the beads."""
    rings = [bench_lug().outline.exterior, *bench_lug().outline.interiors]
    outline = ", ".join(_ring(list(ring.coords)[:-1]) for ring in rings)
    wedge = "{{wedge: {{centre: [0, 0], radius: [0, 16], angle: [{}, {}]}}}}"
    regions = "".join(
        f"      {name}:\n        within: {wedge.format(a, a + 36)}\n        treat: {name}\n"
        for name, a in (("slow", 20), ("full", 110), ("warm", 200), ("soft", 290))
    )
    return (
        "beadwright: 1\nkit: bench\nmaterial: petg\nparts:\n  bench-lug:\n    found_by:\n"
        f'      label: ["bench-lug*"]\n      outline: [{outline}]\n    regions:\n{regions}'
        "treatments:\n  slow: {speed: {scale: 80%}}\n  full: {flow: {scale: 103%}}\n"
        "  warm: {nozzle: {add: 5}, fan: {cap: 25%}, speed: {max: 40}}\n  soft: {accel: {max: 700}}\n"
    )


def big_perimeters_kit(slab_mm: tuple[float, float] | None = None) -> str:
    """A kit of `big_plate` that lays two more perimeters: between two heights, mm, or in a wedge of 120 degrees
    on every layer, beside the tab."""
    within = "{wedge: {centre: [0, 0], radius: [0, 16], angle: [20, 140]}}"
    if slab_mm is not None:
        within = f"{{slab: {{z: [{slab_mm[0]:g}, {slab_mm[1]:g}]}}}}"
    parts, regions, _ = big_kit().partition("    regions:\n")
    zone = f"      zone:\n        within: {within}\n        treat: {{perimeters: {{add: 2}}}}\n"
    return parts + regions + zone


def _ring(points: list[tuple[float, float]]) -> str:
    return "[" + ", ".join(f"[{x:.4f}, {y:.4f}]" for x, y in points) + "]"

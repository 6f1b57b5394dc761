"""Draw a plot for a paper, a README or a build sheet; the numbers drawn are its record."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plot_data import layer_plot, strip_plot, trace_plot
from gcodetools.jobs.plot_sides import read_sides
from gcodetools.jobs.records import Approve, unopposed, without_nulls
from gcodetools.records import dataclass
from gcodetools.report.plot_data import (
    LAYER_QUANTITIES,
    STRIP_QUANTITIES,
    LayerPlot,
    Plot,
    StripPlot,
    TracePlot,
)
from gcodetools.report.strokes import GONE, NEW
from gcodetools.toolpath.beads import FEATURES

__all__ = ["QUANTITIES", "Wanted", "drawn", "plot_file"]

Record = dict[str, Any]
F8 = NDArray[np.float64]
Kind = Literal["layer", "strip", "trace"]

QUANTITIES = tuple(dict.fromkeys([*LAYER_QUANTITIES, *STRIP_QUANTITIES]))
_FORMS = (".png", ".svg", ".pdf")
_LEAST_MM, _MOST_MM = (80.0, 60.0), 1000.0
_STATUS = {NEW: "added", GONE: "removed"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to draw. layer : from 1, of the instance, or of the plate without one. layers : first and last of those a
    strip or a trace shows. instance : PART#N. quantity : None for the usual one. size_mm : width and height."""

    kind: Kind
    layer: int = 1
    layers: tuple[int, int] | None = None
    instance: str | None = None
    quantity: str | None = None
    size_mm: tuple[float, float] = (160.0, 100.0)
    dark: bool = False


def plot_file(
    path: Path,
    against: Path | None,
    out: Path,
    wanted: Wanted,
    options: Options,
    approve: Approve = unopposed,
) -> tuple[Record, list[str]]:
    """Record and warnings of a plot, which is written to `out` as its ending says.

    approve : see `records.Approve`.

    Raises
    ------
    UsageError : an ending, a size, a layer, an instance or a quantity that makes no sense, or no plotting library.
    InputError : a file or a kit is unreadable or invalid, or says too little. NotFoundOnPlate : no part of the kit is
    there, or no region meets a bead. CannotWrite : `out`.
    """
    # The plotting library is large, optional and slow to load, and without it nothing need be read.
    from gcodetools.report.plots import rendered, require_plotting

    form = _form(out)
    _check(wanted, options)
    require_plotting()
    sides = read_sides(path, against, options)
    if wanted.instance is not None and sides[-1].kit is None:
        raise UsageError("--instance: no kit, so no part to look at", "Name one with --kit.")
    found = [text for side in sides for text in side.warnings]
    plot: Plot
    instance = wanted.instance
    if wanted.kind == "layer":
        quantity = wanted.quantity or ("region" if against is None else "change")
        plot = layer_plot(sides, wanted.layer, instance, quantity)
    elif wanted.kind == "strip":
        plot, pose = strip_plot(sides, instance, wanted.quantity or "strength", wanted.layers)
        instance = f"{pose.part}#{pose.instance}"
    else:
        plot = trace_plot(sides, instance, wanted.layers)
    data = rendered(plot, form, wanted.size_mm, wanted.dark)
    warnings = list(dict.fromkeys(found))
    approve(warnings)
    write_atomic(out, data)
    record: Record = {
        "schema": "beadwright.plot/1",
        "out": str(out),
        "kind": wanted.kind,
        "file": sides[-1].file,
        "against": sides[0].file if against is not None else None,
        "kit": sides[-1].kit.name if sides[-1].kit is not None else None,
        "instance": instance,
        "layer": wanted.layer if wanted.kind == "layer" else None,
        "size_mm": list(wanted.size_mm),
        **drawn(plot),
    }
    return without_nulls(record), warnings


def _form(out: Path) -> str:
    if out.suffix.lower() not in _FORMS:
        raise UsageError(f"-o {out}: expected a name that ends in .png, .svg or .pdf", "Give -o such a name.")
    return out.suffix.lower()[1:]


def _check(wanted: Wanted, options: Options) -> None:
    """What can be told before anything is read."""
    width, height = wanted.size_mm
    if not (_LEAST_MM[0] <= width <= _MOST_MM and _LEAST_MM[1] <= height <= _MOST_MM):
        raise UsageError(
            f"--size {width:g}x{height:g}: too small or too large for its texts",
            f"Give {_LEAST_MM[0]:g}x{_LEAST_MM[1]:g} to {_MOST_MM:g}x{_MOST_MM:g} mm.",
        )
    known = {"layer": LAYER_QUANTITIES, "strip": STRIP_QUANTITIES, "trace": {}}[wanted.kind]
    if wanted.quantity is not None and wanted.quantity not in known:
        raise UsageError(
            f"--quantity {wanted.quantity}: not for --{wanted.kind}",
            f"Give one of: {', '.join(known)}." if known else "Leave it out.",
        )
    if wanted.layers is not None and wanted.kind == "layer":
        raise UsageError("--layers: not for --layer", "Leave it out.")
    if not options.kits and (wanted.instance is not None or wanted.kind == "strip"):
        what = "--strip" if wanted.kind == "strip" else "--instance"
        raise UsageError(f"{what}: no kit, so no part to look at", "Name one with --kit.")


def drawn(plot: Plot) -> Record:
    """The numbers of a plot, as columns of one length; of values that are not all known, `at` tells the places."""
    record: Record = {"title": plot.title, "note": plot.note or None}
    if isinstance(plot, LayerPlot):
        record |= {
            "quantity": plot.quantity.key,
            "unit": plot.quantity.unit or None,
            "box_mm": _list(np.array(plot.box)),
        }
        return record | {
            "regions": list(plot.regions),
            "sides": [_layer(plot, k) for k in range(len(plot.sides))],
        }
    if isinstance(plot, StripPlot):
        record |= {"quantity": plot.quantity.key, "unit": plot.quantity.unit}
        return record | {"regions": _strip(plot)}
    return record | {"sides": _trace(plot)}


def _list(values: NDArray[Any], digits: int = 4) -> list[Any]:
    rounded: list[Any] = np.round(values, digits).tolist()
    return rounded


def _layer(plot: LayerPlot, number: int) -> Record:
    side = plot.sides[number]
    beads = side.beads
    known = np.flatnonzero(~np.isnan(beads.value))
    by_status = {
        word: round(float(beads.length_mm[beads.status == code].sum()), 3)
        for code, word in _STATUS.items()
        if plot.quantity.key == "change" and np.any(beads.status == code)
    }
    return {
        "side": side.name or None,
        "beads": len(np.unique(beads.row)),
        "length_mm": round(float(beads.length_mm.sum()), 3),
        "by_status_mm": by_status or None,
        "low": round(float(beads.value[known].min()), 4) if len(known) else None,
        "high": round(float(beads.value[known].max()), 4) if len(known) else None,
        "columns": {
            "x0_mm": _list(beads.begin[:, 0]),
            "y0_mm": _list(beads.begin[:, 1]),
            "x1_mm": _list(beads.end[:, 0]),
            "y1_mm": _list(beads.end[:, 1]),
            "length_mm": _list(beads.length_mm),
            "width_mm": _list(beads.width_mm, 3),
            "feature": [FEATURES[k] for k in beads.feature.tolist()],
            "region": beads.region.tolist(),
            "status": [_STATUS.get(k, "kept") for k in beads.status.tolist()] if by_status else None,
        },
        "values": {"at": known.tolist(), "value": _list(beads.value[known])} if len(known) else None,
    }


def _strip(plot: StripPlot) -> list[Record]:
    found = []
    for region in plot.regions:
        record: Record = {"region": region.name, "z_mm": _list(np.array(region.z_mm)), "courses": []}
        for name, course in region.courses.items():
            known = ~np.isnan(course.best)
            least = course.least
            record["courses"].append(
                {
                    "side": name or None,
                    "layer": course.layer[known].tolist(),
                    "z_mm": _list(course.z_mm[known]),
                    **{key: _list(getattr(course, key)[known]) for key in ("low", "best", "high")},
                    "open_layers": course.layer[course.open].tolist() or None,
                    "least_layer": int(course.layer[least]) if least >= 0 else None,
                }
            )
        found.append(record)
    return found


def _trace(plot: TracePlot) -> list[Record]:
    found = []
    for side in plot.sides:
        known = ~np.isnan(side.told_c) & ~np.isnan(side.reached_c)
        nozzle = {
            "t_s": _list(side.t_s[known], 3),
            "told_c": _list(side.told_c[known], 2),
            "reached_c": _list(side.reached_c[known], 2),
        }
        fan = {"t_s": _list(side.t_s, 3), "told": _list(side.fan_told, 3), "reached": _list(side.fan, 3)}
        found.append(
            {
                "side": side.name or None,
                "begin_s": round(side.begin_s, 3),
                "nozzle": nozzle if np.any(known) else None,
                "fan": fan,
                "visits_s": _list(side.visits, 3),
            }
        )
    return found

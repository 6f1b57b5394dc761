"""What became of a wall that was asked to move, told as ranges of layers."""

from __future__ import annotations

from typing import Any

from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Fit
from gcodetools.treat.fit_layer import Told
from gcodetools.treat.target import Done
from gcodetools.treat.told import spans

__all__ = ["asked_words", "told_fit"]

_SOME_MM = 0.05
_TOLD_MM = 0.005  # of filament
_WHOLE = 0.98  # of the wall moved, from which on all of it counts as moved by the whole offset
NO_WALL = "no outermost perimeter lies in the region"


def asked_words(fit: Fit) -> str:
    """`-0.05 mm`."""
    return f"{fit.offset_mm:+.3g} mm"


def told_fit(hit: RegionHit, fit: Fit, found: list[tuple[int, Told]], filament_mm: float) -> Done:
    """The answer of one region of one instance.

    Parameters
    ----------
    found : of each layer of the instance, from 1, what became of it. filament_mm : pushed more than before; 0 where
    regions share beads and it can't be told apart.
    """
    moved = [(layer, one) for layer, one in found if one.moved_mm > _SOME_MM]
    notes = _kept(found)
    if not moved:
        why = "; ".join(notes) or NO_WALL
        return _answer(hit, fit, "nothing", why, found, refused=True)
    if hit.role != "seat":
        notes.append(f"the region's role is {hit.role}: a wall that is moved changes how it fits")
    if moved[0][0] == 1:
        notes.append("layer 1 spreads on the bed, so measure above it")
    done = "; ".join(_done(fit, moved, filament_mm))
    return _answer(hit, fit, done, "; ".join(notes), found, warning=bool(_kept(found)) or hit.role != "seat")


def _done(fit: Fit, moved: list[tuple[int, Told]], filament_mm: float) -> list[str]:
    length = sum(one.moved_mm for _, one in moved)
    full = sum(one.full_mm for _, one in moved)
    words = [f"walls moved by {asked_words(fit)} over {length:.0f} mm on {spans(k for k, _ in moved)}"]
    if full < _WHOLE * length:
        words.append(
            f"blended over {fit.blend_mm:g} mm inside the region's border, {full:.0f} mm by all of it"
        )
    holes, outsides = any(one.holes for _, one in moved), any(one.outsides for _, one in moved)
    grows = fit.offset_mm > 0
    kinds = [f"the hole {'shrinks' if grows else 'grows'}"] * holes
    kinds += [f"the outside {'grows' if grows else 'shrinks'}"] * outsides
    words.append(" and ".join(kinds))
    area, form = (
        sum(values) / len(moved)
        for values in ([o.area_mm2 for _, o in moved], [o.form_mm2 for _, o in moved])
    )
    words.append(f"area {area:+.3f} mm2 a layer ({form:+.3f} by the closed form)")
    words.append("inner perimeters and ends of fill follow")
    if abs(filament_mm) >= _TOLD_MM:
        words.append(f"{filament_mm:+.2f} mm of filament")
    return words


def _kept(found: list[tuple[int, Told]]) -> list[str]:
    """Why walls were left, with the layers."""
    by_why: dict[str, list[int]] = {}
    for layer, one in found:
        for why in one.whys:
            by_why.setdefault(why, []).append(layer)
    length = sum(one.kept_mm for _, one in found)
    notes = [f"not moved on {spans(layers)}: {why}" for why, layers in by_why.items()]
    return [*notes, f"{length:.0f} mm of wall stay"] if notes else []


def _answer(
    hit: RegionHit,
    fit: Fit,
    done: str,
    why: str,
    found: list[tuple[int, Told]],
    warning: bool = False,
    refused: bool = False,
) -> Done:
    return Done(
        hit.part, hit.instance, hit.region, "fit", asked_words(fit), done, why, warning or refused, refused,
        _details(found),
    )  # fmt: skip


def _details(found: list[tuple[int, Told]]) -> tuple[dict[str, Any], ...]:
    """The same by ranges of layers that are alike."""
    runs: list[dict[str, Any]] = []
    for layer, one in sorted(found, key=lambda item: item[0]):
        told: dict[str, Any] = {
            "moved_mm": round(one.moved_mm, 1),
            "full_mm": round(one.full_mm, 1),
            "area_mm2": round(one.area_mm2, 3),
            "closed_form_mm2": round(one.form_mm2, 3),
            "holes": one.holes,
            "outsides": one.outsides,
        }
        if one.whys:
            told |= {"not_moved_mm": round(one.kept_mm, 1), "why": "; ".join(one.whys)}
        if (
            runs
            and runs[-1]["layers"][1] == layer - 1
            and {k: v for k, v in runs[-1].items() if k != "layers"} == told
        ):
            runs[-1]["layers"][1] = layer
        else:
            runs.append({"layers": [layer, layer], **told})
    return tuple(runs)

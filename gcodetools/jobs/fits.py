"""What the friction fits of a kit come to: as drawn, and with their walls moved."""

from __future__ import annotations

from typing import Any

from gcodetools.jobs.estimate import band_record
from gcodetools.jobs.joints import Joint, moved_words, squeeze_words
from gcodetools.jobs.records import without_nulls
from gcodetools.strength.fits import FitCase, fit_case, fit_words, squeeze_for, taper_of
from gcodetools.strength.law import Law
from gcodetools.strength.loads import squeeze_of
from gcodetools.strength.sentences import HAND_N
from gcodetools.strength.spreads import Band

__all__ = ["MOST_OFFSET_MM", "joint_record"]

Record = dict[str, Any]

MOST_OFFSET_MM = 0.2  # as `fit` has it
_LADDER_MM = (-0.10, -0.05, 0.0, 0.05, 0.10)
_SUMS = "handbook sum of the load's numbers, half of the force for rough printed faces (common practice)"
_WHOLE = "the offset is taken over whole flanks; towards the region's border walls move by less, see `blend` (derived)"


def joint_record(joint: Joint, law: Law, wanted_mm: float | None = None) -> Record:
    """What a joint comes to as drawn, and with its walls moved; offsets for other squeezes. wanted_mm : a squeeze that
    is asked for.

    Raises
    ------
    ValueError : numbers that make no joint.
    """
    load, use, own, mate = joint.load, joint.use, joint.own, joint.mate
    drawn = fit_case(load, use, law)
    moved = fit_case(load, use, law, joint.moved_mm) if joint.moved_mm else drawn
    taper = taper_of(load)
    record: Record = {
        "mate": mate.name if mate else None,
        "drawn_mm": squeeze_of(load),
        "offset_mm": own.offset_mm or None,
        "walls": own.walls,
        "walls_from": own.walls_from,
        "mate_offset_mm": mate.offset_mm or None if mate else None,
        "mate_walls": mate.walls if mate else None,
        "mate_walls_from": mate.walls_from if mate else None,
        "as_drawn": _sums(drawn),
        "with_fit": _sums(moved) if moved is not drawn else None,
        "taper": None
        if taper is None
        else {
            "deg": taper.deg,
            "up_to_deg": round(taper.up_to_deg, 3),
            "holds": taper.holds,
            "sure": taper.sure,
        },
        "offset_for": _offsets_for(joint, law, wanted_mm),
        "offsets": _ladder(joint, law),
        "notes": [*([_WHOLE] if moved is not drawn else []), *moved.case.notes],
    }
    return without_nulls({**record, "sentence": _sentence(joint, drawn, moved, record["offset_for"])})


def _sums(fit: FitCase) -> Record:
    case, plain = fit.case, fit.plain

    def told(band: Band | None, basis: str = "modelled", source: str = _SUMS) -> Record | None:
        return None if band is None else band_record(band, basis, source)

    return {
        "squeeze_mm": told(
            case.squeeze_mm, "assumed", "as drawn and moved; printed sizes are off by about 0.1 mm"
        ),
        "loose_share": round(case.loose, 3),
        "pressure_mpa": told(case.pressure_mpa),
        "push_n": told(case.push_n),
        "pull_n": told(case.pull_n),
        "strain": told(case.demand),
        "allowed": told(case.allowed, "assumed", "design limits for printed snap fits"),
        "margin": told(case.margin, source="allowed over strain"),
        "refused": case.refused or None,
        "hand": fit.hand,
        "plain": {"pressure_mpa": plain.pressure_mpa, "push_n": plain.push_n, "pull_n": plain.pull_n},
    }


def _offsets_for(joint: Joint, law: Law, wanted_mm: float | None) -> list[Record]:
    """The offset of the region's own walls that gives a squeeze, its partner left as it is."""
    load, use = joint.load, joint.use
    wanted = [
        ("wanted", wanted_mm),
        ("line to line", 0.0),
        (
            f"a push of {HAND_N:g} N, about what a hand gives (common practice)",
            squeeze_for(load, use, law, push_n=HAND_N),
        ),
        ("the allowed strain", squeeze_for(load, use, law, share=1.0)),
    ]
    found = []
    for what, squeeze in wanted:
        if squeeze is None or joint.own.walls == 0:
            continue
        beside = joint.mate.moved_mm if joint.mate else 0.0
        offset = (squeeze - squeeze_of(load) - beside) / joint.own.walls
        found.append(
            {
                "for": what,
                "squeeze_mm": round(squeeze, 4),
                "offset_mm": round(offset, 4),
                "possible": abs(offset) <= MOST_OFFSET_MM + 1e-9,
            }
        )
    return found


def _ladder(joint: Joint, law: Law) -> list[Record]:
    """What a row of offsets of the region's own walls comes to."""
    rows = []
    for offset in _LADDER_MM if joint.own.walls else ():
        more = offset * joint.own.walls + (joint.mate.moved_mm if joint.mate else 0.0)
        fit = fit_case(joint.load, joint.use, law, more)
        push, pull = fit.case.push_n, fit.case.pull_n
        rows.append(
            {
                "offset_mm": offset,
                "squeeze_mm": fit.squeeze_mm,
                "push_n": None if push is None else band_record(push, "modelled", _SUMS),
                "pull_n": None if pull is None else band_record(pull, "modelled", _SUMS),
                "loose_share": round(fit.case.loose, 3),
                "hand": fit.hand,
            }
        )
    return rows


def _sentence(joint: Joint, drawn: FitCase, moved: FitCase, offsets: list[Record]) -> str:
    said = f"with {joint.mate.name}: " if joint.mate else ""
    said += f"{squeeze_words(drawn.squeeze_mm)} as drawn"
    if moved is not drawn:
        becomes = squeeze_words(moved.squeeze_mm)
        if drawn.squeeze_mm > 0:
            becomes = becomes.removeprefix("squeeze ")
        said += f", {becomes} with {moved_words(joint)}"
    said += f": {fit_words(moved)}."
    if moved is not drawn:
        said += f" As drawn: {fit_words(drawn, brief=True)}."
    elif joint.own.walls == 0:
        said += " Its region holds no wall, so that `fit` moves nothing."
    taper = taper_of(joint.load)
    if taper is not None and max(drawn.squeeze_mm, moved.squeeze_mm) > 0:
        said += f" {_upper(taper.words)}."
    told = "; ".join(map(_offset_words, offsets))
    return f"{said} {_upper(told)}." if told else said


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _offset_words(one: Record) -> str:
    beyond = "" if one["possible"] else f", beyond the {MOST_OFFSET_MM:g} mm that `fit` moves"
    what = f"a squeeze of {one['squeeze_mm']:g} mm" if one["for"] == "wanted" else one["for"]
    return f"for {what}: fit {one['offset_mm']:+.3f}{beyond}"

"""A ladder as a record, as the rows of its table, and as what its picture draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from gcodetools.jobs.apply import Applied
from gcodetools.jobs.ladder_asked import Asked, Plan
from gcodetools.jobs.ladder_got import Got, Seen
from gcodetools.jobs.ladder_places import centre_of
from gcodetools.jobs.records import without_nulls
from gcodetools.kit.placing import Pose
from gcodetools.report.ladder_sheet import Drawn, Footprint
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate
from gcodetools.trials.factors import KINDS
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS, Value, sheet_text

__all__ = ["csv_of", "drawn_of", "footprint_of", "ladder_record"]

Record = dict[str, Any]

_CAUTIONS = (
    "A part that breaks may fly: wear eye protection, put a guard around the test, keep fingers out of the clamps.",
    "A hotter nozzle burns and gives off more fumes: ventilate, and keep a hotend lined with PTFE below 240 C.",
    "What holds in this test is no safety part: where it carries a load that can hurt someone, follow local codes.",
)


def ladder_record(
    applied: Applied, plan: Plan, seen: Seen, asked: Asked, name: str, past_peak: bool
) -> Record:
    """The record of `ladder` (lines from 1; indices as in the kit). past_peak : whether steps lie beyond the
    material's measured peak."""
    summary = applied.summary
    record: Record = {
        "schema": "beadwright.ladder/1",
        "file": name,
        "digest": summary["digest"],
        "kit": applied.kit.name,
        "part": plan.specimens[0].pose.part,
        "region": plan.region,
        "material": summary["material"],
        "material_from": summary["material_from"],
        "machine": summary.get("machine"),
        "overrides": summary["overrides"],
        "by": plan.by,
        "printed": "layer by layer" if plan.layered else "object after object",
        "design": _design(plan),
        "factors": [
            {"name": f.name, "column": FACTOR_COLUMNS[f.name], "values": list(f.values)}
            for f in plan.runs.factors
        ],
        "held": {FACTOR_COLUMNS[key]: value for key, value in asked.held.items()},
        "seed": asked.seed,
        "order": asked.order,
        "placing": {
            "greatest_correlation": round(plan.greatest, 4),
            "between": list(plan.between) if plan.between else None,
        },
        "file_has": {"nozzle_c": plan.coupon.nozzle_c, "fan_percent": plan.coupon.fan_percent},
        "steps": [
            {"step": k + 1, **{FACTOR_COLUMNS[key]: value for key, value in step.items()}}
            for k, step in enumerate(plan.steps)
        ],
        "specimens": _specimens(applied.treated.original, plan, seen),
        "bands": _bands(plan),
        "as_sliced": [f"{pose.part}#{pose.instance}" for pose in plan.unused],
        "test_order": _test_order(len(plan.specimens), asked.seed),
        "notes": [*plan.notes, *_notes(plan, asked, past_peak)],
        "got_from": seen.source,
        "got_within": {
            **{f"{FACTOR_COLUMNS[name]}": round(off, 2) for name, off in seen.off.items()},
            "time_factor": [round(end, 3) for end in seen.time_band],
        },
        "regions": summary["regions"],
        "added": summary["added"],
        "time": summary["time"],
        "audit": summary["audit"],
        "cautions": list(_CAUTIONS),
    }
    return without_nulls(record)


def _design(plan: Plan) -> Record:
    confounding = plan.runs.confounding
    return {
        "kind": plan.runs.kind,
        "steps": len(plan.steps),
        "of_all": plan.runs.of_all,
        "repeats": plan.runs.repeats,
        "resolution": confounding.resolution if confounding else None,
        "words": list(confounding.words) if confounding else None,
        "alike": [list(group) for group in confounding.aliases] if confounding else None,
    }


def _specimens(plate: Plate, plan: Plan, seen: Seen) -> list[Record]:
    return [
        {
            "specimen": one.number,
            "step": one.step,
            "part": one.pose.part,
            "instance": one.pose.instance,
            "label": one.pose.label,
            "region": one.region,
            "layers": list(one.layers),
            **_where(plate, one.pose, got),
            "asked": {FACTOR_COLUMNS[key]: value for key, value in one.settings.items()},
            "got": _got_record(got),
            "before": _got_record(before),
        }
        for one, got, before in zip(plan.specimens, seen.got, seen.before, strict=True)
    ]


def _where(plate: Plate, pose: Pose, got: Got) -> Record:
    x, y = centre_of(plate, pose)
    return {"x_mm": round(x, 3), "y_mm": round(y, 3), "z_mm": round(got.z_mm, 3)}


def _got_record(got: Got) -> Record:
    told = {
        "nozzle_c": (got.nozzle_c, 2),
        "fan_percent": (got.fan_percent, 1),
        "layer_time_s": (got.layer_s, 2),
        "width_mm": (got.width_mm, 4),
        "height_mm": (got.height_mm, 4),
        "section_mm2": (got.section_mm2, 3),
        "feed_mm_s": (got.feed_mm_s, 3),
        "perimeters": (got.perimeters, 2),
        "mm3_per_mm": (got.mm3_per_mm, 5),
    }
    return {key: round(value, digits) for key, (value, digits) in told.items() if value is not None}


def _bands(plan: Plan) -> list[Record] | None:
    """Bands of a coupon from the bed upward, with the layers below each in which the nozzle arrives."""
    if plan.bands is None:
        return None
    first, top = plan.coupon.layers[0], plan.coupon.top_mm
    return [
        {
            "band": k + 1,
            "layers": [first + int(a), first + int(b)],
            "z_mm": [round(float(top[a]), 3), round(float(top[b + 1]), 3)],
            "between_below": int(lead),
        }
        for k, (a, b, lead) in enumerate(zip(plan.bands.first, plan.bands.last, plan.bands.lead, strict=True))
    ]


def _test_order(count: int, seed: int) -> list[int]:
    """An order to test in, so that what changes while testing (a blade, a hand, the room) goes with no step."""
    order: list[int] = (np.random.default_rng([seed, 1]).permutation(count) + 1).tolist()
    return order


def _notes(plan: Plan, asked: Asked, past_peak: bool) -> list[str]:
    found = []
    if not asked.outer and any(f.name == "flow" for f in (*asked.vary, *asked.hold)):
        found.append(
            "flow: the outermost perimeter keeps the file's own, as it does with `flow` in a kit (--outer)"
        )
    if plan.bands is not None:
        lead = plan.bands.lead[1:]
        span = f"{lead.min()}" if lead.min() == lead.max() else f"{lead.min()} to {lead.max()}"
        lasting = any(f.kind.lasting for f in asked.vary)
        why = (
            ", in which nozzle and fan arrive (modelled, slow end of the machine's spread)" if lasting else ""
        )
        found.append(f"between two bands lie {span} layers that belong to no specimen{why}")
        found.append(
            "a coupon that is pulled breaks at its weakest band, once: cut it between bands and test each piece, or "
            f"take as many coupons as bands ({len(plan.bands)})"
        )
    if past_peak:
        found.append(
            "steps go past the peak that the material's profile knows: where layers hold best is what this measures"
        )
    return found


def csv_of(record: Record, plan: Plan) -> str:
    """The table of a ladder (see `trials.sheet_csv`)."""
    rows: list[dict[str, Value]] = []
    for one in record["specimens"]:
        got = one["got"]
        rows.append(
            {
                **{key: one[key] for key in ("specimen", "step", "part", "instance")},
                "layers": f"{one['layers'][0]}-{one['layers'][1]}",
                **{key: float(one[key]) for key in ("x_mm", "y_mm", "z_mm")},
                **one["asked"],
                "nozzle_reached_c": got.get("nozzle_c"),
                "fan_reached_percent": got.get("fan_percent"),
                **{key: got.get(key) for key in ("layer_time_s", "width_mm", "height_mm", "section_mm2")},
            }
        )
    comments = {
        "file": record["file"],
        "part": record["part"],
        "region": record["region"],
        "material": record["material"],
        "treated sha256": record["digest"],
        "seed": str(record["seed"]),
    }
    names = [name for name in KINDS if any(name in one.settings for one in plan.specimens)]
    return sheet_text(comments, names, rows)


def drawn_of(applied: Applied, plan: Plan) -> Drawn:
    """What the picture shows: where instances stand, and what else is on the plate."""
    plate = applied.treated.original
    numbers: dict[int, list[int]] = {}
    for one in plan.specimens:
        numbers.setdefault(one.pose.instance, []).append(one.number)
    mine = [pose for pose in applied.placed.poses if pose.part == plan.specimens[0].pose.part]
    footprints = tuple(
        Footprint(footprint_of(plate, pose), tuple(numbers.get(pose.instance, ())), pose.instance)
        for pose in mine
    )
    known = shapely.union_all([shape for one in footprints for shape in [one.shape]])
    others = [i.polygon for i in of_layer(plate, 0)] if len(plate.layers) else []
    rest = shapely.union_all([shape for shape in others if not shape.intersects(known)])
    machine = applied.profiles.machine
    return Drawn(footprints, rest, machine.bed if machine else None)


def footprint_of(plate: Plate, pose: Pose) -> shapely.Geometry:
    """The islands of an instance's first layer."""
    rows = pose.rows[pose.layer == 1].astype(np.int64)
    islands = of_layer(plate, int(plate.beads.layer[rows[0]]), rows)
    return shapely.union_all([island.polygon for island in islands])

"""Strength of a plate's regions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import load_machine
from gcodetools.gcode.arrays import give_back
from gcodetools.jobs.as_moved import as_moved
from gcodetools.jobs.region_states import nozzle_base_c
from gcodetools.jobs.regions import Found
from gcodetools.jobs.sources import Profiles
from gcodetools.kit.schema import Kit
from gcodetools.physics.timing import Times
from gcodetools.records import dataclass
from gcodetools.strength.got import Got, got_of
from gcodetools.strength.law import Law, law_of
from gcodetools.strength.pieces import Instance, instance_of
from gcodetools.strength.region import RegionStrength, strength_of
from gcodetools.strength.spreads import Draws
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.schedule import PLAIN_MACHINE

__all__ = ["Strengths", "Watch", "beads_got", "strengths_of"]

Watch = Callable[[Found, Instance, NDArray[np.bool_], RegionStrength, Law], None]
"""Called with each region, the pieces of its instance, which of them are its own, what was worked out, and by which
law."""


@dataclass(frozen=True, slots=True)
class Strengths:
    """regions : as found. got : what beads got; None once it has been let go. law : of the material. heating : whose
    laws the nozzle and the fan follow, in words."""

    regions: tuple[RegionStrength, ...]
    got: Got | None
    law: Law
    heating: str


def strengths_of(
    plate: Plate, kit: Kit | None, found: Sequence[Found], profiles: Profiles, planned: Times, mm3_per_mm: float,
    draws: Draws | None = None, watch: Watch | None = None, lean: bool = False,
) -> Strengths | None:  # fmt: skip
    """Work out all regions; None where the material says nothing of its strength. The load of a fit whose walls were
    moved, as the file's own record says, is that of the moved walls.

    Parameters
    ----------
    planned : seconds of the plate's rows. mm3_per_mm : plastic by filament. draws : how doubt is drawn.
    watch : see `Watch`; pieces are let go instance by instance. lean : keep of the welds of each layer what is best
    known alone; the bands are worked out by then.
    """
    if profiles.material.strength is None:
        return None
    law = law_of(profiles.material, draws or Draws())
    got, heating = beads_got(plate, kit, profiles, planned, mm3_per_mm)
    give_back()  # what reading and finding left behind; instances come in many small arrays
    moved = as_moved(plate, kit, found)
    results: list[RegionStrength | None] = [None] * len(found)
    owners: dict[tuple[str, int], list[int]] = {}
    for k, one in enumerate(found):
        owners.setdefault((one.hit.part, one.hit.instance), []).append(k)
    for mine in owners.values():
        pose = found[mine[0]].pose
        instance = instance_of(plate, pose, [found[k].hit.selection for k in mine], got)
        for k, within in zip(mine, instance.within, strict=True):
            if np.any(within):
                region, notes = moved.get(found[k].name, (found[k].region, ()))
                result = strength_of(found[k].hit, pose, region, instance, within, law)
                result = replace(result, notes=(*result.notes, *notes)) if notes else result
                if watch is not None:
                    watch(found[k], instance, within, result, law)
                results[k] = replace(result, welds=result.welds.without_doubt()) if lean else result
    told = tuple(result for result in results if result is not None)
    return Strengths(told, got, law, heating)


def beads_got(
    plate: Plate, kit: Kit | None, profiles: Profiles, planned: Times, mm3_per_mm: float
) -> tuple[Got, str]:
    """What each bead got, and whose laws nozzle and fan follow, in words."""
    machine = profiles.machine or load_machine(PLAIN_MACHINE)
    known = "" if profiles.machine else ", no machine is named"
    got = got_of(plate, planned, machine.heating, nozzle_base_c(plate, kit), mm3_per_mm)
    return got, f"heating and fan of machine {machine.name}{known}"

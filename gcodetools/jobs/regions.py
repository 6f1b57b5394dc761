"""The regions of a kit's instances on a plate, and the nozzle where no command says it."""

from __future__ import annotations

from gcodetools.jobs.sources import instance_numbers
from gcodetools.kit.placing import Placed, Pose
from gcodetools.kit.schema import Kit, Region
from gcodetools.kit.selection import RegionHit, not_met, select_all
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Found", "found_regions"]


@dataclass(frozen=True, slots=True)
class Found:
    """A region of an instance that meets beads."""

    hit: RegionHit
    pose: Pose
    region: Region

    @property
    def name(self) -> str:
        """`part#instance/region`."""
        return f"{self.hit.part}#{self.hit.instance}/{self.hit.region}"


def found_regions(plate: Plate, kit: Kit | None, placed: Placed) -> tuple[list[Found], list[str]]:
    """Every region that meets a bead, in the kit's order, and sentences on the others."""
    found: list[Found] = []
    missing: list[str] = []
    for part_name, part in kit.parts.items() if kit is not None else ():
        poses = instance_numbers(part.instances, [pose for pose in placed.poses if pose.part == part_name])
        hits = select_all(plate, poses, part.regions)
        for region_name, region in part.regions.items():
            for pose, hit in zip(poses, (one[region_name] for one in hits), strict=True):
                one = Found(hit, pose, region)
                if len(hit.selection.row):
                    found.append(one)
                else:
                    missing.append(f"{one.name} meets no bead; {not_met(plate, pose, region)}")
    return found, missing

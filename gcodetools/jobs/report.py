"""The page: everything that is known of one sliced file, or of two held against each other, as data for a browser."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools._version import __version__
from gcodetools.gcode.arrays import give_back
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.compare import Seen, account_plate, compare_files, compare_plates
from gcodetools.jobs.costs import claimed
from gcodetools.jobs.records import without_nulls
from gcodetools.jobs.regions import Found
from gcodetools.jobs.strengths import beads_got
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.physics.timing import layer_seconds
from gcodetools.report.differing import mark_differences
from gcodetools.report.pagedata import Claims, Points, points_of, unit_of
from gcodetools.report.packing import packed
from gcodetools.report.strips import Ages, Strip, layer_ages, strip_of
from gcodetools.strength.got import Got
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.rows import row_welds
from gcodetools.strength.sentences import CAUTIONS
from gcodetools.strength.spreads import Draws
from gcodetools.toolpath.beads import FEATURES
from gcodetools.toolpath.plate import Plate

__all__ = ["report_files", "report_plates"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]
Record = dict[str, Any]
Progress = Callable[[str], None]

_SIDES = ("before", "after")
_HATCHES = 6
_MOST_BYTES = 14_500_000  # of the whole page; 15 MB is promised
_PAGE_BYTES = 250_000  # of what is no data: markup, script, style
_DECIMALS = 3


def report_files(path: Path, against: Path | None, options: Options) -> tuple[Record, list[str]]:
    """The page's data of a file, held against another if there is one, and warnings.

    Raises
    ------
    InputError : a file or a kit is unreadable or invalid. NotFoundOnPlate : no part of the kit on the plates.
    """
    kit = load_kits(options.kits) if options.kits else None
    collected = _Collected()
    if against is None:
        record, warnings = account_plate(read_plate(path), kit, options, collected)
    else:
        record, warnings = compare_files(against, path, options, collected)
    give_back()
    return _data(record, collected, warnings), warnings


def report_plates(
    after: Plate, before: Plate | None, kit: Kit | None, options: Options
) -> tuple[Record, list[str]]:
    """The same of plates that are read already.

    Raises
    ------
    InputError, NotFoundOnPlate : as `report_files`.
    """
    collected = _Collected()
    if before is None:
        record, warnings = account_plate(after, kit, options, collected)
    else:
        record, warnings = compare_plates(before, after, kit, options, collected)
    return _data(record, collected, warnings), warnings


@dataclass(slots=True)
class _Side:
    """What the page keeps of a side. strips : by instance. poses : with their layers on the plate."""

    points: Points
    unit_mm: float
    z_mm: F8
    layers: Record
    keys: list[tuple[float, int]]
    strips: dict[str, Strip]
    plate_layers: dict[str, NDArray[np.int64]]
    trace: Record


@dataclass(slots=True)
class _Told:
    """What is gathered of one instance's regions while a side is worked out."""

    strengths: list[RegionStrength] = field(default_factory=list)
    ages: list[Ages] = field(default_factory=list)


class _Collected:
    """Looks at each side and keeps what the page shows of it."""

    def __init__(self) -> None:
        self.sides: list[_Side] = []
        self.regions: dict[str, Record] = {}
        self.instances: dict[str, Record] = {}
        self.law: Law | None = None
        self._told: dict[str, _Told] = {}
        self._welds: list[tuple[int, Any]] = []

    def region(self, found: Found, instance: Instance, within: Bool, strength: RegionStrength) -> None:
        """A region's welds bead by bead and its strip."""

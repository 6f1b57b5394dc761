"""The same work as the commands, for scripts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gcodetools.edit.treated import Treated
from gcodetools.jobs.apply import Options, apply_plate, read_plate
from gcodetools.jobs.compare import compare_plates
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.sources import Subset
from gcodetools.kit import schema
from gcodetools.kit.placing import Placed, Pose, place
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Kit", "PlacedKit", "apply", "compare", "estimate", "load_kit", "read"]


@dataclass(frozen=True, slots=True)
class PlacedKit:
    """A kit on a plate."""

    kit: schema.Kit
    placed: Placed

    @property
    def poses(self) -> tuple[Pose, ...]:
        """The instances found, in the order of parts and numbers."""
        return self.placed.poses

    @property
    def absent(self) -> tuple[str, ...]:
        """Parts of the kit that are not on the plate."""
        return self.placed.absent

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences on what was assumed."""
        return self.placed.warnings


@dataclass(frozen=True, slots=True)
class Kit:
    """A loaded kit."""

    document: schema.Kit

    def place(self, plate: Plate) -> PlacedKit:
        """Find the kit's parts on a plate.

        Raises
        ------
        InputError : an outline that fits several turns, or two parts with one outline.
        """
        return PlacedKit(self.document, place(self.document, plate))


def read(path: Path | str, plate: int | None = None) -> Plate:
    """Read a sliced file, plain or in a container: bytes, moves, states, marks, layers, beads.

    plate : its number, where a package has several.

    Raises
    ------
    InputError : unreadable, or no G-code. UsageError : no such plate, or several and none is chosen.
    """
    return read_plate(Path(path), number=plate)


def load_kit(*paths: Path | str) -> Kit:
    """Read kit files, or folders of them.

    Raises
    ------
    InputError : unreadable or invalid.
    """
    return Kit(schema.load_kits(paths))


def apply(
    plate: Plate,
    placed: PlacedKit,
    *,
    machine: str | None = None,
    material: str | None = None,
    only: str | None = None,
    again: bool = False,
    verify: bool = False,
    keep_times: bool = False,
) -> Treated:
    """Treat a plate. `render()` of the result gives the G-code text, `render_file()` the file: the same, or the
    container that the plate came in with that text in it. keep_times : leave the file's own times and
    totals as they are.

    Raises
    ------
    BeadwrightError : as the command `apply`.
    """
    options = Options((), material, machine, (), Subset.parse(only), again, False, verify, keep_times)
    return apply_plate(plate, placed.kit, options).treated


def compare(
    before: Plate,
    after: Plate,
    kit: Kit | None = None,
    *,
    machine: str | None = None,
    material: str | None = None,
    sets: tuple[str, ...] = (),
) -> dict[str, Any]:
    """Two plates side by side: the record that `beadwright compare --json` prints. sets : changed numbers of
    profiles, such as "material.price_per_kg=22".

    Raises
    ------
    BeadwrightError : as the command `compare`.
    """
    options = Options((), material, machine, sets)
    return compare_plates(before, after, None if kit is None else kit.document, options)[0]


def estimate(
    plate: Plate | Treated,
    placed: PlacedKit,
    *,
    machine: str | None = None,
    material: str | None = None,
    sets: tuple[str, ...] = (),
    only: str | None = None,
) -> dict[str, Any]:
    """Strength and time of the regions of a plate, or of one that was treated: the record that `beadwright estimate
    --json` prints.

    Raises
    ------
    BeadwrightError : as the command `estimate`.
    """
    options = Options((), material, machine, sets, Subset.parse(only))
    read_again = plate.plate if isinstance(plate, Treated) else plate
    return estimate_plate(read_again, placed.kit, options)[0]

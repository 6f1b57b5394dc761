"""`beadwright compare`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    kit_option,
    plate_before_option,
    plate_option,
    profile_options,
)
from gcodetools.cli.text_compare import show_compare
from gcodetools.jobs.apply import Options
from gcodetools.jobs.compare import compare_files


@click.command("compare")
@file_argument("before")
@file_argument("after")
@kit_option(required=False)
@plate_option
@plate_before_option
@profile_options
@common
def command(
    before: Path,
    after: Path,
    kits: tuple[Path, ...],
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    plate_before: int | None,
    **kw: Any,
) -> None:
    """Show two sliced files side by side, BEFORE and AFTER, with differences; with a kit, by region too.

    \b
    Example:  beadwright compare plate.gcode plate-treated.gcode --kit hoophouse.kit.yaml
    """
    with Output(**kw) as output:
        record, warnings = compare_files(
            before, after, Options(kits, material, machine, sets, plate=plate, plate_before=plate_before)
        )
        output.warn_all(warnings)
        output.record(record, show_compare)

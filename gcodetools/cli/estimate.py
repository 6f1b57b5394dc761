"""`beadwright estimate`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    kit_option,
    plate_option,
    profile_options,
    subset_options,
)
from gcodetools.cli.text_estimate import show_estimate
from gcodetools.jobs.apply import Options
from gcodetools.jobs.estimate import estimate_file
from gcodetools.jobs.sources import Subset


@click.command("estimate")
@file_argument()
@kit_option(required=True)
@plate_option
@profile_options
@subset_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    only: str | None,
    **kw: Any,
) -> None:
    """Tell how strong the regions of a sliced FILE are, what their loads ask, and how sure that is.

    \b
    Example:  beadwright estimate plate.gcode --kit hoophouse.kit.yaml
    """
    with Output(**kw) as output:
        options = Options(kits, material, machine, sets, Subset.parse(only), plate=plate)
        record, warnings = estimate_file(file, options)
        output.warn_all(warnings)
        output.record(record, show_estimate)

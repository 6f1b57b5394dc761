"""`beadwright inspect`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common, file_argument, kit_option, plate_option, profile_options
from gcodetools.cli.text_inspect import show_inspect
from gcodetools.jobs.apply import Options
from gcodetools.jobs.inspect import inspect_file


@click.command("inspect")
@file_argument()
@kit_option(required=False)
@plate_option
@profile_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    **kw: Any,
) -> None:
    """Show what is in a sliced FILE; with a kit, each region of each instance.

    \b
    Example:  beadwright inspect plate.gcode --kit hoophouse.kit.yaml
    """
    with Output(**kw) as output:
        record, warnings = inspect_file(file, Options(kits, material, machine, sets, plate=plate))
        output.warn_all(warnings)
        output.record(record, show_inspect)

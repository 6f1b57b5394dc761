"""`beadwright advise`."""

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
from gcodetools.cli.text_advise import show_advise
from gcodetools.jobs.advise import Goal, advise_file
from gcodetools.jobs.apply import Options
from gcodetools.jobs.sources import Subset


@click.command("advise")
@file_argument()
@kit_option(required=True)
@click.option(
    "--region",
    "regions",
    multiple=True,
    metavar="PART/REGION",
    help="Advise on this region; may be repeated. All with a load, if left out.",
)
@click.option("--margin", type=float, metavar="RATIO", help="Margin to reach, allowed over demand, e.g. 1.5.")
@click.option(
    "--minutes", type=float, metavar="MINUTES", help="Minutes that the plate may take longer, instead."
)
@plate_option
@profile_options
@subset_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    regions: tuple[str, ...],
    margin: float | None,
    minutes: float | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    only: str | None,
    **kw: Any,
) -> None:
    """Find the cheapest settings that bring the regions of a sliced FILE to a margin, or the best for some minutes.

    Each region by itself, with the treatments of all others left out. Nothing is written.

    \b
    Example:  beadwright advise plate.gcode --kit hoophouse.kit.yaml --margin 1.5
    """
    with Output(**kw) as output:
        options = Options(kits, material, machine, sets, Subset.parse(only), plate=plate)
        record, warnings = advise_file(file, options, regions, Goal(margin, minutes), output.progress)
        output.warn_all(warnings)
        output.record(record, show_advise)

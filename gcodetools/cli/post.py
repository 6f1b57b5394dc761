"""`beadwright post`: in place, on every slice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    kit_option,
    profile_options,
    subset_options,
)
from gcodetools.cli.text import show_post
from gcodetools.errors import NotFoundOnPlate
from gcodetools.jobs.apply import Options, apply_file, write
from gcodetools.jobs.sources import Subset


@click.command("post")
@kit_option(required=True)
@subset_options
@click.option("--again", is_flag=True, help="Treat a treated file on top.")
@click.option("--must-find", is_flag=True, help="A plate without any part of the kit is an error (status 4).")
@click.option("--verify", is_flag=True, help="Read the whole output back, not only what changed.")
@profile_options
@common
@file_argument()
def command(
    file: Path,
    kits: tuple[Path, ...],
    only: str | None,
    again: bool,
    must_find: bool,
    verify: bool,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Treat a sliced FILE in place: the slicer's post-processing hook.

    FILE is the last argument, as slicers pass it. Every status but 0 leaves it as it was to the byte. A plate
    without any part of the kit stays as it is, with status 0.

    \b
    Example:  beadwright post --kit hoophouse.kit.yaml plate.gcode
    """
    output = Output(**kw)
    options = Options(kits, material, machine, sets, Subset.parse(only), again, True, verify)
    applied = apply_file(file, options, output.progress)
    if not applied.placed.poses:
        sentence = f"{file}: no part of kit {applied.kit.name} on this plate; left as it is"
        if must_find:
            raise NotFoundOnPlate(sentence, "Check `found_by` in the kit against `beadwright inspect`.")
        click.echo(sentence, err=True)
        if output.as_json:
            output.record({**applied.record, "out": str(file)}, show_post)
        return
    output.warn_all(list(applied.warnings))
    if applied.treated.render() != applied.treated.original.program.lines.data:
        write(applied, file)
    output.record({**applied.record, "out": str(file)}, show_post)

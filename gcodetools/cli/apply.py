"""`beadwright apply`."""

from __future__ import annotations

import sys
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
from gcodetools.cli.text import CAUTION, show_apply
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options, apply_file, write
from gcodetools.jobs.sources import Subset


@click.command("apply")
@file_argument()
@kit_option(required=True)
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="Where to; - is stdout.")
@subset_options
@click.option("--half", is_flag=True, help="Treat every second instance only, to compare.")
@click.option("--again", is_flag=True, help="Treat a treated file on top.")
@click.option("--allow-none", is_flag=True, help="A plate without any part of the kit is no error.")
@click.option("--verify", is_flag=True, help="Read the whole output back, not only what changed.")
@profile_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    out: Path,
    only: str | None,
    half: bool,
    again: bool,
    allow_none: bool,
    verify: bool,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Treat the regions of a sliced FILE and write a new file.

    \b
    Example:  beadwright apply plate.gcode --kit hoophouse.kit.yaml -o plate-treated.gcode
    """
    output = Output(out=out, **kw)
    if str(out) != "-" and out.is_dir():
        raise UsageError(f"-o {out}: a folder, expected a file name", f"For example -o {out / file.name}.")
    subset = Subset.parse(only, half)
    options = Options(kits, material, machine, sets, subset, again, allow_none, verify)
    applied = apply_file(file, options, output.progress)
    output.warn_all(list(applied.warnings))
    record = {**applied.record, "out": str(out)}
    if str(out) == "-":
        sys.stdout.buffer.write(applied.treated.render())
        return
    write(applied, out)
    output.record(record, show_apply)
    if not output.as_json and not output.quiet:
        click.echo(CAUTION)

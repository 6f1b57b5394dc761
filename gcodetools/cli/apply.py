"""`beadwright apply`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    keep_times_option,
    kit_option,
    plate_option,
    profile_options,
    subset_options,
    unpacked_option,
)
from gcodetools.cli.outputs import check_out, ending_notes, to_stdout
from gcodetools.cli.text import CAUTION
from gcodetools.cli.text_apply import show_apply
from gcodetools.jobs.apply import Options, apply_file, write
from gcodetools.jobs.gains import gains_of
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
@click.option("--no-estimate", is_flag=True, help="Leave out what the treatment does to strength.")
@keep_times_option
@unpacked_option
@plate_option
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
    keep_times: bool,
    unpacked: bool,
    plate: int | None,
    no_estimate: bool,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Treat the regions of a sliced FILE and write a new file.

    \b
    Example:  beadwright apply plate.gcode --kit hoophouse.kit.yaml -o plate-treated.gcode
    """
    with Output(out=out, **kw) as output:
        piped = str(out) == "-"
        if not piped:
            check_out(out, file, kits)
        options = Options(
            kits, material, machine, sets, Subset.parse(only, half), again, allow_none, verify, keep_times,
            plate=plate, unpacked=unpacked,
        )  # fmt: skip
        applied = apply_file(file, options, output.progress)
        output.warn_all([*applied.warnings, *ending_notes(out, file, applied.treated)])
        if piped:
            to_stdout(applied.treated.render_file())
            return
        record = {**(applied.record if output.as_json else applied.summary), "out": str(out)}
        if not no_estimate and not output.quiet:
            output.progress("estimating strength")
            record |= gains_of(applied)
        text = output.prepared(record, _show)
        write(applied, out)
        output.say(text)


def _show(record: dict[str, Any], paper: Paper) -> None:
    show_apply(record, paper)
    if record["audit"]["replaced"] + record["audit"]["inserted"]:
        paper.blank()
        paper.line(CAUTION)

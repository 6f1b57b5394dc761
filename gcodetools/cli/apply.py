"""`beadwright apply`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import (
    Output,
    common,
    expect_folder,
    file_argument,
    keep_times_option,
    kit_option,
    profile_options,
    subset_options,
)
from gcodetools.cli.process import discard_stdout
from gcodetools.cli.text import CAUTION
from gcodetools.cli.text_apply import show_apply
from gcodetools.errors import CannotWrite, UsageError
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
        to_stdout = str(out) == "-"
        if not to_stdout:
            _check_out(out, file, kits)
        options = Options(
            kits, material, machine, sets, Subset.parse(only, half), again, allow_none, verify, keep_times
        )
        applied = apply_file(file, options, output.progress)
        output.warn_all(list(applied.warnings))
        if to_stdout:
            _to_stdout(applied.treated.render())
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


def _to_stdout(data: bytes) -> None:
    """Write the treated file to standard output.

    Raises
    ------
    CannotWrite : its reader is gone, or the disk behind it is full.
    """
    try:
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except OSError as error:
        discard_stdout()
        raise CannotWrite(
            f"-o -: can't write all of it: {error.strerror}", "What was written is not the whole file."
        ) from None


def _check_out(out: Path, file: Path, kits: tuple[Path, ...]) -> None:
    """Refuse an output that can't be written or would bury what the user made.

    Raises
    ------
    UsageError : a folder, the sliced file itself, a kit. CannotWrite : its folder is not there.
    """
    expect_folder(out)
    if out.is_dir():
        raise UsageError(f"-o {out}: a folder, expected a file name", f"For example -o {out / file.name}.")
    if not out.exists():
        return
    if file.exists() and out.samefile(file):
        raise UsageError(f"-o {out}: the sliced file itself", "Name another, or use `beadwright post`.")
    if any(kit.exists() and out.samefile(kit) for kit in kits):
        raise UsageError(f"-o {out}: the kit itself", "Name another file.")

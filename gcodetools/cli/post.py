"""`beadwright post`: in place, on every slice."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper, clean
from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    keep_times_option,
    kit_option,
    plate_option,
    profile_options,
    subset_options,
    to_stderr,
)
from gcodetools.cli.process import discard_stdout, uninterrupted
from gcodetools.cli.text_post import show_post
from gcodetools.errors import NotFoundOnPlate
from gcodetools.jobs.apply import Applied, Options, apply_file, write
from gcodetools.jobs.sources import Subset


@click.command("post")
@kit_option(required=True)
@subset_options
@click.option("--again", is_flag=True, help="Treat a treated file on top.")
@click.option("--must-find", is_flag=True, help="A plate without any part of the kit is an error (status 4).")
@click.option("--verify", is_flag=True, help="Read the whole output back, not only what changed.")
@keep_times_option
@plate_option
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
    keep_times: bool,
    plate: int | None,
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
    with Output(**kw) as output:
        options = Options(
            kits, material, machine, sets, Subset.parse(only), again, True, verify, keep_times, plate=plate
        )
        applied = apply_file(file, options, output.progress)
        record = {**(applied.record if output.as_json else applied.summary), "out": str(file)}
        if not applied.chosen:
            sentence = _left_alone(applied, file)
            if must_find:
                raise NotFoundOnPlate(sentence, "Check the kit against `beadwright inspect`.")
            to_stderr(clean(sentence))
            output.say(output.prepared(record, _nothing))
            return
        output.warn_all(list(applied.warnings))
        text = output.prepared(record, show_post)
        if applied.treated.render_file() == applied.treated.original.render_file():
            output.say(text)
            return
        with uninterrupted():
            write(applied, file, in_place=True)
            # The file is replaced: from here on no failure to print may change the status.
            try:
                output.say(text)
                sys.stdout.flush()
            except OSError:
                discard_stdout()


def _nothing(record: dict[str, Any], paper: Paper) -> None:
    """The sentence on standard error says it all."""


def _left_alone(applied: Applied, file: Path) -> str:
    if not applied.placed.poses:
        return f"{file}: no part of kit {applied.kit.name} is on this plate; left as it is"
    return f"{file}: none of the instances on this plate is chosen; left as it is"

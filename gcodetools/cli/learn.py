"""`beadwright learn`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common, file_argument, plate_option
from gcodetools.cli.outputs import check_out
from gcodetools.cli.text import show_learn
from gcodetools.errors import UsageError
from gcodetools.jobs.learn import drawing_beside, learn_file


@click.command("learn")
@file_argument()
@click.option(
    "--object",
    "label",
    metavar="LABEL",
    help="Object to learn, name or glob; may be left out if there is one.",
)
@click.option(
    "-o", "--out", required=True, type=click.Path(dir_okay=False, path_type=Path), help="Kit file to write."
)
@click.option("--overwrite", is_flag=True, help="Write over a kit that is there already.")
@plate_option
@common
def command(file: Path, label: str | None, out: Path, overwrite: bool, plate: int | None, **kw: Any) -> None:
    """Start a kit from a sliced FILE, with a drawing to read coordinates from.

    \b
    Example:  beadwright learn plate.gcode --object bracket -o bracket.kit.yaml
    """
    drawing = drawing_beside(out) if out.name else out
    with Output(beside=[drawing], **kw) as output:
        if str(out) == "-":
            raise UsageError(
                "-o -: a kit and its drawing go into two files", "For example -o bracket.kit.yaml."
            )
        for path, what in ((out, ""), (drawing, f" {drawing}, its drawing,")):
            check_out(path, file, (), hint="Name another file.")
            if path.exists() and not overwrite:
                hint = "Name another file, or give --overwrite."
                raise UsageError(f"-o {out}:{what} is there already", hint)
        record, _ = learn_file(file, label, out, output.warn_all, plate)
        output.record(record, show_learn)

"""`beadwright report`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import (
    Output,
    buries,
    common,
    expect_folder,
    file_argument,
    kit_option,
    plate_before_option,
    plate_option,
    profile_options,
)
from gcodetools.errors import UsageError
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options
from gcodetools.jobs.report import report_files, summary
from gcodetools.report.page import assemble


@click.command("report")
@file_argument()
@kit_option(required=False)
@click.option(
    "--against", metavar="OTHER", type=click.Path(path_type=Path), help="The file to hold it against."
)
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="The page, an HTML file.")
@plate_option
@plate_before_option
@profile_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    against: Path | None,
    out: Path,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    plate_before: int | None,
    **kw: Any,
) -> None:
    """Make one page of a sliced FILE: will it hold, what does it cost, what to watch, and every layer drawn.

    The page is one file that opens in a browser without a network. With --against it shows both files and what
    changed from OTHER to FILE.

    \b
    Example:  beadwright report plate-treated.gcode --against plate.gcode --kit hoophouse.kit.yaml -o plate.html
    """
    with Output(out=out, **kw) as output:
        if plate_before is not None and against is None:
            raise UsageError("--plate-before without --against", "Name the file before, or leave it out.")
        _check_out(out, [file, *([against] if against else []), *kits])
        output.progress("reading")
        data, warnings = report_files(
            file,
            against,
            Options(kits, material, machine, sets, plate=plate, plate_before=plate_before),
            output.progress,
        )
        output.warn_all(warnings)
        page = assemble(data)
        text = output.prepared({**summary(data), "out": str(out), "bytes": len(page)}, _show)
        write_atomic(out, page)
        output.say(text)


def _show(record: dict[str, Any], paper: Paper) -> None:
    size = record["bytes"] / 1e6
    shown = "two files" if "against" in record else "one file"
    paper.line(f"{record['out']}: {shown}, {record['layers']:,} layers, {size:.1f} MB. Open it in a browser.")
    if record.get("thinned"):
        paper.line(record["thinned"])


def _check_out(out: Path, inputs: list[Path]) -> None:
    """Refuse a page that can't be written or would bury what it is made from.

    Raises
    ------
    UsageError : `-`, a folder, an input. CannotWrite : its folder is not there.
    """
    if str(out) == "-":
        raise UsageError("-o -: a page goes into a file", "For example -o plate.html.")
    expect_folder(out)
    if out.is_dir():
        raise UsageError(f"-o {out}: a folder, expected a file name", f"For example -o {out / 'plate.html'}.")
    if buries(out, inputs):
        raise UsageError(f"-o {out}: one of the files that the page is made from", "Name another file.")

"""`beadwright ladder`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import (
    Output,
    buries,
    common,
    expect_folder,
    file_argument,
    keep_times_option,
    kit_option,
    plate_option,
    profile_options,
    subset_options,
    unpacked_option,
)
from gcodetools.cli.outputs import ending_notes
from gcodetools.cli.text import CAUTION
from gcodetools.cli.text_ladder import show_ladder
from gcodetools.errors import CannotWrite, InputError, UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.ladder import ladder_file, sheet_paths, write_together
from gcodetools.jobs.ladder_asked import BY, ORDERS, Asked
from gcodetools.jobs.records import counted
from gcodetools.jobs.sources import Subset
from gcodetools.trials.bands import GAP_MM
from gcodetools.trials.factors import parse_held, parse_varied
from gcodetools.trials.results import read_sheet
from gcodetools.trials.runs import DESIGNS


@click.command("ladder")
@file_argument()
@kit_option(required=False)
@click.option("--region", metavar="PART/REGION", help="Region of the kit that gets the steps.")
@click.option(
    "--object",
    "label",
    metavar="LABEL",
    help="Without a kit: whole objects of this label, or of several with commas between.",
)
@click.option(
    "--vary",
    multiple=True,
    required=True,
    metavar="SETTING=VALUES",
    help="nozzle=220:250:10 (from, to, step) or fan=0%,25%,50%; speed, flow, perimeters. May be repeated.",
)
@click.option("--hold", multiple=True, metavar="SETTING=VALUE", help="The same in all specimens.")
@click.option("--by", type=click.Choice(BY), default="auto", help="What a step is given to.")
@click.option("--design", type=click.Choice(DESIGNS), default="grid", help="All combinations, or fewer.")
@click.option("--runs", type=int, metavar="N", help="How many steps a fraction or subset has.")
@click.option("--repeat", type=int, metavar="N", help="How often each step is printed.")
@click.option("--bands", type=int, metavar="N", help="Bands of height in each coupon.")
@click.option("--order", type=click.Choice(ORDERS), default="random", help="Of steps over places or height.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the random order.")
@click.option("--gap", "gap_mm", type=float, default=GAP_MM, metavar="MM", help="At least between bands.")
@click.option("--outer", is_flag=True, help="Flow acts on the outermost perimeter too.")
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="The treated file.")
@click.option(
    "--sheet", type=click.Path(path_type=Path), metavar="FOLDER", help="Folder of the sheet; beside OUT."
)
@click.option("--verify", is_flag=True, help="Read the whole output back, not only what changed.")
@subset_options
@keep_times_option
@unpacked_option
@plate_option
@profile_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    region: str | None,
    label: str | None,
    vary: tuple[str, ...],
    hold: tuple[str, ...],
    by: str,
    design: str,
    runs: int | None,
    repeat: int | None,
    bands: int | None,
    order: str,
    seed: int,
    gap_mm: float,
    outer: bool,
    out: Path,
    sheet: Path | None,
    verify: bool,
    only: str | None,
    keep_times: bool,
    unpacked: bool,
    plate: int | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Give each instance of a sliced FILE, or each height of a coupon, its own step of settings to test.

    Writes the treated file, a build sheet to print (OUT's name with .sheet.html) and a table to fill in
    (.sheet.csv), which `tune` reads.

    \b
    Example:  beadwright ladder plate.gcode --object coupon --vary nozzle=220:250:10 -o ladder.gcode
    """
    with Output(out=out, beside=sheet_paths(out, sheet) if out.name else (), **kw) as output:
        _check_outputs(out, sheet, file, kits)
        if seed < 0:
            raise UsageError(f"--seed {seed}: expected a number from 0 on", "For example --seed 1.")
        asked = Asked(
            tuple(map(parse_varied, vary)), tuple(map(parse_held, hold)), by, design, runs, repeat, bands, order,
            seed, gap_mm, outer,
        )  # fmt: skip
        if label is not None and _from_environment("kits"):
            kits = ()  # the object meant here is not of the kit that stands there for other commands
        options = Options(
            kits, material, machine, sets, Subset.parse(only), verify=verify, keep_times=keep_times,
            plate=plate, unpacked=unpacked,
        )  # fmt: skip
        ladder = ladder_file(file, options, asked, region, label, output.progress)
        output.warn_all([*ladder.warnings, *ending_notes(out, file, ladder.applied.treated)])
        page, table = sheet_paths(out, sheet)
        record = {**ladder.record, "out": str(out), "sheet": {"page": str(page), "table": str(table)}}
        text = output.prepared(record, _show)
        write_together(ladder.outputs(out, sheet))
        output.say(text)


def _from_environment(name: str) -> bool:
    """Whether an option was not written, but taken from a variable."""
    return click.get_current_context().get_parameter_source(name) is ParameterSource.ENVIRONMENT


def _show(record: dict[str, Any], paper: Paper) -> None:
    show_ladder(record, paper)
    paper.blank()
    paper.line(CAUTION)


def _check_outputs(out: Path, sheet: Path | None, file: Path, kits: tuple[Path, ...]) -> None:
    """Refuse outputs that can't be written or would bury what the user made.

    Raises
    ------
    UsageError : standard output, a folder, an output that is an input, or a table that is filled in. CannotWrite : a
    folder is not there.
    """
    if str(out) == "-":
        raise UsageError(
            "-o -: a ladder writes three files", "Give -o a file name; the sheet goes beside it."
        )
    expect_folder(out)
    if out.is_dir():
        raise UsageError(f"-o {out}: a folder, expected a file name", f"For example -o {out / file.name}.")
    if sheet is not None and not sheet.is_dir():
        raise CannotWrite(f"--sheet {sheet}: no such folder", "Make the folder first, or check the path.")
    for path in (out, *sheet_paths(out, sheet)):
        for given in (file, *kits):
            if buries(path, [given]):
                raise UsageError(f"{path}: would be written over {given}", "Name another -o.")
    table = sheet_paths(out, sheet)[1]
    if table.is_file() and table.stat().st_size:
        _check_unfilled(table)


def _check_unfilled(table: Path) -> None:
    """Refuse to bury what somebody has measured.

    Raises
    ------
    UsageError : the table that stands there is filled in, or is no sheet of a ladder.
    """
    hint = "Name another -o or --sheet, or move it away."
    try:
        rows = read_sheet(table).rows
    except InputError as error:
        raise UsageError(
            f"{table}: is there already and can't be read as an empty sheet ({error.cause})", hint
        ) from None
    filled = sum(bool(row.readings or row.notes) for row in rows)
    if filled:
        raise UsageError(
            f"{table}: is there already, with {counted(filled, 'row')} filled in, which would be lost", hint
        )

"""`beadwright plan`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common, expect_folder, file_argument, profile_options
from gcodetools.cli.text_plan import show_plan
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plan import Wanted, plan_file


@click.command("plan")
@file_argument("order")
@click.option(
    "--against",
    metavar="untreated|treated|OTHER",
    help="Plan it with the untreated (or treated) plates too, or another order, and show what differs.",
)
@click.option(
    "--runs", type=int, default=2000, show_default=True, help="How often failures are played through."
)
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed, the same answer.")
@click.option("--csv", "table", type=click.Path(path_type=Path), help="Write the schedule as a CSV file.")
@click.option("--ics", "calendar", type=click.Path(path_type=Path), help="Write it as an iCalendar file.")
@profile_options
@common
def command(
    order: Path,
    against: str | None,
    runs: int,
    seed: int,
    table: Path | None,
    calendar: Path | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Plan a print run from an ORDER file: which plate when on which printer, done when and how sure, spools, money.

    The order is a YAML file with parts or kits by a date, plates (sliced files), printers with the hours in which
    somebody is there, spools and prices. Failures are simulated.

    \b
    Example:  beadwright plan spring.order.yaml --against untreated --ics spring.ics
    """
    with Output(**kw) as output:
        for name, out in (("--csv", table), ("--ics", calendar)):
            _check_out(name, out)
        wanted = Wanted(against, runs, seed, table, calendar)
        options = Options((), material, machine, sets)
        record, _ = plan_file(order, wanted, options, output.progress, output.warn_all)
        output.record(record, show_plan)


def _check_out(name: str, out: Path | None) -> None:
    """Refuse a file that can't be written, before any work is done."""
    if out is None:
        return
    if str(out) == "-":
        raise UsageError(
            f"{name} -: goes into a file", f"For example {name} run{'.csv' if name == '--csv' else '.ics'}."
        )
    if os.path.isdir(out):  # noqa: PTH112 (never raises)
        raise UsageError(f"{name} {out}: a folder, expected a file name", "Name a file in it.")
    expect_folder(out, name)

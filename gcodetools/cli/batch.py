"""`beadwright batch`."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper, clean
from gcodetools.cli.options import (
    Output,
    common,
    keep_times_option,
    kit_option,
    plate_option,
    profile_options,
    subset_options,
    to_stderr,
)
from gcodetools.cli.process import uninterrupted
from gcodetools.cli.text_batch import show_batch
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch import Asked, batch, write_summary
from gcodetools.jobs.records import counted
from gcodetools.jobs.sources import Subset

_SHOWN = 10
_FILE_WIDTH = 100


@click.command("batch")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE|FOLDER...")
@kit_option(required=True)
@click.option(
    "-o", "--out", "folder", required=True, type=click.Path(path_type=Path), help="The folder for it all."
)
@click.option(
    "--list",
    "listed",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A text file with a file or folder a line, from its own folder; # begins a comment line.",
)
@click.option(
    "--jobs", type=click.IntRange(min=1), metavar="N", help="Plates at once; a core each unless given."
)
@click.option(
    "--time-limit",
    "limit_s",
    type=click.FloatRange(min=0, min_open=True, max=1e7),
    metavar="SECONDS",
    help="A file that takes longer fails; none unless given.",
)
@click.option("--report", is_flag=True, help="Make a page of each plate, as `beadwright report` does.")
@click.option("--fresh", is_flag=True, help="Do again what is done already.")
@click.option(
    "--cluster", metavar="ADDRESS", help="Send the plates to a Dask scheduler, e.g. tcp://host:8786."
)
@plate_option
@subset_options
@click.option("--again", is_flag=True, help="Treat treated files on top; else they are skipped.")
@click.option(
    "--allow-none", is_flag=True, help="A plate without any part of the kit is copied, and no error."
)
@click.option("--verify", is_flag=True, help="Read each output back whole, not only what changed.")
@click.option("--no-estimate", is_flag=True, help="Leave out what the treatment does to strength.")
@keep_times_option
@profile_options
@common
def command(
    files: tuple[Path, ...],
    kits: tuple[Path, ...],
    folder: Path,
    listed: Path | None,
    jobs: int | None,
    limit_s: float | None,
    report: bool,
    fresh: bool,
    cluster: str | None,
    plate: int | None,
    only: str | None,
    again: bool,
    allow_none: bool,
    verify: bool,
    no_estimate: bool,
    keep_times: bool,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Treat many plates: files, folders (with all below them), or a list of both.

    Each plate becomes NAME-treated in the folder of -o, sub folders as they are, with a record (.json) and, with
    --report, a page (.html) beside it; summary.txt, .csv and .json hold a table of all. What is done and unchanged
    (plate, kit, profiles, options, version) is skipped when run again, so a run that was interrupted goes on. A
    plate that fails stops no other. With --strict a plate with a warning fails, and nothing is written for it.
    Of a package with several plates each is a row, and those that fail stay as they were in the one package that is
    written; --plate N treats that one alone.

    --time-limit ends what hangs: the process of a file that takes longer (a package: all its plates together) is
    ended, nothing of it is written, and its row says so with status 5. Writing is not cut short. On a cluster each
    file then has a process of its own on its worker, for the limit to end.

    Exit status: 0 if no plate failed, else the largest status among those that did (3 if all of them are
    unreadable).

    --cluster needs `pip install 'beadwright[cluster]'`, and the same version of Beadwright on every worker. A Dask
    scheduler runs whatever code it is sent, by anybody who reaches it: keep it on your own network.

    \b
    Example:  beadwright batch plates --kit hoophouse.kit.yaml -o plates-treated --report
    """
    with Output(**kw) as output:
        if str(folder) == "-":
            raise UsageError("-o -: many files go into a folder", "For example -o treated.")
        if cluster is not None and jobs is not None:
            raise UsageError(
                "--cluster and --jobs: a cluster's workers are as many as it has", "Leave one out."
            )
        options = Options(
            kits,
            material,
            machine,
            sets,
            Subset.parse(only),
            again,
            allow_none,
            verify,
            keep_times,
            plate=plate,
        )
        asked = Asked(
            files, listed, folder, options, only, jobs, report, not no_estimate, fresh, output.strict, cluster,
            limit_s,
        )  # fmt: skip
        record = batch(asked, _unsaid if output.as_json else output.progress)
        paper = Paper(width=_FILE_WIDTH)
        show_batch(record, paper)
        with uninterrupted():
            record["summary"] = write_summary(folder, record, paper.text)
        _warn(record, output)
        output.record(record, show_batch)
        _tell_failures(record)
    click.get_current_context().exit(record["status"])


def _unsaid(stage: str) -> None:
    """No progress."""


def _warn(record: dict[str, Any], output: Output) -> None:
    """What is warned of, each sentence once with the number of plates."""
    counts = Counter(text for row in record["plates"] for text in row.get("warnings", ()))
    shown = None if output.verbose else _SHOWN
    for text, count in counts.most_common(shown):
        output.warn(text if count == 1 else f"{text} ({count} plates)")
    if len(counts) > _SHOWN and not output.verbose:
        output.warn(
            f"{counted(len(counts) - _SHOWN, 'other warning')}: with -v, and in {record['summary'][-1]}"
        )
    for row in record["plates"]:
        if "stale" in row:
            output.warn(
                f"{row['stale']} in {record['folder']} is left from an earlier run, as {row['file']} failed"
            )


def _tell_failures(record: dict[str, Any]) -> None:
    failed = [row for row in record["plates"] if row["state"] == "failed"]
    for row in failed[:_SHOWN]:
        to_stderr(clean(f"error: {row['error']['cause']}"))
        if row["error"]["hint"]:
            to_stderr(clean(row["error"]["hint"]))
    if len(failed) > _SHOWN:
        to_stderr(f"error: {counted(len(failed) - _SHOWN, 'other plate')} failed: see {record['summary'][0]}")

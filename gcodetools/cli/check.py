"""`beadwright check`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, buries, common, expect_folder, profile_options
from gcodetools.cli.text import show_check
from gcodetools.errors import UsageError
from gcodetools.jobs.check import check_kit

_WIDEST_MM = 1.0  # a wanted squeeze beyond that is no fit


@click.command("check")
@click.argument(
    "kits", metavar="KIT...", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False)
)
@click.option(
    "-o", "--out", "drawing", type=click.Path(dir_okay=False, path_type=Path), help="Draw the sections (SVG)."
)
@click.option("--squeeze", type=float, metavar="MM", help="Tell which offset would give fits this squeeze.")
@profile_options
@common
def command(
    kits: tuple[Path, ...],
    drawing: Path | None,
    squeeze: float | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Validate a KIT and draw its parts with their regions; no G-code needed.

    \b
    Example:  beadwright check hoophouse.kit.yaml -o hoophouse.svg
    """
    with Output(**kw) as output:
        if drawing is not None:
            _check_out(drawing, kits)
        if squeeze is not None and not -_WIDEST_MM <= squeeze <= _WIDEST_MM:
            raise UsageError(
                f"--squeeze {squeeze:g}: expected mm from -{_WIDEST_MM:g} (play) to {_WIDEST_MM:g}",
                "For example --squeeze 0.1.",
            )
        record, _ = check_kit(
            kits, drawing, output.warn_all, material=material, machine=machine, sets=sets, squeeze_mm=squeeze
        )
        output.record(record, show_check)


def _check_out(drawing: Path, kits: tuple[Path, ...]) -> None:
    """Refuse a drawing that can't be written or would bury a kit, before any work is done.

    Raises
    ------
    UsageError : `-`, or a kit. CannotWrite : its folder is not there.
    """
    if str(drawing) == "-":
        raise UsageError("-o -: a drawing goes into a file", "For example -o kit.svg.")
    expect_folder(drawing)
    if buries(drawing, kits):
        raise UsageError(f"-o {drawing}: the kit itself", "Name another file.")

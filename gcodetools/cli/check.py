"""`beadwright check`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common, expect_folder, profile_options
from gcodetools.cli.text import show_check
from gcodetools.jobs.check import check_kit


@click.command("check")
@click.argument("kits", metavar="KIT...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", "drawing", type=click.Path(dir_okay=False, path_type=Path), help="Draw the sections (SVG)."
)
@profile_options
@common
def command(
    kits: tuple[Path, ...],
    drawing: Path | None,
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
            expect_folder(drawing)
        record, _ = check_kit(kits, drawing, output.warn_all, material=material, machine=machine, sets=sets)
        output.record(record, show_check)

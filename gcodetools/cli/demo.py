"""`beadwright demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common
from gcodetools.cli.text import show_demo
from gcodetools.demo.run import run_demo


@click.command("demo")
@click.argument("folder", metavar="[DIR]", default="hoophouse", type=click.Path(path_type=Path))
@common
def command(folder: Path, **kw: Any) -> None:
    """Make the Hoophouse demo in DIR (default ./hoophouse) and run everything on it.

    \b
    Example:  beadwright demo
    """
    with Output(**kw) as output:
        record, _ = run_demo(folder, output.progress, output.warn_all)
        output.record(record, show_demo)

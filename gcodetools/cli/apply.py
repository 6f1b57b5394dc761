"""`beadwright apply`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import Output, file_argument, kit_option, treat_options
from gcodetools.cli.outputs import check_out, ending_notes, options_of, taken, to_stdout
from gcodetools.cli.text import CAUTION
from gcodetools.cli.text_apply import show_apply
from gcodetools.jobs.apply import apply_file, write
from gcodetools.jobs.gains import gains_of


@click.command("apply")
@file_argument()
@kit_option(required=True)
@click.option("--no-estimate", is_flag=True, help="Leave out what the treatment does to strength.")
@treat_options
def command(
    file: Path,
    kits: tuple[Path, ...],
    out: Path,
    no_estimate: bool,
    **kw: Any,
) -> None:
    """Treat the regions of a sliced FILE and write a new file.

    \b
    Example:  beadwright apply plate.gcode --kit hoophouse.kit.yaml -o plate-treated.gcode
    """
    chosen = taken(kw)
    with Output(out=out, **kw) as output:
        options = options_of(kits, chosen)
        piped = str(out) == "-"
        if not piped:
            check_out(out, file, kits)
        applied = apply_file(file, options, output.progress)
        output.warn_all([*applied.warnings, *ending_notes(out, file, applied.treated)])
        if piped:
            to_stdout(applied.treated.render_file())
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

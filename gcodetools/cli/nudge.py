"""`beadwright nudge`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, file_argument, kit_option, treat_options
from gcodetools.cli.outputs import check_out, ending_notes, options_of, taken, to_stdout
from gcodetools.cli.text_nudge import show_nudge
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import write
from gcodetools.jobs.nudge import Nudge, nudge_file


@click.command("nudge")
@file_argument()
@kit_option(required=True)
@click.option(
    "--region",
    "regions",
    multiple=True,
    metavar="PART/REGION",
    help="Move the walls of this region; may be repeated. All with `role: seat` if left out.",
)
@click.option(
    "--offset", type=float, metavar="MM", help="Out of the plastic (+) or back (-), at most 0.2 mm."
)
@click.option("--offsets", metavar="MM,MM,...", help="One an instance, in the order of their numbers.")
@click.option("--blend", type=float, metavar="MM", help="Length over which a wall goes back to its place.")
@treat_options
def command(
    file: Path,
    kits: tuple[Path, ...],
    regions: tuple[str, ...],
    offset: float | None,
    offsets: str | None,
    blend: float | None,
    out: Path,
    **kw: Any,
) -> None:
    """Move the walls of friction fits in a sliced FILE by hundredths of a millimetre; nothing else is treated.

    + is more plastic: a key grows, a slot or a bore gets narrower. Print one of each offset, try them, keep the one
    that fits.

    \b
    Example:  beadwright nudge keys.gcode --kit hoophouse.kit.yaml --offsets=-0.10,-0.05,0,0.05 -o keys-tried.gcode
    """
    chosen = taken(kw)
    with Output(out=out, **kw) as output:
        options = options_of(kits, chosen)
        nudge = Nudge(_offsets(offset, offsets), regions, blend)
        piped = str(out) == "-"
        if not piped:
            check_out(out, file, kits)
        nudged = nudge_file(file, options, nudge, output.progress)
        output.warn_all([*nudged.warnings, *ending_notes(out, file, nudged.applied.treated)])
        if piped:
            to_stdout(nudged.applied.treated.render_file())
            return
        record = {**(nudged.record if output.as_json else nudged.summary), "out": str(out)}
        text = output.prepared(record, show_nudge)
        write(nudged.applied, out)
        output.say(text)


def _offsets(one: float | None, several: str | None) -> tuple[float, ...]:
    """The offsets asked for, mm.

    Raises
    ------
    UsageError : none, both, or no numbers.
    """
    if (one is None) == (several is None):
        found = "both --offset and --offsets" if several is not None else "neither --offset nor --offsets"
        raise UsageError(
            f"{found}, expected one of them", "For example --offset 0.05, or --offsets=-0.05,0,0.05."
        )
    if one is not None:
        return (one,)
    try:
        return tuple(float(word) for word in (several or "").split(","))
    except ValueError:
        raise UsageError(
            f"--offsets {several}: expected numbers in mm with commas between",
            "For example --offsets=-0.05,0,0.05.",
        ) from None

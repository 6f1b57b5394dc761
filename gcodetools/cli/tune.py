"""`beadwright tune`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import Output, common, expect_folder
from gcodetools.cli.text_tune import show_tune
from gcodetools.errors import UsageError
from gcodetools.jobs.tune import Asked
from gcodetools.jobs.tune_limits import parse_limits, parse_now
from gcodetools.jobs.tune_out import Outputs, tune_files
from gcodetools.trials.results import ANSWERS


@click.command("tune")
@click.argument("sheets", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False))
@click.option("--material", metavar="NAME|FILE", help="Material profile; the sheet's own, if left out.")
@click.option("--machine", metavar="NAME|FILE", help="Machine profile: how hot its hotend may be.")
@click.option(
    "--answer", type=click.Choice(list(ANSWERS)), help="What to fit; what was read most, if left out."
)
@click.option(
    "--limit", "limits", multiple=True, metavar="SETTING=LOW..HIGH",
    help="Look for the best within, e.g. nozzle=220..250; may be repeated.",
)  # fmt: skip
@click.option(
    "--now", multiple=True, metavar="SETTING=VALUE",
    help="What you print with now, from which a gain counts, e.g. nozzle=230; may be repeated.",
)  # fmt: skip
@click.option(
    "--section-mm2", type=float, metavar="MM2",
    help="Outer area over which the force pulled straight across layers; the sheet's, if left out.",
)  # fmt: skip
@click.option("--shape-only", is_flag=True, help="The force was no straight pull: only its ratios count.")
@click.option(
    "--scatter", metavar="PERCENT",
    help="Deviation of specimens alike, where it is known from elsewhere, e.g. 12%.",
)  # fmt: skip
@click.option(
    "--wall-mm", type=float, metavar="MM", help="Thickness of the specimens, for the material file."
)
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), help="Write a material file, e.g. my-petg.yaml."
)
@click.option("--name", metavar="NAME", help="Name of the material; that of the file, if left out.")
@click.option("--force", is_flag=True, help="Overwrite a material file that is there.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw it: .svg, .pdf or .png.")
@common
def command(
    sheets: tuple[Path, ...],
    material: str | None,
    machine: str | None,
    answer: str | None,
    limits: tuple[str, ...],
    now: tuple[str, ...],
    section_mm2: float | None,
    shape_only: bool,
    scatter: str | None,
    wall_mm: float | None,
    out: Path | None,
    name: str | None,
    force: bool,
    plot: Path | None,
    **kw: Any,
) -> None:
    """Read filled-in SHEETS of ladders: the best setting, how sure that is, what to print next, a material file.

    Write into the sheet where each specimen broke: force_n, or cycles, or click (1 to 5); `>120` where it held 120
    without breaking. Nothing else of the sheet need be touched. Break tests throw pieces: wear goggles.

    \b
    Example:  beadwright tune ladder.sheet.csv -o my-petg.yaml --plot ladder.svg
    """
    with Output(out=out, **kw) as output:
        for path, option in ((out, "-o"), (plot, "--plot")):
            if path is not None:
                expect_folder(path, option)
        asked = Asked(
            answer,
            material,
            machine,
            parse_limits(limits),
            parse_now(now),
            section_mm2,
            shape_only,
            _share(scatter),
        )
        outputs = Outputs(out, name, force, plot, wall_mm)
        tuned = tune_files(sheets, asked, outputs, output.warn_all, output.progress)
        output.record(tuned.record, show_tune)


def _share(text: str | None) -> float | None:
    """Read `12%`.

    Raises
    ------
    UsageError : anything else.
    """
    if text is None:
        return None
    try:
        value = float(text.strip().removesuffix("%")) / 100.0 if text.strip().endswith("%") else float("nan")
    except ValueError:
        value = float("nan")
    if not 0.0 < value <= 1.0:
        raise UsageError(
            f"--scatter {text}: expected a percentage from above 0% to 100%", "For example --scatter 12%."
        )
    return value

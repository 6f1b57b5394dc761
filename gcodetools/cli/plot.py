"""`beadwright plot`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

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
from gcodetools.cli.text_plot import show_plot
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plot import QUANTITIES, Kind, Wanted, plot_file


@click.command("plot")
@file_argument()
@kit_option(required=False)
@click.option(
    "--against", type=click.Path(path_type=Path), help="File to hold FILE against: it is the one before."
)
@click.option(
    "--layer", type=int, metavar="N", help="Draw a layer, from 1, of the instance or else of the plate."
)
@click.option("--strip", is_flag=True, help="Draw what an instance's layers bear along its height.")
@click.option("--trace", is_flag=True, help="Draw nozzle and fan over time, commanded and reached.")
@click.option("--instance", metavar="PART#N", help="Instance to draw, e.g. film-clip#1.")
@click.option("--layers", metavar="A-B", help="Show these layers only, in a strip or a trace.")
@click.option(
    "--quantity",
    type=click.Choice(QUANTITIES),
    help="What colours a layer (region, or change with --against) or runs along a strip (strength or bond).",
)
@click.option("--size", default="160x100", show_default=True, metavar="WxH", help="Size of the picture, mm.")
@click.option("--dark", is_flag=True, help="Draw on dark paper.")
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Picture to write: .png, .svg or .pdf.",
)
@plate_option
@plate_before_option
@profile_options
@common
def command(
    file: Path,
    kits: tuple[Path, ...],
    against: Path | None,
    layer: int | None,
    strip: bool,
    trace: bool,
    instance: str | None,
    layers: str | None,
    quantity: str | None,
    size: str,
    dark: bool,
    out: Path,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    plate: int | None,
    plate_before: int | None,
    **kw: Any,
) -> None:
    """Draw one layer, a part along its height, or nozzle and fan over time, of a sliced FILE.

    \b
    Example:  beadwright plot plate-treated.gcode --kit hoophouse.kit.yaml --against plate.gcode
              --instance film-clip#1 --layer 60 -o clip.svg
    """
    with Output(**kw) as output:
        if plate_before is not None and against is None:
            raise UsageError("--plate-before without --against", "Name the file before, or leave it out.")
        _check_out(out, file, against, kits)
        wanted = Wanted(
            kind=_kind(layer, strip, trace),
            layer=1 if layer is None else layer,
            layers=_layers(layers),
            instance=instance,
            quantity=quantity,
            size_mm=_size(size),
            dark=dark,
        )
        options = Options(kits, material, machine, sets, plate=plate, plate_before=plate_before)
        output.progress("drawing")
        record, _ = plot_file(file, against, out, wanted, options, output.warn_all)
        output.record(record, show_plot)


def _kind(layer: int | None, strip: bool, trace: bool) -> Kind:
    """The one thing that is to be drawn.

    Raises
    ------
    UsageError : none, or several.
    """
    kinds: list[Kind] = ["layer"] if layer is not None else []
    kinds += ["strip"] if strip else []
    kinds += ["trace"] if trace else []
    if len(kinds) != 1:
        found = " and ".join(f"--{kind}" for kind in kinds) or "nothing"
        raise UsageError(f"{found} to draw, expected one of --layer N, --strip, --trace", "Give one of them.")
    return kinds[0]


def _layers(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    found = re.fullmatch(r"(\d{1,9})(?:-(\d{1,9}))?", text)
    if not found:
        raise UsageError(f"--layers {text}: expected A-B", "For example --layers 20-26.")
    return int(found[1]), int(found[2] or found[1])


def _size(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"(\d{1,5}(?:\.\d{1,3})?)x(\d{1,5}(?:\.\d{1,3})?)", text)
    if not found:
        raise UsageError(f"--size {text}: expected WxH in mm", "For example --size 160x100.")
    return float(found[1]), float(found[2])


def _check_out(out: Path, file: Path, against: Path | None, kits: tuple[Path, ...]) -> None:
    """Refuse a picture that would bury what it is drawn from."""
    expect_folder(out)
    if buries(out, (file, against, *kits)):
        raise UsageError(f"-o {out}: a file that is to be read", "Name another.")

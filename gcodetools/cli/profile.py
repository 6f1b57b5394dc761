"""`beadwright profile`: show, audit and carry."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.options import (
    Output,
    common,
    file_argument,
    kit_option,
    plate_option,
    profile_options,
)
from gcodetools.cli.outputs import check_out, to_stdout
from gcodetools.cli.text_profile import show_audit, show_carry, show_settings
from gcodetools.jobs.profile import Way, show_profile
from gcodetools.jobs.profile_audit import audit_profile
from gcodetools.jobs.profile_carry import Asked, carry_profile, write_copy

_OUT_WORDS = ("the file itself", "Name another: the original stays as it is.", "the kit or treatment itself")

_convention = click.option(
    "--convention", metavar="LETTER", help="Convention of the keys, where it is not to be told from the file."
)
_section = click.option("--section", metavar="NAME", help="Look at this section of the file alone.")
_tool = click.option("--tool", type=int, metavar="N", help="The tool meant, as in T0; all, if left out.")


class _Group(click.Group):
    """A group that lists its subcommands' options as its own, for whoever asks a command what it takes; before the
    subcommand's name none of them is read."""

    def add_command(self, cmd: click.Command, name: str | None = None) -> None:
        super().add_command(cmd, name)
        known = {one.name for one in self.params}
        self.params += [one for one in cmd.params if isinstance(one, click.Option) and one.name not in known]

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        help_option = self.get_help_option(ctx)
        return [] if help_option is None else [help_option]


@click.group("profile", cls=_Group, invoke_without_command=True)
@click.pass_context
def command(ctx: click.Context) -> None:
    """Read a slicer's settings: show them, hold them against what is known, carry a treatment into a copy.

    FILE is INI-like, JSON, or a sliced file whose comments hold settings; for show and audit it may be packed.

    \b
    Example:  beadwright profile carry petg.ini --treatment warm -o petg-warm.ini
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@command.command("show")
@file_argument()
@click.option("--all", "every", is_flag=True, help="List the keys without a name of ours too.")
@_tool
@_section
@_convention
@plate_option
@common
def show(
    file: Path,
    every: bool,
    tool: int | None,
    section: str | None,
    convention: str | None,
    plate: int | None,
    **kw: Any,
) -> None:
    """Show the settings of FILE in plain words, with the key that says each.

    \b
    Example:  beadwright profile show plate.gcode
    """
    with Output(**kw) as output:
        record, warnings = show_profile(file, Way(convention, section, tool, plate), every)
        output.warn_all(warnings)
        output.record(record, show_settings)


@command.command("audit")
@file_argument()
@kit_option(required=False)
@_tool
@_section
@_convention
@plate_option
@profile_options
@common
def audit(
    file: Path,
    kits: tuple[Path, ...],
    tool: int | None,
    section: str | None,
    convention: str | None,
    plate: int | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Hold the settings of FILE against material, machine and a kit; each finding with its reason and source.

    With --strict a finding graver than a note is status 6.

    \b
    Example:  beadwright profile audit plate.gcode --material petg --machine desktop-220
    """
    with Output(**kw) as output:
        way = Way(convention, section, tool, plate)
        record, warnings = audit_profile(file, way, kits, material, machine, sets)
        grave = [one for one in record["findings"] if one["gravity"] != "note"] if output.strict else []
        told = [f"{one['about']} {one['found']}, expected {one['expected']}: {one['why']}" for one in grave]
        output.warn_all([*warnings, *told])
        output.record(record, show_audit)


@command.command("carry")
@file_argument()
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="Where to; - is stdout.")
@kit_option(required=False)
@click.option("--region", metavar="PART/REGION", help="Carry the treatment of this region of the kit.")
@click.option("--treatment", metavar="NAME|FILE", help="Carry this treatment instead.")
@_tool
@_section
@_convention
@profile_options
@common
def carry(
    file: Path,
    out: Path,
    kits: tuple[Path, ...],
    region: str | None,
    treatment: str | None,
    tool: int | None,
    section: str | None,
    convention: str | None,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
    **kw: Any,
) -> None:
    """Write a copy of FILE in which only the settings differ that a treatment needs for the whole part.

    What is local by nature stays out, and is listed.

    \b
    Example:  beadwright profile carry petg.ini --treatment warm -o petg-warm.ini
    """
    with Output(out=out, **kw) as output:
        piped = str(out) == "-"
        if not piped:
            check_out(out, file, (*kits, *_file_of(treatment)), *_OUT_WORDS)
        asked = Asked(kits, region, treatment, material, machine, sets)
        copy = carry_profile(file, Way(convention, section, tool), asked)
        output.warn_all(list(copy.warnings))
        if piped:
            to_stdout(copy.data)
            return
        text = output.prepared({**copy.record, "out": str(out)}, show_carry)
        write_copy(copy, out)
        output.say(text)


def _file_of(treatment: str | None) -> tuple[Path, ...]:
    return (Path(treatment),) if treatment is not None else ()

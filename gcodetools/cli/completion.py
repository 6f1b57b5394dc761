"""`beadwright completion`, and what a shell is told of values that Beadwright knows.

Loaded when a shell asks, or the script is asked for; a run of a command does not pay for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import click
import msgspec
from click.shell_completion import CompletionItem, ShellComplete, get_completion_class
from click.types import StringParamType

from gcodetools.cli.options import Output, common
from gcodetools.documents import profiles
from gcodetools.documents.profiles import Machine, Material
from gcodetools.errors import BeadwrightError, UsageError
from gcodetools.kit.schema import Kit, load_kits

__all__ = ["command", "offers", "with_values"]

SHELLS = ("bash", "zsh", "fish", "powershell")
VARIABLE = "_BEADWRIGHT_COMPLETE"


class _Names(StringParamType):
    """Text of which some values are known; a shell offers those that begin as what is typed, else files."""

    files = False

    def values(self, ctx: click.Context, incomplete: str) -> Iterable[str]:
        """The values known."""
        raise NotImplementedError

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Those that begin as `incomplete`; a kit that can't be read has none, and says nothing here."""
        try:
            known = [one for one in self.values(ctx, incomplete) if one.startswith(incomplete)]
        except (BeadwrightError, OSError):
            known = []
        items = [CompletionItem(one) for one in dict.fromkeys(known)]
        return items or ([CompletionItem(incomplete, type="file")] if self.files else [])


class _Profile(_Names):
    files = True

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def values(self, ctx: click.Context, incomplete: str) -> Iterable[str]:
        return () if profiles.is_path(incomplete) else profiles.names(self.kind)


class _OfKit(_Names):
    """What the kits named before it on the line, or by BEADWRIGHT_KIT, hold."""

    def kit(self, ctx: click.Context) -> Kit | None:
        named = ctx.params.get("kits") or ctx.params.get("kit") or ()
        paths = [named] if isinstance(named, (str, Path)) else list(named)
        return load_kits(paths) if paths else None


class _Region(_OfKit):
    def values(self, ctx: click.Context, incomplete: str) -> Iterable[str]:
        kit = self.kit(ctx)
        return (
            [f"{name}/{title}" for name, part in kit.parts.items() for title in part.regions] if kit else ()
        )


class _Part(_OfKit):
    def values(self, ctx: click.Context, incomplete: str) -> Iterable[str]:
        kit = self.kit(ctx)
        return kit.parts if kit else ()


class _Setting(_Names):
    """`material.price_per_kg=`: keys of profiles that hold one number."""

    def values(self, ctx: click.Context, incomplete: str) -> Iterable[str]:
        for noun, struct in (("material", Material), ("machine", Machine)):
            yield from (f"{noun}.{key}=" for key in _numbers(struct))


def _numbers(struct: type) -> Iterator[str]:
    for field in msgspec.structs.fields(struct):
        if "Quantity" in str(field.type):
            yield field.encode_name


_TYPES: dict[str, _Names] = {
    "--material": _Profile("materials"),
    "--machine": _Profile("machines"),
    "--region": _Region(),
    "--only": _Part(),
    "--set": _Setting(),
}


def with_values(command: click.Command) -> click.Command:
    """The command, its options told apart so that a shell is offered their values; for completion alone."""
    for param in command.params:
        for name in param.opts:
            if name in _TYPES:
                param.type = _TYPES[name]
    if isinstance(command, click.Group):
        for below in command.commands.values():
            with_values(below)
    return command


def offers(commands: dict[str, str], incomplete: str) -> list[CompletionItem]:
    """Names of commands that begin as `incomplete`, without loading any."""
    return [
        CompletionItem(name, help=about) for name, about in commands.items() if name.startswith(incomplete)
    ]


@click.command("completion")
@click.argument("shell", metavar=f"[{'|'.join(SHELLS)}]", type=click.Choice(SHELLS))
@common
def command(shell: str, **kw: Any) -> None:
    """Print a script that lets a SHELL complete commands, options, names of profiles and regions of a kit.

    \b
    bash        beadwright completion bash > ~/.beadwright-completion; then in ~/.bashrc:
                source ~/.beadwright-completion          (bash 4.4 or newer)
    zsh         eval "$(beadwright completion zsh)"      in ~/.zshrc, after compinit
    fish        beadwright completion fish > ~/.config/fish/completions/beadwright.fish
    PowerShell  beadwright completion powershell | Out-String | Invoke-Expression   in $PROFILE

    \b
    Example:  beadwright completion bash
    """
    kind = get_completion_class(shell)
    if kind is None:
        raise UsageError(
            f"no completion for {shell} with the click that is installed, expected click 8.5 or newer",
            'Update it: pip install -U "click>=8.5".',
        )
    # Not the class's own `source`: that of bash runs bash to ask for its version, which need not be there.
    script = ShellComplete.source(kind(click.Group("beadwright"), {}, "beadwright", VARIABLE))
    with Output(**kw) as output:
        record = {"schema": "beadwright.completion/1", "shell": shell, "script": script}
        output.say(json.dumps(record) if output.as_json else script.rstrip("\n"))

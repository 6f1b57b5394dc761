"""Entry point: looks commands up by name, so that each run imports only what its command needs."""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import sys
from types import FrameType
from typing import Any

import click

from gcodetools._version import __version__
from gcodetools.errors import BeadwrightError

__all__ = ["COMMANDS", "cli", "run"]

COMMANDS = {
    "demo": "Make the Hoophouse demo and run everything on it.",
    "inspect": "Show what is in a sliced file; with a kit, each region of each instance.",
    "apply": "Treat the regions of a sliced file and write a new file.",
    "post": "Treat a sliced file in place: the slicer's post-processing hook.",
    "check": "Validate a kit and draw its sections; no G-code needed.",
    "learn": "Start a kit from a sliced file, with a drawing to read coordinates from.",
}
FAULT_STATUS, INTERRUPTED_STATUS = 70, 130


class _Lazy(click.Group):
    """Commands by table: the modules of the others stay unread."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"gcodetools.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS:
            import difflib

            close = difflib.get_close_matches(name, COMMANDS, 1)
            hint = f" Did you mean '{close[0]}'?" if close else f" There are: {', '.join(COMMANDS)}."
            raise click.UsageError(f"no command '{name}'.{hint}", ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
)
@click.version_option(__version__, prog_name="beadwright", message="%(prog)s %(version)s")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Strengthen the parts of a sliced print that flex, bead by bead.

    Beadwright takes G-code as it is, finds the clip and rib regions a kit names, changes only the beads
    there, and says what was done.

    \b
    Begin with:  beadwright demo
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def _terminated(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def run(args: list[str] | None = None) -> None:
    """Run the command line and exit with its status (see the contract of exit statuses in README)."""
    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGTERM, _terminated)
    sys.exit(status_of(args))


def status_of(args: list[str] | None = None) -> int:
    """Run the command line; return its exit status."""
    try:
        cli.main(args=args, prog_name="beadwright", standalone_mode=False)
        return _flushed()
    except click.exceptions.Exit as stop:
        return int(stop.exit_code)
    except click.ClickException as error:
        error.show()
        return int(error.exit_code)
    except BeadwrightError as error:
        _say(f"error: {error.cause}", error.hint)
        return error.status
    except (KeyboardInterrupt, click.Abort):
        _say("interrupted; nothing was left half-written")
        return INTERRUPTED_STATUS
    except BrokenPipeError:
        # Whoever read us is gone: say nothing, and keep the interpreter from trying again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        _say("error: out of memory", "Close other programs, or treat the plate in parts (--only).")
        return FAULT_STATUS
    except Exception as error:
        return _fault(error)


def _flushed() -> int:
    sys.stdout.flush()
    return 0


def _say(*lines: str) -> None:
    for line in lines:
        if line:
            with contextlib.suppress(OSError):
                click.echo(line, err=True)


def _fault(error: Exception) -> int:
    """A fault of ours: where it happened, and how to report it, without a traceback on the screen."""
    import traceback

    if os.environ.get("BEADWRIGHT_TRACEBACK"):
        traceback.print_exc()
    last: Any = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{os.path.basename(last.filename)}:{last.lineno}"  # noqa: PTH119
    _say(
        f"error: a fault of ours: {type(error).__name__}: {error} ({where}, version {__version__})",
        "Nothing was written. Please report this line with the command, the file and the kit; "
        "BEADWRIGHT_TRACEBACK=1 shows more.",
    )
    return FAULT_STATUS

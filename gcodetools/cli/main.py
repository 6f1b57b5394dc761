"""Entry point: looks commands up by name, so that each run imports only what its command needs."""

from __future__ import annotations

import contextlib
import errno
import gc
import importlib
import os
import signal
import sys
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from gcodetools._version import __version__
from gcodetools.cli.process import discard_stdout, escape_what_has_no_character, ignore_signals, open_streams
from gcodetools.errors import BeadwrightError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

__all__ = ["COMMANDS", "cli", "expanded", "run"]

COMMANDS = {
    "demo": "Make the Hoophouse demo and run everything on it.",
    "inspect": "Show what is in a sliced file; with a kit, each region of each instance.",
    "apply": "Treat the regions of a sliced file and write a new file.",
    "batch": "Treat folders of plates on all cores or a cluster, with a table of what came of each.",
    "post": "Treat a sliced file in place: the slicer's post-processing hook.",
    "estimate": "Tell how strong the regions of a sliced file are, and how sure that is.",
    "advise": "Find the cheapest settings that bring regions to a margin, or what minutes buy.",
    "compare": "Show two sliced files side by side, with differences.",
    "report": "Make a page of a sliced file, or of two: strength, cost, every layer drawn.",
    "plot": "Draw a layer, a part along its height, or nozzle and fan, for a paper or a README.",
    "check": "Validate a kit and draw its sections; no G-code needed.",
    "ladder": "Give each instance or height of a plate its own step of settings, with a sheet to fill in.",
    "tune": "Read a filled-in ladder: the best setting, how sure, and a material file.",
    "nudge": "Move the walls of a friction fit by hundredths of a millimetre.",
    "profile": "Show a slicer's settings, hold them against material, machine and kit, carry a treatment into them.",
    "plan": "Plan a print run up to its date: plates, printers, spools, money, odds.",
    "learn": "Start a kit from a sliced file, with a drawing to read coordinates from.",
    "schema": "Print a JSON Schema of kits, orders or profiles, by which an editor helps to write one.",
    "completion": "Print a script that lets a shell complete what you type.",
}
_LABEL_OPTIONS = ("--only", "--object")
_OBJECTS = 10_000  # made between two looks for cycles
MEMORY_TIMES = 12  # times the file: what `apply` holds at most, by the table in DEVELOPERS.md
CANNOT_WRITE_STATUS, FAULT_STATUS, INTERRUPTED_STATUS = 7, 70, 130


class _InterruptedError(Exception):
    """A KeyboardInterrupt on its way out; click would print an empty line for one."""


class _Lazy(click.Group):
    """Commands by table: the modules of the others stay unread."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise _InterruptedError from None

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"gcodetools.cli.{cmd_name}")
        command: click.Command = module.command
        if ctx.resilient_parsing:  # a shell asks
            from gcodetools.cli.completion import with_values

            return with_values(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        from gcodetools.cli.completion import offers

        return offers(COMMANDS, incomplete) or click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS and not ctx.resilient_parsing:
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
    # What imports make lives to the end: looking through it for cycles every 700 objects takes 10 ms of a short run.
    gc.set_threshold(_OBJECTS)
    open_streams()
    escape_what_has_no_character()
    if args is None and os.name == "nt":
        args = expanded(sys.argv[1:])
    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGTERM, _terminated)
    status = status_of(args)
    # What was done is done: a late signal must not change the status that tells of it.
    ignore_signals()
    sys.exit(status)


def expanded(args: list[str]) -> list[str]:
    """The words of a command line with names of files in place of patterns, as shells do it but for those of Windows.

    What `--only` and `--object` name are labels in a file, patterns or not: click's own expansion, which knows no
    quotes either, would put a file's name there.
    """
    import glob

    found: list[str] = []
    for before, word in zip(["", *args], args, strict=False):
        pattern = ("*" in word or "?" in word) and not word.startswith("-") and before not in _LABEL_OPTIONS
        found += (pattern and sorted(glob.glob(word, recursive=True))) or [word]  # noqa: PTH207 (words, no paths)
    return found


def status_of(args: list[str] | None = None) -> int:
    """Run the command line; return its exit status."""
    try:
        # A command that ends with a status of its own returns it here.
        ended = cli.main(args=args, prog_name="beadwright", standalone_mode=False)
        return _flushed() or (ended if isinstance(ended, int) else 0)
    except click.exceptions.Exit as stop:
        return int(stop.exit_code)
    except click.ClickException as error:
        return _usage(error)
    except BeadwrightError as error:
        _say(f"error: {error.cause}", error.hint)
        return error.status
    except (_InterruptedError, KeyboardInterrupt, click.Abort):
        if sys.stderr.isatty():
            _say(" ")
        _say("interrupted; nothing was left half-written")
        return INTERRUPTED_STATUS
    except SystemExit as stop:
        # This is how click leaves when whoever read us is gone.
        return stop.code if isinstance(stop.code, int) and stop.code != 1 else _reader_gone()
    except BrokenPipeError:
        return _reader_gone()
    except MemoryError:
        return _out_of_memory(sys.argv[1:] if args is None else args)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:  # what asks whether a file is there raises that alone
            _say(f"error: {error.filename}: {error.strerror}", "Check the path.")
            return click.UsageError.exit_code
        return _unwritable_stdout(error) if error.filename is None and error.errno else _fault(error)
    except Exception as error:
        if "std::bad_alloc" in str(error):  # how the geometry library tells it
            return _out_of_memory(sys.argv[1:] if args is None else args)
        return _fault(error)


def _usage(error: click.ClickException) -> int:
    """The cause first, then where to read on."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "beadwright"
    cause = error.format_message().replace("\n", " ")
    _say(f"error: {cause[:1].lower()}{cause[1:]}", f"See `{path} --help`.")
    return int(error.exit_code)


def _reader_gone() -> int:
    """Nobody reads our text any more: stay silent, also when the interpreter flushes at its end."""
    discard_stdout()
    return 0


def _unwritable_stdout(error: OSError) -> int:
    discard_stdout()
    _say(f"error: standard output: can't write: {error.strerror}", "Free some space, or name a file with -o.")
    return CANNOT_WRITE_STATUS


def _flushed() -> int:
    sys.stdout.flush()
    return 0


def _out_of_memory(args: list[str]) -> int:
    """Name the largest file of the command line: the one that took it, in all likelihood."""
    sizes = {word: os.path.getsize(word) for word in args if os.path.isfile(word)}  # noqa: PTH113, PTH202
    name = max(sizes, key=sizes.__getitem__, default="")
    what = f"{name} ({sizes[name] / 1e6:,.1f} MB): " if name else ""
    needed = f"Up to {MEMORY_TIMES} times the size of a plate's text is needed. "
    _say(f"error: {what}out of memory", f"{needed}Close other programs, or take a machine with more.")
    return FAULT_STATUS


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

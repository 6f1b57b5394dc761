"""Options that commands share, and the way they print."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import click

from gcodetools.cli.layout import Paper, clean
from gcodetools.errors import BeadwrightError, CannotWrite, StrictWarning, UsageError

__all__ = [
    "Output",
    "buries",
    "common",
    "expect_folder",
    "file_argument",
    "keep_times_option",
    "kit_option",
    "plate_before_option",
    "plate_option",
    "profile_options",
    "subset_options",
    "to_stderr",
    "treat_options",
    "unpacked_option",
    "wants_colour",
]

Show = Callable[[dict[str, Any], Paper], None]

_KITS = (".yaml", ".yml")
_STAMP = "%Y-%m-%dT%H:%M:%S"

Command = TypeVar("Command", bound=Callable[..., Any])


def _all(*decorators: Callable[[Any], Any]) -> Callable[[Command], Command]:
    def wrap(function: Command) -> Command:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return wrap


common = _all(
    click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output."),
    click.option("-q", "--quiet", is_flag=True, help="Print only warnings and errors."),
    click.option("-v", "--verbose", is_flag=True, help="Print more."),
    click.option("--log", type=click.Path(dir_okay=False, path_type=Path), help="Append messages to a file."),
    click.option("--strict", is_flag=True, help="Treat a warning as an error (status 6); write nothing."),
)

profile_options = _all(
    click.option("--machine", metavar="NAME|FILE", help="Machine profile."),
    click.option("--material", metavar="NAME|FILE", help="Material profile."),
    click.option(
        "--set",
        "sets",
        multiple=True,
        metavar="KEY=VALUE",
        help="Change a number of a profile, e.g. material.price_per_kg=22.",
    ),
)

subset_options = _all(
    click.option("--only", metavar="LABEL[#n,...]", help="Treat some instances only, e.g. film-clip#1,3."),
)


plate_option = click.option(
    "--plate",
    type=click.IntRange(min=1),
    metavar="N",
    help="Which plate, where a sliced package holds several.",
)

plate_before_option = click.option(
    "--plate-before",
    type=click.IntRange(min=1),
    metavar="N",
    help="Which plate of the file before, where it is another.",
)

unpacked_option = click.option(
    "--unpacked",
    is_flag=True,
    help="Write plain text where FILE is a package, a binary container or .gz; else OUT is what FILE is.",
)


keep_times_option = click.option(
    "--keep-times",
    is_flag=True,
    help="Leave the file's own times, progress marks and filament totals as they are.",
)

# What `apply` and what is built on it take; `outputs.taken` and `options_of` read them.
treat_options = _all(
    click.option(
        "-o", "--out", required=True, type=click.Path(path_type=Path), help="Where to; - is stdout."
    ),
    subset_options,
    click.option("--half", is_flag=True, help="Treat every second instance only, to compare."),
    click.option("--again", is_flag=True, help="Treat a treated file on top."),
    click.option("--allow-none", is_flag=True, help="A plate without any part of the kit is no error."),
    click.option("--verify", is_flag=True, help="Read the whole output back, not only what changed."),
    keep_times_option,
    unpacked_option,
    plate_option,
    profile_options,
    common,
)


def kit_option(required: bool) -> Callable[[Command], Command]:
    """`--kit`, repeated or a folder; BEADWRIGHT_KIT may name it."""
    return click.option(
        "--kit",
        "kits",
        multiple=True,
        required=required,
        envvar="BEADWRIGHT_KIT",
        show_envvar=True,
        type=click.Path(path_type=Path, readable=False),
        help="Kit file, or a folder of them; may be repeated.",
    )


def file_argument(name: str = "file") -> Callable[[Command], Command]:
    """A path argument that jobs open, so that their errors are ours."""
    return click.argument(name, type=click.Path(path_type=Path, readable=False))


def expect_folder(out: Path, option: str = "-o") -> None:
    """Refuse an output whose folder is not there or whose name no file can have, before any work is done.

    Raises
    ------
    CannotWrite : naming the folder, or the file.
    """
    if not os.path.isdir(out.parent):  # noqa: PTH112 (never raises)
        what = "is no folder" if os.path.lexists(out.parent) else "does not exist"
        raise CannotWrite(
            f"{option} {out}: the folder {out.parent} {what}", "Make the folder first, or check the path."
        )
    try:
        out.lstat()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            raise CannotWrite(f"{option} {out}: {error.strerror}", "Give a shorter name.") from None


def buries(out: Path, inputs: Iterable[Path | None]) -> bool:
    """Whether a file to write is one of those to read: itself, by another path, or as a kit in a folder of kits."""
    there = os.path.exists(out)  # noqa: PTH110 (these never raise)
    for one in inputs:
        if one is None or not os.path.exists(one):  # noqa: PTH110
            continue
        if there and out.samefile(one):
            return True
        if there and os.path.isdir(one) and out.parent.samefile(one) and out.suffix.lower() in _KITS:  # noqa: PTH112
            return True
    return False


class Output:
    """Text and JSON on standard output, warnings and progress on standard error.

    Parameters
    ----------
    as_json, quiet, verbose, log, strict : the common options.
    out : where a job writes; `-` cannot go together with JSON. beside : what it writes beside that.

    Used as a context: what happened is noted in the log at its end.

    Raises
    ------
    UsageError : JSON and `-o -` together, or a log that is another file of the command. CannotWrite : the log.
    """

    def __init__(
        self,
        *,
        as_json: bool,
        quiet: bool,
        verbose: bool,
        log: Path | None,
        strict: bool,
        out: Path | None = None,
        beside: Iterable[Path] = (),
    ) -> None:
        if as_json and out is not None and str(out) == "-":
            raise UsageError("--json and `-o -` both want standard output", "Give -o a file name.")
        self.as_json, self.quiet, self.verbose, self.log, self.strict = as_json, quiet, verbose, log, strict
        self.warnings: list[str] = []
        if log is not None:
            _expect_own(log, beside)
        self._write_log("begin")
        self._began = time.monotonic()
        self._shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the progress line and note the end in the log: a hook's standard error is easily lost."""
        self._finish_progress()
        end = "done"
        if isinstance(error, BeadwrightError):
            end = f"error: {error.cause} ({error.hint})"
        elif error is not None:
            end = f"stopped by {type(error).__name__}"
        self._write_log(end)

    def warn(self, sentence: str) -> None:
        """Print a warning and remember it."""
        sentence = clean(sentence)
        self.warnings.append(sentence)
        self._finish_progress()
        to_stderr(f"warning: {sentence}")
        self._write_log(f"warning: {sentence}")

    def warn_all(self, sentences: list[str]) -> None:
        """Print warnings; with `--strict` they are an error.

        Raises
        ------
        StrictWarning : there is one and `--strict` was given.
        """
        for sentence in dict.fromkeys(sentences):
            if clean(sentence) not in self.warnings:
                self.warn(sentence)
        if self.strict and self.warnings:
            count = "one warning" if len(self.warnings) == 1 else f"{len(self.warnings)} warnings"
            raise StrictWarning(f"{count} and --strict; nothing was written", "See above what is warned of.")

    def progress(self, stage: str) -> None:
        """Name the stage of a long job on a terminal; short jobs stay silent."""
        self._write_log(stage)
        if self.quiet or not sys.stderr.isatty() or time.monotonic() - self._began < 1.0:
            return
        self._shown = True
        to_stderr(f"\r{stage:<60}", nl=False)

    def _finish_progress(self) -> None:
        if self._shown:
            to_stderr("\r" + " " * 62 + "\r", nl=False)
            self._shown = False

    def _write_log(self, sentence: str) -> None:
        if self.log is None:
            return
        stamp = time.strftime(_STAMP)
        try:
            with self.log.open("a", encoding="utf-8", errors="backslashreplace") as file:
                file.write(f"{stamp} {sentence}\n")
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise CannotWrite(f"--log {self.log}: can't write: {reason}", "Name another file.") from None

    def prepared(self, record: dict[str, Any], show: Show) -> str:
        """What `say` is to print: JSON, or the text that `show` writes, or nothing if quiet."""
        if self.as_json:
            # Where standard output is no UTF-8, as behind a pipe on Windows, escapes are what stays JSON.
            encoding = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "")
            return json.dumps(record, ensure_ascii=encoding != "utf8", allow_nan=False)
        if self.quiet:
            return ""
        paper = Paper(colour=wants_colour(), verbose=self.verbose)
        show(record, paper)
        return paper.text

    def say(self, text: str) -> None:
        """Print on standard output."""
        self._finish_progress()
        if text:
            click.echo(text)

    def record(self, record: dict[str, Any], show: Show) -> None:
        """Print the record as JSON, or by `show` unless quiet."""
        self.say(self.prepared(record, show))


def _expect_own(log: Path, beside: Iterable[Path]) -> None:
    """Refuse a log that is another file of the command, or holds something else: messages behind it would spoil it.

    Raises
    ------
    UsageError : naming it.
    """
    context = click.get_current_context(silent=True)
    given = context.params.items() if context is not None else ()
    named = {one for key, value in given if key != "log" for one in _paths(value)}
    if os.path.realpath(log) in {os.path.realpath(one) for one in (*named, *beside)}:
        raise UsageError(f"--log {log}: a file that this command reads or writes", "Name another file.")
    if _foreign(log):
        raise UsageError(
            f"--log {log}: is there already and holds no log of Beadwright", "Name another file."
        )


def _paths(value: Any) -> list[str | Path]:
    """The paths in what an option was given: a profile's too, which a name may stand for."""
    if isinstance(value, tuple | list):
        return [path for one in value for path in _paths(one)]
    return [value] if isinstance(value, Path) or (isinstance(value, str) and os.path.isfile(value)) else []  # noqa: PTH113


def _foreign(log: Path) -> bool:
    """Whether a file is there that does not begin as our logs do."""
    try:
        if not os.path.isfile(log):  # noqa: PTH113 (never raises; a device or a pipe is no file to read)
            return False
        with log.open(encoding="utf-8", errors="replace") as file:
            begin = file.read(len("2026-01-01T00:00:00"))
    except OSError:
        return False
    try:
        time.strptime(begin, _STAMP)
    except ValueError:
        return bool(begin)
    return False


def to_stderr(text: str, nl: bool = True) -> None:
    """Print on standard error; that nobody reads it is no reason to stop."""
    with contextlib.suppress(OSError):
        click.echo(text, err=True, nl=nl)


def wants_colour() -> bool:
    """Colour only on a terminal, never where NO_COLOR is set."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"

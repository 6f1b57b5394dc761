"""Text for a terminal or a file: wrapped at blanks, columns that fit the width, nothing cut within a word.

Ours because the small table libraries tried (tabulate, texttable, prettytable) cut words to fit, or fit nothing.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import sys
import textwrap
from collections.abc import Sequence

import click

__all__ = ["MAX_WIDTH", "NO_BREAK", "Paper", "clean", "figures", "length"]

MAX_WIDTH = 110  # longer lines read badly
_MIN_WIDTH = 40
_GAP = 2
NO_BREAK = "\u00a0"  # a blank at which no line ends


def figures(value: float, count: int = 2) -> str:
    """A number to `count` significant figures, plainly written: 0.23, 51, 1700."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    rounded = float(f"{value:.{count - 1}e}")
    digits = count - 1 - math.floor(math.log10(abs(rounded)) + 1e-9)
    return f"{rounded:,.{max(digits, 0)}f}"


def length(mm: float) -> str:
    """A length of beads or filament: mm up to a metre, m beyond."""
    return f"{mm:.1f} mm" if mm < 1000 else f"{mm / 1000:.2f} m" if mm < 100_000 else f"{mm / 1000:.0f} m"


def _terminal_columns() -> int:
    """As `shutil.get_terminal_size`, which comes with all that unpacks archives."""
    with contextlib.suppress(KeyError, ValueError):
        if int(os.environ["COLUMNS"]) > 0:
            return int(os.environ["COLUMNS"])
    # No standard output, a closed one, one that is no terminal.
    with contextlib.suppress(AttributeError, ValueError, OSError):
        return os.get_terminal_size(sys.__stdout__.fileno()).columns or MAX_WIDTH  # type: ignore[union-attr]
    return MAX_WIDTH


class Paper:
    """Lines of text as wide as the terminal at most (110 columns where there is none).

    Parameters
    ----------
    colour : whether emphasis may be shown by terminal codes.
    verbose : whether the reader asked for more.
    width : columns, None to look.
    """

    def __init__(self, *, colour: bool = False, verbose: bool = False, width: int | None = None) -> None:
        columns = width or _terminal_columns()
        self.width = min(max(columns, _MIN_WIDTH), MAX_WIDTH)
        self.colour, self.verbose = colour, verbose
        self.lines: list[str] = []

    @property
    def text(self) -> str:
        """All of it, without a line end at the end."""
        return "\n".join(self.lines)

    def blank(self) -> None:
        """An empty line, but never two nor one at the top."""
        if self.lines and self.lines[-1]:
            self.lines.append("")

    def title(self, text: str) -> None:
        """A line with emphasis."""
        for line in self._wrapped(clean(text), "", ""):
            self.lines.append(click.style(line, bold=True) if self.colour else line)

    def line(self, text: str, indent: int = 0, hang: int = 0) -> None:
        """A paragraph, its further lines `hang` deeper."""
        self.lines += self._wrapped(clean(text), " " * indent, " " * (indent + hang))

    def facts(self, pairs: Sequence[tuple[str, str]], indent: int = 0) -> None:
        """Name and value a line; values aligned, wrapped under themselves."""
        room = max((len(name) for name, _ in pairs), default=0) + _GAP
        for name, value in pairs:
            first = " " * indent + clean(name).ljust(room)
            self.lines += self._wrapped(clean(value), first, " " * (indent + room))

    def table(self, rows: Sequence[Sequence[str]], right: tuple[int, ...] = (), indent: int = 0) -> None:
        """Columns under the first row as their heads; texts wrap at blanks, numbers (`right`) never do.

        Where the words alone are wider than the paper, each row is written as a small list.
        """
        cells = [[clean(cell) for cell in row] for row in rows]
        natural = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
        least = [
            natural[k] if k in right else max(_longest_word(row[k]) for row in cells)
            for k in range(len(natural))
        ]
        room = self.width - indent - _GAP * (len(natural) - 1)
        widths = _shrunk(natural, least, room)
        if sum(widths) > room:
            self._lists(cells, indent)
            return
        for number, row in enumerate(cells):
            for line in _row_lines(row, widths, right):
                text = (" " * indent + line).rstrip()
                self.lines.append(click.style(text, bold=True) if self.colour and number == 0 else text)

    def _lists(self, cells: list[list[str]], indent: int) -> None:
        heads = cells[0]
        for row in cells[1:]:
            self.line(row[0], indent, _GAP)
            shown = [(head, cell) for head, cell in zip(heads[1:], row[1:], strict=True) if cell]
            self.facts(shown, indent + _GAP)

    def _wrapped(self, text: str, first: str, rest: str) -> list[str]:
        found = textwrap.wrap(
            text,
            self.width,
            initial_indent=first,
            subsequent_indent=rest,
            break_long_words=False,
            break_on_hyphens=False,
        )
        return [line.replace(NO_BREAK, " ") for line in found] or [first.rstrip()]


def clean(text: str) -> str:
    """Names come from files: no control character of theirs reaches a terminal."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f]", "?", text)


def _longest_word(text: str) -> int:
    return max((len(word) for word in text.split()), default=0)


def _shrunk(natural: list[int], least: list[int], room: int) -> list[int]:
    """Column widths that fit `room` if the words allow it: the widest that can gives way first."""
    widths = list(natural)
    while sum(widths) > room:
        can = [k for k in range(len(widths)) if widths[k] > least[k]]
        if not can:
            break
        widths[max(can, key=lambda k: widths[k])] -= 1
    return widths


def _row_lines(row: list[str], widths: list[int], right: tuple[int, ...]) -> list[str]:
    columns = [
        textwrap.wrap(cell, width or 1, break_long_words=False, break_on_hyphens=False) or [""]
        for cell, width in zip(row, widths, strict=True)
    ]
    lines = []
    for k in range(max(map(len, columns))):
        parts = []
        for number, (column, width) in enumerate(zip(columns, widths, strict=True)):
            cell = column[k] if k < len(column) else ""
            parts.append(cell.rjust(width) if number in right else cell.ljust(width))
        lines.append((" " * _GAP).join(parts))
    return lines

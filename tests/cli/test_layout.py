"""How wide text is: as the standard library says."""

from __future__ import annotations

import os
import shutil
import sys

import pytest

from gcodetools.cli.layout import MAX_WIDTH, Paper


def size(columns: int) -> os.terminal_size:
    return os.terminal_size((columns, 50))


@pytest.mark.parametrize("columns", [None, "77", "0", "-3", "wide", "5", "500"])
@pytest.mark.parametrize("terminal", [None, 0, 66, 300])
def test_as_wide_as_the_terminal(
    monkeypatch: pytest.MonkeyPatch, columns: str | None, terminal: int | None
) -> None:
    def asked(descriptor: int) -> os.terminal_size:
        if terminal is None:
            raise OSError("no terminal")
        return size(terminal)

    class Stdout:
        def fileno(self) -> int:
            return 1

    monkeypatch.setattr(os, "get_terminal_size", asked)
    monkeypatch.setattr(sys, "__stdout__", Stdout())
    monkeypatch.delenv("LINES", raising=False)
    if columns is None:
        monkeypatch.delenv("COLUMNS", raising=False)
    else:
        monkeypatch.setenv("COLUMNS", columns)
    expected = shutil.get_terminal_size((MAX_WIDTH, 40)).columns
    assert Paper().width == min(max(expected, 40), MAX_WIDTH)


@pytest.mark.parametrize("stdout", [None, "closed"])
def test_without_standard_output_text_has_its_full_width(
    monkeypatch: pytest.MonkeyPatch, stdout: str | None
) -> None:
    closed = open(os.devnull, encoding="utf-8")  # noqa: SIM115, PTH123
    closed.close()
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setattr(sys, "__stdout__", None if stdout is None else closed)
    assert Paper().width == MAX_WIDTH

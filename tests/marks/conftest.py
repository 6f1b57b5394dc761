"""Programs and marks for the tests of this room: from text, and of every sample, read once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from gcodetools.gcode.program import Program
from gcodetools.gcode.scan import read_program
from gcodetools.marks.recognise import recognise
from gcodetools.marks.types import Marks

Read = tuple[Program, Marks]


@pytest.fixture(scope="session")
def read() -> Callable[[str | bytes], Read]:
    """Text or bytes to (program, marks)."""

    def _read(text: str | bytes) -> Read:
        data = text.encode("utf-8", "surrogateescape") if isinstance(text, str) else text
        program = read_program(data, "plate.gcode")
        return program, recognise(program)

    return _read


@pytest.fixture(scope="session")
def sample(samples: Path) -> Callable[[str], Read]:
    """A sample's name to (program, marks)."""

    @cache
    def _sample(name: str) -> Read:
        program = read_program((samples / name).read_bytes(), name)
        return program, recognise(program)

    return _sample

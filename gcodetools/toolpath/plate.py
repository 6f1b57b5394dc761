"""Plate: a read file with its marks, layers and beads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gcodetools.gcode.files import check_text, read_bytes
from gcodetools.gcode.program import Moves, Program
from gcodetools.gcode.scan import read_program
from gcodetools.marks.recognise import Sifter, recognise
from gcodetools.marks.settings import Settings, find_settings
from gcodetools.marks.totals import Totals, find_totals
from gcodetools.marks.types import Marks
from gcodetools.toolpath import beads as beads_of
from gcodetools.toolpath.beads import Beads, Layers
from gcodetools.toolpath.layers import find, laying

__all__ = ["DEFAULT_DIAMETER_MM", "Plate"]

DEFAULT_DIAMETER_MM = 1.75  # common practice, no source


@dataclass(frozen=True, slots=True)
class Plate:
    """A sliced file as data: text and moves (`program`), `marks`, the file's own `settings` and `totals`,
    `layers`, and `beads` with the index of the moves."""

    program: Program
    marks: Marks
    settings: Settings
    totals: Totals
    layers: Layers
    beads: Beads

    @classmethod
    def read(cls, path: Path | str) -> Plate:
        """Read a file.

        Raises
        ------
        InputError : unreadable, or no G-code text.
        """
        return cls.from_bytes(read_bytes(path), str(path))

    @classmethod
    def from_bytes(cls, data: bytes, name: str = "<bytes>") -> Plate:
        """Read bytes.

        Raises
        ------
        InputError : no G-code text.
        """
        check_text(data, name)
        program = read_program(data, name)
        marks = recognise(program)
        sifter = Sifter(program)
        settings = find_settings(sifter, marks)
        lay = laying(program)
        layers = find(program, marks, lay, settings.layer_height_mm)
        diameter = settings.filament_diameter_mm or DEFAULT_DIAMETER_MM
        columns = beads_of.build(program, marks, layers, lay, diameter)
        return cls(program, marks, settings, find_totals(sifter, marks), layers, columns)

    @property
    def moves(self) -> Moves:
        """The file's moves."""
        return self.program.moves

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was odd about the marks."""
        return self.marks.warnings

    def render(self) -> bytes:
        """The bytes it was read from."""
        return self.program.lines.data

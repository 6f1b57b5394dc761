"""Plate: a read file with its marks, layers and beads."""

from __future__ import annotations

from dataclasses import field, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.gcode.containers.base import Container
from gcodetools.gcode.files import check_text, read_bytes
from gcodetools.gcode.program import Moves, Program
from gcodetools.gcode.scan import read_program
from gcodetools.gcode.states import Commands
from gcodetools.marks.recognise import Sifter, recognise
from gcodetools.marks.settings import Settings, find_settings
from gcodetools.marks.totals import Totals, find_totals
from gcodetools.marks.types import Marks, Spans
from gcodetools.records import dataclass
from gcodetools.toolpath import beads as beads_of
from gcodetools.toolpath.beads import Beads, Layers
from gcodetools.toolpath.layers import find, laying

__all__ = ["DEFAULT_DIAMETER_MM", "Plate", "marks_of_said"]

_NO_MARKS = "J"
_MOST_BEAD_MM = 5e4
_DIAMETER_DIFFERS = 0.01  # share
DEFAULT_DIAMETER_MM = 1.75  # common practice, no source
_THICK_FILAMENT_MM = 2.85  # the other that is sold; common practice, no source
_VOLUME_MM = float(np.sqrt(4.0 / np.pi))  # of which a length is its volume
# Beads so thin, or so wide by their height, are worth a second look; common practice, no source.
_THIN_MM, _THIN, _WIDE = 0.22, 1.3, 3.2
_MANY_ROWS = 200_000


@dataclass(frozen=True, slots=True)
class Plate:
    """A sliced file as data: text and moves (`program`), `marks`, the file's own `settings` and `totals`,
    `layers`, and `beads` with the index of the moves.

    container : what the text was packed in, None for a plain file. notes : sentences on how it was opened.
    beads_mm : diameter of the filament where none is stated and the beads tell another than the usual one.
    volumetric_mm : diameter by which the machine turns E, a volume, into filament on most beads; None where E is a
    length.
    """

    program: Program
    marks: Marks
    settings: Settings
    totals: Totals
    layers: Layers
    beads: Beads
    container: Container | None = field(default=None, repr=False)
    notes: tuple[str, ...] = ()
    volumetric_mm: float | None = None
    beads_mm: float | None = None

    @classmethod
    def read(cls, path: Path | str) -> Plate:
        """Read a text file; `jobs.apply.read_plate` opens containers too.

        Raises
        ------
        InputError : unreadable, or no G-code text.
        """
        return cls.from_bytes(read_bytes(path), str(path))

    @classmethod
    def from_bytes(
        cls, data: bytes, name: str = "<bytes>", said: bytes = b"", assumed_mm: float | None = None
    ) -> Plate:
        """Read bytes.

        said : comment lines from elsewhere, for settings and totals that the text itself does not state. assumed_mm :
        diameter of the filament where none is stated, see `Plate.assumed_mm`; left out, the beads are asked.

        Raises
        ------
        InputError : no G-code text, or a bead of more than 50 m.
        """
        check_text(data, name)
        program = read_program(data, name)
        marks = recognise(program)
        sifter = Sifter(program)
        settings, totals = find_settings(sifter, marks), find_totals(sifter, marks)
        if said:
            settings, totals = _with_said(settings, totals, marks, said)
        lay = laying(program)
        layers = find(program, marks, lay, settings.layer_height_mm)
        volumetric = _volumetric_mm(program, lay)
        stated = volumetric or settings.filament_diameter_mm
        taken = assumed_mm if not stated and assumed_mm != DEFAULT_DIAMETER_MM else None
        columns = beads_of.build(program, marks, layers, lay, stated or taken or DEFAULT_DIAMETER_MM)
        _refuse_endless(program, columns)
        plate = cls(program, marks, settings, totals, layers, columns, None, (), volumetric, taken)
        other = _other_diameter(plate) if assumed_mm is None and not stated else None
        if other is None:
            return plate
        from gcodetools.toolpath.diameters import fits

        if fits(plate):
            return plate
        rebuilt = replace(plate, beads=beads_of.build(program, marks, layers, lay, other), beads_mm=other)
        return rebuilt if fits(rebuilt) else plate

    @property
    def moves(self) -> Moves:
        """The file's moves."""
        return self.program.moves

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was odd about the marks, what the file was packed in and its filament, and whether it looks like two
        files."""
        joined = _homing_told(self.program, self.layers, self.beads)
        return (*self.notes, *self.marks.warnings, *_two_diameters(self), *_odd_diameter(self), *joined)

    @property
    def filament_diameter_mm(self) -> float | None:
        """The filament's, as the file states it: by M200 where E is a volume, else in its settings; else what its
        beads tell where that is not the usual one; None where nobody says."""
        return self.volumetric_mm or self.settings.filament_diameter_mm or self.beads_mm

    @property
    def assumed_mm(self) -> float | None:
        """The filament's diameter that is taken where the file states none; None where it states one."""
        stated = self.volumetric_mm or self.settings.filament_diameter_mm
        return None if stated else self.beads_mm or DEFAULT_DIAMETER_MM

    @property
    def file(self) -> str:
        """The file's name; `program.lines.name` tells the plate too where a file has several."""
        return self.program.lines.name if self.container is None else self.container.name

    @property
    def said(self) -> bytes:
        """What the container states beside the text, for `from_bytes`."""
        return b"" if self.container is None else self.container.said

    @property
    def recorded_in(self) -> bytes:
        """Where a record of ours stands if there is one: in the text, or beside one that holds no comments."""
        kept = b"" if self.container is None else self.container.remarks
        return kept or self.program.lines.data

    def render(self) -> bytes:
        """The G-code text it was read from."""
        return self.program.lines.data

    def render_file(self) -> bytes:
        """The bytes of the file: the text, or the container that it came in."""
        return self.program.lines.data if self.container is None else self.container.data


def _homing_told(program: Program, layers: Layers, beads: Beads) -> tuple[str, ...]:
    """A sentence where the file homes X or Y (G28) above its first layer and goes on upon the bed, as where a second
    print is put behind the first (common practice, no source)."""
    commands = Commands(program.words)
    lines = commands.lines("G", 28)
    if len(lines) == 0 or len(layers) < 2:
        return ()
    x, y, z = (commands.has_word(lines, letter) for letter in "XYZ")
    rows = np.flatnonzero(beads.is_bead)
    first = rows[np.argmax(beads.layer[rows] > 0)]
    between = (lines > program.moves.line[first]) & (lines < program.moves.line[rows[-1]])
    found = lines[between & (x | y | ~z)]
    at = np.searchsorted(program.moves.line[rows], found)
    run = layers.run[beads.layer[rows[at]]]
    found = found[run > layers.run[beads.layer[rows[at - 1]]]]
    if len(found) == 0:
        return ()
    return (
        f"{program.lines.name}:{found[0] + 1}: the file homes (G28) amid the print, as where two prints are joined; "
        "read as one print, whose times and totals may be those of a part of it. Treat each by itself, then join them",
    )


def _volumetric_mm(program: Program, lay: NDArray[np.bool_]) -> float | None:
    """Diameter that M200 states for most of the beads `lay`, (m,) rows; None where it states none."""
    track = program.states.volumetric
    if not np.any(track.value != 1.0) or not np.any(lay):
        return None
    factor, count = np.unique(track.at(program.moves.line[lay]), return_counts=True)
    most = float(factor[np.argmax(count)])
    return None if most == 1.0 else round(float(np.sqrt(4.0 / (np.pi * most))), 6)


def _two_diameters(plate: Plate) -> list[str]:
    used, stated = plate.volumetric_mm, plate.settings.filament_diameter_mm
    if not used or not stated or abs(used - stated) <= _DIAMETER_DIFFERS * used:
        return []
    track = plate.program.states.volumetric
    line = int(track.line[track.value != 1.0][0]) + 1
    return [
        f"{plate.program.lines.name}:{line}: M200 says a filament of {used:g} mm, the file's settings one of "
        f"{stated:g} mm: widths and volumes are by M200, as the machine's are. Slice again if that is not what you load"
    ]


def _other_diameter(plate: Plate) -> float | None:
    """The filament of which a plate's beads may be, where they are too thin or too wide for one of the usual diameter
    to be laid by any nozzle; None where they are not."""
    beads, rows = plate.beads, np.flatnonzero(plate.beads.is_bead & (plate.beads.layer > 0))
    rows = rows[:: len(rows) // _MANY_ROWS + 1]
    length, height = beads.length_mm[rows], beads.height[rows].astype(np.float64)
    known = (length > 0) & (height > 0)
    if not np.any(known):
        return None
    rows, length, height = rows[known], length[known], height[known]
    area = plate.program.moves.e[rows] * (np.pi / 4 * DEFAULT_DIAMETER_MM**2) / length
    width = area / height + height * (1 - np.pi / 4)
    order = np.argsort(width, kind="stable")
    middle = order[np.searchsorted(np.cumsum(length[order]), length.sum() / 2)]
    if width[middle] < max(_THIN_MM, _THIN * height[middle]):
        return _THICK_FILAMENT_MM
    return _VOLUME_MM if width[middle] > _WIDE * height[middle] else None


def _odd_diameter(plate: Plate) -> list[str]:
    if plate.beads_mm is None:
        return []
    volume = plate.beads_mm == _VOLUME_MM
    told = "E of volumes in mm3" if volume else f"a filament of {plate.beads_mm:g} mm"
    return [
        f"{plate.program.lines.name}: states no diameter of the filament, and its walls lie as far apart as "
        f"beads by {told} do: taken so, not as {DEFAULT_DIAMETER_MM:g} mm; filament that foams may look the same. "
        "Let the file state its filament's diameter, or give --set material.diameter_mm for mass and money"
    ]


def _refuse_endless(program: Program, beads: Beads) -> None:
    """Refuse beads longer than any machine's bed: damage, which would cost hours and all memory where it is walled.

    Raises
    ------
    InputError : naming the first line.
    """
    length = beads.length_mm
    if np.fmax.reduce(length, initial=0.0) <= _MOST_BEAD_MM:
        return
    found = np.flatnonzero((length > _MOST_BEAD_MM) & (beads.feature != 0))
    if len(found):
        row = found[0]
        raise InputError(
            f"{program.lines.name}:{program.moves.line[row] + 1}: a bead of {length[row] / 1000:.4g} m, expected at "
            f"most {_MOST_BEAD_MM / 1000:g} m",
            "The file is damaged, or says mm where it means inches. Slice again, or look at that line in an editor.",
        )


def marks_of_said(marks: Marks, said: Program) -> Marks:
    """Marks by which to read what a container states: the text's convention; its own where the text follows none."""
    own = recognise(said).convention if marks.convention == _NO_MARKS else marks.convention
    return replace(marks, convention=own, ignored=Spans.none())


def _with_said(settings: Settings, totals: Totals, marks: Marks, said: bytes) -> tuple[Settings, Totals]:
    """Settings and totals, with what only `said` states."""
    program = read_program(said, "settings")
    sifter, apart = Sifter(program), marks_of_said(marks, program)
    more, told = find_settings(sifter, apart), find_totals(sifter, apart)
    known = {one.name: getattr(settings, one.name) for one in fields(Settings)}
    known |= {name: getattr(more, name) for name, value in known.items() if value is None}
    known |= {"limits": more.limits | settings.limits, "raw": more.raw | settings.raw}
    stated = {one.name: getattr(totals, one.name) for one in fields(Totals)}
    stated |= {name: getattr(told, name) for name, value in stated.items() if value is None}
    return Settings(**known), Totals(**stated | {"meaning": told.meaning})

"""Words to moves, against a reader that goes through the lines one by one."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.gcode import arrays, tokens
from gcodetools.gcode.interpret import Events, Interpreted, Modes, Start, moves_of
from gcodetools.gcode.program import ENDSTOP, RETRACT, UNRETRACT, Program, Track
from gcodetools.gcode.scan import modes_and_states, read_program, scan_text

NAN = math.nan


def read(text: str) -> Program:
    return read_program(text.encode(), "t.gcode")


def xyz(text: str) -> list[tuple[float, float, float]]:
    moves = read(text).moves
    return list(zip(moves.x.tolist(), moves.y.tolist(), moves.z.tolist(), strict=True))


def e_of(text: str) -> list[float]:
    return read(text).moves.e.tolist()


# --- positions


def test_relative_coordinates_add_up() -> None:
    text = "G1 X10 Y10\nG91\nG1 X1\nG1 X2 Y-3 Z.5\nG90\nG1 Y0"
    assert xyz(text) == [(10, 10, 0), (11, 10, 0), (13, 7, 0.5), (13, 0, 0.5)]


def test_g92_moves_nothing() -> None:
    text = "G1 X10 Y5\nG92 X0 Y0\nG1 X1 Y1\nG92 X100\nG1 X101"
    assert xyz(text) == [(10, 5, 0), (11, 6, 0), (12, 6, 0)]
    offset = read(text).states.offset_x
    assert (offset.line.tolist(), offset.value.tolist(), offset.initial) == ([1, 3], [10, -89], 0)


def test_a_bare_letter_in_g92_means_zero() -> None:
    assert xyz("G1 X10 Y5\nG92 X\nG1 X1 Y1") == [(10, 5, 0), (11, 1, 0)]
    assert e_of("M82\nG1 X1 E5\nG92 E\nG1 X2 E1") == [5, 1]


def test_a_bare_g92_zeroes_everything() -> None:
    text = "M82\nG1 X10 Y5 Z1 E3\nG92\nG1 X1 E1"
    assert xyz(text) == [(10, 5, 1), (11, 5, 1)]
    assert e_of(text) == [3, 1]


def test_homing_names_its_axes_and_drops_their_offsets() -> None:
    text = "G1 X10 Y5 Z1\nG92 X0 Y0\nG28 X\nG1 Z2\nG28\nG1 X1 Y1"
    assert xyz(text) == [(10, 5, 1), (0, 5, 2), (1, 1, 0)]
    assert read(text).states.offset_y.value.tolist() == [5, 0]


def test_inches() -> None:
    text = "G20\nM83\nG1 X1 Y2 E.5 F60\nG21\nG1 X1 E.5 F60"
    moves = read(text).moves
    assert xyz(text) == [(25.4, 50.8, 0), (1, 50.8, 0)]
    assert moves.e.tolist() == [12.7, 0.5]
    assert moves.f.tolist() == [25.4, 1.0]


# --- arcs: absolute centres, ends off the circle


def arcs_of(text: str, absolute: bool) -> Interpreted:
    scanned = scan_text(text.encode(), "t.gcode")
    modes, _ = modes_and_states(scanned)
    switch = Track(np.empty(0, np.int32), np.empty(0), float(absolute))
    return moves_of(scanned.events, replace(modes, arc_absolute=switch), Start())


@pytest.mark.parametrize("head", ["", "G20\n", "G92 X-3 Y7 Z1\n", "G1 Z2\nG18\n", "G19\n"])
@pytest.mark.parametrize("command", ["G2", "G3"])
def test_an_absolute_centre_is_the_relative_one_plus_the_start(head: str, command: str) -> None:
    """One arc written both ways: start (4, 1, 0), centre 3 and 4 further on, whatever plane, unit or shift."""
    place = f"{head}G1 X4 Y1 Z0\n{command} X8 Y1 Z0"
    relative, absolute = arcs_of(f"{place} I3 J4 K4", False).arcs, arcs_of(f"{place} I7 J5 K4", True).arcs
    for name in ("row", "cx", "cy", "radius", "begin", "sweep"):
        np.testing.assert_allclose(getattr(absolute, name), getattr(relative, name), atol=1e-12, err_msg=name)
    assert len(absolute.row) == 1


def test_a_centre_left_out_is_the_starts_own() -> None:
    found = arcs_of("G1 X4 Y1\nG3 X10 Y1 I7", True).arcs
    assert (found.cx.tolist(), found.cy.tolist(), found.radius.tolist()) == ([7], [1], [3])


@pytest.mark.parametrize(
    ("end", "uneven"), [("X-10", []), ("X-10.04", []), ("X-10.19", []), ("X-10.21", [1]), ("X-9.79", [1])]
)
def test_an_end_off_the_circle_is_told_by_two_percent(end: str, uneven: list[int]) -> None:
    assert arcs_of(f"G1 X10\nG3 {end} Y0 I-10", False).uneven_arcs.tolist() == uneven


def test_of_small_arcs_five_hundredths_may_be_rounding() -> None:
    text = "G1 X.2\nG3 X-.24 I-.2\nG0 X.2\nG3 X-.26 I-.2\nG0 X0\nG3 X1 Y0 R.4\nG3 X2 Y0 R.49"
    assert arcs_of(text, False).uneven_arcs.tolist() == [3, 5]


# --- filament


def test_absolute_filament_is_the_difference() -> None:
    assert e_of("G1 X1 E1\nG1 X2 E1.5\nG1 X3\nG1 X4 E1.5\nG1 E.5") == [1, 0.5, 0, 0, -1]


def test_filament_is_absolute_unless_told() -> None:
    assert e_of("G1 X1 E2\nG1 X2 E3") == [2, 1]


def test_relative_filament_is_what_is_written() -> None:
    assert e_of("M83\nG1 X1 E.1\nG1 X2 E.2\nG92 E0\nG1 X3 E.3") == [0.1, 0.2, 0.3]


def test_a_filament_reset_pushes_nothing() -> None:
    assert e_of("G1 E5\nG92 E0\nG1 E1\nG92 E100\nG1 E101") == [5, 1, 1]


def test_absolute_filament_goes_on_behind_a_relative_stretch() -> None:
    assert e_of("M82\nG1 E5\nM83\nG1 E2\nG1 E-1\nM82\nG1 E7\nM83\nM83\nG1 E1") == [5, 2, -1, 1, 1]


def test_g91_makes_filament_relative_and_g90_what_it_was() -> None:
    assert e_of("M82\nG1 E5\nG91\nG1 E1\nG90\nG1 E7") == [5, 1, 1]
    assert e_of("M83\nG1 E5\nG91\nG1 E1\nG90\nG1 E7") == [5, 1, 7]
    # Behind it M82 is meant, as where a whole print is written in steps from place to place.
    assert e_of("G91\nM82\nG1 X1 E5\nG1 X1 E7\nG90\nG1 E8\nG91\nG1 E3") == [5, 2, 1, 3]
    assert e_of("G91\nM83\nG1 E5\nM82\nG1 E7\nM83\nG1 E1") == [5, 2, 1]


def test_volumetric_filament() -> None:
    # Cubic millimetres over the cross section pi d^2 / 4.
    area = math.pi * 1.75**2 / 4
    text = "M83\nG1 E1\nM200 D1.75\nG1 E10\nM200 S0\nG1 E1\nM200 S1\nG1 E10\nM200 D0\nG1 E1"
    assert e_of(text) == pytest.approx([1, 10 / area, 1, 10 / area, 1])
    assert e_of("M82\nM200 D1.75\nG1 E10\nG1 E12") == pytest.approx([10 / area, 2 / area])


def test_pulling_back_is_a_retraction_only_when_nothing_moves() -> None:
    text = "M83\nG1 X1 E-1\nG1 E-1\nG1 F600 E1\nG1 X1 E-1\nG1 Z1 E1\nG0 X2 E.5\nG1 X3 E0"
    bits = (read(text).moves.kind & (RETRACT | UNRETRACT)).tolist()
    assert bits == [0, RETRACT, UNRETRACT, RETRACT, UNRETRACT, 0, 0]


def test_a_move_to_where_it_stands_by_offset_is_still() -> None:
    assert read("M83\nG1 X3\nG92 X7\nG1 X7 E-1").moves.kind[1] & RETRACT


# --- feed


def test_feed_holds_until_the_next_and_is_unknown_before() -> None:
    feed = read("G1 X1\nG1 F600\nG1 X2\nG28 F60\nG0 X3 F1200\nG4 P1").moves.f
    np.testing.assert_array_equal(feed, [NAN, 10, 10, 20, 20])


def test_thousands_of_feed_lines_move_nothing() -> None:
    text = "G1 X5 Y6\n" + "".join(f"G1 F{k}\n" for k in range(60, 3000))
    assert set(xyz(text)) == {(5, 6, 0)}
    assert read(text).moves.f[-1] == 2999 / 60


# --- a start of its own, and cut files


def test_moves_may_start_anywhere() -> None:
    scanned = scan_text(b"G1 E5\nG91\nG1 X1\nG90\nG28 Y\nG1 X7 Y7\nG92 Z0\nG1 Z1", "t")
    modes, _ = modes_and_states(scanned)
    start = Start(x=10, y=20, z=30, e=4, f=12.3, offset=(1, 2, 3))
    found = moves_of(scanned.events, modes, start, keep_counter=True)
    moves = found.moves
    assert moves.x.tolist() == [11, 12, 8, 8]
    assert moves.y.tolist() == [22, 22, 7, 7]
    assert moves.z.tolist() == [33, 33, 33, 34]
    assert moves.e.tolist() == [1, 0, 0, 0]
    assert moves.f.tolist() == [12.3] * 4
    assert found.e_counter_before is not None
    assert found.e_counter_before.tolist() == [4, 5, 5, 5]
    x, y, z = found.offsets
    assert (x.initial, x.value.tolist()) == (1, [])
    assert (y.initial, y.value.tolist()) == (2, [0])
    assert (z.initial, z.value.tolist()) == (3, [33])


def test_an_arc_may_begin_at_the_start() -> None:
    scanned = scan_text(b"G3 X10 Y10 I5 J0", "t")
    start = Start(x=0, y=10, z=0, offset=(1, 2, 0))
    arcs = moves_of(scanned.events, modes_and_states(scanned)[0], start).arcs
    assert (arcs.cx[0], arcs.cy[0], arcs.radius[0]) == (6, 12, 5)


@pytest.mark.parametrize("feed", [33.1, 1 / 3, 213.6463391388886, 113.03620312999044])
def test_a_start_feed_comes_back_to_the_bit(feed: float) -> None:
    scanned = scan_text(b"G1 X1", "t")
    assert moves_of(scanned.events, modes_and_states(scanned)[0], Start(f=feed)).moves.f[0] == feed


# --- the reference: a loop over lines


@dataclass
class Machine:
    """What a printer knows, changed line by line; a regular expression splits the words of each."""

    position: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZ", 0.0))
    offset: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZ", 0.0))
    e: float = 0.0
    feed: float = NAN
    xyz_relative: bool = False
    m83: bool = False
    along: bool = False  # E goes by G91
    unit: float = 1.0
    per_unit: float = 1.0
    tool: int = 0
    plane: int = 17
    fan: float = 0.0
    accel: float = NAN
    nozzle: dict[int, float] = field(default_factory=dict)
    flow: float = 1.0
    rows: list[tuple[float, ...]] = field(default_factory=list)
    states: list[tuple[float, ...]] = field(default_factory=list)

    def run(self, text: str) -> None:
        for number, line in enumerate(text.splitlines()):
            self.states.append(self.state())
            words = re.findall(r"([A-Z])([-+.0-9]*)", re.sub(r"\(.*?\)|;.*", " ", line.upper()))
            if words:
                self.do(number, words[0][0] + words[0][1], dict(words[1:]))

    def state(self) -> tuple[float, ...]:
        nozzle = self.nozzle.get(self.tool, NAN)
        relative = self.along or self.m83
        return (
            self.xyz_relative, relative, self.unit != 1, self.tool, self.plane,
            self.fan, self.accel, nozzle, self.flow, *self.offset.values(),
        )  # fmt: skip

    def do(self, number: int, command: str, words: dict[str, str]) -> None:
        value = {k: float(v) for k, v in words.items() if v}
        match command:
            case "G0" | "G1":
                self.move(number, value)
            case "G92":
                self.set(value if words else dict.fromkeys("XYZE", 0.0), words)
            case "G28":
                for axis in [k for k in "XYZ" if k in words] or "XYZ":
                    self.position[axis] = self.offset[axis] = 0.0
            case "G90" | "G91":
                self.xyz_relative = self.along = command == "G91"
            case "M82" | "M83":
                self.m83 = command == "M83"
                self.along &= self.m83
            case "G20" | "G21":
                self.unit = 25.4 if command == "G20" else 1.0
            case "G17" | "G18" | "G19":
                self.plane = int(command[1:])
            case "M200":
                self.per_unit = 4 / (math.pi * value["D"] ** 2) if value["D"] else 1.0
            case "T0" | "T1" | "T2":
                self.tool = int(command[1:])
            case "M106":
                self.fan = value.get("S", 255.0) / 255.0 if not value.get("P") else self.fan
            case "M107":
                self.fan = 0.0
            case "M204":
                self.accel = value.get("P", value.get("S", self.accel))
            case "M104" | "M109":
                self.nozzle[int(value.get("T", self.tool))] = value["S"]
            case "M221":
                self.flow = value["S"] / 100

    def move(self, number: int, value: dict[str, float]) -> None:
        for axis in "XYZ":
            if axis in value and not value.get("H"):
                step = value[axis] * self.unit
                self.position[axis] = self.position[axis] + step if self.xyz_relative else step
        pushed = 0.0
        if "E" in value:
            word = value["E"] * self.unit
            relative = self.along or self.m83
            pushed = word if relative else word - self.e
            self.e = self.e + word if relative else word
        if "F" in value:
            self.feed = value["F"] * self.unit / 60
        place = [self.position[k] + self.offset[k] for k in "XYZ"]
        self.rows.append((number, *place, pushed * self.per_unit, self.feed, self.tool))

    def set(self, value: dict[str, float], words: dict[str, str]) -> None:
        for axis in "XYZ":
            if axis in words or axis in value:
                new = value.get(axis, 0.0) * self.unit
                self.offset[axis] += self.position[axis] - new
                self.position[axis] = new
        if "E" in words or "E" in value:
            self.e = value.get("E", 0.0) * self.unit


coordinate = st.integers(-20000, 20000).map(lambda n: f"{n / 1000:.3f}")
small = st.integers(-400, 900).map(lambda n: f"{n / 100:g}")
words_of_move = st.fixed_dictionaries(
    {},
    optional={"X": coordinate, "Y": coordinate, "Z": small, "E": small, "F": st.integers(1, 9000).map(str)},
)


def _spelled(words: dict[str, str]) -> str:
    return " ".join(f"{k}{v}" for k, v in words.items())


move = st.tuples(st.sampled_from(["G0", "G1"]), words_of_move).map(lambda t: f"{t[0]} {_spelled(t[1])}")
axes = st.lists(st.sampled_from("XYZ"), max_size=3, unique=True)
reset = st.fixed_dictionaries({}, optional={"X": small, "Y": small, "Z": small, "E": small})
mode = st.sampled_from(
    """G90|G91|M82|M83|M83|G20|G21|G17|G18|G19|T0|T1|T2|T255|T-1|T1000|M107|M106|G92|G28|M204|M106 S127
    |M106 S63.8|M106 P2 S9|M104 S210|M109 S220|M104 T1 S99|M221 S95|M221 S100|M204 S500|M204 P700 T900
    |M204 T5|M200 D1.75|M200 D0|G92 E0|G92 E|G1 X99 Y99 H1|g1 x5 ; X9|(a) G1 Y2(b)|; G1 X9||_G1 X9
    |M117 X9|G1X1.5Y.5""".replace("\n    ", "").split("|")
)
line = st.one_of(
    move, move, move, mode, mode,
    reset.map(lambda w: f"G92 {_spelled(w)}"),
    axes.map(lambda names: "G28 " + " ".join(names)),
)  # fmt: skip
programs = st.lists(line, min_size=1, max_size=60).map(lambda lines: "\n".join(lines) + "\n")


@settings(max_examples=200)
@given(programs, st.sampled_from([40, 1000]))
def test_moves_and_states_are_those_of_a_reader_of_lines(text: str, block: int) -> None:
    machine = Machine()
    machine.run(text.replace("_G1 X9", "").replace("M117 X9", ""))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tokens, "BLOCK_BYTES", block)
        patch.setattr(arrays, "_SPAN", block // 13)
        program = read(text)
    moves = program.moves
    found = np.column_stack([moves.line, moves.x, moves.y, moves.z, moves.e, moves.f, moves.tool])
    expected = np.array(machine.rows).reshape(-1, 7)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)
    assert states(program) == pytest.approx(np.array(machine.states), nan_ok=True, abs=1e-9)
    is_endstop = [" H1" in text.splitlines()[int(k)] for k in moves.line]
    assert ((moves.kind & ENDSTOP) != 0).tolist() == is_endstop


def states(program: Program) -> np.ndarray:
    """The states that `Machine.state` names, before each line."""
    lines, s = np.arange(len(program.lines)), program.states
    tool = s.tool.at(lines)
    nozzle = np.full(len(lines), NAN)
    for index, track in s.nozzle.items():
        nozzle[tool == index] = track.at(lines)[tool == index]
    tracks: list[Track] = [s.xyz_relative, s.e_relative, s.inches]
    columns = [t.at(lines) for t in tracks]
    rest = [t.at(lines) for t in (s.offset_x, s.offset_y, s.offset_z)]
    middle = [tool, s.plane.at(lines), s.fan.at(lines), s.accel.at(lines), nozzle, s.flow_factor.at(lines)]
    return np.column_stack(columns + middle + rest)


@settings(max_examples=50)
@given(programs, st.sampled_from([1, 2, 7]))
def test_events_are_left_alone_unless_they_may_be_used_up(text: str, span: int) -> None:
    scanned = scan_text(text.encode(), "t")
    modes, _ = modes_and_states(scanned)
    names = ("line", "code", "x", "y", "z", "e", "f")
    before = {name: getattr(scanned.events, name).copy() for name in names}
    kept = moves_of(scanned.events, modes, Start())
    for name, column in before.items():
        np.testing.assert_array_equal(getattr(scanned.events, name), column, err_msg=name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(arrays, "_SPAN", span)
        used = moves_of(scanned.events, modes, Start(), use_up=True)
    for name in ("line", "x", "y", "z", "e", "f", "kind", "tool"):
        mine, theirs = getattr(used.moves, name), getattr(kept.moves, name)
        assert mine.tobytes() == theirs.tobytes() and len(mine) == len(theirs), name


def test_rows_of_arcs_and_dwells_leave_out_what_moves_nothing() -> None:
    program = read(
        "G28\nG92 E0\nG1 X1 Y1\nG4 P250\nG92 X5\nG2 X7 Y1 I1 J0\nG92 Z1\nG28 Y\nG4 S2\nG3 X5 Y0 I-1 J0"
    )
    assert program.moves.line.tolist() == [2, 3, 5, 8, 9]
    assert program.dwell_row.tolist() == [1, 3] and program.dwell_s.tolist() == [0.25, 2.0]
    assert program.arcs.row.tolist() == [2, 4]
    assert program.arcs.cx.tolist() == [2.0, 2.0]


def test_one_tool_takes_no_column() -> None:
    moves = read("T1\nG1 X1\nG1 X2\nT0\nG1 X3").moves
    assert moves.tool.tolist() == [1, 1, 0] and moves.tool.strides == (1,)
    alone = read("T0\nG1 X1\nG1 X2\nT300\nG1 X3").moves.tool
    assert alone.tolist() == [0, 0, 0] and alone.strides == (0,)


@settings(max_examples=100)
@given(programs, programs)
def test_a_cut_program_goes_on_from_its_state(first: str, second: str) -> None:
    """What the audit of windows rests on: the state behind one part is all that the next one needs."""
    whole = scan_text((first + second).encode(), "t")
    modes, _ = modes_and_states(whole)
    everything = moves_of(whole.events, modes, Start(), keep_counter=True)
    cut = first.count("\n")
    rest = np.flatnonzero(whole.events.line >= cut)
    start = _end_state(whole.events, cut, modes)
    tail = moves_of(_part_of(whole.events, whole.events.line >= cut), modes, start, keep_counter=True)
    count = len(tail.moves)
    assert len(rest) >= count
    for column in ("line", "x", "y", "z", "e", "f", "kind", "tool"):
        mine, theirs = getattr(tail.moves, column), getattr(everything.moves, column)
        np.testing.assert_allclose(mine, theirs[len(theirs) - count :], rtol=0, atol=1e-9, err_msg=column)


def _part_of(events: Events, which: np.ndarray) -> Events:
    index = np.flatnonzero(which)
    sparse = {}
    for key, (at, value) in events.sparse.items():
        mine = np.isin(at, index)
        sparse[key] = (np.searchsorted(index, at[mine]), value[mine])
    columns = {name: getattr(events, name)[index] for name in ("line", "code", "x", "y", "z", "e", "f")}
    return replace(events, **columns, sparse=sparse)


def _end_state(events: Events, cut: int, modes: Modes) -> Start:
    """Start of the rest: a G1 without words is put behind the head, whose row tells where it stands."""
    mine = _part_of(events, events.line < cut)
    nan = np.array([NAN])
    probe = replace(
        mine,
        line=np.append(mine.line, cut).astype(np.int32),
        code=np.append(mine.code, 1).astype(np.uint8),
        **{k: np.append(getattr(mine, k), nan) for k in "xyzef"},
    )
    found = moves_of(probe, modes, Start(), keep_counter=True)
    x, y, z = (float(t.at(np.array([cut]))[0]) for t in found.offsets)
    last = [float(c[-1]) for c in (found.moves.x, found.moves.y, found.moves.z)]
    place = [a - b for a, b in zip(last, (x, y, z), strict=True)]
    assert found.e_counter_before is not None
    return Start(*place, float(found.e_counter_before[-1]), float(found.moves.f[-1]), (x, y, z))

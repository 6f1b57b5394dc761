"""What limits the machine's motion: what the file says, else its settings, else a machine profile.

Keys are those of `Settings.limits`: `speed_x` to `speed_e` mm/s, `accel_x` to `accel_e` mm/s2, `jerk_x` to
`jerk_e` mm/s, `accel_extruding`, `accel_travel`, `accel_retracting` mm/s2; and `speed_path` mm/s along the path,
`deviation` mm (junction deviation), `corner` mm/s (square corner velocity).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine
from gcodetools.gcode.program import Program, Track
from gcodetools.gcode.states import Commands, extended_commands, keyed_track, merge, track, value_track
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["COMMON", "FILE", "SETTINGS", "JunctionKind", "MachineLimits", "limits_of"]

F8 = NDArray[np.float64]
JunctionKind = Literal["jerk", "deviation", "corner"]

COMMON = "common practice"
FILE, SETTINGS = "file", "settings"
_AXES = "xyze"
_ACCEL_KEYS = ("accel_extruding", "accel_travel", "accel_retracting")
# Where nobody says anything: a plain desktop printer (common practice, no source). None: no limit.
_PLAIN: dict[str, float | None] = {
    "speed_x": None, "speed_y": None, "speed_z": 12.0, "speed_e": 60.0, "speed_path": None,
    "accel_x": None, "accel_y": None, "accel_z": 200.0, "accel_e": 5000.0,
    "accel_extruding": 1000.0, "accel_travel": 1000.0, "accel_retracting": 1000.0,
    "jerk_x": 8.0, "jerk_y": 8.0, "jerk_z": 0.4, "jerk_e": 5.0,
    "deviation": 0.02, "corner": 5.0,
}  # fmt: skip
_DECISIVE = ("accel_extruding", "accel_x", "accel_y")
_JUNCTION_KEYS: dict[JunctionKind, tuple[str, ...]] = {
    "jerk": ("jerk_x", "jerk_y"),
    "deviation": ("deviation",),
    "corner": ("corner",),
}
_CRUISE_SHARE = 0.5  # common practice, no source
_MM_MIN = 1000.0  # speeds of X and Y above this are mm/min: one family of firmware counts so


@dataclass(frozen=True, slots=True)
class MachineLimits:
    """Limits by line of the file, and where each comes from: "file", "settings", "machine NAME" or "common
    practice". junction : how corners are passed. cruise_share : see `physics.motion.plan`."""

    tracks: dict[str, Track]
    origins: dict[str, str]
    junction: JunctionKind
    cruise_share: float = 0.0

    def at(self, key: str, lines: NDArray[np.int32]) -> float | F8:
        """A limit at each of the ascending `lines` (0-based), a plain number where it never changes there;
        infinite where there is none."""
        steps = self.tracks[key]
        if len(lines) == 0 or len(steps.line) == 0:
            return steps.initial
        low, high = np.searchsorted(steps.line, lines[[0, -1]]).tolist()
        before = float(steps.value[low - 1]) if low else steps.initial
        # Those of some lines alone: a file of many layers has a hundred thousand commands.
        return before if low == high else Track(steps.line[low:high], steps.value[low:high], before).at(lines)

    @property
    def decisive(self) -> tuple[str, ...]:
        """Keys without which a time is no more than a guess at the machine."""
        return (*_DECISIVE, *_JUNCTION_KEYS[self.junction])

    @property
    def assumed(self) -> tuple[str, ...]:
        """Decisive limits that neither the file nor its settings state."""
        return tuple(key for key in self.decisive if self.origins[key] not in (FILE, SETTINGS))


def limits_of(plate: Plate, machine: Machine | None = None) -> MachineLimits:
    """Limits of the machine that a plate is for.

    Each key is taken from the file's commands, else from its settings, else from the machine's profile, else
    from common practice; a command's value holds from its line on, and the next source before it. Acceleration
    in travel that nobody states is that of printing. A profile's limit for X and Y gives way where the file
    itself asks for more acceleration.
    """
    velocity = _velocity_commands(plate.program)
    commanded = _commanded(plate.program, velocity)
    junction = _junction(commanded)
    profile = _of_machine(machine)
    tracks: dict[str, Track] = {}
    origins: dict[str, str] = {}
    for key in _PLAIN:
        initial, origin = _initial(key, plate.settings.limits, profile, machine)
        mine = commanded.get(key)
        if mine is not None and len(mine.line):
            tracks[key], origins[key] = Track(mine.line, mine.value, initial), FILE
        else:
            tracks[key], origins[key] = Track(np.empty(0, np.int32), np.empty(0), initial), origin
    _travel_as_printing(tracks, origins)
    _give_way(tracks, origins)
    return MachineLimits(tracks, origins, junction, _cruise_share(velocity) if junction == "corner" else 0.0)


def _initial(
    key: str, settings: dict[str, float], profile: dict[str, float], machine: Machine | None
) -> tuple[float, str]:
    if key in settings:
        return settings[key], SETTINGS
    if key in profile and machine is not None:
        return profile[key], f"machine {machine.name}"
    plain = _PLAIN[key]
    return float("inf") if plain is None else plain, COMMON


def _of_machine(machine: Machine | None) -> dict[str, float]:
    if machine is None:
        return {}
    values = {
        "accel_extruding": machine.accel_mm_s2.value,
        "accel_travel": machine.travel_accel_mm_s2.value,
        "accel_retracting": machine.retract_accel_mm_s2.value,
    }
    for axis in _AXES:
        values[f"speed_{axis}"] = getattr(machine.max_speed_mm_s, axis)
        values[f"accel_{axis}"] = getattr(machine.max_accel_mm_s2, axis)
        values[f"jerk_{axis}"] = getattr(machine.jerk_mm_s, axis)
    return values


def _positive(steps: Track) -> Track:
    """Without the zeros by which a limit is left open."""
    ok = steps.value > 0
    return steps if np.all(ok) else Track(steps.line[ok], steps.value[ok], steps.initial)


Extended = list[tuple[int, dict[str, str]]]


def _velocity_commands(program: Program) -> Extended:
    lines = program.lines
    return extended_commands(lines.data, lines.start, program.odd, b"SET_VELOCITY_LIMIT")


def _cruise_share(velocity: Extended) -> float:
    """The last that the file sets, else what is usual where corners have a speed (common practice)."""
    stated = keyed_track(velocity, "MINIMUM_CRUISE_RATIO").value
    share = float(stated[-1]) if len(stated) else _CRUISE_SHARE
    return share if 0 <= share < 1 else _CRUISE_SHARE


def _commanded(program: Program, velocity: Extended) -> dict[str, Track]:
    """Limits by the file's own commands, keys that it never sets left empty.

    Meanings of the words are common practice, no source: M201 mm/s2, M203 mm/s (mm/min beside M566 and where
    X or Y are above 1000), M205 X Y Z E jerk mm/s and J deviation mm, M566 jerk mm/min.
    """
    states = program.states
    found = {
        "accel_extruding": states.accel,
        "accel_travel": states.travel_accel,
        "accel_retracting": states.retract_accel,
    }
    if len(states.limits):
        commands = Commands(program.words)
        per_minute = _per_minute(commands)
        for axis in _AXES:
            letter = axis.upper()
            found[f"accel_{axis}"] = value_track(commands, "M", 201, letter)
            found[f"speed_{axis}"] = value_track(commands, "M", 203, letter, 1 / 60 if per_minute else 1.0)
            jerk = value_track(commands, "M", 205, letter)
            found[f"jerk_{axis}"] = merge(float("nan"), jerk, value_track(commands, "M", 566, letter, 1 / 60))
        found["deviation"] = value_track(commands, "M", 205, "J")
        found["corner"] = keyed_track(velocity, "SQUARE_CORNER_VELOCITY")
        found["speed_path"] = keyed_track(velocity, "VELOCITY")
    return {key: _positive(steps) for key, steps in found.items()}


def _per_minute(commands: Commands) -> bool:
    if len(commands.lines("M", 566)):
        return True
    lines = commands.lines("M", 203)
    speeds = np.concatenate([commands.words_of(lines, letter) for letter in "XY"])
    return bool(np.any(speeds > _MM_MIN))


def _junction(commanded: dict[str, Track]) -> JunctionKind:
    """How corners are passed: as the file's commands say (the last that says anything), else by jerk."""
    last: list[tuple[int, JunctionKind]] = []
    for kind, keys in _JUNCTION_KEYS.items():
        lines = [
            steps.line[-1] for key in keys if (steps := commanded.get(key)) is not None and len(steps.line)
        ]
        last += [(int(max(lines)), kind)] if lines else []
    return max(last)[1] if last else "jerk"


def _travel_as_printing(tracks: dict[str, Track], origins: dict[str, str]) -> None:
    printing = origins["accel_extruding"]
    if origins["accel_travel"] == COMMON and printing != COMMON:
        tracks["accel_travel"], origins["accel_travel"] = tracks["accel_extruding"], printing


def _give_way(tracks: dict[str, Track], origins: dict[str, str]) -> None:
    """Lift a profile's limits of X and Y to what the file itself asks for."""
    asked = [tracks[key].value.max() for key in _ACCEL_KEYS[:2] if origins[key] == FILE]
    for key in ("accel_x", "accel_y"):
        if asked and origins[key] not in (FILE, SETTINGS) and tracks[key].initial < max(asked):
            tracks[key] = track(np.empty(0, np.int32), np.empty(0), float(max(asked)))

"""Settings blocks in every syntax, and what a start macro says of the nozzle."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gcodetools.gcode.program import Program
from gcodetools.gcode.scan import read_program
from gcodetools.marks import settings
from gcodetools.marks.settings import macro_nozzle
from gcodetools.marks.types import Marks

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]

# Read by eye in the samples.
STATED: dict[str, dict[str, object]] = {
    "A-two-names.gcode": {"layer_height_mm": 0.2, "nozzle_c": 190, "first_nozzle_c": 200, "bed_c": 50},
    "A-vase-crlf.gcode": {"layer_height_mm": 0.35, "nozzle_c": 205, "extrusion_width_mm": 0.47},
    "B-cube.gcode": {
        "filament_diameter_mm": 1.75, "nozzle_diameter_mm": 0.4, "density_g_cm3": 1.27,
        "layer_height_mm": 0.15, "first_layer_height_mm": 0.2, "extrusion_width_mm": 0.45, "nozzle_c": 240,
        "first_nozzle_c": 230, "bed_c": 90, "filament_type": "PETG", "filament_cost": 27.82,
        "min_layer_time_s": 15,
    },
    "B2-fast.gcode": {"nozzle_c": 270, "bed_c": 105, "filament_type": "ABS", "min_layer_time_s": None},
    "C-arcs.gcode": {
        "layer_height_mm": 0.25, "nozzle_c": 220, "first_nozzle_c": 215, "bed_c": 60, "density_g_cm3": 1.24,
        "extrusion_width_mm": 0.5, "min_layer_time_s": 8,
    },
    "D-part.gcode": {
        "layer_height_mm": 0.28, "nozzle_c": 245, "bed_c": 70, "filament_type": "PETG", "filament_cost": 30,
        "min_layer_time_s": 12, "filament_diameter_mm": 1.75,
    },
    "E0-cube.gcode": {"nozzle_c": 210, "bed_c": 60, "layer_height_mm": 0.3, "density_g_cm3": 1.25},
    "E0-tpu.gcode": {"nozzle_c": 220, "bed_c": 50, "filament_type": "TPU", "filament_cost": 46},
    "E1-vase.gcode": {"filament_diameter_mm": 1.75, "nozzle_c": 220, "bed_c": 60, "extrusion_width_mm": 0.5},
    "G-lid-crlf.gcode": {
        "filament_diameter_mm": 1.75, "layer_height_mm": 0.2, "nozzle_c": 210, "bed_c": None,
        "min_layer_time_s": 10, "extrusion_width_mm": 0.375,
    },
    "H-parentheses.gcode": {"filament_diameter_mm": 1.82, "layer_height_mm": 0.27, "extrusion_width_mm": 0.4},
    "I-no-marks.gcode": {"density_g_cm3": None, "nozzle_c": 220, "filament_type": "PLA", "bed_c": 60},
    "J-bare.g": {"nozzle_c": None, "layer_height_mm": None},
}  # fmt: skip


@pytest.mark.parametrize("name", STATED)
def test_a_sample_has_the_settings_that_stand_in_it(sample: Sample, name: str) -> None:
    found = settings.read(*sample(name))
    assert {key: getattr(found, key) for key in STATED[name]} == STATED[name]


def test_machine_limits_are_the_first_of_their_lists(sample: Sample) -> None:
    limits = settings.read(*sample("I-no-marks.gcode")).limits
    assert limits["accel_x"] == 9000  # 9000,1000 in the file
    assert (limits["speed_z"], limits["jerk_e"]) == (12, 2.5)
    assert settings.read(*sample("B-cube.gcode")).limits["accel_travel"] == 2500


def test_raw_values_stay_as_spelled(sample: Sample) -> None:
    raw = settings.read(*sample("D-part.gcode")).raw
    assert raw["accel_to_decel_factor"] == "50%"
    assert raw["max_z_height"] == "19.88"
    assert r"\nG392 S0" in raw["change_filament_gcode"]
    raw = settings.read(*sample("H-parentheses.gcode")).raw
    assert raw["raft Base_Layers_(integer)"] == "1"
    assert raw["craftTypeName"] == "extrusion"
    raw = settings.read(*sample("A-two-names.gcode")).raw
    assert (raw["MINZ"], raw["material_flow"]) == ("0.24", "90")
    assert not raw.keys() & {"TYPE", "LAYER", "MESH", "TIME_ELAPSED"}


def test_a_key_that_stands_twice_counts_first(read: Read) -> None:
    text = ";LAYER_CHANGE\n;TYPE:Perimeter\nG1 X1 E1\n; layer_height = 0.3\n; layer_height = 0.1\n"
    found = settings.read(*read("; layer_height = 0.2\n" + text))
    assert (found.layer_height_mm, found.raw) == (0.2, {"layer_height": "0.2"})


@pytest.mark.parametrize("value", ["0", "110%", "nil", "", "=a / 2", "auto 0.4"])
def test_what_is_no_number_is_not_stated(read: Read, value: str) -> None:
    found = settings.read(*read(f"G1 X1 E1\n; layer_height = 0.2\n; extrusion_width = {value}\n"))
    assert found.extrusion_width_mm is None


def test_setpoints_that_belong_together(read: Read) -> None:
    text = (
        ";   temperatureSetpointCount,2,1\n;   temperatureSetpointTemperatures,215,205,60\n"
        ";   temperatureHeatedBed,0,1\n; layer 1, Z = 0.2\n; infill\nG1 X1 E1\n"
    )
    found = settings.read(*read(text))
    assert (found.first_nozzle_c, found.nozzle_c, found.bed_c) == (215, 205, 60)
    odd = settings.read(*read(text.replace("2,1", "3,1")))
    assert (odd.nozzle_c, odd.bed_c) == (None, None)


def test_json_in_pieces_that_is_broken_is_no_settings(read: Read) -> None:
    found = settings.read(*read(';LAYER:0\nG1 X1 E1\n;SETTING_3 {"global_quality": "[general]\n'))
    assert found.nozzle_c is None


def test_a_dotted_header(read: Read) -> None:
    found = settings.read(*read(
        ";START_OF_HEADER\n;EXTRUDER_TRAIN.0.INITIAL_TEMPERATURE:215\n;BUILD_PLATE.INITIAL_TEMPERATURE:60\n"
        ";EXTRUDER_TRAIN.0.NOZZLE.DIAMETER:0.4\n;END_OF_HEADER\n"
    ))  # fmt: skip
    assert (found.nozzle_c, found.bed_c, found.nozzle_diameter_mm) == (215, 60, 0.4)


@pytest.mark.parametrize(
    ("name", "nozzle"),
    [
        ("B-two-objects.gcode", 215),  # print_start EXTRUDER=215 BED=60
        ("B2-fast.gcode", 270),  # print_start EXT_TEMP=270 ...
        ("A-vase-crlf.gcode", 205),  # ... VARIABLE=extruder_temp VALUE=205
        ("C-arcs.gcode", 215),
        ("B-cube.gcode", None),
        ("D-part.gcode", None),
        ("J-bare.g", None),
    ],
)
def test_the_nozzle_of_a_samples_start_macro(sample: Sample, name: str, nozzle: float | None) -> None:
    program, marks = sample(name)
    before = int(marks.layer_line[0]) if len(marks.layer_line) else 10
    assert macro_nozzle(program, before) == nozzle


@pytest.mark.parametrize(
    ("line", "nozzle"),
    [
        ("print_start EXTRUDER=215 BED=60", 215),
        ("_PRINT_START TEMP=230.5", 230.5),
        ("START_PRINT BED_TEMP=110 HOTEND_TEMP=240", 240),
        ("start_print bed=110 hotend=240 ; hot", 240),
        ("START_PRINT NOZZLE=0.4 NOZZLE_TEMP=225", 225),
        ("PRINT_START BED_TEMP=110", None),
        ("PRINT_START CHAMBER_TEMP=120", None),
        ("PRINT_START EXTRUDER=1", None),
        ("; print_start EXTRUDER=215", None),
        ("print_start BED=60 ; EXTRUDER=215", None),
        ("print_start EXTRUDER=[first_layer_temperature]", None),
        ("M104 S215", None),
        ("SET_PRESSURE_ADVANCE ADVANCE=0.025", None),
    ],
)
def test_the_words_of_a_start_macro(line: str, nozzle: float | None) -> None:
    program = read_program(f"G28\n{line}\nG1 X1 E1\nPRINT_START EXTRUDER=199\n".encode(), "a")
    assert macro_nozzle(program, 2) == nozzle


def test_the_last_macro_before_the_line_counts() -> None:
    program = read_program(b"HEAT EXTRUDER=150\nHEAT EXTRUDER=215\nG1 X1 E1\n", "a")
    assert macro_nozzle(program, 2) == 215
    assert macro_nozzle(program, 1) == 150
    assert macro_nozzle(program, 0) is None

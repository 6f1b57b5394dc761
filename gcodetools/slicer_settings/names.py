"""Our own names of what a slicer's settings say: trade words, one a thing, each with its unit.

The tables under `profiles/settings` say by which key each convention states them.
"""

from __future__ import annotations

from typing import Literal

from gcodetools.records import dataclass

__all__ = ["ACCELS", "BEAD_SPEEDS", "NAMES", "WIDTHS", "Name"]

Unit = Literal[
    "C", "mm", "mm/s", "mm/s2", "mm3/s", "s", "share", "ratio", "count", "flag", "text", "g/cm3", "per kg"
]


@dataclass(frozen=True, slots=True)
class Name:
    """What a name means.

    unit : of its value; `share` is a fraction that is printed as a percentage, `ratio` a factor. open_at_zero : a 0
    leaves it to another setting, or means no limit. whole : every sample states whole numbers (of percent, for a
    share), so that whole numbers are written.
    """

    unit: Unit
    about: str
    open_at_zero: bool = False
    whole: bool = False


def _speed(about: str) -> Name:
    return Name("mm/s", about, open_at_zero=True)


def _accel(about: str) -> Name:
    return Name("mm/s2", about, open_at_zero=True, whole=True)


def _width(about: str) -> Name:
    return Name("mm", about, open_at_zero=True)


def _fan(about: str) -> Name:
    return Name("share", about, whole=True)


_HEAT = {
    "nozzle_c": Name("C", "nozzle", open_at_zero=True, whole=True),
    "first_nozzle_c": Name("C", "nozzle on the first layer", open_at_zero=True, whole=True),
    "nozzle_low_c": Name("C", "the filament's own lowest nozzle temperature", open_at_zero=True),
    "nozzle_high_c": Name("C", "the filament's own highest nozzle temperature", open_at_zero=True),
    "bed_c": Name("C", "bed", whole=True),
    "first_bed_c": Name("C", "bed on the first layer", whole=True),
    "chamber_c": Name("C", "chamber"),
}
_FAN = {
    "fan_min": _fan("part fan, least"),
    "fan_max": _fan("part fan, most"),
    "bridge_fan": _fan("part fan on bridges"),
    "overhang_fan": _fan("part fan on overhangs"),
    "outer_fan": _fan("part fan on the outermost perimeter"),
    "top_fan": _fan("part fan on top surfaces"),
    "loops_fan": _fan("part fan on perimeters"),
    "inside_fan": _fan("part fan inside"),
    "fast_fan": _fan("part fan on fast layers"),
    "fan_off_layers": Name("count", "first layers without fan", whole=True),
    "fan_full_layer": Name("count", "layer from which the fan is whole", whole=True),
    "fan_always": Name("flag", "fan also on slow layers"),
    "fan_below_s": Name("s", "layer time below which the fan speeds up"),
    "auto_cooling": Name("flag", "slows beads down on fast layers"),
    "min_layer_time_s": Name("s", "least time of a layer"),
    "min_speed_mm_s": _speed("slowest that cooling slows down to"),
}
_SHAPE = {
    "layer_height_mm": Name("mm", "layer height", open_at_zero=True),
    "first_layer_height_mm": Name("mm", "height of the first layer", open_at_zero=True),
    "layer_height_low_mm": Name("mm", "the tool's own lowest layer", open_at_zero=True),
    "layer_height_high_mm": Name("mm", "the tool's own highest layer", open_at_zero=True),
    "nozzle_diameter_mm": Name("mm", "nozzle diameter", open_at_zero=True),
    "width_mm": _width("width of beads"),
    "width_outer_mm": _width("width of the outermost perimeter"),
    "width_perimeter_mm": _width("width of inner perimeters"),
    "width_infill_mm": _width("width of sparse fill"),
    "width_solid_mm": _width("width of solid fill"),
    "width_top_mm": _width("width on top surfaces"),
    "width_first_mm": _width("width on the first layer"),
    "perimeters": Name("count", "perimeters", whole=True),
    "shell_mm": Name("mm", "thickness of walls"),
    "top_layers": Name("count", "solid layers on top", whole=True),
    "bottom_layers": Name("count", "solid layers at the bottom", whole=True),
    "infill_density": Name("share", "density of fill"),
    "infill_pattern": Name("text", "pattern of fill"),
    "gap_fill": Name("flag", "fills gaps between perimeters"),
    "thin_walls": Name("flag", "single beads for thin walls"),
    "outer_first": Name("flag", "outermost perimeter first"),
    "size_compensation_mm": Name("mm", "outward move of outlines, each side"),
    "hole_compensation_mm": Name("mm", "move of the edges of holes, each side"),
    "first_layer_inset_mm": Name("mm", "the first layer is that much smaller, each side"),
    "first_layer_compensation_mm": Name("mm", "outward move of the first layer's outline, each side"),
    "supports": Name("flag", "supports"),
    "raft_layers": Name("count", "layers of raft", whole=True),
    "spiral": Name("flag", "spiral: one perimeter that climbs"),
}
_SPEED = {
    "speed_mm_s": _speed("beads without a speed of their own"),
    "speed_walls_mm_s": _speed("perimeters without a speed of their own"),
    "speed_outer_mm_s": _speed("outermost perimeter"),
    "speed_perimeter_mm_s": _speed("inner perimeters"),
    "speed_small_mm_s": _speed("small perimeters"),
    "speed_overhang_mm_s": _speed("overhangs"),
    "speed_thin_mm_s": _speed("thin walls"),
    "speed_infill_mm_s": _speed("sparse fill"),
    "speed_solid_mm_s": _speed("solid fill"),
    "speed_top_mm_s": _speed("top surfaces"),
    "speed_bridge_mm_s": _speed("bridges"),
    "speed_inner_bridge_mm_s": _speed("bridges inside"),
    "speed_gap_mm_s": _speed("gaps"),
    "speed_first_mm_s": _speed("first layer"),
    "speed_first_infill_mm_s": _speed("fill of the first layer"),
    "speed_support_mm_s": _speed("supports"),
    "speed_skirt_mm_s": _speed("skirt and brim"),
    "speed_travel_mm_s": _speed("travel"),
    "speed_highest_mm_s": _speed("highest where the slicer chooses"),
    "first_speed_ratio": Name("ratio", "speed of the first layer over that of others"),
}
_ACCEL = {
    "accel_mm_s2": _accel("where none of its own is stated"),
    "accel_outer_mm_s2": _accel("outermost perimeter"),
    "accel_perimeter_mm_s2": _accel("inner perimeters"),
    "accel_infill_mm_s2": _accel("sparse fill"),
    "accel_solid_mm_s2": _accel("solid fill"),
    "accel_top_mm_s2": _accel("top surfaces"),
    "accel_bridge_mm_s2": _accel("bridges"),
    "accel_first_mm_s2": _accel("first layer"),
    "accel_travel_mm_s2": _accel("travel"),
}
_OF_AXES: tuple[tuple[str, str, Unit], ...] = (
    ("speed", "highest speed", "mm/s"),
    ("accel", "highest acceleration", "mm/s2"),
    ("jerk", "jerk", "mm/s"),
)
_LIMITS = {
    f"limit_{what}_{axis}_{unit.replace('/', '_')}": Name(
        unit, f"{words} of the machine, {axis.upper()}", True
    )
    for what, words, unit in _OF_AXES
    for axis in "xyze"
}
_MORE_LIMITS = {
    f"limit_accel_{what}_mm_s2": _accel(f"highest acceleration of the machine, {what}")
    for what in ("extruding", "retracting", "travel")
}
_PLASTIC = {
    "flow": Name("ratio", "plastic per length, over what the width asks"),
    "flow_print": Name("ratio", "the same again, from the print's settings"),
    "flow_first": Name("ratio", "the same again, on the first layer"),
    "flow_bridge": Name("ratio", "the same again, on bridges"),
    "plastic": Name("ratio", "plastic a second, in proportion to the speed"),
    "plastic_outer": Name("ratio", "the same, on the outermost perimeter"),
    "plastic_bridge": Name("ratio", "the same, on bridges"),
    "max_flow_mm3_s": Name("mm3/s", "most plastic a second, of the filament", open_at_zero=True),
    "max_flow_print_mm3_s": Name("mm3/s", "most plastic a second, of the print", open_at_zero=True),
    "filament_diameter_mm": Name("mm", "filament diameter", open_at_zero=True),
    "density_g_cm3": Name("g/cm3", "density of the filament", open_at_zero=True),
    "filament_cost": Name("per kg", "price of the filament", open_at_zero=True),
    "filament_type": Name("text", "kind of filament"),
    "retraction_mm": Name("mm", "retraction"),
    "retraction_speed_mm_s": _speed("retraction"),
    "lift_mm": Name("mm", "lift on travel"),
}
_FILE = {
    "objects_labelled": Name("flag", "objects are labelled"),
    "arcs": Name("flag", "round walls as arcs"),
    "relative_e": Name("flag", "E is relative"),
    "volumetric_e": Name("flag", "E is a volume"),
    "line_numbers": Name("flag", "lines are numbered"),
    "firmware_retraction": Name("flag", "the firmware retracts"),
    "by_object": Name("flag", "object after object"),
    "bed_shape": Name("text", "corners of the bed"),
    "bed_x_mm": Name("mm", "bed, X"),
    "bed_y_mm": Name("mm", "bed, Y"),
    "height_limit_mm": Name("mm", "highest print", open_at_zero=True),
    "plate": Name("text", "kind of bed plate"),
}

NAMES: dict[str, Name] = {
    **_HEAT, **_FAN, **_SHAPE, **_SPEED, **_ACCEL, **_PLASTIC, **_FILE, **_LIMITS, **_MORE_LIMITS,
}  # fmt: skip

# Speeds of the part's own beads; support, skirt, travel are none of them.
BEAD_SPEEDS = tuple(
    name
    for name in _SPEED
    if name.startswith("speed_") and name.split("_")[1] not in ("support", "skirt", "travel", "highest")
)
ACCELS = tuple(name for name in _ACCEL if name != "accel_travel_mm_s2")
WIDTHS = tuple(name for name in _SHAPE if name.startswith("width"))

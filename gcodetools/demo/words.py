"""What the conventions call features and settings: own word -> theirs, or their key -> ours."""

from __future__ import annotations

__all__ = [
    "CAMEL_KEYS",
    "FILLS",
    "INTERNAL",
    "LOWER",
    "MARKUP",
    "MARKUP_END",
    "PLAIN_KEYS",
    "QUOTED",
    "SENTENCE",
    "UPPER",
    "WALLS",
    "WALL_KEYS",
]

# Own words: outermost perimeter overhang gap bridge bottom solid top sparse skirt other.
SENTENCE = {
    "outermost": "External perimeter", "perimeter": "Perimeter", "overhang": "Overhang perimeter",
    "gap": "Solid infill", "bridge": "Bridge infill", "bottom": "Solid infill", "solid": "Solid infill",
    "top": "Top solid infill", "sparse": "Internal infill", "skirt": "Skirt/Brim", "other": "Custom",
}  # fmt: skip
INTERNAL = {**SENTENCE, "perimeter": "Internal perimeter", "gap": "Gap fill", "skirt": "Skirt"}
WALLS = {
    "outermost": "Outer wall", "perimeter": "Inner wall", "overhang": "Overhang wall", "gap": "Gap infill",
    "bridge": "Bridge", "bottom": "Bottom surface", "solid": "Internal solid infill", "top": "Top surface",
    "sparse": "Sparse infill", "skirt": "Skirt", "other": "Custom",
}  # fmt: skip
UPPER = {
    "outermost": "WALL-OUTER", "perimeter": "WALL-INNER", "overhang": "WALL-OUTER", "gap": "FILL",
    "bridge": "SKIN", "bottom": "SKIN", "solid": "SKIN", "top": "SKIN", "sparse": "FILL", "skirt": "SKIRT",
}  # fmt: skip
LOWER = {
    "outermost": "outer perimeter", "perimeter": "inner perimeter", "overhang": "outer perimeter",
    "gap": "gap fill", "bridge": "bridge", "bottom": "solid layer", "solid": "solid layer",
    "top": "solid layer", "sparse": "infill", "skirt": "skirt",
}  # fmt: skip
QUOTED = {
    "outermost": "Perimeter Path", "perimeter": "Loop Path", "overhang": "Perimeter Path",
    "gap": "Crown Path", "bridge": "Solid Path", "bottom": "Solid Path", "solid": "Solid Path",
    "top": "Solid Path", "sparse": "Sparse Infill Path", "skirt": "Skirt Path",
}  # fmt: skip
FILLS = ("gap", "bridge", "bottom", "solid", "top", "sparse")
MARKUP = {
    "outermost": "(<edge> {side} )", "overhang": "(<edge> {side} )", "perimeter": "(<loop> {side} )",
    **dict.fromkeys(FILLS, "(<infill>)"),
}  # fmt: skip
MARKUP_END: dict[str, tuple[str, ...]] = {
    "outermost": ("(</edge>)",), "overhang": ("(</edge>)",), "perimeter": ("(</loop>)",),
    **dict.fromkeys(FILLS, ("(</infill>)",)),
}  # fmt: skip

PLAIN_KEYS = {
    "layer_height": "layer_height", "first_layer_height": "first_layer_height",
    "nozzle_diameter": "nozzle_diameter", "filament_diameter": "filament_diameter",
    "filament_density": "filament_density", "filament_type": "filament_type", "temperature": "nozzle_c",
    "first_layer_temperature": "nozzle_c", "bed_temperature": "bed_c", "perimeters": "perimeters",
    "fill_density": "fill_density", "use_relative_e_distances": "relative", "filament_cost": "price",
}  # fmt: skip
WALL_KEYS = {
    "layer_height": "layer_height", "initial_layer_print_height": "first_layer_height",
    "nozzle_diameter": "nozzle_diameter", "filament_diameter": "filament_diameter",
    "filament_density": "filament_density", "filament_type": "filament_type",
    "nozzle_temperature": "nozzle_c", "nozzle_temperature_initial_layer": "nozzle_c",
    "hot_plate_temp": "bed_c", "wall_loops": "perimeters",
    "sparse_infill_density": "fill_density", "use_relative_e_distances": "relative", "filament_cost": "price",
}  # fmt: skip
CAMEL_KEYS = {
    "layerHeight": "layer_height", "extruderDiameter": "nozzle_diameter",
    "filamentDiameter": "filament_diameter", "filamentDensity": "filament_density",
    "printMaterial": "filament_type", "temperatureSetpointTemperatures": "nozzle_and_bed_c",
    "perimeterOutlines": "perimeters", "infillPercentage": "fill_number", "relativeEdistances": "relative",
    "filamentPricePerKg": "price",
}  # fmt: skip

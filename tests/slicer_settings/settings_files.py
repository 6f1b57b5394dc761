"""Files of settings for the tests, in the three forms, and the profiles they make."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from gcodetools.documents.profiles import Machine, Material, load_machine, load_material
from gcodetools.kit.schema import Region
from gcodetools.kit.settings import Treatment
from gcodetools.slicer_settings.carrier import Carrier
from gcodetools.slicer_settings.document import Document
from gcodetools.slicer_settings.opening import open_settings, read_settings
from gcodetools.slicer_settings.readings import Profile, read_profile
from gcodetools.slicer_settings.tables import table_of

# Settings of convention B, made up.
PLAIN = {
    "temperature": "230", "first_layer_temperature": "235", "bed_temperature": "80", "min_fan_speed": "30",
    "max_fan_speed": "50", "bridge_fan_speed": "100", "disable_fan_first_layers": "3", "cooling": "1",
    "slowdown_below_layer_time": "12", "layer_height": "0.2", "first_layer_height": "0.2", "nozzle_diameter": "0.4",
    "extrusion_width": "0.45", "external_perimeter_extrusion_width": "0.45", "perimeter_extrusion_width": "0.45",
    "infill_extrusion_width": "0.45", "perimeters": "2", "fill_density": "15%", "spiral_vase": "0",
    "external_perimeter_speed": "30", "perimeter_speed": "45", "small_perimeter_speed": "50%", "infill_speed": "60",
    "first_layer_speed": "20.0", "travel_speed": "150", "default_acceleration": "1000", "infill_acceleration": "1500",
    "solid_infill_acceleration": "0", "perimeter_acceleration": "900", "extrusion_multiplier": "0.98",
    "filament_max_volumetric_speed": "0", "filament_diameter": "1.75", "filament_density": "1.27",
    "filament_type": "PETG",
    "xy_size_compensation": "0", "gcode_label_objects": "1", "perimeter_generator": "some",
}  # fmt: skip


def ini(**changed: str | None) -> bytes:
    """PLAIN as an INI file, with some keys changed, or left out (None)."""
    settings = {key: value for key, value in (PLAIN | changed).items() if value is not None}
    return "".join(f"{key} = {value}\n" for key, value in settings.items()).encode()


def profile_of(
    data: bytes, letter: str | None = None, section: str | None = None, name: str = "x.ini"
) -> Profile:
    """The profile of a file; convention B unless told."""
    document = read_settings(data, name)
    return read_profile(document, table_of(letter or document.letter or "B"), section)


def carrier(
    data: bytes,
    treatment: Treatment,
    *,
    letter: str | None = None,
    material: str | Material = "petg",
    machine: str | Machine | None = "desktop-250",
    region: Region | None = None,
    tool: int | None = None,
    section: str | None = None,
) -> Carrier:
    """What is needed to carry a treatment into a file."""
    plastic = load_material(material) if isinstance(material, str) else material
    printer = load_machine(machine) if isinstance(machine, str) else machine
    return Carrier(profile_of(data, letter, section), treatment, plastic, printer, 240.0, region, False, tool)


@cache
def sample_document(path: Path) -> Document:
    """The settings in a sample, read once."""
    return open_settings(path)


def sample_profile(path: Path) -> Profile:
    """A sample by the table of its letter."""
    document = sample_document(path)
    assert document.letter is not None
    return read_profile(document, table_of(document.letter))

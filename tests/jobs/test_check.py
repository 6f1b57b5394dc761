"""`check` warns of what `apply` would refuse or cut short, as far as a kit alone can tell."""

from __future__ import annotations

import pytest

from gcodetools.documents import profiles
from gcodetools.jobs.check import checked
from gcodetools.kit.schema import kit_from_bytes

KIT = """
beadwright: 1
kit: t
{head}
parts:
  bar:
    found_by: {{outline: [[[-10, -2], [10, -2], [10, 2], [-10, 2]]], height: 6}}
    regions:
      zone: {{within: {within}, treat: {treat}}}
"""


def warnings(treat: str, head: str = "", within: str = "all") -> list[str]:
    text = KIT.format(treat=treat, head=head, within=within)
    return checked(kit_from_bytes(text.encode(), "t.kit.yaml"))[1]


def test_a_nozzle_beyond_the_materials_range() -> None:
    high = profiles.load_material("pla").nozzle_c.high
    head = "material: pla\nmachine: desktop-220"
    assert warnings(f"{{nozzle: {{set: {high:g}}}}}", head) == []
    (found,) = warnings(f"{{nozzle: {{set: {high + 1:g}}}}}", head)
    assert found.startswith(f"bar/zone: nozzle {high + 1:g} C, allowed are ")
    assert found.endswith("(material pla); `apply` refuses it")


def test_a_nozzle_too_cold_for_the_material() -> None:
    (found,) = warnings("{nozzle: {set: 100}}", "material: petg")
    assert "nozzle 100 C, allowed are " in found and "(material petg)" in found


def test_a_nozzle_beyond_the_machine_or_an_unknown_hotend() -> None:
    limit = profiles.load_machine("desktop-220").hotend_max_c.value
    (found,) = warnings(f"{{nozzle: {{set: {limit + 1:g}}}}}", "machine: desktop-220")
    assert f"to {limit:g} C (machine desktop-220)" in found
    (found,) = warnings("{nozzle: {set: 241}}")
    assert "allowed are 0 to 240 C (no machine named; more only if the file itself prints hotter)" in found


def test_a_step_counts_from_the_kits_base_and_from_nothing_else() -> None:
    head = "material: pla\nmachine: desktop-220"
    (found,) = warnings("{nozzle: {add: 60}}", head + "\nbase: {nozzle: 215}")
    assert found.startswith("bar/zone: nozzle +60 C makes 275 C of the kit's base, allowed are ")
    assert warnings("{nozzle: {add: 60}}", head) == []


def test_a_nozzle_past_the_measured_peak() -> None:
    known = [profiles.load_material(name) for name in profiles.names("materials")]
    material = next(m for m in known if m.measured_peak_c and m.measured_peak_c.value < m.nozzle_c.high)
    peak = material.measured_peak_c
    assert peak is not None
    machine = next(
        name
        for name in profiles.names("machines")
        if profiles.load_machine(name).hotend_max_c.value > peak.value
    )
    head = f"material: {material.name}\nmachine: {machine}"
    assert warnings(f"{{nozzle: {{set: {peak.value:g}}}}}", head) == []
    (found,) = warnings(f"{{nozzle: {{set: {peak.value + 1:g}}}}}", head)
    assert f"done only up to the measured peak of {peak.value:g} C" in found


@pytest.mark.parametrize("within", ["{slab: {z: [6, 9]}}", "{box: {x: [12, 40]}}"])
def test_a_solid_outside_the_part(within: str) -> None:
    (found,) = warnings("{fan: {cap: 25%}}", within=within)
    assert found.startswith("bar/zone: the ")


def test_a_material_named_on_the_command_line_comes_before_the_kit_s():
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: t\nmaterial: petg\nparts:\n  thing:\n    found_by: {label: t}\n"
        b"    regions: {all: {within: all, treat: {nozzle: {set: 240}}}}\n",
        "t.kit.yaml",
    )
    assert not any("240" in text for text in checked(kit)[1])
    record, told = checked(kit, material_name="pla")
    assert record["material"] == "pla" and any("240" in text and "pla" in text for text in told)

"""Makes the demo's plates: honest sliced G-code of the Hoophouse in any comment convention, and the truth.

    made = make(convention="C", arcs=True)
    made.data                      # the file
    made.truth.length_mm["sparse"]  # what is in it

The same arguments always make the same bytes. Test and demo equipment: PETG at 230 C, layers of 0.2 mm, a
0.4 mm nozzle, a bed of 220 mm, the part fan off on three layers and at 40 % above them, 100 % on bridges.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from shapely import MultiPoint, Polygon, affinity

from gcodetools.demo.plates import BED_MM, InstanceTruth, Made, Placement, Truth, hoophouse_plate
from gcodetools.demo.printing import (
    BED_C,
    DENSITY_G_CM3,
    FILAMENT_AREA,
    FILAMENT_MM,
    NOZZLE_C,
    PRICE_PER_KG,
    PRIME_MM,
    Instance,
    Options,
)
from gcodetools.demo.shapes import Part, part_named
from gcodetools.demo.slicing import LayerPlan, Path, Recipe, inset, plan, polygons
from gcodetools.demo.voices import SPENT, VOICES, Voice
from gcodetools.demo.writer import Writer

__all__ = [
    "BED_MM",
    "CONVENTIONS",
    "InstanceTruth",
    "Made",
    "Placement",
    "Truth",
    "hoophouse_plate",
    "make",
    "make_plate",
]

CONVENTIONS = tuple(VOICES)
SKIRT_AWAY_MM = 4.0
GRAMS_A_POUND = 453.59237


def make_plate(convention: str = "B", **options: object) -> bytes:
    """The bytes of `make`, same arguments."""
    return make(convention, **options).data  # type: ignore[arg-type]


def make(
    convention: str = "B",
    *,
    labelled: bool = True,
    relative_e: bool | None = None,
    sequential: bool = False,
    arcs: bool = False,
    newline: str = "\n",
    parts: Sequence[Placement] | None = None,
    recipe: Recipe | None = None,
    firmware_retraction: bool = False,
    object_commands: str | None = None,
    macro_start: bool = False,
) -> Made:
    """Make a plate.

    Parameters
    ----------
    convention : a letter of CONVENTIONS.
    labelled : with the convention's object labels, where it has any.
    relative_e : None is the convention's habit.
    sequential : one object after the other, z falling back in between.
    arcs : round walls as G2 and G3.
    newline : line end. parts : what to print; None is `hoophouse_plate`.
    firmware_retraction : G10 and G11 in place of E. object_commands : "exclude", "m486", "" (none) or None,
    the convention's habit. macro_start : temperatures are set by a start macro's words, not by M104.

    Raises
    ------
    KeyError
        If the convention or a part has no such name.
    """
    voice = VOICES[convention]
    recipe = recipe or Recipe()
    commands = voice.commands if object_commands is None else object_commands
    options = Options(
        voice=voice, relative=voice.relative if relative_e is None else relative_e,
        labelled=labelled and bool(voice.object_on or commands), arcs=arcs,
        firmware_retraction=firmware_retraction, commands=commands if labelled else "",
        e_decimals=4 if voice.reset else 5, layer_mm=recipe.layer_mm, macro_start=macro_start,
    )  # fmt: skip
    plate = _Plate(parts if parts is not None else hoophouse_plate(), recipe)
    layers = sum(plate.counts) if sequential else max(plate.counts)
    writer = Writer(options, layers)
    _start(writer, plate)
    (_one_by_one if sequential else _layer_by_layer)(writer, plate)
    writer.end()
    totals = _totals(writer, plate, layers)
    lines = [
        *_filled(voice.header, totals),
        *(_settings(voice, totals) if voice.settings_first else ()),
        *writer.lines,
    ]
    lines += _filled(voice.footer, totals)
    lines += () if voice.settings_first else _settings(voice, totals)
    data = (newline.join(lines) + newline).encode()
    return Made(data, _truth(convention, writer, plate, totals))


class _Plate:
    """Instances with their planned layers."""

    def __init__(self, placements: Sequence[Placement], recipe: Recipe) -> None:
        self.recipe = recipe
        self.plans: list[list[LayerPlan]] = []
        self.instances: list[Instance] = []
        self.heights: list[float] = []
        self.names: list[str] = []
        known: dict[tuple[int, float], list[LayerPlan]] = {}
        for placement in placements:
            part = part_named(placement.part) if isinstance(placement.part, str) else placement.part
            key = (id(part), placement.scale)
            if key not in known:
                known[key] = plan(_scaled(part, placement.scale), recipe)
            self.plans.append(known[key])
            self.heights.append(part.height_mm * placement.scale)
            if part.name not in self.names:
                self.names.append(part.name)
            copy = sum(one.name == part.name for one in self.instances)
            self.instances.append(
                Instance(len(self.instances), part.name, self.names.index(part.name), copy, placement.x_mm,
                         placement.y_mm, placement.turn_deg, placement.mirrored, placement.scale)
            )  # fmt: skip

    @property
    def counts(self) -> list[int]:
        return [len(layers) for layers in self.plans]

    def outline(self, index: int) -> Polygon:
        """Hull of an instance's first layer on the bed."""
        rings = [np.asarray(p.exterior.coords) for p in polygons(self.plans[index][0].section)]
        return MultiPoint(self.instances[index].place(np.vstack(rings))).convex_hull


def _scaled(part: Part, scale: float) -> Part:
    if scale == 1.0:
        return part
    return replace(
        part,
        height_mm=part.height_mm * scale,
        section=lambda z: affinity.scale(part.section(z / scale), scale, scale, origin=(0, 0)),
        seam=(part.seam[0] * scale, part.seam[1] * scale),
    )


def _start(writer: Writer, plate: _Plate) -> None:
    writer.start()
    for index, instance in enumerate(plate.instances):
        if writer.options.labelled:
            corners = np.round(np.asarray(plate.outline(index).exterior.coords)[:-1], 3).tolist()
            writer.define(instance, json.dumps(corners, separators=(",", ":")))
    writer.say(writer.voice.started, layers=writer.layers)


def _layer_by_layer(writer: Writer, plate: _Plate) -> None:
    for k in range(max(plate.counts)):
        writer.begin_layer((k + 1) * plate.recipe.layer_mm, k)
        if k == 0:
            _skirt(writer, plate)
        for layers, instance in zip(plate.plans, plate.instances, strict=True):
            if k < len(layers):
                _object_layer(writer, layers[k], instance)
        writer.end_layer()


def _one_by_one(writer: Writer, plate: _Plate) -> None:
    clear = max(plate.heights) + 5.0
    for layers, instance in zip(plate.plans, plate.instances, strict=True):
        if instance.index:
            writer.retract()
            writer.lift_to(clear, "lift")
        for k, layer in enumerate(layers):
            if k == 0 and instance.index:
                first = layer.paths[0].points[:1]
                x, y = instance.place(first)[0].round(3).tolist()
                writer.target_z = clear
                writer.glide(x, y)
            writer.begin_layer((k + 1) * plate.recipe.layer_mm, k)
            if k == 0 and not instance.index:
                _skirt(writer, plate)
            _object_layer(writer, layer, instance)
            writer.end_layer()


def _object_layer(writer: Writer, layer: LayerPlan, instance: Instance) -> None:
    writer.begin_object(instance)
    for path in layer.paths:
        writer.path(path, instance)
    writer.end_object(instance)


def _skirt(writer: Writer, plate: _Plate) -> None:
    """Two loops around everything."""
    hulls = [np.asarray(plate.outline(n).exterior.coords) for n in range(len(plate.instances))]
    hull = MultiPoint(np.vstack(hulls)).convex_hull
    for n in (1, 0):
        away = SKIRT_AWAY_MM + n * plate.recipe.spacing_mm
        loop = np.asarray(inset(hull, -away).exterior.coords)
        writer.path(Path("skirt", loop, plate.recipe.width_mm), None)


def spent_lines(stated_mm: float, seconds: float, first_s: float) -> list[str]:
    """Convention B's lines of filament and time."""
    return _filled(SPENT, _spent(stated_mm, seconds, first_s))


def _spent(stated_mm: float, seconds: float, first_s: float) -> dict[str, object]:
    """Filament and time in all the units that conventions state them in."""
    volume = stated_mm * FILAMENT_AREA
    grams = volume * DENSITY_G_CM3 / 1000
    return {
        "total_mm": stated_mm,
        "total_m": stated_mm / 1000,
        "total_mm3": volume,
        "total_cm3": volume / 1000,
        "total_g": grams,
        "total_lb": grams / GRAMS_A_POUND,
        "cost": grams * PRICE_PER_KG / 1000,
        "time_s": seconds,
        "time": _clock(seconds),
        "time_min": seconds / 60,
        "first_time": _clock(first_s),
        "hours": int(seconds // 3600),
        "minutes": int(seconds % 3600 // 60),
    }


def _totals(writer: Writer, plate: _Plate, layers: int) -> dict[str, object]:
    """Everything that headers, footers and settings may name."""
    tally, options = writer.tally, writer.options
    beads = sum(tally.filament_mm.values())
    meanings = {"beads": beads, "start": beads + PRIME_MM, "nozzle": tally.highest_mm, "net": tally.net_mm}
    boxes = np.array([plate.outline(n).bounds for n in range(len(plate.instances))])
    fields = {
        **_spent(meanings[writer.voice.total], tally.time_s, tally.layer_time_s[0]),
        "layers": layers,
        "h": options.layer_mm,
        "density": DENSITY_G_CM3,
        "max_z": max(tally.layer_z),
        "part_names": ",".join(plate.names),
        "label_ids": ",".join(str(one.fields["label_id"]) for one in plate.instances),
        "min_x": float(boxes[:, 0].min()),
        "min_y": float(boxes[:, 1].min()),
        "max_x": float(boxes[:, 2].max()),
        "max_y": float(boxes[:, 3].max()),
        "layer_height": options.layer_mm,
        "first_layer_height": options.layer_mm,
        "nozzle_diameter": 0.4,
        "filament_diameter": FILAMENT_MM,
        "filament_density": DENSITY_G_CM3,
        "filament_type": "PETG",
        "nozzle_c": NOZZLE_C,
        "bed_c": BED_C,
        "nozzle_and_bed_c": f"{NOZZLE_C},{BED_C}",
        "perimeters": plate.recipe.perimeters,
        "fill_density": f"{plate.recipe.density:.0%}",
        "fill_number": round(plate.recipe.density * 100),
        "width": plate.recipe.width_mm,
        "relative": int(options.relative),
        "absolute": not options.relative,
        "price": PRICE_PER_KG,
    }
    values = f"layer_height = {options.layer_mm}\\nmaterial_print_temperature = {NOZZLE_C}\\n"
    values += f"material_diameter = {FILAMENT_MM}\\nwall_line_count = {plate.recipe.perimeters}\\n"
    fields["json"] = json.dumps({"global_quality": "[values]\\n" + values})
    return fields


def _filled(templates: Sequence[str], fields: dict[str, object]) -> list[str]:
    return [template.format(**fields) for template in templates]


def _settings(voice: Voice, fields: dict[str, object]) -> list[str]:
    """The settings block, its lines broken where the convention breaks them."""
    head, tail = voice.settings_frame
    if voice.setting.startswith(";SETTING_3"):
        text = str(fields["json"])
        return [voice.setting.format(value=text[at : at + 68]) for at in range(0, len(text), 68)]
    rows = [voice.setting.format(key=key, value=fields[own]) for key, own in voice.settings.items()]
    return [*head, *rows, *tail]


def _clock(seconds: float) -> str:
    """`1h 2m 3s`, leading zeros left out."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    words = [f"{hours}h"] if hours else []
    words += [f"{rest // 60}m"] if whole >= 60 else []
    return " ".join([*words, f"{rest % 60}s"])


def _truth(convention: str, writer: Writer, plate: _Plate, totals: dict[str, object]) -> Truth:
    tally = writer.tally
    beads = sum(tally.filament_mm.values())
    labelled = writer.options.labelled
    instances = tuple(
        InstanceTruth(
            part=one.name,
            copy=one.copy,
            label=f"{one.name}.stl" if labelled else "",
            x_mm=one.x_mm,
            y_mm=one.y_mm,
            turn_deg=one.turn_deg,
            mirrored=one.mirrored,
            scale=one.scale,
            layers=len(layers),
            height_mm=height,
        )
        for one, layers, height in zip(plate.instances, plate.plans, plate.heights, strict=True)
    )
    return Truth(
        convention=convention,
        relative_e=writer.options.relative,
        layers=writer.layers,
        layer_z=tuple(tally.layer_z),
        layer_time_s=tuple(tally.layer_time_s),
        layer_features=tuple(tally.layer_features),
        layer_filament_mm=tuple(tally.layer_filament_mm),
        instances=instances,
        length_mm=dict(tally.length_mm),
        filament_mm=dict(tally.filament_mm),
        beads_mm=beads,
        start_mm=tally.start_mm,
        highest_mm=tally.highest_mm,
        net_mm=tally.net_mm,
        stated_mm=float(str(totals["total_mm"])),
        volume_mm3=beads * FILAMENT_AREA,
        beads=tally.beads,
        time_s=tally.time_s,
    )

"""Starts a kit from a sliced file: the outline and height of one object, and a region for each thin area."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.drawing import Panel, Row, draw, plain_text
from gcodetools.kit.naming import glob_of, instance_meant
from gcodetools.kit.placing import Pose
from gcodetools.kit.thickness import thin_places
from gcodetools.marks.objects import normal_label
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.lines import bead_lines
from gcodetools.toolpath.plate import Plate

__all__ = ["Learnt", "learn"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

SIMPLIFY_MM = 0.02
THIN_WIDTHS = (
    3.0,
    6.0,
)  # wall thicknesses to look for, in bead widths; the second if the first finds nothing
_SAME_TURN_MM = 0.15  # an outline that differs from itself turned by less looks the same on a plate
_MOST_AREAS = 12
_LEAST_MM3, _LEAST_WIDTHS = 0.5, 2.0  # what is smaller, or shorter in plan than so many beads are wide
_MARGIN_MM = 0.3  # around an area's box, so that rounding leaves out no bead
_FOLDS = (360, 180, 120, 90, 72, 60, 45, 40, 36, 30, 24, 20, 18, 15, 12, 10, 9, 8, 7, 6, 5, 4, 3, 2)


@dataclass(frozen=True, slots=True)
class Learnt:
    """A kit's text and its drawing (SVG). areas : a record of each thin area (number, thickness_mm, z_mm,
    size_mm, centre_mm, layers). specks : how many were left out as too small to mean anything."""

    part: str
    label: str | None
    height_mm: float
    kit_text: str
    drawing: str
    areas: list[dict[str, object]]
    specks: int
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Area:
    """A thin area: its shape over the layers (in the part's frame), layers first to last, heights, how thick
    it is in its middle layer."""

    shape: shapely.Geometry
    first: int
    last: int
    z_mm: tuple[float, float]
    thickness_mm: float = 0.0

    @property
    def volume_mm3(self) -> float:
        return float(self.shape.area) * (self.z_mm[1] - self.z_mm[0])

    @property
    def length_mm(self) -> float:
        """Its longer side in plan, however it is turned."""
        box = shapely.get_coordinates(shapely.oriented_envelope(self.shape))
        return float(np.hypot(*np.diff(box, axis=0).T).max(initial=0.0))


def learn(plate: Plate, label: str | None = None, thickness_mm: float | None = None) -> Learnt:
    """Start a kit from one object of a plate.

    Its frame is the centre of its first layer's bounds, unturned; z = 0 is under its first layer. A thin area
    is at least two bead widths long in plan and 0.5 mm3: shorter ones are tips of corners and bumps, no walls.

    Parameters
    ----------
    label : of the object; None takes the only one, or the largest where the file has no labels.
    thickness_mm : what counts as thin; None looks for three bead widths, then for six.

    Raises
    ------
    InputError : no such label, or none given and there are several.
    """
    pose, warnings = instance_meant(plate, label)
    sections = _Sections(plate, pose)
    outline = sections.of_layer(1)
    width = float(np.nanmedian(plate.beads.width[pose.rows]))
    looked = [thickness_mm] if thickness_mm else [_ceil(n * width - 1e-6) for n in THIN_WIDTHS]
    thin, areas, specks = looked[0], list[_Area](), 0
    for thin in looked:
        areas, specks = _thin_areas(sections, thin, _LEAST_WIDTHS * width)
        if areas:
            break
    if len(areas) > _MOST_AREAS:
        warnings.append(f"{len(areas)} thin areas: the {_MOST_AREAS} largest are in the kit")
        areas = areas[:_MOST_AREAS]
    areas = [replace(area, thickness_mm=_thickness_mm(sections, area, thin)) for area in areas]
    name = _name(pose.label, plate)
    height = sections.top_mm(pose.layers)
    return Learnt(
        part=name,
        label=pose.label,
        height_mm=height,
        kit_text=_kit_text(plate, pose, name, outline, height, areas, thin, specks),
        drawing=_drawing(sections, name, areas, thin),
        areas=[_as_record(k, area) for k, area in enumerate(areas, 1)],
        specks=specks,
        warnings=tuple(warnings),
    )


class _Sections:
    """The islands of an instance layer by layer, in its frame; layers that are alike are worked out once."""

    def __init__(self, plate: Plate, pose: Pose) -> None:
        self.plate, self.pose = plate, pose
        order = np.argsort(pose.layer, kind="stable")
        rows, layer = pose.rows[order].astype(np.int64), pose.layer[order]
        cuts = np.searchsorted(layer, np.arange(1, pose.layers + 2))
        self.rows = [np.sort(rows[a:b]) for a, b in pairwise(cuts)]
        self._alike: dict[bytes, shapely.Geometry] = {}

    def of_layer(self, number: int) -> shapely.Geometry:
        """Polygons of layer `number`, from 1."""
        rows = self.rows[number - 1]
        moves, beads = self.plate.program.moves, self.plate.beads
        outer = rows[beads.feature[rows] == FEATURE_INDEX["outermost"]]
        key = np.column_stack([moves.x[outer], moves.y[outer]]).tobytes() if len(outer) else bytes(number)
        if key not in self._alike:
            islands = of_layer(self.plate, int(beads.layer[rows[0]]), rows)
            shape = shapely.union_all([island.polygon for island in islands])
            self._alike[key] = shapely.transform(shape, self._local)
        return self._alike[key]

    def beads(self, number: int) -> tuple[F8, ...]:
        """Centre lines of a layer's beads."""
        return tuple(self._local(line) for line in bead_lines(self.plate, self.rows[number - 1]))

    def top_mm(self, number: int) -> float:
        """Height of the top of a layer above the part's z = 0."""
        layer = int(self.plate.beads.layer[self.rows[number - 1][0]])
        return round(float(self.plate.layers.z_mm[layer]) - self.pose.z_mm, 4)

    def bottom_mm(self, number: int) -> float:
        """Height of the underside of a layer."""
        layer = int(self.plate.beads.layer[self.rows[number - 1][0]])
        return round(self.top_mm(number) - float(self.plate.layers.height_mm[layer]), 4)

    def _local(self, points: F8) -> F8:
        local: F8 = np.column_stack(self.pose.to_part(points[:, 0], points[:, 1]))
        return local


def _thin_areas(sections: _Sections, thin_mm: float, least_mm: float) -> tuple[list[_Area], int]:
    """Thin areas that overlap from layer to layer as one, largest first, and how many specks are left out."""
    open_areas: list[_Area] = []
    done: list[_Area] = []
    known: dict[int, list[shapely.Geometry]] = {}
    for number in range(1, len(sections.rows) + 1):
        section = sections.of_layer(number)
        if id(section) not in known:
            known[id(section)] = list(shapely.get_parts(thin_places(section, thin_mm)))
        z = sections.bottom_mm(number), sections.top_mm(number)
        grown: list[_Area] = []
        left = list(open_areas)
        for shape in known[id(section)]:
            mine = [area for area in left if area.shape.intersects(shape)]
            left = [area for area in left if area not in mine]
            also = [area for area in grown if area.shape.intersects(shape)]
            grown = [area for area in grown if area not in also]
            grown.append(_merged([*mine, *also], shape, number, z))
        done += left
        open_areas = grown
    found = [*done, *open_areas]
    areas = [area for area in found if area.volume_mm3 >= _LEAST_MM3 and area.length_mm >= least_mm]
    areas.sort(key=lambda area: (-round(area.volume_mm3), area.first, area.shape.bounds))
    return areas, len(found) - len(areas)


def _merged(areas: Sequence[_Area], shape: shapely.Geometry, layer: int, z: tuple[float, float]) -> _Area:
    if not areas:
        return _Area(shape, layer, layer, z)
    # A layer that repeats the one below, as most do, costs no union.
    if len(areas) == 1 and areas[0].shape.equals(shape):
        return replace(areas[0], last=layer, z_mm=(areas[0].z_mm[0], z[1]))
    return _Area(
        shapely.union_all([shape, *(area.shape for area in areas)]),
        min(area.first for area in areas),
        layer,
        (min(area.z_mm[0] for area in areas), z[1]),
    )


def _thickness_mm(sections: _Sections, area: _Area, thin_mm: float) -> float:
    """Thickness at the area's middle layer, rounded down to a tenth of a millimetre."""
    section = sections.of_layer((area.first + area.last) // 2)
    here = shapely.intersection(thin_places(section, thin_mm), area.shape)
    for tenth in range(2, int(np.ceil(thin_mm * 10))):
        thin = thin_places(section, tenth / 10)
        if thin.intersection(here).area > 0.5 * here.area:
            return (tenth - 1) / 10
    return round(thin_mm - 0.1, 1)


def _as_record(number: int, area: _Area) -> dict[str, object]:
    left, bottom, right, top = area.shape.bounds
    return {
        "number": number,
        "thickness_mm": round(area.thickness_mm, 1),
        "z_mm": [round(z, 2) for z in area.z_mm],
        "size_mm": [round(right - left, 1), round(top - bottom, 1)],
        "centre_mm": [round((left + right) / 2, 1), round((bottom + top) / 2, 1)],
        "layers": [area.first, area.last],
    }


def _name(label: str | None, plate: Plate) -> str:
    """A part's name: the label in plain letters, else the file's."""
    text = normal_label(label) if label else ""
    if not text or text.isdigit():
        text = re.split(r"[\\/]", plate.program.lines.name)[-1].split(".")[0].lower()
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60] or "part"


def _symmetry(outline: shapely.Geometry) -> int:
    """The largest n for which all turns by 360/n leave the outline as it is."""
    middle = np.array(outline.centroid.coords[0])
    edge = shapely.segmentize(outline.boundary, 0.5)
    points = shapely.get_coordinates(edge) - middle
    for fold in _FOLDS:
        for k in range(1, fold // 2 + 1):
            c, s = np.cos(2 * np.pi * k / fold), np.sin(2 * np.pi * k / fold)
            turned = middle + points @ np.array([[c, s], [-s, c]])
            if shapely.distance(outline.boundary, shapely.points(turned)).max() > _SAME_TURN_MM:
                break
        else:
            return fold
    return 1


_HEAD = """\
# A kit started by `beadwright learn` from {file}. The drawing beside it shows the part at three
# heights with a grid in its own frame: x = 0, y = 0 is the centre of its first layer, z = 0 is the bed.

beadwright: 1
kit: {name}
parts:
  {name}:
    found_by:
{label}      # The edge of the plastic on the first layer, mm.
      outline:
{outline}
      height: {height:g}
{symmetry}    regions:
"""

_NO_AREA = """\
      # No area thinner than {thin:g} mm was found. Read coordinates off the drawing and write a region like
      # finger:
      #   {{role: clip, treat: supple,
      #    within: {{all_of: [{{slab: {{z: [2, 10]}}}}, {{box: {{x: [-5, 5], y: [-5, 5]}}}}]}}}}
"""

_SYMMETRY = """\
      # This outline looks the same in {n} turns. If the part as a whole does not, its regions can't be told
      # apart by the first layer alone.
      symmetry: {n}
"""


def _kit_text(
    plate: Plate,
    pose: Pose,
    name: str,
    outline: shapely.Geometry,
    height: float,
    areas: Sequence[_Area],
    thin: float,
    specks: int,
) -> str:
    plain = normal_label(pose.label) if pose.label else ""
    label = "" if not plain or plain.isdigit() else f"      label: {json.dumps(glob_of(plain))}\n"
    simple = outline.simplify(SIMPLIFY_MM)
    fold = _symmetry(simple)
    text = _HEAD.format(
        file=plain_text(re.split(r"[\\/]", plate.program.lines.name)[-1]),
        name=json.dumps(name),
        label=label,
        outline=_outline_text(simple),
        height=height,
        symmetry=_SYMMETRY.format(n=fold) if fold > 1 else "",
    )
    if areas:
        text += (
            "      # Thin areas, numbered as in the drawing. Uncomment the three lines of the one you mean.\n"
            "      # supple fills the room inside the walls with beads along them and caps the fan at 25 %, held\n"
            "      # back on layers too fast for it. A mapping does more:\n"
            "      # treat: {perimeters: {fill: true}, speed: {scale: 80%}, nozzle: {add: 5}}\n"
        )
    else:
        text += _NO_AREA.format(thin=thin)
    if specks:
        text += f"      # Left out: {specks} thin {'speck' if specks == 1 else 'specks'}, too small for a region.\n"
    for k, area in enumerate(areas, 1):
        text += _region_text(k, area, [other for other in areas if other is not area], thin)
    text += (
        "      # Everything, untreated: it keeps the kit valid. Take it out once a region of yours stands.\n"
    )
    return text + "      whole: {within: all}\n"


def _outline_text(outline: shapely.Geometry) -> str:
    rings = []
    for ring in shapely.get_rings(shapely.get_parts(outline)):
        points = [f"[{x:.3f}, {y:.3f}]" for x, y in shapely.get_coordinates(ring)[:-1].tolist()]
        lines = [", ".join(points[at : at + 6]) for at in range(0, len(points), 6)]
        rings.append("        - [" + ",\n           ".join(lines) + "]")
    return "\n".join(rings)


def _region_text(number: int, area: _Area, others: Sequence[_Area], thin: float) -> str:
    """A commented region: what was found, then three lines to uncomment."""
    record = _as_record(number, area)
    size, centre = record["size_mm"], record["centre_mm"]
    low, high = area.z_mm
    solids = [
        f"{{slab: {{z: [{low:.2f}, {high:.2f}]}}}}",
        _fence(area, others),
        f"{{thinner_than: {thin:g}}}",
    ]
    role = "rib" if high - low > 2 * max(size) else "clip"  # type: ignore[call-overload]
    return (
        f"      # {number}: about {area.thickness_mm:.1f} mm thick, {size} mm across at {centre}, "
        f"z {low:g} to {high:g}\n"
        f"      # thin-{number}:\n"
        f"      #   {{role: {role}, treat: supple,\n"
        f"      #    within: {{all_of: [{', '.join(solids)}]}}}}\n"
    )


def _fence(area: _Area, others: Sequence[_Area]) -> str:
    """A box around the area, or a prism where the box would take in another area too."""
    left, bottom, right, top = area.shape.bounds
    x = _floor(left - _MARGIN_MM), _ceil(right + _MARGIN_MM)
    y = _floor(bottom - _MARGIN_MM), _ceil(top + _MARGIN_MM)
    around = shapely.box(x[0], y[0], x[1], y[1])
    if not any(_same_heights(area, o) and around.intersects(o.shape) for o in others):
        return f"{{box: {{x: [{x[0]:.1f}, {x[1]:.1f}], y: [{y[0]:.1f}, {y[1]:.1f}]}}}}"
    hull = area.shape.buffer(_MARGIN_MM).simplify(_MARGIN_MM / 3)
    ring = shapely.get_coordinates(hull.exterior if hull.geom_type == "Polygon" else hull.convex_hull)
    points = ", ".join(f"[{px:.2f}, {py:.2f}]" for px, py in ring[:-1].tolist())
    return f"{{prism: {{polygon: [{points}]}}}}"


def _same_heights(a: _Area, b: _Area) -> bool:
    return a.first <= b.last and b.first <= a.last


def _floor(value: float) -> float:
    return float(np.floor(value * 10) / 10)


def _ceil(value: float) -> float:
    return float(np.ceil(value * 10) / 10)


def _drawing(sections: _Sections, name: str, areas: Sequence[_Area], thin: float) -> str:
    """Three layers: low, middle, high."""
    count = len(sections.rows)
    chosen = sorted({max(1, round(share * count)) for share in (0.15, 0.5, 0.85)})
    panels = []
    for number in chosen:
        section = sections.of_layer(number)
        thin_here = thin_places(section, thin)
        marked = tuple(
            (str(k), shapely.intersection(thin_here, area.shape))
            for k, area in enumerate(areas, 1)
            if area.first <= number <= area.last
        )
        z = (sections.bottom_mm(number) + sections.top_mm(number)) / 2
        panels.append(Panel(f"layer {number}, z = {z:.2f}", section, marked, sections.beads(number)))
    notes = [f"{k}: about {area.thickness_mm:.1f} mm thick" for k, area in enumerate(areas, 1)]
    heading = f"{count} layers, {sections.top_mm(count):g} mm high; thin: under {thin:g} mm"
    return draw(f"{name}, mm in its own frame", [Row(heading, tuple(panels), tuple(notes))])

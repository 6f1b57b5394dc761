"""Rooms and measures, against closed forms, shapely's buffers of each loop, the demo's plates, the samples.

Closed forms: a stadium bead of width w and height h has A = (w - h) h + pi h^2 / 4 and fills its layer at
pitch s = A / h = w - h (1 - pi / 4).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from math import cos, pi, sin
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LinearRing, LineString, Polygon, affinity, box

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.measures import guessed_nozzle
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Room, fill_direction, measure, rooms_of

W, H = 0.45, 0.2
ROUND = 1 - pi / 4
AREA = (W - H) * H + pi * H * H / 4
PITCH = W - H * ROUND
OUTER, INNER, SOLID, SPARSE, OVER_AIR = (
    "External perimeter", "Perimeter", "Solid infill", "Internal infill", "Overhang perimeter",
)  # fmt: skip
Points = Sequence[tuple[float, float]]


class Sheet:
    """A marked file of some equal layers, drawn with the pen of the folder."""

    def __init__(self, pen: type, layers: int = 3) -> None:
        self.new_pen, self.layers = pen, layers
        self.paths: list[tuple[str, Points, float]] = []

    def loop(self, word: str, points: Points, flow: float = 1.0, seam: float = 0.0) -> None:
        ends = [*points, points[0]]
        if seam:
            ends[-1] = tuple(np.add(points[-1], np.subtract(points[0], points[-1]) * (1 - seam)))
        self.paths.append((word, ends, flow))

    def line(self, word: str, points: Points, flow: float = 1.0) -> None:
        self.paths.append((word, points, flow))

    def plate(self, replaced: Callable[[str], str] = str) -> Plate:
        pen = self.new_pen(W, H)
        for n in range(self.layers):
            z = (n + 1) * H
            pen.say(";LAYER_CHANGE", f";Z:{z:.2f}", f";HEIGHT:{H}")
            pen.layer(z)
            for word, points, flow in self.paths:
                pen.say(f";TYPE:{word}")
                pen.line(points, flow=flow)
                pen.say("G1 E-.5 F2000", "G1 E.5 F2000")
        return Plate.from_bytes(replaced(pen.data.decode()).encode(), "sheet.gcode")

    def room(self, layer: int = 1) -> Room:
        (room,) = rooms_of(self.plate(), layer)
        return room


@pytest.fixture
def sheet(new_pen: type) -> Sheet:
    return Sheet(new_pen)


def circle(radius: float, x: float = 100.0, y: float = 100.0, count: int = 360) -> Points:
    """Corners of a polygon of a circle's own area, so that closed forms of circles hold for it."""
    turn = 2 * pi / count
    r = radius * (turn / sin(turn)) ** 0.5
    return [(x + r * cos(k * turn), y + r * sin(k * turn)) for k in range(count)]


def rectangle(wide: float, deep: float, inset: float, turn: float = 0.0) -> Points:
    shape = affinity.rotate(box(inset, inset, wide - inset, deep - inset), turn, origin=(0, 0))
    return [(x + 100, y + 100) for x, y in shape.exterior.coords[:-1]]


def walls(sheet: Sheet, wide: float, deep: float, count: int, turn: float = 0.0) -> None:
    for n in range(count):
        sheet.loop(INNER if n else OUTER, rectangle(wide, deep, W / 2 + n * PITCH, turn), seam=0.002)


def edges(space: Polygon, x: float = 100.0, y: float = 100.0) -> tuple[float, float]:
    far = np.hypot(*(shapely.get_coordinates(space) - (x, y)).T)
    return float(far.min()), float(far.max())


def test_a_rings_space_is_the_ring_between_its_walls(sheet: Sheet) -> None:
    hole, outside = 6.0, 12.0
    for n in range(2):
        word = INNER if n else OUTER
        sheet.loop(word, circle(outside - W / 2 - n * PITCH))
        sheet.loop(word, circle(hole + W / 2 + n * PITCH))
    room = sheet.room()
    taken = W / 2 + 1.5 * PITCH
    a, b = hole + taken, outside - taken
    assert edges(room.space) == pytest.approx((a, b), abs=2e-3)
    assert room.space.area == pytest.approx(pi * (b * b - a * a), rel=1e-3)
    assert len(room.walls) == 4 and len(room.fill_rows) == 0


def test_arcs_make_the_same_space_as_circles(new_pen: type) -> None:
    outside, pen = 8.0, new_pen(W, H)
    for n in range(3):
        pen.say(";LAYER_CHANGE", f";Z:{(n + 1) * H:.2f}", f";HEIGHT:{H}")
        pen.layer((n + 1) * H)
        for word, r in ((OUTER, outside - W / 2), (INNER, outside - W / 2 - PITCH)):
            e = pi * r * pen.e_per_mm
            pen.say(f";TYPE:{word}", "G1 E-.5 F2000", f"G1 X{100 + r:.5f} Y100 F9000", "G1 E.5 F2000")
            pen.say(f"G3 X{100 - r:.5f} Y100 I{-r:.5f} J0 E{e:.6f} F1800")
            pen.say(f"G3 X{100 + r:.5f} Y100 I{r:.5f} J0 E{e:.6f}")
    (room,) = rooms_of(pen.plate(), 1)
    # Chords stand off their arc by up to 0.005 mm.
    assert edges(room.space)[1] == pytest.approx(outside - W / 2 - 1.5 * PITCH, abs=6e-3)
    assert room.space.area == pytest.approx(pi * (outside - W / 2 - 1.5 * PITCH) ** 2, rel=2e-3)


@given(turn=st.floats(0, 90), count=st.integers(1, 4), wide=st.floats(9, 20), deep=st.floats(6, 9))
def test_a_rectangles_space_is_the_smaller_rectangle_at_any_turn(
    new_pen: type, turn: float, count: int, wide: float, deep: float
) -> None:
    sheet = Sheet(new_pen)
    walls(sheet, wide, deep, count, turn)
    room = sheet.room()
    taken = W / 2 + (count - 0.5) * PITCH
    expected = affinity.translate(
        affinity.rotate(box(taken, taken, wide - taken, deep - taken), turn, origin=(0, 0)), 100, 100
    )
    # 0.01: a pitch of walls is measured to some micrometres, and there are up to eight of them across.
    assert room.space.symmetric_difference(expected).area < 0.01 * expected.length
    assert room.island.polygon.covers(room.space)


def test_a_wall_takes_its_own_breadth_stretch_by_stretch(sheet: Sheet) -> None:
    walls(sheet, 14, 10, 2)
    inset = W / 2 + 2 * PITCH
    corners = rectangle(14, 10, inset)
    sheet.line(INNER, [corners[3], corners[0], corners[1], corners[2]])
    (x0, y0), (x1, y1) = corners[2], corners[3]
    e = 1.4 * float(np.hypot(x1 - x0, y1 - y0)) * sheet.new_pen(W, H).e_per_mm
    last = re.compile(rf"^.*X{x0:.5f} Y{y0:.5f} E.*$", re.M)
    # The last side is laid on without a travel and has 1.4 times the flow: its breadth is 1.4 pitches.
    plate = sheet.plate(lambda text: last.sub(rf"\g<0>\nG1 X{x1:.5f} Y{y1:.5f} E{e:.6f}", text))
    (room,) = rooms_of(plate, 1)
    low_x, low_y, high_x, high_y = np.subtract(room.space.bounds, 100)
    edge = inset + PITCH / 2
    sides = {"left": low_x, "bottom": low_y, "right": 14 - high_x, "top": 10 - high_y}
    wide = [name for name, side in sides.items() if side > edge + 0.05]
    assert len(wide) == 1
    assert sides.pop(wide[0]) == pytest.approx(inset + 1.4 * PITCH / 2, abs=8e-3)
    assert list(sides.values()) == pytest.approx([edge] * 3, abs=8e-3)


def test_a_loop_laid_in_pieces_is_a_wall(sheet: Sheet) -> None:
    walls(sheet, 14, 10, 1)
    corners = rectangle(14, 10, W / 2 + PITCH)
    sheet.line(INNER, corners[:3])
    sheet.line(OVER_AIR, [corners[2], corners[3]])
    sheet.line(INNER, [corners[3], corners[0]])
    room = sheet.room()
    taken = W / 2 + 1.5 * PITCH
    assert room.space.area == pytest.approx((14 - 2 * taken) * (10 - 2 * taken), rel=2e-3)
    assert len(room.fill_rows) == 0


def test_a_loop_whose_end_is_run_dry_in_many_pieces_is_a_wall(new_pen: type) -> None:
    sheet, whole = Sheet(new_pen), Sheet(new_pen)
    inner = circle(4.0 - W / 2 - PITCH)
    for one in (sheet, whole):
        one.loop(OUTER, circle(4.0 - W / 2))
    whole.loop(INNER, inner)
    # The last 30 of 360 pieces, 1.8 mm, are run without pushing filament.
    sheet.line(INNER, inner[:331])
    dry = "".join(f"G1 X{x:.5f} Y{y:.5f} F1800\n" for x, y in [*inner[331:], inner[0]])
    end = re.compile(rf"(X{inner[330][0]:.5f} Y{inner[330][1]:.5f} E.*\n)")
    (room,) = rooms_of(sheet.plate(lambda text: end.sub(rf"\g<1>{dry}", text)), 1)
    assert len(room.fill_rows) == 0
    assert room.space.symmetric_difference(whole.room().space).area < 1e-3


def test_a_stretch_over_air_takes_its_loops_breadth_however_it_flows(sheet: Sheet) -> None:
    walls(sheet, 14, 10, 1)
    corners = rectangle(14, 10, W / 2 + PITCH)
    sheet.line(INNER, corners)
    sheet.line(OVER_AIR, [corners[3], corners[0]], flow=1.8)
    taken = W / 2 + 1.5 * PITCH
    assert sheet.room().space.area == pytest.approx((14 - 2 * taken) * (10 - 2 * taken), rel=2e-3)


def test_an_open_perimeter_along_the_middle_is_a_wall_and_takes_its_room(sheet: Sheet) -> None:
    deep = 2 * (W / 2 + PITCH * 1.5) + PITCH
    walls(sheet, 20, deep, 2)
    alone = sheet.room()
    sheet.line(INNER, [(102, 100 + deep / 2), (118, 100 + deep / 2)])
    room = sheet.room()
    assert len(room.fill_rows) == 0
    assert len(room.wall_rows) == len(alone.wall_rows) + 1
    # 16 mm of a bead as broad as the pitch, which is what the room is.
    assert alone.space.area - room.space.area == pytest.approx(16 * PITCH, rel=0.03)


def test_an_open_outermost_line_leaves_no_room(sheet: Sheet) -> None:
    sheet.line(OUTER, [(100, 100), (120, 100), (120, 110)])
    room = sheet.room()
    assert room.space.is_empty and room.solid.is_empty
    assert len(room.wall_rows) == 2


def test_a_seam_leaves_no_hole_in_a_wall(new_pen: type) -> None:
    whole, gaps = Sheet(new_pen), Sheet(new_pen)
    for n in range(2):
        points = rectangle(14, 10, W / 2 + n * PITCH)
        whole.loop(INNER if n else OUTER, points)
        gaps.loop(INNER if n else OUTER, points, seam=0.03)
    assert gaps.room().space.symmetric_difference(whole.room().space).area < 1e-2


def test_space_and_solid_agree_with_buffers_of_each_loop(sheet: Sheet) -> None:
    star = [
        (100 + (9 if k % 2 else 5) * cos(pi * k / 6), 100 + (9 if k % 2 else 5) * sin(pi * k / 6))
        for k in range(12)
    ]
    part = Polygon(star).buffer(1.5)
    rings = [part.buffer(-n * PITCH - W / 2, join_style="mitre") for n in range(3)]
    for n, ring in enumerate(rings):
        sheet.loop(INNER if n else OUTER, list(ring.exterior.coords)[:-1])
    room = sheet.room()
    taken = shapely.union_all([LinearRing(r.exterior).buffer(PITCH / 2, join_style="mitre") for r in rings])
    free = max(shapely.get_parts(Polygon(rings[0].exterior).difference(taken)), key=shapely.area)
    assert room.space.symmetric_difference(free).area < 0.01 * free.length


def hatch(sheet: Sheet, word: str, area: tuple[float, float, float, float], pitch: float) -> None:
    low_x, low_y, high_x, high_y = area
    points: list[tuple[float, float]] = []
    for n, y in enumerate(np.arange(low_y + pitch / 2, high_y, pitch).tolist()):
        points += [(low_x, y), (high_x, y)] if n % 2 == 0 else [(high_x, y), (low_x, y)]
    sheet.line(word, points)


def test_solid_is_where_solid_lines_lie(sheet: Sheet) -> None:
    walls(sheet, 24, 12, 2)
    taken = W / 2 + 1.5 * PITCH
    hatch(sheet, SOLID, (100 + taken, 100 + taken, 112, 112 - taken), PITCH)
    room = sheet.room()
    assert room.solid.area == pytest.approx((12 - taken) * (12 - 2 * taken), rel=0.05)
    assert room.solid.difference(room.space).area < 1e-6
    # In print order on zigzags: along x.
    direction = fill_direction(sheet.plate(), room)
    assert direction is not None and min(direction, pi - direction) < 1e-3


@pytest.mark.parametrize(("share", "solid"), [(0.2, 0.0), (1.0, 1.0)], ids=["sparse", "dense"])
def test_sparse_lines_are_solid_only_where_they_are_dense(sheet: Sheet, share: float, solid: float) -> None:
    walls(sheet, 16, 12, 2)
    taken = W / 2 + 1.5 * PITCH
    hatch(sheet, SPARSE, (100 + taken, 100 + taken, 116 - taken, 112 - taken), PITCH / share)
    room = sheet.room()
    assert room.solid.area / room.space.area == pytest.approx(solid, abs=0.03)


def test_a_layer_without_walls_has_no_space(sheet: Sheet) -> None:
    hatch(sheet, SOLID, (100, 100, 110, 110), PITCH)
    room = sheet.room()
    assert room.space.is_empty and len(room.wall_rows) == 0
    assert len(room.fill_rows) == len(room.island.rows)


def test_like_layers_share_their_geometry(sheet: Sheet) -> None:
    walls(sheet, 14, 10, 3)
    plate = sheet.plate()
    first, second = (rooms_of(plate, layer)[0] for layer in (1, 2))
    assert first.space is second.space
    assert not np.any(np.isin(first.wall_rows, second.wall_rows))


def test_every_row_of_an_island_is_a_wall_or_fill(read_made: Callable[..., Plate]) -> None:
    plate = read_made("B")
    for layer in range(len(plate.layers)):
        for room in rooms_of(plate, layer):
            both = np.concatenate([room.wall_rows, room.fill_rows])
            assert np.array_equal(np.sort(both), room.island.rows)
            assert set(plate.beads.feature[room.wall_rows]) <= {
                FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang")
            }


def test_rooms_of_one_instance_are_those_of_its_rows(read_made: Callable[..., Plate]) -> None:
    plate = read_made("B")
    both = rooms_of(plate, 4)
    one = rooms_of(plate, 4, plate.beads.instance == 0)
    assert 0 < len(one) < len(both)
    assert all(np.all(plate.beads.instance[room.island.rows] == 0) for room in one)


def test_fill_direction_prefers_solid_lines_and_turns_with_the_part(
    read_made: Callable[..., Plate],
) -> None:
    plate = read_made("B")
    # The recipe hatches its layers at 45 and 135 degrees in turn; the second gate stands turned by 35.
    for layer in (1, 2):
        for instance, turn in ((0, 0.0), (1, 35.0)):
            expected = np.radians((45.0 if layer % 2 == 0 else 135.0) + turn) % pi
            for room in rooms_of(plate, layer, plate.beads.instance == instance):
                assert fill_direction(plate, room) == pytest.approx(expected, abs=1e-3)


def test_a_patch_of_solid_loops_tells_no_direction_beside_sparse_lines(sheet: Sheet) -> None:
    walls(sheet, 24, 12, 2)
    taken = W / 2 + 1.5 * PITCH
    hatch(sheet, SPARSE, (100 + taken, 100 + taken, 118, 112 - taken), 3.0)
    sheet.line(SOLID, [(119, 103), (119, 109), (120, 109), (120, 103), (119, 103)])  # along y
    # Short lines along x and the ways between them.
    hatch(sheet, SOLID, (119.4, 104, 119.6, 108), PITCH)
    plate = sheet.plate()
    direction = fill_direction(plate, sheet.room())
    assert direction is not None and min(direction, pi - direction) < 1e-3


def test_waves_have_no_direction_nor_have_the_ways_along_walls_between_them(sheet: Sheet) -> None:
    walls(sheet, 40, 8, 2)
    taken = W / 2 + 1.5 * PITCH
    low, high = 100 + taken + 0.1, 108 - taken - 0.1
    turns = np.linspace(0, 2 * pi, 60)
    for k in range(5):
        x = 103 + 7 * k
        wave = [(x + 2 * sin(t), low + (high - low) * t / (2 * pi)) for t in turns.tolist()]
        wave = wave if k % 2 == 0 else wave[::-1]
        sheet.line(SPARSE, [*wave, (x + 7, wave[-1][1])])
    assert fill_direction(sheet.plate(), sheet.room()) is None


def test_no_fill_has_no_direction(sheet: Sheet) -> None:
    walls(sheet, 14, 10, 2)
    plate = sheet.plate()
    assert fill_direction(plate, rooms_of(plate, 1)[0]) is None


@pytest.mark.every(1, 1)
@pytest.mark.parametrize("convention", CONVENTIONS)
def test_the_demos_plates_measure_as_they_were_made(convention: str, read_made: Callable[..., Plate]) -> None:
    found = measure(read_made(convention))
    assert found.pitch_mm == pytest.approx(PITCH, abs=1e-3)
    assert found.solid_pitch_mm == pytest.approx(PITCH, abs=1e-3)
    # Four decimals of E leave a short bead's section open by some tenths of a percent.
    for area in (found.area_mm2, found.outer_area_mm2, found.solid_area_mm2):
        assert area == pytest.approx(AREA, rel=2e-3)
    assert (found.fill, found.fill_from) == (pytest.approx(1.0, abs=2e-3), "perimeters")
    assert found.width_mm == pytest.approx(W, abs=2e-3)
    assert found.nozzle_mm == 0.4
    # The maker's lines end a tenth of a millimetre beyond the room's edge, half a bead counted.
    assert found.overlap_mm == pytest.approx(0.1, abs=2e-3)


def test_flow_by_marks_or_e_is_calibration_and_carries_over(new_pen: type) -> None:
    sheet = Sheet(new_pen)
    for n in range(3):
        sheet.loop(INNER if n else OUTER, rectangle(14, 10, W / 2 + n * PITCH), flow=0.92)
    found = measure(sheet.plate())
    assert found.fill == pytest.approx(0.92, abs=2e-3)
    assert found.breadth_mm == pytest.approx(PITCH, abs=1e-3)


def test_one_wall_is_measured_by_its_solid_work_or_by_its_section(new_pen: type) -> None:
    bare, filled = Sheet(new_pen), Sheet(new_pen)
    for sheet in (bare, filled):
        sheet.loop(OUTER, rectangle(20, 20, W / 2), flow=0.9)
    inside = W / 2 + PITCH / 2
    low, high = 100 + inside, 120 - inside
    rows = round((high - low) / PITCH)
    points: list[tuple[float, float]] = []
    for n in range(rows):
        y = low + (n + 0.5) * (high - low) / rows
        points += [(low, y), (high, y)] if n % 2 == 0 else [(high, y), (low, y)]
    filled.line(SOLID, points, flow=0.9 * (high - low) / rows / PITCH)
    assert measure(bare.plate()).fill_from == "assumed"
    found = measure(filled.plate())
    # Connections of the zigzag lie on the edge and add one bead of a pitch's length a row.
    lines = AREA * 0.9 * (rows - 1) * (high - low) / rows / (H * (20 - W + PITCH) ** 2)
    assert found.fill_from == "solid"
    assert found.solid_fill == pytest.approx(0.9 + lines, abs=6e-3)
    assert found.pitch_mm == pytest.approx(0.9 * PITCH / found.fill, rel=1e-3)


def test_a_plate_without_walls_measures_by_practice(sheet: Sheet) -> None:
    hatch(sheet, SPARSE, (100, 100, 110, 110), 2.0)
    found = measure(sheet.plate())
    assert found.usual_from == "practice" and found.fill == 1.0


@pytest.mark.parametrize(
    ("width", "nozzle"), [(0.45, 0.4), (0.38, 0.4), (0.48, 0.4), (0.65, 0.6), (0.27, 0.25), (0.9, 0.8)]
)
def test_a_nozzle_is_guessed_by_the_usual_widths(width: float, nozzle: float) -> None:
    # common practice, no source: beads are laid 1.05 to 1.2 nozzles wide
    assert guessed_nozzle(width) == nozzle


# What the samples' own settings say, read from their blocks: widths, layer height, flow multiplier, overlap of
# fill as a share of the pitch (E0: of the width). B, C and I space beads of width w at w - h (1 - pi / 4), E0,
# E1 and H at w.
STATED = {
    # material_flow 90
    "A-two-names.gcode": {"wall_fill": 0.90, "fill": 0.90},
    # perimeter_extrusion_width 0.45, layer_height 0.15, extrusion_multiplier 1, infill_overlap 10%
    "B-cube.gcode": {"pitch_mm": 0.45 - 0.15 * ROUND, "wall_fill": 1.0, "nozzle_mm": 0.4},
    # perimeter_extrusion_width 0.44, external 0.42, layer_height 0.2, infill_overlap 20%
    "B-two-objects.gcode": {
        "pitch_mm": 0.44 - 0.2 * ROUND,
        "area_mm2": (0.44 - 0.2) * 0.2 + pi * 0.01,
        "outer_area_mm2": (0.42 - 0.2) * 0.2 + pi * 0.01,
        "overlap_mm": 0.2 * (0.44 - 0.2 * ROUND),
    },
    # perimeter_extrusion_width 0.5, layer_height 0.25, extrusion_multiplier 0.973, infill_overlap 20%
    "B2-fast.gcode": {
        "pitch_mm": 0.5 - 0.25 * ROUND,
        "fill": 0.973,
        "overlap_mm": 0.2 * (0.5 - 0.25 * ROUND),
    },
    # inner_wall_line_width 0.5, layer_height 0.25, filament_flow_ratio 0.98, infill_wall_overlap 25%
    "C-arcs.gcode": {
        "pitch_mm": 0.5 - 0.25 * ROUND,
        "fill": 0.98,
        "overlap_mm": 0.25 * (0.5 - 0.25 * ROUND),
    },
    # inner_wall_line_width 0.45, layer_height 0.28, filament_flow_ratio 0.95
    "D-part.gcode": {"pitch_mm": 0.45 - 0.28 * ROUND, "fill": 0.95, "width_mm": 0.45},
    # extruderWidth 0.4, extrusionMultiplier 0.9, outlineOverlapPercentage 15
    "E0-cube.gcode": {"pitch_mm": 0.4, "fill": 0.9, "solid_pitch_mm": 0.4, "overlap_mm": 0.15 * 0.4},
    # extruderWidth 0.45, extrusionMultiplier 1, outlineOverlapPercentage 20
    "E0-tpu.gcode": {"pitch_mm": 0.45, "area_mm2": 0.45 * 0.2, "fill": 1.0, "overlap_mm": 0.2 * 0.45},
    # extruderWidth 0.5, extrusionMultiplier 0.92, outlineOverlapPercentage 15; one wall
    "E1-vase.gcode": {"pitch_mm": 0.5, "fill": 0.92, "overlap_mm": 0.15 * 0.5},
    # edgeWidth 0.4, Filament_Packing_Density 0.85: flow 1 / 0.85; infillPerimeterOverlap 0.3 of the width
    "H-parentheses.gcode": {"pitch_mm": 0.4, "wall_fill": 1 / 0.85, "overlap_mm": 0.3 * 0.4},
    # perimeter_extrusion_width 0.42, layer_height 0.3, extrusion_multiplier 0.98, infill_overlap 25%
    "I-no-marks.gcode": {"pitch_mm": 0.42 - 0.3 * ROUND, "fill": 0.98},
}


@pytest.mark.parametrize("name", STATED)
def test_samples_measure_what_their_settings_say(
    name: str, samples: Path, read: Callable[..., Plate]
) -> None:
    found = measure(read(samples / name))
    for key, stated in STATED[name].items():
        # Overlaps are known to some micrometres, the rest to E's last decimal over a bead's length.
        assert getattr(found, key) == pytest.approx(
            stated, rel=4e-3, abs=3e-3 if key == "overlap_mm" else 0
        ), key


def _layers(plate: Plate) -> list[int]:
    own = np.flatnonzero(~plate.layers.raft)
    return [int(own[int(len(own) * share)]) for share in (0.1, 0.35, 0.6, 0.85)]


def test_spaces_of_samples_lie_off_walls_and_fill_the_island(
    sample_path: Path, read: Callable[..., Plate]
) -> None:
    plate = read(sample_path)
    found = [room for layer in _layers(plate) for room in rooms_of(plate, layer)]
    assert found
    for room in found:
        assert room.space.difference(room.island.polygon).area < 1e-6
        assert room.solid.difference(room.space).area < 1e-6
        for wall, breadth in zip(room.walls, room.breadth_mm, strict=True):
            ends = np.vstack([wall.points, wall.points[:1]]) if wall.closed else wall.points
            stretches = shapely.linestrings(np.stack([ends[:-1], ends[1:]], axis=1))
            assert room.space.is_empty or np.all(shapely.distance(stretches, room.space) > 0.4 * breadth)
    taken = sum(_taken(room) for room in found)
    free = sum(room.space.area for room in found if room.walls)
    # As far as the walls reach: the island's edge is half a width outside, they half a breadth.
    whole = sum(_reached(plate, room) for room in found if room.walls)
    assert taken + free == pytest.approx(whole, rel=0.01)


def _taken(room: Room) -> float:
    """Area of buffers of all stretches of the room's walls."""
    areas = []
    for wall, breadth in zip(room.walls, room.breadth_mm, strict=True):
        ring = LinearRing(wall.points) if wall.closed and len(wall.points) > 2 else LineString(wall.points)
        if np.ptp(breadth) == 0:
            areas.append(ring.buffer(float(breadth[0]) / 2, join_style="mitre"))
            continue
        ends = np.vstack([wall.points, wall.points[:1]]) if wall.closed else wall.points
        stretches = shapely.linestrings(np.stack([ends[:-1], ends[1:]], axis=1))
        areas += list(shapely.buffer(stretches, breadth / 2))
    return float(shapely.union_all(areas).intersection(room.island.polygon).area)


def _reached(plate: Plate, room: Room) -> float:
    """Area of an island as far as half a breadth outside its outermost centre lines; its edge is half a
    width outside."""
    rows = room.wall_rows[plate.beads.feature[room.wall_rows] == FEATURE_INDEX["outermost"]]
    rows = rows if len(rows) else room.wall_rows
    breadth = [float(np.median(b)) for w, b in zip(room.walls, room.breadth_mm, strict=True) if w.outermost]
    width = float(np.average(plate.beads.width[rows], weights=plate.beads.length_mm[rows]))
    inset = (width - min(breadth, default=width)) / 2
    return float(room.island.polygon.buffer(-inset, join_style="mitre").area)

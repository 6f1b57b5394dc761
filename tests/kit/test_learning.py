"""Learning: a kit that is valid at once, finds what it was learnt from, marks thin areas and no others."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Bands, Part, part_named
from gcodetools.errors import InputError
from gcodetools.kit.drawing import ACCENT, Panel, Row, draw, draw_sections
from gcodetools.kit.learning import Learnt, learn
from gcodetools.kit.placing import place
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.kit.selection import select
from gcodetools.toolpath.plate import Plate

SVG = "{http://www.w3.org/2000/svg}"


@lru_cache(maxsize=1)
def demo() -> Plate:
    return Plate.from_bytes(make("B").data, "folder/plate.gcode")


@lru_cache(maxsize=4)
def learnt(label: str) -> Learnt:
    return learn(demo(), label)


def plate_of(*parts: Part, labelled: bool = True, convention: str = "B") -> Plate:
    spots = [Placement(part, 60 + 45 * k, 60) for k, part in enumerate(parts)]
    return Plate.from_bytes(make(convention, parts=spots, labelled=labelled).data, "plate.gcode")


def plain(shape: shapely.Geometry, name: str = "plain", height_mm: float = 1.0) -> Part:
    return Part(name, height_mm, Bands(((height_mm, shape),)))


def uncommented(text: str, number: int) -> str:
    """The kit with the three lines of a region freed of their comment sign, as a maker would."""
    block = re.search(rf"(?m)^      # thin-{number}:\n(?:      # .*\n){{2}}", text)
    assert block is not None and block[0].count("\n") == 3
    return text.replace(block[0], re.sub(r"(?m)^      # ", "      ", block[0]))


def read(text: str) -> Kit:
    return kit_from_bytes(text.encode(), "learnt.kit.yaml")


@pytest.mark.parametrize("label", ["film-clip", "ridge-saddle", "wedge-key-easy", "shelf-hook"])
def test_a_learnt_kit_is_valid_and_finds_all_instances(label: str) -> None:
    kit = read(learnt(label).kit_text)
    placed = place(kit, demo())
    drawn = {"film-clip": 9, "ridge-saddle": 2, "wedge-key-easy": 4, "shelf-hook": 4}[label]
    assert len(placed.poses) == drawn and placed.warnings == ()
    assert max(pose.fit_mm for pose in placed.poses) < 0.05


@pytest.mark.parametrize("label", ["film-clip", "ridge-saddle", "shelf-hook"])
def test_outline_and_height_are_those_of_the_drawn_part(label: str) -> None:
    """The drawn outline moved to the centre of its bounds; the first instance on the plate is not turned."""
    found = read(learnt(label).kit_text).parts[label].found_by
    drawn = part_named(label)
    left, bottom, right, top = drawn.outline.bounds
    want = shapely.transform(drawn.outline, lambda xy: xy - [(left + right) / 2, (bottom + top) / 2])
    (ring,) = found.outline or ()
    assert shapely.hausdorff_distance(shapely.Polygon(ring), want) < 0.05
    assert found.height_mm == pytest.approx(drawn.height_mm)


def test_the_ribs_of_the_clip_are_found_and_a_first_region_is_three_lines() -> None:
    """Three ribs 1.2 mm wide, from the bed to the top; the wall of 2.4 mm is not thin."""
    clip = learnt("film-clip")
    assert [area["number"] for area in clip.areas] == [1, 2, 3]
    for area in clip.areas:
        assert area["thickness_mm"] == pytest.approx(1.2, abs=0.11)
        assert area["z_mm"] == [0.0, 30.0] and area["layers"] == [1, 150]
    kit = read(uncommented(clip.kit_text, 2))
    region = kit.parts["film-clip"].regions["thin-2"]
    assert region.treat == "supple"
    pose = place(kit, demo()).poses[0]
    hit = select(demo(), pose, region, "thin-2")
    assert hit.layers == (1, 150)
    x, y = pose.to_part(*(getattr(demo().program.moves, k)[hit.selection.row] for k in "xy"))
    centre = np.array(clip.areas[1]["centre_mm"])
    assert np.all(np.hypot(x - centre[0], y - centre[1]) < 2.5)


def test_walls_are_looked_for_where_nothing_finer_is_found() -> None:
    """No rib on the hook; its finger is 2.4 mm thick above z = 4, its foot is thick."""
    finger = learnt("shelf-hook").areas[0]
    assert finger["thickness_mm"] == pytest.approx(2.4, abs=0.11)
    assert finger["z_mm"] == [4.0, 20.0] and finger["size_mm"] == [10.0, 2.4]


def test_a_given_thickness_is_what_counts_as_thin() -> None:
    assert len(learn(demo(), "film-clip", 1.0).areas) == 0
    assert len(learn(demo(), "film-clip", 2.0).areas) == 3


@pytest.mark.parametrize(("wide", "out", "areas"), [(0.8, 0.7, 0), (1.2, 0.6, 1), (1.2, 3.0, 1)])
def test_bumps_shorter_than_two_beads_are_left_out_and_counted(wide: float, out: float, areas: int) -> None:
    """A bump on a block, 0.8 mm long in plan or longer; the beads are 0.45 mm wide."""
    bumpy = shapely.box(0, 0, 10, 8).union(shapely.box(9.9, 3, 10 + out, 3 + wide))
    found = learn(plate_of(plain(bumpy)), "plain")
    assert (len(found.areas), found.specks) == (areas, 1 - areas)
    assert ("Left out: 1 thin speck," in found.kit_text) == (areas == 0)
    assert list(read(found.kit_text).parts["plain"].regions) == ["whole"]


def test_no_speck_of_a_sample_is_offered(samples: Path) -> None:
    plate = Plate.read(samples / "B-two-objects.gcode")
    found = learn(plate, plate.marks.objects.names[0])
    width = float(np.nanmedian(plate.beads.width))
    assert found.specks > 0 and len(found.areas) > 4
    assert min(max(area["size_mm"]) for area in found.areas) > 2 * width - 0.1  # type: ignore[call-overload]


def test_a_part_without_thin_areas_says_so_and_is_valid() -> None:
    block = learn(plate_of(plain(shapely.box(0, 0, 14, 9))))
    assert block.areas == [] and "No area thinner than" in block.kit_text
    assert list(read(block.kit_text).parts["plain"].regions) == ["whole"]


def test_neighbouring_areas_are_told_apart_by_more_than_boxes() -> None:
    """Two fins that cross each other's bounding boxes: each region holds one of them."""
    fins = shapely.union_all(
        [shapely.box(0, 0, 24, 6), shapely.Polygon([(2, 5), (3.2, 5), (18.2, 20), (17, 20)]),
         shapely.Polygon([(8, 5), (9.2, 5), (24.2, 20), (23, 20)])]
    )  # fmt: skip
    plate = plate_of(plain(fins))
    kit = learn(plate)
    assert len(kit.areas) == 2 and "prism" in kit.kit_text
    both = read(uncommented(uncommented(kit.kit_text, 1), 2))
    (pose,) = place(both, plate).poses
    hits = [select(plate, pose, both.parts["plain"].regions[f"thin-{n}"], "it") for n in (1, 2)]
    assert all(len(hit.selection.row) for hit in hits)
    assert not set(hits[0].selection.row.tolist()) & set(hits[1].selection.row.tolist())


@pytest.mark.parametrize(
    ("shape", "fold"),
    [(shapely.box(0, 0, 10, 10), 4), (shapely.box(0, 0, 16, 10), 2),
     (shapely.Point(0, 0).buffer(8, quad_segs=64), 360), (shapely.Polygon([(0, 0), (12, 0), (0, 9)]), 1)],
    ids=["square", "oblong", "disc", "triangle"],
)  # fmt: skip
def test_an_outline_that_looks_the_same_turned_is_declared_so(shape: shapely.Geometry, fold: int) -> None:
    plate = plate_of(plain(shape))
    kit = read(learn(plate).kit_text)
    assert kit.parts["plain"].found_by.symmetry == fold
    assert len(place(kit, plate).poses) == 1


def test_the_instance_meant_is_found_by_label_and_told_by_its_copy() -> None:
    names = demo().marks.objects.names
    assert learn(demo(), "FILM-CLIP.stl").part == "film-clip"
    assert learn(demo(), names[3]).label == names[3]


def test_a_label_that_is_not_there_is_answered_with_those_that_are() -> None:
    with pytest.raises(
        InputError, match=r"no object 'bracket' in it; found: film-clip, ridge-saddle"
    ) as caught:
        learn(demo(), "bracket")
    assert "--object" in caught.value.hint
    with pytest.raises(InputError, match="5 objects in it and none named"):
        learn(demo())


def test_without_labels_the_largest_object_is_taken_and_that_is_said() -> None:
    parts = plain(shapely.box(0, 0, 8, 5)), plain(shapely.box(0, 0, 20, 13))
    kit = learn(plate_of(*parts, labelled=False))
    (ring,) = read(kit.kit_text).parts["plate"].found_by.outline or ()
    assert shapely.Polygon(ring).area == pytest.approx(260.0, rel=0.01)
    assert "largest of 2" in kit.warnings[0] and "label:" not in kit.kit_text


@given(name=st.text(min_size=1, max_size=20).filter(lambda s: "\n" not in s and "\r" not in s))
def test_whatever_a_file_is_called_kit_and_drawing_stay_sound(name: str) -> None:
    plate = small()
    lines = plate.program.lines
    strange = type(lines)(lines.data, lines.start, lines.newline, f"<{name}>&\"'.gcode")
    program = type(plate.program)(
        **{k: getattr(plate.program, k) for k in plate.program.__slots__ if k != "lines"}, lines=strange
    )
    odd = type(plate)(**{k: getattr(plate, k) for k in plate.__slots__ if k != "program"}, program=program)
    kit = learn(odd)
    read(kit.kit_text)
    ET.fromstring(kit.drawing.encode())


@lru_cache(maxsize=1)
def small() -> Plate:
    return plate_of(plain(shapely.box(0, 0, 14, 9), height_mm=0.4), labelled=False)


def test_labels_with_signs_of_globs_yaml_and_xml_survive() -> None:
    data = make("B", parts=[Placement(plain(shapely.box(0, 0, 14, 9), "odd"), 60, 60)]).data
    odd = 'a "b" [c]* <d>&: #e'
    plate = Plate.from_bytes(data.replace(b"odd.stl", odd.encode()), "plate.gcode")
    kit = learn(plate)
    assert len(place(read(kit.kit_text), plate).poses) == 1
    ET.fromstring(kit.drawing.encode())


@pytest.mark.parametrize(
    ("name", "shown"),
    [(b"clip-\xe9", "clip-\xe9"), (b"clip-\x96", "clip-\u2013"), ("clip-\xe9".encode(), "clip-\xe9"),
     ("clip\u200b-x".encode(), "clip -x"), (b"clip-\x81", "clip-\ufffd")],
)  # fmt: skip
def test_the_name_that_is_shown_of_an_object_means_it_and_so_does_the_kit_s(name: bytes, shown: str) -> None:
    """Windows-1252 as the Unicode Consortium maps it (CP1252.TXT): E9 is e acute, 96 an en dash, 81 undefined."""
    data = make("B", parts=[Placement(plain(shapely.box(0, 0, 14, 9), "odd"), 60, 60)]).data
    plate = Plate.from_bytes(data.replace(b"odd.stl", name + b".stl"), "plate.gcode")
    with pytest.raises(InputError, match=f"found: {shown}\n"):
        learn(plate, "bracket")
    for label in (
        None,
        shown,
        plate.marks.objects.names[0],
        name.decode("utf-8", "surrogateescape"),
        "clip*",
    ):
        kit = read(learn(plate, label).kit_text)
        assert kit.parts["clip-x" if "x" in shown else "clip"].found_by.label
        assert len(place(kit, plate).poses) == 1


def test_a_real_file_is_learnt(samples: Path) -> None:
    plate = Plate.read(samples / "B-two-objects.gcode")
    kit = learn(plate, "lrs_200_psu_bracket_x2")
    assert kit.height_mm == pytest.approx(float(plate.layers.z_mm[-1]), abs=0.01)
    assert len(place(read(kit.kit_text), plate).poses) >= 1
    ET.fromstring(kit.drawing.encode())


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ET.fromstring(svg.encode()).iter(f"{SVG}text")]


def test_the_drawing_has_three_layers_a_labelled_grid_and_numbered_areas() -> None:
    drawing = learnt("film-clip").drawing
    words = texts(drawing)
    assert sum(word.startswith("layer ") for word in words) == 3
    assert {"0", "-4", "4", "x, mm", "y, mm", "1", "2", "3"} <= set(words)
    assert drawing.count(f'fill="{ACCENT}" fill-opacity') == 9


def test_a_drawing_shows_a_point_where_the_grid_says() -> None:
    """A triangle with corners at round coordinates, and the places of the grid's numbers beside it."""
    triangle = shapely.Polygon([(0, 0), (10, 0), (4, 6)])
    root = ET.fromstring(draw("t", [Row("r", (Panel("p", triangle),))]).encode())
    across, up = {}, {}
    for node in root.iter(f"{SVG}text"):
        if re.fullmatch(r"-?[\d.]+", node.text or "") and node.get("font-size") == "10":
            side = across if node.get("text-anchor") == "middle" else up
            side[float(node.text or 0)] = float(node.get("x" if side is across else "y", 0))
    (path,) = [node.get("d", "") for node in root.iter(f"{SVG}path") if node.get("fill-rule")]
    corners = np.array(re.findall(r"([\d.]+) ([\d.]+)", path), float)[:3]
    base = 3.5  # numbers stand a little below their line
    want = [(across[x], up[y] - base) for x, y in ((0, 0), (10, 0), (4, 6))]
    assert corners.tolist() == [pytest.approx(pair, abs=0.1) for pair in want]


def test_sections_of_a_kit_show_every_region_and_nothing_active() -> None:
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    svg = draw_sections(kit)
    words = texts(svg)
    for part in kit.parts.values():
        assert set(part.regions) <= set(words)
    assert "<script" not in svg and "href" not in svg and "on" + "load" not in svg


def test_sections_of_a_part_without_an_outline_are_drawn() -> None:
    kit = read("beadwright: 1\nkit: k\nparts:\n  p:\n    found_by: {label: p}\n    regions:\n"
               "      r: {within: {cylinder: {centre: [0, 0], radius: 5}}}\n")  # fmt: skip
    assert "no outline in the kit" in draw_sections(kit)


def test_a_glob_means_the_one_object_it_fits_and_names_them_where_it_fits_several() -> None:
    assert learn(demo(), "film*").part == "film-clip"
    with pytest.raises(InputError, match=r"'\*' means 5 objects: film-clip, ridge-saddle"):
        learn(demo(), "*")
    with pytest.raises(InputError, match=r"no object 'bracket\*' in it; found: film-clip"):
        learn(demo(), "bracket*")


def test_without_labels_a_name_is_answered_with_what_to_do() -> None:
    plate = plate_of(plain(shapely.box(0, 0, 8, 5)), labelled=False)
    with pytest.raises(InputError, match="names no objects") as caught:
        learn(plate, "bracket")
    assert "Leave --object out" in caught.value.hint and "found: none" not in str(caught.value)

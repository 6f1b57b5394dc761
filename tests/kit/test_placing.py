"""Placing: instances are found where they were drawn, by label, by outline, turned, mirrored, scaled."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import hypot

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.plates import InstanceTruth, hoophouse_plate
from gcodetools.demo.shapes import Bands, Part
from gcodetools.errors import InputError
from gcodetools.kit import schema
from gcodetools.kit.placing import Placed, Pose, place, why_absent
from gcodetools.kit.shapes import All
from gcodetools.toolpath.plate import Plate

# No two turns or mirror images of it are alike. Its left leg is longer, a slot runs into its right side.
BRACKET = shapely.Polygon(
    [(0, 0), (22, 0), (22, 4), (15, 4), (15, 6), (22, 6), (22, 9), (5, 9), (5, 16), (0, 16)]
)
# The same about its middle and smaller: whatever its turn, it stays within 8.2 mm.
SMALL = affinity.scale(affinity.translate(BRACKET, -11, -8), 0.6, 0.6, origin=(0, 0))
SQUARE = shapely.box(-5, -5, 5, 5)
WALL_MM = 1.0


def solid_part(shape: shapely.Geometry = BRACKET, name: str = "bracket", height_mm: float = WALL_MM) -> Part:
    return Part(name, height_mm, Bands(((height_mm, shape),)))


def bridge(name: str = "bridge") -> Part:
    """Two feet that are joined only above z = 0.6."""
    feet = shapely.union_all([shapely.box(0, 0, 5, 8), shapely.box(20, 0, 26, 8)])
    return Part(name, 1.2, Bands(((0.6, feet), (1.2, shapely.box(0, 0, 26, 8)))))


def kit_of(*parts: tuple[str, schema.FoundBy]) -> schema.Kit:
    everything = {"all": schema.Region(All())}
    return schema.Kit("test", (), {name: schema.Part(found, everything) for name, found in parts})


def found_by(shape: shapely.Geometry = BRACKET, label: str = "", **more: object) -> schema.FoundBy:
    rings = shapely.get_rings(shapely.get_parts(shape))
    outline = tuple(tuple(map(tuple, shapely.get_coordinates(r)[:-1].tolist())) for r in rings)
    return schema.FoundBy(label=label or (), outline=outline, **more)  # type: ignore[arg-type]


def plate_of(*placements: Placement, **options: object) -> Plate:
    options.setdefault("labelled", False)
    return Plate.from_bytes(make("B", parts=placements, **options).data, "plate.gcode")  # type: ignore[arg-type]


def assert_where_drawn(pose: Pose, truth: Placement | InstanceTruth) -> None:
    """Within 0.05 mm and 0.5 degrees."""
    assert hypot(pose.x_mm - truth.x_mm, pose.y_mm - truth.y_mm) < 0.05
    assert abs((pose.turn_deg - truth.turn_deg + 180) % 360 - 180) < 0.5
    assert pose.mirrored == truth.mirrored


@lru_cache(maxsize=5)
def demo(
    convention: str, labelled: bool, sequential: bool = False, few: bool = False
) -> tuple[Plate, tuple[InstanceTruth, ...]]:
    """The demo's plate; few : every third of its instances, some of each part."""
    parts = hoophouse_plate()[:: 3 if few else 1]
    made = make(convention, parts=parts, labelled=labelled, sequential=sequential)
    return Plate.from_bytes(made.data, "plate.gcode"), made.truth.instances


@lru_cache(maxsize=1)
def hoophouse() -> schema.Kit:
    return schema.kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")


@pytest.mark.every(2)
@pytest.mark.parametrize(
    ("convention", "labelled", "sequential"),
    [("B", False, False), ("B", True, False), ("A", True, False), ("J", False, False), ("B", False, True)],
    ids=["no labels", "a label an instance", "a label a part", "no marks at all", "object after object"],
)
def test_the_demo_is_found_where_it_was_drawn(convention: str, labelled: bool, sequential: bool) -> None:
    plate, truth = demo(convention, labelled, sequential, few=True)
    placed = place(hoophouse(), plate)
    assert placed.absent == () and len(placed.poses) == len(truth)
    for part in hoophouse().parts:
        poses = [pose for pose in placed.poses if pose.part == part]
        assert [pose.instance for pose in poses] == list(range(1, len(poses) + 1))
        for one in (t for t in truth if t.part == part):
            pose = min(poses, key=lambda p: hypot(p.x_mm - one.x_mm, p.y_mm - one.y_mm))
            assert_where_drawn(pose, one)
            assert pose.layers == one.layers
            assert pose.z_mm == pytest.approx(0.0, abs=1e-6)
            assert pose.fit_mm < 0.05


def test_rows_of_instances_are_the_beads_within_their_outline() -> None:
    plate, _ = demo("A", True, few=True)
    placed = place(hoophouse(), plate)
    moves = plate.program.moves
    rows = np.concatenate([pose.rows for pose in placed.poses])
    assert len(np.unique(rows)) == len(rows)
    for pose in placed.poses:
        assert np.all(np.diff(pose.rows) > 0)
        x, y = pose.to_part(moves.x[pose.rows], moves.y[pose.rows])
        ring = (hoophouse().parts[pose.part].found_by.outline or ())[0]
        around = shapely.Polygon(ring).buffer(1.5)
        assert np.all(shapely.contains_xy(around, x, y))
        assert pose.layer.min() == 1 and pose.layer.max() == pose.layers


@settings(max_examples=25)
@given(
    turn=st.floats(0, 360).map(lambda v: round(v, 2)), x=st.floats(40, 160), y=st.floats(40, 160),
    mirrored=st.booleans(), scale=st.sampled_from([1.0, 1.0, 0.99, 1.015]),
)  # fmt: skip
def test_any_turn_mirror_image_and_scale_is_found(
    turn: float, x: float, y: float, mirrored: bool, scale: float
) -> None:
    spot = Placement(solid_part(), round(x, 2), round(y, 2), turn, mirrored, scale)
    kit = kit_of(("bracket", found_by(mirrored="allowed", scale_within=0.02)))
    (pose,) = place(kit, plate_of(spot)).poses
    assert_where_drawn(pose, spot)
    assert pose.scale == pytest.approx(scale, abs=0.004)
    px, py = pose.to_part(*(np.array([v]) for v in pose.to_world(np.array([3.0]), np.array([4.0]))))
    assert (px[0], py[0]) == pytest.approx((3.0, 4.0))


@settings(max_examples=25)
@given(
    turn=st.floats(0, 360), grow=st.floats(-0.15, 0.15), seed=st.integers(0, 999),
)  # fmt: skip
def test_a_squeezed_and_rough_first_layer_is_still_found(turn: float, grow: float, seed: int) -> None:
    """Uniform growth up to 0.15 mm either way, corners off by up to 0.04 mm."""
    rng = np.random.default_rng(seed)
    drawn = shapely.Polygon(shapely.get_coordinates(BRACKET)[:-1] + rng.uniform(-0.04, 0.04, (10, 2)))
    spot = Placement(solid_part(drawn.buffer(grow, join_style="mitre")), 100.0, 100.0, turn)
    (pose,) = place(kit_of(("bracket", found_by())), plate_of(spot)).poses
    assert_where_drawn(pose, spot)


def placed_alone(found: schema.FoundBy, *spots: Placement, **options: object) -> Placed:
    return place(kit_of(("bracket", found)), plate_of(*spots, **options))


def test_a_mirror_image_is_refused_and_said() -> None:
    placed = placed_alone(found_by(), Placement(solid_part(), 100, 100, 30.0, mirrored=True))
    assert placed.absent == ("bracket",) and "mirror" in placed.warnings[0]


@pytest.mark.parametrize("labelled", [True, False])
def test_another_scale_than_allowed_is_not_the_part(labelled: bool) -> None:
    found = found_by(label="bracket", scale_within=0.02)
    placed = placed_alone(found, Placement(solid_part(), 100, 100, scale=1.06), labelled=labelled)
    assert placed.absent == ("bracket",)
    assert bool(placed.warnings) == labelled  # a label that is there but does not fit is worth a word


def test_another_height_is_another_part() -> None:
    spot = Placement(solid_part(height_mm=2.0), 100, 100)
    assert placed_alone(found_by(height_mm=2.0), spot).poses
    assert not placed_alone(found_by(height_mm=6.0), spot).poses


def test_an_outline_that_fits_several_turns_is_an_error_unless_declared() -> None:
    spot = Placement(solid_part(SQUARE), 100, 100, 20.0)
    with pytest.raises(InputError, match="fits in 4 turns") as caught:
        placed_alone(found_by(SQUARE), spot)
    assert "symmetry" in caught.value.hint
    (pose,) = placed_alone(found_by(SQUARE, symmetry=4), spot).poses
    assert (pose.turn_deg - 20.0 + 45) % 90 - 45 == pytest.approx(0.0, abs=0.5)


def test_two_parts_of_one_outline_need_labels() -> None:
    kit = kit_of(("left", found_by(label="left")), ("right", found_by(label="right")))
    spots = Placement(solid_part(name="left"), 60, 60), Placement(solid_part(name="right"), 120, 60)
    with pytest.raises(InputError, match="left and right"):
        place(kit, plate_of(*spots))
    placed = place(kit, plate_of(*spots, labelled=True))
    assert [(p.part, round(p.x_mm)) for p in placed.poses] == [("left", 60), ("right", 120)]


def test_the_better_of_two_like_outlines_wins() -> None:
    slim = BRACKET.buffer(-0.15, join_style="mitre")
    kit = kit_of(("wide", found_by()), ("slim", found_by(slim)))
    spots = Placement(solid_part(), 60, 60), Placement(solid_part(slim), 120, 60)
    placed = place(kit, plate_of(*spots))
    assert [(p.part, round(p.x_mm)) for p in placed.poses] == [("wide", 60), ("slim", 120)]


def test_without_an_outline_the_frame_is_the_first_layers_centre_and_that_is_said() -> None:
    placed = placed_alone(
        schema.FoundBy(label="BRACK*"), Placement(solid_part(), 100, 100, 90.0), labelled=True
    )
    (pose,) = placed.poses
    # Turned by 90 degrees its bounds are x -16 to 0, y 0 to 22 about the frame.
    assert (pose.x_mm, pose.y_mm) == pytest.approx((92.0, 111.0), abs=0.02)
    assert pose.turn_deg == 0.0 and "no outline" in placed.warnings[0]


@pytest.mark.parametrize(
    ("glob", "matches"),
    [("bracket", True), ("Brack*", True), ("bracket.stl", True), ("*", True), ("rack*", False)],
)
def test_labels_are_globs_in_any_case_without_extension_id_and_copy(glob: str, matches: bool) -> None:
    placed = placed_alone(found_by(label=glob), Placement(solid_part(), 100, 100), labelled=True)
    assert bool(placed.poses) == matches


def test_a_label_narrows_the_candidates() -> None:
    spots = [Placement(solid_part(name=name), x, 60) for name, x in (("one", 50), ("other", 100))]
    (pose,) = placed_alone(found_by(label="other"), *spots, labelled=True).poses
    assert round(pose.x_mm) == 100 and "other" in (pose.label or "")


def test_a_numeric_label_never_matches_a_glob(samples: object) -> None:
    plate = Plate.read(samples / "D-part.gcode")  # type: ignore[operator]
    assert plate.marks.objects.names == ("7558",)
    assert not place(kit_of(("any", schema.FoundBy(label="*"))), plate).poses


def test_one_label_may_hold_several_instances() -> None:
    spots = [Placement(solid_part(), 60, 60), Placement(solid_part(), 110, 60, 45.0)]
    made = make("A", parts=spots)
    plate = Plate.from_bytes(made.data, "plate.gcode")
    assert len(plate.marks.objects.names) == 1
    poses = place(kit_of(("bracket", found_by(label="bracket"))), plate).poses
    assert [p.instance for p in poses] == [1, 2]
    for pose, spot in zip(sorted(poses, key=lambda p: p.x_mm), spots, strict=True):
        assert_where_drawn(pose, spot)


@pytest.mark.parametrize("convention", ["A", "B"])
def test_copies_printed_one_after_the_other_are_instances_though_they_share_a_label(convention: str) -> None:
    """In convention A both copies bear one name; z that falls back to the bed begins the second."""
    stands = [Placement(solid_part(), 60, 60), Placement(solid_part(), 120, 60)]
    plate = Plate.from_bytes(make(convention, parts=stands, sequential=True).data, "plate.gcode")
    assert len(plate.marks.objects.names) == (1 if convention == "A" else 2)
    found = place(kit_of(("bracket", found_by(label="bracket*"))), plate)
    assert [pose.instance for pose in found.poses] == [1, 2]
    for pose, stand in zip(found.poses, stands, strict=True):
        assert_where_drawn(pose, stand)
        assert pose.layers == round(WALL_MM / 0.2)
        assert pose.layer.max() == pose.layers


@pytest.mark.parametrize("labelled", [True, False])
def test_feet_that_are_joined_above_are_one_instance(labelled: bool) -> None:
    part, spots = bridge(), [Placement(bridge(), 40, 60), Placement(bridge(), 100, 60, 30.0)]
    made = make("A" if labelled else "B", parts=spots, labelled=labelled)
    plate = Plate.from_bytes(made.data, "plate.gcode")
    poses = place(kit_of(("bridge", found_by(part.outline, label="bridge"))), plate).poses
    assert len(poses) == 2
    for pose, spot in zip(sorted(poses, key=lambda p: p.x_mm), spots, strict=True):
        assert_where_drawn(pose, spot)


def test_a_part_inside_the_hole_of_another_is_its_own() -> None:
    ring = shapely.Point(0, 0).buffer(24).difference(shapely.Point(0, 0).buffer(19))
    spots = Placement(solid_part(ring, "ring"), 100, 100), Placement(solid_part(SMALL), 100, 100)
    kit = kit_of(("ring", found_by(ring, symmetry=360)), ("bracket", found_by(SMALL)))
    placed = place(kit, plate_of(*spots))
    assert [pose.part for pose in placed.poses] == ["ring", "bracket"]
    outer, inner = placed.poses
    assert not set(outer.rows.tolist()) & set(inner.rows.tolist())


def edge_to_edge(*lefts: float, dry_mm: float) -> Plate:
    """Blocks of 12 by 7 mm whose beads, 0.45 mm wide, lie 0.02 mm apart; loops run dry over their last `dry_mm`."""
    lines = ["M83", "G90"]
    e = 0.45 * 0.2 / (np.pi * 1.75**2 / 4)
    for layer in range(5):
        z = 0.2 * (layer + 1)
        lines += [";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2", f"G1 Z{z:g} F600"]
        for left in lefts:
            for n, word in enumerate(("External perimeter", "Perimeter")):
                inset = 0.225 + 0.47 * n
                a, b, c, d = left + inset, 50 + inset, left + 12 - inset, 57 - inset
                lines += [f";TYPE:{word}", f"G1 X{a} Y{b} F9000"]
                lines += [
                    f"G1 X{x} Y{y} E{size * e}"
                    for x, y, size in ((c, b, c - a), (c, d, d - b), (a, d, c - a))
                ]
                lines += [f"G1 X{a} Y{b + dry_mm} E{(d - b - dry_mm) * e}", f"G1 X{a} Y{b} F1800"]
            lines += [";TYPE:Solid infill"]
            for y in np.arange(50 + 0.225 + 0.94, 57 - 1.1, 0.47):
                lines += [f"G1 X{left + 1.165} Y{y} F9000", f"G1 X{left + 10.835} Y{y} E{9.67 * e}"]
    return Plate.from_bytes("\n".join([*lines, "G1 X0 Y0", ""]).encode(), "blocks.gcode")


@pytest.mark.parametrize("dry_mm", [0.0, 1.5, 2.0])
def test_beads_a_hair_apart_are_one_part_and_parts_side_by_side_are_two(dry_mm: float) -> None:
    kit = kit_of(("block", found_by(shapely.box(0, 0, 12, 7), symmetry=2)))
    plate = edge_to_edge(60.0, 72.2, dry_mm=dry_mm)
    poses = place(kit, plate).poses
    assert [pose.x_mm for pose in poses] == pytest.approx([60.0, 72.2], abs=1e-3)
    assert max(pose.fit_mm for pose in poses) < 1e-3
    beads = np.flatnonzero(plate.beads.is_bead)
    np.testing.assert_array_equal(np.sort(np.concatenate([pose.rows for pose in poses])), beads)


def test_specks_in_the_air_stay_with_their_part(samples: object) -> None:
    """A real boat has loops of 0.1 mm2 that touch nothing below."""
    plate = Plate.read(samples / "B2-fast.gcode")  # type: ignore[operator]
    (pose,) = place(kit_of(("boat", schema.FoundBy(label="3d*"))), plate).poses
    assert len(pose.rows) == np.isin(plate.beads.feature, range(1, 8)).sum() and pose.layers == 192


def test_a_raft_shifts_z_and_counts_no_layer(samples: object) -> None:
    plate = Plate.read(samples / "A-two-names.gcode")  # type: ignore[operator]
    raft = int(plate.layers.raft.sum())
    assert raft == 4
    poses = place(kit_of(("foot", schema.FoundBy(label="camerafoot"))), plate).poses
    assert poses and all(p.layer.min() == 1 for p in poses)
    top_of_raft = float(plate.layers.z_mm[raft - 1])
    assert all(top_of_raft - 0.01 <= p.z_mm < top_of_raft + 0.5 for p in poses)
    assert not any(np.any(plate.layers.raft[plate.beads.layer[p.rows]]) for p in poses)


def test_two_labelled_copies_of_a_real_file_have_one_outline_each(samples: object) -> None:
    plate = Plate.read(samples / "B-two-objects.gcode")  # type: ignore[operator]
    poses = place(kit_of(("it", schema.FoundBy(label="lrs*"))), plate).poses
    assert len({p.label for p in poses}) == 2


def test_a_plate_without_the_part_names_it_as_absent() -> None:
    placed = placed_alone(found_by(SQUARE, symmetry=4), Placement(solid_part(), 100, 100))
    assert placed == Placed((), ("bracket",), placed.warnings)


def many(count: int) -> Sequence[Placement]:
    part = solid_part(SMALL, height_mm=0.4)
    return [Placement(part, 10 + 20 * (k % 10), 10 + 20 * (k // 10), 37.0 * k % 360) for k in range(count)]


def test_a_hundred_instances_are_all_found() -> None:
    spots = many(100)
    plate = plate_of(*spots)
    kit = kit_of(("bracket", found_by(SMALL)))
    placed = place(kit, plate)
    assert len(placed.poses) == 100
    for spot in spots:
        pose = min(placed.poses, key=lambda p: hypot(p.x_mm - spot.x_mm, p.y_mm - spot.y_mm))
        assert_where_drawn(pose, spot)


def test_what_is_not_there_says_whether_label_outline_or_height_fails() -> None:
    plate = plate_of(Placement(solid_part(), 60, 60), labelled=True)

    def why(**found: object) -> list[str]:
        kit = kit_of(("bracket", found_by(**found)))  # type: ignore[arg-type]
        assert not place(kit, plate).poses
        return why_absent(kit, plate)

    label = "bracket: its label is there, but "
    assert why(label="bracket*", height_mm=30.0) == [
        f"{label}its height does not fit: 1 mm on the plate, 30 mm in the kit"
    ]
    assert why(label="bracket*", shape=SQUARE) == [f"{label}its outline does not fit"]
    mirrored = affinity.scale(BRACKET, -1, 1, origin=(0, 0))
    (said,) = why(label="bracket*", shape=mirrored)
    assert said.startswith(f"{label}only its mirror image stands there")
    assert why(label="hook*") == []
    bare = schema.FoundBy(label="bracket")
    (said,) = why_absent(kit_of(("bracket", bare)), plate_of(Placement(solid_part(), 60, 60)))
    assert said == "bracket: the file names no objects, and the kit has no outline to know it by"


def test_a_file_that_is_taken_for_inches_says_so() -> None:
    made = make("B", parts=[Placement(solid_part(), 60, 60)]).data
    plate = Plate.from_bytes(made.replace(b"\nG21", b"\nG20", 1), "inch.gcode")
    kit = kit_of(("bracket", found_by(label="bracket*")))
    assert not place(kit, plate).poses
    (said,) = why_absent(kit, plate)
    assert "times as large; the file is in inches (G20)" in said
    assert "inches" not in why_absent(kit_of(("bracket", found_by(SQUARE, "bracket*"))), plate_of(
        Placement(solid_part(), 60, 60), labelled=True))[0]  # fmt: skip

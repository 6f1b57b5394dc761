"""The made plates against a reader of their own: a few lines of regular expressions, none of the project.

Bead volume is the handbook's: length of filament times its round section, pi d^2 / 4, equals length of bead
times a stadium's section, (w - h) h + pi h^2 / 4 (a rectangle with a half disc at either end: closed form).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from math import atan2, hypot, pi, tau

import numpy as np
import pytest
from shapely import LineString, Point, affinity, box, contains_xy, union_all

from gcodetools.demo import maker
from gcodetools.demo.plates import Placement
from gcodetools.demo.shapes import film_clip, part_named, ridge_saddle, shelf_hook
from gcodetools.demo.slicing import Recipe, layer_count, plan

FILAMENT = pi * 1.75**2 / 4
STADIUM = (0.45 - 0.2) * 0.2 + pi * 0.2**2 / 4
BED = box(0, 0, 220, 220)
WORD = re.compile(r"([A-Z])(-?\d*\.?\d+)")

LAYER_MARK = {
    "A": r"^;LAYER:-?\d+$", "B": "^;LAYER_CHANGE$", "B2": "^;LAYER_CHANGE$", "C": "^;LAYER_CHANGE$",
    "D": "^; CHANGE_LAYER$", "E0": r"^; layer \d+, Z = [\d.]+$", "E1": r"^; layer \d+, Z = [\d.]+$",
    "F": r"^; layer \d+, Z = [\d.]+$", "G": r"^; BEGIN_LAYER_OBJECT z=[\d.]+$", "H": r"^\(<layer> [\d.]+ \)$",
}  # fmt: skip
FEATURE_MARKS = {
    "A": {";TYPE:WALL-OUTER", ";TYPE:WALL-INNER", ";TYPE:SKIN", ";TYPE:FILL", ";TYPE:SKIRT"},
    "B": {";TYPE:External perimeter", ";TYPE:Perimeter", ";TYPE:Internal infill", ";TYPE:Bridge infill",
          ";TYPE:Overhang perimeter", ";TYPE:Solid infill", ";TYPE:Top solid infill", ";TYPE:Skirt/Brim"},
    "B2": {";TYPE:Internal perimeter", ";TYPE:Gap fill", ";TYPE:External perimeter", ";TYPE:Skirt"},
    "C": {";TYPE:Outer wall", ";TYPE:Inner wall", ";TYPE:Sparse infill", ";TYPE:Bridge",
          ";TYPE:Bottom surface"},
    "D": {"; FEATURE: Outer wall", "; FEATURE: Inner wall", "; FEATURE: Overhang wall", "; LINE_WIDTH: 0.45"},
    "E0": {"; outer perimeter", "; inner perimeter", "; infill", "; solid layer", "; tool H0.200 W0.450"},
    "E1": {"; feature outer perimeter", "; feature bridge", "; feature skirt"},
    "F": {"; beadwright demo maker: Starting new track", "; outer perimeter", ";START_OF_HEADER"},
    "G": {"; 'Perimeter Path', 1.0 [feed mm/s], 30.0 [head mm/s]"},
    "H": {"(<edge> outer )", "(<loop> outer )", "(<infill>)", "(</edge>)", "M101", "M103"},
}  # fmt: skip


@dataclass
class Read:
    """What the independent reader found. beads: (x0, y0, x1, y1, z, length, filament) an extruding move."""

    beads: list[tuple[float, ...]] = field(default_factory=list)
    travels: list[tuple[float, float, float]] = field(default_factory=list)
    retractions: list[float] = field(default_factory=list)
    net: float = 0.0
    highest: float = 0.0

    @property
    def filament(self) -> float:
        return sum(bead[6] for bead in self.beads)


def read(text: str) -> Read:
    """Follow G0 to G3, G92, M82 and M83; the first bead is the start code's and left out."""
    found, at, e, relative = Read(), {"X": 0.0, "Y": 0.0, "Z": 0.0}, 0.0, False
    for line in text.splitlines():
        command, *_ = re.split(r"[;(]", line)
        words = command.split()
        if not words:
            continue
        if words[0] in ("M82", "M83"):
            relative = words[0] == "M83"
        elif command.startswith("G92 E0"):
            e = 0.0
        elif words[0] in ("G0", "G1", "G2", "G3"):
            values = {letter: float(number) for letter, number in WORD.findall(command) if letter != "G"}
            start = dict(at)
            at.update({k: v for k, v in values.items() if k in at})
            pushed = 0.0
            if "E" in values:
                pushed = values["E"] if relative else values["E"] - e
                e = values["E"] if not relative else e
            found.net += pushed
            found.highest = max(found.highest, found.net)
            _note(found, words[0], start, at, values, pushed)
    del found.beads[0]
    return found


def _note(found: Read, command: str, start: dict[str, float], end: dict[str, float],
          values: dict[str, float], pushed: float) -> None:  # fmt: skip
    flat = hypot(end["X"] - start["X"], end["Y"] - start["Y"])
    if command in ("G2", "G3") and "X" in values:
        cx, cy = start["X"] + values["I"], start["Y"] + values["J"]
        turn = atan2(end["Y"] - cy, end["X"] - cx) - atan2(start["Y"] - cy, start["X"] - cx)
        turn = turn % tau if command == "G3" else -turn % tau
        flat = turn * hypot(values["I"], values["J"])
        assert hypot(end["X"] - cx, end["Y"] - cy) == pytest.approx(
            hypot(values["I"], values["J"]), abs=0.011
        )
    if flat > 0 and pushed > 0:
        found.beads.append((start["X"], start["Y"], end["X"], end["Y"], end["Z"], flat, pushed))
    elif pushed:
        found.retractions.append(pushed)
    else:
        found.travels.append((end["X"], end["Y"], end["Z"]))


CLIP = film_clip(height_mm=2.4)
HOOK = shelf_hook()
SMALL = (
    Placement(CLIP, 60, 60),
    Placement(CLIP, 100, 60, 30.0),
    Placement("wedge-key-easy", 140, 60, 90.0),
    Placement(ridge_saddle(height_mm=10.4), 90, 110, 180.0),  # its slots end at 10 mm
)
LAYERS = 52


@dataclass
class Small:
    """A small plate in one convention, and as the independent reader finds it."""

    letter: str
    made: maker.Made
    found: Read


@pytest.fixture(scope="module", params=maker.CONVENTIONS)
def small(request: pytest.FixtureRequest) -> Small:
    made = maker.make(request.param, parts=SMALL)
    return Small(request.param, made, read(made.data.decode()))


@pytest.mark.every(3)
def test_filament_of_every_bead_is_the_handbooks_volume(small: Small) -> None:
    found = small.found
    ratio = np.array([bead[6] * FILAMENT / (bead[5] * STADIUM) for bead in found.beads])
    lengths = np.array([bead[5] for bead in found.beads])
    truth = small.made.truth
    regular = sum(v for k, v in truth.length_mm.items() if k != "gap") / sum(truth.length_mm.values())
    # E has 4 or 5 decimals: on a bead over 5 mm (0.17 mm of filament) that is 0.06 % at most.
    long = lengths > 5
    assert long.sum() > 1000
    within = np.abs(ratio[long] - 1) < 1e-3
    # Gap beads are narrower than 0.45 mm and few.
    assert lengths[long][within].sum() >= 0.98 * regular * lengths[long].sum()


def test_totals_are_what_an_independent_reader_counts(small: Small) -> None:
    letter, found, truth = small.letter, small.found, small.made.truth
    assert found.filament == pytest.approx(truth.beads_mm, abs=0.01)
    assert sum(bead[5] for bead in found.beads) == pytest.approx(sum(truth.length_mm.values()), rel=1e-6)
    assert len(found.beads) == truth.beads
    assert found.highest == pytest.approx(truth.highest_mm, abs=0.01)
    assert found.net == pytest.approx(truth.net_mm, abs=0.01)
    assert truth.volume_mm3 == pytest.approx(found.filament * FILAMENT, rel=1e-6)
    for whole in (truth.layer_filament_mm, [sum(truth.filament_mm.values())]):
        assert sum(whole) == pytest.approx(truth.beads_mm, rel=1e-9)
    assert truth.convention == letter


def test_layers_are_marked_and_counted(small: Small) -> None:
    letter, made = small.letter, small.made
    text = made.data.decode()
    heights = sorted({round(bead[4], 3) for bead in small.found.beads})
    assert heights == [round(0.2 * (k + 1), 3) for k in range(LAYERS)]
    assert made.truth.layers == LAYERS
    if letter in LAYER_MARK:
        assert len(re.findall(LAYER_MARK[letter], text, re.M)) == LAYERS
    else:
        assert not any(re.search(pattern, text, re.M) for pattern in LAYER_MARK.values())


def test_convention_has_its_marks_and_bare_ones_have_none(small: Small) -> None:
    letter, made = small.letter, small.made
    lines = set(made.data.decode().splitlines())
    assert FEATURE_MARKS.get(letter, set()) <= lines
    if letter == "J":
        assert b";" not in made.data and b"(" not in made.data
    if letter == "I":
        assert b"TYPE" not in made.data and b"; filament_diameter = 1.75" in made.data


def test_moves_stay_on_the_bed(small: Small) -> None:
    found = small.found
    points = np.array([(b[2], b[3]) for b in found.beads] + [t[:2] for t in found.travels])
    assert contains_xy(BED.buffer(1e-9), points).all()
    assert min(t[2] for t in found.travels) >= 0.2 - 1e-9


def test_retractions_come_in_pairs_and_every_bead_starts_primed(small: Small) -> None:
    found = small.found
    assert found.retractions[-1] == pytest.approx(-0.8, abs=2e-4)
    amounts = np.array(found.retractions)
    assert np.allclose(amounts[::2], -0.8, atol=2e-4)
    assert np.allclose(amounts[1::2], 0.8, atol=2e-4)
    # Retracted filament is back whenever a bead is laid: net E then is at its highest.
    assert found.highest - found.net == pytest.approx(0.8, abs=2e-3)


def test_no_bead_leaves_its_part_by_more_than_half_its_width(small: Small) -> None:
    """Centre lines lie inside the drawn polygons, half a width from their edge, to micrometres."""
    found = small.found
    inside = {}
    for placement in SMALL:
        part = part_named(placement.part) if isinstance(placement.part, str) else placement.part
        for k in range(layer_count(part, Recipe())):
            turned = affinity.rotate(part.section(0.2 * k + 0.1), placement.turn_deg, origin=(0, 0))
            here = affinity.translate(turned, placement.x_mm, placement.y_mm)
            inside.setdefault(k, []).append(here)
    hull = union_all(inside[0]).convex_hull
    for k in (0, 1, 6, 30, 50, LAYERS - 1):
        allowed = union_all(inside[k]).buffer(-0.225).buffer(0.006)
        beads = [b for b in found.beads if abs(b[4] - 0.2 * (k + 1)) < 1e-6]
        if k == 0:
            beads = [b for b in beads if hull.contains(Point(b[0], b[1]))]
        assert len(beads) > 50
        outside = [b for b in beads if not allowed.covers(LineString([b[:2], b[2:4]]))]
        # Gap beads may be wider or narrower; they lie between perimeters, so no line is let off.
        assert outside == []


def test_relative_and_absolute_files_push_the_same_filament() -> None:
    for letter in ("B", "A", "E0", "G"):
        one, other = (maker.make(letter, parts=SMALL[:2], relative_e=way) for way in (True, False))
        assert one.truth.beads_mm == other.truth.beads_mm
        assert read(one.data.decode()).filament == pytest.approx(read(other.data.decode()).filament, abs=1e-3)
        assert b"\nM83\n" in one.data and b"\nM82\n" in other.data


def test_same_arguments_same_bytes() -> None:
    assert maker.make_plate("D", parts=SMALL[:2]) == maker.make_plate("D", parts=SMALL[:2])


def test_stated_totals_are_true() -> None:
    """Each convention's own words for its total, by the meaning measured on real files."""
    cases = {
        "A": (r";Filament used: ([\d.]+)m", 1000.0, "beads_mm", 0.0),
        "B": (r"; filament used \[mm\] = ([\d.]+)", 1.0, "highest_mm", 0.0),
        "C": (r"; filament used \[mm\] = ([\d.]+)", 1.0, "net_mm", 0.0),
        "D": (r"; total filament length \[mm\] : ([\d.]+)", 1.0, "beads_mm", 9.0),
        "E0": (r";   Filament length: ([\d.]+) mm", 1.0, "beads_mm", 0.0),
        "G": (r"; Estimated Build Volume: ([\d.]+) cm", 1000 / FILAMENT, "beads_mm", 0.0),
    }
    for letter, (pattern, unit, meaning, start) in cases.items():
        made = maker.make(letter, parts=SMALL[:3])
        stated = float(re.search(pattern, made.data.decode())[1]) * unit  # type: ignore[index]
        # G prints three decimals of less than 1 cm3; retraction and start code are larger than that.
        assert stated == pytest.approx(getattr(made.truth, meaning) + start, rel=6e-4), letter
        assert made.truth.stated_mm == pytest.approx(stated, rel=6e-4)


def test_labels_bracket_each_instance_in_each_of_its_layers() -> None:
    text = maker.make_plate("C", parts=SMALL).decode()
    names = re.findall(r"^EXCLUDE_OBJECT_DEFINE NAME=(\S+)", text, re.M)
    assert names == [
        f"{part}.stl_id_{n}_copy_{copy}"
        for part, n, copy in (
            ("film-clip", 0, 0),
            ("film-clip", 0, 1),
            ("wedge-key-easy", 1, 0),
            ("ridge-saddle", 2, 0),
        )
    ]
    starts, ends = (
        Counter(re.findall(rf"^EXCLUDE_OBJECT_{w} NAME=(\S+)", text, re.M)) for w in ("START", "END")
    )
    assert starts == ends == dict(zip(names, (12, 12, 24, LAYERS), strict=True))
    opened = re.findall(r"^; (?:stop )?printing object (.*)$", text, re.M)
    assert opened[::2] == opened[1::2] and len(opened) == 2 * (12 + 12 + 24 + LAYERS)


def test_unlabelled_plates_name_no_part() -> None:
    for letter in maker.CONVENTIONS:
        body = maker.make_plate(letter, parts=SMALL[:1], labelled=False).decode()
        lines = [line for line in body.splitlines() if "applyToModels" not in line]
        assert not any("film-clip" in line or "M624" in line for line in lines), letter


def test_numbered_labels_are_bits_of_a_mask() -> None:
    text = maker.make_plate("D", parts=SMALL[:3]).decode()
    assert re.findall(r"^; model label id: (.*)$", text, re.M) == ["101,108,115"]
    # One bit an object, 64 bits little-endian: 1, 2, 4 in base 64 (RFC 4648).
    assert {"M624 AQAAAAAAAAA=", "M624 AgAAAAAAAAA=", "M624 BAAAAAAAAAA="} <= set(text.splitlines())


def test_other_object_commands() -> None:
    text = maker.make_plate("B", parts=SMALL[:2], object_commands="m486").decode()
    assert text.count("\nM486 S-1\n") == 24
    assert text.count("\nM486 S0\n") == 12


def test_one_after_the_other_falls_back_to_the_bed() -> None:
    made = maker.make("B", parts=SMALL[:3], sequential=True)
    heights = [float(z) for z in re.findall(r"^;Z:([\d.]+)$", made.data.decode(), re.M)]
    assert len(heights) == made.truth.layers == 12 + 12 + 24
    assert [k for k in range(1, 48) if heights[k] < heights[k - 1]] == [12, 24]
    found = read(made.data.decode())
    assert found.filament == pytest.approx(made.truth.beads_mm, abs=0.01)
    # Over what stands already it travels above everything.
    clear = [z for x, y, z in found.travels if z >= 4.8 + 5]
    assert len(clear) >= 4


def test_round_walls_as_arcs_hold_the_same_plastic() -> None:
    lines, arcs = (maker.make("C", parts=SMALL[:2], arcs=way) for way in (False, True))
    found = read(arcs.data.decode())
    assert len(re.findall(rb"^G[23] ", arcs.data, re.M)) > 100
    assert arcs.data.count(b"\n") < 0.7 * lines.data.count(b"\n")
    assert found.filament == pytest.approx(arcs.truth.beads_mm, abs=0.01)
    # A chord of 7.5 degrees is shorter than its arc by 1 - sin(x)/x at x = 3.75 degrees: 0.07 %.
    assert arcs.truth.beads_mm == pytest.approx(lines.truth.beads_mm, rel=1e-3)
    assert arcs.truth.beads_mm > lines.truth.beads_mm


def test_line_ends_and_firmware_retraction_and_start_macro() -> None:
    made = maker.make_plate("B", parts=SMALL[:1], newline="\r\n", firmware_retraction=True, macro_start=True)
    assert made.count(b"\n") == made.count(b"\r\n")
    assert made.count(b"\r\nG10\r\n") == made.count(b"\r\nG11\r\n") + 1
    assert b"E-" not in made
    assert b"print_start EXTRUDER=230 BED=80" in made and b"M104 S230" not in made


def test_fan_is_off_at_first_and_full_on_bridges_only() -> None:
    text = maker.make_plate("B", parts=(Placement("ridge-saddle", 100, 100),)).decode()
    layers = text.split(";LAYER_CHANGE\n")[1:]
    assert all("M106" not in layer for layer in layers[:3])
    assert layers[3].count("M106 S102") == 1
    # Roofs of the key slots: z 10.0 to 10.2, layer 51.
    full = [k + 1 for k, layer in enumerate(layers) if "M106 S255" in layer]
    assert full == [51]
    switches = re.findall(r"M106 S(\d+)", layers[50])
    assert set(switches) == {"255", "102"} and switches[0] == "255"


def test_mirrored_and_scaled_instances() -> None:
    hook = shelf_hook(height_mm=4.0)
    plain, mirrored, scaled = (
        maker.make("B", parts=(Placement(hook, 100, 100, 0.0, *way),))
        for way in ((False, 1.0), (True, 1.0), (False, 1.05))
    )
    flipped = {(round(200 - b[0], 2), round(b[1], 2)) for b in read(plain.data.decode()).beads if b[4] > 0.3}
    assert flipped == {
        (round(b[0], 2), round(b[1], 2)) for b in read(mirrored.data.decode()).beads if b[4] > 0.3
    }
    assert scaled.truth.layers == 21
    widths = [max(b[0] for b in read(m.data.decode()).beads if b[4] > 0.3) for m in (plain, scaled)]
    # 9 mm to the edge, half a bead less to the centre line: the bead's width doesn't scale.
    assert widths == pytest.approx([100 + 9 - 0.225, 100 + 9 * 1.05 - 0.225], abs=2e-3)


def test_the_demos_plate_is_the_hoophouse() -> None:
    placed = Counter(p.part for p in maker.hoophouse_plate())
    assert placed == {
        "film-clip": 9,
        "ridge-saddle": 2,
        "wedge-key-snug": 4,
        "wedge-key-easy": 4,
        "shelf-hook": 4,
    }
    clips = [p for p in maker.hoophouse_plate() if p.part == "film-clip"]
    assert sum(p.turn_deg != 0 for p in clips) == 3
    shapes = []
    for p in maker.hoophouse_plate():
        turned = affinity.rotate(part_named(str(p.part)).outline, p.turn_deg, origin=(0, 0))
        shapes.append(affinity.translate(turned, p.x_mm, p.y_mm).convex_hull)
    assert union_all(shapes).area == pytest.approx(sum(shape.area for shape in shapes))
    assert BED.buffer(-5).contains(union_all(shapes))


def test_equal_layers_are_planned_once() -> None:
    layers = plan(film_clip(), Recipe())
    assert len(layers) == 150
    # Two directions of infill, and what depends on being near the bottom or the top.
    assert len({id(layer) for layer in layers}) == 8


def test_unknown_names_are_refused() -> None:
    with pytest.raises(KeyError):
        maker.make("Z")
    with pytest.raises(KeyError):
        maker.make("B", parts=(Placement("nail", 10, 10),))

"""What a plot draws, against the plate it is drawn from and against the record of `estimate`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from low_clip import LOW_CLIP, low_kit

from gcodetools.demo.maker import Placement, make
from gcodetools.errors import InputError, NotFoundOnPlate, UsageError
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.plot import Wanted, drawn, plot_file
from gcodetools.jobs.plot_data import layer_plot, strip_plot, trace_plot
from gcodetools.jobs.plot_sides import Side, read_sides
from gcodetools.jobs.strengths import beads_got
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.report.plot_data import LAYER_QUANTITIES, LayerBeads
from gcodetools.report.strokes import GONE, NEW, after, before
from gcodetools.toolpath.plate import Plate

pytestmark = pytest.mark.usefixtures("few_cells")
PARTS = (Placement(LOW_CLIP, 60, 60), Placement("wedge-key-snug", 90, 110))
KIT = kit_from_bytes(low_kit().encode(), "hoophouse.kit.yaml")
CLIP, KEY, LAYER = "film-clip#1", "wedge-key-snug#1", 20


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Plate, its treated copy and the kit as files; and the treatment they came of."""
    place = tmp_path_factory.mktemp("plots")
    data = make(parts=PARTS).data
    treated = apply_plate(Plate.from_bytes(data, "plate.gcode"), KIT, Options(())).treated
    (place / "plate.gcode").write_bytes(data)
    (place / "treated.gcode").write_bytes(treated.render())
    (place / "hoophouse.kit.yaml").write_text(low_kit(), encoding="utf-8")
    return place, treated


@pytest.fixture(scope="module")
def options(folder):
    return Options((folder[0] / "hoophouse.kit.yaml",))


@pytest.fixture(scope="module")
def sides(folder, options):
    return read_sides(folder[0] / "treated.gcode", folder[0] / "plate.gcode", options)


@pytest.fixture(scope="module")
def one(folder, options):
    return read_sides(folder[0] / "plate.gcode", None, options)


def rows_of(side: Side, name: str, layer: int) -> np.ndarray:
    (pose,) = [p for p in side.placed.poses if f"{p.part}#{p.instance}" == name]
    return pose.rows[pose.layer == layer]


def by_row(beads: LayerBeads, rows: np.ndarray) -> np.ndarray:
    return np.bincount(np.searchsorted(rows, beads.row), beads.length_mm, minlength=len(rows))


@pytest.mark.parametrize("quantity", LAYER_QUANTITIES)
def test_every_bead_is_drawn_once_in_its_whole_length_and_width(sides, quantity):
    plot = layer_plot(sides, LAYER, CLIP, quantity)
    for side, panel in zip(sides, plot.sides, strict=True):
        rows = rows_of(side, CLIP, LAYER)
        assert by_row(panel.beads, rows) == pytest.approx(side.plate.beads.length_mm[rows], rel=1e-9)
        assert panel.beads.width_mm == pytest.approx(side.plate.beads.width[panel.beads.row])
        first = np.searchsorted(panel.beads.row, rows)
        assert panel.beads.end[-1] == pytest.approx(
            [side.plate.moves.x[rows[-1]], side.plate.moves.y[rows[-1]]], abs=1e-9
        )
        assert panel.beads.begin[first, 0] == pytest.approx(side.plate.moves.x[rows - 1], abs=1e-9)


def test_without_an_instance_the_whole_layer_of_the_plate_is_drawn(one):
    beads = layer_plot(one, LAYER, None, "region").sides[0].beads
    plate = one[0].plate
    mine = (plate.beads.layer == LAYER - 1) & plate.beads.is_bead
    assert beads.length_mm.sum() == pytest.approx(plate.beads.length_mm[mine].sum())
    assert np.array_equal(np.unique(beads.row), np.flatnonzero(mine))


def test_arcs_are_drawn_in_their_whole_length(tmp_path):
    path = tmp_path / "arcs.gcode"
    path.write_bytes(make("C", parts=PARTS[:1], arcs=True).data)
    sides = read_sides(path, None, Options(()))
    plate = sides[0].plate
    assert len(plate.program.arcs.row) > 100
    beads = layer_plot(sides, LAYER, None, "feed").sides[0].beads
    mine = (plate.beads.layer == LAYER - 1) & plate.beads.is_bead
    rows = np.flatnonzero(mine)
    assert by_row(beads, rows) == pytest.approx(plate.beads.length_mm[rows], rel=1e-6)
    arcs = plate.program.arcs
    bent = np.isin(beads.row, arcs.row)
    k = np.searchsorted(arcs.row, beads.row[bent])
    middle = (beads.begin[bent] + beads.end[bent]) / 2
    away = np.hypot(middle[:, 0] - arcs.cx[k], middle[:, 1] - arcs.cy[k])
    assert away == pytest.approx(arcs.radius[k], abs=1e-6)


def test_regions_hold_the_length_of_their_selections(one):
    plot = layer_plot(one, LAYER, CLIP, "region")
    beads, plate, taken = plot.sides[0].beads, one[0].plate, 0.0
    for found in (f for f in one[0].found if f.hit.part == "film-clip"):
        selection = found.hit.selection
        here = np.isin(selection.row, rows_of(one[0], CLIP, LAYER))
        length = ((selection.t1 - selection.t0) * plate.beads.length_mm[selection.row])[here].sum()
        drawn_mm = beads.length_mm[beads.region == plot.regions.index(found.hit.region)].sum()
        # The first region wins: a later one may lose what both claim.
        assert drawn_mm <= length + 1e-6
        if found.hit.region == "ribs":
            assert drawn_mm == pytest.approx(length) and length > 1.0
        taken += drawn_mm
    assert taken == pytest.approx(beads.length_mm[beads.region >= 0].sum())


def test_feed_and_flow_are_those_of_the_file(one):
    plate, rows = one[0].plate, rows_of(one[0], KEY, LAYER)
    feed = layer_plot(one, LAYER, KEY, "feed").sides[0].beads
    assert feed.value == pytest.approx(plate.moves.f[feed.row])
    rate = layer_plot(one, LAYER, KEY, "rate").sides[0].beads
    volume = (rate.value * rate.length_mm / feed.value).sum()
    # Filament of 1.75 mm, as the demo's settings state.
    assert volume == pytest.approx(plate.moves.e[rows].sum() * np.pi * 1.75**2 / 4, rel=1e-6)


def test_the_nozzle_is_what_the_beads_got(sides):
    side = sides[1]
    beads = layer_plot(sides, LAYER, KEY, "nozzle").sides[1].beads
    got, _ = beads_got(side.plate, side.kit, side.profiles, side.planned, side.mm3_per_mm)
    assert np.array_equal(beads.value, got.at(beads.row)[0])


def test_the_age_of_a_bead_on_its_twin_is_the_time_between_them(one):
    """A bead of the outermost perimeter with the same ends on the layer below: all of it lies on that one."""
    side, plate = one[0], one[0].plate
    beads = layer_plot(one, LAYER, CLIP, "age").sides[0].beads
    got, _ = beads_got(plate, side.kit, side.profiles, side.planned, side.mm3_per_mm)
    upper, lower = rows_of(side, CLIP, LAYER), rows_of(side, CLIP, LAYER - 1)

    def ends(rows):
        x, y = plate.moves.x, plate.moves.y
        return np.round(np.column_stack([x[rows - 1], y[rows - 1], x[rows], y[rows]]), 4)

    twins = {tuple(key): row for key, row in zip(ends(lower).tolist(), lower.tolist(), strict=True)}
    checked = 0
    for key, row in zip(ends(upper).tolist(), upper.tolist(), strict=True):
        if plate.beads.feature[row] != 1 or tuple(key) not in twins:
            continue
        told = beads.value[beads.row == row]
        wanted = [got.laid_s(np.array([r]), np.array([0.5]))[0] for r in (row, twins[tuple(key)])]
        assert told == pytest.approx(wanted[0] - wanted[1], abs=0.1)
        checked += 1
    assert checked > 20


def test_the_strip_has_the_numbers_of_estimate(one):
    """Its weakest layer is what `estimate` tells of the region: strength of a key's shank, bond of all."""
    regions = estimate_plate(one[0].plate, KIT, Options(()))[0]["regions"]
    for name in (CLIP, KEY):
        strength, bond = (strip_plot(one, name, quantity, None)[0] for quantity in ("strength", "bond"))
        records = [r for r in regions if f"{r['part']}#{r['instance']}" == name]
        assert [r.name for r in strength.regions] == [r["region"] for r in records]
        for record, first, second in zip(records, strength.regions, bond.regions, strict=True):
            for course, band, scale in (
                (first.courses[""], record["strength_mpa"]["across_layers"], 1.0),
                (second.courses[""], record["bond"]["min"], 100.0),
            ):
                k = course.least
                told = [course.low[k], course.best[k], course.high[k]]
                assert told == pytest.approx([scale * band[key] for key in ("low", "best", "high")], rel=1e-4)
            assert second.courses[""].layer[second.courses[""].least] == record["bond"]["weakest_layer"]


def test_bands_hold_their_best_and_heights_are_those_of_layers(sides):
    plot, pose = strip_plot(sides, CLIP, "strength", (5, 30))
    tops = sides[1].plate.layers.z_mm
    for region in plot.regions:
        assert set(region.courses) == {"before", "after"}
        for course in region.courses.values():
            known = ~np.isnan(course.best)
            assert np.all((course.low <= course.best)[known]) and np.all((course.best <= course.high)[known])
            assert course.layer.min() >= 5 and course.layer.max() <= 30
            assert course.z_mm == pytest.approx(tops[course.layer - 1] - pose.z_mm)


def test_the_bond_of_a_layer_is_about_that_of_the_strip(one):
    """Worked out bead by bead on one side and in classes on the other."""
    layer = layer_plot(one, LAYER, KEY, "bond").sides[0].beads
    course = strip_plot(one, KEY, "bond", None)[0].regions[0].courses[""]
    known = ~np.isnan(layer.value)
    area = (layer.length_mm * layer.width_mm)[known]
    assert known.sum() > 10
    mean = float((layer.value[known] * area).sum() / area.sum())
    assert mean == pytest.approx(course.best[course.layer == LAYER][0], rel=0.03)


def test_the_shadow_holds_the_plastic_of_each_layer(one):
    plot, pose = strip_plot(one, KEY, "strength", (3, 9))
    beads = one[0].plate.beads
    for k, layer in enumerate(range(3, 10)):
        rows = pose.rows[pose.layer == layer]
        volume = (beads.length_mm * beads.width.astype(float) * beads.height)[rows].sum()
        assert plot.shadow[k].sum() == pytest.approx(volume, rel=1e-6)


def test_added_and_removed_are_what_the_treatment_did(sides, folder):
    """Told from the two files alone; the draft they came of knows which beads it removed and which are new."""
    plot = layer_plot(sides, LAYER, CLIP, "change")
    first, second = (panel.beads for panel in plot.sides)
    draft = folder[1].draft
    index = int(sides[0].plate.beads.layer[rows_of(sides[0], CLIP, LAYER)[0]])
    wanted = [
        one.of(one.status == s).length_mm.sum()
        for one, s in ((before(draft, index), GONE), (after(draft, index), NEW))
    ]
    told = [b.length_mm[b.status == s].sum() for b, s in ((first, GONE), (second, NEW))]
    assert wanted[1] > 10.0
    # Cut to half millimetres: each end of a run may be off by a quarter.
    assert told == pytest.approx(wanted, abs=1.5)


def test_a_file_against_itself_shows_no_change(folder, options):
    path = folder[0] / "plate.gcode"
    plot = layer_plot(read_sides(path, path, options), LAYER, CLIP, "change")
    assert [np.unique(panel.beads.status).tolist() for panel in plot.sides] == [[0], [0]]


def test_the_trace_has_commands_and_times_of_the_file(sides):
    plot = trace_plot(sides, None, None)
    for side, shown in zip(sides, plot.sides, strict=True):
        begin = np.concatenate([[0.0], np.cumsum(side.planned.seconds)])
        assert shown.t_s == pytest.approx(begin[shown.row]) and np.all(np.diff(shown.t_s) >= 0)
        states, line = side.plate.program.states, side.plate.moves.line[shown.row]
        assert shown.told_c == pytest.approx(states.nozzle[0].at(line))
        assert shown.fan_told == pytest.approx(states.fan.at(line))
        low, high = shown.told_c.min(), shown.told_c.max()
        assert np.all((shown.reached_c > low - 1e-6) & (shown.reached_c < high + 1e-6))
        rows = np.unique(np.concatenate([found.hit.selection.row for found in side.found]))
        inside = (shown.visits[:, 1] - shown.visits[:, 0]).sum()
        assert inside >= side.planned.seconds[rows].sum() - 1e-6
        # The demo's fan is off on the first layers and at 40 % above them.
        assert {0.0, 0.4} <= set(np.round(shown.fan_told, 2).tolist())


def test_layers_of_a_trace_begin_at_0(sides):
    plot = trace_plot(sides, CLIP, (10, 12))
    assert plot.since == "layer 10"
    for side, shown in zip(sides, plot.sides, strict=True):
        layers = side.plate.beads.layer[shown.row]
        assert set(layers.tolist()) == {9, 10, 11}
        assert 0 <= shown.t_s[0] < 60 and shown.begin_s > 60


def test_the_record_adds_up(sides):
    record = drawn(layer_plot(sides, LAYER, CLIP, "change"))
    for side in record["sides"]:
        assert sum(side["columns"]["length_mm"]) == pytest.approx(side["length_mm"], abs=0.1)
        assert len({len(column) for column in side["columns"].values() if column is not None}) == 1
    values = drawn(layer_plot(sides, LAYER, CLIP, "age"))["sides"][1]
    assert len(values["values"]["at"]) == len(values["values"]["value"])
    assert (min(values["values"]["value"]), max(values["values"]["value"])) == (values["low"], values["high"])


WRONG = [
    (Wanted("layer", layer=0), UsageError, "--layer 0: "),
    (Wanted("layer", layer=999, instance=KEY), UsageError, "wedge-key-snug#1 has 24 layers"),
    (Wanted("layer", instance="film-clip#7"), UsageError, "--instance film-clip#7: no instance"),
    (Wanted("layer", quantity="change"), UsageError, "--quantity change"),
    (Wanted("layer", quantity="strength"), UsageError, "not for --layer"),
    (Wanted("trace", quantity="bond"), UsageError, "not for --trace"),
    (Wanted("layer", layers=(1, 2)), UsageError, "--layers: not for --layer"),
    (Wanted("strip", layers=(9, 200)), UsageError, "--layers 9-200"),
    (Wanted("trace", layers=(9, 3)), UsageError, "--layers 9-3"),
    (Wanted("layer", size_mm=(20, 20)), UsageError, "--size 20x20"),
]


@pytest.mark.parametrize(("wanted", "kind", "words"), WRONG, ids=[words for _, _, words in WRONG])
def test_what_makes_no_sense_is_refused_and_nothing_written(folder, options, tmp_path, wanted, kind, words):
    out = tmp_path / "x.png"
    with pytest.raises(kind) as caught:
        plot_file(folder[0] / "plate.gcode", None, out, wanted, options)
    assert words in caught.value.cause and caught.value.hint
    assert not out.exists()


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (Wanted("strip"), "--strip: no kit"),
        (Wanted("layer", instance=KEY), "--instance: no kit"),
        (Wanted("layer", quantity="age"), "--quantity age: no kit"),
    ],
)
def test_what_needs_a_kit_says_so(folder, tmp_path, wanted, words):
    with pytest.raises(UsageError, match=words):
        plot_file(folder[0] / "plate.gcode", None, tmp_path / "x.png", wanted, Options(()))


def test_another_ending_is_refused(folder, options, tmp_path):
    with pytest.raises(UsageError, match=r"expected a name that ends in .png, .svg or .pdf"):
        plot_file(folder[0] / "plate.gcode", None, tmp_path / "x.jpg", Wanted("trace"), options)


def test_a_material_without_welds_has_no_bond(folder, options, tmp_path):
    with pytest.raises(InputError, match=r"bond\.weld|strength"):
        plot_file(
            folder[0] / "plate.gcode", None, tmp_path / "x.png", Wanted("layer", layer=LAYER, quantity="bond"),
            replace(options, material="tpu-95a"),
        )  # fmt: skip


def test_a_plate_without_the_parts_is_said(tmp_path, options):
    path: Path = tmp_path / "hooks.gcode"
    path.write_bytes(make(parts=(Placement("ridge-saddle", 60, 60),)).data)
    (tmp_path / "k.kit.yaml").write_text(
        "beadwright: 1\nkit: k\nparts:\n  p:\n    found_by: {label: [nothing]}\n    regions:\n"
        "      r: {within: all}\n"
    )
    with pytest.raises(NotFoundOnPlate):
        plot_file(path, None, tmp_path / "x.png", Wanted("trace"), Options((tmp_path / "k.kit.yaml",)))

"""The page's data: numbers that equal those of `estimate` and `compare`, beads that equal the file's; the command."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from low_clip import LOW_CLIP, low_kit

import gcodetools.jobs.report as report
from gcodetools.cli.main import cli
from gcodetools.demo.maker import Placement, make
from gcodetools.edit.moves import BEAD
from gcodetools.errors import CannotWrite, NotFoundOnPlate, StrictWarning, UsageError
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.compare import compare_plates
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.report.packing import Packed
from gcodetools.report.pagedata import ADDED, PEN_UP, UNKNOWN_BOND, Points, joined
from gcodetools.toolpath.plate import Plate

pytestmark = pytest.mark.usefixtures("few_cells")
KIT = kit_from_bytes(low_kit().encode(), "hoophouse.kit.yaml")
PARTS = (
    Placement("wedge-key-snug", 60, 110),
    Placement("wedge-key-snug", 90, 110),
    Placement(LOW_CLIP, 130, 110),
)
BARE = Options(())
NAMED = Options((), machine="desktop-220")


@cache
def plate() -> Plate:
    return Plate.from_bytes(make("B", parts=PARTS).data, "/home/you/plate.gcode")


@cache
def applied() -> Any:
    return apply_plate(plate(), KIT, NAMED)


@cache
def treated() -> Plate:
    return Plate.from_bytes(applied().treated.render(), "treated.gcode")


@cache
def both() -> tuple[dict[str, Any], dict[str, Points]]:
    return seen(treated(), plate(), KIT, NAMED)


@cache
def alone() -> tuple[dict[str, Any], dict[str, Points]]:
    return seen(plate(), None, KIT, NAMED)


def seen(*args: Any) -> tuple[dict[str, Any], dict[str, Points]]:
    """Data, and the points that are packed in it."""
    data, _ = report.report_plates(*args)
    return data, {
        side["name"]: joined(Packed(side["chunks"], len(side["layers"]["z_mm"])).each())
        for side in data["sides"]
    }


def length_mm(points: Points, mask: np.ndarray) -> float:
    step = np.hypot(np.diff(points.x, prepend=0), np.diff(points.y, prepend=0)) * 0.02
    return float(step[((points.flag & PEN_UP) == 0) & mask].sum())


def test_two_files_tell_what_compare_tells():
    data, _ = both()
    record, warnings = compare_plates(plate(), treated(), KIT, NAMED)
    assert data["records"] == {key: record["strength"][key] for key in ("before", "after", "change")}
    for side, name in (("before", "before"), ("after", "after"), ("added", "difference")):
        tables = ("whole", "features", "regions")
        assert data["costs"][side] == {table: record[name][table] for table in tables}
    assert data["totals"] == record["totals"] and data["warnings"] == warnings
    assert [side["name"] for side in data["sides"]] == ["before", "after"]
    assert (data["file"], data["against"]) == ("treated.gcode", "plate.gcode")


def test_one_file_tells_what_estimate_tells():
    data, _ = alone()
    record, _ = estimate_plate(plate(), KIT, NAMED)
    assert data["records"] == {"after": record["regions"]}
    assert data["totals"]["mass_g"]["after"]["best"] == pytest.approx(
        record["total"]["mass_g"]["best"], abs=1e-3
    )
    assert (data["draws"], data["cautions"]) == (record["draws"], record["cautions"])
    assert "against" not in data and [side["name"] for side in data["sides"]] == ["after"]
    # `estimate` leaves heating up aside, which a named machine adds.
    heating = data["costs"]["after"]["features"]["heating"]["time_s"]
    told = data["totals"]["time_s"]["after"]["best"]
    assert told - heating == pytest.approx(record["total"]["time_s"]["best"], abs=0.01)


def test_layers_are_the_plates():
    data, _ = alone()
    layers = data["sides"][0]["layers"]
    assert len(layers["z_mm"]) == len(plate().layers)
    assert sum(layers["beads"]) == int(np.sum(plate().beads.is_bead & (plate().beads.layer >= 0)))
    assert layers["z_mm"] == [round(z, 3) for z in plate().layers.z_mm.tolist()]
    low = data["sides"][0]["bounds"]
    assert low[0] < 60 < low[2] and low[1] < 110 < low[3]


def test_what_regions_claim_is_as_long_as_their_records_say():
    data, points = alone()
    for one in data["records"]["after"]:
        name = f"{one['part']}#{one['instance']}/{one['region']}"
        number = 1 + [region["key"] for region in data["regions"]].index(name)
        told = length_mm(points["after"], points["after"].region == number)
        # Each end is off by half a unit at most; where regions overlap, the first has it.
        if data["costs"]["after"]["regions"][name]["volume_mm3"] == pytest.approx(
            one["volume_mm3"], rel=1e-4
        ):
            assert told == pytest.approx(one["length_mm"], rel=0.01), name
        else:
            assert told < one["length_mm"], name


@cache
def other() -> tuple[dict[str, Any], dict[str, Points]]:
    """Held against a plate that has keys alone, whose regions are met first."""
    keys = make("B", parts=(Placement("wedge-key-snug", 60, 110),)).data
    return seen(plate(), Plate.from_bytes(keys, "keys.gcode"), KIT, NAMED)


@pytest.mark.parametrize("pages", [both, other])
def test_beads_have_the_nozzle_and_the_instance_of_their_region(pages):
    data, points = pages()
    keys = [region["key"] for region in data["regions"]]
    owners = [instance["key"] for instance in data["instances"]]
    for side, one in points.items():
        for record in data["records"][side]:
            owner = f"{record['part']}#{record['instance']}"
            mine = one.region == 1 + keys.index(f"{owner}/{record['region']}")
            assert set(one.instance[mine].tolist()) == {1 + owners.index(owner)}
            got = one.nozzle[mine] * 0.1
            reached = record["nozzle_c"]
            assert got.min() >= reached["reached_min"] - 0.06 and got.max() <= reached["reached_max"] + 0.06


def test_added_beads_are_those_that_the_treatment_adds_and_removes():
    _, points = both()
    draft = applied().treated.draft
    runs = sum(
        float(
            np.hypot(np.diff(run.x, prepend=run.x[:1]), np.diff(run.y, prepend=run.y[:1]))[
                run.kind == BEAD
            ].sum()
        )
        for run in draft.runs
    )
    gone = np.flatnonzero(draft.removed)
    row = draft.row[gone]
    bead = plate().beads.is_bead[row]
    removed = float((plate().beads.length_mm[row] * (draft.t1 - draft.t0)[gone])[bead].sum())
    assert runs > 100 and removed > 20
    for side, wanted in (("before", removed), ("after", runs)):
        one = points[side]
        told = length_mm(one, (one.flag & ADDED) != 0)
        assert told == pytest.approx(wanted, rel=0.01), side


def test_a_file_against_itself_differs_nowhere():
    data, points = seen(plate(), plate(), None, BARE)
    assert not any(np.any(one.flag & ADDED) for one in points.values())
    assert all(value == 0 for value in data["costs"]["added"]["whole"].values())
    assert data["identical"] is True


def test_the_strip_holds_the_layers_of_its_instance_and_their_bond():
    data, _ = both()
    weakest: dict[tuple[str, str], list[float]] = {}
    for side in ("before", "after"):
        for one in data["records"][side]:
            key = f"{one['part']}#{one['instance']}"
            if "bond" in one:
                weakest.setdefault((key, side), []).append(one["bond"]["min"]["best"])
    assert weakest
    for (key, side), bonds in weakest.items():
        strip = data["strip"][key]
        best = [value for value in strip[side]["bond"]["best"] if value is not None]
        # Layers with several regions are between them.
        assert min(bonds) - 1e-4 <= min(best) <= max(bonds) + 0.1
        if len(bonds) == 1:
            assert min(best) == pytest.approx(bonds[0], abs=1e-4)
        for band in (strip[side]["bond"], strip[side]["strength_mpa"]):
            for low, middle, high in zip(band["low"], band["best"], band["high"], strict=True):
                assert (low is None) == (middle is None) == (high is None)
                assert middle is None or low <= middle <= high
        assert len(strip["z_mm"]) == len(strip["layer"]) == len(strip[side]["age_s"])
        assert strip["z_mm"] == sorted(strip["z_mm"])


def test_beads_have_the_bond_that_their_layers_have():
    data, points = alone()
    one = points["after"]
    compared = 0
    for k, instance in enumerate(data["instances"]):
        strip = data["strip"][instance["key"]]
        for layer, bond in zip(strip["layer"], strip["after"]["bond"]["best"], strict=True):
            if bond is None:
                continue
            mine = one.layer(layer)
            at = np.flatnonzero((mine.instance == k + 1) & (mine.region > 0) & (mine.bond != UNKNOWN_BOND))
            step = np.hypot(np.diff(mine.x, prepend=0), np.diff(mine.y, prepend=0))[at]
            told = float(np.average(mine.bond[at] / 250.0, weights=step))
            assert told == pytest.approx(bond, abs=0.03), (instance["key"], layer)
            compared += 1
    assert compared > 20


def test_the_trace_keeps_what_was_commanded_and_reached():
    data, _ = both()
    for side in ("before", "after"):
        trace = data["trace"][side]
        assert (
            len({len(trace[key]) for key in ("t_s", "told_c", "reached_c", "fan_told", "fan", "layer")}) == 1
        )
        assert trace["t_s"] == sorted(trace["t_s"])
        text = (plate() if side == "before" else treated()).program.lines.data.decode()
        for key, command, full in (("told_c", "M10[49]", 1.0), ("fan_told", "M106", 255.0)):
            said = {float(s) / full for s in re.findall(rf"^{command} .*?S([\d.]+)", text, re.MULTILINE)}
            assert {round(v, 2) for v in trace[key]} <= {round(v, 2) for v in said | {0.0}}, key
        assert len(set(trace["fan_told"])) == 2


def test_without_a_kit_there_are_beads_and_costs():
    data, points = seen(plate(), None, None, BARE)
    assert data["regions"] == [] and data["instances"] == [] and data["strip"] == {}
    assert "records" not in data and "kit" not in data and "machine" not in data
    assert not np.any(points["after"].region) and np.any(points["after"].feed)
    assert set(data["costs"]) == {"after"}


def test_the_data_are_plain_and_the_same_each_time():
    first = json.dumps(both()[0], allow_nan=False)
    again, _ = report.report_plates(treated(), plate(), KIT, NAMED)
    assert json.dumps(again, allow_nan=False) == first
    assert "/home/you" not in json.dumps(both()[0]["files"])


@pytest.mark.long
def test_a_page_that_would_be_too_large_is_thinned_and_says_so(monkeypatch):
    whole, _ = both()
    size = sum(len(text) for side in whole["sides"] for _, _, text in side["chunks"])
    rest = len(json.dumps({**whole, "sides": []}))
    assert whole["thinned"] is None
    monkeypatch.setattr(report, "_MOST_BYTES", report._PAGE_BYTES + rest + 3 * size // 4)
    data, _ = report.report_plates(treated(), plate(), KIT, NAMED)
    assert sum(len(text) for side in data["sides"] for _, _, text in side["chunks"]) < 3 * size // 4 + 500
    assert data["thinned"].startswith("To keep this page small: feed, flow and nozzle")
    assert data["records"] == whole["records"]


def test_a_kit_that_is_not_on_the_plate_is_refused():
    other = Plate.from_bytes(make("B", parts=(Placement("shelf-hook", 60, 110),)).data, "hook.gcode")
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: none\nparts:\n  knob:\n    found_by: {label: 'knob*'}\n    regions:\n"
        b"      rim: {within: {box: {x: [0, 1], y: [0, 1], z: [0, 1]}}}\n", "none.kit.yaml",
    )  # fmt: skip
    with pytest.raises(NotFoundOnPlate, match="no part of kit none is on the plate"):
        report.report_plates(other, None, kit, BARE)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plate.gcode").write_bytes(plate().program.lines.data)
    (tmp_path / "treated.gcode").write_bytes(treated().program.lines.data)
    return tmp_path


def run(folder: Path, *args: str) -> Any:
    shown = [str(folder / a) if a.endswith((".gcode", ".html")) else a for a in args]
    return CliRunner().invoke(cli, ["report", *shown])


def test_the_command_writes_a_page_and_says_what_it_is_of(folder):
    ran = run(folder, "plate.gcode", "-o", "out.html", "--json")
    assert ran.exit_code == 0, ran.output
    record = json.loads(ran.stdout)
    page = (folder / "out.html").read_bytes()
    assert record["schema"] == "beadwright.page/1" and record["bytes"] == len(page)
    assert record["layers"] == len(plate().layers) and page[:15].lower() == b"<!doctype html>"
    text = run(folder, "plate.gcode", "--against", "treated.gcode", "-o", "two.html").stdout
    assert "two files" in " ".join(text.split()) and "Open it in a browser." in " ".join(text.split())


@pytest.mark.parametrize(
    ("args", "error", "words"),
    [
        (("plate.gcode", "-o", "-"), UsageError, "a page goes into a file"),
        (("plate.gcode", "-o", "plate.gcode"), UsageError, "one of the files"),
        (
            ("plate.gcode", "--against", "treated.gcode", "-o", "treated.gcode"),
            UsageError,
            "one of the files",
        ),
        (("plate.gcode", "-o", "no/where/out.html"), CannotWrite, "does not exist"),
    ],
)
def test_the_command_buries_nothing(folder, args, error, words):
    ran = run(folder, *args)
    assert isinstance(ran.exception, error) and words in str(ran.exception)
    assert (folder / "treated.gcode").read_bytes() == treated().program.lines.data


def test_a_warning_and_strict_write_nothing(folder):
    (folder / "off.gcode").write_bytes(make("B", parts=(Placement("wedge-key-snug", 230, 110),)).data)
    args = ("off.gcode", "--machine", "desktop-220", "-o", "out.html")
    assert isinstance(run(folder, *args, "--strict").exception, StrictWarning)
    assert not (folder / "out.html").exists()
    ran = run(folder, *args)
    assert "beyond the bed" in ran.stderr and (folder / "out.html").exists()

"""The record of `inspect` against what is known of a plate, and no key without a value."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from gcodetools.demo.maker import CONVENTIONS, Placement, make
from gcodetools.jobs.apply import Options
from gcodetools.jobs.inspect import _most, inspect_plate
from gcodetools.toolpath.plate import Plate

KEY = (Placement("wedge-key-snug", 110, 110),)


def record_of(data: bytes, name: str = "a.gcode") -> dict[str, Any]:
    return inspect_plate(Plate.from_bytes(data, name), None, Options(()))[0]


@pytest.mark.parametrize("convention", CONVENTIONS)
def test_counts_and_lengths_are_those_of_the_maker(convention):
    made = make(convention, parts=KEY)
    record, truth = record_of(made.data), made.truth
    assert record["layers"]["count"] == truth.layers
    assert record["layers"]["z_max_mm"] == pytest.approx(truth.layer_z[-1])
    assert record["filament"]["beads_mm"] == pytest.approx(truth.beads_mm, rel=1e-4)
    assert record["filament"]["start_and_tower_mm"] == pytest.approx(truth.start_mm, rel=1e-3)
    assert record["extrusion"] == ("relative" if truth.relative_e else "absolute")
    assert record["nozzle_c"] == 230.0 and record["tools"] == [0]


# Layers and raft of these samples were counted in the files: A numbers its raft's layers below zero.
def test_the_raft_is_left_out_of_the_count_and_told(samples):
    data = (samples / "A-two-names.gcode").read_bytes()
    layers = record_of(data)["layers"]
    raft = sum(line.startswith(b";LAYER:-") for line in data.splitlines())
    printed = sum(line.startswith(b";LAYER:") for line in data.splitlines()) - raft
    assert raft > 0 and (layers["raft"], layers["count"]) == (raft, printed)


def test_without_a_raft_there_is_no_such_key():
    assert "raft" not in record_of(make(parts=KEY).data)["layers"]


def test_what_the_file_does_not_say_is_absent():
    bare = make("J", parts=KEY, macro_start=True)
    record = record_of(bare.data)
    assert "time_in_file_s" not in record
    assert None not in record.values()


def test_a_bed_that_the_file_switches_off_is_no_bed_temperature():
    data = make(parts=KEY).data
    off = b"\n".join(line for line in data.split(b"\n") if not line.startswith((b"M140", b"M190")))
    off = b"\n".join(line for line in off.split(b"\n") if b"bed_temperature" not in line)
    assert "bed_c" not in record_of(b"M140 S0\n" + off)


def test_every_sample_gives_strict_json_without_nulls(sample_path):
    record = record_of(sample_path.read_bytes(), sample_path.name)
    text = json.dumps(record, allow_nan=False)
    assert "null" not in text
    assert record["lines"] == len(sample_path.read_bytes().splitlines()) or record["lines"] > 0
    assert all(math.isfinite(v["length_mm"]) for v in record["features"].values())


def test_time_by_planning_says_its_band_its_limits_and_adds_up():
    record = record_of(make("B", parts=KEY).data)
    time = record["time"]
    printing = time["print_s"]
    assert 0 < printing["low"] < printing["best"] < printing["high"] and printing["basis"] == "modelled"
    assert time["limits_from"]
    for origin in time["limits_from"].values():
        assert origin in ("file", "settings", "common practice") or origin.startswith("machine ")
    laid = sum(feature["time_s"] for feature in record["features"].values())
    assert 0.3 * printing["best"] < laid <= printing["best"] + time["start_s"]["best"] + time["end_s"]["best"]


# B-cube states its limits by commands and its time: 32 min 6 s, read in the sample.
def test_the_time_of_a_file_that_states_its_limits_is_the_one_it_states(samples):
    record = record_of((samples / "B-cube.gcode").read_bytes())
    assert record["time_in_file_s"] == 1926
    assert record["time"]["print_s"]["best"] == pytest.approx(1926, rel=0.02)
    assert record["time"]["scaled_by"] == 1.0


def test_most_is_the_value_of_the_greatest_length_however_often_it_comes_back():
    """210 has the longest stretch, 205 the greatest length in all of three; what nobody knows counts for none."""
    value = np.repeat([205.0, 210.0, np.nan, 205.0, 230.0, 205.0], [3, 2, 4, 1, 5, 2])
    length = np.repeat([1.0, 3.0, 100.0, 3.0, 0.2, 1.0], [3, 2, 4, 1, 5, 2])
    assert _most(value, length) == 205.0
    assert _most(value[3:5], length[3:5]) == 210.0
    assert _most(np.array([1.0, 2.0, 2.0]), np.array([1.0, 0.6, 0.6])) == 2.0
    assert _most(np.full(3, np.nan), np.ones(3)) is None and _most(np.empty(0), np.empty(0)) is None


def test_volumes_are_those_that_the_file_says_where_it_says_volumes():
    body = b"G28\nM83\n%b;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X50 E3.75 F9\nG1 X0 E3.75\n"
    filament = record_of(body % b"M200 D2.85\n")["filament"]
    assert (filament["volume_mm3"], filament["diameter_mm"]) == (7.5, 2.85)
    assert "the file's M200" in filament["mass_g"]["source"]
    assert record_of(body % b"")["filament"]["diameter_mm"] == 1.75

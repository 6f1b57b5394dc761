"""The table of a ladder, read by Python's reader of RFC 4180 and by ours."""

from __future__ import annotations

import csv
import io

import pytest

from gcodetools.trials.results import sheet_of
from gcodetools.trials.sheet_csv import TO_FILL_IN, columns_of, sheet_text

ROW = {
    "specimen": 1, "step": 2, "part": 'a "b", c', "instance": 3, "layers": "2-60", "x_mm": 10.0, "y_mm": 1 / 3,
    "nozzle_c": 240.0, "fan_percent": 25.0, "nozzle_reached_c": 239.51234567, "width_mm": None,
}  # fmt: skip


def read(text):
    lines = text.splitlines()
    body = [line for line in lines if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(body))))


def test_columns_stand_in_the_order_agreed():
    assert columns_of(("fan", "nozzle")) == (
        "specimen", "step", "part", "instance", "layers", "x_mm", "y_mm", "z_mm", "nozzle_c", "fan_percent",
        "nozzle_reached_c", "fan_reached_percent", "layer_time_s", "width_mm", "height_mm", "section_mm2",
        "force_n", "cycles", "click", "notes",
    )  # fmt: skip


def test_a_row_comes_back_as_it_was():
    text = sheet_text({"file": "p.gcode", "part": "two\nlines"}, ("nozzle", "fan"), [ROW])
    assert text.startswith("# Beadwright ladder 1\n# file: p.gcode\n# part: two lines\n")
    (row,) = read(text)
    assert row["part"] == 'a "b", c' and row["x_mm"] == "10" and row["y_mm"] == "0.3333"
    assert row["nozzle_reached_c"] == "239.5123" and row["width_mm"] == "" and row["z_mm"] == ""
    assert [row[name] for name in TO_FILL_IN] == [""] * 4


def test_no_text_is_a_formula():
    (row,) = read(sheet_text({}, (), [{"specimen": 1, "part": "=1+1", "x_mm": -2.0}]))
    assert row["part"] == "'=1+1" and row["x_mm"] == "-2"


def test_an_unknown_column_is_refused():
    with pytest.raises(ValueError, match="speed_percent: no column"):
        sheet_text({}, ("nozzle",), [{"speed_percent": 80}])


def test_tune_reads_what_is_written_and_filled_in():
    rows = [{"specimen": k, "step": k, "nozzle_c": 220.0 + k, "section_mm2": 72.0} for k in (1, 2)]
    text = sheet_text({"file": "p.gcode"}, ("nozzle",), rows)
    lines = text.splitlines()
    assert lines[-1].endswith(",,,")
    lines[-1] = lines[-1][:-3] + "31.5,>120,4,fine"
    sheet = sheet_of("\n".join(lines).encode(), "p.sheet.csv")
    assert sheet.said["file"] == "p.gcode" and len(sheet.rows) == 2
    last = sheet.rows[-1]
    assert last.numbers["nozzle_c"] == 222.0 and last.numbers["section_mm2"] == 72.0
    assert last.readings["force_n"].value == 31.5 and last.readings["force_n"].side == 0
    assert last.readings["cycles"].value == 120 and last.readings["cycles"].side == 1 and last.notes == "fine"

"""Filled-in sheets: whatever a spreadsheet made of them is read alike, and what makes no sense is named."""

from __future__ import annotations

import contextlib
import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.errors import InputError
from gcodetools.trials.results import Reading, sheet_of
from gcodetools.trials.sheet_csv import sheet_text

ROWS = [
    {"specimen": 1, "step": 1, "part": "bar", "instance": 1, "layers": "1-200",
     "x_mm": 20.5, "y_mm": 30.0, "z_mm": 20.0,
     "nozzle_c": 220.0, "nozzle_reached_c": 219.25, "section_mm2": 60.0, "force_n": 812.5},
    {"specimen": 2, "step": 2, "part": "bar", "instance": 2, "layers": "1-200",
     "x_mm": 50.5, "y_mm": 30.0, "z_mm": 20.0,
     "nozzle_c": 230.0, "nozzle_reached_c": 229.5, "section_mm2": 60.0, "force_n": ">1200", "notes": "gripped; held"},
    {"specimen": 3, "step": 3, "part": "bar", "instance": 3, "layers": "1-200",
     "x_mm": 80.5, "y_mm": 30.0, "z_mm": 20.0,
     "nozzle_c": 240.0, "nozzle_reached_c": 238.75, "section_mm2": 60.0},
]  # fmt: skip
SAID = {"file": "plate.gcode", "material": "petg", "seed": "1"}
TEXT = sheet_text(SAID, ["nozzle"], ROWS)


def told(sheet):
    return [(row.numbers, row.readings, row.part, row.notes) for row in sheet.rows]


PLAIN = told(sheet_of(TEXT.encode(), "a.csv"))


def test_a_sheet_as_it_was_written():
    sheet = sheet_of(TEXT.encode(), "a.csv")
    assert sheet.said["material"] == "petg" and sheet.said["file"] == "plate.gcode"
    one, two, three = sheet.rows
    assert one.numbers["nozzle_reached_c"] == 219.25 and one.readings == {"force_n": Reading(812.5)}
    assert two.readings == {"force_n": Reading(1200.0, 1)} and two.notes == "gripped; held"
    assert three.readings == {} and not sheet.invented and sheet.left == ()
    assert one.line == 1 + TEXT[: TEXT.index("\n1,1,bar")].count("\n") + 1


def respelled(separator, *, comma=False, quoted=False, order=None, bom=False, ending="\n"):
    """The same sheet as a spreadsheet would give it back."""
    lines = [line for line in TEXT.splitlines() if not line.startswith("#")]
    rows = list(csv.reader(lines))
    heads = rows[0]
    order = order or range(len(heads))
    stream = io.StringIO()
    writer = csv.writer(
        stream, delimiter=separator, lineterminator=ending, quoting=csv.QUOTE_ALL if quoted else 0
    )
    for number, row in enumerate(rows):
        cells = [row[k] for k in order]
        if comma and number:
            cells = [c.replace(".", ",") if c.replace(".", "").lstrip(">").isdigit() else c for c in cells]
        writer.writerow(cells)
        writer.writerow([])
    return (b"\xef\xbb\xbf" if bom else b"") + stream.getvalue().encode()


@pytest.mark.parametrize(
    "how",
    [
        {"separator": ";", "comma": True, "bom": True, "ending": "\r\n"},
        {"separator": "\t", "comma": True},
        {"separator": "\t"},
        {"separator": ";"},
        {"separator": ",", "comma": True, "quoted": True},
        {"separator": ",", "quoted": True, "ending": "\r\n"},
        {"separator": ";", "order": list(range(19))[::-1]},
    ],
    ids=str,
)
def test_what_a_spreadsheet_gives_back_is_read_alike(how):
    assert told(sheet_of(respelled(**how), "a.csv")) == PLAIN


@given(st.permutations(range(19)), st.sampled_from([",", ";", "\t"]), st.booleans(), st.booleans())
def test_columns_in_any_order_and_separators_are_read_alike(order, separator, quoted, bom):
    assert told(sheet_of(respelled(separator, order=list(order), quoted=quoted, bom=bom), "a.csv")) == PLAIN


def test_utf_16_trailing_blanks_and_further_columns():
    text = TEXT.replace("\n1,1,bar", "\n1 , 1, bar ").replace(",notes\n", ",notes,who\n")
    sheet = sheet_of(text.encode("utf-16"), "a.csv")
    assert told(sheet) == PLAIN and sheet.left == ("who",)


def test_comments_that_were_quoted_or_dropped():
    lines = TEXT.splitlines()
    quoted = "\n".join(f'"{line}",,,' if line.startswith("#") else line for line in lines)
    assert sheet_of(quoted.encode(), "a.csv").said["material"] == "petg"
    bare = "\n".join(line for line in lines if not line.startswith("#"))
    assert told(sheet_of(bare.encode(), "a.csv")) == PLAIN


@pytest.mark.parametrize(
    ("cell", "reading"),
    [
        ("120", Reading(120)), (">120", Reading(120, 1)), ("≥ 120", Reading(120, 1)), (">=120", Reading(120, 1)),
        ("<5", Reading(5, -1)), ("120 N", Reading(120)), ("0", Reading(0)), ("1.2e3", Reading(1200)),
        ("'>120", Reading(120, 1)),
        ("", None),
    ],
)  # fmt: skip
def test_readings(cell, reading):
    sheet = sheet_of(f"nozzle_c,force_n\n230,{cell}\n".encode(), "a.csv")
    assert sheet.rows[0].readings.get("force_n") == reading


@pytest.mark.parametrize(
    ("text", "cause", "hint"),
    [
        (
            "nozzle_c,force_n\n230,12 kg\n",
            "a.csv:2: force_n: found '12 kg', expected a number or >number",
            "9.81 N",
        ),
        ("nozzle_c,force_n\n230,-3\n", "a.csv:2: force_n: found '-3', expected a number above 0", "empty"),
        ("nozzle_c,force_n\n230,>0\n", "a.csv:2: force_n: found '>0'", "empty"),
        ("nozzle_c,force_n\nhot,3\n", "a.csv:2: nozzle_c: found 'hot', expected a number", "empty"),
        ("nozzle_c,force_n\n230,nan\n", "a.csv:2: force_n: found 'nan'", "empty"),
        ("nozzle_c,click\n230,6\n", "a.csv:2: click: found 6, expected 1 to 5", "5 is the best"),
        (
            "nozzle_c,weight\n230,6\n",
            "a.csv: no column force_n, cycles or click in the header",
            "names the columns",
        ),
        ("temp,force_n\n230,6\n", "a.csv:1: no column of a setting", "nozzle_c"),
        ("nozzle_c,force_n,force_n\n230,6,7\n", "a.csv:1: column force_n stands there twice", "one of them"),
        ("nozzle_c,force_n\n230,12,5\n", "a.csv:2: 3 cells, the header has 2", "decimal comma"),
        ("# only\n\n", "a.csv: empty", "ladder"),
        ("", "a.csv: empty", "ladder"),
    ],
)
def test_what_makes_no_sense_is_named_with_its_line(text, cause, hint):
    with pytest.raises(InputError) as error:
        sheet_of(text.encode(), "a.csv")
    assert error.value.cause.startswith(cause) and hint in error.value.hint


@pytest.mark.parametrize(
    ("column", "cell", "value"),
    [
        ("nozzle_c", "230 \u00b0C", 230), ("nozzle_c", "230 \u00baC", 230), ("nozzle_c", "230 deg C", 230),
        ("section_mm2", "48 mm2", 48), ("section_mm2", "48 mm\u00b2", 48), ("width_mm", "0.45 mm", 0.45),
        ("layer_time_s", "12 s", 12), ("fan_percent", "40%", 40),
    ],
)  # fmt: skip
def test_units_in_cells_are_read(column, cell, value):
    heads, cells = ("nozzle_c,force_n", "230,1") if column != "nozzle_c" else ("force_n", "1")
    sheet = sheet_of(f"{heads},{column}\n{cells},{cell}\n".encode(), "a.csv")
    assert sheet.rows[0].numbers[column] == value


@pytest.mark.parametrize(
    ("cell", "hint"), [("held", ">120"), ("1500+", ">120"), ("2.2 kN", "1000 N"), ("1O", "empty")]
)
def test_readings_that_make_no_sense_are_helped_with(cell, hint):
    with pytest.raises(InputError) as error:
        sheet_of(f"nozzle_c,force_n\n230,{cell}\n".encode(), "a.csv")
    assert hint in error.value.hint


@pytest.mark.parametrize(
    ("column", "cell"), [("nozzle_c", "24"), ("nozzle_c", "2300"), ("fan_percent", "255")]
)
def test_settings_that_nobody_can_have_asked_for_are_refused(column, cell):
    with pytest.raises(InputError, match=f"a.csv:2: {column}: found {cell}, expected"):
        sheet_of(f"{column},force_n\n{cell},5\n".encode(), "a.csv")


@pytest.mark.parametrize(
    "data", [b"PK\x03\x04rest", b"\xd0\xcf\x11\xe0rest", b"nozzle_c,force_n\n230,\x00\n"]
)
def test_a_file_that_is_no_text_is_refused(data):
    with pytest.raises(InputError, match="CSV"):
        sheet_of(data, "a.csv")


def test_thousands_and_decimals_are_told_apart():
    plain = sheet_of(b'nozzle_c,force_n\n230.5,"1,234.5"\n240.5,"1,234"\n', "a.csv")
    assert [row.readings["force_n"].value for row in plain.rows] == [1234.5, 1234.0]
    comma = sheet_of(b"nozzle_c;force_n\n230,5;1.234,5\n240,5;12,25\n", "a.csv")
    assert [row.readings["force_n"].value for row in comma.rows] == [1234.5, 12.25]
    assert comma.rows[0].numbers["nozzle_c"] == 230.5


def test_a_misspelt_column_is_warned_of():
    sheet = sheet_of(b"nozzle_c,force_n,fan_percnt\n230,12,40\n", "a.csv")
    assert sheet.warnings == ("a.csv: column fan_percnt: not known, left aside (is fan_percent meant?)",)


def test_invented_data_say_so():
    assert sheet_of(b"# invented data\nnozzle_c,force_n\n230,12\n", "a.csv").invented
    assert sheet_of(b"nozzle_c,force_n,notes\n230,12,Invented\n", "a.csv").invented


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data):
    with contextlib.suppress(InputError):
        sheet_of(data, "a.csv")

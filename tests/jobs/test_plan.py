"""Print runs planned from sliced files: what plates hold and take is counted, and the record adds up."""

from __future__ import annotations

import csv
import io
from datetime import datetime

import icalendar
import numpy as np
import pytest
from plan_orders import ORDER, files, laid, planned

from gcodetools.errors import InputError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.compare import account_plate, compare_plates
from gcodetools.jobs.plan import Wanted
from gcodetools.toolpath.plate import Plate


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = laid(tmp_path_factory.mktemp("plan"))
    wanted = Wanted(against="untreated", runs=300, csv=folder / "run.csv", ics=folder / "run.ics")
    record, _ = planned(folder, wanted=wanted)
    return record, folder


def test_plates_are_counted_by_the_kit(both):
    record, _ = both
    plates = {one["plate"]: one for one in record["plates"]}
    assert plates["keys"]["holds"] == {"wedge-key-snug": 2}
    assert plates["mixed"]["holds"] == {"wedge-key-snug": 1, "wedge-key-easy": 1}
    assert {one["counted_from"] for one in plates.values()} == {"kit"}
    assert (plates["keys"]["variant"], plates["mixed"]["variant"]) == ("treated", "untreated")
    assert plates["keys"]["file"] == "keys-treated.gcode"


def test_what_plates_take_is_what_the_other_commands_tell(both):
    """Times of both variants on one clock as in `compare`, the others as accounted alone; each machine by itself."""
    record, _ = both
    keys, treated, mixed = (
        Plate.from_bytes(files()[name], name) for name in ("keys.gcode", "keys-treated.gcode", "mixed.gcode")
    )
    plates = {one["plate"]: one for one in record["plates"]}
    pair, _ = compare_plates(keys, treated, None, Options((), "petg", "desktop-220"))
    alone, _ = account_plate(mixed, None, Options((), "petg", "desktop-180"))
    assert plates["keys"]["time_s"].keys() == {"bench"} and plates["mixed"]["time_s"].keys() == {
        "bench",
        "attic",
    }
    assert plates["keys"]["time_s"]["bench"] == pair["totals"]["time_s"]["after"]
    assert plates["mixed"]["time_s"]["attic"] == alone["totals"]["time_s"]["after"]
    assert plates["mixed"]["mass_g"] == alone["totals"]["mass_g"]["after"]
    before = {one["plate"]: one for one in record["against"]["plates"]}["keys"]
    assert before["time_s"]["bench"] == pair["totals"]["time_s"]["before"] and before["file"] == "keys.gcode"


def test_parts_are_covered_and_what_is_left_over_is_told(both):
    record, _ = both
    runs = {one["plate"]: one["runs"] for one in record["plates"]}
    assert runs == {"keys": 13, "mixed": 10}
    parts = record["parts"]
    assert {name: one["ordered"] for name, one in parts.items()} == {
        "wedge-key-snug": 36,
        "wedge-key-easy": 10,
    }
    for name, one in parts.items():
        made = sum(plate["runs"] * plate["holds"].get(name, 0) for plate in record["plates"])
        assert one["printed"] == made and one["left_over"] == made - one["ordered"] >= 0


def test_the_schedule_holds_every_plate_once_within_hours(both):
    record, _ = both
    rows = record["schedule"]
    assert len(rows) == record["choice"]["plates"] == 23 == record["swaps"]["plates"]
    assert {row["printer"] for row in rows} <= {"bench 1", "bench 2", "attic"}
    assert all(row["plate"] == "mixed" for row in rows if row["printer"] == "attic")
    assert max(row["off"] for row in rows) == record["plan"]["done"]
    assert all(row["start"] < row["end"] < row["off"] for row in rows)
    assert record["plan"]["by_due"] is True and record["plan"]["early_s"] > 0


def test_money_adds_up_and_comes_from_the_prices(both):
    record, _ = both
    spent = record["spent"]
    grams = sum(one["runs"] * one["mass_g"]["best"] for one in record["plates"])
    assert spent["filament_g"]["planned"] == pytest.approx(grams)
    assert spent["money_filament"]["planned"] == pytest.approx(grams * 22 / 1000)
    assert spent["money_energy"]["planned"] == pytest.approx(spent["energy_kwh"]["planned"] * 0.30)
    on_bench = sum(
        next(p["time_s"]["bench"]["best"] for p in record["plates"] if p["plate"] == row["plate"])
        for row in record["schedule"] if row["printer"] != "attic"
    )  # fmt: skip
    assert spent["money_hours"]["planned"] == pytest.approx(on_bench / 3600 * 0.5)
    parts = ("money_filament", "money_energy", "money_hours")
    assert spent["money"]["planned"] == pytest.approx(sum(spent[key]["planned"] for key in parts))
    for one in spent.values():
        if isinstance(one, dict):
            assert one["expected"]["low"] <= one["expected"]["best"] <= one["expected"]["high"]
            assert one["expected"]["best"] > one["planned"] * 0.98
    assert spent["prices_from"] == ["price of a spool in the order"]


def test_expected_plates_are_the_closed_form(both):
    """Half of one share and half of another: between n/(1-0.05) and n/(1-0.10)."""
    record, _ = both
    best = record["odds"]["plates"]["best"]
    assert 23 / 0.95 - 0.4 < best < 23 / 0.90 + 0.4
    none = record["odds"]["none_fails"]
    on_attic = sum(row["printer"] == "attic" for row in record["schedule"])
    expected = 0.95 ** (23 - on_attic) * 0.90**on_attic
    assert none["low"] - 0.05 <= expected <= none["high"] + 0.05


def test_the_other_side_and_the_difference(both):
    record, _ = both
    other, less = record["against"], record["difference"]
    assert (record["side"], other["side"]) == ("treated", "untreated")
    for key in ("printing_s", "filament_g", "money"):
        gap = record["spent"][key]["expected"]["best"] - other["spent"][key]["expected"]["best"]
        assert less[key]["expected"]["best"] == pytest.approx(gap, rel=1e-6, abs=1e-5)
    # The doubt is shared, so the difference is known far better than the two.
    spread = less["printing_s"]["expected"]["high"] - less["printing_s"]["expected"]["low"]
    own = record["spent"]["printing_s"]["expected"]
    assert less["printing_s"]["expected"]["best"] > 0 and spread < 0.7 * (own["high"] - own["low"])


def test_the_table_says_what_the_record_says(both):
    record, folder = both
    data = (folder / "run.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert data.count(b"\r\n") == len(rows) + 1 == 24  # RFC 4180
    for row, told in zip(rows, record["schedule"], strict=True):
        assert {key: row[key] for key in ("printer", "plate", "file", "start", "end", "off")} == {
            key: told[key] for key in ("printer", "plate", "file", "start", "end", "off")
        }
        assert row["parts"] == "; ".join(f"{count} {part}" for part, count in told["parts"].items())


def test_the_calendar_says_what_the_record_says(both):
    record, folder = both
    events = icalendar.Calendar.from_ical((folder / "run.ics").read_bytes()).walk("VEVENT")
    runs = [one for one in events if "DTEND" in one]
    assert len(runs) == 23 and len(events) == 25 and len({str(one["uid"]) for one in events}) == 25
    told = {(row["start"], row["end"]) for row in record["schedule"]}
    stamps = {tuple(datetime.fromisoformat(text).timestamp() for text in pair) for pair in told}
    assert {(one.decoded("dtstart").timestamp(), one.decoded("dtend").timestamp()) for one in runs} == stamps
    assert all(len(one.walk("VALARM")) == 1 for one in runs)
    due = next(one for one in events if str(one["summary"]) == "spring: due")
    assert due.decoded("dtstart").timestamp() == datetime.fromisoformat(record["due"]).timestamp()
    assert {one.decoded("dtstamp").timestamp() for one in events} == {
        datetime.fromisoformat(record["start"]).timestamp()
    }


def test_the_same_order_gives_the_same_bytes(order_folder):
    wanted = [Wanted(runs=200, csv=order_folder / f"{k}.csv", ics=order_folder / f"{k}.ics") for k in (1, 2)]
    records = [planned(order_folder, wanted=one)[0] for one in wanted]
    assert {**records[0], "files": 0} == {**records[1], "files": 0}
    for end in ("csv", "ics"):
        assert (order_folder / f"1.{end}").read_bytes() == (order_folder / f"2.{end}").read_bytes()


def test_a_due_date_that_is_too_soon_names_what_is_short_and_what_helps(order_folder):
    record, _ = planned(order_folder, ORDER.replace("due: 2026-03-27T20:00", "due: 2026-03-27T10:00"))
    assert record["odds"]["by_due"]["best"] == 0 and record["plan"]["by_due"] is False
    by_due = dict.fromkeys(record["parts"], 0)
    for row in record["schedule"]:
        if row["off"] <= record["due"]:
            for part, count in row["parts"].items():
                by_due[part] += count
    for name, one in record["parts"].items():
        assert one["short_in_plan"] == max(one["ordered"] - by_due[name], 0)
        assert one["short"]["low"] <= one["short"]["best"] <= one["short"]["high"]
        # What comes off too late is not there by then, whatever fails.
        assert one["short"]["high"] >= one["short_in_plan"]
    assert sum(one["short_in_plan"] for one in record["parts"].values()) > 0
    whole = min(by_due["wedge-key-snug"] // 3, by_due["wedge-key-easy"] // 1)
    assert record["kits"]["ordered"] == 10 and record["kits"]["in_plan"] == whole < 10
    assert 0 <= record["kits"]["with_95"] <= 10
    changes = {one["change"] for one in record["would_help"]}
    assert {
        "one more printer like bench",
        "the plates untreated",
        "somebody there 2 h longer each day at attic",
    } <= changes
    more = next(one for one in record["would_help"] if one["change"] == "one more printer like bench")
    assert more["done"] < record["plan"]["done"]


def test_spools_are_packed_and_bought(order_folder):
    text = ORDER.replace("net_g: 1000, on_hand: 1", "net_g: 6, on_hand: 1, opened_g: [3, 1]")
    record, _ = planned(order_folder, text)
    (spool,) = record["spools"]
    each = {one["plate"]: one["mass_g"]["high"] for one in record["plates"]}
    used = sum(each[row["plate"]] for row in record["schedule"])
    assert spool["planned"] * 6 >= used - 4 and spool["at_95"] >= spool["planned"] > 2
    assert spool["buy"] == spool["planned"] - 1 and spool["cost"] == 22 * spool["buy"]
    assert spool["buy_at_95"] == spool["at_95"] - 1
    with pytest.raises(
        InputError, match=r"needs up to 1\.\d* ?g|needs up to \d+ g, a spool of petg holds 0.5 g"
    ):
        planned(order_folder, ORDER.replace("net_g: 1000", "net_g: 0.5"))
    swapped, _ = planned(order_folder, ORDER.replace("net_g: 1000", "runout: swap, net_g: 0.5"))
    assert swapped["spools"][0]["planned"] >= np.ceil((used - 0.5) / 0.5)

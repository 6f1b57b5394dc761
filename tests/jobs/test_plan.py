"""Print runs planned from sliced files: what plates hold and take is counted, and the record adds up."""

from __future__ import annotations

import csv
import dataclasses
import io
import zipfile
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles
from gcodetools.errors import InputError, UsageError
from gcodetools.jobs import plan
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.compare import account_plate, compare_plates
from gcodetools.jobs.plan import Wanted, plan_file
from gcodetools.jobs.plan_plates import count_plates, kit_of
from gcodetools.jobs.plan_side import side_of
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.planning.failures import doubt
from gcodetools.planning.order import load_order
from gcodetools.toolpath.plate import Plate

BARE = Options(())
QUICK = Wanted(runs=300)
KEYS = tuple(Placement("wedge-key-snug", 60 + 30 * k, 110) for k in range(2))
MIXED = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-easy", 100, 110))
KIT_TEXT = hoophouse_kit()

ORDER = """\
beadwright: 1
order: spring
kit: hoophouse.kit.yaml
kits: 10
one_kit: {wedge-key-snug: 3, wedge-key-easy: 1}
parts: {wedge-key-snug: 6}
zone: Europe/Vienna
start: 2026-03-27T08:00
due: 2026-03-27T20:00
plates:
  - {file: keys.gcode, treated: keys-treated.gcode}
  - {file: mixed.gcode}
printers:
  - {name: bench, machine: desktop-220, count: 2, hours: "07:00-23:00", swap: 10 min, failed: 5%, per_hour: 0.5}
  - {name: attic, machine: desktop-180, hours: "08:00-17:00", swap: 10 min, failed: 10%, failed_at: end,
     plates: [mixed]}
spools:
  - {material: petg, net_g: 1000, on_hand: 1, price: 22}
electricity_per_kwh: 0.30
"""


SIX = "wedge-key-snug: 6"


@lru_cache(maxsize=1)
def files() -> dict[str, bytes]:
    """The plates, one of them treated."""
    kit = kit_from_bytes(KIT_TEXT.encode(), "hoophouse.kit.yaml")
    keys, mixed = (make("B", parts=parts).data for parts in (KEYS, MIXED))
    treated = apply_plate(Plate.from_bytes(keys, "keys.gcode"), kit, BARE).treated.render()
    return {"keys.gcode": keys, "keys-treated.gcode": treated, "mixed.gcode": mixed}


@pytest.fixture
def bench(tmp_path) -> Path:
    for name, data in files().items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "hoophouse.kit.yaml").write_text(KIT_TEXT, encoding="utf-8")
    return tmp_path


def planned(bench: Path, text: str = ORDER, wanted: Wanted = QUICK, options: Options = BARE):
    path = bench / "run.order.yaml"
    path.write_text(text, encoding="utf-8")
    return plan_file(path, wanted, options)


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    for name, data in files().items():
        (folder / name).write_bytes(data)
    (folder / "hoophouse.kit.yaml").write_text(KIT_TEXT, encoding="utf-8")
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


def test_the_same_order_gives_the_same_bytes(bench):
    wanted = [Wanted(runs=200, csv=bench / f"{k}.csv", ics=bench / f"{k}.ics") for k in (1, 2)]
    records = [planned(bench, wanted=one)[0] for one in wanted]
    assert {**records[0], "files": 0} == {**records[1], "files": 0}
    for end in ("csv", "ics"):
        assert (bench / f"1.{end}").read_bytes() == (bench / f"2.{end}").read_bytes()


def test_a_due_date_that_is_too_soon_names_what_is_short_and_what_helps(bench):
    record, _ = planned(bench, ORDER.replace("due: 2026-03-27T20:00", "due: 2026-03-27T10:00"))
    assert record["odds"]["by_due"]["best"] == 0 and record["plan"]["by_due"] is False
    by_due = dict.fromkeys(record["parts"], 0)
    for row in record["schedule"]:
        if row["off"] <= record["due"]:
            for part, count in row["parts"].items():
                by_due[part] += count
    for name, one in record["parts"].items():
        assert one["short_in_plan"] == max(one["ordered"] - by_due[name], 0)
        assert one["short"]["low"] <= one["short"]["best"] <= one["short"]["high"]
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


def test_spools_are_packed_and_bought(bench):
    text = ORDER.replace("net_g: 1000, on_hand: 1", "net_g: 6, on_hand: 1, opened_g: [3, 1]")
    record, _ = planned(bench, text)
    (spool,) = record["spools"]
    each = {one["plate"]: one["mass_g"]["high"] for one in record["plates"]}
    used = sum(each[row["plate"]] for row in record["schedule"])
    assert spool["planned"] * 6 >= used - 4 and spool["at_95"] >= spool["planned"] > 2
    assert spool["buy"] == spool["planned"] - 1 and spool["cost"] == 22 * spool["buy"]
    assert spool["buy_at_95"] == spool["at_95"] - 1
    with pytest.raises(
        InputError, match=r"needs up to 1\.\d* ?g|needs up to \d+ g, a spool of petg holds 0.5 g"
    ):
        planned(bench, ORDER.replace("net_g: 1000", "net_g: 0.5"))
    swapped, _ = planned(bench, ORDER.replace("net_g: 1000", "runout: swap, net_g: 0.5"))
    assert swapped["spools"][0]["planned"] >= np.ceil((used - 0.5) / 0.5)


def test_a_plate_of_a_package_is_chosen_by_its_number(bench):
    """The same plates in a package; the treated one stands alone in its file and is taken whatever its number."""
    with zipfile.ZipFile(bench / "both.3mf", "w") as package:
        for number, name in ((2, "keys.gcode"), (1, "mixed.gcode")):
            package.writestr(f"Metadata/plate_{number}.gcode", files()[name])
    text = ORDER.replace("file: keys.gcode", "file: both.3mf, plate: 2").replace(
        "file: mixed.gcode", "file: both.3mf, plate: 1"
    )
    text = text.replace("plates: [mixed]", "plates: [both plate 1]")

    def counts(text: str):
        (bench / "run.order.yaml").write_text(text, encoding="utf-8")
        order = load_order(bench / "run.order.yaml", 0.0)
        return count_plates(order, kit_of(order), BARE)[0]

    plain, packed = counts(ORDER), counts(text)
    assert [one.title for one in packed] == ["both plate 2", "both plate 1"]
    assert [one.holds for one in packed] == [one.holds for one in plain]
    assert [one.takes for one in packed] == [one.takes for one in plain]
    with pytest.raises(
        InputError, match=r"run.order.yaml:12: plates\[2\]: .*both.3mf: found 2 plates"
    ) as caught:
        counts(text.replace(", plate: 1}", "}").replace("both plate 1", "both"))
    assert caught.value.hint == "Choose by number (plate: 1); there are 1, 2."
    with pytest.raises(InputError, match="found no plate 9"):
        counts(text.replace("plate: 1}", "plate: 9}").replace("both plate 1", "both plate 9"))


def test_plates_say_themselves_what_they_hold(bench):
    """Without a kit `holds` tells; with one it goes before what the kit counts."""
    text = ORDER.replace("kit: hoophouse.kit.yaml\n", "")
    text = text.replace("treated: keys-treated.gcode", "holds: {wedge-key-snug: 2}")
    text = text.replace("{file: mixed.gcode}", "{file: mixed.gcode, holds: {wedge-key-easy: 5}}")
    record, _ = planned(bench, text)
    runs = {one["plate"]: one["runs"] for one in record["plates"]}
    assert runs == {"keys": 18, "mixed": 2} and "kit" not in record and record["side"] == "untreated"
    assert {one["counted_from"] for one in record["plates"]} == {"order"}
    record, _ = planned(
        bench, ORDER.replace("{file: mixed.gcode}", "{file: mixed.gcode, holds: {wedge-key-easy: 5}}")
    )
    assert {one["plate"]: one["runs"] for one in record["plates"]}["mixed"] == 2


def test_without_prices_spools_or_machines_the_profile_tells_and_the_rest_is_left_out(bench):
    text = (
        ORDER[: ORDER.index("spools:")]
        .replace("machine: desktop-220, ", "")
        .replace("machine: desktop-180, ", "")
    )
    record, _ = planned(bench, text)
    # The kit's machine is taken where nobody names one, as the other commands do.
    assert record["spools"] == [] and record["spent"]["energy_kwh"]["planned"] > 0
    (bench / "hoophouse.kit.yaml").write_text(
        KIT_TEXT.replace("machine: desktop-220\n", ""), encoding="utf-8"
    )
    record, _ = planned(bench, text)
    assert record["spools"] == [] and "energy_kwh" not in record["spent"]
    assert record["spent"]["prices_from"][0].startswith("material petg: ")
    assert any("Energy is left out" in one for one in record["watch"])
    record, _ = planned(
        bench,
        text,
        options=Options(
            (), machine="desktop-220", sets=("machine.electricity_per_kwh=0.5", "material.price_per_kg=100")
        ),
    )
    spent = record["spent"]
    assert spent["money_energy"]["planned"] == pytest.approx(0.5 * spent["energy_kwh"]["planned"])
    assert spent["money_filament"]["planned"] == pytest.approx(0.1 * spent["filament_g"]["planned"])


def test_another_order_may_be_held_against(bench):
    other = bench / "three.order.yaml"
    other.write_text(ORDER.replace("count: 2", "count: 3").replace("order: spring", "order: three"))
    record, _ = planned(bench, wanted=Wanted(against=str(other), runs=200))
    assert (record["side"], record["against"]["side"]) == ("spring", "three") and record["difference"][
        "takes_s"
    ]["planned"] > 0
    assert "choice" in record["against"] and "schedule" not in record["against"]
    other.write_text(ORDER)
    record, _ = planned(bench, wanted=Wanted(against=str(other), runs=100))
    assert (record["side"], record["against"]["side"]) == (str(bench / "run.order.yaml"), str(other))
    second = ORDER.replace("file: mixed.gcode", "name: mixed, file: more.gcode")
    (bench / "more.gcode").write_bytes(files()["mixed.gcode"])
    other.write_text(second)
    for out in (other, bench / "more.gcode"):
        with pytest.raises(UsageError, match="a file that the order is made of"):
            planned(bench, wanted=Wanted(against=str(other), runs=100, csv=out))


def test_a_file_that_profiles_are_read_from_is_not_buried(bench):
    for kind, name in (("machines", "desktop-220"), ("materials", "petg")):
        (bench / f"own-{kind}.yaml").write_bytes(profiles.find(kind, name).read_bytes())
    text = ORDER.replace("machine: desktop-220", "machine: own-machines.yaml")
    text = text.replace("material: petg", "material: own-materials.yaml")
    for kind in ("machines", "materials"):
        with pytest.raises(UsageError, match="a file that the order is made of"):
            planned(bench, text, Wanted(runs=100, csv=bench / f"own-{kind}.yaml"))


APART = """\
beadwright: 1
order: apart
parts: {wedge-key-snug: 24}
zone: UTC
start: 2026-03-27T08:00
plates:
  - {file: keys.gcode, holds: {wedge-key-snug: 2}}
  - {file: mixed.gcode, holds: {wedge-key-snug: 1}}
printers:
  - {name: big, hours: round the clock, swap: 10 min, failed: 0%, plates: [keys]}
  - {name: small, count: 2, hours: round the clock, swap: 10 min, failed: 0%, plates: [mixed]}
"""


def test_printers_with_plates_of_their_own_all_have_work(bench):
    """By hand: of all ways to split 24 parts between the two files the one that is done first. The fewest plates would
    leave two printers idle; they are taken where they are sure to be done by the due date."""
    record, _ = planned(bench, APART)
    runs = {one["plate"]: one["runs"] for one in record["plates"]}
    times = {one["plate"]: next(iter(one["time_s"].values()))["best"] for one in record["plates"]}
    best = min(
        max(k * (times["keys"] + 600), -(-max(24 - 2 * k, 0) // 2) * (times["mixed"] + 600))
        for k in range(13)
    )
    assert record["plan"]["takes_s"] == pytest.approx(best, rel=1e-6)
    assert 0 < runs["keys"] < 12 and 2 * runs["keys"] + runs["mixed"] >= 24
    assert any("so that more printers have work" in text for text in record["watch"])
    assert record["choice"]["shared_out"] is True and record["choice"]["proven"] is False
    assert record["choice"]["printer_s"] > record["choice"]["least_printer_s"]
    due, _ = planned(bench, APART.replace("plates:\n", "due: 2026-04-07T08:00\nplates:\n", 1))
    assert {one["plate"]: one["runs"] for one in due["plates"]} == {"keys": 12}
    assert not any("so that more printers have work" in text for text in due["watch"])
    assert due["choice"]["shared_out"] is False


def test_names_are_no_formulas_in_a_table(bench):
    """As in the sheets of a ladder: a quote before what a spreadsheet would reckon."""
    text = APART.replace("name: big", 'name: "=1+1"').replace(
        "file: keys.gcode,", 'file: keys.gcode, name: "@a",'
    )
    planned(bench, text.replace("[keys]", '["@a"]'), Wanted(runs=100, csv=bench / "run.csv"))
    rows = list(csv.DictReader(io.StringIO((bench / "run.csv").read_text(), newline="")))
    assert {(row["printer"], row["plate"]) for row in rows} >= {("'=1+1", "'@a"), ("small 1", "mixed")}


def test_a_change_that_can_not_be_carried_out_is_no_help(bench, monkeypatch):
    """Untreated plates may take longer than somebody is there: the plan stands, without that change."""
    late = ORDER.replace("due: 2026-03-27T20:00", "due: 2026-03-27T10:00")
    changes = [one["change"] for one in planned(bench, late)[0]["would_help"]]
    own = plan.side_of

    def refused(order, counted, variant, *args, **more):
        if variant == "untreated":
            raise InputError("a plate that no printer may run", "")
        return own(order, counted, variant, *args, **more)

    monkeypatch.setattr(plan, "side_of", refused)
    left = [one["change"] for one in planned(bench, late)[0]["would_help"]]
    assert sorted(changes) == sorted([*left, "the plates untreated"])


def test_printers_that_may_not_be_left_alone(bench):
    untreated = ORDER.replace(", treated: keys-treated.gcode", "")
    three = (*KEYS, Placement("wedge-key-snug", 120, 110))
    (bench / "keys.gcode").write_bytes(make("B", parts=three).data)
    record, _ = planned(bench, untreated)
    ends = {one["plate"]: one["time_s"]["bench"]["high"] for one in record["plates"]}
    first, second = sorted(ends, key=ends.get)
    assert ends[first] + 60 < ends[second] < 3600
    minutes = int(ends[second] / 60)
    text = untreated.replace('hours: "07:00-23:00"', f'alone: false, hours: "08:00-08:{minutes:02d}"')
    text = text.replace('"08:00-17:00", swap: 10 min', '"08:00-17:00", alone: false, swap: 10 min')
    text = text.replace(", plates: [mixed]", "")
    record, warnings = planned(bench, text)
    assert [text.split()[0] for text in warnings if "longer than somebody is at bench" in text] == [second]
    assert {row["plate"] for row in record["schedule"] if row["printer"] != "attic"} <= {first}
    assert record["swaps"]["plates_alone"] == 0 and record["swaps"]["printing_alone_s"] == pytest.approx(0)
    assert not any("nobody there" in one for one in record["watch"])
    nowhere = text.replace(f"08:00-08:{minutes:02d}", "08:00-08:10").replace("08:00-17:00", "08:00-08:10")
    with pytest.raises(InputError, match="no printer may run a plate that holds it"):
        planned(bench, nowhere)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (SIX, "wedge-key-smug: 6", "run.order.yaml:6: parts.wedge-key-smug: found part 'wedge-key-smug', expected "
         "'wedge-key-snug' (nearest name)"),
        (SIX, "film-clip: 6", "order.yaml:6: parts.film-clip: found part 'film-clip', which no plate holds"),
        ("file: mixed.gcode", "name: mixed, file: mixt.gcode", "mixt.gcode: no such file"),
        ("kit: hoophouse.kit.yaml\n", "", "plates[1]: found neither a kit nor `holds`"),
        ("treated: keys-treated.gcode", "treated: mixed.gcode", "plates[1].treated: found 1 wedge-key-snug, 1 "
         "wedge-key-easy, expected what the untreated plate holds: 2 wedge-key-snug"),
        ("machine: desktop-220", "machine: desktop-221", "desktop-221"),
        ("material: petg", "material: petgg", "petgg"),
        ("kits: 10", "kits: 900000", "plates to print, expected at most 20,000"),
        ("one_kit: {wedge-key-snug: 3, wedge-key-easy: 1}\nparts: {wedge-key-snug: 6}", "one_kit: {wedge-key-easy: 1}",
         "plates[1]: found a plate that holds 2 wedge-key-snug, none of which is ordered"),
    ],
    ids=["part", "absent", "file", "no kit", "treated", "machine", "material", "many", "useless"],
)  # fmt: skip
def test_orders_that_can_not_be_carried_out_say_why(bench, old, new, told):
    assert old in ORDER
    with pytest.raises(InputError) as caught:
        planned(bench, ORDER.replace(old, new))
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        (Wanted(runs=10), "--runs 10"),
        (Wanted(runs=10**6), "--runs 1000000"),
        (Wanted(seed=-1), "--seed -1"),
        (Wanted(csv=Path("a"), ics=Path("a")), "both name a"),
    ],
)
def test_options_that_make_no_sense(bench, wanted, told):
    with pytest.raises(UsageError) as caught:
        planned(bench, wanted=wanted)
    assert told in caught.value.cause


def test_without_a_treated_file_there_is_nothing_to_hold_against(bench):
    with pytest.raises(UsageError, match="names a treated file"):
        planned(
            bench, ORDER.replace(", treated: keys-treated.gcode", ""), Wanted(against="untreated", runs=200)
        )


def test_nothing_is_written_where_somebody_objects(bench):
    def object_to(warnings: list[str]) -> None:
        raise RuntimeError

    path = bench / "run.order.yaml"
    path.write_text(ORDER)
    with pytest.raises(RuntimeError):
        plan_file(path, Wanted(runs=200, csv=bench / "run.csv"), BARE, approve=object_to)
    assert not (bench / "run.csv").exists()


DAILY = """\
beadwright: 1
order: daily
kits: 12
one_kit: {wedge-key-snug: 2}
zone: Europe/Vienna
start: 2026-03-20T08:00
due: 2026-04-02T12:00
plates: [{file: keys.gcode, holds: {wedge-key-snug: 2}}]
printers: [{name: bench, machine: desktop-220, hours: "08:00-08:10", swap: 10 min, failed: 20%, failed_at: end}]
spools: [{material: petg, net_g: 1000, on_hand: 2, price: 20}]
"""


@pytest.fixture(scope="module")
def daily(tmp_path_factory):
    """A plate a day, taken off at ten past eight, whatever the doubt of its time; every failure costs a day."""
    folder = tmp_path_factory.mktemp("daily")
    (folder / "keys.gcode").write_bytes(files()["keys.gcode"])
    heavy = planned(folder, DAILY, Wanted(runs=100))[0]["plates"][0]["mass_g"]["high"]
    text = DAILY.replace("net_g: 1000", f"net_g: {4.5 * heavy:.6f}")
    return planned(folder, text, Wanted(runs=4000, ics=folder / "run.ics"))[0], folder


def days(record, text: str) -> int:
    start, end = (datetime.fromisoformat(one) for one in (record["start"], text))
    assert (end.hour, end.minute) == (8, 10)
    return (end.date() - start.date()).days


def test_a_plate_a_day_is_done_by_the_closed_form(daily):
    """Tries until 12 are good: 12 and a negative binomial count of failures; of 13 tries by the due date a binomial
    count is good (scipy.stats)."""
    record, _ = daily
    failures, good = stats.nbinom(12, 0.8), stats.binom(13, 0.8)
    assert days(record, record["plan"]["done"]) == 12 and record["plan"]["by_due"]
    for sure, one in record["odds"]["done_by"].items():
        low, high = (12 + failures.ppf(float(sure) / 100 + off) for off in (-0.02, 0.02))
        assert low <= days(record, one["best"]) <= high
        assert days(record, one["low"]) <= days(record, one["best"]) <= days(record, one["high"])
    odds = record["odds"]["by_due"]
    assert odds["best"] == pytest.approx(failures.cdf(1), abs=4 * np.sqrt(0.25 / 4000))
    part = record["parts"]["wedge-key-snug"]
    assert part["all_by_due"]["best"] == odds["best"] and part["short_in_plan"] == 0
    short = 2 * np.maximum(12 - np.arange(14), 0) @ good.pmf(np.arange(14))
    assert part["short"]["best"] == pytest.approx(short, rel=0.05)
    assert (part["short"]["low"], part["short"]["high"]) == (0, 2 * (12 - good.ppf(0.05)))
    assert record["kits"] == {"ordered": 12, "in_plan": 12, "with_95": good.ppf(0.05)}


def test_a_plate_a_day_costs_what_its_tries_cost(daily):
    """Found at the end, a failure costs a whole plate: 12 / (1 - 0.2) to expect, four on a spool."""
    record, _ = daily
    tries = 12 + stats.nbinom(12, 0.8).ppf(0.95)
    (spool,) = record["spools"]
    assert (spool["planned"], spool["buy"], spool["at_95"]) == (3, 1, np.ceil(tries / 4))
    assert spool["buy_at_95"] == spool["at_95"] - 2 and spool["cost_at_95"] == 20 * spool["buy_at_95"]
    bands = {
        "printing_s": record["plates"][0]["time_s"]["bench"],
        "filament_g": record["plates"][0]["mass_g"],
    }
    bands["money_filament"] = bands["filament_g"]
    for key in ("printing_s", "filament_g", "money_filament"):
        one = record["spent"][key]
        # The mean of halves of two normal distributions.
        low, high = (bands[key][end] / bands[key]["best"] for end in ("low", "high"))
        mean = 1 + (high + low - 2) / 1.6449 / np.sqrt(2 * np.pi)
        assert one["expected"]["best"] == pytest.approx(mean * one["planned"] / 0.8, rel=0.015)


def test_somebody_is_called_when_there_is_somebody(daily):
    """A plate that ends at night is to be taken off at eight in the morning."""
    record, folder = daily
    events = icalendar.Calendar.from_ical((folder / "run.ics").read_bytes()).walk("VALARM")
    calls = sorted(one.decoded("trigger").timestamp() for one in events)
    assert calls == [datetime.fromisoformat(row["off"]).timestamp() - 600 for row in record["schedule"]]
    assert {datetime.fromtimestamp(one, ZoneInfo("Europe/Vienna")).strftime("%H:%M") for one in calls} == {
        "08:00"
    }


def test_longer_hours_help_as_much_as_an_order_with_them(daily):
    record, folder = daily
    change = next(
        one for one in record["would_help"] if one["change"].startswith("somebody there 2 h longer")
    )
    longer, _ = planned(folder, DAILY.replace("08:00-08:10", "08:00-10:10"), Wanted(runs=4000))
    assert change["done"] == longer["plan"]["done"] < record["plan"]["done"]
    assert change["by_due"] == longer["odds"]["by_due"]


def test_orders_that_start_at_different_times_are_held_against_each_other_by_what_they_take(daily):
    _, folder = daily
    other = folder / "later.order.yaml"
    text = DAILY.replace("08:00-08:10", "round the clock")
    other.write_text(
        text.replace("start: 2026-03-20T08:00", "start: 2026-03-21T11:00").replace("daily", "later")
    )
    record, _ = planned(folder, text, Wanted(against=str(other), runs=200))
    less = record["difference"]["takes_s"]
    assert less == pytest.approx(dict.fromkeys(less, 0.0), abs=1e-3)


def test_energy_is_in_doubt_as_much_as_time_and_power_are(bench):
    """A slow run draws its power for longer: what is left of the doubt is that of the power alone."""
    path = bench / "run.order.yaml"
    path.write_text(ORDER.replace("failed: 5%", "failed: 0%"), encoding="utf-8")
    order = load_order(path, 0.0)
    counted, _ = count_plates(order, kit_of(order), BARE)
    alone = [one for one in counted if one.title == "keys"]
    file = replace(order.file, one_kit=None, kits=None, printers=order.file.printers[:1])
    side = side_of(dataclasses.replace(order, file=file), alone, "treated", BARE, 400, 3)
    spent, watts = side.spent, side.takes[0][0].watts
    ratio = (spent.energy_kwh / spent.printing_s) / (spent.energy_kwh[0] / spent.printing_s[0])
    assert ratio[1:] == pytest.approx(doubt(2, *watts, 3, 400))
    assert np.ptp(spent.printing_s) > 0 and watts[0] < 1 < watts[1]

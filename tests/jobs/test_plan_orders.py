"""What orders may say of plates, printers, prices and other orders, and what they can not."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import pytest
from plan_orders import BARE, KEYS, KIT_TEXT, ORDER, files, planned

from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles
from gcodetools.errors import InputError, UsageError
from gcodetools.jobs import plan
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plan import Wanted, plan_file
from gcodetools.jobs.plan_plates import count_plates, kit_of
from gcodetools.planning.order import load_order

SIX = "wedge-key-snug: 6"


def test_a_plate_of_a_package_is_chosen_by_its_number(order_folder):
    """The same plates in a package; the treated one stands alone in its file and is taken whatever its number."""
    with zipfile.ZipFile(order_folder / "both.3mf", "w") as package:
        for number, name in ((2, "keys.gcode"), (1, "mixed.gcode")):
            package.writestr(f"Metadata/plate_{number}.gcode", files()[name])
    text = ORDER.replace("file: keys.gcode", "file: both.3mf, plate: 2").replace(
        "file: mixed.gcode", "file: both.3mf, plate: 1"
    )
    text = text.replace("plates: [mixed]", "plates: [both plate 1]")

    def counts(text: str):
        (order_folder / "run.order.yaml").write_text(text, encoding="utf-8")
        order = load_order(order_folder / "run.order.yaml", 0.0)
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


def test_plates_say_themselves_what_they_hold(order_folder):
    """Without a kit `holds` tells; with one it goes before what the kit counts."""
    text = ORDER.replace("kit: hoophouse.kit.yaml\n", "")
    text = text.replace("treated: keys-treated.gcode", "holds: {wedge-key-snug: 2}")
    text = text.replace("{file: mixed.gcode}", "{file: mixed.gcode, holds: {wedge-key-easy: 5}}")
    record, _ = planned(order_folder, text)
    runs = {one["plate"]: one["runs"] for one in record["plates"]}
    assert runs == {"keys": 18, "mixed": 2} and "kit" not in record and record["side"] == "untreated"
    assert {one["counted_from"] for one in record["plates"]} == {"order"}
    record, _ = planned(
        order_folder, ORDER.replace("{file: mixed.gcode}", "{file: mixed.gcode, holds: {wedge-key-easy: 5}}")
    )
    assert {one["plate"]: one["runs"] for one in record["plates"]}["mixed"] == 2


def test_without_prices_spools_or_machines_the_profile_tells_and_the_rest_is_left_out(order_folder):
    text = (
        ORDER[: ORDER.index("spools:")]
        .replace("machine: desktop-220, ", "")
        .replace("machine: desktop-180, ", "")
    )
    record, _ = planned(order_folder, text)
    # The kit's machine is taken where nobody names one, as the other commands do.
    assert record["spools"] == [] and record["spent"]["energy_kwh"]["planned"] > 0
    (order_folder / "hoophouse.kit.yaml").write_text(
        KIT_TEXT.replace("machine: desktop-220\n", ""), encoding="utf-8"
    )
    record, _ = planned(order_folder, text)
    assert record["spools"] == [] and "energy_kwh" not in record["spent"]
    assert record["spent"]["prices_from"][0].startswith("material petg: ")
    assert any("Energy is left out" in one for one in record["watch"])
    record, _ = planned(
        order_folder,
        text,
        options=Options(
            (), machine="desktop-220", sets=("machine.electricity_per_kwh=0.5", "material.price_per_kg=100")
        ),
    )
    spent = record["spent"]
    assert spent["money_energy"]["planned"] == pytest.approx(0.5 * spent["energy_kwh"]["planned"])
    assert spent["money_filament"]["planned"] == pytest.approx(0.1 * spent["filament_g"]["planned"])


def test_another_order_may_be_held_against(order_folder):
    other = order_folder / "three.order.yaml"
    other.write_text(ORDER.replace("count: 2", "count: 3").replace("order: spring", "order: three"))
    record, _ = planned(order_folder, wanted=Wanted(against=str(other), runs=200))
    assert (record["side"], record["against"]["side"]) == ("spring", "three") and record["difference"][
        "takes_s"
    ]["planned"] > 0
    assert "choice" in record["against"] and "schedule" not in record["against"]
    other.write_text(ORDER)
    record, _ = planned(order_folder, wanted=Wanted(against=str(other), runs=100))
    assert (record["side"], record["against"]["side"]) == (str(order_folder / "run.order.yaml"), str(other))
    second = ORDER.replace("file: mixed.gcode", "name: mixed, file: more.gcode")
    (order_folder / "more.gcode").write_bytes(files()["mixed.gcode"])
    other.write_text(second)
    for out in (other, order_folder / "more.gcode"):
        with pytest.raises(UsageError, match="a file that the order is made of"):
            planned(order_folder, wanted=Wanted(against=str(other), runs=100, csv=out))


def test_a_file_that_profiles_are_read_from_is_not_buried(order_folder):
    for kind, name in (("machines", "desktop-220"), ("materials", "petg")):
        (order_folder / f"own-{kind}.yaml").write_bytes(profiles.find(kind, name).read_bytes())
    text = ORDER.replace("machine: desktop-220", "machine: own-machines.yaml")
    text = text.replace("material: petg", "material: own-materials.yaml")
    for kind in ("machines", "materials"):
        with pytest.raises(UsageError, match="a file that the order is made of"):
            planned(order_folder, text, Wanted(runs=100, csv=order_folder / f"own-{kind}.yaml"))


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
def test_orders_that_can_not_be_carried_out_say_why(order_folder, old, new, told):
    assert old in ORDER
    with pytest.raises(InputError) as caught:
        planned(order_folder, ORDER.replace(old, new))
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
def test_options_that_make_no_sense(order_folder, wanted, told):
    with pytest.raises(UsageError) as caught:
        planned(order_folder, wanted=wanted)
    assert told in caught.value.cause


def test_without_a_treated_file_there_is_nothing_to_hold_against(order_folder):
    with pytest.raises(UsageError, match="names a treated file"):
        planned(
            order_folder,
            ORDER.replace(", treated: keys-treated.gcode", ""),
            Wanted(against="untreated", runs=200),
        )


def test_nothing_is_written_where_somebody_objects(order_folder):
    def object_to(warnings: list[str]) -> None:
        raise RuntimeError

    path = order_folder / "run.order.yaml"
    path.write_text(ORDER)
    with pytest.raises(RuntimeError):
        plan_file(path, Wanted(runs=200, csv=order_folder / "run.csv"), BARE, approve=object_to)
    assert not (order_folder / "run.csv").exists()


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


def test_printers_with_plates_of_their_own_all_have_work(order_folder):
    """By hand: of all ways to split 24 parts between the two files the one that is done first. The fewest plates would
    leave two printers idle; they are taken where they are sure to be done by the due date."""
    record, _ = planned(order_folder, APART)
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
    due, _ = planned(order_folder, APART.replace("plates:\n", "due: 2026-04-07T08:00\nplates:\n", 1))
    assert {one["plate"]: one["runs"] for one in due["plates"]} == {"keys": 12}
    assert not any("so that more printers have work" in text for text in due["watch"])
    assert due["choice"]["shared_out"] is False


def test_names_are_no_formulas_in_a_table(order_folder):
    """As in the sheets of a ladder: a quote before what a spreadsheet would reckon."""
    text = APART.replace("name: big", 'name: "=1+1"').replace(
        "file: keys.gcode,", 'file: keys.gcode, name: "@a",'
    )
    planned(order_folder, text.replace("[keys]", '["@a"]'), Wanted(runs=100, csv=order_folder / "run.csv"))
    rows = list(csv.DictReader(io.StringIO((order_folder / "run.csv").read_text(), newline="")))
    assert {(row["printer"], row["plate"]) for row in rows} >= {("'=1+1", "'@a"), ("small 1", "mixed")}


def test_a_change_that_can_not_be_carried_out_is_no_help(order_folder, monkeypatch):
    """Untreated plates may take longer than somebody is there: the plan stands, without that change."""
    late = ORDER.replace("due: 2026-03-27T20:00", "due: 2026-03-27T10:00")
    changes = [one["change"] for one in planned(order_folder, late)[0]["would_help"]]
    own = plan.side_of

    def refused(order, counted, variant, *args, **more):
        if variant == "untreated":
            raise InputError("a plate that no printer may run", "")
        return own(order, counted, variant, *args, **more)

    monkeypatch.setattr(plan, "side_of", refused)
    left = [one["change"] for one in planned(order_folder, late)[0]["would_help"]]
    assert sorted(changes) == sorted([*left, "the plates untreated"])


def test_printers_that_may_not_be_left_alone(order_folder):
    untreated = ORDER.replace(", treated: keys-treated.gcode", "")
    three = (*KEYS, Placement("wedge-key-snug", 120, 110))
    (order_folder / "keys.gcode").write_bytes(make("B", parts=three).data)
    record, _ = planned(order_folder, untreated)
    ends = {one["plate"]: one["time_s"]["bench"]["high"] for one in record["plates"]}
    first, second = sorted(ends, key=ends.get)
    assert ends[first] + 60 < ends[second] < 3600
    minutes = int(ends[second] / 60)
    text = untreated.replace('hours: "07:00-23:00"', f'alone: false, hours: "08:00-08:{minutes:02d}"')
    text = text.replace('"08:00-17:00", swap: 10 min', '"08:00-17:00", alone: false, swap: 10 min')
    text = text.replace(", plates: [mixed]", "")
    record, warnings = planned(order_folder, text)
    assert [text.split()[0] for text in warnings if "longer than somebody is at bench" in text] == [second]
    assert {row["plate"] for row in record["schedule"] if row["printer"] != "attic"} <= {first}
    assert record["swaps"]["plates_alone"] == 0 and record["swaps"]["printing_alone_s"] == pytest.approx(0)
    assert not any("nobody there" in one for one in record["watch"])
    nowhere = text.replace(f"08:00-08:{minutes:02d}", "08:00-08:10").replace("08:00-17:00", "08:00-08:10")
    with pytest.raises(InputError, match="no printer may run a plate that holds it"):
        planned(order_folder, nowhere)

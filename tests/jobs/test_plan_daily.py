"""A plate a day against closed forms: when a run is done, what its failures cost, who is called when."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from zoneinfo import ZoneInfo

import icalendar
import numpy as np
import pytest
from msgspec.structs import replace
from plan_orders import BARE, ORDER, files, planned
from scipy import stats

from gcodetools.jobs.plan import Wanted
from gcodetools.jobs.plan_plates import count_plates, kit_of
from gcodetools.jobs.plan_side import side_of
from gcodetools.planning.failures import doubt
from gcodetools.planning.order import load_order

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


def test_energy_is_in_doubt_as_much_as_time_and_power_are(order_folder):
    """A slow run draws its power for longer: what is left of the doubt is that of the power alone."""
    path = order_folder / "run.order.yaml"
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

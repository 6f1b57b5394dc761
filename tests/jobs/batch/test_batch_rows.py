"""The table of a batch: rows, sums, CSV."""

from __future__ import annotations

import csv
import io

from gcodetools.jobs.batch_files import outputs_of
from gcodetools.jobs.batch_rows import csv_of, row_of, sums_of


def test_sums_add_ends_and_take_the_weakest_basis():
    def one(best, basis):
        told = {"low": best - 1, "best": best, "high": best + 2, "basis": basis, "source": basis}
        return {"regions_treated": 2, "time_s": told, "mass_g": told, "cost": told,
                "added": {"time_s": 1.0, "mass_g": 0.5, "cost": 0.1}}  # fmt: skip

    total = sums_of([one(10.0, "measured"), one(20.0, "assumed"), one(5.0, "modelled")])
    assert total["time_s"] == {"low": 32.0, "best": 35.0, "high": 41.0, "basis": "assumed", "coverage": 0.9,
                               "source": "measured; assumed; and others"}  # fmt: skip
    assert total["regions_treated"] == 6 and total["added"] == {"time_s": 3.0, "mass_g": 1.5, "cost": 0.3}


def test_a_row_tells_the_least_margin_at_whichever_region_and_tilt():
    def region(name, **margins):
        load = {key: {"low": best / 2, "best": best, "high": best * 2} for key, best in margins.items()}
        return {"part": "clip", "instance": 1, "region": name, "load": load}

    whole = {"time_s": 100.0, "mass_g": 2.0, "cost": 0.05}
    trust = {"low": 0.9, "high": 1.2, "basis": "modelled", "source": "x"}
    answer = {"part": "clip", "region": "lips", "done": "yes"}
    record = {
        "file": "a.gcode",
        "regions": [{**answer, "instance": 1}, {**answer, "instance": 1}, {**answer, "instance": 2, "done": "nothing"}],
        "audit": {"replaced": 3, "inserted": 0},
        "costs": {"after": {"whole": whole}, "added": {"whole": whole}, "columns": dict.fromkeys(whole, trust)},
        "strength": {
            "before": [region("lips", margin=2.0), region("spine", margin=1.5, margin_crooked=0.8)],
            "after": [region("lips", margin=1.1), region("spine", margin=1.9, margin_crooked=1.4), region("ribs")],
        },
    }  # fmt: skip
    row = row_of(record, {"clip": 2}, ["careful"], outputs_of("a.gcode"), {"treated": "x"})
    assert row["margin_before"] == {"at": "clip#1/spine", "low": 0.4, "best": 0.8, "high": 1.6}
    assert row["margin_after"] == {"at": "clip#1/lips", "low": 0.55, "best": 1.1, "high": 2.2}
    assert row["regions_treated"] == 1 and row["changed"] and "page" not in row
    assert [row["time_s"][end] for end in ("low", "best", "high")] == [90.0, 100.0, 120.0]
    flat = next(
        csv.DictReader(io.StringIO(csv_of([{**row, "state": "done", "status": 0}]).decode(), newline=""))
    )
    assert (flat["margin_after_at"], flat["margin_after_best"], flat["parts"]) == (
        "clip#1/lips",
        "1.1",
        "2 clip",
    )
    assert (flat["time_s_high"], flat["added_cost"], flat["warnings"]) == ("120.0", "0.05", "1")


def test_the_table_reads_back_from_csv_and_no_name_is_a_formula():
    names = ["=1+1.gcode", 'a,"b"\n.gcode', "+x.gcode"]
    rows = [{"file": name, "state": "skipped", "status": 0, "why": "no"} for name in names]
    data = csv_of(rows)
    back = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert [one["file"] for one in back] == ["'=1+1.gcode", names[1], "'+x.gcode"]
    assert all(None not in one and one["warnings"] == "0" for one in back)

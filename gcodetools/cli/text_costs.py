"""Tables of time, filament, energy and money, as `inspect` and `apply` print them."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.words import band, clock, numbers

__all__ = [
    "clock_signed",
    "energy_fact",
    "feature_cells",
    "hms",
    "layer_lines",
    "money",
    "region_table",
    "show_added",
    "signed",
    "word",
]

Row = dict[str, float]
_SLOWEST = 5
_WORDS = {"wait": "waiting", "heating": "heating up", "tools": "tool changes", "rest": "the rest"}


def word(name: str) -> str:
    """A name of a table as people read it."""
    return _WORDS.get(name, name)


def _estimated(costs: dict[str, Any], column: str, value: float) -> dict[str, Any]:
    """A number of a table with the band of its column."""
    trust = costs["columns"][column]
    ends = sorted((value * trust["low"], value * trust["high"]))
    return {"low": ends[0], "best": value, "high": ends[1], "basis": trust["basis"]}


def clock_signed(seconds: float) -> str:
    """`+1 min 28 s`."""
    text = clock(abs(seconds))
    return text if text == "0 s" else ("-" if seconds < 0 else "+") + text


def hms(seconds: float) -> str:
    """`0:01:28`, for tables."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def signed(value: float) -> str:
    """Two figures with a sign; what rounding leaves is nothing."""
    return "0" if abs(value) < 5e-6 else ("+" if value > 0 else "") + figures(value)


def money(value: float) -> str:
    """Three figures; the currency is whatever prices are given in."""
    return figures(value, 3)


def feature_cells(row: Row) -> tuple[str, str]:
    """Time and grams of one line."""
    return clock(row["time_s"]), figures(row["mass_g"]) if abs(row["mass_g"]) >= 5e-4 else "0"


def _by_region(table: dict[str, Row]) -> dict[str, tuple[list[int], Row]]:
    """Sums over the instances of each part/region; REST stays by itself."""
    groups: dict[str, tuple[list[int], Row]] = {}
    for name, row in table.items():
        part, _, behind = name.rpartition("#")
        number, slash, region = behind.partition("/")
        label = f"{part}/{region}" if slash and number.isdecimal() else word(name)
        instances, total = groups.setdefault(label, ([], {}))
        if slash and number.isdecimal():
            instances.append(int(number))
        for key, value in row.items():
            total[key] = total.get(key, 0.0) + value
    return groups


def region_table(costs: dict[str, Any], paper: Paper) -> None:
    """Time, mass and money by region, all instances of one together, and the whole."""
    energy = "energy_wh" in costs["columns"]
    rows: list[tuple[str, ...]] = [("region", "instances", "time", "g", "money", *(["Wh"] if energy else []))]
    for label, (instances, total) in [*_by_region(costs["regions"]).items(), ("whole", ([], costs["whole"]))]:
        cells = (*feature_cells(total), money(total["cost"]))
        more = (figures(total["energy_wh"]),) if energy else ()
        rows.append((label, numbers(instances), *cells, *more))
    paper.table(rows, right=tuple(range(2, len(rows[0]))))


def layer_lines(costs: dict[str, Any], paper: Paper) -> None:
    """The slowest layers."""
    seconds = costs["layers"]["time_s"]
    slowest = sorted(range(len(seconds)), key=lambda k: -seconds[k])[:_SLOWEST]
    if slowest:
        shown = ", ".join(f"{k + 1} ({clock(seconds[k])})" for k in slowest)
        paper.line(f"slowest plate layers: {shown}", hang=2)


def show_added(costs: dict[str, Any], paper: Paper) -> None:
    """What a treatment adds, by region; by feature too where more was asked for."""
    paper.title("Time (h:mm:ss), filament (g) and money")
    tables = [_by_region(costs[side]["regions"]) for side in ("before", "after")]
    names = list(dict.fromkeys([*tables[0], *tables[1]]))
    none: tuple[list[int], Row] = ([], {})
    sides = [[table.get(name, none)[1] for table in tables] for name in names]
    wholes = [costs[side]["whole"] for side in ("before", "after")]
    _table("region", [*names, "whole"], [*sides, wholes], paper)
    if paper.verbose:
        features = [costs[side]["features"] for side in ("before", "after")]
        words = list(dict.fromkeys([*features[0], *features[1]]))
        paper.blank()
        _table("feature", list(map(word, words)), [[f.get(w, {}) for f in features] for w in words], paper)


def _table(head: str, names: list[str], sides: list[list[Row]], paper: Paper) -> None:
    rows: list[tuple[str, ...]] = [(head, "before", "after", "added", "g added", "money added")]
    for name, (before, after) in zip(names, sides, strict=True):
        a, b = before.get("time_s", 0.0), after.get("time_s", 0.0)
        added = [signed(after.get(key, 0.0) - before.get(key, 0.0)) for key in ("mass_g", "cost")]
        sign = "-" if round(b - a) < 0 else "+" if round(b - a) > 0 else ""
        rows.append((name, hms(a), hms(b), sign + hms(abs(b - a)), *added))
    paper.table(rows, right=(1, 2, 3, 4, 5))


def energy_fact(costs: dict[str, Any], whole: Row, sign: str = "") -> list[tuple[str, str]]:
    """The energy with its band, and its price where there is one; nothing where no machine says."""
    if "energy_wh" not in whole:
        return []
    text = sign + band(_estimated(costs, "energy_wh", whole["energy_wh"]), "Wh")
    if "energy_cost" in whole:
        text += f", which costs {sign}{money(whole['energy_cost'])}"
    return [("energy", text)]

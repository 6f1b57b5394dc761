"""The page as it opens: from a file, in silence, with the answers first and the numbers that the commands print."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from gcodetools.cli.main import cli
from gcodetools.demo.bench import big_plate

MINUS = "\u2212"


def cards(tab: Any) -> list[dict[str, str]]:
    return tab.run(
        "[...document.querySelectorAll('#verdict > li')].map((e) => ({key: e.dataset.key, text: e.innerText}))"
    )


def key_of(record: dict[str, Any]) -> str:
    return f"{record['part']}#{record['instance']}/{record['region']}"


def band_text(band: dict[str, float]) -> str:
    """A margin as the page has it: two decimals below 2, else two significant figures; none of it above 10."""
    if band["low"] > 10:
        return "over 10"
    numbers = [band[end] for end in ("low", "best", "high")]
    low, best, high = (f"{n:.2f}" if band["best"] < 2 else two_figures(n) for n in numbers)
    return best if low == best == high else f"{best} ({low} to {high})"


def two_figures(number: float) -> str:
    rounded = float(f"{abs(number):.1e}")
    digits = max(0, 1 - int(f"{rounded:e}".partition("e")[2]))
    return (MINUS if number < 0 else "") + f"{rounded:,.{digits}f}"


@pytest.mark.parametrize("name", ["demo", "plain", "pair"])
def test_a_page_opens_in_silence_and_asks_for_nothing(tab, pages, name):
    path: Path = getattr(pages, name)
    tab.open(path)
    # All that happens later too: idle work, another layer, sides, quantities.
    tab.show(3)
    tab.run("new Promise((done) => setTimeout(() => done(1), 300))")
    assert tab.troubles() == []
    assert tab.requests() == [path.as_uri()]
    assert tab.run("window.ran") == []


def test_what_cannot_be_silent_is_heard(tab, pages, tmp_path):
    """The same listening on a page with an error, a warning and a request in it."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!doctype html><img src='http://example.invalid/a.png'><body data-ready=1><script>console.warn('w');"
        "setTimeout(() => { throw new Error('thrown'); });</script>"
    )
    tab.open(bad)
    tab.run("new Promise((done) => setTimeout(() => done(1), 200))")
    heard = " ".join(tab.troubles())
    assert "thrown" in heard and "console.warning" in heard
    assert any(url.startswith("http://example.invalid") for url in tab.requests())


def test_the_worst_region_is_first_and_cards_go_from_worse_to_better(tab, pages):
    tab.open(pages.demo)
    margins = {
        key_of(one): one["load"]["margin"]["best"]
        for one in pages.data["records"]["after"]
        if (one.get("load") or {}).get("margin")
    }
    keys = [card["key"] for card in cards(tab)]
    assert keys[0] == min(margins, key=lambda key: margins[key])
    shown = [margins[key] for key in keys if key in margins]
    assert shown == sorted(shown) and len(shown) > 3
    # Those that have no load stand last, and none is left out.
    assert [key in margins for key in keys] == sorted((key in margins for key in keys), reverse=True)
    regions = {(one["part"], one["region"]) for one in pages.data["records"]["after"]}
    assert {tuple(re.sub(r"#\d+", "", key).split("/")) for key in keys} == regions


def test_the_answers_come_before_the_drawing(tab, pages):
    tab.open(pages.demo)
    tops = tab.run(
        "['hold', 'costs', 'watch', 'drawing', 'traces', 'minutes', 'notes'].map((id) =>"
        "document.getElementById(id).getBoundingClientRect().top)"
    )
    assert tops == sorted(tops)
    # The first screen has the answers and most of the drawing.
    assert tops[2] < 300 and tops[3] < 450
    assert tab.run("document.getElementById('hold').innerText.length") > 20


def test_cards_say_what_estimate_prints(tab, pages):
    tab.open(pages.pair)
    records = {key_of(one): one for one in pages.estimate["regions"]}
    change = pages.compare["strength"]["change"]
    found = cards(tab)
    assert {card["key"] for card in found} <= set(records) and len(found) >= 4
    banded = 0
    for card in found:
        record, text = records[card["key"]], card["text"]
        margin = (record.get("load") or {}).get("margin")
        if margin:
            banded += 1
            assert f"margin {band_text(margin)}" in text
            assert margin["basis"] in text
        if record.get("sentence"):
            assert record["sentence"] in text
        gain = change[card["key"]].get("margin") or change[card["key"]].get("across_layers")
        if gain:
            assert f"{band_text(gain)} times what it was" in text
    assert banded >= 3


def test_margin_bars_are_as_long_as_their_numbers(tab, pages):
    """Places of the bar's marks on a logarithmic scale: only straight lines of log margin go through all of them."""
    tab.open(pages.pair)
    records = {key_of(one): one for one in pages.estimate["regions"]}
    bars = tab.run(
        "[...document.querySelectorAll('#verdict > li')].map((e) => { const s = e.querySelector('svg.margin');"
        "if (!s) return null; const n = (r, a) => Number(r.getAttribute(a));"
        "const band = s.querySelector('rect.band'), limit = s.querySelector('line.ink'),"
        "best = s.querySelector('rect.dot, rect.solid');"
        "return {key: e.dataset.key, low: n(band, 'x'), high: n(band, 'x') + n(band, 'width'), one: n(limit, 'x1'),"
        "best: n(best, 'x') + n(best, 'width') / 2, wide: s.clientWidth, short: best.classList.contains('dot')}; })"
    )
    seen = 0
    for bar in filter(None, bars):
        margin = records[bar["key"]]["load"]["margin"]
        ends = [math.log(0.05), math.log(20)]

        def place(value: float, wide: float = bar["wide"], ends: list[float] = ends) -> float:
            return min(max((math.log(value) - ends[0]) / (ends[1] - ends[0]), 0), 1) * wide

        assert bar["one"] == pytest.approx(place(1.0), abs=0.5)
        for end in ("low", "best", "high"):
            assert bar[end] == pytest.approx(place(margin[end]), abs=1.1)
        assert bar["short"] == (margin["best"] < 1)
        seen += 1
    assert seen >= 3


def test_costs_say_what_compare_prints(tab, pages):
    tab.open(pages.pair)
    totals = pages.compare["totals"]
    text = tab.run("document.getElementById('costs').innerText").replace("\u00a0", " ")
    mass = totals["mass_g"]
    assert f"{two_figures(mass['after']['best'])} g" in text
    more = mass["difference"]["best"]
    assert ("+" if more > 0 else "") + f"{two_figures(more)} g" in text
    assert seconds_in(text) == pytest.approx(totals["time_s"]["after"]["best"], abs=31)


def seconds_in(text: str) -> float:
    """The first time in a text: `1 h 02 min`, `50 min`, `4 min 12 s`, `13 s`."""
    found = re.search(
        r"(?:(\d+) h )?(?:(\d+) min)?(?: ?(\d+) s)?", text[re.search(r"\d+ (?:h|min|s)\b", text).start() :]
    )
    hours, minutes, seconds = (int(part or 0) for part in found.groups())
    return 3600.0 * hours + 60.0 * minutes + seconds


def test_the_table_of_minutes_adds_up_and_is_compares(tab, pages):
    tab.open(pages.pair)
    rows = tab.run(
        "[...document.querySelectorAll('#minutes tr')].map((r) => [...r.children].map((c) => c.textContent))"
    )
    whole = [row for row in rows if row[0] == "whole"]
    assert len(whole) == 1
    table = pages.compare["after"]
    assert seconds_in(whole[0][3].replace("\u00a0", " ")) == pytest.approx(table["whole"]["time_s"], abs=31)
    assert len(rows) >= 2 + sum(one["time_s"] > 0.05 for one in table["features"].values())


def test_without_a_kit_the_page_says_so_and_still_draws(tab, pages):
    tab.open(pages.plain)
    assert "kit" in tab.text("#hold").lower()
    assert cards(tab) == []
    assert tab.run("document.getElementById('side').hidden")
    assert tab.run("beadwright.stats().beads[0]") > 0


def test_no_globals_but_one(tab, pages):
    tab.open(pages.demo)
    frame = (
        "(() => { const f = document.createElement('iframe'); document.body.append(f);"
        "const known = new Set(Object.getOwnPropertyNames(f.contentWindow)); f.remove();"
        "return Object.getOwnPropertyNames(window).filter((name) => !known.has(name)); })()"
    )
    # Elements with an id are named properties, not own ones; `ran` is these tests'.
    assert set(tab.run(frame)) - {"ran", "0"} == {"beadwright"}


def test_it_opens_and_steps_fast(tab, pages):
    """What the page itself counts on the demo's plate; a shared machine is slow, so the promise is doubled."""
    tab.open(pages.demo)
    assert 0 < tab.run("beadwright.stats().open_ms") < 6000
    for number in (40, 41, 42, 80):
        tab.show(number)
        assert 0 < tab.run("beadwright.stats().step_ms") < 1000


@pytest.mark.long
def test_a_plate_of_two_million_lines_opens_and_steps_fast(tab, tmp_path):
    plate, page = tmp_path / "big.gcode", tmp_path / "big.html"
    plate.write_bytes(big_plate())
    ran = CliRunner().invoke(cli, ["report", str(plate), "-o", str(page)])
    assert ran.exit_code == 0, ran.output
    assert page.stat().st_size < 15_000_000
    tab.open(page)
    assert tab.run("beadwright.stats().open_ms") < 3000
    layers = int(tab.run("document.querySelector('#strip').getAttribute('aria-valuemax')"))
    steps = []
    for number in [*range(layers // 2, layers // 2 + 20), *range(1, layers, layers // 20)]:
        tab.show(number)
        steps.append(tab.run("beadwright.stats().step_ms"))
    # One step may meet the machine at work on something else.
    assert sorted(steps)[int(0.9 * len(steps))] < 100, steps
    assert tab.troubles() == []


@pytest.mark.long
def test_pages_of_real_files_open_in_silence(tab, tmp_path, sample_path):
    page = tmp_path / "sample.html"
    ran = CliRunner().invoke(cli, ["report", str(sample_path), "-o", str(page)])
    assert ran.exit_code == 0, ran.output
    for size, touch in (((1440, 900), False), ((390, 844), True)):
        tab.look(size, touch=touch)
        tab.open(page)
        last = int(tab.run("document.querySelector('#strip').getAttribute('aria-valuemax')"))
        for number in (1, last // 2 or 1, last):
            tab.show(number)
        assert tab.troubles() == [] and tab.requests() == [page.as_uri()]
        assert tab.run("document.documentElement.scrollWidth") <= size[0]

"""The demo's later steps where a library is not installed, and the forces it invents."""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_story import show_story
from gcodetools.demo import story
from gcodetools.demo.broken import filled_in
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.kit.schema import kit_from_bytes

SHEET = b"""# Beadwright ladder 1
specimen,step,nozzle_c,fan_percent,force_n,cycles,click,notes
1,1,220,0,,,,
2,2,240,0,,,,
3,3,240,40,,,,
"""


def test_without_scipy_the_tune_step_says_what_to_install(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    kit = kit_from_bytes(hoophouse_kit().encode(), "kit", tmp_path)
    bench = story._Bench(tmp_path, kit, lambda stage: None)
    assert not bench.tune()
    paper = Paper(colour=False, verbose=False)
    show_story(bench.steps, paper)
    assert "Left out: needs the library scipy: pip install 'beadwright[trials]'" in paper.text


def test_invented_forces_fill_the_sheet_and_say_so():
    lines = filled_in(SHEET).decode().splitlines()
    assert lines[0] == "# Beadwright ladder 1"
    rows = list(csv.DictReader(line for line in lines if line[0] != "#"))
    assert {row["notes"] for row in rows} == {"invented for the demo"}
    assert float(rows[0]["force_n"]) < float(rows[2]["force_n"].lstrip(">"))
    assert filled_in(SHEET) == filled_in(SHEET)

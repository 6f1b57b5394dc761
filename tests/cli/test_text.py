"""What people read: within the terminal's width, words whole, instances grouped, numbers with their units."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.cli.layout import MAX_WIDTH, NO_BREAK, Paper, figures, length
from gcodetools.cli.text_apply import show_apply
from gcodetools.cli.text_costs import clock_signed, hms, signed
from gcodetools.cli.text_post import show_post
from gcodetools.cli.words import band, clock, merged, numbers, same_or_span
from gcodetools.demo.maker import Placement
from gcodetools.jobs.records import counted

KIT = "hoophouse.kit.yaml"
WORDS = st.text("abcdefgh/-#1", min_size=1, max_size=12)
CELLS = st.lists(WORDS, max_size=6).map(" ".join)


@given(st.lists(st.tuples(CELLS, CELLS, WORDS), min_size=2, max_size=5), st.integers(40, 110))
def test_a_table_fits_and_keeps_every_word_whole(rows, width):
    paper = Paper(width=width)
    paper.table(rows, right=(2,))
    assert all(len(line) <= width for line in paper.lines)
    shown = paper.text.split()
    for row in rows[1:]:
        for cell in row:
            assert all(word in shown for word in cell.split())


@given(CELLS, st.integers(40, 110), st.integers(0, 8))
def test_a_paragraph_fits_and_loses_nothing(text, width, indent):
    paper = Paper(width=width)
    paper.line(text, indent, 2)
    assert all(len(line) <= width for line in paper.lines)
    assert paper.text.split() == text.split()


def test_a_name_longer_than_the_paper_is_still_whole():
    name = "x" * 200
    paper = Paper(width=60)
    paper.table([("region", "n"), (name, "1")], right=(1,))
    assert name in paper.text.split()


def test_no_line_ends_at_a_bound_blank():
    paper = Paper(width=40)
    paper.line("; ".join(f"#{k} 12.5, 110 turned 90".replace(" ", NO_BREAK) for k in range(9)))
    assert all(re.match(r"#\d 12\.5, 110 turned 90;?", line) for line in paper.lines)


def test_width_is_bounded_on_very_wide_terminals(monkeypatch):
    monkeypatch.setenv("COLUMNS", "400")
    assert Paper().width == MAX_WIDTH
    monkeypatch.setenv("COLUMNS", "80")
    assert Paper().width == 80


@pytest.mark.parametrize(
    "value, text",
    [(0.2331, "0.23"), (50.67, "51"), (1749.0, "1,700"), (0.0, "0"), (-0.0456, "-0.046"), (9.96, "10")],
)
def test_two_significant_figures(value, text):
    assert figures(value) == text


@pytest.mark.parametrize("mm, text", [(9.0, "9.0 mm"), (16596.0, "16.60 m"), (236101.0, "236 m")])
def test_lengths(mm, text):
    assert length(mm) == text


@pytest.mark.parametrize(
    "seconds, text", [(28, "28 s"), (88, "1 min 28 s"), (18420, "5 h 07 min"), (7199, "2 h 00 min")]
)
def test_times(seconds, text):
    assert clock(seconds) == text


@pytest.mark.parametrize(
    "seconds, plain, with_sign",
    [(88, "0:01:28", "+1 min 28 s"), (7199.6, "2:00:00", "+2 h 00 min"), (0.2, "0:00:00", "0 s")],
)
def test_times_in_tables(seconds, plain, with_sign):
    assert hms(seconds) == plain and clock_signed(seconds) == with_sign
    assert signed(-0.0456) == "-0.046" and signed(2.1) == "+2.1" and signed(1e-9) == "0"


@pytest.mark.parametrize(
    "values, text",
    [
        ([3], "3"),
        ([1, 2], "1 and 2"),
        ([4, 1, 2, 3], "1 to 4"),
        ([1, 2, 3, 7, 9], "1 to 3, 7 and 9"),
        ([], ""),
    ],
)
def test_numbers_of_instances(values, text):
    assert numbers(values) == text


@given(st.sets(st.integers(1, 40), min_size=1))
def test_numbers_can_be_read_back(values):
    found = set()
    for a, b in re.findall(r"(\d+)(?: to (\d+))?", numbers(sorted(values))):
        found |= set(range(int(a), int(b or a) + 1))
    assert found == values


def test_plurals():
    assert (counted(1, "layer"), counted(0, "layer"), counted(12000, "layer")) == (
        "1 layer", "0 layers", "12,000 layers",
    )  # fmt: skip


def test_a_band_names_its_basis():
    estimate = {"low": 0.2199, "best": 0.2331, "high": 0.2467, "basis": "modelled"}
    assert band(estimate, "g") == "0.23 g (0.22 to 0.25, modelled)"


def test_sentences_that_differ_in_lengths_only_are_one():
    assert merged(["16 mm/s over 6783 mm", "16 mm/s over 6784 mm"]) == "16 mm/s over 6,784 mm"
    assert merged(["over 100 mm", "over 200 mm"]) == "over 100 to 200 mm"
    assert merged(["16 mm/s over 6783 mm", "17 mm/s over 6783 mm"]) is None
    assert same_or_span([1.0, 2.0], "g") == "1 to 2 g"


def test_ranges_of_lengths_are_merged_to_their_ends():
    assert merged(["room 0.45 to 0.87 mm", "room 0.43 to 0.80 mm"]) == "room 0.43 to 0.87 mm"
    assert merged(["room 0.45 to 0.87 mm", "room 0.60 mm"]) == "room 0.45 to 0.87 mm"
    assert merged(["room 0.67 to 7.00 mm"]) == "room 0.67 to 7.00 mm"
    assert merged(["1131 mm of new beads"]) == "1,131 mm of new beads"
    assert merged(["layers 3 to 5", "layers 3 to 6"]) is None
    assert merged(["0.25 mm3 less", "0.31 mm3 less"]) == "0.25 to 0.31 mm3 less"
    assert merged(["at 5 mm3/s", "at 6 mm3/s"]) is None


def _answer(instance: int, done: str, why: str = "", setting: str = "speed") -> dict[str, object]:
    return {
        "part": "clip", "instance": instance, "region": "lips", "treatment": setting, "asked": "80%",
        "done": done, "why": why,
    }  # fmt: skip


def _record(regions: list[dict[str, object]], **more: object) -> dict[str, object]:
    zero = {"low": 0.0, "best": 0.0, "high": 0.0, "basis": "modelled"}
    audit = {"kept": 9, "replaced": 1, "inserted": 1, "held_back": 0, "moves_read": 3, "differing": 0}
    return {
        "file": "a.gcode", "out": "b.gcode", "kit": "k", "regions": regions, "holds": [], "spill": [], "absent": [],
        "untreated_instances": [], "held_back": [], "parts_found": ["clip"], "audit": audit,
        "added": {"time_s": {**zero, "source": "planned"}, "mass_g": zero, "cost": zero, "rest_s": 0.0},
        "time": {"before_s": zero, "after_s": zero}, **more,
    }  # fmt: skip


def _text(record: dict[str, object], **options: object) -> str:
    paper = Paper(width=80, **options)  # type: ignore[arg-type]
    show_apply(record, paper)
    return paper.text


def test_instances_that_fared_alike_are_one_line():
    text = _text(_record([_answer(k, f"20 mm/s over {1000 + k} mm") for k in range(1, 24)]))
    assert "clip/lips  (instances 1 to 23)" in text
    assert text.count("20 mm/s") == 1 and "over 1,001 to 1,023 mm each" in text


def test_what_is_asked_of_perimeters_is_called_so_and_spans_are_nobody_s_share():
    done = "laid 1 perimeter on layers 1-9; room 0.72 mm; 238 mm of new beads"
    why = "nothing carries 9 mm on layer 1 (spans over 5 mm); `over_air` lays them all the same"
    answers = [{**_answer(k, done, why, "perimeters"), "asked": asked} for k in (1, 2) for asked in ("2",)]
    text = " ".join(_text(_record(answers)).split())
    assert "perimeters asked 2 laid 1 perimeter on layers 1-9; room 0.72 mm" in text
    assert "(spans over 5 mm)" in text
    fill = [{**_answer(1, done, "", "perimeters"), "asked": "fill the room"}]
    assert "asked to fill the room laid 1 perimeter" in " ".join(_text(_record(fill)).split())
    assert "speed 80%" in " ".join(_text(_record([_answer(1, "20 mm/s over 99 mm")])).split())


def test_instances_that_fared_otherwise_are_named():
    answers = [_answer(1, "20 mm/s over 99 mm"), _answer(2, "nothing", "its beads are that slow already")]
    text = _text(_record(answers))
    assert "instance 1: 20 mm/s over 99 mm" in text
    assert "instance 2: not done: its beads are that slow already" in text


def test_a_hold_says_which_other_beads_it_reaches():
    hold = {
        "setting": "nozzle", "layers": [3, 9], "value": [238.0, 238.0], "bead_length_mm": 5000.0,
        "regions": ["clip#1/lips", "clip#2/lips"],
        "spill": {"length_mm": 4321.0, "share_of_plate": 0.123, "instances": ["clip#1", "hook#1", "hook#2"]},
    }  # fmt: skip
    spill = [
        {"setting": "nozzle", "part": part, "instance": k, "length_mm": 1440.0, "mean": 6.0, "most": 8.0,
         "share_of_plate": 0.123, "bands": [{"z_mm": [1.0, 3.0], "mean_c": 7.5}] if part == "hook" else []}
        for part, k in (("clip", 1), ("hook", 1), ("hook", 2))
    ]  # fmt: skip
    text = " ".join(_text(_record([_answer(1, "238 C")], holds=[hold], spill=spill)).split())
    assert "nozzle 238 C over plate layers 3 to 9, for clip/lips #1 and 2" in text
    assert "4.32 m of other beads get +6.0 C on the mean, at most +8.0 C, in clip #1, hook #1 and 2" in text
    assert "12% of the plate's beads are changed in all" in text
    assert "may be seen on the outer wall from z 1 to 3 mm (+7.5 C): hook #1 and 2" in text


def test_many_holds_are_counted_unless_verbose():
    spill = {"length_mm": 0.0, "share_of_plate": 0.0, "instances": []}
    holds = [
        {"setting": "fan", "layers": [k, k], "value": [0.25, 0.25], "bead_length_mm": 1.0,
         "regions": [f"clip#{k}/lips"], "spill": spill}
        for k in range(1, 40)
    ]  # fmt: skip
    record = _record([_answer(1, "25%")], holds=holds)
    assert "and 33 more (-v lists them)" in _text(record)
    assert _text(record).count("fan 25% over") == 6
    assert _text(record, verbose=True).count("fan 25% over") == 39
    assert _text(record).count("fan: no other bead gets it") == 1
    visits = [{**hold, "regions": ["clip#1/lips"]} for hold in holds]
    assert "fan 25% in 39 visits over plate layers 1 to 39" in _text(_record([], holds=visits))


def test_nothing_done_says_why():
    nothing = {"kept": 9, "replaced": 0, "inserted": 0, "held_back": 0, "moves_read": 0, "differing": 0}
    text = _text(_record([], parts_found=[], audit=nothing))
    assert "Nothing done: no part of kit k is on this plate; the output is the input." in text
    text = _text(_record([_answer(1, "nothing", "no layer left")], audit=nothing))
    assert "not done: no layer left" in text and "the output is the input to the byte" in text


def test_post_is_short():
    paper = Paper(width=80)
    show_post(_record([_answer(k, "20 mm/s") for k in range(1, 24)], absent=["hook"]), paper)
    assert paper.lines == [
        "b.gcode: 23 regions treated, 1 line changed, 1 added", "not on this plate: hook",
    ]  # fmt: skip


@pytest.mark.every(2)
@pytest.mark.parametrize("columns", [60, 80, 110])
@pytest.mark.parametrize("command", ["inspect", "apply", "check", "learn"])
def test_no_line_is_wider_than_the_terminal(bench, run, monkeypatch, command, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    args = {
        "inspect": ["inspect", "plate.gcode", "--kit", KIT, "-v"],
        "apply": ["apply", "plate.gcode", "--kit", KIT, "-o", "o.gcode", "-v"],
        "check": ["check", KIT],
        "learn": ["learn", "plate.gcode", "--object", "shelf-hook", "-o", "h.kit.yaml"],
    }[command]
    ran = run(*args)
    assert ran.status == 0
    assert max(map(len, ran.out.splitlines())) <= columns


@pytest.mark.long
def test_a_plate_of_23_instances_fits_two_screens(bench, run, monkeypatch, made):
    """Two screens of 48 lines at 80 columns for `inspect`; `apply` may take a quarter more, for strength."""
    monkeypatch.setenv("COLUMNS", "80")
    spots = [(20 + 22 * (k % 9), 30 + 40 * (k // 9)) for k in range(23)]
    many = tuple(
        Placement("shelf-hook" if k > 20 else "wedge-key-snug" if k % 2 else "wedge-key-easy", x, y)
        for k, (x, y) in enumerate(spots)
    )
    (bench / "plate.gcode").write_bytes(made(many))
    inspected = run("inspect", "plate.gcode", "--kit", KIT)
    applied = run("apply", "plate.gcode", "--kit", KIT, "-o", "o.gcode")
    for ran, most in ((inspected, 96), (applied, 120)):
        assert ran.status == 0
        assert len(ran.out.splitlines()) <= most
    assert "instances 1 to 10" in applied.out and "10 instances" in inspected.out


def test_region_names_are_whole_at_80_columns(bench, run, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    for args in (["inspect", "plate.gcode"], ["apply", "plate.gcode", "-o", "o.gcode", "--no-estimate"]):
        out = run(args[0], "--kit", KIT, *args[1:]).out
        assert {"wedge-key-snug/shank", "shelf-hook/finger"} <= set(out.split())

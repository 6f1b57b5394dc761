"""`ladder` on the command line: three files or none, text, JSON, statuses, the sheet as a page."""

from __future__ import annotations

import csv
import io
import re
from html.parser import HTMLParser

import pytest
from shapely import box

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_ladder import show_ladder
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part

BAR = Part('cou<b>"pon', 24.0, lambda z: box(-6, -3, 6, 3), (-6.0, -3.0))
ARGS = ("ladder", "bar.gcode", "--vary", "nozzle=220:240:20", "--vary", "fan=0%,40%")


@pytest.fixture
def bar(bench):
    """`bench` with a coupon whose label holds what a page must escape."""
    (bench / "bar.gcode").write_bytes(make(parts=(Placement(BAR, 60, 60),)).data)
    return bench


class Page(HTMLParser):
    """Tags with their attributes, and whether each is closed."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.texts = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def test_three_files_come_and_agree(bar, run):
    ran = run(*ARGS, "-o", "out.gcode", "--json")
    assert ran.status == 0, ran.err
    record = ran.json
    assert record["schema"] == "beadwright.ladder/1" and record["out"] == "out.gcode"
    assert record["sheet"] == {"page": "out.sheet.html", "table": "out.sheet.csv"}
    treated = (bar / "out.gcode").read_bytes()
    assert b"; beadwright ladder: 4 specimens, 4 steps, seed 1" in treated
    text = (bar / "out.sheet.csv").read_text(encoding="utf-8")
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert comments[0] == "# Beadwright ladder 1" and f"# treated sha256: {record['digest']}" in comments
    rows = list(csv.DictReader(io.StringIO("\n".join(text.splitlines()[len(comments) :]))))
    assert [int(row["specimen"]) for row in rows] == [1, 2, 3, 4]
    for row, one in zip(rows, record["specimens"], strict=True):
        assert float(row["nozzle_c"]) == one["asked"]["nozzle_c"]
        assert float(row["fan_percent"]) == one["asked"]["fan_percent"]
        assert float(row["nozzle_reached_c"]) == pytest.approx(one["got"]["nozzle_c"], abs=0.01)
        assert float(row["section_mm2"]) == pytest.approx(72.0, rel=0.01)
        assert [row[name] for name in ("force_n", "cycles", "click", "notes")] == [""] * 4
        assert row["layers"] == "-".join(map(str, one["layers"]))


def test_the_page_runs_nothing_fetches_nothing_and_escapes(bar, run):
    (bar / "bar.gcode").rename("a<b>&amp;.gcode")
    assert run("ladder", "a<b>&amp;.gcode", *ARGS[2:], "-o", "out.gcode", "-q").status == 0
    page = Page((bar / "out.sheet.html").read_text(encoding="utf-8"))
    assert page.open == []
    tags = [tag for tag, _ in page.tags]
    assert not {"script", "link", "img", "iframe", "b", "object"} & set(tags) and tags.count("svg") == 2
    for _, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on") or name in ("href", "src")]
    boxes = [attrs for tag, attrs in page.tags if tag == "td" and "box" in attrs.get("class", "")]
    assert len(boxes) == 4 * 4  # four answers a specimen
    words = " ".join(page.texts)
    assert "from a<b>&amp;.gcode;" in words
    assert "eye protection" in words and "ventilate" in words and "Cut between the bands" in words
    numbers = re.findall(
        r'font-weight="700">(\d+)</text>', (bar / "out.sheet.html").read_text(encoding="utf-8")
    )
    assert {"1", "2", "3", "4"} <= set(numbers)


def test_text_fits_the_paper(bar, run):
    record = run(*ARGS, "-o", "out.gcode", "--json").json
    for width in (60, 80, 110):
        paper = Paper(width=width)
        show_ladder(record, paper)
        longest = max(len(line) for line in paper.lines if ".gcode" not in line)
        assert longest <= width
    assert "what its sensors are off comes on top" in paper.text
    assert "240 C, fan 0%" in paper.text and "cut it between bands" in paper.text.replace("\n", " ")


def test_the_sheet_may_go_to_a_folder(bar, run):
    (bar / "sheets").mkdir()
    assert run(*ARGS, "-o", "out.gcode", "--sheet", "sheets", "-q").status == 0
    assert sorted(p.name for p in (bar / "sheets").iterdir()) == ["out.sheet.csv", "out.sheet.html"]


def test_what_was_measured_is_not_written_over(bar, run):
    """An empty table is made again; one with a force in it, or what is no table, stays."""
    assert run(*ARGS, "-o", "out.gcode", "-q").status == 0
    assert run(*ARGS, "-o", "out.gcode", "-q").status == 0
    table = bar / "out.sheet.csv"
    head, *rows = [line for line in table.read_text(encoding="utf-8").splitlines() if line[:1] != "#"]
    assert head.endswith(",force_n,cycles,click,notes") and all(row.endswith(",,,,") for row in rows)
    filled = [
        head,
        rows[0].removesuffix(",,,,") + ',"120,5",,,',
        *rows[1:],
    ]  # as a spreadsheet may hand it back
    for text, words in (
        ("\n".join(filled).replace("120,5", "120.5"), "1 row filled in, which would be lost"),
        ("\n".join([head, rows[0] + "cracked early"]), "1 row filled in"),
        ("a,b\n1,2\n", "can't be read as an empty sheet"),
    ):
        table.write_text(text, encoding="utf-8")
        ran = run(*ARGS, "-o", "out.gcode", "-q")
        assert (ran.status, words in ran.err) == (2, True), ran.err
        assert table.read_text(encoding="utf-8") == text


def test_the_picture_says_what_shades_mean_and_cuts_no_words(bar, run):
    assert run(*ARGS, "-o", "out.gcode", "-q").status == 0
    text = (bar / "out.sheet.html").read_text(encoding="utf-8")
    assert "the fuller the shade" not in text  # all in one coupon, in one shade
    side = text[text.index("A coupon from the side") :]
    wide = float(re.search(r'viewBox="0 0 (\d+)', text[text.rindex("<svg", 0, text.index("A coupon")) :])[1])
    for x, size, words in re.findall(r'x="([\d.]+)" y="[\d.]+" font-size="([\d.]+)">([^<]*to[^<]*mm)<', side):
        assert (
            float(x) + 0.66 * float(size) * len(words) < wide
        )  # no letter of sans-serif is wider on the mean
    two = make(parts=tuple(Placement(BAR, 60 + 40 * k, 60) for k in range(4))).data
    (bar / "two.gcode").write_bytes(two)
    assert run("ladder", "two.gcode", "--vary", "perimeters=0,1,2", "-o", "two.out.gcode", "-q").status == 0
    text = (bar / "two.out.sheet.html").read_text(encoding="utf-8")
    assert "the fuller the shade, the more perimeters" in text
    assert re.search(r"<dd>#\d: as sliced, drawn dashed</dd>", text)


def test_nothing_is_left_where_one_can_not_be_written(bar, run):
    (bar / "out.sheet.html").mkdir()
    ran = run(*ARGS, "-o", "out.gcode")
    assert ran.status == 7 and "out.sheet.html" in ran.err
    assert not (bar / "out.gcode").exists() and not (bar / "out.sheet.csv").exists()


def test_a_kit_of_the_environment_gives_way_to_an_object(bar, run, monkeypatch):
    monkeypatch.setenv("BEADWRIGHT_KIT", "hoophouse.kit.yaml")
    args = ("ladder", "bar.gcode", "--vary", "speed=50%,100%", "-o", "out.gcode", "--object")
    assert run(*args, "*", "-q").status == 0
    ran = run(*args, "*", "--kit", "hoophouse.kit.yaml")
    assert ran.status == 2 and "--object and --kit together" in ran.err


def test_strict_writes_nothing(bar, run):
    ran = run(
        "ladder",
        "plate.gcode",
        "--object",
        "shelf-hook",
        "--vary",
        "nozzle=225,235",
        "-o",
        "out.gcode",
        "--strict",
    )
    assert ran.status == 6 and "not alike" in ran.err
    assert not (bar / "out.gcode").exists() and not (bar / "out.sheet.csv").exists()


@pytest.mark.parametrize(
    ("args", "status", "words"),
    [
        (("--vary", "nozzle=220,240", "-o", "-"), 2, "three files"),
        (("--vary", "nozzle=220,240", "-o", "bar.gcode"), 2, "written over bar.gcode"),
        (("--vary", "nozzle=220,240", "-o", "no/out.gcode"), 7, "does not exist"),
        (("--vary", "nozzle=220,240", "-o", "o.gcode", "--sheet", "no"), 7, "no such folder"),
        (("--vary", "nozzle=220,240", "-o", "o.gcode", "--seed", "-1"), 2, "--seed -1"),
        (("--vary", "nozzle=220", "-o", "o.gcode"), 2, "at least two"),
        (("--vary", "nozzle=220:290:10", "-o", "o.gcode"), 5, "outside 220 to 240 C"),
        (("--vary", "nozzle=220,240", "--region", "a/b", "-o", "o.gcode"), 2, "without a kit"),
        (("--vary", "nozzle=220,240", "--kit", "none.yaml", "-o", "o.gcode"), 3, "none.yaml"),
        (("--vary", "nozzle=220,240", "--object", "hook", "-o", "o.gcode"), 4, "no instance of hook"),
        (("-o", "o.gcode"), 2, "--vary"),
    ],
)
def test_statuses(bar, run, args, status, words):
    before = sorted(bar.iterdir())
    ran = run("ladder", "bar.gcode", *args)
    assert (ran.status, words in ran.err) == (status, True), ran.err
    assert sorted(bar.iterdir()) == before

"""How fast and how large: one table of ratios, made in one run.

    python tests/benchmarks/bench.py [--write] [--lines N] [--only NAME ...]

Every number is a ratio to something measured in the same run on the same machine, alternately with it where
both take long: the best of several. The floor of a file is what any tool must do with it: read the bytes,
find the line ends, write the bytes to a new file. Where the time goes is looked at every 2 ms in one more run, as
shares of the time in which a core is at work. With `--write` the table goes into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from math import log
from pathlib import Path
from typing import Any

from jobs import ORACLE_LINES, SMALL, Files, treated_copy
from rows import PROJECT, Row
from starting import posting, starting

PAGE = PROJECT / "DEVELOPERS.md"
BEGIN, END = "<!-- benchmarks -->", "<!-- /benchmarks -->"
JOBS = Path(__file__).with_name("jobs.py")
LINES = 2_000_000
MEMORY = 8  # times the file
TENFOLD = 11  # times the time, at ten times the lines


# --- measured in a process of its own


@dataclass(frozen=True)
class Timed:
    """Best seconds of a job on a file, and where they go."""

    s: float
    where: str


def _child(mode: str, repeats: int, *arguments: str) -> dict[str, Any]:
    command = [sys.executable, str(JOBS), mode, str(repeats), *arguments]
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    done = subprocess.run(command, capture_output=True, text=True, env=environment, cwd=PROJECT, check=False)
    if done.returncode:
        raise SystemExit(f"bench: {' '.join(arguments)} failed:\n{done.stderr}")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def _times(repeats: int, *pairs: tuple[str, Path]) -> list[Timed]:
    found = _child("time", repeats, *(f"{job}={path}" for job, path in pairs))
    return [Timed(*both) for both in zip(found["seconds"], found["where"], strict=True)]


def _memory(what: str, job: str, path: Path, *others: Path) -> Row:
    """A row on what a job holds at most, over the size of the file it reads, with `others` that it reads too."""
    found, size = _child("memory", 1, f"{job}={path}"), sum(one.stat().st_size for one in (path, *others))
    detail = f"{found['bytes'] / 1e6:.0f} MB over {size / 1e6:.0f} MB"
    whose = "both files" if others else "the file"
    return Row(f"{what}: peak memory over {whose}", found["bytes"] / size, MEMORY, detail, found["where"])


def _count(path: Path) -> int:
    return path.read_bytes().count(b"\n")


def _grown(what: str, large: tuple[float, int], small: tuple[float, int]) -> Row:
    """A row on time at ten times the lines, from seconds and lines of both."""
    ratio = large[0] / small[0] * (small[1] * SMALL / large[1])
    detail = f"{large[0]:.2f} s over {small[0]:.3f} s, for {large[1] / small[1]:.1f} times the lines"
    return Row(f"{what}: time at ten times the lines", ratio, TENFOLD, detail)


# --- the table


def reading(files: Files) -> list[Row]:
    """Reading pure motion lines, against pygcode and against the floor."""
    floor, read, small = _times(
        7, ("floor", files.motion), ("read", files.motion), ("read", files.small_motion)
    )
    (oracle,) = _times(3, ("oracle", files.motion))
    count, small_count = _count(files.motion), _count(files.small_motion)
    rate, other = count / read.s, ORACLE_LINES / oracle.s
    return [
        Row("reading: lines a second, over pygcode's `Line`", rate / other, 60,
            f"{rate / 1e6:.2f} M/s against {other / 1e6:.3f} M/s", at_least=True),
        Row("reading: time over the floor", read.s / floor.s, 12,
            f"{read.s:.2f} s over {floor.s * 1e3:.0f} ms", read.where),
        _memory("reading", "read", files.motion),
        _grown("reading", (read.s, count), (small.s, small_count)),
    ]  # fmt: skip


def planning(files: Files) -> list[Row]:
    """Planning the motion of a whole plate, against reading its lines."""
    read, planned = _times(5, ("read", files.plate), ("planned", files.plate))
    detail = f"{planned.s:.2f} s over {read.s:.2f} s"
    return [Row("planning the motion: time over reading", planned.s / read.s, 3, detail, planned.where)]


def applying(files: Files) -> list[Row]:
    """A kit with four treatments on a whole plate, written out; against the floor."""
    floor, treated = _times(5, ("floor", files.plate), ("apply", files.plate))
    detail = f"{treated.s:.2f} s over {floor.s * 1e3:.0f} ms"
    return [
        Row("apply, four treatments: time over the floor", treated.s / floor.s, 20, detail, treated.where),
        _memory("apply", "apply", files.plate),
    ]


def laying(files: Files) -> list[Row]:
    """Two more perimeters in a third of the plate, against the four simple treatments."""
    simple, *large = _times(2, *((job, files.plate) for job in ("apply", "slab", "wedge")))
    small = _times(2, *((job, files.small_plate) for job in ("slab", "wedge")))
    count, small_count = _count(files.plate), _count(files.small_plate)
    rows = []
    for where, took, took_small in zip(("height", "each layer"), large, small, strict=True):
        name = f"apply, `perimeters: {{add: 2}}` in a third of {'the ' if where == 'height' else ''}{where}"
        detail = f"{took.s:.2f} s over {simple.s:.2f} s"
        rows += [
            Row(f"{name}: time over the simple treatments", took.s / simple.s, 4, detail, took.where),
            _grown(name, (took.s, count), (took_small.s, small_count)),
        ]
    return rows


def estimating(files: Files) -> list[Row]:
    """Strength of four regions in each of 42 parts, and the bonds of a million pieces, against reading the plate's
    lines."""
    read, whole = _times(2, ("read", files.plate), ("estimate", files.plate))
    again, bonds = _times(3, ("read", files.plate), ("bonds", files.plate))
    return [
        Row("estimate, 168 regions: time over reading", whole.s / read.s, 20,
            f"{whole.s:.2f} s over {read.s:.2f} s", whole.where),
        _memory("estimate", "estimate", files.plate),
        Row("bonds of a million pieces of beads: time over reading", bonds.s / again.s, 8,
            f"{bonds.s:.2f} s over {again.s:.2f} s", bonds.where),
    ]  # fmt: skip


def showing(files: Files) -> list[Row]:
    """Inspecting a plate with a kit and making its page, against reading its lines."""
    read, inspect, report = _times(2, *((job, files.plate) for job in ("read", "inspect", "report")))
    rows = []
    for name, took, limit in (("inspect", inspect, 6), ("report", report, 40)):
        detail = f"{took.s:.2f} s over {read.s:.2f} s"
        rows += [
            Row(f"{name}: time over reading", took.s / read.s, limit, detail, took.where),
            _memory(name, name, files.plate),
        ]
    return rows


def comparing(files: Files) -> list[Row]:
    """A plate and its treated copy, compared and as a page, against reading their lines."""
    copy = treated_copy(files.plate)
    read, again, compare, against = _times(
        2, ("read", files.plate), ("read", copy), ("compare", files.plate), ("against", files.plate)
    )
    both = read.s + again.s
    rows = []
    for job, name, took in (("compare", "compare", compare), ("against", "report --against", against)):
        detail = f"{took.s:.2f} s over {both:.2f} s"
        rows += [
            Row(f"{name}: time over reading both", took.s / both, 60, detail, took.where),
            _memory(name, job, files.plate, copy),
        ]
    return rows


def growing(files: Files) -> list[Row]:
    """By which power of the lines the time grows: the larger one of two steps."""
    paths = (files.low_plate, files.plate, files.high_plate)
    counts = [_count(path) for path in paths]
    rows = []
    for job in ("read", "apply", "estimate"):
        took = [_times(repeats, (job, path))[0] for repeats, path in zip((5, 3, 3), paths, strict=True)]
        steps = [
            log(b.s / a.s) / log(n / m) for (a, m), (b, n) in pairwise(zip(took, counts, strict=True))
        ]  # fmt: skip
        seconds = ", ".join(f"{one.s:.2f} s" for one in took)
        lines = ", ".join(f"{count / 1e6:.1f}" for count in counts)
        told = f"{seconds} for {lines} M lines: {', '.join(f'{step:.2f}' for step in steps)}"
        rows.append(Row(f"{GROWN[job]}: power of growth", max(steps), 1.05, told, took[-1].where))
    return rows


GROWN = {"read": "reading", "apply": "apply", "estimate": "estimate"}


PARTS = {
    "reading": reading,
    "planning": planning,
    "applying": applying,
    "laying": laying,
    "estimating": estimating,
    "showing": showing,
    "comparing": comparing,
    "growing": growing,
    "starting": starting,
    "posting": posting,
}


def table(rows: list[Row], lines: int) -> str:
    """The table as markdown."""
    where = f"Python {platform.python_version()}, {os.cpu_count()} cores, a plate of {lines:,} lines."
    head = "| measured | ratio | limit | kept | in numbers | where it goes |\n|---|---|---|---|---|---|"
    return "\n".join([head, *(row.cells() for row in rows), "", where])


def write_into_page(text: str) -> None:
    """Put the table between its two marks.

    Raises
    ------
    SystemExit : the marks are missing.
    """
    page = PAGE.read_text("utf-8")
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise SystemExit(f"bench: {PAGE.name} lacks the marks {BEGIN} and {END}")
    PAGE.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", "utf-8")


def main() -> int:
    """Measure, print, and say by the exit status whether every limit was kept."""
    parser = argparse.ArgumentParser(description="Ratios of time and memory, in one run.")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    parser.add_argument("--lines", type=int, default=LINES)
    parser.add_argument("--only", nargs="+", choices=sorted(PARTS), default=list(PARTS))
    options = parser.parse_args()
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        files = Files.in_folder(Path(folder))
        _child("files", options.lines, folder)
        if "growing" in options.only:
            _child("growth", LINES // options.lines or 1, folder)
        for name in options.only:
            print(f"measuring {name} ...", file=sys.stderr, flush=True)
            rows += PARTS[name](files)
    text = table(rows, options.lines)
    print(text)
    if options.write:
        write_into_page(text)
    return 0 if all(row.kept for row in rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())

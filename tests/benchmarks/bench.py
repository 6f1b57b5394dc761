"""How fast and how large: one table of ratios, made in one run.

    python tests/benchmarks/bench.py [--write] [--lines N] [--only NAME ...]

Every number is a ratio to something measured in the same run on the same machine, alternately with it where
both take long: the best of several. The floor of a file is what any tool must do with it: read the bytes,
find the line ends, write the bytes to a new file. With `--write` the table goes into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gcodetools.toolpath.plate import Plate

PROJECT = Path(__file__).resolve().parents[2]
PAGE = PROJECT / "DEVELOPERS.md"
BEGIN, END = "<!-- benchmarks -->", "<!-- /benchmarks -->"
LINES = 2_000_000
ORACLE_LINES = 20_000
SAMPLES = 1_000_000
SMALL = 10  # the smaller plate has a tenth of the lines
LAYER_MM = 0.2  # of the plates


@dataclass(frozen=True)
class Row:
    """One measured ratio and the limit it must keep; `at_least` where more is better."""

    what: str
    ratio: float
    limit: float
    detail: str
    at_least: bool = False

    @property
    def kept(self) -> bool:
        return self.ratio >= self.limit if self.at_least else self.ratio <= self.limit

    def cells(self) -> str:
        bound = f"{'≥' if self.at_least else '≤'} {self.limit:g}"
        kept = "yes" if self.kept else "**no**"
        return f"| {self.what} | {self.ratio:.3g} | {bound} | {kept} | {self.detail} |"


# --- measured in a process of its own


def _seconds(function: Callable[[], object]) -> float:
    begin = time.perf_counter()
    function()
    return time.perf_counter() - begin


def _floor(path: Path) -> None:
    import numpy as np

    data = path.read_bytes()
    np.flatnonzero(np.frombuffer(data, np.uint8) == 10)
    out = path.with_suffix(".floor")
    out.unlink(missing_ok=True)
    out.write_bytes(data)


def _read(path: Path) -> None:
    from gcodetools.gcode.files import read_bytes
    from gcodetools.gcode.scan import read_program

    read_program(read_bytes(path), path.name)


@lru_cache(maxsize=1)
def _plate(path: Path) -> Plate:
    from gcodetools.toolpath.plate import Plate

    return Plate.read(path)


def _planned(path: Path) -> None:
    """The first time it reads the plate too; the best of several is planning alone."""
    from gcodetools.physics.timing import times

    times(_plate(path))


def _apply(path: Path, kit: str = "bench.kit.yaml") -> None:
    from gcodetools.gcode.files import write_atomic
    from gcodetools.jobs.apply import Options, apply_file

    applied = apply_file(path, Options(kits=(path.with_name(kit),)))
    write_atomic(path.with_suffix(".treated"), applied.treated.render())


def _slab(path: Path) -> None:
    _apply(path, f"{path.stem}.slab.kit.yaml")


def _wedge(path: Path) -> None:
    _apply(path, "wedge.kit.yaml")


def _estimate(path: Path) -> None:
    from gcodetools.jobs.apply import Options
    from gcodetools.jobs.estimate import estimate_file

    estimate_file(path, Options(kits=(path.with_name("bench.kit.yaml"),)))


def _bonds(path: Path) -> None:
    """What lies below a million pieces of beads, how old it is and how far each weld has healed; the first time it
    reads the plate too."""
    import numpy as np

    from gcodetools.documents.profiles import load_material
    from gcodetools.physics.below import below, divide_rows, samples_of
    from gcodetools.physics.bond import Cells, Weld, healed_samples

    plate, weld = _plate(path), load_material("petg").bond.weld  # type: ignore[union-attr]
    rows = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer >= 0)).astype(np.int64)[:SAMPLES]
    zeros, ones = np.zeros(len(rows)), np.ones(len(rows))
    pieces = divide_rows(plate.moves, plate.program.arcs, rows, zeros, ones, plate.beads.length_mm[rows])
    samples = samples_of(
        pieces, row=rows, width_mm=plate.beads.width[rows].astype(float), height_mm=0.2 * ones,
        top_mm=plate.moves.z[rows], layer=plate.beads.layer[rows], begin_s=np.arange(len(rows)) * 0.02,
        seconds=0.02 * ones, solid=ones > 0, owner=np.zeros(len(rows), np.int64),
    )  # fmt: skip
    samples = samples.take(np.arange(min(SAMPLES, len(samples))))
    age = below(samples, samples).age_s
    one = np.ones(len(samples))
    cells = Cells(age, 230 * one, 0.4 * one, 0.2 * one, 0.9 * one, 2 * one)
    names = (
        "conductivity_w_mk",
        "heat_j_kgk",
        "weld_time_s",
        "weld_at_c",
        "still_w_m2k",
        "fan_w_m2k",
        "ambient_c",
    )
    values = {name: getattr(weld, name).value for name in names}
    healed_samples(Weld(**values, c1=17.44, c2=51.6, density_kg_m3=1270.0, glass_c=80.0), cells)


def _oracle(path: Path) -> None:
    import pygcode

    for line in path.read_text("utf-8").splitlines()[:ORACLE_LINES]:
        pygcode.Line(line)


JOBS = {
    "floor": _floor, "read": _read, "planned": _planned, "apply": _apply, "slab": _slab,
    "wedge": _wedge, "oracle": _oracle, "estimate": _estimate, "bonds": _bonds,
}  # fmt: skip


def _peak_bytes() -> int:
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def _child(mode: str, repeats: int, pairs: list[str]) -> dict[str, object]:
    """`time`: best seconds of each `job=file`, run in turn. `memory`: bytes of the first above the imports.
    `files`: write the plates, `repeats` lines long."""
    warnings.simplefilter("ignore")
    if mode == "files":
        _write_files(Files.in_folder(Path(pairs[0])), repeats)
        return {}
    jobs = [(JOBS[job], Path(file)) for job, _, file in (p.partition("=") for p in pairs)]
    if mode == "memory":
        import numpy  # noqa: F401

        from gcodetools.gcode import scan  # noqa: F401

        if jobs[0][0] is _apply:
            from gcodetools.jobs import apply  # noqa: F401
        before = _peak_bytes()
        jobs[0][0](jobs[0][1])
        return {"bytes": _peak_bytes() - before}
    best = [float("inf")] * len(jobs)
    for _ in range(repeats):
        for index, (job, path) in enumerate(jobs):
            best[index] = min(best[index], _seconds(lambda job=job, path=path: job(path)))  # type: ignore[misc]
    return {"seconds": best}


def _measured(mode: str, repeats: int, *pairs: tuple[str, Path]) -> dict[str, list[float]]:
    spelled = [f"{job}={path}" if job else str(path) for job, path in pairs]
    command = [sys.executable, str(Path(__file__).resolve()), "--child", mode, str(repeats), *spelled]
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    done = subprocess.run(command, capture_output=True, text=True, env=environment, cwd=PROJECT, check=False)
    if done.returncode:
        raise SystemExit(f"bench: {' '.join(spelled)} failed:\n{done.stderr}")
    found: dict[str, list[float]] = json.loads(done.stdout)
    return found


def _times(repeats: int, *pairs: tuple[str, Path]) -> list[float]:
    return _measured("time", repeats, *pairs)["seconds"]


def _megabytes(memory: float, size: float) -> str:
    return f"{memory / 1e6:.0f} MB over {size / 1e6:.0f} MB"


def _memory(job: str, path: Path) -> float:
    return float(_measured("memory", 1, (job, path))["bytes"])  # type: ignore[arg-type]


# --- the table


@dataclass(frozen=True)
class Files:
    """Plates in a temporary folder: whole ones as the maker writes them, and their motion lines alone."""

    plate: Path
    small_plate: Path
    motion: Path
    small_motion: Path

    @classmethod
    def in_folder(cls, folder: Path) -> Files:
        return cls(*(folder / f"{n}.gcode" for n in ("plate", "small-plate", "motion", "small-motion")))


def _write_files(files: Files, lines: int) -> None:
    """In a process of its own: a child's peak memory would otherwise begin at that of this large one."""
    from gcodetools.demo.bench import big_kit, big_perimeters_kit, big_plate

    plate = big_plate(lines)
    files.plate.write_bytes(plate)
    files.small_plate.write_bytes(big_plate(lines // SMALL))
    motion = [line for line in plate.splitlines(keepends=True) if line.startswith(b"G1 ")]
    motion = (motion * 2)[:lines]
    files.motion.write_bytes(b"".join(motion))
    files.small_motion.write_bytes(b"".join(motion[: lines // SMALL]))
    files.plate.with_name("bench.kit.yaml").write_text(big_kit(), "utf-8")
    files.plate.with_name("wedge.kit.yaml").write_text(big_perimeters_kit(), "utf-8")
    for path in (files.plate, files.small_plate):
        kit = big_perimeters_kit(_third(path.read_bytes()))
        path.with_name(f"{path.stem}.slab.kit.yaml").write_text(kit, "utf-8")


def _third(plate: bytes) -> tuple[float, float]:
    """From and to which height, mm, a third of a plate's layers lie; solid layers at the bottom left out."""
    layers = plate.count(b"\n;LAYER_CHANGE\n")
    return round(5 * LAYER_MM, 3), round((5 + layers // 3) * LAYER_MM, 3)


def _count(path: Path) -> int:
    return path.read_bytes().count(b"\n")


def reading(files: Files) -> list[Row]:
    """Reading pure motion lines, against pygcode and against the floor."""
    floor, read, small = _times(
        7, ("floor", files.motion), ("read", files.motion), ("read", files.small_motion)
    )
    (oracle,) = _times(3, ("oracle", files.motion))
    count, small_count = _count(files.motion), _count(files.small_motion)
    rate, other = count / read, ORACLE_LINES / oracle
    memory, size = _memory("read", files.motion), files.motion.stat().st_size
    growth = read / small * (small_count * SMALL / count)
    return [
        Row("reading: lines a second, over pygcode's `Line`", rate / other, 60,
            f"{rate / 1e6:.2f} M/s against {other / 1e6:.3f} M/s", at_least=True),
        Row("reading: time over the floor", read / floor, 18, f"{read:.2f} s over {floor * 1e3:.0f} ms"),
        Row("reading: peak memory over the file", memory / size, 12, _megabytes(memory, size)),
        Row("reading: time at ten times the lines", growth, 11, f"{read:.2f} s over {small:.3f} s"),
    ]  # fmt: skip


def planning(files: Files) -> list[Row]:
    """Planning the motion of a whole plate, against reading its lines."""
    read, planned = _times(5, ("read", files.plate), ("planned", files.plate))
    return [
        Row("planning the motion: time over reading", planned / read, 3, f"{planned:.2f} s over {read:.2f} s")
    ]


def applying(files: Files) -> list[Row]:
    """A kit with four treatments on a whole plate, written out; against the floor."""
    floor, treated = _times(3, ("floor", files.plate), ("apply", files.plate))
    (small,) = _times(3, ("apply", files.small_plate))
    memory, size = _memory("apply", files.plate), files.plate.stat().st_size
    count, small_count = _count(files.plate), _count(files.small_plate)
    growth = treated / small * (small_count * SMALL / count)
    return [
        Row("apply, four treatments: time over the floor", treated / floor, 40,
            f"{treated:.2f} s over {floor * 1e3:.0f} ms"),
        Row("apply: peak memory over the file", memory / size, 12, _megabytes(memory, size)),
        Row("apply: time at ten times the lines", growth, 11,
            f"{treated:.2f} s over {small:.2f} s, for {count / small_count:.1f} times the lines"),
    ]  # fmt: skip


def laying(files: Files) -> list[Row]:
    """Two more perimeters in a third of the plate, against the four simple treatments."""
    simple, *large = _times(2, *((job, files.plate) for job in ("apply", "slab", "wedge")))
    small = _times(2, *((job, files.small_plate) for job in ("slab", "wedge")))
    count, small_count = _count(files.plate), _count(files.small_plate)
    rows = []
    for where, took, took_small in zip(("height", "each layer"), large, small, strict=True):
        growth = took / took_small * (small_count * SMALL / count)
        name = f"apply, `perimeters: {{add: 2}}` in a third of {'the ' if where == 'height' else ''}{where}"
        rows += [
            Row(f"{name}: time over the simple treatments", took / simple, 4, f"{took:.2f} s over {simple:.2f} s"),
            Row(f"{name}: time at ten times the lines", growth, 11,
                f"{took:.2f} s over {took_small:.2f} s, for {count / small_count:.1f} times the lines"),
        ]  # fmt: skip
    return rows


def estimating(files: Files) -> list[Row]:
    """Strength of four regions in each of 42 parts, and the bonds of a million pieces, against reading the plate's
    lines."""
    read, whole = _times(2, ("read", files.plate), ("estimate", files.plate))
    (small,) = _times(2, ("estimate", files.small_plate))
    again, bonds = _times(3, ("read", files.plate), ("bonds", files.plate))
    count, small_count = _count(files.plate), _count(files.small_plate)
    growth = whole / small * (small_count * SMALL / count)
    return [
        Row("estimate, 168 regions: time over reading", whole / read, 20, f"{whole:.2f} s over {read:.2f} s"),
        Row("estimate: time at ten times the lines", growth, 11,
            f"{whole:.2f} s over {small:.2f} s, for {count / small_count:.1f} times the lines"),
        Row("bonds of a million pieces of beads: time over reading", bonds / again, 8,
            f"{bonds:.2f} s over {again:.2f} s"),
    ]  # fmt: skip


def starting(_files: Files) -> list[Row]:
    """What a command costs before it does anything."""
    script = Path(sys.executable).with_name("beadwright")
    ours = [str(script)] if script.exists() else [sys.executable, "-m", "gcodetools"]
    commands = ([*ours, "--version"], [sys.executable, "-c", "import click"])
    found: tuple[list[float], list[float]] = ([], [])
    for _ in range(15):
        for command, seconds in zip(commands, found, strict=True):
            seconds.append(_seconds(lambda command=command: _quiet(command)))  # type: ignore[misc]
    version, click = map(statistics.median, found)
    detail = f"{version * 1e3:.0f} ms over {click * 1e3:.0f} ms"
    return [Row('`beadwright --version` over `python -c "import click"`', version / click, 2, detail)]


def _quiet(command: list[str]) -> None:
    subprocess.run(command, capture_output=True, check=True, cwd=PROJECT)


PARTS = {
    "reading": reading,
    "planning": planning,
    "applying": applying,
    "laying": laying,
    "estimating": estimating,
    "starting": starting,
}


def table(rows: list[Row], lines: int) -> str:
    """The table as markdown."""
    where = f"Python {platform.python_version()}, {os.cpu_count()} cores, a plate of {lines:,} lines."
    head = "| measured | ratio | limit | kept | in numbers |\n|---|---|---|---|---|"
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
        _measured("files", options.lines, ("", Path(folder)))
        for name in options.only:
            print(f"measuring {name} ...", file=sys.stderr, flush=True)
            rows += PARTS[name](files)
    text = table(rows, options.lines)
    print(text)
    if options.write:
        write_into_page(text)
    return 0 if all(row.kept for row in rows) else 1


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        print(json.dumps(_child(sys.argv[2], int(sys.argv[3]), sys.argv[4:])))
    else:
        raise SystemExit(main())

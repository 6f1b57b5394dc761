"""The jobs that `bench.py` measures, each run in a process of its own.

    python tests/benchmarks/jobs.py MODE REPEATS JOB=FILE ...

Prints one JSON object. `time`: best seconds of each job, run in turn, and where each spends them. `memory`: bytes
of the first above its imports, and where it holds most. `files`: write the plates, REPEATS lines long.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from where import where_memory, where_time

if TYPE_CHECKING:
    from gcodetools.toolpath.plate import Plate

ORACLE_LINES = 20_000
SAMPLES = 1_000_000
SMALL = 10  # the smaller plate has a tenth of the lines
LOW, HIGH = 200_000, 8_000_000  # lines, for the growth
LOW_ROWS = 3  # of lugs on the lowest plate; all six fill more lines with the fewest layers
LAYER_MM = 0.2  # of the plates


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


def _inspect(path: Path) -> None:
    """The record and its text, of the file alone: `inspect FILE --json`."""
    from gcodetools.jobs.apply import Options
    from gcodetools.jobs.inspect import inspect_file

    record, _ = inspect_file(path, Options(kits=()))
    json.dumps(record, indent=2, ensure_ascii=False)


def _report(path: Path) -> None:
    """The page's bytes, not written."""
    from gcodetools.jobs.apply import Options
    from gcodetools.jobs.report import report_files
    from gcodetools.report.page import assemble

    data, _ = report_files(path, None, Options(kits=(path.with_name("bench.kit.yaml"),)))
    assemble(data)


def treated_copy(path: Path) -> Path:
    """The plate with four treatments, beside it."""
    return path.with_name(f"{path.stem}-treated.gcode")


def _compare(path: Path) -> None:
    """The record and its text, of a plate and its treated copy: `compare FILE COPY --json`."""
    from gcodetools.jobs.apply import Options
    from gcodetools.jobs.compare import compare_files

    options = Options(kits=(path.with_name("bench.kit.yaml"),))
    record, _ = compare_files(path, treated_copy(path), options)
    json.dumps(record, indent=2, ensure_ascii=False)


def _against(path: Path) -> None:
    """The bytes of the page of a treated copy held against its plate, not written."""
    from gcodetools.jobs.apply import Options
    from gcodetools.jobs.report import report_files
    from gcodetools.report.page import assemble

    options = Options(kits=(path.with_name("bench.kit.yaml"),))
    data, _ = report_files(treated_copy(path), path, options)
    assemble(data)


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
    "inspect": _inspect, "report": _report, "compare": _compare, "against": _against,
}  # fmt: skip
IMPORTED = {
    "read": "gcode.scan",
    "slab": "jobs.apply",
    "wedge": "jobs.apply",
    "against": "jobs.report",
}  # the others': jobs.<name>


# --- the plates


@dataclass(frozen=True)
class Files:
    """Plates in a folder: whole ones as the maker writes them, and their motion lines alone."""

    plate: Path
    small_plate: Path
    low_plate: Path
    high_plate: Path
    motion: Path
    small_motion: Path

    @classmethod
    def in_folder(cls, folder: Path) -> Files:
        names = ("plate", "small-plate", "low-plate", "high-plate", "motion", "small-motion")
        return cls(*(folder / f"{name}.gcode" for name in names))


def _write_files(files: Files, lines: int) -> None:
    """In a process of its own: a child's peak memory would otherwise begin at that of this large one."""
    from gcodetools.demo.bench import big_kit, big_perimeters_kit, big_plate
    from gcodetools.jobs.apply import Options, apply_file

    plate = big_plate(lines)
    files.plate.write_bytes(plate)
    files.small_plate.write_bytes(big_plate(lines // SMALL))
    motion = [line for line in plate.splitlines(keepends=True) if line.startswith(b"G1 ")]
    motion = (motion * 2)[:lines]
    files.motion.write_bytes(b"".join(motion))
    files.small_motion.write_bytes(b"".join(motion[: lines // SMALL]))
    files.plate.with_name("bench.kit.yaml").write_text(big_kit(), "utf-8")
    files.plate.with_name("wedge.kit.yaml").write_text(big_perimeters_kit(), "utf-8")
    applied = apply_file(files.plate, Options(kits=(files.plate.with_name("bench.kit.yaml"),)))
    treated_copy(files.plate).write_bytes(applied.treated.render())
    for path in (files.plate, files.small_plate):
        kit = big_perimeters_kit(_third(path.read_bytes()))
        path.with_name(f"{path.stem}.slab.kit.yaml").write_text(kit, "utf-8")


def _write_growth(files: Files, factor: int) -> None:
    """The lowest and the highest plate; `factor` divides both, for a quick look."""
    from gcodetools.demo.bench import big_plate

    files.low_plate.write_bytes(big_plate(LOW // factor, rows=LOW_ROWS))
    files.high_plate.write_bytes(big_plate(HIGH // factor))


def _third(plate: bytes) -> tuple[float, float]:
    """From and to which height, mm, a third of a plate's layers lie; solid layers at the bottom left out."""
    layers = plate.count(b"\n;LAYER_CHANGE\n")
    return round(5 * LAYER_MM, 3), round((5 + layers // 3) * LAYER_MM, 3)


# --- what a process of its own does


def _peak_bytes() -> int:
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def _memory(job: str, path: Path) -> dict[str, object]:
    """What a job holds at most above its imports, and in which module; looked at while it runs."""
    import_module(f"gcodetools.{IMPORTED.get(job, f'jobs.{job}')}")
    before = _peak_bytes()
    where = where_memory(lambda: JOBS[job](path))
    return {"bytes": _peak_bytes() - before, "where": where}


def _times(repeats: int, jobs: list[tuple[str, Path]]) -> dict[str, object]:
    """Best seconds of each; where they go is seen in one run more."""
    best = [float("inf")] * len(jobs)
    for _ in range(repeats):
        for index, (job, path) in enumerate(jobs):
            best[index] = min(best[index], _seconds(lambda job=job, path=path: JOBS[job](path)))  # type: ignore[misc]
    where = [
        "" if job in ("floor", "oracle") else where_time(lambda job=job, path=path: JOBS[job](path))  # type: ignore[misc]
        for job, path in jobs
    ]
    return {"seconds": best, "where": where}


def main(mode: str, repeats: int, pairs: list[str]) -> dict[str, object]:
    """What the module's docstring says."""
    warnings.simplefilter("ignore")
    if mode in ("files", "growth"):
        write = _write_files if mode == "files" else _write_growth
        write(Files.in_folder(Path(pairs[0])), repeats)
        return {}
    jobs = [(job, Path(file)) for job, _, file in (pair.partition("=") for pair in pairs)]
    return _memory(*jobs[0]) if mode == "memory" else _times(repeats, jobs)


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1], int(sys.argv[2]), sys.argv[3:])))

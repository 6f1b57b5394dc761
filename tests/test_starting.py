"""What a run on a slice loads: what is not asked for costs nothing. How long it takes is in tests/benchmarks."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import pytest

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import shelf_hook

KIT = """beadwright: 1
kit: hooks
material: petg
parts:
  shelf-hook:
    found_by: {{label: ["shelf-hook*"]}}
    regions:
      low: {{beads: any, within: {{slab: {{z: [0.3, 1.5]}}}}, treat: {treat}}}
"""
SIMPLE = "{nozzle: {add: 5}, fan: {cap: 20%}, speed: {scale: 80%}, flow: {scale: 103%}, accel: {max: 700}, force: true}"
CODE = """
import json, sys
import numpy, click, yaml, shapely, msgspec
theirs = set(sys.modules)
from gcodetools.cli.main import status_of
status = status_of(sys.argv[1:])
print(json.dumps([status, sorted(set(sys.modules) - theirs)]))
"""

# Whole rooms, and single modules, by the start of their names.
NEVER_BY_A_SLICE = (
    "gcodetools.strength", "gcodetools.trials", "gcodetools.slicer_settings", "gcodetools.planning",
    "gcodetools.report", "gcodetools.demo", "gcodetools.jobs.estimate", "gcodetools.jobs.compare",
    "gcodetools.documents.schemas", "gcodetools.kit.learning", "gcodetools.kit.drawing", "gcodetools.kit.mesh",
    "gcodetools.gcode.containers.opening", "gcodetools.gcode.containers.package", "gcodetools.gcode.containers.binary",
    "scipy", "matplotlib", "trimesh", "rtree", "dask", "distributed", "icalendar", "pydoe", "pandas",
    "asyncio", "multiprocessing", "unittest", "http", "ssl", "xml", "html", "secrets", "difflib", "shutil", "bz2",
    "lzma", "tempfile", "csv",
)  # fmt: skip
NEVER_BY_POST = (
    "gcodetools.cli.text_apply",
    "gcodetools.cli.text_strength",
    "gcodetools.kit.sections",
    "gcodetools.kit.stacks",
)
BY_PERIMETERS = (
    "gcodetools.treat.perimeters", "gcodetools.treat.laying", "gcodetools.treat.told", "gcodetools.treat.sites",
    "gcodetools.treat.replacing", "gcodetools.toolpath.rooms", "gcodetools.toolpath.walls",
    "gcodetools.toolpath.strands", "gcodetools.toolpath.hatch", "gcodetools.toolpath.style",
    "gcodetools.toolpath.measures",
)  # fmt: skip
BY_FIT = (
    "gcodetools.treat.fit",
    "gcodetools.toolpath.courses",
    "gcodetools.edit.moved",
    "gcodetools.edit.moving",
)
BY_REST = ("gcodetools.edit.rests",)
BY_NEW_MOVES = ("gcodetools.edit.runs", "gcodetools.edit.newmoves")


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("starting") / "plate.gcode"
    path.write_bytes(maker.make("B", parts=(Placement(shelf_hook(height_mm=3.0), 60, 60),)).data)
    return path


@lru_cache
def loaded(plate: Path, treat: str, command: str = "post") -> frozenset[str]:
    """The modules that a run has loaded at its end, besides those of the libraries it cannot do without."""
    kit, copy = plate.with_suffix(".kit.yaml"), plate.with_name("copy.gcode")
    kit.write_text(KIT.format(treat=treat), "utf-8")
    copy.write_bytes(plate.read_bytes())
    words = [command, str(copy), "--kit", str(kit)]
    done = subprocess.run([sys.executable, "-c", CODE, *words], capture_output=True, text=True, check=True)
    status, modules = json.loads(done.stdout.splitlines()[-1])
    assert status == 0, done.stderr
    if command == "post":
        assert copy.read_bytes() != plate.read_bytes()
    return frozenset(modules)


def among(modules: frozenset[str], names: tuple[str, ...]) -> list[str]:
    """Those modules that are one of `names` or lie in it."""
    return sorted(m for m in modules if f"{m}.".startswith(tuple(f"{name}." for name in names)))


def test_a_slice_loads_only_what_its_treatments_need(plate: Path) -> None:
    modules = loaded(plate, SIMPLE)
    assert among(modules, (*NEVER_BY_A_SLICE, *NEVER_BY_POST)) == []
    assert among(modules, (*BY_PERIMETERS, *BY_FIT, *BY_REST, *BY_NEW_MOVES)) == []


@pytest.mark.parametrize(
    ("treat", "needed", "spared"),
    [
        ("{perimeters: {add: 1}, force: true}", (*BY_PERIMETERS, *BY_NEW_MOVES), BY_REST),
        ("{rest: {seconds: 2}}", (*BY_REST, *BY_NEW_MOVES), (*BY_PERIMETERS, *BY_FIT)),
        ("{fit: {offset: 0.05}}", BY_FIT, (*BY_REST, *BY_NEW_MOVES)),
    ],
)
def test_what_a_treatment_needs_is_loaded_with_it(
    plate: Path, treat: str, needed: tuple[str, ...], spared: tuple[str, ...]
) -> None:
    """The names above are those of modules that do the work: else the test before this one could not fail."""
    modules = loaded(plate, treat)
    assert set(needed) <= modules
    assert among(modules, spared) == []


def test_looking_loads_no_more(plate: Path) -> None:
    modules = loaded(plate, SIMPLE, "inspect")
    assert among(modules, (*NEVER_BY_A_SLICE, *BY_PERIMETERS, *BY_FIT, *BY_REST, *BY_NEW_MOVES)) == []

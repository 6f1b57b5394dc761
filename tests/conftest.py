"""Fixtures shared by all tests: where the samples of real files stand, and which files there are."""

from __future__ import annotations

import gc
import os
import shutil
import sys
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# A worker has one core: threads of the linear algebra would only wait for each other. Before numpy is loaded.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Else each worker compiles every test, and each process that a test starts the whole package.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# Text is as wide as a terminal that is not there, whatever runs the tests.
os.environ["COLUMNS"] = "110"
# Its pipes are POSIX's.
collect_ignore = ["browser"] if os.name == "nt" else []
THINNED = 3  # how much more than a test's own `every` says, lest the suite takes over four minutes
LONGEST = {"browser", "cli", "hardening", "jobs", "acceptance", "demo"}  # their files go first
WORKER = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0")[2:])
PROJECT = Path(__file__).resolve().parent.parent
SAMPLE_SUFFIXES = {".gcode", ".g"}

# The same examples every time, so that a landing does not hang on luck; the other profile looks for new ones.
_COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("default", derandomize=True, max_examples=30, **_COMMON)
settings.register_profile("seeking", derandomize=False, max_examples=100, print_blob=True, **_COMMON)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


def shared_folder() -> Path | None:
    """The folder of samples: BEADWRIGHT_SHARED, or `shared` beside the project."""
    named = os.environ.get("BEADWRIGHT_SHARED")
    folder = Path(named) if named else PROJECT.parent / "shared"
    return folder if (folder / "gcode" / "samples").is_dir() else None


def sample_paths() -> list[Path]:
    """Every text sample, in order of name; empty where the folder is missing."""
    folder = shared_folder()
    if folder is None:
        return []
    found = (folder / "gcode" / "samples").iterdir()
    return sorted(p for p in found if p.suffix in SAMPLE_SUFFIXES)


def browser_found() -> str | None:
    """A Chromium: BEADWRIGHT_BROWSER, or the system's."""
    return shutil.which(os.environ.get("BEADWRIGHT_BROWSER") or "chromium")


def pytest_report_header(config: pytest.Config) -> list[str]:
    folder, browser = shared_folder(), browser_found()
    if folder is None:
        said = ["samples: none found (set BEADWRIGHT_SHARED); tests that need them are skipped"]
    else:
        said = [f"samples: {len(sample_paths())} in {folder}"]
    if browser is None:
        said.append(
            "browser: none found (install chromium, or set BEADWRIGHT_BROWSER); tests of the page are skipped"
        )
    else:
        said.append(f"browser: {browser}")
    return said


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that asks for `sample_path` runs once a sample."""
    if "sample_path" in metafunc.fixturenames:
        paths = sample_paths()
        absent = pytest.param(None, marks=pytest.mark.skip(reason="samples absent: set BEADWRIGHT_SHARED"))
        metafunc.parametrize(
            "sample_path", paths or [absent], ids=[p.name for p in paths] if paths else ["absent"]
        )


@pytest.fixture(scope="session")
def samples() -> Path:
    """Folder of the sample files."""
    folder = shared_folder()
    if folder is None:
        pytest.skip("samples absent: set BEADWRIGHT_SHARED")
    return folder / "gcode" / "samples"


@pytest.fixture(scope="session")
def browser_program() -> str:
    """Path of a Chromium."""
    found = browser_found()
    if found is None:
        pytest.skip("browser absent: install chromium, or set BEADWRIGHT_BROWSER")
    return found


@pytest.fixture(scope="module")
def few_cells() -> Iterator[None]:
    """For files where strength is told but not tested: its sections are counted in few cells, sooner done."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("gcodetools.physics.cells._CELLS", 3_000)
        yield


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """`every(n, first)`: of a test's cases each n-th runs by default, from `first` on; the others are long runs."""
    # Same in every worker, whatever end it collected from; a file's own tests keep their order.
    items.sort(key=lambda item: (item.path.relative_to(PROJECT / "tests").parts[0] not in LONGEST, item.path))
    seen: dict[str, int] = {}
    for item in items:
        mark = item.get_closest_marker("every")
        if mark is None:
            continue
        name = item.nodeid.split("[")[0]
        number = seen[name] = seen.get(name, -1) + 1
        n, first = (*mark.args, 0)[:2]
        n *= THINNED
        if number % n != first % n:
            item.add_marker(pytest.mark.long)


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Generator[None, object, object]:
    """What is collected stays: looking for garbage in it costs as much as to collect it."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Every other worker collects from the end: each compiles one half of the tests and finds the other compiled."""
    report = yield
    if isinstance(collector, pytest.Directory) and WORKER % 2:
        report.result.reverse()
    return report


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A file's tests go to one worker, so that what they share is made once."""
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False  # else files of few, long tests come last, and one worker waits
    return LoadFileScheduling(config, log)

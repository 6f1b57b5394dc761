"""Samples in containers with their text twins."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pytest

from gcodetools.cli.main import status_of
from gcodetools.jobs.apply import read_plate
from gcodetools.toolpath.plate import Plate

# Helpers of these tests are found by folder.
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "gcode" / "containers")]

SAMPLES = {
    "binary": ("K-cube.bgcode", "B-cube.gcode"),
    "package": ("D-part.gcode.3mf", "D-part.gcode"),
    "gz": ("A-vase-crlf.gcode.gz", "A-vase-crlf.gcode"),
}


@dataclass(frozen=True)
class Sample:
    """A packed sample: its file, its text twin, and both read."""

    kind: str
    path: Path
    twin_path: Path

    @property
    def data(self) -> bytes:
        return self.path.read_bytes()

    @property
    def plate(self) -> Plate:
        return _read(self.path)

    @property
    def twin(self) -> Plate:
        return _read(self.twin_path)


@lru_cache(maxsize=8)
def _read(path: Path) -> Plate:
    return read_plate(path)


@pytest.fixture(scope="session")
def packed(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Sample]:
    """`packed(kind)`: the sample in a container of that kind."""
    folder = tmp_path_factory.mktemp("packed")

    def of(kind: str) -> Sample:
        name, twin = SAMPLES[kind]
        path = samples / name
        if not path.exists():
            path = folder / name
            path.write_bytes(gzip.compress((samples / twin).read_bytes(), mtime=0))
        return Sample(kind, path, samples / twin)

    return of


@pytest.fixture(params=SAMPLES)
def sample_in(request: pytest.FixtureRequest, packed: Callable[[str], Sample]) -> Sample:
    """Each of the packed samples."""
    return packed(request.param)


@dataclass(frozen=True)
class Ran:
    """What a run said and how it ended."""

    status: int
    out: str
    err: str


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run the command line in this process; a traceback fails the test."""

    def call(*args: object) -> Ran:
        capfd.readouterr()
        status = status_of([str(arg) for arg in args])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return Ran(status, out, err)

    return call

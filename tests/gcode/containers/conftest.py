"""Helpers of these tests are found by folder: tests are imported without a package."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def cube(samples: Path) -> bytes:
    """The binary sample; its text twin is `cube_twin`."""
    return (samples / "K-cube.bgcode").read_bytes()


@pytest.fixture(scope="session")
def cube_twin(samples: Path) -> bytes:
    return (samples / "B-cube.gcode").read_bytes()


@pytest.fixture(scope="session")
def part(samples: Path) -> bytes:
    """The packaged sample; its text twin is `part_twin`."""
    return (samples / "D-part.gcode.3mf").read_bytes()


@pytest.fixture(scope="session")
def part_twin(samples: Path) -> bytes:
    return (samples / "D-part.gcode").read_bytes()

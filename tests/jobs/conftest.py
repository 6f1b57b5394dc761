"""What tests of jobs share stands beside them."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))

from ladder_plates import made
from plan_orders import laid


@pytest.fixture(scope="session")
def ladder_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("ladders")


@pytest.fixture
def coupons(ladder_folder, monkeypatch):
    """Writes a made plate into a folder of ladders, the same for all, and stands there."""
    monkeypatch.chdir(ladder_folder)

    def write(name):
        path = ladder_folder / f"{name}.gcode"
        path.write_bytes(made(name))
        return path

    return write


@pytest.fixture
def order_folder(tmp_path) -> Path:
    """The plates of `plan_orders` and the demo's kit, in a folder of its own."""
    return laid(tmp_path)

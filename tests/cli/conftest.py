"""A command line to call in-process, small demo plates and the demo's kit in a folder of their own."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from gcodetools.cli.main import status_of
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make

# One of each kind of region that matters, few layers: two keys (24 layers) and a hook (120).
SMALL = (
    Placement("wedge-key-snug", 60, 110),
    Placement("wedge-key-snug", 90, 110),
    Placement("shelf-hook", 130, 110),
)
KEYS = SMALL[:2]


@lru_cache(maxsize=16)
def plate_bytes(parts: Sequence[Placement] = SMALL, convention: str = "B", **options: object) -> bytes:
    return make(convention, parts=parts, **options).data  # type: ignore[arg-type]


@pytest.fixture(scope="module", autouse=True)
def _few(few_cells: None) -> None:
    """What commands print of strength is held against records, never against a number of its own."""


@dataclass
class Ran:
    """What a run said and how it ended."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        record: dict[str, Any] = json.loads(self.out)
        return record

    @property
    def first(self) -> str:
        """First line on standard error that is no warning: an error's cause."""
        lines = [line for line in self.err.splitlines() if not line.startswith("warning: ")]
        return lines[0] if lines else ""


Run = Callable[..., Ran]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process; a traceback on either stream fails the test."""

    def call(*args: object) -> Ran:
        capfd.readouterr()
        status = status_of([str(arg) for arg in args])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        assert "gcodetools" not in out + err
        return Ran(status, out, err)

    return call


_looked: dict[tuple[object, ...], Ran] = {}


@pytest.fixture
def look(run: Run) -> Run:
    """`run` for commands that write nothing: the same one on the same files of the same folder is run once."""

    def call(*args: object) -> Ran:
        files = tuple((path.name, path.read_bytes()) for path in sorted(Path().iterdir()) if path.is_file())
        told = tuple(os.environ.get(name) for name in ("COLUMNS", "BEADWRIGHT_KIT"))
        key = (tuple(map(str, args)), told, files)
        if key not in _looked:
            _looked[key] = run(*args)
        return _looked[key]

    return call


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with `plate.gcode` (SMALL) and `hoophouse.kit.yaml`; the current one."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    (tmp_path / "plate.gcode").write_bytes(plate_bytes())
    (tmp_path / "hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return tmp_path


@pytest.fixture
def keys(bench: Path) -> Path:
    """`bench` with two keys alone: soon done."""
    (bench / "plate.gcode").write_bytes(plate_bytes(KEYS))
    return bench


_treated: list[bytes] = []


@pytest.fixture
def pair(bench: Path, run: Run) -> Path:
    """`bench` with `treated.gcode` beside its plate; treated once."""
    if not _treated:
        args = ("plate.gcode", "--kit", "hoophouse.kit.yaml", "-o", "treated.gcode", "-q")
        assert run("apply", *args).status == 0
        _treated.append((bench / "treated.gcode").read_bytes())
    (bench / "treated.gcode").write_bytes(_treated[0])
    return bench


@pytest.fixture
def made() -> Callable[..., bytes]:
    """`plate_bytes`: plates made once."""
    return plate_bytes


@pytest.fixture
def capfdbinary_run(capfdbinary: pytest.CaptureFixture[bytes]) -> Callable[..., tuple[int, bytes, bytes]]:
    """As `run`, for output that is bytes."""

    def call(*args: object) -> tuple[int, bytes, bytes]:
        capfdbinary.readouterr()
        status = status_of([str(arg) for arg in args])
        return (status, *capfdbinary.readouterr())

    return call

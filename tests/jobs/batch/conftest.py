"""A folder with two plates, and batches that treat them in this process."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

# Helpers of these tests are found by folder.
sys.path[:0] = [str(Path(__file__).parent)]

from batch_tabs import KIT, tab  # noqa: E402

from gcodetools.jobs import batch as job  # noqa: E402
from gcodetools.jobs.batch_plate import commit, treat  # noqa: E402


@pytest.fixture(scope="session")
def plate() -> bytes:
    return tab()


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plate: bytes) -> Path:
    """A folder `in` with two plates and a kit beside it; the current one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in" / "sub").mkdir(parents=True)
    (tmp_path / "in" / "a.gcode").write_bytes(plate)
    (tmp_path / "in" / "sub" / "b.gcode").write_bytes(plate + b"; another\n")
    (tmp_path / "tabs.kit.yaml").write_text(KIT)
    return tmp_path


@pytest.fixture
def in_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plates are treated here, through the JSON that a process would get, and in the order of the alphabet."""

    def run(tasks, jobs, budget):
        for number, task in enumerate(tasks):
            sent = json.loads(json.dumps(task))
            yield number, json.loads(json.dumps(commit(treat(sent), sent["targets"])))

    monkeypatch.setattr(job, "run_local", run)

"""A batch's processes, by a stand-in that speaks as a worker does and does what its task says."""

from __future__ import annotations

import io
import os
import sys
import time
from pathlib import Path

import pytest

from gcodetools.errors import Fault
from gcodetools.jobs import batch_local, batch_worker

CHILD = """
import json, os, signal, sys, time
def tell(message):
    sys.stdout.write(json.dumps(message) + "\\n"); sys.stdout.flush()
tell({"ready": 1})
for line in sys.stdin:
    task = json.loads(line)
    with open(task["log"], "a") as log:
        log.write(f"+{task['file']}\\n"); log.flush()
        if task.get("late"):
            signal.signal(signal.SIGTERM, lambda *of: None)
        if task.get("deaf"):
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
        time.sleep(task.get("sleep", 0.02))
        if task.get("die") and (task["die"] == "always" or not os.path.exists(task["log"] + ".died")):
            open(task["log"] + ".died", "w").close()
            os.kill(os.getpid(), 9)
        log.write(f"-{task['file']}\\n")
    if "writes" in task:
        tell({"writing": True})
        time.sleep(task["writes"])
    tell({"state": "done", "pid": os.getpid(), "threads": os.environ["OPENBLAS_NUM_THREADS"]})
    if task.get("late"):
        time.sleep(0.5)
        break
"""


def chores(log: Path, count: int, **of: dict) -> list[dict]:
    plain = {"path": "x.gcode", "bytes": 1000, "report": False, "log": str(log)}
    return [{**plain, "file": f"f{k}", **of.get(f"f{k}", {})} for k in range(count)]


@pytest.fixture
def child(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch_local, "_START", CHILD)


def most_at_once(log: Path) -> int:
    depth = most = 0
    for line in log.read_text().splitlines():
        depth += 1 if line[0] == "+" else -1
        most = max(most, depth)
    return most


def test_processes_are_kept_and_have_one_thread_of_algebra(tmp_path, child):
    told = dict(batch_local.run_local(chores(tmp_path / "log", 6), 2, None))
    assert sorted(told) == list(range(6)) and len({one["pid"] for one in told.values()}) == 2
    assert {one["threads"] for one in told.values()} == {"1"}


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_killed_process_fails_its_plate_alone(tmp_path, child):
    tasks = chores(tmp_path / "log", 5, f2={"die": "always"})
    told = dict(batch_local.run_local(tasks, 2, None))
    assert {k: one["state"] for k, one in told.items()} == {
        0: "done",
        1: "done",
        2: "failed",
        3: "done",
        4: "done",
    }
    assert told[2]["status"] == 70 and told[2]["cause"].startswith(
        "f2: its process ended by signal 9, as the system"
    )
    # It was tried once more, with the machine to itself.
    lines = (tmp_path / "log").read_text().splitlines()
    assert lines.count("+f2") == 2 and lines[-1] == "+f2"


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_what_died_for_others_is_done_alone(tmp_path, child):
    told = dict(batch_local.run_local(chores(tmp_path / "log", 4, f1={"die": "once"}), 2, None))
    assert {one["state"] for one in told.values()} == {"done"} and len(told) == 4
    (tmp_path / "log.died").unlink()
    told = dict(batch_local.run_local(chores(tmp_path / "log", 2, f1={"die": "once"}), 1, None))
    assert told[1]["state"] == "failed"  # it had the machine to itself


def test_no_more_at_once_than_memory_holds_and_the_large_first(tmp_path, child):
    large = {"bytes": 50_000_000, "sleep": 0.1}
    tasks = chores(tmp_path / "log", 4, f1=large, f3=large)
    need = batch_local.needed_bytes(tasks[1])
    assert need > 10 * 50_000_000
    dict(batch_local.run_local(tasks, 4, int(1.9 * need)))
    lines = (tmp_path / "log").read_text().splitlines()
    assert lines.index("+f3") > lines.index("-f1") and most_at_once(tmp_path / "log") > 1
    (tmp_path / "log").unlink()
    dict(batch_local.run_local(tasks, 1, None))
    assert (tmp_path / "log").read_text().split()[::2] == ["+f1", "+f3", "+f0", "+f2"]
    # What is larger than all there is runs by itself.
    (tmp_path / "log").unlink()
    assert len(dict(batch_local.run_local(tasks, 4, 1000))) == 4 and most_at_once(tmp_path / "log") == 1


def test_memory_needed_goes_by_size_page_and_packing(tmp_path):
    plain = {"path": "a.gcode", "bytes": 10_000_000, "report": False}
    need = batch_local.needed_bytes(plain)
    assert batch_local.needed_bytes({**plain, "bytes": 20_000_000}) > need
    assert batch_local.needed_bytes({**plain, "report": True}) > need
    # By what they begin with, whatever their names say.
    for name, head in {"zip.gcode": b"PK\x03\x04", "gz.g": b"\x1f\x8b", "blocks": b"GCDE"}.items():
        (tmp_path / name).write_bytes(head + b"x" * 20)
        assert batch_local.needed_bytes({**plain, "path": str(tmp_path / name)}) > 3 * need
    (tmp_path / "text.gcode.gz").write_bytes(b"G28\n")
    assert batch_local.needed_bytes({**plain, "path": str(tmp_path / "text.gcode.gz")}) == need


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux alone tells so")
def test_free_memory_is_what_a_reference_library_says():
    psutil = pytest.importorskip("psutil")  # reference library
    free = batch_local.free_bytes()
    assert free is not None and 0 < free < 1.1 * psutil.virtual_memory().available
    assert batch_local.cores() == len(psutil.Process().cpu_affinity())


def test_free_memory_heeds_the_group_of_the_process(tmp_path):
    """Names and meaning of the files: Linux kernel, Documentation/admin-guide/cgroup-v2.rst (from memory)."""
    for name, text in {"max": "1000\n", "current": "900\n", "stat": "anon 5\ninactive_file 300\n"}.items():
        (tmp_path / f"memory.{name}").write_text(text)
    assert batch_local._left_of(tmp_path) == 400
    (tmp_path / "memory.max").write_text("max\n")
    assert batch_local._left_of(tmp_path) is None


@pytest.mark.skipif(os.name == "nt", reason="signals")
@pytest.mark.parametrize("deaf", [False, True])
def test_what_takes_too_long_is_ended_and_the_rest_goes_on(tmp_path, child, monkeypatch, deaf):
    monkeypatch.setattr(batch_local, "_GRACE_S", 0.2)
    tasks = chores(tmp_path / "log", 4, f1={"sleep": 60, "deaf": deaf})
    began = time.monotonic()
    told = dict(batch_local.run_local([{**task, "limit_s": 3.0} for task in tasks], 2, None))
    assert time.monotonic() - began < 30
    assert {k: one["state"] for k, one in told.items()} == {0: "done", 1: "failed", 2: "done", 3: "done"}
    assert told[1]["status"] == 5
    assert told[1]["cause"] == "f1: not done within 3 s (--time-limit), so its process was ended"
    assert "memory" not in told[1]
    # It had its chance: no second one.
    assert (tmp_path / "log").read_text().split().count("+f1") == 1


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_what_is_done_at_the_last_moment_is_done(tmp_path, child):
    """Its process ends behind it, as it was asked to, and takes no other plate with it."""
    tasks = chores(tmp_path / "log", 2, f0={"late": True, "sleep": 2.0})
    told = dict(batch_local.run_local([{**task, "limit_s": 1.5} for task in tasks], 1, None))
    assert {k: one["state"] for k, one in told.items()} == {0: "done", 1: "done"}
    assert told[0]["pid"] != told[1]["pid"]


def test_a_limit_that_is_kept_and_none_change_nothing(tmp_path, child):
    tasks = chores(tmp_path / "log", 3)
    for limit in (None, 600.0):
        told = dict(batch_local.run_local([{**task, "limit_s": limit} for task in tasks], 1, None))
        assert {one["state"] for one in told.values()} == {"done"}
        assert len({one["pid"] for one in told.values()}) == 1  # nobody was ended and begun anew


def test_writing_is_not_cut_short(tmp_path, child, monkeypatch):
    monkeypatch.setattr(batch_local, "_GRACE_S", 0.2)
    (task,) = chores(tmp_path / "log", 1, f0={"writes": 3.0, "limit_s": 2.0})
    told = dict(batch_local.run_local([task], 1, None))
    assert told[0]["state"] == "done"


def test_a_worker_says_when_it_begins_to_write(monkeypatch):
    """From then on no limit of time may end it."""
    out = io.BytesIO()
    said: list[bytes] = []
    monkeypatch.setattr(batch_worker, "treat", lambda task: {"state": "done"})

    def commit(result, targets):
        said.append(out.getvalue())
        return {**result, "rows": []}

    monkeypatch.setattr(batch_worker, "commit", commit)
    batch_worker._serve({"targets": {}}, out)
    assert said == [b'{"writing": true}\n'] and out.getvalue() == said[0] + b'{"state": "done", "rows": []}\n'


def test_closing_early_ends_the_processes(tmp_path, child):
    run = batch_local.run_local(chores(tmp_path / "log", 3, f2={"sleep": 30}), 2, None)
    pids = {next(run)[1]["pid"], next(run)[1]["pid"]}
    began = time.monotonic()
    run.close()
    assert time.monotonic() - began < 5
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_process_that_cannot_start_is_one_clear_error(tmp_path, monkeypatch):
    monkeypatch.setattr(batch_local, "_START", "raise ImportError('no such thing')")
    with pytest.raises(Fault, match="a worker process does not start: ImportError: no such thing"):
        dict(batch_local.run_local(chores(tmp_path / "log", 2), 2, None))

"""How runs end badly: disk full, read-only, killed, interrupted, no reader, a fault; the file stays whole."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gcodetools.demo import run as demo_run
from gcodetools.demo.maker import Placement
from gcodetools.gcode import files

KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))
CLIP = (Placement("film-clip", 110, 110),)
KIT = "hoophouse.kit.yaml"
PROGRAM = [sys.executable, "-m", "gcodetools"]
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def keys(bench, made):
    (bench / "plate.gcode").write_bytes(made(KEYS))
    return bench


@pytest.fixture
def start():
    """Start the program in a process of its own."""
    running: list[subprocess.Popen[bytes]] = []

    def call(*args: str, code: str = "", **options: object) -> subprocess.Popen[bytes]:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), **options.pop("env", {})}  # type: ignore[dict-item]
        command = [sys.executable, "-c", code, *args] if code else [*PROGRAM, *args]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
        process = subprocess.Popen(command, env=environment, **pipes)  # type: ignore[call-overload]
        running.append(process)
        return process

    yield call
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()
        for stream in (process.stdout, process.stderr):
            if stream:
                stream.close()


def names(folder: Path) -> list[str]:
    """What stands in a folder, hidden files too."""
    return sorted(path.name for path in folder.iterdir())


def _no_space(*args: object, **options: object) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("call", ["write", "fsync"])
def test_a_full_disk_is_status_7_and_leaves_everything(keys, run, made, monkeypatch, call):
    monkeypatch.setattr(files.os, call, _no_space)
    before = names(keys)
    for args in (["apply", "plate.gcode", "-o", "o.gcode"], ["post", "plate.gcode"]):
        ran = run(args[0], "--kit", KIT, *args[1:])
        target = args[-1]
        assert ran.status == 7
        assert ran.first == f"error: {target}: can't write: the disk is full; nothing was changed"
    assert names(keys) == before
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


@pytest.mark.parametrize(
    "args",
    [
        ("apply", "missing.gcode", "--kit", KIT),
        ("learn", "missing.gcode"),
        ("check", "missing.kit.yaml"),
    ],
)
def test_a_folder_that_is_not_there_is_status_7_before_any_work(keys, run, args):
    """Before the input is even looked for."""
    ran = run(*args, "-o", "no/such/o.gcode")
    assert ran.status == 7
    assert ran.first == f"error: -o {Path('no/such/o.gcode')}: the folder {Path('no/such')} does not exist"
    ran = run(*args, "-o", "plate.gcode/o.gcode")
    assert (ran.status, ran.first) == (
        7,
        f"error: -o {Path('plate.gcode/o.gcode')}: the folder plate.gcode is no folder",
    )


def test_a_demo_in_a_file_is_status_7_before_any_work(keys, run, monkeypatch):
    monkeypatch.setattr(demo_run, "make_plate", lambda: pytest.fail("the plate was made"))
    ran = run("demo", "plate.gcode/d")
    assert (ran.status, ran.first) == (
        7,
        f"error: {Path('plate.gcode/d')}: can't make the folder: plate.gcode is a file",
    )


def test_a_strict_demo_that_is_warned_of_writes_nothing(tmp_path, run, monkeypatch):
    overlapping = demo_run.hoophouse_kit().replace("radius: [8, 11], angle: [145, 215]", "radius: [7, 11]")
    overlapping = overlapping.replace("radius: [7, 11]}", "radius: [7, 11], angle: [145, 215]}")
    monkeypatch.setattr(demo_run, "hoophouse_kit", lambda: overlapping)
    make = demo_run.make_plate
    few = demo_run.clip_and_hook()
    monkeypatch.setattr(demo_run, "make_plate", lambda *, parts=few: make(parts=parts))
    ran = run("demo", tmp_path / "d", "--strict")
    assert ran.status == 6 and "regions ribs and spine share" in ran.err
    assert names(tmp_path) == []


def test_a_read_only_target_is_status_7(keys, run, made, monkeypatch):
    # The superuser may write anyway, so the system's answer is simulated; the file keeps its mode.
    (keys / "plate.gcode").chmod(0o444)
    monkeypatch.setattr(files.os, "access", lambda path, mode: mode != os.W_OK)
    ran = run("post", "--kit", KIT, "plate.gcode")
    assert ran.status == 7
    assert ran.first == (
        "error: plate.gcode: can't write: no permission, or another program holds it open; "
        "nothing was changed"
    )
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


def test_a_file_held_open_is_tried_again_and_then_left(keys, run, made, monkeypatch):
    tries = []

    def held(self: Path, target: object) -> None:
        tries.append(target)
        raise PermissionError(errno.EACCES, "held")

    monkeypatch.setattr(files, "RENAME_RETRY_S", 0.3)
    monkeypatch.setattr(Path, "replace", held)
    ran = run("post", "--kit", KIT, "plate.gcode")
    assert ran.status == 7 and len(tries) > 1
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)
    assert not [name for name in names(keys) if name.endswith(".beadwright")]


def test_interrupted_is_130_and_says_that_nothing_is_half_written(keys, run, made, monkeypatch):
    import gcodetools.jobs.apply as job

    def stop(*args: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(job, "place", stop)
    ran = run("post", "--kit", KIT, "plate.gcode")
    assert (ran.status, ran.err) == (130, "interrupted; nothing was left half-written\n")
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


def test_a_fault_of_ours_is_70_and_says_how_to_report_it(keys, run, made, monkeypatch):
    import gcodetools.jobs.apply as job

    def fail(*args: object) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr(job, "place", fail)
    ran = run("post", "--kit", KIT, "plate.gcode")
    assert ran.status == 70
    first, second = ran.err.splitlines()
    assert first.startswith("error: a fault of ours: ZeroDivisionError: made up (test_ends.py:")
    assert second.startswith("Nothing was written. Please report this line with the command, ")
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


def test_a_failed_audit_is_70_and_writes_nothing(keys, run, made, monkeypatch):
    import dataclasses

    from gcodetools.edit.treated import Treated

    real = Treated.audit

    def differing(self: Treated, *, full: bool = False) -> object:
        return dataclasses.replace(real(self, full=full), differing=1)

    monkeypatch.setattr(Treated, "audit", differing)
    assert run("post", "--kit", KIT, "plate.gcode").status == 70
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


def test_a_failure_to_print_after_writing_does_not_change_the_status(keys, made, start):
    """Every status but 0 leaves the file as it was, so once it is replaced the status is 0."""
    with Path("/dev/full").open("wb") as full:
        process = start("post", "--kit", KIT, "plate.gcode", stdout=full)
        assert process.wait(60) == 0
    assert (keys / "plate.gcode").read_bytes() != made(KEYS)


def test_a_full_standard_output_is_status_7(keys, start):
    for args in (["inspect", "plate.gcode"], ["apply", "plate.gcode", "--kit", KIT, "-o", "-"]):
        with Path("/dev/full").open("wb") as full:
            process = start(*args, stdout=full)
            error = process.communicate(timeout=60)[1].decode()
        assert process.returncode == 7, args
        assert "can't write" in error and "Traceback" not in error


@pytest.mark.parametrize(
    "args, status", [(["inspect", "plate.gcode"], 0), (["apply", "plate.gcode", "--kit", KIT, "-o", "-"], 7)]
)
@pytest.mark.every(1)
def test_a_reader_that_is_gone_makes_no_noise(keys, start, args, status):
    """Text that nobody reads is no loss; half of a file is."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        process = start(*args, stdout=writing)
    finally:
        os.close(writing)
    error = process.communicate(timeout=60)[1].decode()
    assert process.returncode == status
    assert "Traceback" not in error and "Exception ignored" not in error


# Stops at a named call and says so, so that the kill comes where it hurts most.
_HALTED = """\
import sys, time
from pathlib import Path
from gcodetools.cli.main import run
from gcodetools.gcode import files
import gcodetools.jobs.apply as job
where = sys.argv.pop(1)
def halt(*args, **options):
    print("here", flush=True)
    time.sleep(60)
if where == "placing":
    job.place = halt
elif where == "writing":
    real = files.os.fsync
    def fsync(descriptor):
        real(descriptor)
        halt()
    files.os.fsync = fsync
elif where == "renaming":
    Path.replace = halt
run()
"""


@pytest.mark.parametrize("where", ["placing", "writing"])
def test_killed_leaves_the_original_and_no_litter(keys, made, start, where):
    before = names(keys)
    process = start(where, "post", "--kit", KIT, "plate.gcode", code=_HALTED)
    assert process.stdout.readline() == b"here\n"
    process.kill()
    assert process.wait(30) == -signal.SIGKILL
    assert names(keys) == before
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stopped_while_working_is_130_with_the_original(keys, made, start, number):
    before = names(keys)
    process = start("placing", "post", "--kit", KIT, "plate.gcode", code=_HALTED)
    assert process.stdout.readline() == b"here\n"
    process.send_signal(number)
    error = process.communicate(timeout=30)[1]
    assert process.returncode == 130 and error == b"interrupted; nothing was left half-written\n"
    assert names(keys) == before
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


_SLOW_FLUSH = _HALTED.replace("time.sleep(60)", "time.sleep(0.3)")


def test_stopped_while_replacing_finishes_with_status_0(keys, made, start):
    process = start("writing", "post", "--kit", KIT, "plate.gcode", code=_SLOW_FLUSH)
    assert process.stdout.readline() == b"here\n"
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=30)
    assert process.returncode == 0
    assert (keys / "plate.gcode").read_bytes() != made(KEYS)


def stamp(path: Path) -> tuple[int, ...]:
    """What changes of a file as soon as it is written to or replaced."""
    try:
        told = path.stat()
    except FileNotFoundError:
        return ()
    return told.st_ino, told.st_size, told.st_mtime_ns


def test_killed_at_any_time_leaves_the_old_or_the_new_file(bench, made, start):
    """Kills spread over the run of a larger plate, and one as soon as anything is seen of the file's change; a
    named temporary lives for microseconds."""
    old, plate = made(CLIP), bench / "plate.gcode"
    plate.write_bytes(old)
    began = time.monotonic()
    assert start("apply", "plate.gcode", "--kit", KIT, "-o", "new.gcode", "--no-estimate").wait(60) == 0
    whole = time.monotonic() - began
    new = (bench / "new.gcode").read_bytes()
    before = names(bench)
    for share in (0.5, 0.8, 0.95, None):
        plate.write_bytes(old)
        was = stamp(plate)
        process = start("post", "--kit", KIT, "plate.gcode")
        if share is not None:
            time.sleep(whole * share)
        while share is None and stamp(plate) == was and process.poll() is None:
            time.sleep(0.0005)
        process.kill()
        process.wait(30)
        assert plate.read_bytes() in (old, new)
        assert share is not None or stamp(plate) != was
        assert names(bench) == before


def test_memory_that_the_geometry_library_lacks_is_told_as_that(bench, run, monkeypatch):
    """It has an error of its own for that, which ended as a fault of ours."""
    from shapely.errors import GEOSException

    def lacks(*_: object, **__: object) -> None:
        raise GEOSException("std::bad_alloc")

    monkeypatch.setattr("gcodetools.cli.inspect.inspect_file", lacks)
    (bench / "plate.gcode").write_text("G1 X1 E1\n")
    ran = run("inspect", "plate.gcode")
    assert (ran.status, ran.first) == (70, "error: plate.gcode (0.0 MB): out of memory")

"""`post` and `apply` when the world fails them: killed, no room, no right, a file that changes under them, no streams.

Each time the file is the original or the whole result, nothing is left beside it, and status and message are right.
What is tested elsewhere: writing itself (tests/gcode/test_files.py), kills at named moments, /dev/full and a reader
that is gone (tests/cli/test_ends.py). Statuses: the contract in README. errno: POSIX.1-2017, <errno.h>.
"""

from __future__ import annotations

import errno
import gzip
import json
import os
import re
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from targets import ROOT, kit_text, package, plate

from gcodetools.cli.main import status_of
from gcodetools.gcode import files
from gcodetools.jobs import apply as job

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a POSIX system")

PROGRAM = [sys.executable, "-m", "gcodetools"]
KIT = ["--kit", "k.kit.yaml"]
POST = ["post", *KIT, "-q", "plate.gcode"]
APPLY = ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "-q"]
IS_ROOT = os.name == "posix" and os.geteuid() == 0
FORMS = {"plain": lambda: plate("B"), "gz": lambda: gzip.compress(plate("B"), mtime=0), "package": package}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plate of one key and its kit; the current one."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    return filled(tmp_path)


def filled(folder: Path, data: bytes | None = None) -> Path:
    (folder / "plate.gcode").write_bytes(plate("B") if data is None else data)
    (folder / "k.kit.yaml").write_text(kit_text(), encoding="utf-8")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    """All that stands in a folder, hidden files too."""
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def refused(capfd: pytest.CaptureFixture[str], args: list[str], status: int) -> str:
    """Run in this process; the error's first line."""
    capfd.readouterr()
    assert status_of(args) == status
    out, err = capfd.readouterr()
    assert "Traceback" not in out + err
    first, second = (line for line in err.splitlines() if not line.startswith("warning: "))
    assert first.startswith("error: ") and second
    return first


def spawned(args: list[str], folder: Path, **more: object) -> subprocess.CompletedProcess[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more.pop("env", {})}  # type: ignore[dict-item]
    named = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more}
    return subprocess.run(  # type: ignore[call-overload,no-any-return]
        [*PROGRAM, *args], cwd=folder, env=environment, check=False, timeout=600, **named
    )


# --- killed

# Loads the program once and warms it, then forks a run for each kill: the kills fall on the work, not on imports.
KILLER = """\
import json, os, random, signal, sys, time
from gcodetools.cli.main import status_of
folder, kills, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
os.chdir(folder)
old = open("plate.gcode", "rb").read()
def child():
    pid = os.fork()
    if pid == 0:
        os._exit(status_of(["post", "--kit", "k.kit.yaml", "-q", "plate.gcode"]))
    return pid
def whole():
    began = time.monotonic()
    status = os.waitstatus_to_exitcode(os.waitpid(child(), 0)[1])
    took = time.monotonic() - began
    new = open("plate.gcode", "rb").read()
    open("plate.gcode", "wb").write(old)
    return status, took, new
whole()
status, took, new = whole()
names = sorted(os.listdir("."))
choose = random.Random(seed)
told = {"status": status, "changed": new != old, "old": 0, "new": 0, "other": 0, "killed": 0, "litter": []}
for number in range(kills):
    pid = child()
    # Half of them anywhere, half near the end, where the file is written.
    time.sleep(took * (choose.uniform(0, 1.1) if number % 2 else choose.uniform(0.7, 1.1)))
    os.kill(pid, signal.SIGKILL)
    told["killed"] += os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == -signal.SIGKILL
    now = open("plate.gcode", "rb").read()
    told["old" if now == old else "new" if now == new else "other"] += 1
    told["litter"] += [name for name in os.listdir(".") if name not in names]
    open("plate.gcode", "wb").write(old)
print(json.dumps(told))
"""


def kills(folder: Path, count: int, form: str, seed: int = 1) -> dict[str, object]:
    filled(folder, FORMS[form]())
    done = subprocess.run(
        [sys.executable, "-c", KILLER, str(folder), str(count), str(seed)],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, check=True, timeout=1200,
    )  # fmt: skip
    told: dict[str, object] = json.loads(done.stdout.splitlines()[-1])
    return told


@pytest.mark.long
def test_killed_at_a_few_random_moments(tmp_path: Path) -> None:
    told = kills(tmp_path, 5, "plain")
    assert told["status"] == 0 and told["changed"]
    assert told["other"] == 0 and told["litter"] == []


@pytest.mark.long
@pytest.mark.parametrize("form", FORMS)
def test_killed_at_two_hundred_random_moments(tmp_path: Path, form: str) -> None:
    """A kill between a temporary file's name and the rename, microseconds, would leave it: none of 200 hits that."""
    told = kills(tmp_path, 200, form)
    print(form, told)
    assert told["status"] == 0 and told["changed"]
    assert told["other"] == 0 and told["litter"] == []
    assert int(str(told["killed"])) >= 100 and int(str(told["old"])) >= 50


# --- no room, no right


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A file system of 160 kB with the plate (60 kB) and the kit on it: no room for a second plate and a half."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no right to mount a small disk")
    try:
        yield filled(folder)
    finally:
        os.chdir("/")
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.skipif(not IS_ROOT, reason="needs the right to mount")
def test_a_really_full_disk(mounted: Path, monkeypatch, capfd) -> None:
    monkeypatch.chdir(mounted)
    (mounted / "rest").write_bytes(b"x" * 40_000)
    before = contents(mounted)
    for args, target in ((POST, "plate.gcode"), (APPLY, "o.gcode")):
        first = refused(capfd, args, 7)
        assert first == f"error: {target}: can't write: the disk is full; nothing was changed"
        assert contents(mounted) == before
    (mounted / "rest").unlink()
    assert status_of(POST) == 0 and contents(mounted).keys() == before.keys() - {"rest"}


@pytest.mark.skipif(not IS_ROOT, reason="needs the right to mount")
def test_a_folder_that_is_mounted_read_only(mounted: Path, monkeypatch, capfd) -> None:
    monkeypatch.chdir(mounted)
    before = contents(mounted)
    subprocess.run(["mount", "-o", "remount,ro", str(mounted)], check=True)
    for args, target in ((POST, "plate.gcode"), (APPLY, "o.gcode")):
        first = refused(capfd, args, 7)
        assert first.startswith(f"error: {target}: can't write: ") and "nothing was changed" in first
        assert contents(mounted) == before


def test_a_limit_on_the_size_of_files(bench: Path) -> None:
    before = contents(bench)
    for args in (POST, APPLY):
        done = spawned(
            args, bench, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
        )
        assert done.returncode == 7
        assert b"can't write: the file would be larger than allowed there; nothing was changed" in done.stderr
        assert contents(bench) == before


@pytest.mark.parametrize("args", [POST, APPLY], ids=["post", "apply"])
@pytest.mark.parametrize(
    ("call", "number", "said"),
    [
        ("write", errno.ENOSPC, "the disk is full"),
        ("fsync", errno.EIO, os.strerror(errno.EIO)),
        ("open", errno.EACCES, "no permission, or another program holds it open"),
        ("open", errno.EROFS, "the folder is read-only"),
    ],
)
def test_a_system_call_that_fails(bench: Path, monkeypatch, capfd, args, call, number, said) -> None:
    before = contents(bench)
    real = getattr(os, call)

    def fails(*given: object, **named: object) -> object:
        writes = call != "open" or int(given[1]) & (os.O_WRONLY | os.O_RDWR)  # type: ignore[call-overload]
        if writes:
            raise OSError(number, os.strerror(number))
        return real(*given, **named)

    monkeypatch.setattr(files.os, call, fails)
    first = refused(capfd, args, 7)
    monkeypatch.undo()
    assert (
        first == f"error: {args[-2] if args is APPLY else args[-1]}: can't write: {said}; nothing was changed"
    )
    assert contents(bench) == before


# Loads the program while it may, then runs as another user.
NOBODY = """\
import os, sys
from gcodetools.cli.main import status_of
os.chdir(sys.argv[1])
status_of(["apply", "plate.gcode", "--kit", "k.kit.yaml", "-q", "-o", "o.gcode"])
os.remove("o.gcode")
print("warm", file=sys.stderr)
os.chmod(sys.argv[2], int(sys.argv[3], 8))
os.setgroups([]), os.setgid(65534), os.setuid(65534)
sys.exit(status_of(["post", "--kit", "k.kit.yaml", "-q", "plate.gcode"]))
"""


@pytest.mark.skipif(not IS_ROOT, reason="needs another user")
@pytest.mark.parametrize(
    ("what", "mode", "status", "said"),
    [
        (
            "plate.gcode",
            0o666,
            7,
            b"plate.gcode: can't write: no permission, or another program holds it open; ",
        ),
        ("plate.gcode", 0o600, 3, b"plate.gcode: no permission to read it"),
        (".", 0o777, 7, b"plate.gcode: can't write: no permission, or another program holds it open; "),
        ("k.kit.yaml", 0o600, 3, b"k.kit.yaml: can't be read: Permission denied"),
    ],
)
@pytest.mark.every(1, 1)
def test_no_permission_as_another_user(
    tmp_path: Path, what: str, mode: int, status: int, said: bytes
) -> None:
    """A file one may write in a folder one may not, the other way round, and files one may not read."""
    folder = filled(tmp_path)
    for parent in (folder, *folder.parents[:-2]):
        parent.chmod(parent.stat().st_mode | 0o055)
    for name in ("plate.gcode", "k.kit.yaml"):
        (folder / name).chmod(0o644)
    before = contents(folder)
    done = subprocess.run(
        [sys.executable, "-c", NOBODY, str(folder), str(folder / what), oct(mode)],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    told = done.stderr.partition(b"warm\n")[2]
    lines = [line for line in told.splitlines() if not line.startswith(b"warning: ")]
    assert (done.returncode, lines[0][: 7 + len(said)]) == (status, b"error: " + said)
    assert contents(folder) == before


# --- held open (Windows refuses to replace a file that another program has open: ERROR_SHARING_VIOLATION, as EACCES)


@pytest.mark.every(1)
@pytest.mark.parametrize("args", [POST, APPLY], ids=["post", "apply"])
@pytest.mark.parametrize("freed", [True, False])
def test_held_open_by_another_program(bench: Path, monkeypatch, capfd, args, freed) -> None:
    (bench / "o.gcode").write_bytes(b"; an older one\n")
    before, tries, real = contents(bench), [], Path.replace

    def held(self: Path, target: object) -> object:
        tries.append(target)
        if freed and len(tries) > 3:
            return real(self, target)  # type: ignore[arg-type]
        raise PermissionError(errno.EACCES, "The process cannot access the file")

    monkeypatch.setattr(files, "RENAME_RETRY_S", 5.0 if freed else 0.25)
    monkeypatch.setattr(Path, "replace", held)
    if freed:
        assert status_of(args) == 0 and len(tries) == 4
        assert contents(bench).keys() == before.keys() and contents(bench) != before
    else:
        assert "another program holds it open" in refused(capfd, args, 7) and len(tries) > 1
        assert contents(bench) == before


def test_locked_against_reading(bench: Path, monkeypatch, capfd) -> None:
    before = contents(bench)
    real = Path.read_bytes

    def locked(self: Path) -> bytes:
        if self.name == "plate.gcode":
            raise PermissionError(errno.EACCES, "The process cannot access the file")
        return real(self)

    monkeypatch.setattr(Path, "read_bytes", locked)
    assert refused(capfd, POST, 3) == "error: plate.gcode: no permission to read it"
    monkeypatch.undo()
    assert contents(bench) == before


# --- changed meanwhile


@pytest.mark.parametrize("how", ["grows", "shrinks", "other bytes", "vanishes", "becomes a folder"])
def test_a_file_that_changes_while_post_works(bench: Path, monkeypatch, capfd, how: str) -> None:
    """A slicer that still writes: what it wrote since must not be lost, nor come back once it is deleted."""
    target, real = bench / "plate.gcode", job.place

    def meanwhile(*args: object) -> object:
        data = target.read_bytes()
        if how == "grows":
            target.write_bytes(data + b"G1 X9\n")
        elif how == "shrinks":
            target.write_bytes(data[:-100])
        elif how == "other bytes":
            target.write_bytes(data.replace(b"M107", b"M106"))
        else:
            target.unlink()
        if how == "becomes a folder":
            target.mkdir()
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(job, "place", meanwhile)
    capfd.readouterr()
    first = refused(capfd, POST, 7)
    after = contents(bench)
    assert "can't write: it " in first
    if how in ("vanishes", "becomes a folder"):
        assert "plate.gcode" not in after and len(after) == 1
    else:
        assert "changed since it was read" in first
        assert after["plate.gcode"] != plate("B") and b"beadwright record" not in after["plate.gcode"]
        assert len(after) == 2


def test_a_file_that_grows_all_the_time(bench: Path, capfd) -> None:
    """Written to by another thread, line by line, while post reads, works and writes."""
    target, stop = bench / "plate.gcode", threading.Event()

    def write() -> None:
        with target.open("ab", buffering=0) as file:
            while not stop.is_set():
                file.write(b"G1 X60 Y110 F7800\n")
                time.sleep(0.001)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        first = refused(capfd, POST, 7)
    finally:
        stop.set()
        thread.join()
    assert "changed since it was read" in first
    assert target.read_bytes().startswith(plate("B")) and contents(bench).keys() == {
        "plate.gcode",
        "k.kit.yaml",
    }


@pytest.mark.parametrize("what", ["plate.gcode", "k.kit.yaml"])
def test_a_file_that_vanished_before(bench: Path, capfd, what: str) -> None:
    (bench / what).unlink()
    before = contents(bench)
    for args in (POST, APPLY):
        assert refused(capfd, args, 3) == f"error: {what}: no such file"
    assert contents(bench) == before


# --- names and links


def test_through_a_symbolic_link(bench: Path, capfd) -> None:
    (bench / "real").mkdir()
    (bench / "plate.gcode").rename(bench / "real" / "p.gcode")
    (bench / "plate.gcode").symlink_to("real/p.gcode")
    assert status_of(POST) == 0
    assert (bench / "plate.gcode").is_symlink() and b"beadwright record" in (
        bench / "real" / "p.gcode"
    ).read_bytes()
    assert [p.name for p in (bench / "real").iterdir()] == ["p.gcode"]
    (bench / "plate.gcode").unlink()
    (bench / "plate.gcode").symlink_to("nowhere.gcode")
    assert refused(capfd, POST, 3) == "error: plate.gcode: no such file"
    (bench / "plate.gcode").unlink()
    (bench / "plate.gcode").symlink_to("plate.gcode")
    assert refused(capfd, POST, 3).startswith("error: plate.gcode: can't be read: ")
    assert (bench / "plate.gcode").is_symlink()


def test_an_output_that_is_a_link_to_the_input(bench: Path, capfd) -> None:
    (bench / "o.gcode").symlink_to("plate.gcode")
    assert refused(capfd, APPLY, 2) == "error: -o o.gcode: the sliced file itself"
    assert contents(bench)["plate.gcode"] == plate("B")


NAMES = ["pl at é.gcode", "日本 Ω.gcode", "-plate.gcode", "a'b\"c;d&$e.gcode", "no ending", "e\u0301.gcode"]


@pytest.mark.every(1)
@pytest.mark.parametrize("name", NAMES)
def test_names_with_blanks_and_letters_of_all_kinds(bench: Path, name: str, capfd) -> None:
    folder = bench / "Grüße an 日本"
    folder.mkdir()
    (folder / name).write_bytes(plate("B"))
    (bench / "k.kit.yaml").rename(folder / "kit ü.kit.yaml")
    assert status_of(["post", "--kit", f"{folder.name}/kit ü.kit.yaml", f"{folder.name}/{name}"]) == 0
    out, err = capfd.readouterr()
    assert name in out and "error" not in err
    assert b"beadwright record" in (folder / name).read_bytes()
    assert {p.name for p in folder.iterdir()} == {name, "kit ü.kit.yaml"}


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes on Linux")
@pytest.mark.long
def test_a_name_that_is_no_text_in_a_plain_locale(bench: Path) -> None:
    name = b"pl\xff\xe9 .gcode"
    (bench / "plate.gcode").rename(os.fsdecode(os.path.join(os.fsencode(bench), name)))  # noqa: PTH118
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = spawned(["post", *KIT, os.fsdecode(name)], bench, env=plain)
    assert done.returncode == 0 and b"Traceback" not in done.stderr
    again = spawned(["post", *KIT, os.fsdecode(name)], bench, env=plain)
    assert again.returncode == 5 and b"error: pl" in again.stderr and b"Traceback" not in again.stderr
    assert len(again.stderr.splitlines()) == 2


# --- streams


@pytest.mark.every(1)
@pytest.mark.parametrize("closed", [(0, 1, 2), (0,), (1,), (2,)], ids=str)
def test_standard_streams_that_are_closed(bench: Path, closed: tuple[int, ...]) -> None:
    """A hook may be started without any; a file of ours must not get the number of one of them."""

    def close() -> None:
        for number in closed:
            os.close(number)

    given = {"stdin": subprocess.DEVNULL, "preexec_fn": close}
    done = spawned(["post", *KIT, "-v", "plate.gcode"], bench, **given)
    assert done.returncode == 0, done.stderr
    new = contents(bench)
    assert new.keys() == {"plate.gcode", "k.kit.yaml"} and new["plate.gcode"].count(b"beadwright record") == 1
    again = spawned(["post", *KIT, "plate.gcode"], bench, **given)
    assert again.returncode == 5 and contents(bench) == new
    assert again.stderr.startswith(b"error: ") or 2 in closed


def test_no_standard_output_for_the_file_itself(bench: Path) -> None:
    before = contents(bench)
    done = spawned([*APPLY[:-2], "-", "-q"], bench, preexec_fn=lambda: os.close(1))
    assert done.returncode == 7
    assert b"error: -o -: can't write: standard output is closed\n" in done.stderr
    assert contents(bench) == before


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_post_with_a_broken_pipe(bench: Path, stream: str) -> None:
    """Nobody reads: the file is treated all the same, once and whole, and status 0 says so."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = spawned(["post", *KIT, "plate.gcode"], bench, **{stream: writing})
    finally:
        os.close(writing)
    assert done.returncode == 0 and b"Traceback" not in (done.stderr or b"")
    assert contents(bench)["plate.gcode"].count(b"beadwright record") == 1
    assert contents(bench).keys() == {"plate.gcode", "k.kit.yaml"}


# --- memory


def big_plate(path: Path, size: int) -> None:
    """A plate's bytes again and again, up to `size` bytes."""
    data = plate("B")
    head, mark, rest = data.partition(b";LAYER_CHANGE")
    body, end_mark, end = rest.rpartition(b"; stop printing")
    one = mark + body + end_mark + end.partition(b"\n")[0] + b"\n"
    with path.open("wb") as file:
        file.write(head)
        written = len(head)
        while written < size:
            file.write(one)
            written += len(one)
        file.write(end.partition(b"\n")[2])


def limited(folder: Path, limit: int, args: list[str]) -> tuple[subprocess.CompletedProcess[bytes], float]:
    began = time.monotonic()
    # Threads of the linear algebra reserve room that they don't use.
    more = {"env": {"OPENBLAS_NUM_THREADS": "1"}}
    done = spawned(
        args, folder, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)), **more
    )
    return done, time.monotonic() - began


# Takes what is loaded as given: only what the work needs is limited.
SHORT = """\
import resource, sys
import gcodetools.jobs.apply, gcodetools.cli.post, shapely
from gcodetools.cli.main import status_of
held = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (held + int(sys.argv[1]),) * 2)
sys.exit(status_of(sys.argv[2:]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize("more", [8_000_000, 60_000_000])
@pytest.mark.every(1)
def test_out_of_memory_leaves_the_original(bench: Path, more: int) -> None:
    """With room for not even the file, and for the file but not for its moves."""
    big_plate(bench / "plate.gcode", 12_000_000)
    before = contents(bench)
    done = subprocess.run(
        [sys.executable, "-c", SHORT, str(more), *POST],
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 70, done.stderr[-2000:]
    first, second = done.stderr.decode().splitlines()
    assert re.fullmatch(r"error: plate\.gcode \(12\.\d MB\): out of memory", first)
    assert "12 times the size" in second
    assert contents(bench) == before


@pytest.mark.long
def test_a_file_of_1_gb_under_a_limit_of_memory(bench: Path) -> None:
    """What it needs is measured in DEVELOPERS.md; with less, the original stays and the message says why."""
    big_plate(bench / "plate.gcode", 1_000_000_000)
    size, digest = (bench / "plate.gcode").stat().st_size, files.read_raw(bench / "plate.gcode")[-100_000:]
    for limit in (1 << 31, 1 << 32):
        for args in (["inspect", "plate.gcode"], POST):
            done, took = limited(bench, limit, args)
            print(
                f"{args[0]} under {limit >> 20} MB: status {done.returncode} in {took:.0f} s {done.stderr[-120:]!r}"
            )
            assert done.returncode == 70 and b" MB): out of memory\n" in done.stderr
            assert b"Traceback" not in done.stderr
            assert (bench / "plate.gcode").stat().st_size == size
            assert files.read_raw(bench / "plate.gcode")[-100_000:] == digest
            assert {p.name for p in bench.iterdir()} == {"plate.gcode", "k.kit.yaml"}

"""What is refused, in which words; and that a file is never half-written."""

from __future__ import annotations

import errno
import gzip
import os
import random
import signal
import stat
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from gcodetools.errors import CannotWrite, InputError
from gcodetools.gcode import files
from gcodetools.gcode.files import check_text, read_bytes, write_atomic

PROJECT = Path(__file__).resolve().parents[2]
posix = pytest.mark.skipif(os.name != "posix", reason="needs a POSIX system")


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_bytes(path)
    assert caught.value.status == 3
    return str(caught.value)


def failure(path: Path, data: bytes = b"new") -> str:
    with pytest.raises(CannotWrite) as caught:
        write_atomic(path, data)
    assert caught.value.status == 7
    return str(caught.value)


# --- reading


def test_the_bytes_come_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "a.gcode"
    data = b"\xef\xbb\xbf; gr\xf6\xdfe\r\nG1 X1\n"
    path.write_bytes(data)
    assert read_bytes(path) == read_bytes(str(path)) == data


def test_a_missing_file(tmp_path: Path) -> None:
    assert refusal(tmp_path / "plate.gcode") == f"{tmp_path}/plate.gcode: no such file\nCheck the path."


def test_a_missing_file_with_a_near_name(tmp_path: Path) -> None:
    (tmp_path / "plate.gcode").write_text("G1")
    assert refusal(tmp_path / "plte.gcode") == (
        f"{tmp_path}/plte.gcode: no such file\nDid you mean plate.gcode?"
    )


def test_a_missing_folder(tmp_path: Path) -> None:
    assert refusal(tmp_path / "no" / "a.g") == f"{tmp_path}/no/a.g: no such file\nCheck the path."


def test_a_folder(tmp_path: Path) -> None:
    assert refusal(tmp_path) == f"{tmp_path}: a folder, expected a sliced file\nName one file in it."


def test_a_file_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.gcode"
    monkeypatch.setattr(Path, "read_bytes", _raiser(PermissionError(errno.EACCES, "Permission denied")))
    assert refusal(path) == f"{path}: no permission to read it\nCheck the file's permissions."


def test_a_disk_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.gcode"
    monkeypatch.setattr(Path, "read_bytes", _raiser(OSError(errno.EIO, "Input/output error")))
    assert refusal(path) == (
        f"{path}: can't be read: Input/output error\nCopy it to a local folder and try again."
    )


def _raiser(error: Exception):  # type: ignore[no-untyped-def]
    def raises(*_args: object, **_named: object) -> None:
        raise error

    return raises


@pytest.mark.parametrize("data", [b"", b" \r\n\t\n", b"\xef\xbb\xbf", b"\xef\xbb\xbf\n"])
def test_an_empty_file(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.gcode"
    path.write_bytes(data)
    assert refusal(path) == (
        f"{path}: empty, expected G-code\nSlice again; the export may have been interrupted."
    )


def test_a_zip_package(tmp_path: Path) -> None:
    path = tmp_path / "a.gcode"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("plate_1.gcode", "G1 X1\n")
    message = (
        f"{path}: a zip package (3MF or the like), expected plain G-code text\n"
        "Export plain G-code from the slicer, or unpack the plate's .gcode from the package."
    )
    assert refusal(path) == message
    with zipfile.ZipFile(path, "w"):
        pass  # an empty package begins with other bytes
    assert refusal(path) == message


def test_a_gzip_file(tmp_path: Path) -> None:
    path = tmp_path / "a.gcode"
    path.write_bytes(gzip.compress(b"G1 X1\n"))
    assert refusal(path) == (
        f"{path}: gzip-compressed, expected plain G-code text\nUnpack it with gunzip first."
    )


def test_a_binary_container(samples: Path) -> None:
    (path,) = [p for p in samples.iterdir() if p.name.startswith("K-")]
    assert refusal(path) == (
        f"{path}: a binary G-code container, expected plain G-code text\n"
        "Switch binary G-code off in the slicer's printer settings and export again."
    )


def test_a_zipped_sample(samples: Path) -> None:
    (path,) = [p for p in samples.iterdir() if p.suffix == ".3mf"]
    assert refusal(path).startswith(f"{path}: a zip package (3MF or the like), expected plain G-code text\n")


def test_nul_bytes_with_their_line() -> None:
    with pytest.raises(InputError) as caught:
        check_text(b"G1 X1\nG1 \0X2\n", "a.gcode")
    assert str(caught.value) == (
        "a.gcode:2: a NUL byte (offset 9); binary data or a damaged file, expected G-code text\n"
        "Export plain G-code from the slicer again."
    )


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16(encoding: str) -> None:
    with pytest.raises(InputError) as caught:
        check_text("\ufeffG1 X1\n".encode(encoding), "a.gcode")
    assert str(caught.value) == "a.gcode: UTF-16 text, expected UTF-8 or ASCII\nSave it as UTF-8."


def test_every_sample_is_accepted(sample_path: Path) -> None:
    assert read_bytes(sample_path) == sample_path.read_bytes()


# --- writing


@pytest.fixture(params=["nameless", "named"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways to a temporary file: without a name until it is whole, or with one from the start."""
    if request.param == "named":
        monkeypatch.delattr(os, "O_TMPFILE", raising=False)
    return str(request.param)


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "plate.gcode"
    path.write_bytes(b"old")
    return path


def assert_untouched(path: Path) -> None:
    assert path.read_bytes() == b"old"
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_new_file_is_written(way: str, tmp_path: Path) -> None:
    path = tmp_path / "new.gcode"
    write_atomic(str(path), b"new")
    assert path.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["new.gcode"]


@posix
def test_a_new_file_has_the_permissions_of_any_new_file(way: str, tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_atomic(tmp_path / "new.gcode", b"new")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "new.gcode").stat().st_mode) == 0o640


@posix
@pytest.mark.parametrize("mode", [0o600, 0o664, 0o755])
def test_permissions_and_owner_are_kept(way: str, old: Path, mode: int) -> None:
    old.chmod(mode)
    if os.geteuid() == 0:
        os.chown(old, 1234, 2345)
    before = old.stat()
    write_atomic(old, b"new")
    after = old.stat()
    assert old.read_bytes() == b"new"
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)


@posix
def test_a_link_stays_one_and_its_target_is_written(way: str, old: Path) -> None:
    folder = old.parent / "else"
    folder.mkdir()
    link = folder / "link.gcode"
    link.symlink_to(old)
    write_atomic(link, b"new")
    assert link.is_symlink() and old.read_bytes() == b"new"
    assert [p.name for p in folder.iterdir()] == ["link.gcode"]
    assert sorted(p.name for p in old.parent.iterdir()) == ["else", "plate.gcode"]


@posix
@pytest.mark.parametrize("told", [True, False], ids=["raised", "returned"])
def test_links_in_a_circle(tmp_path: Path, told: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not told:  # as Python 3.13 and later do (docs.python.org, `pathlib.Path.resolve`)
        monkeypatch.setattr(Path, "resolve", lambda path: Path(os.path.realpath(path)))
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    assert failure(tmp_path / "a") == (
        f"{tmp_path}/a: can't write: symbolic links that go round in a circle; nothing was changed\n"
        "Check the path."
    )


@posix
def test_a_name_as_long_as_the_system_allows(way: str, tmp_path: Path) -> None:
    path = tmp_path / ("n" * 255)
    write_atomic(path, b"new")
    assert path.read_bytes() == b"new"


@posix
def test_a_device_is_written_to_and_stays_one(way: str) -> None:
    null = Path(os.devnull)
    write_atomic(null, b"new")
    assert stat.S_ISCHR(null.stat().st_mode)


def test_pieces_of_any_size_make_the_file(way: str, old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "_PIECE_BYTES", 7)
    data = bytes(range(256)) * 5
    write_atomic(old, data)
    assert old.read_bytes() == data
    write_atomic(old, b"")
    assert old.read_bytes() == b""


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    path = tmp_path / "no" / "a.gcode"
    assert failure(path) == (
        f"{path}: can't write: the folder does not exist; nothing was changed\n"
        "Make the folder first, or check the path."
    )


def test_a_folder_is_no_target(tmp_path: Path) -> None:
    assert failure(tmp_path) == (
        f"{tmp_path}: can't write: it is a folder; nothing was changed\nName a file in it."
    )


def test_a_file_for_a_folder(old: Path) -> None:
    assert failure(old / "a.gcode") == (
        f"{old}/a.gcode: can't write: a part of the path is no folder; nothing was changed\nCheck the path."
    )


def test_a_write_protected_file_is_left_alone(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_args, **_named: False)  # the superuser may write anything
    assert failure(old) == (
        f"{old}: can't write: no permission, or another program holds it open; nothing was changed\n"
        "Close the other program or check the permissions of file and folder, then run again."
    )
    assert_untouched(old)


@pytest.mark.parametrize(
    ("number", "cause", "hint"),
    [
        (
            errno.EACCES,
            "no permission, or another program holds it open",
            "Close the other program or check the permissions of file and folder, then run again.",
        ),
        (errno.EROFS, "the folder is read-only", "Write to another folder."),
    ],
)
def test_a_folder_that_can_not_be_written_to(
    old: Path, monkeypatch: pytest.MonkeyPatch, number: int, cause: str, hint: str
) -> None:
    monkeypatch.setattr(os, "open", _raiser(OSError(number, "")))
    assert failure(old) == f"{old}: can't write: {cause}; nothing was changed\n{hint}"
    monkeypatch.undo()
    assert_untouched(old)


@pytest.mark.parametrize("pieces", [0, 3])
@pytest.mark.parametrize(
    ("number", "cause"), [(errno.ENOSPC, "the disk is full"), (errno.EDQUOT, "the disk quota is used up")]
)
def test_a_full_disk_leaves_the_old_file(
    way: str, old: Path, monkeypatch: pytest.MonkeyPatch, pieces: int, number: int, cause: str
) -> None:
    monkeypatch.setattr(files, "_PIECE_BYTES", 4)
    write, calls = os.write, iter(range(100))

    def full(descriptor: int, data: bytes) -> int:
        if next(calls) >= pieces:
            raise OSError(number, "")
        return write(descriptor, data)

    monkeypatch.setattr(os, "write", full)
    assert failure(old, b"0123456789" * 3) == (
        f"{old}: can't write: {cause}; nothing was changed\nFree some space and run again."
    )
    assert_untouched(old)


def test_a_full_disk_found_at_the_flush(way: str, old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", _raiser(OSError(errno.ENOSPC, "")))
    assert "the disk is full" in failure(old)
    assert_untouched(old)


def test_an_interrupt_leaves_the_old_file(way: str, old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", _raiser(KeyboardInterrupt()))  # type: ignore[arg-type]
    with pytest.raises(KeyboardInterrupt):
        write_atomic(old, b"new")
    assert_untouched(old)


def test_a_system_that_can_not_name_a_nameless_file(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", _raiser(OSError(errno.EXDEV, "")))
    write_atomic(old, b"new")
    assert old.read_bytes() == b"new"
    assert [p.name for p in old.parent.iterdir()] == [old.name]


def test_a_refused_rename_is_tried_again(way: str, old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace, calls = Path.replace, []

    def held(self: Path, target: Path) -> Path:
        calls.append(self)
        if len(calls) < 4:
            raise PermissionError(errno.EACCES, "held open")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", held)
    monkeypatch.setattr(time, "sleep", lambda _seconds: None)
    write_atomic(old, b"new")
    assert len(calls) == 4
    assert old.read_bytes() == b"new"


def test_a_rename_that_stays_refused_fails_within_its_time(
    way: str, old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter(range(1000))
    tried = []

    def held(self: Path, target: Path) -> Path:
        tried.append(target)
        raise PermissionError(errno.EACCES, "held open")

    monkeypatch.setattr(Path, "replace", held)
    monkeypatch.setattr(time, "sleep", lambda _seconds: None)
    monkeypatch.setattr(time, "monotonic", lambda: float(next(clock)))
    assert "another program holds it open" in failure(old)
    assert len(tried) == files.RENAME_RETRY_S == 5
    assert_untouched(old)


def _run(code: str, *args: object, **named: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, args)],
        cwd=PROJECT, capture_output=True, text=True, timeout=60, check=False, **named,  # type: ignore[call-overload]
    )  # fmt: skip


LIMITED = """
import resource, sys
from gcodetools.errors import CannotWrite
from gcodetools.gcode.files import write_atomic
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    write_atomic(sys.argv[1], b"x" * 1_000_000)
except CannotWrite as error:
    print(error)
"""


@posix
def test_a_real_limit_on_file_size_leaves_the_old_file(old: Path) -> None:
    done = _run(LIMITED, old)
    assert done.stderr == ""
    assert done.stdout == (
        f"{old}: can't write: the file would be larger than allowed there; nothing was changed\n"
        "Write to another folder.\n"
    )
    assert_untouched(old)


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB, where the system lets us make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    try:
        made = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        made = False
    if not made:
        pytest.skip("no right to mount a small disk")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_really_full_disk_leaves_the_old_file(way: str, tiny_disk: Path) -> None:
    old = tiny_disk / "plate.gcode"
    old.write_bytes(b"old")
    assert failure(old, b"x" * 2_000_000).startswith(f"{old}: can't write: the disk is full")
    assert_untouched(old)
    write_atomic(old, b"y" * 500_000)
    assert old.stat().st_size == 500_000


ENDLESS = """
import os, sys
from gcodetools.gcode import files
if sys.argv[2] == "named":
    del os.O_TMPFILE
files._PIECE_BYTES = 1 << 14
data = {len(d): d for d in (b"a" * 900_000, b"b" * 1_000_000)}
print("ready", flush=True)
while True:
    for new in data.values():
        files.write_atomic(sys.argv[1], new)
"""


def killed(path: Path, way: str, after_s: float) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", ENDLESS, str(path), way], cwd=PROJECT, stdout=subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        time.sleep(after_s)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


@posix
@pytest.mark.parametrize("attempt", range(4))
def test_a_kill_at_any_moment_leaves_a_whole_file(tmp_path: Path, attempt: int) -> None:
    path = tmp_path / "plate.gcode"
    path.write_bytes(b"old")
    killed(path, "nameless", random.Random(attempt).uniform(0.0, 0.12))
    assert path.read_bytes() in (b"old", b"a" * 900_000, b"b" * 1_000_000)
    rest = [p for p in tmp_path.iterdir() if p != path]
    # Between naming the whole temporary file and renaming it lie some microseconds: it may be left, whole.
    assert len(rest) <= 1
    assert all(p.stat().st_size in (900_000, 1_000_000) for p in rest)


@pytest.mark.long
@posix
@pytest.mark.parametrize("way_of", ["nameless", "named"])
def test_a_hundred_kills_leave_a_whole_file(tmp_path: Path, way_of: str) -> None:
    litter = 0
    for attempt in range(100):
        path = tmp_path / f"{attempt}" / "plate.gcode"
        path.parent.mkdir()
        path.write_bytes(b"old")
        killed(path, way_of, random.Random(attempt).uniform(0.0, 0.12))
        assert path.read_bytes() in (b"old", b"a" * 900_000, b"b" * 1_000_000)
        litter += sum(p != path for p in path.parent.iterdir())
    assert way_of == "named" or litter <= 5

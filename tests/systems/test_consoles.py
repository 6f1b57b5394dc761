"""Consoles and pipes with few characters, as Windows has them; bytes that pass untouched; no colour where none is due.

A code page is stood in for by PYTHONIOENCODING, which gives Python's own streams its encoding.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from gcodetools.cli.main import expanded, status_of
from gcodetools.cli.options import Output, wants_colour
from gcodetools.cli.outputs import to_stdout
from gcodetools.cli.process import escape_what_has_no_character
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make

PROJECT = Path(__file__).resolve().parents[2]
ODD_NAME = "klíč-中.kit.yaml"  # č is in no cp1252, 中 in none of the code pages of Europe
KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))


@cache
def plate() -> bytes:
    return make("B", parts=KEYS).data


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    (tmp_path / "plate.gcode").write_bytes(plate())
    (tmp_path / ODD_NAME).write_text(hoophouse_kit(), encoding="utf-8")
    (tmp_path / "h.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return tmp_path


def run(*args: str, encoding: str) -> subprocess.CompletedProcess[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(PROJECT), "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "gcodetools", *args]
    return subprocess.run(command, env=environment, capture_output=True, check=False)


@pytest.mark.every(2)
@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "cp437", "utf-8"])
def test_text_that_a_console_has_no_character_for_is_escaped(encoding: str, bench: Path) -> None:
    done = run("check", ODD_NAME, encoding=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"kl" in done.stdout and b".kit.yaml" in done.stdout


@pytest.mark.every(2)
@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "utf-16", "utf-8"])
def test_json_stays_json_and_names_the_file_whatever_the_encoding(encoding: str, bench: Path) -> None:
    done = run("check", ODD_NAME, "--json", "--log", "log.txt", encoding=encoding)
    assert done.returncode == 0
    record = json.loads(done.stdout.decode("utf-16") if encoding == "utf-16" else done.stdout)
    assert record["files"][0]["file"] == ODD_NAME


@pytest.mark.skipif(os.name == "nt" or sys.platform == "darwin", reason="names are Unicode on this system")
def test_a_name_that_is_no_text_is_shown_with_an_escape(bench: Path) -> None:
    name = os.fsdecode(b"kit-\xff.kit.yaml")
    (bench / name).write_text(hoophouse_kit(), encoding="utf-8")
    done = run("check", name, "--log", "log.txt", "--json", encoding="utf-8")
    assert done.returncode == 0 and json.loads(done.stdout)["files"][0]["file"] == name


def stream(encoding: str, newline: str = "\r\n") -> io.TextIOWrapper:
    """A standard output as Windows gives it: line ends translated."""
    return io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict", newline=newline)


def written(text: io.TextIOWrapper) -> bytes:
    text.flush()
    held = text.buffer
    assert isinstance(held, io.BytesIO)
    return held.getvalue()


def test_streams_are_made_to_escape_but_keep_what_errors_were_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out, err = stream("cp1252"), io.TextIOWrapper(io.BytesIO(), encoding="ascii", errors="replace")
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    escape_what_has_no_character()
    assert (out.errors, err.errors) == ("backslashreplace", "replace")
    print("č × °", file=out)
    assert written(out) == b"\\u010d \xd7 \xb0\r\n"
    monkeypatch.setattr(sys, "stdout", None)
    escape_what_has_no_character()


@pytest.mark.parametrize("data", [b"G1 X1\nG1 X2\r\n\rM84\n\n", bytes(range(256)) * 40, plate()])
def test_a_treated_file_on_standard_output_is_bytes(data: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line end is translated, no character is encoded anew."""
    out = stream("cp1252")
    monkeypatch.setattr(sys, "stdout", out)
    to_stdout(data)
    assert written(out) == data


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_text_has_the_line_ends_of_the_system_once(
    newline: str, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = stream("utf-8", newline)
    monkeypatch.setattr(sys, "stdout", out)
    assert status_of(["check", "h.kit.yaml"]) == 0
    lines = written(out).split(newline.encode())
    assert len(lines) > 10 and not any(b"\r" in line or b"\n" in line for line in lines)


def test_record_with_any_name_is_ascii_where_the_stream_is_no_utf8(monkeypatch: pytest.MonkeyPatch) -> None:
    output = Output(as_json=True, quiet=False, verbose=False, log=None, strict=False)
    for encoding, expected in (
        ("cp1252", '{"a": "\\u00fc"}'),
        ("UTF-8", '{"a": "ü"}'),
        ("utf8", '{"a": "ü"}'),
    ):
        monkeypatch.setattr(sys, "stdout", stream(encoding))
        assert output.prepared({"a": "ü"}, lambda record, paper: None) == expected


@pytest.mark.parametrize(
    ("terminal", "variables", "wanted"),
    [
        (True, {}, True),
        (False, {}, False),
        (True, {"NO_COLOR": "1"}, False),
        (True, {"TERM": "dumb"}, False),
    ],
)
def test_colour_only_where_it_is_shown(
    terminal: bool, variables: dict[str, str], wanted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NO_COLOR by its convention (no-color.org)."""
    out = stream("utf-8")
    monkeypatch.setattr(out, "isatty", lambda: terminal, raising=False)
    monkeypatch.setattr(sys, "stdout", out)
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert wants_colour() is wanted


def test_no_terminal_code_goes_to_a_pipe(bench: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert status_of(["inspect", "plate.gcode", "--kit", "h.kit.yaml", "-v"]) == 0
    assert "\x1b" not in "".join(capfd.readouterr())


def test_patterns_become_files_where_no_shell_does_it(bench: Path) -> None:
    for name in ("a.gcode", "b.gcode", "film-clip.stl", "plate[1].gcode"):
        (bench / name).write_bytes(b"")
    assert expanded(["batch", "?.gcode", "--only", "film-*", "-o", "out"]) == [
        "batch", "a.gcode", "b.gcode", "--only", "film-*", "-o", "out"]  # fmt: skip
    assert expanded(["learn", "a.gcode", "--object", "film*"])[-1] == "film*"
    assert expanded(["inspect", "none*.gcode", "plate[1].gcode", "--x*"]) == [
        "inspect", "none*.gcode", "plate[1].gcode", "--x*"]  # fmt: skip


def test_a_system_refuses_a_signal_and_the_command_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows knows few signals, and none may be set outside the main thread."""
    from gcodetools.cli import main

    def refuse(number: int, handler: Callable[..., object]) -> None:
        raise ValueError("no such signal here")

    monkeypatch.setattr(signal, "signal", refuse)
    monkeypatch.setattr(main, "ignore_signals", list)
    monkeypatch.setattr(main, "status_of", lambda args: 0)
    with pytest.raises(SystemExit) as ended:
        main.run(["--version"])
    assert ended.value.code == 0

"""Completion: bash runs the printed script and completes; the other shells' scripts ask the same protocol."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import BashComplete, get_completion_class

from gcodetools.cli.completion import SHELLS, VARIABLE
from gcodetools.cli.main import COMMANDS, cli, status_of
from gcodetools.demo.kit import hoophouse_kit

PROJECT = Path(__file__).resolve().parents[2]
ASK = """\
COMP_WORDS=({words}); COMP_CWORD={at}; COMPREPLY=()
_beadwright_completion beadwright 2>/dev/null
echo "${{COMPREPLY[*]}}"
"""


def completed(*words: str) -> list[str]:
    """What a shell is offered for the last word, in this process."""
    asked = BashComplete(cli, {}, "beadwright", VARIABLE)
    return [item.value for item in asked.get_completions(list(words[:-1]), words[-1])]


def bash_needed() -> str:
    bash = shutil.which("bash")
    if bash is None or os.name == "nt":
        pytest.skip("no bash on this system")
    return bash


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    (tmp_path / "h.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return tmp_path


def test_bash_completes_with_the_script_that_is_printed(
    there: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    bash = bash_needed()
    assert status_of(["completion", "bash"]) == 0
    (there / "complete.sh").write_text(capfd.readouterr().out)
    command = there / "bin" / "beadwright"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nPYTHONPATH={PROJECT} exec {sys.executable} -m gcodetools "$@"\n')
    command.chmod(0o755)
    asked = [
        ("beadwright com", 1, {"compare", "completion"}),
        ("beadwright schema mat", 2, {"material"}),
        ("beadwright check h.kit.yaml --material pe", 4, {"petg"}),
    ]
    script = "source complete.sh\ncomplete -p beadwright\n"
    script += "".join(ASK.format(words=words, at=at) for words, at, _ in asked)
    path = f"{command.parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        [bash, "--norc", "-c", script],
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=True,
    )
    registered, *answers = done.stdout.splitlines()
    assert "-F _beadwright_completion beadwright" in registered
    assert [set(answer.split()) for answer in answers] == [expected for _, _, expected in asked]
    assert done.stderr == ""


def test_names_of_commands_are_offered_without_loading_any(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gcodetools.cli.main.importlib.import_module", lambda name: pytest.fail(name))
    assert completed("") == list(COMMANDS)
    assert completed("ap") == ["apply"]
    assert completed("--ver") == ["--version"]


def test_options_of_a_command_are_offered() -> None:
    assert set(completed("check", "--ma")) == {"--material", "--machine"}
    assert "audit" in completed("profile", "")
    assert "--region" in completed("profile", "carry", "--re")


def test_profiles_are_offered_else_files() -> None:
    assert completed("check", "--machine", "desktop-2") == ["desktop-220", "desktop-250"]
    asked = BashComplete(cli, {}, "beadwright", VARIABLE)
    for begun in ("./ma", "zzz", "..\\m"):
        (item,) = asked.get_completions(["check", "--material"], begun)
        assert (item.type, item.value) == ("file", begun)
    assert completed("check", "--set", "material.price") == ["material.price_per_kg="]


def test_regions_come_from_the_kit_on_the_line(there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = completed("advise", "p.gcode", "--kit", "h.kit.yaml", "--region", "film-clip/")
    assert found and all(name.startswith("film-clip/") for name in found)
    assert "film-clip" in completed("apply", "p.gcode", "--kit", "h.kit.yaml", "--only", "fi")
    assert completed("advise", "p.gcode", "--region", "film") == []
    monkeypatch.setenv("BEADWRIGHT_KIT", "h.kit.yaml")
    assert completed("advise", "p.gcode", "--region", "film-clip/") == found


@pytest.mark.parametrize("kit", ["absent.kit.yaml", "broken.kit.yaml", "."])
def test_a_kit_that_can_not_be_read_says_nothing(
    kit: str, there: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    (there / "broken.kit.yaml").write_text("beadwright: [")
    assert completed("advise", "p.gcode", "--kit", kit, "--region", "film") == []
    assert completed("nonsense", "--x", "y", "a") is not None
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_has_a_script_or_is_told_why_not(shell: str, capfd: pytest.CaptureFixture[str]) -> None:
    status = status_of(["completion", shell, "--json"])
    out, err = capfd.readouterr()
    if get_completion_class(shell) is None:
        assert status == 2 and "click" in err
        return
    script = json.loads(out)["script"]
    assert status == 0 and VARIABLE in script and f"{shell}_complete" in script and "beadwright" in script


def test_a_script_is_printed_where_there_is_no_bash(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert status_of(["completion", "bash"]) == 0
    out, err = capfd.readouterr()
    assert "complete -o nosort" in out and err == ""
    assert status_of(["completion", "csh"]) == 2


@pytest.mark.parametrize(("shell", "line"), [("zsh", "-n"), ("fish", "--no-execute")])
def test_the_shell_itself_takes_its_script(
    shell: str, line: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"no {shell} on this system")
    assert status_of(["completion", shell]) == 0
    script = tmp_path / "script"
    script.write_text(capfd.readouterr().out)
    done = subprocess.run([program, line, str(script)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")

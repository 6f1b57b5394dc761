"""Python 3.11 to 3.14: nothing in the code that one of them lacks, and on each that is found an installation that runs.

What was removed is read from "What's New in Python" 3.12, 3.13 and 3.14 (docs.python.org), sections "Removed" and
"Porting"; PEP 594 (modules), PEP 632 (distutils), PEP 765 (leaving a `finally`).
"""

from __future__ import annotations

import ast
import functools
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make

PROJECT = Path(__file__).resolve().parents[2]
VERSIONS = ("3.11", "3.12", "3.13", "3.14")
GONE_MODULES = {
    "asynchat", "asyncore", "imp", "smtpd", "distutils",
    "aifc", "audioop", "cgi", "cgitb", "chunk", "crypt", "imghdr", "mailcap", "msilib", "nis", "nntplib",
    "ossaudiodev", "pipes", "sndhdr", "spwd", "sunau", "telnetlib", "uu", "xdrlib", "lib2to3",
}  # fmt: skip
# Attributes by which what was removed, or warns since 3.12, is told; names that nothing else here has.
GONE_NAMES = {
    "utcnow", "utcfromtimestamp", "find_loader", "find_module", "load_module", "ImpImporter", "ImpLoader",
    "resetlocale", "getdefaultlocale", "makeSuite", "findTestCases", "wrap_socket", "ByteString", "child_watcher",
    "get_child_watcher", "set_child_watcher", "iscoroutinefunction", "get_event_loop_policy",
    "set_event_loop_policy", "NameConstant", "ForwardRef", "mktemp",
}  # fmt: skip


def leaves_finally(tree: ast.AST) -> Iterator[int]:
    """Lines of `return`, `break` or `continue` that leave a `finally`, of which 3.14 warns."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Try | ast.TryStar):
            continue
        stack: list[tuple[ast.AST, bool]] = [(one, False) for one in node.finalbody]
        while stack:
            one, in_loop = stack.pop()
            if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
                continue
            if isinstance(one, ast.Return) or (isinstance(one, ast.Break | ast.Continue) and not in_loop):
                yield one.lineno
            looped = in_loop or isinstance(one, ast.For | ast.While)
            stack += [(below, looped) for below in ast.iter_child_nodes(one)]


def gone(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """What an interpreter up to 3.14 lacks or warns of: (line, what)."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            if isinstance(node, ast.Attribute) and node.attr in GONE_NAMES:
                yield node.lineno, node.attr
            continue
        yield from ((node.lineno, n) for n in names if n in GONE_MODULES or n.split(".")[0] in GONE_MODULES)
    yield from ((line, "leaves a finally") for line in leaves_finally(tree))


def suspect(text: str) -> bool:
    """Whether a file holds such a word at all; only then it is read as code."""
    imported = {
        name.split(".")[0] for name in re.findall(r"^[ \t]*(?:import|from) +([\w.]+)", text, re.MULTILINE)
    }
    named = any(name in text for name in GONE_NAMES)
    return named or "finally:" in text or bool(imported & {name.split(".")[0] for name in GONE_MODULES})


def test_nothing_in_the_code_is_gone_in_a_newer_python() -> None:
    found = []
    for path in sorted((PROJECT / "gcodetools").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if suspect(text):
            tree = ast.parse(text, str(path), feature_version=(3, 11))
            found += [f"{path.name}:{line} {what}" for line, what in gone(tree)]
    assert found == []


@pytest.mark.parametrize(
    ("source", "what"),
    [
        ("import imp", "imp"),
        ("from distutils.util import strtobool", "distutils.util"),
        ("import datetime\ndatetime.datetime.utcnow()", "utcnow"),
        ("def f():\n try:\n  pass\n finally:\n  return 1", "leaves a finally"),
        ("while 1:\n try:\n  pass\n finally:\n  if 1:\n   break", "leaves a finally"),
    ],
)
def test_the_check_itself_sees_what_is_gone(source: str, what: str) -> None:
    assert suspect(source)
    assert what in [one for _, one in gone(ast.parse(source))]


def test_the_check_itself_lets_loops_and_functions_in_a_finally_be() -> None:
    source = "try:\n pass\nfinally:\n for a in b:\n  break\n def f():\n  return 1\n"
    assert list(gone(ast.parse(source))) == []


def test_project_says_which_versions_it_takes() -> None:
    told = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "requires-python"
    ]
    assert told == ">=3.11"  # no upper bound, which would keep a newer one from trying


@functools.cache
def interpreter(version: str) -> str | None:
    """An interpreter of a version that runs: on the path, or of pyenv."""
    pyenv = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv") / "versions"
    named = [shutil.which(f"python{version}"), *map(str, sorted(pyenv.glob(f"{version}.*/bin/python")))]
    if sys.version_info[:2] == tuple(map(int, version.split("."))):
        named.insert(0, sys.executable)
    ask = "import sys, ssl, venv; print('%d.%d' % sys.version_info[:2])"
    for one in filter(None, named):
        done = subprocess.run([one, "-c", ask], capture_output=True, text=True, check=False)
        if done.returncode == 0 and done.stdout.strip() == version:
            return one
    return None


def needed(version: str) -> str:
    found = interpreter(version)
    if found is None:
        pytest.skip(f"no Python {version} on this system")
    return found


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_every_module_compiles_without_a_warning(version: str, tmp_path: Path) -> None:
    command = [needed(version), "-W", "error", "-m", "compileall", "-q", str(PROJECT / "gcodetools")]
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(tmp_path)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")


@pytest.mark.long
@pytest.mark.parametrize("version", [VERSIONS[0], VERSIONS[-1]])
def test_types_hold_for_the_library_of_a_version(version: str, tmp_path: Path) -> None:
    """mypy reads the standard library's signatures for the version asked: what it lacks there is an error."""
    command = [sys.executable, "-m", "mypy", "--python-version", version, "--cache-dir", str(tmp_path)]
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


SMOKE = (
    ("--version",),
    ("check", "h.kit.yaml"),
    ("inspect", "plate.gcode", "--kit", "h.kit.yaml", "--json"),
    ("apply", "plate.gcode", "--kit", "h.kit.yaml", "-o", "treated.gcode"),
    ("estimate", "plate.gcode", "--kit", "h.kit.yaml", "--json"),
    ("compare", "plate.gcode", "treated.gcode", "--kit", "h.kit.yaml"),
    ("report", "treated.gcode", "--kit", "h.kit.yaml", "-o", "page.html"),
    ("learn", "plate.gcode", "--object", "wedge*", "-o", "learnt.kit.yaml"),
    ("profile", "show", "plate.gcode"),
    ("schema", "material"),
    ("completion", "bash"),
)


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_installation_runs(version: str, tmp_path: Path) -> None:
    """In a venv of its own, what is deprecated being an error; the plate is treated to the byte as here."""
    python = needed(version)
    source = tmp_path / "source"
    source.mkdir()
    for name in ("gcodetools", "profiles"):
        shutil.copytree(PROJECT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(PROJECT / name, source / name)
    subprocess.run([python, "-m", "venv", str(tmp_path / "venv")], check=True)
    folder = tmp_path / "venv" / ("Scripts" if os.name == "nt" else "bin")
    install = [
        str(folder / "python"),
        "-m",
        "pip",
        "install",
        "-q",
        "--disable-pip-version-check",
        str(source),
    ]
    done = subprocess.run(install, capture_output=True, text=True, check=False)
    if done.returncode and "No matching distribution" in done.stderr + done.stdout:
        pytest.skip(f"a library has no wheel for Python {version} here: {done.stderr.splitlines()[-1]}")
    assert done.returncode == 0, done.stderr
    work = tmp_path / "work"
    work.mkdir()
    parts = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))
    (work / "plate.gcode").write_bytes(make("B", parts=parts).data)
    (work / "h.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "BEADWRIGHT_KIT")}
    environment["PYTHONWARNINGS"] = "error::DeprecationWarning,error::SyntaxWarning"
    for args in SMOKE:
        ran = subprocess.run(
            [str(folder / "beadwright"), *args],
            cwd=work,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 0, (args, ran.stderr)
        if "--json" in args:
            json.loads(ran.stdout)
    here = subprocess.run(
        [sys.executable, "-m", "gcodetools", "apply", "plate.gcode", "--kit", "h.kit.yaml", "-o", "here.gcode", "-q"],
        cwd=work, env={**os.environ, "PYTHONPATH": str(PROJECT)}, check=False,
    )  # fmt: skip
    assert here.returncode == 0
    assert (work / "treated.gcode").read_bytes() == (work / "here.gcode").read_bytes()

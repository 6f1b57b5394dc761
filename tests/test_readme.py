"""README holds what it promises: its two one-line commands, every command, no option that is not there."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import click
import pytest

from gcodetools.cli.main import COMMANDS, cli
from gcodetools.errors import BeadwrightError

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
# Options of other programs in README's lines.
FOREIGN = {"-m", "-q", "-e", "-n"}


@cache
def command(name: str) -> click.Command:
    with click.Context(cli) as context:
        found = cli.get_command(context, name)
    assert found is not None
    return found


def options(name: str) -> set[str]:
    return {text for item in command(name).params if isinstance(item, click.Option) for text in item.opts}


def behind(mark: str) -> str:
    """The first indented line behind a mark, as `.ci/run` finds it."""
    found = re.search(rf"<!-- {mark} -->.*?\n    ([^\n]+)\n", TEXT, re.DOTALL)
    assert found
    return found[1]


def test_the_demo_is_one_line_behind_its_mark():
    line = behind("demo")
    assert line.startswith("python3 -m venv ") and line.endswith("beadwright demo")
    assert "pip install" in line and line.count("&&") == 2


def test_the_tests_are_one_line_behind_their_mark():
    line = behind("tests")
    assert line.startswith("python3 -m venv ") and "'.[test]'" in line and "-m pytest" in line


def test_ci_runs_the_second_line():
    assert "<!-- tests -->" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_table(name):
    assert re.search(rf"^\| `beadwright {name}[ `]", TEXT, re.MULTILINE)


def test_the_table_names_no_command_that_is_not_there():
    assert set(re.findall(r"^\| `beadwright (\w+)", TEXT, re.MULTILINE)) == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example_of_its_own(name):
    text = command(name).help or ""
    assert re.search(rf"Example:  beadwright {name}\b", text)
    assert all(item.help for item in command(name).params if isinstance(item, click.Option))


@pytest.mark.parametrize("name", COMMANDS)
def test_the_example_of_a_command_uses_options_it_has(name):
    example = (command(name).help or "").partition("Example:")[2]
    assert set(re.findall(r"(?<!\S)--?[a-z][a-z-]*", example)) <= options(name)


def test_every_command_line_of_readme_uses_options_its_command_has():
    found = re.findall(r"beadwright(?:\.exe)? (\w+)((?: (?!\|)[^\n`]+)?)", TEXT)
    used = [(name, rest) for name, rest in found if name in COMMANDS]
    assert len(used) > len(COMMANDS)
    for name, rest in used:
        assert set(re.findall(r"(?<!\S)\[?(--?[a-z][a-z-]*)", rest)) <= options(name), (name, rest)


def test_every_option_in_readme_exists():
    named = set(re.findall(r"`(--?[a-z][a-z0-9-]*)", TEXT)) - FOREIGN
    known = set().union(*(options(name) for name in COMMANDS))
    assert named and named <= known


@pytest.mark.parametrize("option", ["--json", "-q", "-v", "--log", "--strict"])
def test_every_command_takes_what_all_take(option):
    assert all(option in options(name) for name in COMMANDS)


def test_every_exit_status_of_an_error_is_in_readme():
    line = re.search(r"Exit status: (.*?)\n\n", TEXT, re.DOTALL)
    assert line
    documented = {int(number) for number in re.findall(r"(?:^|; )(\d+) ", line[1].replace("\n", " "))}
    kinds = BeadwrightError.__subclasses__()
    assert documented == {0, 130} | {kind.status for kind in kinds}


def test_the_import_name_stands_in_import_lines_only():
    assert [line for line in TEXT.splitlines() if "gcodetools" in line] == ["    import gcodetools as bw"]


def block(heading: str) -> str:
    """The first indented block under a heading, without its indentation."""
    found = re.search(rf"^## {heading}\n\n((?:    [^\n]*\n|\n(?=    ))+)", TEXT, re.MULTILINE)
    assert found
    return "".join(line[4:] if line.strip() else line for line in found[1].splitlines(keepends=True))


def test_the_kit_in_readme_is_valid(tmp_path):
    path = tmp_path / "brackets.kit.yaml"
    path.write_text(block("A kit"), encoding="utf-8")
    from gcodetools.cli.main import status_of

    assert status_of(["check", str(path), "-q"]) == 0


def test_the_kit_with_new_beads_in_readme_is_valid(tmp_path):
    path = tmp_path / "brackets.kit.yaml"
    path.write_text(block("More perimeters, solid inside"), encoding="utf-8")
    from gcodetools.cli.main import status_of

    assert status_of(["check", str(path), "-q"]) == 0


def test_the_library_lines_of_readme_run(tmp_path, monkeypatch):
    from gcodetools.demo.kit import hoophouse_kit
    from gcodetools.demo.maker import Placement, make

    monkeypatch.chdir(tmp_path)
    plate = make(parts=[Placement("wedge-key-snug", 110, 110)]).data
    Path("plate.gcode").write_bytes(plate)
    Path("hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    code = block("As a library").replace(
        'open("treated.gcode", "wb").write(', 'Path("treated.gcode").write_bytes('
    )
    exec(compile(code, "README.md", "exec"), {"Path": Path})
    assert b"; beadwright record" in Path("treated.gcode").read_bytes()


def test_the_order_in_readme_is_the_demos(tmp_path):
    from gcodetools.demo.story import ORDER_TEXT
    from gcodetools.planning.order import load_order

    told = {}
    for name, text in (("readme", block("Plan a print run")), ("demo", ORDER_TEXT)):
        path = tmp_path / f"{name}.yaml"
        path.write_text(text, encoding="utf-8")
        told[name] = load_order(path, 0.0).file
    assert told["readme"] == told["demo"]

"""The library as its documentation shows it, and what importing it costs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import gcodetools as bw
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.errors import AlreadyTreated, InputError, NotFoundOnPlate, Refused, UsageError

ROOT = Path(__file__).resolve().parents[2]
PARTS = (Placement("wedge-key-snug", 60, 110), Placement("shelf-hook", 130, 110))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("library")
    (where / "plate.gcode").write_bytes(make(parts=PARTS).data)
    (where / "hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return where


@pytest.fixture(scope="module")
def treated(folder: Path):
    program = bw.read(folder / "plate.gcode")
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(program)
    return bw.apply(program, placed)


def test_the_poses_are_those_of_the_plate(folder):
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(bw.read(str(folder / "plate.gcode")))
    found = [(pose.part, pose.instance, round(pose.x_mm, 2), round(pose.y_mm, 2)) for pose in placed.poses]
    assert found == [("wedge-key-snug", 1, 60.0, 110.0), ("shelf-hook", 1, 130.0, 110.0)]
    assert placed.absent == ("film-clip", "ridge-saddle", "wedge-key-easy")
    assert all(isinstance(sentence, str) for sentence in placed.warnings)


def test_treated_has_bytes_moves_and_changes(folder, treated):
    before = (folder / "plate.gcode").read_bytes()
    assert treated.render() != before
    assert len(treated.moves) > len(bw.read(folder / "plate.gcode").moves)
    assert treated.changes and {"e", "accel"} & {f for change in treated.changes for f in change.fields}


def test_the_moves_of_treated_are_those_of_its_bytes(folder, treated):
    again = bw.Plate.from_bytes(treated.render(), "again.gcode")
    for name in ("x", "y", "z", "e", "f"):
        assert np.array_equal(getattr(treated.moves, name), getattr(again.moves, name), equal_nan=True)


def test_the_library_writes_the_same_file_as_the_command(folder, treated, tmp_path):
    from gcodetools.cli.main import status_of

    plate, kit = str(folder / "plate.gcode"), str(folder / "hoophouse.kit.yaml")
    assert status_of(["apply", plate, "--kit", kit, "-o", str(tmp_path / "o.gcode"), "-q"]) == 0
    assert (tmp_path / "o.gcode").read_bytes() == treated.render()


def test_profiles_may_be_named(folder):
    program = bw.read(folder / "plate.gcode")
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(program)
    treated = bw.apply(program, placed, machine="desktop-220", material="petg", verify=True)
    assert b"; beadwright material: petg (command line)" in treated.render()


def test_only_and_errors_are_as_on_the_command_line(folder, tmp_path, treated):
    program = bw.read(folder / "plate.gcode")
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(program)
    only = bw.apply(program, placed, only="wedge-key-snug")
    assert len(only.changes) < len(treated.changes)
    with pytest.raises(NotFoundOnPlate):
        bw.apply(program, placed, only="film-clip")
    with pytest.raises(UsageError):
        bw.apply(program, placed, only="#")
    with pytest.raises(InputError):
        bw.apply(program, placed, material="unobtainium")
    with pytest.raises(InputError):
        bw.read(tmp_path / "nowhere.gcode")
    with pytest.raises(InputError):
        bw.load_kit(tmp_path / "nowhere.kit.yaml")


def test_a_treated_plate_is_refused_unless_again(folder, treated):
    program = bw.Plate.from_bytes(treated.render(), "treated.gcode")
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(program)
    with pytest.raises(AlreadyTreated) as caught:
        bw.apply(program, placed)
    assert isinstance(caught.value, Refused) and isinstance(caught.value, ValueError)
    # The key alone: the hook's nozzle is at its limit already.
    again = bw.apply(program, placed, only="wedge-key-snug", again=True)
    assert again.render() != treated.render()


def test_what_is_public_is_what_it_says():
    assert all(getattr(bw, name) is not None for name in bw.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'nonsense'"):
        _ = bw.nonsense


def _modules_after(code: str) -> set[str]:
    run = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    return set(run.stdout.split())


HEAVY = {"numpy", "shapely", "yaml", "msgspec", "click"}


def test_importing_the_package_imports_nothing_heavy():
    assert not _modules_after("import gcodetools") & HEAVY


@pytest.mark.parametrize("args", [["--version"], ["--help"], []])
def test_version_and_help_import_neither_numpy_nor_yaml(args):
    code = f"from gcodetools.cli.main import status_of\nassert status_of({args}) == 0"
    assert _modules_after(code) & HEAVY <= {"click"}

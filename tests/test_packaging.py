"""What an installation holds: a wheel brings its profiles along, an editable one sees those of the checkout.

The build runs on a copy, so that it leaves nothing in the checkout, and through the build backend itself, so
that it asks no package index.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent
SHIPPED = ("gcodetools", "profiles", "pyproject.toml", "README.md", "LICENSE")

FIND = """
import sys
from gcodetools.documents import profiles
print(profiles.root())
print(profiles.load_material("petg").name, profiles.load_machine("desktop-220").name)
"""


def run(code: str, *arguments: str, cwd: Path, path: Path | None = None) -> list[str]:
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    command = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def build(checkout: Path, kind: str, target: Path) -> Path:
    """Build a wheel (`build_wheel` or `build_editable`) and unpack it as an installation has it."""
    code = f"import hatchling.build as b, sys; print(b.{kind}(sys.argv[1]))"
    wheel = run(code, str(target), cwd=checkout)[-1]
    with zipfile.ZipFile(target / wheel) as packed:
        packed.extractall(target / "site")
    return target / "site"


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("checkout")
    for name in SHIPPED:
        source = PROJECT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / name)
    return folder


@pytest.fixture(scope="module")
def installed(checkout: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(checkout, "build_wheel", tmp_path_factory.mktemp("wheel"))


def files_below(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*.yaml")}


def test_wheel_holds_every_profile(installed: Path) -> None:
    assert files_below(installed / "gcodetools/profiles") == files_below(PROJECT / "profiles")
    assert files_below(PROJECT / "profiles") >= {"materials/petg.yaml", "machines/desktop-220.yaml"}


def test_installed_wheel_assembles_the_page_from_another_folder(installed: Path, tmp_path: Path) -> None:
    assets = {path.name for path in (PROJECT / "gcodetools/report/page").iterdir()}
    assert {path.name for path in (installed / "gcodetools/report/page").iterdir()} == assets
    assert {path.suffix for path in map(Path, assets)} == {".html", ".css", ".js"}
    code = "from gcodetools.report.page import assemble as a; print(len(a({'file': 'plate.gcode', 'sides': []})))"
    (size,) = run(code, cwd=tmp_path, path=installed)
    assert int(size) > sum((PROJECT / "gcodetools/report/page" / name).stat().st_size for name in assets)


def test_wheel_holds_no_tests_and_one_top_level_package(installed: Path) -> None:
    top = {path.name for path in installed.iterdir() if not path.name.endswith(".dist-info")}
    assert top == {"gcodetools"}


def test_wheel_names_its_command_and_licence(installed: Path) -> None:
    (info,) = installed.glob("beadwright-*.dist-info")
    assert "beadwright = gcodetools." in (info / "entry_points.txt").read_text()
    assert any(info.rglob("LICENSE"))


def test_installed_wheel_finds_its_profiles_from_another_folder(installed: Path, tmp_path: Path) -> None:
    root, found = run(FIND, cwd=tmp_path, path=installed)
    assert Path(root) == (installed / "gcodetools/profiles").resolve()
    assert found == "petg desktop-220"


def test_editable_install_finds_the_profiles_of_the_checkout(checkout: Path, tmp_path: Path) -> None:
    site = build(checkout, "build_editable", tmp_path)
    (link,) = site.glob("*.pth")
    root, found = run(FIND, cwd=tmp_path, path=Path(link.read_text().strip()))
    assert Path(root) == (checkout / "profiles").resolve()
    assert found == "petg desktop-220"


@pytest.mark.skipif(not (PROJECT / "gcodetools/cli/main.py").exists(), reason="no command yet")
def test_installed_wheel_tells_its_version(installed: Path, tmp_path: Path) -> None:
    code = (
        "import runpy, sys; sys.argv[1:] = ['--version']; runpy.run_module('gcodetools', run_name='__main__')"
    )
    (info,) = installed.glob("beadwright-*.dist-info")
    version = info.name.removeprefix("beadwright-").removesuffix(".dist-info")
    assert version in " ".join(run(code, cwd=tmp_path, path=installed))

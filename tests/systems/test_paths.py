"""Paths, names and line ends as Windows and macOS write them, where Linux can show it.

What those systems do is stood in for: paths of Windows by `PureWindowsPath`, a folder that says "permission denied",
a disk without links and owners, names whose accents stand apart (Unicode NFD, as macOS may give them).
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

from gcodetools.cli.main import status_of
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.documents import profiles, yaml
from gcodetools.errors import InputError
from gcodetools.gcode import files
from gcodetools.jobs.batch_local import free_bytes
from gcodetools.jobs.sources import Subset
from gcodetools.kit.placing import Pose, label_matches
from gcodetools.kit.schema import kit_from_bytes, load_kit, load_kits
from gcodetools.planning.order import load_order

KIT = hoophouse_kit()
SMALL = """\
beadwright: 1
kit: k
{more}parts:
  clip:
    found_by: {{label: {label}}}
    regions: {{r: {{within: {within}}}}}
"""


def small(label: str = "clip", within: str = "all", more: str = "") -> bytes:
    return SMALL.format(label=label, within=within, more=more).encode()


# Line ends and what may stand before the first line.


@pytest.mark.parametrize("end", ["\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_kit_reads_alike_with_any_line_end_and_byte_order_mark(end: str, mark: bytes) -> None:
    plain = kit_from_bytes(KIT.encode(), "k")
    other = kit_from_bytes(mark + KIT.replace("\n", end).encode(), "k")
    assert (other.parts, other.treatments, other.material) == (plain.parts, plain.treatments, plain.material)


def test_mistake_in_a_kit_of_windows_is_told_with_its_line() -> None:
    text = KIT.replace("role: clip", "role: clipp", 1)
    line = text[: text.index("clipp")].count("\n") + 1
    for end in ("\n", "\r\n"):
        with pytest.raises(InputError, match=rf"^k:{line}: "):
            kit_from_bytes(text.replace("\n", end).encode(), "k")


def test_profiles_read_alike_with_line_ends_of_windows(tmp_path: Path) -> None:
    """As a checkout on Windows may have them."""
    for name, load in (("petg", profiles.load_material), ("desktop-220", profiles.load_machine)):
        kind = "materials" if name == "petg" else "machines"
        text = (profiles.root() / kind / f"{name}.yaml").read_bytes()
        (tmp_path / "own.yaml").write_bytes(text.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
        assert load(str(tmp_path / "own.yaml")) == load(name)


# Paths in kits and orders, written on one system and read on another.


def test_path_written_on_windows_is_found(tmp_path: Path) -> None:
    for folder in ("profiles", "meshes"):
        (tmp_path / folder).mkdir()
    (tmp_path / "profiles/m.yaml").write_bytes((profiles.root() / "materials/petg.yaml").read_bytes())
    (tmp_path / "meshes/a.stl").write_bytes(b"x")
    kit = kit_from_bytes(
        small(within="{mesh: 'meshes\\a.stl'}", more="material: profiles\\m.yaml\n"), "k", tmp_path
    )
    assert kit.material == str((tmp_path / "profiles/m.yaml").resolve())
    (within,) = (region.within for part in kit.parts.values() for region in part.regions.values())
    assert getattr(within, "path", None) == str((tmp_path / "meshes/a.stl").resolve())
    assert profiles.load_material("profiles\\m.yaml", tmp_path).name == "petg"


def test_order_written_on_windows_finds_its_plates(tmp_path: Path) -> None:
    text = """\
beadwright: 1
order: o
zone: UTC
parts: {a: 1}
plates: [{file: 'plates\\a.gcode', holds: {a: 1}}]
printers: [{name: p, hours: round the clock, swap: 10 min, failed: 1%}]
"""
    (tmp_path / "plates").mkdir()
    (tmp_path / "plates/a.gcode").write_bytes(b"G28\n")
    (tmp_path / "o.order.yaml").write_bytes(text.replace("\n", "\r\n").encode())
    order = load_order(tmp_path / "o.order.yaml", 1e9)
    assert order.path(order.file.plates[0].file) == tmp_path / "plates/a.gcode"
    assert order.file.plates[0].title == "a"


def test_a_backslash_in_a_name_of_linux_is_still_one(tmp_path: Path) -> None:
    if os.name == "nt":
        pytest.skip("a backslash parts folders here")
    (tmp_path / "a\\b.yaml").write_bytes(b"x")
    assert profiles.beside_it(tmp_path, "a\\b.yaml").name == "a\\b.yaml"
    assert profiles.beside_it(tmp_path, "c\\b.yaml") == tmp_path / "c/b.yaml"


OUTSIDE = (
    "C:\\meshes\\a.stl", "c:a.stl", "\\\\server\\share\\a.stl", "//server/share/a.stl", "\\a.stl", "/a.stl",
    "..\\a.stl", "x\\..\\..\\a.stl", "\\\\?\\C:\\a.stl", "file:///C:/a.stl", "a.stl:stream",
)  # fmt: skip


@pytest.mark.parametrize("named", OUTSIDE)
def test_mesh_outside_of_the_kits_folder_is_refused_on_every_system(named: str, tmp_path: Path) -> None:
    """Kits come from strangers: what leads out on any system is refused on all."""
    home = tmp_path / "kit"
    home.mkdir()
    (tmp_path / "a.stl").write_bytes(b"x")
    leads = PureWindowsPath(named)
    out = bool(leads.drive or leads.root or PurePosixPath(named).is_absolute() or ".." in leads.parts)
    assert out or ":" in named  # or an alternate stream, or a URL
    with pytest.raises(InputError, match="inside the kit's folder"):
        kit_from_bytes(small(within=f"{{mesh: {named!r}}}".replace("\\\\", "\\")), "k", home)


@pytest.mark.parametrize(
    "named", ["C:\\p\\petg.yaml", "\\\\server\\p\\petg.yaml", "p\\petg", "./petg", "Petg.YAML"]
)
def test_what_is_meant_as_a_path_is_told_from_a_name(named: str) -> None:
    assert profiles.is_path(named)
    assert not profiles.is_path("petg") and not profiles.is_path("tpu-95a")


@pytest.mark.parametrize("name", ["a.kit.yaml", "B.KIT.YAML", "c.Kit.Yml"])
def test_kits_of_a_folder_are_found_in_any_case(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(small())
    assert list(load_kits([tmp_path]).parts) == ["clip"]


# What a folder is, told by "permission denied".


def test_a_folder_is_told_where_the_system_speaks_of_permission(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows refuses to open a folder as it refuses a file of somebody else's."""

    def refuse(*args: object, **kw: object) -> bytes:
        raise PermissionError(13, "Permission denied")

    (tmp_path / "file").write_bytes(b"x")
    monkeypatch.setattr(Path, "read_bytes", refuse)
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match="a folder, expected a sliced file"):
        files.read_raw(tmp_path)
    with pytest.raises(InputError, match="a folder, expected a YAML file"):
        yaml.load(tmp_path)
    with pytest.raises(InputError, match="no permission to read it"):
        files.read_raw(tmp_path / "file")
    with pytest.raises(InputError, match="can't be read: Permission denied"):
        yaml.load(tmp_path / "file")


# Writing without what only POSIX or Linux has.


@pytest.fixture
def bare_system(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("O_TMPFILE", "fchmod", "fchown", "chown", "link"):
        monkeypatch.delattr(os, name, raising=False)


def test_files_are_replaced_without_links_owners_and_nameless_files(
    bare_system: None, tmp_path: Path
) -> None:
    target = tmp_path / "plate.gcode"
    files.write_atomic(target, b"G28\r\n\x1a\n")
    target.chmod(0o640)
    files.write_atomic(target, b"G28\r\nM84\n\x1a")
    assert target.read_bytes() == b"G28\r\nM84\n\x1a" and list(tmp_path.iterdir()) == [target]
    assert os.name == "nt" or target.stat().st_mode & 0o777 == 0o640


def test_a_file_that_a_scanner_holds_open_is_waited_for(
    bare_system: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target, tried, real = tmp_path / "plate.gcode", [], Path.replace
    target.write_bytes(b"old")

    def replace(path: Path, other: Path) -> Path:
        tried.append(path)
        if len(tried) < 3:
            raise PermissionError(13, "used by another process")
        return real(path, other)

    monkeypatch.setattr(Path, "replace", replace)
    monkeypatch.setattr(files.time, "sleep", lambda seconds: None)
    files.write_atomic(target, b"new")
    assert target.read_bytes() == b"new" and len(tried) == 3 and list(tmp_path.iterdir()) == [target]


def test_a_folder_that_can_not_be_flushed_is_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows opens no folder."""
    real = os.open

    def open_file(path: object, flags: int, *args: int, **kw: int) -> int:
        if os.path.isdir(path):  # type: ignore[arg-type]  # noqa: PTH112
            raise PermissionError(13, "Permission denied")
        return real(path, flags, *args, **kw)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", open_file)
    files.write_atomic(tmp_path / "plate.gcode", b"G28\n")
    assert (tmp_path / "plate.gcode").read_bytes() == b"G28\n"


# Accents: one character, or a letter and its mark.


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_label_from_a_file_name_of_macos_is_the_kits(form: str) -> None:
    label = unicodedata.normalize(form, "Klammer Größe é.stl_id_0_copy_1")
    for other in ("NFC", "NFD"):
        for glob in ("klammer größe é", "klammer_grö*", "*é"):
            assert label_matches(label, unicodedata.normalize(other, glob)), (other, glob)
    assert not label_matches(label, "klammer grosse e")


def test_only_names_an_instance_whatever_the_form() -> None:
    found = Subset.parse(unicodedata.normalize("NFD", "Größe#1"))
    assert found.only == ((unicodedata.normalize("NFC", "größe"), frozenset([1])),)
    one = Pose.__new__(Pose)
    for name, value in (("part", "clip"), ("label", unicodedata.normalize("NFD", "GRÖßE")), ("instance", 1)):
        object.__setattr__(one, name, value)
    assert found.holds(one)
    object.__setattr__(one, "label", "grosse")
    assert not found.holds(one)


def test_plate_with_labels_of_macos_is_treated_by_a_kit_of_linux(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    data = make("B", parts=(Placement("wedge-key-snug", 60, 110),)).data
    apart = unicodedata.normalize("NFD", "wedge-kéy-snug").encode()
    assert b"wedge-key-snug" in data
    (tmp_path / "plate.gcode").write_bytes(data.replace(b"wedge-key-snug", apart))
    kit = re.sub(r"wedge-key-snug", unicodedata.normalize("NFC", "wedge-kéy-snug"), KIT)
    (tmp_path / "h.kit.yaml").write_text(kit, encoding="utf-8")
    assert load_kit(tmp_path / "h.kit.yaml").name
    assert status_of(["inspect", "plate.gcode", "--kit", "h.kit.yaml", "--json"]) == 0
    assert unicodedata.normalize("NFC", "wedge-kéy-snug") in unicodedata.normalize(
        "NFC", capfd.readouterr().out
    )


# Names that Windows keeps for devices, or holds no file with.

RESERVED = re.compile(r"^(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\.|$)", re.IGNORECASE)
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]|[. ]$')


def test_every_file_of_the_project_has_a_name_that_windows_holds(request: pytest.FixtureRequest) -> None:
    """By Microsoft's "Naming Files, Paths, and Namespaces"; two names alike but for case would be one file."""
    project = Path(__file__).resolve().parents[2]
    seen: dict[str, Path] = {}
    for top in ("gcodetools", "profiles", "tests", "docs"):
        for path in sorted((project / top).rglob("*")):
            if "__pycache__" in path.parts:
                continue
            assert not RESERVED.search(path.name) and not FORBIDDEN.search(path.name), path
            assert len(str(path.relative_to(project))) < 150, path
            key = unicodedata.normalize("NFC", str(path)).casefold()
            assert seen.setdefault(key, path) == path


def test_what_the_check_of_names_refuses() -> None:
    assert all(RESERVED.search(name) for name in ("NUL", "con.txt", "Lpt1.gcode", "com².x"))
    assert not any(RESERVED.search(name) for name in ("console.py", "common.py", "auxiliary", "nullable"))
    assert all(FORBIDDEN.search(name) for name in ("a:b", "a?", "dot.", "blank ", 'q"'))


@pytest.mark.parametrize("write", [lambda p, d: files.write_atomic(p, d)])
def test_a_temporary_name_is_one_that_windows_holds(
    write: Callable[[Path, bytes], None], bare_system: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[str] = []
    monkeypatch.setattr(files, "_rename", lambda temporary, target: seen.append(temporary.name))
    write(tmp_path / "plate.gcode", b"G28\n")
    assert len(seen) == 1 and not RESERVED.search(seen[0]) and not FORBIDDEN.search(seen[0])


@pytest.mark.parametrize("told", [None, "12:memory:/user.slice\n", ""])
def test_memory_is_not_told_where_the_system_says_nothing(
    told: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither Windows nor macOS has /proc, and control groups of Linux may be of version 1."""

    def read_text(path: Path, *args: object, **kw: object) -> str:
        if told is None or "cgroup" not in path.name:
            raise FileNotFoundError(2, "No such file or directory")
        return told

    monkeypatch.setattr(Path, "read_text", read_text)
    assert free_bytes() is None

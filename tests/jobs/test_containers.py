"""Opening and packing around a job: what is held against what was written, and totals that only a container states."""

from __future__ import annotations

import gzip
import io
import re
import zipfile
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import gcodetools as bw
from gcodetools.demo.maker import Placement, make
from gcodetools.edit.progress import Clock, Used
from gcodetools.errors import Fault, InputError, UsageError
from gcodetools.gcode.containers.base import Container, PlateName, Written
from gcodetools.gcode.containers.gz import Gz
from gcodetools.jobs.apply import Options, apply_plate, read_plate
from gcodetools.jobs.containers import opened, restated_totals
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

KIT = kit_from_bytes(
    b"""beadwright: 1
kit: keys
material: petg
parts:
  key:
    found_by: {label: ["wedge-key*"]}
    regions: {all: {role: body, within: all, treat: {speed: {scale: 80%}}}}
""",
    "keys.kit.yaml",
)


@lru_cache(maxsize=1)
def text() -> bytes:
    made = make("B", parts=(Placement("wedge-key-snug", 60, 110),)).data
    return made.replace(b"M107\n", b"M107\nM117 Hello\nSET_THING A=1\n", 1)


@pytest.fixture
def plate(tmp_path: Path) -> Plate:
    (tmp_path / "a.gcode.gz").write_bytes(gzip.compress(text(), mtime=0))
    return read_plate(tmp_path / "a.gcode.gz")


def test_a_plain_file_is_its_own_text():
    assert opened(b"G28\n", "a.gcode") == (b"G28\n", None, ())
    assert opened(b"G28\n", "a.gcode", 1) == (b"G28\n", None, ())
    with pytest.raises(UsageError, match="a text file holds one plate, asked for plate 2"):
        opened(b"G28\n", "a.gcode", 2)
    _, container, notes = opened(b"G28\n", "a.gcode", 2, lenient=True)
    assert container is None and notes == ("a.gcode: holds one plate, which is taken; plate 2 was asked for",)


def test_a_container_of_one_plate_may_be_taken_whatever_the_number():
    data = gzip.compress(b"G28\n")
    with pytest.raises(UsageError, match="asked for plate 2"):
        opened(data, "a.gz", 2)
    found, container, notes = opened(data, "a.gz", 2, lenient=True)
    assert found == b"G28\n" and container is not None and "which is taken" in notes[0]


def test_a_number_that_a_package_does_not_have_is_told_by_that_number():
    """Where any number is taken for a file of one plate, too."""
    data = packaged(2, 7)
    for lenient in (False, True):
        with pytest.raises(UsageError) as caught:
            opened(data, "a.3mf", 9, lenient=lenient)
        assert caught.value.cause == "a.3mf: found no plate 9" and "there are 2, 7" in caught.value.hint
    _, container, _ = opened(packaged(2), "a.3mf", 9, lenient=True)
    assert container is not None and container.plate == 2


def packaged(*numbers: int) -> bytes:
    """A package with a plate of each number."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        for number in numbers:
            package.writestr(f"Metadata/plate_{number}.gcode", "G28\n")
    return out.getvalue()


def test_errors_in_a_packed_text_name_the_file(tmp_path):
    (tmp_path / "a.gcode.gz").write_bytes(gzip.compress(b"G28\nG1 X\0\n"))
    with pytest.raises(InputError, match=r"a\.gcode\.gz:2: a NUL byte"):
        read_plate(tmp_path / "a.gcode.gz")
    (tmp_path / "b.gcode.gz").write_bytes(gzip.compress(b"\n"))
    with pytest.raises(InputError, match=r"b\.gcode\.gz: empty, expected G-code"):
        read_plate(tmp_path / "b.gcode.gz")
    (tmp_path / "c.gcode.gz").write_bytes(gzip.compress(b"G28\n"))
    with pytest.raises(InputError, match="no bead in it"):
        read_plate(tmp_path / "c.gcode.gz")


def test_the_library_gives_text_and_file(plate, tmp_path):
    placed = bw.Kit(KIT).place(plate)
    treated = bw.apply(plate, placed)
    assert (
        treated.render().startswith(text()[:20])
        and gzip.decompress(treated.render_file()) == treated.render()
    )
    assert plate.render() == text() and gzip.decompress(plate.render_file()) == text()
    assert plate.file == str(tmp_path / "a.gcode.gz") == plate.program.lines.name
    plain = Plate.from_bytes(text(), "a.gcode")
    treated = bw.apply(plain, bw.Kit(KIT).place(plain))
    assert treated.render_file() == treated.render() and plain.render_file() == plain.render()


# What packing could do to a text, and what is found.
PLANTS = {
    "a move elsewhere": (b"G1 X6", b"G1 X7", "x is"),
    "a feed lost": (b" F", b" ;F", "f is"),
    "a move lost": (b"\nG1 X", b"\n;G1 X", "moves instead of"),
    "a command lost": (b"\nM107\n", b"\n", "a command has other words"),
    "another word": (b"M104 S", b"M104 T0 S", "a command has other words"),
    "another message": (b"M117 Hello", b"M117 Hallo", "a command has other words|reads differently"),
    "a macro lost": (b"SET_THING A=1\n", b"", "a command has other words|reads differently|another order"),
    "the record lost": (b"; beadwright record 1\n", b"", "does not open as it should"),
}


@pytest.mark.parametrize("name", PLANTS)
def test_what_a_reader_would_not_get_is_a_fault(plate, monkeypatch, name):
    old, new, said = PLANTS[name]
    whole = Gz.written

    def spoilt(self: Gz, new_text: bytes, restated: object = None) -> Written:
        at = new_text.find(old, len(new_text) // 3 if b"X" in old else 0)
        assert at >= 0, name
        return whole(self, new_text[:at] + new_text[at:].replace(old, new, 1))

    monkeypatch.setattr(Gz, "written", spoilt)
    with pytest.raises(Fault, match=said):
        apply_plate(plate, KIT, Options(()))


def test_commands_in_another_order_are_a_fault(plate, monkeypatch):
    whole = Gz.written

    def swapped(self: Gz, new_text: bytes, restated: object = None) -> Written:
        lines = new_text.splitlines(keepends=True)
        k = next(k for k, line in enumerate(lines) if line[:1] == b"M" and lines[k + 1].startswith(b"G1 X"))
        lines[k : k + 2] = lines[k + 1], lines[k]
        return whole(self, b"".join(lines))

    monkeypatch.setattr(Gz, "written", swapped)
    with pytest.raises(Fault, match="commands stand in another order"):
        apply_plate(plate, KIT, Options(()))


def test_comments_and_blanks_may_go(plate, monkeypatch):
    whole = Gz.written
    monkeypatch.setattr(
        Gz,
        "written",
        lambda self, new, restated=None: whole(
            self, new.replace(b";TYPE:", b"\n;TYP:").replace(b"M104 S", b"M104  S")
        ),
    )
    assert apply_plate(plate, KIT, Options(())).audit.differing == 0


def test_data_that_do_not_open_as_the_text_are_a_fault(plate, monkeypatch):
    monkeypatch.setattr(Gz, "written", lambda self, new, restated=None: Written(self.data, new))
    with pytest.raises(Fault, match="does not open as it should"):
        apply_plate(plate, KIT, Options(()))


def test_what_is_not_wanted_is_not_packed(plate, monkeypatch):
    monkeypatch.setattr(Gz, "written", lambda *_: pytest.fail("packed"))
    applied = apply_plate(plate, KIT, Options((), unpacked=True))
    assert applied.treated.render_file() == applied.treated.render() != text()


class Stating(Container):
    """A container that states totals and holds nothing."""

    __slots__ = ()

    def written(self, new_text: bytes, restated: object = None) -> Written:
        raise NotImplementedError


def stating(kind: str, totals: dict[str, str], settings: dict[str, str] | None = None) -> Container:
    return Stating(
        kind=kind, name="a", data=b"", text=b"", plates=(PlateName(1, ""),), totals=totals, settings=settings or {}
    )  # fmt: skip


@lru_cache(maxsize=1)
def bare() -> Plate:
    return Plate.from_bytes(b"; generated\nG28\nG1 X1 E1 F600\n", "a")


def clock(added_s: float, first_s: float = 0.0) -> Clock:
    none = np.array([0.0])
    return Clock(np.array([0]), none, none, 1000.0, 1000.0 + added_s, first_s, 1000.0)


def restate(container: Container, added_s: float, used: Used) -> tuple[dict[str, str], tuple[str, ...]]:
    return restated_totals(replace(bare(), container=container), clock(added_s), used)


def test_a_package_s_totals_by_hand():
    """Seconds are added; grams and metres grow as the filament of all tools, or of the tool of that number."""
    totals = {
        "prediction": "1000", "weight": "20.00", "filament 1 used_m": "4.00", "filament 1 used_g": "12.00",
        "filament 2 used_m": "3.00", "filament 2 used_g": "8.00",
    }  # fmt: skip
    found, unread = restate(stating("package", totals), 61.4, Used(1.06, {0: 1.1, 1: 1.0}))
    assert unread == ()
    assert found == {
        "prediction": "1061", "weight": "21.20", "filament 1 used_m": "4.40", "filament 1 used_g": "13.20"
    }  # fmt: skip
    assert restate(stating("package", totals), 0.0, Used(1.0, {0: 1.0})) == ({}, ())


def test_settings_of_a_total_s_name_are_not_taken_for_it():
    settings = {"weight": "7777777777", "prediction": "never"}
    found, unread = restate(
        stating("package", {"prediction": "1000", "weight": "2.0"}, settings), 60.0, Used(1.5)
    )
    assert unread == () and found == {"prediction": "1060", "weight": "3.0"}


def test_totals_that_are_no_numbers_are_left_and_named():
    found, unread = restate(stating("package", {"prediction": "soon", "weight": "2"}), 60.0, Used(2.0))
    assert found == {"weight": "4"} and unread == ("prediction",)
    assert restate(stating("gz", {}), 60.0, Used(2.0)) == ({}, ())


def test_a_text_without_marks_takes_the_metadata_s_words():
    totals = {
        "filament used [mm]": "100.0, 50.0", "total filament used [g]": "3.00",
        "estimated printing time (normal mode)": "16m 40s",
        "estimated printing time (silent mode)": "33m 20s",
    }  # fmt: skip
    settings = {
        "layer_height": "0.2",
        "nozzle_diameter": "0.4",
        "estimated printing time (normal mode) ": "1m 0s",
    }
    assert bare().marks.convention == "J"
    found, unread = restate(stating("binary", totals, settings), 100.0, Used(1.1, {0: 1.2, 1: 1.0}))
    assert unread == ()
    assert found == {
        "filament used [mm]": "120.0, 50.0", "total filament used [g]": "3.30",
        "estimated printing time (normal mode)": "18m 20s",
        "estimated printing time (silent mode)": "36m 40s",
    }  # fmt: skip


def test_limits_that_only_the_container_states_hold_before_and_after():
    """A text whose settings block was taken out into a container is planned as it was with it."""
    body = re.sub(rb"(?m)^M20[1-5].*\n|^; .* = .*\n", b"", text())
    limits = {
        f"machine_max_{what}_{axis}": "300,300" for what in ("acceleration", "feedrate") for axis in "xye"
    }
    limits |= {"machine_max_acceleration_extruding": "300,300", "machine_max_jerk_x": "2,2"}
    block = "".join(f"; {key} = {value}\n" for key, value in limits.items()).encode()
    container = stating("binary", {}, limits)
    packed = replace(Plate.from_bytes(body, "a", container.said), container=container)
    twin, bare = (Plate.from_bytes(one, "a") for one in (body + block, body))
    options = Options((), unpacked=True)
    times = [apply_plate(one, KIT, options).summary["time"] for one in (packed, twin, bare)]
    assert times[0] == times[1] != times[2]
    assert times[0]["before_s"] != times[0]["after_s"]

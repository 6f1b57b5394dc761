"""A plate is what was read, and gives it back to the byte."""

from __future__ import annotations

import dataclasses
import math
import tracemalloc
from pathlib import Path

import pytest

from gcodetools.demo.bench import big_plate
from gcodetools.errors import InputError
from gcodetools.gcode import arrays, tokens
from gcodetools.jobs import rates
from gcodetools.jobs.apply import Options
from gcodetools.jobs.compare import compare_files
from gcodetools.jobs.sources import profiles_for
from gcodetools.toolpath.plate import DEFAULT_DIAMETER_MM, Plate


def test_samples_come_back_to_the_byte(sample_path: Path) -> None:
    plate = Plate.read(sample_path)
    assert plate.render() == sample_path.read_bytes()
    assert len(plate.beads.layer) == len(plate.moves)


def test_a_plate_can_not_be_changed() -> None:
    plate = Plate.from_bytes(b"G1 X1\n")
    with pytest.raises(dataclasses.FrozenInstanceError):
        plate.layers = plate.layers  # type: ignore[misc]


def test_the_filaments_diameter_comes_from_the_settings() -> None:
    body = b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X100 E3\n"
    thin = Plate.from_bytes(body)
    thick = Plate.from_bytes(body + b"; filament_diameter = 2.85\n; layer_height = 0.2\n")
    area = [(w - 0.2 + 0.2 * 3.14159265 / 4) * 0.2 for w in (thin.beads.width[1], thick.beads.width[1])]
    assert area[1] / area[0] == pytest.approx((2.85 / DEFAULT_DIAMETER_MM) ** 2, rel=1e-4)


def two_layers(between: str = "") -> str:
    """A print of two layers, each a bead."""
    first, second = (
        f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z{z}\nG1 X0\nG1 X50 E2\n"
        for z in (0.2, 0.4)
    )
    return f"M83\nG28\n{first}{second}{between}G1 X0 E2\n"


@pytest.mark.parametrize("home", ["G28", "G28 X0 Y0", "G28 Y"])
def test_a_file_of_two_joined_prints_is_told_by_line(home: str) -> None:
    text = f"{two_layers()}{home}\n{two_layers()}"
    (told,) = Plate.from_bytes(text.encode(), "two.gcode").warnings
    assert told.startswith(
        "two.gcode:18: the file homes (G28) amid the print, as where two prints are joined"
    )
    assert told.endswith("Treat each by itself, then join them")


@pytest.mark.parametrize(
    "text", [two_layers(), two_layers() + "G28\nM84\n", two_layers("G28 Z\n"), two_layers("G28 X Y\n")]
)
def test_a_file_that_homes_elsewhere_is_no_joined_one(text: str) -> None:
    assert Plate.from_bytes(text.encode()).warnings == ()


@pytest.mark.parametrize("name", ["missing.gcode", "folder"])
def test_what_can_not_be_read_is_an_input_error(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError):
        Plate.read(tmp_path / name)


def test_reading_takes_little_more_memory_than_what_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """No second copy of the columns on the way, and none of a whole column. Blocks and spans are made small, as
    they are against a large file."""
    monkeypatch.setattr(tokens, "BLOCK_BYTES", 1 << 14)
    monkeypatch.setattr(arrays, "_SPAN", 1 << 11)
    data = big_plate(60_000)
    Plate.from_bytes(data)
    tracemalloc.start()
    try:
        plate = Plate.from_bytes(data)
        held, peak = (memory / len(data) for memory in tracemalloc.get_traced_memory())
    finally:
        tracemalloc.stop()
    assert len(plate.beads.layer) > 50_000
    assert held < 3.5  # besides the text itself
    assert peak < held + 0.3


VOLUMES = ";LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X100 E7.5\nG1 X0 E7.5\n"


def test_beads_of_a_volume_are_as_wide_as_it_fills() -> None:
    """A bead's section is what is pushed over its length: 7.5 mm3 over 100 mm are 0.075 mm2."""
    for diameter in ("2.85", "1.75"):
        plate = Plate.from_bytes(f"M83\nM200 D{diameter}\n{VOLUMES}".encode())
        assert plate.filament_diameter_mm == float(diameter)
        assert (plate.beads.width[1] - 0.2 + 0.2 * 3.14159265 / 4) * 0.2 == pytest.approx(0.075, rel=1e-4)
        assert not plate.warnings


@pytest.mark.parametrize("off", ["M200 D0", "M200 S0", "M200 D2.85 S0"])
def test_where_volumes_are_off_their_diameter_counts_no_more(off: str) -> None:
    settings = "; filament_diameter = 1.75\n; layer_height = 0.2\n"
    plate = Plate.from_bytes(f"M83\nM200 D2.85\n{off}\n{VOLUMES}{settings}".encode())
    assert plate.volumetric_mm is None and plate.filament_diameter_mm == 1.75
    assert not plate.warnings


@pytest.mark.parametrize(("stated", "said"), [(1.75, 1), (2.85, 0), (2.83, 0), (2.8, 1)])
def test_another_diameter_in_the_settings_than_in_force_is_told(stated: float, said: int) -> None:
    settings = f"; filament_diameter = {stated}\n; layer_height = 0.2\n"
    plate = Plate.from_bytes(f"M83\nM200 D2.85\n{VOLUMES}{settings}".encode(), "two.gcode")
    assert plate.filament_diameter_mm == 2.85
    assert sum("two.gcode:2: M200 says a filament of 2.85 mm" in one for one in plate.warnings) == said


def squares(e_per_mm: float, walls: int = 2, extra: str = "") -> bytes:
    """Six layers of 0.2 mm of a solid square in loops and lines 0.407 mm apart, the pitch of beads 0.45 mm wide
    (w - h (1 - pi / 4), common practice, no source), without a mark."""
    lines = [extra + "G21\nG90\nM83\nM104 S210"]
    for layer in range(1, 7):
        lines.append(f"G1 Z{0.2 * layer:.1f} F600")
        for k in reversed(range(walls)):
            low, high = 50 + 0.407 * k, 70 - 0.407 * k
            lines.append(f"G1 X{low:.3f} Y{low:.3f} F6000")
            lines += [
                f"G1 X{x:.3f} Y{y:.3f} E{(high - low) * e_per_mm:.5f} F1800"
                for x, y in ((high, low), (high, high), (low, high), (low, low))
            ]
        first = 50 + 0.407 * walls
        for k in range(round((20 - 0.814 * walls) / 0.407) + 1):
            x = first + 0.407 * k
            lines.append(f"G1 X{x:.3f} Y{first:.3f} F6000")
            lines.append(f"G1 X{x:.3f} Y{120 - first:.3f} E{(120 - 2 * first) * e_per_mm:.5f} F1800")
    return "\n".join([*lines, "G1 E-1 F2000", "G1 X0 Y0 F6000", ""]).encode()


@pytest.mark.parametrize("walls", [1, 2, 3])
@pytest.mark.parametrize("diameter", [1.75, 2.85, 2 / math.pi**0.5], ids=["thin", "thick", "volume"])
def test_where_no_diameter_is_stated_the_pitch_of_beads_tells_it(diameter: float, walls: int) -> None:
    """E pi d^2 / 4 = A L: with the wrong diameter beads are 2.65 times too thin, or 2.41 times too thick. 2.85 mm is
    the other filament that is sold; common practice, no source."""
    area = (0.45 - 0.2) * 0.2 + math.pi / 4 * 0.2**2
    plate = Plate.from_bytes(squares(area / (math.pi / 4 * diameter**2), walls))
    width = plate.beads.width[plate.beads.is_bead]
    assert width == pytest.approx(0.45, abs=0.002)
    told = [w for w in plate.warnings if "diameter" in w]
    if diameter == 1.75:
        assert plate.filament_diameter_mm is None and told == []
    else:
        assert plate.filament_diameter_mm == pytest.approx(diameter) and len(told) == 1


def test_a_stated_diameter_stands_whatever_the_beads_look_like() -> None:
    """Thin beads on purpose: what the file says of its filament is no guess of ours."""
    said = "; filament_diameter = 1.75\n; layer_height = 0.2\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\n"
    plate = Plate.from_bytes(squares(0.0128, extra=said))
    assert plate.filament_diameter_mm == 1.75 and not any("diameter" in w for w in plate.warnings)


def test_walls_of_one_thin_bead_are_no_thick_filament() -> None:
    """Nothing lies beside them that could tell."""
    text = "G21\nG90\nM83\n" + "".join(
        f"G1 Z{0.2 * n:.1f}\nG1 X50 Y50 F1800\nG1 X70 Y50 E.25\nG1 X70 Y70 E.25\nG1 X50 Y70 E.25\nG1 X50 Y50 E.25\n"
        for n in range(1, 6)
    )
    plate = Plate.from_bytes((text + "G1 X0 Y0 F6000\n").encode())
    assert plate.filament_diameter_mm is None


def test_a_second_file_is_taken_to_be_of_the_first_ones_filament() -> None:
    """Beside each other two files of one print must not be weighed by two guesses."""
    area = (0.45 - 0.2) * 0.2 + math.pi / 4 * 0.2**2
    thick, thin = (squares(area / (math.pi / 4 * diameter**2)) for diameter in (2.85, 1.75))
    first = Plate.from_bytes(thick)
    assert first.assumed_mm == 2.85
    assert Plate.from_bytes(thin, assumed_mm=first.assumed_mm).filament_diameter_mm == 2.85
    assert Plate.from_bytes(thick, assumed_mm=1.75).filament_diameter_mm is None
    stated = thin.replace(b"G21", b"; filament_diameter = 1.75\n; layer_height = 0.2\nG21", 1)
    assert Plate.from_bytes(stated).assumed_mm is None
    assert Plate.from_bytes(stated, assumed_mm=2.85).filament_diameter_mm == 1.75


def test_a_diameter_that_is_asked_for_goes_before_a_guess() -> None:
    """Filament that foams may look like a thick one; who prints with it knows better."""
    area = (0.45 - 0.2) * 0.2 + math.pi / 4 * 0.2**2
    plate = Plate.from_bytes(squares(area / (math.pi / 4 * 2.85**2)))
    for sets, mm in (
        ((), 2.85),
        (("material.price_per_kg=9",), 2.85),
        (("material.diameter_mm = 1.75",), 1.75),
    ):
        assert rates.diameter(plate, profiles_for(None, plate.settings, "petg", None, sets))[0] == mm


def test_compare_weighs_both_files_by_one_filament(tmp_path: Path) -> None:
    """The second's beads are a little thinner and would be told as 1.75 mm by themselves: 2.65 times less plastic."""
    per_mm = 0.87 * ((0.45 - 0.2) * 0.2 + math.pi / 4 * 0.2**2) / (math.pi / 4 * 2.85**2)
    first, second = tmp_path / "first.gcode", tmp_path / "second.gcode"
    first.write_bytes(squares(per_mm))
    second.write_bytes(squares(per_mm * 0.96))
    assert Plate.read(first).beads_mm == 2.85 and Plate.read(second).beads_mm is None
    record, _ = compare_files(first, second, Options(()))
    mass = [record[side]["whole"]["mass_g"] for side in ("before", "after")]
    assert mass[1] / mass[0] == pytest.approx(0.96, abs=0.01)

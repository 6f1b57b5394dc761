"""Filament three ways: of small files, of made plates, and against what the samples state.

Volume of a length of filament is that of a cylinder, pi d^2 / 4 L (any handbook).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import pi
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.demo.plates import Made
from gcodetools.toolpath.filament import Filament, filament, fresh, mass_g, volume_mm3
from gcodetools.toolpath.plate import Plate

# What each sample states, read off the text (mm, or mm3 over pi 1.75^2 / 4), and which of three it counts.
STATED: dict[str, tuple[float, str]] = {
    "A-two-names.gcode": (8760.23, "beads"),
    "A-vase-crlf.gcode": (2396.47, "beads"),
    "B-cube.gcode": (986.61, "nozzle"),
    "B-two-objects.gcode": (5140.45, "nozzle"),
    "B2-fast.gcode": (3517.22, "nozzle"),
    "C-arcs-small.gcode": (233.55, "nozzle"),
    "C-arcs.gcode": (3726.33, "nozzle"),
    "D-part.gcode": (179.02, "beads+start+tower"),
    "E0-cube.gcode": (1054.6, "beads"),
    "E0-tpu.gcode": (13062.0, "beads"),
    "E1-vase.gcode": (14985.0, "beads"),
    "G-lid-crlf.gcode": (7764.0 / (pi * 1.75**2 / 4), "beads"),
    "I-no-marks.gcode": (4219.8, "nozzle"),
}
MISSES = {
    # It adds each refill behind a retraction: all that is pushed, 13064.8, less the first, 2.8.
    "E0-tpu.gcode": (0.25, 0.30),
}


def _measured(plate: Plate, path: Path) -> float:
    value = filament(plate).as_stated(STATED[path.name][1])
    assert value is not None
    return value


def test_samples_use_what_they_state(sample_path: Path, read: Callable[..., Plate]) -> None:
    if sample_path.name not in STATED:
        pytest.skip("this sample states no filament")
    stated = STATED[sample_path.name][0]
    miss = abs(_measured(read(sample_path), sample_path) / stated - 1)
    low, high = MISSES.get(sample_path.name, (0.0, 0.005))
    assert low <= miss <= high


def test_most_samples_that_state_filament_are_met(samples: Path, read: Callable[..., Plate]) -> None:
    met = [
        abs(_measured(read(samples / name), samples / name) / stated - 1) < 0.005
        for name, (stated, _) in STATED.items()
    ]
    assert np.mean(met) >= 0.85
    assert sum(met) == len(STATED) - len(MISSES)


def test_the_sample_that_misses_states_all_that_is_pushed(samples: Path) -> None:
    text = (samples / "E0-tpu.gcode").read_text()
    pushed = [float(e) for e in re.findall(r"(?m)^G1 [^;\n]*E([\d.]+)", text.split("M83")[1])]
    assert sum(pushed) - 2.8 == pytest.approx(13062.0, abs=0.5)


@pytest.mark.every(3)
@pytest.mark.parametrize("relative_e", [False, True], ids=["absolute", "relative"])
@pytest.mark.parametrize("convention", CONVENTIONS)
def test_made_plates_use_what_they_were_made_of(
    made: Callable[..., Made], convention: str, relative_e: bool
) -> None:
    plate = made(convention, relative_e=relative_e)
    found, truth = filament(Plate.from_bytes(plate.data)), plate.truth
    assert found.nozzle_mm == pytest.approx(truth.highest_mm, abs=0.01)
    assert found.beads_mm == pytest.approx(truth.beads_mm, abs=0.01)
    assert found.start_and_tower_mm == pytest.approx(truth.start_mm, abs=0.01)
    assert volume_mm3(found.beads_mm, 1.75) == pytest.approx(truth.volume_mm3, rel=1e-4)


def test_each_tool_has_its_own_highest_point() -> None:
    text = b"M83\nT0\nG1 Z0.2\nG1 X10 E5\nG1 E-2\nT1\nG1 X20 E3\nG1 E-1\nT0\nG1 E2\nG1 X30 E4\nG1 E-2\n"
    found = filament(Plate.from_bytes(text))
    assert found.nozzle_mm == pytest.approx(9 + 3)
    assert found.beads_mm == pytest.approx(12)
    assert found.start_and_tower_mm == pytest.approx(0, abs=1e-9)


def test_start_towers_and_purges_are_kept_apart_from_beads() -> None:
    text = (
        b"M83\n;TYPE:Custom\nG1 Z0.3\nG1 X50 E10\n"  # the start code's line
        b"G1 E2\n"  # a purge
        b";LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X0 E4\nG1 E-1\nG1 E1\n"
        b";TYPE:Wipe tower\nG1 X30 E3\n;TYPE:Perimeter\nG1 X10 E1\n"
    )
    found = filament(Plate.from_bytes(text))
    lengths = [found.nozzle_mm, found.beads_mm, found.start_and_tower_mm, found.purged_mm]
    np.testing.assert_allclose(lengths, [20, 5, 15, 2])
    assert found.as_stated("nozzle") == pytest.approx(20)
    assert found.as_stated("beads") == pytest.approx(5)
    assert found.as_stated("beads+start+tower") == pytest.approx(18)
    assert found.as_stated("unknown") is None


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=50))
def test_fresh_filament_adds_up_to_the_highest_point(e: list[float]) -> None:
    pushed = fresh(np.array(e))
    assert np.all(pushed >= 0)
    assert pushed.sum() == pytest.approx(max(0.0, float(np.cumsum(e).max())), abs=1e-9)


def test_volume_and_mass_are_the_handbooks() -> None:
    assert volume_mm3(1000.0, 1.75) == pytest.approx(2405.28, abs=0.01)
    assert mass_g(1000.0, 1.75, 1.27) == pytest.approx(3.05471, abs=1e-4)
    assert mass_g(1000.0, 2.85, 1.24) / mass_g(1000.0, 1.75, 1.24) == pytest.approx((2.85 / 1.75) ** 2)


def test_a_file_without_moves_uses_nothing() -> None:
    assert filament(Plate.from_bytes(b"M104 S200\n")) == Filament(0.0, 0.0, 0.0)

"""Style: the habits measured are those that a plate was made with, or that a sample's settings state."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.demo.printing import ACCELS, FEEDS, LIFT_MM, RETRACT_FEED, RETRACT_MM, TRAVEL_FEED, Z_FEED
from gcodetools.demo.voices import VOICES
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.style import Retraction, style_at, style_of


@pytest.mark.every(1)
@pytest.mark.parametrize("convention", CONVENTIONS)
def test_the_demos_plates_have_the_style_they_were_made_with(
    convention: str, read_made: Callable[..., Plate]
) -> None:
    voice, plate = VOICES[convention], read_made(convention)
    style = style_of(plate)
    assert style.perimeter_mm_s == FEEDS["perimeter"]
    assert style.solid_mm_s == FEEDS["solid"]
    assert style.travel_mm_s == TRAVEL_FEED
    assert style.retraction is not None
    assert style.retraction.length_mm == pytest.approx(RETRACT_MM, abs=1e-4)
    assert (style.retraction.feed_mm_s, style.retraction.back_mm_s) == (RETRACT_FEED, RETRACT_FEED)
    assert style.retraction.extra_mm == 0.0 and not style.retraction.firmware
    assert style.lift_mm == pytest.approx(LIFT_MM, abs=1e-3)
    assert style.lift_mm_s == (TRAVEL_FEED if voice.spiral_lift else Z_FEED)
    assert (style.wipe_mm, style.wipe_share) == (0.0, 0.0)
    assert style.perimeter_mm_s2 == (ACCELS["perimeter"] if voice.accel else None)


@pytest.mark.parametrize("convention", ["B", "C", "D", "E0"])
def test_bridges_have_their_own_feed_flow_and_fan(convention: str, read_made: Callable[..., Plate]) -> None:
    style = style_of(read_made(convention))
    assert style.bridge_mm_s == FEEDS["bridge"]
    assert style.bridge_flow == pytest.approx(1.0, abs=2e-3)
    assert style.bridge_fan == 1.0


def test_firmware_retraction_is_told(read_made: Callable[..., Plate]) -> None:
    found = style_of(read_made("B", firmware_retraction=True)).retraction
    assert found is not None and found.firmware and found.length_mm == 0.0


def test_a_first_layer_has_its_own_feeds(read_made: Callable[..., Plate]) -> None:
    plate = read_made("B")
    first, other = style_at(plate, 0), style_at(plate, 5)
    # The demo lays its first layer at 20 mm/s and 500 mm/s2 throughout.
    assert (first.perimeter_mm_s, first.solid_mm_s, first.perimeter_mm_s2) == (20.0, 20.0, 500.0)
    assert other.perimeter_mm_s == FEEDS["perimeter"]
    assert style_at(plate, 5) is other


def test_a_file_that_never_retracts_or_lifts(read: Callable[..., Plate], samples: Path) -> None:
    style = style_of(read(samples / "A-vase-crlf.gcode"))
    assert style.retraction is None and style.lift_mm == 0.0
    assert style.bridge_mm_s is None and style.bridge_flow is None and style.bridge_fan is None


def drawn(middle: list[str], end: str = "X30 Y30") -> Plate:
    """Three layers of a square laid as two lines, with what is between the lines."""
    lines = ["G90", "M83"]
    for n in range(3):
        z = (n + 1) * 0.2
        lines += [";LAYER_CHANGE", f";Z:{z:.1f}", ";HEIGHT:0.2", f"G1 Z{z:.1f} F600", "G1 X10 Y10 F9000"]
        lines += [";TYPE:External perimeter", "G1 X30 Y10 E.68 F1800", f"G1 {end} E.68"]
        lines += [line.format(up=z + 0.3, z=z) for line in middle]
        lines += [";TYPE:Perimeter", "G1 X10 Y29 E.6 F2400", "G1 X10 Y11 E.6"]
    return Plate.from_bytes(("\n".join(lines) + "\n").encode(), "drawn.gcode")


def test_a_wipe_its_share_and_an_extra_push_are_measured() -> None:
    plate = drawn(
        [
            "G1 E-.3 F2100",
            "G1 X30 Y28.5 E-.5 F6000",
            "G1 Z{up:.1f} F480",
            "G1 X29 Y29 F7200",
            "G1 Z{z:.1f} F480",
            "G1 E.83 F1500",
        ]
    )
    style = style_of(plate)
    assert style.retraction == Retraction(
        pytest.approx(0.8), pytest.approx(35.0), pytest.approx(25.0), pytest.approx(0.03), False
    )
    assert style.wipe_mm == pytest.approx(1.5)
    assert style.wipe_share == pytest.approx(0.5 / 0.8)
    assert (style.lift_mm, style.lift_mm_s) == (pytest.approx(0.3), 8.0)
    assert (style.perimeter_mm_s, style.travel_mm_s) == (40.0, 120.0)


def test_pulls_on_wipes_alone_go_as_fast_as_the_push_back() -> None:
    style = style_of(drawn(["G1 X30 Y29 E-.8 F780", "G1 X29 Y29 F7200", "G1 E.8 F6000"]))
    assert style.retraction is not None
    assert (style.retraction.feed_mm_s, style.retraction.back_mm_s) == (100.0, 100.0)
    assert (style.wipe_mm, style.wipe_share) == (pytest.approx(1.0), pytest.approx(1.0))


def test_retractions_between_layers_are_no_habit_inside_them() -> None:
    lines = drawn(["G1 X29 Y29 F7200"]).program.lines.data.replace(
        b";LAYER_CHANGE", b"G1 E-2 F2400\n;LAYER_CHANGE"
    )
    assert style_of(Plate.from_bytes(lines, "between.gcode")).retraction is None


# What the samples' own settings say: feeds mm/s, lengths mm; read from their blocks.
STATED: dict[str, dict[str, float]] = {
    "A-two-names.gcode": {  # speed_wall_x, speed_topbottom, retraction_amount, retraction_speed
        "perimeter_mm_s": 45.0, "solid_mm_s": 30.0, "length_mm": 6.0, "feed_mm_s": 35.0,
    },
    "B-two-objects.gcode": {  # perimeter_speed, solid_infill_speed, bridge_speed, retract_lift, wipe 0, ...
        "perimeter_mm_s": 100.0, "solid_mm_s": 120.0, "bridge_mm_s": 60.0, "travel_mm_s": 300.0,
        "length_mm": 0.75, "feed_mm_s": 30.0, "lift_mm": 0.4, "wipe_mm": 0.0, "travel_mm_s2": 3000.0,
    },
    "C-arcs.gcode": {  # bridge_speed, retraction_length, z_hop, wipe_distance
        "bridge_mm_s": 50.0, "length_mm": 0.8, "feed_mm_s": 30.0, "lift_mm": 0.4, "wipe_mm": 2.0,
    },
    "D-part.gcode": {  # travel_speed, retraction_length, z_hop, wipe_distance
        "travel_mm_s": 700.0, "length_mm": 0.8, "feed_mm_s": 30.0, "lift_mm": 0.4, "wipe_mm": 2.0,
    },
    "E0-tpu.gcode": {  # defaultSpeed 780 mm/min, rapidXYspeed 7200, extruderRetractionSpeed 6000, Distance 2.8
        "perimeter_mm_s": 13.0, "travel_mm_s": 120.0, "length_mm": 2.8, "feed_mm_s": 100.0, "lift_mm": 0.0,
    },
    "G-lid-crlf.gcode": {  # travel_speed_mm_per_s, destring_suck, destring_speed_mm_per_s
        "travel_mm_s": 100.0, "length_mm": 8.0, "feed_mm_s": 70.0,
    },
    "H-parentheses.gcode": {  # operatingFeedRatePerSecond, travelFeedRatePerSecond, Retraction_Distance
        "perimeter_mm_s": 40.0, "travel_mm_s": 55.0, "length_mm": 1.0, "feed_mm_s": 20.0,
    },
    "I-no-marks.gcode": {  # perimeter_speed, travel_speed, retract_length, retract_speed, deretract_speed, lift
        "perimeter_mm_s": 80.0, "solid_mm_s": 80.0, "travel_mm_s": 200.0, "length_mm": 4.0,
        "feed_mm_s": 400.0, "back_mm_s": 200.0, "lift_mm": 0.5,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", STATED)
def test_samples_have_the_habits_that_their_settings_state(
    name: str, samples: Path, read: Callable[..., Plate]
) -> None:
    style = style_of(read(samples / name))
    for key, stated in STATED[name].items():
        found = getattr(style if hasattr(style, key) else style.retraction, key)
        # Wipes end at a bead's end, up to some hundredths before the stated distance.
        assert found == pytest.approx(stated, rel=0.02, abs=1e-3), key


def test_every_samples_layers_have_a_style(sample_path: Path, read: Callable[..., Plate]) -> None:
    plate = read(sample_path)
    for layer in range(0, len(plate.layers), max(len(plate.layers) // 5, 1)):
        style = style_at(plate, layer)
        assert 1.0 < style.perimeter_mm_s <= 1000.0
        assert style.travel_mm_s >= 10.0 and style.lift_mm_s > 0.0
        assert 0.0 <= style.wipe_share <= 1.0 + 1e-6

"""The tables against the samples they are made from: keys that are there, and meanings that the moves bear out."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from settings_files import sample_document, sample_profile

from gcodetools.documents import profiles
from gcodetools.errors import InputError, UsageError
from gcodetools.slicer_settings.names import NAMES
from gcodetools.slicer_settings.readings import Profile
from gcodetools.slicer_settings.tables import Table, recognise, table_of, tables
from gcodetools.toolpath.features import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate


def test_there_is_a_table_for_each_convention_whose_samples_hold_settings(samples: Path) -> None:
    with_settings = set()
    for path in samples.iterdir():
        try:
            with_settings.add(str(sample_document(path).letter))
        except InputError:
            continue  # no settings in it, or a container
    assert {table.letter for table in tables()} == with_settings
    assert len(with_settings) == 10


@pytest.mark.parametrize("table", tables(), ids=lambda table: table.letter)
def test_each_key_stands_in_the_samples_that_it_names(table: Table, samples: Path) -> None:
    texts = {path.stem: path.read_text("latin-1") for path in samples.glob("*.gcode")}
    joined = {
        name: "".join(line[11:] for line in text.splitlines() if line.startswith(";SETTING_3 "))
        for name, text in texts.items()
    }
    seen = {spelled: key.seen for spelled, key in table.keys.items()}
    for lists in filter(None, (table.heaters, table.fan_steps)):
        seen |= dict.fromkeys((getattr(lists, f) for f in lists.__struct_fields__ if f != "seen"), lists.seen)
    for spelled, names in seen.items():
        assert names, f"{spelled} is seen in none"
        for name in names:
            assert name.startswith(table.letter + "-")
            # The group and the key of convention H may have more blanks between them.
            assert all(word in texts[name] + joined[name] for word in spelled.split()), (spelled, name)


# What the settings say, and what the beads of the same file have: the commonest feed where no layer is slowed down.
RAN = [
    ("A-two-names", "outermost", "speed_outer_mm_s"), ("A-two-names", "perimeter", "speed_perimeter_mm_s"),
    ("A-two-names", "solid", "speed_solid_mm_s"), ("B-two-objects", "outermost", "speed_outer_mm_s"),
    ("B-two-objects", "perimeter", "speed_perimeter_mm_s"), ("B-two-objects", "solid", "speed_solid_mm_s"),
    ("B-two-objects", "bridge", "speed_bridge_mm_s"), ("B2-fast", "outermost", "speed_outer_mm_s"),
    ("B2-fast", "sparse", "speed_infill_mm_s"), ("C-arcs", "outermost", "speed_outer_mm_s"),
    ("C-arcs", "gap", "speed_gap_mm_s"), ("C-arcs", "bridge", "speed_bridge_mm_s"),
    ("E0-tpu", "outermost", "speed_outer_mm_s"), ("E0-tpu", "sparse", "speed_infill_mm_s"),
    ("E0-tpu", "bridge", "speed_bridge_mm_s"), ("E1-vase", "outermost", "speed_outer_mm_s"),
    ("E1-vase", "solid", "speed_solid_mm_s"), ("H-parentheses", "outermost", "speed_outer_mm_s"),
    ("H-parentheses", "sparse", "speed_infill_mm_s"), ("I-no-marks", "outermost", "speed_outer_mm_s"),
    ("I-no-marks", "perimeter", "speed_perimeter_mm_s"), ("I-no-marks", "sparse", "speed_infill_mm_s"),
]  # fmt: skip
ACCELERATED = [
    ("B-cube", "outermost", "accel_outer_mm_s2"), ("B-cube", "solid", "accel_solid_mm_s2"),
    ("C-arcs", "outermost", "accel_outer_mm_s2"), ("C-arcs", "perimeter", "accel_perimeter_mm_s2"),
    ("C-arcs", "sparse", "accel_infill_mm_s2"), ("C-arcs", "bridge", "accel_bridge_mm_s2"),
    ("D-part", "outermost", "accel_outer_mm_s2"), ("D-part", "perimeter", "accel_perimeter_mm_s2"),
]  # fmt: skip


@dataclass
class Measured:
    """What a sample's moves have: by feature the commonest feed, acceleration and fan; nozzle at the first and the last
    of the part's beads; beds in order; median height of layers."""

    common: dict[str, dict[str, float]]
    nozzle_c: list[float]
    beds_c: list[float]
    height_mm: float


def measured(path: Path) -> Measured:
    plate = Plate.read(path)
    beads, moves, states = plate.beads, plate.moves, plate.program.states
    columns = {"feed": moves.f, "accel": states.accel.at(moves.line), "fan": states.fan.at(moves.line)}
    common: dict[str, dict[str, float]] = {name: {} for name in columns}
    for word, index in FEATURE_INDEX.items():
        mine = np.flatnonzero(beads.feature == index)
        for name, column in columns.items():
            if len(mine):
                kinds, which = np.unique(np.round(column[mine], 3), return_inverse=True)
                common[name][word] = float(kinds[np.argmax(np.bincount(which, beads.length_mm[mine]))])
    printed = [FEATURE_INDEX[word] for word in ("outermost", "perimeter", "solid", "support")]
    lines = moves.line[np.flatnonzero(np.isin(beads.feature, printed))]
    track = states.nozzle[0]
    ends = [float(track.at(lines[[k]])[0]) for k in (0, -1)]
    return Measured(common, ends, list(states.bed.value), float(np.median(plate.layers.height_mm)))


class Samples:
    """Samples' settings and moves, each read once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.known: dict[str, Measured] = {}

    def profile(self, name: str) -> Profile:
        return sample_profile(self.folder / f"{name}.gcode")

    def moves(self, name: str) -> Measured:
        if name not in self.known:
            self.known[name] = measured(self.folder / f"{name}.gcode")
        return self.known[name]


@pytest.fixture(scope="module")
def real(samples: Path) -> Samples:
    return Samples(samples)


@pytest.mark.parametrize(("name", "feature", "ours"), RAN)
def test_speeds_are_what_the_beads_of_the_sample_have(
    real: Samples, name: str, feature: str, ours: str
) -> None:
    told = real.profile(name).number(ours)
    assert told is not None
    assert real.moves(name).common["feed"][feature] == pytest.approx(float(told), abs=0.01)


@pytest.mark.parametrize(("name", "feature", "ours"), ACCELERATED)
def test_accelerations_too(real: Samples, name: str, feature: str, ours: str) -> None:
    told = real.profile(name).number(ours)
    assert told is not None
    assert real.moves(name).common["accel"][feature] == float(told)


# Nozzle and fan that the file commands: (sample, first layer's nozzle, nozzle after, most fan).
HEATED = ["A-two-names", "B-cube", "B-two-objects", "E0-cube", "E0-tpu", "E1-vase", "D-part"]


@pytest.mark.parametrize("name", HEATED)
def test_nozzle_is_what_the_sample_commands_at_its_beads(real: Samples, name: str) -> None:
    profile = real.profile(name)
    told = [profile.number("first_nozzle_c") or profile.number("nozzle_c"), profile.number("nozzle_c")]
    assert real.moves(name).nozzle_c == told


@pytest.mark.parametrize("name", ["B-two-objects", "B2-fast", "C-arcs", "D-part", "E0-tpu", "I-no-marks"])
def test_fan_is_what_the_sample_commands(real: Samples, name: str) -> None:
    told = real.profile(name).number("fan_max")
    assert told is not None
    # M106 counts in 255ths.
    assert real.moves(name).common["fan"]["outermost"] == pytest.approx(float(told), abs=1 / 255)


def test_layer_height_and_filament_are_those_of_the_beads(real: Samples) -> None:
    for name in ("B-two-objects", "C-arcs", "D-part", "E0-cube", "H-parentheses", "G-lid-crlf"):
        told = real.profile(name).number("layer_height_mm")
        assert told is not None
        assert real.moves(name).height_mm == pytest.approx(float(told), abs=0.011), name


def test_the_first_layer_of_percentages(real: Samples) -> None:
    assert real.profile("E0-cube").number("first_layer_height_mm") == Fraction("0.27")  # 90 % of 0.3


def test_of_two_plates_the_bed_named_counts(real: Samples) -> None:
    profile = real.profile("D-part")  # textured plate: 80, then 70; another plate of the file has 70 and 70
    assert (profile.number("first_bed_c"), profile.number("bed_c")) == (80, 70)
    assert real.moves("D-part").beds_c[:3] == [80, 80, 70]


def test_every_name_is_in_some_table() -> None:
    used = {key.name for table in tables() for key in table.keys.values()} | {"fan_max", "fan_off_layers"}
    assert set(NAMES) == used


def test_recognising_by_keys_finds_the_letter_of_each_sample(samples: Path) -> None:
    for path in sorted(samples.glob("*.gcode")):
        document = sample_document(path)
        guess = recognise((one.key for one in document.stated), path.name)
        assert document.letter in (guess.table.letter, *guess.alike), path.name


def test_a_file_of_few_known_keys_is_refused() -> None:
    with pytest.raises(InputError, match="4 keys, of which at most 1 are known"):
        recognise(["layer_height", "a", "b", "c"], "x.ini")


def test_keys_that_two_tables_take_differently_need_a_letter(monkeypatch: pytest.MonkeyPatch) -> None:
    from gcodetools.slicer_settings import tables as module

    key = table_of("B").keys["temperature"]
    one = Table(1, "X", "x", {"a": key, "b": key, "c": key})
    two = Table(1, "Y", "y", {"a": key, "b": key, "c": table_of("B").keys["bed_temperature"]})
    monkeypatch.setattr(module, "tables", lambda: (one, two))
    with pytest.raises(InputError, match="conventions X, Y, which mean different things") as caught:
        recognise(["a", "b", "c"], "x.ini")
    assert caught.value.hint == "Say which: --convention X."
    monkeypatch.setattr(module, "tables", lambda: (one, one))
    assert recognise(["a", "b", "c"], "x.ini").alike == ("X",)


def test_an_unknown_letter_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="--convention Z: no table"):
        table_of("Z")


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("x: {is: nozzle, seen: []}", r"X\.yaml:5: keys\.x\.is: found 'nozzle', expected a name"),
        ("x: {is: nozzle_c, seen: [], of: y}", "another key of this table"),
        ("x: {is: infill_density, seen: [], unit: inverse, plus: 1}", "neither of nor plus"),
        ("x: {is: nozzle_c}", "seen"),
    ],
)
def test_a_wrong_table_is_told_with_line_and_key(tmp_path: Path, row: str, told: str) -> None:
    path = tmp_path / "X.yaml"
    path.write_text(f"beadwright: 1\nsettings: X\nabout: x\nkeys:\n  {row}\n")
    with pytest.raises(InputError, match=told):
        profiles.load("settings", Table, str(path))

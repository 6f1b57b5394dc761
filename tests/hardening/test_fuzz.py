"""Files gone wrong at random: a few by default, found anew by hypothesis; a long hunt by marker; and each fault that
a hunt has found, small and by name.

What must hold is in targets.py. `hunt.py` runs seeds for as long as it is told, `guided.py` is led by coverage.
"""

from __future__ import annotations

import os
import time
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutants import seeded
from targets import INI, JSON, LETTERS, OURS, SIX, TARGETS, Broken, kit_text, plate, run_case, sheet

APPLY = ["apply", "p.gcode", "--kit", "k.kit.yaml", "-o", "o.gcode", "--verify", "--no-estimate"]


@pytest.mark.parametrize("name", TARGETS)
@settings(max_examples=6)
@given(data=st.data())
def test_a_few_files_gone_wrong(name: str, data: st.DataObject) -> None:
    """Hypothesis makes the choices, so that it can tell the fewest that break something."""
    assert set(run_case(TARGETS[name](lambda n: data.draw(st.integers(0, n - 1))))) <= OURS


@pytest.mark.long
@pytest.mark.parametrize("name", TARGETS)
def test_many_files_gone_wrong(name: str) -> None:
    """BEADWRIGHT_FUZZ_S CPU seconds a target (60), from seed BEADWRIGHT_FUZZ_SEED (0) on; ends are counted."""
    budget_s = float(os.environ.get("BEADWRIGHT_FUZZ_S", "60"))
    seed = int(os.environ.get("BEADWRIGHT_FUZZ_SEED", "0"))
    ended: Counter[int] = Counter()
    broken = []
    began = time.process_time()
    while time.process_time() - began < budget_s:
        try:
            ended.update(run_case(TARGETS[name](seeded(seed))))
        except Broken as error:
            broken.append(f"seed {seed}: {str(error)[-600:]}")
        seed += 1
    print(name, dict(ended), f"last seed {seed - 1}, {len(broken)} broken")
    assert not broken, "\n".join(broken[:5])
    assert ended[0] and len(ended) > 1


def test_the_oracle_sees_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """A planted fault of each kind: one of ours, a warning, an output that fails its audit, a hang."""
    from gcodetools.edit.treated import Treated
    from gcodetools.jobs import apply as job

    case = {"p.gcode": plate("B"), "k.kit.yaml": kit_text().encode()}, [APPLY]
    assert run_case(case) == [0]

    def fails(*given: object) -> None:
        raise ZeroDivisionError

    def hangs(*given: object) -> None:
        while True:
            pass

    def litters(*given: object) -> None:
        with open("litter", "w"):  # noqa: PTH123
            raise job.InputError("x", "y")

    for planted, said in ((fails, "status 70"), (hangs, "over "), (litters, "is there")):
        monkeypatch.setattr(job, "place", planted)
        with pytest.raises(Broken, match=said):
            run_case(case, 0.3)
    monkeypatch.undo()
    real = Treated.render_file
    monkeypatch.setattr(Treated, "audit", fails)
    with pytest.raises(Broken, match="status 70"):
        run_case(case)
    assert Treated.render_file is real


@pytest.mark.parametrize("letter", LETTERS)
@pytest.mark.every(3)
def test_time_grows_with_size_alone(letter: str) -> None:
    """Twice the file takes at most about twice as long: no mark makes a search begin anew at each line."""
    short, long = (
        (plate(letter) + b"; x (y\n" * n + b"G1 (x\n;TYPE:a\n; printing object\nM486 S1\n" * n)
        for n in (2_000, 16_000)
    )
    took = []
    for data in (short, long):
        began = time.process_time()
        run_case(({"p.gcode": data, "k.kit.yaml": kit_text().encode()}, [["inspect", "p.gcode"]]))
        took.append(time.process_time() - began)
    assert took[1] < 0.5 + 16 * took[0]


# --- what hunts have found


def case(text: str | bytes, command: list[str], treat: str = SIX) -> list[int]:
    data = text.encode() if isinstance(text, str) else text
    return run_case(({"p.gcode": data, "k.kit.yaml": kit_text(treat).encode()}, [command]))


WALL = """\
G1 X64.275 Y110.225 E.28941
G1 X64.275 Y112.775 E.08631
G1 X62.878 Y112.775 E.04729
G1 X62.626 Y132.906 E.68146
G1 X61.757 Y133.775 E.0416
G1 X58.243 Y133.775 E.11894
G1 X57.374 Y132.906 E.0416
G1 X57.122 Y112.775 E.68146
G1 X55.725 Y112.775 E.04729
"""


@pytest.mark.parametrize("word", ["X", "Y", "Z", "E", "F"])
@pytest.mark.parametrize("number", ["1" * 400, "-" + "9" * 400])
def test_a_number_that_no_float_holds(word: str, number: str) -> None:
    """It became infinite, and differences of it no number at all."""
    text = plate("B").replace(b"G1 F1800", f"G1 {word}{number}".encode(), 1)
    assert case(text, ["inspect", "p.gcode"]) == [3]


def test_an_e_that_swallows_the_digits_of_its_steps() -> None:
    """At 1e11 mm a double holds steps of 1.5e-5: what came out was not what went in, to the audit."""
    text = (
        "M82\n;LAYER_CHANGE\nG1 Z1.8 F720\nG1 X55.725 Y110.225 F7800\n"
        + WALL
        + "G1 X58.011 Y126.721 E99999999999\n"
    )
    assert case(text, APPLY) == [3]


def test_a_command_whose_value_is_infinite() -> None:
    assert case(b"M106 S" + b"1" * 400 + b"\n" + plate("B"), APPLY) == [3]


def test_a_width_that_is_infinite() -> None:
    text = plate("B").replace(b";WIDTH:0.45", b";WIDTH:1E999", 3)
    assert case(text, ["inspect", "p.gcode", "--kit", "k.kit.yaml"]) == [0]


def test_a_total_behind_a_blank() -> None:
    """A comment that is brought up to date, but does not begin its line, was taken for one that is gone."""
    text = b"\n ".join(plate("D").split(b"\n"))
    assert case(text, APPLY) == [0]


def test_an_acceleration_for_beads_and_travel_before_a_treated_bead() -> None:
    """`M204 S` is held back; the travel acceleration that it sets as well was lost."""
    text = (
        "M204 P1500 R1500 T2500\nM83\n; CHANGE_LAYER\n; LAYER_HEIGHT: 0.2\nG1 X55.725 Y110.225 F7800\n" + WALL
        + "G1 X55.725 Y110.225 E.08631\nG1 E-.8 F2100\nG3 Z2.6 I1.2 J0 P1 F7800\nM204 S2500\n; CHANGE_LAYER\n"
        "G1 X63.868 Y110.632 E.26185\n"
    )  # fmt: skip
    assert case(text, APPLY) == [0]


def test_a_bead_behind_homing() -> None:
    """Nobody knows where it begins: it was cut along a way from where the move before had ended."""
    text = (
        "M83\n;LAYER_CHANGE\nG1 Z.6 F720\nG1 X55.725 Y110.225 F7800\n;TYPE:External perimeter\n" + WALL
        + "G1 X56.621 Y110.939 E.05371\n;LAYER_CHANGE\nG1 Z4 F720\n;TYPE:Internal infill\n"
        "G1 X61.953 Y+5 E.16369\nG28\nG1 X61.989 Y+5 E.09868\n"
    )  # fmt: skip
    assert case(text, APPLY) == [0]


def test_a_travel_whose_x_has_no_number_behind_a_moved_wall() -> None:
    """It stays where the wall has ended, which `fit` moves."""
    text = (
        "M83\n; CHANGE_LAYER\nG1 X55.725 Y110.225 F7800\n" + WALL + "G1 X55.725 Y110.225 E.08631\n; LAYER_HEIGHT: 0.2\n"
        "G1 E-.8 F2100\nG1 Z1.8 F720\nG1 X64.275 Y112.775 E.08631\nG1 X55.725 Y112.775 E.04729\n"
        "G1 X55.725 Y110.225 E.08631\n; CHANGE_LAYER\nG1 X\u0663 Y110.632 F7800\nG1 Z4.8 F720\n"
        "G1 X58.06 Y130.65 E.18808\n"
    )  # fmt: skip
    assert case(text, [*APPLY], "{flow: {scale: 98%, outer: true}, fit: {offset: 0.05}}") == [0]


CLIMBS = """\
M486 Awedge-key-snug.stl copy 0
(<loop> outer )
G1 X56.132 Y110.632 Z3 F7800
G1 X63.868 Y110.632 Z3 F2700.0 E116.51469
G1 X63.868 Y112.368 Z3 F2700.0 E116.57345
G1 X62.476 Y112.368 Z3 F2700.0 E116.62057
G1 X62.221 Y132.735 Z3 F2700.0 E117.31002
G1 X61.588 Y133.368 Z3 F2700.0 E117.34032
(<edge> outer )
G1 X55.725 Y110.225 Z3 F7800
M101
G1 F1800
G1 X64.275 Y110.225 Z3 F1800.0 E118.56286
G1 X64.275 Y112.775 Z3 F1800.0 E118.64917
G1 X62.878 Y112.775 Z3 F1800.0 E118.69646
G1 X62.626 Y132.906 Z3 F1800.0 E119.37792
G1 X61.757 Y133.775 Z3 F1800.0 E119.41952
G1 X58.243 Y133.775 Z3 F1800.0 E119.53846
G1 X57.374 Y132.906 Z3 F1800.0 E119.58006
G1 X57.122 Y112.775 Z3 F1800.0 E120.26152
G1 X55.725 Y112.775 Z3 F1800.0 E120.30881
G1 X55.725 Y110.225 Z3 F1800.0 E120.39512
M103
(</edge>)
(<infill>)
G1 E119.59512 F2100
G1 Z3.4 F720
G1 X62.378 Y110.939 Z3.4 F7800
G1 X61.94 Y130.65 Z3 F3600.0 E122.34085
(<infill>)
G1 Z4.2 F720
G1 E161.73799 F2100
M101
G1 X58.081 Y132.356 Z4.4 F2700.0 E166.8091
G1 X61.967 Y128.47 Z4.4 F2700.0 E166.99512
G1 X61.975 Y127.887 Z4.4 F2700.0 E167.01486
G1 X58.074 Y131.787 Z4.4 F2700.0 E167.20157
"""


def test_a_fill_that_climbs_is_not_cut() -> None:
    """New perimeters cut a line of fill that sinks on its way; the travel over the gap kept its height."""
    treat = "{perimeters: {add: 1}, nozzle: {add: 8, mode: follow}, fan: {cap: 0%}, speed: {max: 20}}"
    assert case(CLIMBS, APPLY, treat) == [0]


def test_a_sheet_whose_quotation_mark_is_never_closed() -> None:
    """It swallows the header and all rows."""
    for data in (sheet().replace(b"# file", b'# "file', 1), b'"# a\n' + sheet()):
        (status,) = run_case(({"s.csv": data}, [["tune", "s.csv"]]))
        assert status in (0, 3)


@pytest.mark.parametrize(
    "key", ["diameter_mm", "density_g_cm3", "ooze_mm", "min_layer_time_s", "price_per_kg"]
)
def test_a_material_of_sizes_beyond_all_filament(key: str) -> None:
    text = f"beadwright: 1\nmaterial: big\nlike: petg\n{key}: {{value: 1e300, source: a test, flag: given}}\n"
    files = {"p.gcode": plate("B"), "k.kit.yaml": kit_text().encode(), "m.yaml": text.encode()}
    assert run_case((files, [["inspect", "p.gcode", "--kit", "k.kit.yaml", "--material", "./m.yaml"]])) == [3]


def test_settings_that_are_fuzzed_are_read_when_whole() -> None:
    """What stands here would prove little if the files that are mutated were refused as they are."""
    for name, data in (("s.ini", INI), ("s.json", JSON)):
        assert run_case(({name: data}, [["profile", "show", name, "--all"]])) == [0]

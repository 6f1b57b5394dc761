"""Files gone wrong at random: a few by default, found anew by hypothesis; a long hunt by marker; and each fault that
a hunt has found, small and by name.

What must hold is in targets.py. `hunt.py` runs seeds for as long as it is told, `guided.py` is led by coverage.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import tempfile
import time
import zipfile
from collections import Counter
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutants import seeded
from shapely import LineString, box
from targets import INI, JSON, LETTERS, OURS, SIX, TARGETS, Broken, kit_text, package, plate, run_case, sheet

from gcodetools.cli.main import status_of
from gcodetools.toolpath.measures import measure
from gcodetools.toolpath.meshes import mesh_of
from gcodetools.toolpath.plate import Plate

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


CROWD = "{perimeters: {add: 1}, nozzle: {add: 8, mode: follow}, fan: {cap: 0%}, speed: {max: 20}}"


def test_a_fill_with_characters_of_no_word_between_removed_ones() -> None:
    """Its feed was put back in front of those characters, which went on the number: `E.09868 F3600.969624`."""
    head, *fills = plate("B").split(b"E.09868\n")
    text = head + b"".join(
        b"E.09868" + b".969624" * (k % 12 == 6) + b"\n" + fill for k, fill in enumerate(fills)
    )
    assert text.count(b".969624") > 3
    assert case(text, APPLY, CROWD) == [0]


def test_an_f_without_a_number_behind_a_slowed_bead() -> None:
    """It was taken for the line's own feed, so none was put back."""
    assert case(plate("B").replace(b"G1 E-.8 F2100\n", b"G1 E-.8 F\n"), APPLY) == [0]


def test_an_f_without_a_number_on_a_cut_bead_of_a_file_without_feeds() -> None:
    """The number that the cut's last piece was to repeat is none."""
    text = re.sub(rb" F\d+", b"", plate("B")).replace(b"E.09868\n", b"E.09868 F\n")
    assert case(text, APPLY) == [0]


def test_absolute_e_from_the_middle_of_a_layer_on_that_was_rested_before() -> None:
    """The ooze that a rest primes stayed in the counter, which nobody reads while E is relative."""
    bead = b"G1 X57.524 Y112.368 E.68945\n"
    head, tail = plate("B").split(bead)[:5], plate("B").split(bead)[5:]
    assert tail
    assert case(bead.join([*head, b"M82\n" + bead + bead.join(tail)]), APPLY) == [0]


def test_a_fill_that_is_taken_behind_a_lift() -> None:
    """A run goes back to where the next bead begins, but not before moves in Z and E: nobody had declared where
    those stand."""
    lift = b"G1 Z3.800 F720\nG1 X57.743 Y112.061 F7800\n"
    text = plate("J").replace(lift, lift + b"G1 X57.918 Y119.279 E1.7487\n")
    assert text != plate("J")
    assert case(text, APPLY, "{perimeters: {add: 2, over_air: true}, infill: solid}") == [0]


@pytest.mark.parametrize("number", ["\u0663", "1e3", "nan", "1_0", " 3", "9" * 400])
def test_a_package_whose_totals_are_no_plain_numbers(number: str) -> None:
    """Python's `float` takes other digits, exponents and words too; written anew they would be something else."""
    with zipfile.ZipFile(io.BytesIO(package())) as archive:
        held = {info.filename: archive.read(info) for info in archive.infolist()}
    held["Metadata/slice_info.config"] = held["Metadata/slice_info.config"].replace(b"0.61", number.encode())
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, content in held.items():
            archive.writestr(entry, content)
    files = {"p.x": made.getvalue(), "k.kit.yaml": kit_text().encode()}
    assert run_case(
        (files, [["apply", "p.x", "--kit", "k.kit.yaml", "-o", "o.x", "--verify", "--no-estimate"]])
    ) == [0]


def told(text: bytes, treat: str, begin: str, status: int) -> None:
    """The status of `apply`, and how its error begins."""
    files = {"p.gcode": text, "k.kit.yaml": kit_text(treat).encode()}
    err = io.StringIO()
    with tempfile.TemporaryDirectory(prefix="beadwright-fuzz-") as folder, contextlib.chdir(folder):
        for name, data in files.items():
            Path(name).write_bytes(data)
        with contextlib.redirect_stderr(err):
            assert status_of(APPLY) == status
        assert f"error: {begin}" in err.getvalue()
        assert not Path("o.gcode").exists()


def test_a_unit_that_changes_in_mid_print() -> None:
    """A counter of E that was ahead went on in the other unit. Nobody slices so; it is refused where something
    changes, and read as ever elsewhere."""
    parts = plate("G").split(b"\nG92 E0\n")
    middle = len(parts) // 2
    inches = re.sub(rb"(?<=[XYZEF])[\d.]+", lambda m: b"%.5f" % (float(m[0]) / 25.4), parts[middle])
    text = b"\nG92 E0\n".join([*parts[:middle], b"G20\n" + inches + b"\nG21", *parts[middle + 1 :]])
    line = text[: text.index(b"G20\n")].count(b"\n") + 1
    told(text, SIX, f"p.gcode:{line}: G20: the unit changes in the middle of the print", 3)
    assert case(text, ["inspect", "p.gcode", "--kit", "k.kit.yaml"]) == [0]


def test_a_checksum_on_a_line_that_new_beads_replace() -> None:
    """The line was left out and given a new checksum."""
    text = re.sub(rb"(?m)^G1 X.*$", lambda m: b"%s*%d" % (m[0], reduce(xor, m[0])), plate("A"))
    assert b"*" in text
    assert case(text, APPLY, CROWD) == [0]


@pytest.mark.parametrize("letter", ["A", "J"])
def test_numbers_of_more_decimals_than_a_double_holds(letter: str) -> None:
    """New numbers were to have as many, for which there are no digits."""
    text = re.sub(rb"(?m)(?<= [XYE])(\d*\.\d+)", rb"\g<1>000000000000000001", plate(letter))
    assert case(text, APPLY, "{perimeters: {add: 1}, flow: {scale: 103%}}") == [0]


@pytest.mark.parametrize("word", [b"Y1000000", b"X-60000"])
def test_a_bead_of_a_kilometre(word: bytes) -> None:
    """Its room was meshed: millions of triangles, gigabytes."""
    bead = b"G1 X62.878 Y112.775 E.04729\n"
    text = plate("B").replace(bead, b"G1 " + word + b" E.04729\n" + bead)
    line = text[: text.index(word)].count(b"\n") + 1
    told(text, "{perimeters: {fill: true}}", f"p.gcode:{line}: a bead of ", 3)


def test_an_arc_that_goes_the_long_way_round_a_continent() -> None:
    bead = b"G1 X62.878 Y112.775 E.04729\n"
    text = plate("B").replace(bead, b"G2 X62.878 Y112.775 I-0.7 J-1397000 E.04729\n")
    told(text, "{perimeters: {fill: true}}", "p.gcode:", 3)


def test_a_room_with_more_edge_than_a_bed_holds() -> None:
    """A polygon may come from beads below that limit, a thousand of them."""
    zigzag = [(49_000.0 * (k // 2 % 2), 0.8 * k) for k in range(60)]
    comb = LineString(zigzag).buffer(0.2)
    began = time.process_time()
    assert mesh_of(comb, 0.3) is None
    assert time.process_time() - began < 5
    assert mesh_of(box(0, 0, 300, 1), 0.3) is not None


@pytest.mark.parametrize(
    ("speed", "status"), [("{max: 1.0e-9}", 3), ("{scale: 1.0e-9}", 5), ("{max: 0.1}", 0), ("{scale: 1%}", 0)]
)
def test_a_speed_that_prints_as_0(speed: str, status: int) -> None:
    assert case(plate("B"), APPLY, f"{{speed: {speed}, nozzle: {{add: 8, mode: follow}}}}") == [status]


def test_a_file_that_crawls_for_ages() -> None:
    """On a clock of a million years beads seemed to begin before the one before had ended."""
    text = re.sub(rb" F\d+", b" F0.00000006", plate("B"))
    assert case(text, APPLY, "{perimeters: {add: 1}, nozzle: {add: 8, mode: follow}}") == [0]


@pytest.mark.parametrize("treat", [CROWD, "{infill: solid}", "{fit: {offset: 0.05}}"])
def test_an_origin_set_between_beads_that_go_or_move(treat: str) -> None:
    """The nozzle was elsewhere than the file believed when it said where it is."""
    begin, end = (
        (b"G1 X58.243 Y133.775 E.11894\n", b"\n")
        if "fit" in treat
        else (b"G1 X57.938 Y120.891 E.09868\n", b"\n")
    )
    parts = plate("B").split(begin)
    middle = len(parts) // 2
    place = begin.split(b" E")[0].replace(b"G1", b"G92") + end
    text = begin.join(parts[:middle]) + begin + place + begin.join(parts[middle:])
    line = text[: text.index(place)].count(b"\n") + 1
    told(text, treat, f"p.gcode:{line}: {place.decode().strip()}: the file sets its coordinates", 3)
    assert case(text, APPLY, "{speed: {scale: 80%}, flow: {scale: 103%}}") == [0]


def test_an_origin_set_where_the_nozzle_is_where_the_file_has_it() -> None:
    """Beads that come or go elsewhere are no reason to refuse."""
    wall = b"G1 X58.243 Y133.775 E.11894\n"
    text = plate("B").replace(wall, wall + b"G92 X58.243 Y133.775\n")
    assert case(text, APPLY, CROWD) == [0]


def test_an_origin_set_where_a_layer_rests() -> None:
    """Where the nozzle waits is no place that the file knows; the rest is left out, and it is said why."""
    lift = rb"(; stop printing [^\n]*\n(?:[^\n]*\n)*?)(G1 Z\S+ F720\n)"
    text = re.sub(lift, rb"\1G1 X50 Y100 F7800\n\2G92 X50 Y100\n", plate("B"))
    assert text.count(b"G92 X") > 10
    assert case(text, APPLY) == [0]


def test_walls_too_thin_for_any_nozzle_measure_nothing() -> None:
    """A pitch of a hundredth of a millimetre made meshes of a third of a million points."""
    thin = re.sub(rb"(?m)^(G1 X\S+ Y\S+ E)(\S+)$", lambda m: m[1] + b"%.5f" % (float(m[2]) / 40), plate("B"))
    assert measure(Plate.from_bytes(plate("B"))).pitch_mm == pytest.approx(0.407, abs=0.01)
    assert measure(Plate.from_bytes(thin)).pitch_mm > 0.2
    wall = b"G1 X62.626 Y132.906 E.68146\n"
    far = plate("B").replace(wall, b"G1 X62.626 Y40000.0 E.00001\n" + wall)
    assert measure(Plate.from_bytes(far)).pitch_mm > 0.2


@pytest.mark.parametrize("offset", ["1.0e-9", "-1.0e-5", "0.0004"])
def test_a_fit_by_less_than_a_printed_step(offset: str) -> None:
    """It fades over kilometres: no part of a ramp was left."""
    assert case(plate("B"), APPLY, f"{{fit: {{offset: {offset}}}}}") == [0]


def test_new_beads_before_a_lift_without_a_travel() -> None:
    """They end elsewhere, and the way back stands right before the next bead: nobody had declared where the lift is."""
    text = plate("B").replace(b"G1 X62.378 Y110.939 F7800", b"M1 X62.378 Y110.939 F7800")
    assert case(text, APPLY, "{perimeters: {fill: true}}") == [0]


@pytest.mark.parametrize("end", [b"G1\n", b"G1 Z40 F720\nG1 E-.8 F2100\n", b"G1 Z40 F720\nM104 S0\n"])
def test_a_file_that_ends_behind_a_fill_that_goes(end: bytes) -> None:
    """No move brings the nozzle back to where the file has it: nobody had declared where it stands."""
    fill = b"G1 X58.047 Y129.636 E.16369\n"
    parts = plate("B").split(fill)
    text = fill.join(parts[:-1]) + fill + end
    assert case(text, APPLY, "{perimeters: {add: 2, over_air: true}, infill: solid}") == [0]


def test_steps_behind_a_wall_that_is_moved() -> None:
    """Ways of the fill in G91 began where the wall, which had moved, had ended; the walls themselves are absolute."""
    lines = plate("B").split(b"\n")
    begin = lines.index(b"G1 X58.924 Y110.939 E.15424")
    steps, at = [], None
    for line in lines[begin : begin + 12]:
        place = re.match(rb"G1 X(\S+) Y(\S+) (E\S+)$", line)
        now = (float(place[1]), float(place[2])) if place else None
        if place and at and now:
            line = b"G1 X%.3f Y%.3f %s" % (now[0] - at[0], now[1] - at[1], place[3])
        steps.append(line if not place or at else line + b"\nG91\nM83")
        at = now or at
    text = b"\n".join([*lines[:begin], *steps, b"G90", *lines[begin + 12 :]])
    assert b"G91\nM83\nG1 X" in text
    assert case(text, APPLY, "{flow: {scale: 98%, outer: true}, fit: {offset: 0.05}}") == [0]


def test_a_way_back_where_the_file_moves_in_steps() -> None:
    """The way to where a travel in G91 begins was written as a place."""
    old = b"G1 X57.882 Y116.436 E.09624\nG1 X62.171 Y112.146 E.20534\n"
    new = b"G1 X57.882 Y116.436 E.09624\nG91\nG1 X4.289 Y-4.29 F7800\nG90\nM83\nG1 F3600\n"
    text = plate("B").replace(old, new)
    line = text[: text.index(b"G1 X4.289 Y-4.29")].count(b"\n") + 1
    told(
        text,
        "{perimeters: {fill: true}}",
        f"p.gcode:{line}: G1 X4.289 Y-4.29 F7800: beads come or go where",
        3,
    )
    assert case(text, APPLY, SIX) == [0]


@pytest.mark.parametrize("letter, head", [("A", rb"(?m)^;LAYER:\d+\n"), ("H", rb"(?m)^\(<layer>.*\n")])
def test_a_layer_higher_than_beads_are_wide(letter: str, head: bytes) -> None:
    """With layers left out the next is 3.6 mm high: beads of less than no breadth were to be laid there."""
    data = plate(letter)
    at = [found.start() for found in re.finditer(head, data)]
    data = data[: at[3]] + data[at[20] :]
    assert Plate.from_bytes(data).layers.height_mm[3] == pytest.approx(3.6)
    assert case(data, APPLY, "{perimeters: {add: 2, over_air: true}, infill: solid}") == [0]

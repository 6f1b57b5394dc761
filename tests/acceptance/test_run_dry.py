"""Files that run their loops dry (coasting; common practice, no source): the dry end of a loop stays with it, and a
part that is known by its outline stands where it stood, whatever is laid inside its walls."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import film_clip, shelf_hook
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PARTS = (Placement(film_clip(height_mm=0.8), 60, 60), Placement(shelf_hook(height_mm=0.8), 120, 60))
DRY_MM = 1.5
_BEAD = re.compile(rb"G1 X([\d.]+) Y([\d.]+) E(\.?\d[\d.]*)")
_PLACE = re.compile(rb"G[01] X([\d.]+) Y([\d.]+)")


def run_dry(data: bytes, wipes: bool) -> tuple[bytes, list[tuple[float, float]]]:
    """The file, in relative E and without arcs, with the last 1.5 mm of each loop without filament, or with it pulled
    back there; and where loops end that run dry."""
    lines = data.split(b"\n")
    here, start, run = (0.0, 0.0), (0.0, 0.0), list[int]()
    places = [here]
    ends = []
    out: dict[int, list[bytes]] = {}
    for k, line in enumerate(lines):
        bead, at = _BEAD.match(line), _PLACE.match(line)
        if bead and not run:
            start = here
        if bead:
            run.append(k)
        elif at or b" E" in line or b";TYPE" in line:
            if len(run) > 3 and np.hypot(here[0] - start[0], here[1] - start[1]) < 0.1:
                ends.append(start)
                _dry(lines, places, run, start, out)
                if wipes:
                    last = out[run[-1]]
                    last[-1:] = [last[-1] + b" E-.3", b"G1 E-.5 F2100", b"G1 E.8", b"G1 F1200"]
            run = []
        here = (float(at[1]), float(at[2])) if at else here
        places.append(here)
    return b"\n".join(part for k, line in enumerate(lines) for part in out.get(k, [line])), ends


def _dry(
    lines: list[bytes], places: list[tuple[float, float]], run: list[int], start: tuple[float, float],
    out: dict[int, list[bytes]],
) -> None:  # fmt: skip
    left = DRY_MM
    for k in reversed(run):
        (x0, y0), (x1, y1) = places[k], places[k + 1]
        if k == run[-1]:
            x1, y1 = start
        size = float(np.hypot(x1 - x0, y1 - y0))
        dry = b"G1 X%.3f Y%.3f" % (x1, y1)
        if size <= left:
            out[k], left = [dry], left - size
            continue
        t = 1 - left / size
        bead = _BEAD.match(lines[k])
        assert bead
        cut = b"G1 X%.3f Y%.3f E%.5f" % (x0 + (x1 - x0) * t, y0 + (y1 - y0) * t, float(bead[3]) * t)
        out[k] = [cut, dry]
        return


def ended(walked) -> set[tuple[float, float, float]]:
    """Where the nozzle gets without pushing, at printing height, over a way as long as a loop's dry end that follows
    a bead."""
    x, y, z, e = (walked.column(name) for name in ("x", "y", "z", "e"))
    found = set()
    for k in np.flatnonzero((e[:-1] > 0) & (e[1:] <= 0) & (np.diff(z) == 0)).tolist():
        way, n = 0.0, k + 1
        while n < len(x) and e[n] <= 0 and z[n] == z[k] and way < DRY_MM + 0.01:
            way += float(np.hypot(x[n] - x[n - 1], y[n] - y[n - 1]))
            if abs(way - DRY_MM) < 0.01:
                found.add((round(x[n], 3), round(y[n], 3), round(z[n], 3)))
            n += 1
    return found


@pytest.mark.every(3)
@pytest.mark.parametrize("treat", ["{perimeters: {add: 1}, infill: solid}", "{perimeters: {fill: true}}"])
@pytest.mark.parametrize("wipes", [False, True], ids=["coasts", "wipes"])
@pytest.mark.parametrize("letter", ["B", "C", "D", "E0", "I"])
def test_the_dry_end_of_a_loop_stays_and_the_part_is_found_again(letter, wipes, treat, probe, walk):
    made = maker.make(letter, parts=PARTS, relative_e=True, labelled=False)
    data, ends = run_dry(made.data, wipes)
    plate = Plate.from_bytes(data, f"{letter}.gcode")
    assert len(ends) >= 16
    kit = probe.kit(plate, "all", treat)
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert applied.audit.differing == 0
    output = applied.treated.render()
    before, after = ended(walk(data)), ended(walk(output))
    assert {place[:2] for place in before} >= {(round(x, 3), round(y, 3)) for x, y in ends}
    assert before <= after
    poses, again = applied.placed.poses, place(kit, Plate.from_bytes(output, "again.gcode")).poses
    assert len(again) == len(poses) > 0
    for one, other in zip(poses, again, strict=True):
        assert (other.x_mm, other.y_mm) == pytest.approx((one.x_mm, one.y_mm), abs=0.05)
        assert other.turn_deg == pytest.approx(one.turn_deg, abs=0.1) and other.layers == one.layers


def test_a_wall_that_new_beads_do_not_follow_keeps_its_wipe() -> None:
    """Two squares of one part, all walls first and then all fill: beads go into the first alone, and the way on which
    the second is wiped closed stood right before the fill that gives way."""

    def square(x: int, stop: str) -> str:
        corners = (
            f"G1 X{x} Y50 F6000\nG1 X{x + 14} Y50 E.466 F1800\nG1 X{x + 14} Y64 E.466\nG1 X{x} Y64 E.466\n"
        )
        return corners + stop

    def fill(x: int) -> str:
        text = f"G1 X{x}.5 Y50.5 F6000\nG1 E.5 F2100\nG1 F1800\n"
        for k in range(7):
            low = 50.5 if k % 2 else 63.5
            text += f"G1 X{x + 0.5 + 2 * k} Y{low} E.433\n" + (
                f"G1 X{x + 2.5 + 2 * k} Y{low} E.06\n" if k < 6 else ""
            )
        return text + "G1 E-.5 F2100\n"

    text = "G21\nG90\nM83\nM104 S230\nM106 S100\nM204 S1000\n"
    for layer in range(1, 6):
        z = round(0.2 * layer, 1)
        text += f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\nG1 Z{z} F600\n; printing object ring id:0 copy 0\n"
        text += ";TYPE:External perimeter\n;WIDTH:0.45\n"
        if layer == 1:  # what joins them
            text += "G1 X50 Y50 F6000\nG1 X84 Y50 E1.13 F1800\nG1 X84 Y64 E.466\nG1 X50 Y64 E1.13\nG1 X50 Y50 E.466\n"
            text += ";TYPE:Internal infill\nG1 X50.5 Y50.5 F6000\nG1 F1800\n"
            for k in range(74):
                text += f"G1 X{50.5 + 0.45 * k:.2f} Y{50.5 if k % 2 else 63.5} E.433\n"
        else:
            text += square(50, "G1 X50 Y50.05 E.46\n") + "G1 E-.5 F2100\nG1 X70 Y50 F6000\nG1 E.5 F2100\n"
            text += square(70, "G1 X70 Y51.5 E.416\nG1 X70 Y50 E-.5\n")
            text += f";TYPE:Internal infill\n{fill(50)}{fill(70)}"
        text += "; stop printing object ring id:0 copy 0\n"
    plate = Plate.from_bytes((text + "G1 X0 Y0 F6000\nM107\n").encode(), "squares.gcode")
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: squares\nmaterial: petg\nbase: {nozzle: 230}\nparts:\n  ring:\n"
        b"    found_by: {label: ['*']}\n    regions:\n      zone:\n"
        b"        within: {box: {x: [-60, 0], y: [-60, 60], z: [-1, 60]}}\n        treat: {infill: solid}\n",
        "squares.kit.yaml",
    )
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert applied.audit.differing == 0 and applied.treated.draft.runs
    assert applied.treated.output.count(b"G1 X70 Y50 E-.5\n") == 4


def test_like_layers_of_which_some_are_run_dry_are_told_apart() -> None:
    """With the gap closed there is room along the wall, without it there is none."""
    text = "G21\nG90\nM83\nM104 S230\nM106 S100\n"
    for layer, stop in enumerate(["G1 X50 Y50\n", "", "G1 X50 Y50\n", ""], 1):
        z = round(0.2 * layer, 1)
        text += f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\nG1 Z{z} F600\n; printing object ring id:0 copy 0\n"
        text += ";TYPE:External perimeter\n;WIDTH:0.45\nG1 X50 Y50 F6000\nG1 X64 Y50 E.466 F1800\n"
        text += f"G1 X64 Y64 E.466\nG1 X50 Y64 E.466\nG1 X50 Y52 E.4\n{stop}"
        text += "; stop printing object ring id:0 copy 0\nG1 E-1 F2000\nG1 E1\n"
    plate = Plate.from_bytes((text + "G1 E-1\nG1 X0 Y0 F6000\n").encode(), "gaps.gcode")
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: gaps\nmaterial: petg\nbase: {nozzle: 230}\nparts:\n  ring:\n"
        b"    found_by: {label: ['*']}\n    regions: {zone: {within: all, treat: {perimeters: {add: 1}}}}\n",
        "gaps.kit.yaml",
    )
    draft = apply_plate(plate, kit, Options((), verify=True)).treated.draft
    assert [
        int(plate.beads.layer[run.row - 1 - (plate.moves.e[run.row - 1] == 0)]) for run in draft.runs
    ] == [0, 2]

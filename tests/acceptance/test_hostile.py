"""Small files written by hand, each with something that trips readers: all six treatments, audit, own walk."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely

from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

LAYERS, STEP, WIDE = 12, 0.2, 20.0
FLOW = WIDE * STEP * 0.45 / 2.405  # filament of a bead over WIDE mm, 1.75 mm filament
ROWS = 13
# A square without one corner: walls by their centre lines, from the seam around.
WALL = ((0.0, 0.0), (20.0, 0.0), (20.0, 14.0), (14.0, 20.0), (0.0, 20.0), (0.0, 0.0))
EDGE = shapely.Polygon([(40 + x, 40 + y) for x, y in WALL]).buffer(0.225, join_style="mitre")
OUTLINE = [[round(c, 4) for c in xy] for xy in shapely.get_coordinates(EDGE)[:-1].tolist()]
KIT = f"""
beadwright: 1
kit: hostile
material: pla
base: {{nozzle: 210, fan: 40%}}
parts:
  square:
    found_by: {{outline: [{OUTLINE}]}}
    regions:
      zone:
        within: {{box: {{x: [45.3, 70], y: [30, 70], z: [0.6, 1.6]}}}}
        treat: {{nozzle: {{add: 4}}, fan: {{cap: 20%}}, speed: {{scale: 80%}}, flow: {{scale: 104%}},
                accel: {{max: 700}}, rest: {{seconds: 7}}, force: true}}
"""


class Pen:
    """Writes such squares with zigzag fill; E by `mode`: relative, absolute, or absolute reset each layer or bead."""

    def __init__(
        self, mode: str = "relative", tool: str = "", firmware: bool = False, unit: float = 1.0
    ) -> None:
        self.mode, self.firmware, self.unit, self.e, self.lines = mode, firmware, unit, 0.0, []
        self.lines += ["G90", "G21" if unit == 1 else "G20", "M83" if mode == "relative" else "M82", "G92 E0"]
        self.lines += ["M104 S210", "M106 S0", "M204 S1000", *([tool] if tool else [])]

    def push(self, amount: float) -> str:
        if self.mode == "relative":
            return f"E{amount / self.unit:.5f}"
        if self.mode == "bead":
            self.lines.append("G92 E0")
            self.e = 0.0
        self.e += amount / self.unit
        return f"E{self.e:.5f}"

    def go(self, x: float, y: float, amount: float = 0.0, feed: float = 1800, word: str = "") -> None:
        at = f"X{x / self.unit:.4f} Y{y / self.unit:.4f}"
        if amount:
            push = self.push(amount)
            self.lines.append(f"{word or 'G1'} {at} {push} F{feed / self.unit:g}")
        else:
            self.lines.append(f"G0 {at} F{9000 / self.unit:g}")

    def retract(self, back: bool) -> None:
        if self.firmware:
            self.lines.append("G11" if back else "G10")
        else:
            self.lines.append(f"G1 {self.push(0.8 if back else -0.8)} F{2400 / self.unit:g}")

    def layer(self, k: int, x: float = 40.0, y: float = 40.0, lift: bool = False) -> None:
        if k and self.mode in ("layer", "value"):
            self.e = 0.0 if self.mode == "layer" else 7.25
            self.lines.append(f"G92 E{self.e:g}")
        self.retract(False)
        z = (k + 1) * STEP
        if lift:
            self.lines.append(f"G1 Z{(z + 5) / self.unit:.4f} F600")
            self.go(x, y)
        self.lines.append(f"G1 Z{z / self.unit:.4f} F{600 / self.unit:g}")
        self.go(x, y)
        self.retract(True)
        if k == 2:
            self.lines.append("M106 S102")
        for (dx, dy), (ox, oy) in zip(WALL[1:], WALL, strict=False):
            self.go(x + dx, y + dy, FLOW * float(np.hypot(dx - ox, dy - oy)) / WIDE)
        self.go(x + 0.45, y + 0.45)
        for n in range(ROWS):
            row = y + 0.7 + n * 0.95
            self.go(x + 0.6, row)
            self.go(x + WIDE - 0.6, row, FLOW * 0.94, 3000)

    def done(self) -> bytes:
        self.retract(False)
        return ("\n".join([*self.lines, "M104 S0", "M107", "G28 X0"]) + "\n").encode()


def plain(mode: str = "relative", **more) -> bytes:
    pen = Pen(mode, **more)
    for k in range(LAYERS):
        pen.layer(k)
    return pen.done()


def two_tools() -> bytes:
    pen = Pen("absolute")
    pen.lines.insert(5, "M104 T1 S205")
    for k in range(LAYERS):
        pen.lines.append(f"T{k % 2}")
        pen.layer(k)
    return pen.done()


def one_by_one(mode: str) -> bytes:
    pen = Pen(mode)
    for x in (40.0, 100.0):
        for k in range(LAYERS):
            pen.layer(k, x, lift=k == 0)
    return pen.done()


def arcs(absolute_centres: bool, radius: bool = False) -> bytes:
    """The square's fill as half circles that bow by a little; centres relative, absolute (G90.1), or R."""
    pen = Pen("relative")
    if absolute_centres:
        pen.lines.append("G90.1")
    for k in range(LAYERS):
        first = len(pen.lines)
        pen.layer(k)
        for n in range(first, len(pen.lines)):
            if "F3000" in pen.lines[n]:
                y = float(re.search(r"Y([\d.]+)", pen.lines[n])[1])
                centre = (50 - (0 if absolute_centres else 40.6), 10 if absolute_centres else -(y - y) - 30)
                r = (9.4**2 + 30**2) ** 0.5
                ij = f"R{r:.5f}" if radius else f"I{centre[0]:.4f} J{y - 30 if absolute_centres else -30:.4f}"
                pen.lines[n] = pen.lines[n].replace("G1", "G2").replace(" E", f" {ij} E")
    return pen.done()


def tight(data: bytes) -> bytes:
    return b"\n".join(line.replace(b" ", b"") if line[:1] in b"GM" else line for line in data.split(b"\n"))


def commented(data: bytes) -> bytes:
    return b"\n".join(b"N%d %s ; a (note) G1 X9 E9" % (n, line) for n, line in enumerate(data.split(b"\n")))


FILES = {
    "relative": plain(),
    "absolute": plain("absolute"),
    "reset each layer": plain("layer"),
    "reset each layer to another value": plain("value"),
    "reset each bead": plain("bead"),
    "carriage returns": plain("absolute").replace(b"\n", b"\r\n"),
    "lower case": plain("absolute").lower(),
    "no blanks": tight(plain("absolute")),
    "no blanks, lower case": tight(plain()).lower(),
    "numbered lines": commented(plain("absolute")),
    "byte-order mark": b"\xef\xbb\xbf" + plain(),
    "no last line end": plain("absolute")[:-1],
    "inches": plain("absolute", unit=25.4),
    "inches, relative": plain(unit=25.4),
    "firmware retraction": plain(firmware=True),
    "firmware retraction, absolute": plain("absolute", firmware=True),
    "two tools": two_tools(),
    "one by one": one_by_one("relative"),
    "one by one, absolute": one_by_one("absolute"),
    "arcs": arcs(False),
    "arcs by radius": arcs(False, radius=True),
    "absolute arcs": arcs(True),
    "bare G92": plain("layer").replace(b"G92 E0\n", b"G92\n", 1),
    "parallel G92": plain("layer").replace(b"G92 E0\n", b"G92 E0 ; X5\n"),
    "percent": plain("absolute").replace(b"M106 S102\n", b"M106 S102\nM220 S90\nM221 S95\n"),
}


@pytest.mark.parametrize("name", sorted(FILES))
def test_six_treatments_pass_audit_and_walk(name, walk):
    data = FILES[name]
    plate = Plate.from_bytes(data, "hostile.gcode")
    applied = apply_plate(plate, kit_from_bytes(KIT.encode(), "k.kit.yaml"), Options(()))
    output = applied.treated.render()
    whole = applied.treated.audit(full=True)
    assert (whole.differing, whole.first_difference) == (0, "")
    assert {d.setting for d in applied.done if d.done != "nothing"} == {
        "nozzle", "fan", "speed", "flow", "accel", "rest",
    }  # fmt: skip
    again = Plate.from_bytes(output, "again")
    assert len(again.layers) == len(plate.layers)
    assert np.count_nonzero(again.beads.is_bead) > np.count_nonzero(plate.beads.is_bead)
    before, after = walk(data), walk(output)
    z0, z1 = before.column("z"), after.column("z")
    bead0, bead1 = (e * (np.hypot(np.diff(w.column("x"), prepend=0), np.diff(w.column("y"), prepend=0)) > 1e-6)
                    for w, e in ((before, before.column("e")), (after, after.column("e"))))  # fmt: skip
    for k in range(LAYERS):
        old, new = (float(b[np.abs(z - (k + 1) * STEP) < 0.01].sum()) for b, z in ((bead0, z0), (bead1, z1)))
        if 3 <= k <= 7:  # mid-heights 0.7 to 1.5; of each fill line 14.1 of 18.8 mm lie in the box
            copies = 2 if "one by one" in name else 1
            added = 0.04 * copies * ROWS * FLOW * 0.94 * 14.1 / 18.8
            assert new - old == pytest.approx(added, rel=0.01), k
        else:
            assert new == pytest.approx(old, abs=2e-4), k
    assert (after.x[-1], after.y[-1], after.z[-1]) == (before.x[-1], before.y[-1], before.z[-1])
    assert (after.fan[-1], after.accel[-1], after.nozzle[-1]) == (
        before.fan[-1],
        before.accel[-1],
        before.nozzle[-1],
    )
    # A rest's prime is all that is pushed beside the flow.
    rests = len(applied.treated.draft.rests) - len(applied.treated.unrested)
    assert rests >= 5
    assert output.count(b"G4") + output.count(b"g4") >= 2 * rests  # 7 s in pieces of at most 5 s

"""Small plates written line by line, an interpreter of our own, and drafts that remove and lay."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from math import cos, pi, sin

import numpy as np

from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft, Run
from gcodetools.edit.moves import BEAD, TRAVEL
from gcodetools.edit.splice import Edits, apply_edits
from gcodetools.edit.treated import Treated
from gcodetools.gcode.numbers import Pool
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

NAN = float("nan")
SPARSE, PERIMETER = FEATURE_INDEX["sparse"], FEATURE_INDEX["perimeter"]
_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?", re.IGNORECASE)
_TAG = re.compile(r";@(\d+)")


@dataclass(frozen=True)
class Step:
    """One line that acts: where it begins and ends (mm), filament (mm), feed (mm/s), what holds on it."""

    line: int
    text: str
    tag: int | None
    begin: tuple[float, float, float]
    end: tuple[float, float, float]
    e: float
    feed: float
    fan: float | None
    accel: float | None
    nozzle: float | None = None

    @property
    def moves(self) -> bool:
        return self.begin[:2] != self.end[:2]

    @property
    def is_bead(self) -> bool:
        return self.moves and self.e > 0


def replay(data: bytes) -> list[Step]:
    """What a file does, line by line: G0 to G3, G10, G11, G20, G21, G90 to G92, M82, M83, M104, M106, M107, M109,
    M200, M204, as published in the NIST RS274/NGC report (1999) and common practice for E and M words."""
    at = dict.fromkeys("XYZE", 0.0)
    offset = dict.fromkeys("XYZ", 0.0)
    feed, unit, per_e = NAN, 1.0, 1.0
    relative = e_relative = False
    fan: float | None = None
    accel: float | None = None
    nozzle: float | None = None
    steps = []
    for number, raw in enumerate(data.decode().removeprefix("\ufeff").split("\n")):
        text = raw.rstrip("\r")
        tag = _TAG.search(text)
        code = re.sub(r"\([^)]*\)", "", text.split(";")[0].split("*")[0])
        words = _WORD.findall(code)
        if words and words[0][0].upper() == "N":
            words = words[1:]
        if not words or not words[0][1] or words[0][0].upper() not in "GMT":
            continue
        command = words[0][0].upper() + str(int(float(words[0][1])))
        value = {k.upper(): float(v) for k, v in words[1:] if v}
        begin = (at["X"], at["Y"], at["Z"])
        pushed = 0.0
        if command in ("G0", "G1", "G2", "G3"):
            if "F" in value:
                feed = value["F"] / 60 * unit
            for k in "XYZ":
                if k in value:
                    at[k] = (at[k] if relative else offset[k]) + value[k] * unit
            if "E" in value:
                pushed = (value["E"] - (0 if e_relative else at["E"])) * unit * per_e
                at["E"] = value["E"] + (at["E"] if e_relative else 0)
        elif command == "G92":
            for k, v in value.items():
                if k == "E":
                    at["E"] = v
                else:
                    offset[k] = at[k] - v * unit
        elif command in ("G20", "G21"):
            unit = 25.4 if command == "G20" else 1.0
        elif command in ("G90", "G91"):
            relative = command == "G91"
        elif command in ("M82", "M83"):
            e_relative = command == "M83"
        elif command == "M106":
            fan = value.get("S", 255.0)
        elif command == "M107":
            fan = 0.0
        elif command == "M204":
            accel = value.get("S", value.get("P", accel))
        elif command in ("M104", "M109"):
            nozzle = value.get("S", value.get("R", nozzle))
        elif command == "M200":
            per_e = 1.0 if not value.get("D") else 1 / (pi / 4 * value["D"] ** 2)
        if command not in ("G0", "G1", "G2", "G3", "G10", "G11", "G4"):
            continue
        end = (at["X"], at["Y"], at["Z"])
        mark = int(tag[1]) if tag else None
        steps.append(Step(number, text, mark, begin, end, pushed, feed, fan, accel, nozzle))
    return steps


class Sheet:
    """Writes a file in mm whatever its units are; every move of it carries a tag, `;@n`."""

    def __init__(
        self,
        relative: bool = True,
        newline: str = "\n",
        inches: bool = False,
        shift: tuple[float, float] = (0.0, 0.0),
        diameter_mm: float = 0.0,
        rapid: bool = False,
        decimals: int = 5,
    ) -> None:
        self.relative, self.newline = relative, newline
        self.unit, self.shift = 25.4 if inches else 1.0, shift
        self.per_e = self.unit / (pi / 4 * diameter_mm**2) if diameter_mm else self.unit
        self.travel, self.decimals = ("G0" if rapid else "G1"), decimals
        self.counter, self.tags = 0.0, 0
        self.lines = ["G20" if inches else "G21", "G90", "M83" if relative else "M82", "G92 E0"]
        if diameter_mm:
            self.lines.append(f"M200 D{diameter_mm}")
        if shift != (0.0, 0.0):
            self.lines.append(f"G92 X{-shift[0] / self.unit:g} Y{-shift[1] / self.unit:g}")

    def say(self, *lines: str) -> None:
        self.lines += lines

    def _move(self, *words: str) -> None:
        self.lines.append(" ".join(w for w in words if w) + f" ;@{self.tags}")
        self.tags += 1

    def _xy(self, x: float, y: float) -> str:
        a, b = (x - self.shift[0]) / self.unit, (y - self.shift[1]) / self.unit
        return f"X{a:.4f} Y{b:.4f}"

    def _e(self, e: float) -> str:
        units = round(e / self.per_e, self.decimals)
        self.counter += units
        return f"E{units if self.relative else self.counter:.{self.decimals}f}"

    def _f(self, feed: float | None) -> str:
        return "" if feed is None else f"F{feed * 60 / self.unit:.4g}"

    def go(self, x: float, y: float, feed: float | None = None) -> None:
        self._move(self.travel, self._xy(x, y), self._f(feed))

    def bead(self, x: float, y: float, e: float, feed: float | None = None) -> None:
        self._move("G1", self._xy(x, y), self._e(e), self._f(feed))

    def arc(self, x: float, y: float, i: float, j: float, e: float, clockwise: bool = False) -> None:
        self._move("G2" if clockwise else "G3", self._xy(x, y), f"I{i / self.unit:.4f} J{j / self.unit:.4f}",
                   self._e(e))  # fmt: skip

    def height(self, z: float, feed: float | None = 10.0) -> None:
        self._move("G1", f"Z{z / self.unit:.4f}", self._f(feed))

    def push(self, e: float, feed: float | None = 35.0) -> None:
        """Filament alone, back where negative."""
        self._move("G1", self._e(e), self._f(feed))

    def reset(self) -> None:
        self.say("G92 E0")
        self.counter = 0.0

    @property
    def data(self) -> bytes:
        return (self.newline.join(self.lines) + self.newline).encode()

    def plate(self) -> Plate:
        return Plate.from_bytes(self.data, "sheet.gcode")


def squares(sheet: Sheet, layers: int = 2, names: tuple[str, ...] = (), reset: bool = False) -> Sheet:
    """Squares of 20 mm side by side: an outer wall, one loop inside it, lines of fill in a zigzag."""
    for layer in range(layers):
        z = 0.2 * (layer + 1)
        sheet.say(";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2")
        sheet.height(z)
        if reset:
            sheet.reset()
        sheet.say("M204 S1000", "M106 S51" if layer else "M107")
        for k, name in enumerate(names or ("",)):
            if name:
                sheet.say(f"EXCLUDE_OBJECT_START NAME={name}")
            square(sheet, 30.0 * k, z)
            if name:
                sheet.say(f"EXCLUDE_OBJECT_END NAME={name}")
    sheet.go(90, 90, 100)
    return sheet


def square(sheet: Sheet, x: float, z: float) -> None:
    """One square of one layer, pulled back and lifted behind."""
    sheet.go(x, 0, 100)
    sheet.push(0.8)
    sheet.say(";TYPE:External perimeter", ";WIDTH:0.45")
    loop = [(20, 0), (20, 20), (0, 20), (0, 0)]
    for n, (a, b) in enumerate(loop):
        sheet.bead(x + a, b, 0.7, 25 if n == 0 else None)
    sheet.say(";TYPE:Perimeter")
    sheet.go(x + 0.5, 0.5, 100)
    for n, (a, b) in enumerate([(19.5, 0.5), (19.5, 19.5), (0.5, 19.5), (0.5, 0.5)]):
        sheet.bead(x + a, b, 0.65, 40 if n == 0 else None)
    sheet.say(";TYPE:Internal infill", ";WIDTH:0.5")
    sheet.go(x + 1, 1, 100)
    for n in range(6):
        y, forth = 1.0 + 3 * n, n % 2 == 0
        sheet.bead(x + (19 if forth else 1), y, 0.6, 60 if n == 0 else None)
        if n < 5:
            sheet.bead(x + (19 if forth else 1), y + 3, 0.1)
    sheet.push(-0.8)
    sheet.height(z + 0.4)
    sheet.go(x + 30, 0, 100)
    sheet.height(z)


def run_of(row: int, moves: list[tuple[float, ...]], z: float, /, **options: object) -> Run:
    """An early run before `row`: moves (x, y) travel at 100 mm/s, (x, y, e) are beads at 30 mm/s."""
    bead = np.array([len(m) == 3 for m in moves])
    columns = {
        "kind": np.where(bead, BEAD, TRAVEL).astype(np.uint8),
        "x": np.array([m[0] for m in moves]),
        "y": np.array([m[1] for m in moves]),
        "z": np.full(len(moves), z),
        "e": np.array([m[2] if len(m) == 3 else 0.0 for m in moves]),
        "feed": np.where(bead, 30.0, 100.0),
        "width": np.where(bead, 0.5, NAN),
        "feature": np.where(bead, PERIMETER, 0).astype(np.uint8),
        "height_mm": 0.2,
        "region": "r",
        "t0": 0.0,
        "early": True,
    }
    return Run(**{"row": row, **columns, **options})  # type: ignore[arg-type]


def hop(draft: Draft, piece: int, there: np.ndarray) -> Run:
    """The run that brings the nozzle to where a piece begins."""
    row = int(draft.row[piece])
    z = float(draft.plate.moves.z[max(row - 1, 0)])
    return run_of(row, [tuple(there.tolist())], z, t0=float(draft.t0[piece]), early=False)


def with_hops(draft: Draft) -> Draft:
    """Hops before all pieces that may not begin elsewhere."""
    found = displaced(draft)
    hops = [
        hop(draft, int(p), t)
        for p, t, free in zip(found.piece, found.there, found.free, strict=True)
        if not free
    ]
    draft.runs += hops
    draft.runs.sort(key=lambda run: (run.row, run.t0, not run.early))
    return draft


def without(plate: Plate, stretches: list[tuple[int, float, float]]) -> Draft:
    """A draft with stretches (row, t0, t1) removed, cut exactly there."""
    row = np.array([s[0] for s in stretches], np.int64)
    t0, t1 = (np.array([s[k] for s in stretches], float) for k in (1, 2))
    edges = np.concatenate([row, row]), np.concatenate([t0, t1])
    inner = (edges[1] > 0) & (edges[1] < 1)
    draft = Draft.of(plate, None, None, (edges[0][inner], edges[1][inner]))
    if len(row):
        draft.remove(row, t0, t1)
    return draft


def drawn(plate: Plate, seed: int, settings: bool = True) -> Draft:
    """Fill removed in whole, head, tail or middle, runs behind walls, feeds, flows and accelerations."""
    rng = np.random.default_rng(seed)
    feature = plate.beads.feature
    fill = np.flatnonzero(feature == SPARSE)
    stretches = []
    for row in fill[rng.random(len(fill)) < rng.choice([0.0, 0.2, 0.6, 1.0])].tolist():
        a, b = np.sort(rng.choice([0.0, 0.2, 0.31, 0.5, 0.77, 1.0], 2, replace=False))
        stretches += [(row, float(a), float(b))] if rng.random() < 0.7 else [(row, 0.0, 1.0)]
    draft = without(plate, stretches)
    walls = np.flatnonzero((feature != 0) & (feature != SPARSE))
    x, y, z = plate.moves.x, plate.moves.y, plate.moves.z
    for row in np.sort(rng.choice(walls, int(rng.integers(0, 4)), replace=False)).tolist():
        for _ in range(int(rng.integers(1, 3))):
            moves: list[tuple[float, ...]] = []
            if rng.random() < 0.8:
                moves.append((float(x[row] + 1), float(y[row] + rng.random())))
            for _ in range(int(rng.integers(1, 6))):
                a, b = (float(v) for v in np.round(rng.random(2) * 18 + 1, 4))
                moves.append((a, b, float(rng.random() * 0.4 + 0.02)))
            more = {"fan": 0.5} if rng.random() < 0.3 else {}
            if not settings and rng.random() < 0.3:
                more |= {"accel": 400.0}
            draft.runs.append(run_of(row + 1, moves, float(z[row]), **more))
    with_hops(draft)
    if settings:
        kept = (feature[draft.row] != 0) & (~draft.removed if draft.removed is not None else True)
        for column, value in ((draft.feed, 22.5), (draft.flow, 1.05), (draft.accel, 600.0)):
            column[kept & (rng.random(len(kept)) < rng.choice([0.0, 0.1, 0.5]))] = value
    return draft


def planned(draft: Draft) -> list[tuple[tuple[float, float], tuple[float, float], float, float]]:
    """Beads that a draft of straight moves wants, in order: begin, end, filament mm, feed mm/s."""
    moves = draft.plate.moves
    runs: dict[int, list[Run]] = {}
    for run, piece in zip(draft.runs, draft.run_pieces().tolist(), strict=True):
        runs.setdefault(piece, []).append(run)
    here = (0.0, 0.0)
    found = []
    for piece in range(len(draft.row)):
        for run in runs.get(piece, []):
            for k in range(len(run.kind)):
                there = (float(run.x[k]), float(run.y[k]))
                if run.kind[k] == BEAD:
                    found.append((here, there, float(run.e[k]), float(run.feed[k])))
                here = there
        if draft.removed is not None and draft.removed[piece]:
            continue
        row, t0, t1 = int(draft.row[piece]), float(draft.t0[piece]), float(draft.t1[piece])
        a, b = ((float(moves.x[k]), float(moves.y[k])) for k in (max(row - 1, 0), row))
        if a == b:
            continue  # the tests name no place without going there
        begin, end = ((a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t) for t in (t0, t1))
        if moves.e[row] > 0:
            flow = 1.0 if np.isnan(draft.flow[piece]) else float(draft.flow[piece])
            feed = moves.f[row] if np.isnan(draft.feed[piece]) else draft.feed[piece]
            found.append((begin, end, float(moves.e[row]) * (t1 - t0) * flow, float(feed)))
        here = end
    return found


def circle(
    radius: float, count: int = 48, centre: tuple[float, float] = (0.0, 0.0)
) -> list[tuple[float, float]]:
    """Corners of a polygon about a circle."""
    turns = [2 * pi * k / count for k in range(count)]
    return [(centre[0] + radius * cos(a), centre[1] + radius * sin(a)) for a in turns]


def miswritten(treated: Treated, texts: list[bytes]) -> Treated:
    """The same with other texts in its edits, as a faulty writer would have made them."""
    edits = treated.edits
    pool = Pool(np.frombuffer(b"".join(texts), np.uint8), np.array([len(t) for t in texts], np.int64))
    data = treated.original.program.lines.data
    spans = zip(edits.begin.tolist(), edits.end.tolist(), strict=True)
    gone = np.array([data[a:b].count(b"\n") for a, b in spans], np.int64)
    newlines = np.array([t.count(b"\n") for t in texts], np.int64) - gone
    wrong = Edits(edits.begin, edits.end, pool, newlines)
    return replace(treated, edits=wrong, output=apply_edits(data, wrong))


def texts_of(treated: Treated) -> list[bytes]:
    """Texts of all edits."""
    return [treated.edits.text.text(k) for k in range(len(treated.edits))]


def also_edited(treated: Treated, begin: int, end: int, text: bytes) -> Treated | None:
    """The same with one edit more; None where its bytes are edited already."""
    edits = treated.edits
    if np.any((edits.begin < end) & (edits.end > begin)):
        return None
    k = int(np.searchsorted(edits.end, begin, side="right"))
    k = max(k, int(np.searchsorted(edits.begin, begin, side="right")))
    texts = [*texts_of(treated)[:k], text, *texts_of(treated)[k:]]
    more = replace(
        edits,
        begin=np.insert(edits.begin, k, begin),
        end=np.insert(edits.end, k, end),
        text=Pool(edits.text.data, np.insert(edits.text.length, k, 0)),
    )
    return miswritten(replace(treated, edits=more), texts)


def one_wall(relative=True, **options):
    """A square with a run to lay behind the last bead of its inner wall."""
    sheet = Sheet(relative, **options)
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", "M204 S1000", "M106 S51")
    sheet.height(0.2)
    square(sheet, 0.0, 0.2)
    sheet.go(90, 90)
    return sheet.plate()


def last_wall(plate: Plate) -> int:
    return int(np.flatnonzero(plate.beads.feature == PERIMETER)[-1])


def laid(write, plate, *runs):
    draft = Draft.of(plate)
    draft.runs += runs
    return write(with_hops(draft))


def new_lines(treated) -> list[str]:
    """Lines of the output behind the last wall bead and before the file's next line."""
    lines = treated.output.decode().splitlines()
    begin = next(k for k, line in enumerate(lines) if line.endswith(";@11"))
    end = next(k for k, line in enumerate(lines) if line == ";TYPE:Internal infill")
    return lines[begin + 1 : end]

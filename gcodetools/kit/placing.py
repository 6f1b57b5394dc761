"""Where a kit's parts stand on a plate: by label, by outline, turned, mirrored, scaled."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from fnmatch import fnmatchcase
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.gcode.arrays import distinct
from gcodetools.kit.matching import SAME_FIT_MM, Fit, Outline, fits
from gcodetools.kit.schema import Kit, Part
from gcodetools.marks.objects import normal_label
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX, FEATURES
from gcodetools.toolpath.islands import Island, of_layer
from gcodetools.toolpath.plate import Plate

__all__ = ["Placed", "Pose", "label_matches", "place", "why_absent"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]

_PART_FEATURES = tuple(
    FEATURE_INDEX[w]
    for w in ("outermost", "perimeter", "solid", "sparse", "bridge", "overhang", "gap", "other")
)


_INCH_LEAST = 20.0  # a size that is off by more than this is a matter of units: 25.4 mm an inch


@dataclass(frozen=True, slots=True)
class Pose:
    """One instance of a part on the plate.

    world = (x_mm, y_mm) + R(turn_deg) scale M p, where M negates x if mirrored and p is in the part's frame;
    z_mm is the height of the part's z = 0 (a raft's top). instance : from 1, in file order. fit_mm : largest
    distance between outline and plastic, uniform growth taken out; NaN where no outline was compared.
    rows : (k,) its bead rows, ascending. layer : (k,) layer of the instance from 1, 0 on a raft.
    layers : how many it has.
    """

    part: str
    instance: int
    label: str | None
    x_mm: float
    y_mm: float
    turn_deg: float
    z_mm: float
    scale: float
    mirrored: bool
    fit_mm: float
    rows: I4
    layer: I4
    layers: int

    def to_part(self, x: F8, y: F8) -> tuple[F8, F8]:
        """World coordinates in the part's frame."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        dx, dy = x - self.x_mm, y - self.y_mm
        px, py = (c * dx + s * dy) / self.scale, (-s * dx + c * dy) / self.scale
        return (-px if self.mirrored else px), py

    def to_world(self, x: F8, y: F8) -> tuple[F8, F8]:
        """Part coordinates on the bed."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        px, py = (-x if self.mirrored else x) * self.scale, y * self.scale
        return self.x_mm + c * px - s * py, self.y_mm + s * px + c * py


@dataclass(frozen=True, slots=True)
class Placed:
    """A kit on a plate: poses in the order of parts and instances, parts that are not there, warnings."""

    poses: tuple[Pose, ...]
    absent: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Stack:
    """Islands that grow from one place of a first layer: footprint, rows, label."""

    footprint: shapely.Geometry
    rows: I8
    label: str | None
    layer: int


def place(kit: Kit, plate: Plate) -> Placed:
    """Find the instances of a kit's parts.

    Raises
    ------
    InputError : an outline that fits several turns, or two parts that fit one island equally well.
    """
    warnings: list[str] = []
    stacks, fitted = _Stacks(plate), _Fitted()
    claims: list[tuple[str, Pose, float, _Stack]] = []
    for name, part in kit.parts.items():
        for stack in stacks.candidates(part):
            claims += _claims(plate, fitted, name, part, stack, warnings)
    claims = _settled(claims)
    poses: list[Pose] = []
    for name in kit.parts:
        mine = [pose for part, pose, _, _ in claims if part == name]
        mine.sort(key=lambda pose: int(pose.rows[0]))
        poses += [replace(pose, instance=k + 1) for k, pose in enumerate(mine)]
    present = {pose.part for pose in poses}
    absent = tuple(name for name in kit.parts if name not in present)
    return Placed(tuple(poses), absent, tuple(dict.fromkeys(warnings)))


def why_absent(kit: Kit, plate: Plate) -> list[str]:
    """A sentence for each part that a plate without it comes near to, those of a known label first: which of
    label, outline and height fit. What is called otherwise and of no known outline is left out."""
    stacks, fitted = _Stacks(plate), _Fitted()
    found: list[tuple[bool, str]] = []
    for name, part in kit.parts.items():
        labelled = any(stacks.matches(k, part.found_by.labels) for k in range(len(stacks.names)))
        why = _why_absent(plate, fitted, name, part, stacks.candidates(part))
        if why:
            found.append((not labelled, f"{name}: {'its label is there, but ' if labelled else ''}{why}"))
    return [sentence for _, sentence in sorted(found, key=lambda item: item[0])]


def _why_absent(plate: Plate, fitted: _Fitted, name: str, part: Part, candidates: list[_Stack]) -> str | None:
    found = part.found_by
    if found.outline is None:
        unnamed = not plate.marks.objects.names
        return "the file names no objects, and the kit has no outline to know it by" if unnamed else None
    if not candidates:
        return None
    within = max(found.scale_within, 0.0)
    for mirrored in (False, True):
        for stack in candidates:
            fit = next(iter(fitted.of(name, part, stack.footprint, mirrored, within)), None)
            if fit is None:
                continue
            pose = _pose(plate, name, stack, fit)
            if _height_fits(plate, part, pose):
                return "only its mirror image stands there, which the kit refuses"
            return (
                f"its height does not fit: {_top_mm(plate, pose):.4g} mm on the plate, "
                f"{found.height_mm:g} mm in the kit"
            )
    from gcodetools.kit.sections import outline_of

    outline = outline_of(part)
    size = min((np.sqrt(s.footprint.area / outline.area) for s in candidates), key=lambda r: abs(np.log(r)))
    if abs(np.log(size)) < np.log(_INCH_LEAST):
        return "its outline does not fit"
    inches = plate.program.states.inches.at(plate.program.moves.line[candidates[0].rows[:1]])[0] == 1.0
    unit = "the file is in inches (G20)" if inches else "is one of the two in inches?"
    return f"its outline does not fit: what stands there is {size:.3g} times as large; {unit}"


class _Stacks:
    """Stacks of a plate, by label and without, found once."""

    def __init__(self, plate: Plate) -> None:
        self.plate = plate
        self.names = plate.marks.objects.names
        self._by_object: dict[int, list[_Stack]] = {}
        self._all: list[_Stack] | None = None
        self._rows_of: list[I8] | None = None
        self._islands: dict[int, tuple[list[Island], I4]] = {}
        beads, layers = plate.beads, plate.layers
        # What a convention calls other counts as the part's only inside a label.
        of_part = np.zeros(len(FEATURES), bool)
        of_part[list(_PART_FEATURES)] = True
        rows = np.flatnonzero(of_part[beads.feature] & (beads.layer >= 0))
        self.rows = rows[~layers.raft[beads.layer[rows]]] if layers.raft.any() else rows

    def candidates(self, part: Part) -> list[_Stack]:
        """Stacks in which the part may stand."""
        labels = part.found_by.labels
        named = [k for k, name in enumerate(self.names) if not _numeric(name)]
        if labels:
            hits = [k for k in range(len(self.names)) if self.matches(k, labels)]
            if hits or (named and part.found_by.outline is None):
                return [stack for k in hits for stack in self.of_object(k)]
            if named:
                return []
            if part.found_by.outline is None:
                return []
        return self.unlabelled()

    def matches(self, index: int, labels: Iterable[str]) -> bool:
        """Whether one of the globs means this object."""
        spellings = (self.names[index], *self.plate.marks.objects.aliases[index])
        return any(label_matches(spelled, glob) for spelled in spellings for glob in labels)

    def of_object(self, index: int) -> list[_Stack]:
        if index not in self._by_object:
            if self._rows_of is None:
                # One stable sort instead of a comparison of all beads for each object.
                instance = self.plate.beads.instance[self.rows]
                order = np.argsort(instance, kind="stable")
                each = np.arange(-1, len(self.names), dtype=instance.dtype)
                cuts = np.searchsorted(instance[order], each, side="right")
                self._rows_of = [self.rows[order[a:b]] for a, b in pairwise(cuts.tolist())]
            self._by_object[index] = self._stacks_of(self._rows_of[index], self.names[index])
        return self._by_object[index]

    def unlabelled(self) -> list[_Stack]:
        """Stacks of the whole plate, whatever the labels."""
        if self._all is None:
            feature = self.plate.beads.feature[self.rows]
            rows = self.rows[feature != FEATURE_INDEX["other"]]
            self._all = self._stacks_of(rows, None)
        return self._all

    def _stacks_of(self, rows: I8, label: str | None) -> list[_Stack]:
        """Stacks of `rows`; where z falls back to the bed, new ones begin: copies that are printed one after the
        other may share one label."""
        run = self.plate.layers.run
        if len(distinct(run)) < 2:
            return self._of_one_run(rows, label)
        cuts = np.flatnonzero(np.diff(run[self.plate.beads.layer[rows]])) + 1
        return [stack for part in np.split(rows, cuts) for stack in self._of_one_run(part, label)]

    def _of_one_run(self, rows: I8, label: str | None) -> list[_Stack]:
        """Stacks of `rows`; the beads of one that stands alone are not looked at layer by layer."""
        if len(rows) == 0:
            return []
        layer = int(self.plate.beads.layer[rows[0]])
        feet = self._feet(layer, rows)
        if len(feet) == 1:
            return [_Stack(feet[0], rows, label, layer)]
        from gcodetools.kit.stacks import split_stacks

        return [_Stack(g.footprint, g.rows, label, g.layer) for g in split_stacks(self.plate, rows)]

    def _feet(self, layer: int, rows: I8) -> list[shapely.Polygon]:
        """Islands of `rows` in their first layer, which is looked at once for all objects on it."""
        first, last = int(self.plate.layers.first_row[layer]), int(self.plate.layers.last_row[layer])
        if layer not in self._islands:
            islands = of_layer(self.plate, layer)
            owner = np.full(last - first, -1, np.int32)
            for number, island in enumerate(islands):
                owner[island.rows - first] = number
            self._islands[layer] = islands, owner
        islands, owner = self._islands[layer]
        mine = owner[rows[: np.searchsorted(rows, last)] - first]
        return [islands[k].polygon for k in np.unique(mine).tolist() if k >= 0]


def _numeric(label: str) -> bool:
    return normal_label(label).isdigit()


def label_matches(label: str, glob: str) -> bool:
    """Whether a kit's glob means an object: without extension, id and copy, any case, blanks, dots and underscores
    alike; a numeric label matches only itself, never a glob."""
    if _numeric(label):
        return normal_label(label) == glob.strip()
    wanted = re.sub(r"[\s._]+", "_", unicodedata.normalize("NFC", glob).strip().lower())
    plain = normal_label(label)
    return fnmatchcase(plain, wanted) or (not set("*?[") & set(wanted) and plain == normal_label(glob))


def _claims(
    plate: Plate, fitted: _Fitted, name: str, part: Part, stack: _Stack, warnings: list[str]
) -> list[tuple[str, Pose, float, _Stack]]:
    found = part.found_by
    if found.outline is None:
        lx, ly, hx, hy = stack.footprint.bounds
        fit = Fit((lx + hx) / 2, (ly + hy) / 2, 0.0, False, 1.0, 0.0, float("nan"))
        warnings.append(
            f"{name}: no outline in the kit: its frame is the centre of its first layer's bounds, turn 0"
        )
        return [(name, _pose(plate, name, stack, fit), 0.0, stack)]
    scale_within = max(found.scale_within, 0.0)
    plain = fitted.of(name, part, stack.footprint, False, scale_within)
    # A residual that small no mirror image undercuts.
    surely = bool(plain) and plain[0].residual_mm <= SAME_FIT_MM
    turned = [] if surely else fitted.of(name, part, stack.footprint, True, scale_within)
    where = f"near x {stack.footprint.centroid.x:.1f}, y {stack.footprint.centroid.y:.1f}"
    least = [min((f.residual_mm for f in fits_), default=np.inf) for fits_ in (plain, turned)]
    if found.mirrored == "refused" and least[1] + SAME_FIT_MM < least[0]:
        warnings.append(f"{name}: the mirror image of it stands {where}; `mirrored: refused` leaves it alone")
        return []
    # A part that is its own mirror image is not called mirrored.
    allowed = turned if found.mirrored == "allowed" and least[1] + SAME_FIT_MM < least[0] else plain
    if not allowed:
        if stack.label is not None:
            warnings.append(f"{name}: {stack.label!r} {where} has its label but another outline; left alone")
        return []
    best = allowed[0]
    rivals = [fit for fit in allowed[1:] if fit.residual_mm - best.residual_mm < SAME_FIT_MM]
    if rivals:
        turns = ", ".join(f"{round(fit.turn_deg, 1) % 360:.1f}" for fit in [best, *rivals])
        raise InputError(
            f"{name} {where}: its outline fits in {len(rivals) + 1} turns ({turns} degrees)",
            "Declare `symmetry: n` in the kit if the turns are the same part, or give another outline.",
        )
    pose = _pose(plate, name, stack, best)
    if not _height_fits(plate, part, pose):
        return []
    return [(name, pose, best.residual_mm + abs(best.offset_mm), stack)]


class _Fitted:
    """Fits of outlines to islands; a copy of an island seen before, moved but not turned, costs nothing."""

    def __init__(self) -> None:
        self._outlines: dict[str, Outline] = {}
        self._seen: dict[tuple[str, bool, bytes], tuple[F8, list[Fit]]] = {}

    def of(
        self, name: str, part: Part, footprint: shapely.Geometry, mirrored: bool, scale_within: float
    ) -> list[Fit]:
        corners = shapely.get_coordinates(footprint)
        shape = np.round(corners - corners[0], 3).tobytes()
        key = (name, mirrored, shape)
        if key not in self._seen:
            if name not in self._outlines:
                from gcodetools.kit.sections import outline_of

                self._outlines[name] = Outline(outline_of(part))
            found = fits(
                self._outlines[name],
                Outline(footprint),
                mirrored=mirrored,
                scale_within=scale_within,
                symmetry=part.found_by.symmetry,
            )
            self._seen[key] = (corners[0], found)
        corner, found = self._seen[key]
        dx, dy = corners[0] - corner
        return [replace(fit, x_mm=fit.x_mm + dx, y_mm=fit.y_mm + dy) for fit in found]


def _pose(plate: Plate, name: str, stack: _Stack, fit: Fit) -> Pose:
    beads, layers = plate.beads, plate.layers
    of_plate = beads.layer[stack.rows]
    # Rows ascend, and so do their layers.
    first = np.append(0, np.flatnonzero(of_plate[1:] != of_plate[:-1]) + 1)
    used = of_plate[first]
    base = float(layers.z_mm[used[0]] - layers.height_mm[used[0]])
    return Pose(
        part=name,
        instance=0,
        label=stack.label,
        x_mm=fit.x_mm,
        y_mm=fit.y_mm,
        turn_deg=fit.turn_deg,
        z_mm=base if abs(base) > 1e-6 else 0.0,
        scale=fit.scale,
        mirrored=fit.mirrored,
        fit_mm=fit.residual_mm,
        rows=stack.rows.astype(np.int32),
        layer=np.repeat(np.arange(1, len(used) + 1, dtype=np.int32), np.diff(first, append=len(of_plate))),
        layers=len(used),
    )


def _top_mm(plate: Plate, pose: Pose) -> float:
    """How high an instance is."""
    return float(plate.layers.z_mm[plate.beads.layer[pose.rows]].max()) - pose.z_mm


def _height_fits(plate: Plate, part: Part, pose: Pose) -> bool:
    """Whether the stack is as high as the part, within two layers and the allowed scale."""
    wanted = part.found_by.height_mm
    if wanted is None:
        return True
    top = _top_mm(plate, pose)
    layer = float(np.median(plate.layers.height_mm))
    return abs(top - wanted * pose.scale) <= 2 * layer + wanted * max(part.found_by.scale_within, 0.02)


def _settled(claims: list[tuple[str, Pose, float, _Stack]]) -> list[tuple[str, Pose, float, _Stack]]:
    """One part a stack: the better fit.

    Raises
    ------
    InputError : two parts fit equally well.
    """
    by_stack: dict[int, list[tuple[str, Pose, float, _Stack]]] = {}
    for claim in claims:
        by_stack.setdefault(id(claim[3]), []).append(claim)
    kept = []
    for rivals in by_stack.values():
        rivals.sort(key=lambda c: c[2])
        best = rivals[0]
        if len(rivals) > 1 and rivals[1][2] - best[2] < SAME_FIT_MM / 2:
            names = " and ".join(c[0] for c in rivals if c[2] - best[2] < SAME_FIT_MM / 2)
            raise InputError(
                f"{names} fit the island near x {best[1].x_mm:.1f}, y {best[1].y_mm:.1f} equally well",
                "Tell them apart by label, or by an outline or height that differs.",
            )
        kept.append(best)
    return kept

"""Fits a part's outline to an island of the first layer: turn, place, mirror image, scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["Fit", "Outline", "fits"]

F8 = NDArray[np.float64]

_BINS = 360
_SAMPLE_MM = 0.5
_MAX_SAMPLES = 240
_CANDIDATES = 8
_ROUGH_ROUNDS, _ROUNDS = 4, 20
_STILL_MM = 1e-5  # a step this small no longer moves what is printed
_CORNER_MM = 0.12  # how far a bead rounds a corner off
MAX_OFFSET_MM = 0.25  # a first layer is squeezed wider, or made narrower to allow for that
MAX_RESIDUAL_MM = 0.3
SAME_FIT_MM = 0.04  # two turns whose residuals differ by less can't be told apart


@dataclass(frozen=True, slots=True)
class Fit:
    """A pose of an outline: world = (x, y) + R(turn) scale M p, M negating x where mirrored.

    residual_mm : largest distance between the edges once `offset_mm` (uniform growth) is taken out.
    """

    x_mm: float
    y_mm: float
    turn_deg: float
    mirrored: bool
    scale: float
    offset_mm: float
    residual_mm: float


class Outline:
    """One polygon or several prepared for fitting: edges with outward normals, and a polar signature."""

    def __init__(self, shape: shapely.Geometry) -> None:
        # Outer rings counter-clockwise and holes clockwise: plastic lies to the left of every edge.
        parts = [shapely.geometry.polygon.orient(part) for part in shapely.get_parts(shape)]
        self.polygon = shapely.MultiPolygon(parts)
        rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(parts)]
        self.a = np.vstack([r[:-1] for r in rings])
        self.b = np.vstack([r[1:] for r in rings])
        keep = np.hypot(*(self.b - self.a).T) > 1e-9
        self.a, self.b = self.a[keep], self.b[keep]
        along = self.b - self.a
        self.normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
        self.centre = np.array(self.polygon.centroid.coords[0])
        self.area = float(self.polygon.area)
        self.samples = _samples(self.a, self.b)
        self.reach = float(np.hypot(*(self.a - self.centre).T).max())

    def signature(self, mirrored: bool = False) -> F8:
        """Distances of the edge from the centroid by direction: the mean over each degree's samples."""
        dense = _samples(self.a, self.b, 0.05, 20_000) - self.centre
        if mirrored:
            dense = dense * [-1.0, 1.0]
        angle = np.mod(np.degrees(np.arctan2(dense[:, 1], dense[:, 0])), 360.0)
        bins = np.minimum(angle.astype(int), _BINS - 1)
        count = np.bincount(bins, minlength=_BINS)
        total = np.bincount(bins, np.hypot(*dense.T), minlength=_BINS)
        return np.where(count > 0, total / np.maximum(count, 1), 0.0)

    def nearest(self, points: F8) -> tuple[F8, F8]:
        """Signed distance along the nearest edge's normal, (n,), and that normal, (n, 2)."""
        along = self.b - self.a
        size = (along**2).sum(1)
        away = points[:, None, :] - self.a[None]
        t = np.clip((away * along).sum(2) / size, 0.0, 1.0)
        gap = away - t[:, :, None] * along
        k = np.argmin((gap**2).sum(2), axis=1)
        each = np.arange(len(points))
        normal = self.normal[k]
        vector = gap[each, k]
        return (vector * normal).sum(1), normal

    def distance(self, points: F8) -> F8:
        """Plain distance to the edge, (n,)."""
        along = self.b - self.a
        away = points[:, None, :] - self.a[None]
        t = np.clip((away * along).sum(2) / (along**2).sum(1), 0.0, 1.0)
        gap = away - t[:, :, None] * along
        nearest: F8 = np.sqrt((gap**2).sum(2).min(1))
        return nearest


def _samples(a: F8, b: F8, step: float = _SAMPLE_MM, most: int = _MAX_SAMPLES) -> F8:
    """Points along edges, evenly spaced, ends left out so that corners don't count twice."""
    length = np.hypot(*(b - a).T)
    step = max(step, float(length.sum()) / most)
    edges = np.cumsum(length)
    at = (np.arange(int(edges[-1] / step)) + 0.5) * step
    k = np.minimum(np.searchsorted(edges, at), len(a) - 1)
    t = (at - (edges[k] - length[k])) / length[k]
    points: F8 = a[k] + (b[k] - a[k]) * t[:, None]
    return points


def fits(part: Outline, island: Outline, *, mirrored: bool, scale_within: float, symmetry: int) -> list[Fit]:
    """All poses in which the part's outline (or its mirror image) matches the island, best first; none if it
    is another shape. Turns that the declared n-fold `symmetry` makes equal are one.
    """
    room = 2 * (MAX_OFFSET_MM * _length(part)) + 0.01 * part.area
    lowest, highest = (1 - scale_within) ** 2, (1 + scale_within) ** 2
    if not part.area * lowest - room <= island.area <= part.area * highest + room:
        return []
    rough = []
    for turn in _turns(part.signature(mirrored), island.signature()):
        pose = _start(part, island, turn, mirrored, scale_within)
        pose = _refined(part, island.samples[::4], pose, scale_within, _ROUGH_ROUNDS)
        rough.append((_misfit(part, island.samples[::4], pose), pose))
    rough.sort(key=lambda item: item[0])
    found = []
    for misfit, pose in rough:
        if misfit <= max(4 * rough[0][0], 2 * MAX_RESIDUAL_MM):
            fit = _judged(
                part, island, _refined(part, island.samples, pose, scale_within, _ROUNDS), scale_within
            )
            if fit is not None:
                found.append(fit)
    found.sort(key=lambda f: f.residual_mm)
    return _distinct(found, part, symmetry)


def _length(outline: Outline) -> float:
    return float(np.hypot(*(outline.b - outline.a).T).sum())


def _turns(part: F8, island: F8) -> list[float]:
    """Turns (degrees) at which the signatures agree best, by circular correlation."""
    score = np.fft.irfft(
        np.fft.rfft(island - island.mean()) * np.conj(np.fft.rfft(part - part.mean())), _BINS
    )
    peak = (score >= np.roll(score, 1)) & (score >= np.roll(score, -1)) & (score > 0.5 * score.max())
    order = np.flatnonzero(peak)
    order = order[np.argsort(-score[order])][:_CANDIDATES]
    return [float(k) for k in order] or [0.0]


@dataclass(frozen=True, slots=True)
class _Pose:
    """A pose on its way: shift (2,), turn in radians, scale, offset, flip (2,)."""

    shift: F8
    turn: float
    scale: float
    offset: float
    flip: F8

    def to_part(self, points: F8) -> F8:
        local: F8 = (points - self.shift) @ _rotation(self.turn) / self.scale * self.flip
        return local

    def to_world(self, points: F8) -> F8:
        world: F8 = self.shift + self.scale * ((points * self.flip) @ _rotation(self.turn).T)
        return world


def _start(part: Outline, island: Outline, turn_deg: float, mirrored: bool, scale_within: float) -> _Pose:
    """Centroid on centroid."""
    flip = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
    turn, scale = float(np.radians(turn_deg)), 1.0
    if scale_within > 0:
        scale = float(np.clip(np.sqrt(island.area / part.area), 1 - scale_within, 1 + scale_within))
    shift = island.centre - scale * (_rotation(turn) @ (flip * part.centre))
    return _Pose(shift, turn, scale, 0.0, flip)


def _refined(part: Outline, points: F8, pose: _Pose, scale_within: float, rounds: int) -> _Pose:
    """Least squares of the island's points against the part's edges (point to edge normal), with turn, shift,
    uniform offset and, where allowed, scale as unknowns."""
    for _ in range(rounds):
        local = pose.to_part(points)
        signed, normal = part.nearest(local)
        signed = signed - pose.offset
        lever = local[:, 0] * normal[:, 1] - local[:, 1] * normal[:, 0]
        columns = [normal[:, 0], normal[:, 1], lever, np.ones(len(local))]
        if scale_within > 0:
            columns.append((local * normal).sum(1))
        weight = 1.0 / (1.0 + (signed / 0.2) ** 2)
        design = np.column_stack(columns)
        # A little damping holds the turn of round outlines, which nothing else does.
        normal_matrix = design.T @ (design * weight[:, None]) + 1e-9 * np.eye(len(columns))
        step = np.linalg.solve(normal_matrix, design.T @ (signed * weight))
        # The local points are to move by -step.
        scale = pose.scale * (1.0 + (float(step[4]) if scale_within > 0 else 0.0))
        turn = pose.turn + float(pose.flip[0]) * float(step[2])
        shift = pose.shift + pose.scale * (_rotation(pose.turn) @ (pose.flip * step[:2]))
        offset = float(np.clip(pose.offset + step[3], -MAX_OFFSET_MM, MAX_OFFSET_MM))
        pose = _Pose(shift, turn, scale, offset, pose.flip)
        if np.abs(step[:2]).max() < _STILL_MM and abs(step[2]) < _STILL_MM / 50:
            break
    return pose


def _misfit(part: Outline, points: F8, pose: _Pose) -> float:
    signed, _ = part.nearest(pose.to_part(points))
    return float(np.mean(np.abs(signed - pose.offset)))


def _judged(part: Outline, island: Outline, pose: _Pose, scale_within: float) -> Fit | None:
    """The fit of a pose, None if the edges lie too far apart."""
    if abs(pose.scale - 1) > scale_within + 1e-3:
        return None
    local = pose.to_part(island.samples)
    signed, _ = part.nearest(local)
    grown = abs(pose.offset) + _CORNER_MM
    gap = np.maximum(np.abs(signed - pose.offset), part.distance(local) - grown)
    other = np.maximum(island.distance(pose.to_world(part.samples)) - grown * pose.scale, 0.0)
    residual = max(float(np.quantile(gap, 0.97)), float(other.max()))
    if residual > MAX_RESIDUAL_MM:
        return None
    turn = round(float(np.degrees(pose.turn)) % 360.0, 3) % 360.0
    x, y = float(pose.shift[0]), float(pose.shift[1])
    return Fit(x, y, turn, bool(pose.flip[0] < 0), pose.scale, pose.offset, residual)


def _rotation(turn: float) -> F8:
    c, s = np.cos(turn), np.sin(turn)
    return np.array([[c, -s], [s, c]])


def _centre(part: Outline, fit: Fit) -> F8:
    """Where a fit puts the outline's centroid: the frame's origin may lie far from it."""
    local = part.centre * [-1.0 if fit.mirrored else 1.0, 1.0]
    centre: F8 = np.array([fit.x_mm, fit.y_mm]) + fit.scale * (_rotation(np.radians(fit.turn_deg)) @ local)
    return centre


def _distinct(found: list[Fit], part: Outline, symmetry: int) -> list[Fit]:
    """One of each turn; turns about the outline's centre that symmetry makes equal are one."""
    kept: list[Fit] = []
    whole = 360.0 / symmetry
    for fit in found:
        same = False
        for other in kept:
            away = abs(fit.turn_deg - other.turn_deg) % whole
            apart = float(np.hypot(*(_centre(part, fit) - _centre(part, other))))
            same |= fit.mirrored == other.mirrored and min(away, whole - away) < 1.0 and apart < 0.2
        if not same:
            kept.append(fit)
    return kept

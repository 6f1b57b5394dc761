"""Fits a part's outline to an island of the first layer: turn, place, mirror image, scale."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Fit", "Outline", "fits"]

F8 = NDArray[np.float64]

_BINS = 360
_SAMPLE_MM = 0.5
_MAX_SAMPLES = 240
_CANDIDATES = 8
_ROUGH_ROUNDS, _ROUNDS = 4, 20
_ROUGH_SHARE = 0.03  # of a small part's span: a rough fit whose edges lie farther apart is of another shape
_STRAY_SHARE = 0.03  # of an island's edge, which may lie anywhere
_COARSE = 1.005  # a span is at most this much longer than it was measured
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
        self._along = self.b - self.a
        size = np.hypot(*self._along.T)
        self._step = self._along / (size**2)[:, None]
        self._edge = self.polygon.boundary
        self.normal = np.column_stack([self._along[:, 1], -self._along[:, 0]]) / size[:, None]
        self.centre = np.array(self.polygon.centroid.coords[0])
        self.area = float(self.polygon.area)
        self.length = float(size.sum())
        self.span = _span(self.a)
        self.samples = _samples(self.a, self.b)

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
        # Coordinate by coordinate, in place: (n, edges) arrays, of which the fit makes some hundred a pose.
        x, y = points[:, :1] - self.a[:, 0], points[:, 1:] - self.a[:, 1]
        t = x * self._step[:, 0]
        t += y * self._step[:, 1]
        np.clip(t, 0.0, 1.0, out=t)
        x -= t * self._along[:, 0]
        y -= t * self._along[:, 1]
        k = np.argmin(x * x + y * y, axis=1)
        each = np.arange(len(points))
        normal = self.normal[k]
        return x[each, k] * normal[:, 0] + y[each, k] * normal[:, 1], normal

    def distance(self, points: F8) -> F8:
        """Plain distance to the edge, (n,)."""
        shapely.prepare(self._edge)
        nearest: F8 = shapely.distance(self._edge, shapely.points(points))
        return nearest


def _span(corners: F8) -> float:
    """The largest distance between two corners, to a part in a thousand: how far they reach by direction."""
    angle = np.arange(0.0, np.pi, np.radians(5.0))
    across = corners @ np.vstack([np.cos(angle), np.sin(angle)])
    return float(np.ptp(across, axis=0).max())


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
    if not _alike(part, island, scale_within):
        return []
    rough = []
    for turn in _turns(part.signature(mirrored), island.signature()):
        pose = _start(part, island, turn, mirrored, scale_within)
        pose = _refined(part, island.samples[::4], pose, scale_within, _ROUGH_ROUNDS)
        rough.append((_misfit(part, island.samples[::4], pose), pose))
    rough.sort(key=lambda item: item[0])
    limit = max(4 * rough[0][0], 2 * MAX_RESIDUAL_MM)
    if part.span < 2 * MAX_RESIDUAL_MM / _ROUGH_SHARE:
        limit = _ROUGH_SHARE * part.span
    found = []
    for misfit, pose in rough:
        if misfit <= limit:
            fit = _judged(
                part, island, _refined(part, island.samples, pose, scale_within, _ROUNDS), scale_within
            )
            if fit is not None:
                found.append(fit)
    found.sort(key=lambda f: f.residual_mm)
    return _distinct(found, part, symmetry)


def _alike(part: Outline, island: Outline, scale_within: float) -> bool:
    """Whether area and span allow a fit at all, within what `_judged` lets pass."""
    low, high = 1 - scale_within, 1 + scale_within
    room = 2 * (MAX_OFFSET_MM * part.length) + 0.01 * part.area
    if not part.area * low**2 - room <= island.area <= part.area * high**2 + room:
        return False
    # Edges lie at most this far apart, at both ends of the span; a little of the island's may stray.
    apart = 2 * (MAX_RESIDUAL_MM + (MAX_OFFSET_MM + _CORNER_MM) * high)
    stray = _STRAY_SHARE * island.length
    return part.span * low - apart <= island.span * _COARSE and (
        island.span <= part.span * high * _COARSE + apart + stray
    )


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
    residual = max(float(np.quantile(gap, 1 - _STRAY_SHARE)), float(other.max()))
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

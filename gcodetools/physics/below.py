"""What lies below each bead, and how old it is: short pieces of beads looked up among those of the level below."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.pieces import (
    STEP_MM,
    Bends,
    Pieces,
    Samples,
    divide,
    divide_rows,
    numbered,
    samples_of,
)
from gcodetools.records import dataclass

__all__ = [
    "LEVEL_MM",
    "STEP_MM",
    "Below",
    "Bends",
    "Pieces",
    "Samples",
    "below",
    "divide",
    "divide_rows",
    "samples_of",
]

F4 = NDArray[np.float32]
F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

LEVEL_MM = 0.02  # tops that differ less are one level: files round heights to hundredths
_WITHIN_MM = LEVEL_MM + 1e-6  # heights in single precision are off by less
# Of odd Fibonacci numbers of points, the step of the lattice along the bead for each across it.
_LATTICES = {5: 2, 13: 5, 21: 8, 55: 21, 89: 34, 233: 89}
_LONG_MM = 5.0
_WIDE = 2.0  # median reaches: those beyond are searched by themselves
_MOSTLY = 0.8  # of the samples: the rest is not worth a copy of these
_FINE_MM, _COARSE_MM = 0.01, 0.2  # of x in the order of the samples of a strip
_PLACES = 32  # a sample: with no more there is a table of them, in steps of `_COARSE_MM`
_SPARE_MM = 1e-6  # rounding leaves nobody out
_BLOCK, _PAIRS = 1 << 15, 1 << 15
_NONE = np.iinfo(np.int64).max
_COVERS = np.float32(1 + 1e-5)  # of a half width squared: rounding leaves no slit between beads side by side


@dataclass(frozen=True, slots=True)
class Below:
    """What samples lie on, columns (n,).

    share : of the footprint (width times length), 0 to 1, over plastic of the level directly below. age_s : mean
    age of that plastic when the sample was laid on it, oldest_s : the greatest, s; NaN where nothing lies below.
    sparse : share of what is carried that lies on beads that are not solid, 0 where nothing lies below.
    gap : nothing lies below (air, or the bed).
    """

    share: F8
    age_s: F8
    oldest_s: F8
    sparse: F8
    gap: Bool


def below(upper: Samples, lower: Samples, *, cell_mm: float | None = None, points: int = 5) -> Below:
    """What each sample of `upper` lies on among `lower` (which may hold `upper` too).

    Directly below is what has its top where the sample has its underside, within 0.02 mm, in whichever layer, and
    was laid before it. The footprint is asked at points of a lattice, which has each distance across and each
    distance along once: a point is carried where it is within half a width of the centre line of a sample, and
    lies on the sample nearest to it of those (of two as near, on the one laid last). The result depends neither
    on the order of the samples nor on `cell_mm`.

    Parameters
    ----------
    upper, lower : samples of at most 5 mm, for one number stands for all of its footprint; see `divide`. Where a
    number is missing (NaN), a sample carries nothing and lies on nothing.
    cell_mm : breadth of the strips in which samples are looked up; from the samples where None.
    points : of the lattice, 5, 13, 21, 55, 89 or 233. A single share is a multiple of 1 / points.

    Raises
    ------
    ValueError : another number of points, no breadth, or longer samples.
    """
    if points not in _LATTICES:
        raise ValueError(f"{points} points; expected one of {', '.join(map(str, _LATTICES))}")
    if cell_mm is not None and not cell_mm > 0:
        raise ValueError(f"cells of {cell_mm:g} mm; expected more than 0")
    longest = max((float(np.max(s.length_mm)) for s in (upper, lower) if len(s)), default=0.0)
    if longest > _LONG_MM:
        raise ValueError(f"a sample of {longest:g} mm; expected at most {_LONG_MM:g}: divide beads first")
    n = len(upper)
    share, age, oldest, sparse = np.zeros(n), np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    lattice = _lattice(points)
    ground = _ground_of(_near(_sound(lower), upper), cell_mm)
    for block, owner, under in _pairs(upper, ground):
        at, best = _nearest(upper, block, owner, under, ground, lattice)
        found = best != _NONE
        rank = np.where(found, best & 0xFFFFFFFF, 0)
        number = found.sum(axis=0)
        older = np.where(found, upper.laid_s[at] - ground.laid_of[rank], 0.0)
        share[at] = number / points
        age[at] = older.sum(axis=0) / number
        oldest[at] = older.max(axis=0)
        sparse[at] = (found & ~ground.solid_of[rank]).sum(axis=0) / number
    return Below(share, age, oldest, sparse, share == 0)


def _lattice(points: int) -> tuple[F4, F4]:
    """(p, 1) places along and across a footprint, from -1/2 to 1/2 of it: the Fibonacci lattice, through its
    middle (Niederreiter, Random Number Generation and Quasi-Monte Carlo Methods, 1992, section 5.1; from memory)."""
    half = (points - 1) // 2
    across = np.arange(-half, half + 1)
    along = (across * _LATTICES[points] + half) % points - half
    return (along / points).astype(np.float32)[:, None], (across / points).astype(np.float32)[:, None]


@dataclass(frozen=True, slots=True)
class _Ground:
    """Samples in order of level, strip (of y) and x.

    level : (l,) ascending, twice the number of each level (steps of `2 LEVEL_MM`), and one more for those of its
    samples that reach unusually far, lest a blob makes every search a wide one. low_mm, high_mm, last_s : the
    least and greatest top there and the last time anything was laid. reach_mm, strip_mm : how far from its middle
    a sample reaches, and the strips' breadth. x0, y0, across, strips : the least x and y, steps of x and strips.
    key : (n,) ascending; the other columns go with it. rank : into laid_of and solid_of, the last laid first.
    begins : how many keys are less than each; empty where there are too many places.
    """

    level: I8
    low_mm: F8
    high_mm: F8
    last_s: F8
    reach_mm: F8
    strip_mm: F8
    x0: float
    y0: float
    fine_mm: float
    across: int
    strips: int
    begins: I8
    key: I8
    x: F8
    y: F8
    top: F8
    laid: F8
    rank: I8
    ux: F4
    uy: F4
    half_length: F4
    half_width: F4
    laid_of: F8
    solid_of: Bool

    def before(self, key: I8) -> I8:
        """(k,) how many samples come before keys."""
        return self.begins[key] if len(self.begins) else np.searchsorted(self.key, key)


def _levels(z_mm: F8) -> I8:
    number: I8 = np.floor(z_mm / (2 * LEVEL_MM)).astype(np.int64)
    return number


def _greatest(column: F8, group: I8, groups: int) -> F8:
    result = np.full(groups, -np.inf)
    np.maximum.at(result, group, column)
    return result


def _sound(samples: Samples) -> Samples:
    sound = (samples.width_mm > 0) & (samples.length_mm > 0) & (samples.height_mm > 0)
    sound &= np.isfinite(samples.x_mm + samples.y_mm + samples.top_mm + samples.laid_s)
    return samples if np.all(sound) else samples.take(sound)


def _near(lower: Samples, upper: Samples) -> Samples:
    """Those in the box of `upper`, or all where most are: a region asks a whole plate."""
    if len(lower) == 0 or len(upper) == 0:
        return lower
    reach = float(np.max(lower.length_mm + lower.width_mm)) / 2
    reach += float(np.fmax.reduce(np.hypot(upper.length_mm, upper.width_mm))) / 2
    bottom = upper.top_mm - upper.height_mm
    keep = np.ones(len(lower), bool)
    for own, asked, margin in (
        (lower.x_mm, upper.x_mm, reach),
        (lower.y_mm, upper.y_mm, reach),
        (lower.top_mm, bottom, 2 * LEVEL_MM),
    ):
        keep &= (own >= np.fmin.reduce(asked) - margin) & (own <= np.fmax.reduce(asked) + margin)
    return lower if np.mean(keep) > _MOSTLY else lower.take(keep)


def _ground_of(samples: Samples, cell_mm: float | None) -> _Ground:
    x, y, top, laid = samples.x_mm, samples.y_mm, samples.top_mm, samples.laid_s
    by_age = np.lexsort((samples.solid, -laid))
    rank = np.empty(len(samples), np.int64)
    rank[by_age] = np.arange(len(samples))
    number = _levels(top)
    numbers, of_number = numbered(number)
    reach = (samples.length_mm + samples.width_mm) / 2
    wide = reach > _WIDE * np.median(reach) if len(reach) else np.zeros(0, bool)
    level, of_level = numbered(2 * number + wide)
    back = np.searchsorted(numbers, level // 2)
    low_mm = -_greatest(-top, of_number, len(numbers))[back]
    high_mm, last_s = (_greatest(c, of_number, len(numbers))[back] for c in (top, laid))
    reach_mm = _greatest(reach, of_level, len(level))
    strip_mm = reach_mm if cell_mm is None else np.full(len(level), cell_mm)
    x0, y0 = (float(c.min()) if len(c) else 0.0 for c in (x, y))
    strip = np.floor((y - y0) / strip_mm[of_level]).astype(np.int64)
    strips = int(strip.max(initial=0)) + 1
    places = len(level) * strips * (int(float(np.ptp(x) if len(x) else 0.0) / _COARSE_MM) + 1)
    fine_mm = _COARSE_MM if places <= _PLACES * len(x) else _FINE_MM
    step = np.floor((x - x0) / fine_mm).astype(np.int64)
    across = int(step.max(initial=0)) + 1
    key = (of_level * strips + strip) * across + step
    order = np.argsort(key)
    begins = np.empty(0, np.int64)
    if fine_mm == _COARSE_MM:
        begins = np.concatenate([[0], np.cumsum(np.bincount(key, minlength=len(level) * strips * across))])
    return _Ground(
        level,
        low_mm,
        high_mm,
        last_s,
        reach_mm,
        strip_mm,
        x0,
        y0,
        fine_mm,
        across,
        strips,
        begins,
        key[order],
        x[order],
        y[order],
        top[order],
        laid[order],
        rank[order],
        samples.ux.astype(np.float32)[order],
        samples.uy.astype(np.float32)[order],
        (samples.length_mm / 2).astype(np.float32)[order],
        (samples.width_mm / 2).astype(np.float32)[order],
        laid[by_age],
        samples.solid[by_age],
    )


def _met(bottom_mm: F8, ground: _Ground) -> tuple[I8, I8]:
    """(n,) ranges of the levels that may lie at heights."""
    first = np.searchsorted(ground.level, 2 * _levels(bottom_mm - _WITHIN_MM))
    last = np.searchsorted(ground.level, 2 * _levels(bottom_mm + _WITHIN_MM) + 1, side="right")
    return first, last


def _pairs(upper: Samples, ground: _Ground) -> Iterator[tuple[I8, I8, I8]]:
    """Blocks of (k,) samples of `upper`, with (p,) pairs of a place in the block, ascending, and a sample of the
    ground that may carry it."""
    bottom = upper.top_mm - upper.height_mm
    bottom[~np.isfinite(upper.x_mm + upper.y_mm + upper.length_mm + upper.width_mm + upper.laid_s)] = np.nan
    mine = np.flatnonzero(np.isfinite(bottom))
    first, last = _met(bottom[mine], ground)
    met = last > first
    mine, first, last = mine[met], first[met], last[met]
    # In the ground's own order, so that a block's pairs lie close together in memory.
    strip = np.clip(np.floor((upper.y_mm[mine] - ground.y0) / ground.strip_mm[first]), 0, ground.strips - 1)
    step = np.clip(np.floor((upper.x_mm[mine] - ground.x0) / ground.fine_mm), 0, ground.across - 1)
    order = np.argsort(
        (first * ground.strips + strip.astype(np.int64)) * ground.across + step.astype(np.int64)
    )
    for start in range(0, len(mine), _BLOCK):
        part = order[start : start + _BLOCK]
        begin, end = _ranges(upper, mine[part], first[part], last[part], ground)
        count = end - begin
        total = np.cumsum(count.sum(axis=1))
        cuts = np.searchsorted(total, np.arange(_PAIRS, int(total[-1]), _PAIRS)) + 1
        for some in np.split(np.arange(len(part)), np.unique(cuts)):
            flat = count[some].ravel()
            within = np.cumsum(flat)
            if len(within) == 0 or within[-1] == 0:
                continue
            lower = np.arange(within[-1]) + np.repeat(begin[some].ravel() - (within - flat), flat)
            yield mine[part[some]], np.repeat(np.arange(len(some)), count[some].sum(axis=1)), lower


def _ranges(upper: Samples, rows: I8, first: I8, last: I8, ground: _Ground) -> tuple[I8, I8]:
    """(k, r) ranges of the ground, for each level and strip within reach of the samples `rows`."""
    x, y = upper.x_mm[rows] - ground.x0, upper.y_mm[rows] - ground.y0
    own = np.hypot(upper.length_mm[rows], upper.width_mm[rows]) / 2
    begins, ends = [], []
    for ahead in range(int((last - first).max())):
        level = np.minimum(first + ahead, last - 1)
        reach, strip_mm = own + ground.reach_mm[level], ground.strip_mm[level]
        low = np.maximum(np.floor((y - reach) / strip_mm), 0).astype(np.int64)
        high = np.minimum(np.floor((y + reach) / strip_mm), ground.strips - 1).astype(np.int64)
        high[first + ahead >= last] = -1
        for _ in range(max(int((high - low).max()) + 1, 0)):
            # No farther along a strip than round the sample: in the strips at the rim that is less.
            aside = np.maximum(np.maximum(low * strip_mm - y, y - (low + 1) * strip_mm), 0.0)
            half = np.sqrt(np.maximum(reach * reach - aside * aside, 0.0)) + _SPARE_MM
            left = np.clip(np.floor((x - half) / ground.fine_mm), 0, ground.across).astype(np.int64)
            right = np.clip(np.floor((x + half) / ground.fine_mm) + 1, 0, ground.across).astype(np.int64)
            place = (level * ground.strips + np.minimum(low, ground.strips - 1)) * ground.across
            begin, end = ground.before(place + left), ground.before(place + right)
            begins.append(begin)
            ends.append(np.where(low <= high, end, begin))
            low = low + 1
    if not begins:
        return np.zeros((len(rows), 1), np.int64), np.zeros((len(rows), 1), np.int64)
    return np.column_stack(begins), np.column_stack(ends)


def _nearest(
    upper: Samples, block: I8, owner: I8, lower: I8, ground: _Ground, lattice: tuple[F4, F4]
) -> tuple[I8, I8]:
    """(k,) samples of `upper` that are carried somewhere, and (points, k) what each point lies on: its distance
    and the rank, as one number that grows with either; _NONE for nothing."""
    keep = _there(upper, block, owner, lower, ground)
    if keep is not None:
        owner, lower = owner[keep], lower[keep]
    columns = (upper.ux, upper.uy, upper.length_mm, upper.width_mm)
    own = np.stack([column[block] for column in columns]).astype(np.float32)
    reach = np.hypot(own[2], own[3]) / 2
    dx = (upper.x_mm[block][owner] - ground.x[lower]).astype(np.float32)
    dy = (upper.y_mm[block][owner] - ground.y[lower]).astype(np.float32)
    lx, ly, half = ground.ux[lower], ground.uy[lower], ground.half_length[lower]
    # In the frame of the lower sample: the upper one's middle, then its direction.
    along, aside = dx * lx + dy * ly, dy * lx - dx * ly
    beyond = np.maximum(np.abs(along) - half, 0)
    within = reach[owner] + ground.half_width[lower]
    near = np.flatnonzero(beyond * beyond + aside * aside <= within * within)
    owner, lower = owner[near], lower[near]
    ux, uy, length, width = own.take(owner, axis=1)
    lx, ly = lx[near], ly[near]
    cos, sin = ux * lx + uy * ly, uy * lx - ux * ly

    s, t = lattice
    past = s * (length * cos) - t * (width * sin)
    past += along[near]
    np.abs(past, out=past)
    past -= half[near]
    np.maximum(past, 0, out=past)
    past *= past
    far = s * (length * sin) + t * (width * cos)
    far += aside[near]
    far *= far
    far += past
    most = np.square(ground.half_width[lower]) * _COVERS
    some = np.flatnonzero(np.min(far, axis=0) <= most)
    owner, far = owner[some], far.take(some, axis=1)
    # Bits of numbers that are not negative are in the order of the numbers.
    packed = far.view(np.int32).astype(np.int64) << 32
    packed |= ground.rank[lower[some]]
    packed[far > most[some]] = _NONE
    start = np.flatnonzero(np.diff(owner, prepend=-1))
    if len(start) == 0:
        return np.empty(0, np.int64), np.empty((len(s), 0), np.int64)
    return block[owner[start]], np.minimum.reduceat(packed, start, axis=1)


def _there(upper: Samples, block: I8, owner: I8, lower: I8, ground: _Ground) -> I8 | None:
    """The pairs whose lower sample ends where the upper one begins and was there by then; None for all.

    A block's levels mostly lie within the tolerance as a whole, and were laid as a whole before it.
    """
    bottom, laid = (upper.top_mm - upper.height_mm)[block], upper.laid_s[block]
    first, last = _met(bottom, ground)
    last -= 1
    plain = (ground.low_mm[first] >= bottom - _WITHIN_MM) & (ground.high_mm[last] <= bottom + _WITHIN_MM)
    if np.all(plain & (np.maximum(ground.last_s[first], ground.last_s[last]) <= laid)):
        return None
    fits = np.abs(ground.top[lower] - bottom[owner]) <= _WITHIN_MM
    return np.flatnonzero(fits & (ground.laid[lower] <= laid[owner]))

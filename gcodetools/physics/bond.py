"""How far the weld between a bead and the layer below heals, and what the shape of the beads leaves of it.

D = [integral of dt / t_w(T(t))]^(1/4) while T is above the glass transition; strength of the weld goes with D,
energy with D^2 (non-isothermal healing, Yang and Pitchumani 2002, Macromolecules 35:3213-3224; the formula from
memory). T is `cooling.interface_c` on the substrate of `cooling.substrate_c`; t_w moves with temperature by WLF.
D is raw: above 1 the weld would heal more than fully, so callers cut at 1, each time after the integral.

The constants of WLF are the universal ones, and t_w is set so that one print condition has a measured strength:
t_w holds to a factor of 10, D to a factor of 1.78. Measured sensitivities are weaker: +10 C on the nozzle is worth
+22 % here for PETG, and +4 % from 230 to 245 C measured; callers temper what this says by what was measured.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetools.physics.cooling import diffusivity_mm2_s, interface_c, substrate_share, wall_tau_s
from gcodetools.records import dataclass

__all__ = [
    "LONGEST_S",
    "Cells",
    "Weld",
    "healed",
    "healed_cells",
    "healed_samples",
    "healing",
    "height_factor",
    "wlf_log10",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Mask = NDArray[np.bool_]

# Where a wall that loses nothing stays above its glass transition, the sum ends; assumption. Elsewhere what comes
# later adds nothing, as the rate falls by tens of times with the first tens of degrees.
LONGEST_S = 60.0
_FIRST_S = 1e-4  # until then the interface is as it began
_HALVINGS = 14  # of 13 nats between the two: the crossing of Tg to 1 in 1000
_KNOTS, _WEIGHTS = np.polynomial.legendre.leggauss(28)
# Of `healed_samples`: what counts as alike. Each moves D by at most 0.3 % for any plastic of the profiles.
_NOZZLE_STEP_C, _HEIGHT_STEP, _TAU_STEP, _AGE_STEP = 0.1, 0.003, 0.004, 0.04
_LEAST_AGE_S, _MOST_AGE_S = 1e-2, 1e6
_BLOCK = 1 << 16


@dataclass(frozen=True, slots=True)
class Weld:
    """Heat and healing of a plastic and its air; each a number or an array (d, 1), so that draws broadcast.

    weld_time_s : of full healing at the steady temperature weld_at_c. c1, c2 : WLF about glass_c. Convection is
    still_w_m2k + fan * fan_w_m2k. ambient_c : of the air beside the wall.
    """

    conductivity_w_mk: ArrayLike
    density_kg_m3: ArrayLike
    heat_j_kgk: ArrayLike
    glass_c: ArrayLike
    weld_time_s: ArrayLike
    weld_at_c: ArrayLike
    c1: ArrayLike
    c2: ArrayLike
    still_w_m2k: ArrayLike
    fan_w_m2k: ArrayLike
    ambient_c: ArrayLike


@dataclass(frozen=True, slots=True)
class Cells:
    """Welds, columns (n,): age of the plastic below (NaN where unknown), nozzle as the plastic got it, fan as a
    share 0..1, layer height, width of the wall that cools, and how many of its faces see air (0, 1, 2)."""

    age_s: F8
    nozzle_c: F8
    fan: F8
    height_mm: F8
    wall_mm: F8
    faces: ArrayLike


def wlf_log10(t_c: ArrayLike, glass_c: ArrayLike, c1: ArrayLike = 17.44, c2: ArrayLike = 51.6) -> F8:
    """log10 of the shift factor, -c1 (T - Tg) / (c2 + T - Tg); any T above Tg - c2.

    The universal c1 and c2 hold from Tg to about Tg + 100 (Williams, Landel, Ferry); beyond that their use is
    customary.
    """
    over = np.asarray(t_c, float) - np.asarray(glass_c)
    shift: F8 = -np.asarray(c1) * over / (np.asarray(c2) + over)
    return shift


def healing(rate: Callable[[F8], F8], end_s: ArrayLike) -> F8:
    """Integral of rate(t), 1/s, from 0 to `end_s` (any shape, above 1e-4 s, at most minutes).

    Gauss-Legendre in log t behind 1e-4 s, before which the rate counts as steady. `rate` gets times of the shape
    of `end_s` and may return any shape that broadcasts with it.
    """
    half = 0.5 * np.log(np.asarray(end_s, float) / _FIRST_S)
    total: F8 = rate(np.full_like(half, _FIRST_S)) * _FIRST_S
    for knot, weight in zip(_KNOTS, _WEIGHTS, strict=True):
        t = _FIRST_S * np.exp(half * (1.0 + knot))
        total = total + rate(t) * t * (half * weight)
    return total


def healed(
    substrate_c: ArrayLike, nozzle_c: ArrayLike, height_mm: ArrayLike, tau_s: ArrayLike, weld: Weld
) -> F8:
    """Raw D of a bead at `nozzle_c` on plastic at `substrate_c` in a wall that cools with `tau_s`; broadcasts.

    0 where the plane between them begins below the glass transition; NaN where the substrate is NaN. Quadrature
    is within 0.1 % of an adaptive one.
    """
    alpha = diffusivity_mm2_s(weld.conductivity_w_mk, weld.density_kg_m3, weld.heat_j_kgk)
    glass, c1, c2 = np.asarray(weld.glass_c, float), np.asarray(weld.c1, float), np.asarray(weld.c2, float)
    scale = wlf_log10(weld.weld_at_c, glass, c1, c2) - np.log10(weld.weld_time_s)
    below, nozzle, height, tau, *_ = np.broadcast_arrays(
        np.asarray(substrate_c, float), nozzle_c, height_mm, tau_s, alpha, glass, scale, weld.ambient_c
    )

    def over(t: F8) -> F8:
        found: F8 = interface_c(t, below, nozzle, weld.ambient_c, height, alpha, tau) - glass
        return found

    def rate(t: F8) -> F8:
        warm = over(t)
        above = np.maximum(warm, 0.0)
        found: F8 = np.where(warm > 0, np.exp(np.log(10.0) * (scale + c1 * above / (c2 + above))), 0.0)
        return found

    begin = np.full(below.shape, np.log(_FIRST_S))
    end = np.full(below.shape, np.log(LONGEST_S))
    cold = over(np.exp(begin)) <= 0
    crosses = over(np.exp(end)) <= 0
    for _ in range(_HALVINGS):
        middle = 0.5 * (begin + end)
        warm = over(np.exp(middle)) > 0
        begin, end = np.where(warm, middle, begin), np.where(warm, end, middle)
    until = np.exp(np.where(crosses, 0.5 * (begin + end), np.log(LONGEST_S)))
    found: F8 = np.where(cold, 0.0, healing(rate, until) ** 0.25)
    return np.where(np.isnan(below), np.nan, found)


def healed_cells(weld: Weld, cells: Cells) -> F8:
    """Raw D of every draw and cell: (d, n) where any of `weld` is (d, 1), else (n,). NaN where the age is NaN."""
    tau, share = _wall(weld, cells)
    ambient = np.asarray(weld.ambient_c, float)
    below = ambient + (cells.nozzle_c - ambient) * share
    return healed(below, cells.nozzle_c, cells.height_mm, tau, weld)


def _wall(weld: Weld, cells: Cells) -> tuple[F8, F8]:
    """Time constant of the cells' walls, and the share their substrate keeps."""
    tau = _tau(weld, cells)
    age = np.maximum(cells.age_s, 1e-9)
    reach = diffusivity_mm2_s(weld.conductivity_w_mk, weld.density_kg_m3, weld.heat_j_kgk) * age
    return tau, substrate_share(np.square(cells.height_mm) / reach, age / tau)


def _tau(weld: Weld, cells: Cells) -> F8:
    convection = np.asarray(weld.still_w_m2k) + np.asarray(weld.fan_w_m2k) * cells.fan
    return wall_tau_s(cells.wall_mm, cells.faces, weld.density_kg_m3, weld.heat_j_kgk, convection)


def healed_samples(weld: Weld, cells: Cells) -> F8:
    """Raw D of many cells (n,) for one set of numbers, each of `weld` a number; NaN as in `healed_cells`.

    Nozzle, height and time constant are rounded to groups, each group gets a table over log age. Within 1 % of
    `healed_cells` (0.005 where D is below 0.5); ages count as at least 0.01 s and at most 1e6 s.
    """
    height, tau, age = np.asarray(cells.height_mm, float), _tau(weld, cells), np.asarray(cells.age_s, float)
    found = np.full(age.shape, np.nan)
    sound = np.isfinite(age) & np.isfinite(cells.nozzle_c) & np.isfinite(height) & (height > 0) & (tau > 0)
    if not sound.any():
        return found
    nozzle, height, tau = np.asarray(cells.nozzle_c)[sound], height[sound], tau[sound]
    when = np.log10(np.clip(age[sound], _LEAST_AGE_S, _MOST_AGE_S))
    keys = (
        np.rint(nozzle / _NOZZLE_STEP_C),
        np.rint(np.log(height) / _HEIGHT_STEP),
        np.rint(np.log(np.minimum(tau, 1e30)) / _TAU_STEP),
    )
    first, group = _grouped(keys)
    start = float(when.min())
    count = int(np.ceil((float(when.max()) - start) / _AGE_STEP)) + 2
    ages: F8 = np.power(10.0, start + _AGE_STEP * np.arange(count), dtype=np.float64)
    degree = [key[first] for key in keys]
    table = _table(
        weld,
        ages,
        degree[0] * _NOZZLE_STEP_C,
        np.exp(degree[1] * _HEIGHT_STEP),
        np.exp(degree[2] * _TAU_STEP),
    )
    at = (when - start) / _AGE_STEP
    node = np.minimum(at.astype(np.int64), count - 2)
    at -= node
    flat, base = table.ravel(), group * count + node
    found[sound] = flat[base] * (1.0 - at) + flat[base + 1] * at
    return found


def _grouped(keys: tuple[F8, ...]) -> tuple[I8, I8]:
    """A row of each distinct combination of whole numbers, and every row's combination."""
    code = np.zeros(len(keys[0]), np.int64)
    for key in keys:
        low = key.min()
        code = code * np.int64(key.max() - low + 1) + (key - low).astype(np.int64)
    _, first, group = np.unique(code, return_index=True, return_inverse=True)
    return first, group


def _table(weld: Weld, ages: F8, nozzle: F8, height: F8, tau: F8) -> F8:
    """Raw D, (groups, ages), a block of groups at a time."""
    ambient = np.asarray(weld.ambient_c, float)
    alpha = diffusivity_mm2_s(weld.conductivity_w_mk, weld.density_kg_m3, weld.heat_j_kgk)
    step = max(_BLOCK // len(ages), 1)
    blocks = []
    for at in range(0, len(nozzle), step):
        hot, high, slow = (column[at : at + step, None] for column in (nozzle, height, tau))
        below = ambient + (hot - ambient) * substrate_share(high * high / (alpha * ages), ages / slow)
        blocks.append(healed(below, hot, high, slow, weld))
    return np.concatenate(blocks)


def height_factor(height_mm: ArrayLike, width_mm: ArrayLike, slope: ArrayLike = 0.786) -> tuple[F8, Mask]:
    """1 - slope h / w, and where h / w lies outside 0.15..1 (there the end of that range is taken).

    A fit to 20 measured rows of strength across layers (Kuznetsov et al. 2018, Polymers 10:313, table 1; PLA tubes
    in bending, width taken as the nozzle's; rms 3.5 of 80 MPa); for other plastics an assumption.
    """
    ratio = np.asarray(height_mm, float) / np.asarray(width_mm)
    inside = np.clip(ratio, 0.15, 1.0)
    factor: F8 = 1.0 - np.asarray(slope) * inside
    return factor, np.asarray(inside != ratio)

"""How warm the plastic is that a bead meets, and the plane between the two once it is laid.

A wall of width W grows by one layer of height H every t seconds. Across its width it is even; along its height it
conducts, and it loses heat through its faces: dT/dt = a T'' - (T - T_ambient) / tau_w, with a = k / (rho c) and
tau_w = rho c W / (faces h); nothing flows through the top; each layer is laid at the nozzle's temperature. [derived:
the law is a handbook's fin, the growing wall was checked by an independent march in time.] Measured welds cooled
1.3 to 3 times as fast as this model (Seppala and Migler 2016, Addit. Manuf. 12:71-76, abstract), so its seconds
hold to a factor of 3. Left out: the bed, neighbours of another age, pauses inside a layer, crystals.

In units of H and t two numbers are left: fourier = H^2 / (a t), the inverse of how many layers heat reaches in the
time of one, and loss = t / tau_w. `grown_wall` solves that; `substrate_share` is a closed form that has the right
ends, times a small table of what it lacks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FOURIER",
    "LACKING",
    "LOSS",
    "closed_share",
    "diffusivity_mm2_s",
    "error_function",
    "grown_wall",
    "interface_c",
    "lumped_tau_s",
    "substrate_c",
    "substrate_share",
    "wall_tau_s",
]

F8 = NDArray[np.float64]

# Nodes of the table, three to a decade.
FOURIER = 10.0 ** (np.arange(-9, 10) / 3.0)
LOSS = 10.0 ** (np.arange(-9, 4) / 3.0)
# `grown_wall` over `closed_share`, in ten-thousandths above 1; rows fourier, columns loss.
# tests/physics/test_cooling.py makes it again.
# fmt: off
LACKING: F8 = 1.0 + 1e-4 * np.array(
    [
        [-12, -6, 5, 19, 35, 50, 53, 43, 43, 69, 83, 89, 89],
        [-20, -14, -2, 15, 36, 57, 67, 64, 72, 104, 123, 130, 130],
        [-27, -25, -14, 7, 36, 65, 86, 95, 114, 156, 181, 190, 191],
        [-29, -34, -29, -7, 30, 72, 109, 136, 173, 229, 264, 277, 278],
        [-26, -37, -41, -25, 16, 74, 136, 191, 254, 335, 385, 403, 405],
        [-20, -33, -45, -42, -6, 67, 161, 258, 364, 483, 558, 585, 587],
        [-14, -26, -40, -48, -26, 48, 175, 330, 503, 682, 798, 839, 842],
        [-9, -17, -29, -40, -33, 29, 175, 397, 668, 943, 1126, 1190, 1196],
        [-5, -9, -17, -25, -22, 23, 167, 444, 835, 1254, 1545, 1649, 1658],
        [-2, -4, -6, -9, -3, 36, 165, 463, 964, 1566, 2019, 2184, 2199],
        [0, 0, 0, 4, 15, 54, 169, 453, 1004, 1768, 2411, 2658, 2679],
        [1, 2, 4, 10, 24, 62, 161, 401, 905, 1697, 2448, 2755, 2782],
        [1, 2, 4, 9, 21, 51, 122, 291, 654, 1269, 1906, 2181, 2206],
        [0, 1, 2, 5, 12, 29, 68, 160, 360, 711, 1094, 1265, 1281],
        [0, 1, 1, 3, 6, 13, 32, 76, 172, 345, 540, 628, 636],
        [0, 0, 1, 1, 3, 6, 15, 35, 80, 163, 257, 301, 305],
        [0, 0, 0, 1, 1, 3, 7, 16, 38, 76, 121, 142, 144],
        [0, 0, 0, 0, 1, 1, 3, 8, 17, 36, 57, 66, 67],
        [0, 0, 0, 0, 0, 1, 1, 4, 8, 17, 26, 31, 31],
    ],
    float,
)
# fmt: on


def diffusivity_mm2_s(conductivity_w_mk: ArrayLike, density_kg_m3: ArrayLike, heat_j_kgk: ArrayLike) -> F8:
    """a = k / (rho c), mm2/s."""
    stored = np.asarray(density_kg_m3, float) * np.asarray(heat_j_kgk)
    found: F8 = np.asarray(conductivity_w_mk, float) / stored * 1e6
    return found


def lumped_tau_s(
    area_mm2: ArrayLike,
    perimeter_mm: ArrayLike,
    density_kg_m3: ArrayLike,
    heat_j_kgk: ArrayLike,
    convection_w_m2k: ArrayLike,
) -> F8:
    """rho c A / (h P), s: the time constant of a bead that loses heat through its surface alone (any handbook)."""
    stored = np.asarray(density_kg_m3, float) * np.asarray(heat_j_kgk) * np.asarray(area_mm2)
    found: F8 = stored / (np.asarray(convection_w_m2k) * np.asarray(perimeter_mm)) * 1e-3
    return found


def wall_tau_s(
    wall_mm: ArrayLike,
    faces: ArrayLike,
    density_kg_m3: ArrayLike,
    heat_j_kgk: ArrayLike,
    convection_w_m2k: ArrayLike,
) -> F8:
    """rho c W / (faces h), s: 2 faces of a thin wall, 1 of a skin, 0 inside solid fill, where it is inf."""
    with np.errstate(divide="ignore"):
        return lumped_tau_s(wall_mm, faces, density_kg_m3, heat_j_kgk, convection_w_m2k)


def closed_share(fourier: F8, loss: F8) -> F8:
    """The share where its ends are known; both above 0. Within a quarter of `grown_wall`, mostly far closer.

    Thick layers: exp(-loss). Thin ones lose little each: a front that moves at one layer a time, whose surface is
    at 2 / (1 + sqrt(1 + 4 loss / fourier)). Thin ones that lose much: the sum over k of sqrt(fourier / (pi k))
    exp(-k loss), each layer's heat in a half-space. `spread` is that sum's square, by a fit good to 1 %.
    """
    root = np.sqrt(loss)
    ratio = 0.4502 + 0.5498 / (1.0 + root * (3.0 + root * (5.0 + 5.0 * loss * root)))
    with np.errstate(over="ignore"):
        spread = np.pi / (1.0 + np.pi * ratio / np.expm1(loss))
    share: F8 = 2.0 * np.exp(-loss) / (1.0 + np.sqrt(1.0 + 4.0 * spread / fourier))
    return share


def substrate_share(fourier: ArrayLike, loss: ArrayLike) -> F8:
    """(T_s - T_ambient) / (T_nozzle - T_ambient) of the top of the wall when the next layer comes; 0..1.

    fourier = H^2 / (a t) above 0, loss = t / tau_w at least 0 (0: nothing is lost, share 1; inf: share 0); both
    broadcast, NaN gives NaN. Within 0.005 of `grown_wall` everywhere.
    """
    at, gone = np.broadcast_arrays(np.asarray(fourier, float), np.asarray(loss, float))
    lost = np.maximum(gone, 1e-12)
    found = np.where(np.isinf(gone), 0.0, closed_share(at, lost) * _lacking(at, lost))
    return np.where(gone > 0, np.minimum(found, 1.0), np.where(np.isnan(gone * at), np.nan, 1.0))


def _lacking(fourier: F8, loss: F8) -> F8:
    """Bilinear in the logarithms; beyond the table its border, and towards no loss 1, so that age never warms."""
    row, across = _place(fourier, len(FOURIER))
    column, along = _place(loss, len(LOSS))
    flat = LACKING.ravel()
    first = row * len(LOSS) + column
    near = flat[first] * (1.0 - along) + flat[first + 1] * along
    first += len(LOSS)
    far = flat[first] * (1.0 - along) + flat[first + 1] * along
    lacking: F8 = 1.0 + (near * (1.0 - across) + far * across - 1.0) * np.minimum(loss / LOSS[0], 1.0)
    return lacking


def _place(value: F8, count: int) -> tuple[NDArray[np.int64], F8]:
    """Node below and share of the way to the next."""
    at = np.clip(np.nan_to_num(3.0 * np.log10(value) + 9.0), 0.0, count - 1.0)
    node = np.minimum(at.astype(np.int64), count - 2)
    return node, at - node


def substrate_c(
    age_s: ArrayLike,
    nozzle_c: ArrayLike,
    ambient_c: ArrayLike,
    height_mm: ArrayLike,
    wall_mm: ArrayLike,
    faces: ArrayLike,
    conductivity_w_mk: ArrayLike,
    density_kg_m3: ArrayLike,
    heat_j_kgk: ArrayLike,
    convection_w_m2k: ArrayLike,
) -> F8:
    """Temperature of the layer below, `age_s` after it was laid, in a wall whose layers all took `age_s`.

    Everything broadcasts. An age of NaN (nothing known below) gives NaN, of 0 the nozzle's temperature. `faces`
    of 0 has no sink at all and gives the nozzle's temperature at any age.
    """
    age = np.maximum(np.asarray(age_s, float), 1e-9)
    tau = wall_tau_s(wall_mm, faces, density_kg_m3, heat_j_kgk, convection_w_m2k)
    reach = diffusivity_mm2_s(conductivity_w_mk, density_kg_m3, heat_j_kgk) * age
    share = substrate_share(np.square(np.asarray(height_mm, float)) / reach, age / tau)
    ambient = np.asarray(ambient_c, float)
    found: F8 = ambient + (np.asarray(nozzle_c) - ambient) * share
    return found


def interface_c(
    t_s: ArrayLike,
    substrate_c: ArrayLike,
    nozzle_c: ArrayLike,
    ambient_c: ArrayLike,
    height_mm: ArrayLike,
    diffusivity_mm2_s: ArrayLike,
    tau_s: ArrayLike,
) -> F8:
    """Temperature between a bead and the layer below, `t_s` (above 0) after it was laid.

    T_ambient + [(T_s - T_ambient) + (T_n - T_s) / 2 erf(H / sqrt(a t))] exp(-t / tau): exact for an even substrate
    at T_s [derived]. Against the uneven one of `grown_wall` it is too warm by 0.1 C at 0.05 s, 1.5 C at 1 s, 5 C at
    4 s (PETG, 0.2 mm, 5 s a layer).
    """
    t, below, ambient = np.asarray(t_s, float), np.asarray(substrate_c), np.asarray(ambient_c)
    own = error_function(np.asarray(height_mm) / np.sqrt(np.asarray(diffusivity_mm2_s) * t))
    excess = (below - ambient) + (np.asarray(nozzle_c) - below) * 0.5 * own
    cooled: F8 = ambient + excess * np.exp(-t / np.asarray(tau_s))
    return cooled


def grown_wall(fourier: float, loss: float, cells: int = 12) -> float:
    """The share by finite volumes, `cells` to a layer: the steady state from layer to layer, solved at once.

    12 cells are within 0.0004 of many.

    Below the window every wall is exp(-mu z / H) with mu^2 / fourier + mu = loss, which closes the window. What else
    there is, ripples of the layers, comes back from there as exp(-10) of itself. Slow for fourier below 0.01; loss
    above 0.
    """
    tail = fourier / 2.0 * (np.sqrt(1.0 + 4.0 * loss / fourier) - 1.0)
    ripple = fourier * np.sqrt(1.0 + 8j * np.pi / fourier).real
    layers = int(np.ceil(10.0 / ripple)) + 3
    count = layers * cells
    flow = np.diag(np.ones(count - 1), 1) + np.diag(np.ones(count - 1), -1)
    flow -= np.diag(flow.sum(1))
    flow[-1, -1] -= 1.0 - np.exp(-tail / cells)
    rate, mode = np.linalg.eigh(flow * (cells * cells / fourier))
    after = (mode * np.exp(rate - loss)) @ mode.T
    # What is `v` before a layer is laid is moved down by it, has 1 on top, and is `v` again a time later.
    system = np.eye(count)
    system[:, : count - cells] -= after[:, cells:]
    v = np.linalg.solve(system, after[:, :cells].sum(1))
    return float(1.5 * v[0] - 0.5 * v[1])


def error_function(x: F8) -> F8:
    """erf(x) of x >= 0, to 1.5e-7 (Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26)."""
    t = 1.0 / (1.0 + 0.3275911 * x)
    sum_ = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    found: F8 = 1.0 - sum_ * np.exp(-x * x)
    return found

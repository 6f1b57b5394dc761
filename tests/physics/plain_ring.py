"""References for rings: a plane elastic ring cut into small pieces, and a shell of smooth shapes.

Both know nothing of beams: they take the elastic energy of a plate in its plane (eight-node elements) and of a
thin cylindrical shell (Sanders' strains, from memory), and find the displacements of least energy.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import legendre

CORNERS = [(-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (1, 0), (0, 1), (-1, 0)]


def _shapes(x, y):
    """(8, 3) value and both derivatives of the eight shapes of a quadratic element."""
    found = []
    for a, b in CORNERS:
        if a and b:
            f = (1 + a * x) * (1 + b * y) * (a * x + b * y - 1) / 4
            dx = a * (1 + b * y) * (2 * a * x + b * y) / 4
            dy = b * (1 + a * x) * (a * x + 2 * b * y) / 4
        elif a == 0:
            f, dx, dy = (1 - x * x) * (1 + b * y) / 2, -x * (1 + b * y), b * (1 - x * x) / 2
        else:
            f, dx, dy = (1 + a * x) * (1 - y * y) / 2, a * (1 - y * y) / 2, -y * (1 + a * x)
        found.append((f, dx, dy))
    return np.array(found)


def plane_ring(radius, wall, half_deg, q, nu=0.38, along=60, through=4):
    """Strain at the bore of the back for a lip that opens by 1 (both arms), and the force for E = 1, height 1.

    Half a ring in plane stress, held on its line of symmetry; forces (-q, 1) at the bore edge of the lip are put
    on the end face as their force and moment, spread as in a beam.
    """
    g = np.radians(half_deg)
    rows, cols = 2 * along + 1, 2 * through + 1
    number = -np.ones((rows, cols), int)
    keep = [(i, j) for i in range(rows) for j in range(cols) if not (i % 2 and j % 2)]
    for k, (i, j) in enumerate(keep):
        number[i, j] = k
    phi = g + (np.pi - g) * np.arange(rows) / (rows - 1)
    rad = radius - wall / 2 + wall * np.arange(cols) / (cols - 1)
    at = np.array([(rad[j] * np.cos(phi[i]), rad[j] * np.sin(phi[i])) for i, j in keep])
    law = np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]]) / (1 - nu * nu)
    stiff = np.zeros((2 * len(keep), 2 * len(keep)))
    points, weights = legendre.leggauss(3)

    def strains(nodes, x, y):
        f = _shapes(x, y)
        jacobian = f[:, 1:].T @ at[nodes]
        d = np.linalg.solve(jacobian, f[:, 1:].T)
        b = np.zeros((3, 16))
        b[0, 0::2], b[1, 1::2], b[2, 0::2], b[2, 1::2] = d[0], d[1], d[1], d[0]
        return b, abs(np.linalg.det(jacobian))

    last = None
    for i in range(along):
        for j in range(through):
            nodes = np.array([number[2 * i + 1 + b, 2 * j + 1 + a] for a, b in CORNERS])
            dofs = np.ravel(np.column_stack([2 * nodes, 2 * nodes + 1]))
            part = sum(
                u * v * size * b.T @ law @ b
                for x, u in zip(points, weights, strict=True)
                for y, v in zip(points, weights, strict=True)
                for b, size in [strains(nodes, x, y)]
            )
            stiff[np.ix_(dofs, dofs)] += part
            if i == along - 1 and j == 0:
                last = nodes, dofs
    # The end face: uniform force and the moment that brings it to the bore edge, as tractions on its elements.
    out, up = np.array([np.cos(g), np.sin(g)]), np.array([-np.sin(g), np.cos(g)])
    force = np.array([-q, 1.0])
    edge = -wall / 2 * out
    moment = edge[0] * force[1] - edge[1] * force[0]
    load = np.zeros(2 * len(keep))
    for j in range(through):
        three = number[0, 2 * j : 2 * j + 3]
        for y, v in zip(points, weights, strict=True):
            shapes = np.array([y * (y - 1) / 2, 1 - y * y, y * (y + 1) / 2])
            off = rad[2 * j + 1] + y * wall / through / 2 - radius
            traction = force / wall + up * moment * off * 12 / wall**3
            for node, f in zip(three, shapes, strict=True):
                load[2 * node : 2 * node + 2] += v * wall / through / 2 * f * traction
    back = number[-1][number[-1] >= 0]
    held = np.concatenate([2 * back + 1, [2 * back[len(back) // 2]]])
    free = np.setdiff1d(np.arange(len(load)), held)
    moved = np.zeros(len(load))
    moved[free] = np.linalg.solve(stiff[np.ix_(free, free)], load[free])
    # The face's mean and turn, not the corner itself, whose displacement would hold that of the traction's ends.
    face = number[0][number[0] >= 0]
    simpson = np.ones(len(face))
    simpson[1:-1:2], simpson[2:-1:2] = 4, 2
    simpson /= simpson.sum()
    shift = moved.reshape(-1, 2)[face]
    off = rad - radius
    turn = np.sum(simpson * off * (shift @ up)) / np.sum(simpson * off * off)
    lip = 2 * (np.sum(simpson * shift[:, 1]) - wall / 2 * turn * up[1])
    bore, _ = strains(last[0], -1.0, 1.0)
    return float((bore @ moved[last[1]])[1]) / lip, 1.0 / lip


def shell_arm(radius, wall, height, half_deg, nu, lip, smooth=(16, 12)):
    """An arm of a sleeve, back to lip, whose lip edge is moved by lip(z) along the chord; E = 1.

    Parameters
    ----------
    smooth : how many Legendre shapes along the arc and the height.

    Returns
    -------
    energy, columns (61, 41) over arc and height of: ez, ep, ga of the middle surface, kz, kp, kt of curvature and
    twice the twist; phi (61,), z (41,).
    """
    g = np.radians(half_deg)
    n, m = smooth
    half = (np.pi - g) / 2
    eye = {n: np.eye(n), m: np.eye(m)}

    def values(count, x, order, size):
        rows = [legendre.legval(x, legendre.legder(row, order) if order else row) for row in eye[count]]
        return np.stack(rows, -1) / size**order

    def strains(x, z):
        f = [values(n, x, k, half) for k in range(3)]
        h = [values(m, z, k, height / 2) for k in range(3)]

        def both(a, b):
            return np.einsum("ai,bj->abij", f[a], h[b]).reshape(len(x) * len(z), -1)

        none = np.zeros_like(both(0, 0))
        r = radius
        return {
            "ez": np.hstack([both(0, 1), none, none]),
            "ep": np.hstack([none, both(1, 0) / r, both(0, 0) / r]),
            "ga": np.hstack([both(1, 0) / r, both(0, 1), none]),
            "kz": np.hstack([none, none, -both(0, 2)]),
            "kp": np.hstack([none, both(1, 0) / r**2, -both(2, 0) / r**2]),
            "kt": np.hstack([-both(1, 0) / (2 * r * r), 1.5 * both(0, 1) / r, -2 * both(1, 1) / r]),
        }

    (x, u), (z, v) = legendre.leggauss(n + 6), legendre.leggauss(m + 6)
    s = strains(x, z)
    weight = (u[:, None] * v).ravel() * half * radius * height / 2

    def product(a, b):
        return (s[a] * weight[:, None]).T @ s[b]

    energy = np.zeros((3 * n * m, 3 * n * m))
    for size, names in ((wall, ("ez", "ep", "ga")), (wall**3 / 12, ("kz", "kp", "kt"))):
        a, b, c = names
        mixed = product(a, b)
        part = product(a, a) + product(b, b) + nu * (mixed + mixed.T) + (1 - nu) / 2 * product(c, c)
        energy += size / (1 - nu * nu) * part
    at = np.cos(np.pi * (np.arange(m) + 0.5) / m)
    back, front = values(n, np.array([1.0]), 0, half)[0], values(n, np.array([-1.0]), 0, half)[0]
    slope, zero = values(n, np.array([1.0]), 1, half)[0], np.zeros(n * m)
    rows, wanted = [], []
    for place, h in zip(at, values(m, at, 0, 1.0), strict=True):
        tie = [np.outer(f, h).ravel() for f in (back, slope, front)]
        rows += [np.concatenate([zero, tie[0], zero]), np.concatenate([zero, zero, tie[1]])]
        rows.append(np.concatenate([zero, np.cos(g) * tie[2], np.sin(g) * tie[2]]))
        wanted += [0.0, 0.0, lip(place * height / 2)]
    left, size, right = np.linalg.svd(np.array(rows))
    rank = int(np.sum(size > 1e-10 * size[0]))
    fixed = right[:rank].T @ (left[:, :rank].T @ np.array(wanted) / size[:rank])
    free = right[rank:].T
    rest = np.linalg.lstsq(free.T @ energy @ free, -free.T @ (energy @ fixed), rcond=1e-13)[0]
    moved = fixed + free @ rest
    x, z = np.linspace(-1, 1, 61), np.linspace(-1, 1, 41)
    fields = {key: (value @ moved).reshape(61, 41) for key, value in strains(x, z).items()}
    return moved @ energy @ moved / 2, fields, g + (x + 1) * half, z * height / 2

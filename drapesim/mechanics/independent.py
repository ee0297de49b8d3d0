"""The second opinion: every energy and its exact gradient in plain numpy, element by element.

The certificate is computed with this room, so a mistake in a kernel's forces cannot certify itself. Shared with the
kernels' side are the coefficients of the angle series, the smooth load-extension curve and the shares of links and
hinges (mechanics.energies); those have tests of their own.
"""

from __future__ import annotations

import numpy as np

from drapesim.kernels.elastic import SERIES, SLOPES
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import LOCK_STIFFENING, hinge_shares, link_shares, smooth_curve

Array = np.ndarray


def angle_series(z: Array) -> tuple[Array, Array]:
    """F(z) = 2 asin(sqrt z)^2 cut as in the kernels, and F'(z)."""
    powers = z[..., None] ** np.arange(1, len(SERIES) + 1)
    return powers @ SERIES, (z[..., None] ** np.arange(len(SLOPES))) @ SLOPES


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...k,...k->...", a, b)


def _held_grid(lattice: Lattice, held: Array | None) -> Array | None:
    if held is None:
        return None
    grid = np.zeros(lattice.shape, dtype=bool)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = held
    return grid


def elastic_energy_and_force(
    lattice: Lattice, card: FabricCard, x: Array, held: Array | None = None
) -> tuple[dict[str, float], Array]:
    """Elastic energies (J) by kind and the force (n, 3) N they exert on the nodes at positions ``x`` (n, 3) m."""
    force = np.zeros_like(x)
    energy: dict[str, float] = {}
    index, kept = lattice.index, _held_grid(lattice, held)
    shares = link_shares(lattice.cell)
    steps = (lattice.spacing_u, lattice.spacing_v)
    rigidities = (card.bend_warp, card.bend_weft)
    curves = (card.warp_curve, card.weft_curve)
    for axis, name in enumerate(("warp", "weft")):
        h, width = steps[axis], steps[1 - axis]
        line, share = np.moveaxis(index, axis, 0), np.moveaxis(shares[axis], axis, 0)
        there = share > 0
        a, b, w = line[:-1][there], line[1:][there], share[there]
        d = x[b] - x[a]
        length = np.sqrt(_dot(d, d))
        strain = length / h - 1.0
        curve = smooth_curve(points=curves[axis], compression_ratio=card.compression_ratio)
        energy["stretch " + name] = float((w * width * h * curve.energy(strain)).sum())
        pull = (w * width * curve.tension(strain) / length)[:, None] * d
        np.add.at(force, a, pull)
        np.add.at(force, b, -pull)

        hinge = np.moveaxis(hinge_shares(shares[axis], kept, axis), axis, 0)[1:-1]
        there = hinge > 0
        a, m, b, w = line[:-2][there], line[1:-1][there], line[2:][there], hinge[there]
        u, v = x[m] - x[a], x[b] - x[m]
        lu, lv = np.sqrt(_dot(u, u)), np.sqrt(_dot(v, v))
        c = _dot(u, v) / (lu * lv)
        value, slope = angle_series(0.5 * (1.0 - c))
        stiffness = rigidities[axis] * width / h * w
        energy["bend " + name] = float((stiffness * value).sum())
        pull = (0.5 * stiffness * slope)[:, None]
        p = pull * (v / (lu * lv)[:, None] - (c / lu**2)[:, None] * u)
        q = pull * (u / (lu * lv)[:, None] - (c / lv**2)[:, None] * v)
        np.add.at(force, a, -p)
        np.add.at(force, m, p - q)
        np.add.at(force, b, q)

    i, j = np.nonzero(lattice.cell)
    corner = [index[i, j], index[i + 1, j], index[i, j + 1], index[i + 1, j + 1]]
    x00, x10, x01, x11 = (x[k] for k in corner)
    area = lattice.spacing_u * lattice.spacing_v
    tu, tv = 0.5 * (x10 - x00 + x11 - x01), 0.5 * (x01 - x00 + x11 - x10)
    nu, nv = np.sqrt(_dot(tu, tu)), np.sqrt(_dot(tv, tv))
    s = _dot(tu, tv) / (nu * nv)
    value, slope = angle_series(s**2)
    over = np.maximum(0.0, np.abs(s) - np.sin(card.locking_angle))
    lock = LOCK_STIFFENING * card.shear_rigidity
    energy["shear"] = float(area * (0.25 * card.shear_rigidity * value + lock * over**3 / 3.0).sum())
    stress = -area * (0.5 * card.shear_rigidity * slope * s + lock * over**2 * np.sign(s))
    gu = 0.5 * stress[:, None] * (tv / (nu * nv)[:, None] - (s / nu**2)[:, None] * tu)
    gv = 0.5 * stress[:, None] * (tu / (nu * nv)[:, None] - (s / nv**2)[:, None] * tv)
    twist = x00 - x10 - x01 + x11
    energy["twist"] = float((card.twist / area * _dot(twist, twist)).sum())
    q = -2.0 * card.twist / area * twist
    for node, pull in zip(corner, (q - gu - gv, gu - gv - q, gv - gu - q, gu + gv + q), strict=True):
        np.add.at(force, node, pull)
    return energy, force

"""From a fabric card and a lattice to the numbers the kernels need: smooth load-extension curves, weights, loads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.elastic import LINE, PAD, ClothConstants, LatticeFields, zeros_in_lines
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice

Array = np.ndarray

LOCK_STIFFENING = 50.0
"""Extra shear stress past the locking angle is this times G times (sin g - sin g_lock)^2: estimated, no source; a
0.1 overshoot raises the stress by 0.5 G rad. Woven cloth locks within a few degrees (common practice, no source)."""


@dataclass(frozen=True)
class Curve:
    """Tension per width T(e) = offset + slope e + sum_k coef_k max(0, e - knot_k)^2, in N/m; monotone and C1."""

    slope: float
    offset: float
    knot: Array
    coef: Array

    def tension(self, strain: Array) -> Array:
        """T(e), N/m."""
        over = np.maximum(0.0, np.asarray(strain)[..., None] - self.knot)
        return self.offset + self.slope * np.asarray(strain) + (self.coef * over**2).sum(-1)

    def tangent(self, strain: Array) -> Array:
        """dT/de, N/m."""
        over = np.maximum(0.0, np.asarray(strain)[..., None] - self.knot)
        return self.slope + 2.0 * (self.coef * over).sum(-1)

    def energy(self, strain: Array) -> Array:
        """Integral of T from 0 to e, J/m2."""

        def integral(e: Array) -> Array:
            over = np.maximum(0.0, np.asarray(e)[..., None] - self.knot)
            return self.offset * e + 0.5 * self.slope * e**2 + (self.coef * over**3).sum(-1) / 3.0

        return integral(np.asarray(strain)) - integral(np.zeros(()))


def smooth_curve(points: Array, compression_ratio: float) -> Curve:
    """Monotone C1 curve through measured (strain, tension) points, with a linear compressive branch.

    Each interval holds two parabolas that meet at its middle (Schumaker, SIAM J. Numer. Anal. 20 (1983) 853, from
    memory), with the slopes at the points from the harmonic mean of Fritsch and Butland (SIAM J. Sci. Stat. Comput.
    5 (1984) 300, from memory), which keeps every slope positive. Past the last point the last slope goes on.
    """
    e, t = np.asarray(points, float).T
    gap, rise = np.diff(e), np.diff(t)
    secant = rise / gap
    slope = np.empty_like(e)
    slope[1:-1] = 2.0 * secant[:-1] * secant[1:] / (secant[:-1] + secant[1:])
    inner = slope[1:-1]
    slope[0] = np.clip(2.0 * secant[0] - inner[0], 0.2 * secant[0], 2.0 * secant[0]) if len(inner) else secant[0]
    slope[-1] = np.clip(2.0 * secant[-1] - inner[-1], 0.2 * secant[-1], 2.0 * secant[-1]) if len(inner) else secant[-1]
    middle = 2.0 * secant - 0.5 * (slope[:-1] + slope[1:])
    # slope as a piecewise linear function of strain: break points and values
    place = [e[0]]
    value = [slope[0]]
    for k in range(len(gap)):
        place += [e[k] + 0.5 * gap[k], e[k + 1]]
        value += [middle[k], slope[k + 1]]
    blend = 0.1 * e[1]  # the compressive slope is joined over a tenth of the first measured strain
    place.insert(0, -blend)
    value.insert(0, compression_ratio * slope[0])
    at, v = np.array(place), np.array(value)
    bend = np.diff(np.concatenate([[0.0], np.diff(v) / np.diff(at), [0.0]]))
    curve = Curve(float(v[0]), 0.0, at, 0.5 * bend)
    return Curve(float(v[0]), -float(curve.tension(np.zeros(()))), at, 0.5 * bend)


def is_turned(lattice: Lattice) -> bool:
    """True if the weft runs along the first axis of the padded grid: the kernels want long rows.

    Rows of 10 nodes cost six times as much a node as rows of 1000, rows of 85 a quarter more than rows of 260.
    """
    return lattice.shape[0] > lattice.shape[1]


def grid_shape(lattice: Lattice) -> tuple[int, int]:
    """(NU, NV) of the padded grid; NV is a multiple of `LINE`."""
    rows, columns = sorted(lattice.shape)
    return rows + 2 * PAD, -(-(columns + 2 * PAD) // LINE) * LINE


def grid_place(lattice: Lattice) -> tuple[Array, Array]:
    """(row (n,), column (n,)) int64 of each node on the padded grid."""
    i, j = lattice.ij.T.astype(np.int64) + PAD
    return (j, i) if is_turned(lattice) else (i, j)


def cloth_constants(card: FabricCard, lattice: Lattice) -> ClothConstants:
    """Kernel constants of one card on one lattice, along the axes of the padded grid."""
    curves = [smooth_curve(points, card.compression_ratio) for points in (card.warp_curve, card.weft_curve)]
    spacing, bend = [lattice.spacing_u, lattice.spacing_v], [card.bend_warp, card.bend_weft]
    if is_turned(lattice):
        curves, spacing, bend = curves[::-1], spacing[::-1], bend[::-1]
    most = max(len(curve.knot) for curve in curves)
    knot, coef = np.full((2, most), np.inf), np.zeros((2, most))
    for row, curve in enumerate(curves):
        knot[row, : len(curve.knot)], coef[row, : len(curve.coef)] = curve.knot, curve.coef
    return ClothConstants(
        hu=spacing[0],
        hv=spacing[1],
        slope=np.array([curve.slope for curve in curves]),
        offset=np.array([curve.offset for curve in curves]),
        knot=knot,
        coef=coef,
        shear=card.shear_rigidity,
        lock_sine=float(np.sin(card.locking_angle)),
        lock=LOCK_STIFFENING * card.shear_rigidity,
        bend_u=bend[0],
        bend_v=bend[1],
        twist=card.twist,
    )


def padded(lattice: Lattice, values: Array) -> Array:
    """Node values (n, ...) laid on the padded grid, component first: (..., NU, NV); zero where there is no node."""
    grid = zeros_in_lines(*values.shape[1:], *grid_shape(lattice))
    row, column = grid_place(lattice)
    grid[..., row, column] = np.moveaxis(values, 0, -1)
    return grid


def unpadded(lattice: Lattice, grid: Array) -> Array:
    """The inverse of :func:`padded`."""
    row, column = grid_place(lattice)
    flat = grid.reshape(*grid.shape[:-2], -1)
    return np.ascontiguousarray(np.moveaxis(np.take(flat, row * grid.shape[-1] + column, axis=-1), -1, 0))


def link_shares(cell: Array) -> tuple[Array, Array]:
    """Share of full width carried by each link along u (nu-1, nv) and v (nu, nv-1): half a cell from each side."""
    c = cell.astype(float)
    along_u = 0.5 * (np.pad(c, ((0, 0), (1, 0))) + np.pad(c, ((0, 0), (0, 1))))
    along_v = 0.5 * (np.pad(c, ((1, 0), (0, 0))) + np.pad(c, ((0, 1), (0, 0))))
    return along_u, along_v


def hinge_shares(share: Array, held: Array | None, axis: int) -> Array:
    """Share of each hinge along ``axis``: the mean of its two links, 0 if either is missing.

    A hinge at a held node with one held and one free neighbour is a clamp: it stands for half a cell of bending, so
    its stiffness is doubled and the clamp line lies at that node (checked in tests/validation/test_cantilever.py).
    """
    s = np.moveaxis(share, axis, 0)
    hinge = np.zeros((s.shape[0] + 1, s.shape[1]))
    both = (s[:-1] > 0) & (s[1:] > 0)
    hinge[1:-1] = np.where(both, 0.5 * (s[:-1] + s[1:]), 0.0)
    if held is not None:
        k = np.moveaxis(held, axis, 0)
        clamp = np.zeros(hinge.shape, dtype=bool)
        clamp[1:-1] = k[1:-1] & (k[:-2] ^ k[2:])
        hinge = np.where(clamp, 2.0 * hinge, hinge)
    return np.moveaxis(hinge, 0, axis)


def lightness(mass: Array, free: Array) -> Array:
    """1 / mass (1/kg) where a node may move, else 0."""
    return free / np.where(mass > 0.0, mass, 1.0)


def lattice_fields(lattice: Lattice, card: FabricCard, gravity: Array, held: Array | None = None) -> LatticeFields:
    """Weights, masses and dead loads of one lattice on the padded grid; ``u`` and ``v`` are the axes of that grid.

    ``gravity`` (3,) m/s2; ``held`` (n,) bool.
    """
    turned = is_turned(lattice)

    def laid(values: Array) -> Array:
        out = zeros_in_lines(*grid_shape(lattice))
        values = values.T if turned else values
        out[PAD : PAD + values.shape[0], PAD : PAD + values.shape[1]] = values
        return out

    kept = None
    if held is not None:
        kept = np.zeros(lattice.shape, dtype=bool)
        kept[lattice.ij[:, 0], lattice.ij[:, 1]] = held
    share_u, share_v = link_shares(lattice.cell)
    mass = padded(lattice, card.areal_density * lattice.node_area)
    free = (mass > 0).astype(float)
    if kept is not None:
        free *= 1.0 - laid(kept.astype(float))
    link = [laid(share_u), laid(share_v)]
    bend = [laid(hinge_shares(share_u, kept, 0)), laid(hinge_shares(share_v, kept, 1))]
    if turned:
        link, bend = link[::-1], bend[::-1]
    return LatticeFields(
        link_u=link[0],
        link_v=link[1],
        bend_u=bend[0],
        bend_v=bend[1],
        cell=laid(lattice.cell.astype(float)),
        mass=mass,
        light=lightness(mass, free),
        free=free,
        load=np.asarray(gravity, float)[:, None, None] * mass,
    )

"""The second opinion: every energy in plain numpy, element by element, and forces by automatic differentiation.

The certificate is computed with this room, so a mistake in a kernel's forces cannot certify itself. Only the energies
are written down here. Their gradients are taken by the complex step: an energy of complex positions, one coordinate
moved by i 1e-30, has the derivative in its imaginary part, without cancellation and so to rounding (Squire and Trapp,
SIAM Rev. 40 (1998) 110, from memory). Shared with the kernels' side are the coefficients of the angle series, the
smooth load-extension curve and the shares of links and hinges (mechanics.energies); those have tests of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from drapesim.kernels.elastic import BENDS, SERIES
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import LOCK_STIFFENING, Curve, hinge_shares, link_shares, smooth_curve

Array = np.ndarray

STEP = 1e-30  # of the complex step; its square vanishes beside 1, so only the rounding of the energy is left

KINDS = ("stretch warp", "bend warp", "stretch weft", "bend weft", "shear", "twist")


@dataclass(frozen=True)
class Elements:
    """All elements of one kind: their nodes (k, m), and the energy (k,) J of corners (k, m, 3) m, real or complex."""

    kind: str
    node: Array
    energy: Callable[[Array], Array]

    def force(self, x: Array) -> Array:
        """(n, 3) N on the nodes at ``x`` (n, 3) m."""
        force = np.zeros_like(x)
        corner = x[self.node].astype(np.complex128)
        for m in range(self.node.shape[1]):
            for axis in range(3):
                corner[:, m, axis] += 1j * STEP
                pull = self.energy(corner).imag / -STEP
                corner[:, m, axis] = corner[:, m, axis].real
                np.add.at(force[:, axis], self.node[:, m], pull)
        return force


def angle_series(z: Array, series: Array = SERIES) -> Array:
    """F(z) = 2 asin(sqrt z)^2, cut as in the kernels; with ``BENDS`` for its series F + F^2 / 24."""
    value = np.zeros_like(z)
    for coefficient in series[::-1]:
        value = (value + coefficient) * z
    return value


def _dot(a: Array, b: Array) -> Array:
    """Without conjugation, so that it stays differentiable where ``a`` or ``b`` is complex."""
    return np.einsum("...k,...k->...", a, b)


def _cosine(a: Array, b: Array) -> Array:
    return _dot(a, b) / np.sqrt(_dot(a, a) * _dot(b, b))


def _held_grid(lattice: Lattice, held: Array | None) -> Array | None:
    if held is None:
        return None
    grid = np.zeros(lattice.shape, dtype=bool)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = held
    return grid


def list_elements(lattice: Lattice, card: FabricCard, held: Array | None = None) -> Iterator[Elements]:
    """The elements of each of the `KINDS`. ``held`` (n,) bool: nodes that do not move."""
    index, kept = lattice.index, _held_grid(lattice, held)
    shares = link_shares(lattice.cell)
    steps = (lattice.spacing_u, lattice.spacing_v)
    rigidities = (card.bend_warp, card.bend_weft)
    curves = [smooth_curve(points, card.compression_ratio) for points in (card.warp_curve, card.weft_curve)]
    for axis, name in enumerate(("warp", "weft")):
        h, width = steps[axis], steps[1 - axis]
        line, share = np.moveaxis(index, axis, 0), np.moveaxis(shares[axis], axis, 0)
        there = share > 0
        ends = np.stack([line[:-1][there], line[1:][there]], axis=1)
        yield Elements("stretch " + name, ends, _stretching(curves[axis], share[there] * width * h, h))
        hinge = np.moveaxis(hinge_shares(shares[axis], kept, axis), axis, 0)[1:-1]
        there = hinge > 0
        ends = np.stack([line[:-2][there], line[1:-1][there], line[2:][there]], axis=1)
        yield Elements("bend " + name, ends, _bending(rigidities[axis] * width / h * hinge[there]))
    i, j = np.nonzero(lattice.cell)
    corner = np.stack([index[i, j], index[i + 1, j], index[i, j + 1], index[i + 1, j + 1]], axis=1)
    area = lattice.spacing_u * lattice.spacing_v
    yield Elements("shear", corner, _shearing(card, area))
    yield Elements("twist", corner, _twisting(card.twist / area))


def _stretching(curve: Curve, area: Array, h: float) -> Callable[[Array], Array]:
    """The integral of the curve's tension up to the link's strain, times the cloth it stands for."""

    def energy(x: Array) -> Array:
        d = x[:, 1] - x[:, 0]
        return area * curve.energy(np.sqrt(_dot(d, d)) / h - 1.0)

    return energy


def _bending(stiffness: Array) -> Callable[[Array], Array]:
    """The stiffness times t^2/2 + t^4/96 of the yarn's turn t at its middle node; t^2 / 2 = F((1 - cos t) / 2)."""

    def energy(x: Array) -> Array:
        return stiffness * angle_series(0.5 * (1.0 - _cosine(x[:, 1] - x[:, 0], x[:, 2] - x[:, 1])), BENDS)

    return energy


def _shearing(card: FabricCard, area: float) -> Callable[[Array], Array]:
    """G g^2 / 2 of the angle g between the cell's mid-lines, and what is stiffer past the locking angle, times area."""
    locking = np.sin(card.locking_angle)

    def energy(x: Array) -> Array:
        x00, x10, x01, x11 = (x[:, k] for k in range(4))
        s = _cosine(x10 - x00 + x11 - x01, x01 - x00 + x11 - x10)
        over, under = np.maximum(0.0, s - locking), np.maximum(0.0, -s - locking)
        past = LOCK_STIFFENING * (over * over * over + under * under * under) / 3.0
        return area * card.shear_rigidity * (0.25 * angle_series(s * s) + past)

    return energy


def _twisting(stiffness: float) -> Callable[[Array], Array]:
    """J k^2 times area, k the cell's twist: the second difference across both yarns over the area."""

    def energy(x: Array) -> Array:
        twist = x[:, 0] - x[:, 1] - x[:, 2] + x[:, 3]
        return stiffness * _dot(twist, twist)

    return energy


def elastic_energies(lattice: Lattice, card: FabricCard, x: Array, held: Array | None = None) -> dict[str, float]:
    """Elastic energy (J) of each kind at positions ``x`` (n, 3) m."""
    return {each.kind: float(each.energy(x[each.node]).sum()) for each in list_elements(lattice, card, held)}


def elastic_forces(lattice: Lattice, card: FabricCard, x: Array, held: Array | None = None) -> dict[str, Array]:
    """Force (n, 3) N of each kind of energy on the nodes at positions ``x`` (n, 3) m."""
    return {each.kind: each.force(x) for each in list_elements(lattice, card, held)}


def elastic_force(lattice: Lattice, card: FabricCard, x: Array, held: Array | None = None) -> Array:
    """(n, 3) N: force of all elastic energies on the nodes at positions ``x`` (n, 3) m."""
    force = np.zeros_like(x)
    for each in list_elements(lattice, card, held):
        force += each.force(x)
    return force

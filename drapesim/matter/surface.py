"""The lattice in space: what follows from node positions alone, without forces or a body.

Positions ``x`` are (n, 3) m, one row for each node of the lattice.
"""

from __future__ import annotations

import numpy as np

from drapesim.matter.sheet import Lattice

Array = np.ndarray

ON_LINE = 1e-9
"""A point nearer than this many cells to a yarn line may be read from the cell on its other side."""


def cell_corners(lattice: Lattice) -> Array:
    """(cells, 4) node numbers round each cell that is cloth: (i, j), (i+1, j), (i+1, j+1), (i, j+1)."""
    i, j = np.nonzero(lattice.cell)
    index = lattice.index
    return np.stack([index[i, j], index[i + 1, j], index[i + 1, j + 1], index[i, j + 1]], 1)


def inner_normals(lattice: Lattice, x: Array) -> Array:
    """(n, 3) unit normals at the nodes, out of the inner side: from the two links of each cell that meet at the node.

    Each cell weighs as much as the parallelogram of its two links. Symmetric, whichever way the cell's diagonal runs.
    """
    corner = cell_corners(lattice)  # in order round the cell, so that next x previous is x_u x x_v at each
    total = np.zeros_like(x)
    for k in range(4):
        here, after, before = x[corner[:, k]], x[corner[:, (k + 1) % 4]], x[corner[:, k - 1]]
        area = np.cross(after - here, before - here)
        for c in range(3):
            total[:, c] += np.bincount(corner[:, k], area[:, c], minlength=len(x))
    return lattice.inner_sign * total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)


def link_ends(lattice: Lattice, axis: int) -> tuple[Array, Array]:
    """Node numbers (k,) of the two ends of every link along warp (``axis`` 0) or weft (1) that borders on a cell."""
    line = np.moveaxis(lattice.index, axis, 0)
    cell = np.moveaxis(lattice.cell, axis, 0)
    there = np.pad(cell, ((0, 0), (1, 0))) | np.pad(cell, ((0, 0), (0, 1)))
    return line[:-1][there], line[1:][there]


def link_strains(lattice: Lattice, x: Array) -> tuple[Array, Array]:
    """Engineering strain (k,) of every warp and every weft link, in the order of `link_ends`."""
    strains = []
    for axis, h in enumerate((lattice.spacing_u, lattice.spacing_v)):
        a, b = link_ends(lattice, axis)
        strains.append(np.linalg.norm(x[b] - x[a], axis=1) / h - 1.0)
    return strains[0], strains[1]


def link_strain_means(lattice: Lattice, x: Array) -> tuple[Array, Array]:
    """Engineering strain (n,) along warp and weft: the mean over the one or two links at each node."""
    means = []
    for axis, strain in enumerate(link_strains(lattice, x)):
        ends = np.concatenate(link_ends(lattice, axis))
        total = np.bincount(ends, np.concatenate([strain, strain]), minlength=len(x))
        means.append(total / np.bincount(ends, minlength=len(x)))
    return means[0], means[1]


def link_strain_peaks(lattice: Lattice, x: Array) -> tuple[Array, Array]:
    """Engineering strain (n,) along warp and weft: the larger of the one or two links at each node."""
    peaks = []
    for axis, strain in enumerate(link_strains(lattice, x)):
        peak = np.full(len(x), -np.inf)
        for ends in link_ends(lattice, axis):
            np.maximum.at(peak, ends, strain)
        peaks.append(peak)
    return peaks[0], peaks[1]


def shear_angles(lattice: Lattice, x: Array) -> Array:
    """(n,) rad: mean over the cells at each node of asin(t_u . t_v), with t_u, t_v the cell's unit mid-lines."""
    corner = cell_corners(lattice)
    x00, x10, x11, x01 = (x[corner[:, k]] for k in range(4))
    tu, tv = x10 - x00 + x11 - x01, x01 - x00 + x11 - x10
    size = np.maximum(np.linalg.norm(tu, axis=1) * np.linalg.norm(tv, axis=1), 1e-300)
    angle = np.arcsin(np.clip(np.einsum("nk,nk->n", tu, tv) / size, -1.0, 1.0))
    owner = corner.ravel()
    return np.bincount(owner, np.repeat(angle, 4), minlength=len(x)) / np.bincount(owner, minlength=len(x))


def sample_sheet(lattice: Lattice, x: Array, uv: Array) -> tuple[Array, Array]:
    """(points (m, 3) m, inner normals (m, 3) unit) of the sheet at flat-map places ``uv`` (m, 2) m.

    The points lie exactly on ``lattice.triangles``; the normals are those of the nodes, interpolated in the same
    triangles. NaN where there is no cloth at ``uv``.
    """
    corner, weight, there = _weigh_corners(lattice, uv)
    points = np.einsum("mk,mkd->md", weight, x[corner])
    normals = np.einsum("mk,mkd->md", weight, inner_normals(lattice, x)[corner])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    points[~there], normals[~there] = np.nan, np.nan
    return points, normals


def sample_nodes(lattice: Lattice, values: Array, uv: Array) -> Array:
    """(m,) ``values`` (n,) of the nodes at flat-map places ``uv`` (m, 2) m, linear in ``lattice.triangles``; NaN where
    there is no cloth."""
    corner, weight, there = _weigh_corners(lattice, uv)
    return np.where(there, np.einsum("mk,mk->m", weight, values[corner]), np.nan)


def spread_forces(lattice: Lattice, uv: Array, force: Array) -> Array:
    """(n, 3) N on the nodes from forces (m, 3) N at flat-map places ``uv`` (m, 2) m; the work is that at the places.

    The inverse road of `sample_sheet`: the same weights. What lies off the cloth is left out.
    """
    corner, weight, there = _weigh_corners(lattice, uv)
    total = np.zeros((len(lattice.ij), 3))
    for k in range(4):
        for c in range(3):
            parts = np.where(there, weight[:, k] * force[:, c], 0.0)
            total[:, c] += np.bincount(corner[:, k], parts, minlength=len(total))
    return total


def _weigh_corners(lattice: Lattice, uv: Array) -> tuple[Array, Array, Array]:
    """Node numbers (m, 4) of the cell at each place ``uv`` (m, 2) m, their weights (m, 4), and (m,) is there cloth?"""
    cells = lattice.cell.shape
    place = np.asarray(uv, dtype=np.float64) / np.array([lattice.spacing_u, lattice.spacing_v])
    inside = ((place >= -ON_LINE) & (place <= np.array(cells) + ON_LINE)).all(1)
    place = np.where(inside[:, None], place, 0.0)
    low = np.clip(np.floor(place), 0, np.array(cells) - 1).astype(np.int64)
    there = inside & lattice.cell[low[:, 0], low[:, 1]]
    for du, dv in ((-1, 0), (0, -1), (-1, -1), (1, 0), (0, 1), (1, 1), (-1, 1), (1, -1)):
        # on the border between a cell that is cloth and one that is missing, take the one that is cloth
        other = low + np.array([du, dv])
        allowed = ~there & inside & (other >= 0).all(1) & (other < np.array(cells)).all(1)
        rest = place - other
        allowed &= ((rest >= -ON_LINE) & (rest <= 1.0 + ON_LINE)).all(1)
        allowed[allowed] = lattice.cell[other[allowed, 0], other[allowed, 1]]
        low[allowed] = other[allowed]
        there |= allowed
    f, g = np.clip(place - low, 0.0, 1.0).T
    i, j = low.T
    corner = np.stack(
        [lattice.index[i, j], lattice.index[i + 1, j], lattice.index[i + 1, j + 1], lattice.index[i, j + 1]], 1
    )
    # the diagonal runs from corner 0 to 2 in even cells and from 1 to 3 in odd ones, see Lattice.triangles
    even = np.stack([1.0 - np.maximum(f, g), np.maximum(f - g, 0.0), np.minimum(f, g), np.maximum(g - f, 0.0)], 1)
    past = np.maximum(f + g - 1.0, 0.0)
    odd = np.stack([np.maximum(1.0 - f - g, 0.0), f - past, past, g - past], 1)
    return corner, np.where(((i + j) % 2 == 0)[:, None], even, odd), there

"""The sheet: the cut cloth in flat-map coordinates, and the yarn-aligned lattice laid over it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Sheet:
    """The cloth piece on its flat map: u along the warp, v along the weft, origin at one corner, metres.

    ``inner_sign`` is +1 when x_u x x_v points out of the inner (body-facing) side, -1 when out of the outer side.
    A flat map drawn with u to the right and v downward and *seen from the inner side* has -1.
    """

    length: float  # extent along warp, m
    width: float  # extent along weft, m
    spacing: float  # wanted node spacing, m
    inner_sign: int = -1


@dataclass(frozen=True)
class Lattice:
    """Nodes at yarn crossings: a (nu, nv) rectangle of cells, some of which may be missing.

    ``cell`` (nu-1, nv-1) bool says which cells are cloth; a node exists if any of its cells does.
    ``spacing_u``/``spacing_v`` are the exact node distances (m) that divide the sheet into whole cells.
    """

    spacing_u: float
    spacing_v: float
    cell: Array
    inner_sign: int = -1

    @property
    def shape(self) -> tuple[int, int]:
        """(nu, nv) nodes along warp and weft."""
        return self.cell.shape[0] + 1, self.cell.shape[1] + 1

    @cached_property
    def corner_count(self) -> Array:
        """(nu, nv) int: number of cells that meet at each node (0: no node)."""
        count = np.zeros(self.shape, dtype=np.int64)
        for di in (0, 1):
            for dj in (0, 1):
                count[di : di + self.cell.shape[0], dj : dj + self.cell.shape[1]] += self.cell
        return count

    @cached_property
    def ij(self) -> Array:
        """(n, 2) int32 lattice indices of the existing nodes, in row-major order."""
        # row by row in memory: kernels compile anew for what is derived from an array that is not
        return np.ascontiguousarray(np.argwhere(self.corner_count > 0), dtype=np.int32)

    @cached_property
    def index(self) -> Array:
        """(nu, nv) int32 node number, -1 where there is no node."""
        index = np.full(self.shape, -1, dtype=np.int32)
        index[self.ij[:, 0], self.ij[:, 1]] = np.arange(len(self.ij), dtype=np.int32)
        return index

    @cached_property
    def uv(self) -> Array:
        """(n, 2) flat-map coordinates of the nodes, m."""
        return self.ij * np.array([self.spacing_u, self.spacing_v])

    @cached_property
    def node_area(self) -> Array:
        """(n,) tributary area of each node, m2."""
        return self.corner_count[self.ij[:, 0], self.ij[:, 1]] * (0.25 * self.spacing_u * self.spacing_v)

    @cached_property
    def triangles(self) -> Array:
        """(t, 3) int32 node numbers; each cell is two triangles, diagonals alternate so that no direction is favoured.

        The winding gives the normal x_u x x_v.
        """
        i, j = np.nonzero(self.cell)
        a, b = self.index[i, j], self.index[i + 1, j]
        c, d = self.index[i + 1, j + 1], self.index[i, j + 1]
        even = ((i + j) % 2 == 0)[:, None]
        first = np.where(even, np.stack([a, b, c], 1), np.stack([a, b, d], 1))
        second = np.where(even, np.stack([a, c, d], 1), np.stack([b, c, d], 1))
        return np.ascontiguousarray(np.stack([first, second], 1).reshape(-1, 3).astype(np.int32))


def halved(lattice: Lattice) -> Lattice:
    """Lattice of half the spacing on the same piece: each cell becomes four."""
    cell = np.repeat(np.repeat(lattice.cell, 2, axis=0), 2, axis=1)
    return Lattice(0.5 * lattice.spacing_u, 0.5 * lattice.spacing_v, cell, lattice.inner_sign)


def cut_lattice(sheet: Sheet, spacing: float | None = None, multiple: int = 1) -> Lattice:
    """Lattice of a whole rectangular sheet at the wanted spacing (m), rounded so that whole cells fit.

    ``multiple``: cell counts are rounded to multiples of this where the sheet has that many, so that coarser lattices
    of the same sheet exist; the spacing then differs from the wanted one by a few per cent at most.
    """
    h = sheet.spacing if spacing is None else spacing

    def count(extent: float) -> int:
        cells = extent / h
        step = multiple if cells > 8 * multiple else 1
        return max(1, step * round(cells / step))

    nu, nv = count(sheet.length), count(sheet.width)
    return Lattice(sheet.length / nu, sheet.width / nv, np.ones((nu, nv), dtype=bool), sheet.inner_sign)

"""Cutting test pieces: strips along a yarn, and strips cut at 45 degrees, on a lattice that lies along the yarns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drapesim.matter.sheet import Lattice

Array = np.ndarray


@dataclass(frozen=True)
class Strip:
    """A narrow piece cut along one yarn direction.

    rows (k, m): node numbers, row by row along the strip; spacing (m) along it; width (m) across it.
    """

    lattice: Lattice
    rows: Array
    spacing: float
    width: float

    @property
    def row_area(self) -> Array:
        """(k,) cloth area that each row stands for, m2."""
        return self.lattice.node_area[self.rows].sum(axis=1)

    def laid(self, along: Array, height: Array) -> Array:
        """(n, 3) positions: row k at x = along[k], z = height[k], spread level across y; nothing stretched across."""
        x = np.empty((len(self.lattice.ij), 3))
        across = np.linspace(-0.5 * self.width, 0.5 * self.width, self.rows.shape[1])
        x[self.rows] = np.stack(np.broadcast_arrays(along[:, None], across[None], height[:, None]), axis=-1)
        return x

    def held_rows(self, *numbers: int) -> Array:
        """(n,) bool: the nodes of these rows."""
        held = np.zeros(len(self.lattice.ij), dtype=bool)
        held[self.rows[list(numbers)]] = True
        return held


def cut_strip(direction: str, cells: int, spacing: float, across: int = 2) -> Strip:
    """A strip of ``cells`` by ``across`` square cells along "warp" or "weft", ``spacing`` (m) each."""
    shape = (cells, across) if direction == "warp" else (across, cells)
    lattice = Lattice(spacing, spacing, np.ones(shape, dtype=bool))
    # turned, not mirrored: a weft strip keeps the outer side of the cloth upward
    rows = lattice.index if direction == "warp" else lattice.index.T[:, ::-1]
    return Strip(lattice, rows, spacing, across * spacing)


@dataclass(frozen=True)
class BiasStrip:
    """A piece cut at 45 degrees: whole cells, so that its edges are staircases.

    row (n,) int: number of the diagonal row of nodes that each node lies on, 0 at the first free one's clamp;
    place (n,) int: its number across, 0 in the middle; step (m): distance of rows, and of places.
    """

    lattice: Lattice
    row: Array
    place: Array
    step: float

    @property
    def flat(self) -> Array:
        """(n, 3) m: the piece laid level, along x from row 0, across y."""
        return self.step * np.column_stack([self.row, self.place, np.zeros(len(self.row))])

    @property
    def links(self) -> Array:
        """(k, 2) node numbers of neighbours along a yarn."""
        index = self.lattice.index
        pairs = np.concatenate([
            np.stack([index[:-1], index[1:]], axis=-1).reshape(-1, 2),
            np.stack([index[:, :-1], index[:, 1:]], axis=-1).reshape(-1, 2),
        ])  # fmt: skip
        return pairs[(pairs >= 0).all(axis=1)]


def cut_bias_strip(before: int, rows: int, half: int, spacing: float) -> BiasStrip:
    """A bias strip from row -``before`` to row ``rows``, ``half`` places to either side of its middle.

    Rows and places are spacing / sqrt 2 apart (m). ``before`` must be even where ``half`` is, so that the middle place
    is on the lattice.
    """
    size = before + rows + 2 * half + 4
    i, j = np.indices((size, size))
    shift = before + half + (before + half) % 2
    along, across = i + j - shift, i - j  # of a cell's first corner; its last is two rows on
    cell = (along >= -before) & (along + 2 <= rows) & (np.abs(across) <= half)
    used = np.flatnonzero(cell.any(axis=1)), np.flatnonzero(cell.any(axis=0))
    first = used[0][0], used[1][0]
    cell = cell[first[0] : used[0][-1] + 1, first[1] : used[1][-1] + 1]
    lattice = Lattice(spacing, spacing, cell)
    i, j = (lattice.ij + np.array(first)).T.astype(np.int64)
    return BiasStrip(lattice, i + j - shift, i - j, spacing / math.sqrt(2.0))

"""Contact of the sheet with itself: which layers are near each other, and whether any pass through each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation

from drapesim.kernels.layers import Blocks, find_layers
from drapesim.kernels.pairs import Found
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.contact_list import face_neighbours, feature_owners

Array = np.ndarray

WIDEST = 0.25  # of a cell: with wider bands, two together, a flat sheet would meet its own next cell but one
LEAST_SIDE = 4  # cells: smaller blocks would be too many, larger ones bend too much for one cone
MOST_BLOCKS = 1500  # each is held against each


@dataclass(frozen=True)
class Weave:
    """What the searches need to know of a lattice's triangles."""

    triangles: Array  # (t, 3) int32, two to a cell
    owns: Array  # (t, 6), see `feature_owners`
    neighbour: Array  # (t, 3), see `face_neighbours`
    blocks: Blocks
    widest: float  # m, band of a cell in a search for layers at most


def prepare_weave(lattice: Lattice) -> Weave:
    """Owners and neighbours of the triangles of ``lattice``."""
    triangles = lattice.triangles
    widest = WIDEST * min(lattice.spacing_u, lattice.spacing_v)
    return Weave(triangles, feature_owners(triangles), face_neighbours(triangles), cut_blocks(lattice.cell), widest)


def cut_blocks(cell: Array) -> Blocks:
    """The cells (nu-1, nv-1) bool of a lattice in square blocks, numbered as their triangles are."""
    i, j = np.nonzero(cell)
    side = max(LEAST_SIDE, int(np.ceil(np.sqrt(len(i) / MOST_BLOCKS))))
    columns = (cell.shape[1] - 1) // side + 1
    name = (i // side) * columns + j // side
    order = np.argsort(name, kind="stable")
    used, first = np.unique(name[order], return_index=True)
    place = np.stack([used // columns, used % columns], axis=1).astype(np.int64)
    missing = binary_dilation(~cell, np.ones((3, 3), dtype=bool), iterations=side)
    ragged = np.zeros(len(used), dtype=bool)
    ragged[np.searchsorted(used, name[missing[i, j]])] = True
    return Blocks(place, np.append(first, len(name)).astype(np.int64), order.astype(np.int64), ragged)


def find_layer_contacts(
    weave: Weave, x: Array, apart: float, band: Array | None = None, due: Array | None = None
) -> tuple[Found, Array]:
    """(contacts between layers closer than ``apart`` (m), some pairs (k, 2) of triangles that cross: none if k is 0).

    ``band`` (c,) m: how much farther to look from each cell. ``due`` (c,) bool: only pairs with one of these cells.
    """
    return find_layers(x, weave.triangles, weave.owns, weave.neighbour, weave.blocks, apart, band, due)

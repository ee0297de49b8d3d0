"""Hysteresis: how far friction between yarns lets the resting cloth be from where the elastic one rests.

The lattice is elastic and has one rest shape; a cloth whose bending has hysteresis has a band of them. The band is told
point by point here, as an uncertainty of the gap, from the card's 2HB.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from drapesim.ground.references.hysteresis import LONGEST, MOST, solve_shape_band
from drapesim.ground.units import bending_length, weigh_area
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import link_shares

Array = np.ndarray

LENGTHS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, LONGEST)  # in bending lengths


def carry(lattice: Lattice, card: FabricCard, touching: Array) -> Array | None:
    """(n,) m: by how much the gap of each node may differ through the card's bending hysteresis 2HB.

    ``touching`` (n,) bool: nodes that rest on something. None where neither 2HB is known.

    Each node is taken for the tip of a strip that stands free from the nearest touching node on, as far as it is along
    the sheet: half way between the strip that came down from flat and the one that came up from hanging lies what is
    told here (`references.hysteresis.solve_shape_band`), the larger of warp and weft, growing with the distance and
    level from where the strip hangs plumb. It is an estimate by analogy, no bound: cloth held from both sides moves
    less than a free strip, and a fold may tip over into another, which moves it more. Not in it: creep, creases, shear
    hysteresis. Where 2HB / 2 exceeds 2 w c^2 it is taken as that: such a cloth rests in nearly any shape.
    """
    shifts = [
        _shift(distance_along(lattice, touching), card.areal_density, rigidity, moment)
        for rigidity, moment in zip((card.bend_warp, card.bend_weft), card.bend_hysteresis, strict=True)
        if moment is not None
    ]
    return np.max(shifts, axis=0) if shifts else None


def distance_along(lattice: Lattice, touching: Array) -> Array:
    """(n,) m: way along the lattice's links and cell diagonals to the nearest ``touching`` node; inf if there is none.

    Up to 8 % longer than the straight way, which has any direction.
    """
    index, n = lattice.index, len(lattice.ij)
    if not touching.any():
        return np.full(n, np.inf)
    h, k = lattice.spacing_u, lattice.spacing_v
    along_u, along_v = link_shares(lattice.cell)
    pairs = (
        (index[:-1], index[1:], along_u > 0.0, h),
        (index[:, :-1], index[:, 1:], along_v > 0.0, k),
        (index[:-1, :-1], index[1:, 1:], lattice.cell, np.hypot(h, k)),
        (index[1:, :-1], index[:-1, 1:], lattice.cell, np.hypot(h, k)),
    )
    rows = np.concatenate([one[there] for one, _, there, _ in pairs])
    columns = np.concatenate([two[there] for _, two, there, _ in pairs])
    ways = np.concatenate([np.full(int(there.sum()), way) for _, _, there, way in pairs])
    graph = coo_matrix((ways, (rows, columns)), (n, n)).tocsr()
    return dijkstra(graph, directed=False, indices=np.flatnonzero(touching), min_only=True)


def _shift(distance: Array, areal_density: float, rigidity: float, moment: float) -> Array:
    """(n,) m for strips as long as ``distance`` (n,) m, of 2HB = ``moment`` (N)."""
    c = bending_length(areal_density, rigidity)
    friction = min(0.5 * moment / (weigh_area(areal_density) * c**2), MOST)
    table = np.array([0.0, *_half_widths(friction)])
    return c * np.interp(np.minimum(distance / c, LONGEST), [0.0, *LENGTHS], table)


@lru_cache(maxsize=64)
def _half_widths(friction: float) -> tuple[float, ...]:
    """Half the way between the two ends of the tip's band, in c, for each of `LENGTHS`; never falling."""
    if friction == 0.0:
        return (0.0,) * len(LENGTHS)
    widths = []
    for length in LENGTHS:
        band = solve_shape_band(length, friction, 3)
        upper, lower = np.array(band.upper.tip), np.array(band.lower.tip)
        widths.append(0.5 * length * float(np.linalg.norm(upper - lower)))
    return tuple(float(w) for w in np.maximum.accumulate(widths))

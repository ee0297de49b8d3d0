"""Up to where a contact list is good: where the sheet's triangles were when last searched, and how far that looked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.survey import farthest_moves, note_corners
from drapesim.mechanics.self_contact import Weave

Array = np.ndarray


@dataclass
class Cover:
    """Corners (t, 3, 3) m of each triangle when it was last searched, and ``band`` (t,) m, how far that looked."""

    corners: Array
    band: Array


def cover_anew(cover: Cover | None, x: Array, weave: Weave, band: float | Array, searched: Array | None) -> Cover:
    """``cover`` after a search of the sheet at ``x`` (n, 3) m; ``searched``: which triangles, all if None.

    ``band`` (m): how far it looked, one or (t,) for each triangle.
    """
    bands = np.array(np.broadcast_to(band, len(weave.triangles)), dtype=np.float64)
    if cover is None or searched is None:
        return Cover(x[weave.triangles], bands)
    note_corners(cover.corners, cover.band, x, weave.triangles, searched, bands)
    return cover


def find_strayed(cover: Cover, x: Array, weave: Weave, way: float, reach: float | Array, room: float) -> Array:
    """(t,) bool: triangles to search again before nodes move by up to ``way`` (m) from ``x`` (n, 3); none if none must.

    A triangle must when it might leave the share ``room`` of its band, or has strayed farther than ``reach`` (m, one or
    one a triangle). Then all that have strayed half as far are searched with it: they would be next.
    """
    moved = np.empty(len(cover.band))
    farthest_moves(moved, x, weave.triangles, cover.corners)
    must = (moved + way > room * cover.band) | (moved > reach)
    return must | (moved > 0.5 * reach) if must.any() else must

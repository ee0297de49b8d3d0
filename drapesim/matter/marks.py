"""Marks: traced areas, lines and points on the flat map, and what each is claimed to do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Claim:
    """What a mark must do. ``kind`` is one of "touches", "touches_place", "shows_feature", "lies_clear".

    ``place`` is a region or landmark name for the two kinds that need one, else "".
    ``tolerance`` is the largest gap that counts as contact, m; ``share`` the least area fraction in contact.
    """

    kind: str = "touches"
    place: str = ""
    tolerance: float = 1e-3
    share: float = 0.8


@dataclass(frozen=True)
class Mark:
    """One traced mark in flat-map coordinates (m).

    ``rings``: tuple of closed outlines (k, 2) uv, even-odd filled (empty for an open line or a point);
    ``samples`` (s, 2) uv points that stand for the mark, with ``weights`` (s,) area each (m2), summing to the area
    (for a line or point: equal weights summing to 1).
    """

    name: str
    kind: str  # "stain", "image", "void", "seam" or "fold"
    rings: tuple[Array, ...]
    samples: Array
    weights: Array
    claim: Claim = Claim()


@dataclass(frozen=True)
class FlatMap:
    """Picture of the cloth laid flat. ``pixels`` (rows, cols, 3) uint8 with rows along v and columns along u."""

    pixels: Array
    metres_per_pixel: float
    seen_from: str  # "inner" or "outer"
    file: str = ""

"""The body and what it lies on: triangles in metres, z up, with named parts, regions and landmarks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class BodyPart:
    """One shell the cloth can touch."""

    name: str  # "body", "support"
    surface: str  # key into FabricCard.friction
    is_support: bool = False


@dataclass(frozen=True)
class Body:
    """Everything rigid in the scene, as one oriented triangle soup of closed shells (outward normals).

    vertices (n, 3) float64 m; faces (m, 3) int32; part (m,) int32 into ``parts``;
    region (m,) int32 into ``region_names`` (-1: none); landmarks name -> (3,) m.
    """

    vertices: Array
    faces: Array
    part: Array
    parts: tuple[BodyPart, ...]
    region: Array
    region_names: tuple[str, ...] = ()
    landmarks: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))
    repairs: tuple[str, ...] = ()  # one sentence for each thing that was changed on loading

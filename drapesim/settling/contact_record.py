"""The contact record: per node, how far from the body, what touches, and what it carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class ContactRecord:
    """Parallel arrays over the n lattice nodes, SI.

    gap: signed distance from the body-facing face of the cloth to the nearest body surface (support excluded), m.
    support_gap: the same to the support, m (inf where there is none).
    body_point (n, 3): nearest body point; body_face (n,) int32 into Body.faces; region (n,) int32 (-1 none);
    landmark (n,) int32: nearest landmark's position in sorted(body.landmarks) (-1 none).
    facing (n,): cosine between the inner normal and the direction to the nearest body point.
    pressure: contact force over nodal area, Pa, body and support together; tension_warp/weft N/m; strain_warp/weft;
    shear_angle rad; slope: angle of the sheet from horizontal, rad.
    """

    gap: Array
    support_gap: Array
    body_point: Array
    body_face: Array
    region: Array
    landmark: Array
    facing: Array
    pressure: Array
    tension_warp: Array
    tension_weft: Array
    strain_warp: Array
    strain_weft: Array
    shear_angle: Array
    slope: Array

    def fields(self) -> Mapping[str, Array]:
        """Name -> array, for archives and tables."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

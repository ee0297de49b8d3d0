"""The fabric card: measured cloth, every number with its unit, standard, source and uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from collections.abc import Mapping

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Provenance:
    """Where one value of the card comes from."""

    source: str
    standard: str = ""
    estimated: bool = False  # True: filled in by a named rule, not measured
    invented: bool = False  # True: demo data


@dataclass(frozen=True)
class FabricCard:
    """One cloth, in SI.

    ``warp_curve``/``weft_curve`` are measured load-extension points, arrays (k, 2) of engineering strain [-] and
    tension per width [N/m], first row (0, 0), both columns strictly rising.
    ``compression_ratio`` is the compressive over the initial tensile modulus.
    ``shear_rigidity`` is N/m per radian of yarn angle, ``locking_angle`` rad.
    ``bend_*`` are bending rigidities per width, N m; ``bend_bias`` is that at 45 degrees.
    ``friction`` maps a surface name to the static coefficient against it.
    ``safe_strain`` (warp, weft) is the extension that must not be exceeded.
    """

    name: str
    areal_density: float  # kg/m2
    thickness: float  # m
    warp_curve: Array
    weft_curve: Array
    shear_rigidity: float
    locking_angle: float
    bend_warp: float
    bend_weft: float
    bend_bias: float
    friction: Mapping[str, float]
    compression_ratio: float = 1.0
    safe_strain: tuple[float, float] = (0.03, 0.03)
    provenance: Mapping[str, Provenance] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def twist(self) -> float:
        """Twist constant J [N m] of B(t) = Bu c^4 + Bv s^4 + 2 J c^2 s^2 (Cooper form), from the 45-degree rigidity."""
        return 0.5 * (4.0 * self.bend_bias - self.bend_warp - self.bend_weft)

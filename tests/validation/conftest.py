"""Cards and strips that the validation files share. All fabric values are test values, chosen near linen."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.references import find_rigidity
from drapesim.ground.units import GRAVITY
from drapesim.jobs.lab import specimen
from drapesim.jobs.lab.specimen import Strip
from drapesim.matter.fabric import FabricCard

Array = np.ndarray


def _straight(modulus: float) -> Array:
    return np.array([[0.0, 0.0], [0.05, 0.05 * modulus]])


@pytest.fixture
def make_card() -> Callable[..., FabricCard]:
    """make_card(...) -> FabricCard of test values; lengths are bending lengths (m), moduli N/m, density kg/m2."""

    def make(
        warp_length: float = 0.025,
        weft_length: float = 0.020,
        warp_modulus: float = 20e3,
        weft_modulus: float = 15e3,
        density: float = 0.180,
        thickness: float = 4e-4,
        friction: float = 0.4,
        **changes: object,
    ) -> FabricCard:
        weight = density * GRAVITY
        bends = find_rigidity(warp_length, weight), find_rigidity(weft_length, weight)
        values = {
            "name": "test values",
            "areal_density": density,
            "thickness": thickness,
            "warp_curve": _straight(warp_modulus),
            "weft_curve": _straight(weft_modulus),
            "shear_rigidity": 40.0,
            "locking_angle": 0.6,
            "bend_warp": bends[0],
            "bend_weft": bends[1],
            "bend_bias": 4.0 / (bends[0] ** -0.5 + bends[1] ** -0.5) ** 2,
            "friction": MappingProxyType({"limewood": friction, "slate": friction}),
        }
        return FabricCard(**(values | changes))  # type: ignore[arg-type]

    return make


@pytest.fixture
def cut_strip() -> Callable[..., Strip]:
    """cut_strip(direction, cells, spacing, across=2) -> Strip of ``cells`` cells along "warp" or "weft"."""
    return specimen.cut_strip

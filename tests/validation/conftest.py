"""Cards and strips that the validation files share. All fabric values are test values, chosen near linen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.references import find_rigidity
from drapesim.ground.units import GRAVITY
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice

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


@pytest.fixture
def cut_strip() -> Callable[..., Strip]:
    """cut_strip(direction, cells, spacing, across=2) -> Strip of ``cells`` cells along "warp" or "weft"."""

    def cut(direction: str, cells: int, spacing: float, across: int = 2) -> Strip:
        length, width = cells * spacing, across * spacing
        sides = (length, width) if direction == "warp" else (width, length)
        lattice = cut_lattice(Sheet(length=sides[0], width=sides[1], spacing=spacing))
        # turned, not mirrored: a weft strip keeps the outer side of the cloth upward
        rows = lattice.index if direction == "warp" else lattice.index.T[:, ::-1]
        assert rows.shape == (cells + 1, across + 1)
        return Strip(lattice, rows, spacing, width)

    return cut

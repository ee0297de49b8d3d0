"""Picture frame: shear rigidity and locking angle of a square held along all four sides in a hinged frame.

The frame's sides lie along the yarns, so the yarns turn and do not stretch. Shear stress is read from the forces along
the frame's sides. The rigidity is the slope from 0.5 to 2.5 degrees, as on the KES tester (range from memory). Past the
locking angle the stress rises above that line with the square of the sine's excess, so the root of the excess at two
angles leads back to the angle where it began.
"""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np

from drapesim.jobs.lab.record import FINE_BAR, LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

CELLS = 6
KES = (math.radians(0.5), math.radians(2.5))
UNEVEN = 0.1  # of a cell, by which the start is off the even frame
NO_WEIGHT = (0.0, 0.0, 0.0)
SETTINGS = SettleSettings(levels=0)


def settle_frame(
    card: FabricCard, spacing: float, angle: float, watch: Watch | None = None
) -> tuple[SettledSheet, float]:
    """A square in a frame sheared by ``angle`` (rad); (settled, shear stress N/m from the forces along its sides).

    The work of the frame's forces as the angle grows is the stress times the area: S A cos(g) is that work over the
    area per sin(g), which counts the corners of the frame rightly.
    """
    lattice = Lattice(spacing, spacing, np.ones((CELLS, CELLS), dtype=bool))
    u, v = (lattice.uv - lattice.uv.mean(axis=0)).T
    half = 0.5 * angle

    def framed(lean: float) -> Array:
        return np.column_stack(
            [u * math.cos(lean) + v * math.sin(lean), u * math.sin(lean) + v * math.cos(lean), 0 * u]
        )

    held = lattice.corner_count[lattice.ij[:, 0], lattice.ij[:, 1]] < 4
    start = framed(half)
    wave = np.sin(2.0 * np.pi * u / (CELLS * spacing)) * ~held
    start[:, :2] += (UNEVEN * spacing * wave)[:, None] * [1.0, -0.5]
    settled = settle(lattice, card, start, held=held, settings=SETTINGS, gravity=NO_WEIGHT, progress=watch)
    nudge = 1e-6
    way = (framed(half + nudge) - framed(half - nudge)) / (4.0 * nudge)  # of each node per radian of the angle
    area = (CELLS * spacing) ** 2
    return settled, float((settled.reaction * way)[held].sum()) / area


def run_shear(card: FabricCard, spacing: float, watch: Watch | None = None) -> LabResult:
    """Shear rigidity and locking angle as a virtual picture frame reads them."""
    lock = card.locking_angle
    beyond = [math.asin(min(0.999, math.sin(lock) + more)) for more in (0.05, 0.1)]
    angles = [*KES, math.radians(8.0), 0.5 * lock, lock, *beyond]
    framed = [settle_frame(card, spacing, angle, watch) for angle in angles]
    stress = np.array([read for _, read in framed])
    rigidity = (stress[1] - stress[0]) / (KES[1] - KES[0])
    excess = np.sqrt(np.maximum(stress[-2:] - rigidity * np.array(beyond), 0.0))
    sines = np.sin(beyond)
    rise = (excess[1] - excess[0]) / (sines[1] - sines[0])
    start = float(sines[0] - excess[0] / rise) if rise > 0.0 else math.nan
    readings = (
        Reading("shear_rigidity", "shear rigidity, frame", "N_m_rad", card.shear_rigidity, float(rigidity), FINE_BAR,
                note="slope from 0.5 to 2.5 degrees"),
        Reading("locking_angle", "locking angle, frame", "deg", lock, math.asin(start) if abs(start) < 1 else math.nan,
                FINE_BAR, note="where the stress begins to rise above the line"),
    )  # fmt: skip
    return LabResult(
        name="picture frame",
        title="Picture frame",
        direction="shear",
        readings=readings,
        spacing=spacing,
        spacing_over_c=float("nan"),
        nodes=len(framed[0][0].lattice.ij),
        steps=sum(each.certificate.steps for each, _ in framed),
        failures=list_failures(*(each for each, _ in framed)),
        lines=MappingProxyType(
            {"angle": np.array(angles), "stress": stress, "nodes": framed[4][0].x[:, :2],
             "triangles": framed[4][0].lattice.triangles, "size": np.array(framed[4][0].lattice.shape)}
        ),
    )  # fmt: skip


def shear_test() -> VirtualTest:
    """The virtual test."""
    return VirtualTest("picture frame", "Picture frame", "shear", 2.0, run_shear)

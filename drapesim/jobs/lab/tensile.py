"""Strip tensile: the load-extension curve of warp and weft, read off a strip pulled between two grips.

Pulled to each extension of the card's own table and to the middles between them, where the card states nothing and the
lattice's smooth curve is shown, not judged. A strip without Poisson contraction stretches evenly; it starts stretched
unevenly, so that it is the solver that finds the even state.
"""

from __future__ import annotations

from functools import partial
from types import MappingProxyType

import numpy as np

from drapesim.jobs.lab.record import FINE_BAR, LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.jobs.lab.specimen import cut_strip
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

CELLS, ACROSS = 8, 2
UNEVEN = 0.5  # share of the extension by which the start is uneven
NO_WEIGHT = (0.0, 0.0, 0.0)
SETTINGS = SettleSettings(residual_rms=1e-2, residual_max=1e-1, levels=0)  # in node weights: 1e-5 of the smallest pull
SHOWN = 5  # extensions that are read, the largest among them


def settle_tensile(
    card: FabricCard, direction: str, spacing: float, strain: float, watch: Watch | None = None
) -> tuple[SettledSheet, float]:
    """A strip pulled to ``strain`` between grips that hold whole rows, without gravity; (settled, tension N/m)."""
    strip = cut_strip(direction, CELLS, spacing, ACROSS)
    share = np.linspace(0.0, 1.0, CELLS + 1)
    along = CELLS * spacing * (share + strain * (share + UNEVEN * share * (1.0 - share)))
    start = strip.laid(along, np.zeros(CELLS + 1))
    held = strip.held_rows(0, -1)
    settled = settle(strip.lattice, card, start, held=held, settings=SETTINGS, gravity=NO_WEIGHT, progress=watch)
    return settled, float(settled.reaction[strip.rows[-1], 0].sum()) / strip.width


def run_tensile(card: FabricCard, direction: str, spacing: float, watch: Watch | None = None) -> LabResult:
    """Tension at the card's own extensions, as a virtual strip reads it."""
    key = f"{direction}_curve"
    points = getattr(card, key)[1:]
    chosen = points[np.unique(np.linspace(0, len(points) - 1, SHOWN).round().astype(int))]
    readings, pulled, strips = [], [], []
    for strain, tension in chosen:
        settled, read = settle_tensile(card, direction, spacing, float(strain), watch)
        quantity = f"tension at {100 * strain:g} %, {direction}"
        readings.append(Reading(key, quantity, "N_m", float(tension), read, FINE_BAR))
        pulled.append((float(strain), read))
        strips.append(settled)
    return LabResult(
        name="strip tensile",
        title="Strip tensile",
        direction=direction,
        readings=tuple(readings),
        spacing=spacing,
        spacing_over_c=float("nan"),
        nodes=len(strips[-1].lattice.ij),
        steps=sum(each.certificate.steps for each in strips),
        failures=list_failures(*strips),
        lines=MappingProxyType({"card": getattr(card, key), "read": np.array(pulled), "strip": strips[-1].x[:, :2]}),
    )


def tensile_test(direction: str) -> VirtualTest:
    """The virtual test of one direction."""
    return VirtualTest("strip tensile", "Strip tensile", direction, 2.0, partial(_run, direction))


def _run(direction: str, card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
    return run_tensile(card, direction, spacing, watch)

"""Claim: a strip pressed end-on onto a floor keeps its tip where it is above a derived friction, and slides below it.

Formula: the elastica clamped upright with its tip stuck straight below; least friction grip / push, 0.445 sqrt(e) for a
small shortening e (references.buckling).
Source: Euler's elastica, derived anew and recomputed in tests/unit/ground/references; a master curve of this kind is in
Romero et al. 2021, ACM Trans. Graphics 40(4) (from memory, not compared with).
Expected order: second in the spacing for the forces.
Tolerance: 3 % of the least friction, from both sides: held at 1.03 times it, slid away at 0.97; and 1 % of push and of
grip over push at L/40 on a floor twice as rough. Held means certified with the tip within 0.003 L of where it was put:
the contact takes up its load from nothing, and the tip slips by up to 0.001 L until it is there. Slid away means by
more than 0.1 L; it ends where the strip, hardly pressed any more, stands on its side of the cone.
No weight acts.
"""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_pinned_strip
from drapesim.matter.body import slab
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

LENGTH, CELLS = 0.05, 40
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)


def press_on_floor(make_card, cut_strip, direction, shortening, share):
    """(tip's way over L, floor's force (3,) over B / L^2) on a floor ``share`` times as rough as it must be to hold."""
    card = make_card(warp_length=0.020, weft_length=0.020, warp_modulus=4e3, weft_modulus=4e3)
    exact = solve_pinned_strip(shortening, points=2 * CELLS + 1)
    strip = cut_strip(direction, CELLS + 1, LENGTH / CELLS)
    lean = exact.angle[1::2]  # of each link, so that none is stretched
    side = np.concatenate([[0.0], np.cumsum(strip.spacing * np.sin(lean))])
    drop = np.concatenate([[0.0], np.cumsum(strip.spacing * np.cos(lean))])
    share_of_way = np.linspace(0.0, 1.0, CELLS + 1)
    side -= side[-1] * share_of_way  # straight links miss the tip by a little
    drop -= (drop[-1] - (1.0 - shortening) * LENGTH) * share_of_way
    height = 0.5 * card.thickness + drop[-1] - drop
    start = strip.laid(np.append(0.0, side), np.append(height[0] + strip.spacing, height))
    held = np.zeros(len(start), dtype=bool)
    held[strip.rows[:2]] = True
    settled = settle(
        strip.lattice,
        card,
        start,
        body=slab(length=1.0, width=1.0, thickness=0.05),
        held=held,
        friction=np.array([share * exact.friction]),
        gravity=(0.0, 0.0, 0.0),
        settings=SETTINGS,
    )
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    tip = strip.rows[-1]
    force = settled.contact_force.sum(axis=0) / strip.width * LENGTH**2 / getattr(card, f"bend_{direction}")
    return float((settled.x - start)[tip, 0].mean()) / LENGTH, force


@pytest.mark.parametrize(("direction", "shortening"), [("weft", 0.1), ("weft", 0.3), ("warp", 0.1)])
def test_forces_of_a_tip_that_sticks(make_card, cut_strip, direction, shortening):
    _, force = press_on_floor(make_card, cut_strip, direction, shortening, 2.0)
    exact = solve_pinned_strip(shortening)
    assert force[2] == pytest.approx(exact.push, rel=0.01)
    assert force[0] / force[2] == pytest.approx(exact.friction, rel=0.01)  # toward the side to which the strip bulges


@pytest.mark.parametrize("shortening", [0.05, 0.1, 0.3])
def test_stick_limit(make_card, cut_strip, shortening):
    way, _ = press_on_floor(make_card, cut_strip, "weft", shortening, 1.03)
    assert abs(way) < 3e-3
    way, _ = press_on_floor(make_card, cut_strip, "weft", shortening, 0.97)
    assert way < -0.1

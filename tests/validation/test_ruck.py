"""Claim: a strip on a smooth table, its ends pushed together, stands up in a ruck of derived height and thrust.

Formula: t'' = (a - s) cos t - P sin t from lift-off to the crest, in bending lengths; low rucks: height
1.3256 D^(4/7) c^(3/7), thrust 3.441 w c (D/c)^(-2/7) for a shortening D (references.ruck).
Source: derived anew, recomputed in tests/unit/ground/references by least energy over a floor; rucks of this kind are in
Vella, Boudaoud and Adda-Bedia 2009 (abstract read).
Expected order: second in the spacing in the mean; lift-off falls anywhere in a cell, so single errors scatter and no
order is asked for.
Tolerance: 3 % of height and thrust at c/8; 0.1 % is seen above D = 0.1 c, and 0.5 % there, where stretch of the flat
sides takes a share of the shortening.
The ends are held flat; the start is a bump of another shape with the same shortening.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_ruck
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import slab
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

LENGTHS = {"warp": 0.025, "weft": 0.020}
PER_LENGTH, FLAT = 8, 1.5  # cells in one bending length; flat cloth on either side, in bending lengths


def bump(n, reach, shortening):
    """Lean (rad) of ``n`` links, PER_LENGTH to a bending length: a sine of one period over ``reach`` each way."""
    middle = (np.arange(n) + 0.5 - 0.5 * n) / PER_LENGTH
    shape = np.where(np.abs(middle) < reach, -np.sin(math.pi * middle / reach), 0.0)
    steep = brentq(lambda a: (1.0 - np.cos(a * shape)).sum() / PER_LENGTH - shortening, 0.01, 3.1)
    return steep * shape


@pytest.mark.parametrize(
    ("direction", "shortening"), [("weft", 0.1), ("weft", 0.5), ("weft", 1.0), ("weft", 3.0), ("warp", 1.0)]
)
def test_height_and_thrust(make_card, cut_strip, direction, shortening):
    c = LENGTHS[direction]
    card = make_card(warp_length=LENGTHS["warp"], weft_length=LENGTHS["weft"], warp_modulus=4e3, weft_modulus=4e3)
    exact = solve_ruck(shortening)
    n = 2 * round((exact.arc + FLAT) * PER_LENGTH)
    strip = cut_strip(direction, n, c / PER_LENGTH)
    lean = bump(n, exact.arc, shortening)
    along = np.append(0.0, np.cumsum(strip.spacing * np.cos(lean)))
    height = np.append(0.0, np.cumsum(strip.spacing * np.sin(lean)))
    floor = 0.5 * card.thickness
    start = strip.laid(along - along.mean(), height + floor)
    ends = strip.rows[[0, 1, -2, -1]]
    held = np.zeros(len(start), dtype=bool)
    held[ends] = True
    settled = settle(
        strip.lattice,
        card,
        start,
        body=slab(length=1.0, width=1.0, thickness=0.05),
        held=held,
        friction=np.zeros(1),
        settings=SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0),
    )
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    x = settled.x[strip.rows].mean(axis=1) / c
    assert x[:, 2].max() - floor / c == pytest.approx(exact.height, rel=0.03)
    assert x[np.argmax(x[:, 2]), 0] == pytest.approx(0.0, abs=0.01)
    push = settled.reaction[ends, 0].sum(axis=1) / (strip.width * card.areal_density * GRAVITY * c)
    assert push[:2].sum() == pytest.approx(exact.thrust, rel=0.03)
    assert push[2:].sum() == pytest.approx(-exact.thrust, rel=0.03)

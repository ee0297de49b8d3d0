"""Claim: a strip hung by its upper edge stretches as its load-extension curve says, warp and weft, straight or not.

Formula: extension = (1/w) integral of e(T) dT from 0 to w L; w L^2 / (2 E) for a straight curve (references.tension).
Source: textbook statics, recomputed in tests/unit/ground/references.
Expected order: exact in the spacing for a straight curve (the tension at a link's middle is its mean), second for a
curved one.
Tolerance: 0.5 % of the extension, of which the smoothing of twelve tabulated points of a curved law takes 0.1 %.
"""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import integrate_hanging_stretch, predict_hanging_stretch
from drapesim.ground.units import GRAVITY
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

LENGTH, DENSITY = 1.0, 0.180
WEIGHT = DENSITY * GRAVITY
MODULI = {"warp": 12e3, "weft": 9e3}
TIGHT = SettleSettings(residual_rms=1e-5, residual_max=1e-4, levels=0)


def stiffen(strain):
    """A law that stiffens ninefold over the strains that occur, N/m (test values)."""
    return 60.0 * strain + 1.2e4 * strain**2


def settle_hanging(strip, card):
    """Lowering of the free end, m."""
    held = np.zeros(len(strip.lattice.ij), dtype=bool)
    held[strip.rows[0]] = True
    start = strip.laid(np.zeros(len(strip.rows)), -np.arange(len(strip.rows)) * strip.spacing)
    settled = settle(strip.lattice, card, start, held=held, settings=TIGHT)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    carried = settled.reaction[strip.rows[0]].sum(axis=0)
    assert carried[2] == pytest.approx(WEIGHT * LENGTH * strip.width, rel=1e-3)
    return float((start - settled.x)[strip.rows[-1], 2].mean())


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_straight_curve(make_card, cut_strip, direction):
    card = make_card(warp_modulus=MODULI["warp"], weft_modulus=MODULI["weft"], density=DENSITY)
    lowered = settle_hanging(cut_strip(direction, 40, LENGTH / 40), card)
    assert lowered == pytest.approx(predict_hanging_stretch(WEIGHT, LENGTH, MODULI[direction]).extension, rel=5e-3)


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_curve_with_a_toe(make_card, cut_strip, direction):
    strains = np.linspace(0.0, 0.02, 11)
    curve = np.stack([strains, stiffen(strains)], axis=1)
    card = make_card(density=DENSITY, **{f"{direction}_curve": curve})
    exact = integrate_hanging_stretch(WEIGHT, LENGTH, stiffen)
    assert exact.top_strain < strains[-1]
    assert 60.0 + 2.4e4 * exact.top_strain > 4.0 * 60.0, "the curved part of the law must be used"
    lowered = settle_hanging(cut_strip(direction, 40, LENGTH / 40), card)
    assert lowered == pytest.approx(exact.extension, rel=5e-3)

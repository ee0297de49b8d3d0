"""Claim: the force with which a hand pulls a strip over a rough cylinder grows with the wrap angle as exp(mu a).

Formula: pull of the hand over the pull on the held end = exp(mu a) (references.sliding).
Source: Euler's capstan formula, textbook statics, recomputed in tests/unit/ground/references.
Expected order: second in the turn of one link (0.1 rad here).
Tolerance: 2 % of the ratio, at rest under the hand's greatest force; 1.2 % is seen at half a turn.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.references import predict_capstan_ratio
from drapesim.kernels.jit import use_threads
from drapesim.mechanics.energies import unpadded
from tests.validation.pulled import MODULUS, pull

pytestmark = pytest.mark.validation


@pytest.mark.parametrize("angle", [45, 90, 135, 180])
def test_pull_grows_with_the_wrap(make_card, cut_strip, angle):
    use_threads(1)
    card = make_card(warp_length=0.002, weft_length=0.002, warp_modulus=MODULUS, weft_modulus=MODULUS)
    hands, strip, ended, turned, most = pull(card, cut_strip, "weft", 0.3, math.radians(angle))
    assert ended.outcome == "force limit"
    motion = hands.state.motion
    at_held = unpadded(strip.lattice, motion.force + motion.touch)[strip.rows[0]].sum(axis=0)
    ratio = most * strip.width / float(np.linalg.norm(at_held))
    assert ratio == pytest.approx(predict_capstan_ratio(0.3, turned), rel=0.02)

"""Claim: what a fit of an attitude calls allowed (95 %) holds the truth about as often, and "determined" means known.

Eight maps of known bodies in random attitudes (10 degrees about hands on the belly, statures of 1.55 to 1.90 m), under
either lay model in turn, with noise of 10 mm. Profile likelihood is exact for linear models and many data only, so 95 %
is not promised: of some 270 angles at least 92 % must lie within, and of those called determined the best value must be
within 10 degrees (root mean square) of the truth.
"""

import numpy as np
import pytest

from drapesim.judging.attitude import DETERMINED, LOOSELY, OPEN, Question, find_attitude
from drapesim.judging.lay_models import LAYS
from drapesim.matter.joint_ranges import list_limits
from drapesim.matter.skeleton import ANGLE_NAMES, JointAngles
from tests.unit.judging.test_attitude import ARM, LEGS, TRUNK, TRUTH, make_view

NAMES = (*TRUNK, *LEGS, *ARM, "left elbow", "left wrist", "left middle fingertip")


@pytest.mark.validation
def test_allowed_ranges_hold_the_truth():
    low, high = list_limits()
    usual = JointAngles.from_degrees(TRUTH).as_vector()
    inside = {DETERMINED: [], LOOSELY: [], OPEN: []}
    off, statures = [], []
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        true = np.clip(usual + np.radians(10.0) * rng.standard_normal(len(usual)), low + 0.02, high - 0.02)
        stature = rng.uniform(1.55, 1.9)
        angles = dict(zip(ANGLE_NAMES, np.degrees(true), strict=True))
        view = make_view(NAMES, LAYS[seed % 2], noise=0.01, seed=seed, angles=angles, stature=stature)
        found = find_attitude(Question((view,), at_rest=False), LAYS[seed % 2])
        known = np.array(found.known)
        for kind, rows in inside.items():
            rows += list(((true >= found.low) & (true <= found.high))[known == kind])
        off += list((found.angles.as_vector() - true)[known == DETERMINED])
        statures.append(found.stature[1] <= stature <= found.stature[2])
    assert np.mean(inside[DETERMINED] + inside[LOOSELY] + inside[OPEN]) >= 0.92
    assert len(inside[DETERMINED]) >= 20
    assert np.mean(inside[DETERMINED]) >= 0.9
    assert np.degrees(np.sqrt(np.mean(np.square(off)))) < 10.0
    assert sum(statures) >= 6

"""Joints: every angle has a range, the same on both sides, and a body at ease lies within all of them."""

import numpy as np

from drapesim.matter.joint_ranges import AT_EASE, RANGES, lie_at_ease, list_limits
from drapesim.matter.skeleton import ANGLE_NAMES, MIDDLE, OF_SIDE


def test_every_angle_has_a_range_that_holds_ease_and_the_upright():
    low, high = list_limits()
    ease = lie_at_ease()
    assert low.shape == high.shape == ease.shape == (len(ANGLE_NAMES),)
    assert set(RANGES) == {*MIDDLE, *OF_SIDE}
    assert set(AT_EASE) <= set(RANGES)
    assert ((low <= ease) & (ease <= high)).all()
    assert ((low <= 0.0) & (high >= 0.0)).all()
    for name in OF_SIDE:
        left, right = (ANGLE_NAMES.index(f"{side} {name}") for side in ("left", "right"))
        assert (low[left], high[left], ease[left]) == (low[right], high[right], ease[right])
    assert np.degrees(high[ANGLE_NAMES.index("left knee_flexion")]) == 140.0

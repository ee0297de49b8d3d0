"""Attitudes by name: heels down, hands laid, given angles above the named ones, ranges."""

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.adult_girths import fit_girths
from drapesim.matter.adult_solid import make_armless
from drapesim.matter.attitudes import LAID, name_attitude
from drapesim.matter.joint_ranges import list_limits
from drapesim.matter.measures import find_measures
from drapesim.matter.skeleton import JointAngles, place_skeleton
from drapesim.matter.solid import measure_field

BODY = find_measures(1.70, sex=0.5)


@pytest.mark.parametrize("legs", ["straight", "bent"])
@pytest.mark.parametrize("ease", ["stiff", "relaxed"])
def test_heels_and_head_come_down_to_the_buttocks(legs, ease) -> None:
    s = place_skeleton(BODY, name_attitude(BODY, ease=ease, legs=legs))
    back = s.joint("left hip")[2] - 0.46 * BODY.buttock_depth
    for side in ("left", "right"):
        assert s.landmark(f"{side} heel")[2] == pytest.approx(back, abs=2e-3)
    assert s.landmark("back of head")[2] == pytest.approx(back, abs=2e-3)
    lifted = s.joint("left knee")[2] - s.joint("left hip")[2]
    assert lifted > 0.1 if legs == "bent" else abs(lifted) < 0.05


@pytest.mark.parametrize("arms", list(LAID))
def test_hands_lie_on_the_body_palm_down_within_joint_ranges(arms: str) -> None:
    angles = name_attitude(BODY, arms=arms)
    low, high = list_limits()
    assert (angles.as_vector() >= low - 1e-9).all()
    assert (angles.as_vector() <= high + 1e-9).all()
    s = place_skeleton(BODY, angles)
    below = make_armless(BODY, angles, s, fit_girths(BODY))[0]
    for side in ("left", "right"):
        hand = s.frames[f"{side} hand"]
        assert hand[2] @ [0, 0, 1] < -0.5  # the palm faces down, aslant on the flank
        palm = s.joint(f"{side} wrist") - 0.3 * BODY.hand_length * hand[0]
        gap = float(measure_field(below, palm[None])[0])
        assert (
            0.005 < gap < (0.035 if side == "left" or arms == "on belly" else 0.085)
        )  # on the body, or on the other hand


def test_given_angles_stand_above_the_named_attitude() -> None:
    given = {"left knee_flexion": 70.0, "right elbow_flexion": 90.0, "left hip_flexion": 5.0, "head_rotation": 30.0}
    angles = name_attitude(BODY, legs="bent", arms="crossed low", given=given)
    assert angles.left.knee_flexion == pytest.approx(np.radians(70))
    assert angles.right.elbow_flexion == pytest.approx(np.radians(90))
    assert angles.left.hip_flexion == pytest.approx(np.radians(5))
    assert angles.head_rotation == pytest.approx(np.radians(30))
    assert angles.right.knee_flexion == pytest.approx(np.radians(40))


def test_stiff_is_straight_and_relaxed_gives_way() -> None:
    stiff, relaxed = (name_attitude(BODY, ease=ease) for ease in ("stiff", "relaxed"))
    assert stiff.left.elbow_flexion == stiff.left.finger_flexion == stiff.left.ankle_flexion == 0.0
    assert relaxed.left.finger_flexion > 0.2
    assert relaxed.left.ankle_flexion < -0.2
    side = name_attitude(BODY, lie="left side")
    assert side.left.knee_flexion > 0.5
    assert isinstance(name_attitude(BODY, lie="prone"), JointAngles)


def test_angles_out_of_range_or_unknown_are_refused() -> None:
    with pytest.raises(InputError, match="out of a joint's range"):
        name_attitude(BODY, given={"left knee_flexion": 170.0})
    with pytest.raises(InputError, match="unknown joint angle"):
        name_attitude(BODY, given={"left knee": 10.0})

"""Forward kinematics: signs, axes, lies, mirrored sides, lengths kept."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.measures import MEANS, MEN, WOMEN, find_measures
from drapesim.matter.skeleton import ANGLE_NAMES, ROOTS, JointAngles, SideAngles, place_skeleton, turn

MAN = find_measures(sex=1.0)
REST = JointAngles()


def offset(angles: JointAngles, start: str, end: str) -> np.ndarray:
    """From joint to joint in the pelvis' axes: up, right, front, as shares of the distance."""
    s = place_skeleton(MAN, angles)
    way = s.joint(end) - s.joint(start)
    return way / np.linalg.norm(way)


# angle, its value, joint before, joint after, where the later lies then (up, right, front)
SIGNS = [
    ("right shoulder_flexion", 90, "right shoulder", "right elbow", (0, 0, 1)),
    ("left shoulder_flexion", 90, "left shoulder", "left elbow", (0, 0, 1)),
    ("right shoulder_abduction", 90, "right shoulder", "right elbow", (0, 1, 0)),
    ("left shoulder_abduction", 90, "left shoulder", "left elbow", (0, -1, 0)),
    ("right elbow_flexion", 90, "right elbow", "right wrist", (0, 0, 1)),
    ("left hip_flexion", 90, "left hip", "left knee", (0, 0, 1)),
    ("left hip_abduction", 90, "left hip", "left knee", (0, -1, 0)),
    ("right hip_abduction", 90, "right hip", "right knee", (0, 1, 0)),
    ("right knee_flexion", 90, "right knee", "right ankle", (0, 0, -1)),
]


@pytest.mark.parametrize(("name", "degrees", "start", "end", "place"), SIGNS)
def test_each_angle_turns_as_its_name_says(name, degrees, start, end, place) -> None:
    assert offset(JointAngles.from_degrees({name: degrees}), start, end) == pytest.approx(place, abs=1e-12)


def test_trunk_and_head_go_forward_sideways_and_round() -> None:
    up, right, front = np.eye(3)
    head = {name: place_skeleton(MAN, JointAngles.from_degrees({name: 90})).frames["head"] for name in ANGLE_NAMES[:6]}
    for part in ("head", "trunk"):
        assert head[f"{part}_flexion"] == pytest.approx(np.array([front, right, -up]), abs=1e-12)
        assert head[f"{part}_bending"] == pytest.approx(np.array([right, -up, front]), abs=1e-12)
        assert head[f"{part}_rotation"] == pytest.approx(np.array([up, -front, right]), abs=1e-12)


def test_medial_rotation_pronation_and_feet() -> None:
    for s, word in ((-1, "left"), (1, "right")):
        frames = place_skeleton(MAN, JointAngles.from_degrees({f"{word} hip_rotation": 90})).frames
        assert frames[f"{word} foot"][2] == pytest.approx([0, -s, 0], abs=1e-12)  # toes inward
        frames = place_skeleton(MAN, JointAngles.from_degrees({f"{word} forearm_pronation": 90})).frames
        assert frames[f"{word} hand"][2] == pytest.approx([0, -s, 0], abs=1e-12)  # the palm faces the thigh
        frames = place_skeleton(MAN, JointAngles.from_degrees({f"{word} ankle_flexion": 20})).frames
        assert frames[f"{word} foot"][2] @ [1, 0, 0] == pytest.approx(np.sin(np.radians(20)))  # toes lifted
        frames = place_skeleton(MAN, JointAngles.from_degrees({f"{word} ankle_inversion": 20})).frames
        assert -frames[f"{word} foot"][0] @ [0, -s, 0] == pytest.approx(np.sin(np.radians(20)))  # sole inward
        frames = place_skeleton(MAN, JointAngles.from_degrees({f"{word} wrist_abduction": 20})).frames
        assert -frames[f"{word} hand"][0] @ [0, s, 0] == pytest.approx(np.sin(np.radians(20)))  # to the thumb


def test_flexion_comes_before_abduction_before_rotation() -> None:
    frame = turn(np.eye(3), 0.3, 0.4, 0.5)
    stepwise = turn(turn(turn(np.eye(3), 0.3, 0, 0), 0, 0.4, 0), 0, 0, 0.5)
    assert frame == pytest.approx(stepwise, abs=1e-15)
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-15)
    assert np.linalg.det(frame) == pytest.approx(1.0)


def test_bones_keep_their_lengths() -> None:
    rng = np.random.default_rng(5)
    straight = place_skeleton(MAN, REST)
    bent = place_skeleton(MAN, JointAngles.from_vector(rng.uniform(-1, 1, len(ANGLE_NAMES))))
    chain = ["right shoulder", "right elbow", "right wrist"], ["left hip", "left knee", "left ankle"], ["neck", "skull"]
    for names in chain:
        for a, b in pairwise(names):
            was, now = (np.linalg.norm(s.joint(a) - s.joint(b)) for s in (straight, bent))
            assert now == pytest.approx(was, rel=1e-12)


def test_exchanged_sides_are_the_mirror_image() -> None:
    rng = np.random.default_rng(6)
    angles = JointAngles.from_vector(rng.uniform(-1, 1, len(ANGLE_NAMES)))
    other = replace(angles, left=angles.right, right=angles.left, head_bending=-angles.head_bending,
                    head_rotation=-angles.head_rotation, trunk_bending=-angles.trunk_bending,
                    trunk_rotation=-angles.trunk_rotation)  # fmt: skip
    one, two = place_skeleton(MAN, angles), place_skeleton(MAN, other)
    swap = {"left": "right", "right": "left"}
    for name in one.landmark_names:
        word, _, rest = name.partition(" ")
        twin = f"{swap[word]} {rest}" if word in swap else name
        assert two.landmark(twin) == pytest.approx(one.landmark(name) * [1, -1, 1], abs=1e-12)


def test_a_body_lies_as_said_with_its_lowest_landmark_on_the_support() -> None:
    for lie, axes in ROOTS.items():
        s = place_skeleton(MAN, REST, lie)
        assert np.linalg.det(axes) == pytest.approx(1.0)
        assert 0.0 <= s.landmarks[:, 2].min() < 0.03  # supine it lies on chest and buttocks, which are no landmarks
        assert 0.5 * (s.joint("left hip") + s.joint("right hip"))[:2] == pytest.approx([0, 0])
    up = {lie: place_skeleton(MAN, REST, lie) for lie in ROOTS}
    assert up["supine"].landmark("nose tip")[2] > 0.15
    assert up["supine"].landmark("left elbow")[1] < 0
    stretched = JointAngles.from_degrees({f"{word} ankle_flexion": -60 for word in ("left", "right")})
    assert place_skeleton(MAN, stretched, "prone").landmark("nose tip")[2] == pytest.approx(0.0, abs=0.03)
    assert up["prone"].landmark("right elbow")[1] < 0
    assert up["left side"].landmark("right acromion")[2] > up["left side"].landmark("left acromion")[2] + 0.3
    assert up["left side"].landmark("nose tip")[1] < 0
    assert up["right side"].landmark("left acromion")[2] > up["right side"].landmark("right acromion")[2] + 0.3


def test_a_straight_body_is_as_long_as_its_stature() -> None:
    s = place_skeleton(MAN, REST)
    sole = s.joint("left ankle")[0] - MAN.ankle_height
    assert s.landmark("crown")[0] - sole == pytest.approx(MAN.stature, abs=1e-12)
    reach = s.joint("left shoulder")[0] - s.landmark("left middle fingertip")[0]
    arm = MAN.upper_arm_length * 0.896 + MAN.forearm_length + MAN.hand_length
    assert reach == pytest.approx(arm, rel=0.02)


def test_angles_go_to_a_vector_and_back() -> None:
    angles = JointAngles(head_flexion=0.1, left=SideAngles(knee_flexion=0.2), right=SideAngles(ankle_inversion=-0.3))
    vector = angles.as_vector()
    assert JointAngles.from_vector(vector) == angles
    assert vector[ANGLE_NAMES.index("left knee_flexion")] == 0.2
    assert JointAngles.from_degrees({"left knee_flexion": 90}).left.knee_flexion == pytest.approx(np.pi / 2)


def test_measures_of_any_stature_and_sex() -> None:
    man, woman, middle = (find_measures(sex=sex) for sex in (1.0, 0.0, 0.5))
    for name, (both, excess) in MEANS.items():  # men and women in their numbers give the mean over all that was read
        unit = 1.0 if name == "mass" else 1e3
        a, b = unit * getattr(man, name), unit * getattr(woman, name)
        assert (MEN * a + WOMEN * b) / (MEN + WOMEN) == pytest.approx(both)
        assert a - b == pytest.approx(excess)
    tall = find_measures(1.90, sex=0.5)
    assert tall.hip_girth / tall.stature == pytest.approx(middle.hip_girth / middle.stature)
    heavy = find_measures(1.90, mass=tall.mass * 1.2, sex=0.5)
    assert heavy.waist_girth > tall.waist_girth * 1.1
    assert heavy.forearm_length == tall.forearm_length
    assert find_measures(1.70, sex=0.5, calf_girth=0.40).calf_girth == 0.40
    for wrong in ({"sex": 1.2}, {"stature": 0.4}, {"mass": 300.0}, {"calf": 0.3}):
        with pytest.raises(InputError):
            find_measures(**wrong)

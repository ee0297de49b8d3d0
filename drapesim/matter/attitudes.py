"""Attitudes by name: joint angles of a body that lies stiff or at ease, with its hands and legs laid in a usual way.

How much each joint gives way at ease is by eye (`joint_ranges.AT_EASE`). Where something lies on something, angles are
solved for: heels and head come down to the support, hands onto whatever lies under them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.adult_arm import make_arm
from drapesim.matter.adult_girths import fit_girths
from drapesim.matter.adult_solid import make_armless
from drapesim.matter.joint_ranges import AT_EASE, RANGES
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import (
    ANGLE_NAMES,
    MIDDLE,
    OF_SIDE,
    SIDES,
    JointAngles,
    Lie,
    SideAngles,
    Skeleton,
    place_skeleton,
)
from drapesim.matter.solid import Solid, Union, measure_field

Array = np.ndarray

Ease = Literal["relaxed", "stiff"]
Arms = Literal["at sides", "crossed low", "on belly", "crossed on chest"]
Legs = Literal["straight", "bent"]

STIFF = {"forearm_pronation": 90.0, "shoulder_abduction": 7.0}
SIDE_EASE = {"hip_flexion": 35.0, "knee_flexion": 50.0, "shoulder_flexion": 50.0, "elbow_flexion": 60.0,
             "shoulder_abduction": 0.0, "hip_rotation": 0.0}  # fmt: skip
KNEE_BEND = 40.0  # degrees, of bent legs unless said otherwise

# Where hands are laid: wrist's height and distance from the midline on its own side, of the stature; degrees by which
# the hand points from crosswise towards the feet; how much higher the right wrist lies, of the stature. By eye.
LAID: Mapping[str, tuple[float, float, float, float]] = MappingProxyType({
    "crossed low": (0.575, 0.050, 34.0, 0.0), "on belly": (0.620, 0.118, 12.0, 0.0),
    "crossed on chest": (0.720, 0.030, -24.0, 0.035),
})  # fmt: skip
ARM = ("shoulder_flexion", "shoulder_abduction", "shoulder_rotation", "elbow_flexion", "forearm_pronation",
       "wrist_flexion", "wrist_abduction")  # fmt: skip
REACH_START = (25.0, 15.0, 35.0, 75.0, 120.0, 5.0, 0.0)  # degrees of ARM from which laid hands are sought


def name_attitude(
    m: BodyMeasures,
    lie: Lie = "supine",
    ease: Ease = "relaxed",
    arms: Arms = "at sides",
    legs: Legs = "straight",
    given: Mapping[str, float] | None = None,
) -> JointAngles:
    """Angles of the named attitude; ``given`` (degrees, names of ANGLE_NAMES) stand above it.

    Hips and neck are bent so that heels and head come down to the height of the buttocks' back, unless their flexion is
    given or the body does not lie on its back. Raises InputError where a hand does not reach its place, an angle has
    no such name or lies outside its range.
    """
    given = {} if given is None else given
    _check_ranges(given)
    degrees = dict.fromkeys(ANGLE_NAMES, 0.0)
    base = dict(STIFF if ease == "stiff" else AT_EASE)
    if ease == "relaxed" and lie in ("left side", "right side"):
        base |= SIDE_EASE
    if lie == "prone":
        base |= {"ankle_flexion": -45.0, "hip_rotation": 0.0}
    if legs == "bent":
        base |= {"knee_flexion": KNEE_BEND, "hip_abduction": 4.0, "hip_rotation": 0.0}
    for name, value in base.items():
        degrees |= {f"{word} {name}": value for _, word in SIDES}
    degrees |= given
    if lie == "supine":
        for _, word in SIDES:
            if f"{word} hip_flexion" not in given:
                degrees[f"{word} hip_flexion"] = _bring_down(m, degrees, f"{word} hip_flexion", f"{word} heel")
        if "head_flexion" not in given:
            degrees["head_flexion"] = _bring_down(m, degrees, "head_flexion", "back of head")
    angles = JointAngles.from_degrees(degrees)
    return angles if arms == "at sides" else _lay_hands(m, angles, lie, arms, given)


def _check_ranges(given: Mapping[str, float]) -> None:
    for name, value in given.items():
        if name not in ANGLE_NAMES:
            raise InputError("", name, "unknown joint angle", f"known are {', '.join((*MIDDLE, *OF_SIDE))}")
        low, high = RANGES[name if name in MIDDLE else name.split(" ", 1)[1]]
        if not low <= value <= high:
            problem = f"{value:g} degrees is out of a joint's range"
            raise InputError("", name, problem, f"give {low:g} to {high:g}")


def _bring_down(m: BodyMeasures, degrees: Mapping[str, float], joint: str, landmark: str) -> float:
    """Flexion (degrees) at which a landmark of a body on its back is as low as its buttocks; the nearest if none."""
    low, high = RANGES[joint.rsplit(" ", 1)[-1]]
    tried = np.arange(low, high + 0.5, 4.0)
    height = np.array([_height(m, {**degrees, joint: value}, landmark) for value in tried])
    signs = np.nonzero((height[:-1] < 0.0) & (height[1:] >= 0.0))[0]
    if len(signs) == 0:
        return float(tried[np.argmin(np.abs(height))])
    a, b = tried[signs[0]], tried[signs[0] + 1]
    for _ in range(12):
        middle = 0.5 * (a + b)
        is_low = _height(m, {**degrees, joint: middle}, landmark) < 0.0
        a, b = (middle, b) if is_low else (a, middle)
    return float(0.5 * (a + b))


def _height(m: BodyMeasures, degrees: Mapping[str, float], landmark: str) -> float:
    """Height (m) of a landmark above the buttocks' back, of a body on its back."""
    s = place_skeleton(m, JointAngles.from_degrees(dict(degrees)))
    return float(s.landmark(landmark)[2] - s.joint("left hip")[2] + 0.46 * m.buttock_depth)


def _lay_hands(m: BodyMeasures, angles: JointAngles, lie: Lie, arms: str, given: Mapping[str, float]) -> JointAngles:
    """The left hand laid on the body, then the right one, on the left one where they cross."""
    height, aside, slant, higher = LAID[arms]
    factors = fit_girths(m)
    skeleton = place_skeleton(m, angles, lie)
    below: Solid = make_armless(m, angles, skeleton, factors)[0]
    for side, word in SIDES:
        place = (height + (higher if word == "right" else 0.0)) * m.stature
        wanted = _Palm.on(m, skeleton, below, side, place, aside * m.stature, np.radians(slant))
        found = _reach(m, angles, lie, word, wanted, given)
        angles = replace(angles, left=found) if word == "left" else replace(angles, right=found)
        skeleton = place_skeleton(m, angles, lie)
        arm = make_arm(m, skeleton, side, word, found, factors)
        below = Union((below, arm.lower), 0.003)
    return angles


class _Palm:
    """Where a palm is to lie: wrist and knuckle (3,) m, and the direction (3,) that the palm faces."""

    def __init__(self, wrist: Array, knuckle: Array, facing: Array) -> None:
        self.wrist, self.knuckle, self.facing = wrist, knuckle, facing

    @classmethod
    def on(
        cls, m: BodyMeasures, s: Skeleton, below: Solid, side: float, height: float, aside: float, slant: float
    ) -> _Palm:
        """On top of ``below`` as the trunk's front sees it, lowered until wrist or palm touches."""
        part = "chest" if height > m.tenth_rib_height else "pelvis"
        up, right, front = s.frames[part]
        if part == "chest":
            origin = s.joint("thoracic")
            base = m.tenth_rib_height + 0.03 * m.stature
        else:
            origin = 0.5 * (s.joint("left hip") + s.joint("right hip"))
            base = m.trochanter_height
        heading = -np.sin(slant) * up - side * np.cos(slant) * right
        wrist = origin + (height - base) * up + side * aside * right
        r = m.hand_breadth / 0.085
        places = wrist + np.array([0.0, 0.2, 0.35, 0.5])[:, None] * m.hand_length * heading
        clear = np.array([0.017, 0.0215, 0.0195, 0.014]) * r  # the palm's half thickness there
        lifts = np.arange(0.32, 0.0, -0.002) * m.stature / 1.70
        columns = places[:, None] + lifts[:, None] * front
        free = measure_field(below, columns.reshape(-1, 3)).reshape(4, -1) > clear[:, None]
        last = np.where(free.all(axis=1), len(lifts) - 1, np.maximum(np.argmin(free, axis=1) - 1, 0))
        top = lifts[last]
        # A straight hand over what lies under it: through wrist and knuckle, raised where the palm would sink in.
        line = top[0] + np.array([0.0, 0.4, 0.7, 1.0]) * (top[3] - top[0])
        raised = line + max(0.0, float((top - line).max()))
        wrist_at, knuckle_at = places[0] + raised[0] * front, places[3] + raised[3] * front
        course = (knuckle_at - wrist_at) / np.linalg.norm(knuckle_at - wrist_at)
        facing = -front + (front @ course) * course
        return cls(wrist_at, wrist_at + 0.505 * m.hand_length * course, facing / np.linalg.norm(facing))


def _reach(
    m: BodyMeasures, angles: JointAngles, lie: Lie, word: str, wanted: _Palm, given: Mapping[str, float]
) -> SideAngles:
    """Angles of one arm whose hand lies as wanted, the elbow as low as it will; least squares within joint ranges."""
    from scipy.optimize import least_squares

    own: SideAngles = getattr(angles, word)
    limits = np.radians([RANGES[name] for name in ARM]).T
    fixed = {name: np.radians(given[f"{word} {name}"]) for name in ARM if f"{word} {name}" in given}
    front = place_skeleton(m, angles, lie).frames["chest"][2]

    def bend(vector: Array) -> SideAngles:
        return replace(own, **{**dict(zip(ARM, (float(v) for v in vector), strict=True)), **fixed})

    def miss(vector: Array) -> Array:
        own_side = bend(vector)
        turned = replace(angles, left=own_side) if word == "left" else replace(angles, right=own_side)
        s = place_skeleton(m, turned, lie)
        hand = s.frames[f"{word} hand"]
        wrist = s.joint(f"{word} wrist")
        knuckle = wrist - 0.505 * m.hand_length * hand[0]
        elbow = (s.joint(f"{word} elbow") - s.joint(f"{word} shoulder")) @ front
        shift = s.joint("neck") - base
        return np.concatenate([
            20.0 * (wrist - shift - wanted.wrist), 20.0 * (knuckle - shift - wanted.knuckle),
            0.7 * (hand[2] - wanted.facing), [0.8 * (elbow + 0.030 * m.stature)],
            0.010 * (vector - np.radians(REACH_START)),
        ])  # fmt: skip

    base = place_skeleton(m, angles, lie).joint("neck")
    start = np.clip(np.radians(REACH_START), limits[0] + 1e-3, limits[1] - 1e-3)
    found = least_squares(miss, start, bounds=tuple(limits), xtol=1e-9, max_nfev=200)
    off = float(np.abs(miss(found.x)[:3]).max() / 20.0)
    if off > 0.03 * m.stature / 1.70 and not fixed:  # with an angle given, as near as it comes
        problem = f"the {word} hand stays {1e3 * off:.0f} mm from where it should lie"
        raise InputError("", "arms", problem, "give the arm's angles instead, or other measures")
    return bend(found.x)

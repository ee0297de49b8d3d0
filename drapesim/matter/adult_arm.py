"""Arms and hands of an adult by measures, as solids.

Shapes along the limb are those of the carved figure, by eye; girths are scaled to the measured ones. The forearm's
sections turn with the hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import FINGERS, SideAngles, Skeleton, finger_joints, thumb_joints, turn
from drapesim.matter.solid import Ellipsoid, RoundCone, Solid, Union
from drapesim.matter.tube import Tube

Array = np.ndarray

UPPER_ARM_TAPE = 0.55  # share of the way from shoulder to elbow at which the girth is taken
FOREARM_TAPE = 0.20
WRIST_TAPE = 0.985
HAND_TAPE = 0.86  # of the way to the knuckle of the middle finger

RADII = {"index": (0.0098, 0.0080), "middle": (0.0099, 0.0082), "ring": (0.0096, 0.0079), "little": (0.0086, 0.0072)}
MODEL_HAND = 0.085  # m, breadth for which the radii are given


@dataclass(frozen=True)
class Arm:
    """The pieces of one arm."""

    upper: Solid
    lower: Solid  # forearm and hand


def make_arm(
    m: BodyMeasures, skeleton: Skeleton, side: float, word: str, angles: SideAngles, factors: Mapping[str, float]
) -> Arm:
    """Arm with hand; ``side`` is -1 for the left, 1 for the right."""
    shoulder, elbow, wrist = (skeleton.joint(f"{word} {name}") for name in ("shoulder", "elbow", "wrist"))
    k = m.stature / 1.70
    upper_axes = skeleton.frames[f"{word} upper arm"]
    shares = np.array([0.0, 0.25, 0.40, UPPER_ARM_TAPE, 0.72, 0.93, 1.0])
    full = m.upper_arm_girth / 0.298 * factors["upper_arm_girth"]
    lean = m.forearm_girth / 0.246 * factors["forearm_girth"]
    grow = np.interp(shares, [0.0, 0.72, 1.0], [full, full, 0.4 * full + 0.6 * lean])
    upper = Tube(
        shoulder + shares[:, None] * (elbow - shoulder), np.repeat(_downward(upper_axes, side)[None], 7, axis=0),
        np.array([0.046, 0.046, 0.0455, 0.0445, 0.040, 0.0355, 0.034]) * grow,
        -np.array([0.048, 0.049, 0.049, 0.048, 0.043, 0.036, 0.034]) * grow,
        np.array([0.048, 0.049, 0.050, 0.050, 0.044, 0.035, 0.033]) * grow,
        np.full(7, 2.0), caps=(0.035 * k, 0.024 * k), region=f"{word} upper arm",
    )  # fmt: skip

    bent = turn(upper_axes, angles.elbow_flexion, 0.0, 0.0)
    shares = np.array([0.0, 0.10, FOREARM_TAPE, 0.38, 0.60, 0.80, 0.92, 1.0])
    thin = m.wrist_girth / 0.152 * factors["wrist_girth"]
    grow = np.interp(shares, [0.0, FOREARM_TAPE, 0.92], [lean, lean, thin])
    # The bones of the forearm cross over its length: near the elbow nothing turns, at the wrist all.
    twist = [turn(bent, 0.0, 0.0, side * angles.forearm_pronation * t) for t in shares]
    forearm = Tube(
        elbow + shares[:, None] * (wrist - elbow), np.array([_downward(axes, side) for axes in twist]),
        np.array([0.034, 0.0395, 0.0415, 0.0395, 0.034, 0.0290, 0.0278, 0.0280]) * grow,
        -np.array([0.033, 0.0365, 0.0375, 0.0350, 0.029, 0.0235, 0.0208, 0.0200]) * grow,
        np.array([0.033, 0.0365, 0.0375, 0.0350, 0.029, 0.0230, 0.0202, 0.0190]) * grow,
        np.full(8, 2.05), caps=(0.026 * k, 0.012 * k), region=f"{word} forearm",
    )  # fmt: skip
    joint = Ellipsoid(elbow, np.full(3, 0.0335) * lean, f"{word} elbow")
    palm, fingers = _make_hand(m, skeleton, side, word, angles, factors["hand_girth"], thin)
    lower = Union((Union((Union((joint, forearm), 0.022 * k), palm), 0.014 * k), fingers), 0.005 * k)
    return Arm(Union((upper, joint), 0.022 * k), lower)


def _downward(axes: Array, side: float) -> Array:
    """Rows along the limb away from the trunk, across it to the thumb's side, and back of the hand; right-handed."""
    along, across = -axes[0], side * axes[1]
    return np.array([along, across, np.cross(along, across)])


def _make_hand(
    m: BodyMeasures, skeleton: Skeleton, side: float, word: str, angles: SideAngles, factor: float, thin: float
) -> tuple[Solid, Solid]:
    wrist, axes = skeleton.joint(f"{word} wrist"), skeleton.frames[f"{word} hand"]
    b, length = m.hand_breadth, m.hand_length
    r = b / MODEL_HAND
    along, across, back = -axes[0], side * axes[1], -axes[2]
    region = f"{word} hand"

    def at(share: float, to_thumb: float, above: float) -> Array:
        return wrist + share * length * along + to_thumb * b * across + above * r * back

    shares = np.array([0.0, 0.08, 0.20, 0.36, 0.48])
    frame = np.array([along, across, np.cross(along, across)])
    grow = r * factor
    palm_side = np.array([0.0165 * thin, 0.0195 * thin, 0.0225 * grow, 0.0205 * grow, 0.0125 * grow])
    back_side = np.array([0.0155 * thin, 0.0165 * thin, 0.0160 * grow, 0.0145 * grow, 0.0105 * grow])
    low, high = (-palm_side, back_side) if frame[2] @ back > 0.0 else (-back_side, palm_side)
    palm = Tube(
        wrist + shares[:, None] * length * along, np.repeat(frame[None], 5, axis=0),
        np.array([0.0220 * thin, 0.0268 * thin, 0.0370 * grow, 0.0410 * grow, 0.0390 * grow]), low, high,
        np.full(5, 2.4), caps=(0.012 * r, 0.018 * r), region=region,
    )  # fmt: skip
    inner: list[Solid] = []
    fingers: list[Solid] = []
    for name in FINGERS:
        joints = wrist + finger_joints(m, side, name, angles.finger_flexion) @ axes
        thick, thin = (radius * r for radius in RADII[name])
        radii = np.linspace(thick, thin, 4)
        joints[3] -= thin * _unit(joints[3] - joints[2])  # the skin ends at the fingertip
        to_thumb = float((joints[0] - wrist) @ across) / b
        share = float((joints[0] - wrist) @ along) / length
        inner.append(RoundCone(at(0.16, 0.4 * to_thumb, 0.0085), joints[0] + 0.003 * r * back, 0.0045 * r, 0.0088 * r,
                               region))  # tendons that show on the back of the hand  # fmt: skip
        inner.append(RoundCone(at(0.12, 0.8 * to_thumb, -0.007), at(share, to_thumb, -0.004), 0.010 * r, 0.0085 * r,
                               region))  # fmt: skip
        fingers.append(_string(joints, radii, f"{word} fingers"))
    joints = wrist + thumb_joints(m, side, angles.finger_flexion) @ axes
    radii = np.array([0.0150, 0.0108, 0.0098, 0.0080]) * r
    joints[3] -= radii[3] * _unit(joints[3] - joints[2])
    ball = Ellipsoid(
        at(0.20, 0.26, -0.010), np.array([0.034, 0.017, 0.014]) * r, region, np.array([along, across, back])
    )
    thumb = _string(joints, radii, f"{word} thumb")
    tips = Union((Union(tuple(fingers), 0.0060 * r), thumb), 0.0060 * r)
    return Union((Union((palm, ball), 0.014 * r), *inner), 0.006 * r), tips


def _string(joints: Array, radii: Array, region: str) -> Solid:
    bones = tuple(RoundCone(joints[n], joints[n + 1], radii[n], radii[n + 1], region) for n in range(len(joints) - 1))
    return Union(bones, 0.002)


def _unit(vector: Array) -> Array:
    return vector / np.linalg.norm(vector)

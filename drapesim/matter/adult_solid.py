"""An adult's whole body as one solid, joint by joint, and where its girths are taped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.matter.adult_arm import FOREARM_TAPE, HAND_TAPE, UPPER_ARM_TAPE, WRIST_TAPE, make_arm
from drapesim.matter.adult_head import make_head
from drapesim.matter.adult_leg import ANKLE_TAPE, CALF_TAPE, make_foot, make_leg, thigh_tapes
from drapesim.matter.adult_trunk import Spine, make_neck, make_trunk
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import SIDES, SPINE, JointAngles, Lie, Skeleton, place_skeleton
from drapesim.matter.solid import Solid, Union
from drapesim.matter.taping import Tape
from drapesim.matter.tube import Fitted

Array = np.ndarray

GIRTHS = (
    "head_girth", "neck_girth", "chest_girth", "waist_girth", "hip_girth", "thigh_girth", "lower_thigh_girth",
    "calf_girth", "ankle_girth", "ball_of_foot_girth", "upper_arm_girth", "forearm_girth", "wrist_girth", "hand_girth",
)  # fmt: skip


@dataclass(frozen=True)
class AdultSolid:
    """The posed body as an implicit solid, with its skeleton and its fitted head (for places on the face)."""

    solid: Solid
    skeleton: Skeleton
    head: Fitted


def make_adult_solid(
    m: BodyMeasures, angles: JointAngles, lie: Lie = "supine", factors: Mapping[str, float] | None = None
) -> AdultSolid:
    """All parts joined; ``factors`` stretch each girth's section so that the whole meets the tape (see adult_girths).

    The rule for parts that touch: the skin is the outside of all parts together, and where two parts meet, or nearly
    do, the crease between them is filled smoothly: over 20 to 30 mm where trunk, head and limbs flow into one another,
    over 14 to 18 mm where a limb lies against another or against the trunk, over 6 mm between fingers. Gaps narrower
    than half of that are closed. Nothing gives way: what overlaps is one.
    """
    factors = dict.fromkeys(GIRTHS, 1.0) if factors is None else factors
    skeleton = place_skeleton(m, angles, lie)
    k = m.stature / 1.70
    whole, head = make_armless(m, angles, skeleton, factors)
    for side, word in SIDES:
        arm = make_arm(m, skeleton, side, word, getattr(angles, word), factors)
        for piece, blend in ((arm.upper, 0.018), (arm.lower, 0.014)):
            whole = Union((whole, piece), blend * k)
    return AdultSolid(whole, skeleton, head)


def make_armless(
    m: BodyMeasures, angles: JointAngles, skeleton: Skeleton, factors: Mapping[str, float]
) -> tuple[Solid, Fitted]:
    """Trunk, head and legs joined, and the head."""
    k = m.stature / 1.70
    head = make_head(m, skeleton, factors["head_girth"])
    neck = make_neck(m, skeleton, factors["neck_girth"])
    whole: Solid = Union((make_trunk(m, skeleton, factors), neck), 0.030 * k)
    whole = Union((whole, head), 0.020 * k)
    legs = tuple(make_leg(m, skeleton, side, word, getattr(angles, word), factors) for side, word in SIDES)
    return Union((whole, Union(legs, 0.014 * k)), 0.030 * k), head


def list_tapes(m: BodyMeasures, adult: AdultSolid, word: str = "right") -> dict[str, Tape]:
    """Where each of GIRTHS is taken, on limbs of the side ``word``; true while nothing lies against the part."""
    s = adult.skeleton
    spine, back = Spine(m, s), SPINE * m.stature
    tapes = {"head_girth": Tape(adult.head.at(np.array([0.141, 0.0, 0.095]))[0], s.frames["head"][0])}
    neck = s.frames["neck"]  # the tape goes from the seventh vertebra down to below the larynx
    tapes["neck_girth"] = Tape(
        s.joint("neck") + np.array([0.004, 0.0, 0.012]) * m.stature @ neck, neck[0] + 0.3 * neck[2]
    )
    for name, height in (("chest_girth", m.chest_height), ("waist_girth", m.waist_height),
                         ("hip_girth", m.buttock_height)):  # fmt: skip
        tapes[name] = Tape(spine.at(height, 0.0, back), spine.axes_at(height)[0])
    furrow, above = thigh_tapes(m)
    limbs = (
        ("thigh_girth", "hip", "knee", furrow), ("lower_thigh_girth", "hip", "knee", above),
        ("calf_girth", "knee", "ankle", CALF_TAPE), ("ankle_girth", "knee", "ankle", ANKLE_TAPE),
        ("upper_arm_girth", "shoulder", "elbow", UPPER_ARM_TAPE), ("forearm_girth", "elbow", "wrist", FOREARM_TAPE),
        ("wrist_girth", "elbow", "wrist", WRIST_TAPE),
    )  # fmt: skip
    for name, start, end, share in limbs:
        a, b = s.joint(f"{word} {start}"), s.joint(f"{word} {end}")
        tapes[name] = Tape(a + share * (b - a), b - a)
    hand = s.frames[f"{word} hand"]
    tapes["hand_girth"] = Tape(s.joint(f"{word} wrist") - HAND_TAPE * 0.505 * m.hand_length * hand[0], hand[0])
    side = -1.0 if word == "left" else 1.0
    foot = make_foot(m, s, side, word, 1.0)
    tapes["ball_of_foot_girth"] = Tape(foot.at(np.array([0.118, 0.0, -0.045]))[0], s.frames[f"{word} foot"][2])
    return {name: tapes[name] for name in GIRTHS}

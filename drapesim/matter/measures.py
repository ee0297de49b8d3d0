"""Measures of an adult body: the handbook's table, and the record of one body's measures.

MEANS holds what was measured on 4082 men and 1986 women; each name is spelled out in MEASURES with the taped place.

Source of the means: C. C. Gordon, C. L. Blackwell, B. Bradtmiller et al., 2012 Anthropometric Survey of U.S. Army
Personnel: Methods and Summary Statistics, Natick TR-15/007 (2014) -- from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType

from drapesim.ground.outcome import InputError


@dataclass(frozen=True)
class BodyMeasures:
    """One adult, standing as the survey's subjects stood; lengths m, mass kg. Heights are above the floor."""

    stature: float
    mass: float
    # heights of points of the trunk and the leg
    cervicale_height: float  # spine of the seventh neck vertebra
    acromial_height: float
    suprasternal_height: float
    axilla_height: float
    chest_height: float  # of the nipples
    tenth_rib_height: float
    waist_height: float  # of the navel
    iliocristal_height: float
    trochanter_height: float
    buttock_height: float
    crotch_height: float
    knee_height: float  # of the lateral epicondyle of the thigh bone
    ankle_height: float  # of the lateral malleolus
    # lengths of the limbs
    upper_arm_length: float  # acromion to radiale
    forearm_length: float  # radiale to stylion
    hand_length: float  # wrist crease to middle fingertip
    palm_length: float
    foot_length: float
    ball_of_foot_length: float  # heel to the ball of the great toe
    # breadths and depths
    biacromial_breadth: float
    bideltoid_breadth: float
    chest_breadth: float
    chest_depth: float
    waist_breadth: float
    waist_depth: float
    hip_breadth: float
    buttock_depth: float
    head_breadth: float
    head_length: float  # glabella to the back of the head
    face_breadth: float  # bizygomatic
    face_height: float  # menton to sellion
    ear_to_crown: float  # tragion to top of head
    hand_breadth: float
    foot_breadth: float
    heel_breadth: float
    # girths, as a tape goes round
    head_girth: float
    neck_girth: float
    chest_girth: float
    waist_girth: float
    hip_girth: float
    thigh_girth: float
    lower_thigh_girth: float
    calf_girth: float
    ankle_girth: float
    upper_arm_girth: float
    forearm_girth: float
    wrist_girth: float
    hand_girth: float
    ball_of_foot_girth: float


MEASURES = tuple(field.name for field in fields(BodyMeasures))

# name: mean of men, mean of women; mm, and kg for the mass
MEANS: Mapping[str, tuple[float, float]] = MappingProxyType({
    "stature": (1756, 1629), "mass": (85.5, 67.8),
    "cervicale_height": (1517, 1411), "acromial_height": (1441, 1335), "suprasternal_height": (1437, 1333),
    "axilla_height": (1328, 1239), "chest_height": (1283, 1178), "tenth_rib_height": (1126, 1062),
    "waist_height": (1057, 983), "iliocristal_height": (1066, 998), "trochanter_height": (901, 845),
    "buttock_height": (883, 830), "crotch_height": (846, 778), "knee_height": (492, 466), "ankle_height": (73, 63),
    "upper_arm_length": (336, 311), "forearm_length": (268, 243), "hand_length": (193, 181),
    "palm_length": (117, 109), "foot_length": (271, 246), "ball_of_foot_length": (198, 180),
    "biacromial_breadth": (416, 365), "bideltoid_breadth": (510, 450), "chest_breadth": (289, 263),
    "chest_depth": (255, 247), "waist_breadth": (326, 300), "waist_depth": (236, 218), "hip_breadth": (345, 348),
    "buttock_depth": (248, 237), "head_breadth": (154, 148), "head_length": (199, 189), "face_breadth": (142, 132),
    "face_height": (123, 113), "ear_to_crown": (131, 124), "hand_breadth": (88, 79), "foot_breadth": (102, 93),
    "heel_breadth": (73, 65),
    "head_girth": (574, 561), "neck_girth": (397, 330), "chest_girth": (1059, 947), "waist_girth": (941, 861),
    "hip_girth": (1020, 1021), "thigh_girth": (625, 611), "lower_thigh_girth": (404, 388), "calf_girth": (392, 374),
    "ankle_girth": (229, 215), "upper_arm_girth": (358, 305), "forearm_girth": (310, 264), "wrist_girth": (176, 155),
    "hand_girth": (213, 188), "ball_of_foot_girth": (250, 226),
})  # fmt: skip

STATURES = (1.30, 2.20)  # m, the range in which scaling the means is let pass for an adult


def find_measures(
    stature: float | None = None, mass: float | None = None, sex: float = 0.5, **given: float
) -> BodyMeasures:
    """Measures of an adult of this ``stature`` (m) and ``mass`` (kg); what is ``given`` (m) overrides.

    ``sex`` is 0 for the mean woman, 1 for the mean man, and between them the proportions are mixed. Heights, lengths
    and what is bone scale with the stature. Raises InputError where a value is out of range.
    """
    if not 0.0 <= sex <= 1.0:
        raise InputError("", "sex", f"{sex:g} is out of range", "give 0 (female) to 1 (male)")
    mean = {name: 1e-3 * (man * sex + woman * (1.0 - sex)) for name, (man, woman) in MEANS.items()}
    mean["mass"] *= 1e3
    stature = mean["stature"] if stature is None else stature
    if not STATURES[0] <= stature <= STATURES[1]:
        problem = f"{1e3 * stature:g} mm is no adult's"
        raise InputError("", "stature", problem, f"give {1e3 * STATURES[0]:g} to {1e3 * STATURES[1]:g} mm")
    scale = stature / mean["stature"]
    found = {name: value * scale for name, value in mean.items()}
    found["mass"] = mean["mass"] * scale**3 if mass is None else mass
    unknown = set(given) - set(MEASURES)
    if unknown:
        raise InputError("", sorted(unknown)[0], "unknown measure", f"known are {', '.join(MEASURES)}")
    return BodyMeasures(**{**found, **given, "stature": stature})

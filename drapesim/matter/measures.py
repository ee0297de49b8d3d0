"""Measures of an adult body: the handbook's table, and the record of one body's measures.

Source: C. C. Gordon, C. L. Blackwell, B. Bradtmiller et al., 2012 Anthropometric Survey of U.S. Army Personnel: Methods
and Summary Statistics, Natick TR-15/007 (2014), and its public data file. The mean over all 6068 people (4082 men,
1986 women) was read in a printed summary of that file. By how much the mean man exceeds the mean woman is from memory;
both are set so that they give the read mean. Heights of both sexes that could be read as well (trochanter, epicondyle,
malleolus) agree within 0.5 mm. Soldiers are younger and fitter than most people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType

from drapesim.ground.outcome import InputError


@dataclass(frozen=True)
class BodyMeasures:
    """One adult, standing as the survey's subjects stood; lengths m, mass kg. Heights are above the floor."""

    sex: float  # 0 the mean woman's shape to 1 the mean man's
    stature: float
    mass: float
    # heights of points of the trunk and the leg
    cervicale_height: float  # spine of the seventh neck vertebra
    acromial_height: float
    suprasternal_height: float
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
    foot_length: float
    # breadths and depths
    biacromial_breadth: float
    bideltoid_breadth: float
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


MEASURES = tuple(field.name for field in fields(BodyMeasures) if field.name != "sex")

MEN, WOMEN = 4082, 1986  # people measured

# name: mean over all of them, as read; the mean man less the mean woman, from memory; mm, and kg for the mass
MEANS: Mapping[str, tuple[float, float]] = MappingProxyType({
    "stature": (1714.41, 127), "mass": (79.709, 17.7),
    "cervicale_height": (1477.49, 106), "acromial_height": (1406.16, 106), "suprasternal_height": (1402.95, 104),
    "chest_height": (1252.01, 105), "tenth_rib_height": (1099.59, 64), "waist_height": (1031.50, 74),
    "iliocristal_height": (1040.06, 68), "trochanter_height": (882.74, 56), "buttock_height": (870.15, 53),
    "crotch_height": (825.11, 68), "knee_height": (483.24, 26), "ankle_height": (69.58, 10),
    "upper_arm_length": (327.37, 25), "forearm_length": (259.19, 25), "hand_length": (189.29, 12),
    "foot_length": (263.03, 25),
    "biacromial_breadth": (399.20, 51), "bideltoid_breadth": (490.75, 60), "chest_depth": (251.74, 8),
    "waist_breadth": (317.75, 26), "waist_depth": (229.67, 18), "hip_breadth": (348.39, -3),
    "buttock_depth": (241.62, 11), "head_breadth": (152.18, 6), "head_length": (196.33, 10),
    "face_breadth": (139.72, 10), "face_height": (119.52, 10), "ear_to_crown": (129.62, 7),
    "hand_breadth": (84.95, 9), "foot_breadth": (98.87, 9), "heel_breadth": (70.76, 8),
    "head_girth": (570.04, 13), "neck_girth": (375.44, 67), "chest_girth": (1022.10, 112),
    "waist_girth": (914.50, 80), "hip_girth": (1020.08, -1), "thigh_girth": (622.20, 14),
    "lower_thigh_girth": (406.48, 16), "calf_girth": (386.04, 18), "ankle_girth": (224.89, 14),
    "upper_arm_girth": (340.93, 53), "forearm_girth": (295.01, 46), "wrist_girth": (169.00, 21),
    "hand_girth": (203.86, 25), "ball_of_foot_girth": (244.19, 24),
})  # fmt: skip

# Power of (mass / mass expected at this stature) with which a measure grows: bone hardly, belly most. By eye, such that
# the volume of the built figure follows its mass (tested).
WITH_MASS: Mapping[str, float] = MappingProxyType({
    "bideltoid_breadth": 0.30, "chest_depth": 0.50, "waist_breadth": 0.62, "waist_depth": 0.85, "hip_breadth": 0.36,
    "buttock_depth": 0.52, "face_breadth": 0.12, "hand_breadth": 0.08, "foot_breadth": 0.10, "heel_breadth": 0.10,
    "head_girth": 0.04, "neck_girth": 0.38, "chest_girth": 0.48, "waist_girth": 0.72, "hip_girth": 0.44,
    "thigh_girth": 0.52, "lower_thigh_girth": 0.42, "calf_girth": 0.42, "ankle_girth": 0.28, "upper_arm_girth": 0.54,
    "forearm_girth": 0.40, "wrist_girth": 0.26, "hand_girth": 0.14, "ball_of_foot_girth": 0.14,
})  # fmt: skip

STATURES = (1.30, 2.20)  # m, the range in which scaling the means is let pass for an adult
FULLNESS = (0.6, 1.7)  # mass over the mass expected at the stature


def find_measures(
    stature: float | None = None, mass: float | None = None, sex: float = 0.5, **given: float
) -> BodyMeasures:
    """Measures of an adult of this ``stature`` (m) and ``mass`` (kg); what is ``given`` (m) overrides.

    ``sex`` is 0 for the mean woman, 1 for the mean man, and between them the proportions are mixed. All lengths scale
    with the stature and the mass with its cube; a mass beside that fills the girths out by WITH_MASS. Raises
    InputError where a value is out of range.
    """
    if not 0.0 <= sex <= 1.0:
        raise InputError("", "sex", f"{sex:g} is out of range", "give 0 (female) to 1 (male)")
    share = sex - MEN / (MEN + WOMEN)
    mean = {name: 1e-3 * (both + share * excess) for name, (both, excess) in MEANS.items()}
    mean["mass"] *= 1e3
    stature = mean["stature"] if stature is None else stature
    if not STATURES[0] <= stature <= STATURES[1]:
        problem = f"{1e3 * stature:g} mm is no adult's"
        raise InputError("", "stature", problem, f"give {1e3 * STATURES[0]:g} to {1e3 * STATURES[1]:g} mm")
    scale = stature / mean["stature"]
    found = {name: value * scale for name, value in mean.items()}
    found["mass"] = mean["mass"] * scale**3 if mass is None else mass
    fullness = found["mass"] / (mean["mass"] * scale**3)
    if not FULLNESS[0] <= fullness <= FULLNESS[1]:
        low, high = (mean["mass"] * scale**3 * limit for limit in FULLNESS)
        raise InputError("", "mass", f"{mass:g} kg is out of range at this stature", f"give {low:.0f} to {high:.0f} kg")
    found.update({name: found[name] * fullness**power for name, power in WITH_MASS.items()})
    unknown = set(given) - set(MEASURES)
    if unknown:
        raise InputError("", sorted(unknown)[0], "unknown measure", f"known are {', '.join(MEASURES)}")
    return BodyMeasures(**{**found, **given, "stature": stature, "sex": sex})

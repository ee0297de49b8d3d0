"""How far joints go, and how a body lies at ease; degrees, by the names and signs of `skeleton`.

Limbs: the columns AAOS and AMA of the table of mean motions in goniometry textbooks, and Merck's table of normal ranges
(2013); where they differ, the wider value. Neck: a review of in-vivo studies (flexion 64, extension 63, bending 49).
Trunk: 75 forward, 30 back, 35 to the sides, as physical therapists' tables have it. From memory: the turns of trunk
(45) and neck (80), the inward swing of thigh (30) and arm (45). These are ranges of healthy living adults who move by
themselves; stiff or broken joints may lie outside.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from drapesim.matter.skeleton import ANGLE_NAMES, MIDDLE, OF_SIDE

Array = np.ndarray

RANGES: Mapping[str, tuple[float, float]] = MappingProxyType({
    "head_flexion": (-63.0, 64.0), "head_bending": (-49.0, 49.0), "head_rotation": (-80.0, 80.0),
    "trunk_flexion": (-30.0, 75.0), "trunk_bending": (-35.0, 35.0), "trunk_rotation": (-45.0, 45.0),
    "shoulder_flexion": (-60.0, 180.0), "shoulder_abduction": (-45.0, 180.0), "shoulder_rotation": (-90.0, 90.0),
    "elbow_flexion": (0.0, 160.0), "forearm_pronation": (0.0, 180.0),
    "wrist_flexion": (-70.0, 90.0), "wrist_abduction": (-30.0, 25.0), "finger_flexion": (0.0, 90.0),
    "hip_flexion": (-15.0, 125.0), "hip_abduction": (-30.0, 45.0), "hip_rotation": (-45.0, 45.0),
    "knee_flexion": (0.0, 140.0), "ankle_flexion": (-50.0, 20.0), "ankle_inversion": (-25.0, 35.0),
})  # fmt: skip

# A body at ease on its back: what is not named here is 0. By eye.
AT_EASE: Mapping[str, float] = MappingProxyType({
    "shoulder_abduction": 12.0, "elbow_flexion": 15.0, "forearm_pronation": 90.0, "finger_flexion": 20.0,
    "hip_rotation": -15.0, "ankle_flexion": -20.0,
})  # fmt: skip


def list_limits() -> tuple[Array, Array]:
    """(lowest, highest) rad of each angle, (34,) each in the order of ANGLE_NAMES."""
    both = np.radians([RANGES[_plain(name)] for name in ANGLE_NAMES])
    return both[:, 0], both[:, 1]


def lie_at_ease() -> Array:
    """(34,) rad: the angles of a body at ease, in the order of ANGLE_NAMES."""
    return np.radians([AT_EASE.get(_plain(name), 0.0) for name in ANGLE_NAMES])


def _plain(name: str) -> str:
    """The name without its side: "knee_flexion" of "left knee_flexion"."""
    return name if name in MIDDLE else next(word for word in OF_SIDE if name.endswith(word))

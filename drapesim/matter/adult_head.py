"""Head of an adult by measures: the carved head (see `figure_trunk`), stretched to the measured one.

The carved head's own sizes are found once from its surface, not written down.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from drapesim.matter.figure_trunk import HeadFrame, carve_skull
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import Skeleton
from drapesim.matter.solid import RoundCone, Solid, Union, measure_field, name_regions
from drapesim.matter.tube import Fitted

Array = np.ndarray

SELLION = 0.1185  # m above the carved chin's origin: deepest point between brow and nose
EAR = 0.096  # the ears' middle
BROW_FROM_EAR = 0.5  # share of the head's length before the ear


@cache
def _carved() -> tuple[Solid, dict[str, float]]:
    """The carved head on a stub of neck, in coordinates up from the chin, right, forward; and its sizes (m)."""
    stub = Union((RoundCone((0.030, 0.0, 0.080), (0.075, 0.0, 0.082), 0.042, 0.048, "neck"),
                  RoundCone((0.020, 0.0, 0.112), (0.030, 0.0, 0.115), 0.028, 0.028, "neck")), 0.030)  # fmt: skip
    solid = carve_skull(HeadFrame(0.0, 0.0), stub)
    size = {
        "crown": _reach(solid, (0.20, 0.0, 0.090), (1.0, 0.0, 0.0)),
        "menton": _reach(solid, (0.010, 0.0, 0.172), (-1.0, 0.0, 0.0)),
        "side": max(_reach(solid, (up, 0.0, 0.088), (0.0, 1.0, 0.0)) for up in np.linspace(0.13, 0.18, 11)),
        "back": min(_reach(solid, (up, 0.0, 0.090), (0.0, 0.0, -1.0)) for up in np.linspace(0.10, 0.17, 15)),
        "brow": _reach(solid, (0.130, 0.0, 0.150), (0.0, 0.0, 1.0)),
    }
    return solid, size


def _reach(solid: Solid, start: tuple[float, float, float], course: tuple[float, float, float]) -> float:
    """Coordinate along ``course`` where a ray from inside leaves the solid."""
    t = np.linspace(0.0, 0.14, 1401)
    points = np.asarray(start) + t[:, None] * np.asarray(course)
    out = int(np.argmax(measure_field(solid, points) > 0.0))
    return float(points[out] @ np.asarray(course)) * float(np.sum(course))


def make_head(m: BodyMeasures, skeleton: Skeleton, factor: float) -> Fitted:
    """Skull and face so that face height, crown, breadth and length are as measured; ``factor`` meets the girth."""
    solid, size = _carved()
    ear = m.stature - m.ear_to_crown  # heights in the straight body
    skull_height = m.stature - m.ear_to_crown - 0.008 * m.stature
    face = m.face_height / (SELLION - size["menton"])
    top = (m.ear_to_crown - face * (SELLION - EAR)) / (size["crown"] - SELLION)
    sellion = ear + face * (SELLION - EAR) - skull_height  # above the skull joint
    up = (np.array([sellion - 0.1, sellion, sellion + 0.1]),
          np.array([SELLION - 0.1 / face, SELLION, SELLION + 0.1 / top]))  # fmt: skip
    broad = factor * m.head_breadth / (2.0 * size["side"])
    long = factor * m.head_length / (size["brow"] - size["back"])
    middle = 0.5 * (size["brow"] + size["back"])
    right = (np.array([-0.1, 0.1]) * broad, np.array([-0.1, 0.1]))
    front = (np.array([-0.1, 0.1]) * long, middle + np.array([-0.1, 0.1]))
    return Fitted(
        lambda points: measure_field(solid, points), lambda points: _name(solid, points), solid.box,
        skeleton.joint("skull"), skeleton.frames["head"], (up, right, front), "head",
    )  # fmt: skip


def _name(solid: Solid, points: Array) -> Array:
    """Names of the carved head, with crown and forehead parted from the back of the head."""
    names = name_regions(solid, points)
    skull = names == "back of head"
    names[skull & (points[:, 0] > 0.185)] = "crown"
    names[skull & (points[:, 0] <= 0.185) & (points[:, 2] > 0.120)] = "forehead"
    return names

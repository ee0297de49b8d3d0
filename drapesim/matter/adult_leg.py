"""Legs and feet of an adult by measures, as solids; the foot is the carved one (see `figure_limbs`), stretched to size.

Shapes along the limb are those of the carved figure, by eye; girths are scaled to the measured ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np

from drapesim.matter.figure_limbs import LegPose, carve_foot
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import HALF_HIPS, SideAngles, Skeleton, turn
from drapesim.matter.solid import Ellipsoid, Solid, Union, cut_grid, measure_field, name_regions, sample_grid
from drapesim.matter.tube import Fitted, Tube

Array = np.ndarray

CALF_TAPE = 0.30  # share of the way from knee to ankle at which the girth is taken
ANKLE_TAPE = 0.88


def thigh_tapes(m: BodyMeasures) -> tuple[float, float]:
    """Shares of the way from hip to knee of the tapes under the buttock and above the knee cap."""
    length = m.trochanter_height - m.knee_height
    furrow = (m.trochanter_height - m.crotch_height + 0.022 * m.stature) / length
    return furrow, 1.0 - 0.030 * m.stature / length


def make_leg(
    m: BodyMeasures, skeleton: Skeleton, side: float, word: str, angles: SideAngles, factors: Mapping[str, float]
) -> Solid:
    """Thigh, knee, shin and foot of one side; ``side`` is -1 for the left, 1 for the right."""
    hip, knee, ankle = (skeleton.joint(f"{word} {name}") for name in ("hip", "knee", "ankle"))
    k = m.stature / 1.70
    thigh_axes, shin_axes = skeleton.frames[f"{word} thigh"], skeleton.frames[f"{word} shin"]
    furrow, above = thigh_tapes(m)
    full = m.thigh_girth / 0.556 * factors["thigh_girth"]
    lean = m.lower_thigh_girth / 0.357 * factors["lower_thigh_girth"]
    shares = np.array(sorted({0.0, furrow, 0.42, 0.60, 0.78, above, 1.0}))
    shape = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 0.92, 1.0])
    hip_full = m.thigh_girth / 0.556 * factors["hip_girth"]
    grow = np.interp(shares, [0.0, furrow, above], [hip_full, full, lean])
    broad = np.interp(shares, shape, [0.074, 0.071, 0.0725, 0.0705, 0.063, 0.056, 0.048])
    back = np.interp(shares, shape, [0.096, 0.105, 0.094, 0.077, 0.061, 0.054, 0.050])
    front = np.interp(shares, shape, [0.090, 0.100, 0.097, 0.085, 0.068, 0.058, 0.048])
    # The flesh of the upper thigh lies inward of the bone.
    inward = np.interp(shares, [0.0, furrow, 0.42, 0.60, 0.90], [1.0, 1.0, 0.55, 0.25, 0.0])
    inward *= max(HALF_HIPS * m.stature + 0.071 * m.thigh_girth / 0.556 - 0.498 * m.hip_breadth, 0.0)
    upper = Tube(
        hip + shares[:, None] * (knee - hip) - side * inward[:, None] * thigh_axes[1],
        np.repeat(_downward(thigh_axes)[None], len(shares), axis=0),
        broad * grow, -back * grow, front * grow, np.full(len(shares), 2.1), caps=(0.075 * k, 0.02 * k),
        region=f"{word} thigh",
    )  # fmt: skip
    calf = m.calf_girth / 0.354 * factors["calf_girth"]
    thin = m.ankle_girth / 0.217 * factors["ankle_girth"]
    shares = np.array([0.0, 0.12, CALF_TAPE, 0.45, 0.65, ANKLE_TAPE, 1.0])
    grow = np.interp(shares, [0.0, 0.12, CALF_TAPE, ANKLE_TAPE], [lean, 0.5 * (lean + calf), calf, thin])
    lower = Tube(
        knee + shares[:, None] * (ankle - knee), np.repeat(_downward(shin_axes)[None], 7, axis=0),
        np.array([0.048, 0.0495, 0.0565, 0.053, 0.042, 0.0335, 0.034]) * grow,
        -np.array([0.047, 0.054, 0.069, 0.065, 0.047, 0.0375, 0.038]) * grow,
        np.array([0.044, 0.045, 0.045, 0.043, 0.038, 0.0330, 0.034]) * grow,
        np.full(7, 2.1), caps=(0.02 * k, 0.02 * k), region=f"{word} shin",
    )  # fmt: skip
    kneeling = turn(thigh_axes, -0.5 * angles.knee_flexion, 0.0, 0.0)
    joint = Ellipsoid(knee - 0.004 * k * kneeling[2], np.array([0.056, 0.050, 0.048]) * lean, f"{word} knee", kneeling)
    cap = Ellipsoid(knee + 0.040 * lean * kneeling[2], np.array([0.030, 0.024, 0.014]) * k, f"{word} knee", kneeling)
    foot = make_foot(m, skeleton, side, word, factors["ball_of_foot_girth"])
    return Union((Union((upper, joint, lower), 0.024 * k), cap, foot), 0.018 * k)


def _downward(axes: Array) -> Array:
    """Rows down the limb, to the body's left, front; right-handed."""
    return np.array([-axes[0], -axes[1], axes[2]])


@cache
def _carved(word: str) -> tuple[Solid, Array, Array]:
    """The carved foot with its ankle at the origin (along, inward, up), and the corners of its surface (m)."""
    x, y, z = np.eye(3)
    solid = carve_foot(LegPose(1.0, z, z, np.zeros(3), x, z, y), word)
    surface = cut_grid(sample_grid(solid, 0.003, thorough=True))[0]
    surface = surface[surface[:, 2] < -0.02]  # below the ankle
    return solid, surface.min(axis=0), surface.max(axis=0)


def make_foot(m: BodyMeasures, skeleton: Skeleton, side: float, word: str, factor: float) -> Fitted:
    """The foot: heel to longest toe as measured, sole at the measured depth under the ankle; ``factor`` on breadth."""
    solid, low, high = _carved(word)
    up, right, front = skeleton.frames[f"{word} foot"]
    heel = -0.23 * m.foot_length
    along = (np.array([heel, heel + m.foot_length]), np.array([low[0], high[0]]))
    broad = factor * m.foot_breadth / (high[1] - low[1])
    across = (np.array([-0.05, 0.05]) * broad, np.array([-0.05, 0.05]))
    # The carved forefoot is flat: its back is raised.
    above = (m.ankle_height * np.array([-1.0, -0.47, 0.0, 1.5]), np.array([low[2], 0.62 * low[2], 0.0, -1.5 * low[2]]))
    return Fitted(
        lambda points: measure_field(solid, points), lambda points: name_regions(solid, points), solid.box,
        skeleton.joint(f"{word} ankle"), np.array([front, -side * right, up]), (along, across, above), f"{word} foot",
    )  # fmt: skip

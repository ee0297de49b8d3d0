"""How fast each landmark of a figure moves with each joint angle: one pose instead of one a parameter.

What a joint carries turns rigidly: d r / d angle = factor * axis x (r - centre). Axis and centre follow from the posed
skeleton's frames; which landmarks a joint carries, and by what share of the angle (the trunk's turn is halved between
two joints), is found once by differences, and whatever does not turn so (fingers) is left to differences.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import ANGLE_NAMES, JointAngles, Lie, Skeleton, place_skeleton

Array = np.ndarray

STEP = 1e-5  # rad

# name without side: the joints that share the turn, each with the frames before and after it
_TURNS = {
    "trunk": (("lumbar", "pelvis", "loin"), ("thoracic", "loin", "chest")),
    "head": (("neck", "chest", "neck"), ("skull", "neck", "head")),
    "shoulder": (("shoulder", "chest", "upper arm"),), "elbow": (("elbow", "upper arm", "forearm"),),
    "forearm": (("elbow", "upper arm", "forearm"),), "wrist": (("wrist", "forearm", "hand"),),
    "hip": (("hip", "pelvis", "thigh"),), "knee": (("knee", "thigh", "shin"),), "ankle": (("ankle", "shin", "foot"),),
}  # fmt: skip
_MIDDLE = ("lumbar", "thoracic", "neck", "skull", "pelvis", "loin", "chest", "head")
# 0: about the right axis before; 1: about the front axis after flexion; 2: about the up axis after all
_KIND = {"flexion": 0, "abduction": 1, "bending": 1, "inversion": 1, "rotation": 2, "pronation": 2}


def _find_axes(skeleton: Skeleton, name: str) -> list[tuple[Array, Array]]:
    """(centre, unit axis) of each joint that shares an angle; none for what does not turn rigidly."""
    side, _, plain = name.rpartition(" ")
    joint, _, kind = plain.partition("_")
    found = []
    for centre, before, after in _TURNS.get(joint, ()):
        at, first, last = (word if word in _MIDDLE else f"{side} {word}" for word in (centre, before, after))
        old, new = skeleton.frames[first], skeleton.frames[last]
        if _KIND[kind] == 0:
            axis = old[1]
        elif _KIND[kind] == 2:
            axis = new[0]
        else:
            (a, b, c), (d, e, f) = new[0], old[1]
            axis = np.array([b * f - c * e, c * d - a * f, a * e - b * d])
            size = np.linalg.norm(axis)
            axis = axis / size if size > 1e-6 else old[2]
        found.append((skeleton.joint(at), axis))
    return found


@dataclass(frozen=True)
class Carrying:
    """What each angle carries: ``share`` per angle: (joints, n) factors of the rigid turn, None where it is not one."""

    names: tuple[str, ...]
    rows: Array
    share: tuple[Array | None, ...]


def find_carrying(measures: BodyMeasures, lie: Lie, active: tuple[str, ...], rows: Array) -> Carrying:
    """What the ``active`` angles carry of the landmarks ``rows``."""
    generic = 0.25 + 0.05 * np.arange(len(ANGLE_NAMES)) / len(ANGLE_NAMES)
    skeleton = place_skeleton(measures, JointAngles.from_vector(generic), lie)
    shares: list[Array | None] = []
    for name in active:
        moves = _differ(measures, generic, lie, name, rows, skeleton)
        axes = _find_axes(skeleton, name)
        if not axes:
            shares.append(None)
            continue
        turns = np.stack([np.cross(axis, skeleton.landmarks[rows] - centre) for centre, axis in axes])
        share = np.zeros((len(axes), len(rows)))
        is_rigid = True
        for n in range(len(rows)):
            found, *_ = np.linalg.lstsq(turns[:, n, :].T, moves[n], rcond=None)
            found = np.round(4.0 * found) / 4.0
            share[:, n] = found
            is_rigid &= bool(np.abs(found @ turns[:, n, :] - moves[n]).max() < 1e-4)
        shares.append(share if is_rigid else None)
    return Carrying(active, rows, tuple(shares))


def _differ(measures: BodyMeasures, angles: Array, lie: Lie, name: str, rows: Array, skeleton: Skeleton) -> Array:
    """(n, 3) m a radian, by differences; without the rise of the whole body as it is set down, which moves no map."""
    moved = angles.copy()
    moved[ANGLE_NAMES.index(name)] += STEP
    other = place_skeleton(measures, JointAngles.from_vector(moved), lie)
    rise = (other.joint("lumbar") - skeleton.joint("lumbar")) * np.array([0.0, 0.0, 1.0])
    return (other.landmarks[rows] - skeleton.landmarks[rows] - rise) / STEP


def find_slopes(carrying: Carrying, measures: BodyMeasures, angles: Array, lie: Lie, skeleton: Skeleton) -> Array:
    """(a, n, 3) m a radian: how the landmarks move with each of the carrying's angles, at the posed ``skeleton``."""
    rows = carrying.rows
    out = np.zeros((len(carrying.names), len(rows), 3))
    whose, shares, axes = [], [], []
    for k, (name, share) in enumerate(zip(carrying.names, carrying.share, strict=True)):
        if share is None:
            out[k] = _differ(measures, angles, lie, name, rows, skeleton)
            continue
        for part, turn in zip(share, _find_axes(skeleton, name), strict=True):
            whose.append(k)
            shares.append(part)
            axes.append(turn)
    if whose:
        centre, axis = (np.array(each)[:, None] for each in zip(*axes, strict=True))
        turned = np.cross(axis, skeleton.landmarks[rows] - centre)
        np.add.at(out, whose, np.array(shares)[:, :, None] * turned)
    return out

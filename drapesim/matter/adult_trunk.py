"""Trunk and neck of an adult by measures, as solids that follow the spine.

Sections stand at surveyed heights; between them, and for muscles, breasts and bones under the skin, shapes are chosen
by eye for a stature of 1.70 m and scale with it. Coordinates: height above the floor of the body standing straight,
right, front of the hip joints (m); `Spine` takes them to where the bent trunk is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import SIDES, SPINE, Skeleton, joint_heights
from drapesim.matter.solid import Cut, Ellipsoid, RoundCone, Solid, Union, measure_field
from drapesim.matter.tube import Tube

Array = np.ndarray

MODEL_STATURE = 1.70  # m, for which shapes by eye are given
BEND = 0.026  # of the stature, from a joint of the spine to where the trunk is straight again


@dataclass(frozen=True)
class Spine:
    """The trunk's three stiff parts in the world, by the height at which a point stands in the straight body."""

    measures: BodyMeasures
    skeleton: Skeleton

    def part_at(self, height: float) -> tuple[Array, Array, float, float]:
        """Origin (3,) m, axes (3, 3), height and front of the origin in the straight body."""
        hip, lumbar, thoracic, _, _ = joint_heights(self.measures)
        s, back = self.skeleton, SPINE * self.measures.stature
        if height < lumbar:
            return 0.5 * (s.joint("left hip") + s.joint("right hip")), s.frames["pelvis"], hip, 0.0
        if height < thoracic:
            return s.joint("lumbar"), s.frames["loin"], lumbar, back
        return s.joint("thoracic"), s.frames["chest"], thoracic, back

    def at(self, height: float, right: float, front: float) -> Array:
        """World place (3,) m of a point of the straight body."""
        origin, axes, up, ahead = self.part_at(height)
        return origin + np.array([height - up, right, front - ahead]) @ axes

    def axes_at(self, height: float) -> Array:
        """Axes (3, 3) of the stiff part at a height."""
        return self.part_at(height)[1]


def trunk_sections(m: BodyMeasures, factors: Mapping[str, float]) -> Array:
    """Rows of height, half breadth, back, front (m, the factors in it), power; from the crotch to the neck's root."""
    s, h, d = m.stature, 0.5 * m.hip_breadth, m.buttock_depth
    w, wd, cd = 0.5 * m.waist_breadth, m.waist_depth, m.chest_depth
    chest = 0.5 * m.chest_girth - 0.86 * cd  # half breadth times about two: the girth decides (calibrated)
    chest *= 0.5 / 0.90
    flat = cd - 0.034 * s / MODEL_STATURE * (1.0 - m.sex)  # without the breasts
    # Flesh fills the fork: the pelvis ends higher than the crotch, the more so the fuller the thighs (by eye).
    seat = (0.026 + 0.010 * m.sex) * m.thigh_girth / 0.363
    seat = min(seat, m.buttock_height - m.crotch_height + 0.006 * s)
    crotch, hip, navel, rib, nipple = (
        m.crotch_height,
        m.buttock_height,
        m.waist_height,
        m.tenth_rib_height,
        m.chest_height,
    )
    a = m.acromial_height
    rows = [
        [crotch + seat, 0.50 * h, -0.26 * d, 0.16 * d, 2.0, 0.0],
        [0.5 * (crotch + seat + hip + 0.016 * s), 0.74 * h, -0.33 * d, 0.26 * d, 2.1, 0.0],
        [hip + 0.016 * s, 0.90 * h, -0.37 * d, 0.37 * d, 2.2, 0.0],
        [hip + 0.50 * (navel - hip), 0.97 * h, -0.38 * d, 0.47 * d, 2.35, 0.35],
        [navel, w, -0.43 * wd, 0.57 * wd, 2.5, 1.0],
        [rib, w * (0.90 + 0.06 * m.sex), -0.44 * wd, 0.54 * wd, 2.4, 1.0],
        [0.5 * (rib + nipple), 0.5 * w + 0.48 * chest, -0.45 * cd, 0.52 * flat, 2.4, 1.6],
        [nipple, chest, -0.46 * cd, flat - 0.46 * cd, 2.4, 2.0],
        [a - 0.066 * s, 0.98 * chest, -0.45 * cd, 0.46 * flat, 2.4, 2.0],
        [a - 0.030 * s, 0.86 * chest, -0.42 * cd, 0.42 * flat, 2.3, 2.0],
        [a + 0.000 * s, 0.60 * chest, -0.38 * cd, 0.31 * flat, 2.2, 2.0],
        [a + 0.022 * s, 0.38 * chest, -0.31 * cd, 0.20 * flat, 2.1, 2.0],
    ]  # fmt: skip
    table = np.array(rows)
    shares = np.interp(table[:, 5][:, None], [0.0, 1.0, 2.0], [0.0, 1.0, 2.0]).ravel()
    grown = np.interp(shares, [0.0, 1.0, 2.0], [factors["hip_girth"], factors["waist_girth"], factors["chest_girth"]])
    table[:, 1:4] *= grown[:, None]
    return table[:, :5]


def make_trunk(m: BodyMeasures, skeleton: Skeleton, factors: Mapping[str, float]) -> Solid:
    """Pelvis to the neck's root with shoulders, without head and limbs."""
    from scipy.interpolate import PchipInterpolator

    spine, s = Spine(m, skeleton), m.stature
    table = trunk_sections(m, factors)
    _, lumbar, thoracic, _, _ = joint_heights(m)
    straight = np.all([np.allclose(skeleton.frames[name], skeleton.frames["pelvis"]) for name in ("loin", "chest")])
    joints = [] if straight else [lumbar, thoracic]
    kept = [h for h in table[:, 0] if all(abs(h - joint) > BEND * s for joint in joints)]
    heights = np.array(sorted([*kept, *(joint + side * BEND * s for joint in joints for side in (-1.0, 1.0))]))
    sections = PchipInterpolator(table[:, 0], table[:, 1:])(heights)
    back = SPINE * s
    extent = heights - heights[0]
    trunk = Tube(
        np.array([spine.at(h, 0.0, back) for h in heights]), np.array([spine.axes_at(h) for h in heights]),
        sections[:, 0], sections[:, 1] - back, sections[:, 2] - back, sections[:, 3], caps=(0.020 * s, 0.018 * s),
        region_stops=(
            ((m.buttock_height + 0.45 * (m.waist_height - m.buttock_height) - heights[0]) / extent[-1], "pelvis",
             "buttocks"),
            ((0.5 * (m.tenth_rib_height + m.chest_height) - 0.01 * s - heights[0]) / extent[-1], "abdomen",
             "lower back"),
            (9.0, "chest", "upper back"),
        ),
    )  # fmt: skip
    body: Solid = Union((trunk, *_lumps(m, spine, table)), 0.030 * s / MODEL_STATURE)
    k = s / MODEL_STATURE

    def skin(height: float, right: float, depth: float) -> Array:
        """The place ``depth`` (m) under the front of the body so far."""
        return (
            _find_skin(body, spine.at(height, right, 0.0), spine.axes_at(height)[2]) - depth * spine.axes_at(height)[2]
        )

    throat, end = m.suprasternal_height + 0.004 * s, m.acromial_height - 0.012 * s
    bones = tuple(
        RoundCone(skin(throat, side * 0.024 * k, 0.007 * k),
                  skin(end, side * (0.5 * m.biacromial_breadth - 0.040 * k), 0.007 * k), 0.010 * k, 0.010 * k, "chest")
        for side, _ in SIDES
    )  # fmt: skip
    tools = (
        (RoundCone(skin(m.suprasternal_height - 0.03 * s, 0.0, -0.017 * k),
                   skin(m.chest_height - 0.02 * s, 0.0, -0.019 * k), 0.020 * k, 0.022 * k), 0.024),
        (Ellipsoid(skin(m.waist_height, 0.0, -0.002 * k), np.array([0.011, 0.008, 0.012]) * k, "",
                   spine.axes_at(m.waist_height)), 0.012),
        (Ellipsoid(skin(m.suprasternal_height + 0.004 * s, 0.0, -0.007 * k), np.array([0.012, 0.013, 0.014]) * k, "",
                   spine.axes_at(m.suprasternal_height)), 0.014),
    )  # fmt: skip
    body = Union((body, *bones), 0.020 * k)
    for tool, blend in tools:
        body = Cut(body, tool, blend * k)
    return body


def _find_skin(solid: Solid, start: Array, course: Array) -> Array:
    """Where a ray from inside last leaves the solid within 0.4 m, (3,) m."""
    steps = start + np.arange(0.0, 0.4, 1e-3)[:, None] * course
    inside = np.nonzero(measure_field(solid, steps) < 0.0)[0]
    return steps[inside[-1]] if len(inside) else start


def _lumps(m: BodyMeasures, spine: Spine, table: Array) -> list[Solid]:
    """Shoulder caps and slopes, breast muscles or breasts, shoulder blades, buttocks, hip bones."""
    s = m.stature
    k = s / MODEL_STATURE
    arm = m.upper_arm_girth / (0.200 * s)  # how full the shoulder cap is
    seat = k * m.buttock_depth / (0.141 * s)

    def at_table(height: float, column: int) -> float:
        return float(np.interp(height, table[:, 0], table[:, column]))

    lumps: list[Solid] = []
    chest_front, chest_half = at_table(m.chest_height, 3), at_table(m.chest_height, 1)
    upper = m.chest_height + 0.026 * s
    for side, word in SIDES:
        cap = np.array([0.052 * k, 0.050 * k * arm, 0.056 * k * arm])
        outward = 0.5 * m.bideltoid_breadth - 0.96 * cap[1]
        shoulder = m.acromial_height - 0.071 * k
        lumps += [
            Ellipsoid(spine.at(shoulder, side * outward, 0.006 * k), cap, f"{word} shoulder", spine.axes_at(shoulder)),
            RoundCone(spine.at(m.acromial_height + 0.008 * s, side * 0.030 * k, -0.026 * k),
                      spine.at(m.acromial_height - 0.0665 * k, side * (outward - 0.016 * k), -0.004 * k),
                      0.034 * k, 0.040 * k, f"{word} shoulder"),
            # under the collar bone, and from breast and shoulder blade to the arm
            RoundCone(spine.at(m.acromial_height - 0.026 * s, side * 0.30 * chest_half,
                               at_table(m.acromial_height - 0.026 * s, 3) - 0.036 * k),
                      spine.at(m.acromial_height - 0.062 * k, side * (outward - 0.020 * k), 0.012 * k), 0.034 * k,
                      0.038 * k, "chest"),
            RoundCone(spine.at(upper - 0.004 * s, side * 0.62 * chest_half, at_table(upper, 3) - 0.046 * k),
                      spine.at(shoulder + 0.016 * k, side * (outward - 0.010 * k), 0.010 * k), 0.046 * k, 0.040 * k,
                      f"{word} shoulder"),
            RoundCone(spine.at(upper - 0.010 * s, side * 0.70 * chest_half, at_table(upper, 2) + 0.055 * k),
                      spine.at(shoulder, side * (outward - 0.012 * k), -0.006 * k), 0.044 * k, 0.040 * k,
                      f"{word} shoulder"),
            Ellipsoid(spine.at(upper, side * 0.48 * chest_half, at_table(upper, 3) - 0.022 * k),
                      np.array([0.066, 0.56 * chest_half / k, 0.027 + 0.004 * m.sex]) * k, "chest",
                      _turned(spine.axes_at(upper), side * 0.25)),
            Ellipsoid(spine.at(upper, side * 0.52 * chest_half, at_table(upper, 2) + 0.033 * k),
                      np.array([0.085, 0.052, 0.027]) * k, "upper back", spine.axes_at(upper)),
            Ellipsoid(spine.at(m.buttock_height + 0.004 * s, side * 0.48 * 0.5 * m.hip_breadth,
                               -0.46 * m.buttock_depth + 0.070 * seat),
                      np.array([0.092 * k, 0.084 * seat, 0.072 * seat]), "buttocks", spine.axes_at(m.buttock_height)),
            Ellipsoid(spine.at(m.iliocristal_height - 0.030 * s, side * 0.72 * 0.5 * m.hip_breadth,
                               at_table(m.iliocristal_height - 0.030 * s, 3) - 0.052 * k),
                      np.array([0.034, 0.024, 0.026]) * k, "pelvis", spine.axes_at(m.buttock_height)),
        ]  # fmt: skip
        fullness = 1.0 - m.sex
        if fullness > 0.05:
            depth = 0.030 + 0.026 * fullness
            lumps.append(
                Ellipsoid(spine.at(m.chest_height + 0.004 * s, side * 0.50 * chest_half, chest_front - 0.016 * k),
                          np.array([0.040 + 0.024 * fullness, 0.044 + 0.018 * fullness, depth]) * k, f"{word} breast",
                          _turned(spine.axes_at(m.chest_height), side * 0.30)))  # fmt: skip
    return lumps


def _turned(axes: Array, angle: float) -> Array:
    """Axes turned about their third one."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ axes


def make_neck(m: BodyMeasures, skeleton: Skeleton, factor: float) -> Solid:
    """From the chest into the skull, bent as the head is held."""
    spine, s = Spine(m, skeleton), m.stature
    k = s / MODEL_STATURE
    r = m.neck_girth / (2.0 * np.pi) * factor
    neck = joint_heights(m)[3]
    low, high = skeleton.joint("neck"), skeleton.joint("skull")
    chest, middle, head = (skeleton.frames[name] for name in ("chest", "neck", "head"))
    ahead = 0.012 * s
    # The tube runs in the neck's axes, ends in those of chest and head; the skull joint lies ahead of the neck's.
    start = spine.at(neck - 0.020 * s, 0.0, SPINE * s + 0.4 * ahead)
    course = high - low
    places = np.array([start, low + 0.30 * course + 0.012 * k * middle[2], low + 0.66 * course + 0.008 * k * middle[2],
                       high + 0.022 * s * head[0]])  # fmt: skip
    lean = np.array([_leant(axes, places[min(n + 1, 3)] - places[max(n - 1, 0)])
                     for n, axes in enumerate((chest, middle, middle, head))])  # fmt: skip
    return Tube(
        places, lean, r * np.array([1.20, 0.98, 0.96, 0.98]), -r * np.array([0.95, 0.98, 1.00, 0.98]),
        r * np.array([1.30, 1.06, 1.02, 1.00]), np.full(4, 2.1), caps=(0.03 * k, 0.02 * k), region="neck",
    )  # fmt: skip


def _leant(axes: Array, course: Array) -> Array:
    """Axes whose first runs along ``course``, turned as little as may be."""
    along = course / np.linalg.norm(course)
    front = axes[2] - (axes[2] @ along) * along
    front /= np.linalg.norm(front)
    return np.array([along, np.cross(front, along), front])

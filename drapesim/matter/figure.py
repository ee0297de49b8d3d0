"""The demo figure: a life-size recumbent adult carved in limewood, built from measures.

Segment lengths are fractions of stature after Drillis and Contini (1966), as tabulated in D. A. Winter, Biomechanics
and Motor Control of Human Movement (figure 4.1) -- from memory. Breadths, depths and the face are the carver's own:
chosen by eye for a plausible adult, not measured on anybody. It is wood: nothing of it gives way under its weight.

Carving frame: x from the soles (0) to the crown, y to the figure's right, z to its front, the back near z = 0; the
finished body is then set down on z = 0 with its length centred on x = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import Body, BodyPart
from drapesim.matter.evening import even_out, finer_near
from drapesim.matter.figure_limbs import ArmPose, LegPose, carve_arm, carve_leg, frame_along, pose_leg, rest_arm, unit
from drapesim.matter.figure_trunk import HeadFrame, carve_head, carve_trunk
from drapesim.matter.solid import Solid, Union, measure_field, name_regions, polygonise

Array = np.ndarray

# Fractions of stature: Drillis and Contini (1966) as in Winter, figure 4.1; from memory.
SEGMENTS = MappingProxyType({
    "shoulder height": 0.818, "hip height": 0.530, "chin height": 0.870, "head": 0.130, "half shoulder breadth": 0.129,
    "upper arm": 0.186, "forearm": 0.146, "hand": 0.108, "thigh": 0.245, "shin": 0.246, "foot": 0.152,
    "foot height": 0.039,
})  # fmt: skip
MODEL_STATURE = 1.70  # m; breadths and depths below are given for this stature and scale with it


@dataclass(frozen=True)
class FigureMeasures:
    """What may be asked of the figure; lengths m, angles degrees as in the key."""

    stature_m: float = 1.70
    girth: float = 1.0  # factor on breadths and depths of trunk and limbs
    knee_bend_deg: float = 28.0  # flexion; 0 is straight
    head_nod_deg: float = 6.0  # chin towards the chest
    hand_slant_deg: float = 36.0  # of each hand's axis from crosswise towards the feet
    toe_fall_deg: float = 12.0  # feet turned outward
    toe_point_deg: float = 12.0  # feet stretched from the right angle
    edge_m: float = 0.0095  # triangle edges on trunk and limbs
    fine_edge_m: float = 0.0044  # triangle edges on face and hands

    def __post_init__(self) -> None:
        for name, (least, most) in RANGES.items():
            value = getattr(self, name)
            if not least <= value <= most:  # also catches what is not a number
                raise InputError("", f"figure.{name}", f"{value:g} is out of range", f"give {least:g} to {most:g}")
        if self.fine_edge_m > self.edge_m:
            problem = f"{self.fine_edge_m:g} m is more than edge_m, {self.edge_m:g} m"
            raise InputError("", "figure.fine_edge_m", problem, "give no more than edge_m")


# The carver's limits: within them the joints reach and the mesh stays one even shell (tested at both ends).
RANGES = MappingProxyType({
    "stature_m": (0.5, 2.5), "girth": (0.85, 1.2), "knee_bend_deg": (0.0, 60.0), "head_nod_deg": (-10.0, 25.0),
    "hand_slant_deg": (20.0, 50.0), "toe_fall_deg": (0.0, 35.0), "toe_point_deg": (-10.0, 50.0),
    "edge_m": (0.004, 0.02), "fine_edge_m": (0.003, 0.01),
})  # fmt: skip


@dataclass(frozen=True)
class Figure:
    """The posed solid before it is cut into triangles, at a stature of 1.70 m in the carving frame."""

    solid: Solid
    head: HeadFrame
    arms: tuple[ArmPose, ArmPose]  # left, right
    legs: tuple[LegPose, LegPose]
    tips: dict[str, Array]  # fingertips, (3,) m


def pose_figure(measures: FigureMeasures) -> Figure:
    """Joint places from the segment lengths, limbs laid on what is under them: left hand first, right hand over it."""
    length = {name: share * MODEL_STATURE for name, share in SEGMENTS.items()}
    g, shoulder_x = measures.girth, length["shoulder height"]
    head = HeadFrame(length["chin height"], np.radians(measures.head_nod_deg))
    trunk: Solid = Union((carve_trunk(g, shoulder_x), carve_head(head, shoulder_x, g)), 0.030)
    legs = tuple(
        pose_leg(
            side, np.array([length["hip height"], side * 0.086 * g, 0.092 * g]), (length["thigh"], length["shin"]),
            np.radians(measures.knee_bend_deg), np.radians(measures.toe_fall_deg), np.radians(measures.toe_point_deg),
            ankle_y=0.076 * g,
        )
        for side in (-1.0, 1.0)
    )  # fmt: skip
    pair = Union(tuple(carve_leg(leg, word, g) for leg, word in zip(legs, ("left", "right"), strict=True)), 0.014)
    whole: Solid = Union((trunk, pair), 0.030)
    arms, tips = [], {}
    for side, word in ((-1.0, "left"), (1.0, "right")):
        shoulder = np.array([shoulder_x - 0.010, side * 0.186 * g, 0.090 * g])
        pose = rest_arm(
            whole, side, shoulder, (length["upper arm"], length["forearm"]), (0.995, 0.078),
            np.radians(measures.hand_slant_deg), elbow_z=0.037 * g,
        )  # fmt: skip
        arm = carve_arm(pose, whole, word, g)
        for piece, blend in ((arm.upper, 0.018), (arm.lower, 0.007), (arm.fingers, 0.0035)):
            whole = Union((whole, piece), blend)
        arms.append(pose)
        tips.update(arm.tips)
    return Figure(whole, head, (arms[0], arms[1]), (legs[0], legs[1]), tips)


def carve_figure(measures: FigureMeasures | None = None) -> Body:
    """The figure as one closed shell, lowest point on z = 0, head towards +x, face up, middle of its length at x = 0.

    Triangle edges follow ``edge_m`` and, on face, hands and toes, ``fine_edge_m``. The same measures give the same
    bytes. Raises InputError when the limbs cannot be laid down.
    """
    measures = FigureMeasures() if measures is None else measures
    figure = pose_figure(measures)
    scale = measures.stature_m / MODEL_STATURE
    fine, coarse = measures.fine_edge_m / scale, measures.edge_m / scale

    def field(points: Array) -> Array:
        return measure_field(figure.solid, points)

    size = finer_near(_detail_spots(figure), coarse, fine)
    vertices, faces = polygonise(figure.solid, 0.0060)
    vertices, faces = even_out(vertices, faces, field, size)
    names = _name_faces(figure, vertices[faces].mean(axis=1))
    region_names, region = np.unique(names.astype(str), return_inverse=True)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    shift = np.array([-0.5 * (low[0] + high[0]), 0.0, -low[2]])
    landmarks = {name: (place + shift) * scale for name, place in _find_landmarks(figure, vertices, faces).items()}
    vertices = (vertices + shift) * scale
    vertices[:, 2] -= vertices[:, 2].min()
    return Body(
        vertices=np.ascontiguousarray(vertices),
        faces=faces,
        part=np.zeros(len(faces), dtype=np.int32),
        parts=(BodyPart("body", surface="limewood"),),
        region=region.astype(np.int32),
        region_names=tuple(str(name) for name in region_names),
        landmarks=MappingProxyType(landmarks),
    )


def _name_faces(figure: Figure, middles: Array) -> Array:
    """Region name of each face: that of the nearest lump, and on the skull by height and depth."""
    names = name_regions(figure.solid, middles)
    up, _, forward = figure.head.within(middles).T
    skull = names == "back of head"
    names[skull & (up > 0.185)] = "crown"
    names[skull & (up <= 0.185) & (forward > 0.120)] = "forehead"
    return names


def _detail_spots(figure: Figure) -> list[tuple[Array, float, float]]:
    """(centre, radius m, share of the way from coarse to fine) of the balls in which edges are shorter."""
    spots = [(figure.head.at(0.080, 0.0, 0.190), 0.060, 1.0), (figure.head.at(0.080, 0.0, 0.120), 0.090, 0.7)]
    for arm in figure.arms:
        spots += [(arm.wrist + reach * arm.heading, 0.050, 1.0) for reach in (0.04, 0.09, 0.14)]
    for leg in figure.legs:
        spots.append((leg.ankle + 0.165 * leg.toe - 0.05 * leg.instep, 0.045, 0.8))
    return spots


def _find_landmarks(figure: Figure, vertices: Array, faces: Array) -> dict[str, Array]:
    """Named points, each where a line first meets the mesh: exactly on its surface."""
    head, up = figure.head, np.array([0.0, 0.0, 1.0])
    lines = {  # name: (a point off the surface, direction towards it)
        "nose tip": (head.at(0.079, 0.0, 0.30), -head.axes[2]),
        "chin": (head.at(0.012, 0.0, 0.30), -head.axes[2]),
        "brow": (head.at(0.134, 0.0, 0.30), -head.axes[2]),
        "crown": (head.at(0.40, 0.0, 0.105), -head.axes[0]),
        "back of head": (head.at(0.115, 0.0, -0.15), head.axes[2]),
    }
    shoulder_x = SEGMENTS["shoulder height"] * MODEL_STATURE
    lines["sternum"] = (np.array([shoulder_x - 0.12, 0.0, 0.5]), -up)
    lines["navel"] = (np.array([shoulder_x - 0.365, 0.0, 0.5]), -up)
    for arm, leg, word in zip(figure.arms, figure.legs, ("left", "right"), strict=True):
        out = np.array([0.0, arm.side, 0.0])
        lines[f"{word} shoulder point"] = (arm.shoulder + 0.3 * out + 0.012 * up, -out)
        lines[f"{word} elbow"] = (arm.elbow + 0.3 * unit(out - [0.7, 0, 0]), -unit(out - [0.7, 0, 0]))
        lines[f"{word} wrist"] = (arm.wrist + 0.3 * up, -up)
        for finger in ("thumb tip", "middle fingertip"):
            tip = figure.tips[f"{word} {finger}"]
            lines[f"{word} {finger}"] = (tip, arm.heading)  # from within: the other arm may lie in the way
        front = unit(frame_along(leg.knee - leg.hip, up)[2] + frame_along(leg.ankle - leg.knee, up)[2])
        lines[f"{word} knee cap"] = (leg.knee + 0.3 * front, -front)
        lines[f"{word} heel"] = (leg.ankle - 0.3 * leg.toe - 0.034 * leg.instep, leg.toe)
        lines[f"{word} toe tip"] = (leg.ankle + 0.4 * leg.toe - 0.054 * leg.instep + 0.025 * leg.inner, -leg.toe)
    return {name: _meet(start, course, vertices, faces) for name, (start, course) in lines.items()}


def _meet(start: Array, course: Array, vertices: Array, faces: Array) -> Array:
    """First point of the mesh on the ray (Moeller and Trumbore 1997), (3,) m."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    across = np.cross(course, c - a)
    det = ((b - a) * across).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = ((start - a) * across).sum(axis=1) / det
        other = np.cross(start - a, b - a)
        t = (other @ course) / det
        reach = ((c - a) * other).sum(axis=1) / det
    hit = np.nonzero((s >= 0.0) & (t >= 0.0) & (s + t <= 1.0) & (reach > 0.0))[0]
    if len(hit) == 0:
        raise InputError("", "figure", "a landmark line misses the figure", "use measures nearer to the defaults")
    first = hit[np.argmin(reach[hit])]
    return a[first] + s[first] * (b - a)[first] + t[first] * (c - a)[first]

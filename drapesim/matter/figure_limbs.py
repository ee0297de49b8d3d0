"""Arms with hands, and legs with feet, of the demo figure as solids, in the carving frame of ``figure``.

Joint places follow from segment lengths and from what the limb rests on: the elbow and the heel on the slab, the
wrist, palm and each finger on whatever lies under them. Thicknesses are the carver's own, at a stature of 1.70 m.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.solid import Ellipsoid, Loft, RoundCone, Solid, Union, measure_field

Array = np.ndarray

UP = np.array([0.0, 0.0, 1.0])

# name, offset towards the thumb, start along the hand, three bone lengths, radius at root and at tip (m)
FINGERS = (
    ("index", 0.0265, 0.089, (0.041, 0.025, 0.022), 0.0090, 0.0078),
    ("middle", 0.0090, 0.093, (0.044, 0.028, 0.022), 0.0090, 0.0079),
    ("ring", -0.0085, 0.090, (0.041, 0.026, 0.022), 0.0088, 0.0076),
    ("little", -0.0255, 0.083, (0.032, 0.019, 0.020), 0.0080, 0.0071),
)
SINK = 0.0012  # m a resting finger or palm is let into what it lies on, so that the carving is one piece


@dataclass(frozen=True)
class ArmPose:
    """Joint places (3,) m of one arm; ``heading`` and ``thumb`` are unit vectors along and across the hand."""

    side: float
    shoulder: Array
    elbow: Array
    wrist: Array
    knuckle: Array
    heading: Array
    thumb: Array


@dataclass(frozen=True)
class LegPose:
    """Joint places (3,) m of one leg; ``toe``, ``instep``, ``inner``: unit vectors along, above and beside the foot."""

    side: float
    hip: Array
    knee: Array
    ankle: Array
    toe: Array
    instep: Array
    inner: Array


def unit(vector: Array) -> Array:
    """The same direction at length 1."""
    return np.asarray(vector, dtype=float) / np.linalg.norm(vector)


def frame_along(long: Array, depth: Array) -> Array:
    """(3, 3) rows long, breadth, depth: orthonormal, ``depth`` made square to ``long``."""
    long = unit(long)
    depth = unit(depth - (depth @ long) * long)
    return np.array([long, np.cross(depth, long), depth])


def rest_arm(
    below: Solid,
    side: float,
    shoulder: Array,
    lengths: tuple[float, float],
    wrist_xy: tuple[float, float],
    slant: float,
    elbow_z: float,
) -> ArmPose:
    """Lay a hand on ``below`` and let the elbow sink to ``elbow_z`` beside the body.

    ``lengths`` of upper arm and forearm, m; ``wrist_xy`` m with y for the right side; ``slant`` rad of the hand from
    crosswise towards the feet.
    """
    heading = np.array([-np.sin(slant), -side * np.cos(slant), 0.0])
    thumb = np.cross(UP, heading) * side
    wrist_flat = np.array([wrist_xy[0], side * wrist_xy[1], 0.0])
    across = np.array([-0.02, 0.0, 0.02])[:, None] * thumb
    wrist = _lowest_clear(below, wrist_flat[None], 0.0185)[0]
    knuckle = _lowest_clear(below, wrist_flat + 0.085 * heading + across, 0.0120).max(axis=0)
    middles = _lowest_clear(below, wrist_flat + 0.045 * heading + across, 0.014)
    lift = max(0.0, middles[:, 2].max() - 0.5 * (wrist[2] + knuckle[2]))
    wrist = wrist + lift * UP
    knuckle = np.array([*(wrist_flat + 0.085 * heading)[:2], knuckle[2] + lift])
    level = unit(knuckle - wrist)
    elbow = _place_elbow(side, shoulder, wrist, lengths, elbow_z)
    return ArmPose(side, shoulder, elbow, wrist, knuckle, level, thumb)


def _lowest_clear(below: Solid, places: Array, clearance: float) -> Array:
    """``places`` (n, 3) with z the lowest at which the field of ``below`` is ``clearance`` (m), found from above."""
    heights = np.arange(0.36, 0.05, -0.002)
    columns = np.repeat(places[:, None, :], len(heights), axis=1)
    columns[..., 2] = heights
    free = measure_field(below, columns.reshape(-1, 3)).reshape(columns.shape[:2]) >= clearance - SINK
    last = np.where(free.all(axis=1), len(heights), np.argmin(free, axis=1)) - 1
    return columns[np.arange(len(places)), last]


def _place_elbow(side: float, shoulder: Array, wrist: Array, lengths: tuple[float, float], elbow_z: float) -> Array:
    """The outer of the two points at the given height and distances from shoulder and wrist."""
    a, b = shoulder[:2], wrist[:2]
    ra_sq, rb_sq = lengths[0] ** 2 - (shoulder[2] - elbow_z) ** 2, lengths[1] ** 2 - (wrist[2] - elbow_z) ** 2
    gap = float(np.linalg.norm(b - a))
    along = (ra_sq - rb_sq + gap**2) / (2.0 * gap)
    out_sq = ra_sq - along**2
    if out_sq <= 0.0:
        problem = "the arm is too short to lie with its elbow on the slab and its hand on the body"
        raise InputError("", "figure", problem, "give a smaller girth")
    direction = (b - a) / gap
    outward = np.array([-direction[1], direction[0]])
    if outward[1] * side < 0.0:
        outward = -outward
    return np.array([*(a + along * direction + np.sqrt(out_sq) * outward), elbow_z])


@dataclass(frozen=True)
class Arm:
    """The pieces of one arm, to be joined to the figure in this order over ever finer blends; ``tips`` (3,) m."""

    upper: Solid
    lower: Solid
    fingers: Solid
    tips: dict[str, Array]


def carve_arm(pose: ArmPose, below: Solid, word: str, girth: float) -> Arm:
    """Arm with hand lying on ``below``; ``word`` is "left" or "right"."""
    upper, fore = pose.elbow - pose.shoulder, pose.wrist - pose.elbow
    length, reach = np.linalg.norm(upper), np.linalg.norm(fore)
    g = girth
    arm = Loft(
        pose.shoulder, frame_along(upper, UP), np.array([0.0, 0.25, 0.5, 0.72, 0.93, 1.0]) * length,
        half_breadth=np.array([0.046, 0.047, 0.045, 0.041, 0.036, 0.035]) * g,
        low=-np.array([0.050, 0.049, 0.047, 0.043, 0.036, 0.034]) * g,
        high=np.array([0.050, 0.050, 0.050, 0.043, 0.034, 0.032]) * g,
        caps=(0.04, 0.024), region=f"{word} upper arm",
    )  # fmt: skip
    forearm = Loft(
        pose.elbow, frame_along(fore, np.cross(fore, pose.thumb) * pose.side),
        np.array([0.0, 0.18, 0.38, 0.6, 0.82, 0.95, 1.0]) * reach,
        half_breadth=np.array([0.035, 0.042, 0.041, 0.036, 0.029, 0.0275, 0.0275]) * g,
        low=-np.array([0.034, 0.039, 0.037, 0.031, 0.0225, 0.020, 0.019]) * g,
        high=np.array([0.034, 0.038, 0.036, 0.030, 0.022, 0.019, 0.018]) * g,
        caps=(0.026, 0.016), region=f"{word} forearm",
    )  # fmt: skip
    elbow = Ellipsoid(pose.elbow, np.full(3, 0.034 * g), f"{word} elbow")
    palm, fingers, tips = _carve_hand(pose, below, word)
    return Arm(Union((arm, elbow), 0.022), Union((Union((elbow, forearm), 0.022), palm), 0.014), fingers, tips)


def _carve_hand(pose: ArmPose, below: Solid, word: str) -> tuple[Solid, Solid, dict[str, Array]]:
    back = np.cross(pose.heading, pose.thumb) * pose.side
    region = f"{word} hand"

    def at(along: float, across: float, above: float) -> Array:
        return pose.wrist + along * pose.heading + across * pose.thumb + above * back

    palm = Loft(
        pose.wrist, np.array([pose.heading, pose.thumb, back]), np.array([-0.012, 0.015, 0.040, 0.065, 0.088]),
        half_breadth=np.array([0.0255, 0.029, 0.035, 0.039, 0.0385]),
        low=-np.array([0.018, 0.020, 0.020, 0.018, 0.014]), high=np.array([0.0150, 0.0155, 0.0145, 0.013, 0.0105]),
        power=2.4, caps=(0.014, 0.008), region=region,
    )  # fmt: skip
    inner: list[Solid] = []  # bones of the middle hand: tendons that show on its back, and the wood under the palm
    for _, offset, start, _, _, _ in FINGERS:
        first, last = at(0.03, 0.4 * offset, 0.0095), at(start, offset, 0.0035)
        inner.append(RoundCone(first, last, 0.0045, 0.0085, region))
        first, last = at(0.02, 0.8 * offset, -0.006), at(start, 1.05 * offset, -0.003)
        root = -_depth_to(below, np.array([first, last, 0.5 * (first + last)]), back) * back
        inner.append(RoundCone(first, last, 0.010, 0.0085, region, sweep=root))
    fingers: list[Solid] = []
    tips: dict[str, Array] = {}
    for name, offset, start, bones, thick, thin in FINGERS:
        course = unit(pose.heading + 0.9 * offset * pose.thumb)  # fingers fan a little from the wrist
        radii = np.linspace(thick, thin, 4)
        joints = _drape_finger(below, at(start, offset, 0.0), course, back, bones, radii)
        fingers.append(_string(below, joints, radii, back, region))
        tips[f"{word} {name} fingertip"] = joints[3]
    middle = _raise_clear(below, at(0.064, 0.044, -0.002), 0.0095, back)
    last = _raise_clear(below, at(0.094, 0.049, 0.0), 0.0085, back)
    tip = _raise_clear(below, last + 0.024 * unit(last - middle), 0.0075, back)
    joints = np.array([at(0.020, 0.020, -0.003), middle, last, tip])
    thumb = _string(below, joints, np.array([0.0145, 0.0100, 0.0090, 0.0075]), back, region)
    tips[f"{word} thumb tip"] = tip
    return Union((palm, *inner), 0.006), Union((Union(tuple(fingers), 0.005), thumb), 0.005), tips


def _string(below: Solid, joints: Array, radii: Array, back: Array, region: str) -> Solid:
    """Bones from joint to joint, each with the wood under it that no chisel could reach, down to ``below``."""
    bones = []
    for k in range(len(joints) - 1):
        ends = joints[k : k + 2]
        bones.append(RoundCone(ends[0], ends[1], radii[k], radii[k + 1], region))
        root = -_depth_to(below, np.array([*ends, ends.mean(axis=0)]), back) * back
        bones.append(RoundCone(ends[0], ends[1], 0.9 * radii[k], 0.9 * radii[k + 1], region, sweep=root))
    return Union(tuple(bones), 0.002)


def _depth_to(below: Solid, places: Array, back: Array) -> float:
    """How far (m) the farthest of ``places`` (n, 3) is from ``below`` along -back; 0.003 to 0.040."""
    depth = np.arange(0.003, 0.0405, 0.0015)
    probes = places[:, None] - depth[:, None] * back
    inside = measure_field(below, probes.reshape(-1, 3)).reshape(probes.shape[:2]) < 0.0
    reached = np.where(inside.any(axis=1), depth[np.argmax(inside, axis=1)], depth[-1])
    return float(reached.max())


def _raise_clear(below: Solid, place: Array, radius: float, back: Array) -> Array:
    """``place`` lifted along ``back`` until a ball of ``radius`` there is clear of ``below`` but for ``SINK``."""
    lifts = np.arange(-0.020, 0.06, 0.001)
    candidates = place + lifts[:, None] * back
    clear = measure_field(below, candidates) >= radius - SINK
    still = np.maximum.accumulate(~clear[::-1])[::-1]  # not clear here or anywhere higher
    return candidates[min(int(still.sum()), len(lifts) - 1)]


def _drape_finger(
    below: Solid, root: Array, course: Array, back: Array, bones: tuple[float, ...], radii: Array
) -> Array:
    """Joints (4, 3) of a finger whose bones each bend as far down as they can without entering what lies below."""
    joints, bend = [root], 0.0
    for bone, radius, most in zip(bones, radii[1:], (0.75, 0.70, 0.45), strict=True):
        angles = np.arange(bend - 0.35, bend + most, 0.03)
        angles = angles[angles < 1.35]
        ends = joints[-1] + bone * (np.cos(angles)[:, None] * course - np.sin(angles)[:, None] * back)
        middles = 0.5 * (ends + joints[-1])
        clear = np.minimum(measure_field(below, ends), measure_field(below, middles)) >= radius - SINK
        blocked = np.nonzero(~clear)[0]
        pick = len(angles) - 1 if len(blocked) == 0 else max(int(blocked[0]) - 1, 0)
        bend = float(angles[pick])
        joints.append(ends[pick])
    return np.array(joints)


def pose_leg(
    side: float, hip: Array, lengths: tuple[float, float], bend: float, fall: float, point: float, ankle_y: float
) -> LegPose:
    """Bend the knee by ``bend`` (rad) and let the heel down onto z = 0; ``fall`` turns the foot out, ``point`` down.

    ``lengths`` of thigh and shin, m; ``ankle_y`` m from the midline.
    """
    thigh, shin = lengths
    span = np.sqrt(thigh**2 + shin**2 + 2.0 * thigh * shin * np.cos(bend))
    ankle_z = 0.07
    for _ in range(6):
        offset = np.array([0.0, side * ankle_y - hip[1], ankle_z - hip[2]])
        offset[0] = -np.sqrt(span**2 - offset[1] ** 2 - offset[2] ** 2)
        line = offset / span
        lift = unit(UP - (UP @ line) * line)
        along = (thigh**2 - shin**2 + span**2) / (2.0 * span)
        knee = hip + along * line + np.sqrt(max(thigh**2 - along**2, 0.0)) * lift
        ankle = hip + offset
        down = unit(ankle - knee)
        front = unit(UP - (UP @ down) * down)
        outer = np.array([0.0, side, 0.0])
        outer = unit(outer - (outer @ down) * down)
        toe = np.cos(point) * (np.cos(fall) * front + np.sin(fall) * outer) + np.sin(point) * down
        instep = unit(-down + (down @ toe) * toe)
        inner = np.cross(toe, instep) * -side
        heel = HEEL[0] * toe + HEEL[1] * instep
        ankle_z = HEEL[2] - heel[2]
    return LegPose(side, hip, knee, ankle, toe, instep, inner)


HEEL = (-0.030, -0.034, 0.031)  # m from the ankle along the foot and up from it, and radius


def carve_leg(pose: LegPose, word: str, girth: float) -> Solid:
    """Thigh, knee, shin and foot of one side."""
    g = girth
    thigh, shin = pose.knee - pose.hip, pose.ankle - pose.knee
    length, reach = np.linalg.norm(thigh), np.linalg.norm(shin)
    upper = Loft(
        pose.hip, frame_along(thigh, UP), np.array([0.0, 0.2, 0.4, 0.6, 0.8, 0.92, 1.0]) * length,
        np.array([0.089, 0.088, 0.083, 0.075, 0.062, 0.052, 0.045]) * g,
        -np.array([0.088, 0.084, 0.077, 0.069, 0.056, 0.048, 0.042]) * g,
        np.array([0.080, 0.087, 0.088, 0.081, 0.064, 0.051, 0.043]) * g,
        power=2.1, caps=(0.06, 0.02), region=f"{word} thigh",
    )  # fmt: skip
    lower = Loft(
        pose.knee, frame_along(shin, UP), np.array([0.0, 0.1, 0.28, 0.45, 0.65, 0.85, 1.0]) * reach,
        np.array([0.043, 0.048, 0.058, 0.054, 0.042, 0.034, 0.034]) * g,
        -np.array([0.041, 0.051, 0.072, 0.066, 0.046, 0.036, 0.036]) * g,
        np.array([0.042, 0.044, 0.045, 0.043, 0.038, 0.033, 0.034]) * g,
        power=2.1, caps=(0.02, 0.02), region=f"{word} shin",
    )  # fmt: skip
    front_up, front_low = frame_along(thigh, UP)[2], frame_along(shin, UP)[2]
    cap = Ellipsoid(
        pose.knee + 0.036 * g * unit(front_up + front_low), np.array([0.030, 0.024, 0.016]) * g, f"{word} knee",
        frame_along(shin, UP),
    )  # fmt: skip
    knee = Ellipsoid(pose.knee, np.array([0.052, 0.047, 0.046]) * g, f"{word} knee", frame_along(shin, UP))
    return Union((Union((upper, knee, lower), 0.022), cap, carve_foot(pose, word)), 0.018)


def carve_foot(pose: LegPose, word: str) -> Solid:
    """The foot of one side, from the ankle down."""
    axes = np.array([pose.toe, pose.inner, pose.instep])

    def at(along: float, inward: float, above: float) -> Array:
        return pose.ankle + np.array([along, inward, above]) @ axes

    region = f"{word} foot"
    block = Loft(
        pose.ankle, axes, np.array([-0.045, -0.020, 0.015, 0.050, 0.090, 0.125, 0.150]),
        np.array([0.026, 0.030, 0.032, 0.035, 0.041, 0.045, 0.043]),
        np.array([-0.062, -0.066, -0.064, -0.059, -0.060, -0.066, -0.066]),
        np.array([0.000, 0.020, 0.020, 0.000, -0.019, -0.033, -0.040]),
        shift=np.array([0.0, 0.0, 0.001, 0.003, 0.002, 0.000, 0.000]), power=2.3, caps=(0.012, 0.018), region=region,
    )  # fmt: skip
    heel = RoundCone(at(HEEL[0], 0.0, HEEL[1]), at(-0.018, 0.0, 0.010), HEEL[2], 0.026, region)
    ankles = [
        Ellipsoid(at(0.004, 0.033, 0.004), (0.015, 0.011, 0.016), region, axes),
        Ellipsoid(at(-0.004, -0.033, -0.006), (0.014, 0.011, 0.017), region, axes),
    ]
    toes = [RoundCone(at(0.140, 0.030, -0.052), at(0.184, 0.025, -0.054), 0.0135, 0.0130, region)]
    for inward, end, radius in ((0.0085, 0.181, 0.0100), (-0.0095, 0.174, 0.0095), (-0.0260, 0.165, 0.0090),
                                (-0.0390, 0.152, 0.0085)):  # fmt: skip
        toes.append(RoundCone(at(0.130, inward, -0.052), at(end, inward - 0.001, -0.057), 0.0105, radius, region))
    return Union((Union((block, heel, *ankles), 0.018), Union(tuple(toes), 0.003)), 0.010)

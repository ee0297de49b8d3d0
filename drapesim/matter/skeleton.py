"""Joint angles of a lying body, and where its joints and landmarks come to lie: forward kinematics.

How axes are taken. Every segment carries three axes: *up* (towards the crown, in a limb towards the trunk), *right*
(the body's own right, on both sides of the body) and *front*; up x right = front. In the anatomical position --
upright, arms hanging, palms forward, feet at right angles to the shins -- all segments' axes are parallel and every
angle is zero. A joint turns its segment against the one before it in this order:

1. *flexion* about the right axis of the segment before,
2. *abduction* about the front axis after the flexion (the floating axis),
3. *rotation* about the segment's own up axis,

which is the joint coordinate system of Grood and Suntay (1983), J. Biomech. Eng. 105, 136-144, as the International
Society of Biomechanics recommends it for the hip (Wu et al. 2002, J. Biomech. 35, 543-548), used here for all joints.

What is positive, the same on both sides of the body:

- head, trunk: ``flexion`` forward (chin to chest), ``bending`` to the body's right, ``rotation`` of the face to it;
- shoulder: ``flexion`` lifts the arm forward, ``abduction`` sideways away from the body, ``rotation`` is medial;
- elbow ``flexion``; forearm ``pronation`` (0: palm forward, 90: palm to the thigh, 180: palm backward);
- wrist ``flexion`` towards the palm, ``abduction`` towards the thumb;
- finger ``flexion``: turn of the knuckles and of the middle joints, the end joints turning two thirds of it;
- hip ``flexion`` lifts the thigh forward, ``abduction`` sideways, ``rotation`` is medial (toes inward);
- knee ``flexion`` takes the heel towards the buttock; ankle ``flexion`` lifts the toes (dorsiflexion),
  ``inversion`` turns the sole towards the other foot.

Half of the trunk's turn happens at the lumbar joint and half at the thoracic one; half of the head's at the neck's
base and half under the skull. The pelvis is the root: it lies level, however the limbs are turned.

World: metres, z up; a supine body has its head towards +x and its left side towards -y, a prone one its right side;
a body on its left side faces -y, one on its right side faces +y. The midpoint of the hip joints has x = y = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np

from drapesim.matter.measures import BodyMeasures

Array = np.ndarray
Lie = Literal["supine", "prone", "left side", "right side"]

SIDES = ((-1.0, "left"), (1.0, "right"))  # sign along the right axis, word
FINGERS = ("index", "middle", "ring", "little")


@dataclass(frozen=True)
class SideAngles:
    """Angles (rad) of the limbs of one side; signs and axes as at the top of this file."""

    shoulder_flexion: float = 0.0
    shoulder_abduction: float = 0.0
    shoulder_rotation: float = 0.0
    elbow_flexion: float = 0.0
    forearm_pronation: float = 0.0
    wrist_flexion: float = 0.0
    wrist_abduction: float = 0.0
    finger_flexion: float = 0.0
    hip_flexion: float = 0.0
    hip_abduction: float = 0.0
    hip_rotation: float = 0.0
    knee_flexion: float = 0.0
    ankle_flexion: float = 0.0
    ankle_inversion: float = 0.0


@dataclass(frozen=True)
class JointAngles:
    """All joint angles of a body, rad; signs and axes as at the top of this file."""

    head_flexion: float = 0.0
    head_bending: float = 0.0
    head_rotation: float = 0.0
    trunk_flexion: float = 0.0
    trunk_bending: float = 0.0
    trunk_rotation: float = 0.0
    left: SideAngles = field(default_factory=SideAngles)
    right: SideAngles = field(default_factory=SideAngles)

    def as_vector(self) -> Array:
        """(34,) rad, in the order of ANGLE_NAMES."""
        middle = [getattr(self, name) for name in MIDDLE]
        return np.array(middle + [getattr(side, name) for side in (self.left, self.right) for name in OF_SIDE])

    @classmethod
    def from_vector(cls, vector: Array) -> JointAngles:
        """The inverse of `as_vector`; ``vector`` (34,) rad."""
        values = [float(value) for value in vector]
        m, k = len(MIDDLE), len(OF_SIDE)
        left, right = values[m : m + k], values[m + k :]
        sides: dict[str, Any] = {"left": SideAngles(*left), "right": SideAngles(*right)}
        middle: dict[str, Any] = dict(zip(MIDDLE, values[:m], strict=True))
        return cls(**middle, **sides)

    @classmethod
    def from_degrees(cls, given: dict[str, float]) -> JointAngles:
        """From names of ANGLE_NAMES, such as "left knee_flexion", to degrees; what is left out is 0."""
        vector = np.zeros(len(ANGLE_NAMES))
        for name, value in given.items():
            vector[ANGLE_NAMES.index(name)] = np.radians(value)
        return cls.from_vector(vector)


OF_SIDE = tuple(f.name for f in fields(SideAngles))
MIDDLE = tuple(f.name for f in fields(JointAngles) if f.name not in ("left", "right"))
ANGLE_NAMES = (*MIDDLE, *(f"{word} {name}" for _, word in SIDES for name in OF_SIDE))


@dataclass(frozen=True)
class Skeleton:
    """A body's joints and landmarks in the world.

    joints (k, 3) m in the order of ``joint_names``; landmarks (n, 3) m in the order of ``landmark_names``, standard
    names of `anatomy`, on the skin (those of a built figure are on its mesh and may lie some mm off); ``frames``:
    segment name -> (3, 3), rows up, right, front.
    """

    joint_names: tuple[str, ...]
    joints: Array
    landmark_names: tuple[str, ...]
    landmarks: Array
    frames: dict[str, Array]

    def joint(self, name: str) -> Array:
        """Centre of the named joint, (3,) m."""
        return self.joints[self.joint_names.index(name)]

    def landmark(self, name: str) -> Array:
        """Place of the named landmark, (3,) m."""
        return self.landmarks[self.landmark_names.index(name)]


# rows up, right, front of the pelvis in the world
ROOTS: dict[str, Array] = {
    "supine": np.eye(3),
    "prone": np.diag([1.0, -1.0, -1.0]),
    "left side": np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]),
    "right side": np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
}


def turn(frame: Array, flexion: float, abduction: float, rotation: float) -> Array:
    """Axes (3, 3) of a segment after turning ``frame`` about its right axis, the new front axis, the new up axis.

    Angles rad, right-handed about these axes as they stand; `place_skeleton` gives each joint its signs.
    """
    (cf, sf), (ca, sa), (cr, sr) = ((np.cos(a), np.sin(a)) for a in (flexion, abduction, rotation))
    about_right = np.array([[cf, 0.0, -sf], [0.0, 1.0, 0.0], [sf, 0.0, cf]])
    about_front = np.array([[ca, sa, 0.0], [-sa, ca, 0.0], [0.0, 0.0, 1.0]])
    about_up = np.array([[1.0, 0.0, 0.0], [0.0, cr, sr], [0.0, -sr, cr]])
    return about_up @ about_front @ about_right @ frame


def joint_heights(m: BodyMeasures) -> tuple[float, float, float, float, float]:
    """Heights (m) above the floor of hips, lumbar and thoracic joint, neck and skull of the body standing straight."""
    lumbar, thoracic = m.iliocristal_height - 0.01 * m.stature, m.tenth_rib_height + 0.03 * m.stature
    neck, skull = m.cervicale_height - 0.012 * m.stature, m.stature - m.ear_to_crown - 0.008 * m.stature
    return m.trochanter_height, lumbar, thoracic, neck, skull


def place_skeleton(measures: BodyMeasures, angles: JointAngles, lie: Lie = "supine") -> Skeleton:
    """Joint centres and landmarks of the body; hip midpoint at x = y = 0, set down on z = 0.

    It is set down by its lowest landmark, or by chest and buttocks where these are lower; a figure, by its mesh.

    Joint centres stand to the surveyed points as in P. de Leva (1996), J. Biomech. 29, 1223-1230: the shoulder a tenth
    of the upper arm below the acromion, the elbow a twenty-fifth of it above the radiale -- from memory; the hip at the
    height of the trochanter, knee and ankle at that of epicondyle and malleolus. Depths are chosen by eye.
    """
    m, a = measures, angles
    joints: dict[str, Array] = {}
    frames: dict[str, Array] = {}
    marks: dict[str, Array] = {}
    pelvis = ROOTS[lie]
    frames["pelvis"] = pelvis
    root = np.zeros(3)
    hip_height, lumbar_height, thoracic_height, neck_height, skull_height = joint_heights(m)

    def put(name: str, origin: Array, frame: Array, up: float, right: float, front: float) -> None:
        marks[name] = origin + np.array([up, right, front]) @ frame

    # Trunk and head: heights above the hips along the straight spine.
    spine = SPINE * m.stature
    joints["lumbar"] = root + np.array([lumbar_height - hip_height, 0.0, spine]) @ pelvis
    half = (-0.5 * a.trunk_flexion, 0.5 * a.trunk_bending, -0.5 * a.trunk_rotation)
    loin = turn(pelvis, *half)
    joints["thoracic"] = joints["lumbar"] + np.array([thoracic_height - lumbar_height, 0.0, 0.0]) @ loin
    chest = turn(loin, *half)
    joints["neck"] = joints["thoracic"] + np.array([neck_height - thoracic_height, 0.0, 0.0]) @ chest
    half = (-0.5 * a.head_flexion, 0.5 * a.head_bending, -0.5 * a.head_rotation)
    neck = turn(chest, *half)
    joints["skull"] = joints["neck"] + np.array([skull_height - neck_height, 0.0, 0.012 * m.stature]) @ neck
    head = turn(neck, *half)
    frames.update(loin=loin, chest=chest, neck=neck, head=head)

    # What lies on the support besides the landmarks, for setting the body down only.
    rests = [root + np.array([m.buttock_height - hip_height, 0.0, -0.45 * m.buttock_depth]) @ pelvis]
    front = 0.55 * m.buttock_depth
    put("pubis", root, pelvis, m.crotch_height + 0.03 * m.stature - hip_height, 0.0, 0.75 * front)
    put("navel", joints["lumbar"], loin, m.waist_height - lumbar_height, 0.0, 0.56 * m.waist_depth - spine)
    below = joints["thoracic"]
    rests.append(below + np.array([m.chest_height - thoracic_height, 0.0, -0.46 * m.chest_depth - spine]) @ chest)
    put("sternum", below, chest, m.chest_height + 0.02 * m.stature - thoracic_height, 0.0, 0.46 * m.chest_depth - spine)
    put("throat pit", below, chest, m.suprasternal_height - thoracic_height, 0.0, 0.25 * m.chest_depth - spine)
    put("nape", joints["neck"], chest, m.cervicale_height - neck_height, 0.0, -0.04 * m.stature - spine)
    put("crown", joints["skull"], head, m.stature - skull_height, 0.0, -0.05 * m.head_length)
    put("back of head", joints["skull"], head, 0.20 * m.head_length, 0.0, -0.5 * m.head_length)
    sellion = m.stature - m.ear_to_crown + 0.178 * m.face_height - skull_height
    face = (("brow", 0.09, 0.500), ("nose root", 0.0, 0.485), ("nose tip", -0.30, 0.600), ("chin", -0.855, 0.485),
            ("chin base", -1.0, 0.400))  # fmt: skip
    for name, above, ahead in face:
        put(name, joints["skull"], head, sellion + above * m.face_height, 0.0, ahead * m.head_length)

    for s, word in SIDES:
        side: SideAngles = getattr(a, word)
        arm_length = m.upper_arm_length
        outward = s * (0.5 * m.biacromial_breadth - 0.012 * m.stature)
        shoulder_up = m.acromial_height - 0.104 * arm_length - thoracic_height
        shoulder = joints["thoracic"] + np.array([shoulder_up, outward, -0.35 * spine]) @ chest
        put(f"{word} acromion", shoulder, chest, 0.104 * arm_length, 0.5 * s * m.biacromial_breadth - outward, 0.0)
        put(f"{word} ear point", joints["skull"], head, m.stature - m.ear_to_crown - skull_height,
            0.48 * s * m.head_breadth, -0.07 * m.head_length)  # fmt: skip
        put(f"{word} nipple", below, chest, m.chest_height - thoracic_height, 0.27 * s * m.biacromial_breadth,
            0.50 * m.chest_depth - spine)  # fmt: skip
        put(f"{word} shoulder point", shoulder, chest, -0.02 * m.stature, 0.5 * s * m.bideltoid_breadth - outward, 0.0)
        upper = turn(chest, side.shoulder_flexion, -s * side.shoulder_abduction, s * side.shoulder_rotation)
        elbow = shoulder - (0.957 - 0.104) * arm_length * upper[0]
        bent = turn(upper, side.elbow_flexion, 0.0, 0.0)
        fore = turn(bent, 0.0, 0.0, s * side.forearm_pronation)
        wrist = elbow - (m.forearm_length + 0.043 * arm_length) * fore[0]
        hand = turn(fore, side.wrist_flexion, -s * side.wrist_abduction, 0.0)
        tip = {f"{word} {name} fingertip": place for name, place in _reach_fingers(m, s, side, wrist, hand).items()}
        put(f"{word} elbow", elbow, bent, 0.0, 0.0, -0.16 * m.forearm_girth)
        put(f"{word} elbow side", elbow, bent, -0.043 * arm_length, 0.16 * s * m.forearm_girth, 0.0)
        put(f"{word} wrist", wrist, hand, 0.0, 0.0, -0.13 * m.wrist_girth)  # on the back of the hand's side
        put(f"{word} knuckle", wrist, hand, -0.505 * m.hand_length, 0.1 * s * m.hand_breadth,
            -0.13 * m.hand_breadth)  # fmt: skip
        marks[f"{word} thumb tip"] = tip.pop(f"{word} thumb fingertip")
        marks.update(tip)
        joints.update({f"{word} shoulder": shoulder, f"{word} elbow": elbow, f"{word} wrist": wrist})
        frames.update({f"{word} upper arm": upper, f"{word} forearm": fore, f"{word} hand": hand})

        hip = root + s * HALF_HIPS * m.stature * pelvis[1]
        thigh = turn(pelvis, side.hip_flexion, -s * side.hip_abduction, s * side.hip_rotation)
        knee = hip - (hip_height - m.knee_height) * thigh[0]
        shin = turn(thigh, -side.knee_flexion, 0.0, 0.0)
        ankle = knee - (m.knee_height - m.ankle_height) * shin[0]
        foot = turn(shin, side.ankle_flexion, s * side.ankle_inversion, 0.0)
        put(f"{word} hip point", root, pelvis, 0.94 * lumbar_height - hip_height, 0.36 * s * m.hip_breadth,
            0.45 * front)  # fmt: skip
        put(f"{word} hip crest", root, pelvis, m.iliocristal_height - hip_height, 0.47 * s * m.waist_breadth, 0.0)
        put(f"{word} hip side", root, pelvis, 0.0, 0.5 * s * m.hip_breadth, -0.05 * m.buttock_depth)
        kneeling = turn(thigh, -0.5 * side.knee_flexion, 0.0, 0.0)  # the knee cap faces between thigh and shin
        put(f"{word} knee cap", knee, kneeling, 0.0, 0.0, 0.165 * m.lower_thigh_girth)
        put(f"{word} knee side", knee, thigh, 0.0, 0.15 * s * m.lower_thigh_girth, 0.0)
        put(f"{word} outer ankle", ankle, foot, 0.0, 0.55 * s * m.heel_breadth, 0.0)
        put(f"{word} inner ankle", ankle, foot, 0.012 * m.stature, -0.55 * s * m.heel_breadth, 0.0)
        heel = -0.23 * m.foot_length
        put(f"{word} heel", ankle, foot, -0.6 * m.ankle_height, 0.0, heel)
        put(f"{word} toe tip", ankle, foot, -0.8 * m.ankle_height, -0.15 * s * m.foot_breadth, heel + m.foot_length)
        joints.update({f"{word} hip": hip, f"{word} knee": knee, f"{word} ankle": ankle})
        frames.update({f"{word} thigh": thigh, f"{word} shin": shin, f"{word} foot": foot})

    joint_places, mark_places = np.array(list(joints.values())), np.array(list(marks.values()))
    lift = np.array([0.0, 0.0, -min(mark_places[:, 2].min(), *(place[2] for place in rests))])
    return Skeleton(tuple(joints), joint_places + lift, tuple(marks), mark_places + lift, frames)


SPINE = -0.016  # of the stature: the trunk's turning points lie behind the middle of the hips

# Of the stature, from the midline to a hip joint's centre: 95.0 mm in 250 men, 91.5 mm in 250 women by X-ray (as quoted
# in the biomechanics literature for the distance of the centre of the femoral head from the pelvis's midline).
HALF_HIPS = 0.0551

# name: place across the hand towards the thumb and of the knuckle along it, three bones; of breadth and length
_FINGER_SHAPES = {
    "index": (0.335, 0.490, (0.215, 0.130, 0.115)),
    "middle": (0.112, 0.505, (0.230, 0.148, 0.117)),
    "ring": (-0.110, 0.485, (0.213, 0.140, 0.117)),
    "little": (-0.320, 0.445, (0.165, 0.103, 0.107)),
}


def finger_joints(measures: BodyMeasures, side_sign: float, name: str, flexion: float) -> Array:
    """Knuckle, middle joint, end joint and tip (4, 3) m of a finger in the hand's axes from the wrist."""
    across, along, bones = _FINGER_SHAPES[name]
    place = np.array([-along * measures.hand_length, side_sign * across * measures.hand_breadth, 0.0])
    places, bend = [place], 0.0
    for bone, share in zip(bones, (1.0, 1.0, 2.0 / 3.0), strict=True):
        bend += share * flexion
        fan = 0.45 * side_sign * across  # fingers spread a little from the wrist
        course = np.array([-np.cos(bend), fan * np.cos(bend), np.sin(bend)]) / np.hypot(1.0, fan * np.cos(bend))
        place = place + bone * measures.hand_length * course
        places.append(place)
    return np.array(places)


def thumb_joints(measures: BodyMeasures, side_sign: float, flexion: float) -> Array:
    """Root, knuckle, middle joint and tip (4, 3) m of the thumb in the hand's axes from the wrist; it lies at ease."""
    b, length = measures.hand_breadth, measures.hand_length
    place = np.array([-0.10 * length, 0.22 * side_sign * b, 0.06 * b])
    places = [place]
    for bone, slant, fold in ((0.235, 0.78, 0.30), (0.170, 0.50, 0.20), (0.135, 0.36, 0.10)):
        inward = fold + 0.35 * flexion
        course = np.array([-np.cos(slant), side_sign * np.sin(slant) * np.cos(inward), np.sin(slant) * np.sin(inward)])
        place = place + bone * length * course
        places.append(place)
    return np.array(places)


def _reach_fingers(m: BodyMeasures, s: float, side: SideAngles, wrist: Array, hand: Array) -> dict[str, Array]:
    tips = {name: wrist + finger_joints(m, s, name, side.finger_flexion)[3] @ hand for name in FINGERS}
    tips["thumb"] = wrist + thumb_joints(m, s, side.finger_flexion)[3] @ hand
    return tips

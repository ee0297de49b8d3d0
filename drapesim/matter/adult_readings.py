"""What a tape and a rule read on the mesh of a built adult, beside what was asked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.adult import Adult
from drapesim.matter.adult_solid import list_tapes
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.taping import tape_girth

Array = np.ndarray

OPEN = 0.01  # a girth that reads off by more has something lying against its part


@dataclass(frozen=True)
class Reading:
    """One measure: its name, what was asked and what the mesh reads, m."""

    name: str
    asked: float
    read: float

    @property
    def error(self) -> float:
        """Relative."""
        return self.read / self.asked - 1.0


def read_tapes(m: BodyMeasures, adult: Adult, word: str = "right") -> list[Reading]:
    """All girths on the mesh, those of limbs on the side ``word``; left out where no outline goes round the part.

    Where a part lies against another, the tape goes round both: only an attitude with free limbs reads true everywhere.
    """
    readings = []
    lift = np.array([0.0, 0.0, adult.lift])
    for name, tape in list_tapes(m, adult.solid, word).items():
        try:
            moved = type(tape)(tape.origin + lift, tape.normal)
            readings.append(Reading(name, getattr(m, name), tape_girth(adult.body.vertices, adult.body.faces, moved)))
        except InputError:
            continue
    return readings


def read_lengths(m: BodyMeasures, adult: Adult, word: str = "right") -> list[Reading]:
    """Heights and lengths by mesh and landmarks, of a straight body with feet at right angles.

    In an attitude with the legs together; the crotch reads true only with legs apart, the acromion and the upper arm
    only with arms hanging, and hip crest and hand only with arms away from the body.
    """
    v, s, places = adult.body.vertices, adult.solid.skeleton, adult.body.landmarks
    up, right = s.frames["pelvis"][:2]
    sole = float(s.joint(f"{word} hip") @ up) - m.trochanter_height
    fore, hand, head, foot = (s.frames[name] for name in (f"{word} forearm", f"{word} hand", "head", f"{word} foot"))

    def height(name: str) -> float:
        return float(places[name] @ up) - sole

    def between(high: str, low: str, axis: Array) -> float:
        return float((places[high] - places[low]) @ axis)

    beyond = v[np.linalg.norm(v - places[f"{word} knuckle"], axis=1) < 0.75 * m.hand_length]
    lowest = v[np.linalg.norm(v - places[f"{word} outer ankle"], axis=1) < m.foot_length]
    lowest = lowest[lowest @ foot[0] < places[f"{word} outer ankle"] @ foot[0] - 0.2 * m.ankle_height]
    middle = v[(np.abs(v @ right) < 0.004 * m.stature) & (v @ up > sole + 0.8 * m.crotch_height)]
    found = {
        "stature": float((v @ up).max() - (v @ up).min()),
        "cervicale_height": height("nape"), "acromial_height": height(f"{word} acromion"),
        "suprasternal_height": height("throat pit"), "chest_height": height(f"{word} nipple"),
        "waist_height": height("navel"), "iliocristal_height": height(f"{word} hip crest"),
        "trochanter_height": height(f"{word} hip side"), "knee_height": height(f"{word} knee side"),
        "ankle_height": float(places[f"{word} outer ankle"] @ foot[0] - (lowest @ foot[0]).min()),
        "crotch_height": float((middle @ up).min()) - sole,
        "upper_arm_length": between(f"{word} acromion", f"{word} elbow side", up),
        "forearm_length": between(f"{word} elbow side", f"{word} wrist", fore[0]),
        "hand_length": float(((beyond - places[f"{word} wrist"]) @ -hand[0]).max()),
        "foot_length": float(np.ptp(lowest @ foot[2])),
        "face_height": between("nose root", "chin base", head[0]),
        "ear_to_crown": between("crown", f"{word} ear point", head[0]),
    }  # fmt: skip
    return [Reading(name, getattr(m, name), value) for name, value in found.items()]

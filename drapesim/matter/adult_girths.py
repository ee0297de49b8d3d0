"""Stretching the sections of an adult's parts until every tape reads the measured girth.

Where parts flow into one another the whole is thicker than each; so the girths are read from the whole body, in an
attitude with arms and legs held away, and each section is stretched by what is missing, a few times over.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.adult_solid import GIRTHS, AdultSolid, list_tapes, make_adult_solid
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import JointAngles
from drapesim.matter.solid import measure_field
from drapesim.matter.taping import Tape, hull_perimeter, plane_axes

Array = np.ndarray

RAYS = 96
CLOSE = 2e-4  # relative, of a girth
ROUNDS = 12


def _hold(**degrees: float) -> JointAngles:
    return JointAngles.from_degrees({f"{word} {name}": value for word in ("left", "right")
                                     for name, value in degrees.items()})  # fmt: skip


# Arms away from the body; legs apart, so that tapes go round one only, but together for the tape round the hips.
MEASURING = (
    (_hold(shoulder_abduction=70.0, hip_abduction=24.0), tuple(name for name in GIRTHS if name != "hip_girth")),
    (_hold(shoulder_abduction=70.0, hip_abduction=0.0), ("hip_girth",)),
)


def read_girths(adult: AdultSolid, tapes: Mapping[str, Tape]) -> dict[str, float]:
    """What tapes read on the solid itself (m): hull of the first places where rays from the middle leave it."""
    angle = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    reach = np.linspace(0.003, 0.363, 61)
    names = list(tapes)
    origins = np.repeat([tapes[name].origin for name in names], RAYS, axis=0)
    courses = np.concatenate([circle @ plane_axes(tapes[name].normal) for name in names])
    samples = origins[:, None] + reach[:, None] * courses[:, None]
    outside = measure_field(adult.solid, samples.reshape(-1, 3)).reshape(len(origins), -1) > 0.0
    if outside[:, 0].any() or not outside.any(axis=1).all():
        odd = names[int(np.argmax(outside[:, 0] | ~outside.any(axis=1))) // RAYS]
        raise InputError("", odd, "the part is too thin or too thick to be taped", "give a measure nearer to the mean")
    first = np.argmax(outside, axis=1)
    low, high = reach[first - 1], reach[first]
    for _ in range(12):  # halving the bracket: 6 mm to 1.5 um
        middle = 0.5 * (low + high)
        out = measure_field(adult.solid, origins + middle[:, None] * courses) > 0.0
        low, high = np.where(out, low, middle), np.where(out, middle, high)
    flat = (0.5 * (low + high))[:, None] * np.tile(circle, (len(names), 1))
    return {name: hull_perimeter(flat[n * RAYS : (n + 1) * RAYS]) for n, name in enumerate(names)}


@lru_cache(maxsize=32)
def fit_girths(m: BodyMeasures) -> Mapping[str, float]:
    """Stretch of each of GIRTHS with which the whole body's girths are those of ``m``, within CLOSE.

    Raises InputError where measures contradict one another so that no stretch within a half to two will do.
    """
    factors = dict.fromkeys(GIRTHS, 1.0)
    for _ in range(ROUNDS):
        found = {}
        for angles, names in MEASURING:
            adult = make_adult_solid(m, angles, factors=factors)
            tapes = list_tapes(m, adult)
            found.update(read_girths(adult, {name: tapes[name] for name in names}))
        ratio = {name: getattr(m, name) / found[name] for name in GIRTHS}
        if max(abs(r - 1.0) for r in ratio.values()) < CLOSE:
            return MappingProxyType(factors)
        factors = {name: factors[name] * r**1.1 for name, r in ratio.items()}
        odd = [name for name, value in factors.items() if not 0.5 < value < 2.0]
        if odd:
            break
    name = max(ratio, key=lambda each: abs(ratio[each] - 1.0))
    problem = f"{1e3 * getattr(m, name):.0f} mm cannot be met: it contradicts the measures beside it"
    raise InputError("", name, problem, "give it, or the breadths and girths next to it, nearer to the mean")

"""A strip that bridges two smooth cylinders side by side and is pressed down in the middle. Bending is left out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq


@dataclass(frozen=True)
class PressedBridge:
    """force: down on the middle, N/m per width; tension N/m; strain; angle of the free spans below the level, rad."""

    force: float
    tension: float
    strain: float
    angle: float


def predict_bridge_press(
    depth: float,
    radius: float,
    half_span: float,
    outer: float,
    rest: float,
    modulus: float,
    weight: float = 0.0,
    breadth: float = 0.0,
    at: float = 0.0,
) -> PressedBridge:
    """Force that lowers a strip on two cylinders ``depth`` (m) below their tops, ``at`` (m) beside the middle.

    The cylinders' axes are 2 ``half_span`` (m) apart; ``radius`` (m) is theirs and half the cloth's thickness. The
    strip is held level with their tops, ``outer`` (m) beyond each axis; half of it is ``rest`` (m) long unstretched,
    with a straight load-extension line of ``modulus`` (N/m). The load is even over ``breadth`` (m) about
    the middle, within which ``at`` lies.

    Claim: without friction the tension T is the same everywhere. The strip lies flat outside, wraps each cylinder by
    the angle a and runs straight on to the middle, so half of it is outer + r a + (c - r sin a) / cos a long, the lines
    meet r (1 - cos a) + (c - r sin a) tan a deep, and force = 2 T sin a. An even load bends the strip to a parabola
    between its edges, tan a (x^2 / b + b / 4) above that meeting point. Of the strip's own weight w (N/m2) the half
    between the axes counts as if it pressed on the middle: exact to first order in w over T.
    Source: statics and tangents of a circle, derived anew; found again by least energy in
    tests/unit/ground/references. Valid for T large beside w times the span, and sqrt(B / T) small beside radius and
    span. Raises ValueError for a depth that no tangent reaches or a slack strip.
    """

    def lower(angle: float) -> float:
        meet = radius * (1.0 - math.cos(angle)) + (half_span - radius * math.sin(angle)) * math.tan(angle)
        return meet - (math.tan(angle) * (at**2 / breadth + breadth / 4.0) if breadth > 0.0 else 0.0)

    most = math.asin(min(1.0, half_span / radius)) - 1e-9 if radius >= half_span else 0.5 * math.pi - 1e-6
    if not 0.0 <= depth <= lower(most):
        raise ValueError(f"no tangent reaches {depth} m below the tops")
    angle = float(brentq(lambda a: lower(a) - depth, 0.0, most, xtol=1e-14))
    span = (half_span - radius * math.sin(angle)) / math.cos(angle)
    strain = (outer + radius * angle + span) / rest - 1.0
    if strain <= 0.0:
        raise ValueError("the strip is slack")
    tension = modulus * strain
    return PressedBridge(2.0 * tension * math.sin(angle) - weight * half_span, tension, strain, angle)

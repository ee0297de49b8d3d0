"""When a sheet slides: the incline, the rope round a post, the heavy strip over a rough cylinder, the table edge."""

from __future__ import annotations

import math

from scipy.constants import g as standard_gravity


def predict_slip_angle(friction: float) -> float:
    """Tilt (rad) at which a sheet on an incline begins to slide: tan(tilt) = mu.

    Source: Coulomb friction, textbook statics (from memory). Valid: mu >= 0, uniform, nothing else holding.
    """
    _demand_friction(friction)
    return math.atan(friction)


def predict_slide_acceleration(tilt: float, friction: float, gravity: float = standard_gravity) -> float:
    """Acceleration (m/s2) down a plane tilted by ``tilt`` (rad), started at rest: g (sin - mu cos), 0 while it holds.

    Source: textbook statics (from memory). Valid: 0 <= tilt <= pi/2, static and sliding friction equal.
    """
    _demand_friction(friction)
    return max(0.0, gravity * (math.sin(tilt) - friction * math.cos(tilt)))


def predict_capstan_ratio(friction: float, wrap: float) -> float:
    """Largest ratio of the two tensions of a weightless strip wrapped by ``wrap`` (rad): exp(mu wrap).

    Source: Euler's capstan formula, textbook statics (from memory), recomputed here. Valid: any radius, no bending.
    """
    _demand_friction(friction)
    return math.exp(friction * wrap)


def predict_capstan_extension(
    pull: float, modulus: float, friction: float, wrap: float, radius: float, near: float, far: float
) -> float:
    """How far (m) the end of a weightless strip comes that is pulled over a rough round body, its other end held.

    ``pull`` T N/m at the end, ``near`` and ``far`` m: straight lengths on the pulled and on the held side.
    Claim: (T / E) (near + far exp(-mu wrap) + (R / mu) (1 - exp(-mu wrap))), the strain T exp(-mu a) / E summed up.
    Source: the capstan formula, integrated anew; checked against a step-by-step sum in tests/unit. Valid: started
    without tension and pulled ever harder, so that all of it slides toward the pull; a straight load-extension line,
    small strain, no bending, mu > 0. R is the radius of the strip's middle surface.
    """
    _demand_friction(friction)
    left = math.exp(-friction * wrap)
    return pull / modulus * (near + far * left + radius / friction * (1.0 - left))


def predict_strip_slip_length(short_drop: float, radius: float, friction: float) -> float:
    """Longer hanging length l2 (m) at which a heavy strip begins to run off over a rough level cylinder.

    Claim: (l2 - b) = exp(mu pi) (l1 + b), b = 2 mu R / (1 + mu^2); drops l1 < l2 counted from the horizontal diameter.
    Source: derived anew from dT/da = mu (T + w R sin a) + w R cos a over the half turn a = 0..pi from the short side,
    T = w l at the ends. Valid: R >> c, whole half turn in contact (T + w R sin a > 0, always true here).
    """
    _demand_friction(friction)
    b = 2.0 * friction * radius / (1.0 + friction**2)
    return math.exp(friction * math.pi) * (short_drop + b) + b


def predict_edge_overhang(friction: float, rounded: bool = False) -> float:
    """Overhang over whole length, a / L, at which a limp sheet begins to slide off a level table.

    Claim: m / (1 + m), with m = mu for an edge that turns the sheet without friction, and m = mu exp(mu pi / 2) for a
    ``rounded`` edge with the table's friction and a radius small against a.
    Source: textbook statics, derived anew. Valid: c << a, pull at right angles to the edge.
    """
    _demand_friction(friction)
    m = friction * (math.exp(0.5 * math.pi * friction) if rounded else 1.0)
    return m / (1.0 + m)


def predict_edge_drop(flat_length: float, radius: float, friction: float, edge_friction: float) -> float:
    """Plumb length (m) below a rounded table edge at which a heavy limp strip begins to slide off the table.

    ``flat_length`` (m) lies on the table with ``friction`` mu; then a quarter turn of ``radius`` R (m, of the middle
    surface) with ``edge_friction`` m, itself heavy.
    Claim: drop = (mu f - A) exp(m pi / 2) + B, A = R (1 - m^2) / (1 + m^2), B = 2 m R / (1 + m^2): the pull
    T = w mu f at the end of the table, then dT/da = m (T + w R cos a) - w R sin a over the quarter turn.
    Source: textbook statics, derived anew. Valid: c << R, a pull at right angles to the edge, answer positive. For
    R -> 0 it is that of :func:`predict_edge_overhang`.
    """
    _demand_friction(friction)
    _demand_friction(edge_friction)
    m = edge_friction
    a, b = radius * (1.0 - m**2) / (1.0 + m**2), 2.0 * m * radius / (1.0 + m**2)
    return (friction * flat_length - a) * math.exp(0.5 * math.pi * m) + b


def _demand_friction(friction: float) -> None:
    if not (math.isfinite(friction) and friction >= 0.0):
        raise ValueError(f"friction = {friction:g} must be zero or positive")

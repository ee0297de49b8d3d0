"""The certificate: the figures that prove rest, measured by their own slow code path."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Certificate:
    """All figures, SI. ``settled`` is True only if each limit is met."""

    settled: bool
    residual_rms: float  # net nodal force after the best admissible contact force, over nodal weight
    residual_max: float
    stay_max: float  # m, largest move in a further tenth of the steps used
    penetration_max: float  # m, cloth face into body, exact triangles
    crossings: int  # cloth triangle pairs that cross, exact
    body_crossings: int  # cloth-body triangle pairs that cross, exact
    strain_max: tuple[float, float]  # warp, weft
    strain_over_safe: float  # area fraction where the safe extension is exceeded
    energy_closure: float  # |work - stored - dissipated| / largest term
    stable: bool | None  # tangent positive definite; None: not computed
    mobilised: float  # fraction of contacts at more than 0.95 of their friction limit
    steps: int  # on the final lattice
    seconds: float
    spacing_over_c: float  # node spacing over the smaller bending length
    failures: tuple[str, ...] = ()  # one sentence for each limit not met

"""The certificate: the figures that prove rest, measured by their own slow code path."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from drapesim.ground.outcome import NOT_MEASURED
from drapesim.matter.plan import SettleSettings
from drapesim.matter.surface import link_strains
from drapesim.mechanics.self_contact import find_layer_contacts
from drapesim.mechanics.solve import Motion, Problem, choose_pace, positions, steepest_slopes, stored_energy
from drapesim.mechanics.tangent import elastic_tangent, factorise, mobilised, rest_tangent
from drapesim.settling.balance import balance
from drapesim.settling.exact import count_body_crossings, count_self_crossings, penetration
from drapesim.settling.level import LevelState

Array = np.ndarray

NEAR_SLIP = 0.95  # of what friction allows
STABILITY_NODES = 24_000
"""Above this the exact factor is left out: at 49,000 nodes it takes 1.5 GB by itself."""
SLIPPING_NODES = 12_000
"""Above this the second factor is left out: at 22,000 nodes it took the peak of a run from 1.2 to 1.5 GB."""


@dataclass(frozen=True)
class Certificate:
    """All figures, SI. ``settled`` is True only if each limit is met."""

    settled: bool
    residual_rms: float  # net nodal force after the best admissible contact force, over nodal weight
    residual_max: float
    stay_max: float  # m, largest move in a further tenth of the steps used
    penetration_max: float  # m, cloth face into body or into another layer, exact triangles
    crossings: int | None  # cloth triangle pairs that cross, exact; None: not counted
    body_crossings: int | None  # cloth-body triangle pairs that cross, exact; None: not counted
    strain_max: tuple[float, float]  # warp, weft
    strain_over_safe: float  # share of links beyond the safe extension: the larger of warp's and weft's
    energy_closure: float  # on the last lattice: energy unaccounted for, or given by contacts, over the largest term
    stable: bool | None  # tangent positive definite, all contacts gripping; None: not computed
    stable_slipping: bool | None  # the same with those near slipping free to slide
    mobilised: float  # fraction of contacts at more than 0.95 of their friction limit
    steps: int  # on the final lattice
    seconds: float
    spacing_over_c: float  # node spacing over the smaller bending length
    failures: tuple[str, ...] = ()  # one sentence for each limit not met


def share_near_slipping(state: LevelState) -> float:
    """Share of the loaded contacts of the settling that hold with more than `NEAR_SLIP` of what friction allows."""
    contacts = state.found.contacts
    loaded = (contacts.force != 0.0).any(1)
    return float(np.mean(mobilised(contacts, loaded) > NEAR_SLIP)) if loaded.any() else 0.0


def find_stability(state: LevelState) -> tuple[bool | None, bool | None]:
    """Is the tangent positive definite with all contacts gripping, and with those near slipping let free?

    None: not computed, the lattice is too large.
    """
    problem, motion = state.problem, state.motion
    n = len(problem.lattice.ij)
    if n > STABILITY_NODES:
        return None, None
    pace = choose_pace(problem, steepest_slopes(problem, motion), state.damping)
    elastic = elastic_tangent(problem, motion.x)

    def is_definite(slip: float) -> bool:
        return factorise(rest_tangent(problem, elastic, state.found, pace, slip).matrix)[1] == 0

    gripping = is_definite(np.inf)
    if not gripping or share_near_slipping(state) == 0.0:
        return gripping, gripping
    return gripping, is_definite(NEAR_SLIP) if n <= SLIPPING_NODES else None


def stored_with_hands(problem: Problem, motion: Motion, loads: Array | None) -> float:
    """Stored energy (J), that of the dead loads (n, 3) N of hands in it: they have moved by force times way."""
    stored = stored_energy(problem, motion)
    return stored if loads is None else stored - float((loads * positions(problem, motion)).sum())


def certify(
    state: LevelState,
    settings: SettleSettings,
    stay: float,
    opening: float,
    seconds: float,
    loads: Array | None = None,
    worked: float = 0.0,
) -> Certificate:
    """Measure every figure of the certificate at the present state.

    ``stay`` (m): largest move in the further steps; ``opening`` (J): stored energy when this lattice began; ``loads``
    (n, 3) N: dead loads of hands, weights and bands that stay; ``worked`` (J): what hands did to bring about the
    very state that this began with, where only that state is to be confirmed: its own account is next to nothing.
    """
    problem, motion = state.problem, state.motion
    lattice, card = problem.lattice, problem.card
    x = positions(problem, motion)
    if not np.isfinite(x).all():
        return _broken(state, seconds)
    loaded = problem
    if loads is not None:  # the balance knows weight alone: each node gets the gravity that weighs as much as its load
        mass = card.areal_density * lattice.node_area
        loaded = replace(problem, gravity=problem.gravity + loads / mass[:, None])
    net = balance(loaded, state.found, x, (settings.residual_rms, settings.residual_max))
    is_free = np.ones(len(x), dtype=bool) if problem.held is None else ~problem.held
    size = np.linalg.norm(net, axis=1)[is_free] / problem.weight[is_free]
    crossings, _ = count_self_crossings(x, lattice.triangles)
    layers, _ = find_layer_contacts(problem.weave, x, card.thickness)
    body_crossings, deep = 0, max(0.0, card.thickness - float(layers.gap.min(initial=np.inf)))
    if problem.field is not None:
        body_crossings, _ = count_body_crossings(x, lattice.triangles, problem.field)
        deep = max(deep, penetration(x, lattice.triangles, problem.field, 0.5 * card.thickness))
    strains = link_strains(lattice, x)
    over = [float(np.mean(e > safe)) for e, safe in zip(strains, card.safe_strain, strict=True)]
    closing = stored_with_hands(problem, motion, loads)
    lost, to_contact = float(motion.spent.sum()), float(motion.spent[1].sum())
    # contact may take energy, but never give more than the start had pressed into it
    unexplained = max(abs(opening - closing - lost), -to_contact - state.lent)
    closure = unexplained / max(abs(opening - closing), abs(lost), abs(worked), 1e-12)
    stable, stable_slipping = find_stability(state)
    c = (min(card.bend_warp, card.bend_weft) / (card.areal_density * 9.80665)) ** (1.0 / 3.0)
    figures = {
        "residual_rms": float(np.sqrt(np.mean(size**2))) if len(size) else 0.0,
        "residual_max": float(size.max()) if len(size) else 0.0,
        "stay_max": stay,
        "penetration_max": deep,
        "energy_closure": closure,
    }
    failures = find_failures({**figures, "crossings": crossings, "body_crossings": body_crossings}, settings)
    return Certificate(
        settled=not failures,
        strain_max=(float(strains[0].max(initial=0.0)), float(strains[1].max(initial=0.0))),
        strain_over_safe=max(over),
        stable=stable,
        stable_slipping=stable_slipping,
        mobilised=share_near_slipping(state),
        steps=state.steps,
        seconds=seconds,
        spacing_over_c=max(lattice.spacing_u, lattice.spacing_v) / c,
        failures=failures,
        crossings=crossings,
        body_crossings=body_crossings,
        **figures,
    )


def find_failures(figures: Mapping[str, float], settings: SettleSettings) -> tuple[str, ...]:
    """One sentence for each limit that is not met."""
    limits = (
        ("residual_rms", settings.residual_rms, 1.0, "", "rms residual force over nodal weight"),
        ("residual_max", settings.residual_max, 1.0, "", "largest residual force over nodal weight"),
        ("stay_max", settings.stay, 1e3, " mm", "largest move in a further tenth of the steps"),
        (
            "penetration_max",
            settings.penetration,
            1e3,
            " mm",
            "depth of the cloth's face in the body or in another layer",
        ),
        ("crossings", 0, 1.0, "", "number of places where cloth passes through cloth"),
        ("body_crossings", 0, 1.0, "", "number of cloth-body crossings"),
        (
            "energy_closure",
            settings.energy_closure,
            1.0,
            "",
            "energy not accounted for on the last lattice, as a share",
        ),
    )

    def spell(value: float, unit: str) -> str:
        return f"is {value:.3g}{unit}" if np.isfinite(value) else f"was {NOT_MEASURED}"

    return tuple(
        f"The {what} {spell(scale * figures[name], unit)}; the limit is {scale * limit:.3g}{unit}."
        for name, limit, scale, unit, what in limits
        if not figures[name] <= limit
    )


def _broken(state: LevelState, seconds: float) -> Certificate:
    nan = float("nan")
    return Certificate(
        False, nan, nan, nan, nan, None, None, (nan, nan), nan, nan, None, None, nan, state.steps, seconds, nan,
        ("A position is not finite.",),
    )  # fmt: skip

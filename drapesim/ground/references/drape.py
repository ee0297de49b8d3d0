"""The drape-meter: a disc of cloth clamped on a smaller disc, and the share of its ring that still casts a shadow."""

from __future__ import annotations

from drapesim.ground.references.elastica import solve_cantilever


def predict_drape_floor(bending_length: float, support: float, disc: float) -> float:
    """Drape coefficient (0 to 1) if every radius of the free ring bent as a strip by itself; radii and c in m.

    Claim: shadow radius = ``support`` + x, x the reach of the heavy cantilever of length ``disc`` - ``support``;
    coefficient (shadow - support area) / (disc - support area). A real disc lies at or above it: hoops of cloth that
    must fold before they can come down only stiffen it.
    Source: derived anew from :func:`solve_cantilever`; coefficient as in BS 5058 and ISO 9073-9 (principle read).
    The floor itself is an argument and no theorem. Valid: limp enough to bend, stiff enough that x > 0 (always).
    """
    if not (0.0 < support < disc and bending_length > 0.0):
        raise ValueError(
            f"support = {support:g} m must lie between 0 and disc = {disc:g} m, c = {bending_length:g} m > 0"
        )
    length = disc - support
    reach = support + length * solve_cantilever((length / bending_length) ** 3).tip[0]
    return (reach**2 - support**2) / (disc**2 - support**2)

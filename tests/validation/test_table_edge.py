"""Claim: a limp strip hanging over a table's edge holds below the derived overhang and slides off above it.

Formula: drop below the edge = (mu f - A) exp(m pi / 2) + B, f the length on the table, m the friction of the rounded
edge (references.sliding); for a small radius a / L = m' / (1 + m'), m' = mu or mu exp(mu pi / 2).
Source: textbook statics, derived anew; checked against a step-by-step balance in tests/unit/ground/references.
Expected order: second in the spacing over the radius, 0.1 % here.
Tolerance: 2 % of the drop, from both sides. Held means certified, and within 0.3 mm of where it was put (the strip is
put clear of the edge and slips a little while the contact takes up its load); sliding means no certificate and 1 mm of
way or more. Left out: bending, B / R^2 = w c^3 / R^2 or 0.2 % of the pull at most.
The edge is a cylinder sunk level with the table, once with the table's friction and once without; the strip's length
stays the same and its place changes.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from drapesim.ground.outcome import Ending
from drapesim.ground.references import predict_edge_drop
from drapesim.matter.body import cylinder, join, slab
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

RADIUS, SPACING, CELLS, FRICTION = 0.020, 0.0025, 90, 0.3


def settle_over_edge(make_card, cut_strip, direction, share, edge_friction, max_steps):
    """(settled, way (m) of the strip's upper end toward the edge) for a drop of ``share`` times the critical one."""
    card = make_card(warp_length=0.0025, weft_length=0.0025, warp_modulus=1e3, weft_modulus=1e3)
    strip = cut_strip(direction, CELLS, SPACING)
    half = RADIUS + 0.5 * card.thickness
    radius = half / math.cos(0.5 * SPACING / half) + 2e-6  # of the nodes: the links between them are to clear the edge
    turn = 2.0 * math.asin(0.5 * SPACING / radius)  # of one link
    # where nothing else holds, the corners between flats of 2 degrees hold a strip, at up to 1.02 times the drop
    segments = 180 if edge_friction > 0.0 else 360
    quarter = 0.5 * math.pi / turn * SPACING
    length = CELLS * SPACING

    def miss(drop):
        return drop - share * predict_edge_drop(length - quarter - drop, radius, FRICTION, edge_friction)

    drop = brentq(miss, 0.0, length - quarter)
    s = np.arange(CELLS + 1) * SPACING - (length - quarter - drop)  # from the top of the edge
    angle = np.clip(s / SPACING * turn, 0.0, 0.5 * math.pi)
    along = np.minimum(s, 0.0) + radius * np.sin(angle)
    start = strip.laid(0.5 + along, radius * np.cos(angle) - RADIUS - np.maximum(s - quarter, 0.0))
    body = join(
        slab(length=1.0, width=0.1, thickness=0.01),  # ends where the edge is highest
        cylinder(radius=RADIUS, length=0.1, centre=(0.5, 0.0, -RADIUS), n_segments=segments),
    )
    settled = settle(
        strip.lattice,
        card,
        start,
        body=body,
        friction=np.array([FRICTION, edge_friction]),
        settings=SettleSettings(levels=0, max_steps=max_steps),
    )
    return settled, float((settled.x - start)[strip.rows[0], 0].mean())


@pytest.mark.parametrize(("direction", "edge_friction"), [("weft", 0.0), ("weft", FRICTION), ("warp", FRICTION)])
def test_holds_just_below(make_card, cut_strip, direction, edge_friction):
    settled, way = settle_over_edge(make_card, cut_strip, direction, 0.98, edge_friction, 300_000)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    assert abs(way) < 3e-4


@pytest.mark.parametrize("edge_friction", [0.0, FRICTION])
def test_slides_just_above(make_card, cut_strip, edge_friction):
    settled, way = settle_over_edge(make_card, cut_strip, "weft", 1.02, edge_friction, 120_000)
    assert settled.ending is not Ending.SETTLED
    assert way > 1e-3

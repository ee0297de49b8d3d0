"""Claim: at rest the body and the slab together carry the weight of the sheet, and nothing sideways.

Formula: sum of contact forces = -(mass of the sheet) g, mass = areal density times area.
Source: statics; areal density by ISO 3801 (scope read).
Expected order: none; it holds at any spacing.
Tolerance: 0.1 % of the weight, which is the certificate's own rms residual. The sheet hangs obliquely over a box with
friction, so that edges, corners and the slab all carry a part.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import box, join, slab
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

BOX = ((-0.08, -0.06, 0.0), (0.08, 0.06, 0.05))  # corners, m


def test_support_equals_weight(make_card):
    card = make_card()
    sheet = Sheet(length=0.30, width=0.24, spacing=0.015)
    lattice = cut_lattice(sheet)
    turn = math.radians(25.0)
    u, v = (lattice.uv - lattice.uv.mean(axis=0)).T
    x = np.cos(turn) * u - np.sin(turn) * v + 0.01
    y = np.sin(turn) * u + np.cos(turn) * v - 0.005
    start = np.column_stack([x, y, np.full(len(u), BOX[1][2] + 0.5 * card.thickness + 1e-3)])
    body = join(box(*BOX), slab(length=1.0, width=1.0, thickness=0.05))
    settled = settle(lattice, card, start, body=body, settings=SettleSettings(levels=0))
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    weight = card.areal_density * sheet.length * sheet.width * GRAVITY
    np.testing.assert_allclose(settled.contact_force.sum(axis=0), [0.0, 0.0, weight], atol=1e-3 * weight)
    on_slab = settled.x[:, 2] < 0.005
    carried = settled.contact_force[on_slab, 2].sum() / weight
    assert 0.01 < carried < 0.6, "the scene must load both the box and the slab"

"""Claim: however badly a sheet is dropped, it never passes through itself and ends at most 0.05 mm inside a body.

Formula: none; zero crossings of triangles by exact arithmetic, and depth against the exact triangles of the body
(settling.exact), which know nothing of the contacts that the settling used.
Source: none; cloth and body are solid. The 0.05 mm is the certificate's limit, a ninth of this cloth's thickness.
Expected order: none, it holds at any spacing. The lattice is coarse on purpose (half a bending length): each cell
then meets several edges, tips and layers at once.
Tolerance: none on crossings. Rest is not asked for here, so the few slow ones end at the step limit.
Twenty drops of seven kinds, each from its seed: flat sheets turned any way over a sharp block, crumpled by random
flows, folded and rolled askew with layers some millimetres apart, and one of these over fingers, over the edge of an
upright blade 1 mm thick, over the cusp between two balls that touch, and off the end of a slab. Crossings of the
sheet with itself are counted on the start, about every thousand steps of each lattice, and at the end; those with the
body, and the depth in it, on the start and at the end.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.matter.fabric import read_card
from drapesim.matter.plan import SettleSettings
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling import settle as settling
from drapesim.settling.exact import count_body_crossings, count_self_crossings
from drapesim.settling.settle import pile_levels, settle
from tests.validation.drops import KINDS, make_drop

pytestmark = pytest.mark.validation

DROPS = [(kind, seed) for seed in range(3) for kind in KINDS][:20]
LOOK_EVERY = 1000  # steps
MOST_STEPS = 60_000  # of a lattice; a sheet that is still sliding then must have crossed nothing either
LINEN = Path(__file__).parents[2] / "scenes" / "fabrics" / "cover-linen.toml"


@pytest.mark.parametrize(("kind", "seed"), DROPS)
def test_hard_drop_crosses_nothing(kind, seed, monkeypatch):
    drop = make_drop(kind, seed)
    settings = SettleSettings(max_steps=MOST_STEPS)
    assert count_self_crossings(drop.x, drop.lattice.triangles)[0] == 0
    assert count_body_crossings(drop.x, drop.lattice.triangles, prepare_body(drop.body))[0] == 0
    pile = pile_levels(drop.lattice, settings.levels)
    crossings = {}

    def look(state):
        place = (state.level, state.steps // LOOK_EVERY)
        if place not in crossings:
            crossings[place] = count_self_crossings(state.x, pile[state.level].triangles)[0]

    monkeypatch.setattr(settling, "KEEP_EVERY", 0.0)
    settled = settle(drop.lattice, read_card(LINEN), drop.x, drop.body, settings=settings, keep=look)
    certificate = settled.certificate
    assert len(crossings) > certificate.steps // LOOK_EVERY
    assert not any(crossings.values()), crossings
    assert np.isfinite(settled.x).all()
    assert certificate.crossings == 0
    assert certificate.body_crossings == 0
    assert certificate.penetration_max <= 5e-5
    assert settled.ending in (Ending.SETTLED, Ending.OUT_OF_STEPS, Ending.CERTIFICATE_FAILED), settled.ending

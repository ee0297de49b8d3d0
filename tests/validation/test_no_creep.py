"""Claim: static friction holds for ever: once certified, a sheet does not creep.

Formula: none; in 10,000 further steps no node moves by more than 0.01 mm. (5,000 to 50,000 were needed to settle.)
Source: Coulomb friction, textbook statics: below the limit nothing slides.
Expected order: none.
Tolerance: 0.01 mm asked, the same as the certificate allows in a further tenth of the steps. Seen: 0.0015 mm over the
ball, 0.0003 mm in the fold, and less than 1e-11 mm on the incline, which is held to 1e-6 mm: with grips that give way
by 1 % of their hold every 40 steps, as a friction that is only a strong drag does, it moves by 9e-6 mm and the ball's
sheet by 0.014 mm. The fold's grips carry next to nothing, so it tells only that the layers stay.
Three sheets that only friction keeps where they are: a strip on an incline at 0.9 of the friction angle, lowered onto
it from 1 mm above, downhill in three directions; a sheet over a ball on a slab; a strip folded back over itself.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import drapesim.settling.settle as settling
from drapesim.ground.outcome import Ending
from drapesim.ground.references import predict_slip_angle
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import join, slab, sphere
from drapesim.matter.fabric import ITSELF
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.level import run_on
from tests.validation.folded import fold_start

pytestmark = pytest.mark.validation

FRICTION, THICKNESS = 0.4, 2e-4
FURTHER, STAYS = 10_000, 1e-5  # steps, m
DOWN = np.array([0.0, 0.0, -GRAVITY])
TABLE = slab(length=1.0, width=1.0, thickness=0.05)


@pytest.fixture
def creep(monkeypatch):
    """creep(lattice, card, start, body, gravity) -> m: farthest a node moves after the sheet has been certified."""
    states = []
    certify = settling.certify

    def keep(state, *others):
        states.append(state)
        return certify(state, *others)

    monkeypatch.setattr(settling, "certify", keep)

    def drive(lattice, card, start, body, gravity=DOWN):
        settled = settling.settle(
            lattice, card, start, body=body, gravity=gravity, settings=SettleSettings(levels=0, max_steps=200_000)
        )
        assert settled.ending is Ending.SETTLED, settled.certificate.failures
        (state,) = states
        before = state.steps
        farthest = run_on(state, FURTHER, lambda *_: None)
        assert state.steps - before >= FURTHER
        return farthest

    return drive


@pytest.fixture
def card(make_card):
    made = make_card(warp_modulus=4e3, weft_modulus=3e3, thickness=THICKNESS)
    return replace(made, friction={"limewood": FRICTION, "slate": FRICTION, ITSELF: FRICTION})


@pytest.mark.parametrize("azimuth", [0.0, 30.0, 90.0])
def test_strip_on_an_incline(creep, card, cut_strip, azimuth):
    strip = cut_strip("warp", 24, 0.005)
    along = 0.005 * (np.arange(25) - 12.0)
    start = strip.laid(along, np.full(25, 0.5 * THICKNESS + 1e-3))
    tilt, turn = 0.9 * predict_slip_angle(FRICTION), math.radians(azimuth)
    down = np.array([math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), -math.cos(tilt)])
    assert creep(strip.lattice, card, start, TABLE, GRAVITY * down) < 1e-4 * STAYS


def test_sheet_over_a_ball(creep, card):
    radius = 0.03
    lattice = cut_lattice(Sheet(length=0.2, width=0.2, spacing=0.01))
    top = 2.0 * radius + 0.5 * THICKNESS + 1e-3
    start = np.column_stack([lattice.uv - lattice.uv.mean(axis=0) + [0.004, 0.002], np.full(len(lattice.uv), top)])
    ball = sphere(radius=radius, centre=(0.0, 0.0, radius))
    assert creep(lattice, card, start, join(ball, TABLE)) < STAYS


def test_strip_folded_over_itself(creep, card, cut_strip):
    c, per_length = 0.02, 12
    along, height = fold_start(per_length, 1.5 * THICKNESS / c)
    strip = cut_strip("weft", len(along) - 1, c / per_length)
    start = strip.laid(c * (along - along.mean()), c * height + 0.5 * THICKNESS)
    assert creep(strip.lattice, card, start, TABLE) < STAYS

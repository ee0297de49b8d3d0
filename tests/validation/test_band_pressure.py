"""Claim: a smooth band of tension T that is tied round cloth on a cylinder of radius R presses by T / R.

Formula: push per length of band = T / R, R the radius of the cloth's middle surface, over which the band is taut; and
the same for the pressure of a cloth that itself bears a tension per width: p = T / R.
Source: textbook statics (the hoop, from memory): a string of tension T that turns by an angle pushes by T times it.
Expected order: second in the turn of one link (0.05 rad here).
Tolerance: 2 % of the contact force on the body over an arc of five rows, and of the sum all over the band, for a
weightless strip that covers 200 degrees of the cylinder; friction is left out of it, as the band has none.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.kernels.jit import use_threads
from drapesim.matter.body import cylinder
from drapesim.matter.lay import BindStep
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import force_between_layers
from drapesim.mechanics.energies import unpadded
from drapesim.settling.band import tie
from drapesim.settling.handling import tighten_band
from drapesim.settling.hands import start_hands

pytestmark = pytest.mark.validation

RADIUS, SPACING, LINKS, ACROSS = 0.080, 0.004, 70, 6
TENSION = 20.0  # N


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_pressure_under_a_band(make_card, cut_strip, direction):
    use_threads(1)
    card = make_card(warp_length=0.004, weft_length=0.004)
    strip = cut_strip(direction, LINKS, SPACING, ACROSS)
    half = RADIUS + 0.5 * card.thickness
    radius = half / math.cos(0.51 * SPACING / half) + 2e-5  # of the nodes: the links clear the body
    angle = (np.arange(LINKS + 1) - 0.5 * LINKS) * 2.0 * math.asin(0.5 * SPACING / radius)
    start = strip.laid(radius * np.sin(angle), radius * np.cos(angle))
    body = cylinder(radius=RADIUS, length=0.1, n_segments=720)
    hands = start_hands(
        strip.lattice, card, prepare_body(body), np.array([0.3]), start, np.zeros(len(start), bool), 1, np.zeros(3)
    )  # fmt: skip
    middle = strip.lattice.uv[strip.rows[:, ACROSS // 2]]
    line = tuple(map(tuple, middle[[0, -1]].tolist()))
    step = BindStep(line, TENSION, 3.0 * SPACING)
    strap = tie(strip.lattice, start, step, body, 0.0)
    assert strap is not None
    assert tighten_band(hands, "band", step, strap)

    touch = unpadded(strip.lattice, hands.state.motion.touch)
    assert not force_between_layers(hands.state.found, len(touch)).any()
    x = hands.x[strip.rows].mean(axis=1)
    at = np.arctan2(x[:, 0], x[:, 2])
    outward = np.column_stack([np.sin(at), 0.0 * at, np.cos(at)])
    push = (touch[strip.rows].sum(axis=1) * outward).sum(axis=1)
    turn = float(np.diff(at).mean())
    for first in range(5, LINKS - 10, 12):
        assert push[first : first + 5].sum() == pytest.approx(TENSION * 5.0 * turn, rel=0.02)
    assert push[1:-1].sum() == pytest.approx(TENSION * (LINKS - 1) * turn, rel=0.02)

"""Claim: a weightless strip drawn slowly round a rough cylinder pulls at its two ends as the capstan formula says.

Formula: T2 / T1 = exp(mu pi) for half a turn (references.sliding).
Source: Euler's capstan formula, textbook statics, recomputed in tests/unit/ground/references.
Expected order: second in the turn of one link (0.1 rad here, 0.1 % of the exponent).
Tolerance: 1 % of the ratio, at rest after the far end has been drawn on by 7 mm until the whole strip slid; 0.5 % is
seen. No force can be laid on single nodes, so the far end is held and moved a little before every chunk of relaxation,
at 2.5 mm/s and fully damped, so that the drag (0.4 %) is small, nothing swings back, and stopping changes little.
Elastic arms (2 to 5 % of strain) let the near end's tension follow.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.references import predict_capstan_ratio
from drapesim.matter.body import cylinder
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.energies import grid_place, unpadded
from drapesim.mechanics.solve import pose_problem, positions, start_motion
from drapesim.settling.level import CHUNK, DAMPING, LevelState, relax_level, take_chunk

pytestmark = pytest.mark.validation

RADIUS, SPACING, ARM, STRAIN = 0.040, 0.004, 40, 0.01  # ARM: links beyond each tangent point; STRAIN: at the start
SPEED, WAY = 2.5e-3, 7e-3


def wrap(card):
    """(along, height) of the rows, evenly stretched: up one arm, half round and down the other."""
    link = SPACING * (1.0 + STRAIN)
    half = RADIUS + 0.5 * card.thickness
    radius = half / math.cos(0.51 * link / half) + 2e-6  # of the nodes: the links, stretched more later, clear the body
    turn = 2.0 * math.asin(0.5 * link / radius)
    s = np.arange(2 * ARM + round(math.pi / turn) + 1) - ARM
    angle = np.clip(s * turn, 0.0, math.pi)
    below = link * (np.maximum(-s, 0.0) + np.maximum(s - math.pi / turn, 0.0))
    return -radius * np.cos(angle), radius * np.sin(angle) - below


@pytest.mark.parametrize(("direction", "friction"), [("weft", 0.15), ("weft", 0.3), ("warp", 0.3)])
def test_ratio_of_end_tensions(make_card, cut_strip, direction, friction):
    card = make_card(warp_length=0.002, weft_length=0.002, warp_modulus=400.0, weft_modulus=400.0)
    along, height = wrap(card)
    strip = cut_strip(direction, len(along) - 1, SPACING)
    lattice, start = strip.lattice, strip.laid(along, height)
    held = np.zeros(len(start), dtype=bool)
    held[strip.rows[[0, -1]]] = True
    field = prepare_body(cylinder(radius=RADIUS, length=0.1, n_segments=180))
    problem = pose_problem(lattice, card, field, np.array([friction]), held, np.zeros(3), 4)
    state = LevelState(problem, start_motion(problem, start), damping=DAMPING[1], least_damping=DAMPING[1])
    i, j = (place[strip.rows[-1]] for place in grid_place(lattice))
    drawn = 0.0
    while drawn < WAY:
        step = SPEED * CHUNK * take_chunk(state).dt
        state.motion.x[2, i, j] -= step
        drawn += step
    assert relax_level(state, (1e-4, 1e-3), 300_000, np.inf, lambda *_: None)

    way = (positions(problem, state.motion) - start)[strip.rows, 2].mean(axis=1)
    assert way[ARM] > 3e-4, "the strip was to slide all the way round"
    pull = np.abs(unpadded(lattice, state.motion.force)[strip.rows[[0, -1]], 2].sum(axis=1))
    assert pull[1] / pull[0] == pytest.approx(predict_capstan_ratio(friction, math.pi), rel=0.01)

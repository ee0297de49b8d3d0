"""Claim: a cantilever cut at 45 degrees to the yarns bends by the card's bias rigidity, whatever warp and weft are.

Formula: the heavy elastica with gamma = w L^3 / B45 (references.elastica); B45 read back from the chord angle.
Source: test ASTM D1388 on a bias strip (scope read); B(t) = Bwarp cos^4 + Bweft sin^4 + 2 J cos^2 sin^2, Cooper 1960
(from memory), of which B45 is the middle.
How it is cut: the lattice lies along the yarns, so the piece is a mask of whole cells whose edges are staircases, and
the clamp line is a diagonal row of nodes. The piece is 1.5 times as broad as long and is read over the middle half of
its end: a sheet that bends to a cylinder has B45; only a margin along the free edges can relax, as a narrow free strip
would all over (with warp = weft: B45 (1 - n^2), n = (Bwarp - J) / (Bwarp + J)), and with n = 0.25 and -0.09 here that
margin changes little.
Expected order: between first (staircases; the twist of the clamp's cells is that of a whole cell) and second.
Tolerance: 3 % of the rigidity at L/24; 1.4 % is the lattice error seen at B45 = 0.8 Bwarp, 4.8 % at L/12.
Warp and weft are alike, so that the piece has no reason to twist.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import find_gamma, find_rigidity
from drapesim.ground.units import GRAVITY
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

DENSITY, BENDING_LENGTH, GAMMA, BREADTH = 0.180, 0.020, 8.0, 1.5  # breadth over length
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)


def read_bias_rigidity(make_card, ratio, rows):
    """Rigidity seen at 45 degrees over the card's, for a card with B45 = ratio B and ``rows`` rows in the free length.

    A row of nodes is i + j = const; rows are spacing / sqrt 2 apart. One row at the clamp line, two behind it are held.
    """
    weight = DENSITY * GRAVITY
    rigidity = find_rigidity(BENDING_LENGTH, weight)
    length = (GAMMA * ratio * rigidity / weight) ** (1.0 / 3.0)
    step = length / rows
    card = make_card(
        warp_length=BENDING_LENGTH,
        weft_length=BENDING_LENGTH,
        warp_modulus=1e3,
        weft_modulus=1e3,
        density=DENSITY,
        bend_bias=ratio * rigidity,
    )
    half = round(0.5 * BREADTH * rows)
    i, j = np.indices((rows + half + 2, rows + half + 2))
    along, across = i + j - half, i - j  # of a cell's first corner; its last is two rows on
    cell = (along >= -2) & (along + 2 <= rows) & (np.abs(across) <= half)
    lattice = Lattice(math.sqrt(2.0) * step, math.sqrt(2.0) * step, cell)
    row, place = lattice.ij.sum(axis=1) - half, lattice.ij[:, 0] - lattice.ij[:, 1]
    assert (row.min(), row.max()) == (-2, rows)
    start = step * np.column_stack([row, place, np.zeros(len(row))])
    settled = settle(lattice, card, start, held=row <= 0, settings=SETTINGS)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    x, _, z = settled.x[(row == rows) & (np.abs(place) <= half // 2)].mean(axis=0)
    return GAMMA / find_gamma(math.atan2(-z, x))


@pytest.mark.parametrize("ratio", [0.8, 1.0, 1.2])
def test_chord_gives_bias_rigidity(make_card, ratio):
    assert read_bias_rigidity(make_card, ratio, 24) == pytest.approx(1.0, abs=0.03)


def test_at_least_first_order_in_spacing(make_card):
    errors = [abs(read_bias_rigidity(make_card, 0.8, rows) - 1.0) for rows in (12, 24)]
    assert math.log2(errors[0] / errors[1]) > 1.0, errors

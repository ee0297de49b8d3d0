"""Claim: a strip with both ends clamped together hangs as the heart loop of the heavy elastica, at four weights.

Formula: t'' = gamma (h sin t - (s - 1/2) cos t), t from pi/2 at the clamp to -pi at the lowest point, gamma = w L^3 / B
(references.loops).
Source: test ASTM D1388 option B (scope read); moment balance derived anew, solution recomputed in
tests/unit/ground/references by least energy of a chain. Peirce's reduction formula is up to 13 % off and not used.
Expected order: second in the spacing, because the hinge at the last held row is that of half a cell (2B/h).
Tolerance: 1 % of the height (the test's reading) and of the width at L/80, where the second-order errors are at most
0.04 % and 0.29 % (gamma 1000). Order of the height between 1.8 and 2.2 at gamma 20 from 40 cells on (1.9, then 2.0;
from 28 it is 1.75): in tighter loops what the hinge's fourth power takes out (kernels.elastic) leaves an error that
changes sign on the way.
The ends are a thousandth of L apart, in the loop and in the reference, and the cloth is thinner than that, so that no
cloth presses on cloth. The start is the weightless loop.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_heart_loop
from drapesim.jobs.lab.heart_loop import APART, settle_heart_loop
from drapesim.matter.plan import SettleSettings

pytestmark = pytest.mark.validation

LENGTHS = {"warp": 0.025, "weft": 0.020}
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)
TIGHT = SettleSettings(residual_rms=1e-5, residual_max=1e-4, levels=0)


def find_loop(make_card, direction, gamma, cells, settings):
    """(rows, 3) positions of the loop's rows in units of its length L; one cell more is held at each end."""
    card = make_card(*LENGTHS.values(), warp_modulus=4e3, weft_modulus=4e3)
    length = LENGTHS[direction] * gamma ** (1.0 / 3.0)
    settled, line = settle_heart_loop(card, direction, length / cells, cells, settings)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    assert settled.certificate.stable
    return line / length


@pytest.mark.parametrize(
    ("direction", "gamma"), [("weft", 20.0), ("weft", 100.0), ("weft", 400.0), ("weft", 1000.0), ("warp", 100.0)]
)
def test_height_and_width_at_eighty_cells(make_card, direction, gamma):
    x, _, z = find_loop(make_card, direction, gamma, 80, SETTINGS).T
    exact = solve_heart_loop(gamma, APART)
    assert -z.min() == pytest.approx(exact.height, rel=0.01)
    assert np.ptp(x) == pytest.approx(exact.width, rel=0.01)
    assert x[np.argmin(z)] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("cells", [40, 56])
def test_second_order_in_spacing(make_card, cells):
    exact = solve_heart_loop(20.0, APART).height
    lowest = [find_loop(make_card, "weft", 20.0, n, TIGHT)[:, 2].min() for n in (cells, 2 * cells)]
    errors = [abs(-z - exact) for z in lowest]
    order = math.log2(errors[0] / errors[1])
    assert 1.8 < order < 2.2, errors

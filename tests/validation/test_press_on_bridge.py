"""Claim: the press test finds the force that brings a strip, laid over two smooth cylinders, to a floor between.

Formula: force = 2 T sin a, T from the length of the way round (references.bridge), at the depth of the mark's claimed
share; the mark is a stripe across the middle, so the load is even over its breadth.
Source: statics and tangents of a circle, found again by least energy in tests/unit/ground/references.
Expected order: second in the spacing (chords on the cylinders).
Tolerance: 3 % of the force, as the project asks. What the formula leaves out: bending, sqrt(B / T) = 0.1 mm beside
spans of 60 mm, and second order in the weight, (w span / T)^2.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.references import predict_bridge_press
from drapesim.ground.units import GRAVITY
from drapesim.jobs.press import press_marks
from drapesim.judging.pressing import DONE
from drapesim.judging.verdicts import judge_marks
from drapesim.matter.body import BodyPart, cylinder, join, slab
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.plan import SettleSettings
from drapesim.settling.lay_record import LayDone
from drapesim.settling.settle import settle
from tests.unit.made_run import make_run

pytestmark = pytest.mark.validation

RADIUS, HALF, OUTER, SPACING = 0.030, 0.060, 0.040, 0.005
MODULUS, DENSITY, STRETCH = 1000.0, 0.180, 0.01


def bridge(make_card, cut_strip, direction, depth, breadth, tolerance):
    """A settled run: the strip stretched level over the tops of two cylinders, a floor of the body ``depth`` below."""
    card = make_card(
        warp_length=4e-3, weft_length=4e-3, warp_modulus=MODULUS, weft_modulus=MODULUS, density=DENSITY,
        safe_strain=(0.1, 0.1), friction=0.0,
    )  # fmt: skip
    cells = round(2.0 * (HALF + OUTER) / SPACING)
    strip = cut_strip(direction, cells, SPACING / (1.0 + STRETCH))
    floor = slab(length=0.06, width=0.1, thickness=0.01, top_z=-depth)
    floor = replace(floor, parts=(BodyPart("floor", "slate", False),))
    rollers = (cylinder(RADIUS, 0.1, (x, 0.0, -RADIUS), n_segments=720) for x in (-HALF, HALF))
    body = join(*(replace(roller, landmarks={}) for roller in rollers), floor)
    along = np.linspace(-HALF - OUTER, HALF + OUTER, cells + 1)
    held = np.zeros(len(strip.lattice.ij), dtype=bool)
    held[strip.rows[[0, -1]]] = True
    settings = SettleSettings(levels=0)
    start = strip.laid(along, np.full(cells + 1, 0.5 * card.thickness + 2e-6))
    settled = settle(strip.lattice, card, start, body, held=held, settings=settings)
    assert settled.certificate.settled, settled.certificate.failures
    rest = strip.lattice.uv[strip.rows[:, 0]]
    way = (rest[-1] - rest[0]) / np.linalg.norm(rest[-1] - rest[0])
    side = strip.lattice.uv[strip.rows[0, -1]] - rest[0]
    middle = 0.5 * (rest[0] + rest[-1])
    share, off = (np.arange(5) + 0.5) / 5, (np.arange(40) + 0.5) / 40 - 0.5
    uv = middle + share[:, None, None] * side + off[None, :, None] * breadth / (1.0 + STRETCH) * way
    mark = Mark("stripe", "stain", (), uv.reshape(-1, 2), np.full(200, 1e-7), Claim(tolerance=tolerance, share=0.6))
    verdicts = judge_marks([mark], strip.lattice, settled.x, body, card, settled.certificate)
    run = make_run(
        lattice=strip.lattice, fabric=card, body=body, x=settled.x, marks=(mark,), verdicts=verdicts, settle=settings,
        certificate=settled.certificate, ending=settled.ending, layers=None, meetings=(),
        hands=LayDone(SPACING, (), (), np.zeros_like(settled.x), held),
    )  # fmt: skip
    return run, strip


@pytest.mark.parametrize(("direction", "depth"), [("warp", 0.010), ("weft", 0.016)])
def test_least_force(make_card, cut_strip, direction, depth):
    breadth, tolerance = 0.010, 2e-3
    run, strip = bridge(make_card, cut_strip, direction, depth, breadth, tolerance)
    (test,) = press_marks(run)
    assert test.stopped == DONE, test
    assert test.touches
    assert test.below < test.force <= 1.02 * test.below
    rest = (HALF + OUTER) / (1.0 + STRETCH)
    expected = predict_bridge_press(
        depth - test.gap, RADIUS + 0.5 * run.fabric.thickness, HALF, OUTER, rest, MODULUS,
        weight=DENSITY * GRAVITY, breadth=breadth, at=0.6 * 0.5 * breadth,
    )  # fmt: skip
    assert test.force / strip.width == pytest.approx(expected.force, rel=0.03)
    assert test.strain == pytest.approx(expected.strain / 0.1, rel=0.03)
    assert 0.0 < test.gap <= tolerance  # nearer by what the spacing may hide

"""Claim: every virtual fabric test returns the value of the card that it was run on, and a fit returns the reading.

Formula: the reductions of the tests themselves (ground.references, ground.reductions): exact elastica from the chord,
exact heart loop from the height, pull over width, 1/E45 = (1/E1 + 1/E2 + 1/G) / 4, stress over angle, pull over push.
Source: ASTM D1388 options A and B (scope read), ISO 13934-1 (read), KES shear range and FAST proportions (from memory),
BS 5058 (principle read), Coulomb. The bars are those set for the lab: 1 % of the value at a node spacing of a quarter
of the bending length, 3 % at a half; bending on the bias 3 %; a drape coefficient not below the floor of free strips.
Expected order: second for bending (test_cantilever, test_heart_loop measure it); none for stretch, shear and friction,
whose pieces are even.
Tolerance: the bars. On the bias they hold for a piece that may draw in along its line, over which it hangs. The
friction of a sliding piece is read within 0.2 % on a rigid plane and 1 % on cloth.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.reductions import Repeats
from drapesim.ground.references import reduce_overhang
from drapesim.ground.units import GRAVITY
from drapesim.jobs.lab.bench import list_tests
from drapesim.jobs.lab.bias_extension import BiasAim, run_bias_extension
from drapesim.jobs.lab.cantilever import hang_over_line, run_cantilever, settle_bias_cantilever
from drapesim.jobs.lab.drape_meter import run_drape_meter
from drapesim.jobs.lab.fit import fit_card
from drapesim.jobs.lab.heart_loop import run_heart_loop
from drapesim.jobs.lab.incline import run_incline
from drapesim.jobs.lab.shear import run_shear
from drapesim.jobs.lab.tensile import run_tensile
from drapesim.matter.fabric import Cloth
from drapesim.matter.readings import BendReading, BiasReading, Readings

pytestmark = pytest.mark.validation

BENDS = ("bend_warp", "bend_weft", "bend_bias")
LENGTHS = {"warp": 0.032, "weft": 0.026}
DENSITY = 0.190
TOE = np.array([[0.0, 0.0], [0.004, 5.0], [0.012, 20.0], [0.03, 98.0], [0.055, 490.0]])
FINE, DRAFT = 4, 2  # the bending length over the node spacing
BARS = {FINE: 0.01, DRAFT: 0.03}


@pytest.fixture
def card(make_card):
    """Test values near linen: curves that stiffen, warp and weft apart."""
    made = make_card(*LENGTHS.values(), density=DENSITY, warp_curve=TOE, weft_curve=TOE * [0.75, 1.0])
    return replace(made, friction=MappingProxyType({"limewood": 0.5, "itself": 0.4}))


def settled(result):
    """Its readings, after a look at whether all its sheets came to rest."""
    assert result.failures == ()
    return result.readings


@pytest.mark.parametrize("share", [FINE, DRAFT])
@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_cantilever(card, direction, share):
    (reading,) = settled(run_cantilever(card, direction, LENGTHS[direction] / share))
    assert reading.card == pytest.approx(LENGTHS[direction], rel=1e-12)
    assert reading.simulated == pytest.approx(LENGTHS[direction], rel=BARS[share])
    assert reading.met


@pytest.mark.parametrize("share", [FINE, DRAFT])
@pytest.mark.parametrize("ratio", [0.8, 1.0, 1.2])
def test_cantilever_on_the_bias(card, ratio, share):
    middle = math.sqrt(card.bend_warp * card.bend_weft)
    stiff = replace(card, bend_bias=ratio * middle)
    c = (stiff.bend_bias / (DENSITY * GRAVITY)) ** (1.0 / 3.0)
    (reading,) = settled(run_cantilever(stiff, "bias", c / share))
    assert reading.simulated == pytest.approx(c, rel=0.03)


def test_light_cloth_bends_on_the_bias_as_its_card_says_and_what_holds_it_flat_is_told(card):
    """Limp and light, nodes half a bending length apart: over a smooth line within the bar, held flat along it far too
    stiff, as is said; nodes a quarter apart, as are advised, are right either way."""
    c, density = 0.016, 0.085
    light = replace(card, areal_density=density, **dict.fromkeys(BENDS, density * GRAVITY * c**3))
    (coarse,) = settled(run_cantilever(light, "bias", c / DRAFT, thorough=True))
    assert coarse.met
    rows = round(2.0 * c / (c / DRAFT / math.sqrt(2.0)) + 0.5)
    held = read_held(light, c / DRAFT, rows, c)
    assert held > 0.08
    assert coarse.note.endswith(f"nodes so wide read {100 * held:+.0f} %; 4 mm apart would do")
    (fine,) = settled(run_cantilever(light, "bias", c / FINE, thorough=True))
    assert abs(fine.error) < 0.01
    assert "draw in" not in fine.note
    assert read_held(light, c / FINE, round(2.0 * c / (c / FINE / math.sqrt(2.0)) + 0.5), c) < 0.03


def read_held(card, spacing, rows, c):
    """Departure of the bending length that a bias piece reads whose row on the line is held as broad as flat."""
    sheet, line = settle_bias_cantilever(card, spacing, rows)
    assert sheet.ending is Ending.SETTLED
    return reduce_overhang((rows - 0.5) * spacing / math.sqrt(2.0), math.atan2(line[-1, 1], line[-1, 0])) / c - 1.0


def test_nothing_pulls_along_the_line_that_the_bias_piece_hangs_over(card):
    c, spacing = 0.03, 0.015
    rows = round(2.0 * c / (spacing / math.sqrt(2.0)) + 0.5)
    free, _ = hang_over_line(card, spacing, rows, c)
    flat, _ = settle_bias_cantilever(card, spacing, rows)
    pull, before = ((sheet.reaction[:, 1] * sheet.x[:, 1]).sum() for sheet in (free, flat))
    assert before > 0.0
    assert abs(pull) < 0.05 * before


@pytest.mark.parametrize(("share", "bar"), [(FINE, 0.01), (DRAFT, 0.03)])
@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_heart_loop(card, direction, share, bar):
    (reading,) = settled(run_heart_loop(card, direction, LENGTHS[direction] / share))
    assert reading.simulated == pytest.approx(LENGTHS[direction], rel=bar)


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_strip_tensile(card, direction):
    readings = settled(run_tensile(card, direction, LENGTHS["weft"] / DRAFT))
    assert [reading.card for reading in readings] == getattr(card, f"{direction}_curve")[1:, 1].tolist()
    assert [reading.simulated for reading in readings] == pytest.approx([5.0, 20.0, 98.0, 490.0], rel=1e-3)


@pytest.mark.parametrize("shear", [20.0, 60.0])
def test_shear_by_bias_strip_and_by_frame(card, shear):
    sheared = replace(card, shear_rigidity=shear)
    spacing = LENGTHS["weft"] / DRAFT
    strip, _ = settled(run_bias_extension(sheared, spacing))
    frame, lock = settled(run_shear(sheared, spacing))
    assert strip.simulated == pytest.approx(shear, rel=0.01)
    assert frame.simulated == pytest.approx(shear, rel=0.01)
    assert lock.simulated == pytest.approx(card.locking_angle, rel=0.01)


@pytest.mark.parametrize("shape", [1.5, 2.0, 3.0])
def test_short_bias_piece_bears_the_same_however_many_nodes_broad(card, shape, monkeypatch):
    """Clamped ends and staircase edges: a piece three times as broad in nodes bears as much within 1 %."""
    from drapesim.jobs.lab import bias_extension

    _, usual = bias_extension.pull_short(card, 0.01, 0.0275, shape=shape)
    monkeypatch.setattr(bias_extension, "SHORT_HALVES", (15, 17, 19))
    _, fine = bias_extension.pull_short(card, 0.01, 0.0275, shape=shape)
    assert usual == pytest.approx(fine, rel=0.01)


def test_drape_coefficient_is_not_below_its_floor(card):
    readings = settled(run_drape_meter(card, LENGTHS["weft"] / DRAFT, seeds=2))
    floor = readings[0]
    assert floor.at_least
    assert floor.simulated >= floor.card - 0.01
    assert floor.simulated < 1.0


@pytest.mark.parametrize(("surface", "mu", "bar"), [("limewood", 0.5, 2e-3), ("itself", 0.4, 0.01)])
def test_friction(card, surface, mu, bar):
    result = run_incline(card, surface, LENGTHS["weft"] / DRAFT)
    (reading,) = settled(result)
    assert reading.simulated == pytest.approx(mu, rel=bar)
    stayed, slid = result.lines["way"]
    assert abs(stayed) < 1e-4 < slid, reading.note


def test_fit_returns_the_readings(card):
    """Readings that the lattice gets wrong by 3 % as they stand: fitted, the virtual tests read them back to 0.1 %."""

    def read(value):
        return Repeats(value, 0.02 * value, 4)

    bending = {side: BendReading("overhang", read(2 * c), math.radians(41.5), read(c)) for side, c in LENGTHS.items()}
    readings = Readings(
        name="test", fibre="linen", source="test", areal_density=read(DENSITY), thickness=None,
        bending=MappingProxyType(bending), extension=MappingProxyType({}),
        bias=BiasReading(4.9, read(0.03), read(40.8)), friction=MappingProxyType({}), drape=None,
        tables={
            "bending": {side: {"bending_length_mm": {"value": 1e3 * c, "n": 4}} for side, c in LENGTHS.items()},
            "shear": {"rigidity_N_m_rad": {"value": 40.8, "sd": 0.8, "n": 4}},
        },
    )  # fmt: skip
    spacing = LENGTHS["weft"] / DRAFT
    fitted = fit_card(readings, card, spacing)
    for change in fitted.changes:
        assert abs(change.departure) < 1e-3
        assert change.set_to != pytest.approx(change.read, rel=0.01), "the lattice needs a correction here"
    tests = list_tests(Cloth(fitted.card, "linen"), spacing, fitted.aims)
    chosen = [test for test in tests if test.name == "cantilever" and test.direction in LENGTHS]
    for test in chosen:
        (reading,) = settled(test.run(fitted.card, spacing, None))
        assert reading.card == LENGTHS[test.direction]
        assert reading.simulated == pytest.approx(LENGTHS[test.direction], rel=1e-3)
    *_, pull = settled(run_bias_extension(fitted.card, spacing, aim=BiasAim(4.9, 0.03)))
    assert pull.simulated == pytest.approx(4.9, rel=1e-3)
    # the same value holds within the bar in the tight bends of a heart loop, which was not fitted
    (loop,) = settled(run_heart_loop(fitted.card, "weft", spacing, aim=LENGTHS["weft"]))
    assert loop.simulated == pytest.approx(LENGTHS["weft"], rel=BARS[DRAFT])

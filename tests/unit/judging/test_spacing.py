"""Two and three spacings compared, on gaps made up by hand and on sheets whose gaps are known."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.judging.spacing import CoarserLay, compare_spacings, weighted_quantile
from drapesim.judging.verdicts import judge_marks
from drapesim.matter.answers import CLEAR, NATURAL, NOT_HERE, UNDECIDED
from drapesim.matter.body import box
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.certificate import Certificate
from drapesim.settling.contact_record import GapReading

TOLERANCE = 1e-3
WEIGHT = np.array([0.25, 0.25, 0.5])


def read(gap, facing=1.0):
    gap = np.asarray(gap, dtype=float)
    n = len(gap)
    return GapReading(gap, np.broadcast_to(facing, n).astype(float), np.zeros((n, 3)), np.zeros(n, np.int32))


def test_two_spacings_give_their_change_and_no_order():
    wide, fine = read([5e-4, 2e-3, 4e-3]), read([6e-4, 0.8e-3, 4.5e-3])
    found = compare_spacings([wide, fine], [0.03, 0.015], WEIGHT, TOLERANCE)
    assert found.error == pytest.approx([1e-4, 1.2e-3, 5e-4])
    change = found.figures
    assert (change.wider, change.own) == (0.03, 0.015)
    assert (change.gap_min, change.gap_median, change.gap_max) == pytest.approx((1e-4, 0.8e-3 - 2e-3, 5e-4))
    assert change.contact_share == pytest.approx(0.25)  # one sample more
    assert math.isnan(change.order)


@pytest.mark.parametrize(("order", "is_trusted"), [(2.0, True), (1.0, True), (0.5, False), (-1.0, False)])
def test_three_spacings_tell_the_order(order, is_trusted):
    """Gaps g + c h^p; the changes shrink by 2^p. Below order one the last change is less than what is left."""
    true, scale = np.array([1e-3, 2e-3, 3e-3]), np.array([1.0, -2.0, 0.5])
    spacings = [0.04, 0.02, 0.01]
    readings = [read(true + 1e-3 * scale * (h / 0.01) ** order) for h in spacings]
    found = compare_spacings(readings, spacings, WEIGHT, TOLERANCE)
    assert found.figures.order == pytest.approx(order)
    last, before = (np.abs(readings[k].gap - readings[k - 1].gap) for k in (2, 1))
    assert found.error == pytest.approx(last if is_trusted else np.maximum(last, before))
    if is_trusted:  # no error is left that the bar does not hold
        assert (found.error >= np.abs(readings[2].gap - true) * (1.0 - 1e-9)).all()
    assert (found.figures.wider, found.figures.own) == (0.02, 0.01)


def test_no_change_at_all():
    same = read([1e-3, 2e-3, 3e-3])
    found = compare_spacings([same, same, same], [0.04, 0.02, 0.01], WEIGHT, TOLERANCE)
    assert found.error.tolist() == [0.0, 0.0, 0.0]
    assert found.figures.order == math.inf
    assert compare_spacings([same, same, read([1e-3, 2e-3, 4e-3])], [4, 2, 1], WEIGHT, 1.0).figures.order == -math.inf


def test_what_is_not_known_at_one_spacing_is_not_known():
    found = compare_spacings([read([np.nan, np.inf, 1e-3]), read([1e-3, np.inf, 1e-3])], [2, 1], WEIGHT, TOLERANCE)
    assert found.error.tolist() == [np.inf, 0.0, 0.0]


def test_facing_is_sure_only_where_all_agree():
    found = compare_spacings([read([1, 1, 1], [1, -1, -1]), read([1, 1, 1], [1, 1, -1])], [2, 1], WEIGHT, TOLERANCE)
    assert found.surely_facing.tolist() == [True, False, False]
    assert found.perhaps_facing.tolist() == [True, True, False]


def test_weighted_quantile():
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([0.5, 0.2, 0.3])
    assert [weighted_quantile(values, weight, q) for q in (0.1, 0.2, 0.5, 0.6, 1.0)] == [1.0, 1.0, 2.0, 3.0, 3.0]


# Verdicts: level sheets over a block with its top at z = 0, at two spacings.

THICK = 4e-4
SETTLED = Certificate(True, 5e-4, 5e-3, 0.0, 0.0, 0, 0, (0.0, 0.0), 0.0, 1e-3, True, None, 0.1, 1000, 1.0, 0.2)
CARD = FabricCard(
    "test", 0.2, THICK, np.array([[0, 0], [0.05, 500]]), np.array([[0, 0], [0.05, 500]]), 45.0, 0.6, 3e-5, 3e-5, 3e-5,
    {"limewood": 0.5},
)  # fmt: skip
BLOCK = box((-0.2, -0.1, -0.1), (0.2, 0.1, 0.0))


def lay(spacing, height):
    """The sheet's inner face ``height`` (m) over the block."""
    lattice = cut_lattice(Sheet(0.6, 0.4, spacing, -1))
    return lattice, np.c_[lattice.uv - [0.3, 0.2], np.full(len(lattice.uv), height + 0.5 * THICK)]


def judge(height, *wider, is_settled=True, **claim):
    """Verdict on a square mark at the sheet's middle; ``wider`` heights at spacings of 80, 40 mm or 40 mm."""
    side = (np.arange(8) + 0.5) / 8 * 0.04 - 0.02
    samples = np.stack(np.meshgrid(0.3 + side, 0.2 + side, indexing="ij"), axis=-1).reshape(-1, 2)
    mark = Mark("mark", "stain", (), samples, np.full(64, 0.04**2 / 64), Claim(**claim))
    lattice, x = lay(0.02, height)
    spacings = (0.08, 0.04)[-len(wider) :] if wider else ()
    coarser = [CoarserLay(*lay(h, z), is_settled) for h, z in zip(spacings, wider, strict=True)]
    certificate = replace(SETTLED, penetration_max=2e-5, stay_max=1e-5)
    (verdict,) = judge_marks([mark], lattice, x, BLOCK, CARD, certificate, coarser)
    return verdict


def test_without_another_spacing_it_is_estimated():
    verdict = judge(9e-4)
    assert verdict.verdict == NATURAL
    assert verdict.change is None
    assert verdict.uncertainty == pytest.approx(3e-5, abs=1e-9)  # a flat sheet has no curvature to estimate from


@pytest.mark.parametrize(
    ("height", "wider", "wanted"),
    [(6e-4, 7e-4, NATURAL), (9e-4, 7e-4, UNDECIDED), (1.5e-3, 1e-3, UNDECIDED), (1.5e-3, 1.4e-3, NOT_HERE)],
)
def test_inside_the_measured_error_bar_it_is_undecided(height, wider, wanted):
    verdict = judge(height, wider)
    assert verdict.verdict == wanted
    assert verdict.uncertainty == pytest.approx(abs(height - wider) + 3e-5, abs=1e-9)
    assert verdict.change.gap_median == pytest.approx(height - wider, abs=1e-9)
    assert (verdict.change.wider, verdict.change.own) == pytest.approx((0.04, 0.02))
    assert verdict.change.contact_share == pytest.approx(float(height <= TOLERANCE) - float(wider <= TOLERANCE))


def test_claim_to_lie_clear_is_held_to_the_measured_error():
    assert judge(3e-3, 2.5e-3, kind="lies_clear").verdict == CLEAR
    assert judge(3e-3, 0.9e-3, kind="lies_clear").verdict == UNDECIDED


def test_third_spacing():
    verdict = judge(6e-4, 1.2e-3, 7.5e-4)
    assert verdict.change.order == pytest.approx(math.log2(4.5 / 1.5))
    assert verdict.verdict == NATURAL
    assert judge(6e-4, 8e-4, 9e-4).verdict == NATURAL  # 0.3 mm, more than the 0.1 before: all are counted
    assert judge(6e-4, 1.1e-3, 9.5e-4).uncertainty == pytest.approx(3.5e-4 + 3e-5, abs=1e-9)


def test_a_coarser_sheet_that_did_not_settle_leaves_it_undecided():
    verdict = judge(1e-4, 1e-4, is_settled=False)
    assert verdict.verdict == UNDECIDED
    assert verdict.reason.startswith("The sheet did not settle at a spacing of 40 mm")
    assert verdict.change is None

"""Verdicts on sheets whose gaps are known by construction."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.judging.places import nearest_cloth
from drapesim.judging.verdicts import chord_error, judge_marks
from drapesim.matter.answers import CLEAR, NATURAL, NOT_HERE, OUT, PARTLY, PRESSED, UNDECIDED
from drapesim.matter.body import Body, BodyPart, box
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.settling.certificate import Certificate
from tests.unit.folded_sheet import fold_at

Array = np.ndarray

THICK = 4e-4
SETTLED = Certificate(True, 5e-4, 5e-3, 0.0, 0.0, 0, 0, (0.0, 0.0), 0.0, 1e-3, True, None, 0.1, 1000, 1.0, 0.2)
CARD = FabricCard(
    "test", 0.2, THICK, np.array([[0, 0], [0.05, 500]]), np.array([[0, 0], [0.05, 500]]), 45.0, 0.6, 3e-5, 3e-5, 3e-5,
    {"limewood": 0.5}, safe_strain=(0.02, 0.02),
)  # fmt: skip
SQUARE = (np.array([[0.28, 0.18], [0.32, 0.18], [0.32, 0.22], [0.28, 0.22]]),)


@pytest.fixture(scope="module")
def lattice() -> Lattice:
    """0.6 x 0.4 m; its middle (0.3, 0.2) lies over the world's origin."""
    return cut_lattice(Sheet(0.6, 0.4, 0.02, -1))


@pytest.fixture(scope="module")
def block() -> Body:
    """0.4 x 0.2 x 0.1 m, top at z = 0, with two regions that part at x = 0 and a landmark on the top."""
    body = box((-0.2, -0.1, -0.1), (0.2, 0.1, 0.0))
    vertices = np.array([
        (x, y, z) for x in (-0.2, 0.0, 0.2) for y in (-0.1, 0.1) for z in (-0.1, 0.0)
    ])  # fmt: skip
    quads = [(0, 2, 6, 4), (4, 6, 10, 8), (1, 5, 7, 3), (5, 9, 11, 7), (0, 4, 5, 1), (4, 8, 9, 5), (2, 3, 7, 6),
             (6, 7, 11, 10), (0, 1, 3, 2), (8, 10, 11, 9)]  # fmt: skip
    faces = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int32)
    region = (vertices[faces].mean(axis=1)[:, 0] > 0).astype(np.int32)
    part = np.zeros(len(faces), np.int32)
    parts = (BodyPart("body", "limewood"),)
    return replace(body, vertices=vertices, faces=faces, part=part, parts=parts, region=region,
                   region_names=("left half", "right half"), landmarks={"stud": np.array([0.05, 0, 0])})  # fmt: skip


def lay_flat(lattice: Lattice, height: float, slope: float = 0.0) -> Array:
    """The sheet's mid-surface so that its inner face is ``height`` (m) over z = 0 at x = 0."""
    xy = lattice.uv - np.array([0.3, 0.2])
    return np.c_[xy, height + 0.5 * THICK + slope * xy[:, 0]]


def draw(u: float = 0.3, v: float = 0.2, size: float = 0.04, **claim: object) -> Mark:
    """A square stain about (u, v), 20 x 20 samples."""
    at = (np.arange(20) + 0.5) / 20 * size - 0.5 * size
    samples = np.stack(np.meshgrid(u + at, v + at, indexing="ij"), axis=-1).reshape(-1, 2)
    return Mark("mark", "stain", SQUARE, samples, np.full(400, size**2 / 400), Claim(**claim))  # type: ignore[arg-type]


def judge(mark: Mark, lattice: Lattice, x: Array, body: Body, certificate: Certificate = SETTLED):
    (verdict,) = judge_marks([mark], lattice, x, body, CARD, certificate)
    return verdict


def test_measures_gap_from_inner_face(lattice, block):
    verdict = judge(draw(), lattice, lay_flat(lattice, 3e-4), block)
    assert verdict.verdict == NATURAL
    assert verdict.meets
    assert (verdict.gap_min, verdict.gap_median, verdict.gap_max) == pytest.approx((3e-4, 3e-4, 3e-4), abs=1e-12)
    assert verdict.contact_share_measured == pytest.approx(1.0)
    assert "100 % of it lies within 1 mm" in verdict.reason


@pytest.mark.parametrize(("height", "wanted"), [(5e-3, NOT_HERE), (0.019, NOT_HERE), (0.021, CLEAR)])
def test_never_says_more_than_one_lay_shows(lattice, block, height, wanted):
    verdict = judge(draw(), lattice, lay_flat(lattice, height), block)
    assert verdict.verdict == wanted
    assert verdict.verdict not in (PRESSED, OUT)
    assert verdict.meets is False
    assert ("other lays" in verdict.reason) == (wanted == NOT_HERE)


def test_share_of_a_tilted_sheet(lattice, block):
    # Gap 1 mm + 0.1 x over a mark 40 mm long: exactly half lies within 1 mm.
    x = lay_flat(lattice, 1e-3, 0.1)
    verdict = judge(draw(), lattice, x, block)
    assert verdict.contact_share_measured == pytest.approx(0.5, abs=0.03)
    assert verdict.verdict == PARTLY
    assert judge(draw(share=0.4), lattice, x, block).verdict == NATURAL


def test_outer_side_does_not_touch(lattice, block):
    turned = replace(lattice, inner_sign=1)
    assert judge(draw(), turned, lay_flat(lattice, 1e-4), block).verdict == NOT_HERE


@pytest.mark.parametrize(("height", "wanted"), [(5e-3, CLEAR), (2e-4, NATURAL), (1.02e-3, UNDECIDED)])
def test_claim_to_lie_clear(lattice, block, height, wanted):
    certificate = replace(SETTLED, penetration_max=4e-5, stay_max=1e-5)
    verdict = judge(draw(kind="lies_clear"), lattice, lay_flat(lattice, height), block, certificate)
    assert verdict.verdict == wanted
    assert verdict.meets is {CLEAR: True, NATURAL: False, UNDECIDED: None}[wanted]


@pytest.mark.parametrize(("height", "wanted"), [(0.94e-3, NATURAL), (0.96e-3, UNDECIDED), (1.04e-3, UNDECIDED),
                                                (1.06e-3, NOT_HERE)])  # fmt: skip
def test_undecided_inside_the_error_band(lattice, block, height, wanted):
    certificate = replace(SETTLED, penetration_max=4e-5, stay_max=1e-5)
    verdict = judge(draw(), lattice, lay_flat(lattice, height), block, certificate)
    assert verdict.uncertainty == pytest.approx(5e-5, abs=1e-9)
    shares = [verdict.contact_share_sure, verdict.contact_share_measured, verdict.contact_share_possible]
    assert shares == pytest.approx([float(height < limit) for limit in (0.95e-3, 1e-3, 1.05e-3)])
    assert verdict.verdict == wanted


@pytest.mark.parametrize(("rub", "wanted"), [(4e-5, NATURAL), (2e-4, UNDECIDED)])
def test_hysteresis_counts_beside_the_numerical_error(lattice, block, rub, wanted):
    certificate = replace(SETTLED, penetration_max=4e-5, stay_max=1e-5)
    x, given = lay_flat(lattice, 0.9e-3), np.full(len(lattice.ij), rub)
    (verdict,) = judge_marks([draw()], lattice, x, block, CARD, certificate, hysteresis=given)
    assert verdict.verdict == wanted
    assert verdict.uncertainty == pytest.approx(5e-5, abs=1e-9), "the numerical error is told by itself"
    assert verdict.hysteresis == pytest.approx(rub)
    assert f"{1e3 * rub:.1f} of it the cloth's hysteresis" in verdict.reason or rub < 5e-5
    assert "numerical" not in verdict.reason
    plain = judge(draw(), lattice, x, block, certificate)
    assert math.isnan(plain.hysteresis)
    assert plain.verdict == NATURAL
    assert plain.uncertainty == pytest.approx(verdict.uncertainty, rel=1e-9)


def test_undecided_when_unsettled(lattice, block):
    verdict = judge(draw(), lattice, lay_flat(lattice, 1e-4), block, replace(SETTLED, settled=False))
    assert verdict.verdict == UNDECIDED
    assert verdict.meets is None
    assert verdict.gap_median == pytest.approx(1e-4)


def test_undecided_where_overstretched(lattice, block):
    x = lay_flat(lattice, 1e-4)
    x[lattice.index[15, 10], 0] += 0.01
    assert judge(draw(), lattice, x, block).verdict == UNDECIDED
    assert judge(draw(u=0.2), lattice, x, block).verdict == NATURAL


def test_one_overstretched_link_is_enough(lattice, block):
    # One link 3 % longer, its neighbour 3 % shorter: no mean over a node's two links exceeds 1.5 %.
    x = lay_flat(lattice, 1e-4)
    x[lattice.index[15, 10], 0] += 0.03 * lattice.spacing_u
    assert judge(draw(), lattice, x, block).verdict == UNDECIDED
    assert judge(draw(u=0.2), lattice, x, block).verdict == NATURAL


def test_the_outer_side_does_not_lie_clear_when_it_touches(lattice, block):
    turned = replace(lattice, inner_sign=1)
    verdict = judge(draw(kind="lies_clear"), turned, lay_flat(lattice, 2e-4), block)
    assert verdict.verdict == NATURAL
    assert verdict.meets is False
    assert (verdict.gap_median, verdict.contact_share_measured) == pytest.approx((2e-4, 1.0))
    assert judge(draw(kind="lies_clear"), turned, lay_flat(lattice, 2e-3), block).meets


def test_no_body(lattice, block):
    support = replace(block, parts=(BodyPart("support", "slate", is_support=True),))
    verdict = judge(draw(), lattice, lay_flat(lattice, 1e-4), support)
    assert verdict.verdict == CLEAR
    assert verdict.place is None


def test_chord_error_of_a_cylinder():
    sheet = cut_lattice(Sheet(0.3, 0.1, 0.01))
    angle = sheet.uv[:, 0] / 0.1
    x = np.c_[0.1 * np.sin(angle), sheet.uv[:, 1], 0.1 * np.cos(angle)]
    assert chord_error(sheet, x)[5:-5] == pytest.approx(0.01**2 / (8 * 0.1), rel=0.01)


def test_chord_error_of_a_saddle():
    sheet = cut_lattice(Sheet(0.1, 0.1, 0.01))
    x = np.c_[sheet.uv, 2.0 * sheet.uv[:, 0] * sheet.uv[:, 1]]
    # The middle of a cell lies 2 h^2 / 4 off the diagonal that joins its corners.
    assert chord_error(sheet, x) == pytest.approx(2.0 * 0.01**2 / 4, rel=1e-9)


def test_region_share_and_offsets(lattice, block):
    x = lay_flat(lattice, 1e-4)
    whole = judge(draw(u=0.35, kind="touches_place", place="right half"), lattice, x, block)
    assert whole.place.belongs
    assert (whole.place.share_on_place, whole.place.offset_body, whole.place.offset_cloth) == pytest.approx((1, 0, 0))
    assert whole.nearest_region == "right half"
    off = judge(draw(u=0.25, kind="touches_place", place="right half"), lattice, x, block)
    assert off.verdict == NATURAL
    assert off.place.belongs is False
    assert off.meets is False
    # The mark's middle sample is half a sample off its middle.
    assert off.place.offset_body == pytest.approx(0.05, abs=0.0011)
    assert 0.05 - 0.0011 <= off.place.offset_cloth <= 0.05 + 0.0011 + lattice.spacing_u


def test_only_what_touches_is_asked_for_its_place(lattice, block):
    # Gap 1 mm + 0.1 x about x = 0, where the regions part: the left half touches, the right half does not.
    x = lay_flat(lattice, 1e-3, 0.1)
    left, right = (judge(draw(kind="touches_place", place=f"{side} half", share=0.3), lattice, x, block).place
                   for side in ("left", "right"))  # fmt: skip
    assert (left.asked, left.belongs, left.share_on_place) == (True, True, pytest.approx(1.0))
    assert (right.asked, right.belongs, right.share_on_place) == (True, False, pytest.approx(0.0))


def test_place_is_not_asked_where_nothing_touches(lattice, block):
    verdict = judge(draw(u=0.35, kind="touches_place", place="right half"), lattice, lay_flat(lattice, 5e-3), block)
    assert (verdict.place.asked, verdict.place.belongs, verdict.meets) == (False, None, False)
    assert "not asked" in verdict.place.reason
    assert np.isnan([verdict.place.share_on_place_sure, verdict.place.share_on_place]).all()
    assert verdict.place.offset_body == 0.0


@pytest.mark.parametrize(("height", "error", "belongs"), [(1e-4, 1e-3, None), (1e-4, 1e-5, True), (1.05e-3, 1e-4, None),
                                                          (0.85e-3, 1e-4, True)])  # fmt: skip
def test_place_grants_the_uncertainty_both_ways(lattice, block, height, error, belongs):
    # 22 mm of 40 lie on the right half: 55 %. Moved by 1 mm each to the worst, a touching 55 % stays above half; but
    # with a gap of 0.1 mm give or take 1 mm, or 1.05 give or take 0.1, it is not sure that anything touches.
    mark = draw(u=0.302, kind="touches_place", place="right half")
    verdict = judge(mark, lattice, lay_flat(lattice, height), block, replace(SETTLED, penetration_max=error))
    assert verdict.place.asked
    assert verdict.place.belongs is belongs


def test_place_shares_bracket_the_measured_one(lattice, block):
    # 55 % on the right half; 3 mm of error moves 3 of 40 mm over the border, either way: 47.5 to 62.5 %.
    mark = draw(u=0.302, kind="touches_place", place="right half", tolerance=5e-3)
    place = judge(mark, lattice, lay_flat(lattice, 1e-4), block, replace(SETTLED, penetration_max=3e-3)).place
    shares = [place.share_on_place_sure, place.share_on_place, place.share_on_place_possible]
    assert shares == pytest.approx([0.475, 0.55, 0.625], abs=0.026)  # columns of samples are 2 mm apart
    assert place.belongs is None
    place = judge(replace(mark, claim=replace(mark.claim, place="left half")), lattice, lay_flat(lattice, 1e-4), block,
                  replace(SETTLED, penetration_max=5e-4)).place  # fmt: skip
    assert place.belongs is False


def test_place_undecided_on_the_border(lattice, block):
    certificate = replace(SETTLED, penetration_max=4e-4)
    mark = draw(u=0.2998, kind="touches_place", place="right half", tolerance=2e-3)
    verdict = judge(mark, lattice, lay_flat(lattice, 1e-4), block, replace(certificate, penetration_max=2e-3 - 2e-4))
    assert verdict.place.belongs is None


def test_landmark_offsets(lattice, block):
    x = lay_flat(lattice, 1e-4)
    verdict = judge(draw(u=0.45, kind="shows_feature", place="stud"), lattice, x, block)
    assert verdict.place.offset_body == pytest.approx(0.1, abs=0.0015)
    assert verdict.place.offset_cloth == pytest.approx(0.1, abs=0.0015)
    assert verdict.place.belongs is False
    assert judge(draw(u=0.35, size=0.02, kind="shows_feature", place="stud"), lattice, x, block).place.belongs


def test_landmark_grants_the_uncertainty_both_ways(lattice, block):
    # A mark 20 mm wide, its middle 15 mm from the stud: of it 0.74 lie within 20 mm, 0.44 within 14, all within 26.
    mark = draw(u=0.365, size=0.02, kind="shows_feature", place="stud", tolerance=0.01)
    place = judge(mark, lattice, lay_flat(lattice, 1e-4), block, replace(SETTLED, penetration_max=6e-3)).place
    shares = [place.share_on_place_sure, place.share_on_place, place.share_on_place_possible]
    at = (np.arange(20) + 0.5) / 1000 - 0.01
    away = np.hypot(at[:, None] + 0.015, at[None])
    assert shares == pytest.approx([np.mean(away <= reach) for reach in (0.014, 0.02, 0.026)], abs=1e-9)
    assert shares[0] < 0.5 < shares[1] < shares[2]
    assert place.belongs is None
    assert judge(mark, lattice, lay_flat(lattice, 1e-4), block).place.belongs


def test_nearest_cloth_lies_between_nodes(lattice):
    found = nearest_cloth(np.array([0.0137, -0.0291, -0.02]), lattice, lay_flat(lattice, 0.0))
    assert found == pytest.approx([0.3137, 0.1709], abs=1e-4)


def test_a_layer_between_is_no_contact():
    """A sheet folded over a block: the over half lies on the under half, which alone touches the block."""
    sheet = cut_lattice(Sheet(0.4, 0.1, 0.005))
    x = fold_at(sheet, 0.2, 0.5 * THICK + 1e-5)
    top = float(x[:, 2].min()) - 0.5 * THICK - 1e-5
    under = box((-0.1, -0.2, top - 0.1), (0.4, 0.2, top))
    at = np.stack(np.meshgrid(np.linspace(0.29, 0.32, 7), np.linspace(0.04, 0.06, 5)), -1).reshape(-1, 2)
    ring = np.array([[0.285, 0.038], [0.325, 0.038], [0.325, 0.062], [0.285, 0.062]])
    mark = Mark("over", "stain", (ring,), at, np.ones(len(at)), Claim(tolerance=2e-3))
    (verdict,) = judge_marks([mark], sheet, x, under, CARD, SETTLED)
    assert verdict.verdict == NOT_HERE
    assert verdict.gap_max < 1e-3  # near enough, but for the cloth
    assert "Between all of it and the body lies another layer of the cloth." in verdict.reason
    # the same half in the same place, with no cloth under it, does touch
    alone = np.where((sheet.uv[:, :1] < 0.22), x + np.array([-1.0, 0.0, 0.0]), x)
    (verdict,) = judge_marks([replace(mark, claim=Claim(tolerance=2e-3))], sheet, alone, under, CARD, SETTLED)
    assert "another layer" not in verdict.reason
    assert verdict.contact_share_measured == 1.0

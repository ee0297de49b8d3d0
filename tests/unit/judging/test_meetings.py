"""Marks on marks in a sheet folded by exact geometry, where the truth is a mirror image."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from drapesim.judging.meetings import (
    BAND,
    fill_outline,
    find_meetings,
    judge_meeting,
    predict_offsets,
    read_meeting,
)
from drapesim.judging.verdicts import chord_error, judge_marks
from drapesim.matter.answers import CLEAR, NATURAL, NOT_HERE, PARTLY, UNDECIDED
from drapesim.matter.body import box
from drapesim.matter.fabric import read_card
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.layer_record import prepare_layers
from tests.unit.folded_sheet import fold_at, pleat
from tests.unit.made_run import ROOT, make_run

LENGTH, WIDTH, FOLD, RADIUS, THICK = 0.6, 0.2, 0.32, 0.0006, 4e-4
GAP = 2 * RADIUS - THICK  # 0.8 mm
CARD = ROOT / "scenes/fabrics/cover-linen.toml"
NEAR = 1e-3  # m, the bar: paired marks within 1 mm of the truth


def draw(name, ring, tolerance=1e-3, step=1e-3):
    """A stain with samples on a grid, as the drawing's reader makes them, but finer."""
    ring = np.asarray(ring, dtype=float)
    area, low = shapely.Polygon(ring), ring.min(0)
    count = np.ceil(np.ptp(ring, axis=0) / step).astype(int)
    samples = low + step * (np.argwhere(np.ones(count, dtype=bool)) + 0.5)
    samples = samples[shapely.contains_xy(area, *samples.T)]
    return Mark(name, "stain", (ring,), samples, np.full(len(samples), area.area / len(samples)),
                Claim("touches", "", tolerance))  # fmt: skip


def oval(u, v, a, b, n=48):
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.column_stack([u + a * np.cos(turn), v + b * np.sin(turn)])


def mirrored(ring):
    return np.column_stack([2 * FOLD - ring[:, 0], ring[:, 1]])


@pytest.fixture(scope="module", params=[-1, 1])
def folded(request):
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, 0.005, request.param))
    return prepare_layers(lattice, fold_at(lattice, FOLD, RADIUS), THICK)


@pytest.fixture
def certificate():
    return replace(make_run().certificate, settled=True, penetration_max=1e-6, stay_max=1e-6)


def meet(folded, certificate, *marks):
    return find_meetings(marks, folded, certificate, chord_error(folded.lattice, folded.x))


def test_a_mark_and_its_mirror_image_meet_wholly(folded, certificate):
    ring = oval(0.2, 0.1, 0.04, 0.025)
    (found,) = meet(folded, certificate, draw("wax", ring), draw("pale", mirrored(ring)))
    assert (found.mark, found.other, found.face, found.met) == ("wax", "pale", "inner", "inner")
    assert found.meets is True
    assert found.share > 0.97  # samples whose cell the outline cuts may fall on either side of it
    assert found.share_other > 0.97
    assert found.area == pytest.approx(shapely.Polygon(ring).area, rel=0.03)
    for gap in (found.gap_min, found.gap_median, found.gap_max):
        assert gap == pytest.approx(GAP, abs=1e-9)


def test_area_of_a_partial_overlap(folded, certificate):
    """Two squares whose images are 10 mm and 5 mm apart: the area in common is exact."""
    one = np.array([[0.2, 0.08], [0.24, 0.08], [0.24, 0.12], [0.2, 0.12]])
    other = mirrored(one) + np.array([0.01, 0.005])
    (found,) = meet(folded, certificate, draw("wax", one), draw("soot", other))
    assert found.area == pytest.approx(0.03 * 0.035, rel=0.05)
    assert found.share == pytest.approx(0.75 * 0.875, rel=0.05)
    assert found.share_other == pytest.approx(0.75 * 0.875, rel=0.05)


def test_marks_beside_each_other_do_not_meet(folded, certificate):
    """An outline moved by 1 mm more than it is wide has nothing in common with the image of the other."""
    one = np.array([[0.2, 0.08], [0.22, 0.08], [0.22, 0.12], [0.2, 0.12]])
    assert meet(folded, certificate, draw("wax", one), draw("soot", mirrored(one) - [0.021, 0.0])) == ()
    assert len(meet(folded, certificate, draw("wax", one), draw("soot", mirrored(one) - [0.019, 0.0]))) == 1


def test_tolerance_decides(folded, certificate):
    ring = oval(0.2, 0.1, 0.02, 0.02)
    pair = draw("wax", ring, 0.5e-3), draw("pale", mirrored(ring), 0.5e-3)
    (found,) = meet(folded, certificate, *pair)
    assert (found.meets, found.area, found.area_possible) == (False, 0.0, 0.0)
    assert found.across > 0.97
    unsure = replace(certificate, penetration_max=4e-4)  # 0.8 mm give or take 0.4 against 0.5 mm
    (found,) = meet(folded, unsure, *pair)
    assert found.meets is None
    assert found.area_possible > 0.0
    assert meet(folded, replace(certificate, settled=False), *pair)[0].meets is None
    wide = [replace(mark, claim=Claim("touches", "", 1.3e-3)) for mark in pair]
    assert meet(folded, unsure, *wide)[0].meets is True


def test_a_mark_over_the_fold_meets_itself(folded, certificate):
    ring = oval(FOLD, 0.1, 0.05, 0.03)
    (found,) = meet(folded, certificate, draw("wax", ring))
    assert found.mark == found.other == "wax"
    assert found.share > 0.9  # all but the half turn


def test_lines_and_points_meet_too(folded, certificate):
    seam = Mark(
        "seam", "seam", (), np.column_stack([np.full(36, 0.2), np.linspace(0.05, 0.15, 36)]), np.full(36, 1 / 36)
    )
    point = Mark("spot", "stain", (), np.array([[2 * FOLD - 0.2, 0.1]]), np.ones(1))
    assert fill_outline(point).area == pytest.approx(math.pi * BAND**2 / 4, rel=0.01)
    (found,) = meet(folded, certificate, seam, point)
    assert 0.0 < found.share < 0.1
    assert found.share_other == 1.0


def test_prints_are_the_mirror_image(folded):
    """The bar: every point of the predicted outline within 1 mm of the constructed one, and the other way round."""
    ring = oval(0.2, 0.1, 0.04, 0.025)
    (offset,) = predict_offsets(draw("wax", ring), folded)
    assert (offset.mark, offset.face, offset.printed) == ("wax", "inner", "inner")
    truth = shapely.Polygon(mirrored(ring))
    (found,) = offset.rings
    assert shapely.hausdorff_distance(shapely.Polygon(found).boundary, truth.boundary, 0.1) < 0.1 * NEAR
    assert offset.area == pytest.approx(truth.area, rel=0.01)


def test_a_hole_stays_a_hole(folded):
    outer, hole = oval(0.2, 0.1, 0.04, 0.04), oval(0.2, 0.1, 0.02, 0.02)
    wax = draw("wax", outer)
    wax = replace(wax, rings=(*wax.rings, hole))
    (offset,) = predict_offsets(wax, folded)
    assert len(offset.rings) == 2
    assert offset.area == pytest.approx(fill_outline(wax).area, rel=0.01)


def test_a_mark_between_two_layers_prints_on_both():
    """In a pleat the middle layer prints with its inner face on the under one, with its outer face on the upper one."""
    lattice = cut_lattice(Sheet(0.6, WIDTH, 0.005))
    layers = prepare_layers(lattice, pleat(lattice, 0.2, 0.4, RADIUS), THICK)
    ring = oval(0.3, 0.1, 0.03, 0.02)
    found = predict_offsets(draw("wax", ring), layers)
    assert [(each.face, each.printed) for each in found] == [("inner", "inner"), ("outer", "outer")]
    for each, fold in zip(found, (0.2, 0.4), strict=True):
        truth = shapely.Polygon(np.column_stack([2 * fold - ring[:, 0], ring[:, 1]]))
        (outline,) = each.rings
        assert shapely.hausdorff_distance(shapely.Polygon(outline).boundary, truth.boundary, 0.1) < 0.1 * NEAR


def test_no_print_beyond_the_hem_or_across_a_gap(folded):
    """The over half ends at u = 0.6, which lies on u = 0.04: what is drawn beyond prints on nothing."""
    assert predict_offsets(draw("wax", oval(0.02, 0.1, 0.01, 0.01)), folded) == ()
    (cut,) = predict_offsets(draw("wax", oval(0.04, 0.1, 0.02, 0.02)), folded)
    assert cut.rings[0][:, 0].max() <= LENGTH + NEAR
    assert cut.area == pytest.approx(0.5 * math.pi * 0.02**2, rel=0.03)
    assert predict_offsets(draw("wax", oval(0.2, 0.1, 0.02, 0.02), tolerance=0.5e-3), folded) == ()


@pytest.mark.parametrize(
    ("shift", "penetration", "verdict"),
    [
        (0.0, 1e-6, NATURAL),  # all of it, 0.8 mm off, within 1 mm
        (0.0, 4e-4, UNDECIDED),  # 0.8 mm give or take 0.4
        (0.02, 1e-6, PARTLY),  # half of it beside the other
        (0.2, 1e-6, NOT_HERE),
    ],
)
def test_the_claim_that_marks_meet(folded, certificate, shift, penetration, verdict):
    square = np.array([[0.1, 0.08], [0.14, 0.08], [0.14, 0.12], [0.1, 0.12]])
    other = draw("pale", mirrored(square) - np.array([shift, 0.0]))
    told = replace(certificate, penetration_max=penetration)
    found = judge_meeting(draw("wax", square), other, folded, told, chord_error(folded.lattice, folded.x))
    assert found.verdict == verdict
    assert found.contact_share_measured == pytest.approx(max(0.0, 1.0 - shift / 0.04), abs=0.03)
    if verdict != NOT_HERE:
        assert found.gap_median == pytest.approx(GAP, abs=1e-9)
        assert "inner face on inner face" in found.reason
    unsettled = judge_meeting(
        draw("wax", square), other, folded, replace(told, settled=False), chord_error(folded.lattice, folded.x)
    )
    assert unsettled.verdict == UNDECIDED


def test_the_claim_is_of_one_side_of_the_cloth(certificate):
    """In a pleat the middle layer's outer face lies on the upper layer, its inner face on the under one."""
    lattice = cut_lattice(Sheet(0.6, WIDTH, 0.005))
    layers = prepare_layers(lattice, pleat(lattice, 0.2, 0.4, RADIUS), THICK)
    sag, ring = chord_error(lattice, layers.x), oval(0.3, 0.1, 0.03, 0.02)
    upper = draw("upper", np.column_stack([0.8 - ring[:, 0], ring[:, 1]]))
    for side, verdict in (("outer", NATURAL), ("inner", NOT_HERE)):
        wax = replace(draw("wax", ring), claim=Claim("meets", "upper", side=side))
        assert judge_meeting(wax, upper, layers, certificate, sag).verdict == verdict


def test_the_claim_is_judged_among_the_others(folded, certificate):
    """A claim of the kind "meets" goes through `judge_marks`, which knows the other marks by their names."""
    ring = oval(0.2, 0.1, 0.02, 0.02)
    wax = replace(draw("wax", ring), claim=Claim("meets", "pale"))
    pale = draw("pale", mirrored(ring))
    below = box((-0.1, -0.4, -0.2), (0.4, 0.4, -0.1), surface="limewood")
    verdicts = judge_marks((wax, pale), folded.lattice, folded.x, below, read_card(CARD), certificate)
    assert [(v.mark, v.claim, v.verdict, v.meets) for v in verdicts] == [
        ("wax", "meets", NATURAL, True),
        ("pale", "touches", CLEAR, False),
    ]


def test_shares_count_a_place_once(folded, certificate):
    ring = oval(0.2, 0.1, 0.02, 0.02)
    reading = read_meeting(
        draw("wax", ring), draw("all", [[0, 0], [LENGTH, 0], [LENGTH, WIDTH], [0, WIDTH]]), folded, certificate,
        chord_error(folded.lattice, folded.x),
    )  # fmt: skip
    assert reading.shares(1e-3) == pytest.approx((1.0, 1.0, 1.0))
    assert reading.shares(1e-3, (0, 0)) == pytest.approx((1.0, 1.0, 1.0))
    assert reading.shares(1e-3, (1, 0)) == (0.0, 0.0, 0.0)

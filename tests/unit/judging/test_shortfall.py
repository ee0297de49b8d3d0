"""By how many millimetres a lay misses a claim, on records made by hand."""

import numpy as np
import pytest

from drapesim.judging.shortfall import (
    FARTHEST,
    KNEE,
    Ground,
    least_tolerances,
    miss_claims,
    read_shortfalls,
    take_pattern,
)
from drapesim.judging.verdicts import other_side
from drapesim.matter.marks import MEETS, Claim, Mark
from drapesim.matter.sheet import Lattice
from drapesim.settling.contact_record import GapReading

LATTICE = Lattice(0.01, 0.01, np.ones((10, 4), bool))
ALONG = np.broadcast_to(1e-3 * np.arange(11)[:, None], LATTICE.shape)  # a gap of 1 mm for each 10 mm along u


def make_ground(near=ALONG, faces=1.0, off=None, landmark=None, samples=4):
    point = np.zeros((*LATTICE.shape, 3))
    point[..., 0] = LATTICE.uv[:, 0].reshape(LATTICE.shape)
    flat = np.full(LATTICE.shape, float(faces))
    tables = np.array([np.zeros(LATTICE.shape) if off is None else off, np.zeros(LATTICE.shape)])
    aim = np.full((samples, 3), np.nan) if landmark is None else np.tile(landmark, (samples, 1))
    return Ground(LATTICE, near, near, flat, point, tables, np.zeros(samples, int), aim, 2e-4)


def take(claim, *places, weights=None):
    uv = np.array([(u, 0.02) for u in places])
    return take_pattern([Mark("m", "stain", (), uv, np.ones(len(uv)) if weights is None else weights, claim)])


def test_a_gap_falls_short_by_what_exceeds_the_tolerance():
    pattern = take(Claim("touches", tolerance=2e-3), 0.0, 0.02, 0.055, 0.1)
    assert read_shortfalls(pattern, make_ground()).gap == pytest.approx([0.0, 0.0, 3.5e-3, 8e-3])
    s = np.array([0.0, 0.0, 3.5e-3, 8e-3])
    assert miss_claims(pattern, make_ground())[0] == pytest.approx((s / (s + KNEE)).mean())


def test_a_mark_that_is_to_lie_clear_falls_short_by_what_the_gap_lacks():
    pattern = take(Claim("lies_clear", tolerance=2e-3), 0.0, 0.015, 0.05)
    assert read_shortfalls(pattern, make_ground(samples=3)).gap == pytest.approx([2e-3, 0.5e-3, 0.0])
    assert miss_claims(pattern, make_ground(samples=3))[0] == pytest.approx((1.0 + 0.25 + 0.0) / 3.0)


def test_a_side_that_faces_away_and_cloth_that_is_not_there_are_as_far_off_as_can_be():
    pattern = take(Claim("touches"), 0.0)
    assert read_shortfalls(pattern, make_ground(faces=0.0, samples=1)).gap[0] == FARTHEST
    assert read_shortfalls(pattern, make_ground(samples=1), np.array([[-0.02, 0.02]])).gap[0] == FARTHEST


def test_the_outer_side_is_nearer_by_the_thickness_where_it_faces_the_body():
    outer = take(Claim("touches", side="outer", tolerance=1e-3), 0.015)
    ground = make_ground(faces=0.0, samples=1)
    inner = GapReading(np.array([1.5e-3]), np.array([-1.0]), np.zeros((1, 3)), np.zeros(1, np.int32))
    gap = other_side(inner, ground.thickness).gap[0]
    assert read_shortfalls(outer, ground).gap[0] == pytest.approx(gap - 1e-3)
    assert gap == pytest.approx(1.3e-3)


def test_a_region_falls_short_by_the_way_to_it_and_a_landmark_beyond_its_ball():
    flat = np.zeros(LATTICE.shape)
    region = make_ground(near=flat, off=2.0 * ALONG, samples=1)
    pattern = take(Claim("touches_place", "chest"), 0.03)
    assert read_shortfalls(pattern, region).place[0] == pytest.approx(6e-3)
    ground = make_ground(near=flat, landmark=(0.0, 0.0, 0.0), samples=2)
    found = read_shortfalls(take(Claim("shows_feature", "nose"), 0.015, 0.035), ground)
    assert found.landmark == pytest.approx([0.015, 0.035])
    assert found.place == pytest.approx([0.0, 0.015])


def test_of_two_lays_that_meet_a_landmark_the_more_central_misses_less():
    ground = make_ground(near=np.zeros(LATTICE.shape), landmark=(0.05, 0.0, 0.0), samples=1)
    claim = Claim("shows_feature", "nose")
    near, off = (miss_claims(take(claim, u), ground)[0] for u in (0.05, 0.06))
    assert near == 0.0
    assert 0.0 < off < 0.05


def test_the_least_tolerance_serves_the_claimed_share():
    claim = Claim("touches", tolerance=1e-3, share=0.75)
    pattern = take(claim, 0.0, 0.02, 0.04, 0.1)
    assert least_tolerances(pattern, make_ground()) == pytest.approx([3e-3])
    heavy = take(claim, 0.0, 0.02, 0.04, 0.1, weights=np.array([1.0, 1.0, 1.0, 3.0]))
    assert least_tolerances(heavy, make_ground()) == pytest.approx([9e-3])


def test_what_the_body_cannot_judge_is_left_out_and_large_marks_are_thinned_evenly():
    samples = np.random.default_rng(1).random((5000, 2))
    marks = [
        Mark("other", "stain", (), samples, np.ones(5000), Claim(MEETS, "wax")),
        Mark("wax", "stain", (), samples, np.ones(5000), Claim()),
    ]
    pattern = take_pattern(marks)
    assert [mark.name for mark in pattern.marks] == ["wax"]
    assert len(pattern.uv) == 160
    assert pattern.weight.sum() == pytest.approx(1.0)
    assert len(take_pattern([]).uv) == 0

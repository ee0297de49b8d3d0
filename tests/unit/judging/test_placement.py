"""Guesses of where to put a cloth down: from the claims alone, and from a lay at hand moved."""

import numpy as np
import pytest

from drapesim.judging.placement import Put, find_targets, guess_put, predict_put
from drapesim.judging.shortfall import Ground, take_pattern
from drapesim.matter.body import sphere
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Lattice

LOW, HIGH = np.array([-60.0, -60.0, -8.0]), np.array([60.0, 60.0, 8.0])


def put(values):
    """A cloth with the inner side down: x and y in mm, the turn in degrees."""
    c, s = np.cos(np.radians(values[2])), np.sin(np.radians(values[2]))
    return Put(np.array([0.5, 0.3]), 1e-3 * np.asarray(values[:2]), np.array([[c, s], [-s, c]]))


def test_lift_is_the_inverse_of_lay():
    uv = np.random.default_rng(1).random((20, 2))
    there = put((30.0, -10.0, 7.0))
    assert there.lift(there.lay(uv)) == pytest.approx(uv, abs=1e-14)
    assert there.lay(there.point[None])[0] == pytest.approx(there.place)


def test_the_claims_alone_give_the_place_even_where_some_are_false():
    chance = np.random.default_rng(2)
    middles = chance.random((9, 2)) * (1.0, 0.6)
    hidden = np.array([41.0, -23.0, -5.5])
    places = put(hidden).lay(middles)
    places[[2, 7]] += 0.3  # claims that do not go with the others
    found = guess_put((middles, places, np.zeros(9)), put, LOW, HIGH)
    assert found == pytest.approx(hidden, abs=0.02)


def test_the_guess_keeps_to_what_is_free():
    middles = np.array([[0.2, 0.2], [0.8, 0.4]])
    places = put((200.0, 0.0, 0.0)).lay(middles)
    found = guess_put((middles, places, np.zeros(2)), put, LOW, HIGH)
    assert found[0] == pytest.approx(60.0, abs=0.01)


def test_targets_are_middles_of_marks_and_places():
    body = sphere(0.1, (0.1, 0.2, 0.3))
    samples = np.array([[0.1, 0.1], [0.3, 0.1]])
    mark = Mark("wax", "stain", (), samples, np.array([3.0, 1.0]), Claim("touches_place", next(iter(body.landmarks))))
    middles, places, radii = find_targets([mark, Mark("x", "stain", (), samples, np.ones(2))], body)
    assert middles == pytest.approx(np.array([[0.15, 0.1]]))
    assert places == pytest.approx(np.array([np.array(body.landmarks[mark.claim.place])[:2]]))
    assert radii.tolist() == [0.0]


def test_a_lay_at_hand_tells_where_another_start_brings_the_marks():
    # the body shows through as three bumps in the plan, which every lay shows at the same place of the world
    lattice = Lattice(0.02, 0.02, np.ones((50, 30), bool))
    bumps = np.array([[-0.25, 0.05], [0.2, -0.12], [0.3, 0.15]])

    def shown(values):
        plan = put(values).lay(lattice.uv)
        off = np.linalg.norm(plan[:, None] - bumps[None], axis=2).min(axis=1)
        gap = np.maximum(0.0, 0.3 * (off - 0.06)).reshape(lattice.shape)
        point = np.full((*lattice.shape, 3), np.nan)
        none = np.full((len(pattern.uv), 3), np.nan)
        tables = np.zeros((1, *lattice.shape))
        return Ground(lattice, gap, gap, np.ones(lattice.shape), point, tables, np.full(len(none), -1), none, 0.0)

    hidden, at_hand = np.array([25.0, -35.0, 6.0]), np.array([-10.0, 5.0, 0.0])
    angle = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    marks = []
    for number, bump in enumerate(bumps):
        patch = np.concatenate([put(hidden).lift(bump + r * ring) for r in (0.01, 0.03, 0.05, 0.0615)])
        marks.append(Mark(f"m{number}", "stain", (), patch, np.ones(len(patch)), Claim("touches", tolerance=1e-3)))
    pattern = take_pattern(marks)
    found, miss = predict_put(pattern, [(put(at_hand), shown(at_hand))], put, LOW, HIGH)
    assert found == pytest.approx(hidden, abs=0.5)
    assert miss < 0.02

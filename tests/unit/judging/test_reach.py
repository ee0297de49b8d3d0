"""Reach: the largest length of cloth by hand, chains, and sentences."""

import itertools
import math

import numpy as np
import pytest

from drapesim.judging.obstacle import Place, build_obstacle
from drapesim.judging.reach import (
    Limits,
    farthest_points,
    find_limits,
    path_length,
    prove_chain,
    prove_reach,
    say_chain,
)
from drapesim.judging.taut import raise_level
from drapesim.matter.body import box
from drapesim.matter.fabric import FabricCard, Provenance
from drapesim.matter.marks import Claim, Mark
from drapesim.mechanics.body_contact import prepare_body

LIMITS = Limits(0.03, 0.02, math.radians(30.0))
CARD = FabricCard("test", 0.2, 4e-4, np.array([[0, 0], [0.05, 100.0]]), np.array([[0, 0], [0.05, 100.0]]), 45.0,
                  math.radians(30.0), 6e-5, 6e-5, 6e-5, {"itself": 0.4}, safe_strain=(0.03, 0.02))  # fmt: skip


def point(name: str, u: float, v: float, place: str) -> Mark:
    return Mark(name, "stain", (), np.array([[u, v]]), np.ones(1), Claim("touches_place", place, 1e-3))


def test_a_bias_path_grows_by_shear_and_a_yarn_does_not() -> None:
    # by hand: yarns of 100 mm become 103 and 102; sheared by 30 degrees the diagonal is sqrt(103^2 + 102^2 + 103 * 102)
    bias = float(LIMITS.longest(np.array([0.1, -0.1])))
    assert bias == pytest.approx(1e-3 * math.sqrt(103.0**2 + 102.0**2 + 103.0 * 102.0), rel=1e-12)
    assert bias / math.hypot(0.1, 0.1) == pytest.approx(1.2554, abs=1e-4)
    assert float(LIMITS.longest(np.array([0.1, 0.0]))) == pytest.approx(0.103)
    assert float(LIMITS.longest(np.array([0.0, 0.1]))) == pytest.approx(0.102)
    assert float(LIMITS.shortest(np.array([0.1, 0.1]))) == pytest.approx(0.1)  # a rhombus of 60 degrees


def test_the_longest_is_a_norm() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, 500, 2))
    assert (LIMITS.longest(a + b) <= LIMITS.longest(a) + LIMITS.longest(b) + 1e-12).all()


def test_limits_take_the_end_that_lets_the_cloth_give_more() -> None:
    told = {"safe_strain_warp": Provenance("s", high=0.04), "locking_angle": Provenance("s", uncertainty=0.1)}
    found = find_limits(FabricCard(**{**CARD.__dict__, "provenance": told}))
    assert found.warp == 0.04
    assert found.weft == 0.02
    assert found.angle == pytest.approx(1.2 * math.radians(30.0))


def test_the_farthest_pair_of_two_patches() -> None:
    square = np.array([[0.0, 0.0], [0.01, 0.0], [0.01, 0.01], [0.0, 0.01]])
    points, n = farthest_points(square, square + np.array([0.1, 0.0]), LIMITS)
    assert n == pytest.approx(float(LIMITS.longest(np.array([0.11, 0.01]))))
    assert abs(points[1] - points[0]) == pytest.approx([0.11, 0.01])


def test_round_a_hole_the_path_is_longer() -> None:
    outline = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    slit = np.array([[0.5, 0.1], [0.51, 0.1], [0.51, 0.9], [0.5, 0.9]])
    p, q = np.array([0.2, 0.3]), np.array([0.8, 0.3])
    assert path_length(p, q, LIMITS, [outline]) == pytest.approx(float(LIMITS.longest(q - p)), rel=1e-6)
    by_hand = [p, slit[0], slit[1], q]
    legs = sum(float(LIMITS.longest(b - a)) for a, b in itertools.pairwise(by_hand))
    assert path_length(p, q, LIMITS, [outline, slit]) == pytest.approx(legs, rel=1e-6)


@pytest.fixture(scope="module")
def block():
    """A block 0.4 m long; places on its top at x = -0.15, 0, 0.15, the middle one 60 mm to the side."""
    body = box(np.array([-0.2, -0.1, -0.1]), np.array([0.2, 0.1, 0.1]), "wood")
    spots = {"a": [-0.15, 0.0, 0.1], "m": [0.0, 0.06, 0.1], "b": [0.15, 0.0, 0.1]}
    places = [Place(name, centre=np.array(at), radius=0.005) for name, at in spots.items()]
    obstacle = build_obstacle(prepare_body(body), places)
    return obstacle, {place.name: raise_level(obstacle, place) for place in places}


def test_a_short_cloth_is_proven_and_a_long_one_is_not(block) -> None:
    obstacle, levels = block
    short = [point("one", 0.0, 0.0, "a"), point("two", 0.25, 0.0, "b")]  # 300 mm less both rims are 290
    reach = prove_reach(short, obstacle, levels, CARD)
    (pair,) = reach.pairs
    assert pair.is_impossible
    assert pair.way == pytest.approx(0.29, rel=4e-3)
    assert pair.way <= 0.29
    assert pair.needed == pytest.approx((pair.way - 2 * 1.2e-3) / 0.25 - 1)
    assert "one and two are 250 mm apart on the cloth" in reach.reasons()["one"]
    assert set(reach.reasons()) == {"one", "two"}
    long = [point("one", 0.0, 0.0, "a"), point("two", 0.29, 0.0, "b")]
    assert not prove_reach(long, obstacle, levels, CARD).pairs[0].is_impossible


def test_cloth_to_spare_gives_a_least_fold(block) -> None:
    obstacle, levels = block
    (pair,) = prove_reach([point("one", 0, 0, "a"), point("two", 0.6, 0, "b")], obstacle, levels, CARD).pairs
    assert 0.2 < pair.fold < 0.3


def test_a_chain_whose_pairs_are_all_possible(block) -> None:
    """The middle mark may touch far left or far right on a long place, but neither end lets it do both."""
    obstacle, levels = block
    faces = np.unique(obstacle.parent)
    top = faces[obstacle.field.surface.normal[faces][:, 2] > 0.9]
    place = Place("top", faces=top)
    ends = point("one", 0.0, 0.0, "a"), point("two", 0.3, 0.0, "b")
    middle = Mark("mid", "stain", (), np.array([[0.05, 0.0]]), np.ones(1), Claim("touches_place", "top", 1e-3))
    two = levels["a"], levels["b"]
    assert not prove_chain(ends, middle, obstacle, two, place, CARD, LIMITS).is_impossible
    pulled = point("one", 0.0, 0.0, "a"), point("two", 0.1, 0.0, "b")  # 50 mm to each: 103 in all for 290
    chain = prove_chain(pulled, middle, obstacle, two, place, CARD, LIMITS)
    assert chain.is_impossible
    assert "wherever on the top mid touches" in say_chain(chain)

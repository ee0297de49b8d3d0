"""Reach: the largest length of cloth by hand, chains, and sentences."""

import itertools
import math

import numpy as np
import pytest

from drapesim.judging.obstacle import Place, build_obstacle
from drapesim.judging.reach import prove_chain, prove_reach, say_chain
from drapesim.judging.taut import raise_level
from drapesim.judging.threads import (
    Limits,
    bind,
    farthest_points,
    find_limits,
    find_thread,
    list_meets,
    path_length,
)
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


def meet(name: str, u: float, v: float, other: str) -> Mark:
    return Mark(name, "stain", (), np.array([[u, v]]), np.ones(1), Claim("meets", other, 2e-3))


def test_marks_that_meet_bind_those_beside_them() -> None:
    """By hand: from a 100 mm along the warp to x, layer on layer to y, 50 mm along the weft to b."""
    a, b = point("a", 0.0, 0.0, "p"), point("b", 1.0, 0.55, "q")
    x, y = meet("x", 0.1, 0.0, "y"), meet("y", 1.0, 0.5, "z")
    meets = list_meets([a, b, x, y], CARD)
    assert [m.marks[0].name for m in meets] == ["x"]  # no mark z is drawn
    assert meets[0].granted == pytest.approx(2e-3 + 4e-4)
    thread = find_thread(a, b, LIMITS, meets)
    assert thread.over == ("x", "y")
    assert thread.flat == pytest.approx(0.15)
    assert thread.granted == pytest.approx(2.4e-3)
    assert thread.longest == pytest.approx(bind(a, x, LIMITS)[1] + bind(y, b, LIMITS)[1])
    assert thread.longest == pytest.approx(0.1 * 1.03 + 0.05 * 1.02, abs=8e-3)  # and what the drawing leaves open
    back = find_thread(b, a, LIMITS, meets)
    assert back.over == ("y", "x")
    assert back.longest == pytest.approx(thread.longest)
    near = find_thread(a, point("c", 0.05, 0.0, "q"), LIMITS, meets)
    assert near.over == ()


def test_two_meetings_in_a_row_and_the_breadth_of_a_mark_between() -> None:
    """a is beside x, x lies on a stripe 200 mm long, whose other end may be what lies on w, beside b."""
    a, b = point("a", 0.0, 0.0, "p"), point("b", 1.0, 0.9, "q")
    ring = np.array([[0.5, 0.5], [0.7, 0.5], [0.7, 0.51], [0.5, 0.51]])
    stripe = Mark("stripe", "stain", (ring,), ring, np.full(4, 1e-6), Claim("meets", "w", 1e-3))
    meets = list_meets([a, b, meet("x", 0.0, 0.01, "stripe"), stripe, meet("w", 1.0, 0.89, "")], CARD)
    thread = find_thread(a, b, LIMITS, meets)
    assert thread.over == ("x", "stripe", "stripe", "w")
    assert thread.flat == pytest.approx(0.01 + math.hypot(0.2, 0.01) + 0.01)


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


def test_cloth_folded_on_itself_is_too_short_where_the_cloth_between_is_not(block) -> None:
    """500 mm of cloth between places 290 mm apart; but x and y, 50 mm beside the marks, are claimed to meet."""
    obstacle, levels = block
    ends = [point("one", 0.0, 0.0, "a"), point("two", 0.5, 0.0, "b")]
    assert not prove_reach(ends, obstacle, levels, CARD).pairs[0].is_impossible
    folded = [*ends, meet("x", 0.05, 0.0, "y"), point("y", 0.45, 0.0, "nowhere")]
    reach = prove_reach(folded, obstacle, levels, CARD)
    (pair,) = reach.pairs
    assert pair.is_impossible
    assert pair.flat == pytest.approx(0.1)
    assert reach.meets == (("x", "y"),)
    assert "100 mm apart along the cloth where, as claimed, x lies on y" in reach.reasons()["x"]
    assert set(reach.reasons()) == {"one", "two", "x", "y"}
    apart = [*ends, meet("x", 0.15, 0.0, "y"), point("y", 0.35, 0.0, "nowhere")]  # 150 mm beside: 300 do
    assert not prove_reach(apart, obstacle, levels, CARD).pairs[0].is_impossible


def test_nothing_is_searched_for_steepness_where_even_the_way_found_is_short_enough(block) -> None:
    obstacle, levels = block
    fresh = {name: raise_level(obstacle, levels[name].place) for name in ("a", "b")}
    (pair,) = prove_reach([point("one", 0.0, 0.0, "a"), point("two", 0.31, 0.0, "b")], obstacle, fresh, CARD).pairs
    assert "steep" not in vars(fresh["a"])
    assert 0.0 < pair.way <= pair.found == pytest.approx(0.29, rel=2e-3)
    assert 0.0 < pair.spare < 0.05
    assert len(pair.string)  # of the tightest pair


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

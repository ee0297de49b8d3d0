"""Chance: scores by hand, lots that stay on the cloth, uniform p values."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.judging.chance import (
    CLOSENESS,
    Ground,
    claim_by_lot,
    interval,
    judged_by_lay,
    lay_by_lot,
    list_ways,
    say_chance,
    say_support,
    score_marks,
    weigh_chance,
)
from drapesim.matter.marks import Claim
from tests.unit.made_lay import SIZE, body, ground, patch


def test_scores_by_hand() -> None:
    field = ground()
    flat = Ground(field.lattice, field.body, np.full_like(field.gap, 5e-4), field.facing, field.region, field.point)
    marks = [
        patch("t", (0.1, 0.1), Claim("touches", "", 1e-3)),
        patch("half", (0.3, 0.1), Claim("touches_place", "left", 1e-3)),  # the border lies between two nodes
        patch("clear", (0.1, 0.1), Claim("lies_clear", "", 1e-3)),
    ]
    scores = score_marks(marks, flat)
    assert scores[0] == pytest.approx(1.0 - CLOSENESS * 5e-4 / 0.02)
    assert 0.3 < scores[1] < 0.7
    assert scores[2] == pytest.approx(CLOSENESS * 5e-4 / 0.02)
    turned = Ground(flat.lattice, flat.body, flat.gap, -flat.facing, flat.region, flat.point)
    assert score_marks(marks[:1], turned)[0] < 0.01


def folded(gap: float = 4e-4) -> Ground:
    """The made lay folded over across u: its right half lies on its left half, outer side on outer side."""
    field = ground()
    u, v = np.meshgrid(np.arange(61) * 0.01, np.arange(31) * 0.01, indexing="ij")
    uv = np.full((61, 31, 2, 2), np.nan)
    uv[:, :, 1] = np.stack([0.6 - u, v], axis=-1)
    return replace(field, layer_gap=np.where(np.isnan(uv[..., 0]), np.inf, gap), layer_uv=uv)


def test_marks_that_are_to_meet_are_scored_by_the_layers() -> None:
    a = patch("a", (0.1, 0.1), Claim("meets", "b", 1e-3, side="outer"))
    score = lambda other, field, mark=a: score_marks([mark, other], field)[0]  # noqa: E731
    there, half, none = (patch("b", (u, 0.1), Claim()) for u in (0.5, 0.512, 0.3))
    assert score(there, folded()) == pytest.approx(1.0 - CLOSENESS * 4e-4 / 0.02)
    assert 0.35 < score(half, folded()) < 0.75
    assert score(none, folded()) == 0.0
    assert score(there, folded(gap=2e-3)) == pytest.approx(CLOSENESS * 0.9)
    inner = replace(a, claim=replace(a.claim, side="inner"))
    assert score(there, folded(), inner) == 0.0
    assert score(there, ground()) == 0.0  # no layers recorded
    assert judged_by_lay([a, there], True) == [a, there]
    assert judged_by_lay([a, there], False) == [there]


def test_marks_made_by_meeting_are_seldom_matched_by_lots() -> None:
    marks = [patch("a", (0.137, 0.083), Claim("meets", "b", 1e-3, side="outer")), patch("b", (0.463, 0.083), Claim())]
    lots = weigh_chance(marks, folded(), "redrawn", 999, 1)
    assert lots.share < 0.05


@pytest.mark.parametrize("way", ["shifted", "turned", "mirrored", "redrawn"])
def test_lots_stay_on_the_cloth_and_keep_their_shape(way: str) -> None:
    marks = [patch("a", (0.1, 0.1), Claim()), patch("b", (0.2, 0.15), Claim())]
    rng = np.random.default_rng(2)
    far = np.linalg.norm(marks[0].samples[0] - marks[0].samples[-1])
    for _ in range(50):
        lot = lay_by_lot(marks, SIZE, way, rng)
        every = np.concatenate([mark.samples for mark in lot])
        assert every.min() >= -1e-12
        assert (every <= np.array(SIZE) + 1e-12).all()
        assert np.linalg.norm(lot[0].samples[0] - lot[0].samples[-1]) == pytest.approx(far)
        apart = np.linalg.norm(lot[0].samples.mean(0) - lot[1].samples.mean(0))
        if way != "redrawn":
            assert apart == pytest.approx(np.hypot(0.1, 0.05))
    if way == "shifted":
        assert (lot[0].samples - lot[0].samples[0]) == pytest.approx(marks[0].samples - marks[0].samples[0])


def test_marks_made_by_contact_are_seldom_matched_by_lots() -> None:
    field = ground()
    i, j = np.unravel_index(np.argsort(field.gap[5:-5, 5:-5], axis=None)[:1], field.gap[5:-5, 5:-5].shape)
    best = patch("made", (0.01 * (i[0] + 5), 0.01 * (j[0] + 5)), Claim("touches", "", 1e-3), half=0.02)
    assert weigh_chance([best], field, "redrawn", 999, 1).share < 0.05


def test_places_are_drawn_from_the_bodys_own() -> None:
    marks = [patch("a", (0.1, 0.1), Claim("touches_place", "left"))] * 40
    names = {mark.claim.place for mark in claim_by_lot(marks, body(), np.random.default_rng(0))}
    assert names == {"left", "right"}
    assert "places" in list_ways(marks)
    assert "places" not in list_ways([patch("a", (0.1, 0.1), Claim())])


def test_the_interval_is_exact() -> None:
    assert interval(0, 999) == pytest.approx((0.0, 1.0 - 0.025 ** (1 / 999)))
    low, high = interval(50, 100)
    assert (low, high) == pytest.approx((0.3983, 0.6017), abs=1e-4)  # published tables give 39.8 to 60.2 %


def test_what_is_said() -> None:
    chance = weigh_chance([patch("a", (0.1, 0.1), Claim())], ground(), "shifted", 99, 1)
    assert "Of 99 lots" in say_chance(chance)
    said = say_support((0.8, 0.3), ("run A", "run B"), (4, 1), 5)
    assert "fit run A better" in said
    assert "no conclusion" in said
    assert "do not tell the two apart" in say_support((0.5, 0.5), ("A", "B"), (1, 1), 2)

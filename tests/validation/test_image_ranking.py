"""Claim: a flat map made with one way of transfer in one lay ranks its own way and lay first, and gives its reach back.

There is no published figure to hold this against: the truth is known because the picture is made here (a body of four
rounded shapes, three lays by formula and three settled and certified ones, eight ways; tone, weave, blotches and noise
added: `constructed`). The bars are the bar: own way and lay first in 19 of 20 seeds, cut-off gap within 10 %, counted
the same way. The 95 % interval of the reach held the truth in 97 of 100 seeds (linear) and in 60 of 60 (exponential).
Without the doubt of the cloth's own tone it did in 48 of 60, and with it in pictures a tenth of whose pixels are white
in 53 of 60. Of 48 pictures of settled lays all ranked their own way and lay first.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from drapesim.jobs.image import BURNT
from drapesim.judging.density import read_density, rebuild_gap, study_gaps
from drapesim.judging.likeness import Candidate, rank
from drapesim.judging.transfer import Laid, Source, find_blank, find_inner
from tests.validation.constructed import BASE, OWN, PALE, PIXEL, SETTLED, all_sources, paint, print_all, settle_lay

SEEDS = 20
Sources = dict[tuple[str, str], tuple[Laid, Source]]


@pytest.fixture(scope="module")
def sources() -> Sources:
    return all_sources()


def _count_first(sources: Sources, key: tuple[str, str], seeds: Iterable[int]) -> int:
    laid, own = sources[key]
    candidates = [Candidate(*each, source.strength, {}) for each, (_, source) in sources.items()]
    first = 0
    for seed in seeds:
        density = read_density(paint(own.strength, seed), PIXEL, laid.lattice, blank=find_blank(laid))
        best = rank(laid.lattice.uv, density.value, candidates)[0]
        first += (best.lay, best.way) == key
    return first


def test_own_way_and_lay_rank_first(sources: Sources) -> None:
    assert _count_first(sources, OWN, range(SEEDS)) >= 19


def test_own_way_and_settled_lay_rank_first() -> None:
    sources = print_all({name: settle_lay(*lay) for name, lay in SETTLED.items()})
    keys = list(sources)
    assert len(keys) == 24
    # 20 seeds for each way in each lay would be 480 pictures: they take turns
    assert sum(_count_first(sources, keys[(7 * seed) % len(keys)], [seed]) for seed in range(SEEDS)) >= 19


def test_reach_comes_back_within_a_tenth(sources: Sources) -> None:
    laid, own = sources[OWN]
    near = law = held = 0
    for seed in range(SEEDS):
        density = read_density(paint(own.strength, seed), PIXEL, laid.lattice, blank=find_blank(laid))
        study = study_gaps(
            "all",
            laid.lattice.uv,
            np.where(find_inner(laid.lattice, own), own.gap, np.nan),
            density.value,
            tone=density.tone,
        )
        linear = next(each for each in study.laws if each.law == "linear")
        near += abs(linear.cut_off / own.way.reach - 1.0) <= 0.1
        law += study.laws[0].law == "linear"
        held += linear.least <= own.way.reach <= linear.most
        assert study.most < 0.0, "density falls with the gap, so ranks run against each other"
    assert near >= 19
    assert law >= 19
    assert held >= 18


def test_picture_too_light_to_be_measured_is_told(sources: Sources) -> None:
    laid, own = sources[OWN]
    gap = np.where(find_inner(laid.lattice, own), own.gap, np.nan)
    full = []
    for seed in range(5):
        for base in (PALE, BASE):
            density = read_density(paint(own.strength, seed, base), PIXEL, laid.lattice, blank=find_blank(laid))
            laws = study_gaps("all", laid.lattice.uv, gap, density.value).laws
            full.append(next(law.full for law in laws if law.law == "linear"))
            assert (density.burnt > BURNT) == (base == PALE)
    pale, true = np.array(full).reshape(-1, 2).T
    assert (pale < true).all()


def test_relief_rebuilt_from_density_is_the_body(sources: Sources) -> None:
    laid, own = sources[OWN]
    density = read_density(paint(own.strength, 3), PIXEL, laid.lattice, blank=find_blank(laid))
    linear = next(
        each
        for each in study_gaps(
            "all", laid.lattice.uv, np.where(find_inner(laid.lattice, own), own.gap, np.nan), density.value
        ).laws
        if each.law == "linear"
    )
    rebuilt = rebuild_gap(density.value, own.gap, linear)
    assert rebuilt is not None
    # blotches of 0.02 in density at a contrast of 0.25 are 1.6 mm of gap
    assert rebuilt.rms < 2.0 * 0.02 / 0.25 * own.way.reach
    assert rebuilt.rank > 0.9


def test_no_image_ranks_nothing_first_for_sure(sources: Sources) -> None:
    laid, own = sources[OWN]
    density = read_density(paint(np.zeros_like(own.strength), 1), PIXEL, laid.lattice, blank=find_blank(laid))
    candidates = [Candidate(*key, source.strength, {}) for key, (_, source) in sources.items()]
    best = rank(laid.lattice.uv, density.value, candidates)[0]
    assert best.first < 0.9
    assert best.correlation < 0.3

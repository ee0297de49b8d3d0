"""Density at nodes, the cloth's own tone, blocked intervals, fall-offs, and the ranking's arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from drapesim.judging.density import (
    Tone,
    correlate,
    draw_blocks,
    fit_tone,
    number_blocks,
    read_density,
    rebuild_gap,
    smooth_light,
    study_gaps,
    sum_blocks,
)
from drapesim.judging.likeness import Candidate, correlate_anew, overlap, rank
from drapesim.matter.sheet import Lattice

LATTICE = Lattice(0.01, 0.01, np.ones((40, 40), bool))
UV = LATTICE.uv


def test_density_of_a_grey_is_that_of_its_reflectance() -> None:
    # sRGB 188 is 50.3 % of the light, 118 is 18.1 %
    light = smooth_light(np.array([[[188] * 3, [118] * 3, [255] * 3, [0] * 3]], np.uint8))
    np.testing.assert_allclose(light[0], [0.503, 0.181, 1.0, 0.0], atol=1e-3)
    pixels = np.full((400, 400, 3), 188, np.uint8)
    pixels[100:300, 100:300] = 118
    blank = np.abs(UV - 0.2).max(axis=1) > 0.12
    density = read_density(pixels, 1e-3, LATTICE, blank=blank)
    inside = np.abs(UV - 0.2).max(axis=1) < 0.09
    np.testing.assert_allclose(density.value[inside], np.log10(0.503 / 0.181), atol=2e-3)
    np.testing.assert_allclose(density.value[blank], 0.0, atol=1e-3)


def test_weave_is_weakened_as_the_filter_says() -> None:
    period = 4e-3
    x = (np.arange(400) + 0.5) * 1e-3
    wave = np.sin(2 * np.pi * x / period)
    left = gaussian_filter(np.tile(wave, (50, 1)), 1.5)[25, 100:300]
    assert np.abs(left).max() / np.abs(wave).max() == pytest.approx(
        np.exp(-2 * np.pi**2 * 1.5e-3**2 / period**2), rel=0.1
    )


def test_own_tone_is_found_round_an_image_that_covers_a_third() -> None:
    chance = np.random.default_rng(5)
    tone = 0.1 + 0.2 * UV[:, 0] - 0.3 * UV[:, 1] ** 2
    dark = tone + 0.01 * chance.normal(size=len(UV))
    dark[np.hypot(*(UV - 0.2).T) < 0.13] += 0.3
    found = fit_tone(UV, dark)
    np.testing.assert_allclose(found.read(UV), tone, atol=0.02)
    assert found.spread == pytest.approx(0.01, rel=0.4)


def test_doubt_of_the_own_tone_is_its_error_over_pictures() -> None:
    """Blotches as large as the blocks: over many cloths the tone errs as each one's resamples say."""
    blank = np.abs(UV - 0.2).max(axis=1) > 0.1
    middle = np.array([[0.2, 0.2]])
    errors, doubts = [], []
    for seed in range(40):
        chance = np.random.default_rng(seed)
        dark = 0.3 + 0.02 * chance.normal(size=(9, 9))[tuple((UV / 0.05 + 1e-9).astype(int).T)]
        dark[~blank] += 0.3
        tone = fit_tone(UV, dark, blank, seed, block=0.05)
        errors.append(tone.read(middle)[0] - 0.3)
        doubts.append((tone.doubt @ tone.terms(middle)[0]).std())
    assert np.mean(doubts) == pytest.approx(np.std(errors), rel=0.25)
    assert not len(fit_tone(UV[:60], np.full(60, 0.3)).doubt)  # in one block: not told


def test_doubt_of_the_own_tone_widens_all_intervals() -> None:
    gap = np.random.default_rng(4).uniform(0.0, 0.055, len(UV))
    density = 0.4 * np.maximum(0.0, 1.0 - gap / 0.03) + 0.01 * np.random.default_rng(5).normal(size=len(UV))
    doubt = np.zeros((400, 6))
    doubt[:, 0] = 0.02 * np.random.default_rng(6).normal(size=400)
    tone = Tone(np.full(2, 0.2), np.full(2, 0.4), np.zeros(6), 0.01, doubt)
    plain, wide = (study_gaps("all", UV, gap, density, block=0.1, tone=each) for each in (None, tone))
    assert wide.laws[0].reach == plain.laws[0].reach
    for each, other in zip(wide.bins, plain.bins, strict=True):
        assert each.most - each.least > 0.06 > other.most - other.least  # 4 x 0.02, drawn out by few blocks
    assert wide.laws[0].most - wide.laws[0].least > 2 * (plain.laws[0].most - plain.laws[0].least)


def test_what_is_left_over_alike_in_neighbouring_blocks_is_told() -> None:
    gap = np.random.default_rng(4).uniform(0.0, 0.055, len(UV))
    fades = 0.4 * np.maximum(0.0, 1.0 - gap / 0.03)
    alone = study_gaps("all", UV, gap, fades + 0.02 * np.random.default_rng(5).normal(size=len(UV)), block=0.05)
    assert abs(alone.alike) < 0.3
    wave = study_gaps("all", UV, gap, fades + 0.05 * np.sin(2 * np.pi * UV[:, 0] / 0.4), block=0.05)
    assert wave.alike > 0.6
    assert np.isnan(study_gaps("all", UV, gap, fades, block=0.2).alike)  # too few blocks


def test_white_pixels_are_counted_as_burnt() -> None:
    pixels = np.full((400, 400, 3), 250, np.uint8)
    pixels[:100] = 255
    pixels[100:200, :, 0] = 255  # red alone: still measured
    assert read_density(pixels, 1e-3, LATTICE).burnt == pytest.approx(0.25)


def test_block_sums_give_pearsons_correlation() -> None:
    chance = np.random.default_rng(1)
    a = chance.normal(size=len(UV))
    b = 0.5 * a + chance.normal(size=len(UV))
    number = number_blocks(UV, 0.1)
    n = number.max() + 1
    assert n == 25  # the last line of nodes begins a row of its own
    whole = correlate(sum_blocks(number, n, a, b), np.ones((1, n)))[0]
    assert whole == pytest.approx(np.corrcoef(a, b)[0, 1])
    drawn = draw_blocks(n, 3, 50)
    assert (drawn.sum(axis=1) == n).all()


def test_blocks_widen_intervals_where_neighbours_agree() -> None:
    """A pattern that changes by blocks tells as much as there are blocks, not as there are nodes."""
    chance = np.random.default_rng(9)
    number = number_blocks(UV, 0.1)
    gap = chance.uniform(0, 0.05, number.max() + 1)[number]
    density = chance.normal(size=number.max() + 1)[number]
    blocked = study_gaps("all", UV, gap, density, block=0.1, with_laws=False)
    single = study_gaps("all", UV, gap, density, block=0.01, with_laws=False)
    assert blocked.most - blocked.least > 5 * (single.most - single.least)


def test_exact_fall_off_comes_back_and_is_turned_round() -> None:
    gap = np.random.default_rng(4).uniform(-0.001, 0.055, len(UV))
    open_gap = np.maximum(gap, 0.0)
    study = study_gaps("all", UV, gap, 0.4 * np.maximum(0.0, 1.0 - open_gap / 0.03))
    assert study.laws[0].law == "linear"
    assert study.laws[0].cut_off == pytest.approx(0.03, rel=0.01)
    assert study.laws[0].full == pytest.approx(0.4, rel=0.01)
    assert study.laws[0].rms < 2e-3
    rebuilt = rebuild_gap(0.4 * np.maximum(0.0, 1.0 - open_gap / 0.03), gap, study.laws[0])
    assert rebuilt is not None
    assert rebuilt.rms < 3e-4
    study = study_gaps("all", UV, gap, 0.4 * np.exp(-open_gap / 0.01))
    assert study.laws[0].law == "exponential"
    assert study.laws[0].cut_off == pytest.approx(0.01 * np.log(20.0), rel=0.02)


def test_cut_off_is_found_between_two_gaps() -> None:
    gap = np.random.default_rng(4).uniform(0.0, 0.055, len(UV))
    within = np.sort(gap)[np.searchsorted(np.sort(gap), 0.0137) + np.array([-1, 0])]
    noise = 0.02 * np.random.default_rng(5).normal(size=len(UV))
    study = study_gaps("all", UV, gap, 0.4 * (gap <= 0.0137) + noise)
    law = study.laws[0]
    assert law.law == "cut-off"
    assert law.reach == pytest.approx(within.mean(), abs=5e-5)
    assert law.least < 0.0137 < law.most
    assert law.most - law.least < 1e-3


def test_too_little_cloth_is_told_as_unknown() -> None:
    few = study_gaps("nose", UV[:8], np.full(8, 0.01), np.zeros(8))
    assert np.isnan(few.rank)
    assert few.laws == ()
    level = study_gaps("all", UV, np.full(len(UV), 0.01), np.zeros(len(UV)))
    assert np.isnan(level.rank)
    assert level.laws[0].full == 0.0
    assert rebuild_gap(np.zeros(len(UV)), np.full(len(UV), 0.01), level.laws[0]) is None


def test_correlation_in_a_resample_is_that_of_its_blocks_with_the_tone_told_anew() -> None:
    chance = np.random.default_rng(3)
    a, b, terms = chance.normal(size=len(UV)), chance.normal(size=len(UV)), chance.normal(size=(len(UV), 2))
    number = number_blocks(UV, 0.1)
    drawn = draw_blocks(number.max() + 1, 5, 4)
    doubt = 0.3 * chance.normal(size=(4, 2))
    found = correlate_anew(number, a, b, drawn, terms, doubt)
    for k in range(4):
        times = drawn[k][number].astype(int)
        wanted = np.corrcoef(np.repeat(a, times), np.repeat(b - terms @ doubt[k], times))[0, 1]
        assert found[k] == pytest.approx(wanted, abs=1e-12)


def test_doubt_of_the_own_tone_widens_the_rankings_intervals() -> None:
    chance = np.random.default_rng(8)
    strength = np.clip(1.0 - np.hypot(*(UV - 0.2).T) / 0.15, 0.0, 1.0)
    candidates = [Candidate("a", "view", strength, {}), Candidate("a", "contact:1", np.round(strength), {})]
    density = 0.2 * strength + 0.02 * chance.normal(size=len(UV))
    doubt = np.zeros((400, 6))
    doubt[:, 1] = 0.2 * chance.normal(size=400)  # a slope along u
    tone = Tone(np.full(2, 0.2), np.full(2, 0.4), np.zeros(6), 0.01, doubt)
    plain, wide = (rank(UV, density, candidates, block=0.05, tone=each) for each in (None, tone))
    for one, other in zip(plain, wide, strict=True):
        assert one.correlation == other.correlation
        assert other.most - other.least > 1.5 * (one.most - one.least)


def test_ranking_by_hand() -> None:
    truth = (UV[:, 0] > 0.2).astype(float)
    other = (UV[:, 1] > 0.2).astype(float)
    places = {"nose": np.array([0.1, 0.1])}
    scores = rank(UV, 0.3 * truth - 5.0, [
        Candidate("a", "view", other, {"nose": np.array([0.1, 0.13])}),
        Candidate("a", "contact:1", truth, {"nose": np.array([0.14, 0.1])}),
        Candidate("b", "contact:1", np.ones(len(UV)), {}),
    ], places)  # fmt: skip
    assert [s.way for s in scores] == ["contact:1", "view", "contact:1"]
    assert scores[0].correlation == pytest.approx(1.0)
    assert scores[0].first == 1.0
    assert scores[0].landmark_rms == pytest.approx(0.04)
    assert scores[1].landmark_rms == pytest.approx(0.03)
    assert scores[1].behind_least > 0.0
    assert np.isnan(scores[2].correlation)
    assert scores[2].landmarks == 0
    assert overlap(truth, 0.3 * truth) == 1.0
    assert overlap(1.0 - truth, 0.3 * truth) == 0.0

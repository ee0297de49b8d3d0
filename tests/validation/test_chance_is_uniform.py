"""Claim: shares told by the chance test are valid p values: of marks laid down by the very lot they are uniform.

If marks and n lots are exchangeable, the rank of the marks' score is uniform over n + 1 places, so (k + 1) / (n + 1) is
uniform up to ties (Davison and Hinkley 1997, 4.2.1; from memory). Kolmogorov and Smirnov's test over 200 seeds, each a
lay of its own, rejects below 1 %: a right count fails once in a hundred seeds of this file, which are fixed.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from drapesim.judging.chance import Ground, claim_by_lot, lay_by_lot, weigh_chance
from drapesim.matter.marks import Claim, Mark
from tests.unit.made_lay import SIZE, ground, patch

pytestmark = pytest.mark.validation


@pytest.mark.parametrize("way", ["shifted", "turned", "mirrored", "redrawn"])
def test_p_values_of_marks_laid_by_lot_are_uniform(way: str) -> None:
    """200 seeds, each with marks that lie by that very lot; a wrong count (say k / n of strictly better) still passes a
    look, so the least and the mean are looked at too."""
    claims = [Claim("touches", "", 3e-3), Claim("touches_place", "left", 4e-3), Claim("lies_clear", "", 2e-3)]
    base = [patch(f"m{k}", (0.1 + 0.05 * k, 0.1 + 0.03 * k), claim) for k, claim in enumerate(claims)]
    shares = []
    for seed in range(200):
        field = ground(seed)
        marks = lay_by_lot(base, SIZE, way, np.random.default_rng([99, seed]))
        shares.append(weigh_chance(marks, field, way, 99, seed).share)
    assert kstest(shares, "uniform").pvalue > 0.01
    assert min(shares) >= 0.01


REGIONS, LANDMARKS = 12, 5


def patchwork(seed: int) -> tuple[Ground, list[Mark]]:
    """A lay over a body of many regions and landmarks that lie about by chance, and broad marks that cross several.

    Samples weigh unequally, so that hardly two lots score alike: ties count against the marks, and would bend the
    p values upward.
    """
    rng = np.random.default_rng([7, seed])
    field = ground(seed)
    u, v = np.meshgrid(np.arange(61) * 0.01, np.arange(31) * 0.01, indexing="ij")
    point = np.stack([u, v, np.zeros_like(u)], axis=-1)
    middle = rng.random((REGIONS, 2)) * SIZE
    away = np.linalg.norm(point[:, :, None, :2] - middle, axis=-1)
    spots = {f"spot {k}": (*(rng.random(2) * SIZE), 0.0) for k in range(LANDMARKS)}
    body = replace(field.body, region_names=tuple(f"part {k}" for k in range(REGIONS)), landmarks=spots)
    marks = [
        patch(f"m{k}", at, Claim("touches_place", "spot 0" if k == 0 else "part 0", 8e-3), half=0.09)
        for k, at in enumerate(0.1 + rng.random((5, 2)) * (np.array(SIZE) - 0.2))
    ]
    weighed = [replace(mark, weights=0.2 + rng.random(len(mark.weights))) for mark in marks]
    return replace(field, body=body, region=away.argmin(axis=-1), point=point), weighed


def test_p_values_of_places_drawn_by_lot_are_uniform() -> None:
    """The marks stay; what they claim was drawn by the very lot, each among its like."""
    shares = []
    for seed in range(200):
        field, base = patchwork(seed)
        marks = claim_by_lot(base, field.body, np.random.default_rng([98, seed]))
        shares.append(weigh_chance(marks, field, "places", 99, seed).share)
    assert kstest(shares, "uniform").pvalue > 0.01
    assert min(shares) >= 0.01
    assert np.mean(shares) < 0.58

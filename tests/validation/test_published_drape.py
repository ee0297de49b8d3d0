"""Claim: the drape coefficient of the computed cloth is that published for the cloth, as far as its card is known.

Formula: share of the ring that still casts a shadow (reductions.drape_coefficient).
Source: Matsudaira, Masuda, Wada and Yokura 2015, J. Textile Engineering 61, 69 (DOI 10.4188/jte.61.69), tables 1 and 2,
as quoted in a public source file; the paper itself was not opened. Quoted are weight, thickness, one bending rigidity
and one 2HB for both yarns, and the drape coefficient; neither the shear, the bending on the bias, the sizes of the
discs (300 on 180 mm assumed) nor the scatter.
So each cloth is draped twice: with shear at the low end of what is usual (22 N/m per rad) and a bias of yarns that do
not resist twist, and with shear at its high end (67) and the bias by Peirce's rule (matter.estimates). The published
figure must lie between, give or take what the starts of one cloth differ by.
Elastic discs do for the tropicals, whose yarns rub little (half of 2HB below 0.4 w c^2). Cotton broadcloth has 1.1
w c^2: there the elastic disc must read too low. Let down from flat with that friction in its hinges
(jobs.lab.rubbing, itself held against the exact strip in its unit test), all three must do.
Expected order: none is claimed; at h = c/4 broadcloth rests 3 to 5 points higher than at the 0.4 c here, with friction.
Tolerance: 3 points of per cent, the spread of the starts measured here (0 to 3). With twice its 2HB broadcloth rests at
92 to 95 % and with none at 59 to 71, and the test turns red; so does polyester tropical with twice its rigidity.
"""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.units import bending_length, to_si
from drapesim.jobs.lab.drape_meter import DISCS, SUPPORT, drape, drape_rubbing
from drapesim.matter.fabric import FabricCard

pytestmark = pytest.mark.validation

# B gf cm2/cm, 2HB gf cm/cm, weight mg/cm2, thickness mm, drape coefficient
ROWS = {
    "cotton broadcloth": (0.118, 0.124, 12.38, 0.497, 0.829),
    "wool tropical": (0.067, 0.033, 16.29, 0.407, 0.498),
    "polyester tropical": (0.077, 0.029, 11.65, 0.340, 0.507),
}
ENDS = {"low": (22.0, 0.5), "high": (67.0, 1.0)}  # shear N/m per rad, bias over warp rigidity
DISC, SHARE, SPREAD = DISCS[1], 0.4, 0.03


def card_of(name: str, end: str) -> FabricCard:
    rigidity, hysteresis, weight, thickness, _ = ROWS[name]
    shear, bias = ENDS[end]
    bend, rub = to_si(rigidity, "gf_cm2_cm"), to_si(hysteresis, "gf_cm_cm")
    pull = np.array([[0.0, 0.0], [0.05, 490.0]])
    return FabricCard(
        name, to_si(weight, "mg_cm2"), to_si(thickness, "mm"), pull, pull, shear, math.radians(35.0), bend, bend,
        bias * bend, MappingProxyType({"itself": 0.45}), bend_hysteresis=(rub, rub),
    )  # fmt: skip


def coefficient(card: FabricCard) -> float:
    draped = drape(card, DISC, SUPPORT, SHARE * bending_length(card.areal_density, card.bend_warp), 0)
    assert draped.settled.ending is Ending.SETTLED, draped.settled.certificate.failures
    return draped.coefficient


@pytest.mark.parametrize("name", ["wool tropical", "polyester tropical"])
def test_published_coefficient_lies_between_the_ends_of_what_is_not_known(name):
    low, high = (coefficient(card_of(name, end)) for end in ENDS)
    assert low - SPREAD <= ROWS[name][-1] <= high + SPREAD
    assert high - low < 0.15, "the two ends leave room, and not for any answer"


def test_where_yarns_rub_the_elastic_disc_reads_too_low():
    name = "cotton broadcloth"
    assert coefficient(card_of(name, "high")) + SPREAD < ROWS[name][-1]


@pytest.mark.parametrize("name", ROWS)
def test_let_down_with_the_friction_of_its_yarns_a_cloth_rests_where_it_was_measured(name):
    ends = []
    for end in ENDS:
        card = card_of(name, end)
        spacing = SHARE * bending_length(card.areal_density, card.bend_warp)
        ends.append(drape_rubbing(card, DISC, SUPPORT, spacing))
    low, high = ends
    assert low - SPREAD <= ROWS[name][-1] <= high + SPREAD
    assert high - low < 0.15, "the two ends leave room, and not for any answer"

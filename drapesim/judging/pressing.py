"""The press test's record: what it takes to bring one mark of a settled sheet to the body, or why it was given up.

The test itself is made by `drapesim.jobs.press`; here is what it measures at a mark, and how it is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.spacing import weighted_quantile
from drapesim.judging.verdicts import chord_error, find_cells, read_gaps, spell_mm
from drapesim.matter.answers import Verdict
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import PLACE_CLAIMS, Mark
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.mechanics.body_contact import BodyField
from drapesim.settling.exact import part_field
from drapesim.settling.layer_record import prepare_layers

Array = np.ndarray

CONTACT_CLAIMS = ("touches", *PLACE_CLAIMS)

TOLD_DRIFT = 1e-3  # m, from which it is told that the sheet moved as it was taken up

DONE = "it touches"
MOST = "greatest force"
STRAIN = "safe extension"
LOST = "another mark lost"
UNREST = "not at rest"
CROSSED = "layers in the way"
UNSURE = "not confirmed"
ELSEWHERE = "not on its place"


@dataclass(frozen=True)
class PressTest:
    """What became of pressing one mark toward the body; SI.

    ``touches``: True if a force within all limits does it, in a sheet that then settled and was certified; False if
    a limit came first; None where the test could not tell. ``force`` (N) over the mark is the least that was seen to do
    it, or the greatest that was tried; with ``below`` (N) it did not yet touch. ``way`` (3,) is the force's unit
    direction. ``shift`` (m): the farthest that a sample of the mark moved from the sheet at rest without the force, and
    ``sheet_shift`` any node. ``drift`` (m): the farthest that any node moved before, when the run's sheet was taken up
    without a force. ``strain``: largest extension over the card's safe one. ``gap_before``, ``gap`` (m): that of the
    claimed share of the mark. ``lost``: marks that touched before and no longer do. ``stopped``: a constant above.
    """

    mark: str
    touches: bool | None
    force: float
    below: float
    way: tuple[float, float, float]
    shift: float
    sheet_shift: float
    drift: float
    strain: float
    gap_before: float
    gap: float
    lost: tuple[str, ...]
    stopped: str
    most: float  # N, the greatest force that the test would have laid on
    settles: int
    steps: int


@dataclass(frozen=True)
class MarkGap:
    """A mark as it lies: share of its area that touches, surely and as measured; ``gap`` and ``over`` (m).

    ``gap`` is the least that the claimed share keeps within, ``over`` by how much that exceeds the claim's tolerance
    when each gap is larger by its error.
    """

    sure: float
    measured: float
    gap: float
    over: float


def measure_marks(
    marks: Sequence[Mark], lattice: Lattice, x: Array, field: BodyField, fabric: FabricCard, error: float
) -> dict[str, MarkGap]:
    """How each of ``marks`` lies in the sheet at ``x`` (n, 3) m; none of a mark without cloth.

    ``error`` (m): what the certificate may add to the error of the spacing (`chord_error`). Hysteresis of the cloth's
    bending is not counted: under a force it moves the force and not the gap.
    """
    figure, layers = part_field(field, False), prepare_layers(lattice, x, fabric.thickness)
    sag, found = chord_error(lattice, x), {}
    for mark in marks:
        there = np.isfinite(sample_sheet(lattice, x, mark.samples)[0]).all(axis=1)
        if not there.any():
            continue
        uv, weight = mark.samples[there], mark.weights[there] / mark.weights[there].sum()
        claim = mark.claim
        read = read_gaps(uv, lattice, x, figure, fabric, claim, layers)
        cells = find_cells(lattice, uv)
        off = sag[cells[:, 0], cells[:, 1]] + error
        facing = read.facing > 0.0
        found[mark.name] = MarkGap(
            sure=float(weight[facing & (read.gap <= claim.tolerance - off)].sum()),
            measured=float(weight[facing & (read.gap <= claim.tolerance)].sum()),
            gap=weighted_quantile(read.gap, weight, claim.share),
            over=weighted_quantile(read.gap + off, weight, claim.share) - claim.tolerance,
        )
    return found


def find_lost(marks: Sequence[Mark], before: dict[str, MarkGap], after: dict[str, MarkGap]) -> tuple[str, ...]:
    """Names of ``marks`` claimed in contact whose share was in contact ``before`` and is not ``after``, as measured."""
    slack = 1e-9  # sums of weights round
    return tuple(
        mark.name
        for mark in marks
        if mark.claim.kind in CONTACT_CLAIMS
        and mark.name in before
        and before[mark.name].measured >= mark.claim.share - slack
        and after[mark.name].measured < mark.claim.share - slack
    )


def is_to_press(mark: Mark, verdict: Verdict) -> bool:
    """Does the mark claim contact that this lay does not surely give?"""
    return mark.claim.kind in CONTACT_CLAIMS and verdict.meets is not True


def say_press(test: PressTest) -> str:
    """One sentence with the figures, force in N, lengths in mm, and a second one where the start was not the run's."""
    said = _say_ending(test)
    if test.drift <= TOLD_DRIFT:
        return said
    return f"{said} Taken up without a force, the sheet had moved by up to {spell_mm(test.drift)} mm first."


def _say_ending(test: PressTest) -> str:
    strain = f"the yarns at {100.0 * test.strain:.0f} % of their safe extension"
    moved = f"the mark moved {spell_mm(test.shift)} mm"
    if test.touches:
        between = f" ({test.below:.3g} N does not do it)" if test.below > 0.0 else ""
        return f"Pressed with {test.force:.3g} N it touches{between}: {moved}, {strain}, no other mark lost."
    reached = f"At {test.force:.3g} N, {moved} and {strain}"
    lies = f"the claimed share of the mark is still {spell_mm(test.gap)} mm off"
    return {
        MOST: f"{reached}, {lies}; more than {test.most:.3g} N was not tried.",
        STRAIN: f"{reached}, which is more than the cloth may bear ({lies}).".replace("is still", "is"),
        LOST: f"{reached}, the press takes contact from {', '.join(test.lost)} ({lies}).".replace("is still", "is"),
        UNREST: f"{reached}, the sheet did not come to rest, so the press test tells nothing.",
        CROSSED: "Pressed, the sheet could move on only through itself, so the press test tells nothing.",
        UNSURE: f"{reached} it seemed to touch, which no certified sheet confirms, so the press test tells nothing.",
        ELSEWHERE: f"{reached} it touches, but not surely the place that is claimed.",
    }[test.stopped]

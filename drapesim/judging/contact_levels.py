"""Contact at several thresholds: the share of each mark within each, since no single one is given by nature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.verdicts import read_gaps
from drapesim.matter.answers import Verdict
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import Mark
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.exact import part_field
from drapesim.settling.layer_record import prepare_layers

Array = np.ndarray


@dataclass(frozen=True)
class LevelShare:
    """Of one mark's area, the share that faces the body with a gap of at most ``level`` m: sure, measured, possible.

    Sure and possible: with every gap larger or smaller by the verdict's uncertainty.
    """

    level: float
    sure: float
    measured: float
    possible: float


def share_levels(
    marks: Sequence[Mark],
    verdicts: Sequence[Verdict],
    lattice: Lattice,
    x: Array,
    body: Body,
    card: FabricCard,
    levels: Sequence[float],
) -> list[tuple[LevelShare, ...]]:
    """The shares of each mark at each of ``levels`` (m), rising, for the sheet at ``x`` (n, 3) m.

    Empty where a mark has no cloth under it or there is no body. Gaps are read as for verdicts (`read_gaps`).
    """
    figure = part_field(prepare_body(body), False)
    if figure is None or not np.isfinite(x).all():
        return [() for _ in marks]
    layers = prepare_layers(lattice, x, card.thickness)
    found: list[tuple[LevelShare, ...]] = []
    for mark, verdict in zip(marks, verdicts, strict=True):
        reading = read_gaps(mark.samples, lattice, x, figure, card, mark.claim, layers)
        there = np.isfinite(reading.point).all(axis=1)
        if not there.any():
            found.append(())
            continue
        weight = mark.weights[there] / mark.weights[there].sum()
        gap, faces = reading.gap[there], reading.facing[there] > 0.0
        error = verdict.uncertainty if np.isfinite(verdict.uncertainty) else 0.0
        found.append(tuple(
            LevelShare(level, *(float(weight[faces & (gap <= level + off)].sum()) for off in (-error, 0.0, error)))
            for level in levels
        ))  # fmt: skip
    return found

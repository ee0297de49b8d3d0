"""What a virtual test is, and what it hands on: readings beside the card's values, and the lines of its picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import Ending
from drapesim.matter.fabric import FabricCard
from drapesim.settling.level import Progress
from drapesim.settling.settle import SettledSheet

Array = np.ndarray
Watch = Callable[[Progress], None]

# The bars: how far a virtual test's reading may be off the card, by the node spacing over the bending length.
FINE, FINE_BAR = 0.25, 0.01
DRAFT, DRAFT_BAR = 0.5, 0.03
BIAS_BAR = 0.03  # of bending on the bias, whose strip has staircase edges


@dataclass(frozen=True)
class Reading:
    """One number read off a virtual test beside what the card says; SI.

    key: field of the card that it answers to (``bend_warp``, ``friction.slate``). card and simulated in SI, shown in
    ``unit`` (a name of `drapesim.ground.units`, "" for a bare number). bar: largest relative departure, None where
    none is set. at_least: the card's value is a floor, and more than it is no fault. note: one sentence. status: of the
    card's value, where it is none of those that the card is computed with. band: two computed
    ends, no bounds, that stand for the simulated cloth; ``simulated`` is the place between them next to the card's.
    """

    key: str
    quantity: str
    unit: str
    card: float
    simulated: float
    bar: float | None
    at_least: bool = False
    note: str = ""
    status: str = ""
    band: tuple[float, float] | None = None

    @property
    def error(self) -> float:
        """Relative departure of the simulated from the card's value."""
        return self.simulated / self.card - 1.0 if self.card else float("nan")

    @property
    def met(self) -> bool | None:
        """Is the bar met? None where there is none. A reading that is no number does not meet it."""
        if self.bar is None:
            return None
        if self.at_least:
            return bool(self.simulated >= self.card - self.bar)
        return bool(abs(self.error) <= self.bar)


@dataclass(frozen=True)
class LabResult:
    """What one virtual test gave.

    lines: named arrays for the picture, m or SI. failures: why its sheet did not settle; empty if it did.
    remarks: sentences on what could not be told though the card calls for it; they are in a reading's note too.
    spacing (m) is the node spacing, spacing_over_c that over the bending length that governs the test (NaN: none does).
    """

    name: str
    title: str
    direction: str
    readings: tuple[Reading, ...]
    spacing: float
    spacing_over_c: float
    nodes: int
    steps: int
    failures: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    lines: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class VirtualTest:
    """A test that can be run. ``cost`` is its share of the whole time, in units of a cantilever's."""

    name: str
    title: str
    direction: str
    cost: float
    run: Callable[[FabricCard, float, Watch | None], LabResult]


def choose_bar(spacing_over_c: float, fine: float = FINE_BAR) -> float | None:
    """Bar at a node spacing over the bending length: ``fine`` up to c/4, 3 % up to c/2, beyond it none is promised."""
    if spacing_over_c <= FINE * (1.0 + 1e-9):
        return fine
    return DRAFT_BAR if spacing_over_c <= DRAFT * (1.0 + 1e-9) else None


def list_failures(*settled: SettledSheet) -> tuple[str, ...]:
    """Why sheets did not settle, one sentence each; empty if all did."""
    return tuple(
        reason
        for each in settled
        if each.ending is not Ending.SETTLED
        for reason in (each.certificate.failures or (each.ending.value,))
    )

"""Answers: the closed list of verdicts on a mark, and the record that carries one.

The judging floor gives them; the record lives down here because the archive, below that floor, keeps it.
"""

from __future__ import annotations

from dataclasses import dataclass

NATURAL = "touches naturally"
PRESSED = "touches if pressed"
OUT = "out of reach"
CLEAR = "clear of the body"
UNDECIDED = "undecided"


@dataclass(frozen=True)
class PlaceCheck:
    """The second test: does the picture on the cloth belong to the part of the body it touches?

    Offsets (m) from the mark's middle to the claimed place: along the body surface's nearest points and on the cloth.
    """

    place: str
    belongs: bool | None  # None: undecided
    share_on_place: float
    offset_body: float
    offset_cloth: float


@dataclass(frozen=True)
class Verdict:
    """One mark's answer from one lay, SI."""

    mark: str
    kind: str
    claim: str
    verdict: str  # NATURAL, PRESSED, OUT, CLEAR or UNDECIDED
    reason: str  # one sentence
    gap_min: float
    gap_median: float
    gap_max: float
    contact_share: float
    uncertainty: float  # m, numerical
    place: PlaceCheck | None
    nearest_region: str

"""Answers: the closed list of verdicts on a mark, and the record that carries one.

The judging floor gives them; the record lives down here because the archive, below that floor, keeps it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NATURAL = "touches naturally"
PARTLY = "touches in part"
PRESSED = "touches if pressed or pulled"  # needs a press test
NOT_HERE = "does not touch in this lay"  # nothing is said of other lays
OUT = "out of reach"  # needs a proof over all lays
CLEAR = "clear of the body"
UNDECIDED = "undecided"


@dataclass(frozen=True)
class PlaceCheck:
    """The second test: where the cloth touches, does the picture on it belong to that part of the body?

    Only the area in contact counts: inner side to the body, gap <= the claim's tolerance. ``belongs`` is True or False
    only if it stays so with each gap larger or smaller by its error and each nearest body point moved by as much.

    Offsets (m) from the mark's middle to the claimed place: along the body's surface, from the body point nearest to
    the mark's middle to the nearest point of the place (inf if the surface does not join them); and on the cloth,
    straight on the flat map from the mark's middle to the nearest cloth node that has the place as its nearest body
    part (for a landmark: the cloth point nearest to it). Zero where the middle is on the place already. The offset on
    the cloth to a region counts whole nodes: it may be too long by up to a node spacing.
    """

    place: str
    asked: bool  # False: the mark touches nowhere, so nothing on it need belong anywhere
    belongs: bool | None  # None: undecided, or not asked
    reason: str  # one sentence
    share_on_place_sure: float  # of the touching area: the least that the uncertainty allows
    share_on_place: float  # as measured; nan if nothing touches as measured
    share_on_place_possible: float  # the most that the uncertainty allows
    offset_body: float
    offset_cloth: float


@dataclass(frozen=True)
class SpacingChange:
    """How a mark's figures change from the next wider node spacing to the run's own, each settled from the start; SI.

    It holds the error of the spacing and that different roads end in different folds, both in one.
    """

    wider: float  # m, the other spacing
    own: float  # m
    gap_min: float  # m, each of these the figure at the run's own spacing less that at the wider one
    gap_median: float
    gap_max: float
    contact_share: float  # of the share as measured
    order: float  # observed order of convergence of the gaps, from three spacings; nan from two


@dataclass(frozen=True)
class Verdict:
    """One mark's answer from one lay, SI.

    Gaps and shares are those of the cloth's inner side, of a mark claimed to lie clear those of its nearer side.
    """

    mark: str
    kind: str
    claim: str
    verdict: str  # one of the constants above
    reason: str  # one sentence
    gap_min: float
    gap_median: float
    gap_max: float
    contact_share_sure: float  # of the mark's area, that side to the body: gap <= tolerance - each gap's error
    contact_share_measured: float  # gap <= tolerance
    contact_share_possible: float  # gap <= tolerance + each gap's error
    uncertainty: float  # m, numerical; see ``change``; the shares count ``hysteresis`` besides
    place: PlaceCheck | None
    nearest_region: str
    change: SpacingChange | None = None  # what the uncertainty was measured by; None: estimated from curvature
    hysteresis: float = math.nan  # m, what friction between yarns may make of a gap; nan: the card does not give it

    @property
    def meets(self) -> bool | None:
        """Does the lay do what is claimed of the mark, place included? None: undecided."""
        if self.verdict == UNDECIDED:
            return None
        if self.claim == "lies_clear":
            return self.verdict == CLEAR
        if self.verdict != NATURAL:
            return False
        return self.place.belongs if self.place is not None else True


@dataclass(frozen=True)
class Meeting:
    """Two marks of one sheet that lie across from each other, layer on layer, by one pair of faces; SI.

    Areas and shares: of the mark that lies on the other mark with a gap of at most ``tolerance``, as measured, and with
    each gap larger (sure) or smaller (possible) by its error. Gaps are from face to face, over all that lies across
    from the other mark, however far, ``across`` of the mark's area.
    """

    mark: str
    other: str  # may be the mark itself
    face: str  # of the mark's cloth, "inner" or "outer", that looks at the other mark
    met: str  # the face of the other mark's cloth that looks back
    tolerance: float
    area_sure: float
    area: float
    area_possible: float
    share: float
    share_other: float  # the same area over the other mark's
    across: float
    gap_min: float
    gap_median: float
    gap_max: float
    uncertainty: float  # m, numerical, of the gaps

    @property
    def meets(self) -> bool | None:
        """Do they lie on each other? None: the uncertainty does not allow to say."""
        return True if self.area_sure > 0.0 else None if self.area_possible > 0.0 else False

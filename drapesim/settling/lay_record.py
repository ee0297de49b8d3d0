"""What hands did in a lay, step by step, and what they leave on the cloth: plain records, SI."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class StepDone:
    """One finished step of the lay.

    ``words``: what was done, in words; ``outcome``: "done", or why it was stopped ("force limit", "strain limit",
    "not at rest"; "fell off": it lies below all that it could lie on; "not done" after that). ``shortfall`` m from
    the target, nan where there is none; ``force`` N, the largest that the hand bore; ``work`` J that hands have done;
    ``strain`` the largest of warp and weft, over the card's safe one; ``steps`` of relaxation.
    """

    words: str
    outcome: str
    shortfall: float
    force: float
    work: float
    strain: float
    steps: int

    def tell(self) -> str:
        """One sentence."""
        said = f"{self.words}: {self.outcome}"
        if np.isfinite(self.shortfall) and self.outcome != "done":
            said += f", {1e3 * self.shortfall:.1f} mm short of the target"
        if self.force > 0.0:
            said += f"; at most {self.force:.2f} N"
        if self.strain > 1.0:
            said += f"; yarns at {self.strain:.2f} of their safe extension"
        return said + "."


@dataclass(frozen=True)
class LayDone:
    """The whole lay, as hands left it.

    ``spacing`` (m) of the nodes that the hands worked on; ``told``: sentences on the start; ``load`` (n, 3) N and
    ``held`` (n,) bool of the final lattice: what stays on the cloth, and what is still held.
    """

    spacing: float
    steps: tuple[StepDone, ...]
    told: tuple[str, ...]
    load: Array
    held: Array

    @property
    def work(self) -> float:
        """J, done by hands in all steps, bands and weights among them."""
        return sum(step.work for step in self.steps)

    def tell(self) -> tuple[str, ...]:
        """A sentence for the start and for each step."""
        if not self.steps:
            return (*self.told, *self._tell_what_stays())
        first = f"Hands worked on nodes {1e3 * self.spacing:.3g} mm apart and did {self.work:.3g} J of work."
        steps = (f"{k}. {step.tell()}" for k, step in enumerate(self.steps, start=2))
        return (*self.told, first, *steps, *self._tell_what_stays())

    def _tell_what_stays(self) -> tuple[str, ...]:
        stays = []
        if self.held.any():
            stays.append(f"{int(self.held.sum())} nodes are held, by hands or under the body")
        size = float(np.linalg.norm(self.load, axis=1).sum())
        if size > 0.0:
            stays.append(f"{size:.3g} N of hands, weights or bands lie on the cloth")
        return (f"It rests so only with these: {' and '.join(stays)}.",) if stays else ()

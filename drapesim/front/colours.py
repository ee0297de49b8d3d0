"""Colours and signs: one scale for gaps, one sign for each verdict.

The gap's scale runs evenly in lightness from dark (touching) to pale (far), along blue to yellow, which the common
kinds of colour blindness keep apart and which survives a black-and-white print. A verdict is never told by colour
alone: each has a sign and is written out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from drapesim.matter.answers import CLEAR, NATURAL, NOT_HERE, OUT, PARTLY, PRESSED, UNDECIDED
from drapesim.matter.marks import Mark

Array = np.ndarray

INK = "#1d2430"
QUIET = "#667080"
LINEN = "#e9e3d5"
WOOD = "#b98d62"
STONE = "#c9ced4"
TOUCH = "#1b2a6b"

# Dark indigo, teal, sage, pale straw, as (lightness, green-red, blue-yellow) in the Oklab space.
STOPS = np.array([
    [0.27, 0.015, -0.125],
    [0.42, -0.030, -0.105],
    [0.56, -0.070, -0.035],
    [0.71, -0.065, 0.045],
    [0.84, -0.020, 0.085],
    [0.95, 0.003, 0.045],
])  # fmt: skip


@dataclass(frozen=True)
class Sign:
    """How one verdict is drawn: ``marker`` is the plotting library's; ``path`` an outline in a box of -1 to 1, filled
    or not, and ``inner`` a second, filled one.
    """

    colour: str
    marker: str
    is_filled: bool
    path: str
    inner: str = ""


_RING = "M0.8 0A0.8 0.8 0 1 1 -0.8 0A0.8 0.8 0 1 1 0.8 0Z"
SIGNS = {
    NATURAL: Sign("#0a4f9e", "o", True, _RING),
    PARTLY: Sign("#2f8fce", "o", False, _RING, "M0 -0.8A0.8 0.8 0 0 0 0 0.8Z"),
    PRESSED: Sign("#7a3e9d", "^", True, "M0 -0.85L0.85 0.7L-0.85 0.7Z"),
    NOT_HERE: Sign("#c05a00", "D", False, "M0 -0.9L0.9 0L0 0.9L-0.9 0Z"),
    CLEAR: Sign("#4b5563", "s", False, "M-0.7 -0.7H0.7V0.7H-0.7Z"),
    OUT: Sign("#a3123a", "X", True, "M-0.8 -0.5L-0.5 -0.8L0 -0.3L0.5 -0.8L0.8 -0.5L0.3 0L0.8 0.5L0.5 0.8L0 0.3"
              "L-0.5 0.8L-0.8 0.5L-0.3 0Z"),
    UNDECIDED: Sign("#8a6d00", "$?$", False, "M-0.45 -0.4A0.45 0.45 0 1 1 0 0.1V0.35M0 0.7V0.85"),
}  # fmt: skip


def blend_colours(share: Array) -> Array:
    """(n, 3) sRGB in 0..1 of the gap scale at ``share`` (n,): 0 touching (dark), 1 far (pale).

    Oklab after B. Ottosson, "A perceptual color space for image processing", 2020.
    """
    at = np.linspace(0.0, 1.0, len(STOPS))
    lab = np.stack([np.interp(share, at, STOPS[:, k]) for k in range(3)], axis=-1)
    to_cone = np.array([[1, 0.3963377774, 0.2158037573], [1, -0.1055613458, -0.0638541728],
                        [1, -0.0894841775, -1.2914855480]])  # fmt: skip
    to_linear = np.array([[4.0767416621, -3.3077115913, 0.2309699292], [-1.2684380046, 2.6097574011, -0.3413193965],
                          [-0.0041960863, -0.7034186147, 1.7076147010]])  # fmt: skip
    linear = np.clip((lab @ to_cone.T) ** 3 @ to_linear.T, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@dataclass(frozen=True)
class GapScale:
    """Bands of gap: ``edges`` (k,) m, ascending; ``colours`` (k + 1, 3), the first up to edges[0], the last beyond."""

    edges: Array
    colours: Array

    def band(self, gap: Array) -> Array:
        """(n,) number of the band of each gap (m)."""
        return np.searchsorted(self.edges, gap, side="left")

    def paint(self, gap: Array) -> Array:
        """(n, 3) sRGB in 0..1."""
        return self.colours[self.band(gap)]

    def labels(self) -> list[str]:
        """Text for each band, in mm."""
        mm = [f"{1e3 * edge:g}" for edge in self.edges]
        between = [f"{low} to {high}" for low, high in pairwise(mm)]
        return [f"up to {mm[0]}", *between, f"over {mm[-1]}"]


def scale_gaps(contact_levels: Sequence[float]) -> GapScale:
    """The gap scale of a run: its contact levels (m), then 10, 20, 50 and 100 mm as far as they lie beyond."""
    levels = sorted(set(contact_levels)) or [1e-3]
    edges = np.array(levels + [far for far in (0.01, 0.02, 0.05, 0.1) if far > 1.3 * levels[-1]])
    return GapScale(edges, blend_colours(np.linspace(0.0, 1.0, len(edges) + 1)))


CLOSER, SAME, FARTHER = "#0a4f9e", "#efeee9", "#b3470b"
CHANGES = (1e-3, 2e-3, 5e-3, 0.01, 0.02)  # m


def scale_changes() -> GapScale:
    """The scale of a gap's change between two runs: blue where it is smaller than in the first, orange where larger."""
    from matplotlib.colors import to_rgb

    blue, grey, orange = (np.array(to_rgb(colour)) for colour in (CLOSER, SAME, FARTHER))
    steps = np.linspace(0.25, 1.0, len(CHANGES))[:, None]
    sides = [grey + steps * (end - grey) for end in (blue, orange)]
    edges = np.array([*(-np.array(CHANGES[::-1])), *CHANGES])
    return GapScale(edges, np.concatenate([sides[0][::-1], grey[None], sides[1]]))


def usual_tolerance(marks: Sequence[Mark]) -> float:
    """Tolerance (m) that most of ``marks`` claim; 1 mm where there are none."""
    tolerances = [mark.claim.tolerance for mark in marks] or [1e-3]
    return max(sorted(set(tolerances)), key=tolerances.count)


def to_hex(colour: Array) -> str:
    """``#rrggbb`` of an sRGB triple in 0..1."""
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in colour)


def draw_gap_legend(
    axes: Any, scale: GapScale, contact: float, title: str = "gap, mm: inner face of the cloth to the body"
) -> None:
    """Fill ``axes`` with the scale's bands as a strip, in mm; bands up to ``contact`` (m) are bracketed as contact."""
    draw_scale_legend(axes, scale, title)
    n_touch = int(np.searchsorted(scale.edges, contact * (1 + 1e-9)))
    axes.plot([0.03, 0.03, n_touch - 0.03, n_touch - 0.03], [1.1, 1.3, 1.3, 1.1], color=INK, lw=1.0, clip_on=False)
    axes.text(0.03, 1.42, f"contact at {1e3 * contact:g} mm", ha="left", va="bottom", fontsize=7.5, color=INK)


def draw_scale_legend(axes: Any, scale: GapScale, title: str) -> None:
    """Fill ``axes`` with the scale's bands as a strip, a thousand times the scale's unit written under it."""
    n = len(scale.colours)
    for k, (colour, label) in enumerate(zip(scale.colours, scale.labels(), strict=True)):
        axes.add_patch(_rectangle(k, colour))
        axes.text(k + 0.5, -0.12, label, ha="center", va="top", fontsize=7.5 if n < 11 else 6.5, color=INK)
    axes.text(n, 1.42, title, ha="right", va="bottom", fontsize=7.5, color=QUIET)
    axes.set(xlim=(0, n), ylim=(-0.6, 1.6))
    axes.axis("off")


def _rectangle(k: int, colour: Array) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((k, 0), 1, 1, facecolor=colour, edgecolor="white", lw=0.8)


def draw_sign(axes: Any, x: float, y: float, verdict: str, size: float = 6.5) -> None:
    """Put the sign of ``verdict`` at data place (x, y) of ``axes``."""
    sign = SIGNS[verdict]
    size *= 1.4 if sign.marker.startswith("$") else 1.0
    face = sign.colour if sign.is_filled or sign.marker.startswith("$") else "white"
    extra = {"fillstyle": "left", "markerfacecoloralt": "white", "markerfacecolor": sign.colour} if verdict == PARTLY \
        else {"markerfacecolor": face}  # fmt: skip
    axes.plot([x], [y], marker=sign.marker, ms=size, color=sign.colour, mew=1.2, ls="none", clip_on=False, zorder=9,
              **extra)  # fmt: skip


def draw_sign_legend(axes: Any, verdicts: Sequence[str]) -> None:
    """Fill ``axes`` with the signs of the verdicts that occur, each written out, in the order of `SIGNS`."""
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    used = [name for name in SIGNS if name in set(verdicts)]
    for k, name in enumerate(used):
        draw_sign(axes, 0.012 + k / max(4, len(used)), 0.5, name)
        axes.text(0.027 + k / max(4, len(used)), 0.5, name, va="center", ha="left", fontsize=8, color=INK)

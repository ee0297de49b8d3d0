"""The sheet of an attitude: a stick figure over each flat map with arrows of misfit, and the figure from its side."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import INK, LINEN, QUIET
from drapesim.front.labels import PAGE, place_beside, start_figure, write_figure
from drapesim.ground.files import write_bytes
from drapesim.judging.lay_models import MapView, Placing, lay_flat, lay_more, weave

if TYPE_CHECKING:
    from drapesim.jobs.attitude import Answer
    from drapesim.judging.attitude import Attitude
    from drapesim.matter.skeleton import Skeleton

Array = np.ndarray

FIGURE, SEEN, OTHER = "#0a4f9e", "#c05a00", "#9aa3ae"
GAP = 0.45  # inch
EDGE = 0.12  # m round what is drawn
KNOWN_TILT = np.radians(30.0)  # a segment that may tilt by more is drawn dashed
NAME_LETTER = 0.0445  # inch, breadth of a letter of a name
OTHERS = 24  # attitudes drawn beside the best one

# Lines through landmarks, each piece with the segment whose tilt it shows; "" for what is taken as known.
STICKS = (
    (("crown", "brow", "nose tip", "chin"), "head"), (("chin", "throat pit"), "head"),
    (("throat pit", "sternum", "navel", "pubis"), "trunk"),
    *((tuple(f"{side} {name}" if name not in ("throat pit", "pubis") else name for name in names), f"{side} {segment}")
      for side in ("left", "right") for names, segment in (
        (("throat pit", "shoulder point"), "trunk"), (("shoulder point", "elbow"), "upper arm"),
        (("elbow", "wrist"), "forearm"), (("wrist", "knuckle", "middle fingertip"), "hand"),
        (("knuckle", "thumb tip"), "hand"), (("pubis", "hip point"), ""), (("hip point", "knee cap"), "thigh"),
        (("knee cap", "outer ankle"), "shin"), (("outer ankle", "toe tip"), "foot"),
        (("outer ankle", "heel"), "foot"))),
)  # fmt: skip


def draw_attitudes(answer: Answer, path: Path) -> None:
    """Write the sheet as PNG, whole or not at all."""
    panels = [_Panel(answer, attitude, number) for attitude in answer.attitudes
              for number in range(len(attitude.question.views))]  # fmt: skip
    wide = PAGE - 2 * GAP
    scale = min(wide / max(panel.size[0] for panel in panels), 4.2 / max(panel.size[1] for panel in panels))  # inch/m
    side_high = 0.52 * scale
    height = 1.05 + sum(scale * panel.size[1] + 0.75 for panel in panels) + len(answer.attitudes) * (side_high + 0.6)
    figure = start_figure(height, answer.form.title)
    key = ("blue: the figure that fits best, its landmarks as dots; orange: the landmarks on the map, rings of one sd; "
           "arrows: misfit, drawn to scale\n"
           "dashed: what the map allows to tilt out of it over a range of more than 30 degrees; grey: others of the "
           "attitudes that fit within 95 %")  # fmt: skip
    figure.text(GAP / PAGE, 1 - 0.42 / height, key, fontsize=7, color=QUIET, va="top")
    y = height - 0.85
    for attitude in answer.attitudes:
        for panel in (p for p in panels if p.attitude is attitude):
            tall, broad = scale * panel.size[1], scale * panel.size[0]
            figure.text(GAP / PAGE, y / height, panel.title, fontsize=8.5, weight="bold", color=INK, va="top")
            axes = figure.add_axes((GAP / PAGE, (y - 0.2 - tall) / height, broad / PAGE, tall / height))
            panel.draw(axes, scale)
            y -= tall + 0.75
        words = f"Under {attitude.lay}, from the figure's right side; the line is what it lies on"
        figure.text(GAP / PAGE, y / height, words, fontsize=8.5, color=INK, va="top")
        axes = figure.add_axes((GAP / PAGE, (y - 0.2 - side_high) / height, wide / PAGE, side_high / height))
        _draw_side(axes, attitude, wide / scale, side_high / scale)
        y -= side_high + 0.6
    with TemporaryDirectory() as folder:
        whole = write_figure(figure, Path(folder) / "sheet.png")
        write_bytes(path, whole.read_bytes())


def _loose(attitude: Attitude) -> set[str]:
    """Segments that may tilt by more than KNOWN_TILT."""
    from drapesim.jobs.attitude import tell_segments

    return {row.name for row in tell_segments(attitude) if row.tilt[2] - row.tilt[1] > KNOWN_TILT}


def _pick_others(attitude: Attitude) -> list[Skeleton]:
    step = max(1, len(attitude.others) // OTHERS)
    return list(attitude.others[::step])


class _Panel:
    """One map with the figure on it; size (2,) m."""

    def __init__(self, answer: Answer, attitude: Attitude, number: int) -> None:
        self.attitude, self.view = attitude, attitude.question.views[number]
        self.picture = answer.form.pictures[number]
        self.predicted, self.misfit = attitude.predicted[number], attitude.misfit[number]
        placing = attitude.placings[number]
        self.best = _put_all(attitude, attitude.skeleton, self.view, placing)
        self.others = [_put_all(attitude, other, self.view, None) for other in _pick_others(attitude)]
        drawn = np.concatenate([self.view.points, self.predicted, np.array(list(self.best.values()))])
        self.low, self.high = drawn.min(axis=0) - EDGE, drawn.max(axis=0) + EDGE
        self.size = self.high - self.low
        which = f", map {number + 1}" if len(attitude.question.views) > 1 else ""
        self.title = f"Lay model: {attitude.lay}{which}; the body's {self.view.side}"

    def draw(self, axes: Any, scale: float) -> None:
        """``scale``: inch on the page for a metre of the map."""
        axes.set_facecolor(LINEN)
        if self.picture is not None:
            _lay_picture(axes, *self.picture)
        loose = _loose(self.attitude)
        for other in self.others:
            _draw_sticks(axes, other, set(), OTHER, 0.5, 0.35)
        _draw_sticks(axes, self.best, loose, FIGURE, 1.8, 1.0)
        from matplotlib.patches import Circle

        for at, put, sd in zip(self.view.points, self.predicted, self.view.sd, strict=True):
            axes.add_patch(Circle(1e3 * at, 1e3 * sd, fill=False, edgecolor=SEEN, lw=1.0, zorder=5))
            axes.plot(*(1e3 * put), marker="o", ms=3.2, color=FIGURE, mec="white", mew=0.5, zorder=6)
            axes.annotate("", xy=1e3 * at, xytext=1e3 * put, zorder=7,
                          arrowprops={"arrowstyle": "-|>", "color": SEEN, "lw": 1.1, "shrinkA": 0, "shrinkB": 0,
                                      "mutation_scale": 7})  # fmt: skip
        self._name_places(axes, 1.0 / scale)
        (left, top), (right, bottom) = 1e3 * self.low, 1e3 * self.high
        axes.set(xlim=(left, right), ylim=(bottom, top), aspect="equal")
        axes.tick_params(labelsize=6, colors=QUIET, length=3)
        axes.set_xlabel("u on the map, mm", fontsize=6.5, color=QUIET, labelpad=1)
        axes.set_ylabel("v, downward, mm", fontsize=6.5, color=QUIET, labelpad=1)

    def _name_places(self, axes: Any, inch: float) -> None:
        """Write each landmark's name beside it, where it is free, with a leader; ``inch`` in m on the map."""
        points, names = self.view.points, self.view.names
        sizes = inch * np.array([[NAME_LETTER * len(name) + 0.04, 0.105] for name in names])
        lines = np.array([[self.best[one], self.best[other]] for stick, _ in STICKS for one, other in pairwise(stick)])
        clear = max(float(self.view.sd.max()), 0.05 * inch)
        middles = place_beside(points, sizes, clear, lines, (self.low, self.high))
        for at, sd, name, middle, size in zip(points, self.view.sd, names, middles, sizes, strict=True):
            near = np.clip(at, middle - 0.5 * size, middle + 0.5 * size)
            start = at + (near - at) * min(1.0, sd / max(float(np.linalg.norm(near - at)), 1e-9))
            axes.plot(*(1e3 * np.array([start, near])).T, color=INK, lw=0.5, zorder=7)
            axes.text(*(1e3 * middle), name, fontsize=5.5, color=INK, ha="center", va="center", zorder=8,
                      bbox={"facecolor": LINEN, "edgecolor": "none", "alpha": 0.75, "pad": 0.6})  # fmt: skip


def _put_all(attitude: Attitude, skeleton: Skeleton, view: MapView, placing: Placing | None) -> dict[str, Array]:
    """Each landmark of the skeleton on the map, m; ``placing`` None: by the best turn and shift."""
    from drapesim.judging.lay_models import fit_placing

    web = weave(view.points)
    known = np.array([skeleton.landmark(name) for name in view.names])
    flat = lay_flat(attitude.lay, known, web, view.hand)
    placing = placing or fit_placing(flat, view)
    more = placing.put(lay_more(attitude.lay, known, flat, skeleton.landmarks, view.hand))
    found = dict(zip(skeleton.landmark_names, more, strict=True))
    return {**found, **dict(zip(view.names, placing.put(flat), strict=True))}


def _draw_sticks(
    axes: Any, places: dict[str, Array], loose: set[str], colour: str, width: float, opacity: float
) -> None:
    for names, segment in STICKS:
        line = 1e3 * np.array([places[name] for name in names])
        style = (0, (3.0, 1.6)) if segment in loose else "-"
        axes.plot(*line.T, color=colour, lw=width, ls=style, alpha=opacity, solid_capstyle="round", zorder=3)


def _draw_side(axes: Any, attitude: Attitude, wide: float, high: float) -> None:
    """The figure in side view, head to the right."""

    def places(skeleton: Skeleton) -> dict[str, Array]:
        return {name: skeleton.landmark(name)[[0, 2]] for name in skeleton.landmark_names}

    for other in _pick_others(attitude):
        _draw_sticks(axes, places(other), set(), OTHER, 0.5, 0.35)
    best = places(attitude.skeleton)
    _draw_sticks(axes, best, _loose(attitude), FIGURE, 1.8, 1.0)
    middle = 500.0 * sum(float(f([p[0] for p in best.values()])) for f in (min, max))
    axes.axhline(0.0, color=INK, lw=1.0)
    axes.set(xlim=(middle - 500 * wide, middle + 500 * wide), ylim=(-60.0, 1e3 * high - 60.0), aspect="equal")
    axes.tick_params(labelsize=6, colors=QUIET, length=3)
    axes.set_ylabel("height, mm", fontsize=6.5, color=QUIET, labelpad=1)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _lay_picture(axes: Any, path: Path, metres_per_pixel: float) -> None:
    from PIL import Image, UnidentifiedImageError

    from drapesim.ground.outcome import InputError

    try:
        with Image.open(path) as image:
            wide, high = (1e3 * metres_per_pixel * n for n in image.size)
            image.thumbnail((3000, 3000))
            pixels = np.asarray(image.convert("RGB"))
    except (OSError, UnidentifiedImageError) as fault:
        raise InputError(path, "", "the picture of the map cannot be read", "give a PNG, TIFF or JPEG") from fault
    axes.imshow(pixels, extent=(0.0, wide, high, 0.0), alpha=0.75, zorder=0)

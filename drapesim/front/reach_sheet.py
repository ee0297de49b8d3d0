"""The sheet of a reach proof: the taut string on the body, the same path on the flat map, and the sentence."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from drapesim.front.colours import INK, LINEN, QUIET
from drapesim.front.flat import draw_mark
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, Shot, draw_body
from drapesim.ground.files import write_bytes
from drapesim.judging.obstacle import Obstacle
from drapesim.judging.reach import PairProof, Reach, say_pair
from drapesim.judging.taut import measure_string
from drapesim.kernels.cast import cast_rays
from drapesim.matter.marks import Mark

Array = np.ndarray

STRING = "#b3261e"
TIGHTEST_FILE = "tightest.png"
MOST = 8  # sheets: those of the strongest proofs
ROW = 0.17  # inch, of text
LIFT = 2e-3  # m toward the eye: a string lies on the body, and its chords cut into round parts
VIEWS = (
    ("seen from above", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0)),
    ("seen from the side of -y", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    ("seen from the side of +y", (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)),
    ("seen from below", (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)),
)


@dataclass(frozen=True)
class FlatCloth:
    """The flat map as it is drawn: marks, length along the warp and width (m), and the sheet's `inner_sign`."""

    marks: Sequence[Mark]
    length: float
    width: float
    inner_sign: int


def clear_proofs(folder: Path) -> None:
    """Take away the sheets of proofs from before."""
    for path in (*folder.glob("reach-[0-9].png"), folder / TIGHTEST_FILE):
        path.unlink(missing_ok=True)


def draw_proofs(folder: Path, cloth: FlatCloth, obstacle: Obstacle, reach: Reach) -> list[Path]:
    """One PNG for each of the strongest impossible pairs, reach-1.png and so on; their paths.

    Where none is impossible, tightest.png of the pair with the least to spare. Sheets of before are taken away.
    """
    clear_proofs(folder)
    worst = sorted((pair for pair in reach.pairs if pair.is_impossible), key=lambda p: p.allowed - p.needed)[:MOST]
    if not worst:
        worst = [pair for pair in reach.pairs if len(pair.string)][:1]
    cameras = tuple(Camera(title, "", way, up, obstacle.x) for title, way, up in VIEWS)
    shots = draw_body(obstacle.x, obstacle.faces.astype(np.int32), cameras)
    paths = []
    for number, pair in enumerate(worst, start=1):
        path = folder / (f"reach-{number}.png" if pair.is_impossible else TIGHTEST_FILE)
        _draw(path, cloth, obstacle, pair, say_pair(pair, reach.limits), shots)
        paths.append(path)
    return paths


def _draw(
    path: Path, flat: FlatCloth, obstacle: Obstacle, pair: PairProof, sentence: str, shots: list[Shot] | None
) -> None:
    wide = PAGE - 0.6
    views = [] if shots is None else _pick_views(obstacle, pair.string)
    highs = [wide * shots[k].pixels.shape[0] / shots[k].pixels.shape[1] for k in views] if shots else []
    cloth = wide * flat.width / flat.length
    cloth, across = (4.0, wide * 4.0 / cloth) if cloth > 4.0 else (cloth, wide)
    lines = textwrap.wrap(sentence, 125)
    height = 0.55 + ROW * (len(lines) + 3) + sum(high + 0.75 for high in highs) + cloth + 1.0
    title = "Out of reach together" if pair.is_impossible else "The tightest of those not out of reach"
    figure = start_figure(height, f"{title}: {pair.marks[0]} and {pair.marks[1]}")
    y = height - 0.5
    for line in lines:
        figure.text(0.012, y / height, line, fontsize=8.5, color=INK, va="top")
        y -= ROW
    found = measure_string(pair.string)
    said = f"{1e3 * pair.granted:.1f} mm are granted for tolerances and thickness."
    if pair.is_impossible:
        said = f"Proven: no way is shorter than {1e3 * pair.way:.0f} mm, of which {said}"
    said += f" The string drawn is {1e3 * found:.0f} mm long."
    figure.text(0.012, y / height, said, fontsize=7.5, color=QUIET, va="top")
    y -= 2 * ROW
    if shots is None:
        figure.text(0.012, y / height, MISSING, fontsize=7.5, color=QUIET, va="top")
    for k, high in zip(views, highs, strict=True):
        assert shots is not None
        axes = figure.add_axes((0.3 / PAGE, (y - 0.2 - high) / height, wide / PAGE, high / height))
        axes.imshow(shots[k].pixels, interpolation="lanczos")
        axes.axis("off")
        hidden = "" if _find_seen(obstacle, pair.string, np.asarray(VIEWS[k][1])).all() else "; dotted: behind it"
        title = f"The body {VIEWS[k][0]}, with the taut string{hidden}"
        figure.text(0.3 / PAGE, y / height, title, fontsize=7.5, color=INK, va="top")
        way = shots[k].place(pair.string)
        seen = _find_seen(obstacle, pair.string, np.asarray(VIEWS[k][1]))
        axes.plot(*way.T, color=STRING, lw=1.2, ls=(0, (1.2, 1.6)), alpha=0.8)  # behind the body
        shown = np.where(seen[:, None], way, np.nan)
        axes.plot(*shown.T, color="white", lw=3.2, solid_capstyle="round")
        axes.plot(*shown.T, color=STRING, lw=1.6, solid_capstyle="round")
        for end, name in ((0, pair.places[0]), (-1, pair.places[1])):
            _name(axes, way[end], name, shots[k].pixels.shape[1])
        bar = figure.add_axes(((0.3 + wide - 1.6) / PAGE, (y - 0.55 - high) / height, 1.6 / PAGE, 0.32 / height))
        draw_bar(bar, 1.6 / wide * shots[k].pixels.shape[1] * shots[k].metres_per_pixel)
        y -= high + 0.75
    _draw_map(figure, flat, pair, (0.3, y - 0.2 - cloth, across, cloth), height)
    with TemporaryDirectory() as folder:
        whole = write_figure(figure, Path(folder) / "sheet.png")
        write_bytes(path, whole.read_bytes())


def _pick_views(obstacle: Obstacle, string: Array) -> list[int]:
    """From above or below and from one side: whichever the surface along the string faces."""
    near = np.array(
        [np.argmin(np.linalg.norm(obstacle.centre - point, axis=1)) for point in string[:: max(1, len(string) // 24)]]
    )
    outward = obstacle.normal[near].mean(axis=0)
    return [0 if outward[2] > -0.3 else 3, 1 if outward[1] < 0.0 else 2]


def _find_seen(obstacle: Obstacle, string: Array, way: Array) -> Array:
    """(k,) bool: points of a string (k, 3) m that are not behind the body for one who looks along ``way``."""
    surface, tree = obstacle.field.surface, obstacle.field.tree
    back = np.broadcast_to(-way, string.shape)
    most = np.full(len(string), 10.0)
    return np.asarray(cast_rays(string + LIFT * back, back, most, surface.vertices, surface.faces, tree)[1] < 0)


def _name(axes: Any, at: Array, name: str, columns: int) -> None:
    from matplotlib.patheffects import withStroke

    is_right = bool(at[0] > 0.5 * columns)
    axes.plot([at[0]], [at[1]], marker="o", ms=4, color=STRING, mec="white", mew=0.8, clip_on=False)
    axes.text(at[0] + (12 if not is_right else -12), at[1] - 14, name, fontsize=8, color=INK,
              ha="right" if is_right else "left",
              path_effects=[withStroke(linewidth=2.2, foreground="white")])  # fmt: skip


def _draw_map(
    figure: Any, flat: FlatCloth, pair: PairProof, box: tuple[float, float, float, float], height: float
) -> None:
    left, low, wide, high = box
    side = "inner" if flat.inner_sign < 0 else "outer"
    said = f"The cloth laid flat, seen from its {side} side: {1e3 * pair.flat:.0f} mm at most between the two marks"
    said += ", by way of marks that are to meet (dotted: from layer to layer)" if pair.over else ""
    figure.text(left / PAGE, (low + high + 0.2) / height, said, fontsize=7.5, color=INK, va="top")
    axes = figure.add_axes((left / PAGE, low / height, wide / PAGE, high / height))
    axes.set(xlim=(0, 1e3 * flat.length), ylim=(1e3 * flat.width, 0), facecolor=LINEN, xticks=[], yticks=[])
    for mark in flat.marks:
        axes_colour = STRING if mark.name in (*pair.marks, *pair.over) else QUIET
        draw_mark(axes, mark, axes_colour)
    for leg in 1e3 * pair.legs:
        axes.plot(*leg.T, color="white", lw=3.2, zorder=6)
        axes.plot(*leg.T, color=STRING, lw=1.6, zorder=7)
    for before, after in zip(1e3 * pair.legs[:-1, 1], 1e3 * pair.legs[1:, 0], strict=True):  # layer on layer
        axes.plot(*np.stack([before, after]).T, color=STRING, lw=1.0, ls=":", zorder=6)
    names = (pair.marks[0], *pair.over, pair.marks[1])
    for point, name in zip(1e3 * pair.legs.reshape(-1, 2), names, strict=True):
        from matplotlib.patheffects import withStroke

        is_right = bool(point[0] > 500.0 * flat.length)
        up = -14 if name in pair.over else 8
        axes.annotate(name, point, (-6 if is_right else 6, up), textcoords="offset points", fontsize=8, color=INK,
                      zorder=9,
                      ha="right" if is_right else "left",
                      path_effects=[withStroke(linewidth=2.2, foreground="white")])  # fmt: skip
    bar = figure.add_axes(((left + wide - 1.6) / PAGE, (low - 0.42) / height, 1.6 / PAGE, 0.32 / height))
    draw_bar(bar, 1.6 / wide * flat.length, "on the cloth")

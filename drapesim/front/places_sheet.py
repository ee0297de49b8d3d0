"""The sheet of a body's places: regions in colour, landmarks numbered, seen from above and from both sides."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from drapesim.front.colours import INK, QUIET
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, draw_body
from drapesim.ground.files import write_bytes
from drapesim.matter.body import Body
from drapesim.matter.nearest import find_on_mesh

Array = np.ndarray

GAP = 0.3  # inch
ROW = 0.16  # inch, of the list
COLUMNS = 4
BARE = (0.86, 0.80, 0.72)
# Tints that stay apart beside each other; regions take them in turn.
TINTS = ((0.55, 0.71, 0.85), (0.95, 0.76, 0.50), (0.62, 0.80, 0.60), (0.85, 0.62, 0.62), (0.75, 0.68, 0.86),
         (0.70, 0.83, 0.83), (0.90, 0.86, 0.55), (0.80, 0.70, 0.60), (0.93, 0.72, 0.83), (0.7, 0.75, 0.6))  # fmt: skip
VIEWS = (
    ("from +z", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0)),
    ("from -y", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    ("from +y", (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)),
    ("from -z", (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)),
)


def draw_places(body: Body, path: Path, name: str) -> None:
    """Write the sheet as PNG, whole or not at all."""
    colours = np.array([*TINTS, BARE])[np.where(body.region < 0, len(TINTS), body.region % len(TINTS))]
    cameras = tuple(Camera(title, "", way, up, body.vertices) for title, way, up in VIEWS)
    shots = draw_body(body.vertices, body.faces, cameras, colours)
    half = 0.5 * (PAGE - 3 * GAP)
    rows = [] if shots is None else [shots[:2], shots[2:]]
    highs = [max(half * s.pixels.shape[0] / s.pixels.shape[1] for s in row) for row in rows]
    marks, regions = list(body.landmarks), list(body.region_names)
    lines = -(-len(marks) // COLUMNS) + -(-len(regions) // COLUMNS)
    height = 0.75 + sum(high + 0.62 for high in highs) + ROW * (lines + 4)
    figure = start_figure(height, f"Places on {name}: {len(marks)} landmarks, {len(regions)} regions")
    y = height - 0.45
    if shots is None:
        figure.text(0.012, y / height, MISSING, fontsize=7.5, color=QUIET, va="top")
    place = np.array([body.landmarks[mark] for mark in marks]).reshape(-1, 3)
    normal = _normals(body, place)
    number = 0
    for row, high in zip(rows, highs, strict=True):
        for k, shot in enumerate(row):
            title, way, _ = VIEWS[number]
            tall = half * shot.pixels.shape[0] / shot.pixels.shape[1]
            left = GAP + k * (half + GAP)
            axes = figure.add_axes((left / PAGE, (y - 0.2 - tall) / height, half / PAGE, tall / height))
            axes.imshow(shot.pixels, interpolation="lanczos")
            axes.axis("off")
            said = f"{title} of the mesh file"
            figure.text(left / PAGE, (y - 0.02) / height, said, fontsize=7.5, color=INK, va="top")
            seen = np.flatnonzero(normal @ np.array(way) < 0.1) if len(place) else np.zeros(0, int)
            _dot(axes, shot.place(place[seen]), seen)
            bar = figure.add_axes(((left + half - 1.6) / PAGE, (y - 0.55 - tall) / height, 1.6 / PAGE, 0.32 / height))
            draw_bar(bar, 1.6 / half * shot.pixels.shape[1] * shot.metres_per_pixel)
            number += 1
        y -= high + 0.62
    words = [f"{k + 1}  {mark}" for k, mark in enumerate(marks)]
    y = _list(figure, "Landmarks (drawn where the surface faces you; one may still be hidden)", words, None, y, height)
    _list(figure, "Regions", regions, [TINTS[k % len(TINTS)] for k in range(len(regions))], y, height)
    with TemporaryDirectory() as folder:
        whole = write_figure(figure, Path(folder) / "sheet.png")
        write_bytes(path, whole.read_bytes())


def _normals(body: Body, place: Array) -> Array:
    """(n, 3) outward normals of the faces that hold the landmarks."""
    if not len(place):
        return place
    face = find_on_mesh(place, body.vertices, body.faces)[2]
    a, b, c = (body.vertices[body.faces[face, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    return cross / np.linalg.norm(cross, axis=1, keepdims=True)


def _dot(axes: Any, at: Array, numbers: Array) -> None:
    from matplotlib.patheffects import withStroke

    halo = [withStroke(linewidth=1.6, foreground="white")]
    for (x, y), number in zip(at, numbers, strict=True):
        axes.plot([x], [y], marker="o", ms=2.6, color=INK, mec="white", mew=0.5, clip_on=False)
        axes.text(x + 8, y - 8, str(number + 1), fontsize=5.5, color=INK, path_effects=halo, clip_on=False)


def _list(figure: Any, title: str, words: list[str], tints: list[Any] | None, y: float, height: float) -> float:
    """Write ``words`` in columns from ``y`` (inch) downward; the place below them."""
    if not words:
        return y
    figure.text(GAP / PAGE, y / height, title, fontsize=7.5, weight="bold", color=INK, va="top")
    y -= 1.2 * ROW
    lines = -(-len(words) // COLUMNS)
    for k, word in enumerate(words):
        x, down = GAP + (k // lines) * (PAGE - 2 * GAP) / COLUMNS, y - (k % lines) * ROW
        if tints is not None:
            box = figure.add_axes((x / PAGE, (down - 0.11) / height, 0.14 / PAGE, 0.1 / height))
            box.set(xticks=[], yticks=[], facecolor=tints[k])
            x += 0.2
        figure.text(x / PAGE, down / height, word, fontsize=7, color=INK, va="top")
    return y - (lines + 0.6) * ROW

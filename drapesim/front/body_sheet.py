"""The sheet of a body made from slices: slices with the outline of the finished mesh on them, and the mesh itself."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.charts import cut_triangles
from drapesim.front.colours import INK, QUIET
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, draw_body
from drapesim.ground.files import write_bytes
from drapesim.matter.slices_skin import INSIDE, OUTSIDE

if TYPE_CHECKING:
    from drapesim.jobs.body import SliceBody

Array = np.ndarray

OUTLINE = "#ffd400"
TAKEN = np.array([0.84, 0.28, 0.05])
FILLED = np.array([0.15, 0.45, 0.85])
STATIONS = (0.2, 0.5, 0.8)  # of the body's slices
TALLEST = 3.2  # inch, of a row
GAP = 0.3  # inch
MOST = 1400  # pixels along a side of a panel


def draw_body_sheet(made: SliceBody, path: Path) -> None:
    """Write the sheet as PNG, whole or not at all."""
    panels = _choose_panels(made)
    rows = [panels[:3], panels[3:]]
    scales = [min((PAGE - GAP * (len(row) + 1)) / sum(p.wide for p in row), TALLEST / max(p.high for p in row))
              for row in rows]  # fmt: skip
    shots = _see_mesh(made)
    half = 0.5 * (PAGE - 3 * GAP)
    mesh_high = 0.5 if shots is None else max(half * s.pixels.shape[0] / s.pixels.shape[1] for s in shots)
    highs = [scale * max(p.high for p in row) for scale, row in zip(scales, rows, strict=True)]
    height = 0.85 + sum(highs) + mesh_high + 3 * 0.62
    figure = start_figure(height, "Body from slices: the finished mesh on the slices it came from")
    key = (f"yellow: the mesh's outline, cut at the slice; orange: above the threshold ({_threshold(made)}) but taken "
           "away; blue: air that was filled")  # fmt: skip
    figure.text(0.012, 1 - 0.45 / height, key, fontsize=7.5, color=QUIET, va="top")
    y = height - 0.75
    for row, scale, high in zip(rows, scales, highs, strict=True):
        x = GAP
        for panel in row:
            wide, tall = scale * panel.wide, scale * panel.high
            axes = figure.add_axes((x / PAGE, (y - 0.2 - tall) / height, wide / PAGE, tall / height))
            panel.draw(axes)
            figure.text(x / PAGE, (y - 0.04) / height, panel.title, fontsize=7.5, color=INK, va="top")
            x += wide + GAP
        last = row[-1]
        bar = figure.add_axes(((PAGE - GAP - 2.0) / PAGE, (y - 0.55 - high) / height, 2.0 / PAGE, 0.32 / height))
        draw_bar(bar, 2.0 / scale, "" if last is row[0] else "in this row")
        y -= high + 0.62
    if shots is None:
        figure.text(0.012, (y - 0.1) / height, MISSING, fontsize=7.5, color=QUIET, va="top")
    else:
        titles = ("from above, left side down", "from its left side")
        for k, (shot, title) in enumerate(zip(shots, titles, strict=True)):
            tall = half * shot.pixels.shape[0] / shot.pixels.shape[1]
            place = ((GAP + k * (half + GAP)) / PAGE, (y - 0.2 - tall) / height, half / PAGE, tall / height)
            axes = figure.add_axes(place)
            axes.imshow(shot.pixels, interpolation="lanczos")
            axes.axis("off")
            words = f"The mesh, {len(made.body.faces)} triangles, {title}; head to the right"
            figure.text(place[0], (y - 0.04) / height, words, fontsize=7.5, color=INK, va="top")
    with TemporaryDirectory() as folder:
        whole = write_figure(figure, Path(folder) / "sheet.png")
        write_bytes(path, whole.read_bytes())


def _threshold(made: SliceBody) -> str:
    return f"{made.skin.threshold.level:.4g}, {made.skin.threshold.method}"


class _Panel:
    """A cut through the volume square to one of its axes: grey values, what was decided, and the mesh's outline."""

    def __init__(self, made: SliceBody, axis: int, number: int, across: int, down: int, title: str) -> None:
        slices = made.slices
        spacing = slices.spacing
        self.title = title
        index: list[Any] = [slice(None)] * 3
        index[2 - axis] = number
        pixels, state = slices.values[tuple(index)], made.skin.state[tuple(index)]
        if across > down:  # the array has the higher axis first
            pixels, state = pixels.T, state.T
        step = max(1, -(-max(pixels.shape) // MOST))
        pixels, state = pixels[::step, ::step].astype(np.float32), state[::step, ::step]
        t = made.skin.threshold
        grey = np.clip((pixels - t.air) / max(1.6 * (t.flesh - t.air), 1e-9), 0.0, 1.0)
        self.colours = np.repeat(grey[:, :, None], 3, axis=2)
        for kind, tint in ((OUTSIDE, TAKEN), (INSIDE, FILLED)):
            self.colours[state == kind] = 0.35 * self.colours[state == kind] + 0.65 * tint
        size = np.array(slices.values.shape[::-1]) * spacing
        self.wide, self.high = float(size[across]), float(size[down])
        self.flip = across == 2 and slices.axes[2, 0] < 0.0  # head to the right
        local = (made.body.vertices - slices.origin) @ slices.axes.T
        at = np.zeros(3)
        at[axis] = number * spacing[axis]
        normal = np.eye(3)[axis]
        ends = cut_triangles(local, made.body.faces, at, normal)[0]
        self.lines = ends[:, :, [across, down]] + 0.5 * spacing[[across, down]]

    def draw(self, axes: Any) -> None:
        from matplotlib.collections import LineCollection

        axes.imshow(self.colours, extent=(0.0, self.wide, self.high, 0.0), interpolation="nearest", aspect="auto")
        axes.add_collection(LineCollection(list(self.lines), colors=OUTLINE, linewidths=0.8))
        axes.set(xlim=(self.wide, 0.0) if self.flip else (0.0, self.wide), ylim=(self.high, 0.0), xticks=[], yticks=[])
        for spine in axes.spines.values():
            spine.set_visible(False)


def _choose_panels(made: SliceBody) -> list[_Panel]:
    low, high = made.skin.low, made.skin.high
    nz = made.slices.values.shape[0]
    panels = []
    for share in STATIONS:
        k = int(low[0] + share * (high[0] - 1 - low[0]))
        panels.append(_Panel(made, 2, k, 0, 1, f"Slice {k + 1} of {nz}"))
    row, column = int(low[1] + high[1]) // 2, int(low[2] + high[2]) // 2
    panels.append(_Panel(made, 1, row, 2, 0, f"All slices at row {row + 1}"))
    panels.append(_Panel(made, 0, column, 2, 1, f"All slices at column {column + 1}"))
    return panels


def _see_mesh(made: SliceBody) -> list[Any] | None:
    frame = made.body.vertices
    return draw_body(frame, made.body.faces, (
        Camera("above", "", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0), frame),
        Camera("side", "", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), frame),
    ))  # fmt: skip

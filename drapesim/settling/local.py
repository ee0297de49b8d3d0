"""Where the sheet still moves: the windows that are relaxed by themselves while the rest is at rest, or nearly."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import binary_dilation, find_objects, label

from drapesim.kernels.elastic import PAD
from drapesim.mechanics.contact_list import flat_index
from drapesim.mechanics.solve import Motion, Problem
from drapesim.mechanics.window import Window, cut_window, window_residuals

Array = np.ndarray

TILE = 8  # nodes along each side of the squares in which residuals are summed
LEAST_TILES = 40  # of a sheet that is worth cutting up
SHARE = 0.9
MOST = 0.35  # of the sheet that may lie in windows: with more, little is saved
EVERYWHERE = np.ones((3, 3), dtype=bool)


@dataclass
class Local:
    """Windows at work: each has its own damping (1/s), from its own motion between looks.

    ``triangles`` (t,) bool: those of the sheet that can move, both of a cell; ``rates``: see `level.RATES`; ``looks``:
    place and force of each window at its last look.
    """

    windows: list[Window]
    damping: list[float]
    triangles: Array
    rates: list[list[float]] = field(default_factory=list)
    looks: list[tuple[Array, Array]] = field(default_factory=list)


def pick_windows(problem: Problem, motion: Motion) -> list[Window]:
    """Few rectangles that hold nearly all of the squared residuals; none if they would hold much of the sheet."""
    net = (motion.force + motion.touch) * problem.fields.free
    squares = (net[:, PAD:-PAD, PAD:-PAD] ** 2).sum(0)
    n_rows, n_columns = squares.shape
    tiles = np.add.reduceat(np.add.reduceat(squares, np.arange(0, n_rows, TILE), 0), np.arange(0, n_columns, TILE), 1)
    total = float(tiles.sum())
    if tiles.size < LEAST_TILES or not 0.0 < total < np.inf:
        return []
    order = np.argsort(-tiles, axis=None, kind="stable")
    enough = int(np.searchsorted(np.cumsum(tiles.ravel()[order]), SHARE * total)) + 1
    restless = np.zeros(tiles.size, dtype=bool)
    restless[order[:enough]] = True
    restless = binary_dilation(restless.reshape(tiles.shape), EVERYWHERE)
    boxes = boxed(restless)
    if boxes.sum() > MOST * tiles.size:
        return []
    windows = []
    for tile_rows, tile_columns in find_objects(label(boxes)[0]):
        rows = (PAD + TILE * tile_rows.start, PAD + min(TILE * tile_rows.stop, n_rows))
        columns = (PAD + TILE * tile_columns.start, PAD + min(TILE * tile_columns.stop, n_columns))
        windows.append(cut_window(problem, rows, columns))
    return windows


def boxed(marked: Array) -> Array:
    """(r, c) bool: ``marked`` grown to rectangles that do not touch, not even at a corner."""
    while True:
        grown = np.zeros_like(marked)
        for box in find_objects(label(marked, EVERYWHERE)[0]):
            grown[box] = True
        if np.array_equal(grown, marked):
            return grown
        marked = grown


def start_local(problem: Problem, windows: list[Window], damping: float) -> Local:
    """Windows ready to go, each damped as the whole sheet was."""
    moves = np.zeros(problem.fields.mass.shape, dtype=bool)
    for window in windows:
        moves[window.rows, window.columns] |= window.moves
    touched = moves.reshape(-1)[flat_index(problem.lattice)][problem.weave.triangles].any(axis=1)
    triangles = np.repeat(touched.reshape(-1, 2).any(axis=1), 2)
    return Local(windows, [damping] * len(windows), triangles, [[] for _ in windows])


def summed_squares(motion: Motion, local: Local) -> tuple[float, float]:
    """(sum of squares, largest) of the residuals in all windows."""
    sizes = [window_residuals(motion, window) for window in local.windows]
    return float(sum((size**2).sum() for size in sizes)), float(max(size.max() for size in sizes))

"""Where the sheet still moves: the windows that are relaxed by themselves while the rest is at rest, or nearly."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import binary_dilation, find_objects, label

from drapesim.kernels.elastic import PAD
from drapesim.mechanics.contact_list import flat_index
from drapesim.mechanics.solve import Motion, Problem
from drapesim.mechanics.window import Window, cut_window

Array = np.ndarray

TILE = 8  # nodes along each side of the squares in which residuals are summed
LEAST_TILES = 300  # of a sheet that is worth cutting up: of 12,000 nodes and fewer windows spanned too much
SHARE = 0.9
MOST = 0.35  # of the sheet that may lie in windows: with more, little is saved
EVERYWHERE = np.ones((3, 3), dtype=bool)


@dataclass
class Patch:
    """A window at work, with its own damping (1/s), from its own motion between looks; ``rates``: see `level.RATES`.

    ``look``: places (3, m) m of its nodes at its last look and the net forces (3, m) N on them.
    """

    window: Window
    damping: float
    rates: list[float] = field(default_factory=list)
    look: tuple[Array, Array] | None = None


@dataclass
class Local:
    """All patches that move at present; ``triangles`` (t,) bool: those of the sheet that can, both of a cell."""

    patches: list[Patch]
    triangles: Array

    @property
    def windows(self) -> list[Window]:
        """Those of the patches."""
        return [patch.window for patch in self.patches]


def pick_windows(problem: Problem, motion: Motion) -> list[Window]:
    """Few windows that hold most of the squared residuals; none if they would span much of the sheet."""
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
    names, _ = label(restless, EVERYWHERE)
    boxes = find_objects(names)
    if sum(names[box].size for box in boxes) > MOST * tiles.size:
        return []
    whole = np.zeros(problem.fields.mass.shape, dtype=names.dtype)
    whole[PAD:-PAD, PAD:-PAD] = np.repeat(np.repeat(names, TILE, 0), TILE, 1)[:n_rows, :n_columns]
    return [cut_window(problem, whole == number + 1) for number in range(len(boxes))]


def start_local(problem: Problem, windows: list[Window], damping: float) -> Local:
    """Windows ready to go, each damped as the whole sheet was."""
    moves = np.zeros(problem.fields.mass.shape, dtype=bool)
    for window in windows:
        moves[window.rows, window.columns] |= window.moves
    touched = moves.reshape(-1)[flat_index(problem.lattice)][problem.weave.triangles].any(axis=1)
    triangles = np.repeat(touched.reshape(-1, 2).any(axis=1), 2)
    return Local([Patch(window, damping) for window in windows], triangles)


def look_at(motion: Motion, window: Window) -> tuple[Array, Array]:
    """Places (3, m) m of the nodes that move in a window, and the net forces (3, m) N on them."""
    cut = (slice(None), window.rows, window.columns)
    return motion.x[cut][:, window.moves], (motion.force[cut] + motion.touch[cut])[:, window.moves]

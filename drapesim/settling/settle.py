"""Settling: from a starting shape to certified rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import Ending
from drapesim.matter.sheet import Lattice
from drapesim.settling.certificate import Certificate

Array = np.ndarray


@dataclass(frozen=True)
class SettledSheet:
    """The sheet at the end of a run, settled or not.

    x (n, 3) node positions m; contact_force (n, 3) N on each node from body and support;
    history (k, 4): seconds, spacing m, residual rms, residual max - for the settle picture.
    """

    lattice: Lattice
    x: Array
    contact_force: Array
    ending: Ending
    certificate: Certificate
    history: Array

"""A picture carried through a cloth's lattice to a flat map of 4,000 x 12,000 pixels, and its density read there.

The sheet is flat over a slab that counts as the body, 390 x 125 cells, so every pixel has a source: the most work there
is. Wanted: at most 20 s and 2 GB on two cores. Times are of the second call; the first compiles.
"""

from __future__ import annotations

import resource
import time

import numpy as np

from drapesim.judging.density import read_density
from drapesim.judging.transfer import Way, find_sources, lay_on, warp_picture
from drapesim.matter.body import box
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body

SHAPE = (4000, 12000)
PICTURE = (3000, 6000)


def main(arguments: list[str]) -> int:
    """Warp and read once to compile, once for the clock."""
    if arguments:
        print("warp takes no arguments")
        return 2
    lattice = Lattice(0.01, 0.01, np.ones((390, 125), bool))
    x = np.column_stack([lattice.uv, np.full(len(lattice.ij), 0.002)])
    laid = lay_on(lattice, x, 4e-4, prepare_body(box((-0.1, -0.1, -0.1), (4.0, 1.35, 0.0))))
    source = find_sources(laid, Way("nearest", "linear", 0.01))
    picture = np.random.default_rng(1).integers(0, 255, (*PICTURE, 3)).astype(np.uint8)
    place = lattice.uv / (3.9, 1.25) * (PICTURE[1] - 1, PICTURE[0] - 1)
    warp_picture(lattice, source, place, picture, (64, 64))
    clock, spent = time.perf_counter(), _processor_seconds()
    pixels, strength = warp_picture(lattice, source, place, picture, SHAPE)
    _tell("warped", clock, spent)
    print(f"pixels with a source: {100 * float((strength > 0).mean()):.1f} %")
    clock, spent = time.perf_counter(), _processor_seconds()
    read_density(pixels, 3.9 / SHAPE[1], lattice)
    _tell("density read", clock, spent)
    return 0


def _processor_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _tell(what: str, clock: float, spent: float) -> None:
    wall, work = time.perf_counter() - clock, _processor_seconds() - spent
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what}: {wall:.1f} s, {work:.1f} s of processors, peak {peak:.0f} MB")

"""Frames of a lay, for a film: `frames.h5` in the run folder, written when the hands have done.

Datasets: ``x`` (frames, n, 3) float32 m, the nodes of the lattice that hands worked on, in its order; ``words``
(frames,) text, what was being done; ``seconds`` (frames,) the sheet's own time. Attributes of ``x``: ``spacing_u_m``,
``spacing_v_m``, ``inner_sign``; beside it ``cell`` as in the lattice (nu - 1, nv - 1)
(`load_film` rebuilds it).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drapesim.ground.files import reading_hdf5, write_hdf5
from drapesim.matter.sheet import Lattice

if TYPE_CHECKING:
    import h5py

Array = np.ndarray

FRAMES_FILE = "frames.h5"
MOST_FRAMES = 600  # kept: beyond, every second one goes


@dataclass(frozen=True)
class Film:
    """x (frames, n, 3) float32 m over ``lattice``; words and the sheet's own time (s) of each frame."""

    lattice: Lattice
    x: Array
    words: tuple[str, ...]
    seconds: Array


class FrameKeeper:
    """Collects frames; call it with positions (n, 3) m, words and the sheet's own time (s)."""

    def __init__(self, lattice: Lattice) -> None:
        self.lattice = lattice
        self.frames: list[tuple[Array, str, float]] = []
        self.stride, self.count = 1, 0

    def __call__(self, x: Array, words: str, seconds: float) -> None:
        is_new = not self.frames or self.frames[-1][1] != words
        if is_new or self.count % self.stride == 0:
            self.frames.append((x.astype(np.float32), words, seconds))
        self.count += 1
        if len(self.frames) > MOST_FRAMES:
            first = {id(f) for f, before in zip(self.frames[1:], self.frames, strict=False) if f[1] != before[1]}
            self.frames = [f for k, f in enumerate(self.frames) if k % 2 == 0 or id(f) in first]
            self.stride *= 2

    def take_up(self, film: Film) -> None:
        """Go on after the frames of ``film``."""
        self.frames = list(zip(film.x, film.words, film.seconds.tolist(), strict=True))

    def film(self) -> Film:
        """All frames as one."""
        x, words, seconds = zip(*self.frames, strict=True)
        return Film(self.lattice, np.stack(x), tuple(words), np.array(seconds))


def save_film(folder: str | Path, film: Film) -> Path:
    """Write ``film`` to ``folder`` as frames.h5, whole or not at all."""
    path = Path(folder) / FRAMES_FILE

    def fill(file: h5py.File) -> None:
        x = file.create_dataset("x", data=film.x, compression="gzip", shuffle=True)
        x.attrs["unit"] = "m"
        x.attrs["spacing_u_m"], x.attrs["spacing_v_m"] = film.lattice.spacing_u, film.lattice.spacing_v
        x.attrs["inner_sign"] = film.lattice.inner_sign
        file.create_dataset("cell", data=film.lattice.cell).attrs["unit"] = "1"
        file.create_dataset("words", data=[words.encode() for words in film.words]).attrs["unit"] = ""
        file.create_dataset("seconds", data=film.seconds).attrs["unit"] = "s"

    write_hdf5(path, fill)
    return path


def load_film(folder: str | Path) -> Film:
    """The film of a run folder; `InputError` where there is none."""
    with reading_hdf5(Path(folder) / FRAMES_FILE, "film of the lay") as file:
        x = file["x"]
        spacing = float(x.attrs["spacing_u_m"]), float(x.attrs["spacing_v_m"])
        lattice = Lattice(*spacing, file["cell"][()], int(x.attrs["inner_sign"]))
        words = tuple(each.decode() for each in file["words"][()])
        return Film(lattice, x[()], words, file["seconds"][()])

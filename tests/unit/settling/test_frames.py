"""Frames of a lay: they survive writing, no step is lost when there are too many, and going on adds to them."""

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.sheet import Lattice
from drapesim.settling.frames import MOST_FRAMES, FrameKeeper, load_film, save_film

LATTICE = Lattice(0.03, 0.025, np.ones((3, 2), dtype=bool), inner_sign=1)


def test_a_film_survives_writing(tmp_path):
    keeper = FrameKeeper(LATTICE)
    for k in range(5):
        keeper(np.full((12, 3), float(k)), "lower" if k < 2 else "pull", 0.1 * k)
    save_film(tmp_path, keeper.film())
    film = load_film(tmp_path)
    assert film.words == ("lower", "lower", "pull", "pull", "pull")
    assert film.x.dtype == np.float32
    assert film.x[:, 0, 0].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert film.seconds == pytest.approx(0.1 * np.arange(5))
    assert (film.lattice.spacing_u, film.lattice.spacing_v, film.lattice.inner_sign) == (0.03, 0.025, 1)
    assert np.array_equal(film.lattice.cell, LATTICE.cell)
    again = FrameKeeper(LATTICE)
    again.take_up(film)
    again(np.zeros((12, 3)), "release", 1.0)
    assert again.film().words[-2:] == ("pull", "release")


def test_too_many_frames_are_thinned_but_every_step_stays():
    keeper = FrameKeeper(LATTICE)
    for k in range(3 * MOST_FRAMES):
        keeper(np.zeros((12, 3)), f"step {k // 400}", float(k))
    film = keeper.film()
    assert len(film.words) <= MOST_FRAMES
    assert set(film.words) == {f"step {k}" for k in range(5)}
    assert np.all(np.diff(film.seconds) > 0.0)


def test_a_run_without_a_film_says_so(tmp_path):
    with pytest.raises(InputError, match="there is no film of the lay"):
        load_film(tmp_path)

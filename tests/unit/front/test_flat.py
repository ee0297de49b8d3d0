"""The flat map and the colours: what is drawn where, and that nothing is told by colour alone."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from drapesim.front.colours import SIGNS, blend_colours, scale_gaps, usual_tolerance
from drapesim.front.flat import draw_flat
from drapesim.front.labels import spread_out
from drapesim.matter import answers
from drapesim.matter.marks import FlatMap

# The dark, touching colour covers the patch over the roller's top and nothing else of the cloth.
DARK = (27, 23, 98)


def lightness(colour: np.ndarray) -> np.ndarray:
    """CIE L* of sRGB in 0..1 (IEC 61966-2-1 and CIE 15)."""
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(y > 0.008856, 116 * np.cbrt(y) - 16, 903.3 * y)


def test_scale_rises_evenly_in_lightness():
    light = lightness(blend_colours(np.linspace(0, 1, 41)))
    steps = np.diff(light)
    assert (steps > 0).all()
    assert light[0] < 20 < 90 < light[-1]
    assert steps.max() < 2.0 * steps.mean()


def test_scale_is_told_apart_without_red_and_green():
    # Deuteranopia after Vienot, Brettel and Mollon 1999: red and green come to one mixture (in linear light).
    colours = scale_gaps((5e-4, 1e-3, 2e-3, 5e-3)).colours
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    mixed = linear @ np.array([[0.29275, 0.29275, -0.02234], [0.70725, 0.70725, 0.02234], [0, 0, 1.0]])
    seen = lightness(np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * np.clip(mixed, 0, 1) ** (1 / 2.4) - 0.055))
    assert np.diff(seen).min() > 4.0


def test_bands_by_their_edges():
    scale = scale_gaps((1e-3, 5e-3))
    assert scale.labels() == ["up to 1", "1 to 5", "5 to 10", "10 to 20", "20 to 50", "50 to 100", "over 100"]
    assert scale.band(np.array([-1e-4, 1e-3, 1.01e-3, 0.2])).tolist() == [0, 0, 1, 6]


def test_each_verdict_has_its_own_sign():
    names = {value for name, value in vars(answers).items() if name.isupper()}
    assert set(SIGNS) == names
    assert len({(sign.marker, sign.is_filled, sign.inner) for sign in SIGNS.values()}) == len(SIGNS)
    assert len({sign.path + sign.inner for sign in SIGNS.values()}) == len(SIGNS)


def test_usual_tolerance(finished):
    assert usual_tolerance(finished.marks) == 1e-3
    assert usual_tolerance(()) == 1e-3


@pytest.mark.parametrize("wanted", [[0, 1, 2], [50, 50, 50], [99, 99.5, 100]])
def test_names_do_not_overlap(wanted):
    widths = np.array([20.0, 30.0, 10.0])
    x = spread_out(np.array(wanted, float), widths, 100.0)
    assert (x - 0.5 * widths >= -1e-9).all()
    assert (x + 0.5 * widths <= 100 + 1e-9).all()
    assert (np.diff(x) >= 0.5 * (widths[1:] + widths[:-1]) - 1e-9).all()


def read(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path).convert("RGB")).astype(int)


def contact_extent(pixels: np.ndarray) -> tuple[int, int]:
    """Columns between which the touching colour lies in the map itself, above the legend."""
    upper = pixels[: pixels.shape[0] // 2]
    near = np.abs(upper - DARK).max(axis=2) < 40
    columns = np.flatnonzero(near.sum(axis=0) > 20)
    return int(columns.min()), int(columns.max())


def test_contact_lies_where_the_cloth_touches(finished, tmp_path):
    pixels = read(draw_flat(replace(finished, marks=(), verdicts=()), tmp_path / "flat.png", 1e-3))
    assert (pixels[0, 0] == 255).all()
    left, right = contact_extent(pixels)
    # Half a roller, pi R of the 0.8 m; the map is 8.45 of the page's 9.6 inches and starts at 0.75.
    per_metre = pixels.shape[1] / 9.6 * 8.45 / 0.8
    assert (right - left) / per_metre == pytest.approx(np.pi * 0.1, abs=0.03)
    middle = 0.5 * (left + right) - 0.75 / 9.6 * pixels.shape[1]
    assert middle / per_metre == pytest.approx(0.4, abs=0.005)


def test_photograph_is_shown(finished, tmp_path):
    picture = np.zeros((60, 400, 3), np.uint8)
    picture[:, :40] = (250, 20, 20)
    shown = replace(finished, flat_map=FlatMap(picture, 2e-3, "inner"), marks=(), verdicts=())
    pixels = read(draw_flat(shown, tmp_path / "flat.png", 1e-3))
    red = np.flatnonzero((np.abs(pixels - [250, 20, 20]).max(axis=2) < 30).sum(axis=0) > 20)
    assert red.max() < 0.25 * pixels.shape[1]


def test_draws_a_sheet_without_numbers(finished, tmp_path):
    lost = replace(finished, contact=replace(finished.contact, gap=np.full(len(finished.x), np.nan)))
    assert draw_flat(lost, tmp_path / "flat.png", 1e-3).stat().st_size > 10_000

"""A flat map made by us: one way of transfer in one lay, the cloth's tone, weave and noise added, as a picture; lays
by formula and settled ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter, grey_dilation, map_coordinates

from drapesim.judging.transfer import Laid, Source, Way, find_sources, lay_finer, lay_on, to_grid
from drapesim.kernels.cast import cast_rays
from drapesim.matter.body import cylinder, join, slab, sphere
from drapesim.matter.fabric import read_card
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.settle import settle
from tests.unit.made_run import ROOT
from tests.validation.printed import THIN

Array = np.ndarray

CELLS, SPACING = 100, 5e-3
BODY = join(
    *(
        replace(each, landmarks={})
        for each in (
            sphere(0.07, (0.13, 0.02, 0.02)),
            cylinder(0.05, 0.22, (-0.06, 0.03, 0.02), axis="x"),
            cylinder(0.03, 0.3, (0.02, -0.09, 0.02), axis="y"),
            sphere(0.04, (-0.17, -0.1, 0.01)),
        )
    )
)
SETTLED = {"moved": ((0.03, 0.0), 0.0), "turned": ((0.0, 0.0), 15.0), "both": ((-0.02, 0.02), -20.0)}  # m, deg
LAYS = {"loose": (0.6, 0.0), "tight": (1.0, 0.0), "moved": (0.6, 0.03)}  # steepest slope, shift along u m
WAYS = (
    Way("contact", "cut-off", 1e-3), Way("normal", "linear", 0.02), Way("normal", "exponential", 0.02),
    Way("normal", "cut-off", 0.02), Way("nearest", "linear", 0.04), Way("down", "linear", 0.02),
    Way("view"), Way("relief", "linear", 0.02, 0.04),
)  # fmt: skip
OWN = ("loose", WAYS[1].name)
PIXEL = 1e-3  # m
BASE, CONTRAST, NOISE, TONE = 0.3, 0.25, 0.08, 0.06  # optical densities; BASE: half the light, as of grey linen
PALE = 0.1  # a base at which noise drives a tenth of all pixels to white, where nothing can be measured


def lay(name: str) -> Laid:
    """The lowest height over the body that is nowhere steeper than a slope: a constructed cloth, not a settled one."""
    slope, shift = LAYS[name]
    lattice = Lattice(SPACING, SPACING, np.ones((CELLS, CELLS), bool), inner_sign=-1)
    plan = lattice.uv - 0.5 * CELLS * SPACING + np.array([shift, 0.0])
    field = prepare_body(BODY)
    above = np.column_stack([plan, np.full(len(plan), 1.0)])
    down = np.tile([0.0, 0.0, -1.0], (len(plan), 1))
    way, _ = cast_rays(above, down, np.full(len(plan), 2.0), field.surface.vertices, field.surface.faces, field.tree)
    height = to_grid(lattice, np.maximum(np.where(np.isfinite(way), 1.0 - way, 0.0), 0.0))
    reach = np.arange(-40, 41) * SPACING
    cone = -slope * np.hypot(reach[:, None], reach[None, :])
    cloth = grey_dilation(height, structure=cone, mode="nearest") + THIN
    return lay_on(lattice, np.column_stack([plan, cloth.ravel()]), THIN, field)


def all_sources() -> dict[tuple[str, str], tuple[Laid, Source]]:
    """(lay, way) -> the sheet and its sources."""
    return print_all({name: lay(name) for name in LAYS})


def settle_lay(shift: tuple[float, float], turn: float) -> Laid:
    """A piece of the demo's linen let go over the body and a slab and settled, ``shift`` (m) and ``turn`` (deg) from
    the middle; certified."""
    card = read_card(ROOT / "scenes/fabrics/cover-linen.toml")
    lattice = cut_lattice(Sheet(CELLS * SPACING, CELLS * SPACING, 0.0125), multiple=4)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    plan = (lattice.uv - 0.5 * CELLS * SPACING) @ np.array([[c, s], [-s, c]]) + np.array(shift)
    body = join(BODY, slab(2.0, 2.0, 0.1))
    end = settle(lattice, card, np.column_stack([plan, np.full(len(plan), 0.1)]), body)
    assert end.certificate.settled, end.certificate.failures
    return lay_finer(lay_on(lattice, end.x, card.thickness, prepare_body(body)))


def print_all(lays: Mapping[str, Laid]) -> dict[tuple[str, str], tuple[Laid, Source]]:
    """(lay, way) -> the sheet and its sources, of ``lays`` by name."""
    return {(name, way.name): (laid, find_sources(laid, way)) for name, laid in lays.items() for way in WAYS}


def paint(strength: Array, seed: int, base: float = BASE) -> Array:
    """(500, 500, 3) uint8 sRGB: density CONTRAST times strength (nodes), a slanting tone, weave and noise."""
    chance = np.random.default_rng(seed)
    cells = round(np.sqrt(len(strength))) - 1
    grid = strength.reshape(cells + 1, cells + 1)
    pixels = round(CELLS * SPACING / PIXEL)
    at = (np.mgrid[:pixels, :pixels] + 0.5) * (cells / pixels)  # rows along v
    dark = CONTRAST * map_coordinates(grid, at[::-1], order=1)
    v, u = np.mgrid[:pixels, :pixels] / pixels
    slant = chance.normal(size=2)
    dark = dark + base + TONE * (slant[0] * u + slant[1] * v)
    dark += 0.03 * np.sin(2 * np.pi * np.arange(pixels) / 2.4)[None, :] + NOISE * chance.normal(size=dark.shape)
    dark += 0.02 * gaussian_filter(chance.normal(size=dark.shape), 15.0) / 0.0188  # blotches, 15 mm wide
    linear = 10.0**-dark
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
    return np.repeat(np.clip(np.rint(255 * srgb), 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)

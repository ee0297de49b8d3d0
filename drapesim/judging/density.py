"""Image density against gap: how dark the flat map is at each node, and how that falls off with the distance to the
body.

Density is optical: -log10 of the linear reflectance, from sRGB (IEC 61966-2-1) by the luminance weights of ITU-R
BT.709. The weave is taken out by a Gaussian of stated breadth s, which leaves exp(-2 pi^2 s^2 / p^2) of a pattern of
period p. The cloth's own tone is a polynomial of second degree over the flat map, fitted again and again without what
lies darker than it by twice the spread, and is taken off. Neighbouring nodes tell the same story, so every interval
comes from resampling square blocks of the cloth whole (P. Hall, Stochastic Process. Appl. 20 (1985) 231, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.judging.transfer import LAWS, LOOK, fall
from drapesim.matter.sheet import Lattice

Array = np.ndarray

WEAVE = 1.5e-3  # m, breadth s of the filter
BLOCK = 0.15  # m, side of the blocks that are resampled
RESAMPLED = 400
INTERVAL = (2.5, 97.5)  # per cent
DARKER = 2.0  # spreads above the background from which a node counts as image
BINS = (0.0, 1e-3, 2e-3, 5e-3, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06)  # m; what is pressed in counts as 0
FEWEST_BLANK = 200  # nodes that tell the cloth's own tone by themselves
FEWEST = 5  # blocks below which no interval is told
REACHES = np.geomspace(5e-4, LOOK, 160)
FIVE_PER_CENT = float(np.log(20.0))  # reaches after which the exponential law is down to 5 %


@dataclass(frozen=True)
class Density:
    """At each of n nodes: ``value`` above the cloth's own tone, and that tone, both in optical density (nan: off the
    picture). ``weave`` m, the breadth of the filter; ``spread`` of the values where there is no image."""

    value: Array
    background: Array
    weave: float
    spread: float


def read_density(
    pixels: Array, metres_per_pixel: float, lattice: Lattice, weave: float = WEAVE, blank: Array | None = None
) -> Density:
    """Density at the nodes from a picture (rows, columns, 3) uint8, rows along v from the flat map's origin.

    ``blank`` (n,) bool: nodes too far from any body to hold an image, from which the cloth's own tone is told.
    """
    from scipy.ndimage import gaussian_filter, map_coordinates

    light = smooth_light(pixels)
    if weave > 0.0:
        light = gaussian_filter(light, weave / metres_per_pixel, mode="nearest")
    at = lattice.uv / metres_per_pixel - 0.5  # pixel 0's middle lies half a pixel in
    rows, columns = light.shape
    inside = (at > -1.0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    found = map_coordinates(light, at[:, ::-1].T, order=1, mode="nearest").astype(np.float64)
    dark = np.where(inside, -np.log10(np.maximum(found, 1e-4)), np.nan)
    background, spread = fit_background(lattice.uv, dark, blank)
    return Density(dark - background, background, weave, spread)


def smooth_light(pixels: Array) -> Array:
    """(rows, columns) float32: linear luminance in 0..1 of sRGB pixels (rows, columns, 3) uint8."""
    step = np.arange(256) / 255.0
    linear = np.where(step <= 0.04045, step / 12.92, ((step + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light = np.float32(0.2126) * linear[pixels[:, :, 0]]
    light += np.float32(0.7152) * linear[pixels[:, :, 1]]
    light += np.float32(0.0722) * linear[pixels[:, :, 2]]
    return np.asarray(light)


def fit_background(uv: Array, dark: Array, blank: Array | None = None) -> tuple[Array, float]:
    """(the cloth's own tone (n,), the spread round it) from densities ``dark`` (n,) at ``uv`` (n, 2) m.

    Without enough ``blank`` nodes (n,) bool it starts from the lightest: a surface with 98 % of all above it.
    """
    known = np.isfinite(dark)
    if blank is not None and (known & blank).sum() >= FEWEST_BLANK:
        known &= blank
    if known.sum() < 12:
        return np.full(len(dark), np.nan), np.nan
    a, b = ((uv - uv[known].mean(axis=0)) / np.maximum(np.ptp(uv[known], axis=0), 1e-12)).T
    terms = np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=1)
    weight = np.ones(len(dark))
    for _ in range(20):  # asymmetric least squares: W. K. Newey, J. L. Powell, Econometrica 55 (1987) 819, from memory
        root = np.sqrt(weight[known])
        factor = np.linalg.lstsq(root[:, None] * terms[known], root * dark[known], rcond=None)[0]
        weight = np.where(dark > terms @ factor, 0.02, 0.98)
    left = dark - terms @ factor
    kept = known & (left <= np.percentile(left[known], 30.0 if blank is None or not blank.any() else 70.0))
    spread = np.nan
    for _ in range(40):
        factor = np.linalg.lstsq(terms[kept], dark[kept], rcond=None)[0]
        left = dark - terms @ factor
        middle = np.median(left[kept])
        # the light side alone tells the spread: the dark side may hold the image
        light = left[known & (left <= middle)]
        spread = 1.4826 * float(np.median(np.abs(light - middle)))
        again = known & (left <= middle + DARKER * max(spread, 1e-6))
        if again.sum() < 12 or (again == kept).all():
            break
        kept = again
    return terms @ factor, spread


@dataclass(frozen=True)
class Bin:
    """Mean density of the nodes with a gap from ``low`` to ``high`` (m), its 95 % interval, how many nodes and
    blocks."""

    low: float
    high: float
    mean: float
    least: float
    most: float
    nodes: int
    blocks: int


@dataclass(frozen=True)
class FallOff:
    """density = full * fall(law, gap, reach) above the cloth's tone; reach m with its 95 % interval; rms of what is
    left.

    ``cut_off`` (m): the gap beyond which nothing is left (exponential: 5 %). ``chosen``: share of resamples in which
    this law leaves less than the others. full = 0: no image, or one that does not weaken with the gap.
    """

    law: str
    reach: float
    least: float
    most: float
    full: float
    rms: float
    chosen: float

    @property
    def cut_off(self) -> float:
        """m."""
        return self.reach * (FIVE_PER_CENT if self.law == "exponential" else 1.0)


@dataclass(frozen=True)
class GapStudy:
    """Density against gap over ``name`` (a region, or all): rank correlation with interval, curve, laws, best first."""

    name: str
    nodes: int
    rank: float
    least: float
    most: float
    bins: tuple[Bin, ...]
    laws: tuple[FallOff, ...]


def study_gaps(
    name: str, uv: Array, gap: Array, density: Array, seed: int = 0, block: float = BLOCK, with_laws: bool = True
) -> GapStudy:
    """Rank correlation, binned curve and fitted laws of ``density`` (n,) against ``gap`` (n,) m at ``uv`` (n, 2) m.

    Nodes without either, or farther than `LOOK`, are left out. Ranks are those of the whole sample in every resample.
    """
    from scipy.stats import rankdata

    kept = np.isfinite(gap) & np.isfinite(density) & (gap <= LOOK)
    g, d = np.maximum(gap[kept], 0.0), density[kept]
    number = number_blocks(uv[kept], block)
    n_blocks = int(number.max(initial=-1)) + 1
    if len(g) < 12 or n_blocks < 2:
        return GapStudy(name, len(g), np.nan, np.nan, np.nan, (), ())
    drawn = draw_blocks(n_blocks, seed)
    ranks = rankdata(g), rankdata(d)
    whole = correlate(sum_blocks(number, n_blocks, *ranks), np.ones((1, n_blocks)))[0]
    spread = correlate(sum_blocks(number, n_blocks, *ranks), drawn)
    low, high = np.clip(find_interval(spread, float(whole), number), -1.0, 1.0).tolist()
    laws = _fit_laws(g, d, number, n_blocks, drawn) if with_laws else ()
    return GapStudy(name, len(g), float(whole), low, high, _bin(g, d, number, n_blocks, drawn), laws)


def number_blocks(uv: Array, block: float) -> Array:
    """(n,) number of the square block of side ``block`` (m) that each place lies in, from 0 without holes."""
    cell = np.floor(uv / block + 1e-9).astype(np.int64)
    return np.unique(cell[:, 0] * 1_000_003 + cell[:, 1], return_inverse=True)[1].ravel()


def draw_blocks(n_blocks: int, seed: int, times: int = RESAMPLED) -> Array:
    """(times, n_blocks) how often each block is drawn in each resample, with replacement."""
    return np.random.default_rng(seed).multinomial(n_blocks, np.full(n_blocks, 1.0 / n_blocks), times).astype(float)


def sum_blocks(number: Array, n_blocks: int, a: Array, b: Array) -> Array:
    """(n_blocks, 6) sums over each block of 1, a, b, a^2, a b, b^2, for `correlate`."""
    # about the mean, so that no digits are lost
    a, b = a - a.mean(), b - b.mean()
    parts = (np.ones_like(a), a, b, a * a, a * b, b * b)
    return np.stack([np.bincount(number, part, minlength=n_blocks) for part in parts], axis=1)


def correlate(sums: Array, drawn: Array) -> Array:
    """(times,) Pearson's correlation in each resample ``drawn`` (times, n_blocks) of block ``sums`` (n_blocks, 6)."""
    n, a, b, aa, ab, bb = (drawn @ sums).T
    n = np.maximum(n, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((ab - a * b / n) / np.sqrt((aa - a * a / n) * (bb - b * b / n)))


def find_interval(values: Array, centre: float, number: Array) -> tuple[float, float]:
    """95 % interval round ``centre`` from resamples ``values`` (times,) of blocks ``number`` (n,); nan: too few blocks.

    Few blocks resample too narrowly, so the percentiles are drawn out by Student's t and sqrt(m / (m - 1)), with m the
    blocks as if all held as many nodes (B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, p. 158 to
    160, from memory).
    """
    from scipy.stats import norm, t

    known = values[np.isfinite(values)]
    held = np.bincount(number).astype(float)
    blocks = held.sum() ** 2 / max((held**2).sum(), 1.0)
    if blocks < FEWEST or len(known) < 0.9 * len(values):
        return np.nan, np.nan
    wide = t.ppf(0.975, blocks - 1.0) / norm.ppf(0.975) * np.sqrt(blocks / (blocks - 1.0))
    low, high = np.percentile(known, INTERVAL)
    return float(centre - wide * max(centre - low, 0.0)), float(centre + wide * max(high - centre, 0.0))


def _bin(g: Array, d: Array, number: Array, n_blocks: int, drawn: Array) -> tuple[Bin, ...]:
    rows = []
    for low, high in zip((-1.0, *BINS[1:-1]), BINS[1:], strict=True):
        mine = (g > low) & (g <= high)
        if not mine.any():
            continue
        count = np.bincount(number[mine], minlength=n_blocks).astype(float)
        total = np.bincount(number[mine], d[mine], minlength=n_blocks)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = (drawn @ total) / (drawn @ count)
        blocks = int((count > 0).sum())
        rows.append(
            Bin(
                max(low, 0.0),
                high,
                float(d[mine].mean()),
                *find_interval(means, float(d[mine].mean()), number[mine]),
                int(mine.sum()),
                blocks,
            )
        )
    return tuple(rows)


def _fit_laws(g: Array, d: Array, number: Array, n_blocks: int, drawn: Array) -> tuple[FallOff, ...]:
    """All laws, that with the least left over first. Full strength by least squares for each reach."""
    found = []
    square = np.bincount(number, d * d, minlength=n_blocks)
    for law in LAWS:
        sums = []
        for reach in REACHES:
            f = fall(law, g, reach)
            both = [np.bincount(number, f * each, minlength=n_blocks) for each in (f, d)]
            sums.append(both)
        table = np.array(sums)  # (reaches, 2, blocks)
        full, left = _solve(table.sum(axis=2).T, square.sum())
        again = _solve(np.einsum("tb,rkb->krt", drawn, table), drawn @ square)[1]
        at = int(np.argmin(left))
        found.append((law, float(_lowest_each(left[:, None])[0]), float(full[at]), float(left[at]),
                      _lowest_each(again), again.min(axis=0)))  # fmt: skip
    least = np.argmin([each[5] for each in found], axis=0)
    laws = []
    for k, (law, reach, full_, left_, reaches, _) in enumerate(found):
        rms = float(np.sqrt(max(left_, 0.0) / len(g)))
        laws.append(FallOff(law, reach, *find_interval(reaches, reach, number), full_, rms, float((least == k).mean())))
    return tuple(sorted(laws, key=lambda each: each.rms))


def _solve(sums: Array, square: Array) -> tuple[Array, Array]:
    """(full, sum of squares left) of d = full f, from sums (2, ...) of f^2 and f d, and that of d^2.

    A strength below 0 is no image: full is held at 0 or above.
    """
    ff, fd = sums
    full = np.maximum(fd, 0.0) / np.maximum(ff, 1e-300)
    return full, square - full * (2.0 * fd - full * ff)


def _lowest_each(left: Array) -> Array:
    """(times,) the reach at which each column of ``left`` (reaches, times) is lowest."""
    at = np.clip(np.argmin(left, axis=0), 1, len(left) - 2)
    column = np.arange(left.shape[1])
    low, mid, high = left[at - 1, column], left[at, column], left[at + 1, column]
    bend = low - 2 * mid + high
    shift = np.where(bend > 0.0, np.clip(0.5 * (low - high) / np.where(bend > 0.0, bend, 1.0), -1.0, 1.0), 0.0)
    log = np.log(REACHES)
    return np.exp(log[at] + shift * (log[1] - log[0]))


@dataclass(frozen=True)
class Rebuilt:
    """The gap rebuilt from density under a law: ``gap`` (n,) m, nan where the law says nothing (nothing left, or full);
    against the true one: ``rms`` m over ``nodes``, and rank correlation over those that do not touch (which have no
    order)."""

    gap: Array
    rms: float
    rank: float
    nodes: int


def rebuild_gap(density: Array, gap: Array, law: FallOff) -> Rebuilt | None:
    """The reverse of the fitted ``law``: from density to gap. None for a law that cannot be turned round (cut-off).

    Compared with the true ``gap`` (n,) m where that lies between 0 and the law's cut-off.
    """
    from scipy.stats import spearmanr

    if law.law == "cut-off" or law.full <= 0.0:
        return None
    share = density / law.full
    with np.errstate(invalid="ignore", divide="ignore"):
        if law.law == "linear":
            found = law.reach * (1.0 - np.clip(share, 0.0, 1.0))
        else:
            found = np.minimum(-law.reach * np.log(np.clip(share, 1e-12, 1.0)), law.cut_off)
    known = np.isfinite(found) & np.isfinite(gap) & (gap >= 0.0) & (gap <= law.cut_off)
    if known.sum() < 12:
        return None
    rms = float(np.sqrt(((found - gap)[known] ** 2).mean()))
    clear = known & (gap > BINS[1])
    ordered = float(spearmanr(found[clear], gap[clear])[0]) if clear.sum() >= 12 else np.nan
    return Rebuilt(found, rms, ordered, int(known.sum()))

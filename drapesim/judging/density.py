"""Image density against gap: how dark the flat map is at each node, and how that falls off with the distance to the
body.

Density is optical: -log10 of the linear reflectance, from sRGB (IEC 61966-2-1) by the luminance weights of ITU-R
BT.709. The weave is taken out by a Gaussian of stated breadth s, which leaves exp(-2 pi^2 s^2 / p^2) of a pattern of
period p. The cloth's own tone is a polynomial of second degree over the flat map, fitted again and again without what
lies darker than it by twice the spread (three times where no body is near), and is taken off. Neighbouring nodes tell
the same story, so every interval comes from resampling square blocks of the cloth whole (P. Hall, Stochastic Process.
Appl. 20 (1985) 231, from memory); in each resample the cloth's own tone is told anew, from blocks of its own: what it
is wrong by, it is wrong by all over an image, and blocks of the image alone would not tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drapesim.judging.transfer import LAWS, LOOK, fall
from drapesim.matter.sheet import Lattice

Array = np.ndarray

WEAVE = 1.5e-3  # m, breadth s of the filter
BLOCK = 0.15  # m, side of the blocks that are resampled
RESAMPLED = 400
INTERVAL = (2.5, 97.5)  # per cent
DARKER = 2.0  # spreads above the background from which a node counts as image ...
STAINED = 3.0  # ... and, where no image can be, as a stain: trimming at 2 makes the tone less sure than it says
BINS = (0.0, 1e-3, 2e-3, 5e-3, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06)  # m; what is pressed in counts as 0
FEWEST_BLANK = 200  # nodes that tell the cloth's own tone by themselves
FEWEST_PAIRS = 12  # of neighbouring blocks, to tell whether they are alike
FEWEST = 5  # blocks below which no interval is told
TONE_SEED = 1_000_003  # added to the seed, so that blocks of the tone are drawn by themselves
REACHES = np.geomspace(5e-4, LOOK, 160)
STEPS = np.arange(5e-4, LOOK, 5e-5)  # for the cut-off, which has no slope that a wider grid could be mended by
FIVE_PER_CENT = float(np.log(20.0))  # reaches after which the exponential law is down to 5 %


@dataclass(frozen=True)
class Tone:
    """The cloth's own tone, a polynomial in places less ``middle`` (2,) over ``size`` (2,) m: `terms` times ``factor``
    (6,). ``spread`` of the densities round it; ``doubt`` (times, 6): by how much the factors change from resample to
    resample (times 0: not told)."""

    middle: Array
    size: Array
    factor: Array
    spread: float
    doubt: Array

    def terms(self, uv: Array) -> Array:
        """(n, 6) at ``uv`` (n, 2) m."""
        a, b = ((uv - self.middle) / self.size).T
        return np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=1)

    def read(self, uv: Array) -> Array:
        """(n,) optical density at ``uv`` (n, 2) m; nan where too little of the picture was known."""
        return np.asarray(self.terms(uv) @ self.factor)


@dataclass(frozen=True)
class Density:
    """At each of n nodes: ``value`` above the cloth's own ``tone``, optical density (nan: off the picture). ``weave``
    m, the breadth of the filter; ``burnt``: share of the picture's pixels that are as light as pixels can be."""

    value: Array
    tone: Tone
    weave: float
    burnt: float


def read_density(
    pixels: Array,
    metres_per_pixel: float,
    lattice: Lattice,
    weave: float = WEAVE,
    blank: Array | None = None,
    seed: int = 0,
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
    tone = fit_tone(lattice.uv, dark, blank, seed)
    return Density(dark - tone.read(lattice.uv), tone, weave, float((pixels == 255).all(axis=2).mean()))


def smooth_light(pixels: Array) -> Array:
    """(rows, columns) float32: linear luminance in 0..1 of sRGB pixels (rows, columns, 3) uint8."""
    step = np.arange(256) / 255.0
    linear = np.where(step <= 0.04045, step / 12.92, ((step + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light = np.float32(0.2126) * linear[pixels[:, :, 0]]
    light += np.float32(0.7152) * linear[pixels[:, :, 1]]
    light += np.float32(0.0722) * linear[pixels[:, :, 2]]
    return np.asarray(light)


def fit_tone(uv: Array, dark: Array, blank: Array | None = None, seed: int = 0, block: float = BLOCK) -> Tone:
    """The cloth's own tone from densities ``dark`` (n,) at ``uv`` (n, 2) m.

    Without enough ``blank`` nodes (n,) bool it starts from the lightest: a surface with 98 % of all above it.
    """
    known = np.isfinite(dark)
    is_blank = blank is not None and (known & blank).sum() >= FEWEST_BLANK
    if blank is not None and is_blank:
        known &= blank
    if known.sum() < 12:
        return Tone(np.zeros(2), np.ones(2), np.full(6, np.nan), np.nan, np.zeros((0, 6)))
    tone = Tone(
        uv[known].mean(axis=0), np.maximum(np.ptp(uv[known], axis=0), 1e-12), np.zeros(6), 0.0, np.zeros((0, 6))
    )
    terms = tone.terms(uv)
    weight = np.ones(len(dark))
    for _ in range(20):  # asymmetric least squares: W. K. Newey, J. L. Powell, Econometrica 55 (1987) 819, from memory
        root = np.sqrt(weight[known])
        factor = np.linalg.lstsq(root[:, None] * terms[known], root * dark[known], rcond=None)[0]
        weight = np.where(dark > terms @ factor, 0.02, 0.98)
    left = dark - terms @ factor
    kept = known & (left <= np.percentile(left[known], 70.0 if is_blank else 30.0))
    spread = np.nan
    for _ in range(40):
        factor = np.linalg.lstsq(terms[kept], dark[kept], rcond=None)[0]
        left = dark - terms @ factor
        middle = np.median(left[kept])
        # the light side alone tells the spread: the dark side may hold the image
        light = left[known & (left <= middle)]
        spread = 1.4826 * float(np.median(np.abs(light - middle)))
        again = known & (left <= middle + (STAINED if is_blank else DARKER) * max(spread, 1e-6))
        if again.sum() < 12 or (again == kept).all():
            break
        kept = again
    doubt = _doubt_tone(uv[kept], terms[kept], dark[kept], factor, seed, block)
    return replace(tone, factor=factor, spread=spread, doubt=doubt)


def _doubt_tone(uv: Array, terms: Array, dark: Array, factor: Array, seed: int, block: float) -> Array:
    """(times, 6) change of ``factor`` when blocks of the nodes that tell it are drawn anew; times 0: too few blocks."""
    number = number_blocks(uv, block)
    n_blocks = int(number.max()) + 1
    if n_blocks < FEWEST:
        return np.zeros((0, 6))
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange(n_blocks))
    t, d = terms[order], dark[order]
    square = np.add.reduceat(t[:, :, None] * t[:, None, :], starts, axis=0)
    product = np.add.reduceat(t * d[:, None], starts, axis=0)
    drawn = draw_blocks(n_blocks, seed + TONE_SEED)
    square, product = np.einsum("tb,bij->tij", drawn, square), drawn @ product
    known = np.linalg.cond(square) < 1e8  # resamples that leave a whole side of the cloth out tell no polynomial
    if known.mean() < 0.9:
        return np.zeros((0, 6))
    found = np.linalg.solve(square[known], product[known][:, :, None])[:, :, 0] - factor
    return np.asarray(found[np.arange(len(drawn)) % len(found)])


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
    """Density against gap over ``name`` (a region, or all): rank correlation with interval, curve, laws, best first.

    alike: correlation of what the best law leaves over, from block to neighbouring block; nan: fewer than 12 pairs.
    Intervals take it for 0: where it is well above, they are too narrow.
    """

    name: str
    nodes: int
    rank: float
    least: float
    most: float
    bins: tuple[Bin, ...]
    laws: tuple[FallOff, ...]
    alike: float


@dataclass(frozen=True)
class _Sample:
    """Nodes with both gap ``g`` (n,) m and density ``d`` (n,), the ``number`` (n,) of each one's block; ``drawn``
    (times, blocks); ``terms`` (n, 6) of the cloth's own tone and their ``doubt`` (times, 6) in each resample."""

    g: Array
    d: Array
    number: Array
    drawn: Array
    terms: Array
    doubt: Array

    def total(self, values: Array) -> Array:
        """(blocks, ...) sums over each block of ``values`` (n, ...); the nodes lie block by block."""
        starts = np.searchsorted(self.number, np.arange(self.drawn.shape[1]))
        return np.asarray(np.add.reduceat(values, starts, axis=0))


def study_gaps(
    name: str,
    uv: Array,
    gap: Array,
    density: Array,
    seed: int = 0,
    block: float = BLOCK,
    with_laws: bool = True,
    tone: Tone | None = None,
) -> GapStudy:
    """Rank correlation, binned curve and fitted laws of ``density`` (n,) against ``gap`` (n,) m at ``uv`` (n, 2) m.

    Nodes without either, or farther than `LOOK`, are left out. ``tone``: the cloth's own, whose doubt goes into the
    intervals.
    """
    kept = np.flatnonzero(np.isfinite(gap) & np.isfinite(density) & (gap <= LOOK))
    number = number_blocks(uv[kept], block)
    order = np.argsort(number, kind="stable")
    kept, number = kept[order], number[order]
    n_blocks = int(number.max(initial=-1)) + 1
    if len(kept) < 12 or n_blocks < 2:
        return GapStudy(name, len(kept), np.nan, np.nan, np.nan, (), (), np.nan)
    drawn = draw_blocks(n_blocks, seed)
    terms, doubt = np.zeros((len(kept), 1)), np.zeros((len(drawn), 1))
    if tone is not None and len(tone.doubt):
        terms, doubt = tone.terms(uv[kept]), tone.doubt[: len(drawn)]
    sample = _Sample(np.maximum(gap[kept], 0.0), density[kept], number, drawn, terms, doubt)
    rank, low, high = _rank(sample)
    laws = _fit_laws(sample) if with_laws else ()
    alike = _compare_neighbours(sample, laws[0], uv[kept], block) if laws else np.nan
    return GapStudy(name, len(kept), rank, low, high, _bin(sample), laws, alike)


def _rank(sample: _Sample) -> tuple[float, float, float]:
    """Spearman's correlation and its 95 % interval; ranks of gaps are those of the whole sample in every resample."""
    from scipy.stats import rankdata

    g, n_blocks = rankdata(sample.g), sample.drawn.shape[1]
    whole = float(correlate(sum_blocks(sample.number, n_blocks, g, rankdata(sample.d)), np.ones((1, n_blocks)))[0])
    spread = np.empty(len(sample.drawn))
    moved = sample.doubt.any()
    sums = sum_blocks(sample.number, n_blocks, g, rankdata(sample.d))
    for k in range(len(spread)):
        if moved:
            ranks = np.empty(len(g))
            ranks[np.argsort(sample.d - sample.terms @ sample.doubt[k])] = np.arange(len(g))
            sums = sum_blocks(sample.number, n_blocks, g, ranks)
        spread[k] = correlate(sums, sample.drawn[k : k + 1])[0]
    low, high = np.clip(find_interval(spread, whole, sample.number), -1.0, 1.0).tolist()
    return whole, low, high


def _compare_neighbours(sample: _Sample, law: FallOff, uv: Array, block: float) -> float:
    left = sample.d - law.full * fall(law.law, sample.g, law.reach)
    count = sample.total(np.ones(len(left)))
    mean = sample.total(left) / count
    full = count > 0.25 * count.max()
    cell = {tuple(c): k for k, c in enumerate(np.floor(sample.total(uv) / count[:, None] / block).astype(int))}
    pairs = [(k, cell[(u + du, v + dv)]) for (u, v), k in cell.items() for du, dv in ((1, 0), (0, 1))
             if full[k] and (u + du, v + dv) in cell and full[cell[(u + du, v + dv)]]]  # fmt: skip
    if len(pairs) < FEWEST_PAIRS:
        return np.nan
    one, other = mean[np.array(pairs)].T - mean[full].mean()
    size = float(np.sqrt((one @ one) * (other @ other)))
    return float(one @ other) / size if size > 0.0 else np.nan


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


def _bin(sample: _Sample) -> tuple[Bin, ...]:
    rows = []
    for low, high in zip((-1.0, *BINS[1:-1]), BINS[1:], strict=True):
        mine = (sample.g > low) & (sample.g <= high)
        if not mine.any():
            continue
        count, total = (sample.total(each * mine) for each in (1.0, sample.d))
        moved = np.einsum("tb,bk,tk->t", sample.drawn, sample.total(sample.terms * mine[:, None]), sample.doubt)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = (sample.drawn @ total - moved) / (sample.drawn @ count)
        mean = float(sample.d[mine].mean())
        interval = find_interval(means, mean, sample.number[mine])
        rows.append(Bin(max(low, 0.0), high, mean, *interval, int(mine.sum()), int((count > 0).sum())))
    return tuple(rows)


def _fit_laws(sample: _Sample) -> tuple[FallOff, ...]:
    """All laws, that with the least left over first. Full strength by least squares for each reach."""
    found = []
    d, terms, doubt, drawn = sample.d, sample.terms, sample.doubt, sample.drawn
    # of (d - terms doubt)^2, in each resample
    squares = drawn @ sample.total(d * d)
    squares -= 2.0 * np.einsum("tk,tk->t", drawn @ sample.total(terms * d[:, None]), doubt)
    mixed = sample.total(terms[:, :, None] * terms[:, None, :])
    squares += np.einsum("tj,tb,bjk,tk->t", doubt, drawn, mixed, doubt, optimize=True)
    parts = np.column_stack([d, terms])
    for law in LAWS:
        # (reaches, blocks, 2 + k): f f, f d and f terms
        if law == "cut-off":
            table = _sum_inside(sample, parts)
        else:
            table = np.array([sample.total(f[:, None] * np.column_stack([f, parts]))
                              for f in (fall(law, sample.g, reach) for reach in REACHES)])  # fmt: skip
        lowest = _middle_of_lowest if law == "cut-off" else _lowest_each
        full, left = _solve(table[:, :, :2].sum(axis=1).T, (d * d).sum())
        again = np.einsum("tb,rbk->krt", drawn, table)
        again[1] -= np.einsum("krt,tk->rt", again[2:], doubt)
        left_again = _solve(again[:2], squares)[1]
        at = int(np.argmin(left))
        found.append((law, float(lowest(left[:, None])[0]), float(full[at]), float(left[at]),
                      lowest(left_again), left_again.min(axis=0)))  # fmt: skip
    least = np.argmin([each[5] for each in found], axis=0)
    laws = []
    for k, (law, reach, full_, left_, reaches, _) in enumerate(found):
        rms = float(np.sqrt(max(left_, 0.0) / len(d)))
        low, high = find_interval(reaches, reach, sample.number)
        if law == "cut-off":  # between one node's gap and the next it is not known, whatever the resample
            apart = float(np.abs(sample.g - reach).min()) + float(STEPS[1] - STEPS[0])
            low, high = low - apart, high + apart
        laws.append(FallOff(law, reach, low, high, full_, rms, float((least == k).mean())))
    return tuple(sorted(laws, key=lambda each: each.rms))


def _sum_inside(sample: _Sample, parts: Array) -> Array:
    """(steps, blocks, 1 + k): of nodes with gaps up to each of `STEPS`, their number and sums of ``parts`` (n, k)."""
    n_blocks = sample.drawn.shape[1]
    place = np.searchsorted(STEPS, sample.g) * n_blocks + sample.number
    rows = (len(STEPS) + 1) * n_blocks
    table = [np.bincount(place, column, minlength=rows) for column in np.column_stack([np.ones(len(parts)), parts]).T]
    return np.stack(table, axis=1).reshape(len(STEPS) + 1, n_blocks, -1).cumsum(axis=0)[:-1]


def _middle_of_lowest(left: Array) -> Array:
    """(times,) the middle of the reaches, of `STEPS`, at which each column of ``left`` (steps, times) is lowest.

    All reaches from one node's gap to the next leave the same over; the step at which a node first lies inside is up to
    a whole step beyond it.
    """
    first, last = np.argmin(left, axis=0), len(left) - 1 - np.argmin(left[::-1], axis=0)
    return np.asarray(0.5 * (STEPS[first] + STEPS[last]) - 0.5 * (STEPS[1] - STEPS[0]))


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

"""What image a body would leave on the cloth, under stated ways, in one or several finished lays; and an observed one.

Every lay is printed by every way, at places at most `transfer.FINE` apart. Where a picture of the flat cloth is there,
its density is set against the gap, and ways and lays are ranked by how much their predictions resemble it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.judging.density import (
    FEWEST_BLANK,
    Density,
    GapStudy,
    Rebuilt,
    Tone,
    read_density,
    rebuild_gap,
    study_gaps,
)
from drapesim.judging.distortion import (
    ELSEWHERE,
    Distortion,
    Fit,
    LandmarkRow,
    RegionRow,
    measure_distortion,
    print_landmarks,
    sum_regions,
    to_nodes,
)
from drapesim.judging.likeness import Candidate, Score, rank
from drapesim.judging.transfer import (
    LOOK,
    Laid,
    Source,
    Way,
    find_blank,
    find_inner,
    find_sources,
    lay_finer,
    lay_on,
    print_points,
    print_regions,
    read_way,
)
from drapesim.matter.marks import FlatMap, read_flat_map
from drapesim.matter.nearest import find_near, plant_mesh
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_nodes
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.archive import Run, load_run

Array = np.ndarray

WAYS = ("contact:1", "normal:linear:20", "normal:exponential:10", "nearest:linear:20", "down:linear:20", "view",
        "relief:linear:20:15")  # fmt: skip
"""Tried where none are named. The lengths are for trying out, and stand for no cloth: no source."""
GAP_WAY = Way("normal", "linear", LOOK)  # whose gap density is held against
SAME_SIZE = 1e-3
SHOWS = "shows_feature"  # the claim whose marks are held against where their places print
BURNT = 0.01  # share of white pixels from which it is told
LEAST_AREA = 9e-3  # m2 of a region's print, to be studied by itself


@dataclass(frozen=True)
class FeatureRow:
    """Where one mark of the flat map lands on the body: ``landed`` (region, share of the mark), largest first;
    ``lost``: share that lands nowhere; ``expected`` (2,) m: where the place that it claims prints; ``off`` m between
    the two. widening, lengthening: its breadth along the weft and length along the warp over those of what it shows on
    the body, less 1; photo_*: over those in a photograph from above; nan where less than half lands, or is seen."""

    mark: str
    place: str
    landed: tuple[tuple[str, float], ...]
    lost: float
    centre: Array
    expected: Array
    off: float
    widening: float
    lengthening: float
    photo_widening: float
    photo_lengthening: float


@dataclass(frozen=True)
class WayResult:
    """One way in one lay: its sources, local distortion, rows by region, landmark and mark of the flat map, the
    landmarks' best fit, and ``places`` (2,) m by name: where claimed places print."""

    way: Way
    source: Source
    distortion: Distortion
    regions: tuple[RegionRow, ...]
    landmarks: tuple[LandmarkRow, ...]
    fit: Fit | None
    places: Mapping[str, Array]
    features: tuple[FeatureRow, ...]


@dataclass(frozen=True)
class LayImage:
    """One run printed, read at the places of ``laid.lattice``, which are finer than the run's nodes: ``results`` a way,
    and, where there is an observed map, density against gap: all and by region; ``rebuilt`` the gap from density under
    the best law that can be turned round."""

    name: str
    run: Run
    laid: Laid
    results: tuple[WayResult, ...]
    gap: Array
    density: Array | None
    studies: tuple[GapStudy, ...]
    rebuilt: Rebuilt | None

    @property
    def told(self) -> WayResult:
        """The way that is told in full: the first that fades along the normal, else the first."""
        return next((result for result in self.results if result.way.kind == "normal"), self.results[0])


@dataclass(frozen=True)
class ImageStudy:
    """Lays printed; ``observed`` the picture, its ``density`` at the places of ``lattice``; ``scores`` best first."""

    lays: tuple[LayImage, ...]
    lattice: Lattice
    observed: FlatMap | None
    density: Density | None
    scores: tuple[Score, ...]
    notes: tuple[str, ...]


def load_lays(paths: Sequence[Path]) -> tuple[tuple[str, Run], ...]:
    """(name, run) of each run folder or run.h5. Raises `InputError` for one given twice, or cloths that differ."""
    found: list[tuple[str, Run]] = []
    folders = [path.parent if path.suffix == ".h5" else path for path in paths]
    names = [folder.resolve().name for folder in folders]
    if len(set(names)) < len(names):
        names = [str(folder) for folder in folders]
    for path, name in zip(paths, names, strict=True):
        if any(name == other for other, _ in found):
            raise InputError(path, "", "the run is named twice", "name each run once")
        run = load_run(path)
        if found:
            size, other = (np.array(r.lattice.cell.shape) * (r.lattice.spacing_u, r.lattice.spacing_v)
                           for r in (run, found[0][1]))  # fmt: skip
            if np.abs(size / other - 1.0).max() > SAME_SIZE or run.lattice.inner_sign != found[0][1].lattice.inner_sign:
                problem = f"its cloth has another size or side than that of {found[0][0]}"
                raise InputError(path, "", problem, "name runs of one cloth")
        if not np.isfinite(run.x).all():
            raise InputError(path, "", "its sheet has no finite positions", "run the scene again")
        found.append((name, run))
    return tuple(found)


def read_observed(path: Path, mm_per_pixel: float, run: Run) -> FlatMap:
    """The picture of the flat cloth, seen from the side of the run's flat map, the warp to the right."""
    lattice = run.lattice
    length, width = np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    side = "inner" if lattice.inner_sign < 0 else "outer"
    try:
        read = read_flat_map(path, mm_per_pixel, (float(length), float(width)), side, named_in="--observed")
    except InputError as fault:  # which speaks of a scene's keys
        remedy = "crop it to the cloth, turn it so that the warp runs to the right, or correct --mm-per-pixel"
        known = fault.remedy if "flat_map" not in fault.remedy else remedy
        raise InputError(fault.file, fault.where, fault.problem, known) from None
    if is_even(read.pixels):
        raise InputError(path, "--observed", "the picture has one tone everywhere", "give one that shows the image")
    return read


def is_even(pixels: Array) -> bool:
    """Has a picture (rows, columns, 3) one tone everywhere, so that nothing can be held against it?"""
    return bool((pixels == pixels[:1, :1]).all())


def study_image(
    runs: Sequence[tuple[str, Run]],
    ways: Sequence[Way] | None = None,
    observed: FlatMap | None = None,
    seed: int = 0,
    say: Callable[[str], None] = lambda _: None,
) -> ImageStudy:
    """Print each of ``runs`` (name, run) by each of ``ways``; with an ``observed`` flat map, compare and rank."""
    chosen = tuple(ways) if ways else tuple(read_way(text) for text in WAYS)
    lays = []
    for name, run in runs:
        say(f"printing {name}")
        laid = lay_finer(lay_on(run.lattice, run.x, run.fabric.thickness, prepare_body(run.body), run.layers))
        results = tuple(_print(run, laid, way) for way in chosen)
        inner = find_sources(laid, GAP_WAY)
        gap = np.where(find_inner(laid.lattice, inner), inner.gap, np.nan)
        lays.append(LayImage(name, run, laid, results, gap, None, (), None))
    lattice = min((lay.laid.lattice for lay in lays), key=lambda each: each.spacing_u * each.spacing_v)
    notes = [f"{name} is UNSETTLED, so its prints decide nothing." for name, run in runs if not run.certificate.settled]
    if observed is not None and is_even(observed.pixels):
        notes.append("The picture of the flat cloth has one tone everywhere: there is nothing to hold prints against.")
        observed = None
    if observed is None:
        return ImageStudy(tuple(lays), lattice, None, None, (), tuple(notes))
    say("reading the density of the flat map")
    blank = np.ones(len(lattice.ij), dtype=bool)
    for lay in lays:
        far = sample_nodes(lay.laid.lattice, find_blank(lay.laid).astype(float), lattice.uv)
        blank &= np.nan_to_num(far, nan=1.0) > 0.999
    density = read_density(observed.pixels, observed.metres_per_pixel, lattice, blank=blank, seed=seed)
    if blank.sum() < FEWEST_BLANK:
        notes.append("Little of the cloth lies far from the body: its own tone is told from its lightest parts.")
    if not len(density.tone.doubt):
        notes.append("The cloth's own tone is told from too few places to say how well: intervals leave that out.")
    if density.burnt > BURNT:
        share = f"{100 * density.burnt:.0f} % of the picture's pixels are white"
        notes.append(f"{share}: too light to be measured, so densities told from it come out too small.")
    say("density against gap")
    lays = [_study(lay, sample_nodes(lattice, density.value, lay.laid.lattice.uv), density.tone, seed) for lay in lays]
    say("ranking ways and lays")
    scores = rank(lattice.uv, density.value, [_candidate(lay, result, lattice) for lay in lays for result in
                  lay.results], _observed_places(lays[0].run), seed=seed, tone=density.tone)  # fmt: skip
    return ImageStudy(tuple(lays), lattice, observed, density, scores, tuple(notes))


def _print(run: Run, laid: Laid, way: Way) -> WayResult:
    source = find_sources(laid, way)
    distortion = measure_distortion(laid, source)
    landmarks, fit = print_landmarks(laid, source)
    places = find_places(laid, source, {mark.claim.place for mark in run.marks if mark.claim.place})
    features = land_marks(run, laid, source, distortion, places)
    return WayResult(way, source, distortion, sum_regions(laid, source, distortion), landmarks, fit, places, features)


def _study(lay: LayImage, density: Array, tone: Tone, seed: int) -> LayImage:
    uv = lay.laid.lattice.uv
    whole = study_gaps("all", uv, lay.gap, density, seed, tone=tone)
    studies = [whole]
    region = print_regions(find_sources(lay.laid, GAP_WAY), lay.run.body.region)
    for number, name in enumerate(lay.run.body.region_names):
        mine = (region == number) & np.isfinite(lay.gap) & np.isfinite(density)
        if lay.laid.lattice.node_area[mine].sum() >= LEAST_AREA:
            studies.append(study_gaps(name, uv[mine], lay.gap[mine], density[mine], seed, tone=tone))
    turned = next((law for law in whole.laws if law.law != "cut-off" and law.full > 0.0), None)
    rebuilt = None if turned is None else rebuild_gap(density, lay.gap, turned)
    return replace(lay, density=density, studies=tuple(studies), rebuilt=rebuilt)


def _candidate(lay: LayImage, result: WayResult, lattice: Lattice) -> Candidate:
    strength = sample_nodes(lay.laid.lattice, result.source.strength, lattice.uv)
    places = {mark.name: result.places[mark.claim.place] for mark in lay.run.marks if mark.claim.kind == SHOWS}
    return Candidate(lay.name, result.way.name, strength, places)


def _observed_places(run: Run) -> dict[str, Array]:
    return {mark.name: _middle(mark.samples, mark.weights) for mark in run.marks if mark.claim.kind == SHOWS}


def _middle(samples: Array, weights: Array) -> Array:
    return np.asarray(weights @ samples / weights.sum())


def find_places(laid: Laid, source: Source, names: Iterable[str]) -> dict[str, Array]:
    """Name -> (2,) m: where a landmark prints, or the middle of a region's print weighed by strength; nan where it does
    not."""
    body = laid.field.body
    found = dict.fromkeys(names, np.full(2, np.nan))
    points = sorted(name for name in found if name in body.landmarks and name not in body.region_names)
    if points:
        at = print_points(laid, source, np.array([body.landmarks[name] for name in points], dtype=np.float64)).uv
        found |= dict(zip(points, at, strict=True))
    region = print_regions(source, body.region)
    for name in found.keys() & set(body.region_names):
        weight = source.strength * laid.lattice.node_area * (region == body.region_names.index(name))
        if weight.sum() > 0.0:
            found[name] = weight @ laid.lattice.uv / weight.sum()
    return found


def land_marks(
    run: Run, laid: Laid, source: Source, distortion: Distortion, places: Mapping[str, Array]
) -> tuple[FeatureRow, ...]:
    """Cloth to body: where each mark of the flat map lands under the way of ``source``, feature by feature.

    ``places``: where those that are claimed print, see `find_places`.
    """
    marks = [mark for mark in run.marks if mark.kind in ("image", "stain")]
    if not marks:
        return ()
    samples = np.concatenate([mark.samples for mark in marks])
    point = np.column_stack([sample_nodes(laid.lattice, source.point[:, k], samples) for k in range(3)])
    strength = sample_nodes(laid.lattice, source.strength, samples)
    lands = np.isfinite(point).all(axis=1) & (strength > 0.0)
    region = np.full(len(samples), -1)
    if lands.any():
        surface = laid.field.surface
        kept = np.sort(np.concatenate([laid.field.tree.order, laid.field.tree.large]))
        face = find_near(point[lands], plant_mesh(surface.vertices, surface.faces[kept]))[2]
        region[lands] = run.body.region[kept[face]]
    seen = np.where(distortion.seen, 1.0, np.nan)
    scales = (distortion.stretch_v, distortion.stretch_u, seen * distortion.photo_v, seen * distortion.photo_u)
    scale = np.stack([sample_nodes(laid.lattice, to_nodes(laid, distortion.triangles, each), samples)
                      for each in scales])  # fmt: skip
    rows = []
    ends = np.cumsum([len(mark.samples) for mark in marks])
    for mark, end in zip(marks, ends, strict=True):
        mine = slice(end - len(mark.samples), end)
        total, there = float(mark.weights.sum()), lands[mine]
        shares: dict[str, float] = {}
        for each in np.unique(region[mine][there]):
            name = run.body.region_names[each] if each >= 0 else ELSEWHERE if run.body.region_names else "the body"
            shares[name] = float(mark.weights[there & (region[mine] == each)].sum()) / total
        centre = _middle(mark.samples, mark.weights)
        expected = places.get(mark.claim.place, np.full(2, np.nan))
        ordered = tuple(sorted(shares.items(), key=lambda item: -item[1]))
        lost = 1.0 - float(mark.weights[there].sum()) / total
        wider = [_grow(each, there, mark.weights) for each in scale[:, mine]]
        off = float(np.linalg.norm(expected - centre))
        rows.append(FeatureRow(mark.name, mark.claim.place, ordered, lost, centre, expected, off, *wider))
    return tuple(rows)


def _grow(scale: Array, there: Array, weights: Array) -> float:
    """How much longer on the cloth: 1 over the mean of ``scale`` (lengths there to one of cloth), less 1; nan where it
    is known of less than half of all ``weights``."""
    known = there & np.isfinite(scale)
    if weights[known].sum() < 0.5 * weights.sum():
        return np.nan
    return float(weights[known].sum() / max(float(weights[known] @ scale[known]), 1e-300) - 1.0)

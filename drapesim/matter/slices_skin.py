"""The skin in a volume: what is body, what is table, what is air inside; then its surface at the threshold.

All is done on boxes of voxels (running minima and maxima along the axes), which cost the same at any size, and on one
byte a voxel, so that a whole-body volume fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.slices import Slices

Array = np.ndarray

BINS = 512
SAMPLED = 20_000_000  # voxels from which the threshold is found
LONGEST_THIN = 0.08  # m: thin parts on the body that reach farther are taken for the edge of a table or a sheet
# A table has the same section in every slice: what is above the threshold in this share of the slices and was parted
# from the body in that one is table in the others too, where the body rests on it.
ALWAYS, OFTEN = 0.95, 0.2
LEAST_LEVEL = 1.0 / 12.0  # of the half contrast; a level that grazes a voxel's middle makes needle triangles
SLAB = 48  # slices that are cut into triangles at a time
FOREIGN, NEAR_FOREIGN, NEAR_KEPT = 1, 2, 4
AS_IS, OUTSIDE, INSIDE = 0, 1, 2


@dataclass(frozen=True)
class Threshold:
    """``level`` between air and body, the mean grey ``air`` below and ``flesh`` above it, and how it was found."""

    level: float
    air: float
    flesh: float
    method: str


@dataclass(frozen=True)
class Skin:
    """What was decided for each voxel. ``state`` (nz, ny, nx) uint8 of AS_IS, OUTSIDE (taken away), INSIDE (filled).

    ``low`` and ``high`` (3,) bound the body: slice, row, column. Volumes are m3.
    """

    threshold: Threshold
    state: Array
    low: Array
    high: Array
    body_volume: float
    removed_volume: float
    removed_largest: float
    filled_volume: float
    notes: tuple[str, ...]


def find_threshold(slices: Slices, stated: float | None = None) -> Threshold:
    """The level half-way between air and body: the stated one, or Otsu's.

    N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62: the level that parts the histogram into two classes with the
    most variance between them (from memory). Raises InputError where there is only one class.
    """
    flat = slices.values.reshape(-1)
    flat = flat[:: max(1, len(flat) // SAMPLED)]
    low, high = float(flat.min()), float(flat.max())
    if not high > low:
        raise InputError("", "threshold", f"all voxels have the value {low:g}", "give a volume that shows a body")
    count, edges = np.histogram(flat, BINS, (low, high))
    middle = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(count)
    total = np.cumsum(count * middle)
    above = below[-1] - below
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_below, mean_above = total / below, (total[-1] - total) / above
        between = np.nan_to_num(below * above * (mean_below - mean_above) ** 2)
    method = "as given" if stated is not None else "which the file settles"
    stated = slices.level if stated is None else stated
    if stated is None:
        best = np.flatnonzero(between >= between.max() * (1.0 - 1e-12))
        k = int(best[len(best) // 2])  # a gap in the histogram is one broad maximum: take its middle
        return Threshold(float(edges[k + 1]), float(mean_below[k]), float(mean_above[k]), "by Otsu's method")
    part = flat >= stated
    if part.all() or not part.any():
        problem = f"{stated:g} does not part the values, which run from {low:g} to {high:g}"
        raise InputError("", "--threshold", problem, "give a level between air and body")
    return Threshold(stated, float(flat[~part].mean()), float(flat[part].mean()), method)


def find_skin(slices: Slices, threshold: Threshold, opening: float = 6e-3, pocket: float = 1e-2) -> Skin:
    """Part the body from table and air. ``opening``, ``pocket``: m.

    What is thinner than ``opening`` holds nothing together: the largest part that is left is the body, and thin parts
    up to `LONGEST_THIN` that touch nothing else (ears, fingers) come back to it. A table that runs through all slices
    is taken away where it touches the body too; of anything else that touches, the touching patch stays. Air is filled
    where it is shut off, and where it widens again behind a way in narrower than ``pocket``. Ends at which the volume
    cuts the body are shut.
    """
    from scipy import ndimage

    voxel = float(np.prod(slices.spacing))
    mask = slices.values >= threshold.level
    half = _half_width(slices, opening)
    core = _grow(_shrink(mask, half), half)
    core &= mask
    if not core.any():
        problem = f"nothing above {threshold.level:g} is {1e3 * opening:g} mm thick"
        raise InputError("", "threshold", problem, "check the threshold, or give a smaller --opening-mm")
    label, _ = ndimage.label(core)
    main = label == 1 + int(np.argmax(_count_voxels(label)[1:]))
    del label
    kept = _grow(main, (1, 1, 1)) & mask
    core &= ~main
    del main
    kept |= _thin_parts(mask, core, kept, half, slices.spacing)
    del core
    removed = mask & ~kept
    table = (mask.mean(axis=0) >= ALWAYS) & (removed.mean(axis=0) >= OFTEN)
    if table.any():
        removed |= mask & table
        kept &= ~table
    removed_volume, removed_largest = voxel * int(removed.sum()), 0.0
    if removed_volume > 0.0:
        sizes = _count_voxels(ndimage.label(removed)[0])[1:]
        removed_largest = voxel * int(sizes.max())
    state = np.where(removed, np.uint8(OUTSIDE), np.uint8(AS_IS))
    del removed, mask
    filled = _find_pockets(kept, _half_width(slices, pocket))
    state[filled] = INSIDE
    kept |= filled
    notes = _tell_cuts(kept)
    spans = [np.flatnonzero(kept.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
    return Skin(
        threshold=threshold,
        state=state,
        low=np.array([span[0] for span in spans]),
        high=np.array([span[-1] + 1 for span in spans]),
        body_volume=voxel * int(kept.sum()),
        removed_volume=removed_volume,
        removed_largest=removed_largest,
        filled_volume=voxel * int(filled.sum()),
        notes=tuple(notes),
    )


def _half_width(slices: Slices, width: float) -> tuple[int, int, int]:
    """Half of ``width`` (m) in voxels along slices, rows and columns."""
    z, y, x = (round(0.5 * width / h) for h in slices.spacing[::-1])
    return z, y, x


def _count_voxels(label: Array) -> Array:
    """Voxels of each label, slice by slice: all at once would take eight bytes a voxel."""
    total = np.zeros(int(label.max()) + 1, dtype=np.int64)
    for each in label:
        total += np.bincount(each.reshape(-1), minlength=len(total))
    return total


def _look_up(chosen: Array, label: Array) -> Array:
    """``chosen[label]``, slice by slice for the same reason."""
    out = np.empty(label.shape, dtype=bool)
    for k, each in enumerate(label):
        out[k] = chosen[each]
    return out


def _grow(mask: Array, half: tuple[int, ...]) -> Array:
    return _run(mask, half, is_growing=True)


def _shrink(mask: Array, half: tuple[int, ...]) -> Array:
    """What lies deeper than ``half`` in ``mask``; the volume's border does not count as an edge."""
    return _run(mask, half, is_growing=False)


def _run(mask: Array, half: tuple[int, ...], is_growing: bool) -> Array:
    from scipy import ndimage

    run = ndimage.maximum_filter1d if is_growing else ndimage.minimum_filter1d
    out = mask.view(np.uint8).copy()
    for axis, n in enumerate(half):
        if n:
            run(out, 2 * n + 1, axis=axis, output=out, mode="nearest")
    return out.view(bool)


def _thin_parts(mask: Array, others: Array, kept: Array, half: tuple[int, ...], spacing: Array) -> Array:
    """Thin parts that belong to the body: small and touching nothing else; of all others a lip of half the opening."""
    from scipy import ndimage

    marks = _grow(others, (1, 1, 1)).view(np.uint8)  # one byte a voxel for all that is known of it
    marks *= FOREIGN
    marks[kept] = 0
    rest = mask & ~kept
    rest &= marks == 0
    marks[_grow((marks == FOREIGN) & mask, (1, 1, 1))] |= NEAR_FOREIGN
    marks[_grow(kept, (1, 1, 1))] |= NEAR_KEPT
    label, n = ndimage.label(rest)
    if not n:
        return rest
    touching, bridging = np.zeros(n + 1, dtype=bool), np.zeros(n + 1, dtype=bool)
    for found, near in ((touching, NEAR_KEPT), (bridging, NEAR_FOREIGN)):
        place = (marks & near) > 0
        place &= rest
        found[np.unique(label[place])] = True
        del place
    longest = np.zeros(n + 1)
    for k, place in enumerate(ndimage.find_objects(label), start=1):
        if touching[k]:
            longest[k] = max((s.stop - s.start) * h for s, h in zip(place, spacing[::-1], strict=True))
    touching[0] = False
    whole = touching & ~bridging & (longest <= LONGEST_THIN)
    lip = _look_up(touching & ~whole, label)
    if lip.any():
        lip &= _grow(kept, half)
    return _look_up(whole, label) | lip


def _find_pockets(kept: Array, half: tuple[int, ...]) -> Array:
    """Air that is shut off from the volume's four sides, or widens behind a narrow way in."""
    wide = ~_grow(kept, half)
    inner = wide & ~_reaching_sides(wide)
    filled = _grow(inner, half) & ~kept if inner.any() else inner
    del wide, inner
    air = ~(kept | filled)
    return filled | (air & ~_reaching_sides(air))


def _reaching_sides(air: Array) -> Array:
    """The connected parts of ``air`` that reach a side of the volume; its first and last slice do not count."""
    from scipy import ndimage

    label, n = ndimage.label(air)
    reaching = np.zeros(n + 1, dtype=bool)
    for face in (label[:, 0], label[:, -1], label[:, :, 0], label[:, :, -1]):
        reaching[np.unique(face)] = True
    reaching[0] = False
    return _look_up(reaching, label)


def _tell_cuts(kept: Array) -> list[str]:
    faces = {"first slice": kept[0], "last slice": kept[-1], "first row": kept[:, 0], "last row": kept[:, -1],
             "first column": kept[:, :, 0], "last column": kept[:, :, -1]}  # fmt: skip
    cut = [name for name, face in faces.items() if face.any()]
    if not cut:
        return []
    return [f"The volume cuts the body off at its {', '.join(cut)}; it was closed there with a flat end."]


def cut_skin(slices: Slices, skin: Skin) -> tuple[Array, Array]:
    """Marching cubes of the skin at the threshold: vertices (n, 3) m in the world, faces (m, 3) int64, outward.

    Values are held within the contrast of air and body, so that bone near the skin does not draw the level outward.
    Worked slab by slab; vertices on the slice that two slabs share lie on the same edge between voxels and become one.
    """
    from skimage.measure import marching_cubes

    low, high = skin.low, skin.high
    vertices: list[Array] = []
    faces: list[Array] = []
    n_before = 0
    shared: tuple[Array, Array] = (np.empty(0, np.int64), np.empty(0, np.int64))
    width = int(high[2] - low[2] + 2)
    for start in range(-1, int(high[0] - low[0]), SLAB):
        stop = min(start + SLAB, int(high[0] - low[0]))  # the last slice of the slab, shared with the next
        level = _level(slices, skin, start, stop)
        if not (level.max() > 0.0 > level.min()):
            shared = (shared[0][:0], shared[1][:0])
            continue
        v, f, _, _ = marching_cubes(level, 0.0, gradient_direction="ascent")
        v = v.astype(np.float64)
        v[:, 0] += start
        key = _edge_keys(v, width)
        number = np.arange(n_before, n_before + len(v))
        bottom = np.flatnonzero(np.abs(v[:, 0] - start) < 1e-3)
        place = np.searchsorted(shared[0], key[bottom])
        place = np.minimum(place, max(len(shared[0]) - 1, 0))
        known = shared[0][place] == key[bottom] if len(shared[0]) else np.zeros(len(bottom), dtype=bool)
        fresh = np.ones(len(v), dtype=bool)
        fresh[bottom[known]] = False
        number[fresh] = n_before + np.arange(int(fresh.sum()))
        number[bottom[known]] = shared[1][place[known]]
        top = np.flatnonzero(np.abs(v[:, 0] - stop) < 1e-3)
        order = np.argsort(key[top])
        shared = (key[top][order], number[top][order])
        vertices.append(v[fresh])
        faces.append(number[f])
        n_before += int(fresh.sum())
    if not faces:
        raise InputError("", "threshold", "the volume holds no surface", "check the threshold")
    places = np.concatenate(vertices) + np.array([low[0], low[1] - 1, low[2] - 1])
    triangles = np.concatenate(faces)
    if np.linalg.det(slices.axes) > 0.0:  # slice, row, column is the mirror image of column, row, slice
        triangles = triangles[:, ::-1]
    return slices.to_world(places[:, ::-1]), np.ascontiguousarray(triangles)


def _level(slices: Slices, skin: Skin, start: int, stop: int) -> Array:
    """(stop - start + 1, ny + 2, nx + 2) float32: slices ``start`` to ``stop`` of the body's box in a margin of air.

    -1 in air, 1 in the body, 0 at the threshold.
    """
    low, high = skin.low, skin.high
    rows, columns = slice(low[1], high[1]), slice(low[2], high[2])
    level = np.full((stop - start + 1, high[1] - low[1] + 2, high[2] - low[2] + 2), -1.0, dtype=np.float32)
    first, last = max(start, 0), min(stop, int(high[0] - low[0]) - 1)
    chosen = slice(int(low[0]) + first, int(low[0]) + last + 1)
    t = skin.threshold
    contrast = min(t.level - t.air, t.flesh - t.level)
    value = np.clip((slices.values[chosen, rows, columns].astype(np.float32) - t.level) / contrast, -1.0, 1.0)
    state = skin.state[chosen, rows, columns]
    value = np.where(value >= 0.0, np.maximum(value, LEAST_LEVEL), np.minimum(value, -LEAST_LEVEL))
    value[state == OUTSIDE] = -1.0
    value[state == INSIDE] = 1.0
    level[first - start : last - start + 1, 1:-1, 1:-1] = value
    return level


def _edge_keys(v: Array, width: int) -> Array:
    """A number for the edge between two voxels of one slice on which each vertex lies."""
    cell = np.floor(v[:, 1:] + 1e-4).astype(np.int64)
    along_row = np.abs(v[:, 2] - np.round(v[:, 2])) > 1e-4
    return (cell[:, 0] * (width + 1) + cell[:, 1]) * 2 + along_row

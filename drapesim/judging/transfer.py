"""Body to cloth: which point of the body each point of the settled sheet takes its image from, and how strongly.

A *way* says how an image passes (all are statements of geometry, none is a claim about what took place):

- ``contact``: where the inner face lies within a tolerance of the body, from the nearest point;
- ``nearest``: from the nearest point of the body, weaker with the gap;
- ``normal``: along the cloth's inner normal to the first surface met, weaker with the way;
- ``down``: straight down, by parallel projection, from the settled sheet to the first surface met;
- ``view``: straight down onto a cloth held flat over the body, as a photograph from above: no cloth is wrapped;
- ``relief``: as ``view``, from a low relief: heights of the visible surface pressed together to a stated depth.

and a *law* how strength falls with the gap g: ``cut-off`` 1 up to the reach c; ``linear`` max(0, 1 - g / c);
``exponential`` exp(-g / c), nothing beyond 5 c. Strength is 1 where the cloth is pressed (g < 0). Where the nearest
body lies on the outer side, or another layer of the cloth between, nothing passes (of ``contact`` and ``nearest``
layers are known within `layer_record.REACH`; rays meet the cloth wherever it is). Laws: common forms for something
that thins with distance, no source for any cloth.

A sheet is printed where its nodes lie, or at more places (`lay_finer`): between nodes it is its own triangles, with
the nodes' normals turned evenly from one to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.kernels.cast import cast_rays
from drapesim.kernels.tree import Tree, plant_tree
from drapesim.kernels.warp import warp_rows_into
from drapesim.matter.nearest import find_near, plant_mesh
from drapesim.matter.sheet import Lattice, halved
from drapesim.matter.surface import inner_normals, sample_sheet
from drapesim.mechanics.body_contact import BodyField
from drapesim.settling.contact_record import GapReading, measure_gap
from drapesim.settling.exact import part_field
from drapesim.settling.layer_record import LayerRecord, is_covered, prepare_layers, read_layers

Array = np.ndarray

KINDS = ("contact", "nearest", "normal", "down", "view", "relief")
FROM_ABOVE = ("down", "view", "relief")  # of these the source lies straight above or below in plan
LAWS = ("cut-off", "linear", "exponential")
TAIL = 5.0  # reaches after which the exponential law counts as nothing: 0.7 % of full strength
LOOK = 0.06  # m: ways along rays are known at least this far, for curves of density against gap
TORN = 4.0  # cells whose sources lie this many spacings apart: neighbours of different limbs, not of one image
NEAR_FLAT = 5e-3  # m: nodes nearer than this to the body say how a cloth held flat would lie over it
MISS = 3e-3  # m: a point of the body farther than this from every source is not printed
FINE = 8e-3  # m: a print is read at places at most this far apart, whatever the spacing of the nodes
HIDDEN = 5e-4  # m: what lies so far below the body's highest surface is not seen from above
STRIP = 64  # rows of the flat map drawn at a time
DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Way:
    """How an image passes: ``kind`` and ``law`` by name, ``reach`` (m) of the law, ``depth`` (m) of a relief."""

    kind: str
    law: str = "cut-off"
    reach: float = 1e-3
    depth: float = 0.0

    @property
    def name(self) -> str:
        """As `read_way` takes it."""
        parts = {"contact": [f"{1e3 * self.reach:g}"], "view": []}.get(self.kind, [self.law, f"{1e3 * self.reach:g}"])
        return ":".join([self.kind, *parts, *([f"{1e3 * self.depth:g}"] if self.kind == "relief" else [])])

    def weaken(self, gap: Array) -> Array:
        """(n,) strength in 0..1 at ``gap`` (n,) m; 0 where the gap is not known."""
        g = np.maximum(np.where(np.isfinite(gap), gap, np.inf), 0.0)
        if self.kind == "view":
            return np.where(np.isfinite(g), 1.0, 0.0)
        return fall(self.law, g, self.reach)


def fall(law: str, gap: Array, reach: float) -> Array:
    """(n,) share of full strength at ``gap`` (n,) m >= 0 under ``law`` with ``reach`` (m)."""
    if law == "linear":
        return np.maximum(0.0, 1.0 - gap / reach)
    if law == "exponential":
        return np.where(gap <= TAIL * reach, np.exp(-gap / reach), 0.0)
    return np.where(gap <= reach, 1.0, 0.0)


def read_way(text: str) -> Way:
    """A way from words such as ``contact:1``, ``normal:linear:20``, ``view`` or ``relief:linear:20:15`` (mm).

    Raises `InputError` with what would be right.
    """
    kind, *rest = text.split(":")
    remedy = "write contact:MM, view, KIND:LAW:MM with nearest, normal or down, or relief:LAW:MM:DEPTH"
    if kind not in KINDS:
        raise InputError("", "--way", f'"{text}" names no way ({", ".join(KINDS)})', remedy)
    wanted = {"contact": 1, "view": 0, "relief": 3}.get(kind, 2)
    law = "cut-off" if kind in ("contact", "view") else (rest or [""])[0]
    if len(rest) != wanted or law not in LAWS:
        raise InputError("", "--way", f'"{text}" does not say what a {kind} needs ({", ".join(LAWS)})', remedy)
    try:
        numbers = [1e-3 * float(part) for part in rest[(0 if kind == "contact" else 1) :]]
    except ValueError:
        raise InputError("", "--way", f'"{text}" has a length that is no number', "give mm") from None
    if any(not 0.0 < number <= 1.0 for number in numbers):
        raise InputError("", "--way", f'"{text}" has a length that is no gap', "give 0.001 to 1000 mm")
    return Way(kind, law, *numbers)


@dataclass(frozen=True)
class Cloth:
    """The sheet's own triangles as they were settled, for rays to meet: ``x`` (k, 3) m, ``triangles``, their boxes."""

    x: Array
    triangles: Array
    tree: Tree


@dataclass(frozen=True)
class Laid:
    """A settled sheet over a body: positions (n, 3) m, ``normal`` (n, 3) out of the inner side, ``thickness`` m, the
    ``field`` of the figure without support, ``near`` what lies nearest, ``cloth`` the sheet for rays; ``layers`` where
    the cloth lies on itself (None: nowhere)."""

    lattice: Lattice
    x: Array
    normal: Array
    thickness: float
    field: BodyField
    near: GapReading
    cloth: Cloth
    layers: LayerRecord | None = None


def lay_on(lattice: Lattice, x: Array, thickness: float, field: BodyField, layers: LayerRecord | None = None) -> Laid:
    """The sheet over what is not support. Raises `InputError` where there is no body."""
    figure = part_field(field, False)
    if figure is None:
        raise InputError("", "body", "there is no body that could print on the cloth", "give a run with a body")
    x = np.ascontiguousarray(x, dtype=np.float64)
    normal = inner_normals(lattice, x)
    near = measure_gap(x, normal, figure, 0.5 * thickness)
    cloth = Cloth(x, lattice.triangles, plant_tree(x, lattice.triangles))
    return Laid(lattice, x, normal, thickness, figure, near, cloth, layers)


def lay_finer(laid: Laid, finest: float = FINE) -> Laid:
    """The same sheet with its cells halved until its places lie at most ``finest`` (m) apart, as it lies between nodes.

    A cloth lies on small parts of a body with the middle of its triangles, and prints end between nodes.
    """
    lattice = laid.lattice
    while max(lattice.spacing_u, lattice.spacing_v) > finest * (1.0 + 1e-9):
        lattice = halved(lattice)
    if lattice is laid.lattice:
        return laid
    x, normal = sample_sheet(laid.lattice, laid.x, lattice.uv)
    layers = laid.layers
    if layers is not None:
        layers = read_layers(prepare_layers(laid.lattice, laid.x, laid.thickness), lattice.uv)
    near = measure_gap(x, normal, laid.field, 0.5 * laid.thickness)
    return Laid(lattice, x, normal, laid.thickness, laid.field, near, laid.cloth, layers)


@dataclass(frozen=True)
class Source:
    """Where each of n nodes takes its image from under ``way``; SI.

    point (n, 3) on the body, nan where nothing lies in the way's direction; face (n,) int32 into Body.faces (-1); gap
    (n,) along the way, from the inner face; strength (n,) 0..1; whole (nu-1, nv-1): cells whose four corners see one
    piece of the body.
    """

    way: Way
    point: Array
    face: Array
    gap: Array
    strength: Array
    whole: Array


def find_sources(laid: Laid, way: Way) -> Source:
    """Follow ``way`` from every node of the sheet to the body."""
    lattice, normal, near = laid.lattice, laid.normal, laid.near
    point, face, gap, facing = near.point, near.face, near.gap, near.facing
    if way.kind in ("normal", "down"):
        ways = normal if way.kind == "normal" else np.broadcast_to(DOWN, normal.shape)
        inner = laid.x + 0.5 * laid.thickness * normal
        most = np.full(len(inner), max(LOOK, TAIL * way.reach))
        met, hit = _cast(laid, inner, ways, most)
        through = _meet_cloth(laid, inner, ways, met)
        point = inner + np.where(np.isfinite(met), met, np.nan)[:, None] * ways
        looks = np.einsum("nk,nk->n", normal, ways) > 0.0
        # a node that is pressed in starts inside the body: its ray would come out at the far side
        pressed = (gap <= 0.0) & (facing >= 0.0)
        point[pressed], hit = near.point[pressed], np.where(pressed, near.face, hit)
        gap = np.where(pressed, near.gap, met)
        out = ~(looks | pressed) | ~np.isfinite(gap) | (through & ~pressed)
        point[out], hit[out], gap = np.nan, -1, np.where(out, np.inf, gap)
        face, facing = hit, np.ones(len(gap))
    elif way.kind in ("view", "relief"):
        point, face, gap = _look_down(laid, way, near.gap, (facing >= 0.0) & (normal[:, 2] < 0.0))
        facing = np.ones(len(gap))
    strength = np.where(facing >= 0.0, way.weaken(gap), 0.0)
    if laid.layers is not None and way.kind not in ("view", "relief"):
        strength = np.where(is_covered(gap, facing, laid.layers.gap, laid.thickness), 0.0, strength)
    return Source(way, point, face, gap, strength, find_whole(lattice, point))


def _cast(laid: Laid, origins: Array, ways: Array, most: Array) -> tuple[Array, Array]:
    """As `cast_rays`, of the figure; a ray that meets a face from behind started inside, and meets nothing."""
    surface = laid.field.surface
    met, face = cast_rays(origins, np.ascontiguousarray(ways), most, surface.vertices, surface.faces, laid.field.tree)
    behind = (face >= 0) & (np.einsum("nk,nk->n", surface.normal[face], ways) >= 0.0)
    met[behind], face[behind] = np.inf, -1
    return met, face


def _meet_cloth(laid: Laid, origins: Array, ways: Array, met: Array) -> Array:
    """(n,) bool: rays that meet another part of the cloth before they have gone ``met`` (n,) m to the body."""
    through = np.zeros(len(met), dtype=bool)
    asked = np.flatnonzero(np.isfinite(met) & (met > laid.thickness))
    if len(asked):
        toward = np.ascontiguousarray(ways[asked])
        start = origins[asked] + 0.5 * laid.thickness * toward  # off the cloth that it comes from
        left = np.maximum(met[asked] - 0.5 * laid.thickness, 0.0)
        through[asked] = cast_rays(start, toward, left, laid.cloth.x, laid.cloth.triangles, laid.cloth.tree)[1] >= 0
    return through


def lay_flat(laid: Laid, gap: Array, is_over: Array) -> Array:
    """(n, 2) m: where over the body each node of a cloth held flat lies, seen straight down.

    The flat map moved and turned, never scaled, to fit the settled nodes nearest to the body by least squares (W.
    Kabsch, Acta Cryst. A 32 (1976) 922, from memory); the side that faces the body stays the inner one. ``gap`` (n,) m;
    ``is_over`` (n,) bool: the inner side looks down on the body there.
    """
    lattice = laid.lattice
    over = np.isfinite(gap) & is_over if (np.isfinite(gap) & is_over).any() else np.isfinite(gap)
    near = over & (gap <= NEAR_FLAT)
    if near.sum() < 3:
        near = over & (gap <= np.quantile(gap[over], 0.25))
    flat, plan, weight = lattice.uv[near], laid.x[near, :2], lattice.node_area[near, None]
    middle = [(weight * each).sum(0) / weight.sum() for each in (flat, plan)]
    u, _, vt = np.linalg.svd((weight * (flat - middle[0])).T @ (plan - middle[1]))
    # seen from above, a sheet whose inner side looks down has x_u x x_v upward when inner_sign is -1
    side = -float(lattice.inner_sign)
    turn = u @ np.diag([1.0, side * np.sign(np.linalg.det(u @ vt))]) @ vt
    return np.asarray((lattice.uv - middle[0]) @ turn + middle[1])


def is_seen(laid: Laid, points: Array) -> Array:
    """(k,) bool: is each of ``points`` (k, 3) m, on the figure, what a photograph from straight above shows there?

    Neither an underside nor anything that another part lies over; a point at the very rim is seen. nan: not seen.
    """
    known = np.isfinite(points).all(axis=1)
    seen = np.zeros(len(points), dtype=bool)
    top, met, _ = _cast_down(laid, points[known, :2])
    seen[known] = ~(top - met > points[known, 2] + HIDDEN)
    return seen


def _cast_down(laid: Laid, plan: Array) -> tuple[float, Array, Array]:
    """(height where the rays begin, m; way (k,) m; face (k,)) of vertical rays at ``plan`` (k, 2) m, from above all."""
    surface = laid.field.surface
    used = surface.vertices[np.unique(surface.faces[np.concatenate([laid.field.tree.order, laid.field.tree.large])])]
    top = float(used[:, 2].max()) + 1e-3
    above = np.column_stack([plan, np.full(len(plan), top)])
    most = np.full(len(above), np.ptp(used[:, 2]) + 0.01)
    return top, *_cast(laid, above, np.broadcast_to(DOWN, above.shape), most)


def _look_down(laid: Laid, way: Way, gap: Array, is_over: Array) -> tuple[Array, Array, Array]:
    plan = lay_flat(laid, gap, is_over)
    top, met, face = _cast_down(laid, plan)
    above = np.column_stack([plan, np.full(len(plan), top)])
    point = above + np.where(np.isfinite(met), met, np.nan)[:, None] * DOWN
    if way.kind == "view":
        return point, face, np.where(np.isfinite(met), 0.0, np.inf)
    height = point[:, 2]
    if not np.isfinite(height).any():
        return point, face, np.full(len(point), np.inf)
    low, high = float(np.nanmin(height)), float(np.nanmax(height))
    pressed = way.depth * (high - height) / max(high - low, 1e-12)
    return point, face, np.where(np.isfinite(height), pressed, np.inf)


def find_whole(lattice: Lattice, point: Array) -> Array:
    """(nu-1, nv-1) bool: cells that are cloth, with a source (n, 3) at each corner and none ``TORN`` from its next."""
    grid = to_grid(lattice, point)
    whole = lattice.cell.copy()
    corner = [grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]]
    limit = TORN * max(lattice.spacing_u, lattice.spacing_v)
    for k in range(4):
        with np.errstate(invalid="ignore"):
            whole &= np.linalg.norm(corner[k] - corner[k - 1], axis=2) <= limit
    return whole


def find_shown(lattice: Lattice, source: Source) -> Array:
    """(nu-1, nv-1) bool: cells with a source at each corner, of one piece of the body or of several."""
    there = np.nan_to_num(to_grid(lattice, np.isfinite(source.point).all(axis=1).astype(float))) > 0.5
    return np.asarray(lattice.cell & there[:-1, :-1] & there[1:, :-1] & there[1:, 1:] & there[:-1, 1:])


def find_inner(lattice: Lattice, source: Source) -> Array:
    """(n,) bool: nodes all of whose cells see one piece of the body. At its edges any picture is blurred into what is
    not printed, so its density there tells nothing of the gap."""
    count = np.zeros(lattice.shape, dtype=np.int64)
    for i in (slice(None, -1), slice(1, None)):
        for j in (slice(None, -1), slice(1, None)):
            count[i, j] += source.whole
    return np.asarray((count == lattice.corner_count)[lattice.ij[:, 0], lattice.ij[:, 1]])


def find_blank(laid: Laid) -> Array:
    """(n,) bool: nodes whose inner face lies farther than `LOOK` from the body."""
    return np.asarray(laid.near.gap > LOOK)


def to_grid(lattice: Lattice, values: Array) -> Array:
    """(nu, nv, ...) of ``values`` (n, ...) at the nodes, nan where there is no node."""
    grid = np.full((*lattice.shape, *values.shape[1:]), np.nan)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = values
    return grid


def whole_triangles(lattice: Lattice, source: Source) -> Array:
    """(t, 3) int32 of `Lattice.triangles` in cells that are whole and print at one corner at least."""
    cells = np.repeat(source.whole[lattice.cell], 2)
    triangles = lattice.triangles[cells]
    return np.ascontiguousarray(triangles[(source.strength[triangles] > 0.0).any(1)])


@dataclass(frozen=True)
class Printed:
    """Points of the body on the flat map: uv (k, 2) m (nan: not printed), strength (k,), miss (k,) m: how far the body
    point lies from the nearest point that any node of the sheet takes its image from."""

    uv: Array
    strength: Array
    miss: Array


def print_points(laid: Laid, source: Source, points: Array, miss: float = MISS) -> Printed:
    """Where body ``points`` (k, 3) m print: the place whose source is nearest, between nodes too.

    The sheet's triangles, moved to their sources, form a surface on the body; the place is read from the nearest of
    them. Where the image falls in several places the nearest source wins, the lowest triangle among equals.
    """
    lattice = laid.lattice
    uv = np.full((len(points), 2), np.nan)
    strength, far = np.zeros(len(points)), np.full(len(points), np.inf)
    triangles = whole_triangles(lattice, source)
    corner = source.point[triangles]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    kept = np.flatnonzero(area > 1e-6 * lattice.spacing_u * lattice.spacing_v)  # many nodes may see one corner
    if not len(kept) or not len(points):
        return Printed(uv, strength, far)
    vertices = np.where(np.isfinite(source.point), source.point, 0.0)
    far, at, face = find_near(np.asarray(points, np.float64), plant_mesh(vertices, triangles[kept]))
    three = triangles[kept][face]
    weight = weigh_in_triangle(at, source.point[three])
    place = np.einsum("kc,kcd->kd", weight, lattice.uv[three])
    shown = far <= miss
    uv[shown] = place[shown]
    strength[shown] = np.einsum("kc,kc->k", weight, source.strength[three])[shown]
    return Printed(uv, strength, far)


def weigh_in_triangle(points: Array, corners: Array) -> Array:
    """(k, 3) weights of ``corners`` (k, 3, 3) at ``points`` (k, 3) that lie in them, clipped to 0..1."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.maximum(np.einsum("kd,kd->k", normal, normal), 1e-300)
    first = np.einsum("kd,kd->k", np.cross(c - b, points - b), normal) / size
    second = np.einsum("kd,kd->k", np.cross(a - c, points - c), normal) / size
    weight = np.clip(np.stack([first, second, 1.0 - first - second], axis=1), 0.0, 1.0)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def print_values(laid: Laid, source: Source, values: Array) -> Array:
    """(n, ...) at the nodes: ``values`` (vertices, ...) of the body read at each source, nan where there is none."""
    surface = laid.field.surface
    out = np.full((len(source.face), *values.shape[1:]), np.nan)
    there = source.face >= 0
    three = surface.faces[source.face[there]]
    weight = weigh_in_triangle(source.point[there], surface.vertices[three])
    out[there] = np.einsum("kc,kc...->k...", weight, values[three])
    return out


def print_regions(source: Source, region: Array) -> Array:
    """(n,) int: the body's ``region`` (faces,) at each source that prints; -1 where none does."""
    there = (source.face >= 0) & (source.strength > 0.0)
    return np.where(there, region[source.face], -1)


def warp_picture(
    lattice: Lattice, source: Source, place: Array, picture: Array, shape: tuple[int, int]
) -> tuple[Array, Array]:
    """The flat map (rows, columns, channels) uint8 as ``shape`` says, and how strongly each pixel prints, in 1/255.

    ``picture`` (h, w, channels) uint8 of the body; ``place`` (n, 2): its column and row at each node's source. Rows lie
    along v, columns along u. Drawn `STRIP` rows at a time, so that memory stays near that of the result.
    """
    rows, columns = shape
    out = np.zeros((rows, columns, picture.shape[2]), np.uint8)
    strength = np.zeros((rows, columns), np.uint8)
    grid, there = to_grid(lattice, place), np.nan_to_num(to_grid(lattice, source.strength))
    per_u, per_v = lattice.cell.shape[0] / columns, lattice.cell.shape[1] / rows
    some = np.zeros((STRIP, columns))
    for first in range(0, rows, STRIP):
        strip = out[first : first + STRIP]
        warp_rows_into(strip, some[: len(strip)], np.ascontiguousarray(picture), grid, source.whole, there, first,
                       per_u, per_v)  # fmt: skip
        strength[first : first + STRIP] = np.rint(255.0 * some[: len(strip)])
    return out, strength

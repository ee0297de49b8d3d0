"""Seeded hard drops: sheets bent, folded, rolled and crumpled, and bodies with sharp, thin and tight places.

All sheets but the crumpled are isometric to the flat sheet or as near as polygons are. Lengths in m, angles in rad.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.matter.body import Body, BodyPart, box, check_body, join, placed, slab, sphere
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.matter.surface import link_strains

Array = np.ndarray

KINDS = ("rotated", "crumpled", "folded", "fingers", "blade", "spheres", "edge")
HOVER = 2e-3  # least distance of the mid-surface from what lies under it at the start
FLOOR = 2.0  # side of the floor, wide enough that nothing leaves it


@dataclass(frozen=True)
class Drop:
    """A sheet at its start, ``x`` (n, 3) above ``body``."""

    lattice: Lattice
    x: Array
    body: Body
    shape: str


def make_drop(kind: str, seed: int) -> Drop:
    """The drop of that kind and seed."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    cells = 2 * rng.integers(10, 15, 2)
    spacing = rng.uniform(0.013, 0.017)
    lattice = cut_lattice(Sheet(spacing * cells[0], spacing * cells[1], spacing))
    own = {"rotated": ("flat",), "crumpled": ("crumpled",), "folded": ("folded", "rolled")}
    shapes = own.get(kind, ("flat", "folded", "crumpled"))
    shape = shapes[seed % len(shapes)]
    turned = any_rotation(rng) if kind in own else any_tilt(rng)
    x = SHAPES[shape](lattice, rng) @ turned.T
    body = BODIES.get(kind, block)(rng)
    beside = rng.uniform(-0.03, 0.03, 2)
    if kind == "edge":
        beside[0] += rng.uniform(0.14, 0.2)
    x[:, :2] += beside
    return Drop(lattice, lifted(x, body), body, shape)


def lifted(x: Array, body: Body) -> Array:
    """``x`` moved straight up until it clears by `HOVER` the highest corner of ``body`` under its bounding box."""
    low, high = x[:, :2].min(axis=0), x[:, :2].max(axis=0)
    corners = body.vertices
    under = ((corners[:, :2] >= low) & (corners[:, :2] <= high)).all(axis=1)
    top = max(corners[under, 2].max(initial=-np.inf), 0.0)
    return x + np.array([0.0, 0.0, top + HOVER - x[:, 2].min()])


def any_rotation(rng: np.random.Generator) -> Array:
    """(3, 3): a rotation, each as likely as any other."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q *= np.sign(np.diag(r))
    return q * np.linalg.det(q)


def any_tilt(rng: np.random.Generator) -> Array:
    """(3, 3): any turn about the vertical, then a tilt by up to 0.5 rad."""
    turn, tilt = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(-0.5, 0.5)
    c, s, d, t = np.cos(turn), np.sin(turn), np.cos(tilt), np.sin(tilt)
    return np.array([[1.0, 0.0, 0.0], [0.0, d, -t], [0.0, t, d]]) @ np.array([[c, -s, 0.0], [s, c, 0.0], [0, 0, 1.0]])


def bent(lattice: Lattice, direction: float, profile: Array) -> Array:
    """(n, 3): the flat sheet bent along ``direction`` in it, so that its section is the curve ``profile`` (k, 2).

    Lines across ``direction`` stay straight; the section is walked at its own arc length, so nothing is stretched.
    """
    c, s = np.cos(direction), np.sin(direction)
    flat = lattice.uv - lattice.uv.mean(axis=0)
    along, across = flat @ [c, s], flat @ [-s, c]
    walked = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1)))
    place = along - along.min()
    assert place.max() <= walked[-1]
    return np.stack([np.interp(place, walked, profile[:, 0]), across, np.interp(place, walked, profile[:, 1])], axis=1)


def walk(turning: Array, step: float) -> Array:
    """(k + 1, 2): the curve of k straight pieces of length ``step``; each turns by ``turning`` (k,) from the last."""
    angle = np.cumsum(turning)
    pieces = step * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.concatenate([np.zeros((1, 2)), np.cumsum(pieces, axis=0)])


def flat(lattice: Lattice, rng: np.random.Generator) -> Array:
    """The flat sheet."""
    return bent(lattice, 0.0, np.array([[0.0, 0.0], [1.0, 0.0]]))


def folded(lattice: Lattice, rng: np.random.Generator) -> Array:
    """Folded to and fro in two or three layers, askew, round turns of some millimetres' radius."""
    direction = rng.uniform(0.0, 0.5 * np.pi)
    radius, layers = rng.uniform(0.005, 0.008), int(rng.integers(2, 4))
    extent = np.ptp(lattice.uv @ [np.cos(direction), np.sin(direction)])
    step = 1e-4
    around = round(np.pi * radius / step)
    straight = round((extent / step - (layers - 1) * around) / layers)
    turning = [np.zeros(straight)]
    for k in range(1, layers):
        # the layers open a little, so that three of them do not meet
        turning += [np.full(around, (-1.0) ** (k - 1) * (np.pi - 0.03) / around), np.zeros(straight)]
    return bent(lattice, direction, walk(np.append(np.concatenate(turning), np.zeros(100)), step))


def rolled(lattice: Lattice, rng: np.random.Generator) -> Array:
    """Rolled up askew, its turns some millimetres apart."""
    direction = rng.uniform(0.0, 0.5 * np.pi)
    first, pitch = rng.uniform(0.018, 0.025), rng.uniform(0.006, 0.009)
    angle = np.linspace(0.0, 40.0, 20_000)
    radius = first + pitch * angle / (2.0 * np.pi)
    return bent(lattice, direction, radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1))


def crumpled(lattice: Lattice, rng: np.random.Generator) -> Array:
    """The folded sheet carried along by random flows, each step an injective map of space; stretched and pressed.

    A step moves each point by waves whose gradients sum to 0.4 at most, so no two points ever meet.
    """
    x = folded(lattice, rng)
    for _ in range(8):
        number = rng.normal(size=(4, 3))
        number *= (2.0 * np.pi / rng.uniform(0.1, 0.2, 4) / np.linalg.norm(number, axis=1))[:, None]
        way = np.cross(number, rng.normal(size=(4, 3)))  # across the wave: volume is kept
        way *= (0.1 / np.linalg.norm(way, axis=1) / np.linalg.norm(number, axis=1))[:, None]
        x = x + np.sin(x @ number.T + rng.uniform(0.0, 2.0 * np.pi, 4)) @ way
    return x / (1.0 + np.mean(np.concatenate(link_strains(lattice, x))))


def ground() -> Body:
    """The floor that nothing leaves, its top at z = 0."""
    return slab(FLOOR, FLOOR, 0.1)


def block(rng: np.random.Generator) -> Body:
    """A sharp-edged block on the floor."""
    half = rng.uniform(0.03, 0.06, 2)
    return join(placed(box((*-half, 0.0), (*half, rng.uniform(0.04, 0.1))), turn=rng.uniform(0.0, np.pi)), ground())


def blade(rng: np.random.Generator) -> Body:
    """A plate 1 mm thick that stands on its edge on the floor."""
    half, height = rng.uniform(0.05, 0.1), rng.uniform(0.08, 0.14)
    upright = box((-half, -5e-4, 0.0), (half, 5e-4, height))
    return join(placed(upright, turn=rng.uniform(0.0, np.pi)), ground())


def spheres(rng: np.random.Generator) -> Body:
    """Two balls side by side on the floor that touch in one point."""
    radius = rng.uniform(0.04, 0.06)
    pair = [sphere(radius, (0.0, side * radius, radius), subdivisions=3) for side in (-1.0, 1.0)]
    return join(*(named(ball, f"ball {k}") for k, ball in enumerate(pair)), ground())


def named(body: Body, name: str) -> Body:
    """``body`` under another name and without landmarks, so that several can be joined."""
    part = BodyPart(name, body.parts[0].surface)
    return Body(body.vertices, body.faces, body.part, (part,), body.region)


def fingers(rng: np.random.Generator) -> Body:
    """Four to six round-tipped pegs in a row on the floor, a few millimetres between them."""
    count, radius = int(rng.integers(4, 7)), rng.uniform(0.007, 0.01)
    apart = 2.0 * radius + rng.uniform(0.002, 0.008)
    pegs = []
    for k in range(count):
        place = ((k - 0.5 * (count - 1)) * apart, 0.0, 0.0)
        pegs.append(named(placed(peg(radius, rng.uniform(0.06, 0.1)), move=place), f"finger {k}"))
    return join(*pegs, ground())


def peg(radius: float, height: float, around: int = 24, rings: int = 6) -> Body:
    """An upright round bar on z = 0 with a half ball on top, ``height`` in all."""
    turn = np.arange(around) * (2.0 * np.pi / around)
    lift = np.linspace(0.0, 0.5 * np.pi, rings + 1)[:-1]
    level = [(radius, 0.0)] + [(radius * np.cos(a), height - radius + radius * np.sin(a)) for a in lift]
    circles = [np.stack([r * np.cos(turn), r * np.sin(turn), np.full(around, z)], axis=1) for r, z in level]
    vertices = np.concatenate([*circles, [[0.0, 0.0, 0.0], [0.0, 0.0, height]]])
    i, after = np.arange(around), (np.arange(around) + 1) % around
    faces = [np.stack([np.full(around, len(vertices) - 2), after, i], axis=1)]
    for k in range(len(level) - 1):
        low, high = k * around, (k + 1) * around
        faces += [np.stack([low + i, low + after, high + after], 1), np.stack([low + i, high + after, high + i], 1)]
    last = (len(level) - 1) * around
    faces.append(np.stack([last + i, last + after, np.full(around, len(vertices) - 1)], axis=1))
    all_faces = np.ascontiguousarray(np.concatenate(faces), dtype=np.int32)
    none = np.full(len(all_faces), -1, np.int32)
    return check_body(Body(vertices, all_faces, np.zeros_like(none), (BodyPart("body", "limewood"),), none))


def edge(rng: np.random.Generator) -> Body:
    """A slab whose end the sheet hangs over, and a floor below it."""
    upper = named(box((-0.25, -0.3, -0.03), (0.15, 0.3, 0.0), surface="slate"), "slab")
    return join(upper, slab(FLOOR, FLOOR, 0.1, top_z=-rng.uniform(0.1, 0.3)))


SHAPES = {"flat": flat, "folded": folded, "rolled": rolled, "crumpled": crumpled}
BODIES = {"fingers": fingers, "blade": blade, "spheres": spheres, "edge": edge}

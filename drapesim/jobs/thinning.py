"""Thinning a closed surface out to a stated largest distance, measured exactly, without a triangle that crosses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.jobs.untangling import untangle
from drapesim.matter.body import Body, BodyPart, check_body
from drapesim.matter.body_repair import repair_mesh
from drapesim.matter.nearest import find_near, plant_mesh
from drapesim.matter.slices_mesh import thin_out
from drapesim.settling.exact import count_self_crossings

Array = np.ndarray

LEAST_FACES = 200
SHARES = (0.25, 0.5, 0.7, 0.85)  # of the faces that a step leaves, each as often as it does
NEARBY = (1.0, 1.03, 1.07)
STEPS_BACK = 4  # heavier meshes that are tried where the lightest crosses itself


@dataclass(frozen=True)
class Thinned:
    """The light ``body``, the largest distance (m) either way, and and pairs (k, 2) of its faces that cross."""

    body: Body
    error: float
    crossings: int
    pairs: Array


def as_body(vertices: Array, faces: Array, source: Path) -> Body:
    """One closed part, checked; `InputError` where the surface is not closed."""
    vertices, faces, repairs = repair_mesh(vertices, faces, str(source))
    part = np.zeros(len(faces), dtype=np.int32)
    region = np.full(len(faces), -1, dtype=np.int32)
    vertices = np.ascontiguousarray(vertices, dtype=np.float64)
    return check_body(Body(vertices, faces, part, (BodyPart("body", ""),), region, repairs=repairs))


def thin_out_within(whole: Body, allowed: float, source: Path) -> Thinned:
    """The lightest mesh found that stays closed and nowhere farther than ``allowed`` (m) from ``whole``.

    Thinned out step by step, each from the last good one: the first steps cost most, and starting over would repeat
    them. The distance is always measured from ``whole``: corners, edge middles and face middles there, corners back.
    If the lightest crosses itself and cannot be untangled, the next heavier ones are taken; if none can, the lightest
    with its crossings.
    """
    measure = _Measure(whole)
    steps = [(whole, 0.0)]
    for share in SHARES:
        while (thin := _thin_out_closed(steps[-1][0], share, source)) is not None:
            error = measure(thin, allowed)
            if error > allowed:
                break
            steps = [*steps[-STEPS_BACK:], (thin, error)]
    found: list[Thinned] = []
    for body, error in reversed(steps):
        found.append(Thinned(body, error, *count_self_crossings(body.vertices, body.faces)))
        if found[-1].crossings:
            found[-1] = _untangle(found[-1], allowed, measure) or found[-1]
        if not found[-1].crossings:
            return found[-1]
    return found[0]


def _untangle(thin: Thinned, allowed: float, measure: _Measure) -> Thinned | None:
    """``thin`` with a few vertices moved so that nothing crosses, if that stays within ``allowed``."""
    body = thin.body
    moved = untangle(body.vertices, body.faces, thin.pairs, allowed)
    if moved is None:
        return None
    body = replace(body, vertices=moved)
    error = measure(body, allowed)
    return None if error > allowed else Thinned(check_body(body), error, 0, thin.pairs[:0])


class _Measure:
    """The largest distance (m) of a thinner mesh from ``whole``, either way; one way only where that is too much."""

    def __init__(self, whole: Body) -> None:
        self.whole = whole
        self.planted: tuple[Any, Any] | None = None  # after the first thinning: both take a gigabyte on large scans

    def __call__(self, thin: Body, allowed: float) -> float:
        if self.planted is None:
            self.planted = plant_mesh(self.whole.vertices, self.whole.faces)
        error = float(find_near(_spread(thin), self.planted)[0].max())
        if error <= allowed:
            back = find_near(self.whole.vertices, plant_mesh(thin.vertices, thin.faces))[0]
            error = max(error, float(back.max()))
        return error


def _spread(body: Body) -> Array:
    """Corners, face middles and edge middles (each edge once, as the surface is closed), m."""
    faces = body.faces
    corner = body.vertices[faces]
    following = np.roll(faces, -1, axis=1)
    once = faces < following
    middle = 0.5 * (body.vertices[faces[once]] + body.vertices[following[once]])
    return np.concatenate([body.vertices, corner.mean(axis=1), middle])


def _thin_out_closed(body: Body, share: float, source: Path) -> Body | None:
    """About ``share`` of the faces, or a few more where two of them would meet in one edge; None if they still do."""
    count = int(share * len(body.faces))
    if count < LEAST_FACES:
        return None
    for factor in NEARBY:
        try:
            thin = as_body(*thin_out(body.vertices, body.faces, int(count * factor)), source)
        except InputError:  # not closed any more: by chance, or because it has become too coarse
            continue
        return thin if len(thin.faces) < len(body.faces) else None
    return None

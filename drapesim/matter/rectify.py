"""Photographs made true to scale: by control points whose places on the cloth were measured, or by scale bars in them.

Control points fit the perspective of a flat cloth seen by a straight-line camera: pixel = H mm with a 3 x 3 matrix H,
found by least squares after centring and scaling both sides (Hartley 1997, In defense of the eight-point algorithm;
from memory). Three points fit an affine map. The residual is what the points are off by, in mm on the cloth; with three
or four points nothing is left over to test the fit, and that is said. A lens that bends straight lines, and a cloth
that did not lie flat, show in the residual and are not taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray

LEAST_POINTS = 3


@dataclass(frozen=True)
class Rectified:
    """How a photograph lies on the cloth: ``matrix`` (3, 3) from m on the drawing to pixels, and how well it fits.

    residual (k,) m: what each control point or scale bar is off by. metres_per_pixel: of the map to be made.
    """

    matrix: Array
    residual: Array
    metres_per_pixel: float
    note: str


def fit_points(pixels: Array, places: Array) -> Rectified:
    """The map by control points ``pixels`` (k, 2) at ``places`` (k, 2) m; ValueError where they do not fix it."""
    if len(pixels) < LEAST_POINTS:
        raise ValueError(f"{len(pixels)} control points fix no map; give {LEAST_POINTS} or, of a picture taken at a "
                         "slant, five or more")  # fmt: skip
    norm_a, a = _centred(places)
    norm_b, b = _centred(pixels)
    if np.linalg.svd(a, compute_uv=False)[-1] < 1e-3 * len(a) or np.linalg.svd(b, compute_uv=False)[-1] < 1e-3 * len(b):
        raise ValueError("the control points lie on one line; give some beside it")
    if len(pixels) == LEAST_POINTS:
        whole = np.eye(3)
        whole[:2] = np.linalg.lstsq(np.column_stack([a, np.ones(len(a))]), b, rcond=None)[0].T
    else:
        rows = []
        for (x, y), (u, v) in zip(a, b, strict=True):
            rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
            rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
        whole = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    matrix = np.linalg.inv(norm_b) @ whole @ norm_a
    matrix = matrix / matrix[2, 2]
    residual = np.linalg.norm(apply(np.linalg.inv(matrix), pixels) - places, axis=1)
    scale = float(np.sqrt(1.0 / abs(_stretch(matrix, places.mean(axis=0)))))
    said = (
        f"The photograph was made true to scale by {len(pixels)} control points: off by {1e3 * _rms(residual):.2g} mm "
        f"(root mean square), {1e3 * residual.max():.2g} mm at most."
    )
    if len(pixels) <= 4:
        said = (
            f"The photograph was made true to scale by {len(pixels)} control points, which leave nothing over to test "
            "the fit by; give five or more to know how far it is off."
        )
    return Rectified(matrix, residual, scale, said)


def fit_bars(ends: Array, lengths: Array) -> Rectified:
    """One scale for the whole picture from bars with ``ends`` (k, 2, 2) pixels and ``lengths`` (k,) m.

    The scale is the mean over the bars, each counting by its length; a picture taken at a slant shows as a residual.
    """
    drawn = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    if (drawn < 2.0).any():
        raise ValueError("a scale bar has no length in the picture; give its two ends in pixels")
    scale = float((drawn @ lengths) / (drawn @ drawn))
    residual = np.abs(scale * drawn - lengths)
    shares = 100.0 * residual / lengths
    said = f"The photograph's scale is {1e3 * scale:.4g} mm per pixel by {len(lengths)} scale bars, "
    said += f"which are off by up to {1e3 * residual.max():.2g} mm ({shares.max():.2g} % of their length)."
    if len(lengths) == 1:
        said = (
            f"The photograph's scale is {1e3 * scale:.4g} mm per pixel by one scale bar, which leaves nothing over to "
            "test it by; give two or more, along and across."
        )
    return Rectified(np.diag([1.0 / scale, 1.0 / scale, 1.0]), residual, scale, said)


def apply(matrix: Array, points: Array) -> Array:
    """(k, 2) points (k, 2) mapped by a 3 x 3 matrix."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return mapped[:, :2] / mapped[:, 2:]


def warp_picture(image: Any, fitted: Rectified, size: tuple[float, float]) -> Any:
    """The picture of a cloth ``size`` (across, down; m) cut out of the photograph ``image`` and made true to scale."""
    from PIL import Image

    step = fitted.metres_per_pixel
    columns, rows = (max(1, round(extent / step)) for extent in size)
    scaled = np.diag([size[0] / columns, size[1] / rows, 1.0])
    h = fitted.matrix @ scaled
    h = h / h[2, 2]
    coefficients = tuple(h.ravel()[:8])
    return image.transform((columns, rows), Image.Transform.PERSPECTIVE, coefficients, Image.Resampling.BICUBIC,
                           fillcolor="white")  # fmt: skip


def _centred(points: Array) -> tuple[Array, Array]:
    """The matrix that puts ``points`` round the origin at a mean distance of sqrt 2, and the points so put."""
    middle = points.mean(axis=0)
    spread = float(np.linalg.norm(points - middle, axis=1).mean())
    factor = np.sqrt(2.0) / max(spread, 1e-300)
    matrix = np.array([[factor, 0.0, -factor * middle[0]], [0.0, factor, -factor * middle[1]], [0.0, 0.0, 1.0]])
    return matrix, apply(matrix, points)


def _stretch(matrix: Array, place: Array) -> float:
    """Pixels2 for each m2 at ``place`` (2,) m."""
    w = matrix[2] @ np.array([*place, 1.0])
    return float(np.linalg.det(matrix) / w**3)


def _rms(values: Sequence[float] | Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))

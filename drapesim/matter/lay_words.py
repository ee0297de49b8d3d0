"""What hands do, in plain words: places on the cloth by the ends and sides of the flat map, ways by the body.

Left, right, upper and lower are those of the flat map: the warp runs from its left to its right end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from drapesim.ground.units import GRAVITY
from drapesim.matter.lay import BindStep, LayStep, Pair, PressStep, PullStep, ReleaseStep, SmoothStep

Array = np.ndarray

AT_RIM, MIDDLE, WHOLE = 0.05, 0.03, 0.8  # shares of the cloth's size: near a rim, in the middle, all along a rim
MAINLY = 0.75  # share of a way in one direction from which it alone is told
HEAD, FEET = ("crown", "nose tip", "chin"), ("heel", "toe")  # landmarks, and parts of their names


def describe(step: LayStep, size: Pair, way: Array | None = None, landmarks: Mapping[str, Array] | None = None) -> str:
    """A step of hands in a few words; ``size`` of the cloth (m), ``way`` (3,) m that a pull goes, if known."""
    who = f" ({step.who})" if getattr(step, "who", "") else ""  # type: ignore[union-attr]
    return _describe(step, size, way, landmarks or {}) + who


def _describe(step: LayStep, size: Pair, way: Array | None, landmarks: Mapping[str, Array]) -> str:
    if isinstance(step, PullStep):
        what = name_place(step.patch, size)
        if step.do == "lift and drop":
            assert step.by is not None
            return f"lift {what} by {1e3 * step.by[2]:.0f} mm and let it drop"
        if step.do == "roll back":
            return f"roll {what} back{' and lay it down again' if step.back else ''}"
        if way is None and step.to is not None:
            return f"pull {what} to ({', '.join(f'{1e3 * value:.0f}' for value in step.to)}) mm"
        return f"pull {what}{name_way(np.asarray(step.by) if way is None else way, landmarks)}"
    if isinstance(step, PressStep):
        place = name_place(step.patch, size)
        if step.do == "weight":
            return f"lay a weight of {1e3 * step.force / GRAVITY:.3g} g on {place}"
        return f"{step.do} {place}{',' if ',' in place else ''} with {step.force:.3g} N"
    if isinstance(step, SmoothStep):
        stroke = np.subtract(step.patch[1], step.patch[0])
        axis = int(abs(stroke[1]) > abs(stroke[0]))
        end = _rim(axis, float(stroke[axis] > 0.0))
        return f"smooth toward the {end} with {step.force:.3g} N, pressing with {step.press:.3g} N"
    if isinstance(step, BindStep):
        how = "bind round" if step.ends == "round" else "tie down"
        return f"{how} {name_place(step.patch, size)}, with {step.tension:.3g} N"
    if isinstance(step, ReleaseStep):
        return f"let go of {' and '.join(step.names) or 'everything'}"
    return "let the cloth come to rest"


def name_place(patch: Sequence[Pair], size: Pair) -> str:
    """Where on the cloth a point or a line is: "the right end", "the middle of the cloth"."""
    points = np.asarray(patch, dtype=np.float64)
    share = points.mean(axis=0) / size
    if len(points) == 1:
        return _name_point(points[0], share)
    span = np.abs(points[1] - points[0])
    across = int(span[1] > span[0])  # 1: the line runs along the weft, from side to side
    if span[1 - across] > 0.1 * span[across]:
        return f"a slanting line through {_name_point(points.mean(axis=0), share)}"
    rim = _rim(1 - across, share[1 - across])
    part = "" if span[across] >= WHOLE * size[across] else "part of "
    if rim:
        return f"{part}the {rim}"
    return f"a line {'across' if across else 'along'} the cloth, {_off(1 - across, points.mean(axis=0))}"


def _name_point(point: Array, share: Array) -> str:
    rims = [_rim(axis, share[axis]) for axis in (0, 1)]
    if rims[0] and rims[1]:
        return f"the {rims[1].split()[0]} {rims[0].split()[0]} corner"
    is_middle = np.abs(share - 0.5) < MIDDLE
    if is_middle.all():
        return "the middle of the cloth"
    for axis in (0, 1):
        if rims[axis]:
            return f"the middle of the {rims[axis]}" if is_middle[1 - axis] else f"a point at the {rims[axis]}"
    if is_middle[1]:
        return f"the cloth's midline, {_off(0, point)}"
    return f"a point {_off(0, point)} and {_off(1, point)}"


def _rim(axis: int, share: float) -> str:
    """The end (axis 0) or side (axis 1) that a place at ``share`` of the size is near; "" for none."""
    if share <= AT_RIM:
        return ("left end", "upper side")[axis]
    return ("right end", "lower side")[axis] if share >= 1.0 - AT_RIM else ""


def _off(axis: int, point: Array) -> str:
    return f"{1e3 * point[axis]:.0f} mm from the {('left end', 'upper side')[axis]}"


def name_way(way: Array, landmarks: Mapping[str, Array]) -> str:
    """The direction and length of a way (3,) m: " up by 200 mm", " toward the head by 900 mm"."""
    length = float(np.linalg.norm(way))
    if length < 5e-4:
        return " nowhere else"
    told = f" by {1e3 * length:.0f} mm"
    if abs(way[2]) > MAINLY * length:
        return (" up" if way[2] > 0.0 else " down") + told
    head = next((landmarks[name] for name in HEAD if name in landmarks), None)
    feet = [place for name, place in landmarks.items() if any(word in name for word in FEET)]
    if head is None or not feet:
        return told
    body = (np.asarray(head) - np.mean(feet, axis=0))[:2]
    share = float(way[:2] @ body) / max(float(np.linalg.norm(way[:2]) * np.linalg.norm(body)), 1e-12)
    if abs(share) > MAINLY:
        return (" toward the head" if share > 0.0 else " toward the feet") + told
    return " across the body" + told if abs(share) < 0.5 else " aslant over the body" + told

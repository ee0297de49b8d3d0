"""Marks from a drawing: an SVG on the flat map, one element one mark, the element's id the mark's name.

The drawing's top-left corner is the cloth's corner. The file states its scale by width and height in mm, cm, in or
pt, or the scene gives ``mm_per_unit``. Elements keep their nested transforms.

- A filled closed shape is an area. ``fill="none"`` makes it a line, open or closed. A circle of at most 2 mm across
  is a point. An open outline that is filled is refused, since nobody can say where it should have been closed.
- Names come only from ids. Layer labels are ignored: readers hand them down to everything in the layer.
- ``data-kind`` on the element or a group above it, or else a class, names the kind of mark.
- Clones (``use``) and nested drawings are refused; what is hidden (display: none), text and pictures are not marks.
"""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from drapesim.ground.files import read_bytes
from drapesim.ground.outcome import InputError, gather_faults
from drapesim.ground.units import SI

Array = np.ndarray

CHORD_ERROR = 1e-4  # m, how far a flattened curve may leave the drawn one
FARTHEST = 100.0  # m, no cloth is larger
POINT_DIAMETER = 2e-3  # m, a circle up to this size is a point
DEEPEST = 100  # groups in groups; a drawing by hand has a dozen

_SHAPES = {"path", "polygon", "polyline", "circle", "ellipse", "rect", "line"}
_GROUPS = {"svg", "g", "a", "switch"}
_COORDINATES = ("x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "width", "height")


@dataclass(frozen=True)
class DrawnShape:
    """One visible element in drawing coordinates (m, x to the right, y down, origin at the top-left corner).

    ``lines`` are its flattened subpaths (k, 2), closed ones without the repeated end point.
    """

    name: str
    place: str  # file:line
    stated_kind: str  # data-kind of the element or a group above it, "" where there is none
    classes: tuple[str, ...]
    lines: tuple[Array, ...]
    closed: tuple[bool, ...]
    filled: bool
    even_odd: bool
    is_point: bool
    groups: tuple[str, ...] = ()  # ids and labels of the element itself and of the groups above it, the nearest first


@dataclass(frozen=True)
class Drawing:
    """Size of the page (m; None where the file does not say) and the shapes on it."""

    size: tuple[float, float] | None
    shapes: tuple[DrawnShape, ...]


def read_drawing(
    path: str | Path, mm_per_unit: float | None = None, named_in: str = "", what: str = "mark", must_name: bool = True
) -> Drawing:
    """Read the shapes of an SVG in metres. ``mm_per_unit`` only where the file has no size with a unit.

    ``what`` the shapes are called in refusals. Unless they ``must_name`` themselves, those without an id of their own
    are numbered.

    Raises `InputError` for a file that is no SVG, has no scale, stretches its axes unequally, repeats an id, or holds
    a visible shape without an id.
    """
    content = read_bytes(path, f"{what}s drawing", named_in)
    root, styles = _parse_tree(path, content)
    metres, offset, size = _read_scale(path, root, mm_per_unit, what)
    kept = _prune(path, root, what)
    for style in styles:
        if "transform" in (style.text or ""):
            line = f"{path}:{style.get('data-line')}"
            raise InputError(line, "<style>", "a style sheet moves shapes", "write transforms as attributes")
        kept.insert(0, style)
    if must_name:
        _check_names(path, kept, what)
    else:
        _number_shapes(kept)
    return Drawing(size, tuple(_read_shapes(path, kept, metres, offset, what)))


def _parse_tree(path: str | Path, content: bytes) -> tuple[ET.Element, list[ET.Element]]:
    """Element tree whose elements carry their line in ``data-line``, and the style elements in it."""
    builder = ET.TreeBuilder()
    parser = expat.ParserCreate()
    parser.buffer_text = True
    depth = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            place = f"{path}:{parser.CurrentLineNumber}"
            raise InputError(place, "", f"groups lie in each other more than {DEEPEST} deep", "ungroup them")
        kept = {key: value for key, value in attributes.items() if ":" not in key and key != "xmlns"}
        label = next((value for key, value in attributes.items() if key.endswith(":label")), None)
        if label is not None:
            kept["data-label"] = label
        builder.start(tag.rpartition(":")[2], {**kept, "data-line": str(parser.CurrentLineNumber)})

    parser.StartElementHandler = start

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag.rpartition(":")[2])

    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    try:
        parser.Parse(content, True)
    except expat.ExpatError as fault:
        problem = f"the drawing is not valid XML ({expat.ErrorString(fault.code)})"
        raise InputError(f"{path}:{fault.lineno}", "", problem, "save it as SVG") from None
    root = builder.close()
    if root.tag != "svg":
        raise InputError(path, "", f"the drawing's root element is <{root.tag}>", "it must be <svg>")
    return root, [style for style in root.iter("style") if style.text]


_LENGTH = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%]*)\s*$")


def _read_scale(
    path: str | Path, root: ET.Element, mm_per_unit: float | None, what: str
) -> tuple[float, Array, tuple[float, float] | None]:
    """Metres per user unit, the page corner in user units, and the page size in metres."""
    place = f"{path}:{root.get('data-line')}"
    box = _read_numbers(root.get("viewBox", "")) or []
    if root.get("viewBox") is not None and (len(box) != 4 or min(box[2:]) <= 0):
        raise InputError(place, "viewBox", "must hold four numbers with a positive size", "such as 0 0 3900 1250")
    sizes: list[tuple[float, str] | None] = []
    for key in ("width", "height"):
        found = _LENGTH.match(root.get(key, ""))
        sizes.append((float(found[1]), found[2]) if found else None)
    with_unit = [size is not None and size[1] in ("mm", "cm", "in", "pt", "m") for size in sizes]
    if any(with_unit):
        if mm_per_unit is not None:
            raise InputError(
                place, "width", "the drawing states its own size, and the scene gives mm_per_unit as well", "drop one"
            )
        metres = [size[0] * SI[size[1]] if size and size[1] in SI else None for size in sizes]
        if any(length is not None and not 0 < length < math.inf for length in metres):
            raise InputError(place, "width", "the drawing has no size", "width and height must be positive")
        if not box:
            # Without a viewBox one user unit is 1/96 inch, whatever unit the size is written in.
            box = [0.0, 0.0, *((length or 0.0) * 96 / 0.0254 for length in metres)]
        scales = [length / extent for length, extent in zip(metres, box[2:], strict=True) if length is not None]
        if max(scales) > min(scales) * 1.001:
            problem = f"the drawing is stretched unequally, {scales[0] * 1e3:.6g} by {scales[1] * 1e3:.6g} mm per unit"
            raise InputError(place, "viewBox", problem, "width : height must equal the viewBox's own ratio")
        return scales[0], np.array(box[:2]), (scales[0] * box[2], scales[0] * box[3])
    if mm_per_unit is None:
        problem = "the drawing's size has no unit, so its scale is unknown"
        remedy = "write width and height with mm, cm, in or pt"
        remedy += ", or give flat_map.mm_per_unit in the scene" if what == "mark" else ""
        raise InputError(place, "width", problem, remedy)
    scale = mm_per_unit * 1e-3
    plain = [size[0] for size in sizes if size is not None and size[1] in ("", "px")]
    if not box:
        box = [0.0, 0.0, *plain] if len(plain) == 2 else []
    return scale, np.array(box[:2] or [0.0, 0.0]), (scale * box[2], scale * box[3]) if box else None


def _is_hidden(element: ET.Element) -> bool:
    style = element.get("style", "").replace(" ", "").lower()
    return element.get("display", "").strip().lower() == "none" or "display:none" in style


def _prune(path: str | Path, element: ET.Element, what: str, above: tuple[str, ...] = ()) -> ET.Element:
    """The visible groups and shapes only, each shape with its own id in ``data-name``, and in ``data-groups`` what it
    and the groups round it are called, a line each.

    The root loses its size, so that the reader below works in plain user units.
    """
    is_root = element.tag == "svg"
    kept = ET.Element(element.tag, dict(element.attrib))
    if is_root:
        for key in ("width", "height", "viewBox", "preserveAspectRatio", "x", "y"):
            kept.attrib.pop(key, None)
    for child in element:
        place = f"{path}:{child.get('data-line')}"
        if _is_hidden(child):
            continue
        if child.tag == "use":
            raise InputError(place, "use", f"a clone is no {what}, since it has no outline of its own", "unlink it")
        if child.tag == "svg":
            raise InputError(place, "svg", "a drawing inside the drawing is not read", "move its shapes to the top one")
        if child.tag in _SHAPES or child.tag in _GROUPS:
            _check_transform(place, child)
        if child.tag in _SHAPES:
            _check_numbers(place, child)
            shape = ET.Element(child.tag, dict(child.attrib))
            shape.set("data-name", child.get("id", ""))
            shape.set("data-groups", "\n".join((*_list_names(child), *above)))
            if child.tag == "path":
                shape.set("d", child.get("d", ""))  # the reader stumbles over a path without one
            kept.append(shape)
        elif child.tag in _GROUPS:
            kept.append(_prune(path, child, what, (*_list_names(child), *above)))
    return kept


def _list_names(element: ET.Element) -> tuple[str, ...]:
    return tuple(name for name in (element.get("id"), element.get("data-label")) if name)


_NUMBER = re.compile(r"[\s,]*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)")
_FLAG = re.compile(r"[\s,]*([01])")
_COMMAND = re.compile(r"\s*([MmZzLlHhVvCcSsQqTtAa])([^MmZzLlHhVvCcSsQqTtAa]*)")
_ARGUMENTS = {"M": 2, "Z": 0, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}
_TRANSFORM = re.compile(r"[\s,]*(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^()]*)\)")
_TRANSFORM_COUNTS = {
    "matrix": (6,), "translate": (1, 2), "scale": (1, 2), "rotate": (1, 3), "skewX": (1,), "skewY": (1,),
}  # fmt: skip


def _name_element(element: ET.Element) -> str:
    return f"#{element.get('id')}" if element.get("id") else f"<{element.tag}>"


def _check_numbers(place: str, shape: ET.Element) -> None:
    """Refuse what the reader would drop, cut short or misread without a word."""
    where = _name_element(shape)
    for key in _COORDINATES:
        found = _LENGTH.match(shape.get(key, "0"))
        if not found or found[2] not in ("", "px"):
            problem = f'{key}="{shape.get(key)}" is not a bare number'
            raise InputError(place, where, problem, "coordinates are user units of the drawing")
    outline = shape.get("d", "").strip()
    at = 0
    for command in _COMMAND.finditer(outline):
        if command.start() != at or (at == 0 and command[1] not in "Mm") or not _counts(command[1], command[2]):
            break
        at = command.end()
    if at != len(outline):
        problem = f"the path cannot be followed from '{outline[at : at + 20].strip()}' on"
        raise InputError(place, where, problem, "it must hold path commands, each with its finite numbers")
    values = _read_numbers(shape.get("points", ""))
    if values is None or len(values) % 2:
        raise InputError(place, where, "points is not a list of x,y pairs", "it must hold finite numbers")


def _counts(command: str, arguments: str) -> bool:
    """Whether a path command is followed by whole sets of its arguments; an arc's flags may stand without spaces."""
    wanted = _ARGUMENTS[command.upper()]
    if command not in "Aa":
        values = _read_numbers(arguments)
        return values is not None and (
            len(values) == 0 if wanted == 0 else len(values) > 0 and len(values) % wanted == 0
        )
    at = count = 0
    while found := (_FLAG if count % 7 in (3, 4) else _NUMBER).match(arguments, at):
        at, count = found.end(), count + 1
    return count > 0 and count % 7 == 0 and not arguments[at:].strip()


def _read_numbers(text: str) -> list[float] | None:
    """The numbers of a list with spaces or commas between; None where something else stands in it."""
    values = []
    at = 0
    while found := _NUMBER.match(text, at):
        values.append(float(found[1]))
        at = found.end()
    return None if text[at:].strip() or not np.isfinite(values).all() else values


def _check_transform(place: str, element: ET.Element) -> None:
    """Refuse a transform that the reader would skip or guess at, since the mark would then stand elsewhere."""
    text = element.get("transform", "").strip()
    at = 0
    while found := _TRANSFORM.match(text, at):
        values = _read_numbers(found[2])
        if values is None or len(values) not in _TRANSFORM_COUNTS[found[1]]:
            break
        at = found.end()
    if text[at:].strip(" ,\t\r\n") or "transform" in element.get("style", ""):
        problem = "the transform is not one of matrix, translate, scale, rotate, skewX, skewY with plain numbers"
        raise InputError(place, _name_element(element), problem, "apply it to the outline, or write it as an attribute")


def _number_shapes(root: ET.Element) -> None:
    seen: set[str] = set()
    for k, shape in enumerate(shape for shape in root.iter() if shape.tag in _SHAPES):
        name = shape.get("data-name") or f"{shape.tag} in line {shape.get('data-line')}"
        shape.set("data-name", f"{name} (no. {k + 1})" if name in seen else name)
        seen.add(shape.get("data-name", ""))


def _check_names(path: str | Path, root: ET.Element, what: str) -> None:
    faults: list[InputError] = []
    seen: dict[str, str] = {}
    for shape in root.iter():
        if shape.tag not in _SHAPES:
            continue
        line, name = shape.get("data-line", ""), shape.get("data-name", "")
        if not name:
            problem = f"this <{shape.tag}> has no id, so the {what} has no name"
            faults.append(InputError(f"{path}:{line}", "", problem, "give it an id or hide it"))
        elif name in seen:
            problem = f"the id is used twice, first in line {seen[name]}"
            faults.append(InputError(f"{path}:{line}", f"#{name}", problem, f"each {what} needs an id of its own"))
        else:
            seen[name] = line
    if faults:
        raise gather_faults(faults)


def _read_shapes(path: str | Path, root: ET.Element, metres: float, offset: Array, what: str) -> list[DrawnShape]:
    from svgelements import SVG, Shape
    from svgelements import Path as DrawnPath

    source = io.BytesIO(ET.tostring(root, encoding="utf-8"))
    shapes: list[DrawnShape] = []
    read: set[str] = set()
    for element in SVG.parse(source, reify=True, ppi=96).elements():
        if not isinstance(element, Shape):
            continue
        values = element.values
        attributes = values["attributes"]
        name, place = attributes["data-name"], f"{path}:{attributes['data-line']}"
        outline = DrawnPath(element)
        outline.reify()
        if not _reach(outline) * metres <= FARTHEST:
            problem = f"the outline runs more than {FARTHEST:g} m out"
            raise InputError(place, f"#{name}", problem, "redraw it, or correct the drawing's scale")
        lines, closed = _flatten(outline, CHORD_ERROR / metres)
        if not lines:
            raise InputError(place, f"#{name}", f"the {what} draws nothing", "give it an outline or delete it")
        scaled = tuple((line - offset) * metres for line in lines)
        corners = np.concatenate(scaled)
        widest = float(np.ptp(corners, axis=0).max())
        shapes.append(
            DrawnShape(
                name=name,
                place=place,
                stated_kind=str(values.get("data-kind") or "").strip(),
                classes=tuple(str(attributes.get("class") or "").split()),
                lines=scaled,
                closed=tuple(closed),
                filled=element.fill is not None and element.fill.value is not None and attributes["tag"] != "line",
                even_odd=str(values.get("fill-rule") or "") == "evenodd",
                is_point=attributes["tag"] in ("circle", "ellipse") and widest <= POINT_DIAMETER * (1 + 1e-6),
                groups=tuple(attributes["data-groups"].split("\n")),
            )
        )
        read.add(name)
    for shape in root.iter():  # the reader drops what it cannot draw, such as a circle of radius 0
        if shape.tag in _SHAPES and shape.get("data-name") not in read:
            place = f"{path}:{shape.get('data-line')}"
            raise InputError(place, f"#{shape.get('data-name')}", f"the {what} draws nothing", "give it a size")
    return shapes


def _reach(outline: Any) -> float:
    """Largest coordinate or radius of a path's end and control points, user units; nan where one is not finite."""
    points = [getattr(segment, key, None) for segment in outline for key in ("end", "control", "control1", "control2")]
    radii = [abs(segment.rx) + abs(segment.ry) for segment in outline if hasattr(segment, "rx")]
    values = [abs(value) for point in points if point is not None for value in (point.x, point.y)]
    return float(np.max(np.array(values + radii))) if values else 0.0


def _flatten(outline: Any, chord: float) -> tuple[list[Array], list[bool]]:
    """Subpaths as polylines in user units, with chords at most ``chord`` off the curve, and which are closed."""
    from svgelements import Arc, Close, CubicBezier, Move, QuadraticBezier

    lines: list[Array] = []
    closed: list[bool] = []
    points: list[Array] = []

    def finish(is_closed: bool) -> None:
        if len(points) > 1:
            line = np.array(points)
            line = line[np.append(True, np.abs(np.diff(line, axis=0)).max(axis=1) > 0)]
            meets = len(line) > 2 and float(np.linalg.norm(line[0] - line[-1])) <= 0.1 * chord
            lines.append(line[:-1] if meets else line)
            closed.append(is_closed or meets)
        points.clear()

    for segment in outline:
        if isinstance(segment, Move):
            finish(False)
            points.append(_xy(segment.end))
            continue
        if isinstance(segment, Close):
            start = points[0] if points else None
            finish(True)
            if start is not None:  # a path may go on from where it was closed
                points.append(start)
            continue
        if isinstance(segment, CubicBezier | QuadraticBezier):
            points.extend(_split_bezier(segment, chord))
        elif isinstance(segment, Arc):
            points.extend(_split_arc(segment, chord))
        else:
            points.append(_xy(segment.end))
    finish(False)
    return lines, closed


def _xy(point: Any) -> Array:
    return np.array([point.x, point.y], dtype=np.float64)


def _split_bezier(segment: Any, chord: float) -> list[Array]:
    """Points after the start; n equal parts leave the curve by at most max|B''| / (8 n^2) (chord of a C2 curve)."""
    if hasattr(segment, "control1"):
        p = [_xy(q) for q in (segment.start, segment.control1, segment.control2, segment.end)]
        second = 6 * max(np.linalg.norm(p[0] - 2 * p[1] + p[2]), np.linalg.norm(p[1] - 2 * p[2] + p[3]))
    else:
        p = [_xy(q) for q in (segment.start, segment.control, segment.end)]
        second = 2 * np.linalg.norm(p[0] - 2 * p[1] + p[2])
    parts = max(1, math.ceil(math.sqrt(float(second) / (8 * chord))))
    t = np.linspace(0, 1, parts + 1)[1:, None]
    degree = len(p) - 1
    return list(sum(math.comb(degree, k) * t**k * (1 - t) ** (degree - k) * p[k] for k in range(degree + 1)))


def _split_arc(arc: Any, chord: float) -> list[Array]:
    """Points after the start; a step s in the angle leaves an ellipse by at most r (1 - cos(s/2)), r the larger one."""
    radius = max(abs(arc.rx), abs(arc.ry))
    step = 2 * math.acos(max(-1.0, 1 - min(chord / radius, 1.0))) if radius > 0 else math.pi
    parts = max(1, math.ceil(abs(arc.sweep) / min(step, math.pi / 4)))
    return [_xy(arc.point(k / parts)) for k in range(1, parts + 1)]

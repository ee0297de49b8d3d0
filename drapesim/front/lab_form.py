"""The form for lab readings, with a picture that explains each measurement to somebody with a ruler and a scale."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.charts import CLOTH
from drapesim.front.colours import INK, LINEN, QUIET, STONE, WOOD
from drapesim.front.labels import PAGE, start_figure, write_figure
from drapesim.ground.files import PART
from drapesim.ground.outcome import InputError
from drapesim.ground.references import STANDARD_CHORD, solve_cantilever, solve_heart_loop
from drapesim.matter.readings import write_form

WIDE, TALL = 100.0, 52.0  # of a panel, in its own units
ROWS, PANEL, HEAD = 4, 2.45, 0.5  # rows of two panels, inch each, below the title


def write_form_and_picture(path: Path) -> tuple[Path, Path]:
    """Write the empty form to ``path`` and its picture beside it as PNG; `InputError` where something is in the way."""
    picture = path.with_suffix(".png")
    if picture == path:
        raise InputError(path, "", "the form is a text and its picture would have the same name", "end it in .toml")
    for each in (path, picture):
        if each.exists():
            raise InputError(each, "", "there is something there already", "name another file")
    if not path.parent.is_dir():
        raise InputError(path, "", f"there is no folder {path.parent}", "make it first, or name another file")
    part = picture.with_name(picture.stem + PART + ".png")
    draw_form(part)
    try:
        write_form(path)
    except BaseException:
        part.unlink()
        raise
    part.replace(picture)
    return path, picture


def draw_form(path: Path) -> Path:
    """Write the picture as PNG."""
    height = HEAD + ROWS * PANEL + 0.3
    figure = start_figure(height, "How to measure a cloth with a ruler and a scale")
    panels: tuple[tuple[str, str, Callable[[Any], None]], ...] = (
        ("1  Weight", "side_mm, pieces, masses_g", _draw_weight),
        ("2  Thickness", "layers, heights_mm", _draw_thickness),
        ("3  Strips for bending: cut three ways", "", _draw_cutting),
        ("3  Bending: overhang", "face_up_mm, face_down_mm", _draw_overhang),
        ("3  Bending of a limp cloth: heart loop", "loop_mm, heights_mm", _draw_loop),
        ("4  Friction", "rises_mm, base_mm", _draw_incline),
        ("5  Stretch", "width_mm, gauge_mm, hung_g, lengths_mm", _draw_stretch),
        ("6  Drape", "shadow_areas_cm2", _draw_drape),
    )
    for k, (title, keys, draw) in enumerate(panels):
        row, column = divmod(k, 2)
        left = (0.12 + 4.75 * column) / PAGE
        top = 1.0 - (HEAD + row * PANEL) / height
        figure.text(left, top, title, fontsize=10, weight="bold", color=INK, va="top")
        under = f"in the form: {keys}" if keys else "25 mm wide, 200 mm long"
        figure.text(left, top - 0.2 / height, under, fontsize=7.5, color=QUIET, va="top")
        axes = figure.add_axes((left, top - (PANEL - 0.08) / height, 4.55 / PAGE, (PANEL - 0.5) / height))
        axes.set(xlim=(0, WIDE), ylim=(0, TALL * (PANEL - 0.5) / 2.37), aspect="equal")
        axes.axis("off")
        draw(axes)
    words = "Take every reading at least twice, better four times. Let the cloth lie in the room for a day first. "
    figure.text(0.12 / PAGE, 0.1 / height, words + "Use a modern stand-in: never cut or hang a fragile original.",
                fontsize=8, color=INK)  # fmt: skip
    return write_figure(figure, path)


def _span(axes: Any, start: tuple[float, float], end: tuple[float, float], words: str, side: float = 2.0) -> None:
    """A measure between two points, its words ``side`` to the left of it (up, for one to the right)."""
    arrow = {"arrowstyle": "<->", "color": CLOTH, "lw": 1.1, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 8}
    axes.annotate("", xy=end, xytext=start, arrowprops=arrow)
    dx, dy = end[0] - start[0], end[1] - start[1]
    size = math.hypot(dx, dy)
    x = 0.5 * (start[0] + end[0]) - side * dy / size
    y = 0.5 * (start[1] + end[1]) + side * dx / size
    across = "center" if abs(dx) >= abs(dy) else "right" if side * dy > 0 else "left"
    axes.text(x, y, words, fontsize=8, color=CLOTH, ha=across, va="center")


def _say(axes: Any, x: float, y: float, words: str, **how: Any) -> None:
    axes.text(x, y, words, **({"fontsize": 8, "color": INK, "va": "center", "linespacing": 1.35} | how))


def _box(axes: Any, x: float, y: float, wide: float, tall: float, colour: str = WOOD, **how: Any) -> None:
    from matplotlib.patches import Rectangle

    style: dict[str, Any] = {"facecolor": colour, "edgecolor": INK, "lw": 0.7} | how
    axes.add_patch(Rectangle((x, y), wide, tall, **style))


def _draw_weight(axes: Any) -> None:
    for k in range(3):
        _box(axes, 10 + 1.5 * k, 8 + 1.5 * k, 22, 22, LINEN)
    _span(axes, (13, 35.5), (35, 35.5), "side 100 mm")
    _box(axes, 58, 5, 30, 5, STONE)
    _box(axes, 60, 10, 26, 1.4, STONE)
    for k in range(3):
        _box(axes, 62, 11.6 + 1.3 * k, 22, 1.0, LINEN, lw=0.5)
    _say(axes, 73, 7.4, "56.9 g", ha="center", fontsize=7.5)
    _say(axes, 52, 27, "Cut squares, weigh them together,\nsay how many. Turn the pile over\nand weigh again.")


def _draw_thickness(axes: Any) -> None:
    _box(axes, 4, 5, 42, 2, WOOD)
    for k in range(9):
        _box(axes, 10, 7.3 + 1.7 * k, 28, 1.3, LINEN, lw=0.4)
    _box(axes, 8, 22.6, 32, 4, STONE)
    _say(axes, 24, 24.5, "light book", ha="center", fontsize=7.5)
    _span(axes, (43, 7.2), (43, 22.5), "height", -2.0)
    _say(
        axes,
        56,
        29,
        "Pile up 16 layers under a light book.\nMeasure the height of the pile.\nMove the pile and read again.",
    )


def _draw_cutting(axes: Any) -> None:
    from matplotlib.patches import Polygon

    _box(axes, 4, 3, 46, 34, LINEN)
    for x in np.arange(6.0, 50.0, 2.0):
        axes.plot([x, x], [3, 37], color="#cfc5ae", lw=0.4)
    for y in np.arange(5.0, 37.0, 2.0):
        axes.plot([4, 50], [y, y], color="#cfc5ae", lw=0.4)
    _box(axes, 7, 31, 26, 3.4, "white", edgecolor=CLOTH)
    _say(axes, 20, 32.6, "warp", ha="center", fontsize=7.5)
    _box(axes, 44, 6, 3.4, 26, "white", edgecolor=CLOTH)
    _say(axes, 45.6, 19, "weft", ha="center", fontsize=7.5, rotation=90)
    middle, along, across = (
        np.array([24.0, 16.5]),
        np.array([1.0, 1.0]) / math.sqrt(2),
        np.array([-1.0, 1.0]) / math.sqrt(2),
    )
    corners = [middle + 13 * a * along + 1.7 * b * across for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    axes.add_patch(Polygon(corners, facecolor="white", edgecolor=CLOTH, lw=0.7))
    _say(axes, middle[0], middle[1], "bias", ha="center", fontsize=7.5, rotation=45)
    words = (
        "Warp runs along the selvedge,\n"
        "weft across, bias at 45 degrees.\n"
        "Two strips each, from different\n"
        "places, away from hems and folds."
    )
    _say(axes, 56, 26, words)


def _draw_overhang(axes: Any) -> None:
    edge, top, scale = 34.0, 30.0, 15.0
    _box(axes, 3, top - 4, edge - 3, 4, WOOD)
    slope = np.array([math.cos(STANDARD_CHORD), -math.sin(STANDARD_CHORD)])
    foot = np.array([edge, top]) + 36.0 * slope
    axes.fill([edge, foot[0], edge], [top, foot[1], foot[1]], color=STONE, alpha=0.5, lw=0)
    axes.plot([edge, foot[0]], [top, foot[1]], color=INK, lw=0.8)
    shape = solve_cantilever(8.004)
    x, y = edge + 2.0 * scale * shape.x, top + 0.6 - 2.0 * scale * shape.drop
    axes.plot([8, edge, *x], [top + 0.6, top + 0.6, *y], color=CLOTH, lw=2.2)
    _box(axes, 8, top + 1.5, edge - 8, 1.6, "white")
    _say(axes, 20, top + 5.2, "ruler on top, pushed with the strip", ha="center", fontsize=7.5)
    lift = 3.0
    arc = np.column_stack([x, y])
    normal = np.column_stack([-np.gradient(y), np.gradient(x)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    out = arc + lift * normal
    axes.plot(*out.T, color=CLOTH, lw=0.8, ls=(0, (3, 2)))
    _say(axes, out[60, 0] + 2, out[60, 1] + 3.5, "overhang, along the strip", color=CLOTH)
    turn = np.linspace(-STANDARD_CHORD, 0.0, 20)
    axes.plot([edge, edge + 14], [top, top], color=INK, lw=0.6, ls=":")
    axes.plot(edge + 10 * np.cos(turn), top + 10 * np.sin(turn), color=INK, lw=0.7)
    _say(axes, edge + 1.5, foot[1] + 3, "slope 41.5 degrees", fontsize=7.5)
    words = (
        "Slide the strip out until\n"
        "its end touches the slope.\n"
        "Slope: 88.5 mm down for\n"
        "each 100 mm out.\n"
        "Both ends, both faces."
    )
    _say(axes, 66, 21, words)


def _draw_loop(axes: Any) -> None:
    loop, scale = solve_heart_loop(343.0), 52.0
    for side in (1.0, -1.0):
        axes.plot(24 + side * scale * loop.x, 28 + scale * loop.y, color=CLOTH, lw=2.2)
    _box(axes, 22.6, 28.2, 2.8, 9, WOOD)
    low = 28 - scale * loop.height
    axes.plot([24, 48], [28, 28], color=INK, lw=0.6, ls=":")
    axes.plot([24, 48], [low, low], color=INK, lw=0.6, ls=":")
    _span(axes, (46, low), (46, 28), "height", -2.0)
    words = (
        "Bring both ends together,\n"
        "pinch them, let the loop hang.\n"
        "loop_mm is the length of strip\n"
        "in the loop, about four\n"
        "overhangs long."
    )
    _say(axes, 58, 26, words)


def _draw_incline(axes: Any) -> None:
    foot, top = np.array([6.0, 6.0]), np.array([46.0, 26.0])
    axes.plot([3, 52], [6, 6], color=INK, lw=0.8)
    axes.plot([foot[0], top[0]], [foot[1], top[1]], color=WOOD, lw=6, solid_capstyle="butt")
    along = (top - foot) / np.linalg.norm(top - foot)
    up = np.array([-along[1], along[0]])
    place = foot + 18 * along + 1.4 * up
    corners = np.array([place, place + 10 * along, place + 10 * along + 4 * up, place + 4 * up])
    axes.fill(*corners.T, color=STONE, ec=INK, lw=0.7)
    axes.plot(*np.array([place, place + 10 * along]).T, color=CLOTH, lw=2.4)
    above = place + 4 * along + 8.5 * up
    _say(axes, above[0], above[1], "block faced with cloth", ha="right", fontsize=7.5)
    _span(axes, (49, 6), (49, 26), "rise", -2.0)
    _span(axes, (6, 2.8), (46, 2.8), "base", -2.4)
    words = (
        "Tilt the board slowly until the\n"
        "block begins to slide. Line the\n"
        "board with the surface it is for,\n"
        "or with the cloth itself."
    )
    _say(axes, 60, 24, words)


def _draw_stretch(axes: Any) -> None:
    _box(axes, 10, 35, 18, 3, WOOD)
    _box(axes, 15, 8, 8, 27, LINEN)
    _box(axes, 12, 2, 14, 6, STONE)
    _say(axes, 19, 5, "weight", ha="center", fontsize=7.5)
    for y in (31, 14):
        axes.plot([13.5, 24.5], [y, y], color=INK, lw=1.4)
    _span(axes, (30, 14), (30, 31), "gauge, then\nlength", -2.0)
    words = (
        "Two pen marks on a strip 50 mm wide.\n"
        "Measure between them without weight,\n"
        "then with each weight, lightest first.\n"
        "For shear: a strip cut on the bias, best\n"
        "twice as long as wide; its length is\n"
        "that between the clamps."
    )
    _say(axes, 53, 24, words)


def _draw_drape(axes: Any) -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 241)
    rim = 15.5 + 2.6 * np.cos(6 * turn)
    axes.fill(24 + rim * np.cos(turn), 20 + rim * np.sin(turn), color=LINEN, ec=CLOTH, lw=1.4)
    axes.plot(24 + 18.8 * np.cos(turn), 20 + 18.8 * np.sin(turn), color=QUIET, lw=0.7, ls=(0, (4, 2)))
    axes.fill(24 + 11.3 * np.cos(turn), 20 + 11.3 * np.sin(turn), color=WOOD, alpha=0.5, lw=0)
    _say(axes, 24, 20, "disc\n180 mm", ha="center", fontsize=7.5)
    words = (
        "A round piece of 300 mm, centred on\n"
        "a disc of 180 mm. Photograph from\n"
        "straight above with a ruler beside it.\n"
        "Measure the area of the whole\n"
        "shadow, disc and all, in cm2."
    )
    _say(axes, 50, 25, words)

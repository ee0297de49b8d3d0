"""Pictures of the virtual tests: what each piece of cloth did, drawn to scale, beside what the card says it should."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.charts import CLOTH, tidy_axes
from drapesim.front.colours import INK, LINEN, QUIET, TOUCH, WOOD
from drapesim.front.lab_words import spell_reading
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.ground.references import STANDARD_CHORD, solve_cantilever, solve_heart_loop

if TYPE_CHECKING:
    from drapesim.jobs.lab.record import LabResult

Array = np.ndarray

TOP, FOOT, CHART_FOOT = 0.55, 0.55, 0.8  # inch, for the title above and the words below
SMALL = 7.5  # points
BAND = "#f3d9c0"


def draw_lab(results: Sequence[LabResult], folder: Path) -> dict[str, Path]:
    """One picture a kind of test into ``folder``, which exists; {name of the test: path}."""
    drawers = {
        "cantilever": _draw_cantilevers,
        "heart loop": _draw_loops,
        "strip tensile": _draw_tensile,
        "bias extension": _draw_bias,
        "picture frame": _draw_frame,
        "drape meter": _draw_drape,
        "incline": _draw_inclines,
    }
    made = {}
    for name, draw in drawers.items():
        chosen = [result for result in results if result.name == name]
        if chosen:
            made[name] = write_figure(draw(chosen), folder / f"{name.replace(' ', '-')}.png")
    return made


def _panels(
    figure: Any, height: float, count: int, gap: float = 0.35, left: float = 0.12, foot: float = FOOT
) -> list[Any]:
    """``count`` axes side by side between title and words; all sizes in inch."""
    wide = (PAGE - left - 0.12 - gap * (count - 1)) / count
    return [
        figure.add_axes(
            ((left + k * (wide + gap)) / PAGE, foot / height, wide / PAGE, (height - TOP - foot) / height)
        )
        for k in range(count)
    ]  # fmt: skip


def _bare(axes: Any) -> None:
    """No ticks, one scale along both axes."""
    axes.set_aspect("equal")
    axes.axis("off")


def _say(axes: Any, result: LabResult, row: float = -0.03) -> None:
    """The direction and the first reading below a panel."""
    reading = result.readings[0]
    ink = "#a3123a" if reading.met is False or result.failures else INK
    words = f"{result.direction}: {spell_reading(reading)}" if result.direction else spell_reading(reading)
    axes.text(0.5, row, words, transform=axes.transAxes, ha="center", va="top", fontsize=SMALL, color=ink)


def _draw_cantilevers(results: Sequence[LabResult]) -> Any:
    height = 3.3
    figure = start_figure(height, "Cantilever: strips bent by their own weight, from the side")
    longest = max(float(result.lines["free"][0]) for result in results)
    for axes, result in zip(_panels(figure, height, len(results)), results, strict=True):
        line, free = result.lines["strip"], float(result.lines["free"][0])
        axes.fill([-0.45 * longest, 0, 0, -0.45 * longest], [0, 0, -0.12 * longest, -0.12 * longest], color=WOOD, lw=0)
        reach = 1.02 * longest
        axes.plot([0, reach * math.cos(STANDARD_CHORD)], [0, -reach * math.sin(STANDARD_CHORD)], color=QUIET, lw=0.8,
                  ls=(0, (4, 2)))  # fmt: skip
        axes.text(0.3 * reach, -0.33 * reach, "41.5 degrees", rotation=-41.5, fontsize=6.5, color=QUIET, ha="center",
                  va="center", rotation_mode="anchor")  # fmt: skip
        if "upper" in result.lines:
            upper, lower = result.lines["upper"], result.lines["lower"]
            tip = free * np.array([solve_cantilever((free / result.readings[0].card) ** 3).tip])
            around = np.concatenate([upper, tip, lower[::-1]])
            axes.fill(around[:, 0], -around[:, 1], color=BAND, lw=0)
            for edge in (upper, lower):
                axes.plot(edge[:, 0], -edge[:, 1], color=CLOTH, lw=0.7, ls=":")
        exact = solve_cantilever((free / result.readings[0].card) ** 3)
        axes.plot(free * exact.x, -free * exact.drop, color=TOUCH, lw=1.0)
        axes.plot([-0.4 * longest, 0], [0, 0], color=CLOTH, lw=1.6)
        axes.plot(line[:, 0], -line[:, 1], color=CLOTH, lw=0.5, marker="o", ms=3)
        axes.set(xlim=(-0.45 * longest, 1.05 * longest), ylim=(-0.95 * longest, 0.1 * longest))
        _bare(axes)
        _say(axes, result)
    _say_key(
        figure,
        height,
        "dots: nodes of the settled strip   line: exact shape for the card's value"
        + (
            "   band: rest shapes that friction between yarns allows"
            if any("upper" in r.lines for r in results)
            else ""
        ),
    )
    return figure


def _say_key(figure: Any, height: float, words: str) -> None:
    figure.text(0.012, 0.14 / height, words, fontsize=SMALL, color=QUIET)


def _draw_loops(results: Sequence[LabResult]) -> Any:
    height = 3.6
    figure = start_figure(height, "Heart loop: both ends clamped together, hanging")
    drop = max(-float(result.lines["strip"][:, 1].min()) for result in results)
    for axes, result in zip(_panels(figure, height, len(results)), results, strict=True):
        line, length = result.lines["strip"], float(result.lines["length"][0])
        exact = solve_heart_loop((length / result.readings[0].card) ** 3, 1e-3)
        for side in (1.0, -1.0):
            axes.plot(side * length * exact.x, length * exact.y, color=TOUCH, lw=1.0)
        axes.plot(*line[1:-1].T, color=CLOTH, lw=0.5, marker="o", ms=3)
        axes.fill([-0.05 * drop, 0.05 * drop, 0.05 * drop, -0.05 * drop], [0, 0, -0.16 * drop, -0.16 * drop],
                  color=WOOD, lw=0, zorder=3)  # fmt: skip
        axes.set(xlim=(-0.75 * drop, 0.75 * drop), ylim=(-1.08 * drop, 0.3 * drop))
        _bare(axes)
        _say(axes, result)
    _say_key(figure, height, "dots: nodes of the settled loop   line: exact loop for the card's value")
    return figure


def _draw_tensile(results: Sequence[LabResult]) -> Any:
    height = 3.4
    figure = start_figure(height, "Strip tensile: tension against extension")
    for axes, result in zip(_panels(figure, height, len(results), 0.75, 0.6, CHART_FOOT), results, strict=True):
        card, read = result.lines["card"], result.lines["read"]
        axes.plot(100 * card[:, 0], card[:, 1], color=TOUCH, lw=1.0, marker="s", mfc="white", ms=6)
        axes.plot(100 * read[:, 0], read[:, 1], color=CLOTH, lw=0, marker="o", ms=3.4)
        axes.set(xlim=(0, None), ylim=(0, None))
        axes.set_title(result.direction, fontsize=8.5, color=INK, loc="left")
        axes.set_xlabel("extension, %", fontsize=8, color=INK)
        axes.set_ylabel("tension, N/m", fontsize=8, color=INK)
        tidy_axes(axes)
    _say_key(figure, height, "squares: the card's points   dots: the virtual strip")
    return figure


def _draw_mesh(axes: Any, nodes: Array, triangles: Array, shade: Array | None = None) -> None:
    """Triangles seen from above; ``shade`` (t,) 0 to 1 darkens them."""
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import to_rgb

    pale, dark = np.array(to_rgb(LINEN)), np.array(to_rgb("#8d8067"))
    faces = np.broadcast_to(pale, (len(triangles), 3)) if shade is None else pale + shade[:, None] * (dark - pale)
    axes.add_collection(PolyCollection(nodes[triangles], facecolors=faces, edgecolors=faces, linewidths=0.6))


def _draw_yarns(axes: Any, nodes: Array, pairs: Array) -> None:
    from matplotlib.collections import LineCollection

    axes.add_collection(LineCollection(list(nodes[pairs]), colors="#a99b80", linewidths=0.5))


def _draw_bias(results: Sequence[LabResult]) -> Any:
    result = results[0]
    height = 2.7
    figure = start_figure(height, "Bias extension: a strip cut at 45 degrees, pulled (stretch drawn 100 times)")
    (axes,) = _panels(figure, height, 1)
    flat, nodes = result.lines["flat"], result.lines["nodes"]
    drawn = flat + 100.0 * (nodes - flat)
    length, broad = float(np.ptp(drawn[:, 0])), float(np.ptp(flat[:, 1]))
    _draw_mesh(axes, drawn, result.lines["triangles"])
    _draw_yarns(axes, drawn, result.lines["pairs"])
    for edge in (float(drawn[:, 0].min()), float(drawn[:, 0].max())):
        axes.plot([edge, edge], [-0.7 * broad, 0.7 * broad], color=INK, lw=2.5)
    steps = 100.0 * (result.lines["marks"] - flat[:, 0].max() * np.array([1, 2]) / 3)
    for mark in flat[:, 0].max() * np.array([1, 2]) / 3 + steps:
        axes.plot([mark, mark], [-0.5 * broad, 0.5 * broad], color=CLOTH, lw=1.6)
    axes.set(
        xlim=(drawn[:, 0].min() - 0.02 * length, drawn[:, 0].max() + 0.02 * length), ylim=(-0.9 * broad, 0.9 * broad)
    )
    _bare(axes)
    _say(axes, result, 0.0)
    _say_key(figure, height, "dark: grips   orange: the two marks between which the stretch is read")
    return figure


def _draw_frame(results: Sequence[LabResult]) -> Any:
    result = results[0]
    height = 3.3
    figure = start_figure(height, "Picture frame: a square sheared along its yarns")
    axes, plan = _panels(figure, height, 2, 0.6, 0.6, CHART_FOOT)
    angle, stress = np.degrees(result.lines["angle"]), result.lines["stress"]
    rigidity, lock = result.readings[0].card, math.degrees(result.readings[1].card)
    reach = np.array([0.0, 1.05 * angle.max()])
    axes.plot(reach, rigidity * np.radians(reach), color=TOUCH, lw=1.0)
    axes.plot(angle, stress, color=CLOTH, lw=0, marker="o", ms=3.4)
    axes.axvline(lock, color=QUIET, lw=0.8, ls=":")
    axes.text(lock, 0.03 * stress.max(), f" locking angle {lock:.3g}", fontsize=SMALL, color=QUIET)
    axes.set(xlim=(0, None), ylim=(0, None))
    axes.set_xlabel("shear angle, degrees", fontsize=8, color=INK)
    axes.set_ylabel("shear stress, N/m", fontsize=8, color=INK)
    tidy_axes(axes)
    nodes, (nu, nv) = result.lines["nodes"], result.lines["size"]
    grid = nodes.reshape(nu, nv, 2)
    for lines in (grid, grid.transpose(1, 0, 2)):
        for k, yarn in enumerate(lines):
            axes_line = {"color": INK, "lw": 2.2} if k in (0, len(lines) - 1) else {"color": CLOTH, "lw": 0.9}
            plan.plot(yarn[:, 0], yarn[:, 1], **axes_line)
    _bare(plan)
    plan.text(0.5, -0.05, spell_reading(result.readings[0]), transform=plan.transAxes, ha="center", va="top",
              fontsize=SMALL, color=INK)  # fmt: skip
    _say_key(
        figure, height, "line: the card's rigidity   dots: the virtual frame   right: the frame at the locking angle"
    )
    return figure


def _draw_drape(results: Sequence[LabResult]) -> Any:
    result = results[0]
    height = 4.4
    figure = start_figure(height, "Drape meter: the shadow from above, and the rim's height")
    plan, around = _panels(figure, height, 2, 0.9, 0.12)
    x, triangles, rim = result.lines["x"], result.lines["triangles"], result.lines["rim"]
    support, disc = result.lines["sizes"]
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    fall = -x[triangles, 2].mean(axis=1)
    order = np.argsort(-fall)  # the highest on top
    _draw_mesh(plan, x[:, :2], triangles[order], np.clip(fall / max(float(fall.max()), 1e-9), 0.0, 1.0)[order])
    plan.plot(disc * np.cos(turn), disc * np.sin(turn), color=QUIET, lw=0.8, ls=(0, (4, 2)))
    plan.plot(support * np.cos(turn), support * np.sin(turn), color=INK, lw=1.0)
    plan.set(xlim=(-1.04 * disc, 1.04 * disc), ylim=(-1.04 * disc, 1.04 * disc))
    _bare(plan)
    plan.text(0.5, -0.03, spell_reading(result.readings[-1]), transform=plan.transAxes, ha="center", va="top",
              fontsize=SMALL, color=INK)  # fmt: skip
    around.plot(np.linspace(-180.0, 180.0, len(rim), endpoint=False), 1e3 * rim, color=CLOTH, lw=1.2)
    around.set_xlim(-180, 180)
    around.set_xticks(range(-180, 181, 90))
    around.set_xlabel("direction from the warp, degrees", fontsize=8, color=INK)
    around.set_ylabel("height of the rim, mm", fontsize=8, color=INK)
    around.set_box_aspect(0.6)
    tidy_axes(around)
    bar = figure.add_axes((0.02, (FOOT + 0.02) / height, 0.1, 0.3 / height))
    draw_bar(bar, 0.1 * PAGE / (height - TOP - FOOT) * 2.08 * disc)
    _say_key(
        figure,
        height,
        "first of the starts, without friction; darker: lower   ring: supporting disc   dashed: the flat specimen",
    )
    return figure


def _draw_inclines(results: Sequence[LabResult]) -> Any:
    height = 2.1
    figure = start_figure(height, "Incline: a piece of cloth on a tilted plane, just before it slides")
    for axes, result in zip(_panels(figure, height, len(results)), results, strict=True):
        tilt = math.atan(result.readings[0].card)
        cos, sin = math.cos(tilt), math.sin(tilt)
        axes.fill([0, cos, cos], [0, 0, sin], color=WOOD, alpha=0.7, lw=0)
        along = np.array([0.35, 0.75])
        axes.plot(along * cos - 0.012 * sin, along * sin + 0.012 * cos, color=CLOTH, lw=3)
        arc = np.linspace(0.0, tilt, 30)
        axes.plot(0.22 * np.cos(arc), 0.22 * np.sin(arc), color=INK, lw=0.8)
        axes.text(0.25, 0.035, f"{math.degrees(tilt):.1f} degrees", fontsize=SMALL, color=INK)
        axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 0.62))
        _bare(axes)
        _say(axes, result)
    return figure

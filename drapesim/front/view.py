"""View: pictures of the body with the settled sheet. The only room that draws with pyvista.

All cameras are parallel, so that lengths in the picture's plane can be measured. Where the system cannot draw without
a screen, `draw_views` gives None; nothing else of a run depends on it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import (
    INK,
    QUIET,
    SIGNS,
    STONE,
    WOOD,
    GapScale,
    draw_gap_legend,
    draw_sign_legend,
    scale_gaps,
    usual_tolerance,
)
from drapesim.front.labels import DPI, PAGE, draw_bar, name_marks
from drapesim.matter.answers import UNDECIDED
from drapesim.matter.surface import sample_sheet

if TYPE_CHECKING:
    from drapesim.settling.archive import Run

Array = np.ndarray

MISSING = (
    "No 3D pictures: this system cannot draw without a screen. Install two packages, libegl1 and libgl1 "
    "(on Debian: apt-get install --no-install-recommends libegl1 libgl1), and make the report again."
)

WIDTH = 2200  # pixels across a picture before it is set
FINE_POINTS = 150_000  # the sheet is subdivided for crisp gap bands until it has about as many points
OUTLINE = 1.7  # pixels, half the breadth of an outline
STEP = 3e-3  # m between points of an outline

# What the child process does: it may die of a missing library, and must not take the run with it.
_PROBE = (
    "import sys, vtkmodules.vtkRenderingOpenGL2 as g; w = g.{name}(); w.SetOffScreenRendering(1); "
    "w.SetSize(8, 8); w.Render(); sys.exit(0 if w.SupportsOpenGL() else 3)"
)


@dataclass(frozen=True)
class Camera:
    """A parallel camera: looks along ``way`` (3,) with ``up`` (3,) upward; ``frame`` (k, 3) m must be in sight."""

    name: str
    title: str
    way: tuple[float, float, float]
    up: tuple[float, float, float]
    frame: Array
    is_cut: bool = False
    is_labelled: bool = False


@dataclass(frozen=True)
class Shot:
    """A picture (h, w, 3) uint8 and where points of the world lie in it."""

    pixels: Array
    centre: Array  # (3,) m, in the middle of the picture
    right: Array  # (3,) unit
    upward: Array  # (3,) unit
    metres_per_pixel: float

    def place(self, points: Array) -> Array:
        """(n, 2) pixel places, x to the right and y downward, of ``points`` (n, 3) m."""
        rows, columns = self.pixels.shape[:2]
        away = (points - self.centre) / self.metres_per_pixel
        return np.stack([0.5 * columns + away @ self.right, 0.5 * rows - away @ self.upward], axis=1)


@cache
def pick_window() -> str | None:
    """Name of a window class that draws without a screen here, or None. Tried in a child process."""
    for name in ("vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow"):
        try:
            done = subprocess.run(
                [sys.executable, "-c", _PROBE.format(name=name)],
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60, check=False,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired):
            continue
        if done.returncode == 0:
            return name
    return None


def draw_views(run: Run, folder: Path) -> dict[str, Path] | None:
    """Write the 3D pictures of ``run`` into ``folder``: name -> PNG. None where the system cannot draw."""
    window = pick_window()
    if window is None:
        return None
    os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    scale = scale_gaps(run.contact_levels)
    written = {}
    for camera in place_cameras(run):
        shot = take_shot(run, camera, scale)
        path = folder / f"{camera.name}.png"
        set_picture(run, camera, shot, scale, path)
        written[camera.name] = path
    return written


def place_cameras(run: Run) -> tuple[Camera, ...]:
    """The views of one run: round the body at a slant, cut open and from the side; the whole sheet from above."""
    frame = frame_body(run)
    everything = np.concatenate([run.x, run.body.vertices[np.unique(run.body.faces[_figure_faces(run)])]])
    slant, up = (0.45, 1.0, -0.72), (0.0, 0.0, 1.0)
    settled, title = "settled" if run.certificate.settled else "UNSETTLED", "seen from the side at a slant"
    return (
        Camera("slant", f"The {settled} sheet, {title}", slant, up, frame, is_labelled=True),
        Camera("cut", f"The near half of the {settled} sheet taken away, {title}", slant, up, frame, is_cut=True),
        Camera("side", f"The {settled} sheet, seen level from the side", (0.0, 1.0, 0.0), up, frame),
        Camera(
            "above", f"The {settled} sheet, seen from above", (0, 0, -1.0), (0, 1.0, 0), everything, is_labelled=True
        ),
    )


def frame_body(run: Run, margin: float = 0.15) -> Array:
    """(k, 3) m: the body (support excluded) and the sheet's nodes within ``margin`` of its length round it."""
    faces = _figure_faces(run)
    if not faces.any():
        return run.x
    body = run.body.vertices[np.unique(run.body.faces[faces])]
    low, high = body.min(axis=0), body.max(axis=0)
    grown = margin * float((high - low)[:2].max())
    near = ((run.x > low - grown) & (run.x < high + grown))[:, :2].all(axis=1)
    return np.concatenate([body, run.x[near]])


def _figure_faces(run: Run) -> Array:
    is_support = np.array([part.is_support for part in run.body.parts])
    return ~is_support[run.body.part]


def take_shot(run: Run, camera: Camera, scale: GapScale) -> Shot:
    """Draw body, support, sheet and outlines as ``camera`` sees them."""
    import pyvista as pv
    from matplotlib.colors import ListedColormap

    way = np.array(camera.way) / np.linalg.norm(camera.way)
    right = np.cross(way, camera.up)
    right /= np.linalg.norm(right)
    upward = np.cross(right, way)
    across, along = camera.frame @ right, camera.frame @ upward
    size = 1.06 * np.array([np.ptp(across), np.ptp(along)]) + 0.02
    columns = WIDTH
    rows = int(np.clip(WIDTH * size[1] / size[0], 0.15 * WIDTH, 0.55 * WIDTH))
    metres_per_pixel = max(size[0] / columns, size[1] / rows)
    centre = 0.5 * (across.min() + across.max()) * right + 0.5 * (along.min() + along.max()) * upward
    centre = centre + (camera.frame @ way).mean() * way

    plotter = pv.Plotter(off_screen=True, window_size=[columns, rows], lighting="none")
    plotter.set_background("white")
    for sideways, over, back, strength in ((-0.7, 0.9, 0.6, 0.42), (0.8, 0.5, 0.9, 0.2), (0.0, 0.0, 1.0, 0.55)):
        place = sideways * right + over * upward - back * way
        plotter.add_light(pv.Light(position=tuple(place), intensity=strength, light_type="scene light"))
    _add_body(plotter, run)
    sheet = build_sheet(run, scale)
    if camera.is_cut:
        middle = 0.5 * (camera.frame[:, 1].min() + camera.frame[:, 1].max())
        sheet = sheet.clip(normal="y", origin=(0.0, middle, 0.0), invert=False)
    n_bands = len(scale.colours)
    if sheet.n_points:
        plotter.add_mesh(
            sheet, scalars="band", cmap=ListedColormap(scale.colours), clim=(0, n_bands), n_colors=n_bands,
            interpolate_before_map=True, smooth_shading=True, show_scalar_bar=False, ambient=0.4, diffuse=0.68,
            specular=0.0,
        )  # fmt: skip
    if not camera.is_cut:
        for mark, verdict in zip(run.marks, _verdict_names(run), strict=True):
            # A white line under each outline, so that it shows on any colour of the sheet.
            radius = OUTLINE * metres_per_pixel
            for lift, broad, colour in ((0.0, 1.9 * radius, "white"), (2.2 * radius, radius, SIGNS[verdict].colour)):
                for line in trace_mark(run, mark, lift):
                    if len(line) == 1 and colour == "white":
                        continue
                    plotter.add_mesh(_thicken(line, broad), color=colour, ambient=0.6, diffuse=0.5)
    far = 10.0
    plotter.camera.focal_point = tuple(centre)
    plotter.camera.position = tuple(centre - far * way)
    plotter.camera.up = tuple(upward)
    plotter.camera.parallel_projection = True
    plotter.camera.parallel_scale = 0.5 * rows * metres_per_pixel
    plotter.camera.clipping_range = (0.1, 2.0 * far)
    plotter.enable_anti_aliasing("ssaa")
    pixels = plotter.screenshot(return_img=True)
    plotter.close()
    return Shot(np.asarray(pixels)[:, :, :3], centre, right, upward, float(metres_per_pixel))


def _thicken(line: Array, radius: float) -> Any:
    import pyvista as pv

    if len(line) == 1:
        return pv.Sphere(radius=3 * radius, center=line[0])
    return pv.lines_from_points(line).tube(radius=radius)


def _add_body(plotter: Any, run: Run) -> None:
    import pyvista as pv

    for is_support, colour, smooth in ((False, WOOD, True), (True, STONE, False)):
        chosen = run.body.faces[_figure_faces(run) != is_support]
        if len(chosen):
            mesh = pv.PolyData.from_regular_faces(run.body.vertices, chosen).clean()
            plotter.add_mesh(
                mesh, color=colour, smooth_shading=smooth, split_sharp_edges=smooth, feature_angle=50.0,
                ambient=0.3, diffuse=0.85, specular=0.0,
            )  # fmt: skip


def build_sheet(run: Run, scale: GapScale) -> Any:
    """The sheet as a mesh with point array "band": the place of the gap on the scale, whole numbers at its edges."""
    import pyvista as pv

    mesh = pv.PolyData.from_regular_faces(run.x, run.lattice.triangles)
    far = 2.0 * float(scale.edges[-1])
    mesh.point_data["gap"] = np.where(np.isfinite(run.contact.gap), np.minimum(run.contact.gap, far), far)
    while mesh.n_points < FINE_POINTS:
        mesh = mesh.subdivide(1, subfilter="linear")
    gap = np.asarray(mesh.point_data["gap"])
    knots = np.concatenate([[0.0], scale.edges, [far]])
    mesh.point_data["band"] = np.interp(gap, knots, np.arange(len(knots)))
    return mesh


def trace_mark(run: Run, mark: Any, lift: float) -> list[Array]:
    """Lines (k, 3) m of one mark's outline, ``lift`` (m) off the outer side of the sheet; a point mark is one point."""
    if mark.rings:
        flat = [_densify(ring) for ring in mark.rings]
    else:
        far = np.flatnonzero(np.linalg.norm(np.diff(mark.samples, axis=0), axis=1) > 3 * STEP) + 1
        flat = np.split(mark.samples, far)
    lines = []
    for uv in flat:
        points, normals = sample_sheet(run.lattice, run.x, uv)
        there = np.isfinite(points).all(axis=1)
        if there.any():
            lines.append(points[there] - lift * normals[there])
    return lines


def _densify(ring: Array) -> Array:
    closed = np.concatenate([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(8, int(along[-1] / STEP)))
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1)


def _verdict_names(run: Run) -> list[str]:
    given = {verdict.mark: verdict.verdict for verdict in run.verdicts}
    return [given.get(mark.name, UNDECIDED) for mark in run.marks]


def _resized(pixels: Array, columns: int) -> Array:
    """``pixels`` (rows, columns, 3) brought to the page's own resolution; by Pillow, much faster than the plot does."""
    from PIL import Image

    rows = round(pixels.shape[0] * columns / pixels.shape[1])
    return np.asarray(Image.fromarray(pixels).resize((columns, rows), Image.Resampling.LANCZOS))


def set_picture(run: Run, camera: Camera, shot: Shot, scale: GapScale, path: Path) -> None:
    """Set a shot as a page: title, names with leaders, legends, scale bar; written as PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows, columns = shot.pixels.shape[:2]
    inch = PAGE / columns  # of a pixel
    names = _verdict_names(run)
    bands = 0.62 if camera.is_labelled and run.marks else 0.1
    foot = 1.15 if run.marks else 0.85
    height = 0.42 + 2 * bands + rows * inch + foot
    figure = Figure(figsize=(PAGE, height), facecolor="white")
    FigureCanvasAgg(figure)
    figure.text(0.012, 1 - 0.16 / height, camera.title, fontsize=12, weight="bold", color=INK, va="top")
    if run.marks and not camera.is_cut:
        note = "outlines: marks, on the inner side"
        figure.text(0.988, 1 - 0.2 / height, note, fontsize=7.5, color=QUIET, va="top", ha="right")
    axes = figure.add_axes((0.0, (foot + bands) / height, 1.0, rows * inch / height))
    axes.imshow(
        _resized(shot.pixels, round(PAGE * DPI)), interpolation="nearest", extent=(0, columns, rows, 0), aspect="auto"
    )
    axes.set(xlim=(0, columns), ylim=(rows, 0))
    axes.axis("off")
    if camera.is_labelled:
        at = shot.place(np.array([_middle(run, mark) for mark in run.marks]))
        name_marks(axes, at, [mark.name for mark in run.marks], names, (columns, rows), bands / inch, 1.0 / inch)
    legend = figure.add_axes((0.012, (foot - 0.72) / height, 0.66, 0.62 / height))
    draw_gap_legend(legend, scale, usual_tolerance(run.marks))
    bar = figure.add_axes((0.72, (foot - 0.72) / height, 0.26, 0.62 / height))
    note = "" if camera.name == "above" else "in the plane of the picture"
    draw_bar(bar, shot.metres_per_pixel * columns * 0.26, note)
    if run.marks and not camera.is_cut:
        signs = figure.add_axes((0.0, 0.08 / height, 1.0, 0.24 / height))
        draw_sign_legend(signs, names)
    figure.savefig(path, dpi=DPI)


def _middle(run: Run, mark: Any) -> Array:
    """(3,) m: the sample nearest to a mark's middle, on the sheet."""
    centre = mark.weights @ mark.samples / mark.weights.sum()
    near = mark.samples[np.argmin(np.linalg.norm(mark.samples - centre, axis=1))]
    return sample_sheet(run.lattice, run.x, near[None])[0][0]

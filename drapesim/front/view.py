"""View: pictures of the body with the settled sheet. The only room that draws with pyvista.

All cameras are parallel, so that lengths in the picture's plane can be measured. Where the system cannot draw without
a screen, `draw_views` gives None; nothing else of a run depends on it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from drapesim.front.colours import (
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
from drapesim.front.labels import DPI, PAGE, draw_bar, lay_pixels, name_marks, start_figure, write_figure
from drapesim.matter.answers import UNDECIDED
from drapesim.matter.surface import sample_sheet

if TYPE_CHECKING:
    from drapesim.matter.body import Body
    from drapesim.matter.sheet import Lattice
    from drapesim.settling.archive import Run

Array = np.ndarray

MISSING = (
    "No 3D pictures: this system cannot draw without a screen. Install two packages, libegl1 and libgl1 "
    "(on Debian: apt-get install --no-install-recommends libegl1 libgl1), and make the report again."
)

WIDTH = round(PAGE * DPI)  # pixels across a picture: the page's own, so that none is drawn anew when it is set
GRAIN = 2  # each pixel is the mean of this many by this many drawn: smooth edges in less time than the renderer's own
SHADES = 8192  # steps of the gap's colours: at most 0.03 mm of gap each
OUTLINE = 1.7  # pixels, half the breadth of an outline
CLOTH, CLOTH_INSIDE = "#efe9da", "#c9bda3"  # in films, where colour tells the face: outer and inner
HEM, HEM_WIDTH = "#7d7460", 2.0  # colour, and pixels across
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


def load_libraries() -> None:
    """Import what drawing needs and try the windows, but draw nothing: made to be called while something else works."""
    for name in ("matplotlib.backends.backend_agg", "matplotlib.figure", "shapely", "pyvista.plotting"):
        import_module(name)
    pick_window()


def draw_views(run: Run, folder: Path) -> dict[str, Path] | None:
    """Write the 3D pictures of ``run`` into ``folder``: name -> PNG. None where the system cannot draw."""
    window = pick_window()
    if window is None:
        return None
    os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    scale = scale_gaps(run.contact_levels)
    written = {}
    with Studio(run, scale) as studio:
        for camera in place_cameras(run):
            written[camera.name] = folder / f"{camera.name}.png"
            set_picture(run, camera, studio.take(camera), scale, written[camera.name])
    return written


def draw_alike(runs: Sequence[tuple[str, Run]], folder: Path) -> dict[str, Path] | None:
    """The slanting view of each run (name, run), one camera and one scale of colours: name -> PNG; None as above.

    Files are ``run-1.png``, ``run-2.png`` ... in ``folder``.
    """
    window = pick_window()
    if window is None:
        return None
    os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    scale = scale_gaps(runs[0][1].contact_levels)
    sights = [next(camera for camera in place_cameras(run) if camera.name == "slant") for _, run in runs]
    # a sheet that did not come to rest may have fallen out of the world
    seen = [camera.frame for camera, (_, run) in zip(sights, runs, strict=True) if run.certificate.settled]
    frame = np.concatenate(seen or [camera.frame for camera in sights])
    written = {}
    for number, ((name, run), camera) in enumerate(zip(runs, sights, strict=True), start=1):
        with Studio(run, scale) as studio:
            camera = replace(camera, frame=frame, title=name)
            written[name] = folder / f"run-{number}.png"
            set_picture(run, camera, studio.take(camera), scale, written[name])
    return written


def place_cameras(run: Run) -> tuple[Camera, ...]:
    """The views of one run: at a slant, whole and cut open, level from the side, and from above.

    Each frames the whole sheet and the body; the support may run out of the picture.
    """
    frame = np.concatenate([run.x, run.body.vertices[np.unique(run.body.faces[_figure_faces(run)])]])
    slant, up = (0.45, 1.0, -0.72), (0.0, 0.0, 1.0)
    settled, title = "settled" if run.certificate.settled else "UNSETTLED", "seen from the side at a slant"
    return (
        Camera("slant", f"The {settled} sheet, {title}", slant, up, frame, is_labelled=True),
        Camera("cut", f"The near half of the {settled} sheet taken away, {title}", slant, up, frame, is_cut=True),
        Camera("side", f"The {settled} sheet, seen level from the side", (0.0, 1.0, 0.0), up, frame),
        Camera("above", f"The {settled} sheet, seen from above", (0, 0, -1.0), (0, 1.0, 0), frame, is_labelled=True),
    )


def _figure_faces(run: Run) -> Array:
    is_support = np.array([part.is_support for part in run.body.parts])
    return ~is_support[run.body.part]


class Studio:
    """Body, support and sheet of ``run``, set up once and seen by one camera after another; closes at its end."""

    def __init__(self, run: Run, scale: GapScale) -> None:
        import pyvista as pv

        self.run = run
        self.plotter = pv.Plotter(off_screen=True, lighting="none")
        self.plotter.set_background("white")
        self.plotter.disable_anti_aliasing()
        self.table = pv.LookupTable(values=shade_gaps(scale), scalar_range=(0.0, _reach(scale)))
        _add_body(self.plotter, run.body)
        sheet = build_sheet(run, scale)
        faces = run.body.faces[_figure_faces(run)]
        width = run.body.vertices[faces, 1] if len(faces) else run.x[:, 1]
        middle = 0.5 * (width.min() + width.max())
        half = sheet.clip(normal="y", origin=(0.0, middle, 0.0), invert=False)
        self.sheets = {False: self._add_sheet(sheet), True: self._add_sheet(half)}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.plotter.close()

    def _add_sheet(self, mesh: Any) -> list[Any]:
        """Sheet and hem: a thin line that shows cloth that is seen edge on."""
        if not mesh.n_points:
            return []
        actor = self.plotter.add_mesh(
            mesh, scalars="gap", smooth_shading=True, show_scalar_bar=False, ambient=0.4, diffuse=0.68, specular=0.0,
        )  # fmt: skip
        # Colours are looked up at each pixel's own gap, not blended between the corners of a triangle.
        actor.mapper.interpolate_before_map = True
        actor.mapper.lookup_table = self.table
        actor.mapper.scalar_range = self.table.scalar_range
        edges = mesh.extract_feature_edges(
            boundary_edges=True, feature_edges=False, non_manifold_edges=False, manifold_edges=False
        )
        hem = self.plotter.add_mesh(
            edges, color=HEM, line_width=GRAIN * HEM_WIDTH, lighting=False, show_scalar_bar=False
        )  # fmt: skip
        # On a slab the hem lies in one plane with it, and would show in dashes.
        hem.mapper.SetResolveCoincidentTopologyToPolygonOffset()
        hem.mapper.SetRelativeCoincidentTopologyLineOffsetParameters(0.0, -100.0)
        return [actor, hem]

    def take(self, camera: Camera) -> Shot:
        """Draw body, support, sheet and outlines as ``camera`` sees them."""
        plotter = self.plotter
        plotter.suppress_rendering = True  # until all is in its place: each change would draw the picture anew
        shot = _aim(plotter, camera)
        for is_cut, actors in self.sheets.items():
            for actor in actors:
                actor.visibility = is_cut == camera.is_cut
        outlines = (
            []
            if camera.is_cut
            else self._add_outlines(np.cross(shot.upward, shot.right), OUTLINE * shot.metres_per_pixel)
        )
        pixels = _grab(plotter)
        plotter.remove_actor(outlines, render=False)
        return replace(shot, pixels=pixels)

    def _add_outlines(self, way: Array, radius: float) -> list[Any]:
        """Outlines of the marks, each on a white line, so that it shows on any colour of the sheet.

        The coloured line lies nearer to the camera by a little: marks show from either side of the sheet.
        """
        under: list[Array] = []
        over: dict[str, list[Array]] = {}
        for mark, verdict in zip(self.run.marks, _verdict_names(self.run), strict=True):
            lines = trace_mark(self.run, mark)
            under += [line for line in lines if len(line) > 1]
            over.setdefault(SIGNS[verdict].colour, []).extend(line - 2.2 * radius * way for line in lines)
        shapes = [(_thicken(under, 1.9 * radius), "white")] if under else []
        shapes += [(_thicken(lines, radius), colour) for colour, lines in over.items() if lines]
        return [self.plotter.add_mesh(mesh, color=colour, ambient=0.6, diffuse=0.5) for mesh, colour in shapes]


def _aim(plotter: Any, camera: Camera, columns: int = WIDTH) -> Shot:
    """Window, lights and camera of ``plotter`` so that ``camera.frame`` fills the picture; the shot without pixels.

    ``columns``: breadth of the picture in pixels.
    """
    import pyvista as pv

    way = np.array(camera.way) / np.linalg.norm(camera.way)
    right = np.cross(way, camera.up)
    right /= np.linalg.norm(right)
    upward = np.cross(right, way)
    across, along = camera.frame @ right, camera.frame @ upward
    size = 1.06 * np.array([np.ptp(across), np.ptp(along)]) + 0.02
    rows = int(np.clip(columns * size[1] / size[0], 0.15 * columns, 0.55 * columns))
    metres_per_pixel = float(max(size[0] / columns, size[1] / rows))
    centre = 0.5 * (across.min() + across.max()) * right + 0.5 * (along.min() + along.max()) * upward
    centre = centre + (camera.frame @ way).mean() * way
    plotter.window_size = [GRAIN * columns, GRAIN * rows]
    plotter.remove_all_lights()
    for sideways, over, back, strength in ((-0.7, 0.9, 0.6, 0.42), (0.8, 0.5, 0.9, 0.2), (0.0, 0.0, 1.0, 0.55)):
        place = sideways * right + over * upward - back * way
        plotter.add_light(pv.Light(position=tuple(place), intensity=strength, light_type="scene light"))
    far = 10.0
    plotter.camera.focal_point = tuple(centre)
    plotter.camera.position = tuple(centre - far * way)
    plotter.camera.up = tuple(upward)
    plotter.camera.parallel_projection = True
    plotter.camera.parallel_scale = 0.5 * rows * metres_per_pixel
    plotter.camera.clipping_range = (0.1, 2.0 * far)
    return Shot(np.zeros((rows, columns, 3), np.uint8), centre, right, upward, metres_per_pixel)


def _grab(plotter: Any) -> Array:
    """(h, w, 3) uint8: what the camera sees, each pixel the mean of `GRAIN` by `GRAIN` drawn."""
    from PIL import Image

    plotter.suppress_rendering = False
    plotter.render()  # the first time it does nothing, and the next line draws
    drawn = np.asarray(plotter.screenshot(return_img=True))[:, :, :3]
    return np.asarray(Image.fromarray(drawn).reduce(GRAIN))


def draw_body(
    vertices: Array, faces: Array, cameras: tuple[Camera, ...], colours: Array | None = None
) -> list[Shot] | None:
    """A bare body (vertices (n, 3) m, faces (m, 3)), faces flat as they are, as each camera sees it; None as above.

    ``colours`` (m, 3) in 0..1 of the faces; wood if left out.
    """
    window = pick_window()
    if window is None:
        return None
    os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    import pyvista as pv

    plotter = pv.Plotter(off_screen=True, lighting="none")
    try:
        plotter.set_background("white")
        plotter.disable_anti_aliasing()
        mesh = pv.PolyData.from_regular_faces(vertices, faces)
        paint: dict[str, Any] = {"color": WOOD}
        if colours is not None:
            mesh.cell_data["colour"] = np.round(255 * colours).astype(np.uint8)
            paint = {"scalars": "colour", "rgb": True}
        plotter.add_mesh(mesh, **paint, smooth_shading=False, ambient=0.3, diffuse=0.85, specular=0.0)
        shots = []
        for camera in cameras:
            plotter.suppress_rendering = True
            shot = _aim(plotter, camera)
            shots.append(replace(shot, pixels=_grab(plotter)))
        return shots
    finally:
        plotter.close()


def draw_moving(
    frames: Iterable[tuple[Lattice, Array]], body: Body, camera: Camera, columns: int
) -> Iterator[Shot] | None:
    """Body and sheet, its inner face darker, for each of ``frames`` (lattice, positions (n, 3) m), from ``camera``.

    ``columns``: breadth of the picture in pixels. None where the system cannot draw.
    """
    window = pick_window()
    if window is None:
        return None
    os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    return _shoot_moving(frames, body, camera, columns)


def _shoot_moving(frames: Iterable[tuple[Lattice, Array]], body: Body, camera: Camera, columns: int) -> Iterator[Shot]:
    import pyvista as pv

    plotter = pv.Plotter(off_screen=True, lighting="none")
    try:
        plotter.set_background("white")
        plotter.disable_anti_aliasing()
        _add_body(plotter, body)
        actors: list[Any] = []
        for lattice, x in frames:
            # turned so that the front of a triangle is the outer face
            triangles = lattice.triangles if lattice.inner_sign < 0 else lattice.triangles[:, ::-1]
            plotter.suppress_rendering = True
            plotter.remove_actor(actors, render=False)
            mesh = pv.PolyData.from_regular_faces(np.asarray(x, dtype=np.float64), triangles)
            mesh = mesh.compute_normals(
                cell_normals=False, consistent_normals=False, auto_orient_normals=False, split_vertices=False
            )
            sheet = plotter.add_mesh(
                mesh, color=CLOTH, smooth_shading=True, ambient=0.35, diffuse=0.75, specular=0.0,
                backface_params={"color": CLOTH_INSIDE, "ambient": 0.35, "diffuse": 0.75},
            )  # fmt: skip
            edges = mesh.extract_feature_edges(
                boundary_edges=True, feature_edges=False, non_manifold_edges=False, manifold_edges=False
            )
            hem = plotter.add_mesh(edges, color=HEM, line_width=GRAIN * 1.2, lighting=False)
            hem.mapper.SetResolveCoincidentTopologyToPolygonOffset()
            hem.mapper.SetRelativeCoincidentTopologyLineOffsetParameters(0.0, -100.0)
            actors = [sheet, hem]
            shot = _aim(plotter, camera, columns)
            yield replace(shot, pixels=_grab(plotter))
    finally:
        plotter.close()


def _add_body(plotter: Any, body: Body) -> None:
    """The figure in wood and its support in stone."""
    import pyvista as pv

    is_figure = ~np.array([part.is_support for part in body.parts])[body.part]
    for chosen, colour, smooth in ((body.faces[is_figure], WOOD, True), (body.faces[~is_figure], STONE, False)):
        if len(chosen):
            mesh = pv.PolyData.from_regular_faces(body.vertices, chosen).clean()
            plotter.add_mesh(
                mesh, color=colour, smooth_shading=smooth, split_sharp_edges=smooth, feature_angle=50.0,
                ambient=0.3, diffuse=0.85, specular=0.0,
            )  # fmt: skip


def _thicken(lines: list[Array], radius: float) -> Any:
    """One mesh of tubes round ``lines`` (k, 3) m, and of balls where a line is a single point."""
    import pyvista as pv

    long = [line for line in lines if len(line) > 1]
    parts = [pv.Sphere(radius=3 * radius, center=line[0]) for line in lines if len(line) == 1]
    if long:
        starts = np.cumsum([0, *(len(line) for line in long)])
        cells = [np.r_[len(line), start + np.arange(len(line))] for line, start in zip(long, starts, strict=False)]
        parts.append(pv.PolyData(np.concatenate(long), lines=np.concatenate(cells)).tube(radius=radius, n_sides=10))
    return parts[0] if len(parts) == 1 else pv.merge(parts)


def build_sheet(run: Run, scale: GapScale) -> Any:
    """The sheet as a mesh with point array "gap" (m); where there is no body, a gap beyond the scale."""
    import pyvista as pv

    mesh = pv.PolyData.from_regular_faces(run.x, run.lattice.triangles)
    mesh.point_data["gap"] = np.where(np.isfinite(run.contact.gap), run.contact.gap, _reach(scale))
    return mesh


def _reach(scale: GapScale) -> float:
    """The gap (m) up to which colours are looked up; all beyond the scale's last edge look alike."""
    return 1.02 * float(scale.edges[-1])


def shade_gaps(scale: GapScale) -> Array:
    """(SHADES, 4) uint8 RGBA: the colours of gaps that rise evenly from 0 to `_reach`."""
    gaps = (np.arange(SHADES) + 0.5) / SHADES * _reach(scale)
    return np.c_[np.round(255 * scale.paint(gaps)), np.full(SHADES, 255)].astype(np.uint8)


def trace_mark(run: Run, mark: Any) -> list[Array]:
    """Lines (k, 3) m of one mark's outline on the sheet; a point mark is one point."""
    if mark.rings:
        flat = [_densify(ring) for ring in mark.rings]
    else:
        far = np.flatnonzero(np.linalg.norm(np.diff(mark.samples, axis=0), axis=1) > 3 * STEP) + 1
        flat = np.split(mark.samples, far)
    lines = []
    for uv in flat:
        points = sample_sheet(run.lattice, run.x, uv)[0]
        there = np.isfinite(points).all(axis=1)
        if there.any():
            lines.append(points[there])
    return lines


def _densify(ring: Array) -> Array:
    closed = np.concatenate([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(8, int(along[-1] / STEP)))
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1)


def _verdict_names(run: Run) -> list[str]:
    given = {verdict.mark: verdict.verdict for verdict in run.verdicts}
    return [given.get(mark.name, UNDECIDED) for mark in run.marks]


def set_picture(run: Run, camera: Camera, shot: Shot, scale: GapScale, path: Path) -> None:
    """Set a shot as a page: title, names with leaders, legends, scale bar; written as PNG."""
    rows, columns = shot.pixels.shape[:2]
    inch = PAGE / columns  # of a pixel
    names = _verdict_names(run)
    bands = 0.62 if camera.is_labelled and run.marks else 0.1
    foot = 1.15 if run.marks else 0.85
    height = 0.42 + 2 * bands + rows * inch + foot
    figure = start_figure(height, camera.title)
    if run.marks and not camera.is_cut:
        note = "outlines: marks, on the inner side"
        figure.text(0.988, 1 - 0.2 / height, note, fontsize=7.5, color=QUIET, va="top", ha="right")
    axes = figure.add_axes((0.0, (foot + bands) / height, 1.0, rows * inch / height))
    lay_pixels(axes, shot.pixels)
    axes.set(xlim=(0, columns), ylim=(rows, 0))
    axes.axis("off")
    if camera.is_labelled:
        at = shot.place(np.array([_middle(run, mark) for mark in run.marks]).reshape(-1, 3))
        name_marks(axes, at, [mark.name for mark in run.marks], names, (columns, rows), bands / inch, 1.0 / inch)
    legend = figure.add_axes((0.012, (foot - 0.72) / height, 0.66, 0.62 / height))
    draw_gap_legend(legend, scale, usual_tolerance(run.marks))
    bar = figure.add_axes((0.72, (foot - 0.72) / height, 0.26, 0.62 / height))
    note = "" if camera.name == "above" else "in the plane of the picture"
    draw_bar(bar, shot.metres_per_pixel * columns * 0.26, note)
    if run.marks and not camera.is_cut:
        signs = figure.add_axes((0.0, 0.08 / height, 1.0, 0.24 / height))
        draw_sign_legend(signs, names)
    write_figure(figure, path)


def _middle(run: Run, mark: Any) -> Array:
    """(3,) m: the sample nearest to a mark's middle, on the sheet."""
    centre = mark.weights @ mark.samples / mark.weights.sum()
    near = mark.samples[np.argmin(np.linalg.norm(mark.samples - centre, axis=1))]
    return sample_sheet(run.lattice, run.x, near[None])[0][0]

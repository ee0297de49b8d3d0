"""Search for a hidden lay of the demo cover by marks made of its own contact: how near, by how many settles.

`python -m benchmarks search [SEED ...]`: for each seed the cover of `scenes/cover-loose.toml` is put down at an offset
(up to 60 mm either way) and a turn (up to 8 degrees) that the search is not told, and settled at the scene's spacing.
Marks are traced on it: where it touches within 20 mm of a landmark, where it touches each region of the body, and where
it stands off 5 to 15 mm beside that; they claim just that, with a tolerance of 2 mm.
The search begins from the scene's own lay. Wanted: offset within 3 mm, turn within 0.5 degrees, in at most 20 minutes
on two processors. Told are settles and seconds of processors, which stay right beside other work.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from drapesim.ground.files import read_toml, spell_toml
from drapesim.jobs.run import run_scene
from drapesim.jobs.search import search_scene
from drapesim.jobs.tried import TriedLay
from drapesim.judging.places import LANDMARK_REACH
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import Scene, read_scene
from drapesim.matter.surface import sample_nodes
from drapesim.settling.archive import Run

Array = np.ndarray

SCENE = Path(__file__).parents[1] / "scenes/cover-loose.toml"
OFFSET_MM, TURN_DEG = 60.0, 8.0
TOUCH, BESIDE = 2e-3, (5e-3, 1.5e-2)  # m, gaps of what is traced; the first is the claims' tolerance
STEP, JOIN = 5e-3, 16e-3  # m: of the grid that it is traced on; gaps that the tracing hand passes over
LEAST, LEAST_PRINT = 7e-4, 2e-4  # m2, of a patch, and of the print of a landmark
PATCHES = 2  # the largest of a region


def main(arguments: list[str]) -> int:
    """Each seed in turn; 1 if one of them is missed."""
    return max([measure(int(seed)) for seed in arguments or ["1"]])


def measure(seed: int) -> int:
    """Hide a lay, search for it, print how near it came; 1 if it is missed."""
    chance = np.random.default_rng(seed)
    hidden = np.round(chance.uniform(-1.0, 1.0, 3) * (OFFSET_MM, OFFSET_MM, TURN_DEG), 2)
    with TemporaryDirectory() as name:
        folder = Path(name)
        scene = read_scene(SCENE)
        run = run_scene(lay_at(scene, hidden), folder / "hidden")
        path = write_scene(folder, run)
        began = time.process_time()
        found = search_scene(path, folder / "found", tell=tell)
        spent = time.process_time() - began
    settles = {h: sum(lay.spacing_mm == h for lay in found.tried) for h in sorted({t.spacing_mm for t in found.tried})}
    best = found.best[0]
    off, turn = part(best.values, hidden)
    is_near = off <= 3.0 and turn <= 0.5
    print(
        f"seed {seed}: hidden {hidden.tolist()} (mm, mm, degrees), {len(best.meets)} marks; best lay "
        f"{[round(value, 2) for value in best.values]}: {off:.2f} mm and {turn:.2f} degrees off, "
        f"{'within' if is_near else 'NOT within'} 3 mm and 0.5; {best.met} claims met, {best.undecided} undecided; "
        f"settles by spacing {settles}; {spent:.0f} s of processors"
    )
    if found.pointed is not None:
        off, turn = part(found.pointed.values, hidden)
        values, spread = (np.round(each, 2).tolist() for each in (found.pointed.values, found.pointed.spread))
        print(
            f"  its lays together point to {values}, spread {spread}: {off:.2f} mm and {turn:.2f} degrees off",
            flush=True,
        )
    return 0 if is_near else 1


def part(values: Sequence[float], hidden: Array) -> tuple[float, float]:
    """How far values lie from the hidden ones: mm, degrees."""
    return float(np.hypot(*(np.array(values[:2]) - hidden[:2]))), float(abs(values[2] - hidden[2]))


def tell(lay: TriedLay | None, stage: str, spacing_mm: float) -> None:
    """One line a lay."""
    if lay is not None:
        values = [round(value, 2) for value in lay.values]
        print(f"  {lay.number}: {stage}, {spacing_mm:g} mm: {values}, score {lay.score:.4f}, {lay.met} met", flush=True)


def lay_at(scene: Scene, values: Array) -> Scene:
    """The scene with its cloth put down at an offset (mm, mm) and a turn (degrees)."""
    (step,) = scene.lay
    assert isinstance(step, LowerStep)
    x, y = (float(value) for value in values[:2] / 1e3)
    lay = replace(step, place=(x, y), turn=float(np.radians(values[2])))
    return replace(scene, lay=(lay,), marks=(), inputs={**scene.inputs, "hidden": str(values.tolist())})


def write_scene(folder: Path, run: Run) -> Path:
    """A scene in ``folder`` whose marks are traced from ``run``, and which leaves offset and turn free."""
    document = read_toml(SCENE)
    data: dict[str, Any] = dict(document.data)
    data["fabric"] = {"card": str(SCENE.parent / data["fabric"]["card"])}
    data["flat_map"] = {"seen_from": "inner", "marks": "marks.svg", "claims": "claims.toml"}
    data["search"] = {"free": [
        {"key": "lay[1].place_mm", "low": [-OFFSET_MM] * 2, "high": [OFFSET_MM] * 2},
        {"key": "lay[1].turn_deg", "low": -TURN_DEG, "high": TURN_DEG},
    ]}  # fmt: skip
    shapes, claims = trace(run)
    size = 1e3 * np.array(run.lattice.cell.shape) * (run.lattice.spacing_u, run.lattice.spacing_v)
    page = f'width="{size[0]:g}mm" height="{size[1]:g}mm" viewBox="0 0 {size[0]:g} {size[1]:g}"'
    drawing = f'<svg xmlns="http://www.w3.org/2000/svg" {page}>\n{chr(10).join(shapes)}\n</svg>\n'
    (folder / "marks.svg").write_text(drawing, encoding="utf-8")
    (folder / "claims.toml").write_text(spell_toml(claims), encoding="utf-8")
    (folder / "search.toml").write_text(spell_toml(data), encoding="utf-8")
    return folder / "search.toml"


def trace(run: Run) -> tuple[list[str], dict[str, Any]]:
    """SVG paths in mm and their claims: contact by landmark and by region, and what stands off beside it by region."""
    record, lattice = run.contact, run.lattice
    count = np.round(np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v) / STEP).astype(int).tolist()
    i, j = (axis.ravel() for axis in np.indices(count))
    uv = STEP * (np.stack([i, j], axis=1) + 0.5)
    gap, facing = sample_nodes(lattice, record.gap, uv), sample_nodes(lattice, record.facing, uv)
    point = np.stack([sample_nodes(lattice, axis, uv) for axis in record.body_point.T], axis=1)
    node = np.round(uv / (lattice.spacing_u, lattice.spacing_v)).astype(int)
    region = record.region[lattice.index[node[:, 0], node[:, 1]]]
    touches = (gap <= TOUCH) & (facing > 0.0)
    beside = (gap >= BESIDE[0]) & (gap <= BESIDE[1])
    wanted = []
    for name, place in sorted(run.body.landmarks.items()):
        near = np.linalg.norm(point - np.asarray(place), axis=1) <= LANDMARK_REACH
        wanted.append((f"print {name}", {"claim": "shows_feature", "place": name}, touches & near, LEAST_PRINT, 1))
    for number, name in enumerate(run.body.region_names):
        here = region == number
        wanted.append((name, {"claim": "touches_place", "place": name}, touches & here, LEAST, PATCHES))
        wanted.append((f"beside {name}", {"claim": "lies_clear"}, beside & here, LEAST, PATCHES))
    shapes: list[str] = []
    claims: dict[str, Any] = {}
    for name, claim, cells, least, most in wanted:
        for number, part in enumerate(find_parts(uv[cells], least)[:most], start=1):
            mark = f"{name.replace(' ', '-')}-{number}"
            shapes.append(spell_path(mark, part))
            claims[mark] = {**claim, "tolerance_mm": 1e3 * TOUCH}
    return shapes, claims


def spell_path(name: str, part: Any) -> str:
    """A polygon (m) as an SVG path in mm."""
    rings = [part.exterior, *part.interiors]
    lines = ["M" + " L".join(f"{1e3 * u:.4f},{1e3 * v:.4f}" for u, v in ring.coords[:-1]) for ring in rings]
    return f'<path id="{name}" fill-rule="evenodd" d="{" Z ".join(lines)} Z"/>'


def find_parts(cells: Array, least: float) -> list[Any]:
    """The polygons (m) of at least ``least`` m2 that cells about their middles (c, 2) m make, the largest first.

    As one draws round a patch: gaps up to `JOIN` are closed, and what is then narrower is left out.
    """
    import shapely

    area = shapely.unary_union(shapely.box(*(cells - 0.5 * STEP).T, *(cells + 0.5 * STEP).T))
    area = area.buffer(0.5 * JOIN).buffer(-JOIN).buffer(0.5 * JOIN)
    parts = [part for part in shapely.get_parts(area) if part.area >= least]
    return sorted(parts, key=lambda part: -part.area)

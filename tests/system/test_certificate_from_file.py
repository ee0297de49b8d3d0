"""The certificate, recomputed from run.h5 alone: sheet, card and body are rebuilt from the file, and nothing else.

Elastic forces come from the plain-numpy energies by automatic differentiation; weight, strain and crossings are worked
out here; contact forces are searched for from no force at all, at the places where the stored sheet truly meets what it
lies on. Two runs: the strip on the cylinder as the main job writes it, and a strip folded back over itself on the slab.
"""

from dataclasses import replace
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

import drapesim
from drapesim.jobs.run import Prepared, gather_run, run_scene
from drapesim.kernels.elastic import forces_of_block_into
from drapesim.matter.body import slab
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.energies import cloth_constants, lattice_fields, padded, unpadded
from drapesim.mechanics.independent import elastic_force, elastic_forces
from drapesim.mechanics.solve import pose_problem
from drapesim.settling.archive import save_run
from drapesim.settling.balance import balance, find_meetings
from drapesim.settling.contact_record import record_contact
from drapesim.settling.exact import penetration, triangles_cross
from drapesim.settling.settle import settle
from tests.unit.made_run import ROOT

DOWN = np.array([0.0, 0.0, -9.80665])  # m/s2, what the main job lets act


def fold_back(scene):
    """(scene, lattice, start): 200 x 20 mm of the scene's linen, made softer, folded back over itself above a slab.

    Bending length 10 mm, so that the fold is small; the layers start 15 mm apart and fall on each other. The start
    keeps the length of every link: the fold is a chain of links that turn by the same angle each.
    """
    card = scene.fabric
    rigidity = card.areal_density * 9.80665 * 0.01**3
    card = replace(card, bend_warp=rigidity, bend_weft=rigidity, bend_bias=rigidity)
    sheet = Sheet(length=0.2, width=0.02, spacing=0.005)
    lattice = cut_lattice(sheet)
    heading = np.concatenate([np.zeros(17), np.linspace(0.0, np.pi, 6)[1:-1], np.full(19, np.pi)])  # rad, of 40 links
    along = np.concatenate([[0.0], np.cumsum(np.cos(heading))]) * lattice.spacing_u
    height = np.concatenate([[0.0], np.cumsum(np.sin(heading))]) * lattice.spacing_u
    row, v = lattice.ij[:, 0], lattice.uv[:, 1]
    start = np.c_[along[row] - 0.05, v - 0.01, height[row] + 0.5 * card.thickness + 1e-4]
    settings = SettleSettings(levels=0)
    body = slab(0.6, 0.4, 0.05)
    return replace(scene, sheet=sheet, fabric=card, body=body, marks=(), settle=settings), lattice, start


def write_folded(scene, folder):
    scene, lattice, start = fold_back(scene)
    settled = settle(lattice, scene.fabric, start, scene.body, settings=scene.settle)
    field = prepare_body(scene.body)
    record = record_contact(lattice, scene.fabric, settled.x, settled.contact_force, field)
    save_run(folder, gather_run(Prepared(scene, lattice, start, "", ()), settled, record, ()))


@pytest.fixture(scope="module", params=["strip on the cylinder", "strip over itself"])
def kept(request, tmp_path_factory):
    """What the file says: ``run`` as it loads, and what was rebuilt from it: net force, weight, problem."""
    folder = tmp_path_factory.mktemp("kept")
    scene = drapesim.read_scene(ROOT / "scenes/strip-on-cylinder.toml")
    if request.param == "strip on the cylinder":
        run_scene(scene, folder, spacing_mm=15.0)
    else:
        write_folded(scene, folder)
    run = drapesim.load_run(folder)
    lattice, card = run.lattice, run.fabric
    weight = card.areal_density * lattice.node_area * 9.80665
    friction = np.array([card.friction[part.surface] for part in run.body.parts])
    problem = pose_problem(lattice, card, prepare_body(run.body), friction, None, DOWN, 1)
    return SimpleNamespace(
        folder=folder, run=run, weight=weight, problem=problem, is_folded=request.param == "strip over itself"
    )


def over_weight(net, weight):
    """(rms, largest) of a force (n, 3) N over nodal weight (n,) N."""
    size = np.linalg.norm(net, axis=1) / weight
    return float(np.sqrt(np.mean(size**2))), float(size.max())


def test_it_is_settled_and_says_so(kept):
    with h5py.File(kept.folder / "run.h5") as file:
        certificate, limits = file["certificate"].attrs, file["settle"].attrs
        assert certificate["settled"]
        for figure in ("residual_rms", "residual_max"):
            assert certificate[figure] <= limits[figure]


def test_elastic_forces_of_the_file_are_the_kernels(kept):
    """To 1e-8, on the stored sheet, the sum on each node over the sum of its terms' sizes."""
    run = kept.run
    grid = padded(run.lattice, run.x)
    force, peak = np.zeros_like(grid), np.zeros(2)
    fields = lattice_fields(run.lattice, run.fabric, np.zeros(3))
    rows = (2, grid.shape[1] - 2)
    forces_of_block_into(force, peak, *rows, grid, fields, cloth_constants(run.fabric, run.lattice))
    terms = elastic_forces(run.lattice, run.fabric, run.x)
    size = sum(np.linalg.norm(term, axis=1) for term in terms.values())
    off = np.linalg.norm(unpadded(run.lattice, force) - sum(terms.values()), axis=1)
    assert (off <= 1e-8 * size).all()


def test_stored_contact_forces_balance_the_sheet(kept):
    """Nothing is searched for: elastic force, weight and the contact force in the file add up to nothing."""
    run = kept.run
    net = (
        elastic_force(run.lattice, run.fabric, run.x)
        + run.contact_force
        + run.layer_force
        + kept.weight[:, None] * [0.0, 0.0, -1.0]
    )
    rms, most = over_weight(net, kept.weight)
    assert rms <= run.settle.residual_rms
    assert most <= run.settle.residual_max


def test_residual_is_met_by_contact_forces_found_from_nothing(kept):
    run, limit = kept.run, kept.run.settle
    limits = limit.residual_rms, limit.residual_max
    meeting = find_meetings(kept.problem, run.x)
    on_itself = meeting.weight.sum(1) < 0.5  # as much on one layer as off the other
    assert on_itself.any() == kept.is_folded
    assert (~on_itself).any()
    rms, most = over_weight(balance(kept.problem, None, run.x, limits), kept.weight)
    assert rms <= limit.residual_rms
    assert most <= limit.residual_max
    # and a sheet that is nowhere near rest is found out: lifted off, it hangs on nothing
    lifted = run.x + np.array([0.0, 0.0, 1e-3])
    rms, _ = over_weight(balance(kept.problem, None, lifted, limits), kept.weight)
    assert rms > 100.0 * limit.residual_rms


def test_strains_are_those_of_the_file(kept):
    run = kept.run
    grid = np.full((*run.lattice.shape, 3), np.nan)
    grid[run.lattice.ij[:, 0], run.lattice.ij[:, 1]] = run.x
    steps = run.lattice.spacing_u, run.lattice.spacing_v
    strains = [np.linalg.norm(np.diff(grid, axis=axis), axis=2) / steps[axis] - 1.0 for axis in (0, 1)]
    assert [e.max() for e in strains] == pytest.approx(run.certificate.strain_max, rel=1e-9, abs=1e-12)
    over = [float(np.mean(e > safe)) for e, safe in zip(strains, run.fabric.safe_strain, strict=True)]
    assert max(over) == pytest.approx(run.certificate.strain_over_safe, abs=1e-12)


def test_depth_in_the_body_is_that_of_the_file(kept):
    run = kept.run
    half = 0.5 * run.fabric.thickness
    deep = penetration(run.x, run.lattice.triangles, prepare_body(run.body), half)
    assert deep == pytest.approx(run.certificate.penetration_max, rel=1e-9, abs=1e-12)
    assert deep <= run.settle.penetration


def overlapping(first, second):
    """Pairs of triangles (t, 3, 3), (s, 3, 3) whose boxes overlap."""
    low, high = first.min(axis=1), first.max(axis=1)
    below, above = second.min(axis=1), second.max(axis=1)
    return np.argwhere(((low[:, None] <= above[None]) & (below[None] <= high[:, None])).all(axis=2))


def test_no_crossing_in_exact_arithmetic(kept):
    """Every pair of triangles with overlapping boxes, one by one in whole numbers: no tree, no kernel."""
    run = kept.run
    triangles = run.lattice.triangles
    corners = run.x[triangles]
    pairs = overlapping(corners, corners)
    apart = (triangles[pairs[:, 0], :, None] != triangles[pairs[:, 1], None, :]).all(axis=(1, 2))
    pairs = pairs[apart & (pairs[:, 0] < pairs[:, 1])]
    faces = run.body.vertices[run.body.faces]
    assert run.certificate.crossings == sum(triangles_cross(corners[a], corners[b]) for a, b in pairs) == 0
    with_body = overlapping(corners, faces)
    assert run.certificate.body_crossings == sum(triangles_cross(corners[a], faces[b]) for a, b in with_body) == 0

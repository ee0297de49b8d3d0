"""The tangent of a resting sheet, as a sparse matrix, for stability: exact in its elastic part.

The elastic part comes from central differences of the kernels' own forces: nodes five apart in both directions share
no element, so 25 colours times 3 components give the whole matrix in 150 force calls, with no second derivative to
get wrong. Contacts add their springs: sticking ones hold in all directions, which is the tangent of rest. Their planes
are frozen, so the turning of a contact's normal as cloth slides round a body is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix, diags
from scipy.sparse.linalg import SuperLU, splu

from drapesim.kernels.relax import Contacts, Pace
from drapesim.mechanics.contact_list import ContactSet, flat_index, no_contacts
from drapesim.mechanics.energies import grid_place, unpadded
from drapesim.mechanics.solve import Problem, advance, start_motion

Array = np.ndarray

COLOURS = 5
NUDGE = 1e-7  # m: a central difference is off by about (nudge / spacing)^2: at 1 mm a false strain of 1e-8
STENCIL = tuple((a, b) for a in range(-2, 3) for b in range(-2, 3) if abs(a) + abs(b) <= 2)
STILL = Pace(0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


@dataclass(frozen=True)
class Tangent:
    """K (3 m, 3 m) N/m over the free nodes; ``free`` (m,) numbers them. Positive definite at stable rest."""

    matrix: csc_matrix
    free: Array


def elastic_tangent(problem: Problem, x_grid: Array) -> csc_matrix:
    """(3 n, 3 n) minus the derivative of the elastic forces, N/m, symmetric."""
    lattice = problem.lattice
    n = len(lattice.ij)
    grid = -np.ones(x_grid.shape[1:], dtype=np.int64)
    i, j = grid_place(lattice)
    grid[i, j] = np.arange(n)
    nothing = no_contacts()
    probe = start_motion(problem, unpadded(lattice, x_grid))
    rows, cols, values = [], [], []
    for ci in range(COLOURS):
        for cj in range(COLOURS):
            picked = (i % COLOURS == ci) & (j % COLOURS == cj)
            if not picked.any():
                continue
            pi, pj = i[picked], j[picked]
            for k in range(3):
                probe.x[k, pi, pj] = x_grid[k, pi, pj] + NUDGE
                advance(problem, probe, nothing, STILL, 0)
                change = probe.force.copy()
                probe.x[k, pi, pj] = x_grid[k, pi, pj] - NUDGE
                advance(problem, probe, nothing, STILL, 0)
                change -= probe.force
                probe.x[k, pi, pj] = x_grid[k, pi, pj]
                for a, b in STENCIL:
                    near = grid[pi + a, pj + b]
                    there = near >= 0
                    column = 3 * grid[pi, pj][there] + k
                    for d in range(3):
                        rows.append(3 * near[there] + d)
                        cols.append(column)
                        values.append(change[d, (pi + a)[there], (pj + b)[there]] / (-2.0 * NUDGE))
    matrix = coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), (3 * n, 3 * n)).tocsc()
    return 0.5 * (matrix + matrix.T)


def contact_tangent(problem: Problem, found: ContactSet, pace: Pace, slip: float = np.inf) -> csc_matrix:
    """(3 n, 3 n) N/m: loaded contacts as springs, stiff along the normal and gripping along the surface.

    A contact that holds with more than ``slip`` of what its friction allows does not grip.
    """
    n = len(problem.lattice.ij)
    contacts = found.contacts
    loaded = (contacts.force != 0.0).any(1)
    number = np.zeros(problem.fields.mass.size, dtype=np.int64)
    number[flat_index(problem.lattice)] = np.arange(n)
    node, weight, normal = number[contacts.node[loaded]], contacts.weight[loaded], contacts.normal[loaded]
    k = len(node)
    if k == 0:
        return csc_matrix((3 * n, 3 * n))
    place = coo_matrix((weight.ravel(), (np.repeat(np.arange(k), node.shape[1]), node.ravel())), (k, n)).tocsc()
    grip = np.where(mobilised(contacts, loaded) <= slip, pace.grip, 0.0)[:, None, None]
    along = normal[:, :, None] * normal[:, None, :]
    spring = grip * (np.eye(3)[None] - along) + pace.stiffness * along
    blocks = []
    for a in range(3):
        for b in range(3):
            block = (place.T @ diags(spring[:, a, b]) @ place).tocoo()
            blocks.append((3 * block.row + a, 3 * block.col + b, block.data))
    rows, cols, values = (np.concatenate(part) for part in zip(*blocks, strict=True))
    return coo_matrix((values, (rows, cols)), (3 * n, 3 * n)).tocsc()


def mobilised(contacts: Contacts, rows: Array) -> Array:
    """(m,) of the chosen loaded contacts: how much of what its friction allows each holds with, 0..1."""
    force, normal = contacts.force[rows], contacts.normal[rows]
    push = np.einsum("cd,cd->c", force, normal)
    hold = np.linalg.norm(force - push[:, None] * normal, axis=1)
    return hold / np.maximum(contacts.friction[rows] * push, 1e-300)


def rest_tangent(problem: Problem, elastic: csc_matrix, found: ContactSet, pace: Pace, slip: float = np.inf) -> Tangent:
    """Tangent of the free nodes: ``elastic`` (from `elastic_tangent`) and contacts, see `contact_tangent`."""
    whole = elastic + contact_tangent(problem, found, pace, slip)
    is_free = unpadded(problem.lattice, problem.fields.free) > 0
    keep = np.flatnonzero(np.repeat(is_free, 3))
    return Tangent(whole[keep][:, keep].tocsc(), np.flatnonzero(is_free))


def factorise(matrix: csc_matrix) -> tuple[SuperLU, int]:
    """Factor of a symmetric matrix without pivoting, and how many of its eigenvalues are negative (Sylvester)."""
    factor = splu(
        matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True, "Equil": False}
    )
    return factor, int((factor.U.diagonal() < 0).sum())

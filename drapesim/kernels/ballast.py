"""Inertia that a sheet lends its nodes where it is stiff, so that a few strained places do not shorten every step."""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.elastic import PAD, TINY
from drapesim.kernels.jit import fused_kernel

HEAVIEST = 4096.0  # times its mass, the most that a node is moved with: a cell that is folded flat has no bound
SHORTENED = 0.2  # of a mid-line, the least that it is taken to be shortened to meanwhile
MOST_SINE = 0.99  # of a yarn angle, up to which shear stiffens here


@fused_kernel
def tension_of_link(x, i, j, k, m, h, cloth, axis):
    """N/m that the link from node (i, j) to (k, m), of length ``h`` (m) unstrained, pulls with; 0 if it is slack."""
    size = TINY
    for d in range(3):
        size += (x[d, k, m] - x[d, i, j]) ** 2
    strain = math.sqrt(size) / h - 1.0
    pull = cloth.offset[axis] + cloth.slope[axis] * strain
    for c in range(cloth.knot.shape[1]):
        over = strain - cloth.knot[axis, c]
        if over <= 0.0:
            break
        pull += cloth.coef[axis, c] * over * over
    return max(0.0, pull)


@fused_kernel
def shear_response(s, cloth):
    """(stress, slope) N/m: the shear stress over the sine ``s`` >= 0 of the yarn angle, and its slope there."""
    angle = math.asin(s) / math.sqrt(1.0 - s * s)
    over = max(0.0, s - cloth.lock_sine)
    stress = cloth.shear * angle + cloth.lock * over * over
    return stress, cloth.shear * (1.0 + s * angle) / (1.0 - s * s) + 2.0 * cloth.lock * over


@fused_kernel
def shear_stiffness(u, v, s, cloth):
    """N/m, a bound on how stiff a cell is for what moves its corners, by the measure of a flat cell's shear slope.

    Its mid-lines are ``u`` and ``v`` (m) long, ``s`` is the sine of its yarn angle. With the energy E(s) over the area
    and s = u . v / (|u| |v|), the gradient of s has the square (1 - s^2) (1/u^2 + 1/v^2), and no eigenvalue of its
    Hessian is over (1 + |s|) / min(u^2, v^2) + 1 / |u| |v|. The mid-lines of a cell that is folded are shorter than its
    sides, and that makes it stiff.
    """
    uu = u * u
    vv = v * v
    stress, slope = shear_response(s, cloth)
    bound = slope * (1.0 - s * s) * (1.0 / uu + 1.0 / vv) + stress * ((1.0 + s) / min(uu, vv) + 1.0 / (u * v))
    least = min(cloth.hu, cloth.hv)  # which the measure of the step goes by
    return 0.5 * least * least * bound


@fused_kernel
def shear_stiffness_of_cell(x, i, j, way, cloth):
    """N/m, how stiff cell (i, j) is, or may become while nodes go up to ``way`` (m); the latter is an estimate.

    What it may become is told by how much stiffer a flat cell may: a flat sheet that only travels carries no ballast,
    and what such cells may become the step's own reserve bears (`mechanics.solve.TIME_STEP_SHARE`).
    """
    uu = vv = TINY
    uv = 0.0
    for d in range(3):
        p = x[d, i + 1, j + 1] - x[d, i, j]
        q = x[d, i + 1, j] - x[d, i, j + 1]
        uu += 0.25 * (p + q) * (p + q)
        vv += 0.25 * (p - q) * (p - q)
        uv += 0.25 * (p + q) * (p - q)
    u = math.sqrt(uu)
    v = math.sqrt(vv)
    least = min(cloth.hu, cloth.hv)
    s = abs(uv) / (u * v)
    now = shear_stiffness(u, v, min(s, MOST_SINE), cloth)
    if not way > 0.0:
        return now
    turned = way / least
    later = shear_stiffness(max(u - way, SHORTENED * u), max(v - way, SHORTENED * v), min(s + turned, MOST_SINE), cloth)
    flat = shear_stiffness(cloth.hu, cloth.hv, 0.0, cloth)
    flat_later = shear_stiffness(
        max(cloth.hu - way, SHORTENED * cloth.hu),
        max(cloth.hv - way, SHORTENED * cloth.hv),
        min(turned, MOST_SINE),
        cloth,
    )
    return max(now, later * flat / flat_later)


@fused_kernel
def carry_ballast(lo, hi, rows, x, v, spent, inertia, touched, fields, cloth, way, bend, borne):
    """Give node rows lo..hi-1 the inertia with which they bear a step: their mass, or more where the sheet is stiff.

    A step is stable where no element is too stiff for what its nodes are moved with. ``borne`` (N/m) is how stiff, by
    the measure of `mechanics.solve.Slopes`, a place may be that moves with its mass alone; nodes get as many times
    their mass as the stiffest elements around them need, once nodes have gone ``way`` (m). ``bend`` (N/m) is what
    bending adds. ``rows`` (4, ., NV) is scratch; ``touched``: see `take_own`.
    """
    n = x.shape[2]
    pull_v = rows[2, 0]
    heavy = rows[3, 0]
    for i in range(lo - 1, hi):
        cell = rows[0, i & 1]
        last_cell = rows[0, (i + 1) & 1]
        u = rows[1, i & 1]
        last_u = rows[1, (i + 1) & 1]
        for j in range(PAD - 1, n - PAD):
            cell[j] = shear_stiffness_of_cell(x, i, j, way, cloth) if fields.cell[i, j] > 0.0 else 0.0
            u[j] = tension_of_link(x, i, j, i + 1, j, cloth.hu, cloth, 0) if fields.link_u[i, j] > 0.0 else 0.0
            pull_v[j] = tension_of_link(x, i, j, i, j + 1, cloth.hv, cloth, 1) if fields.link_v[i, j] > 0.0 else 0.0
        if i < lo:
            continue
        for j in range(PAD, n - PAD):
            shear = max(max(last_cell[j - 1], last_cell[j]), max(cell[j - 1], cell[j]))
            pull = max(last_u[j], u[j]) + max(pull_v[j - 1], pull_v[j])
            times = min(max(1.0, (4.0 * pull + 8.0 * shear + bend) / borne), HEAVIEST)
            heavy[j] = fields.mass[i, j] * (times if fields.free[i, j] > 0.0 else 1.0)  # hands move what they hold
        take_own(i, heavy, v, spent, inertia, touched)


@fused_kernel
def take_own(i, heavy, v, spent, inertia, touched):
    """Make ``heavy`` (NV,) kg the own inertia of the nodes of row i, and all of it where no contact touches them.

    What grows keeps its momentum and is slowed: a node that grew heavy at full speed would tear at what it hangs on.
    What shrinks keeps its velocity. The motion that this takes out is booked into ``spent`` (2, NU). ``touched`` (M,)
    flat places on the grid, in rising order: what contacts have lent these is theirs until the contacts' own turn.
    """
    n = v.shape[2]
    m = np.searchsorted(touched, i * n)
    for j in range(PAD, n - PAD):
        while m < touched.shape[0] and touched[m] < i * n + j:
            m += 1
        inertia.turn[i, j] = 1.0
        own = inertia.own[i, j]
        was = inertia.mass[i, j]
        gain = heavy[j] - own if own > 0.0 else 0.0
        now = heavy[j]
        if m < touched.shape[0] and touched[m] == i * n + j:
            now = was + gain
        inertia.own[i, j] = heavy[j]
        if was == now:
            continue
        square = v[0, i, j] ** 2 + v[1, i, j] ** 2 + v[2, i, j] ** 2
        slower = was / (was + gain) if gain > 0.0 else 1.0
        for d in range(3):
            v[d, i, j] *= slower
        spent[0, i] += 0.5 * (was - now * slower * slower) * square
        inertia.mass[i, j] = now
        inertia.light[i, j] *= was / now

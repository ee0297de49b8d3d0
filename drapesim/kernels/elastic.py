"""Elastic forces of the yarn lattice, one lattice row at a time.

Positions are structure of arrays ``x[3, NU, NV]`` on a grid padded by two missing nodes on every side. A sweep walks
down the rows and computes every link, bend and cell once into small ring buffers (row number modulo 4), from which
each node gathers what acts on it: no atomics, one bit pattern at any thread count, memory traffic of positions only.

Both angle energies use one series, F(z) = 2 asin(sqrt z)^2 = sum_n (4z)^n / (n^2 C(2n, n)), cut at ``TERMS``:
bending turn t has t^2/2 = F((1 - cos t)/2); yarn angle g has g^2/2 = F(sin^2 g)/4. It needs no inverse trigonometric
call (so loops vectorise), is smooth at zero, and gives the moment within 5e-6 up to a turn of 90 degrees (0.4 % at 120,
too soft beyond).

A hinge stores t^2/2 + t^4/96 = F + F^2/24 and not t^2/2 alone. Both mean the same bending as the spacing h shrinks. A
chain is off by h^2 times a part that grows with the square of its curvature k, since a weightless bend at rest has
d3k/ds3 = dk/ds (C - 3 k^2/2), and the fourth power just cancels that part: a tight loop (Peirce's heart) reads 1.3 %
off instead of 3.0 at half a bending length to the link, and a cantilever 2.4 instead of 2.6.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from drapesim.kernels.jit import fused_kernel, kernel

TERMS = 16
SERIES = np.array([4.0**n / (n * n * math.comb(2 * n, n)) for n in range(1, TERMS + 1)])
SLOPES = SERIES * np.arange(1, TERMS + 1)  # coefficients of F'
TIGHT = 1.0 / 24.0  # share of F^2 that a hinge stores too
BENDS = SERIES + TIGHT * np.append(0.0, np.convolve(SERIES, SERIES)[: TERMS - 1])  # F + F^2 / 24
BEND_SLOPES = BENDS * np.arange(1, TERMS + 1)
PAD = 2
LINE = 8  # numbers in a cache line: rows are whole lines, or threads that share one would wait for each other
TINY = 1e-60


class LatticeFields(NamedTuple):
    """Per-node weights on the padded grid, float64 (NU, NV); zero where the piece is missing."""

    link_u: np.ndarray  # share of full width carried by the link to (i+1, j)
    link_v: np.ndarray
    bend_u: np.ndarray  # share carried by the hinge at (i, j) for bending along u
    bend_v: np.ndarray
    cell: np.ndarray  # 1 where the cell with lowest corner (i, j) is cloth
    mass: np.ndarray  # kg
    light: np.ndarray  # 1 / mass; 0 for held or missing nodes
    free: np.ndarray  # 1 for nodes that may move, 0 for held or missing ones
    load: np.ndarray  # (3, NU, NV) dead load, N


class ClothConstants(NamedTuple):
    """Lattice constants in SI. Curves: tension per width T(e) = offset + slope e + sum c max(0, e - k)^2."""

    hu: float
    hv: float
    slope: np.ndarray  # (2,) warp, weft
    offset: np.ndarray  # (2,)
    knot: np.ndarray  # (2, K) ascending; inf-padded
    coef: np.ndarray  # (2, K)
    shear: float  # N/m per rad
    lock_sine: float
    lock: float  # N/m, extra S = lock * max(0, |s| - lock_sine)^2
    bend_u: float  # N m
    bend_v: float
    twist: float


def zeros_in_lines(*shape: int) -> np.ndarray:
    """Zeros, float64, that begin with a cache line."""
    size = math.prod(shape)
    room = np.zeros(size + LINE)
    skip = -(room.ctypes.data // 8) % LINE
    return room[skip : skip + size].reshape(shape)


@fused_kernel
def links_into(dx, dy, dz, ax, ay, az, bx, by, bz, weight, h, width, slope, offset, knot, coef, strain, pull, length):
    """Force of a row of links a -> b on its lower node into ``dx, dy, dz``; the last three rows are scratch.

    Returns the largest strain of a whole link, from which the next time step is chosen.
    """
    n = weight.shape[0]
    top = -1.0
    per_h = 1.0 / h
    for j in range(n):
        ex = bx[j] - ax[j]
        ey = by[j] - ay[j]
        ez = bz[j] - az[j]
        dx[j] = ex
        dy[j] = ey
        dz[j] = ez
        length[j] = math.sqrt(ex * ex + ey * ey + ez * ez + TINY)
    for j in range(n):
        strain[j] = length[j] * per_h - 1.0
        pull[j] = offset + slope * strain[j]
    for j in range(n):
        if weight[j] > 0.0 and strain[j] > top:
            top = strain[j]
    for k in range(knot.shape[0]):
        if knot[k] >= top:
            break
        for j in range(n):
            over = max(0.0, strain[j] - knot[k])
            pull[j] += coef[k] * over * over
    for j in range(n):
        scale = pull[j] * weight[j] * width / length[j]
        dx[j] *= scale
        dy[j] *= scale
        dz[j] *= scale
    return top


@fused_kernel
def bends_into(px, py, pz, qx, qy, qz, ax, ay, az, mx, my, mz, bx, by, bz, weight, stiffness):
    """Hinge forces P and Q of rows a - m - b: node a feels -P, node b +Q, node m P - Q."""
    for j in range(weight.shape[0]):
        ux = mx[j] - ax[j]
        uy = my[j] - ay[j]
        uz = mz[j] - az[j]
        vx = bx[j] - mx[j]
        vy = by[j] - my[j]
        vz = bz[j] - mz[j]
        uu = ux * ux + uy * uy + uz * uz + TINY
        vv = vx * vx + vy * vy + vz * vz + TINY
        ruv = 1.0 / math.sqrt(uu * vv)
        c = (ux * vx + uy * vy + uz * vz) * ruv
        z = 0.5 * (1.0 - c)
        slope = BEND_SLOPES[TERMS - 1]
        for k in range(TERMS - 2, -1, -1):
            slope = slope * z + BEND_SLOPES[k]
        pull = 0.5 * slope * stiffness * weight[j]
        both = c * ruv * ruv  # c / (uu vv): a division costs as much as twenty products
        cu = both * vv
        cv = both * uu
        px[j] = pull * (vx * ruv - cu * ux)
        py[j] = pull * (vy * ruv - cu * uy)
        pz[j] = pull * (vz * ruv - cu * uz)
        qx[j] = pull * (ux * ruv - cv * vx)
        qy[j] = pull * (uy * ruv - cv * vy)
        qz[j] = pull * (uz * ruv - cv * vz)


@fused_kernel
def cells_into(out, mid, x, i, cell, cloth):
    """Shear and twist of the cells of row i: out[0:3] = A, out[3:6] = B, out[6:9] = q.

    Corner forces: F00 = q - A, F10 = B - q, F01 = -B - q, F11 = A + q. ``mid`` is scratch (6, n): the two mid-lines.
    Returns the largest sine of a whole cell's yarn angle.
    """
    area = cloth.hu * cloth.hv
    twist = 2.0 * cloth.twist / area
    shear = cloth.shear
    lock = cloth.lock
    lock_sine = cloth.lock_sine
    n = cell.shape[0] - 1
    # short loops with few arrays each: with more, the compiler gives up checking for overlap and runs them one by one
    for k in range(3):
        low = x[k, i]
        high = x[k, i + 1]
        u = mid[k]
        v = mid[k + 3]
        q = out[k + 6]
        for j in range(n):
            p_diagonal = high[j + 1] - low[j]
            q_diagonal = high[j] - low[j + 1]
            u[j] = 0.5 * (p_diagonal + q_diagonal)
            v[j] = 0.5 * (p_diagonal - q_diagonal)
            q[j] = twist * cell[j] * ((high[j] - low[j]) - (high[j + 1] - low[j + 1]))
    for j in range(n):
        ux = mid[0, j]
        uy = mid[1, j]
        uz = mid[2, j]
        vx = mid[3, j]
        vy = mid[4, j]
        vz = mid[5, j]
        uu = ux * ux + uy * uy + uz * uz + TINY
        vv = vx * vx + vy * vy + vz * vz + TINY
        ruv = 1.0 / math.sqrt(uu * vv)
        s = (ux * vx + uy * vy + uz * vz) * ruv
        z = s * s
        slope = SLOPES[TERMS - 1]
        for k in range(TERMS - 2, -1, -1):
            slope = slope * z + SLOPES[k]
        # d/ds of G F(s^2)/4 is G s F'/2; the locking term adds lock over^2 in the sense of s
        over = max(0.0, s - lock_sine)
        under = max(0.0, -s - lock_sine)
        pull = -0.5 * area * cell[j] * (0.5 * shear * slope * s + lock * (over * over - under * under))
        both = s * ruv * ruv
        su = both * vv
        sv = both * uu
        gx = pull * (vx * ruv - su * ux)
        gy = pull * (vy * ruv - su * uy)
        gz = pull * (vz * ruv - su * uz)
        hx = pull * (ux * ruv - sv * vx)
        hy = pull * (uy * ruv - sv * vy)
        hz = pull * (uz * ruv - sv * vz)
        out[0, j] = gx + hx
        out[1, j] = gy + hy
        out[2, j] = gz + hz
        out[3, j] = gx - hx
        out[4, j] = gy - hy
        out[5, j] = gz - hz
        mid[0, j] = s * cell[j]
    top = 0.0
    for j in range(n):
        top = max(top, abs(mid[0, j]))
    return top


@fused_kernel
def elements_of_row(x, i, fields, cloth, link_u, bend_u, cells, link_v, bend_v, scratch, peak):
    """All elements that row i of the sweep adds: links and cells from i to i+1, hinges at i+1, and row i's weft ones.

    ``peak`` (3,) is raised to the largest warp and weft strain and sine of the yarn angle met.
    """
    s = i & 3
    top_u = links_into(
        link_u[s, 0], link_u[s, 1], link_u[s, 2],
        x[0, i], x[1, i], x[2, i], x[0, i + 1], x[1, i + 1], x[2, i + 1],
        fields.link_u[i], cloth.hu, cloth.hv, cloth.slope[0], cloth.offset[0], cloth.knot[0], cloth.coef[0],
        scratch[0], scratch[1], scratch[2],
    )  # fmt: skip
    h = (i + 1) & 3
    bends_into(
        bend_u[h, 0], bend_u[h, 1], bend_u[h, 2], bend_u[h, 3], bend_u[h, 4], bend_u[h, 5],
        x[0, i], x[1, i], x[2, i], x[0, i + 1], x[1, i + 1], x[2, i + 1], x[0, i + 2], x[1, i + 2], x[2, i + 2],
        fields.bend_u[i + 1], cloth.bend_u * cloth.hv / cloth.hu,
    )  # fmt: skip
    sheared = cells_into(cells[s], scratch, x, i, fields.cell[i], cloth)
    n = x.shape[2]
    top_v = links_into(
        link_v[0, : n - 1], link_v[1, : n - 1], link_v[2, : n - 1],
        x[0, i, : n - 1], x[1, i, : n - 1], x[2, i, : n - 1], x[0, i, 1:], x[1, i, 1:], x[2, i, 1:],
        fields.link_v[i, : n - 1], cloth.hv, cloth.hu,
        cloth.slope[1], cloth.offset[1], cloth.knot[1], cloth.coef[1],
        scratch[0, : n - 1], scratch[1, : n - 1], scratch[2, : n - 1],
    )  # fmt: skip
    bends_into(
        bend_v[0, 1 : n - 1], bend_v[1, 1 : n - 1], bend_v[2, 1 : n - 1],
        bend_v[3, 1 : n - 1], bend_v[4, 1 : n - 1], bend_v[5, 1 : n - 1],
        x[0, i, : n - 2], x[1, i, : n - 2], x[2, i, : n - 2],
        x[0, i, 1 : n - 1], x[1, i, 1 : n - 1], x[2, i, 1 : n - 1],
        x[0, i, 2:], x[1, i, 2:], x[2, i, 2:],
        fields.bend_v[i, 1 : n - 1], cloth.bend_v * cloth.hu / cloth.hv,
    )  # fmt: skip
    peak[0] = max(peak[0], top_u)
    peak[1] = max(peak[1], top_v)
    peak[2] = max(peak[2], sheared)


@fused_kernel
def gather_row(force, i, fields, link_u, bend_u, cells, link_v, bend_v):
    """Elastic force plus dead load on the nodes of row i into ``force`` (3, NV)."""
    s = i & 3
    p = (i - 1) & 3
    q = (i + 1) & 3
    n = force.shape[1]
    m = n - 2 * PAD
    for k in range(3):
        f = force[k, PAD : n - PAD]
        load = fields.load[k, i, PAD:]
        u_next = link_u[s, k, PAD:]
        u_last = link_u[p, k, PAD:]
        v_next = link_v[k, PAD:]
        v_last = link_v[k, PAD - 1 :]
        for j in range(m):
            f[j] = load[j] + (u_next[j] - u_last[j]) + (v_next[j] - v_last[j])
        ahead = bend_u[q, k, PAD:]
        here_p = bend_u[s, k, PAD:]
        here_q = bend_u[s, k + 3, PAD:]
        behind = bend_u[p, k + 3, PAD:]
        for j in range(m):
            f[j] += (here_p[j] - here_q[j]) - ahead[j] + behind[j]
        v_ahead = bend_v[k, PAD + 1 :]
        v_here_p = bend_v[k, PAD:]
        v_here_q = bend_v[k + 3, PAD:]
        v_behind = bend_v[k + 3, PAD - 1 :]
        for j in range(m):
            f[j] += (v_here_p[j] - v_here_q[j]) - v_ahead[j] + v_behind[j]
        a11 = cells[p, k, PAD - 1 :]
        q11 = cells[p, k + 6, PAD - 1 :]
        b10 = cells[p, k + 3, PAD:]
        q10 = cells[p, k + 6, PAD:]
        for j in range(m):
            f[j] += (a11[j] + q11[j]) + (b10[j] - q10[j])
        b01 = cells[s, k + 3, PAD - 1 :]
        q01 = cells[s, k + 6, PAD - 1 :]
        a00 = cells[s, k, PAD:]
        q00 = cells[s, k + 6, PAD:]
        for j in range(m):
            f[j] += (q00[j] - a00[j]) - (b01[j] + q01[j])


@fused_kernel
def clear_missing(cells, bend_v, link_v):
    """Zero the last column, which no element writes but a gather reads."""
    cells[:, :, -1] = 0.0
    bend_v[:, 0] = 0.0
    bend_v[:, -1] = 0.0
    link_v[:, -1] = 0.0


@kernel
def forces_of_block_into(force, peak, lo, hi, x, fields, cloth):
    """Elastic force plus dead load for node rows lo..hi-1 into ``force`` (3, NU, NV).

    ``peak`` (3,) keeps the largest warp and weft strain and sine of the yarn angle met.
    """
    n = x.shape[2]
    link_u = np.zeros((4, 3, n))
    bend_u = np.zeros((4, 6, n))
    cells = np.zeros((4, 9, n))
    link_v = np.zeros((3, n))
    bend_v = np.zeros((6, n))
    scratch = np.zeros((6, n))
    clear_missing(cells, bend_v, link_v)
    row = np.zeros((3, n))
    for i in range(max(lo - 2, 0), lo):
        elements_of_row(x, i, fields, cloth, link_u, bend_u, cells, link_v, bend_v, scratch, peak)
    for i in range(lo, hi):
        elements_of_row(x, i, fields, cloth, link_u, bend_u, cells, link_v, bend_v, scratch, peak)
        gather_row(row, i, fields, link_u, bend_u, cells, link_v, bend_v)
        for k in range(3):
            for j in range(PAD, n - PAD):
                force[k, i, j] = row[k, j]


@fused_kernel
def block_start(b, n_blocks, n_rows):
    """First node row of block b of n_blocks (rows PAD .. n_rows - PAD - 1 are shared out)."""
    return PAD + (b * (n_rows - 2 * PAD)) // n_blocks

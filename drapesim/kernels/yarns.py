"""One step's velocities made ready for yarns that hardly stretch: each yarn is solved along its whole length.

A woven sheet resists stretch some thirty times as much as shear, bend or twist, so the step that an explicit rule needs
for it is five times too short for everything else. Here the step's velocity v is replaced by the v' that a backward
Euler step of the links' stiffness gives,

    m (v' - v) = -dt^2 K v',    K = sum over links of k t t',

one yarn direction after the other. Along one yarn this is a tridiagonal system for the links' impulses: exact, and
a few dozen operations a node (Thomas' algorithm). Rest (v = 0) and forces are untouched; waves of stretch, which
nobody wants to see, die out in a few steps.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.elastic import PAD, TINY
from drapesim.kernels.jit import kernel

LANES = 8  # rows that are solved side by side: as many as the widest registers hold


@kernel
def tighten_columns(lo, hi, v, x, work, light, link, hold):
    """Solve the yarns that cross the rows (links (i, j) to (i + 1, j)) of node columns lo..hi-1; ``v`` in place.

    ``work`` (6, NU, NV) is scratch: directions, impulse, its share of the next one, cosine to the last link. ``light``
    (NU, NV) 1/kg, 0 for nodes that do not move; ``link`` (NU, NV) share of full width; ``hold`` = dt^2 times the
    stiffness of a link of full width, kg.
    """
    first, last = PAD, x.shape[1] - PAD - 1  # node rows; link i goes from i to i + 1
    n = hi - lo
    way = np.empty(n)
    zero = np.zeros(n)
    for i in range(first, last):
        tx = work[0, i, lo:hi]
        ty = work[1, i, lo:hi]
        tz = work[2, i, lo:hi]
        impulse = work[3, i, lo:hi]
        onward = work[4, i, lo:hi]
        cosine = work[5, i, lo:hi]
        for k in range(3):
            t = work[k, i, lo:hi]
            a = x[k, i, lo:hi]
            b = x[k, i + 1, lo:hi]
            for j in range(n):
                t[j] = b[j] - a[j]
        for j in range(n):
            per = 1.0 / math.sqrt(tx[j] * tx[j] + ty[j] * ty[j] + tz[j] * tz[j] + TINY)
            tx[j] *= per
            ty[j] *= per
            tz[j] *= per
            way[j] = 0.0
            cosine[j] = 0.0
        for k in range(3):
            t = work[k, i, lo:hi]
            a = v[k, i, lo:hi]
            b = v[k, i + 1, lo:hi]
            for j in range(n):
                way[j] += t[j] * (b[j] - a[j])
        if i > first:
            before = work[3, i - 1, lo:hi]
            passed = work[4, i - 1, lo:hi]
            for k in range(3):
                t = work[k, i, lo:hi]
                s = work[k, i - 1, lo:hi]
                for j in range(n):
                    cosine[j] += t[j] * s[j]
        else:
            before = zero
            passed = zero
        here = light[i, lo:hi]
        there = light[i + 1, lo:hi]
        share = link[i, lo:hi]
        for j in range(n):
            g = hold * share[j]
            turned = here[j] * cosine[j]
            per = 1.0 / (1.0 + g * (here[j] * (1.0 - turned * cosine[j] * passed[j]) + there[j]))
            impulse[j] = g * per * (way[j] + turned * before[j])
            onward[j] = g * per
        # what is passed on is g / denominator; the light of the node between and the cosine come with the next link
    for i in range(last - 1, first - 1, -1):
        if i < last - 1:
            impulse = work[3, i, lo:hi]
            onward = work[4, i, lo:hi]
            ahead = work[3, i + 1, lo:hi]
            cosine = work[5, i + 1, lo:hi]
            between = light[i + 1, lo:hi]
            for j in range(n):
                impulse[j] += onward[j] * between[j] * cosine[j] * ahead[j]
        impulse = work[3, i, lo:hi]
        between = light[i + 1, lo:hi]
        for k in range(3):
            t = work[k, i, lo:hi]
            a = v[k, i + 1, lo:hi]
            for j in range(n):
                a[j] -= between[j] * impulse[j] * t[j]
        between = light[i, lo:hi]
        for k in range(3):
            t = work[k, i, lo:hi]
            a = v[k, i, lo:hi]
            for j in range(n):
                a[j] += between[j] * impulse[j] * t[j]


@kernel
def tighten_rows(lo, hi, v, x, light, link, hold):
    """The same for the yarns along the rows (links (i, j) to (i, j + 1)) of node rows lo..hi-1.

    `LANES` rows are laid side by side, node by node, so that the recursion along them runs in all lanes at once.
    """
    n = x.shape[2]
    size = n * LANES
    t = np.zeros((3, size))
    w = np.zeros((3, size))
    mass = np.zeros(size)
    g = np.zeros(size)
    way = np.zeros(size)
    cosine = np.zeros(size)
    impulse = np.zeros(size)
    onward = np.zeros(size)
    for start in range(lo, hi, LANES):
        rows = min(LANES, hi - start)
        for r in range(rows):
            i = start + r
            for k in range(3):
                place = x[k, i]
                speed = v[k, i]
                tk = t[k]
                wk = w[k]
                for j in range(n - 1):
                    tk[j * LANES + r] = place[j + 1] - place[j]
                for j in range(n):
                    wk[j * LANES + r] = speed[j]
            for j in range(n):
                mass[j * LANES + r] = light[i, j]
                g[j * LANES + r] = hold * link[i, j]
        for r in range(rows, LANES):
            for j in range(n):
                g[j * LANES + r] = 0.0
        tx, ty, tz = t[0], t[1], t[2]
        for p in range(size):
            per = 1.0 / math.sqrt(tx[p] * tx[p] + ty[p] * ty[p] + tz[p] * tz[p] + TINY)
            tx[p] *= per
            ty[p] *= per
            tz[p] *= per
        wx, wy, wz = w[0], w[1], w[2]
        for p in range(size - LANES):
            way[p] = tx[p] * (wx[p + LANES] - wx[p]) + ty[p] * (wy[p + LANES] - wy[p]) + tz[p] * (wz[p + LANES] - wz[p])
        for p in range(LANES, size - LANES):
            cosine[p] = tx[p] * tx[p - LANES] + ty[p] * ty[p - LANES] + tz[p] * tz[p - LANES]
        for j in range(1, n - 1):
            q = j * LANES
            for p in range(q, q + LANES):
                turned = mass[p] * cosine[p]
                per = g[p] / (1.0 + g[p] * (mass[p] * (1.0 - turned * cosine[p] * onward[p - LANES]) + mass[p + LANES]))
                impulse[p] = per * (way[p] + turned * impulse[p - LANES])
                onward[p] = per
        for j in range(n - 3, -1, -1):
            q = j * LANES
            for p in range(q, q + LANES):
                impulse[p] += onward[p] * mass[p + LANES] * cosine[p + LANES] * impulse[p + LANES]
        for k in range(3):
            tk = t[k]
            wk = w[k]
            for p in range(LANES, size):
                wk[p] += mass[p] * (impulse[p] * tk[p] - impulse[p - LANES] * tk[p - LANES])
        for r in range(rows):
            i = start + r
            for k in range(3):
                speed = v[k, i]
                wk = w[k]
                for j in range(n):
                    speed[j] = wk[j * LANES + r]

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

from drapesim.kernels.elastic import LINE, PAD, TINY
from drapesim.kernels.jit import fused_kernel

LANES = 8  # rows that are solved side by side: as many as the widest registers hold
STRIP = 12 * LINE
"""Columns, at most, that are solved side by side, down all rows and back. What they need stays in the nearer caches,
and their velocities lie by themselves: a thread's cache reads ahead, into what its neighbour writes to."""


def cut_strips(columns: int, blocks: int) -> np.ndarray:
    """(strips + 1,) int64 borders of strips of at most `STRIP` columns, a multiple of ``blocks`` of them."""
    lines = columns // LINE
    strips = blocks * -(-columns // (STRIP * blocks))
    return LINE * (np.arange(strips + 1) * lines // strips)


@fused_kernel
def tighten_strip(lo, hi, v, x, work, light, link, hold):
    """Solve the yarns that cross the rows (links (i, j) to (i + 1, j)) of node columns lo..hi-1.

    ``v`` (3, NU, hi - lo), of these columns alone, in place; ``work`` (7, NU, hi - lo) is scratch: directions, impulse,
    its share of the next one, cosine to the last link, and in its last part two rows. ``light`` (NU, NV) 1/kg, 0 for
    nodes that do not move; ``link`` (NU, NV) share of full width; ``hold`` = dt^2 times the stiffness of a link of full
    width, kg.
    """
    first, last = PAD, x.shape[1] - PAD - 1  # node rows; link i goes from i to i + 1
    n = hi - lo
    way = work[6, 0]
    zero = work[6, 1]
    for j in range(n):
        zero[j] = 0.0
    for i in range(first, last):
        tx = work[0, i]
        ty = work[1, i]
        tz = work[2, i]
        impulse = work[3, i]
        onward = work[4, i]
        cosine = work[5, i]
        for k in range(3):
            t = work[k, i]
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
            t = work[k, i]
            a = v[k, i]
            b = v[k, i + 1]
            for j in range(n):
                way[j] += t[j] * (b[j] - a[j])
        if i > first:
            before = work[3, i - 1]
            passed = work[4, i - 1]
            for k in range(3):
                t = work[k, i]
                s = work[k, i - 1]
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
    for i in range(last, first - 1, -1):
        ahead = work[3, i] if i < last else zero
        impulse = work[3, i - 1] if i > first else zero
        here = light[i, lo:hi]
        if first < i < last:
            onward = work[4, i - 1]
            cosine = work[5, i]
            for j in range(n):
                impulse[j] += onward[j] * here[j] * cosine[j] * ahead[j]
        for k in range(3):
            t = work[k, i]
            s = work[k, i - 1]
            a = v[k, i]
            for j in range(n):
                a[j] += here[j] * (ahead[j] * t[j] - impulse[j] * s[j])


@fused_kernel
def tighten_rows(lo, hi, v, x, lanes, light, link, hold):
    """The same for the yarns along the rows (links (i, j) to (i, j + 1)) of at most `LANES` node rows lo..hi-1.

    ``v`` (3, LANES, NV), of these rows alone, in place. For the recursion along them the rows are laid side by side,
    node by node, so that it runs in all lanes at once. ``lanes`` (10, LANES NV) is scratch.
    """
    n = x.shape[2]
    mass = lanes[3]
    g = lanes[4]
    way = lanes[5]
    cosine = lanes[6]
    impulse = lanes[7]
    onward = lanes[8]
    stretch = lanes[9, :n]
    bend = lanes[9, n : 2 * n]
    for r in range(hi - lo):
        i = lo + r
        tx = lanes[0, r * n : r * n + n]
        ty = lanes[1, r * n : r * n + n]
        tz = lanes[2, r * n : r * n + n]
        for k in range(3):
            t = lanes[k, r * n : r * n + n]
            place = x[k, i]
            for j in range(n - 1):
                t[j] = place[j + 1] - place[j]
        for j in range(n - 1):
            per = 1.0 / math.sqrt(tx[j] * tx[j] + ty[j] * ty[j] + tz[j] * tz[j] + TINY)
            tx[j] *= per
            ty[j] *= per
            tz[j] *= per
            stretch[j] = 0.0
            bend[j] = 0.0
        for k in range(3):
            t = lanes[k, r * n : r * n + n]
            speed = v[k, r]
            for j in range(n - 1):
                stretch[j] += t[j] * (speed[j + 1] - speed[j])
            for j in range(1, n - 1):
                bend[j] += t[j] * t[j - 1]
        here = light[i]
        share = link[i]
        for j in range(n - 1):
            at = j * LANES + r
            mass[at] = here[j]
            g[at] = hold * share[j]
            way[at] = stretch[j]
            cosine[at] = bend[j]
    for p in range(LANES):
        impulse[p] = 0.0
        onward[p] = 0.0
        mass[(n - 1) * LANES + p] = 0.0
    for j in range(1, n - 2):
        q = j * LANES
        for p in range(q, q + LANES):
            turned = mass[p] * cosine[p]
            per = g[p] / (1.0 + g[p] * (mass[p] * (1.0 - turned * cosine[p] * onward[p - LANES]) + mass[p + LANES]))
            impulse[p] = per * (way[p] + turned * impulse[p - LANES])
            onward[p] = per
    for j in range(n - 4, 0, -1):
        q = j * LANES
        for p in range(q, q + LANES):
            impulse[p] += onward[p] * mass[p + LANES] * cosine[p + LANES] * impulse[p + LANES]
    for r in range(hi - lo):
        i = lo + r
        for j in range(n - 2):
            stretch[j] = impulse[j * LANES + r]
        here = light[i]
        for k in range(3):
            t = lanes[k, r * n : r * n + n]
            speed = v[k, r]
            for j in range(1, n - 2):
                speed[j] += here[j] * (stretch[j] * t[j] - stretch[j - 1] * t[j - 1])

"""What this machine can do at most, measured: copying memory, products and sums, quotients, square roots.

Measured with loops compiled as ours are (numba; a product and a sum may become one instruction, nothing else is
rearranged), on all threads that a settle uses. A rate is that of the time in which all threads are at work: seconds of
processors over threads, as for the stages. On a quiet machine that is the clock's time; beside other programs it leaves
out what they take.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from drapesim.kernels.jit import fused_kernel, parallel_kernel, prange

Array = np.ndarray

CHAINS, LINKS = 8, 4  # of `multiply_add`: independent sums, and products and sums in each
ROW = 1024  # numbers: three such rows lie in the cache next to the core
ROUND, ROUNDS = 0.06, 6  # s, at least; the best of so many. Shorter ones the system books too coarsely
LEAST, MOST = 1 << 16, 1 << 30  # bytes, read and written together, of the smallest and the largest copy


class Ceilings(NamedTuple):
    """Rates of all ``threads`` together, 1/s; ``copies`` are (bytes of source and target, bytes/s read and written)."""

    threads: int
    multiply_add: float  # products and sums, one each
    divide: float
    root: float
    copies: list[list[float]]
    largest_cache: int  # bytes, 0 where the system does not tell

    def copy(self, size: float) -> float:
        """Copy rate (bytes/s) with ``size`` bytes of source and target, between the sizes that were measured."""
        at, rate = np.array(self.copies).T
        return float(np.exp(np.interp(math.log(size), np.log(at), np.log(rate))))


@fused_kernel
def chains_into(out, n, x):
    """Eight independent chains of four products and sums for each number of ``x``, n times; ``out`` (ROW,)."""
    for _ in range(n):
        for j in range(x.shape[0]):
            z = x[j]
            s0 = 0.1
            s1 = 0.2
            s2 = 0.3
            s3 = 0.4
            s4 = 0.5
            s5 = 0.6
            s6 = 0.7
            s7 = 0.8
            for _k in range(LINKS):
                s0 = s0 * z + 0.3
                s1 = s1 * z + 0.2
                s2 = s2 * z + 0.5
                s3 = s3 * z + 0.7
                s4 = s4 * z + 0.4
                s5 = s5 * z + 0.6
                s6 = s6 * z + 0.9
                s7 = s7 * z + 0.8
            out[j] = s0 + s1 + s2 + s3 + s4 + s5 + s6 + s7


@parallel_kernel
def multiply_add(n, x, out):
    """`chains_into` in each thread; ``out`` (threads, ROW)."""
    for b in prange(out.shape[0]):
        chains_into(out[b], n, x)


@parallel_kernel
def divide(n, x, out):
    """One quotient for each number."""
    for b in prange(out.shape[0]):
        for _ in range(n):
            for j in range(x.shape[0]):
                out[b, j] = 1.0 / x[j]


@parallel_kernel
def take_root(n, x, out):
    """One square root for each number."""
    for b in prange(out.shape[0]):
        for _ in range(n):
            for j in range(x.shape[0]):
                out[b, j] = math.sqrt(x[j])


@parallel_kernel
def copy_rows(n, source, target):
    """Copy ``source`` (threads, m) to ``target`` n times over, each thread its own row.

    Times another number each time: a plain copy done twice the compiler would do once.
    """
    for b in prange(source.shape[0]):
        for k in range(n):
            factor = 1.0 + k
            for j in range(source.shape[1]):
                target[b, j] = factor * source[b, j]


def best_rate(threads: int, units: float, work: Callable[[int], object]) -> float:
    """Units a second of ``work(n)``, which does n times ``units`` on all ``threads``; the best of a few rounds."""
    work(1)  # compiles, and warms the caches
    n = 1
    while time_round(threads, work, n) < ROUND:
        n *= 2
    return n * units / min(time_round(threads, work, n) for _ in range(ROUNDS))


def time_round(threads: int, work: Callable[[int], object], n: int) -> float:
    """Seconds of processors, over threads."""
    begun = time.process_time()
    work(n)
    return (time.process_time() - begun) / threads


def measure_ceilings(threads: int) -> Ceilings:
    """Measure all; takes some seconds and, for the largest copy, up to 1 GiB or an eighth of the memory."""
    x, out = np.linspace(0.5, 0.9, ROW), np.empty((threads, ROW))
    each = threads * ROW
    last = largest_cache()
    most = min(MOST, total_memory() // 8)
    copies, size = [], LEAST
    while size <= most:
        source = np.ones((threads, size // (16 * threads)))
        target = np.zeros_like(source)
        moved = 16.0 * source.size

        def copy(n: int, source: Array = source, target: Array = target) -> None:
            copy_rows(n, source, target)

        copies.append([moved, best_rate(threads, moved, copy)])
        size *= 4
    return Ceilings(
        threads,
        best_rate(threads, each * (2 * CHAINS * LINKS + CHAINS - 1), lambda n: multiply_add(n, x, out)),
        best_rate(threads, each, lambda n: divide(n, x, out)),
        best_rate(threads, each, lambda n: take_root(n, x, out)),
        copies,
        last,
    )


def largest_cache() -> int:
    """Bytes of the largest cache of the first processor, 0 where the system does not tell."""
    sizes = [0]
    for path in Path("/sys/devices/system/cpu/cpu0/cache").glob("index*/size"):
        text = path.read_text(encoding="utf-8").strip()
        if text.endswith("K") and text[:-1].isdigit():
            sizes.append(1024 * int(text[:-1]))
    return max(sizes)


def total_memory() -> int:
    """Bytes of the machine's memory; 8 GiB where the system does not tell."""
    path = Path("/proc/meminfo")
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            if line.startswith("MemTotal:"):
                return 1024 * int(line.split()[1])
    return 8 << 30

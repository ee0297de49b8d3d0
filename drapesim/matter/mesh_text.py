"""Large mesh files of plain text, line by line: the general readers need a gigabyte for each million triangles of them.

Only the plain case is read here: triangles, each face a row of three numbers. For anything else `read_text` gives None,
and the general reader has its turn.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np

Array = np.ndarray

LARGE = 20_000_000  # bytes from which it is worth it


def read_text(path: Path, kind: str) -> tuple[Array, Array] | None:
    """Vertices (n, 3) float64 and faces (m, 3) of a large ASCII PLY, ASCII STL or OBJ of triangles; else None."""
    if kind == ".glb" or path.stat().st_size < LARGE:
        return None
    try:
        with path.open("rb") as stream:
            if kind == ".ply":
                return _read_ply(stream)
            if kind == ".stl":
                return _read_stl(stream)
        return _read_obj(path)
    except (ValueError, OverflowError):  # not the plain case, or broken: the general reader says so
        return None


def _rows(lines: Iterator[bytes], columns: int, kind: type, usecols: tuple[int, ...] | None = None) -> Array:
    rows: Array = np.loadtxt(lines, dtype=kind, usecols=usecols, comments=None, ndmin=2)
    if rows.shape[1] != columns:
        raise ValueError("not the plain case")
    return rows


def _read_ply(stream: Iterator[bytes]) -> tuple[Array, Array] | None:
    counts: dict[bytes, int] = {}
    names: list[bytes] = []
    for line in islice(stream, 200):
        words = line.split()
        if words[:1] == [b"format"] and words[1:2] != [b"ascii"]:
            return None
        if words[:1] == [b"element"]:
            counts[words[1]] = int(words[2])
        if words[:1] == [b"property"] and list(counts) == [b"vertex"]:
            names.append(words[-1])
        if words[:1] == [b"end_header"]:
            break
    if list(counts) != [b"vertex", b"face"] or not {b"x", b"y", b"z"} <= set(names):
        return None
    columns = tuple(names.index(name) for name in (b"x", b"y", b"z"))
    vertices = _rows(islice(stream, counts[b"vertex"]), 3, float, columns)
    rows = _rows(islice(stream, counts[b"face"]), 4, np.int32)
    if len(vertices) != counts[b"vertex"] or len(rows) != counts[b"face"] or (rows[:, 0] != 3).any():
        return None
    return vertices, rows[:, 1:]


def _read_stl(stream: Iterator[bytes]) -> tuple[Array, Array] | None:
    head = next(iter(stream), b"")
    if not head.lstrip().lower().startswith(b"solid") or b"\0" in head:
        return None
    corners = (line.partition(b"vertex")[2] for line in stream if b"vertex" in line)
    vertices = _rows(corners, 3, float)
    if len(vertices) % 3:
        return None
    return vertices, np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)


def _read_obj(path: Path) -> tuple[Array, Array] | None:
    with path.open("rb") as stream:
        vertices = _rows((line[2:] for line in stream if line[:2] in (b"v ", b"v\t")), 3, float, (0, 1, 2))
    with path.open("rb") as stream:
        faces = _rows((_plain(line[2:]) for line in stream if line[:2] in (b"f ", b"f\t")), 3, np.int32)
    if faces.min() < 1 or faces.max() > len(vertices):  # counted from the end, or spelt in another way
        return None
    return vertices, faces - 1


def _plain(row: bytes) -> bytes:
    """``7/1/3 8/2/3 9/3/3`` as ``7 8 9``: the numbers of the vertices."""
    return row if b"/" not in row else b" ".join(word.partition(b"/")[0] for word in row.split())

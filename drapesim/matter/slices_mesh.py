"""From the staircase of voxels to a light mesh: smoothing that does not shrink, thinning out, and writing as PLY."""

from __future__ import annotations

import subprocess
import sys
from tempfile import TemporaryDirectory

import numpy as np

from drapesim.matter.body import enclosed_volume

Array = np.ndarray

FORTH, BACK = 0.5, -0.53  # shares of the way to the neighbours' middle; together they pass long waves unchanged
ROUNDS = 20
MOST_VOLUME_CHANGE = 0.005
LARGE = 1_000_000  # faces

_CHILD = """\
import sys
import fast_simplification
import numpy as np
names = [f"{sys.argv[1]}/{name}.npy" for name in "vf"]
for name, array in zip(names, fast_simplification.simplify(*map(np.load, names), target_count=int(sys.argv[2]))):
    np.save(name, array)
"""


def smooth_skin(vertices: Array, faces: Array, rounds: int = ROUNDS) -> tuple[Array, float]:
    """Moved vertices (n, 3) and the relative change of volume by it.

    G. Taubin, A signal processing approach to fair surface design, SIGGRAPH 1995 (from memory): each round moves the
    vertices toward the middle of their neighbours and then a little farther back, which takes out the short waves.
    """
    from scipy import sparse

    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    ones = np.ones(len(ends), dtype=np.float32)
    near = sparse.csr_matrix((ones, (ends[:, 0], ends[:, 1])), shape=(len(vertices),) * 2)
    near.data[:] = 1.0
    near.data /= np.repeat(np.diff(near.indptr), np.diff(near.indptr))  # each edge is there once each way
    moved = vertices - vertices.mean(axis=0)
    before = enclosed_volume(moved, faces)
    for _ in range(rounds):
        for share in (FORTH, BACK):
            moved = moved + share * (near @ moved - moved)
    return moved + vertices.mean(axis=0), enclosed_volume(moved, faces) / before - 1.0


def keep_largest(vertices: Array, faces: Array) -> tuple[Array, Array, int]:
    """The shell with the most faces, and how many others were left out: specks, and what hung on by a corner."""
    from scipy import sparse
    from scipy.sparse.csgraph import connected_components

    ends = (faces[:, [0, 1]].ravel(), faces[:, [1, 2]].ravel())
    links = sparse.coo_matrix((np.ones(len(ends[0]), dtype=np.int8), ends), shape=(len(vertices),) * 2)
    n, label = connected_components(links, directed=False)
    if n == 1:
        return vertices, faces, 0
    chosen = faces[label[faces[:, 0]] == np.argmax(np.bincount(label[faces[:, 0]]))]
    used, compact = np.unique(chosen, return_inverse=True)
    return vertices[used], compact.reshape(-1, 3), n - 1


def thin_out(vertices: Array, faces: Array, count: int) -> tuple[Array, Array]:
    """About ``count`` faces in place of ``faces``, edges collapsed in the order of their quadric error.

    M. Garland and P. S. Heckbert, SIGGRAPH 1997 (from memory), as done by fast-simplification.
    """
    middle = vertices.mean(axis=0)  # the library reckons in single precision
    v, f = _simplify(1e3 * (vertices - middle), faces.astype(np.int32), count)
    f = drop_leaves(np.asarray(f, dtype=np.int64))
    used, compact = np.unique(f, return_inverse=True)
    return 1e-3 * np.asarray(v, dtype=np.float64)[used] + middle, compact.reshape(-1, 3).astype(np.int32)


def drop_leaves(faces: Array) -> Array:
    """Without pairs of faces back to back, which enclose nothing: a collapse leaves them where a part gets thin."""
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T)
    twin = np.flatnonzero((corners[order[1:]] == corners[order[:-1]]).all(axis=1))
    kept = np.ones(len(faces), dtype=bool)
    kept[order[twin]] = kept[order[twin + 1]] = False
    return faces[kept]


def _simplify(points: Array, faces: Array, count: int) -> tuple[Array, Array]:
    """The library's work; on large meshes in a process of its own, as it never gives its memory back (1.6 GB for 5
    million faces)."""
    import fast_simplification

    if len(faces) < LARGE:
        return fast_simplification.simplify(points, faces, target_count=count)[:2]
    with TemporaryDirectory() as folder:
        np.save(f"{folder}/v.npy", points)
        np.save(f"{folder}/f.npy", faces)
        done = subprocess.run([sys.executable, "-c", _CHILD, folder, str(count)], capture_output=True, check=False)
        if done.returncode:
            raise MemoryError(f"thinning out {len(faces)} faces failed: {done.stderr[-300:].decode(errors='replace')}")
        return np.load(f"{folder}/v.npy"), np.load(f"{folder}/f.npy")


def spell_ply(vertices: Array, faces: Array, comments: tuple[str, ...]) -> bytes:
    """A binary PLY of double-precision vertices (m); ``comments`` are single lines of plain text."""
    head = ["ply", "format binary_little_endian 1.0", *(f"comment {line}" for line in comments)]
    head += [f"element vertex {len(vertices)}", *(f"property double {c}" for c in "xyz")]
    head += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header\n"]
    row = np.empty(len(faces), dtype=np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    row["n"], row["v"] = 3, faces
    text = "\n".join(head).encode("ascii", "replace")
    return text + np.ascontiguousarray(vertices, dtype="<f8").tobytes() + row.tobytes()

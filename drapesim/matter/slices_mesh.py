"""From the staircase of voxels to a light mesh: smoothing that does not shrink, thinning out, and writing as PLY."""

from __future__ import annotations

import numpy as np

from drapesim.matter.body import enclosed_volume

Array = np.ndarray

FORTH, BACK = 0.5, -0.53  # shares of the way to the neighbours' middle; together they pass long waves unchanged
ROUNDS = 20
MOST_VOLUME_CHANGE = 0.005


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
    import fast_simplification

    middle = vertices.mean(axis=0)  # the library reckons in single precision
    v, f = fast_simplification.simplify(1e3 * (vertices - middle), faces.astype(np.int32), target_count=count)[:2]
    used, compact = np.unique(f, return_inverse=True)
    return 1e-3 * np.asarray(v, dtype=np.float64)[used] + middle, compact.reshape(-1, 3).astype(np.int32)


def spell_ply(vertices: Array, faces: Array, comments: tuple[str, ...]) -> bytes:
    """A binary PLY of double-precision vertices (m); ``comments`` are single lines of plain text."""
    head = ["ply", "format binary_little_endian 1.0", *(f"comment {line}" for line in comments)]
    head += [f"element vertex {len(vertices)}", *(f"property double {c}" for c in "xyz")]
    head += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header\n"]
    row = np.empty(len(faces), dtype=np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    row["n"], row["v"] = 3, faces
    text = "\n".join(head).encode("ascii", "replace")
    return text + np.ascontiguousarray(vertices, dtype="<f8").tobytes() + row.tobytes()

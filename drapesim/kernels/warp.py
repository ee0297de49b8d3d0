"""Pictures drawn anew through a grid of places: each pixel of the new picture reads one place of the old."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.jit import kernel, parallel_kernel, prange


@kernel
def read_pixel(out, row, column, picture, x, y):
    """One pixel (channels,) of ``out`` from ``picture`` (rows, columns, channels) at column x, row y, linear between
    the middles of pixels (at whole numbers); returns False beyond the border by more than half a pixel."""
    rows = picture.shape[0]
    columns = picture.shape[1]
    if not (x >= -0.5 and y >= -0.5 and x <= columns - 0.5 and y <= rows - 0.5):
        return False
    x = min(max(x, 0.0), columns - 1.0)
    y = min(max(y, 0.0), rows - 1.0)
    i = min(int(x), max(columns - 2, 0))
    j = min(int(y), max(rows - 2, 0))
    i2 = min(i + 1, columns - 1)
    j2 = min(j + 1, rows - 1)
    f = x - i
    g = y - j
    for c in range(picture.shape[2]):
        value = (1.0 - g) * ((1.0 - f) * picture[j, i, c] + f * picture[j, i2, c]) + g * (
            (1.0 - f) * picture[j2, i, c] + f * picture[j2, i2, c]
        )
        out[row, column, c] = np.uint8(value + 0.5)
    return True


@parallel_kernel
def warp_rows_into(out, there_out, picture, place, whole, strength, first, per_u, per_v):
    """Rows ``first``... of the flat map: ``out`` (r, c, channels) uint8 and how strongly printed, ``there_out`` (r, c).

    ``place`` (nu, nv, 2) column and row of ``picture`` at each node, ``whole`` (nu-1, nv-1) cells whose corners belong
    together, ``strength`` (nu, nv) at the nodes; ``per_u``, ``per_v``: cells to a pixel along warp and weft. Inside a
    cell all is linear in the two triangles of `sheet.Lattice.triangles`. Pixels without a source stay as they are, with
    strength 0.
    """
    columns = out.shape[1]
    nu = whole.shape[0]
    nv = whole.shape[1]
    for row in prange(out.shape[0]):
        b = (first + row + 0.5) * per_v
        j = min(int(b), nv - 1)
        g = b - j
        for column in range(columns):
            there_out[row, column] = 0.0
            a = (column + 0.5) * per_u
            i = min(int(a), nu - 1)
            if not whole[i, j]:
                continue
            f = a - i
            if (i + j) % 2 == 0:
                w0 = 1.0 - max(f, g)
                w1 = max(f - g, 0.0)
                w2 = min(f, g)
                w3 = max(g - f, 0.0)
            else:
                past = max(f + g - 1.0, 0.0)
                w0 = max(1.0 - f - g, 0.0)
                w1 = f - past
                w2 = past
                w3 = g - past
            x = (
                w0 * place[i, j, 0]
                + w1 * place[i + 1, j, 0]
                + w2 * place[i + 1, j + 1, 0]
                + w3 * place[i, j + 1, 0]
            )  # fmt: skip
            y = (
                w0 * place[i, j, 1]
                + w1 * place[i + 1, j, 1]
                + w2 * place[i + 1, j + 1, 1]
                + w3 * place[i, j + 1, 1]
            )  # fmt: skip
            if read_pixel(out, row, column, picture, x, y):
                there_out[row, column] = (
                    w0 * strength[i, j]
                    + w1 * strength[i + 1, j]
                    + w2 * strength[i + 1, j + 1]
                    + w3 * strength[i, j + 1]
                )

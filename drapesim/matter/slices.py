"""Slices: a stack of parallel, evenly spaced grey pictures, and where each voxel lies in our world.

The world of a lying body: head toward +x, left side toward -y, front toward +z. Files that name the patient's sides
(DICOM: left, back, head; NIfTI: right, front, head) are turned into it, whatever way the slices were taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray

MOST_SLICES = 20_000
MOST_PIXELS = 64_000_000  # of one slice
MOST_VOXELS = 1_500_000_000
MOST_SPACING = 0.05  # m
RIGHT_ANGLE = 2e-3  # largest scalar product of two axes that are taken as square to each other: 0.1 degrees

# Rows: the world's directions of the patient's left, back and head.
FROM_PATIENT = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]])


@dataclass(frozen=True)
class Slices:
    """Grey values of a volume with their place in the world.

    values (nz, ny, nx): slice, row, column; int8 to uint16 or float32, finite. spacing (3,) m from column to column,
    from row to row, from slice to slice. axes (3, 3): rows are the unit directions in which columns, rows and slices
    are counted, square to each other; they may be left-handed. origin (3,) m: the middle of the first voxel.
    """

    values: Array
    spacing: Array
    axes: Array
    origin: Array
    source: str  # what was read, in words that name nobody
    notes: tuple[str, ...] = ()  # one sentence for each thing that was assumed or changed
    level: float | None = None  # the value at the skin, where the file itself settles it

    def to_world(self, places: Array) -> Array:
        """(n, 3) m of ``places`` (n, 3): column, row, slice, counted from 0, with fractions."""
        return places * self.spacing @ self.axes + self.origin


def check_slices(slices: Slices, file: object) -> Slices:
    """Return ``slices`` if they are as promised; `InputError` about ``file`` names the first thing that is wrong."""
    nz, ny, nx = slices.values.shape
    if min(nz, ny, nx) < 2:
        problem = f"{nz} slice{'' if nz == 1 else 's'} of {ny} x {nx} pixels enclose no body"
        raise InputError(file, "", problem, "give the whole series, with at least two slices")
    if not (np.isfinite(slices.spacing).all() and (slices.spacing > 0.0).all()):
        raise InputError(file, "spacing", f"{_spell(slices.spacing)} mm is no spacing", "give lengths above zero")
    if (slices.spacing > MOST_SPACING).any():
        problem = f"voxels of {_spell(slices.spacing)} mm are larger than any scan's"
        raise InputError(file, "spacing", problem, f"check the unit; at most {1e3 * MOST_SPACING:g} mm is taken")
    if not (np.isfinite(slices.axes).all() and np.isfinite(slices.origin).all()):
        raise InputError(file, "axes", "the orientation or the position is not a finite number", "export it anew")
    product = slices.axes @ slices.axes.T
    if np.abs(np.diag(product) - 1.0).max() > RIGHT_ANGLE or np.abs(product - np.diag(np.diag(product))).max() > (
        RIGHT_ANGLE
    ):
        problem = "the axes are not square to each other, so a straight stack would be sheared"
        raise InputError(file, "axes", problem, "resample the series to a straight one first")
    return slices


def check_size(file: object, nz: int, ny: int, nx: int) -> None:
    """`InputError` where a volume is announced that nobody has, before anybody makes room for it."""
    if min(nz, ny, nx) < 1 or nz > MOST_SLICES or ny * nx > MOST_PIXELS or nz * ny * nx > MOST_VOXELS:
        problem = f"{nz} slices of {ny} x {nx} pixels are announced"
        remedy = f"at most {MOST_SLICES} slices and {MOST_VOXELS / 1e9:g} thousand million voxels are taken"
        raise InputError(file, "", problem, remedy)


def need(module: str, file: object, what: str) -> None:
    """`InputError` that says how to get the library for ``what`` if it is not installed."""
    from importlib.util import find_spec

    if find_spec(module) is None:
        raise InputError(file, "", f"{what} needs {module}, which is not installed", "pip install 'drapesim[slices]'")


def is_dicom(path: Path) -> bool:
    """True if the file carries the mark of DICOM behind its preamble, or at least its usual ending."""
    try:
        with path.open("rb") as stream:
            head = stream.read(132)
    except OSError:
        return False
    return head[128:] == b"DICM" or path.suffix.lower() in (".dcm", ".ima")


def _spell(lengths: Array) -> str:
    return " x ".join(f"{1e3 * length:.4g}" for length in lengths)

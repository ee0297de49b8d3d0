"""Slices from files: tells what a folder or file is, and reads NIfTI, numbered pictures and TIFF of several pages."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.slices import (
    FROM_PATIENT,
    MOST_PIXELS,
    MOST_SLICES,
    RIGHT_ANGLE,
    Slices,
    check_size,
    check_slices,
    is_dicom,
    need,
)
from drapesim.matter.slices_dicom import read_dicom
from drapesim.matter.slices_outlines import read_outlines

Array = np.ndarray
Ending = Literal["feet", "head"]

PICTURES = (".png", ".tif", ".tiff")
NIFTI = (".nii", ".nii.gz")
GREY = ("L", "I;16", "I;16B", "I;16L", "I", "F", "1")
DOUBTFUL = 30  # nibabel's level of a fault from which it is no trifle
SILENT = 100  # above every level of a log
GZIP_MOST = 1100  # times: what the method can squeeze at most
NIFTI_UNITS = {"meter": 1.0, "mm": 1e-3, "micron": 1e-6, "unknown": 1e-3}
WAYS = (
    "give a folder of DICOM slices or of numbered PNG or TIFF pictures, a TIFF of pages, a NIfTI file, "
    "or a CSV or SVG of outlines"
)


def read_slices(path: str | Path, spacing: tuple[float, float, float] | None = None, first: Ending = "feet") -> Slices:
    """The volume in a folder or file.

    ``spacing`` (m; column, row, slice) is wanted for pictures, which do not state it, and refused for files that do.
    ``first``: the end of the body at which the first picture lies. Raises InputError with the reason.
    """
    path = Path(path)
    if not path.exists():
        raise InputError(path, "", "there is no such file or folder", WAYS)
    if path.is_dir():
        files = sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith(".") and p.name != "DICOMDIR")
        if len(files) > MOST_SLICES:
            raise InputError(path, "", f"the folder holds {len(files)} files", f"at most {MOST_SLICES} are taken")
        dicom = [p for p in files if is_dicom(p)]
        pictures = [p for p in files if p.suffix.lower() in PICTURES and p not in set(dicom)]
        if dicom and pictures:
            problem = f"the folder mixes {len(dicom)} DICOM files with {len(pictures)} pictures"
            raise InputError(path, "", problem, "put one series into a folder of its own")
        if pictures:
            return _read_pictures(pictures, path, spacing, first)
        if not dicom:
            raise InputError(path, "", "the folder itself holds no slices", WAYS)
        _want_no_spacing(path, spacing)
        read = read_dicom(dicom, path)
        others = len(files) - len(dicom)
        note = f"{others} other file{'s' if others > 1 else ''} in the folder left alone."
        return replace(read, notes=(*read.notes, note)) if others else read
    if path.name.lower().endswith(NIFTI):
        _want_no_spacing(path, spacing)
        return read_nifti(path)
    if path.suffix.lower() in (".csv", ".svg"):
        _want_no_spacing(path, spacing)
        return read_outlines(path)
    if path.suffix.lower() in PICTURES:
        return _read_pictures([path], path, spacing, first)
    if is_dicom(path):
        _want_no_spacing(path, spacing)
        return read_dicom([path], path)
    raise InputError(path, "", "this is no file of slices", WAYS)


def _want_no_spacing(path: Path, spacing: tuple[float, float, float] | None) -> None:
    if spacing is not None:
        raise InputError(path, "--spacing-mm", "the file states its own spacing", "leave the option out")


def _read_pictures(
    paths: list[Path], source: Path, spacing: tuple[float, float, float] | None, first: Ending
) -> Slices:
    """Pictures in the usual way of sections: columns run toward the body's left, rows toward its back."""
    if spacing is None:
        remedy = "give --spacing-mm X Y Z: the distance of the columns, of the rows and of the slices"
        raise InputError(source, "", "pictures do not state their spacing", remedy)
    if len(paths) > 1:
        paths = _by_number(paths, source)
    n_pages = [0] * len(paths)
    pages: list[Array] = []
    for k, path in enumerate(paths):
        for page in _read_pages(path):
            if pages and page.shape != pages[0].shape:
                problem = f"a picture of {page.shape[1]} x {page.shape[0]} among those of {pages[0].shape[::-1]}"
                raise InputError(path, "", problem, "give pictures of one size")
            if pages and page.dtype != pages[0].dtype:
                raise InputError(path, "", "the grey values have another depth", "give pictures of one kind")
            n_pages[k] += 1
            check_size(source, len(pages) + 1, *page.shape)
            pages.append(page)
    if len(paths) > 1 and max(n_pages) > 1:
        problem = f"{paths[int(np.argmax(n_pages))].name} holds {max(n_pages)} pages beside other pictures"
        raise InputError(source, "", problem, "give one picture a file, or one file with all pages")
    values = np.stack(pages)
    way = 1.0 if first == "feet" else -1.0
    assumed = f"Pictures do not state their sides: columns were taken to run toward the body's left, rows toward its \
back, and the first slice to lie at the {first}. If one of these is wrong, the body is mirrored."
    axes = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, way]]) @ FROM_PATIENT
    count = f"{len(paths)} pictures" if len(paths) > 1 else f"TIFF of {len(values)} pages"
    return check_slices(Slices(values, np.array(spacing, dtype=float), axes, np.zeros(3), count, (assumed,)), source)


def _by_number(paths: list[Path], source: Path) -> list[Path]:
    """Pictures by the last number in their names, which must run without a gap."""
    numbered: dict[int, Path] = {}
    for path in paths:
        found = re.findall(r"\d+", path.stem)
        if not found or len(found[-1]) > 12:
            raise InputError(path, "", "the name holds no number", "number the pictures in the order of the slices")
        number = int(found[-1])
        if number in numbered:
            problem = f"{numbered[number].name} and {path.name} have the same number"
            raise InputError(source, "", problem, "keep one series in the folder, numbered once")
        numbered[number] = path
    order = sorted(numbered)
    steps = np.diff(order)
    gaps = np.flatnonzero(steps != steps.min())
    if len(gaps):
        before, after = order[gaps[0]], order[gaps[0] + 1]
        problem = f"slices are missing between number {before} and number {after}"
        raise InputError(source, "", problem, "give the whole series, numbered evenly")
    return [numbered[number] for number in order]


def _read_pages(path: Path) -> Iterator[Array]:
    """Grey pages (ny, nx) of a picture, one after the other; colour is refused unless it is grey."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=("PNG", "TIFF")) as picture:
                for number in range(MOST_SLICES + 1):
                    try:
                        picture.seek(number)
                    except EOFError:
                        return
                    if picture.width * picture.height > MOST_PIXELS:
                        problem = f"a page of {picture.width} x {picture.height} pixels is announced"
                        raise InputError(path, "", problem, f"at most {MOST_PIXELS} are taken")
                    yield _grey(picture, path)
    except InputError:
        raise
    except Exception as fault:  # the library raises whatever a broken file leads it to
        problem = f"the picture cannot be read ({type(fault).__name__})"
        raise InputError(path, "", problem, "save it anew as PNG or TIFF, of grey values") from fault
    raise InputError(path, "", f"more than {MOST_SLICES} pages", f"at most {MOST_SLICES} are taken")


def _grey(picture: Any, path: Path) -> Array:
    if picture.mode in GREY:
        page = np.asarray(picture)
    else:
        bands = np.asarray(picture.convert("RGB"))
        if np.ptp(bands, axis=2).any():
            raise InputError(path, "", "the picture is in colour", "convert it to grey values first")
        page = bands[:, :, 0]
    if page.dtype == np.int32:  # Pillow's room for 16 bits
        page = page.astype(np.float32)
    if page.dtype == bool:
        page = page.astype(np.uint8)
    if page.dtype.kind == "f" and not np.isfinite(page).all():
        raise InputError(path, "", "a grey value is not a finite number", "save the pictures anew")
    return page.astype(page.dtype.newbyteorder("="))


def read_nifti(path: Path) -> Slices:
    """One NIfTI volume, placed by its sform or qform (RAS+, mm). Raises InputError with the reason."""
    need("nibabel", path, "NIfTI")
    import nibabel
    from nibabel.imageglobals import ErrorLevel, logger

    loudness = logger.level
    try:
        # The library would mend a wrong header by guess and log that; what it finds doubtful is refused here.
        with warnings.catch_warnings(), ErrorLevel(DOUBTFUL):
            warnings.simplefilter("ignore")
            logger.setLevel(SILENT)
            image: Any = nibabel.load(path)
            return _from_nifti(image, path)
    except InputError:
        raise
    except Exception as fault:  # the library raises whatever a broken file leads it to
        problem = f"the file cannot be read as NIfTI ({type(fault).__name__})"
        raise InputError(path, "", problem, "export it anew") from fault
    finally:
        logger.setLevel(loudness)


def _from_nifti(image: Any, path: Path) -> Slices:
    header = image.header
    shape = tuple(int(n) for n in image.shape)
    while len(shape) > 3 and shape[-1] == 1:
        shape = shape[:-1]
    if len(shape) != 3:
        problem = f"the file holds an array of {' x '.join(map(str, shape))}, not one volume"
        raise InputError(path, "", problem, "export one three-dimensional volume")
    check_size(path, shape[2], shape[1], shape[0])
    kind = header.get_data_dtype()
    if kind.kind not in "iuf":
        raise InputError(path, "", f"the values are {kind}, not grey values", "export one grey value a voxel")
    announced = int(np.prod(shape)) * kind.itemsize
    limit = path.stat().st_size * (GZIP_MOST if path.name.lower().endswith(".gz") else 1)
    if announced > limit:
        problem = f"the header announces {announced} bytes in a file of {path.stat().st_size}"
        raise InputError(path, "", problem, "the file is cut short or broken; export it anew")
    if int(header["sform_code"]) <= 0 and int(header["qform_code"]) <= 0:
        problem = "the header does not say which way the volume's axes point (sform and qform are both unset)"
        raise InputError(path, "", problem, "set one of them; left and right could otherwise be mirrored")
    unit = header.get_xyzt_units()[0]
    if unit not in NIFTI_UNITS:
        raise InputError(path, "", f'the unit of length is "{unit}"', "export it in mm")
    columns = np.asarray(image.affine, dtype=float)[:3, :3] * NIFTI_UNITS[unit]
    spacing = np.linalg.norm(columns, axis=0)
    if not np.isfinite(spacing).all() or spacing.min() <= 0.0:
        raise InputError(path, "", "the transform is not finite or flattens the volume", "export it anew")
    ways = (columns / spacing).T
    if np.abs(ways @ ways.T - np.eye(3)).max() > RIGHT_ANGLE:
        problem = "the transform shears the volume, so a straight stack would be wrong"
        raise InputError(path, "", problem, "resample it to square axes first")
    turn = np.diag([-1.0, -1.0, 1.0]) @ FROM_PATIENT  # right, front, head
    values = np.asarray(image.dataobj)
    notes = []
    if unit == "unknown":
        notes.append("The header does not state its unit of length; mm was taken.")
    if values.dtype.itemsize > 4 or (values.dtype.kind in "iu" and values.dtype.itemsize > 2):
        values = values.astype(np.float32)
    if values.dtype.kind == "f":
        values = values.astype(np.float32, copy=False)
        bad = ~np.isfinite(values)
        if bad.all():
            raise InputError(path, "", "no value is a finite number", "export it anew")
        if bad.any():
            values = np.where(bad, values[~bad].min(), values)
            notes.append(f"{int(bad.sum())} values that are no finite numbers were given the lowest value.")
    origin = np.asarray(image.affine, dtype=float)[:3, 3] * NIFTI_UNITS[unit]
    values = np.ascontiguousarray(values.reshape(shape).T).astype(values.dtype.newbyteorder("="), copy=False)
    source = f"NIfTI volume of {' x '.join(map(str, shape))}"
    return check_slices(Slices(values, spacing, ways @ turn, origin @ turn, source, tuple(notes)), path)

"""Slices from a DICOM series: ordered by position and orientation alone, whatever the files are called.

One slice a file, or one frame of an enhanced file with several. Planes, positions and spacings: DICOM PS3.3, C.7.6.2
(Image Plane Module), of frames C.7.6.16 (functional groups, shared or of each frame); stored values to CT numbers:
C.11.1 (Modality LUT), of frames C.7.6.16.2.9 (Pixel Value Transformation); from memory. Nothing that names a person
is read out or passed on.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.slices import FROM_PATIENT, RIGHT_ANGLE, Slices, check_size, check_slices, need

Array = np.ndarray
T = TypeVar("T")

SAME_PLACE = 1e-5  # m, slices nearer than this are one slice twice
UNEVEN = 0.02  # of the spacing, and at least
UNEVEN_LEAST = 5e-5  # m, positions are often rounded to 0.1 mm
SIDEWAYS = 0.5  # of a pixel: how far the stack may lean over its whole length before it counts as tilted
SQUEEZED_MOST = 1000  # times: no picture of a body is compressed more
LOWEST_CT = -1024.0  # below air; what is under it was put there as padding
PADDING = 0x00280120
SIMPLE = "1.2.840.10008.1.2"
DEFLATED = "1.2.840.10008.1.2.1.99"
# Which sequence of its functional groups states this for a frame.
GROUPS = {
    "ImagePositionPatient": "PlanePositionSequence",
    "ImageOrientationPatient": "PlaneOrientationSequence",
    "PixelSpacing": "PixelMeasuresSequence",
    "RescaleSlope": "PixelValueTransformationSequence",
    "RescaleIntercept": "PixelValueTransformationSequence",
    "GantryDetectorTilt": "CTAcquisitionDetailsSequence",
}


@dataclass(frozen=True)
class _Head:
    """What a slice's header says, as the file has it: mm, and angles in degrees."""

    path: Path
    series: str
    shape: tuple[int, int]  # rows, columns
    position: Array  # (3,) of the first pixel's middle
    orientation: Array  # (6,) the way along a row, then along a column
    pixel: Array  # (2,) distance of the rows, then of the columns
    slope: float
    intercept: float
    modality: str
    pose: str
    tilt: float
    frame: int | None = None  # counted from 0, in files of several

    @property
    def where(self) -> str:
        return "" if self.frame is None else f"frame {self.frame + 1}"

    @property
    def title(self) -> str:
        return self.path.name if self.frame is None else f"{self.where} of {self.path.name}"


def read_dicom(paths: list[Path], source: Path) -> Slices:
    """One series, of single slices or of enhanced files with several frames, as one volume.

    Raises InputError, about ``source`` or one file or frame, with the reason.
    Refused: several series or acquisition geometries, missing, doubled or uneven slices, a leaning stack (gantry
    tilt), colour, frames without a place of their own, compression without a decoder here.
    """
    need("pydicom", source, "DICOM")
    heads = [head for path in paths for head in _guarded(path, _read_heads)]
    _want_one_series(heads, source)
    first = heads[0]
    check_size(source, len(heads), *first.shape)
    row_way, column_way = first.orientation[:3], first.orientation[3:]
    if max(abs(row_way @ row_way - 1), abs(column_way @ column_way - 1), abs(row_way @ column_way)) > RIGHT_ANGLE:
        problem = "ImageOrientationPatient does not give two unit vectors square to each other"
        raise InputError(first.path, first.where, problem, "export the series anew")
    normal = np.cross(row_way, column_way)
    heads.sort(key=lambda head: float(head.position @ normal))
    places = 1e-3 * np.array([head.position for head in heads])
    pixel = 1e-3 * first.pixel[::-1]
    notes: list[str] = []
    gap = _find_spacing(places @ normal, source, heads)
    _refuse_tilt(places, normal, pixel, first.tilt, source, notes)
    values = _read_values(heads, notes)
    if first.pose not in ("HFS", "FFS"):
        said = f"as {first.pose}" if first.pose else "in a position that the file does not state"
        notes.append(f"Scanned {said}, not lying on the back: flesh keeps the shape it had then.")
    axes = np.stack([row_way, column_way, normal]) @ FROM_PATIENT
    return check_slices(
        Slices(
            values=values,
            spacing=np.array([*pixel, gap]),
            axes=axes / np.linalg.norm(axes, axis=1, keepdims=True),
            origin=places[0] @ FROM_PATIENT,
            source=f"DICOM series ({first.modality or 'of unknown kind'}) of {_count(len(paths), 'file')}"
            + (f" with {_count(len(heads), 'frame')}" if first.frame is not None else ""),
            notes=tuple(notes),
        ),
        source,
    )


def _guarded(path: Path, read: Callable[[Path], T]) -> T:
    """``read(path)``, where whatever a broken file leads the library to becomes one sentence."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return read(path)
    except InputError:
        raise
    except Exception as fault:  # the library raises whatever a broken file leads it to
        problem = f"the file cannot be read as a DICOM slice ({type(fault).__name__})"
        raise InputError(path, "", problem, "export the series anew") from fault


def _count(n: int, name: str) -> str:
    return f"{n} {name}{'' if n == 1 else 's'}"


def _read_heads(path: Path) -> list[_Head]:
    """The header of each slice in the file, without pixels; `InputError` where one lacks what a slice must have."""
    import pydicom

    meta = pydicom.filereader.read_file_meta_info(path) if _has_preamble(path) else {}
    if str(getattr(meta, "TransferSyntaxUID", "")) == DEFLATED:
        raise InputError(path, "", "the file is deflated as a whole", "export the series uncompressed")
    head = pydicom.dcmread(path, stop_before_pixels=True, force=True)
    size = path.stat().st_size
    for name in ("SeriesInstanceUID", "Rows", "Columns"):
        _want(path, "", name, head.get(name), 0)
    count, bits = int(head.get("NumberOfFrames", 1) or 1), int(head.get("BitsAllocated", 0) or 0)
    kind = str(getattr(head.get("SOPClassUID"), "name", "") or "of unknown kind")
    if bits == 1:
        raise InputError(path, "", f"the file ({kind}) holds one bit a pixel, no grey values", "give the scan itself")
    places = head.get("PerFrameFunctionalGroupsSequence")
    if places is None and count > 1:
        problem = f"the file ({kind}) holds {count} frames without a place for each"
        raise InputError(path, "", problem, "export an enhanced file with its functional groups, or one slice a file")
    if places is not None and len(places) != count:
        problem = f"the file holds {_count(count, 'frame')}, but tells the places of {len(places)}"
        raise InputError(path, "", problem, "the file is cut short or broken; export it anew")
    if places is None:
        heads = [_read_slice(path, head, None, {})]
    else:
        heads = [_read_slice(path, head, k, _join_groups(head, k)) for k in range(count)]
    if int(head.get("SamplesPerPixel", 1) or 1) != 1 or head.get("PhotometricInterpretation") != "MONOCHROME2":
        shade = str(head.get("PhotometricInterpretation", "of an unnamed kind"))
        raise InputError(path, "", f"the pixels are {shade}, not plain grey values", "export them as MONOCHROME2")
    check_size(path, count, int(head.Rows), int(head.Columns))
    if count * int(head.Rows) * int(head.Columns) * bits // 8 > size * SQUEEZED_MOST or bits not in (8, 16, 32):
        many = f"{count} x " if count > 1 else ""
        problem = f"{many}{head.Rows} x {head.Columns} pixels of {bits} bits are announced in {size} bytes"
        raise InputError(path, "", problem, "the file is cut short or broken; export it anew")
    return heads


def _join_groups(head: Any, frame: int) -> dict[str, Any]:
    """What the functional groups state of a frame: its own before those shared by all."""
    shared = head.get("SharedFunctionalGroupsSequence") or []
    stated: dict[str, Any] = {}
    for groups in (*shared[:1], head.PerFrameFunctionalGroupsSequence[frame]):
        for name, sequence in GROUPS.items():
            items = groups.get(sequence)
            value = items[0].get(name) if items else None
            if value not in (None, ""):
                stated[name] = value
    return stated


def _want(path: Path, where: str, name: str, value: Any, count: int) -> None:
    """`InputError` unless ``value`` is there, with ``count`` finite numbers where that is not 0."""
    if value is None or value == "" or (count and len(value) != count):
        thing = "frame" if where else "file"
        problem = f"the {thing} is no slice with a place: it has no usable {name}"
        raise InputError(path, where, problem, "give a series of slices, each with its position and pixel spacing")
    if count and not np.isfinite(np.array(value, dtype=float)).all():
        raise InputError(path, where, f"{name} holds what is not a finite number", "export the series anew")


def _read_slice(path: Path, head: Any, frame: int | None, groups: dict[str, Any]) -> _Head:
    """One slice: what ``groups`` state of the frame, and the rest as the file's ``head`` has it."""
    where = "" if frame is None else f"frame {frame + 1}"

    def look(name: str) -> Any:
        return groups.get(name, head.get(name))

    def number(name: str, otherwise: float) -> float:
        value = look(name)
        return otherwise if value is None or value == "" else float(value)

    for name, count in (("ImagePositionPatient", 3), ("ImageOrientationPatient", 6), ("PixelSpacing", 2)):
        _want(path, where, name, look(name), count)
    if look("ModalityLUTSequence"):
        problem = "the pixels need a look-up table (ModalityLUTSequence)"
        raise InputError(path, where, problem, "export them with rescale slope and intercept")
    return _Head(
        path=path,
        series=str(head.SeriesInstanceUID),
        shape=(int(head.Rows), int(head.Columns)),
        position=np.array(look("ImagePositionPatient"), dtype=float),
        orientation=np.array(look("ImageOrientationPatient"), dtype=float),
        pixel=np.array(look("PixelSpacing"), dtype=float),
        slope=number("RescaleSlope", 1.0),
        intercept=number("RescaleIntercept", 0.0),
        modality=str(head.get("Modality") or ""),
        pose=str(head.get("PatientPosition") or ""),
        tilt=number("GantryDetectorTilt", 0.0),
        frame=frame,
    )


def _has_preamble(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(132)[128:] == b"DICM"


def _want_one_series(heads: list[_Head], source: Path) -> None:
    series = Counter(head.series for head in heads)
    if len(series) > 1:
        counts = ", ".join(str(n) for n in sorted(series.values(), reverse=True)[:6])
        problem = f"the folder mixes {len(series)} series, of {counts} slices"
        raise InputError(source, "", problem, "put the files of one series into a folder of their own")
    first = heads[0]
    for head in heads:
        for name, one, other, near in (
            ("ImageOrientationPatient", first.orientation, head.orientation, 1e-3),
            ("PixelSpacing", first.pixel, head.pixel, 1e-4),
            ("the number of rows and columns", np.array(first.shape), np.array(head.shape), 0),
        ):
            if np.abs(one - other).max() > near:
                problem = f"{name} differs from that of {first.title}, so the slices are not one parallel stack"
                remedy = "leave out localisers, and give slices of one orientation and one pixel spacing"
                raise InputError(head.path, head.where, problem, remedy)


def _find_spacing(along: Array, source: Path, heads: list[_Head]) -> float:
    """Distance of the slices (m), given their places ``along`` their normal, rising."""
    if len(along) < 2:
        raise InputError(source, "", "a single slice encloses no body", "give the folder with the whole series")
    steps = np.diff(along)
    k = int(np.argmin(steps))
    if steps[k] < SAME_PLACE:
        problem = f"{heads[k].title} and {heads[k + 1].title} lie at the same place"
        raise InputError(source, "", problem, "leave one out, or split the folder into its series")
    usual = float(np.median(steps))
    allowed = max(UNEVEN * usual, UNEVEN_LEAST)
    wide = np.flatnonzero(steps > usual + allowed)
    if len(wide) and (steps > usual - allowed).all():
        k = int(wide[0])
        missing = round(steps[k] / usual) - 1
        said = f"{missing} slice{'' if missing == 1 else 's'} missing" if missing > 0 else "an uneven step"
        problem = (
            f"{said} between {heads[k].title} and {heads[k + 1].title}: {1e3 * steps[k]:.2f} mm apart, "
            f"where {1e3 * usual:.2f} mm is usual"
        )
        raise InputError(source, "", problem, "give the whole series")
    if np.abs(steps - usual).max() > allowed:
        problem = f"the slices are unevenly spaced, from {1e3 * steps.min():.2f} to {1e3 * steps.max():.2f} mm"
        raise InputError(source, "", problem, "give a series with one spacing, or resample it first")
    return float((along[-1] - along[0]) / len(steps))


def _refuse_tilt(places: Array, normal: Array, pixel: Array, stated: float, source: Path, notes: list[str]) -> None:
    """Refuse a stack that leans: its slices shift sideways from one to the next, as under a tilted gantry."""
    way = places[-1] - places[0]
    aside = way - (way @ normal) * normal
    if np.linalg.norm(aside) > SIDEWAYS * pixel.min():
        angle = np.degrees(np.arctan2(np.linalg.norm(aside), way @ normal))
        problem = (
            f"the stack leans by {angle:.1f} degrees (gantry tilt; the header states {stated:g}), "
            "so stacking its slices would shear the body"
        )
        raise InputError(source, "", problem, "have the scanner's software straighten the series, and export that")
    wander = places - places[0]
    off = np.linalg.norm(wander - np.outer(wander @ normal, normal), axis=1).max()
    if off > SIDEWAYS * pixel.min():
        problem = f"slices lie up to {1e3 * off:.1f} mm beside the line of the others"
        raise InputError(source, "", problem, "give slices of one straight stack")
    if stated:
        notes.append(f"The header states a gantry tilt of {stated:g} degrees, but the slices form a straight stack.")


def _read_values(heads: list[_Head], notes: list[str]) -> Array:
    """(nz, ny, nx): CT numbers or grey values; whole numbers stay whole."""
    scales = [(head.slope, head.intercept) for head in heads]
    for head, scale in zip(heads, scales, strict=True):
        if not np.isfinite(scale).all() or scale[0] == 0.0:
            problem = "the rescale slope or intercept is no usable number"
            raise InputError(head.path, head.where, problem, "export the series anew")
    shape = (len(heads), *heads[0].shape)
    whole = all(slope == 1.0 and cut == int(cut) for slope, cut in scales)
    values = np.empty(shape, dtype=np.int16 if whole else np.float32)
    is_ct = all(head.modality == "CT" for head in heads)
    n_padded = 0
    for k, (head, scale, (stored, padding)) in enumerate(zip(heads, scales, _iterate_pixels(heads), strict=True)):
        if stored.shape != shape[1:]:
            raise InputError(head.path, "", f"the pixels are {stored.shape}, not {shape[1:]}", "export the series anew")
        padded = stored == padding if padding is not None else np.zeros(1, dtype=bool)
        slab = stored.astype(np.float32) * np.float32(scale[0]) + np.float32(scale[1])
        if not np.isfinite(slab).all():
            raise InputError(head.path, head.where, "the rescaled values are too large", "export the series anew")
        if padding is not None and padded.any() and not padded.all():
            slab[padded] = slab[~padded].min()
            n_padded += int(padded.sum())
        slab = np.maximum(slab, LOWEST_CT) if is_ct else slab
        if values.dtype == np.int16 and (slab.min() < -32768 or slab.max() > 32767 or stored.dtype.kind not in "iu"):
            values = values.astype(np.float32)
        values[k] = slab
    if n_padded:
        notes.append(f"{n_padded} pixels of padding were given the lowest value of their slice.")
    return values


def _iterate_pixels(heads: list[_Head]) -> Iterator[tuple[Array, float | None]]:
    """Stored values of each slice and the value of its padding; of a file with frames no more than one is held."""
    for path, run in groupby(heads, key=lambda head: head.path):
        frames = [head.frame for head in run if head.frame is not None]
        if frames:
            yield from _read_frames(path, frames)
        else:
            yield _guarded(path, _read_pixels)


def _read_pixels(path: Path) -> tuple[Array, float | None]:
    import pydicom

    data = pydicom.dcmread(path, force=True)
    syntax = getattr(data.file_meta, "TransferSyntaxUID", None)
    if syntax is None:
        data.file_meta.TransferSyntaxUID = SIMPLE if data.original_encoding[0] else f"{SIMPLE}.1"
    if "PixelData" not in data:
        raise InputError(path, "", "the file holds no pixels", "export the series with its pictures")
    return _decode(path, syntax, lambda: data.pixel_array), _find_padding(data)


def _read_frames(path: Path, frames: list[int]) -> Iterator[tuple[Array, float | None]]:
    import pydicom

    def look_up(path: Path) -> tuple[Any, float | None]:
        data = pydicom.dcmread(path, stop_before_pixels=True, force=True)
        return getattr(data.file_meta, "TransferSyntaxUID", None), _find_padding(data)

    syntax, padding = _guarded(path, look_up)
    pixels = pydicom.pixels.iter_pixels(path, indices=frames, raw=True)
    for _ in frames:
        yield _guarded(path, lambda path: _decode(path, syntax, lambda: next(pixels))), padding


def _find_padding(data: Any) -> float | None:
    stated = data.get(PADDING)
    return None if stated is None or stated.value in (None, "") else float(stated.value)


def _decode(path: Path, syntax: Any, decode: Callable[[], Array]) -> Array:
    try:
        return decode()
    except RuntimeError as fault:  # no decoder (NotImplementedError is a RuntimeError), or each of them has failed
        if syntax is None or not syntax.is_compressed:
            raise
        problem = f"the pixels are compressed ({syntax.name}), and no decoder here can read them"
        raise InputError(path, "", problem, "export the series uncompressed") from fault

"""Made-up volumes with a known surface, and the files a scanner would write of them. World and patient axes, m."""

import copy
from pathlib import Path

import numpy as np

from drapesim.matter.slices import FROM_PATIENT, Slices
from drapesim.matter.solid import Ellipsoid, RoundCone, Union, measure_field

Array = np.ndarray

AIR, FLESH, TABLE = -1000.0, 40.0, 300.0
# A trunk, a head and a bent arm, no longer than a forearm; blends are sharp, so that the distance is exact outside.
TRUNK = Ellipsoid((0.0, 0.0, 0.0), (0.070, 0.045, 0.030))
HEAD = RoundCone((0.070, 0.0, 0.004), (0.095, 0.0, 0.008), 0.020, 0.017)
ARM = RoundCone((0.030, 0.044, 0.0), (-0.030, 0.062, 0.004), 0.011, 0.008)
MANIKIN = Union((TRUNK, HEAD, ARM), 0.0)
LUNG = Ellipsoid((0.020, 0.0, 0.0), (0.025, 0.020, 0.013))
SLANT = np.array([[0.936, -0.283, 0.210], [0.303, 0.950, -0.073], [-0.179, 0.132, 0.975]])


def turn(rough: Array) -> Array:
    """The rotation nearest to ``rough`` (3, 3)."""
    u, _, v = np.linalg.svd(rough)
    return u @ v


def voxelise(
    spacing, axes=None, is_binary=False, noise=0.0, with_table=False, with_lung=False, margin=0.012, seed=1
) -> Slices:
    """The manikin as a scanner with voxels of ``spacing`` (3,) m sees it: shares of 4 x 4 x 4 points in each voxel."""
    spacing = np.asarray(spacing, dtype=float)
    axes = np.eye(3) if axes is None else axes
    low, high = MANIKIN.box
    if with_table:
        low = low - np.array([0.0, 0.0, 0.012])
    corners = np.array([[(low, high)[(n >> a) & 1][a] for a in range(3)] for n in range(8)]) @ axes.T
    first = corners.min(axis=0) - margin
    count = np.ceil((corners.max(axis=0) + margin - first) / spacing).astype(int)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in count[::-1]], indexing="ij"), axis=-1)[..., ::-1]
    middle = (index.reshape(-1, 3) * spacing + first) @ axes
    share = _shares(lambda p: _field(p, with_lung), middle, spacing, axes)
    value = AIR + (FLESH - AIR) * share
    if with_table:  # a thin plate that touches the back
        plate = _shares(lambda p: np.abs(p[:, 2] + 0.0315) - 0.0015, middle, spacing, axes)
        value = np.maximum(value, AIR + (TABLE - AIR) * plate)
    if is_binary:
        value = np.where(value >= 0.5 * (AIR + FLESH), 255.0, 0.0)
    value = value + noise * np.random.default_rng(seed).standard_normal(len(value))
    kind = np.uint8 if is_binary else np.int16
    return Slices(np.rint(value).astype(kind).reshape(count[::-1]), spacing, axes, first @ axes, "made up")


def _field(points: Array, with_lung: bool) -> Array:
    value = measure_field(MANIKIN, points)
    return np.maximum(value, -measure_field(LUNG, points)) if with_lung else value


def _shares(field, middle: Array, spacing: Array, axes: Array) -> Array:
    value = field(middle)
    share = (value < 0.0).astype(float)
    near = np.flatnonzero(np.abs(value) < 1.2 * np.linalg.norm(spacing))
    steps = (np.arange(4) - 1.5) / 4.0
    total = np.zeros(len(near))
    for x in steps:
        for y in steps:
            for z in steps:
                total += field(middle[near] + (np.array([x, y, z]) * spacing) @ axes) < 0.0
    share[near] = total / 64.0
    return share


def distances(vertices: Array, faces: Array) -> Array:
    """(k,) m: how far corners and middles of the mesh lie from the manikin's true surface; all points count."""
    points = np.concatenate([vertices, vertices[faces].mean(axis=1)])
    return measure_field(MANIKIN, points)


def write_series(folder: Path, slices: Slices, shuffle=True, change=None, intercept=-1024.0, slope=1.0) -> list[Path]:
    """A DICOM series of ``slices`` (right-handed axes in our world); ``change(dataset, number)`` may spoil a slice."""
    import pydicom
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid

    folder.mkdir(parents=True, exist_ok=True)
    to_patient = FROM_PATIENT.T
    series, count = generate_uid(entropy_srcs=["series"]), len(slices.values)
    names = np.random.default_rng(3).permutation(count) if shuffle else np.arange(count)
    paths = []
    for k in range(count):
        meta = FileMetaDataset()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        meta.MediaStorageSOPClassUID = pydicom.uid.CTImageStorage
        meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[str(k)])
        path = folder / f"I{names[k]:05d}"
        data = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
        data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        data.SeriesInstanceUID, data.Modality, data.PatientPosition = series, "CT", "HFS"
        data.PatientName, data.InstanceNumber = "Nobody", int(names[k])
        data.Rows, data.Columns = slices.values.shape[1:]
        data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
        data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 0
        data.BitsStored, data.HighBit = 12, 11
        data.PixelSpacing = [f"{1e3 * slices.spacing[1]:.6g}", f"{1e3 * slices.spacing[0]:.6g}"]
        ways = np.concatenate([slices.axes[0] @ to_patient, slices.axes[1] @ to_patient])
        data.ImageOrientationPatient = [f"{c:.10f}" for c in ways]
        place = 1e3 * (slices.to_world(np.array([[0.0, 0.0, k]]))[0] @ to_patient)
        data.ImagePositionPatient = [f"{c:.6f}" for c in place]
        data.RescaleSlope, data.RescaleIntercept = f"{slope:g}", f"{intercept:g}"
        stored = np.clip(np.rint((slices.values[k] - intercept) / slope), 0, 4095).astype("<u2")
        data.PixelData = stored.tobytes()
        if change is not None and change(data, k) == "leave out":
            continue
        data.save_as(path, enforce_file_format=True)
        paths.append(path)
    return paths


def write_frames(path: Path, slices: Slices, change=None, intercept=-1024.0, shared=True) -> Path:
    """The same as one enhanced CT file, its frames shuffled; ``shared``: what all frames have is stated once.

    ``change(dataset)`` may spoil the file before it is written.
    """
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.uid import EnhancedCTImageStorage, ExplicitVRLittleEndian, generate_uid

    def item(**values):
        made = Dataset()
        for name, value in values.items():
            setattr(made, name, value)
        return made

    path.parent.mkdir(parents=True, exist_ok=True)
    meta = FileMetaDataset()
    meta.TransferSyntaxUID, meta.MediaStorageSOPClassUID = ExplicitVRLittleEndian, EnhancedCTImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["frames"])
    data = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    data.SeriesInstanceUID, data.Modality, data.PatientPosition = generate_uid(entropy_srcs=["series"]), "CT", "HFS"
    count, data.Rows, data.Columns = slices.values.shape
    data.NumberOfFrames, data.SamplesPerPixel, data.PhotometricInterpretation = count, 1, "MONOCHROME2"
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    ways = np.concatenate([slices.axes[0] @ FROM_PATIENT.T, slices.axes[1] @ FROM_PATIENT.T])
    pixel = [f"{1e3 * slices.spacing[1]:.6g}", f"{1e3 * slices.spacing[0]:.6g}"]
    common = {
        "PlaneOrientationSequence": [item(ImageOrientationPatient=[f"{c:.10f}" for c in ways])],
        "PixelMeasuresSequence": [item(PixelSpacing=pixel)],
        "PixelValueTransformationSequence": [item(RescaleSlope="1", RescaleIntercept=f"{intercept:g}")],
    }
    order = np.random.default_rng(3).permutation(count)
    places = [1e3 * slices.to_world(np.array([[0.0, 0.0, k]]))[0] @ FROM_PATIENT.T for k in order]
    data.SharedFunctionalGroupsSequence = [item(**(common if shared else {}))]
    data.PerFrameFunctionalGroupsSequence = [
        item(PlanePositionSequence=[item(ImagePositionPatient=[f"{c:.6f}" for c in place])],
             **({} if shared else copy.deepcopy(common)))
        for place in places
    ]  # fmt: skip
    data.PixelData = np.rint(slices.values[order] - intercept).astype("<u2").tobytes()
    if change is not None:
        change(data)
    data.save_as(path, enforce_file_format=True)
    return path

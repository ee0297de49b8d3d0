"""Slices from DICOM, NIfTI and pictures: values, spacing and place come back, and what is doubtful is refused."""

import shutil
from pathlib import Path

import nibabel
import numpy as np
import pydicom
import pytest
from PIL import Image

from drapesim.ground.outcome import InputError
from drapesim.matter.slices import FROM_PATIENT, Slices
from drapesim.matter.slices_files import read_slices
from tests.unit.made_slices import SLANT, turn, write_frames, write_series

SPACING = np.array([0.7e-3, 0.9e-3, 1.5e-3])
REAL = Path(pydicom.__file__).parent / "data/test_files"
REAL_NIFTI = Path(nibabel.__file__).parent / "tests/data"


def make_slices(axes=None) -> Slices:
    values = np.random.default_rng(0).integers(-1000, 1000, (6, 8, 9)).astype(np.int16)
    return Slices(values, SPACING, np.eye(3) if axes is None else axes, np.array([0.1, -0.2, 0.3]), "made up")


@pytest.fixture
def series(tmp_path):
    """Write the series with a spoilt slice; returns its folder."""

    def write(change=None, axes=None, **rest):
        write_series(tmp_path / "series", make_slices(axes), change=change, **rest)
        return tmp_path / "series"

    return write


def assert_refused(path, *words, spacing=None):
    with pytest.raises(InputError) as fault:
        read_slices(path, spacing)
    assert "\n" not in str(fault.value)
    assert all(word in str(fault.value) for word in words), str(fault.value)


def test_series_comes_back_in_the_order_of_its_places(series):
    made = make_slices(turn(SLANT))
    read = read_slices(series(axes=made.axes))
    assert read.values.dtype == np.int16
    np.testing.assert_array_equal(read.values, made.values)
    np.testing.assert_allclose(read.spacing, SPACING, atol=1e-9)
    np.testing.assert_allclose(read.axes, made.axes, atol=1e-9)
    np.testing.assert_allclose(read.origin, made.origin, atol=1e-8)


def test_series_with_its_slices_numbered_downward_comes_back_the_right_way(series):
    axes = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])
    made, read = make_slices(axes), read_slices(series(axes=axes))
    corner = np.array([[8.0, 7.0, 5.0]])
    np.testing.assert_allclose(read.to_world(corner), made.to_world(corner), atol=1e-8)
    np.testing.assert_array_equal(read.values, made.values)


def test_rescale_is_applied(series):
    read = read_slices(series(slope=0.5, intercept=-1000.0))
    assert read.values.dtype == np.float32
    np.testing.assert_allclose(read.values, make_slices().values, atol=0.26)


def test_rescale_may_differ_from_slice_to_slice(series):
    def change(data, k):
        data.RescaleIntercept = str(-1024 + k)

    read = read_slices(series(change))
    np.testing.assert_array_equal(read.values, np.maximum(make_slices().values + np.arange(6)[:, None, None], -1024))


def test_padding_becomes_air(series):
    def change(data, k):
        pixels = np.frombuffer(data.PixelData, "<u2").copy()
        pixels[:3] = 4000
        data.PixelPaddingValue, data.PixelData = 4000, pixels.tobytes()

    read = read_slices(series(change))
    assert read.values.max() < 1000
    assert any("18 pixels of padding" in note for note in read.notes)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda _, k: "leave out" if k == 3 else None, ["1 slice missing between"]),
        (lambda _, k: "leave out" if k in (2, 3) else None, ["2 slices missing between"]),
        (lambda _, k: "leave out" if k else None, ["a single slice encloses no body"]),
        (lambda d, k: setattr(d, "SeriesInstanceUID", f"1.2.{k // 4}"), ["mixes 2 series, of 4, 2 slices"]),
        (lambda d, k: setattr(d, "PixelSpacing", [0.9, 0.7 + 0.01 * k]), ["PixelSpacing differs"]),
        (lambda d, k: setattr(d, "ImageOrientationPatient", [1, 0, 0, 0, 0, -1] if k == 2 else [1, 0, 0, 0, 1, 0]),
         ["ImageOrientationPatient differs", "localisers"]),
        (lambda d, _: setattr(d, "ImageOrientationPatient", [1, 0, 0, 0.5, 1, 0]), ["two unit vectors"]),
        (lambda d, _: setattr(d, "ImageOrientationPatient", [1, 0, 0, 0, 0.9781476007, 0.2079116908]),
         ["leans by 12.0 degrees", "gantry tilt"]),
        (lambda d, k: d.ImagePositionPatient.__setitem__(0, d.ImagePositionPatient[0] + 2.0 * (k == 3)),
         ["beside the line"]),
        (lambda d, k: d.ImagePositionPatient.__setitem__(2, 1.5 * (k - (k > 2))), ["at the same place"]),
        (lambda d, k: d.ImagePositionPatient.__setitem__(2, 1.5 * k - 0.6 * (k == 2)), ["unevenly spaced"]),
        (lambda d, _: d.__delitem__("PixelSpacing"), ["no usable PixelSpacing"]),
        (lambda d, _: setattr(d, "NumberOfFrames", 2), ["2 frames"]),
        (lambda d, _: setattr(d, "PhotometricInterpretation", "MONOCHROME1"), ["MONOCHROME1, not plain grey"]),
        (lambda d, _: setattr(d, "Rows", 60000), ["60000 x 9 pixels"]),
        (lambda d, _: setattr(d, "PixelData", d.PixelData[:20]), ["cannot be read as a DICOM slice"]),
        (lambda d, _: setattr(d, "RescaleSlope", "0"), ["rescale slope"]),
    ],
)  # fmt: skip
def test_series_that_is_no_straight_whole_stack_is_refused(series, change, words):
    def spoil(data, k):
        return "leave out" if change(data, k) == "leave out" else None

    assert_refused(series(spoil, axes=FROM_PATIENT), *words)


def test_stated_tilt_of_a_straight_stack_and_other_poses_are_told(series):
    def change(data, k):
        data.GantryDetectorTilt, data.PatientPosition = "12", "HFP"

    notes = " ".join(read_slices(series(change)).notes)
    assert "gantry tilt of 12 degrees, but" in notes
    assert "Scanned as HFP, not lying on the back" in notes


def test_other_files_in_the_folder_are_told(series):
    folder = series()
    (folder / "readme.txt").write_text("as it came")
    assert read_slices(folder).notes[-1] == "1 other file in the folder left alone."


def test_no_name_of_a_person_is_kept(series):
    assert "Nobody" not in repr(read_slices(series()))


@pytest.mark.parametrize("shared", [True, False])
def test_frames_of_an_enhanced_file_come_back_in_the_order_of_their_places(tmp_path, shared):
    made = make_slices(turn(SLANT))
    read = read_slices(write_frames(tmp_path / "ct.dcm", made, shared=shared))
    assert read.values.dtype == np.int16
    np.testing.assert_array_equal(read.values, made.values)
    np.testing.assert_allclose(read.spacing, SPACING, atol=1e-9)
    np.testing.assert_allclose(read.axes, made.axes, atol=1e-9)
    np.testing.assert_allclose(read.origin, made.origin, atol=1e-8)
    assert read.source == "DICOM series (CT) of 1 file with 6 frames"


def test_stack_may_be_cut_into_files_of_frames(tmp_path):
    made = make_slices(FROM_PATIENT)
    for k, part in enumerate((slice(0, 4), slice(4, 6))):
        place = made.to_world(np.array([[0.0, 0.0, float(part.start)]]))[0]
        write_frames(tmp_path / f"{k}.dcm", Slices(made.values[part], SPACING, made.axes, place, ""))
    read = read_slices(tmp_path)
    np.testing.assert_array_equal(read.values, made.values)
    assert read.source == "DICOM series (CT) of 2 files with 6 frames"


def test_frames_may_have_their_own_rescale_padding_and_squeezing(tmp_path):
    """Which frame is which shows in the values: each has its own intercept, and they lie in the file shuffled."""

    def change(data):
        pixels = np.frombuffer(data.PixelData, "<u2").reshape(6, 8, 9).copy()
        pixels[:, 0, :3] = 4000
        data.PixelPaddingValue, data.PixelData = 4000, pixels.tobytes()
        for k, groups in enumerate(data.PerFrameFunctionalGroupsSequence):
            groups.PixelValueTransformationSequence[0].RescaleIntercept = str(-1024 + k)
        data.compress(pydicom.uid.RLELossless)

    made = make_slices(FROM_PATIENT)
    read = read_slices(write_frames(tmp_path / "ct.dcm", made, change, shared=False))
    order = np.argsort(np.random.default_rng(3).permutation(6))
    expected = np.maximum(made.values + order[:, None, None], -1024)
    np.testing.assert_array_equal(read.values[:, 1:], expected[:, 1:])
    np.testing.assert_array_equal(read.values[:, 0, 3:], expected[:, 0, 3:])
    assert any("18 pixels of padding" in note for note in read.notes)


def _frame(data, k=2):
    return data.PerFrameFunctionalGroupsSequence[k]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.PerFrameFunctionalGroupsSequence.pop(), ["holds 6 frames, but tells the places of 5"]),
        (lambda d: d.__delattr__("PerFrameFunctionalGroupsSequence"),
         ["(Enhanced CT Image Storage) holds 6 frames without a place for each", "one slice a file"]),
        (lambda d: _frame(d).__delattr__("PlanePositionSequence"), ["frame 3: the frame is no slice with a place"]),
        (lambda d: _frame(d).__delattr__("PixelMeasuresSequence"), ["frame 3", "no usable PixelSpacing"]),
        (lambda d: _frame(d).PixelMeasuresSequence.clear(), ["frame 3", "no usable PixelSpacing"]),
        (lambda d: setattr(_frame(d).PixelMeasuresSequence[0], "PixelSpacing", [2, 2]),
         ["frame 3: PixelSpacing differs from that of frame 1 of ct.dcm"]),
        (lambda d: setattr(_frame(d).PlaneOrientationSequence[0], "ImageOrientationPatient", [1, 0, 0, 0, 0, -1]),
         ["frame 3: ImageOrientationPatient differs"]),
        (lambda d: setattr(_frame(d), "PlanePositionSequence", _frame(d, 4).PlanePositionSequence),
         ["frame 3 of ct.dcm and frame 5 of ct.dcm lie at the same place"]),
        (lambda d: [setattr(g.PlaneOrientationSequence[0], "ImageOrientationPatient", [1, 0, 0, 0, 0.97815, 0.20791])
                    for g in d.PerFrameFunctionalGroupsSequence], ["leans by 12.0 degrees"]),
        (lambda d: setattr(_frame(d).PixelValueTransformationSequence[0], "RescaleSlope", "0"), ["frame 3", "slope"]),
        (lambda d: setattr(d, "NumberOfFrames", 10**9), ["but tells the places of 6"]),
        (lambda d: setattr(d, "PixelData", d.PixelData[:300]), ["cannot be read as a DICOM slice"]),
        (lambda d: setattr(d, "BitsAllocated", 1), ["one bit a pixel, no grey values"]),
    ],
)  # fmt: skip
def test_frames_that_are_no_straight_whole_stack_are_refused(tmp_path, change, words):
    path = write_frames(tmp_path / "ct.dcm", make_slices(FROM_PATIENT), lambda d: change(d) and None, shared=False)
    assert_refused(path, *words)


# The files below come with pydicom and nibabel: cut down to a few pixels from series of real scanners.


def test_real_series_has_its_spacing_and_orientation():
    read = read_slices(REAL / "dicomdirtests/98892001/CT5N")
    np.testing.assert_allclose(read.spacing, [0.488281e-3, 0.488281e-3, 2.5e-3])
    np.testing.assert_allclose(read.axes, FROM_PATIENT)
    np.testing.assert_allclose(read.origin, np.array([-72.199997e-3, -143e-3, -1.2375e-3]) @ FROM_PATIENT)
    # z falls with the file name, so the last file is the first slice
    last = pydicom.dcmread(REAL / "dicomdirtests/98892001/CT5N/3353")
    np.testing.assert_array_equal(read.values[0], np.maximum(last.pixel_array * 1.0 + last.RescaleIntercept, -1024))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("dicomdirtests/77654033/CT2", ["161 slices missing between 17106 and 17136"]),
        ("dicomdirtests/98892001/CT2N", ["ImageOrientationPatient differs"]),
        ("dicomdirtests/98892003/MR2", ["mixes 3 series, of 3, 3, 1 slices"]),
        ("dicomdirtests/98892003/MR700", ["ImageOrientationPatient differs"]),
        ("dicomdirtests/77654033/CR1", ["no usable ImagePositionPatient"]),
        ("dicomdirtests/98892001", ["the folder itself holds no slices"]),
        ("CT_small.dcm", ["a single slice"]),
        ("image_dfl.dcm", ["deflated"]),
        ("rtdose.dcm", ["(RT Dose Storage) holds 15 frames without a place for each"]),
        ("rtdose_rle.dcm", ["(RT Dose Storage) holds 15 frames without a place for each"]),
        ("SC_rgb_rle_2frame.dcm", ["(Secondary Capture Image Storage) holds 2 frames without a place for each"]),
        ("examples_ybr_color.dcm", ["(Ultrasound Multi-frame Image Storage) holds 30 frames without a place"]),
        ("liver_1frame.dcm", ["(Segmentation Storage) holds one bit a pixel"]),
        ("liver_expb_1frame.dcm", ["(Segmentation Storage) holds one bit a pixel"]),
        ("badVR.dcm", ["cannot be read"]),
        ("waveform_ecg.dcm", ["no usable Rows"]),
    ],
)
def test_real_files_that_are_no_series_are_refused_with_the_reason(name, words):
    assert_refused(REAL / name, *words)


def test_real_tilted_slice_and_compression_without_a_decoder(tmp_path, monkeypatch):
    def stack():
        for k in range(3):
            data.ImagePositionPatient[2] = 2.0 * k  # as a tilted gantry moves: along the table
            data.save_as(tmp_path / f"{k}.dcm")

    data = pydicom.dcmread(REAL / "J2K_pixelrep_mismatch.dcm")
    stack()
    assert_refused(tmp_path, "leans by 22.0 degrees (gantry tilt; the header states -22)")
    data.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    stack()

    def cannot(self):
        raise RuntimeError("no decoder")

    monkeypatch.setattr(pydicom.dataset.Dataset, "pixel_array", property(cannot))
    assert_refused(tmp_path, "compressed (JPEG 2000", "no decoder")


def test_nifti_is_placed_by_its_transform(tmp_path):
    made = make_slices(turn(SLANT))
    affine = np.eye(4)
    to_ras = FROM_PATIENT.T @ np.diag([-1.0, -1.0, 1.0])
    affine[:3, :3] = (made.axes @ to_ras).T * (1e3 * SPACING)
    affine[:3, 3] = 1e3 * made.origin @ to_ras
    for name in ("one.nii", "one.nii.gz"):
        image = nibabel.Nifti1Image(made.values.T, affine)
        image.header.set_xyzt_units("mm")
        image.to_filename(tmp_path / name)
        read = read_slices(tmp_path / name)
        np.testing.assert_array_equal(read.values, made.values)
        np.testing.assert_allclose(read.spacing, SPACING, rtol=1e-6)
        np.testing.assert_allclose(read.axes, made.axes, atol=1e-6)
        np.testing.assert_allclose(read.origin, made.origin, atol=1e-6)


def test_nifti_that_is_doubtful_is_refused(tmp_path):
    values = make_slices().values.T
    sheared = np.array([[1.0, 0.3, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
    nibabel.Nifti1Image(values, sheared).to_filename(tmp_path / "sheared.nii")
    assert_refused(tmp_path / "sheared.nii", "shears the volume")
    nibabel.Nifti1Image(values, None).to_filename(tmp_path / "placeless.nii")
    assert_refused(tmp_path / "placeless.nii", "sform and qform are both unset", "mirrored")
    assert_refused(REAL_NIFTI / "example4d.nii.gz", "128 x 96 x 24 x 2, not one volume")
    assert_refused(REAL_NIFTI / "anatomical.nii", "states its own spacing", spacing=(1e-3,) * 3)
    assert read_slices(REAL_NIFTI / "anatomical.nii").spacing == pytest.approx([2e-3] * 3)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_pictures_and_pages_come_back_in_order(tmp_path, kind):
    values = np.random.default_rng(1).integers(0, 250, (11, 8, 9)).astype(kind)
    pages = [Image.fromarray(page) for page in values]
    pages[0].save(tmp_path.parent / "pages.tif", save_all=True, append_images=pages[1:])
    suffix = "tif" if kind == np.float32 else "png"
    for k in np.random.default_rng(2).permutation(11):
        pages[k].save(tmp_path / f"scan2 {k + 5}.{suffix}")  # 10 comes after 9, not after 1
    for source in (tmp_path, tmp_path.parent / "pages.tif"):
        read = read_slices(source, tuple(SPACING))
        np.testing.assert_array_equal(read.values, values)
        np.testing.assert_allclose(read.spacing, SPACING)
        assert any("mirrored" in note for note in read.notes)
    assert np.linalg.det(read_slices(tmp_path, tuple(SPACING)).axes) == pytest.approx(1.0)
    assert np.linalg.det(read_slices(tmp_path, tuple(SPACING), "head").axes) == pytest.approx(-1.0)


def test_pictures_that_are_no_stack_are_refused(tmp_path):
    def save(name, size=(9, 8), colour=7, mode="L"):
        Image.new(mode, size, colour).save(tmp_path / name)

    assert_refused(tmp_path / "nowhere", "no such file or folder")
    assert_refused(tmp_path, "the folder itself holds no slices")
    for k in range(4):
        save(f"s{k}.png")
    assert_refused(tmp_path, "--spacing-mm X Y Z")
    sized = {"spacing": (1e-3,) * 3}
    save("s7.png")
    assert_refused(tmp_path, "missing between number 3 and number 7", **sized)
    (tmp_path / "s7.png").rename(tmp_path / "t3.png")
    assert_refused(tmp_path, "same number", **sized)
    (tmp_path / "t3.png").unlink()
    save("s4.png", (9, 9))
    assert_refused(tmp_path, "one size", **sized)
    save("s4.png", colour=(1, 2, 3), mode="RGB")
    assert_refused(tmp_path, "in colour", **sized)
    save("cover.png")
    assert_refused(tmp_path, "holds no number", **sized)
    (tmp_path / "cover.png").unlink()
    (tmp_path / "s4.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    assert_refused(tmp_path, "cannot be read", **sized)
    shutil.copy(REAL / "CT_small.dcm", tmp_path)
    assert_refused(tmp_path, "mixes 1 DICOM files with 5 pictures")


def test_spoilt_bytes_are_read_or_refused_and_never_crash(tmp_path):
    """What 250 random faults a kind of file lead to: slices, or one sentence."""
    made = make_slices()
    write_series(tmp_path / "series", made)
    image = nibabel.Nifti1Image(made.values.T, np.diag([1.0, 1.0, 2.0, 1.0]))
    image.to_filename(tmp_path / "one.nii")
    image.to_filename(tmp_path / "two.nii.gz")
    pages = [Image.fromarray((page + 1000).astype(np.uint16)) for page in made.values]
    pages[0].save(tmp_path / "pages.tif", save_all=True, append_images=pages[1:])
    size = (1e-3,) * 3
    cases = [(next((tmp_path / "series").iterdir()), tmp_path / "series", None, 1200),
             (tmp_path / "one.nii", tmp_path / "one.nii", None, 352), (tmp_path / "two.nii.gz",) * 2 + (None, 900),
             (tmp_path / "pages.tif",) * 2 + (size, 9999),
             (write_frames(tmp_path / "frames.dcm", made),) * 2 + (None, 3000)]  # fmt: skip
    rng = np.random.default_rng(7)
    refused = told = 0
    for file, source, spacing, head in cases:
        good = file.read_bytes()
        reach = min(head, len(good))
        for turn_number in range(250):
            spoilt = bytearray(good)
            at = int(rng.integers(reach - 8))
            if turn_number % 4 == 0:
                del spoilt[at:]
            elif turn_number % 4 == 1:
                spoilt[at] = int(rng.integers(256))
            elif turn_number % 4 == 2:
                spoilt[at : at + 4] = b"\xff\xff\xff\x7f"
            else:
                spoilt[at:at] = rng.bytes(9)
            file.write_bytes(spoilt)
            try:
                read_slices(source, spacing)
            except InputError as fault:
                refused += "\n" not in str(fault)
                told += 1
        file.write_bytes(good)
        read_slices(source, spacing)
    assert refused == told > 400

"""The skin in a volume: threshold, table, air, and a surface as near to the true one as voxels allow."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import enclosed_volume
from drapesim.matter.body_repair import count_sides
from drapesim.matter.slices import FROM_PATIENT, Slices
from drapesim.matter.slices_mesh import keep_largest, smooth_skin, thin_out
from drapesim.matter.slices_skin import INSIDE, OUTSIDE, cut_skin, find_skin, find_threshold
from drapesim.matter.solid import polygonise
from tests.unit.made_slices import AIR, FLESH, MANIKIN, SLANT, distances, turn, voxelise

LITRE = enclosed_volume(*polygonise(MANIKIN, 5e-4))  # within 0.05 %: corners lie on the surface


def make_blocks(*blocks, shape=(20, 40, 40), spacing=2e-3) -> Slices:
    values = np.zeros(shape, dtype=np.uint8)
    for block in blocks:
        values[block] = 200
    return Slices(values, np.full(3, spacing), np.eye(3), np.zeros(3), "made up")


def skin_of(slices, **rest):
    return find_skin(slices, find_threshold(slices), **rest)


@pytest.mark.parametrize("size", [1e-3, 2e-3])
@pytest.mark.parametrize("is_binary", [False, True])
def test_known_surface_comes_back(size, is_binary):
    """The bar: 0.5 voxel RMS, 1 voxel at 99 %; measured 0.03 to 0.1 and 0.1 to 0.35."""
    slices = voxelise((size,) * 3, turn(SLANT), is_binary, noise=0.0 if is_binary else 30.0)
    vertices, faces, _ = keep_largest(*cut_skin(slices, skin_of(slices)))
    assert count_sides(faces) == (0, 0, 0)
    smooth, change = smooth_skin(vertices, faces)
    off = np.abs(distances(smooth, faces)) / size
    assert np.sqrt((off**2).mean()) < 0.5
    assert np.percentile(off, 99) < 1.0
    assert abs(change) < 0.005
    assert enclosed_volume(smooth, faces) == pytest.approx(LITRE, rel=0.01)


def test_slabs_meet_without_a_seam(monkeypatch):
    slices = voxelise((2e-3,) * 3)
    skin = skin_of(slices)
    whole = cut_skin(slices, skin)
    for slab in (1, 7, len(slices.values)):
        monkeypatch.setattr("drapesim.matter.slices_skin.SLAB", slab)
        vertices, faces = cut_skin(slices, skin)
        assert count_sides(faces) == (0, 0, 0)
        assert (len(vertices), len(faces)) == (len(whole[0]), len(whole[1]))
        assert enclosed_volume(vertices, faces) == pytest.approx(enclosed_volume(*whole), rel=1e-9)


def test_mirrored_axes_give_outward_normals():
    slices = voxelise((2e-3,) * 3)
    mirrored = replace(slices, axes=np.diag([1.0, 1.0, -1.0]))
    for each in (slices, mirrored):
        assert enclosed_volume(*cut_skin(each, skin_of(each))) == pytest.approx(LITRE, rel=0.01)


def test_uneven_voxels_keep_lengths():
    slices = voxelise((0.8e-3, 0.8e-3, 3e-3))
    vertices, faces, _ = keep_largest(*cut_skin(slices, skin_of(slices)))
    off = np.abs(distances(vertices, faces)) / 3e-3
    assert np.percentile(off, 99) < 1.0
    assert enclosed_volume(vertices, faces) == pytest.approx(LITRE, rel=0.01)


def test_threshold_lies_half_way_or_where_it_is_put():
    slices = voxelise((2e-3,) * 3, noise=40.0)
    found = find_threshold(slices)
    assert found.level == pytest.approx(0.5 * (AIR + FLESH), abs=60.0)
    assert (found.air, found.flesh) == pytest.approx((AIR, FLESH), abs=25.0)
    assert find_threshold(slices, -200.0).level == -200.0
    with pytest.raises(InputError, match="does not part the values"):
        find_threshold(slices, 5000.0)
    with pytest.raises(InputError, match="all voxels have the value 7"):
        find_threshold(replace(slices, values=np.full((3, 3, 3), 7, np.uint8)))


def test_table_that_runs_through_all_slices_is_taken_away_where_the_back_rests_on_it_too():
    clean = voxelise((1.5e-3,) * 3, FROM_PATIENT)
    slices = voxelise((1.5e-3,) * 3, FROM_PATIENT, noise=30.0, with_table=True)
    skin = skin_of(slices)
    assert skin.removed_largest > 0.9 * skin.removed_volume > 1e-5
    assert skin.body_volume == pytest.approx(skin_of(clean).body_volume, rel=0.003)
    vertices, faces, _ = keep_largest(*cut_skin(slices, skin))
    off = np.abs(distances(vertices, faces)) / 1.5e-3
    assert np.sqrt((off**2).mean()) < 0.5
    assert np.percentile(off, 99) < 1.0


def test_plate_that_slants_through_the_slices_leaves_no_more_than_its_touching_patch():
    clean = skin_of(voxelise((1.5e-3,) * 3, turn(SLANT)))
    skin = skin_of(voxelise((1.5e-3,) * 3, turn(SLANT), noise=30.0, with_table=True))
    assert skin.removed_largest > 0.9 * skin.removed_volume > 1e-5
    patch = np.pi * 0.035 * 0.025 * 0.003  # m3: the ellipse in which the back is within 1.5 voxels, and a lip of 3 mm
    assert 0.0 < skin.body_volume - clean.body_volume < patch


def test_thin_parts_that_touch_only_the_body_come_back():
    trunk = np.s_[4:16, 10:30, 10:30]
    ear = np.s_[8:12, 15:17, 30:36]  # 4 mm thick, 12 mm long
    lone = np.s_[8:12, 35:37, 2:6]
    skin = skin_of(make_blocks(trunk, ear, lone), opening=6e-3)
    assert (skin.state[ear] != OUTSIDE).all()
    assert (skin.state[lone] == OUTSIDE).all()
    plate = np.s_[:, 15:17, 30:]  # it reaches the end of the volume, but is no longer than an ear
    board = np.s_[0:20, 15:17, 30:80]  # 100 mm
    assert (skin_of(make_blocks(trunk, plate)).state != OUTSIDE).all()
    cut = skin_of(make_blocks(trunk, board, shape=(20, 40, 90)))
    assert (cut.state[:, 15:17, 40:80] == OUTSIDE).all()


def test_air_is_filled_where_it_is_shut_off_or_widens_behind_a_narrow_way():
    trunk = np.s_[2:18, 5:35, 5:35]
    slices = make_blocks(trunk)
    chest = np.s_[6:14, 12:28, 12:28]
    windpipe = np.s_[9:11, 19:21, 28:35]  # 4 mm wide, to the outside
    slices.values[chest] = 0
    closed = skin_of(slices)
    assert (closed.state[chest] == INSIDE).all()
    assert closed.filled_volume == pytest.approx(8 * 16 * 16 * 8e-9)
    slices.values[windpipe] = 0
    narrow = skin_of(slices)
    assert (narrow.state[chest] == INSIDE).all()
    assert skin_of(slices, pocket=2e-3).filled_volume == 0.0
    cleft = make_blocks(trunk)
    cleft.values[9:11, 5:35, 25:35] = 0  # as between fingers: no wider inside than at its mouth
    assert skin_of(cleft).filled_volume == 0.0


def test_body_that_runs_out_of_the_volume_is_closed_flat_and_its_windpipe_filled():
    slices = make_blocks(np.s_[:, 8:32, 8:32])
    slices.values[0:12, 15:25, 15:25] = 0
    skin = skin_of(slices)
    assert any("first slice, last slice" in note for note in skin.notes)
    assert (skin.state[0:12, 15:25, 15:25] == INSIDE).all()
    assert count_sides(cut_skin(slices, skin)[1]) == (0, 0, 0)


def test_bone_under_the_skin_does_not_draw_the_surface_outward():
    slices = voxelise((2e-3,) * 3)
    hard = replace(slices, values=np.where(slices.values > FLESH - 1, 2000, slices.values).astype(np.int16))
    threshold = find_threshold(slices)
    soft, bone = (cut_skin(each, find_skin(each, threshold))[0] for each in (slices, hard))
    assert np.abs(soft - bone).max() < 2e-4


def test_nothing_thick_enough_is_refused():
    slices = make_blocks(np.s_[5:7, 5:7, 5:30])
    with pytest.raises(InputError, match="is 20 mm thick"):
        skin_of(slices, opening=2e-2)


def test_smoothing_takes_out_steps_and_keeps_the_volume():
    slices = voxelise((2e-3,) * 3, turn(SLANT), is_binary=True)
    vertices, faces, _ = keep_largest(*cut_skin(slices, skin_of(slices)))
    smooth, change = smooth_skin(vertices, faces)
    before, after = (np.sqrt((distances(v, faces) ** 2).mean()) for v in (vertices, smooth))
    assert after < 0.7 * before
    assert change == pytest.approx(enclosed_volume(smooth, faces) / enclosed_volume(vertices, faces) - 1.0)
    assert abs(change) < 0.003


def test_thinned_mesh_stays_closed():
    vertices, faces = polygonise(MANIKIN, 2e-3)
    thin, few = thin_out(vertices, faces, 3000)
    assert len(few) <= 3000
    assert count_sides(few) == (0, 0, 0)
    assert np.abs(distances(thin, few)).max() < 1e-3

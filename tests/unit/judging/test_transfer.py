"""Ways by name, laws, prints between nodes, and what stands between body and cloth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.judging.distortion import find_sides, fit_similarity, measure_distortion, print_landmarks, sum_regions
from drapesim.judging.transfer import (
    Laid,
    Way,
    fall,
    find_inner,
    find_shown,
    find_sources,
    is_seen,
    lay_finer,
    lay_on,
    print_points,
    print_values,
    read_way,
    warp_picture,
)
from drapesim.matter.body import box, cylinder, join, slab
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.layer_record import LayerRecord, prepare_layers, record_layers

THICK = 4e-4


def _flat(height: float = 0.05, sign: int = -1) -> Laid:
    """A flat cloth 0.2 x 0.2 m over a box whose top lies at z = 0.04 from x, y = -0.05 to 0.05."""
    body = box((-0.05, -0.05, 0.0), (0.05, 0.05, 0.04))
    body = replace(body, region=np.where(body.vertices[body.faces, 2].min(1) > 0.03, 0, -1).astype(np.int32),
                   region_names=("lid",), landmarks={"middle": np.array([0.013, -0.021, 0.04]),
                                                     "below": np.array([0.0, 0.0, 0.0])})  # fmt: skip
    lattice = Lattice(0.01, 0.01, np.ones((20, 20), bool), inner_sign=sign)
    x = np.column_stack([lattice.uv - 0.1, np.full(len(lattice.ij), height)])
    return lay_on(lattice, x, THICK, prepare_body(body))


@pytest.mark.parametrize("name", ["contact:1", "normal:linear:20", "nearest:cut-off:5", "down:exponential:2.5", "view",
                                  "relief:linear:20:15"])  # fmt: skip
def test_ways_are_named_as_they_are_read(name: str) -> None:
    assert read_way(name).name == name


@pytest.mark.parametrize("name", ["", "wax", "contact", "contact:0", "contact:1:2", "normal:20", "normal:square:20",
                                  "view:3", "relief:linear:20", "down:linear:x", "nearest:linear:-4",
                                  "nearest:linear:2000", "contact:nan"])  # fmt: skip
def test_other_words_are_refused_in_one_sentence(name: str) -> None:
    with pytest.raises(InputError) as refused:
        read_way(name)
    assert "--way" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_laws_at_nothing_at_the_reach_and_beyond() -> None:
    gap = np.array([0.0, 0.01, 0.02, 0.0200001, 0.11])
    np.testing.assert_allclose(fall("linear", gap, 0.02), [1.0, 0.5, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(fall("cut-off", gap, 0.02), [1.0, 1.0, 1.0, 0.0, 0.0])
    np.testing.assert_allclose(fall("exponential", gap, 0.02)[:3], np.exp([0.0, -0.5, -1.0]))
    assert fall("exponential", gap, 0.02)[4] == 0.0
    weak = Way("normal", "linear", 0.02).weaken(np.array([-0.001, np.nan, np.inf]))
    np.testing.assert_array_equal(weak, [1.0, 0.0, 0.0])


def test_gap_is_from_the_inner_face_and_prints_only_over_the_lid() -> None:
    laid = _flat()
    source = find_sources(laid, Way("normal", "linear", 0.02))
    over = np.abs(laid.x[:, :2]).max(axis=1) < 0.0501
    np.testing.assert_allclose(source.gap[over], 0.01 - 0.5 * THICK, atol=1e-12)
    assert (source.strength[over] > 0.5).all()
    assert not source.strength[~over].any()
    assert np.isinf(source.gap[~over]).all()
    inner = find_inner(laid.lattice, source)
    assert inner.sum() == 9 * 9  # all but the rim of the eleven by eleven over the lid


def test_nothing_passes_through_the_outer_side_or_another_layer() -> None:
    for way in (Way("contact", "cut-off", 0.02), Way("normal", "linear", 0.02), Way("down", "linear", 0.02)):
        assert not find_sources(_flat(sign=1), way).strength.any()
    laid = _flat()
    n = len(laid.x)
    between = np.full((n, 2), np.inf)
    between[: n // 2, 0] = 0.001  # a layer 1 mm under the inner face, the body 10 mm
    layers = LayerRecord(between, np.full((n, 2, 2), np.nan), np.full((n, 2), -1, np.int32), np.zeros((n, 2, 3)),
                         np.full((n, 2), -1, np.int8))  # fmt: skip
    source = find_sources(replace(laid, layers=layers), Way("nearest", "linear", 0.02))
    assert not source.strength[: n // 2].any()
    assert source.strength[n // 2 :].any()


def test_pressed_in_prints_in_full_and_not_from_the_far_side() -> None:
    laid = _flat(height=0.0401)  # the inner face 0.1 mm inside the box
    source = find_sources(laid, Way("normal", "linear", 0.02))
    over = np.abs(laid.x[:, :2]).max(axis=1) < 0.045
    np.testing.assert_array_equal(source.strength[over], 1.0)
    np.testing.assert_allclose(source.point[over, 2], 0.04, atol=1e-12)


def test_points_print_between_nodes_and_hidden_ones_do_not() -> None:
    laid = _flat()
    source = find_sources(laid, Way("normal", "linear", 0.02))
    rows, fit = print_landmarks(laid, source)
    assert fit is None
    below, middle = rows
    np.testing.assert_allclose(middle.uv, [0.113, 0.079], atol=1e-12)
    assert np.isnan(below.uv).all()
    assert below.miss == pytest.approx(0.04)
    nothing = print_points(laid, source, np.zeros((0, 3)))
    assert nothing.uv.shape == (0, 2)


def test_finer_places_print_what_nodes_miss() -> None:
    """A roller of 12 mm under nodes 40 mm apart: no node has it below, the cloth between them does."""
    body = cylinder(0.006, 0.5, centre=(0.013, 0.0, 0.03), axis="y", n_segments=256)
    lattice = Lattice(0.04, 0.04, np.ones((5, 5), bool), inner_sign=-1)
    x = np.column_stack([lattice.uv - 0.1, np.full(len(lattice.ij), 0.036 + 0.5 * THICK)])
    laid = lay_on(lattice, x, THICK, prepare_body(body))
    way = Way("normal", "linear", 0.01)
    assert not find_sources(laid, way).whole.any()
    fine = lay_finer(laid, 0.003)
    assert max(fine.lattice.spacing_u, fine.lattice.spacing_v) <= 0.003
    assert lay_finer(fine, 0.003) is fine
    source = find_sources(fine, way)
    (place,) = print_points(fine, source, np.array([[0.013, 0.02, 0.036]])).uv
    np.testing.assert_allclose(place, [0.113, 0.12], atol=3e-4)


def test_finer_places_keep_the_layers_between() -> None:
    """A cloth folded over flat: the upper half has the lower one between itself and the body."""
    lattice = Lattice(0.01, 0.01, np.ones((40, 10), bool), inner_sign=-1)
    u, v = lattice.uv.T
    upper = u > 0.2  # lies back over the first half, inner side up
    x = np.column_stack([np.where(upper, 0.3 - u, u - 0.1), v - 0.05, np.where(upper, 0.043, 0.041)])
    body = box((-0.2, -0.2, 0.0), (0.2, 0.2, 0.04))
    laid = lay_on(lattice, x, THICK, prepare_body(body), record_layers(prepare_layers(lattice, x, THICK)))
    fine = lay_finer(laid, 0.005)
    assert fine.layers is not None
    away = np.abs(fine.lattice.uv[:, 0] - 0.2) > 0.03
    over = away & (fine.lattice.uv[:, 0] > 0.2)
    under = away & (fine.lattice.uv[:, 0] < 0.2)
    np.testing.assert_allclose(fine.layers.gap[under, 1], 0.002 - THICK, atol=1e-9)
    source = find_sources(fine, Way("nearest", "linear", 0.02))
    assert (source.strength[under] > 0.9).all()
    assert not source.strength[over].any()


def test_rays_end_at_the_cloth_however_far_off_it_lies() -> None:
    """Half of the cloth is folded over 60 mm above the other half: far beyond what a record of layers tells."""
    lattice = Lattice(0.01, 0.01, np.ones((46, 10), bool), inner_sign=-1)
    u, v = lattice.uv.T
    rise = np.clip(u - 0.2, 0.0, 0.06)
    x = np.column_stack([np.where(u > 0.26, 0.46 - u, np.minimum(u, 0.2)) - 0.1, v - 0.05, 0.041 + rise])
    # beyond the fold the sheet's inner side looks up: turned over, as a lid that is laid back with both sides inner
    laid = lay_on(lattice, x, THICK, prepare_body(box((-0.2, -0.2, 0.0), (0.2, 0.2, 0.04))))
    laid = replace(laid, normal=np.where((u > 0.26)[:, None], -laid.normal, laid.normal))
    for kind in ("normal", "down"):
        source = find_sources(laid, Way(kind, "linear", 0.1))
        assert (source.strength[u < 0.19] > 0.9).all()
        assert not source.strength[(u > 0.27) & (u < 0.45)].any()


def test_photograph_sees_neither_undersides_nor_what_lies_under_another_part() -> None:
    boxes = box((-0.1, -0.1, 0.0), (0.1, 0.1, 0.05)), box((0.0, -0.05, 0.08), (0.05, 0.05, 0.1))
    body = join(*(replace(each, landmarks={}) for each in boxes))
    lattice = Lattice(0.01, 0.01, np.ones((4, 4), bool), inner_sign=-1)
    x = np.column_stack([lattice.uv, np.full(len(lattice.ij), 0.2)])
    laid = lay_on(lattice, x, THICK, prepare_body(body))
    points = np.array([[-0.05, 0.0, 0.05], [0.02, 0.0, 0.05], [0.02, 0.0, 0.1], [0.02, 0.0, 0.08],
                       [-0.1, 0.02, 0.03], [-0.05, 0.0, 0.0], [np.nan, 0.0, 0.0]])  # fmt: skip
    # the top; the top under the shelf; the shelf's top and underside; a side just under its edge; the floor; nothing
    np.testing.assert_array_equal(is_seen(laid, points), [True, False, True, False, False, False, False])


def test_values_of_the_body_are_read_at_the_sources() -> None:
    laid = _flat()
    source = find_sources(laid, Way("normal", "linear", 0.02))
    values = print_values(laid, source, laid.field.body.vertices[:, :2])
    there = np.isfinite(values).all(axis=1)
    np.testing.assert_allclose(values[there], laid.x[there, :2], atol=1e-12)


@pytest.mark.parametrize("turn", [0.0, 1.2, np.pi])
def test_sides_of_a_turned_body_are_its_own(turn: float) -> None:
    laid = _flat()
    c, s = np.cos(turn), np.sin(turn)
    points = np.array([[0.02, -0.03, 0.04], [0.0, 0.05, 0.04], [-0.03, 0.0, 0.04]]) @ np.array(
        [[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]
    )
    marks = {
        "knee (left)": np.array([c * 0.02 + s * 0.03, s * 0.02 - c * 0.03, 0.0]),
        "knee (right)": np.array([c * 0.02 - s * 0.03, s * 0.02 + c * 0.03, 0.0]),
        "left ear": np.zeros(3),  # its fellow has no name
    }
    body = replace(laid.field.body, landmarks=marks)
    told = find_sides(replace(laid, field=replace(laid.field, body=body)), points)
    np.testing.assert_allclose(told, [-0.03, 0.05, 0.0], atol=1e-12)
    plain = replace(laid.field.body, landmarks={})
    told = find_sides(replace(laid, field=replace(laid.field, body=plain)), points)
    np.testing.assert_allclose(told, points[:, 1], atol=1e-12)


def test_held_flat_keeps_lengths_areas_and_angles() -> None:
    laid = _flat()
    source = find_sources(laid, Way("view"))
    found = measure_distortion(laid, source)
    for each in (found.area, found.stretch_u, found.stretch_v, found.photo_area):
        np.testing.assert_allclose(each, 1.0, atol=1e-9)
    lid, whole = sum_regions(laid, source, found)
    assert (lid.name, whole.name) == ("lid", "in all")
    assert lid.flat == pytest.approx(0.01, rel=1e-9)
    assert lid.photo_factor == pytest.approx(1.0)


def test_view_is_one_picture_of_what_lies_high_and_low() -> None:
    boxes = box((-0.105, -0.105, 0.0), (0.105, 0.105, 0.03)), box((0.005, -0.105, 0.03), (0.105, 0.105, 0.09))
    lattice = Lattice(0.01, 0.01, np.ones((30, 30), bool), inner_sign=-1)
    x = np.column_stack([lattice.uv - 0.15, np.full(len(lattice.ij), 0.1)])
    laid = lay_on(lattice, x, THICK, prepare_body(join(*(replace(each, landmarks={}) for each in boxes))))
    source = find_sources(laid, Way("view"))
    shown = find_shown(lattice, source)
    assert shown.sum() == 20 * 20
    assert source.whole.sum() == 19 * 20  # the row of cells over the step is torn
    assert (shown >= source.whole).all()


def test_held_flat_is_the_body_from_below_and_not_its_mirror_image() -> None:
    laid = _flat()
    for way in (Way("view"), Way("relief", "linear", 0.02, 0.01)):
        printed = print_points(laid, find_sources(laid, way), np.array([[0.013, -0.021, 0.04]]))
        np.testing.assert_allclose(printed.uv[0], [0.113, 0.079], atol=1e-9)


def test_relief_fades_with_the_depth_below_its_top() -> None:
    body = slab(0.3, 0.3, 0.1)
    body = replace(body, parts=(replace(body.parts[0], is_support=False),))
    lattice = Lattice(0.01, 0.01, np.ones((10, 10), bool))
    x = np.column_stack([lattice.uv - 0.05, np.full(len(lattice.ij), 0.01)])
    source = find_sources(lay_on(lattice, x, THICK, prepare_body(body)), Way("relief", "linear", 0.02, 0.01))
    np.testing.assert_allclose(source.gap, 0.0, atol=1e-12)  # a level relief has no depth
    np.testing.assert_array_equal(source.strength, 1.0)


def test_similarity_is_found_and_its_residual_is_what_was_added() -> None:
    chance = np.random.default_rng(2)
    start = chance.normal(size=(9, 2))
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
    fit = fit_similarity(start, 1.3 * start @ turn.T + [2.0, -1.0])
    assert fit.scale == pytest.approx(1.3)
    assert fit.turn_angle == pytest.approx(0.4)
    assert fit.rms < 1e-12
    mirrored = fit_similarity(start, start * [1.0, -1.0], is_mirrored=True)
    assert mirrored.rms < 1e-12
    assert fit_similarity(start, start * [1.0, -1.0]).rms > 0.1


def test_support_alone_prints_nothing() -> None:
    lattice = Lattice(0.01, 0.01, np.ones((4, 4), bool))
    with pytest.raises(InputError, match="no body"):
        lay_on(lattice, np.zeros((25, 3)), THICK, prepare_body(slab(1.0, 1.0, 0.1)))


def test_warped_picture_lies_where_its_sources_do() -> None:
    laid = _flat()
    source = find_sources(laid, Way("normal", "linear", 0.02))
    picture = np.zeros((100, 100, 1), np.uint8)
    picture[:, 50:] = 200  # the half toward +x
    place = np.nan_to_num((source.point[:, :2] + 0.05) * 1000 - 0.5)
    out, strength = warp_picture(laid.lattice, source, place, picture, (200, 200))
    assert not strength[:50].any()
    assert (out[60:140, 55:98] == 0).all()
    assert (out[60:140, 102:145] == 200).all()

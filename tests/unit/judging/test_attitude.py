"""The attitude from a flat map: known bodies come back from their own maps, and what a map leaves open is said so."""

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.judging.attitude import (
    DETERMINED,
    LOOSELY,
    OPEN,
    UNSEEN,
    Question,
    _Fit,
    check_question,
    find_attitude,
    judge_width,
    try_fit,
)
from drapesim.judging.lay_models import LAYS, MapView, Placing, fit_placing, lay_flat, lay_more, pick_hand, weave
from drapesim.matter.measures import find_measures
from drapesim.matter.skeleton import ANGLE_NAMES, JointAngles, place_skeleton

TRUTH = {"head_flexion": 10.0, "head_rotation": 12.0, "trunk_flexion": 3.0}
for side in ("left", "right"):
    TRUTH |= {f"{side} shoulder_flexion": -7.0, f"{side} shoulder_abduction": 20.0, f"{side} shoulder_rotation": 46.0,
              f"{side} elbow_flexion": 79.0, f"{side} forearm_pronation": 117.0, f"{side} wrist_flexion": 29.0,
              f"{side} wrist_abduction": 16.0, f"{side} finger_flexion": 5.0, f"{side} hip_flexion": 8.0,
              f"{side} hip_abduction": 3.0, f"{side} hip_rotation": -10.0, f"{side} knee_flexion": 16.0,
              f"{side} ankle_flexion": -25.0}  # fmt: skip
STATURE = 1.76
TRUNK = ("nose tip", "chin", "sternum", "navel", "left shoulder point", "right shoulder point")
LEGS = ("left knee cap", "right knee cap", "left toe tip", "right toe tip")
ARM = ("right elbow", "right wrist", "right middle fingertip")


def make_view(names, lay, hand=1.0, noise=0.0, seed=1, sd=0.01, angles=TRUTH, stature=STATURE):
    """The map of a known body under a lay model: turned by 7 degrees and shifted, with noise."""
    skeleton = place_skeleton(find_measures(stature), JointAngles.from_degrees(angles))
    places = np.array([skeleton.landmark(name) for name in names])
    flat = places[:, :2] * [1.0, hand]
    for _ in range(40):  # the weights of the pairs are those of the finished map
        flat = lay_flat(lay, places, weave(flat), hand)
    points = Placing(np.radians(7.0), np.array([1.9, 0.6])).put(flat)
    points = points + noise * np.random.default_rng(seed).standard_normal(points.shape)
    return MapView(tuple(names), points, np.full(len(names), sd), hand)


@pytest.mark.parametrize("lay", LAYS)
@pytest.mark.parametrize("lie", ["supine", "prone"])
def test_slopes_against_differences(lay, lie):
    views = (make_view((*TRUNK, *LEGS, *ARM), lay), make_view(TRUNK[:3], lay, hand=-1.0))
    fit = _Fit(Question(views, lie), lay)
    x = fit.place_best(fit.mean + 0.1 * fit.sd * np.random.default_rng(0).standard_normal(len(fit.mean)))
    by_map, by_hover = fit.slope(x)
    by_differences = [name for name, share in zip(fit.carrying.names, fit.carrying.share, strict=True) if share is None]
    assert by_differences == ["right finger_flexion"]  # all else turns rigidly, about axes that were found right
    assert (fit.hover(x) != 0.0).any()
    for k in range(len(x)):
        ahead, behind = x.copy(), x.copy()
        ahead[k] += 1e-6
        behind[k] -= 1e-6
        for slope, value in ((by_map, fit.misfit), (by_hover, fit.hover)):
            true = (value(ahead) - value(behind)) / 2e-6
            assert np.abs(slope[:, k] - true).max() < 1e-4 * max(1.0, np.abs(true).max())


def test_nothing_lies_under_the_support_nor_hovers_at_rest():
    views = (make_view((*TRUNK, *LEGS, *ARM), "straight down"),)
    for at_rest in (True, False):
        fit = _Fit(Question(views, at_rest=at_rest), "straight down")
        names = [ANGLE_NAMES[k] for k in fit.active]

        def bend(name, degrees, fit=fit, names=names):
            x = fit.mean.copy()
            x[1 + names.index(name)] = np.radians(degrees)
            return fit.hover(x)

        assert np.abs(fit.hover(fit.mean)).max() < 1.0  # a body at ease lies within what it may, or nearly
        assert bend("left hip_flexion", -15.0).min() < -3.0  # the leg goes down through the support
        assert (bend("right shoulder_flexion", 80.0).max() > 5.0) == at_rest  # the arm stands up


@pytest.mark.parametrize("lay", LAYS)
def test_the_known_body_comes_back_under_noise(lay):
    """Noise of 8 mm, taken for 10: stature within 3 %, determined angles within 12 degrees, all true values allowed."""
    found = find_attitude(Question((make_view((*TRUNK, *LEGS, *ARM), lay, noise=0.008),)), lay)
    assert found.stature[0] == pytest.approx(STATURE, rel=0.03)
    assert found.stature[1] - 1e-3 <= STATURE <= found.stature[2] + 1e-3
    true = JointAngles.from_degrees(TRUTH).as_vector()
    best = found.angles.as_vector()
    known = np.array(found.known)
    seen = known != UNSEEN
    slack = np.radians(1.0)
    assert ((true >= found.low - slack) & (true <= found.high + slack))[seen].all()
    assert (known == DETERMINED).sum() >= 4
    assert np.degrees(np.abs(best - true))[known == DETERMINED].max() < 12.0
    assert found.rms < 0.012
    assert np.linalg.norm(np.concatenate(found.misfit), axis=1).max() < 0.03
    left_arm = [name for name in ANGLE_NAMES if name.startswith(("left shoulder", "left elbow", "left wrist"))]
    assert {found.known[ANGLE_NAMES.index(name)] for name in left_arm} == {UNSEEN}


def test_a_bend_out_of_the_map_is_not_called_determined():
    """Seen from above, hip and knee may bend against each other with little change: a projection has no height."""
    found = find_attitude(Question((make_view((*TRUNK, *LEGS), "straight down"),)), "straight down")
    known = dict(zip(ANGLE_NAMES, found.known, strict=True))
    for name in ("left hip_flexion", "left knee_flexion", "right knee_flexion"):
        assert known[name] in (LOOSELY, OPEN)
    assert known["left hip_rotation"] == OPEN
    k = ANGLE_NAMES.index("left knee_flexion")
    assert np.degrees(found.high[k] - found.low[k]) > 35.0
    assert found.others
    spread = np.array([other.landmark("left knee cap")[2] for other in found.others])
    assert np.ptp(spread) > 0.08  # m of height that the map says nothing of


def test_front_and_back_maps_of_one_body_are_fitted_together():
    """Each map has its own turn and shift; heels from the back, knees from the front."""
    front = make_view((*TRUNK, "left knee cap", "right knee cap"), "straight down")
    back = make_view(("left heel", "right heel", "back of head", "left elbow"), "straight down", hand=-1.0)
    best, square = try_fit(Question((front, back)), "straight down")
    assert square < 0.6
    assert best[0] == pytest.approx(STATURE, rel=0.02)
    assert best[-6] == pytest.approx(np.radians(7.0), abs=0.05)
    assert best[-3] == pytest.approx(np.radians(7.0), abs=0.05)
    swapped = Question((front, make_view(back.names, "straight down")))
    assert try_fit(Question((front, MapView(back.names, back.points, back.sd, 1.0))), "straight down")[1] > 20.0
    assert try_fit(swapped, "straight down")[1] < 0.6  # a map of the back seen from the other side, and told so


def test_a_small_misfit_of_few_landmarks_is_no_test():
    found = find_attitude(Question((make_view((*ARM, "sternum", "left toe tip"), "straight down"),)), "straight down")
    assert found.free < 1.0
    assert np.isnan(found.chi)
    assert found.stature_known != DETERMINED


def test_a_mirrored_map_fits_badly():
    view = make_view((*TRUNK, *LEGS), "straight down")
    wrong = MapView(view.names, view.points, view.sd, -1.0)
    assert (
        try_fit(Question((wrong,)), "straight down")[1] > 20.0 * try_fit(Question((view,)), "straight down")[1] + 20.0
    )


@pytest.mark.parametrize(("names", "scale", "sentence"), [
    (("nose tip", "chin", "navel"), 1.0, "3 landmarks are too few for an attitude; give at least 5"),
    (TRUNK, 10.0, "m, more than any body; check the unit; [u, v] are in mm"),
    (TRUNK, 1e-3, "all landmarks lie within 1 mm, which tells no attitude of a body; check the unit"),
])  # fmt: skip
def test_too_little_is_refused(names, scale, sentence):
    view = make_view(names, "straight down")
    small = MapView(view.names, scale * view.points, view.sd, 1.0)
    with pytest.raises(InputError) as fault:
        check_question(Question((small,)))
    assert sentence in str(fault.value)
    assert "\n" not in str(fault.value)


def test_width_decides_what_is_known():
    degrees = np.radians
    assert judge_width(degrees(20), degrees(120)) == DETERMINED
    assert judge_width(degrees(20), degrees(30)) == LOOSELY  # most of the joint's range
    assert judge_width(degrees(40), degrees(120)) == LOOSELY
    assert judge_width(degrees(100), degrees(120)) == OPEN


# Lay models


def test_a_flat_body_lies_as_it_is_under_both_models():
    """With all landmarks at one height, ways along the surface are those in plan; only the turn of hand is left."""
    places = np.concatenate([np.random.default_rng(2).uniform(0.0, 1.0, (8, 2)), np.full((8, 1), 0.2)], axis=1)
    for hand in (1.0, -1.0):
        plan = places[:, :2] * [1.0, hand]
        for lay in LAYS:
            flat = lay_flat(lay, places, weave(plan), hand)
            assert np.allclose(flat - flat[0], plan - plan[0], atol=1e-9)
            more = lay_more(lay, places, flat, places[:3], hand)
            assert np.allclose(more - more[0], plan[:3] - plan[0], atol=1e-9)


def test_two_points_lie_as_far_apart_as_in_space():
    """3-4-5: 300 mm in plan and 400 mm in height are 500 mm of cloth; within the 5 mm that smooth the rule."""
    places = np.array([[0.0, 0.0, 0.0], [0.3, 0.0, 0.4]])
    flat = lay_flat("along the surface", places, weave(places[:, :2]), 1.0)
    assert np.linalg.norm(flat[1] - flat[0]) == pytest.approx(0.5, abs=1e-4)
    assert lay_flat("straight down", places, weave(places[:, :2]), 1.0)[1, 0] == pytest.approx(0.3)


def test_hands_of_maps():
    """A supine body's front under a cloth that is seen from its inner side: left, at -y, comes to lie above, at -v."""
    assert pick_hand("supine", "front", "inner") == 1.0
    assert pick_hand("supine", "front", "outer") == -1.0
    assert pick_hand("supine", "back", "inner") == -1.0
    assert pick_hand("prone", "back", "inner") == 1.0


def test_placing_is_found_exactly():
    flat = np.random.default_rng(1).standard_normal((6, 2))
    true = Placing(2.3, np.array([0.4, -0.2]))
    view = MapView(tuple("abcdef"), true.put(flat), np.linspace(0.01, 0.05, 6), 1.0)
    found = fit_placing(flat, view)
    assert found.turn == pytest.approx(2.3)
    assert np.allclose(found.shift, true.shift)

"""Adults by measures: girths of the solid, regions and landmarks, closed and free of crossings in any attitude."""

from dataclasses import fields

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.adult import Adult, build_adult
from drapesim.matter.adult_girths import MEASURING, fit_girths, read_girths
from drapesim.matter.adult_solid import GIRTHS, list_tapes, make_adult_solid
from drapesim.matter.anatomy import find_standard
from drapesim.matter.body import check_body
from drapesim.matter.measures import MEASURES, BodyMeasures, find_measures

BODIES = [(1.45, 0.0, 1.0), (1.60, 0.3, 0.65), (1.714, 0.5, 1.0), (1.80, 1.0, 1.3), (2.00, 0.8, 0.9)]


@pytest.fixture(scope="module")
def adult() -> Adult:
    return build_adult(find_measures(1.70, sex=0.5), MEASURING[0][0])


@pytest.mark.parametrize(("stature", "sex", "fullness"), BODIES)
def test_every_girth_of_the_solid_is_as_measured(stature: float, sex: float, fullness: float) -> None:
    m = find_measures(stature, fullness * find_measures(stature, sex=sex).mass, sex)
    factors = fit_girths(m)
    for angles, names in MEASURING:
        solid = make_adult_solid(m, angles, factors=factors)
        tapes = list_tapes(m, solid)
        for name, read in read_girths(solid, {each: tapes[each] for each in names}).items():
            assert read == pytest.approx(getattr(m, name), rel=1e-3), name
    assert {name for _, names in MEASURING for name in names} == set(GIRTHS) == {n for n in MEASURES if "girth" in n}


def test_a_girth_that_was_given_is_met_and_the_others_stay() -> None:
    m = find_measures(1.70, sex=0.5, calf_girth=0.33, chest_girth=0.95)
    factors = fit_girths(m)
    solid = make_adult_solid(m, MEASURING[0][0], factors=factors)
    read = read_girths(
        solid, {name: list_tapes(m, solid)[name] for name in ("calf_girth", "chest_girth", "wrist_girth")}
    )
    assert read == {name: pytest.approx(getattr(m, name), rel=1e-3) for name in read}
    assert read["calf_girth"] == pytest.approx(0.33, rel=1e-3)


def test_measures_that_contradict_one_another_are_refused_by_name() -> None:
    with pytest.raises(InputError, match="hip_girth"):
        fit_girths(find_measures(1.70, sex=0.5, hip_girth=0.60))


def test_left_and_right_girths_are_alike(adult: Adult) -> None:
    m = find_measures(1.70, sex=0.5)
    for name in ("thigh_girth", "calf_girth", "upper_arm_girth", "hand_girth", "ball_of_foot_girth"):
        one, two = (
            read_girths(adult.solid, {name: list_tapes(m, adult.solid, w)[name]})[name] for w in ("left", "right")
        )
        assert one == pytest.approx(two, rel=2e-3)


def test_the_body_has_its_places_by_standard_names(adult: Adult) -> None:
    body = check_body(adult.body)
    assert all(find_standard(name) for name in body.landmarks)
    assert all(find_standard(name) for name in body.region_names), body.region_names
    for side in ("left", "right"):
        parts = ("thigh", "shin", "foot", "hand", "forearm", "upper arm", "knee", "fingers", "thumb", "shoulder")
        assert {f"{side} {name}" for name in parts} <= set(body.region_names)
    assert {"nose", "chin", "face", "forehead", "neck", "chest", "abdomen", "buttocks"} <= set(body.region_names)
    assert (body.region >= 0).all()
    assert body.vertices[:, 2].min() == 0.0
    middle = body.vertices[body.faces].mean(axis=1)
    for name, region in (("nose tip", "nose"), ("left knee cap", "left knee"), ("right thumb tip", "right thumb"),
                         ("left heel", "left foot"), ("sternum", "chest")):  # fmt: skip
        nearest = np.argmin(np.linalg.norm(middle - body.landmarks[name], axis=1))
        assert body.region_names[body.region[nearest]] == region


def test_landmarks_lie_on_the_mesh_near_the_skeleton_s(adult: Adult) -> None:
    from drapesim.matter.nearest import find_on_mesh

    body, s = adult.body, adult.solid.skeleton
    assert set(body.landmarks) == set(s.landmark_names)
    places = np.array([body.landmarks[name] for name in s.landmark_names])
    assert find_on_mesh(places, body.vertices, body.faces)[0].max() < 1e-9
    shift = np.linalg.norm(places - s.landmarks - [0.0, 0.0, adult.lift], axis=1)
    assert np.median(shift) < 0.008
    assert shift.max() < 0.045


def test_the_same_input_gives_the_same_bytes(adult: Adult) -> None:
    again = build_adult(find_measures(1.70, sex=0.5), MEASURING[0][0])
    assert again.body.vertices.tobytes() == adult.body.vertices.tobytes()
    assert again.body.faces.tobytes() == adult.body.faces.tobytes()


def test_measures_hold_one_number_for_each_field() -> None:
    assert set(MEASURES) == {field.name for field in fields(BodyMeasures)} - {"sex"}

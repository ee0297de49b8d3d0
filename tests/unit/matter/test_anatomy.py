"""Names of places: synonyms and sides come to one accepted name; an unknown one is said, with its nearest."""

from collections import Counter

import pytest

from drapesim.matter.anatomy import (
    PATCHES,
    POINTS,
    find_standard,
    list_standard,
    resolve,
    spell_unknown,
    suggest_places,
)
from drapesim.matter.measures import find_measures
from drapesim.matter.skeleton import JointAngles, place_skeleton


@pytest.mark.parametrize(("word", "name"), [
    ("Pronasale", "nose tip"), ("tip_of_nose", "nose tip"), ("vertex", "crown"), ("left patella", "left knee cap"),
    ("Patella, right", "right knee cap"), ("dactylion iii (L)", "left middle fingertip"),
    ("manus dextra", "right hand"),
    ("crus sinistrum", "left shin"), ("frons", "forehead"), ("patella", None), ("left nose tip", None), ("", None),
])  # fmt: skip
def test_words_for_one_place(word, name):
    assert find_standard(word) == name


def test_no_word_stands_for_two_points_or_two_patches():
    for terms in (POINTS, PATCHES):
        words = Counter((word.casefold(), t.is_paired) for t in terms for word in (t.name, *t.others))
        assert [word for word, n in words.items() if n > 1] == []


def test_every_landmark_of_the_skeleton_is_standard():
    names = place_skeleton(find_measures(), JointAngles()).landmark_names
    assert spell_unknown(names) == ""
    assert set(names) <= set(list_standard(POINTS))


def test_a_name_resolves_only_if_one_place_can_be_meant():
    assert resolve("nose tip", ["nose tip", "pronasale"]) == "nose tip"  # the very word goes first
    assert resolve("apex nasi", ["pronasale", "chin"]) == "pronasale"
    assert resolve("apex nasi", ["pronasale", "nose tip"]) is None
    assert resolve("Left_Hand", ["left hand", "right hand"]) == "left hand"
    assert resolve("hand", ["left hand", "right hand"]) is None


def test_the_nearest_names_of_the_same_side_come_first():
    known = ["left knee cap", "right knee cap", "left heel", "nose tip", "bump"]
    near = "'left knee cap', 'left heel', 'right knee cap'"
    assert suggest_places("left kneecp", known) == f"the nearest known are {near}"
    assert "'nose tip'" in suggest_places("pronasal", known)
    assert suggest_places("zzz", known) == "known here: bump, left heel, left knee cap, nose tip, right knee cap"
    assert suggest_places("chin", []) == "the body has none; name them in a places file"


def test_unknown_names_are_said():
    assert spell_unknown(["chin", "bump"]) == "'bump' is no standard anatomical name; used as written."
    assert spell_unknown(["knob", "bump"]).startswith("'knob', 'bump' are no standard anatomical names")

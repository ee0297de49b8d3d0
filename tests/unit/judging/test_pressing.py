"""The press test's record: what counts as lost, which marks are pressed, and what is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drapesim.judging.pressing import DONE, LOST, MOST, STRAIN, MarkGap, PressTest, find_lost, is_to_press, say_press
from drapesim.matter.answers import NATURAL, NOT_HERE, Verdict
from drapesim.matter.marks import Claim, Mark

TEST = PressTest("wax", True, 0.5, 0.496, (0.0, 0.0, -1.0), 4e-3, 5e-3, 1e-5, 0.25, 5e-3, 9e-4, (), DONE, 10.0, 7, 900)


def mark(name, kind="touches"):
    return Mark(name, "stain", (), np.zeros((1, 2)), np.ones(1), Claim(kind, share=0.8))


def verdict(claim, word):
    return Verdict("wax", "stain", claim, word, "", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, None, "")


def test_lost_are_those_that_touched_and_no_longer_do():
    marks = [mark("kept"), mark("gone"), mark("never"), mark("seam", "lies_clear")]
    near, far = MarkGap(0.9, 0.9, 1e-4, 0.0), MarkGap(0.1, 0.79, 3e-3, 2e-3)
    before = {"kept": near, "gone": near, "never": far, "seam": near}
    after = {"kept": near, "gone": far, "never": far, "seam": far}
    assert find_lost(marks, before, after) == ("gone",)


def test_pressed_is_what_claims_contact_and_has_none():
    assert is_to_press(mark("wax"), verdict("touches", NOT_HERE))
    assert not is_to_press(mark("wax"), verdict("touches", NATURAL))
    assert not is_to_press(mark("wax", "lies_clear"), verdict("lies_clear", NATURAL))
    assert not is_to_press(mark("wax", "meets"), verdict("meets", NOT_HERE))


def test_said_with_force_and_shift():
    said = say_press(TEST)
    assert "0.5 N" in said
    assert "4.0 mm" in said
    assert "25 %" in said
    assert "Taken up" not in said
    assert "up to 15.0 mm" in say_press(replace(TEST, drift=0.015))


@pytest.mark.parametrize(("why", "word"), [(MOST, "not tried"), (STRAIN, "may bear"), (LOST, "from soot")])
def test_said_why_it_ended(why, word):
    assert word in say_press(replace(TEST, touches=False, stopped=why, lost=("soot",)))

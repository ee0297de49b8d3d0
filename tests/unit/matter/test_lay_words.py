"""Steps of hands in plain words."""

import numpy as np
import pytest

from drapesim.matter.lay import BindStep, PressStep, PullStep, ReleaseStep, RestStep, SmoothStep
from drapesim.matter.lay_words import describe, name_place, name_way

SIZE = (3.9, 1.25)
FIGURE = {"crown": np.array([0.9, 0.0, 0.1]), "left heel": np.array([-0.7, -0.1, 0.0])}


@pytest.mark.parametrize(
    ("patch", "words"),
    [
        (((3.9, 0.0), (3.9, 1.25)), "the right end"),
        (((0.0, 1.25), (0.0, 0.0)), "the left end"),
        (((0.0, 0.0), (3.9, 0.0)), "the upper side"),
        (((1.0, 1.25), (2.0, 1.25)), "part of the lower side"),
        (((2.0, 0.0), (2.0, 1.25)), "a line across the cloth, 2000 mm from the left end"),
        (((0.5, 0.4), (3.0, 0.4)), "a line along the cloth, 400 mm from the upper side"),
        (((0.5, 0.4), (3.4, 0.85)), "a slanting line through the middle of the cloth"),
        (((1.95, 0.625),), "the middle of the cloth"),
        (((0.0, 0.0),), "the upper left corner"),
        (((3.9, 1.25),), "the lower right corner"),
        (((3.88, 0.62),), "the middle of the right end"),
        (((1.0, 0.0),), "a point at the upper side"),
        (((1.0, 0.625),), "the cloth's midline, 1000 mm from the left end"),
        (((1.0, 0.3),), "a point 1000 mm from the left end and 300 mm from the upper side"),
    ],
)
def test_places(patch, words):
    assert name_place(patch, SIZE) == words


@pytest.mark.parametrize(
    ("way", "words"),
    [
        ((0.0, 0.0, 0.2), " up by 200 mm"),
        ((0.01, 0.0, -0.2), " down by 200 mm"),
        ((0.3, 0.0, 0.1), " toward the head by 316 mm"),
        ((-0.3, 0.05, 0.1), " toward the feet by 320 mm"),
        ((0.0, 0.3, 0.0), " across the body by 300 mm"),
        ((0.3, 0.3, 0.0), " aslant over the body by 424 mm"),
        ((0.0, 0.0, 0.0), " nowhere else"),
    ],
)
def test_ways(way, words):
    assert name_way(np.array(way), FIGURE) == words


def test_a_body_without_head_and_feet_gives_no_direction():
    assert name_way(np.array([0.3, 0.0, 0.0]), {"top": np.zeros(3)}) == " by 300 mm"


def test_steps():
    end, middle = ((3.9, 0.0), (3.9, 1.25)), ((1.95, 0.625),)

    def told(step):
        return describe(step, SIZE, np.array([0.1, 0.0, 0.0]), FIGURE)

    pull = PullStep(end, 0.01, 5.0, by=(0.1, 0.0, 0.0), who="two hands")
    assert told(pull) == "pull the right end toward the head by 100 mm (two hands)"
    target = PullStep(end, 0.01, 5.0, to=(0.1, 0.0, 0.2))
    assert describe(target, SIZE) == "pull the right end to (100, 0, 200) mm"
    lift = PullStep(end, 0.01, 5.0, by=(0.0, 0.0, 0.2), do="lift and drop")
    assert told(lift) == "lift the right end by 200 mm and let it drop"
    roll = PullStep(end, 0.01, 5.0, by=(0.1, 0.0, 0.0), arc=0.1, back=True, do="roll back")
    assert told(roll) == "roll the right end back and lay it down again"
    assert told(PressStep(middle, 0.06, 2.0)) == "press the middle of the cloth with 2 N"
    weight = PressStep(middle, 0.06, 0.980665, (0.0, 0.0, -1.0), do="weight")
    assert told(weight) == "lay a weight of 100 g on the middle of the cloth"
    smooth = SmoothStep((middle[0], (3.9, 0.625)), 0.1, 0.5, 1.0)
    assert told(smooth) == "smooth toward the right end with 0.5 N, pressing with 1 N"
    smooth = SmoothStep(((0.1, 0.9), (0.4, 0.2)), 0.1, 0.5, 1.0)
    assert told(smooth) == "smooth toward the upper side with 0.5 N, pressing with 1 N"
    bind = BindStep(((2.0, 0.0), (2.0, 1.25)), 20.0, 0.04)
    assert told(bind) == "bind round a line across the cloth, 2000 mm from the left end, with 20 N"
    assert told(ReleaseStep(("thumb", "stone"))) == "let go of thumb and stone"
    assert told(ReleaseStep()) == "let go of everything"
    assert told(RestStep()) == "let the cloth come to rest"

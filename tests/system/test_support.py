"""Promise: cloth settles over a table's edge onto the floor, and into the hollow of a bed."""

import shutil
from pathlib import Path

import numpy as np
import pytest

import drapesim

SCENES = Path(__file__).parents[2] / "scenes"
SCENE = """\
title = "Cloth over a support"
[sheet]
length_mm = 500
width_mm = 120
spacing_mm = 20
[fabric]
card = "card.toml"
[body]
surface = "limewood"
sphere = { radius_mm = 20, centre_mm = %s }
[support]
surface = "slate"
%s
[[lay]]
do = "lower"
point_mm = [250, 60]
place_mm = [0, 0]
"""
TABLE = 'kind = "table"\nlength_mm = 200\nwidth_mm = 200\nthickness_mm = 20\nheight_mm = 60\n'
BED = """\
kind = "bed"
length_mm = 600
width_mm = 300
[support.depression]
depth_mm = 20
length_mm = 500
width_mm = 280
"""


@pytest.mark.parametrize(("support", "ball", "lowest"), [(TABLE, [0, 0, 20], -0.06), (BED, [-230, 0, 5], -0.02)])
def test_cloth_comes_to_rest_on_it(tmp_path, support, ball, lowest):
    shutil.copy(SCENES / "fabrics/cover-linen.toml", tmp_path / "card.toml")
    (tmp_path / "scene.toml").write_text(SCENE % (ball, support))
    drapesim.run_scene(drapesim.read_scene(tmp_path / "scene.toml"), tmp_path / "run")
    run = drapesim.load_run(tmp_path / "run")
    assert run.certificate.settled
    # Its middle surface lies on what is lowest under it: the floor beside the table, the hollow beside the ball.
    assert lowest < run.x[:, 2].min() < lowest + 0.002
    assert np.isfinite(run.contact.gap).all()

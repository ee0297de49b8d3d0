"""Bodies at the ends of what may be asked for: closed, and crossing nowhere. No source: it is what a body must be."""

import numpy as np
import pytest

from drapesim.matter.adult import build_adult
from drapesim.matter.body import check_body, enclosed_volume
from drapesim.matter.figure import RANGES, FigureMeasures, carve_figure
from drapesim.matter.joint_ranges import list_limits
from drapesim.matter.measures import find_measures
from drapesim.matter.skeleton import ROOTS, JointAngles
from drapesim.settling.exact import count_self_crossings

NUMBERS = (3, 17, 40)  # range(200) for a nightly run


@pytest.mark.parametrize("number", NUMBERS)
def test_any_attitude_is_closed_and_nothing_crosses(number: int) -> None:
    """A few of two hundred, which were built once by the same seeds; see DEVELOPERS.md."""
    rng = np.random.default_rng(1000 + number)
    angles = JointAngles.from_vector(rng.uniform(*list_limits()))
    m = find_measures(1.70, sex=(0.0, 0.5, 1.0)[number % 3])
    lie = list(ROOTS)[number % 4]
    body = check_body(build_adult(m, angles, lie).body)
    assert count_self_crossings(body.vertices, body.faces)[0] == 0
    density = m.mass / enclosed_volume(body.vertices, body.faces)
    assert 1000.0 < density < 1400.0  # limbs that run through the trunk count once


@pytest.mark.parametrize("end", [0, 1])
def test_the_ends_of_all_ranges_give_a_sound_figure(end: int) -> None:
    angles = {name: both[end] for name, both in RANGES.items() if name == "girth" or name.endswith("_deg")}
    body = check_body(carve_figure(FigureMeasures(**angles, edge_m=0.016, fine_edge_m=0.008)))
    assert body.vertices[:, 2].min() == 0.0

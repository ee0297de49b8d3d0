"""Claim: landmarks on a truly settled cover give back the stature of the figure under it, within what is allowed.

The map is `scenes/attitude/cover-front.toml`: for each landmark of the carved figure that the cloth reaches, the
nearest point of the demo cover, settled at 40 mm. Neither the lay (no model holds exactly) nor the body (carved after
Drillis and Contini's segments; the fit has the survey's) is the fit's own: more than made-up maps can test.
Tolerance: 60 mm of 1700, 3.5 %, the scatter of limb lengths among people of one stature that the fit assumes.
"""

from pathlib import Path

import numpy as np
import pytest

from drapesim.jobs.attitude import answer_form, read_form
from drapesim.matter.skeleton import ANGLE_NAMES

FORM = Path(__file__).parents[2] / "scenes/attitude/cover-front.toml"


@pytest.mark.validation
def test_stature_and_bends_of_the_carved_figure():
    answer = answer_form(read_form(FORM))
    assert answer.notes == ()
    for attitude in answer.attitudes:
        best, low, high = attitude.stature
        assert best == pytest.approx(1.700, abs=0.060)
        assert low < 1.700 < high
        assert attitude.rms < 0.020
        for name, true in (("left knee_flexion", 28.0), ("right knee_flexion", 28.0), ("head_flexion", 6.0)):
            k = ANGLE_NAMES.index(name)
            assert attitude.low[k] < np.radians(true) < attitude.high[k]

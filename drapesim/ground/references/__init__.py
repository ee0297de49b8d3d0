"""Closed-form and ordinary-differential-equation answers with their sources: what the solver is held against.

Used by the lab and by tests/validation. numpy and scipy only; SI, or units said in the docstring.
A source marked "from memory" was not re-read; "recomputed here" means that a unit test finds the same by another way.
"""

from drapesim.ground.references.bridge import PressedBridge, predict_bridge_press
from drapesim.ground.references.buckling import PinnedStrip, predict_lateral_buckling, solve_pinned_strip
from drapesim.ground.references.directions import (
    predict_bias_modulus,
    predict_modulus,
    predict_rigidity_cooper,
    predict_rigidity_peirce,
    predict_trellis_shear,
    reduce_bias_extension,
)
from drapesim.ground.references.drape import predict_drape_floor
from drapesim.ground.references.elastica import (
    STANDARD_CHORD,
    CantileverShape,
    find_bending_length,
    find_gamma,
    find_rigidity,
    predict_mean_square_curvature,
    reduce_overhang,
    reduce_overhang_peirce,
    solve_cantilever,
)
from drapesim.ground.references.fold import Fold, solve_fold
from drapesim.ground.references.loops import HeartLoop, solve_heart_loop
from drapesim.ground.references.ruck import Ruck, predict_small_ruck, solve_ruck
from drapesim.ground.references.sliding import (
    predict_capstan_extension,
    predict_capstan_ratio,
    predict_edge_drop,
    predict_edge_overhang,
    predict_slide_acceleration,
    predict_slip_angle,
    predict_strip_slip_length,
)
from drapesim.ground.references.tension import (
    Catenary,
    HangingStretch,
    integrate_hanging_stretch,
    predict_cylinder_pressure,
    predict_hanging_stretch,
    solve_catenary,
)
from drapesim.ground.references.tent import Tent, predict_small_tent, solve_tent

__all__ = [
    "STANDARD_CHORD",
    "CantileverShape",
    "Catenary",
    "Fold",
    "HangingStretch",
    "HeartLoop",
    "PinnedStrip",
    "PressedBridge",
    "Ruck",
    "Tent",
    "find_bending_length",
    "find_gamma",
    "find_rigidity",
    "integrate_hanging_stretch",
    "predict_bias_modulus",
    "predict_bridge_press",
    "predict_capstan_extension",
    "predict_capstan_ratio",
    "predict_cylinder_pressure",
    "predict_drape_floor",
    "predict_edge_drop",
    "predict_edge_overhang",
    "predict_hanging_stretch",
    "predict_lateral_buckling",
    "predict_mean_square_curvature",
    "predict_modulus",
    "predict_rigidity_cooper",
    "predict_rigidity_peirce",
    "predict_slide_acceleration",
    "predict_slip_angle",
    "predict_small_ruck",
    "predict_small_tent",
    "predict_strip_slip_length",
    "predict_trellis_shear",
    "reduce_bias_extension",
    "reduce_overhang",
    "reduce_overhang_peirce",
    "solve_cantilever",
    "solve_catenary",
    "solve_fold",
    "solve_heart_loop",
    "solve_pinned_strip",
    "solve_ruck",
    "solve_tent",
]

"""What hands do to a small cloth over a roller: every kind of step, its limits, and a lay that is gone on with."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import cylinder, join, slab
from drapesim.matter.lay import (
    BindStep,
    HangStep,
    LowerStep,
    PressStep,
    PullStep,
    ReleaseStep,
    RestStep,
    SmoothStep,
)
from drapesim.matter.plan import read_scene
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.solve import stored_energy
from drapesim.settling.exact import count_self_crossings, measure_distance
from drapesim.settling.handling import _Work, check_targets, handle
from drapesim.settling.loads import spread_patch
from drapesim.settling.starts import begin

SHEET = Sheet(length=0.48, width=0.18, spacing=0.03)
LOWER = LowerStep((0.24, 0.09), (0.0, 0.0), 0.0, 0.002)
END = ((0.48, 0.0), (0.48, 0.18))
MIDDLE = ((0.24, 0.09),)


@pytest.fixture(scope="module")
def scene():
    plain = read_scene(Path(__file__).parents[3] / "scenes/strip-on-cylinder.toml")
    roller = cylinder(0.1, 0.3, (0.0, 0.0, 0.1), n_segments=72)
    return replace(plain, sheet=SHEET, body=join(roller, slab(3.0, 3.0, 0.1)), marks=())


@pytest.fixture(scope="module")
def lay(scene):
    """lay(*steps) -> (laid, lattice): the plan's steps done after the start."""

    def make(*steps, **options):
        lattice = cut_lattice(SHEET)
        plan = replace(scene, lay=steps)
        return handle(lattice, plan, begin(lattice, plan), **options), lattice

    return make


@pytest.fixture(scope="module")
def loose(lay):
    """The cloth let down and left alone."""
    return lay(LOWER, RestStep())[0].x


def end_of(lattice, x):
    return x[lattice.uv[:, 0] > 0.479].mean(axis=0)


def test_a_weight_that_another_load_lifts_is_in_the_work_of_hands(scene):
    lattice = cut_lattice(SHEET)
    plan = replace(scene, lay=(LOWER,))
    hands = _Work(lattice, plan, begin(lattice, plan), None, None).hands
    down = np.array([0.0, 0.0, -1.0])
    hands.rest()
    hands.press("stone", spread_patch(lattice, ((0.03, 0.09),), 0.06, 0.2 * down))
    hands.rest()

    def account():
        motion = hands.state.motion
        return stored_energy(hands.state.problem, motion) + float(motion.spent.sum()), hands.work, hands.x

    stored, worked, x = account()
    hands.press("pull", spread_patch(lattice, ((0.45, 0.09),), 0.06, 2.0 * down))
    after, all_work, lifted = account()
    assert (lifted - x)[lattice.uv[:, 0] < 0.06, 2].mean() > 1e-3
    assert after - stored == pytest.approx(all_work - worked, rel=0.01)


def test_a_way_that_ends_inside_the_body_is_refused(lay):
    down = PullStep(MIDDLE, 0.06, 5.0, by=(0.0, 0.0, -0.08))
    with pytest.raises(InputError, match=r"lay\[2\].by_mm: this way ends 80 mm inside the body; give a shorter"):
        lay(LOWER, down)


def test_a_pull_reaches_its_target_and_holds_it(lay, loose):
    target = (0.26, 0.0, 0.12)
    laid, lattice = lay(LOWER, PullStep(END, 0.01, 20.0, to=target, keep=True, name="hand"))
    assert end_of(lattice, laid.x) == pytest.approx(target, abs=1e-4)
    assert laid.done.steps[0].outcome == "done"
    assert laid.held.sum() == 7
    assert laid.done.steps[0].work > 0.0
    assert 0.0 < laid.done.steps[0].force < 20.0
    assert np.linalg.norm(end_of(lattice, loose) - target) > 0.02


def test_a_cloth_pulled_off_its_roller_has_fallen_off(scene):
    plan = replace(scene, body=cylinder(0.1, 0.3, (0.0, 0.0, 0.1), n_segments=72))
    pull = PullStep(END, 0.01, 20.0, by=(0.5, 0.0, 0.0), speed=0.5)
    lattice = cut_lattice(SHEET)
    plan = replace(plan, lay=(LOWER, pull, PressStep(MIDDLE, 0.06, 3.0)))
    laid = handle(lattice, plan, begin(lattice, plan))
    assert [step.outcome for step in laid.done.steps] == ["fell off", "not done"]
    assert sum(step.steps for step in laid.done.steps) < 100_000
    assert not laid.held.any()
    assert laid.loads is None
    assert laid.x[:, 2].max() < 0.0


def test_a_released_pull_lets_the_end_fall(lay):
    laid, lattice = lay(LOWER, PullStep(END, 0.01, 20.0, to=(0.26, 0.0, 0.2), keep=True, name="hand"), ReleaseStep())
    assert not laid.held.any()
    assert end_of(lattice, laid.x)[2] < 0.1


def test_a_pull_stops_at_its_force_and_tells_the_shortfall(lay):
    laid, lattice = lay(LOWER, PullStep(END, 0.01, 0.3, to=(1.2, 0.0, 0.12), keep=True, name="hand"))
    step = laid.done.steps[0]
    assert step.outcome in ("force limit", "done")
    short = np.linalg.norm(end_of(lattice, laid.x) - [1.2, 0.0, 0.12])
    if step.outcome == "force limit":
        assert step.shortfall == pytest.approx(short, abs=2e-3)
        assert "mm short of the target" in step.tell()
        assert laid.loads is not None


def test_a_pull_stops_before_the_cloth_is_stretched_past_its_card(lay):
    pin = PullStep(((0.0, 0.0), (0.0, 0.18)), 0.01, 50.0, by=(0.0, 0.0, 0.001), keep=True, name="fixed")
    laid, _ = lay(LOWER, pin, PullStep(END, 0.01, 1e4, by=(0.4, 0.0, 0.1), keep=True, name="hand"))
    step = laid.done.steps[1]
    assert step.outcome == "strain limit"
    assert 0.0 < step.shortfall < 0.4


def test_lift_and_drop_and_roll_back_leave_nothing_held(lay, loose):
    for step in (
        PullStep(END, 0.01, 20.0, by=(0.0, 0.0, 0.1), do="lift and drop"),
        PullStep(END, 0.01, 20.0, by=(-0.06, 0.0, 0.2), arc=0.05, back=True, do="roll back"),
    ):
        laid, lattice = lay(LOWER, step)
        assert laid.done.steps[0].outcome == "done"
        assert not laid.held.any()
        assert laid.loads is None
        assert np.abs(laid.x - loose).max() > 1e-4
        assert count_self_crossings(laid.x, lattice.triangles)[0] == 0


def test_a_press_brings_the_cloth_nearer_while_it_lasts(scene, lay, loose):
    field = prepare_body(scene.body)
    side = ((0.42, 0.09),)
    laid, lattice = lay(LOWER, PressStep(side, 0.06, 0.5, keep=True, name="finger"))
    there = np.linalg.norm(lattice.uv - side[0], axis=1) < 0.031
    before, after = (np.abs(measure_distance(x[there], field)[0]).mean() for x in (loose, laid.x))
    assert after < 0.7 * before
    assert np.linalg.norm(laid.done.load.sum(axis=0)) == pytest.approx(0.5, rel=1e-9)
    gone, _ = lay(LOWER, PressStep(side, 0.06, 0.5))
    assert gone.loads is None


def test_a_weight_stays_and_weighs(lay):
    laid, _ = lay(LOWER, PressStep(((0.45, 0.09),), 0.06, 0.49, (0.0, 0.0, -1.0), True, "stone", do="weight"))
    assert laid.done.load.sum(axis=0) == pytest.approx([0.0, 0.0, -0.49], abs=1e-9)


def test_a_tuck_pushes_a_line_down(lay, loose):
    line = ((0.40, 0.0), (0.40, 0.18))
    laid, lattice = lay(LOWER, PressStep(line, 0.03, 2.0, (-0.8, 0.0, -0.6), True, "hand", do="tuck"))
    row = np.abs(lattice.uv[:, 0] - 0.39) < 0.016
    assert laid.x[row, 0].mean() < loose[row, 0].mean() - 5e-3


def test_a_stroke_draws_the_cloth_along(lay, loose):
    laid, _ = lay(LOWER, SmoothStep(((0.2, 0.09), (0.4, 0.09)), 0.06, 1.0, 0.5))
    assert laid.loads is None
    assert (laid.x - loose)[:, 0].mean() > 1e-3


def test_a_band_presses_all_along_its_line(lay):
    line = ((0.0, 0.09), (0.48, 0.09))
    laid, lattice = lay(LOWER, BindStep(line, 3.0, 0.06, "round", "band"))
    assert laid.done.steps[0].outcome == "done"
    inward = -laid.x + np.array([0.0, 0.0, 0.1])
    pressed = (laid.done.load * inward)[:, [0, 2]].sum(axis=1) > 0.0
    assert set(np.unique(lattice.ij[pressed, 1])) == {2, 3, 4}
    laid, _ = lay(LOWER, BindStep(line, 3.0, 0.06, "support", "band"), ReleaseStep(("band",)))
    assert laid.loads is None


def test_a_bar_is_held_until_it_is_let_go(lay):
    hang = HangStep((0.0, 0.0), 0.0, "warp", 0.24, 0.03, 0.01)
    held, _ = lay(hang, RestStep())
    assert held.held.any()
    assert held.x[held.held, 2].min() > 0.4
    gone, _ = lay(hang, ReleaseStep(("bar",)))
    assert not gone.held.any()
    assert gone.x[:, 2].max() < 0.25


def test_an_interrupted_lay_comes_to_the_same_bytes(lay):
    steps = (
        LOWER,
        PressStep(MIDDLE, 0.06, 0.5, keep=True, name="finger"),
        PullStep(END, 0.01, 20.0, by=(0.02, 0.0, 0.05)),
    )
    kept = []
    whole, _ = lay(*steps, keep=kept.append)
    assert len(kept) == 3
    rest, _ = lay(*steps, resume=kept[1])
    assert np.array_equal(whole.x, rest.x)
    assert rest.done.steps == whole.done.steps
    assert np.array_equal(rest.done.load, whole.done.load)


def test_frames_begin_with_the_start_and_tell_every_step(lay):
    frames = []
    lay(LOWER, PullStep(END, 0.01, 20.0, by=(0.0, 0.0, 0.1)), frame=lambda *each: frames.append(each))
    assert frames[0][0].shape == (17 * 7, 3)
    assert frames[0][0][:, 2] == pytest.approx(frames[0][0][0, 2], abs=1e-12)
    seconds = [time for _, _, time in frames]
    assert seconds == sorted(seconds)
    assert any("pull" in words for _, words, _ in frames)


def test_targets_inside_the_body_are_refused(scene):
    field = prepare_body(scene.body)
    for to, via, key in (((0.0, 0.0, 0.1), (), "to"), ((0.0, 0.0, 0.5), ((0.0, 0.0, -0.05),), r"via_mm\[1\]")):
        plan = replace(scene, lay=(LOWER, PullStep(END, 0.01, 1.0, to=to, via=via)))
        with pytest.raises(InputError, match=rf"lay\[2\].{key}: this place lies \d+ mm inside the"):
            check_targets(plan, field)


def test_a_band_beside_the_body_is_refused(lay, scene):
    lattice = cut_lattice(SHEET)
    aside = replace(LOWER, place=(0.9, 0.0))
    plan = replace(scene, lay=(aside, BindStep(((0.24, 0.0), (0.24, 0.18)), 1.0, 0.04, name="band")))
    with pytest.raises(InputError, match=r"lay\[2\].line_mm: the plane of this line does not meet the body"):
        handle(lattice, plan, begin(lattice, plan))

"""One lattice under relaxation: fall, the energy ledger of each step, time step and inertia, residuals."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.kernels.ballast import take_own
from drapesim.kernels.elastic import PAD
from drapesim.kernels.jit import use_threads
from drapesim.kernels.relax import AWAKE, BATCH, PUSHING
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import kept_apart, no_contacts
from drapesim.mechanics.energies import smooth_curve, unpadded
from drapesim.mechanics.independent import elastic_energies, elastic_force
from drapesim.mechanics.search import cleared, find_touching
from drapesim.mechanics.solve import (
    Slopes,
    advance,
    choose_pace,
    kinetic_energy,
    pose_problem,
    positions,
    residuals,
    shear_slope,
    shortened,
    start_motion,
    steepest_slopes,
    stored_energy,
)
from tests.unit.conftest import make_box

pytestmark = pytest.mark.usefixtures("one_thread")

CARRIED = (
    "weight", "normal", "offset", "preload", "anchor", "force", "last", "wake", "run_wake", "pushing", "n_pushing",
)  # fmt: skip
DOWN = np.array([0.0, 0.0, -9.8])


def pose(lattice, card, field=None, held=None, gravity=DOWN, friction=0.3):
    return pose_problem(lattice, card, field, np.full(2, friction), held, gravity, 2)


@pytest.fixture
def on_box(meshes, as_body, curved_card):
    """(problem, x): a level sheet whose lower face lies 0.01 mm in the top of the box."""
    lattice = Lattice(0.01, 0.01, np.ones((6, 4), dtype=bool))
    x = np.c_[lattice.uv - [0.033, 0.0213], np.full(len(lattice.uv), 0.04 + 2e-4 - 1e-5)]
    return pose(lattice, curved_card, prepare_body(as_body(meshes["box"]))), x


def test_free_fall_with_damping(holed_lattice, curved_card):
    """v' = g - d v with the mean of two half-step speeds: each step maps v to (keep v + g dt) gain, exactly."""
    problem = pose(holed_lattice, curved_card)
    x = np.c_[holed_lattice.uv, np.zeros(len(holed_lattice.uv))]
    motion, pace = start_motion(problem, x), choose_pace(problem, Slopes(5e3, 400.0), damping=3.0)
    advance(problem, motion, no_contacts(), pace, 50)
    speed = fallen = 0.0
    for _ in range(50):
        speed = ((1.0 - 1.5 * pace.dt) * speed - 9.8 * pace.dt) / (1.0 + 1.5 * pace.dt)
        fallen += pace.dt * speed
    np.testing.assert_allclose(positions(problem, motion)[:, 2], fallen, rtol=1e-9)
    np.testing.assert_allclose(positions(problem, motion)[:, :2], x[:, :2], rtol=0, atol=1e-15)


def test_ledger_of_a_swinging_sheet_closes(holed_lattice, curved_card):
    """Stored and spent add up to what there was at the start, up to the wobble of a leap-frog step, of order dt^2."""
    held = holed_lattice.ij[:, 0] == 0
    problem = pose(holed_lattice, curved_card, held=held)
    x = np.c_[holed_lattice.uv, 1e-5 * np.random.default_rng(0).normal(size=len(held))]
    closures = []
    usual = choose_pace(problem, Slopes(1e4, 400.0), damping=20.0)
    for speed in (0.8, 0.4):
        motion = start_motion(problem, x)
        pace = shortened(usual, speed)
        before = stored_energy(problem, motion)
        advance(problem, motion, no_contacts(), pace, round(2000 / speed))
        spent = float(motion.spent.sum())
        assert spent > 1e-5
        closures.append(abs(before - stored_energy(problem, motion) - spent) / spent)
    assert closures[0] < 1e-2
    assert closures[1] < 0.6 * closures[0]


def test_held_nodes_stay(holed_lattice, curved_card, crumple):
    held = holed_lattice.ij[:, 1] == 0
    problem = pose(holed_lattice, curved_card, held=held)
    x = crumple(holed_lattice, 1e-4)
    motion = start_motion(problem, x)
    advance(problem, motion, no_contacts(), choose_pace(problem, Slopes(1e4, 400.0), 5.0), 20)
    moved = np.linalg.norm(positions(problem, motion) - x, axis=1)
    assert moved[held].max() == 0.0
    assert moved[~held].min() > 0.0


def test_no_node_outruns_the_hand(holed_lattice, curved_card, crumple):
    problem = pose(holed_lattice, curved_card)
    motion = start_motion(problem, crumple(holed_lattice, 2e-3))
    pace = choose_pace(problem, Slopes(1e4, 400.0), damping=1.0)
    advance(problem, motion, no_contacts(), pace, 10)
    speed = np.linalg.norm(unpadded(holed_lattice, motion.v), axis=1)
    # held before the yarns are solved, which may hand on up to sqrt(2) in each direction
    assert 0.3 * pace.limit < speed.max() <= 3.0**0.5 * pace.limit


def test_no_steps_only_forces(holed_lattice, curved_card, crumple):
    problem = pose(holed_lattice, curved_card)
    x = crumple(holed_lattice, 1e-3)
    motion = start_motion(problem, x)
    advance(problem, motion, no_contacts(), choose_pace(problem, Slopes(1e4, 400.0), 1.0), 0)
    np.testing.assert_array_equal(positions(problem, motion), x)
    assert not motion.v.any()
    force = elastic_force(holed_lattice, curved_card, x)
    force += curved_card.areal_density * holed_lattice.node_area[:, None] * DOWN
    size = np.linalg.norm(force, axis=1) / (curved_card.areal_density * 9.8 * holed_lattice.node_area)
    rms, top = residuals(problem, motion)
    assert rms == pytest.approx(np.sqrt(np.mean(size**2)), rel=1e-9)
    assert top == pytest.approx(size.max(), rel=1e-9)


def test_kinetic_energy(holed_lattice, curved_card):
    problem = pose(holed_lattice, curved_card)
    x = np.c_[holed_lattice.uv, np.zeros(len(holed_lattice.uv))]
    motion = start_motion(problem, x, np.tile([0.3, 0.0, -0.4], (len(x), 1)))
    mass = curved_card.areal_density * holed_lattice.cell.sum() * 0.01 * 0.008
    assert kinetic_energy(motion) == pytest.approx(0.5 * mass * 0.25, rel=1e-12)


def test_slopes_are_those_of_the_strains_met(holed_lattice, curved_card):
    problem = pose(holed_lattice, curved_card)
    x = np.c_[holed_lattice.uv * [1.02, 1.0], np.zeros(len(holed_lattice.uv))]
    motion = start_motion(problem, x)
    advance(problem, motion, no_contacts(), choose_pace(problem, Slopes(1e4, 400.0), 1.0), 0)
    met = steepest_slopes(problem, motion)
    warp = smooth_curve(curved_card.warp_curve, curved_card.compression_ratio)
    assert met.along == pytest.approx(float(warp.tangent(np.linspace(0.0, 0.02, 9)).max()), rel=1e-9)
    assert met.across == pytest.approx(4.0 * float(warp.tension(0.02)) + 8.0 * curved_card.shear_rigidity, rel=1e-9)
    assert steepest_slopes(problem, motion).along < 0.5 * met.along  # the record was cleared: only strain zero is left


@pytest.mark.parametrize("angle", [0.1, 0.28, 0.4])
def test_shear_slope_is_that_of_the_sheared_cell(curved_card, angle):
    """Against differences of the independent energy of one cell, below and past the locking angle of 0.3 rad."""
    lattice = Lattice(0.01, 0.01, np.ones((1, 1), dtype=bool))
    problem = pose(lattice, curved_card)

    def energy(sine):
        u, v = lattice.uv.T
        tilt = np.arcsin(sine)
        x = np.c_[u + np.sin(tilt) * v, np.cos(tilt) * v, 0.0 * u]
        return elastic_energies(lattice, curved_card, x, None)["shear"] / 1e-4

    s, step = np.sin(angle), 1e-4
    slope = (energy(s + step) - 2.0 * energy(s) + energy(s - step)) / step**2
    assert shear_slope(problem.cloth, float(s)) == pytest.approx(slope, rel=1e-3)


def ripple(card, cells, pattern, share, steps=400):
    """How many times a ripple of 10 nm on a flat piece has grown after some steps of ``share`` of the usual size."""
    lattice = Lattice(0.01, 0.01, np.ones((cells, cells), dtype=bool))
    problem = pose(lattice, card, gravity=np.zeros(3))
    flat = np.c_[lattice.uv, np.zeros(len(lattice.uv))]
    motion = start_motion(problem, flat + 1e-8 * pattern(lattice.ij))
    pace = choose_pace(problem, steepest_slopes_at_rest(problem), damping=10.0)
    advance(problem, motion, no_contacts(), shortened(pace, share), steps)
    return np.abs(positions(problem, motion) - flat).max() / 1e-8


def steepest_slopes_at_rest(problem):
    motion = start_motion(problem, np.c_[problem.lattice.uv, np.zeros(len(problem.lattice.uv))])
    advance(problem, motion, no_contacts(), choose_pace(problem, Slopes(1.0, 1.0), 0.0), 0)
    return steepest_slopes(problem, motion)


def along_yarns(ij):
    """Neighbours on a yarn move against each other."""
    return np.c_[(-1.0) ** ij.sum(1), 0.0 * ij]


def across_yarns(ij):
    """Neighbouring yarns move against each other, in both directions: nothing but shear."""
    return np.c_[(-1.0) ** ij[:, 1], (-1.0) ** ij[:, 0], 0.0 * ij[:, 0]]


@pytest.fixture
def straight_card(curved_card):
    curve = np.array([[0.0, 0.0], [0.1, 500.0]])
    return replace(curved_card, warp_curve=curve, weft_curve=curve, compression_ratio=1.0, bend_warp=1e-7,
                   bend_weft=1e-7, bend_bias=1e-7)  # fmt: skip


@pytest.mark.parametrize("share", [1.0, 1.6])
def test_time_step_is_stable_and_not_by_much(straight_card, share):
    """A single cell, which shears the quickest, comes to rest at the chosen step, and blows up at 1.6 times that."""
    assert (ripple(straight_card, 1, across_yarns, share) < 2.0) == (share == 1.0)


@pytest.mark.parametrize("share", [0.1, 1.0, 1.2])
def test_stretch_dies_out_at_any_step(straight_card, share):
    """It is solved: a link of 5000 N/m would allow an explicit step of a fifth of the usual one at most."""
    assert ripple(straight_card, 8, along_yarns, share) < 0.01


def test_contact_carries_and_rests(on_box):
    problem, x = on_box
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    assert len(found.found.gap) == len(x)
    np.testing.assert_allclose(found.contacts.last, -1e-5, rtol=0, atol=1e-12)
    motion, pace = start_motion(problem, x), choose_pace(problem, Slopes(5e3, 400.0), 400.0)
    advance(problem, motion, found, pace, 4000)
    assert residuals(problem, motion)[0] < 1e-3
    weight = problem.weight.sum()
    assert motion.touch[2].sum() == pytest.approx(weight, rel=1e-6)


def test_only_contacts_that_push_lend_inertia(on_box):
    problem, x = on_box
    x = x.copy()
    x[problem.lattice.ij[:, 0] > 3, 2] += 2e-4  # listed, but not met in one step
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    assert len(found.found.gap) == len(x)
    pace = choose_pace(problem, Slopes(5e3, 400.0), 1.0)
    motion = start_motion(problem, x)
    advance(problem, motion, found, pace, 1)
    pushed = np.unique(found.found.node[found.contacts.force.any(1), 0])
    lent = unpadded(problem.lattice, motion.inertia.mass - motion.inertia.own)
    assert 0 < len(pushed) < len(x)
    np.testing.assert_allclose(lent[pushed], pace.lend, rtol=1e-12)  # a node over a face: one contact of weight one
    assert not lent[np.setdiff1d(np.arange(len(x)), pushed)].any()
    free = problem.fields.free > 0.0
    np.testing.assert_allclose((motion.inertia.mass * motion.inertia.light)[free], 1.0, rtol=1e-12)
    # lifted off, what was lent fades; without a contact it is gone at once, and no energy appears
    energy = stored_energy(problem, motion) + motion.spent.sum()
    nobody = np.zeros(0, np.int64)
    for row in range(PAD, motion.x.shape[1] - PAD):
        take_own(row, motion.inertia.own[row].copy(), motion.v, motion.spent, motion.inertia, nobody)
    np.testing.assert_array_equal(motion.inertia.mass, motion.inertia.own)
    assert stored_energy(problem, motion) + motion.spent.sum() == pytest.approx(energy, abs=1e-12)
    # what grows heavy keeps its momentum, what grows light its velocity; both are in the account
    row, (own, velocity) = PAD + 1, (motion.inertia.own[PAD + 1].copy(), motion.v[:, PAD + 1].copy())
    take_own(row, 3.0 * own, motion.v, motion.spent, motion.inertia, nobody)
    np.testing.assert_allclose(motion.v[:, row], velocity / 3.0, rtol=1e-12)
    assert stored_energy(problem, motion) + motion.spent.sum() == pytest.approx(energy, abs=1e-12)
    take_own(row, own, motion.v, motion.spent, motion.inertia, nobody)
    np.testing.assert_allclose(motion.v[:, row], velocity / 3.0, rtol=1e-12)
    assert stored_energy(problem, motion) + motion.spent.sum() == pytest.approx(energy, abs=1e-12)


def test_what_comes_down_on_the_box_is_not_thrown_back_faster(on_box):
    """Thrown down at 10 mm/s it leaves at less, and what inertia was lent on the way is in the account."""
    problem, x = on_box
    x = x + np.array([0.0, 0.0, 1.1e-5])  # 1 um above where it would rest
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    pace = choose_pace(problem, Slopes(5e3, 400.0), 0.0)
    motion = start_motion(problem, x, np.tile([0.0, 0.0, -0.01], (len(x), 1)))
    energy, own = stored_energy(problem, motion), problem.fields.mass.sum()
    heaviest = 0.0
    for _ in range(12):
        advance(problem, motion, found, pace, 1)
        heaviest = max(heaviest, motion.inertia.mass.sum() / own)
    assert heaviest > 2.0
    assert positions(problem, motion)[:, 2].min() > 0.0402  # all has left again
    mass, speed = unpadded(problem.lattice, problem.fields.mass), unpadded(problem.lattice, motion.v[2])
    assert 0.0 < (mass * speed).sum() / mass.sum() < 0.009
    assert (mass * speed**2).sum() < mass.sum() * 0.01**2
    # to what a leapfrog of such steps is exact for: half a step's work of a weight
    off = abs(stored_energy(problem, motion) + motion.spent.sum() - energy)
    assert off < pace.dt * 0.01 * problem.weight.sum()


def test_open_contacts_sleep_until_they_can_push(on_box):
    """A sheet falls on a box, askew: a call of many steps, in which contacts sleep, ends where single steps do.

    In a call of one step all are looked at. Without friction and dashpot, which begin at the first look, bits agree.
    """
    problem, x = on_box
    problem = replace(problem, friction=np.zeros_like(problem.friction))
    x = x + np.array([0.0, 0.0, 1e-4])
    x[:, 2] += 0.01 * (x[:, 0] - x[:, 0].min())
    pace = shortened(choose_pace(problem, Slopes(5e3, 400.0), 400.0), 0.9)
    pace = pace._replace(dashpot=0.0, borne=np.inf)  # nor inertia that follows the sheet from call to call
    slept = []
    for calls in (1, 60):
        found, _ = find_touching(problem, x, 4e-3, None, no_contacts())
        motion = start_motion(problem, x)
        for _ in range(calls):
            advance(problem, motion, found, pace, 60 // calls)
            slept.append(np.count_nonzero(found.contacts.wake > AWAKE))
        pushing = found.contacts.wake == PUSHING
        assert 5 < np.count_nonzero(pushing) < len(pushing) - 5
        if calls == 1:
            once, first = motion.x.copy(), found
    assert slept[0] > 2
    np.testing.assert_array_equal(motion.x, once)
    # what sleeps is told by its gap at the end
    asleep = np.flatnonzero(first.contacts.wake > AWAKE)
    heights = positions(problem, motion)[first.found.node[asleep, 0], 2]
    np.testing.assert_allclose(first.contacts.last[asleep], heights - 0.0402, rtol=0, atol=1e-12)


def test_a_copy_shares_nothing_that_changes(on_box):
    problem, x = on_box
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    copy = kept_apart(found)
    for name in CARRIED:
        before = getattr(copy.contacts, name).copy()
        getattr(found.contacts, name)[:] += 1
        np.testing.assert_array_equal(getattr(copy.contacts, name), before)
    found.found.point[:] += 1.0
    np.testing.assert_allclose(found.found.point - copy.found.point, 1.0, rtol=0, atol=1e-12)
    assert copy.found.weight is copy.contacts.weight
    assert copy.found.normal is copy.contacts.normal


def test_blocks_decide_only_who_does_it(as_body, curved_card):
    """Many strips, batches of runs and kinds of contacts, some asleep: the same bytes of everything that is kept.

    On two threads, if there are so many; strips and groups of rows are cut elsewhere in each case.
    """
    use_threads(2)
    lattice = Lattice(0.01, 0.01, np.ones((13, 270), dtype=bool))
    x = np.c_[lattice.uv - 0.5 * lattice.uv.max(axis=0), np.full(len(lattice.uv), 0.02 + 2e-4)]
    x[:, 2] += 3e-5 * np.sin(40.0 * x[:, 1]) * np.cos(90.0 * x[:, 0]) + 2e-6 * np.sin(1e5 * x[:, 0])
    x[:, 2] += 0.03 * np.clip(x[:, 1] - 0.3, 0.0, 0.1)  # this end hangs in the air
    field = prepare_body(as_body(make_box((0.117, 2.613, 0.04))))
    problem = pose(lattice, curved_card, field, gravity=3.0 * DOWN)
    found, _ = find_touching(problem, x, 4e-3, None, no_contacts())
    four, runs = found.found.weight[:, 1:].any(axis=1), len(found.contacts.run_wake)
    assert np.count_nonzero(four) > 100
    assert runs > 3 * BATCH
    pace = choose_pace(problem, Slopes(1e4, 400.0), 200.0)
    ends = []
    for blocks, strips in ((1, 3), (2, 4), (3, 3), (5, 5)):
        own, list_of = replace(problem, blocks=blocks), kept_apart(found)
        motion = start_motion(own, x, np.tile([0.01, 0.02, 0.0], (len(x), 1)))
        assert motion.scratch.trial.shape[0] == strips
        for steps in (30, 30, 0):
            assert advance(own, motion, list_of, pace, steps) == steps
            pushing, asleep = list_of.contacts.wake == PUSHING, list_of.contacts.run_wake > AWAKE
            assert np.count_nonzero(pushing & four) > 10
            assert 0.1 < np.mean(pushing) < 0.9
            assert np.mean(asleep) > 0.1 or steps == 0
        kept = {name: getattr(motion, name) for name in ("x", "v", "force", "touch", "spent")}
        kept |= motion.inertia._asdict() | {"peak": motion.peak.max(axis=0)}
        kept |= {f"contacts' {name}": getattr(list_of.contacts, name) for name in ("anchor", "force", "last", "wake")}
        ends.append({name: values.tobytes() for name, values in kept.items()})
    for end in ends[1:]:
        assert [name for name in end if end[name] != ends[0][name]] == []


def test_a_call_ends_before_a_node_goes_too_far(holed_lattice, curved_card):
    """A falling sheet is stopped on its way, with room for a next step twice as long as the last."""
    problem = pose(holed_lattice, curved_card)
    x = np.c_[holed_lattice.uv, np.zeros(len(holed_lattice.uv))]
    pace, way = choose_pace(problem, Slopes(1e4, 400.0), damping=1.0), 1e-4
    motion = start_motion(problem, x)
    taken = advance(problem, motion, no_contacts(), pace, 1000, way)
    fallen = np.abs(positions(problem, motion) - x).max()
    last = np.abs(motion.v[2]).max() * pace.dt
    assert 1 < taken < 1000
    assert fallen <= way - last
    assert fallen > way - 4.0 * last
    assert advance(problem, motion, no_contacts(), pace, 1000, 0.0) == 1  # one step is always taken
    assert advance(problem, start_motion(problem, x), no_contacts(), pace, 7) == 7


def test_without_a_body_nothing_touches(holed_lattice, curved_card, crumple):
    problem, x = pose(holed_lattice, curved_card), crumple(holed_lattice, 1e-3)
    assert len(find_touching(problem, x, 1.0, None, no_contacts())[0].found.gap) == 0
    np.testing.assert_array_equal(cleared(problem, x), x)


def test_cleared_sheet_lies_on_the_face(on_box):
    problem, x = on_box
    deep = x - np.array([0.0, 0.0, 1e-3])
    np.testing.assert_allclose(cleared(problem, deep)[:, 2], 0.04 + 2e-4, rtol=0, atol=2.1e-5)

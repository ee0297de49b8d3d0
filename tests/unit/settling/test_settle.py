"""The pile of lattices, and how a settle ends; that it ends right is for tests/validation."""

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.solve import kinetic_energy, pose_problem, stored_energy
from drapesim.settling import level
from drapesim.settling.level import has_fallen_off
from drapesim.settling.settle import Interrupted, coarsened, pile_levels, prolonged, sampled, settle


@pytest.fixture
def holed():
    """16 x 12 cells with a hole that keeps to cells of twice the size, but not of four times."""
    cell = np.ones((16, 12), dtype=bool)
    cell[6:8, 4:6] = False
    return Lattice(0.005, 0.004, cell, inner_sign=1)


def test_coarsened_lattice_covers_the_same_piece(holed):
    coarse = coarsened(holed)
    assert (coarse.spacing_u, coarse.spacing_v, coarse.inner_sign) == (0.01, 0.008, 1)
    assert coarse.node_area.sum() == pytest.approx(holed.node_area.sum(), rel=1e-12)
    np.testing.assert_array_equal(np.kron(coarse.cell, np.ones((2, 2), dtype=bool)), holed.cell)


def test_what_does_not_divide_is_not_coarsened(holed):
    assert coarsened(coarsened(holed)) is None  # the hole would be half a cell
    assert coarsened(Lattice(0.01, 0.01, np.ones((6, 5), dtype=bool))) is None


def test_pile_is_coarsest_first_and_not_too_coarse():
    lattice = cut_lattice(Sheet(length=0.8, width=0.8, spacing=0.01), multiple=8)
    assert [len(level.ij) for level in pile_levels(lattice, 2)] == [21 * 21, 41 * 41, 81 * 81]
    assert [len(level.ij) for level in pile_levels(lattice, 5)] == [21 * 21, 41 * 41, 81 * 81]
    assert [len(level.ij) for level in pile_levels(lattice, 1)] == [41 * 41, 81 * 81]
    assert pile_levels(lattice, 0) == [lattice]


def test_sampling_takes_the_nodes_that_coincide(holed):
    coarse = coarsened(holed)
    np.testing.assert_array_equal(sampled(holed, coarse, holed.uv), coarse.uv)
    np.testing.assert_array_equal(sampled(holed, holed, holed.uv), holed.uv)


def test_prolonged_sheet_lies_on_the_coarse_triangles(holed):
    coarse = coarsened(holed)
    rng = np.random.default_rng(0)
    values = np.c_[coarse.uv, np.zeros(len(coarse.uv))] + rng.normal(size=(len(coarse.uv), 3)) * 2e-3
    fine = prolonged(coarse, holed, values)
    np.testing.assert_allclose(sampled(holed, coarse, fine), values, rtol=0, atol=1e-15)
    corner, flat = values[coarse.triangles], coarse.uv[coarse.triangles]
    edge = flat[:, 1:] - flat[:, :1]
    found = np.zeros(len(fine), dtype=bool)
    for node, (uv, x) in enumerate(zip(holed.uv, fine, strict=True)):
        share = np.linalg.solve(np.swapaxes(edge, 1, 2), (uv - flat[:, 0])[..., None])[..., 0]
        weight = np.c_[1.0 - share.sum(1), share]
        inside = (weight > -1e-9).all(1)
        there = np.einsum("tk,tkd->td", weight[inside], corner[inside])
        np.testing.assert_allclose(there, np.tile(x, (len(there), 1)), rtol=0, atol=1e-12)
        found[node] = inside.any()
    assert found.all()


@pytest.fixture
def laid(meshes, as_body):
    """(lattice, start, body): 5 x 3 cells lying 1 mm above the top of the box."""
    lattice = cut_lattice(Sheet(length=0.05, width=0.03, spacing=0.01))
    start = np.c_[lattice.uv - [0.025, 0.015], np.full(len(lattice.ij), 0.041)]
    return lattice, start, as_body(meshes["box"])


def test_settled(laid, curved_card):
    lattice, start, body = laid
    seen = []
    settled = settle(lattice, curved_card, start, body, progress=seen.append)
    assert settled.ending is Ending.SETTLED
    assert settled.certificate.settled
    assert settled.certificate.failures == ()
    assert settled.certificate.stable
    np.testing.assert_allclose(settled.x[:, 2], 0.04 + 0.5 * curved_card.thickness, rtol=0, atol=5e-5)
    weight = curved_card.areal_density * 9.80665 * 0.05 * 0.03
    assert settled.contact_force[:, 2].sum() == pytest.approx(weight, rel=1e-3)
    assert not settled.reaction.any()
    assert {"settling", "watching it stay"} <= {look.stage for look in seen}
    assert all(0.0 <= look.share <= 1.0 for look in seen)
    assert settled.history.shape[1] == 4


def test_out_of_steps(laid, curved_card):
    lattice, start, body = laid
    settled = settle(lattice, curved_card, start, body, settings=SettleSettings(max_steps=400))
    assert settled.ending is Ending.OUT_OF_STEPS
    assert not settled.certificate.settled
    assert any("largest move" in sentence for sentence in settled.certificate.failures)


def test_a_sheet_that_fell_below_all_ends_at_once(laid, curved_card):
    lattice, start, body = laid
    beside = start + np.array([0.1, 0.0, -0.02])
    settled = settle(lattice, curved_card, beside, body)
    assert settled.ending is Ending.FELL_OFF
    assert not settled.certificate.settled
    assert settled.certificate.steps < 20_000
    assert np.isfinite(settled.x).all()
    assert settled.x[:, 2].max() < body.vertices[:, 2].min()


def test_a_sheet_has_fallen_off_only_if_nothing_can_bring_it_back(laid, curved_card):
    lattice, start, body = laid
    low = start - [0.0, 0.0, np.ptp(start[:, 2]) + start[0, 2] - body.vertices[:, 2].min() + 0.01]
    field, down = prepare_body(body), np.array([0.0, 0.0, -9.80665])

    def fell(x, held=None, gravity=down, lift=0.0, field=field):
        problem = pose_problem(lattice, curved_card, field, np.full(1, 0.3), held, gravity, 1)
        problem.fields.load[2, 2, 2] += lift
        return has_fallen_off(problem, x)

    assert fell(low)
    high = low.copy()
    high[0] += [0.0, 0.0, 0.02]
    held = np.arange(len(low)) == 0
    assert not fell(high)
    assert not fell(low, held=held)
    assert not fell(low, lift=1.0)
    assert not fell(low, gravity=0.0 * down)
    assert not fell(low, gravity=-down)
    assert not fell(low, field=None)


def test_not_finite(laid, curved_card):
    lattice, start, body = laid
    start = start.copy()
    start[3] = np.nan
    settled = settle(lattice, curved_card, start, body)
    assert settled.ending is Ending.NOT_FINITE
    assert not settled.certificate.settled
    assert settled.certificate.failures == ("A position is not finite.",)
    assert settled.certificate.crossings is settled.certificate.body_crossings is None  # nothing was counted: not 0


def test_reaction_of_held_nodes_is_the_weight(curved_card):
    """A strip that hangs: the hand at its upper edge carries all of it."""
    lattice = cut_lattice(Sheet(length=0.05, width=0.02, spacing=0.01))
    start = np.c_[np.zeros(len(lattice.ij)), lattice.uv[:, 1], -lattice.uv[:, 0]]
    held = lattice.ij[:, 0] == 0
    settled = settle(lattice, curved_card, start, held=held)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    weight = curved_card.areal_density * 9.80665 * 0.05 * 0.02
    np.testing.assert_allclose(settled.reaction.sum(0), [0.0, 0.0, weight], rtol=0, atol=2e-3 * weight)
    assert not settled.reaction[~held].any()
    np.testing.assert_array_equal(settled.x[held], start[held])


def test_interrupted_run_goes_on(laid, curved_card):
    lattice, start, body = laid

    def stop(look):
        if look.steps >= 400:
            raise KeyboardInterrupt

    with pytest.raises(Interrupted) as stopped:
        settle(lattice, curved_card, start, body, progress=stop)
    checkpoint = stopped.value.checkpoint
    assert checkpoint.steps >= 400
    settled = settle(lattice, curved_card, start, body, resume=checkpoint)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    assert settled.certificate.steps > checkpoint.steps


def test_a_run_taken_up_keeps_its_energy_account(laid, curved_card, monkeypatch):
    """Stored and spent, with the inertia lent to moving nodes, are the same before and after."""
    accounts, fastest, moving, usual = [], [], [], level.take_chunk

    def account(state):
        accounts.append(stored_energy(state.problem, state.motion) + float(state.motion.spent.sum()))
        inertia = state.motion.inertia
        lent = (inertia.own > 0.0) & (inertia.mass - inertia.own > 0.5 * state.problem.fields.mass)
        moving.append(kinetic_energy(state.motion))
        fastest.append(float(np.abs(state.motion.v[:, lent]).max(initial=0.0)))
        if fastest[-1] > 0.01 or (state.steps and len(accounts) == 1):
            raise KeyboardInterrupt
        return usual(state)

    lattice, start, body = laid
    monkeypatch.setattr(level, "take_chunk", account)
    with pytest.raises(Interrupted) as stopped:
        settle(lattice, curved_card, start, body, settings=SettleSettings(levels=0))
    before, at, energy = accounts[-1], fastest[-1], moving[-1]
    accounts.clear()
    with pytest.raises(Interrupted):
        settle(lattice, curved_card, start, body, settings=SettleSettings(levels=0), resume=stopped.value.checkpoint)
    assert at > 0.01, "nodes in contact must be moving"
    # nothing but rounding
    assert abs(accounts[0] - before) < 1e-9 * energy
    assert moving[-1] == pytest.approx(energy, rel=1e-9)


def test_a_coarse_level_that_fails_gives_no_sheet_of_the_wrong_size(monkeypatch, curved_card):
    def fail(*_):
        raise FloatingPointError

    monkeypatch.setattr("drapesim.settling.settle.relax_level", fail)
    lattice = cut_lattice(Sheet(length=0.4, width=0.4, spacing=0.01), multiple=4)
    assert len(pile_levels(lattice, 2)) > 1
    x = np.column_stack([lattice.uv, np.zeros(len(lattice.uv))])
    sheet = settle(lattice, curved_card, x)
    assert sheet.ending is Ending.NOT_FINITE
    assert not sheet.certificate.settled
    assert sheet.x.shape == x.shape
    assert np.isnan(sheet.x).all()


@pytest.mark.parametrize("above", [0.0, 3e-5, 9e-5])
def test_a_sheet_that_starts_next_to_rest_comes_to_rest(laid, curved_card, above):
    """The easy steps at the start must not leave inertia behind that is too small for the usual ones."""
    lattice, start, body = laid
    low = start.copy()
    low[:, 2] += body.vertices[:, 2].max() + 0.5 * curved_card.thickness + above - low[:, 2].min()
    settled = settle(lattice, curved_card, low, body, settings=SettleSettings(max_steps=8000))
    assert settled.ending is Ending.SETTLED, settled.certificate.failures

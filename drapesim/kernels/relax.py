"""Viscous relaxation of the lattice against frozen contact planes: many steps in one call.

Each step has four stages, in this order: press (every contact that is awake computes its force), forces (every node
sums its contacts, which lend it inertia, and its elements, and is kicked), then tighten the yarns of one direction,
then those of the other and move. Every array entry is written by one thread from a fixed order of terms, so the result
has one bit pattern at any thread count.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from drapesim.kernels.ballast import carry_ballast
from drapesim.kernels.elastic import PAD, block_start, forces_of_block_into, zeros_in_lines
from drapesim.kernels.jit import fused_kernel, parallel_kernel, prange
from drapesim.kernels.yarns import LANES, cut_strips, tighten_rows, tighten_strip

FADE = 0.97  # a step, of inertia that no contact needs any more: given back at once, flickering contacts would swing
AWAKE, PUSHING, FRESH = 0.0, -1.0, -2.0  # contacts open at the last step, pushing at it, not yet looked at in this call
RUN = 32  # contacts that are looked over together: most runs sleep as a whole
BATCH = 16  # runs that one thread looks over on end
AHEAD = 3.0  # steps as long as the last one for which a contact is awake before it can push; the next may be two


class Contacts(NamedTuple):
    """K contacts: the point sum_k weight x[node] must stay on the positive side of a plane, frozen for one call.

    Against the body the weights sum to one and this is a point of the cloth; between two layers of cloth they sum to
    zero and it is the way from one layer's point to the other's, which must keep the thickness along the normal.

    Nodes are flat indices on the padded grid. ``anchor`` (K, 3), ``force`` (K, 3) and ``last`` (K,) are
    state; between calls weight, normal and offset follow the two features (kernels.aim).
    ``touched`` lists the M nodes with contacts, in rising order. Contacts stand in runs of `RUN` rows: of run r,
    rows r RUN .. r RUN + n_pushing[r] - 1 of ``pushing`` name those that pushed at the last step, in rising order.
    """

    node: np.ndarray  # (K, 4) int64, unused places have weight 0
    weight: np.ndarray  # (K, 4)
    normal: np.ndarray  # (K, 3) out of the body
    offset: np.ndarray  # (K,) plane: normal . x = offset
    friction: np.ndarray  # (K,) static coefficient
    preload: np.ndarray  # (K,) multiplier of the augmented Lagrangian, N
    anchor: np.ndarray  # (K, 3) where the cloth point would carry no friction
    force: np.ndarray  # (K, 3) on the cloth, N
    last: np.ndarray  # (K,) signed distance to the plane at the last step; of one that sleeps, after it
    wake: np.ndarray  # (K,) m, of one call: how far nodes must go before it can push; or a word from above
    run_wake: np.ndarray  # (runs,) the least of ``wake`` in each run
    pushing: np.ndarray  # (K,) int64
    n_pushing: np.ndarray  # (runs,) int64
    touched: np.ndarray  # (M,) int64


class Inertia(NamedTuple):
    """What nodes are moved with, all (NU, NV): their own inertia and what the contacts that push on them have lent.

    A node keeps its velocity when contacts lend it inertia, so they throw nothing back faster than it came. The energy
    that this takes, and gives back later, is in the account (`move_row`); so is what changes of its own
    (`kernels.ballast.take_own`).
    """

    own: np.ndarray  # kg, without contacts: the mass, more where the sheet is stiff (kernels.ballast); 0 at first
    mass: np.ndarray  # kg, with them
    light: np.ndarray  # 1/kg, 0 for nodes that do not move
    turn: np.ndarray  # mass before the last change by contacts over mass now


class Scratch(NamedTuple):
    """What a step works in: nothing in it is kept. Each block has its own strip and lanes, which stay in its caches.

    Rows of ``strip`` outside the sheet are read times zero: they are made as zeros and never written.
    """

    border: np.ndarray  # (strips + 1,) int64, columns
    trial: np.ndarray  # (strips, 3, NU, width) the velocity that the step is about to take, strip by strip
    strip: np.ndarray  # (blocks, 7, NU, width) of the yarns across the rows
    lanes: np.ndarray  # (blocks, 10, LANES NV) of the yarns along the rows
    rows: np.ndarray  # (blocks, 4, LANES, NV)
    share: np.ndarray  # (NU, NV) of contact stiffness
    fastest: np.ndarray  # (blocks,) m/s


def scratch_of(shape: tuple[int, ...], blocks: int) -> Scratch:
    """Room for steps of a sheet on a padded grid of this ``shape``, with the work cut into so many blocks."""
    rows, columns = shape
    border = cut_strips(columns, blocks)
    width = int(np.diff(border).max())
    return Scratch(
        border,
        zeros_in_lines(len(border) - 1, 3, rows, width),
        zeros_in_lines(blocks, 7, rows, width),
        zeros_in_lines(blocks, 10, LANES * columns),
        zeros_in_lines(blocks, 4, LANES, columns),
        zeros_in_lines(rows, columns),
        np.zeros(blocks),
    )


class Pace(NamedTuple):
    """Settings of the relaxation."""

    dt: float
    damping: float  # 1/s
    stiffness: float  # contact, normal, N/m
    grip: float  # contact, tangential, N/m
    dashpot: float  # contact, normal, N per m of movement in one step
    limit: float  # m/s, of each kick: no node moves much faster; at rest it changes nothing
    hold_u: float  # kg, dt^2 times the stiffness that links of full width are solved with, along each axis of the grid
    hold_v: float
    borne: float  # N/m, how stiff the sheet may be where nodes move with their mass alone
    bend: float  # N/m, what bending and twist add to that stiffness everywhere
    lend: float  # kg, inertia that a contact lends a node for each unit of |weight| times the sum of its |weights|


@fused_kernel
def press_run(run, flat, contacts, went, step, pace, dashpot):
    """Force of one run's contacts on the cloth, with friction returned to its cone; moves the anchors that slip.

    Lists those that push.
    Of ten listed contacts nine are open, and cannot push before nodes have gone as far as their gap: they sleep so
    long (``wake``), but for the last few steps, since its dashpot and its grip want to know how a contact came.
    ``went`` (m): the farthest that a node can have gone in this call; ``step`` (m): in the last step. A contact that
    wakes, or begins a call of steps carrying nothing, starts from the gap and the place that it then has.
    """
    first = run * RUN
    ahead = went + AHEAD * step
    least = np.inf
    n_pushing = 0
    for c in range(first, min(first + RUN, contacts.offset.shape[0])):
        wake = contacts.wake[c]
        if wake > ahead:
            least = min(least, wake)
            continue
        a = contacts.node[c, 0]
        w = contacts.weight[c, 0]
        px = w * flat[0, a]
        py = w * flat[1, a]
        pz = w * flat[2, a]
        total = w
        if contacts.weight[c, 1] != 0.0 or contacts.weight[c, 2] != 0.0 or contacts.weight[c, 3] != 0.0:
            for k in range(1, 4):
                a = contacts.node[c, k]
                w = contacts.weight[c, k]
                px += w * flat[0, a]
                py += w * flat[1, a]
                pz += w * flat[2, a]
                total += w
        nx = contacts.normal[c, 0]
        ny = contacts.normal[c, 1]
        nz = contacts.normal[c, 2]
        gap = nx * px + ny * py + nz * pz - contacts.offset[c]
        starts = wake > AWAKE
        if wake == FRESH:
            # written out: a call that hands over all these arrays takes longer than all else here
            starts = (
                contacts.preload[c] == 0.0
                and contacts.force[c, 0] == 0.0
                and contacts.force[c, 1] == 0.0
                and contacts.force[c, 2] == 0.0
            )
        if starts:
            contacts.last[c] = gap
            contacts.anchor[c, 0] = px
            contacts.anchor[c, 1] = py
            contacts.anchor[c, 2] = pz
        push = contacts.preload[c] - pace.stiffness * gap - dashpot * (gap - contacts.last[c])
        contacts.last[c] = gap
        if push <= 0.0:
            contacts.force[c, 0] = 0.0
            contacts.force[c, 1] = 0.0
            contacts.force[c, 2] = 0.0
            contacts.anchor[c, 0] = px
            contacts.anchor[c, 1] = py
            contacts.anchor[c, 2] = pz
            room = gap
            if contacts.preload[c] > 0.0:
                room -= contacts.preload[c] / pace.stiffness
            if total < 0.5:
                room *= 0.5  # between two layers, which may both move
            contacts.wake[c] = went + room if room > AHEAD * step else AWAKE
            least = min(least, contacts.wake[c])
            continue
        contacts.wake[c] = PUSHING
        contacts.pushing[first + n_pushing] = c
        n_pushing += 1
        tx = px - contacts.anchor[c, 0]
        ty = py - contacts.anchor[c, 1]
        tz = pz - contacts.anchor[c, 2]
        tn = tx * nx + ty * ny + tz * nz
        tx -= tn * nx
        ty -= tn * ny
        tz -= tn * nz
        stretch = math.sqrt(tx * tx + ty * ty + tz * tz)
        limit = contacts.friction[c] * push / pace.grip
        if stretch > limit:
            scale = limit / stretch
            tx *= scale
            ty *= scale
            tz *= scale
            contacts.anchor[c, 0] = px - tx
            contacts.anchor[c, 1] = py - ty
            contacts.anchor[c, 2] = pz - tz
        contacts.force[c, 0] = push * nx - pace.grip * tx
        contacts.force[c, 1] = push * ny - pace.grip * ty
        contacts.force[c, 2] = push * nz - pace.grip * tz
    contacts.n_pushing[run] = n_pushing
    contacts.run_wake[run] = PUSHING if n_pushing > 0 else least


@fused_kernel
def press_contacts(block, n_blocks, flat, contacts, went, step, pace, dashpot):
    """`press_run` of every n_blocks-th batch of runs, from batch ``block`` on: what pushes lies together."""
    n_runs = contacts.run_wake.shape[0]
    for first in range(block * BATCH, n_runs, n_blocks * BATCH):
        for run in range(first, min(first + BATCH, n_runs)):
            if contacts.run_wake[run] <= went + AHEAD * step:
                press_run(run, flat, contacts, went, step, pace, dashpot)


@fused_kernel
def note_gaps(lo, hi, flat, contacts):
    """Write down where those of contacts lo..hi-1 that sleep are now, and how far off: searches go by that."""
    for c in range(lo, hi):
        if contacts.wake[c] <= AWAKE:
            continue
        px = 0.0
        py = 0.0
        pz = 0.0
        for k in range(4):
            a = contacts.node[c, k]
            w = contacts.weight[c, k]
            px += w * flat[0, a]
            py += w * flat[1, a]
            pz += w * flat[2, a]
        contacts.anchor[c, 0] = px
        contacts.anchor[c, 1] = py
        contacts.anchor[c, 2] = pz
        nx = contacts.normal[c, 0]
        ny = contacts.normal[c, 1]
        nz = contacts.normal[c, 2]
        contacts.last[c] = nx * px + ny * py + nz * pz - contacts.offset[c]


@fused_kernel
def collect_touch(lo, hi, flat_touch, share, inertia, contacts, lend):
    """Sum the contact forces on nodes lo..hi-1 of the flat grid, in the contacts' order, and lend the nodes inertia.

    They get what the contacts that push on them need to stay stable; the rest fades. A node's row of the contacts'
    stiffness sums to at most |weight| times the sum of the contact's |weights| (one against the body, two between
    layers), each with the contact's stiffness. ``lend``: see `Pace`, inertia is left alone if it is not above zero.
    ``share`` (NU NV,) is scratch.
    """
    first = np.searchsorted(contacts.touched, lo)
    last = np.searchsorted(contacts.touched, hi)
    for m in range(first, last):
        a = contacts.touched[m]
        share[a] = 0.0
        for d in range(3):
            flat_touch[d, a] = 0.0
    for run in range(contacts.n_pushing.shape[0]):
        for p in range(run * RUN, run * RUN + contacts.n_pushing[run]):
            c = contacts.pushing[p]
            weights = 0.0
            for k in range(4):
                weights += abs(contacts.weight[c, k])
            for k in range(4):
                a = contacts.node[c, k]
                w = contacts.weight[c, k]
                if a < lo or a >= hi or w == 0.0:
                    continue
                flat_touch[0, a] += w * contacts.force[c, 0]
                flat_touch[1, a] += w * contacts.force[c, 1]
                flat_touch[2, a] += w * contacts.force[c, 2]
                share[a] += abs(w) * weights
    if not lend > 0.0:
        return
    for m in range(first, last):
        a = contacts.touched[m]
        was = inertia.mass[a]
        own = inertia.own[a]
        now = own + max(lend * share[a], FADE * (was - own))
        inertia.turn[a] = was / now
        if now != was:
            inertia.mass[a] = now
            inertia.light[a] *= was / now


@fused_kernel
def kick_rows(block, lo, hi, scratch, v, force, touch, light, pace):
    """Velocity after one explicit kick of node rows lo..hi-1 into the strips of ``scratch``, at most ``pace.limit``.

    It is limited here and not once the yarns are solved: there a node slowed by itself would strain its links anew. The
    solve takes energy out, but may hand a node up to about 1.4 times the speed it had.
    """
    keep = 1.0 - 0.5 * pace.damping * pace.dt
    gain = 1.0 / (1.0 + 0.5 * pace.damping * pace.dt)
    dt = pace.dt
    n = v.shape[2]
    most = pace.limit * pace.limit
    rows = scratch.rows[block]
    size = rows[3, 0]
    for i in range(lo, hi):
        per = light[i]
        for j in range(n):
            size[j] = 0.0
        for k in range(3):
            old = v[k, i]
            pull = force[k, i]
            push = touch[k, i]
            new = rows[k, 0]
            for j in range(n):
                new[j] = gain * (keep * old[j] + dt * per[j] * (pull[j] + push[j]))
                size[j] += new[j] * new[j]
        fastest = 0.0
        for j in range(n):
            fastest = max(fastest, size[j])
        if fastest > most:
            for j in range(n):
                if size[j] > most:
                    slower = pace.limit / math.sqrt(size[j])
                    for k in range(3):
                        rows[k, 0, j] *= slower
        for s in range(scratch.trial.shape[0]):
            first = scratch.border[s]
            for k in range(3):
                new = rows[k, 0, first : scratch.border[s + 1]]
                kept = scratch.trial[s, k, i]
                for j in range(new.shape[0]):
                    kept[j] = new[j]


@fused_kernel
def tighten_columns(block, n_blocks, scratch, x, light, link, hold):
    """`tighten_strip` of the strips of one block."""
    strips = scratch.trial.shape[0]
    for s in range(block * strips // n_blocks, (block + 1) * strips // n_blocks):
        lo, hi = scratch.border[s], scratch.border[s + 1]
        tighten_strip(lo, hi, scratch.trial[s], x, scratch.strip[block], light, link, hold)


@fused_kernel
def finish_rows(block, lo, hi, x, v, force, touch, spent, scratch, inertia, link_v, pace):
    """Solve the yarns along node rows lo..hi-1 and go one step; notes the block's largest speed (m/s)."""
    rows = scratch.rows[block]
    lanes = scratch.lanes[block]
    fastest = 0.0
    for first in range(lo, hi, LANES):
        last = min(first + LANES, hi)
        for s in range(scratch.trial.shape[0]):
            for k in range(3):
                for i in range(first, last):
                    new = rows[k, i - first, scratch.border[s] : scratch.border[s + 1]]
                    kept = scratch.trial[s, k, i]
                    for j in range(new.shape[0]):
                        new[j] = kept[j]
        tighten_rows(first, last, rows, x, lanes, inertia.light, link_v, pace.hold_v)
        for i in range(first, last):
            fastest = max(fastest, move_row(i, x, v, rows[:, i - first], force, touch, spent, inertia, lanes, pace.dt))
    scratch.fastest[block] = math.sqrt(fastest)


@fused_kernel
def move_row(i, x, v, trial, force, touch, spent, inertia, lanes, dt):
    """Go one step of node row i with the velocity ``trial`` (3, NV); returns the square of its largest speed (m2/s2).

    What the forces have worked along the mean of the old and the new velocity and is not motion now has been lost: to
    damping, to the yarns' implicit solve or to the speed limit. For straight forces that sum is exact.
    """
    n = x.shape[2] - 2 * PAD
    work = lanes[0]
    given = lanes[1]
    motion = lanes[2]
    speed = lanes[3]
    mass = inertia.mass[i, PAD:]
    ratio = inertia.turn[i, PAD:]
    for j in range(n):
        work[j] = 0.0
        given[j] = 0.0
        motion[j] = 0.0
        speed[j] = 0.0
    for k in range(3):
        new = trial[k, PAD:]
        for j in range(n):
            speed[j] += new[j] * new[j]
    fastest = 0.0
    for j in range(n):
        fastest = max(fastest, speed[j])
    for k in range(3):
        place = x[k, i, PAD:]
        old = v[k, i, PAD:]
        new = trial[k, PAD:]
        pull = force[k, i, PAD:]
        push = touch[k, i, PAD:]
        for j in range(n):
            mean = 0.5 * (old[j] + new[j])
            work[j] += mean * pull[j]
            given[j] += mean * push[j]
            motion[j] += 0.5 * (new[j] * new[j] - ratio[j] * old[j] * old[j])
            old[j] = new[j]
            place[j] += dt * new[j]
    worked = 0.0
    pressed = 0.0
    gained = 0.0
    for j in range(n):
        worked += work[j]
        pressed += given[j]
        gained += mass[j] * motion[j]
    spent[0, i] += dt * (worked + pressed) - gained
    spent[1, i] -= dt * pressed
    return fastest


@parallel_kernel
def relax(n_steps, way, step, x, v, force, touch, spent, peak, scratch, inertia, fields, cloth, contacts, pace):
    """Take at most ``n_steps`` steps in place; with 0 steps only the forces at ``x`` are computed.

    Returns the number of steps taken: no more once some node might go farther than ``way`` (m) in the next, which may
    be twice as long as the last. So contacts that were left out as too far away cannot have been met
    (but in the first step, which is always taken).

    ``step`` (m): how far the quickest node went in the last step.
    x, v, force (elastic + dead load), touch (contact force): (3, NU, NV). ``spent`` (2, NU) gains what damping and,
    second, contact take out of the sheet, J. ``peak`` (blocks, 3) is raised to the largest warp and weft strain and
    sine of the yarn angle met; the work is cut into that many blocks, which only decides who does it.

    The loops hold nothing but calls: their bodies compile once as plain kernels, in half the time, and a write to a
    tuple's field straight inside a parallel loop would be lost (numba 0.68).
    """
    n_blocks = peak.shape[0]
    n_rows = x.shape[1]
    n_columns = x.shape[2]
    flat = x.reshape(3, n_rows * n_columns)
    flat_touch = touch.reshape(3, n_rows * n_columns)
    flat_share = scratch.share.reshape(-1)
    flat_inertia = Inertia(
        inertia.own.reshape(-1), inertia.mass.reshape(-1), inertia.light.reshape(-1), inertia.turn.reshape(-1)
    )
    n_contacts = contacts.offset.shape[0]
    dashpot, lend = (pace.dashpot, pace.lend) if n_steps > 0 else (0.0, 0.0)
    went = 0.0
    if n_steps > 0:
        foreseen = way if way < min(cloth.hu, cloth.hv) else 0.0  # without a limit nothing is
        for b in prange(n_blocks):
            lo, hi = block_start(b, n_blocks, n_rows), block_start(b + 1, n_blocks, n_rows)
            carry_ballast(
                lo, hi, scratch.rows[b], x, v, spent, inertia, contacts.touched, fields, cloth, foreseen, pace.bend,
                pace.borne,
            )  # fmt: skip
    for taken in range(1, max(n_steps, 1) + 1):
        if n_contacts > 0:
            for b in prange(n_blocks):
                press_contacts(b, n_blocks, flat, contacts, went, step, pace, dashpot)
        for b in prange(n_blocks):
            lo, hi = block_start(b, n_blocks, n_rows), block_start(b + 1, n_blocks, n_rows)
            collect_touch(lo * n_columns, hi * n_columns, flat_touch, flat_share, flat_inertia, contacts, lend)
            forces_of_block_into(force, peak[b], lo, hi, x, fields, cloth)
            if n_steps > 0:
                kick_rows(b, lo, hi, scratch, v, force, touch, inertia.light, pace)
        if n_steps == 0:
            return 0
        for b in prange(n_blocks):
            tighten_columns(b, n_blocks, scratch, x, inertia.light, fields.link_u, pace.hold_u)
        for b in prange(n_blocks):
            lo, hi = block_start(b, n_blocks, n_rows), block_start(b + 1, n_blocks, n_rows)
            finish_rows(b, lo, hi, x, v, force, touch, spent, scratch, inertia, fields.link_v, pace)
        step = pace.dt * scratch.fastest.max()
        went += step
        if taken == n_steps or went + 2.0 * step > way:
            break
    for b in prange(n_blocks):
        note_gaps(b * n_contacts // n_blocks, (b + 1) * n_contacts // n_blocks, flat, contacts)
    return taken

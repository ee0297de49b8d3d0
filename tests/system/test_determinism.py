"""Promise: the same scene gives the same bytes, run again and on any number of threads."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

# A sheet of more nodes than are worked on by one thread, thrown askew over a box: it folds over the edges, and cloth
# edges and faces touch, not only nodes. Stopped by its limit of steps, long before rest.
RUN = """
import hashlib, sys
import numba, numpy as np
from drapesim.matter.body import box, join, slab
from drapesim.matter.fabric import read_card
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.settle import settle

card = read_card(sys.argv[1])
body = join(box((-0.12, -0.08, 0.0), (0.13, 0.07, 0.1)), slab(1.0, 1.0, 0.05, surface="slate"))
lattice = cut_lattice(Sheet(length=0.56, width=0.52, spacing=0.01))
turn = np.array([[np.cos(0.4), np.sin(0.4)], [-np.sin(0.4), np.cos(0.4)]])
start = np.c_[(lattice.uv - 0.27) @ turn, np.full(len(lattice.ij), 0.102)]
settled = settle(lattice, card, start, body, settings=SettleSettings(max_steps=1200, levels=1))
assert len(lattice.ij) > 2500
assert (settled.contact_force != 0.0).any(1).sum() > 50
assert settled.x[:, 2].min() < start[:, 2].min() - 0.03
print(numba.get_num_threads(), hashlib.sha256(settled.x.tobytes() + settled.contact_force.tobytes()).hexdigest())
"""


def hash_run(threads):
    """(threads used, hash of positions and contact forces) of the sheet, settled in a process of its own."""
    environment = dict(os.environ, NUMBA_NUM_THREADS=str(threads), PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path]))
    command = [sys.executable, "-c", RUN, str(ROOT / "scenes/fabrics/cover-linen.toml")]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, timeout=400)
    assert done.returncode == 0, done.stderr
    used, digest = done.stdout.split()
    return int(used), digest


@pytest.fixture(scope="module")
def alone():
    used, digest = hash_run(1)
    assert used == 1
    assert len(digest) == len(hashlib.sha256().hexdigest())
    return digest


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_same_bytes(alone, threads):
    used, digest = hash_run(threads)
    assert used == threads
    assert digest == alone

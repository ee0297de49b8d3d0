"""The first run compiles all that a run needs: none of it is left for the settling itself."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]

# In a process of its own, where no other test has called a kernel.
CODE = """
import importlib, pkgutil
import numpy as np
import drapesim.kernels
from drapesim.settling.warm import compile_share, pose_small
from drapesim.settling.settle import settle
from drapesim.settling.contact_record import record_contact

def signatures():
    kernels = {}
    for module in pkgutil.iter_modules(drapesim.kernels.__path__):
        loaded = importlib.import_module(f"drapesim.kernels.{module.name}")
        for name, value in vars(loaded).items():
            if hasattr(value, "signatures"):
                kernels[module.name, name] = list(value.signatures)
    return kernels

compile_share(0)
compile_share(1)
before = signatures()
problem, field, x = pose_small()
held = problem.lattice.ij[:, 0] == 0
settled = settle(problem.lattice, problem.card, x, field.body, held=held, friction=np.array([0.3]))
record_contact(problem.lattice, problem.card, settled.x, settled.contact_force, field)
after = signatures()
assert sum(map(len, before.values())) > 5
print({name: found for name, found in after.items() if found != before[name]}, settled.ending.name)
"""


def test_nothing_is_left_to_compile():
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path]))
    done = subprocess.run([sys.executable, "-c", CODE], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "{} SETTLED"

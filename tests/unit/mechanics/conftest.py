"""Small lattices run on one thread: two would spend their time waiting for each other."""

import pytest

from drapesim.kernels.jit import use_threads


@pytest.fixture(autouse=True)
def _one_thread():
    use_threads(1)

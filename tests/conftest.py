"""What every test runs under: at most two threads, so that suites beside each other do not fight for the processor.

Threads that wait give way soon instead of spinning: on two busy cores, spinning made small sheets ten times slower.
Set here because numba and its threads read both once, at the start; processes that tests start inherit them.
"""

import os
from ctypes.util import find_library
from functools import lru_cache

import pytest

os.environ.setdefault("NUMBA_NUM_THREADS", "2")
os.environ.setdefault("GOMP_SPINCOUNT", "1000")

NO_WINDOW = "this system cannot draw without a screen: apt-get install --no-install-recommends libegl1 libgl1"


@pytest.fixture
def window():
    """Something to draw in. Missing system libraries are a reason to skip; a probe that fails with them is a fault."""
    from drapesim.front import view  # only now: it brings numba in, which reads the settings above

    if view.pick_window() is None:
        if not (find_library("EGL") and find_library("GL")):
            pytest.skip(NO_WINDOW)
        pytest.fail("libegl1 and libgl1 are there, and yet no window can be opened")


@pytest.fixture(autouse=True, scope="session")
def carved_once():
    """A scene's figure takes six seconds to carve: those of the same measures are carved once for all tests.

    Tests of the carving itself call the function that they imported, which is the bare one.
    """
    from drapesim.matter import figure

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figure, "carve_figure", lru_cache(maxsize=4)(figure.carve_figure))
        yield

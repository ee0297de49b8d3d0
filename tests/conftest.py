"""What every test runs under: at most two threads, so that suites beside each other do not fight for the processor.

Threads that wait give way soon instead of spinning: on two busy cores, spinning made small sheets ten times slower.
Set here because numba and its threads read both once, at the start; processes that tests start inherit them.
"""

import os

os.environ.setdefault("NUMBA_NUM_THREADS", "2")
os.environ.setdefault("GOMP_SPINCOUNT", "1000")

"""What every test runs under: at most two threads, so that suites beside each other do not fight for the processor.

Set here because numba reads it once, when it is first imported; processes that tests start inherit it.
"""

import os

os.environ.setdefault("NUMBA_NUM_THREADS", "2")

"""`python -m drapesim` is the command `drapesim`."""

import sys

from drapesim.front.cli import main

if __name__ == "__main__":
    sys.exit(main())

"""``python -m strobe`` is the same as the command ``strobe``."""

import sys

from strobe.cli import main

if __name__ == "__main__":
    sys.exit(main())

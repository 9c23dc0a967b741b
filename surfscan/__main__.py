"""``python -m surfscan``."""

from __future__ import annotations

import sys

from surfscan.cli import main

if __name__ == "__main__":
    sys.exit(main())

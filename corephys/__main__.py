"""``python -m corephys``: the command line of :mod:`corephys.cli`."""

from __future__ import annotations

import sys

from corephys.cli import main

if __name__ == "__main__":
    sys.exit(main())

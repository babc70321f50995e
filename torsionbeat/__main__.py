"""``python -m torsionbeat``: the same as the command."""

from __future__ import annotations

import sys

from torsionbeat.cli import main

if __name__ == "__main__":
    sys.exit(main())

"""The list of the sample files: name, SHA-256 and size of each.

Run: python tests/sample_registry.py          (writes samples/registry.txt)
"""

from __future__ import annotations

import hashlib
from pathlib import Path

SAMPLES = Path(__file__).parents[1] / "samples"
UNLISTED = ("README.md", "registry.txt")


def registry(folder: Path = SAMPLES) -> str:
    """Give the list as text, one file a line, by name."""
    rows = []
    for path in sorted(folder.iterdir()):
        if path.name not in UNLISTED:
            content = path.read_bytes()
            rows.append(f"{path.name} {hashlib.sha256(content).hexdigest()} {len(content)}\n")
    return "".join(rows)


if __name__ == "__main__":
    (SAMPLES / "registry.txt").write_text(registry(), encoding="utf-8")

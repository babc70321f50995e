"""Which published figures the tests hold the package against, and where they were read.

Run: python tests/benchmarks/published.py

Every test of ``tests/published`` with the words that stand first in it: what is checked, and the source.
"""

from __future__ import annotations

import ast
from pathlib import Path

FOLDER = Path(__file__).resolve().parent.parent / "published"


def main() -> int:
    """Print the list; exit 1 where a test names nothing."""
    silent = 0
    for path in sorted(FOLDER.glob("test_*.py")):
        module = ast.parse(path.read_text(encoding="utf-8"))
        print(f"\n{path.name}: {(ast.get_docstring(module) or '').splitlines()[0]}")
        for node in module.body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                words = " ".join((ast.get_docstring(node) or "").split())
                silent += not words and not ast.get_docstring(module)
                print(
                    f"  {node.name.removeprefix('test_').replace('_', ' ')}: {words or 'see the head of the file'}"
                )
    return 1 if silent else 0


if __name__ == "__main__":
    raise SystemExit(main())

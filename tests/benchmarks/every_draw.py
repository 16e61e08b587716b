"""The tests that draw a simulated truth, each with its whole number of draws.

In a run of pytest they make do with a share (tests/draws.py) and the wider bounds that go with it.

Run: python -m tests.benchmarks.every_draw [options of pytest]      (some minutes)
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests.draws import EVERY

TESTS = Path(__file__).parents[1]
ASKING = "from tests.draws import draws"


def main() -> int:
    """Pytest's exit code for the files that ask for draws."""
    os.environ[EVERY] = "yes"
    files = [p for p in sorted(TESTS.rglob("test_*.py")) if ASKING in p.read_text(encoding="utf-8")]
    return pytest.main([*map(str, files), *sys.argv[1:]])


if __name__ == "__main__":
    raise SystemExit(main())

"""Every promise about speed against its floor, measured one after the other, as one table.

Processor time throughout, so that a busy machine slows ours and the floor alike; ratios still swing
by a tenth or so there.

Run: python -m tests.benchmarks.promises              all of them (about ten minutes)
     python -m tests.benchmarks.promises take sweep   some
"""

from __future__ import annotations

import importlib
import sys

from tests.benchmarks.common import Promise

STAGES = ("take", "tap", "sweep", "attribution_time", "statistics", "run", "growth")


def table(found: list[Promise]) -> str:
    """The promises as lines of a Markdown table."""
    rows = [
        f"| {one.stage} | {one.ratio:.3g} | {one.low:.3g} to {one.high:.3g} | {one.most:g} | "
        f"{'yes' if one.ratio <= one.most else 'no'} |"
        for one in found
    ]
    head = ["| stage | measured | over the runs | at most | kept |", "|---|---|---|---|---|"]
    return "\n".join([*head, *rows])


def main() -> None:
    """Measure and print."""
    asked = sys.argv[1:] or list(STAGES)
    del sys.argv[1:]  # the stages read their own
    found: list[Promise] = []
    for stage in asked:
        found += importlib.import_module(f"tests.benchmarks.{stage}").main()
    print(table(found))


if __name__ == "__main__":
    main()

"""Run the truth bench and write its page.

Run: python -m tests.benchmarks.truth [studies a cell, 10000 when left out] [folder, reports/sample]
With "page" in place of the number the page is made again from the table that is there.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd
from tqdm import tqdm

from studylib.writing import write_whole
from tests.benchmarks.truth.against import findings
from tests.benchmarks.truth.cells import Cell, grid
from tests.benchmarks.truth.judge import Counts, count
from tests.benchmarks.truth.page import page, results_from, results_table


def one(place: int, studies: int) -> tuple[int, Counts]:
    """Cell number `place`, with a seed of its own."""
    return place, count(grid()[place], studies, seed=172_000 + place)


def run(studies: int) -> list[tuple[Cell, Counts]]:
    """Every cell, on two processes."""
    cells = grid()
    found: list[Counts | None] = [None] * len(cells)
    with ProcessPoolExecutor(2) as pool:
        waiting = [pool.submit(one, place, studies) for place in range(len(cells))]
        for job in tqdm(waiting, desc="designs", disable=None):
            place, counts = job.result()
            found[place] = counts
    return list(zip(cells, found, strict=True))


def main() -> None:
    """Write table and page; print what does not hold."""
    asked = sys.argv[1] if len(sys.argv) > 1 else "10000"
    folder = Path(sys.argv[2] if len(sys.argv) > 2 else "reports/sample")
    folder.mkdir(parents=True, exist_ok=True)
    if asked == "page":
        results = results_from(pd.read_csv(folder / "truth.csv"), grid())
    else:
        results = run(int(asked))
        results_table(results).to_csv(folder / "truth.csv", index=False, lineterminator="\n")
    held = [finding for cell, counts in results for finding in findings(cell, counts)]
    studies = max(counts.trials["any"] for _, counts in results)
    write_whole(folder / "truth.html", page(results, held, studies=studies))
    for finding in held:
        if not finding.holds:
            print(f"does not hold: {finding.cell}: {finding.what} {100 * finding.rate:.2f} %, "
                  f"limit {100 * finding.limit:g} %")  # fmt: skip
    print(f"{sum(f.holds for f in held)} of {len(held)} promises held; {folder / 'truth.html'}")


if __name__ == "__main__":
    main()

"""Run the truth bench and write its page.

Run: python -m tests.benchmarks.truth [studies a cell, 10000 when left out] [folder, reports/sample]
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tqdm import tqdm

from studylib.writing import write_whole
from tests.benchmarks.truth.against import findings
from tests.benchmarks.truth.cells import grid
from tests.benchmarks.truth.judge import Counts, count
from tests.benchmarks.truth.page import page, results_table


def one(place: int, studies: int) -> tuple[int, Counts]:
    """Cell number `place`, with a seed of its own."""
    return place, count(grid()[place], studies, seed=172_000 + place)


def main() -> None:
    """Every cell on two processes; prints what does not hold."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    folder = Path(sys.argv[2] if len(sys.argv) > 2 else "reports/sample")
    start, cells = time.perf_counter(), grid()
    found: list[Counts | None] = [None] * len(cells)
    with ProcessPoolExecutor(2) as pool:
        waiting = [pool.submit(one, place, studies) for place in range(len(cells))]
        for job in tqdm(waiting, desc="designs", disable=None):
            place, counts = job.result()
            found[place] = counts
    results = list(zip(cells, found, strict=True))
    held = [finding for cell, counts in results for finding in findings(cell, counts)]
    seconds = time.perf_counter() - start
    folder.mkdir(parents=True, exist_ok=True)
    results_table(results).to_csv(folder / "truth.csv", index=False, lineterminator="\n")
    write_whole(folder / "truth.html", page(results, held, studies=studies, seconds=seconds))
    for finding in held:
        if not finding.holds:
            print(f"does not hold: {finding.cell}: {finding.what} {100 * finding.rate:.2f} %, "
                  f"limit {100 * finding.limit:g} %")  # fmt: skip
    print(f"{sum(f.holds for f in held)} of {len(held)} promises held; {folder / 'truth.html'}")


if __name__ == "__main__":
    main()

"""A blind test and its results as real files, with listeners of a stated truth: for tests.

Each trial is written as the page's own files have it; the marks are made anew here from the words
of the format (`chained`), not by the library.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Sequence
from itertools import combinations
from pathlib import Path

import numpy as np

RESULT = ["test", "listener", "place", "trial", "answer", "replays", "seconds", "mark"]
TRIAL = [
    *("trial", "place", "wood_a", "wood_b", "specimen_a", "specimen_b"),
    *("take_1", "take_2", "take_3", "odd", "null"),
]  # fmt: skip


def digits(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


def write_test(
    folder: Path, boards: dict[str, str], takes: dict[str, list[str]], *, one_wood: bool = True,
    nulls: int = 6, seed: int = 1,
) -> list[dict]:  # fmt: skip
    """`listening/trials.csv` and `excerpts.csv`: every pair of boards once, then hidden trials.

    boards : board -> its wood.  takes : board -> two takes at least, by their names.
    Returns the trials, a dict each, with `odd` as a number.
    """
    rng, rows = np.random.default_rng(seed), []
    pairs = [(a, b) for a, b in combinations(boards, 2) if one_wood or boards[a] != boards[b]]
    pairs += [(board, board) for board in [*boards][:nulls]]
    for place, (a, b) in enumerate(pairs, 1):
        odd = place % 3
        own = list(takes[a][:2])
        own.insert(odd, takes[b][-1])
        null = "yes" if a == b else ""
        rows.append([f"t{place}", place, boards[a], boards[b], a, b, *own, odd + 1, null])
    home = folder / "listening"
    (home / "results").mkdir(parents=True, exist_ok=True)
    rng.shuffle(rows)
    with (home / "trials.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([TRIAL, *rows])
    with (folder / "takes.csv").open(encoding="utf-8") as file:
        files = {row["take"]: row["file"] for row in csv.DictReader(file)}
    lines = ["take,file,sha256,specimen,wood,start_s,length_s,gain_db"]
    for board, own in takes.items():
        for take in own:
            sha = hashlib.sha256((folder / files[take]).read_bytes()).hexdigest()
            lines.append(f"{take},{files[take]},{sha},{board},{boards[board]},0,1,0")
    (home / "excerpts.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [dict(zip(TRIAL, row, strict=True)) for row in rows]


def name_of(folder: Path) -> str:
    home = folder / "listening"
    return digits((home / "trials.csv").read_text() + (home / "excerpts.csv").read_text())


def chained(test: str, rows: Sequence[Sequence[object]]) -> list[list[str]]:
    """Rows of a result from `test` to `seconds`, each with its mark."""
    marked, before = [], test
    for row in rows:
        cells = [str(cell) for cell in row]
        before = digits(",".join([before, *cells]))
        marked.append([*cells, before])
    return marked


def write_result(
    folder: Path, listener: str, trials: list[dict], answer: Callable[[dict], int], *,
    file: str = "", only: int | None = None,
) -> Path:  # fmt: skip
    """A result file; `answer` gives 1, 2 or 3 for a trial, `only` so many of them."""
    test = name_of(folder)
    rows = [
        [test, listener, i, trial["trial"], answer(trial), 1, 9]
        for i, trial in enumerate(trials[:only], 1)
    ]
    path = folder / "listening" / "results" / (file or f"{listener}.csv")
    with path.open("w", newline="", encoding="utf-8") as out:
        csv.writer(out, lineterminator="\n").writerows([RESULT, *chained(test, rows)])
    return path


def hearing(share: Callable[[dict], float], seed: int) -> Callable[[dict], int]:
    """A listener who truly hears a trial with probability `share`, and else guesses."""
    rng = np.random.default_rng(seed)

    def answer(trial: dict) -> int:
        guess = int(rng.integers(1, 4))
        return trial["odd"] if rng.random() < share(trial) else guess

    return answer

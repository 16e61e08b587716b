"""How often does a study without any wood effect declare one? Through audio files, end to end.

Each study: 3 woods x 4 boards x 3 mounts x 3 takes in two batches, all woods alike, spreads of
boards 1.5 dB, mounts 1.0 dB, takes 0.5 dB (the truth of the simulation), written as real
files, read, measured and compared by the functions that the notebooks call. The promise is
5 % of studies. Beside it the same takes counted as boards: the trap.

Run: python -m tests.benchmarks.null_studies [studies]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.stats import f_oneway
from tqdm import tqdm

from studylib.measure import measure_batch
from studylib.modes.gathered import gather
from studylib.report.summary import summarise
from studylib.sheets import read_study
from tests.small_study import Plan, write_small_study

FEATURE = "tone.h1.response_db"


def one_study(folder: Path, seed: int) -> tuple[bool, bool]:
    """(a pair declared, takes counted as boards would have declared) of one null study."""
    plan = Plan(boards=4, mounts=3, takes=3, batches=2, seed=seed)
    study = read_study(write_small_study(folder, plan))
    effects = summarise(study, gather(study, parts="")).comparison.effects
    primary = effects[effects["role"] == "primary"]
    takes = []
    for batch in study.batches:
        rows = measure_batch(study, batch).features
        takes += rows[(rows["feature"] == FEATURE) & rows["usable"]].to_dict("records")
    woods = {
        wood: [t["value"] for t in takes if t["wood"] == wood and t["specimen"][:3] == wood[:3]]
        for wood in plan.wood_db
    }
    naive = f_oneway(*woods.values()).pvalue <= 0.05
    return bool((primary["p_adjusted"] <= 0.05).any()), bool(naive)


def main() -> None:
    """Print both rates with their Monte Carlo error."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    found = []
    for seed in tqdm(range(studies), desc="null studies", disable=None):
        with tempfile.TemporaryDirectory() as name:
            found.append(one_study(Path(name) / "study", 1000 + seed))
    rates = np.mean(found, axis=0)
    errors = np.sqrt(rates * (1 - rates) / studies)
    for name, rate, error in zip(("boards", "takes as boards"), rates, errors, strict=True):
        print(f"{name}: {100 * rate:.1f} % of {studies} null studies declared a difference "
              f"(Monte Carlo error {100 * error:.1f} %)")  # fmt: skip


if __name__ == "__main__":
    main()

"""The summary's statistics against statsmodels' mixed model, which fits the same takes only.

60 features, 200 boards of 3 woods, 2,000 takes with some missing: `compare` and the checks beside
it (effects, all intervals, components by REML, the second opinion on every pair, boards, what
stands out and the effects without it, drift, the simulation of the design), against the fits alone
by MixedLM, of which three are timed and the rest reckoned. Wanted: at most a tenth. Then one REML
fit of ours, alone and among sixty, against one of theirs: wanted at least 20 times as fast.

Run: python -m tests.benchmarks.statistics
"""

from __future__ import annotations

import statistics
import warnings

import numpy as np
import pandas as pd
from statsmodels.regression.mixed_linear_model import MixedLM

from studylib.stats import drift, outliers
from studylib.stats.compare import compare
from studylib.stats.mixed import fit_features
from studylib.stats.power import own_design
from studylib.stats.units import MOUNT, mount_means, tidy
from tests.benchmarks.common import Promise, report, seconds
from tests.stats.simulate import WOODS, features_table, specimens_table

FEATURES, BOARDS, TAKES, TIMED = 60, (67, 67, 66), 2000, 3


def invented() -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Specimens, features and names: spreads of boards, mounts, takes 1.5, 1.0, 0.5 dB."""
    rng = np.random.default_rng(172)
    names = [f"tone.h{k}.rel_db" for k in range(2, FEATURES + 2)]
    specimens = specimens_table(BOARDS)
    rows = features_table(specimens, rng, names=names, mounts=3, takes=4)
    kept = rng.permutation(rows["take"].unique())[:TAKES]
    return specimens, rows[rows["take"].isin(kept)].reset_index(drop=True), names


def everything(specimens: pd.DataFrame, rows: pd.DataFrame, names: list[str]) -> None:
    """All statistics of a summary, three features being primary."""
    result = compare(rows, specimens, woods=WOODS, primary=names[:3])
    workings = result.workings
    found = outliers.find_outliers(workings.samples, workings.usable)
    outliers.leave_one_out(workings, found, result.effects)
    mounts = mount_means(tidy(rows, specimens))
    mounts = mounts[mounts["feature"].isin(workings.usable)]
    order = mounts[MOUNT].drop_duplicates().reset_index(drop=True)
    order = order.assign(place=np.linspace(0, 1, len(order)), number=order.index, started=pd.NaT)
    drift.reference_chart(mounts, order, references=["L1"], confidence=0.95)
    drift.trends(mounts, order, confidence=0.95)
    for name in workings.compared:
        sample = workings.samples[name]
        own_design(sample.design.model, sample.y, limit=1.0, confidence=0.95, primary=3,
                   same_possible=True)  # fmt: skip


def theirs(rows: pd.DataFrame, name: str):
    """One fit: wood fixed; board and mount random."""
    own = rows[rows["feature"] == name].assign(
        place=lambda t: t["specimen"] + "/" + t["mount"].astype(str)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = MixedLM.from_formula(
            "value ~ C(wood)", own, groups="specimen", re_formula="1",
            vc_formula={"mount": "0 + C(place)"},
        )  # fmt: skip
        return seconds(lambda: model.fit(reml=True))


def main() -> list[Promise]:
    """Print both ratios."""
    specimens, rows, names = invented()
    everything(specimens, rows, names)
    ours = [seconds(lambda: everything(specimens, rows, names)) for _ in range(3)]
    fits = [theirs(rows, name) for name in names[:TIMED]]
    floor = statistics.median(fits)
    result = {
        "ratio": statistics.median(ours) / (FEATURES * floor),
        "ratio_low": min(ours) / FEATURES / max(fits),
        "ratio_high": max(ours) / FEATURES / min(fits),
        "ours_s": statistics.median(ours),
        "floor_s": FEATURES * floor,
    }
    found = report("statistics of a summary, against MixedLM's fits alone", result, 0.1)
    samples = compare(rows, specimens, woods=WOODS, primary=[]).workings.samples
    one = {names[0]: samples[names[0]]}
    alone = statistics.median(seconds(lambda: fit_features(one)) for _ in range(5))
    among = statistics.median(seconds(lambda: fit_features(samples)) for _ in range(5)) / FEATURES
    print(
        f"one REML fit: {1e3 * alone:.1f} ms alone, {1e3 * among:.1f} ms among {FEATURES}, "
        f"{1e3 * floor:.0f} ms by MixedLM: {floor / alone:.0f} and {floor / among:.0f} times as "
        "fast; at least 20 wanted"
    )
    return [found]


if __name__ == "__main__":
    main()

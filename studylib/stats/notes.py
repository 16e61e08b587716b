"""Sentences that go with the numbers of a comparison: methods, error rates, what was left out.

Function: `comparison_notes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from studylib.stats import effects, verdicts
from studylib.stats.error_rate import tukey_kramer_rate
from studylib.stats.pairs import TUKEY_KRAMER, method_for
from studylib.stats.samples import Sample


def comparison_notes(
    samples: Mapping[str, Sample],
    found: pd.DataFrame,
    variance: pd.DataFrame,
    *,
    order: Sequence[str],
    primary: Sequence[str],
    refused: Mapping[str, str],
    confounded: bool,
    confidence: float,
) -> list[str]:
    """Notes on the table of effects `found` and the table of variance components.

    `order` has the features of which there is any row, usable or not; `confounded` says that
    wood and batch are confounded by the plan, which has a sentence of its own.
    """
    return [
        *_not_measured(samples, order, refused, primary),
        *_refused(refused),
        *_spread_note(samples, refused, confidence),
        *([] if confounded else _confounded_here(samples, refused)),
        *_partly_confounded(samples, refused),
        *_verdict_notes(found, confidence),
        *_variance_notes(variance),
    ]


def _not_measured(samples, order, refused, primary) -> list[str]:
    missing = [name for name in primary if name not in order]
    unusable = [n for n in primary if n in order and n not in samples and n not in refused]
    notes = [f"{', '.join(missing)}: not measured yet."] if missing else []
    if unusable:
        notes.append(f"{', '.join(unusable)}: no take of a board is usable, so nothing is said.")
    return notes


def _refused(refused: Mapping[str, str]) -> list[str]:
    if not refused:
        return []
    names = "; ".join(f"{name} ({reason})" for name, reason in refused.items())
    return [
        "Woods are not compared on these, because leaving out the quiet takes would bias the "
        f"rest: {names}."
    ]


def _spread_note(samples, refused, confidence) -> list[str]:
    models = {
        id(model): model
        for model in (s.design.model for name, s in samples.items() if name not in refused)
        if model is not None and model.k > 1 and model.df >= 1 and method_for(model) == TUKEY_KRAMER
    }
    worst: dict[tuple[int, ...], float] = {}
    for model in models.values():
        counts = tuple(int(n) for n in model.counts)
        worst[counts] = max(worst.get(counts, 0.0), tukey_kramer_rate(model, confidence))
    return [
        f"With {', '.join(map(str, counts))} sources a wood the spreads are pooled "
        "(Tukey-Kramer). If one wood in truth spreads three times as much as the others, a "
        f"difference that is not there is declared in up to {100 * rate:.0f} of 100 such studies, "
        f"not in {100 * (1 - confidence):g}. From four sources a wood up the method allows for it."
        for counts, rate in sorted(worst.items())
        if round(100 * rate) > 100 * (1 - confidence)
    ]


def _confounded_here(samples, refused) -> list[str]:
    names = [
        name
        for name, sample in samples.items()
        if name not in refused and not sample.design.complete
    ]
    if not names:
        return []
    return [
        f"On {', '.join(names)} wood and batch are confounded: some wood has no usable take in "
        "some batch, so batch is not taken out there."
    ]


def _partly_confounded(samples, refused) -> list[str]:
    names = [
        name
        for name, sample in samples.items()
        if name not in refused and sample.design.model is not None and sample.design.model.dropped
    ]
    if not names:
        return []
    return [
        "The woods had different shares of the batches, and no wood had boards in a pattern that "
        f"separates the two: part of the difference may be between sittings ({', '.join(names)})."
    ]


def _verdict_notes(found: pd.DataFrame, confidence: float) -> list[str]:
    if found.empty:
        return []
    notes = []
    if (found["verdict"] == verdicts.SAME).any():
        notes.append(
            '"same" means that the 90 % interval of that pair lies inside the limit: two woods '
            "that differ by the limit are called so in at most 5 of 100 studies. That holds for "
            "each pair, not for all pairs together."
        )
    if found["method"].str.contains(effects.NOT_EARNED, regex=False).any():
        notes.append(
            "Some pairs lie within the limit and are still open: on those features the bench "
            "was not shown to tell the changed specimen from the reference, so it has no right "
            'to say "same".'
        )
    if (found["needed"] != "").any():
        notes.append(
            '"needed" is the number of sources a wood at which a true difference as large as '
            "the limit (without a limit: as the one observed) would be declared with 80 % "
            "probability, under the spreads estimated here; those estimates rest on few boards. "
            "For an exploratory feature it is the number for a study that decides on that "
            "feature alone."
        )
    exploratory = found[found["role"] == effects.EXPLORATORY]
    if len(exploratory):
        notes.append(
            f"{exploratory['feature'].nunique()} features are exploratory: what is declared "
            f"among them is expected to be wrong in up to {100 * (1 - confidence):g} of 100 "
            "declarations, and is a lead for the next study, not a result of this one."
        )
    return notes


def _variance_notes(variance: pd.DataFrame) -> list[str]:
    unbalanced = variance["method"].str.contains("unweighted mean squares", regex=False)
    if not unbalanced.any():
        return []
    return [
        "The numbers of takes, mounts or boards are not equal throughout, so the variance "
        "components are estimates for an unbalanced study (REML) and their intervals, from "
        "unweighted mean squares, are approximate."
    ]

"""The table of effects: every pair of woods on every feature, with its verdict.

`difference` is wood_b minus wood_a, woods in the order of the specimens; dB for levels, percent
for logarithmic features. p, low and high hold for all pairs of a feature together. Multiplicity
over features, and what each verdict asks for, are in `multiplicity` and `verdicts`.

Functions: `compared_pairs`, `effects_table`, `effect_id`.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Collection, Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from studylib import register
from studylib.register import Feature
from studylib.stats import multiplicity, scales, verdicts
from studylib.stats.effect_size import hedges_g
from studylib.stats.needed import sources_needed
from studylib.stats.pairs import TUKEY_KRAMER, Pair, all_pairs
from studylib.stats.samples import Sample

COLUMNS = (
    *("id", "feature", "role", "wood_a", "wood_b", "difference", "unit", "low", "high", "df"),
    *("p", "p_adjusted", "q", "g", "g_low", "g_high", "limit", "verdict", "n_a", "n_b"),
    *("needed", "method"),
)
PRIMARY, EXPLORATORY = "primary", "exploratory"
NOT_EARNED = (
    'within the limit, but "same" is not earned: the bench was not shown to tell the changed '
    "specimen from the reference"
)
BLOCKED, CONFOUNDED = "batch as block", "wood and batch are confounded"
TIMED = "drift over the order taken out, as the study asks"
TOO_FEW = "too few sources: nothing is said about woods"
_NAN = float("nan")


def effect_id(feature: str, wood_a: str, wood_b: str, rows: Sequence[str]) -> str:
    """Twelve hex digits that name this comparison of these feature rows."""
    text = json.dumps([feature, wood_a, wood_b, *sorted(rows)], ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:12]


def compared_pairs(
    samples: Mapping[str, Sample], *, refused: Collection[str], confidence: float
) -> dict[str, list[Pair]]:
    """Every pair of woods with enough sources, by feature; features of one design together."""
    together: dict[int, list[str]] = {}
    for name, sample in samples.items():
        if name not in refused and sample.design.model is not None:
            together.setdefault(id(sample.design), []).append(name)
    out = {}
    for names in together.values():
        model = samples[names[0]].design.model
        y = np.array([samples[name].y for name in names])
        found = all_pairs(model, y, confidence=confidence)
        out.update({name: found.of(i) for i, name in enumerate(names)})
    return out


def effects_table(
    samples: Mapping[str, Sample],
    first: Mapping[str, list[Pair]],
    *,
    order: Sequence[str],
    woods: Sequence[str],
    primary: Sequence[str],
    refused: Mapping[str, str],
    limits: Mapping[str, float],
    detected: frozenset[str],
    confidence: float,
) -> pd.DataFrame:
    """Rows of effects.csv.

    Parameters
    ----------
    samples : feature name -> sample; a feature without any usable take has none.
    first : from `compared_pairs`.
    order : features in the order of the table.
    refused : features whose woods are not compared, with the reason; primary ones get rows
        that say so, exploratory ones are in the coverage only.
    limits : feature name -> limit in dB or as a ratio.
    detected : features on which the positive control succeeded.
    """
    rows = []
    for name in order:
        sample, role = samples.get(name), PRIMARY if name in primary else EXPLORATORY
        if name in refused or sample is None:
            if role == PRIMARY:
                rows += _rows_without_numbers(name, sample, woods, refused.get(name))
        else:
            rows += _rows(sample, first.get(name, ()), woods, role, limits.get(name), confidence)
    table = pd.DataFrame(rows, columns=[*COLUMNS, "_pair", "_sample"])
    if table.empty:
        return _typed(table)
    is_primary = table["role"] == PRIMARY
    p, feature = table["p"].astype(float), table["feature"]
    table["q"] = multiplicity.false_discovery_rate(p.where(~is_primary))
    table["p_adjusted"] = np.where(
        is_primary,
        multiplicity.holm_over_features(p.where(is_primary), feature),
        np.fmax(p, table["q"]),
    )
    m = max(1, table.loc[is_primary & p.notna(), "feature"].nunique())
    for i in table.index[p.notna()]:
        alpha = (1 - confidence) / (m if is_primary[i] else 1)
        _judge(table, i, limits.get(feature[i]), feature[i] in detected, confidence, alpha)
    return _typed(table)


def _rows(sample: Sample, found, woods, role: str, limit: float | None, confidence) -> list[dict]:
    """Rows of one feature, not yet judged."""
    design = sample.design
    pairs = {(design.woods[pair.a], design.woods[pair.b]): pair for pair in found}
    in_model = sample.ids(design.woods)
    rows = []
    for wood_a, wood_b in combinations(woods, 2):
        pair = pairs.get((wood_a, wood_b))
        ids = sample.ids((wood_a, wood_b)) if pair is None else in_model
        row = _blank(sample.feature, role, wood_a, wood_b, sample.design.counts, ids)
        if limit is not None:
            row["limit"] = scales.reported_limit(limit, sample.feature)
        if pair is None:
            row["verdict"], row["method"] = verdicts.BOARDS_ONLY, TOO_FEW
        else:
            row.update(_numbers(sample, pair, confidence), _pair=pair, _sample=sample)
        rows.append(row)
    return rows


def _rows_without_numbers(name: str, sample: Sample | None, woods, reason: str | None):
    """Rows of a primary feature that is not compared, or of which no take is usable."""
    counts = sample.design.counts if sample else dict.fromkeys(woods, 0)
    rows = []
    for wood_a, wood_b in combinations(woods, 2):
        ids = sample.ids((wood_a, wood_b)) if sample else []
        row = _blank(register.find(name), PRIMARY, wood_a, wood_b, counts, ids)
        row["verdict"] = verdicts.OPEN if reason else verdicts.BOARDS_ONLY
        row["method"] = f"not compared: {reason}" if reason else TOO_FEW
        rows.append(row)
    return rows


def _blank(feature: Feature, role: str, wood_a: str, wood_b: str, counts, ids) -> dict:
    row: dict = dict.fromkeys(COLUMNS, _NAN)
    row.update(
        id=effect_id(feature.name, wood_a, wood_b, ids),
        feature=feature.name,
        role=role,
        wood_a=wood_a,
        wood_b=wood_b,
        unit=feature.difference_unit,
        n_a=counts[wood_a],
        n_b=counts[wood_b],
        needed="",
        method="",
        _pair=None,
        _sample=None,
    )
    return row


def _numbers(sample: Sample, pair: Pair, confidence: float) -> dict:
    """Difference, interval and effect size of one pair, as reported."""
    feature, model = sample.feature, sample.design.model
    sd = math.sqrt(max(model.pooled_variance(sample.y), 0.0)) if math.isfinite(pair.p) else _NAN
    g, g_low, g_high = hedges_g(pair.difference, sd, model.df, pair.weight, confidence=confidence)
    return {
        "difference": scales.reported_difference(pair.difference, feature),
        "low": scales.reported_difference(pair.low, feature),
        "high": scales.reported_difference(pair.high, feature),
        "df": pair.df,
        "p": pair.p,
        "g": g,
        "g_low": g_low,
        "g_high": g_high,
        "verdict": verdicts.OPEN,
        "method": _method(sample, pair),
    }


def _method(sample: Sample, pair: Pair) -> str:
    words = [f"{pair.method} on the means of sources"]
    if sample.feature.scale == "log":
        words.append("natural logarithms")
    if sample.design.model.blocked:
        words.append(BLOCKED)
    if sample.design.model.timed:
        words.append(TIMED)
    if not sample.design.complete or sample.design.model.dropped:
        words.append(CONFOUNDED)
    if not math.isfinite(pair.p):
        words.append("no spread between sources, so no interval")
    return "; ".join(words)


def _judge(table, i, limit: float | None, detected: bool, confidence: float, alpha) -> None:
    """Verdict, and what an open pair would need, of row i."""
    pair, sample = table.at[i, "_pair"], table.at[i, "_sample"]
    bound = None if limit is None else scales.analysis_limit(limit, sample.feature)
    word = verdicts.verdict(
        p_adjusted=table.at[i, "p_adjusted"],
        confidence=confidence,
        low=pair.low,
        high=pair.high,
        low90=pair.low90,
        high90=pair.high90,
        limit=bound,
    )
    if word == verdicts.SAME and not detected:
        # More boards would not help here, so `needed` stays empty.
        table.at[i, "method"] += f"; {NOT_EARNED}"
        word = verdicts.OPEN
    elif word == verdicts.OPEN:
        table.at[i, "needed"] = str(_needed(sample, pair, bound, alpha))
    table.at[i, "verdict"] = word


def _needed(sample: Sample, pair: Pair, bound: float | None, alpha: float) -> int | str:
    model = sample.design.model
    pooled = model.pooled_variance(sample.y)
    own = np.full(model.k, pooled)
    if pair.method != TUKEY_KRAMER:
        own = model.wood_variances(sample.y)
    return sources_needed(
        difference=abs(pair.difference) if bound is None else bound,
        variance_a=float(own[pair.a]),
        variance_b=float(own[pair.b]),
        pooled=pooled,
        woods=model.k,
        alpha=alpha,
        block_columns=int(model.group.size - model.k - model.df),
    )


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    texts = {"id", "feature", "role", "wood_a", "wood_b", "unit", "verdict", "needed", "method"}
    table = table[list(COLUMNS)].reset_index(drop=True)
    kinds = {name: "float64" for name in COLUMNS if name not in texts}
    kinds.update(n_a="int64", n_b="int64")
    return table.astype({**kinds, **dict.fromkeys(texts, "str")})

"""The table of effects: every pair of woods on every feature, with its verdict; and the claims.

`difference` is wood_b minus wood_a, woods in the order of the specimens; dB for levels, percent
for logarithmic features. p, low and high hold for all pairs of a feature together. Multiplicity
over features, and what each verdict asks for, are in `decisions`.

A claim is supported when its pair is declared in the claimed direction, contradicted when it is
declared in the other, open when not declared, not compared or not measured yet.

Functions: `compared_pairs`, `effects_table`, `effect_id`, `claims_table`.
"""

import hashlib
import json
import math
from collections.abc import Collection, Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from studylib import register, tables
from studylib.codes import each, note, several
from studylib.codes.comparison import Method, Outcome, Role, Verdict
from studylib.register import Feature
from studylib.stats import decisions, scales
from studylib.stats.caveats import Caveats
from studylib.stats.pairs import Pair, all_pairs
from studylib.stats.power import sources_needed
from studylib.stats.samples import Sample

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
    caveats: Caveats,
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
    detected : features on which the positive control counts.
    caveats : what else decides each verdict; none is made without.
    """
    rows = []
    for name in order:
        role = Role.PRIMARY if name in primary else Role.EXPLORATORY
        sample, reason = samples.get(name), refused.get(name, "")
        compared = sample is not None and not reason
        if compared or role == Role.PRIMARY:
            found, limit = (first.get(name, ()), limits.get(name)) if compared else ((), None)
            feature = register.find(name)
            rows += _rows(feature, sample, found, woods, role, limit, reason, confidence)
    if not rows:
        return tables.empty("effects")
    table = pd.DataFrame(rows)
    is_primary = table["role"] == Role.PRIMARY
    p, names = table["p"].astype(float), table["feature"]
    table["q"] = decisions.false_discovery_rate(p.where(~is_primary))
    table["p_adjusted"] = np.where(
        is_primary,
        decisions.holm_over_features(p.where(is_primary), names),
        np.fmax(p, table["q"]),
    )
    m = max(1, names[is_primary & p.notna()].nunique())
    for i in table.index[p.notna()]:
        alpha = (1 - confidence) / (m if is_primary[i] else 1)
        _judge(table, i, limits.get(names[i]), names[i] in detected, confidence, alpha)
    for row in table[table["difference"].notna()].itertuples():
        table.at[row.Index, "caveats"] = caveats.of(row)
    return tables.typed("effects", table)


def _rows(
    feature: Feature, sample: Sample | None, found, woods, role, limit, reason, confidence
) -> list[dict]:
    """Rows of one feature, not yet judged; without numbers where there is no pair in `found`."""
    counts = sample.design.counts if sample else dict.fromkeys(woods, 0)
    pairs, in_model = {}, []
    if found:
        spoken_of = sample.design.woods
        pairs = {(spoken_of[pair.a], spoken_of[pair.b]): pair for pair in found}
        in_model = sample.ids(spoken_of)
    rows = []
    for both in combinations(woods, 2):
        pair = pairs.get(both)
        ids = in_model if pair else sample.ids(both) if sample else []
        row = _blank(feature, role, *both, counts, ids)
        if limit is not None:
            row["limit"] = scales.reported_limit(limit, feature)
        if pair:
            row.update(_numbers(sample, pair, confidence), _pair=pair, _sample=sample)
        else:
            row["verdict"] = Verdict.OPEN if reason else Verdict.BOARDS_ONLY
            row["method"] = reason or Method.TOO_FEW
        rows.append(row)
    return rows


def _blank(feature: Feature, role: str, wood_a: str, wood_b: str, counts, ids) -> dict:
    row: dict = dict.fromkeys(tables.TABLES["effects"].names, _NAN)
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
        caveats="",
        _pair=None,
        _sample=None,
    )
    return row


def _numbers(sample: Sample, pair: Pair, confidence: float) -> dict:
    """Difference, interval and effect size of one pair, as reported."""
    feature, model = sample.feature, sample.design.model
    sd = math.sqrt(max(model.pooled_variance(sample.y), 0.0)) if math.isfinite(pair.p) else _NAN
    g, g_low, g_high = decisions.hedges_g(
        pair.difference, sd, model.df, pair.weight, confidence=confidence
    )
    return {
        "difference": scales.reported_difference(pair.difference, feature),
        "low": scales.reported_difference(pair.low, feature),
        "high": scales.reported_difference(pair.high, feature),
        "df": pair.df,
        "p": pair.p,
        "g": g,
        "g_low": g_low,
        "g_high": g_high,
        "verdict": Verdict.OPEN,
        "method": _method(sample, pair),
    }


def _method(sample: Sample, pair: Pair) -> str:
    design = sample.design
    asked = (
        (sample.feature.scale == "log", Method.LOGARITHMS),
        (design.model.blocked, Method.BLOCKED),
        (design.model.timed, Method.TIMED),
        (not design.complete or design.model.dropped, Method.CONFOUNDED),
        (not math.isfinite(pair.p), Method.NO_SPREAD),
    )
    return several([pair.method, *(code for there, code in asked if there)])


def _judge(table, i, limit: float | None, detected: bool, confidence: float, alpha) -> None:
    """Verdict, and what an open pair would need, of row i."""
    pair, sample = table.at[i, "_pair"], table.at[i, "_sample"]
    bound = None if limit is None else scales.analysis_limit(limit, sample.feature)
    found = decisions.verdict(
        p_adjusted=table.at[i, "p_adjusted"],
        confidence=confidence,
        low=pair.low,
        high=pair.high,
        low90=pair.low90,
        high90=pair.high90,
        limit=bound,
    )
    if found == Verdict.SAME and not detected:
        # More boards would not help here, so `needed` stays empty.
        table.at[i, "method"] = several([*each(table.at[i, "method"]), Method.NOT_EARNED])
        found = Verdict.OPEN
    elif found == Verdict.OPEN:
        table.at[i, "needed"] = str(_needed(sample, pair, bound, alpha))
    table.at[i, "verdict"] = found


def _needed(sample: Sample, pair: Pair, bound: float | None, alpha: float) -> int | str:
    model = sample.design.model
    pooled = model.pooled_variance(sample.y)
    own = np.full(model.k, pooled)
    if pair.method != Method.TUKEY_KRAMER:
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


def claims_table(
    claims: Sequence[Mapping[str, str]],
    effects: pd.DataFrame,
    *,
    refused: Mapping[str, str],
    confidence: float,
) -> pd.DataFrame:
    """One row a claim, in the order given.

    Parameters
    ----------
    claims : each with text, feature, higher, lower.
    effects : rows of effects.csv.
    refused : features not compared, with the reason (stats.design.not_compared).
    """
    rows = []
    for claim in claims:
        outcome, caveats, reasons = _claim(claim, effects, refused, confidence)
        rows.append((claim["text"], claim["feature"], outcome, caveats, several(reasons)))
    return tables.typed("claims", rows)


def _claim(claim, effects, refused, confidence) -> tuple[Outcome, str, list[str]]:
    """Outcome, the caveats of the effect that it rests on, and reasons."""
    higher, lower, feature = claim["higher"], claim["lower"], claim["feature"]
    if feature in refused:
        return Outcome.OPEN, "", [refused[feature]]
    of_feature = effects[effects["feature"] == feature]
    if of_feature.empty:
        return Outcome.OPEN, "", ["claims.not_measured"]
    forward = of_feature[(of_feature["wood_a"] == lower) & (of_feature["wood_b"] == higher)]
    backward = of_feature[(of_feature["wood_a"] == higher) & (of_feature["wood_b"] == lower)]
    named = {"higher": higher, "lower": lower}
    if forward.empty and backward.empty:
        return Outcome.OPEN, "", [note("claims.other_woods", **named)]
    row, sign = (forward.iloc[0], 1) if backward.empty else (backward.iloc[0], -1)
    if row["verdict"] == Verdict.BOARDS_ONLY:
        n_higher, n_lower = (row["n_b"], row["n_a"])[::sign]
        counts = {"n_higher": n_higher, "n_lower": n_lower}
        return Outcome.BOARDS_ONLY, "", [note("claims.too_few", **named, **counts)]
    caveats, reasons = row["caveats"], [_numbers_of_claim(row, named, confidence)]
    if row["verdict"] not in decisions.DECLARED:
        return Outcome.OPEN, caveats, [*reasons, _why_open(row)]
    if row["verdict"] == Verdict.WITHIN:
        reasons.append("claims.within")
    in_direction = sign * row["difference"] > 0
    return (Outcome.SUPPORTED if in_direction else Outcome.CONTRADICTED), caveats, reasons


def _numbers_of_claim(row, named: Mapping[str, str], confidence: float) -> str:
    if row[["difference", "low", "high"]].isna().any():
        return note("claims.no_interval", **named)
    return note(
        "claims.numbers",
        first=row["wood_a"],
        second=row["wood_b"],
        **{name: row[name] for name in ("difference", "low", "high", "unit")},
        confidence=confidence,
        p=row["p_adjusted"],
        n_first=row["n_a"],
        n_second=row["n_b"],
    )


def _why_open(row) -> str:
    if row["verdict"] == Verdict.SAME:
        return "claims.same"
    if row["needed"]:
        limit = bool(np.isfinite(row["limit"]))
        return note("claims.needed", needed=row["needed"], limit=limit)
    return "claims.not_declared"

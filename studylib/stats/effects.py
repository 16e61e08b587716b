"""The table of effects: every pair of woods on every feature, with its verdict; and the claims.

`difference` is wood_b minus wood_a, woods in the order of the specimens; dB for levels, percent
for logarithmic features. p is of the pair alone; p_adjusted, p_beyond and p_within hold for
everything that decides (`families`), low and high for all pairs of a feature. What each verdict
asks for is in `decisions`.

What decides is every pair of the primary features; in a study whose lock stands, its claims, one
pair and feature each, with Holm over them. Every other row is exploratory.

A claim is supported when its pair is declared in the claimed direction, contradicted when it is
declared in the other, open when not declared, not compared or not measured yet.

Functions: `claimed_pairs`, `compared_pairs`, `effects_table`, `effect_id`, `claims_table`.
"""

import hashlib
import json
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import combinations
from types import MappingProxyType

import numpy as np
import pandas as pd

from studylib import codes, register, tables
from studylib.codes.comparison import Method, Outcome, Role, Verdict
from studylib.sheets.files import grouped
from studylib.stats import decisions, families, power, scales
from studylib.stats.caveats import Caveats
from studylib.stats.pairs import Pair, all_pairs
from studylib.stats.samples import Sample

_NAN = float("nan")
Claimed = frozenset[tuple[str, frozenset[str]]]


def effect_id(feature: str, wood_a: str, wood_b: str, rows: Sequence[str]) -> str:
    """Twelve hex digits that name this comparison of these feature rows."""
    text = json.dumps([feature, wood_a, wood_b, *sorted(rows)], ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:12]


def claimed_pairs(claims: Sequence[Mapping[str, str]]) -> Claimed:
    """The pairs that claims are about: of each its feature and its two woods."""
    return frozenset((c["feature"], frozenset((c["higher"], c["lower"]))) for c in claims)


def compared_pairs(
    samples: Mapping[str, Sample], *, refused: Collection[str], confidence: float
) -> dict[str, list[Pair]]:
    """Every pair of woods with enough sources, by feature; features of one design together."""
    together = grouped(
        (id(sample.design), name)
        for name, sample in samples.items()
        if name not in refused and sample.design.model is not None
    )
    out = {}
    for names in together.values():
        model = samples[names[0]].design.model
        found = all_pairs(model, np.array([samples[name].y for name in names]))
        out.update(zip(names, found.by_feature(confidence), strict=True))
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
    claimed: Claimed = frozenset(),
    board_sd: Mapping[str, float] = MappingProxyType({}),
    same_level: float = decisions.SAME_LEVEL,
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
    claimed : pairs that a standing lock leaves to decide; every pair of a primary feature without.
    board_sd : feature -> spread of boards alone, on the scale of analysis, above 0.
    confidence, same_level : of this look (`looks.levels`).
    """
    rows = []
    for name in order:
        sample, reason = samples.get(name), refused.get(name, "")
        compared = sample is not None and not reason
        if compared or name in primary:
            found, limit = (first.get(name, ()), limits.get(name)) if compared else ((), None)
            rows += _rows(
                register.find(name),
                sample,
                found,
                woods,
                limit,
                reason,
                board_sd.get(name, _NAN),
                confidence,
            )
    if not rows:
        return tables.empty("effects")
    table = pd.DataFrame(rows)
    decides = np.array(
        [
            (f, frozenset((a, b))) in claimed if claimed else f in primary
            for f, a, b in zip(table["feature"], table["wood_a"], table["wood_b"], strict=True)
        ]
    )
    table["role"] = np.where(decides, Role.PRIMARY, Role.EXPLORATORY)
    _hold_together(table, decides, 0 if claimed else math.comb(len(woods), 2))
    _judge(
        table,
        decides,
        detected,
        confidence=confidence,
        same_level=same_level,
        claims=bool(claimed),
    )
    known = table["difference"].notna()
    table.loc[known, "caveats"] = [caveats.of(row) for row in table[known].itertuples()]
    return tables.typed("effects", table)


def _hold_together(table: pd.DataFrame, decides: np.ndarray, pairs: int) -> None:
    """p_adjusted, p_beyond, p_within and q of all rows.

    Parameters
    ----------
    pairs : rows of each feature among those that decide; 0 where these are claims.
    """
    p, closed = table["p"].astype(float), table["_closed"].astype(float)
    table["q"] = families.false_discovery_rate(p.where(~decides))
    adjusted = np.array(np.fmax(closed, table["q"]))
    mine = np.flatnonzero(decides & p.notna())
    if pairs and mine.size:
        block = closed.to_numpy()[decides].reshape(-1, pairs)
        known = np.isfinite(block).any(axis=1)
        block[known] = families.over_features(block[known])
        adjusted[decides] = block.ravel()
    elif mine.size:
        adjusted[mine] = families.holm(p.to_numpy()[mine])
    table["p_adjusted"] = adjusted
    family = table["feature"].where(~decides, "")
    for name in ("p_beyond", "p_within"):
        for _, own in table[name].astype(float).dropna().groupby(family, sort=False):
            table.loc[own.index, name] = families.holm(own.to_numpy())
    table["p_beyond"] = np.maximum(table["p_beyond"].astype(float), table["p_adjusted"])


def _rows(
    feature: register.Feature,
    sample: Sample | None,
    found,
    woods,
    limit,
    reason,
    board_sd,
    confidence,
) -> Iterator[dict]:
    """Rows of one feature, not yet judged; without numbers where there is no pair in `found`."""
    counts = sample.design.counts if sample else dict.fromkeys(woods, 0)
    spoken_of = sample.design.woods if found else ()
    pairs = {(spoken_of[pair.a], spoken_of[pair.b]): pair for pair in found}
    in_model = sample.ids(spoken_of) if found else []
    for both in combinations(woods, 2):
        pair = pairs.get(both)
        ids = in_model if pair else sample.ids(both) if sample else []
        if pair:
            told = _numbers(sample, pair, limit, board_sd, confidence)
        else:
            told = {
                "verdict": Verdict.OPEN if reason else Verdict.BOARDS_ONLY,
                "method": reason or Method.TOO_FEW,
            }
        blank = {
            "id": effect_id(feature.name, *both, ids),
            "feature": feature.name,
            "wood_a": both[0],
            "wood_b": both[1],
            "unit": feature.difference_unit,
            "limit": _NAN if limit is None else scales.reported_limit(limit, feature),
            "n_a": counts[both[0]],
            "n_b": counts[both[1]],
            "needed": "",
            "method": "",
            "caveats": "",
            "_closed": _NAN,
            "_same": _NAN,
            "_bound": _NAN,
            "_pair": pair,
            "_sample": sample,
        }
        yield dict.fromkeys(tables.TABLES["effects"].names, _NAN) | blank | told


def _numbers(
    sample: Sample, pair: Pair, limit: float | None, board_sd: float, confidence: float
) -> dict:
    """Difference, interval, effect size and p values of one pair, as reported."""
    feature, model = sample.feature, sample.design.model
    bound = _NAN if limit is None else scales.analysis_limit(limit, feature)
    both = [pair.a, pair.b]
    own = model.wood_variances(sample.y)[both] if math.isfinite(pair.p) else np.full(2, _NAN)
    square, df = np.mean(own), np.sum(own) ** 2 / np.sum(own**2 / model.leverage[both])
    beside = codes.holding(
        (feature.scale == "log", Method.LOGARITHMS),
        (model.blocked, Method.BLOCKED),
        (model.timed, Method.TIMED),
        (not sample.design.complete or model.dropped, Method.CONFOUNDED),
        (not math.isfinite(pair.p), Method.NO_SPREAD),
    )
    g, g_low, g_high = decisions.hedges_g(
        pair.difference,
        np.sqrt(square),
        min(df, pair.df),
        pair.se**2 / square,
        confidence=confidence,
    )
    return {
        "difference": scales.reported_difference(pair.difference, feature),
        "low": scales.reported_difference(pair.low, feature),
        "high": scales.reported_difference(pair.high, feature),
        "df": pair.df,
        "p": pair.p,
        "p_beyond": pair.beyond(bound),
        "p_within": pair.within(bound),
        "_closed": pair.closed,
        "_same": pair.same(bound),
        "_bound": bound,
        "g": g,
        "g_low": g_low,
        "g_high": g_high,
        "over_boards": pair.difference / board_sd,
        "verdict": Verdict.OPEN,
        "method": codes.several([Method.WELCH, *beside]),
    }


def _judge(
    table: pd.DataFrame,
    decides: np.ndarray,
    detected: frozenset[str],
    *,
    confidence: float,
    same_level: float,
    claims: bool,
) -> None:
    """Verdicts, and what open pairs would need."""
    known = table["p"].notna().to_numpy()
    p = table[["p_adjusted", "p_beyond", "p_within", "_same"]].astype(float).to_numpy()[known].T
    table.loc[known, "verdict"] = decisions.verdicts(
        *p, confidence=confidence, same_level=same_level
    )
    mine = table[decides & known]
    shares = len(mine) if claims else mine["feature"].nunique()
    for i, row in zip(table.index[known], table[known].to_dict("records"), strict=True):
        if row["verdict"] == Verdict.SAME and row["feature"] not in detected:
            # More boards would not help here, so `needed` stays empty.
            table.at[i, "method"] = codes.several([*codes.each(row["method"]), Method.NOT_EARNED])
            table.at[i, "verdict"] = Verdict.OPEN
        elif row["verdict"] == Verdict.OPEN and np.isfinite(row["limit"]):
            level = (1 - confidence) / (shares if decides[i] else 1)
            table.at[i, "needed"] = _needed(row, level, alone=claims and decides[i])
        elif row["verdict"] in decisions.DECLARED and row["low"] <= 0 <= row["high"]:
            table.at[i, "method"] = codes.several([*codes.each(row["method"]), Method.BY_STEPS])


def _needed(row: Mapping, level: float, *, alone: bool) -> str:
    """Sources that would declare a difference as large as the limit, as a range."""
    sample, pair = row["_sample"], row["_pair"]
    model = sample.design.model
    variances = model.wood_variances(sample.y)
    return power.needed_range(
        pair.df,
        difference=row["_bound"],
        variance_a=float(variances[pair.a]),
        variance_b=float(variances[pair.b]),
        woods=2 if alone else model.k,
        alpha=level,
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
    return tables.typed(
        "claims",
        [
            (claim["text"], claim["feature"], outcome, caveats, codes.several(reasons))
            for claim in claims
            for outcome, caveats, reasons in [_claim(claim, effects, refused, confidence)]
        ],
    )


def _claim(claim, effects, refused, confidence) -> tuple[Outcome, str, list[str]]:
    """Outcome, the caveats of the effect that it rests on, and reasons."""
    named, feature = {name: claim[name] for name in ("higher", "lower")}, claim["feature"]
    own = effects[effects["feature"] == feature]
    pair = own[own["wood_a"].isin(named.values()) & own["wood_b"].isin(named.values())]
    if lacking := codes.holding(
        (feature in refused, refused.get(feature)),
        (own.empty, "claims.not_measured"),
        (pair.empty, codes.note("claims.other_woods", **named)),
    ):
        return Outcome.OPEN, "", lacking[:1]
    row = pair.iloc[0]
    sign = 1 if row["wood_b"] == named["higher"] else -1
    if row["verdict"] == Verdict.BOARDS_ONLY:
        n_higher, n_lower = (row["n_b"], row["n_a"])[::sign]
        return (
            Outcome.BOARDS_ONLY,
            "",
            [codes.note("claims.too_few", **named, n_higher=n_higher, n_lower=n_lower)],
        )
    caveats, reasons = row["caveats"], [_numbers_of_claim(row, named, confidence)]
    if row["verdict"] not in decisions.DECLARED:
        why_open = codes.holding(
            (row["verdict"] == Verdict.SAME, "claims.same"),
            (row["needed"], codes.note("claims.needed", needed=row["needed"])),
            (True, "claims.not_declared"),
        )
        return Outcome.OPEN, caveats, [*reasons, why_open[0]]
    if row["verdict"] == Verdict.WITHIN:
        reasons.append("claims.within")
    in_direction = sign * row["difference"] > 0
    return (Outcome.SUPPORTED if in_direction else Outcome.CONTRADICTED), caveats, reasons


def _numbers_of_claim(row, named: Mapping[str, str], confidence: float) -> str:
    if row[["difference", "low", "high"]].isna().any():
        return codes.note("claims.no_interval", **named)
    return codes.note(
        "claims.numbers",
        first=row["wood_a"],
        second=row["wood_b"],
        **{name: row[name] for name in ("difference", "low", "high", "unit")},
        confidence=confidence,
        p=row["p_adjusted"],
        n_first=row["n_a"],
        n_second=row["n_b"],
    )

"""How far to trust this: what each sentence rests on, and what this very design can do.

Functions: `design_notes`, `rests_on_table`, `power_notes`, `power_table`, `second_opinion_notes`,
`second_opinion_table`.
"""

import math

import pandas as pd

from studylib import register
from studylib.codes import has, note
from studylib.codes.comparison import Method
from studylib.report.checks import boards_behind
from studylib.report.summary import Summary
from studylib.report.tables import amount_and_interval, reader_table
from studylib.stats import scales
from studylib.stats.power import OwnDesign
from studylib.words import say
from studylib.words.numbers import MISSING, fixed, rounded

_WAYS = {
    Method.WELCH: "trust.welch",
    Method.BLOCKED: "trust.blocked",
}


def design_notes(summary: Summary) -> list[str]:
    """The design in words: what one number of a wood is, and how it was compared."""
    if not summary.comparison.workings.compared:
        return ["trust.nothing_compared"]
    notes = [note("trust.one_number", unit=summary.unit)]
    effects = summary.primary_effects().dropna(subset="p")
    for method, code in _WAYS.items():
        on = effects["method"].map(lambda cell, method=method: has(cell, method))
        if on.any():
            notes.append(note(code, features=list(effects.loc[on, "feature"].unique())))
    if any(has(cell, Method.TIMED) for cell in effects["method"]):
        notes.append("trust.timed")
    return notes


def rests_on_table(summary: Summary) -> pd.DataFrame:
    """Planks, boards, mounts and takes behind each wood's sentences, feature by feature."""
    rows = [
        {"feature": feature, "wood": wood, **boards_behind(summary.comparison, feature, wood)}
        for feature in summary.comparison.workings.compared
        for wood in summary.woods
    ]
    return pd.DataFrame(rows, columns=["feature", "wood", "planks", "boards", "mounts", "takes"])


def power_notes(summary: Summary) -> list[str]:
    """What the table of error rates and power says, and on what it rests."""
    own = summary.checks.own
    if not own:
        return ["trust.no_power"]
    worst = max(own, key=lambda name: own[name].own_spreads)
    primary = len(summary.comparison.workings.compared)
    simulated = note(
        "trust.simulated",
        runs=next(iter(own.values())).runs,
        rate=_rate(own[worst], own[worst].own_spreads),
        feature=worst,
        alpha=1 - summary.confidence,
    )
    claims = len(summary.comparison.workings.claimed)
    over = (
        (claims, note("trust.claims_decide", claims=claims)),
        (primary > 1 and not claims, note("trust.shared", primary=primary)),
    )
    return [simulated, *(said for there, said in over if there), "trust.uncertain_power"]


def power_table(summary: Summary) -> pd.DataFrame:
    """One row a feature and pair: false alarms, power at the limit, chance of `same`."""
    rows = []
    for feature, own in summary.checks.own.items():
        woods = summary.comparison.workings.samples[feature].design.woods
        known = register.find(feature)
        for (a, b), seen in own.seen.items():
            shown = rounded(scales.reported_difference(seen, known))
            rates = (own.alike, own.own_spreads, own.at_limit[a, b], own.same[a, b])
            alike, spreads, at_limit, same = (_rate(own, rate) for rate in rates)
            seen_at = f"{shown} {known.difference_unit}"
            pair = f"{woods[b]} minus {woods[a]}"
            rows.append((feature, pair, alike, spreads, seen_at, at_limit, same))
    return reader_table("trust.power_headings", rows)


def _rate(own: OwnDesign, rate: float) -> str:
    """A simulated share with its Monte Carlo error, as a note."""
    if not math.isfinite(rate):
        return MISSING
    error = max(1, math.ceil(100 * own.error(rate)))
    return note("trust.rate", percent=100 * rate, error=error)


def second_opinion_notes(summary: Summary) -> list[str]:
    """Whether the mixed model agrees."""
    table = _second(summary)
    if table.empty:
        return ["trust.no_second_opinion"]
    apart = table[~table["agrees"]]
    fields = ["feature", "wood_a", "wood_b", "p", "first_p"]
    return [
        "trust.degrees_of_freedom",
        note("trust.agreement", agreed=len(table) - len(apart), pairs=len(table)),
        *(note("trust.disagreement", **row) for row in apart[fields].to_dict("records")),
        *(note("trust.remark", note=cell) for cell in table["note"].unique() if cell),
    ]


def second_opinion_table(summary: Summary) -> pd.DataFrame:
    """Both opinions on every primary pair, side by side."""
    keys = ["feature", "wood_a", "wood_b"]
    pairs = _second(summary).merge(summary.primary_effects(), on=keys, suffixes=("", "_first"))
    rows = []
    for row in pairs.itertuples():
        ends = (row.difference_first, row.low_first, row.high_first)
        rows.append(
            (
                row.feature,
                f"{row.wood_b} minus {row.wood_a}",
                amount_and_interval(row.feature, *ends, row.unit),
                _p_and_df(row.first_p, row.df_first),
                amount_and_interval(row.feature, row.difference, row.low, row.high, row.unit),
                _p_and_df(row.p, row.df),
                fixed(row.satterthwaite_df, 1),
            )
        )
    return reader_table("trust.second_headings", rows)


def _second(summary: Summary) -> pd.DataFrame:
    table = summary.comparison.second_opinion
    return table[table["feature"].isin(summary.primary)]


def _p_and_df(p: float, df: float) -> str:
    return say("trust.p_and_df", p=p, df=df)

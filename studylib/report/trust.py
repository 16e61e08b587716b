"""How far to trust this: what each sentence rests on, and what this very design can do.

Functions: `design_notes`, `rests_on_table`, `power_notes`, `power_table`, `second_opinion_notes`,
`second_opinion_table`, `wood_at_random`.
"""

import math

import pandas as pd

from studylib.codes import holding, note
from studylib.report import checks, tables
from studylib.report.summary import Summary
from studylib.stats import mixed
from studylib.stats.power import drawing_error
from studylib.words import numbers, say

MANY_WOODS = 6  # from so many on, they say something of another one


def design_notes(summary: Summary) -> list[str]:
    """The design in words: what one number of a wood is, and how woods are compared."""
    return (
        [note("trust.one_number", unit=summary.unit), "trust.ways"]
        if summary.comparison.workings.compared
        else ["trust.nothing_compared"]
    )


def rests_on_table(summary: Summary) -> pd.DataFrame:
    """Planks, boards, mounts and takes behind each wood's sentences, feature by feature."""
    rows = [
        {
            "feature": feature,
            "wood": wood,
            **checks.boards_behind(summary.comparison, feature, wood),
        }
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
    claims = len(summary.comparison.workings.claimed)
    return [
        note(
            "trust.simulated",
            runs=next(iter(own.values())).runs,
            rate=_rate(own[worst].own_spreads, own[worst].runs),
            feature=worst,
            alpha=1 - summary.confidence,
        ),
        *holding(
            (claims, note("trust.claims_decide", claims=claims)),
            (primary > 1 and not claims, note("trust.shared", primary=primary)),
        ),
        "trust.uncertain_power",
    ]


def power_table(summary: Summary) -> pd.DataFrame:
    """One row a feature and pair: false alarms, power at the limit, chance of `same`."""
    rows = [
        (
            *(row.feature, f"{row.wood_b} minus {row.wood_a}"),
            *(_rate(row.alike, row.runs), _rate(row.own_spreads, row.runs)),
            f"{numbers.rounded(row.seen)} {row.unit}",
            *(_rate(row.at_limit, row.runs), _rate(row.same, row.runs)),
        )
        for row in checks.own_rows(summary.checks, summary.comparison).itertuples()
    ]
    return tables.reader_table("trust.power_headings", rows)


def _rate(rate: float, runs: int) -> str:
    """A simulated share with its Monte Carlo error, as a note."""
    if not math.isfinite(rate):
        return numbers.MISSING
    return note(
        "trust.rate", percent=100 * rate, error=max(1, math.ceil(100 * drawing_error(rate, runs)))
    )


def second_opinion_notes(summary: Summary) -> list[str]:
    """Whether the mixed model agrees."""
    table = summary.of_primary(summary.comparison.second_opinion)
    if table.empty:
        samples, most = summary.comparison.workings.samples.values(), mixed.MOST_COLUMNS
        columns = max((s.design.all_model.basis.shape[1] for s in samples), default=0)
        return holding(
            (columns > most, note("trust.too_wide", columns=columns, most=most)),
            (True, "trust.no_second_opinion"),
        )[:1]
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
    pairs = summary.of_primary(summary.comparison.second_opinion).merge(
        summary.primary_effects(), on=["feature", "wood_a", "wood_b"], suffixes=("", "_first")
    )
    rows = [
        (
            *(row.feature, f"{row.wood_b} minus {row.wood_a}"),
            tables.amount_and_interval(
                row.feature, row.difference_first, row.low_first, row.high_first, row.unit
            ),
            say("trust.p_and_df", p=row.first_p, df=row.df_first),
            tables.amount_and_interval(row.feature, row.difference, row.low, row.high, row.unit),
            say("trust.p_and_df", p=row.p, df=row.df),
            numbers.fixed(row.satterthwaite_df, 1),
        )
        for row in pairs.itertuples()
    ]
    return tables.reader_table("trust.second_headings", rows)


def wood_at_random(summary: Summary, *, few: bool = False) -> list[str]:
    """What the woods say of another one: of features with `MANY_WOODS` or more, or with fewer."""
    rows = [
        row
        for row in summary.comparison.woods_at_random.to_dict("records")
        if (row["woods"] < MANY_WOODS) == few
    ]
    woods = [row["woods"] for row in rows]
    more = {"source": summary.unit, "confidence": summary.confidence}
    return [
        *(
            note(
                "trust.few_woods" if few else "trust.many_woods", least=min(woods), most=max(woods)
            )
            for _ in woods[:1]
        ),
        *(note("trust.another_wood", **row, **more) for row in rows),
    ]

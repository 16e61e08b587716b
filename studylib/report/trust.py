"""How far to trust this: what each sentence rests on, and what this very design can do.

Functions: `design_sentences`, `rests_on_table`, `power_sentences`, `power_table`,
`second_opinion_sentences`, `second_opinion_table`.
"""

from __future__ import annotations

import math

import pandas as pd

from studylib.report.checks import boards_behind
from studylib.report.differences import difference, unit_word
from studylib.report.summary import Summary
from studylib.stats import scales
from studylib.stats.effects import BLOCKED, TIMED
from studylib.stats.own_design import OwnDesign
from studylib.stats.pairs import GAMES_HOWELL, SHRUNKEN, TUKEY_KRAMER
from studylib.words.numbers import between, counted, rounded
from studylib.words.text import listed

_METHODS = {
    TUKEY_KRAMER: "one spread pooled over all woods (fewer than four of some wood)",
    GAMES_HOWELL: "a spread of its own for each wood",
    SHRUNKEN: "a spread of its own for each wood, drawn a little towards the others'",
}


def design_sentences(summary: Summary) -> list[str]:
    """The design in words: what one number of a wood is, and how it was compared."""
    workings = summary.comparison.workings
    if not workings.compared:
        return ["No woods are compared on a primary feature, so there is no sentence to trust."]
    unit = unit_word(summary).removesuffix("s")
    said = [
        f"One {unit} is one number: its takes are averaged within each mount, its mounts within "
        f"the board. More takes make that number sharper and never add a {unit}."
    ]
    effects = summary.primary_effects().dropna(subset="p")
    for method, words in _METHODS.items():
        names = effects.loc[effects["method"].str.startswith(f"{method} on"), "feature"].unique()
        if len(names):
            said.append(f"{listed(names)}: compared with {words}.")
    blocked = effects.loc[effects["method"].str.contains(BLOCKED, regex=False), "feature"].unique()
    if len(blocked):
        said.append(f"Differences between batches are taken out on {listed(blocked)}.")
    if effects["method"].str.contains(TIMED, regex=False).any():
        said.append(
            "Drift over the order of recording is taken out, because study.toml asks for it "
            "(take_out_drift): every difference and interval here is after that correction."
        )
    return said


def rests_on_table(summary: Summary) -> pd.DataFrame:
    """Planks, boards, mounts and takes behind each wood's sentences, feature by feature."""
    rows = [
        {"feature": feature, "wood": wood, **boards_behind(summary.comparison, feature, wood)}
        for feature in summary.comparison.workings.compared
        for wood in summary.woods
    ]
    return pd.DataFrame(rows, columns=["feature", "wood", "planks", "boards", "mounts", "takes"])


def power_sentences(summary: Summary) -> list[str]:
    """What the table of error rates and power says, and on what it rests."""
    own = summary.checks.own
    if not own:
        return ["No pair of woods can be compared, so there is no error rate and no power."]
    runs = next(iter(own.values())).runs
    worst = max(own, key=lambda name: own[name].own_spreads)
    rate = own[worst].own_spreads
    primary = len(summary.comparison.workings.compared)
    said = [
        f"Simulated {runs} times: this very design, normal boards, the spreads that this study "
        "found, all woods alike. A difference that is not there was declared on one feature in at "
        f"most {_percent(own[worst], rate)} of those studies ({worst}); "
        f"{100 * (1 - summary.confidence):g} % is aimed at.",
    ]
    if primary > 1:
        said.append(
            f"Over the {primary} primary features together the rate is kept by Holm's correction; "
            "power here is for its first and strictest step, so it is at least this."
        )
    said.append(
        "The spreads are estimates from the boards of this study, and the power hangs on them: "
        "with other boards of the same woods it would come out differently. How often the "
        "procedure errs in many other designs, skewed boards and outlying ones included, was "
        "measured on simulated studies (reports/sample/truth.html in the project's folder)."
    )
    return said


def power_table(summary: Summary) -> pd.DataFrame:
    """One row a feature and pair: false alarms, power at the limit, chance of `same`."""
    rows = []
    for feature, own in summary.checks.own.items():
        woods = summary.comparison.workings.samples[feature].design.woods
        known = summary.describe(feature)
        for (a, b), seen in own.seen.items():
            shown = scales.reported_difference(seen, known)
            rows.append(
                {
                    "feature": feature,
                    "pair": f"{woods[b]} minus {woods[a]}",
                    "false alarms, spreads alike": _percent(own, own.alike),
                    "false alarms, own spreads": _percent(own, own.own_spreads),
                    "seen in 80 %": f"{rounded(shown)} {known.difference_unit}",
                    "the limit is declared": _percent(own, own.at_limit[a, b]),
                    "same, if alike": _percent(own, own.same[a, b]),
                }
            )
    columns = ["feature", "pair", "false alarms, spreads alike", "false alarms, own spreads"]
    return pd.DataFrame(
        rows, columns=[*columns, "seen in 80 %", "the limit is declared", "same, if alike"]
    )


def _percent(own: OwnDesign, rate: float) -> str:
    if not math.isfinite(rate):
        return "–"
    return f"{100 * rate:.0f} ± {max(1, math.ceil(100 * own.error(rate))):.0f} %"


def second_opinion_sentences(summary: Summary) -> list[str]:
    """Whether the mixed model agrees."""
    table = _second(summary)
    if table.empty:
        return [
            "There is none: without repeated takes or mounts the mixed model has nothing to add."
        ]
    apart = table[~table["agrees"]]
    said = [
        "Degrees of freedom (df) are Kenward and Roger's; Satterthwaite's stand beside them.",
        f"The mixed model agrees on {len(table) - len(apart)} of {counted(len(table), 'pair')} "
        "whether a difference is declared (each feature taken alone).",
    ]
    for row in apart.itertuples():
        said.append(
            f"It does not on {row.feature}, {row.wood_b} against {row.wood_a}: p "
            f"{row.p:.3f} against {row.first_p:.3f}. The two differ where boards have unequal "
            "numbers of mounts or woods spread unequally. The verdict stays with the boards' means."
        )
    said += [f"{note}." for note in dict.fromkeys(table["note"]) if note]
    return said


def second_opinion_table(summary: Summary) -> pd.DataFrame:
    """Both opinions on every primary pair, side by side."""
    effects = summary.primary_effects().set_index(["feature", "wood_a", "wood_b"])
    rows = []
    for row in _second(summary).itertuples():
        first = effects.loc[(row.feature, row.wood_a, row.wood_b)]
        rows.append(
            {
                "feature": row.feature,
                "pair": f"{row.wood_b} minus {row.wood_a}",
                "boards' means": _effect(first, row.feature),
                "p (df)": f"{_p(first['p'])} ({first['df']:.1f})",
                "mixed model": difference(row) + f" ({between(row.low, row.high, row.unit)})",
                "its p (df)": f"{_p(row.p)} ({row.df:.1f})",
                "Satterthwaite df": f"{row.satterthwaite_df:.1f}",
            }
        )
    columns = ["feature", "pair", "boards' means", "p (df)", "mixed model", "its p (df)"]
    return pd.DataFrame(rows, columns=[*columns, "Satterthwaite df"])


def _second(summary: Summary) -> pd.DataFrame:
    table = summary.comparison.second_opinion
    return table[table["feature"].isin(summary.primary)]


def _effect(row: pd.Series, feature: str) -> str:
    named = next(pd.DataFrame([row]).assign(feature=feature).itertuples())
    return f"{difference(named)} ({between(named.low, named.high, named.unit)})"


def _p(value: float) -> str:
    if not math.isfinite(value):
        return ""
    return "< 0.001" if value < 0.001 else f"{value:.3f}"

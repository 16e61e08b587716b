"""The tables that a reader of the summary sees.

What it does: turns the long tables of a `Summary` into short ones with plain headings and numbers
rounded to what their intervals support. No number is computed here that decides something; the
full tables lie in tables/*.csv. Cells are names, numbers in words, yes or no, or notes.

Convention: differences are the second wood minus the first, "robinia minus larch".

Functions: `effects_table`, `exploratory_table`, `positive_control_table`,
`variance_table`, `precision_table`, `measured_takes`, `set_aside_table`, `set_aside_counts`,
`checks_table`, `coverage_table`, `batch_by_wood`, `limits_table`, `budgets_table`; for other tables
`reader_table`, `amount`, `amount_and_interval`.
"""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from studylib import register, sheets, words
from studylib.codes import checks, code_of, each, note
from studylib.report import budgets, pages
from studylib.report.summary import Summary
from studylib.sheets.files import grouped
from studylib.signal.quality import CHECKS
from studylib.stats import scales
from studylib.words import numbers, text

MOST_EXPLORATORY = 30


def reader_table(headings: str, rows: Iterable) -> pd.DataFrame:
    """Rows under the headings of a template, which are separated by "|"."""
    return pd.DataFrame(rows, columns=[name.strip() for name in words.say(headings).split("|")])


def amount_fields(feature: str, difference: float, low: float, high: float, unit: str) -> dict:
    """A difference as the fields of a note; that of a frequency also in cents."""
    told = register.find(feature).is_frequency and np.isfinite(difference)
    cents = [numbers.cents_from_percent(end) for end in (difference, low, high)] if told else None
    return {"difference": difference, "low": low, "high": high, "unit": unit, "cents": cents}


def amount(row) -> str:
    """The difference in a row of a table, with its unit; that of a frequency also in cents."""
    return words.say(
        "effects.amount", **amount_fields(row.feature, row.difference, row.low, row.high, row.unit)
    )


def amount_and_interval(feature: str, difference: float, low: float, high: float, unit: str) -> str:
    """A difference and its interval in one cell."""
    return words.say(
        "effects.amount_between", **amount_fields(feature, difference, low, high, unit)
    )


def effects_table(summary: Summary) -> pd.DataFrame:
    """The primary effects, one row a feature and pair of woods."""
    return reader_table(
        "effects.headings",
        [
            (
                *(*_pair(row), _told(row), row.needed, _p(row.p), _p(row.p_adjusted)),
                *(*_size(summary, row), pages.link(row.id, anchor=f"trace-{row.id}")),
            )
            for row in summary.primary_effects().itertuples()
        ],
    )


def exploratory_table(summary: Summary) -> pd.DataFrame:
    """Exploratory effects in the order of their false discovery rate q; at most 30 rows.

    They carry no p that decides: a feature chosen because it looked large needs a new study.
    """
    effects = summary.comparison.effects
    effects = effects[effects["role"] == "exploratory"].sort_values("q", kind="stable")
    return reader_table(
        "effects.exploratory_headings",
        [
            (*_pair(row), row.needed, _p(row.p), _p(row.q), *_size(summary, row))
            for row in effects.head(MOST_EXPLORATORY).itertuples()
        ],
    )


def _pair(row) -> tuple[str, ...]:
    return (
        row.feature,
        f"{row.wood_b} minus {row.wood_a}",
        amount(row),
        numbers.between(row.low, row.high, row.unit),
    )


def _told(row) -> str:
    """The verdict, and in a word what else decides it."""
    caveats = [code_of(caveat) for caveat in each(row.caveats)]
    return note("effects.verdict", verdict=row.verdict, caveats=caveats) if caveats else row.verdict


def _size(summary: Summary, row) -> tuple[str, ...]:
    g = f"{numbers.signed(row.g, row.g_low, row.g_high)} ({numbers.between(row.g_low, row.g_high)})"
    limit = row.limit if np.isfinite(row.limit) else None
    limits = summary.study.settings.decide.limits
    return (
        g,
        numbers.fixed(row.over_boards, 1),
        words.say("effects.limit", limit=limit, unit=row.unit, own=row.feature in limits),
        f"{row.n_b} and {row.n_a}",
    )


def positive_control_table(summary: Summary) -> pd.DataFrame:
    """Changed specimen against reference, one row a feature."""
    return reader_table(
        "control.headings",
        [
            (
                row.feature,
                f"{row.changed} minus {row.reference}",
                amount(row),
                numbers.between(row.low, row.high, row.unit),
                row.detected,
                row.reason,
            )
            for row in summary.of_primary(summary.comparison.positive_control).itertuples()
        ],
    )


def variance_table(summary: Summary) -> pd.DataFrame:
    """Share of variance and standard deviation of each level, for the primary features."""
    rows = [
        (
            *(row.feature, text.level_word(row.level)),
            numbers.percent(row.share) if np.isfinite(row.share) else "",
            f"{numbers.rounded(sd)} {known.difference_unit}",
            numbers.between(low, high, known.difference_unit),
            numbers.exact(row.df, digits=3) if np.isfinite(row.df) else "",
            row.method,
        )
        for row in summary.of_primary(summary.comparison.variance).itertuples()
        for known in [register.find(row.feature)]
        for sd, low, high in [
            [scales.reported_sd(v, known) for v in (row.variance, row.low, row.high)]
        ]
    ]
    return reader_table("effects.variance_headings", rows)


def precision_table(summary: Summary) -> pd.DataFrame:
    """Repeatability and intermediate precision of the primary features (ISO 5725)."""
    return reader_table(
        "effects.precision_headings",
        [
            (
                row.feature,
                _with_unit(row.repeatability_sd, row.unit),
                numbers.between(row.repeatability_low, row.repeatability_high, row.unit),
                _with_unit(row.intermediate_sd, row.unit),
                numbers.between(row.intermediate_low, row.intermediate_high, row.unit),
                row.reason,
            )
            for row in summary.of_primary(summary.comparison.precision).itertuples()
        ],
    )


def measured_takes(summary: Summary) -> list[sheets.Take]:
    """The takes of takes.csv, without those of batches that could not be measured."""
    return [t for t in summary.study.takes if t.batch not in summary.gathered.failed]


def set_aside_table(summary: Summary) -> pd.DataFrame:
    """Every take that is not used, with its reason: failed checks, and those that you excluded."""
    quality = summary.gathered.quality
    failed = quality[(quality["check"] == "take") & (quality["verdict"] == "fail")]
    reasons = dict(zip(failed["take"], failed["source"], strict=True))
    takes = measured_takes(summary)
    reasons |= {t.take: note("takes.excluded", reason=t.reason or "") for t in takes if t.exclude}
    rows = [
        (
            *(take.take, take.batch, take.kind, take.specimen or ""),
            *(_wood_of(summary, take.specimen), take.mount, reasons[take.take]),
        )
        for take in takes
        if take.take in reasons
    ]
    return reader_table("effects.set_aside_headings", rows).astype({"mount": "Int64"})


def set_aside_counts(summary: Summary) -> pd.DataFrame:
    """Measured takes of each wood, of every kind: how many are fit for use, and set aside."""
    aside = set(set_aside_table(summary)["take"])
    of_wood = grouped(
        (_wood_of(summary, take.specimen), take.take in aside) for take in measured_takes(summary)
    )
    return reader_table(
        "effects.counts_headings",
        [
            (wood, len(own), len(own) - sum(own), sum(own))
            for wood in summary.woods
            for own in [of_wood.get(wood, [])]
        ],
    )


def checks_table(summary: Summary) -> pd.DataFrame:
    """How many takes each check was made of, and what it said; the worst of a take's channels."""
    quality = summary.gathered.quality
    verdict = pd.Categorical(quality["verdict"], list(checks.Verdict), ordered=True)
    worst = quality.assign(verdict=verdict).groupby(["check", "take"])["verdict"].max()
    made = dict(iter(worst.groupby("check")))
    return reader_table(
        "effects.checks_headings",
        [
            (
                words.say(entry.code, form="label"),
                len(made[name]),
                *(int((made[name] == verdict).sum()) for verdict in checks.Verdict),
            )
            for name, entry in CHECKS.items()
            if name in made
        ],
    )


def _wood_of(summary: Summary, specimen: str | None) -> str:
    """The wood under comparison that a take belongs to; the role's name for other specimens."""
    if not specimen:
        return ""
    found = summary.study.specimen(specimen)
    return found.role or found.wood


def coverage_table(summary: Summary) -> pd.DataFrame:
    """What each wood brought to each primary feature, and whether it was compared."""
    coverage = summary.of_primary(summary.comparison.coverage)
    return reader_table("effects.coverage_headings", coverage.itertuples(index=False, name=None))


def batch_by_wood(summary: Summary) -> pd.DataFrame:
    """How many boards of each wood were measured in each batch."""
    return (
        summary.comparison.confounding.set_index("wood")
        .T.rename_axis(index="batch", columns=None)
        .reset_index()
    )


def limits_table(summary: Summary) -> pd.DataFrame:
    """The limit of each primary feature as a band of differences, and where it comes from."""
    limits = summary.comparison.limits.set_index("feature")
    rows = []
    for known in map(register.find, summary.primary):
        limit, source = "none", known.limit_source
        if known.name in limits.index:
            low, high = scales.limit_band(limits.at[known.name, "limit"], known)
            limit = f"{numbers.exact(low)} to {numbers.exact(high)} {known.difference_unit}"
            source = limits.at[known.name, "source"]
        rows.append((known.name, words.feature(known.name), limit, source))
    return reader_table("effects.limits_headings", rows)


def _with_unit(value: float, unit: str) -> str:
    return f"{numbers.rounded(value)} {unit}" if np.isfinite(value) else numbers.MISSING


def _p(value: float) -> str:
    """A p value; "" for none, as a table leaves its cell empty."""
    return numbers.p_value(value) if np.isfinite(value) else ""


def budgets_table(summary: Summary) -> pd.DataFrame:
    """The budgets of the measured primary features: a row a term, and what stays in each use."""
    rows = []
    for feature in summary.measured:
        own = summary.budgets[summary.budgets["feature"] == feature]
        unit = register.find(feature).difference_unit
        each = [
            *(
                (words.say(row.term), row.u, True, row.common, row.basis)
                for row in own.itertuples()
            ),
            *(
                (
                    words.say("budgets.total", shared=shared),
                    *budgets.combined(own, shared=shared),
                    "",
                    "",
                )
                for shared in budgets.USES
            ),
        ]
        rows += [
            (feature, what, words.say("budgets.size", u=u, unit=unit, known=known), *beside)
            for what, u, known, *beside in each
        ]
    return reader_table("budgets.headings", rows)

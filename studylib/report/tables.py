"""The tables that a reader of the summary sees.

What it does: turns the long tables of a `Summary` into short ones with plain column names and
numbers rounded to what their intervals support. No number is computed here that decides
something; the full tables lie in tables/*.csv.

Convention: differences are the second wood minus the first, "robinia minus larch".

Functions: `claims_table`, `effects_table`, `exploratory_table`, `positive_control_table`,
`variance_table`, `precision_table`, `measured_takes`, `set_aside_table`, `set_aside_counts`,
`coverage_table`, `batch_by_wood`, `limits_table`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib.report.differences import difference, whose_limit
from studylib.report.summary import Summary
from studylib.sheets import Take
from studylib.words import feature as feature_words
from studylib.words import say
from studylib.words.numbers import MISSING, between, exact, rounded, signed
from studylib.words.text import level_word

MOST_EXPLORATORY = 30


def claims_table(summary: Summary) -> pd.DataFrame:
    """The claims of study.toml, with verdict and reason."""
    claims = summary.comparison.claims
    return claims[["claim", "feature", "verdict", "reason"]]


def effects_table(summary: Summary) -> pd.DataFrame:
    """The primary effects, one row a feature and pair of woods."""
    return _effects(summary, summary.primary_effects()).drop(columns="q")


def exploratory_table(summary: Summary) -> pd.DataFrame:
    """Exploratory effects in the order of their false discovery rate q; at most 30 rows.

    They carry no p that decides: a feature chosen because it looked large needs a new study.
    """
    effects = summary.exploratory_effects().sort_values("q", kind="stable")
    return _effects(summary, effects.head(MOST_EXPLORATORY)).drop(columns=["p adjusted", "verdict"])


def _effects(summary: Summary, effects: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for row in effects.itertuples():
        limit = "none"
        if np.isfinite(row.limit):
            limit = f"{exact(row.limit)} {row.unit} ({whose_limit(summary, row.feature)})"
        rows.append(
            {
                "feature": row.feature,
                "pair": f"{row.wood_b} minus {row.wood_a}",
                "difference": difference(row),
                "interval": between(row.low, row.high, row.unit),
                "p": _p(row.p),
                "p adjusted": _p(row.p_adjusted),
                "q": _p(row.q),
                "g (interval)": f"{signed(row.g, row.g_low, row.g_high)} "
                f"({between(row.g_low, row.g_high, '')})",
                "limit": limit,
                "verdict": row.verdict,
                "sources": f"{row.n_b:.0f} and {row.n_a:.0f}",
                "needed": row.needed,
            }
        )
    columns = [
        "feature",
        "pair",
        "difference",
        "interval",
        "verdict",
        "needed",
        "p",
        "p adjusted",
        "q",
        "g (interval)",
        "limit",
        "sources",
    ]
    return pd.DataFrame(rows, columns=columns)


def positive_control_table(summary: Summary) -> pd.DataFrame:
    """Changed specimen against reference, one row a feature."""
    control = summary.comparison.positive_control
    rows = [
        {
            "feature": row.feature,
            "changed minus reference": f"{row.changed} minus {row.reference}",
            "difference": difference(row),
            "interval": between(row.low, row.high, row.unit),
            "told apart": "yes" if row.detected else "no",
            "reason": row.reason,
        }
        for row in control.itertuples()
        if row.feature in summary.primary
    ]
    return pd.DataFrame(
        rows,
        columns=[
            "feature",
            "changed minus reference",
            "difference",
            "interval",
            "told apart",
            "reason",
        ],
    )


def variance_table(summary: Summary) -> pd.DataFrame:
    """Share of variance and standard deviation of each level, for the primary features."""
    rows = []
    for row in summary.primary_variance().itertuples():
        unit = summary.describe(row.feature).difference_unit
        share = 100 * row.share
        rows.append(
            {
                "feature": row.feature,
                "level": level_word(row.level),
                "share of variance": f"{share:.0f} %" if np.isfinite(share) else "",
                "standard deviation": f"{rounded(row.sd)} {unit}",
                "interval": between(row.sd_low, row.sd_high, unit),
                "degrees of freedom": f"{row.df:.3g}" if np.isfinite(row.df) else "",
                "method": row.method,
            }
        )
    return pd.DataFrame(
        rows,
        columns=[
            "feature",
            "level",
            "share of variance",
            "standard deviation",
            "interval",
            "degrees of freedom",
            "method",
        ],
    )


def precision_table(summary: Summary) -> pd.DataFrame:
    """Repeatability and intermediate precision of the primary features (ISO 5725)."""
    precision = summary.comparison.precision
    rows = []
    for row in precision[precision["feature"].isin(summary.primary)].itertuples():
        takes, both = row.repeatability_sd, row.intermediate_sd
        rows.append(
            {
                "feature": row.feature,
                "repeatability": _with_unit(takes, row.unit),
                "interval of repeatability": between(
                    row.repeatability_low, row.repeatability_high, row.unit
                ),
                "intermediate precision": _with_unit(both, row.unit),
                "interval of intermediate precision": between(
                    row.intermediate_low, row.intermediate_high, row.unit
                ),
                "remark": row.reason,
            }
        )
    return pd.DataFrame(rows)


def measured_takes(summary: Summary) -> list[Take]:
    """The takes of takes.csv, without those of batches that could not be measured."""
    return [t for t in summary.study.takes if t.batch not in summary.gathered.failed]


def set_aside_table(summary: Summary) -> pd.DataFrame:
    """Every take that is not used, with its reason: failed checks, and those that you excluded."""
    quality = summary.gathered.quality
    failed = quality[(quality["check"] == "take") & (quality["verdict"] == "fail")]
    reasons = dict(zip(failed["take"], failed["source"], strict=True))
    rows = []
    for take in measured_takes(summary):
        if take.exclude:
            reason = ": ".join(filter(None, ["excluded in takes.csv", take.reason]))
        elif take.take in reasons:
            reason = reasons[take.take]
        else:
            continue
        rows.append(
            {
                "take": take.take,
                "batch": take.batch,
                "kind": take.kind,
                "specimen": take.specimen or "",
                "wood": _wood_of(summary, take.specimen),
                "mount": take.mount,
                "reason": reason,
            }
        )
    table = pd.DataFrame(
        rows, columns=["take", "batch", "kind", "specimen", "wood", "mount", "reason"]
    )
    return table.astype({"mount": "Int64"})


def set_aside_counts(summary: Summary) -> pd.DataFrame:
    """Measured takes of each wood, of every kind: how many are fit for use, and set aside."""
    aside = set(set_aside_table(summary)["take"])
    rows = []
    for wood in summary.woods:
        takes = [t for t in measured_takes(summary) if _wood_of(summary, t.specimen) == wood]
        out = sum(t.take in aside for t in takes)
        rows.append((wood, len(takes), len(takes) - out, out))
    return pd.DataFrame(rows, columns=["wood", "takes", "fit for use", "set aside"])


def _wood_of(summary: Summary, specimen: str | None) -> str:
    """The wood under comparison that a take belongs to; the role's name for other specimens."""
    if not specimen:
        return ""
    found = summary.study.specimen(specimen)
    return found.role or found.wood


def coverage_table(summary: Summary) -> pd.DataFrame:
    """What each wood brought to each primary feature, and whether it was compared."""
    coverage = summary.comparison.coverage
    rows = coverage[coverage["feature"].isin(summary.primary)]
    rows = rows.assign(compared=rows["compared"].map({True: "yes", False: "no"}))
    names = {"below_noise": "below noise", "set_aside": "set aside"}
    columns = ["feature", "wood", "takes", "usable", *names, "compared", "reason"]
    return rows[columns].rename(columns=names).reset_index(drop=True)


def batch_by_wood(summary: Summary) -> pd.DataFrame:
    """How many boards of each wood were measured in each batch."""
    counts = summary.comparison.confounding.set_index("wood").T
    return counts.rename_axis(index="batch", columns=None).reset_index()


def limits_table(summary: Summary) -> pd.DataFrame:
    """The limit of each primary feature as a band of differences, and where it comes from."""
    sources = summary.comparison.limits.set_index("feature")["source"]
    rows = []
    for feature in summary.primary:
        known, band = summary.describe(feature), summary.limit_band(feature)
        limit, source = "none", say(known.limit_source)
        if band is not None:
            limit = f"{exact(band[0])} to {exact(band[1])} {known.difference_unit}"
            source = sources[feature]
        rows.append(
            {
                "feature": feature,
                "meaning": feature_words(known.name),
                "limit": limit,
                "source": source,
            }
        )
    return pd.DataFrame(rows, columns=["feature", "meaning", "limit", "source"])


def _with_unit(value: float, unit: str) -> str:
    return f"{rounded(value)} {unit}" if np.isfinite(value) else MISSING


def _p(value: float) -> str:
    """A probability as a reader wants it."""
    if not np.isfinite(value):
        return ""
    return "below 0.001" if value < 0.001 else f"{value:.3f}"

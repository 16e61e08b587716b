"""What the page of one batch shows of its measurement, as tables and sentences.

Functions: `verdict_sentence`, `odd_checks`, `primary_values`.
"""

import pandas as pd

from studylib import codes, measure, sheets
from studylib.codes.checks import Verdict

ODD_COLUMNS = ("take", "channel", "check", "value", "unit", "limit", "verdict", "source")
VALUE_COLUMNS = (
    *("feature", "specimen", "wood", "mount", "repeat", "take"),
    *("value", "u", "unit", "usable", "reason"),
)


def verdict_sentence(measurement: measure.BatchMeasurement) -> str:
    """How many takes pass, pass with warnings, and are set aside; a note."""
    takes = measurement.quality[measurement.quality["check"] == "take"]
    count = takes["verdict"].value_counts().reindex(list(Verdict), fill_value=0)
    passed, warned, failed = map(int, count)
    return codes.note(
        "checks.batch_total", takes=len(takes), passed=passed, warned=warned, failed=failed
    )


def odd_checks(measurement: measure.BatchMeasurement) -> pd.DataFrame:
    """Every check that warns or fails, and the reason of every take set aside."""
    quality = measurement.quality
    odd = quality[quality["verdict"].isin([Verdict.FAIL, Verdict.WARN])]
    # A take's own row only repeats its checks, unless it was left out by hand.
    by_hand = odd["source"].map(lambda why: codes.has(why, "takes.excluded"))
    odd = odd[(odd["check"] != "take") | by_hand]
    return odd.loc[:, list(ODD_COLUMNS)].reset_index(drop=True)


def primary_values(measurement: measure.BatchMeasurement, study: sheets.Study) -> pd.DataFrame:
    """The primary features of every take, with `u`, the standard uncertainty, in `unit`."""
    features, primary = measurement.features, list(study.settings.decide.primary)
    rows = features[features["feature"].isin(primary)]
    rows = rows.sort_values("feature", key=lambda names: names.map(primary.index), kind="stable")
    return rows.loc[:, list(VALUE_COLUMNS)].reset_index(drop=True)

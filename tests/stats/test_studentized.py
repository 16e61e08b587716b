"""The studentized range against SciPy's mpmath table, SciPy itself and Student's t."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studylib.stats import studentized
from tests.stats.reference import table


def test_upper_tail_against_the_mpmath_table():
    rows = table("studentized_range.csv")
    assert len(rows) > 50
    for row in rows.itertuples():
        assert studentized.sf(row.q, int(row.k), row.v) == pytest.approx(1 - row.cdf, abs=2e-9)


@pytest.mark.parametrize(
    # Upper 5 % points as tabled in many handbooks (from memory, three decimals at most).
    ("k", "df", "q"), [(3, 10, 3.877), (4, 20, 3.958), (3, 9, 3.948), (5, 5, 5.673)],
)  # fmt: skip
def test_quantiles_of_the_usual_table(k, df, q):
    assert studentized.quantile(0.95, k, float(df)) == pytest.approx(q, abs=1.2e-3)


@pytest.mark.parametrize(("k", "df"), [(3, 1.0), (3, 2.7), (4, 3.3), (6, 17.5), (14, 28.0)])
def test_quantile_agrees_with_scipy(k, df):
    expected = stats.studentized_range.ppf(0.95, k, df)
    assert studentized.quantile(0.95, k, df) == pytest.approx(expected, rel=1e-7)


def test_two_groups_are_students_t():
    q = studentized.quantile(0.95, 2, 7.3)
    assert q / np.sqrt(2) == pytest.approx(stats.t.ppf(0.975, 7.3), rel=1e-12)
    assert studentized.sf(q, 2, 7.3) == pytest.approx(0.05, rel=1e-10)


def test_range_of_arguments():
    assert studentized.sf(0.0, 3, 9.0) == 1.0
    assert studentized.sf(1e3, 3, 9.0) == studentized.SMALLEST_TAIL
    assert studentized.sf(3.5, 3, 1e6) == pytest.approx(
        stats.studentized_range.sf(3.5, 3, np.inf), abs=1e-5
    )

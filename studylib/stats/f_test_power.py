"""Power of the one-way F test, exact by the noncentral F distribution.

For k woods with n boards each, effect size f = SD of the true wood means / SD of boards of one wood
(Cohen 1988), degrees of freedom k - 1 and k (n - 1), noncentrality f^2 k n. It says whether some
difference among the woods is found; which pair, and with which verdict, is `verdict_power`'s task.

Functions: `f_test_power`, `boards_for_f_test`.
Source: Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, chapter 8.
"""

from __future__ import annotations

from scipy import special

from studylib.errors import InputError

MOST = 100_000


def f_test_power(n: int, *, woods: int, effect_f: float, alpha: float = 0.05) -> float:
    """Probability that the F test finds a difference.

    Parameters
    ----------
    n : boards of each wood, 2 or more.  woods : 2 or more.
    effect_f : SD of the wood means over the SD within a wood, 0 or more.
    alpha : level of the test, in (0, 1).
    """
    if n < 2 or woods < 2 or effect_f < 0 or not 0 < alpha < 1:
        raise InputError(
            f"the power of an F test needs 2 boards and 2 woods or more, not {n} and {woods}, an "
            "effect size of 0 or more and a level between 0 and 1"
        )
    between, within = woods - 1.0, woods * (n - 1.0)
    critical = special.fdtri(between, within, 1.0 - alpha)
    return float(1.0 - special.ncfdtr(between, within, effect_f**2 * woods * n, critical))


def boards_for_f_test(
    *, woods: int, effect_f: float, alpha: float = 0.05, power: float = 0.8
) -> int:
    """Smallest number of boards of each wood with at least `power`.

    Raises
    ------
    InputError : no effect, or one so small that more than 100,000 boards would be needed.
    """
    low, high = 1, 2
    while high <= MOST:
        if f_test_power(high, woods=woods, effect_f=effect_f, alpha=alpha) >= power:
            break
        low, high = high, 2 * high
    else:
        raise InputError(
            f"an effect of f = {effect_f:g} needs more than {MOST} boards of each wood; give a "
            "larger difference that matters"
        )
    while high - low > 1:
        middle = (low + high) // 2
        enough = f_test_power(middle, woods=woods, effect_f=effect_f, alpha=alpha) >= power
        low, high = (low, middle) if enough else (middle, high)
    return high

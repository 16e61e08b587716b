"""Numbers as a reader wants them: the only place that formats one.

Conventions: a value is rounded to the place of its interval's second digit (GUM, JCGM 100, 7.2.6,
gives uncertainties at most two digits); the minus sign is U+2212, but a hyphen in what is to be
typed; a missing number is an en dash; a space stands between number and unit (SI brochure, 5.4.3),
and before "%".

Functions: `decimals_for`, `rounded`, `exact`, `typed`, `fixed`, `signed`, `with_sign`, `between`,
`with_uncertainty`, `p_value`, `percent`, `chosen_percent`, `chance`, `number`, `decibels`,
`plural`, `counted`, `cents_from_percent`.
"""

import math

MISSING = "–"
MINUS = "−"
SMALLEST_P = 0.001

FILTERS = (
    *("rounded", "exact", "fixed", "signed", "between", "with_uncertainty", "p_value", "percent"),
    *("chosen_percent", "number", "counted", "plural", "decibels", "chance", "typed"),
)


def decimals_for(low: float, high: float) -> int:
    """Digits after the point that half the width of an interval supports; 2 without one."""
    half = (high - low) / 2
    return (
        min(6, max(0, 1 - math.floor(math.log10(half)))) if math.isfinite(half) and half > 0 else 2
    )


def rounded(value: float, *, digits: int = 3) -> str:
    """A number to `digits` significant digits."""
    if not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return fixed(round(value, places), max(0, places))


def exact(value: float, *, digits: int = 4) -> str:
    """A number that someone chose, such as a limit: as it stands, to `digits` digits at most."""
    return _minus(f"{value:.{digits}g}")


def typed(value: float) -> str:
    """A number as someone is to type it into a file: with the hyphen for a minus."""
    return f"{value:.10g}"


def fixed(value: float, places: int = 0, *, sign: bool = False) -> str:
    """A number with so many digits after the point, with its sign if asked for; never "−0"."""
    if not math.isfinite(value):
        return MISSING if math.isnan(value) else _minus(f"{'-' if value < 0 else ''}∞")
    text = f"{value:{'+' if sign else ''}.{places}f}"
    return _minus(text.lstrip("+-") if float(text) == 0 else text)


def signed(value: float, low: float, high: float) -> str:
    """A difference with its sign, rounded as its interval allows."""
    return fixed(value, decimals_for(low, high), sign=True) if math.isfinite(value) else MISSING


def with_sign(value: float, low: float, high: float, unit: str) -> tuple[str, str]:
    """A difference with its sign and unit, and its interval."""
    return (
        f"{signed(value, low, high)} {unit}" if math.isfinite(value) else MISSING,
        between(low, high, unit),
    )


def between(low: float, high: float, unit: str = "", *, sign: bool = False) -> str:
    """An interval in words: "−0.4 to 2.1 dB"; with one end open, "above −0.4 dB"."""
    if not (math.isfinite(low) or math.isfinite(high)):
        return MISSING
    places = decimals_for(low, high)
    ends = [fixed(end, places, sign=sign) for end in (low, high) if math.isfinite(end)]
    side = "above" if math.isfinite(low) else "below"
    told = " to ".join(ends) if len(ends) == 2 else f"{side} {ends[0]}"
    return f"{told} {unit}".strip()


def with_uncertainty(value: float, u: float) -> str:
    """A value and, behind ±, its standard uncertainty: 13.83 ± 0.13.

    Two digits of the uncertainty, never more than four of the value, or as many as the
    uncertainty's first digit asks for (JCGM 100, 7.2.6). The value alone where u says nothing.
    """
    if not math.isfinite(value):
        return MISSING
    if not math.isfinite(u) or u <= 0 or value == 0:
        return exact(value)
    first = -math.floor(math.log10(u))  # decimal place of the uncertainty's first digit
    places = max(0, min(first + 1, max(first, 3 - math.floor(math.log10(abs(value))))))
    return f"{fixed(value, places)} ± {u:.{places}f}"


def p_value(p: float, *, sign: bool = False) -> str:
    """A p value: "0.032", "< 0.001"; with its sign "= 0.032"; an en dash for none."""
    if not math.isfinite(p):
        return MISSING
    return f"< {SMALLEST_P:g}" if p < SMALLEST_P else f"{'= ' * sign}{p:.3f}"


def percent(share: float, places: int = 0) -> str:
    """A share of one as percent: 0.05 is "5 %"."""
    return MISSING if not math.isfinite(share) else f"{fixed(100 * share, places)} %"


def chosen_percent(share: float) -> str:
    """A share that someone chose, such as a confidence, as it stands: 0.995 is "99.5 %"."""
    return f"{exact(100 * share)} %"


def chance(probability: float) -> str:
    """A probability as percent, with one digit more below 10 %; "0 %" below 0.05 %."""
    return percent(probability, 1 if 0.0005 <= probability < 0.0995 else 0)


def number(value: float, *, digits: int = 4, decimals: int | None = None) -> str:
    """A number of a table: rounded, no exponent in the everyday range."""
    if not math.isfinite(value) or decimals is not None:
        return fixed(value, decimals or 0)
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    return (
        fixed(value, max(0, digits - 1 - size))
        if -4 <= size < 7
        else _minus(f"{value:.{digits - 1}e}")
    )


def decibels(value: float) -> str:
    """A difference of levels that has no interval of its own: "46 dB", "3.2 dB"."""
    return f"{fixed(value, 0 if abs(value) >= 9.95 else 1)} dB"


def plural(count: float, one: str, many: str = "") -> str:
    """The noun or verb that goes with a count: "take" or "takes"; `many` for those without an s."""
    return one if count == 1 else many or one + "s"


def counted(count: float, one: str, many: str = "") -> str:
    """A count and its noun: "1 take", "3 takes"."""
    return f"{count:.0f} {plural(count, one, many)}"


def cents_from_percent(percent: float) -> float:
    """A frequency difference in percent as cents (100 cents are one equal-tempered semitone)."""
    return 1200.0 * math.log2(1.0 + percent / 100.0) if percent > -100 else -math.inf


def _minus(text: str) -> str:
    return text.replace("-", MINUS)

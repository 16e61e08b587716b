"""Numbers and words as the report puts them.

Conventions: a value is rounded to the place of its interval's second digit (GUM, JCGM 100,
7.2.6, gives uncertainties at most two digits); a missing number is an en dash.

Functions: `decimals_for`, `rounded`, `exact`, `signed`, `difference`, `between`, `in_short`,
`names_in_short`, `level_word`, `unit_word`, `whose_limit`, `counted`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from studylib import register
from studylib.stats import scales

if TYPE_CHECKING:
    from studylib.report.summary import Summary

MISSING = "–"
MINUS = "−"
_LEVEL_WORDS = {
    "wood": "wood",
    "source": "source (plank, tree or lot)",
    "specimen": "board",
    "mount": "mount",
    "take": "take",
}
_HARMONIC = re.compile(r"tone\.h(\d+)\.(\w+)")


def decimals_for(low: float, high: float) -> int:
    """Digits after the point that half the width of an interval supports; 2 without one."""
    half = (high - low) / 2
    if not (math.isfinite(half) and half > 0):
        return 2
    return min(6, max(0, 1 - math.floor(math.log10(half))))


def rounded(value: float, *, digits: int = 3) -> str:
    """A number to `digits` significant digits."""
    if not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(0, places)}f}".replace("-", MINUS)


def exact(value: float) -> str:
    """A number that someone chose, such as a limit: as it stands, to four digits at most."""
    return f"{value:.4g}".replace("-", MINUS)


def signed(value: float, low: float, high: float) -> str:
    """A difference with its sign, rounded as its interval allows."""
    if not math.isfinite(value):
        return MISSING
    text = f"{value:+.{decimals_for(low, high)}f}"
    return ("0" + text[2:] if float(text) == 0 else text).replace("-", MINUS)


def difference(row) -> str:
    """The difference in a row of a table, with its unit; that of a frequency also in cents."""
    said = f"{signed(row.difference, row.low, row.high)} {row.unit}"
    if not (register.find(row.feature).is_frequency and math.isfinite(row.difference)):
        return said
    cents = (scales.cents_from_percent(end) for end in (row.difference, row.low, row.high))
    return f"{said} ({signed(*cents)} cents)"


def between(low: float, high: float, unit: str) -> str:
    """An interval in words: "−0.4 to 2.1 dB"."""
    if not (math.isfinite(low) or math.isfinite(high)):
        return MISSING
    places = decimals_for(low, high)
    return f"{_end(low, places)} to {_end(high, places)} {unit}".strip()


def _end(value: float, places: int) -> str:
    if not math.isfinite(value):
        return "no bound"
    text = f"{value:.{places}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", MINUS)


def in_short(meaning: str) -> str:
    """The meaning of a feature without what the register adds after a colon."""
    return meaning.partition(":")[0]


def names_in_short(names: Iterable[str]) -> list[str]:
    """Feature names, three or more harmonics of one kind as one entry: tone.h6 to h20.rel_db."""
    out: list[str] = []
    runs: dict[str, list[int]] = {}
    for name in names:
        found = _HARMONIC.fullmatch(name)
        if found:
            runs.setdefault(found[2], []).append(int(found[1]))
        else:
            out.append(name)
    for kind, numbers in runs.items():
        for run in _runs(sorted(numbers)):
            if len(run) >= 3:
                out.append(f"tone.h{run[0]}.{kind} to h{run[-1]}.{kind}")
            else:
                out += [f"tone.h{k}.{kind}" for k in run]
    return out


def _runs(numbers: list[int]) -> list[list[int]]:
    """Numbers in order, split where one is missing."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return runs


def level_word(level: str) -> str:
    """A level of the nesting as the reader knows it: a specimen is a board."""
    return _LEVEL_WORDS.get(level, level)


def unit_word(summary: Summary) -> str:
    """What one number of a wood's sample is: "boards" when each is its own source."""
    compared = [s for s in summary.study.specimens if not s.role]
    own = len({(s.wood, s.source) for s in compared}) == len(compared)
    return "boards" if own else "sources"


def whose_limit(summary: Summary, feature: str) -> str:
    """Whose limit it is: "study's own" or "published"."""
    return "study's own" if feature in summary.study.settings.decide.limits else "published"


def counted(number: int, noun: str, plural: str = "") -> str:
    """A number and its noun, as in "1 take" and "3 takes"; `plural` for nouns without an s."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"

"""One pair of woods on one feature, in words.

What it does: puts a row of the table of effects into a sentence, with what else than the board
is in that feature. Takes are never counted as boards, and a harmonic is never credited to one.

Functions: `named`, `pair_sentence`.
"""

from __future__ import annotations

import math

from studylib import register
from studylib.report.differences import difference, unit_word, whose_limit
from studylib.report.summary import Summary
from studylib.stats.effects import NOT_EARNED
from studylib.words import feature as feature_words
from studylib.words.numbers import between, exact
from studylib.words.text import in_short

DRIVER = "This is a raw level: the driver's own distortion is in it, as the boards pass it on."
DRIVE = (
    "How hard the driver shakes a board depends on the board; this level does not take that out."
)
NOISE = "What is left between the harmonics is also the noise of the room and the recorder."


def named(summary: Summary, feature: str) -> str:
    """What a feature is, as a sentence begins."""
    meaning = in_short(feature_words(feature))
    return f"{meaning[0].upper()}{meaning[1:]}"


def pair_sentence(summary: Summary, row) -> str:
    """The verdict on one pair of woods, a row of effects, with what else is in the feature."""
    start = f"{named(summary, row.feature)}, {row.wood_b} against {row.wood_a}: "
    said = start + _VERDICTS[row.verdict](summary, row)
    caution = _caution(summary, row)
    return f"{said} {caution}" if caution and math.isfinite(row.difference) else said


def _caution(summary: Summary, row) -> str:
    """What else than the board is in a feature; empty where there is nothing to say."""
    if register.find(row.feature).driver:
        return f"{DRIVER} {_response_instead(summary, row)}"
    if register.find(row.feature).noise:
        return NOISE
    return DRIVE if register.find(row.feature).drive_level else ""


def _response_instead(summary: Summary, row) -> str:
    """The boards' own response at the harmonic's frequency, which woods are compared on."""
    k = register.find(row.feature).harmonic
    if k is None:
        return "It says nothing about the woods."
    effects = summary.comparison.effects
    name = f"probe.k{k}.response_db"
    found = effects[
        (effects["feature"] == name)
        & (effects["wood_a"] == row.wood_a)
        & (effects["wood_b"] == row.wood_b)
    ]
    if found.empty:
        return (
            f"What the boards themselves pass on at {k} times the tone was not compared, so this "
            f"says nothing about the woods: record probe tones there, with a sensor at the driving "
            "point."
        )
    own = next(found.itertuples())
    hint = "" if own.role == "primary" else " (exploratory, a hint only)"
    said = _VERDICTS[own.verdict](summary, own)
    return f"What the boards themselves pass on at {k} times the tone{hint}: {said}"


def _measured(summary: Summary, row) -> str:
    unit = unit_word(summary)
    return (
        f"{difference(row)} "
        f"({between(row.low, row.high, row.unit)}; {row.n_b:.0f} and {row.n_a:.0f} {unit})"
    )


def _limit(summary: Summary, row) -> str:
    return f"the {whose_limit(summary, row.feature)} limit of {exact(row.limit)} {row.unit}"


def _beyond(summary: Summary, row) -> str:
    return (
        f"different, {_measured(summary, row)}. The whole interval lies beyond "
        f"{_limit(summary, row)}."
    )


def _within(summary: Summary, row) -> str:
    return (
        f"different, {_measured(summary, row)}, but the whole interval lies inside "
        f"{_limit(summary, row)}."
    )


def _different(summary: Summary, row) -> str:
    if math.isfinite(row.limit):
        return (
            f"different, {_measured(summary, row)}. Whether by more than "
            f"{_limit(summary, row)} stays open."
        )
    return (
        f"different, {_measured(summary, row)}. There is no listening limit for this feature, "
        "so nothing is said about hearing it."
    )


def _same(summary: Summary, row) -> str:
    level = f"{100 * summary.confidence:g} %"
    return (
        f"the same within {_limit(summary, row)}, {difference(row)} ({row.n_b:.0f} and "
        f"{row.n_a:.0f} {unit_word(summary)}). The 90 % interval of this pair lies inside the "
        "limit; woods that differ by the limit are called so in at most 5 of 100 studies. The "
        f"{level} interval for all pairs together is {between(row.low, row.high, row.unit)}."
    )


def _open(summary: Summary, row) -> str:
    if not math.isfinite(row.difference):
        return f"open, {row.method}."
    said = f"open, {_measured(summary, row)}."
    if NOT_EARNED in row.method:
        return (
            f"{said} The numbers lie within {_limit(summary, row)}, but the bench was not shown "
            "to notice a known change of this feature, so the woods are not called the same."
        )
    said += " The study can neither tell them apart nor call them the same."
    if not row.needed:
        return said
    aim = "a true difference as large as the one observed"
    if math.isfinite(row.limit):
        aim = f"a true difference of {exact(row.limit)} {row.unit}"
    return (
        f"{said} With {row.needed} {unit_word(summary)} of each wood and spreads as estimated "
        f"here, {aim} would be declared four times out of five."
    )


def _boards_only(summary: Summary, row) -> str:
    least = summary.study.settings.decide.smallest_n
    said = (
        f"nothing is said about woods, because a wood has fewer than {least} "
        f"{unit_word(summary)} with usable takes."
    )
    if row.feature in set(summary.comparison.boards["feature"]):
        said += " Named boards are compared in tables/boards.csv."
    return said


_VERDICTS = {
    "beyond limit": _beyond,
    "within limit": _within,
    "different": _different,
    "same": _same,
    "open": _open,
    "boards only": _boards_only,
}

"""The sentences of the summary.

What it does: puts verdicts, controls, gaps and limits of the study into plain sentences. Three
rules hold for every sentence here: takes are never counted as boards, a harmonic is never
credited to the board, and what was not measured is called "not measured yet".

Functions: `question`, `how_to_read`, `take_home`, `methods`, `positive_control`, `set_aside`,
`confounding`, `failed_batches`, `sheet_warnings`, `provenance`, `cannot_say`.
"""

from __future__ import annotations

import math

from studylib.figures.words import (
    between,
    counted,
    exact,
    holds_driver,
    in_short,
    names_in_short,
    signed,
    unit_word,
    whose_limit,
)
from studylib.report.summary import Summary
from studylib.report.tables import set_aside_table
from studylib.stats.effects import NOT_EARNED
from studylib.wording import listed

DRIVER = (
    "This level includes the driver's own distortion; what part of it is the board's is not "
    "measured yet."
)
# This note gives the counts of every wood on every such feature, which fills a page; here its
# features are named and the counts stay in the table of features.
_LONG_NOTE = "Woods are not compared on these"
LATER_KINDS = {
    "tap": "taps",
    "sweep": "sweeps",
    "pluck": "plucked strings",
    "loopback": "loopback takes",
    "driver": "driver takes on the block",
    "airborne": "airborne takes",
}


def question(summary: Summary) -> list[str]:
    """The question, and what was compared to answer it."""
    study = summary.study
    boards = [s for s in study.specimens if not s.role]
    named = {s.specimen for s in boards}
    takes = sum(t.specimen in named for t in study.takes)
    return [
        study.settings.study.question,
        f"Compared: {listed(summary.woods)}, {counted(len(boards), 'board')} in "
        f"{counted(len(study.batches), 'batch', 'batches')} "
        f"({counted(takes, 'take')} of boards; takes of one board do not add up to more boards).",
    ]


def how_to_read(summary: Summary) -> list[str]:
    """The words that the tables use."""
    level = f"{100 * summary.confidence:g} %"
    return [
        "Effect: the difference between two woods, second minus first, from the means of their "
        f"{unit_word(summary)}. Each board counts once, however many takes it has.",
        f"Interval: the differences that agree with the data. It is {level} for all pairs of a "
        "feature together.",
        "g: the effect divided by the spread between boards of one wood. At g = 1 two woods lie "
        "one such spread apart; a single board then tells little about its wood.",
        "p adjusted: the chance of so large a difference between woods that do not differ, "
        "corrected for the number of pairs and of primary features. A difference is declared "
        f"when it is at most {1 - summary.confidence:.3g}.",
        "Repeatability: how far two takes of one mount differ. Intermediate precision: how far "
        "two takes differ when the board was taken off and mounted again between them (ISO 5725).",
        "Source: the plank, tree or lot that boards were cut from. Boards of one source count as "
        "one.",
        "Primary features decide. Exploratory ones are hints: with many of them, some look large "
        "by chance.",
    ]


def take_home(summary: Summary) -> list[str]:
    """A few sentences for each primary feature and pair of woods; one for what is missing."""
    effects = summary.primary_effects()
    missing = [f for f in summary.primary if f not in set(effects["feature"])]
    return [
        *(_pair_sentence(summary, row) for row in effects.itertuples()),
        *(f"{_named(summary, feature)}: not measured yet." for feature in missing),
    ]


def _named(summary: Summary, feature: str) -> str:
    meaning = in_short(summary.describe(feature).meaning)
    return f"{meaning[0].upper()}{meaning[1:]}"


def _pair_sentence(summary: Summary, row) -> str:
    start = f"{_named(summary, row.feature)}, {row.wood_b} against {row.wood_a}: "
    said = start + _VERDICTS[row.verdict](summary, row)
    claimed = row.verdict != "boards only" and holds_driver(row.feature)
    return f"{said} {DRIVER}" if claimed else said


def _measured(summary: Summary, row) -> str:
    unit = unit_word(summary)
    return (
        f"{signed(row.difference, row.low, row.high)} {row.unit} "
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
        f"the same within {_limit(summary, row)}, {signed(row.difference, row.low, row.high)} "
        f"{row.unit} ({row.n_b:.0f} and {row.n_a:.0f} {unit_word(summary)}). The 90 % interval of "
        "this pair lies inside the limit, which errs in at most 5 % of such pairs; the wider "
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
        f"{said} With {row.needed} {unit_word(summary)} of each wood, {aim} would be declared four "
        "times out of five."
    )


def _boards_only(summary: Summary, row) -> str:
    least = summary.study.settings.decide.smallest_n
    return (
        f"nothing is said about woods, because a wood has fewer than {least} "
        f"{unit_word(summary)}. Named boards are compared in tables/boards.csv."
    )


_VERDICTS = {
    "beyond limit": _beyond,
    "within limit": _within,
    "different": _different,
    "same": _same,
    "open": _open,
    "boards only": _boards_only,
}


def methods(summary: Summary) -> list[str]:
    """How the primary features were compared, one sentence for each way."""
    effects = summary.primary_effects()
    by_method = effects.groupby("method", sort=False)["feature"].unique()
    return [f"{listed(names)}: {method}." for method, names in by_method.items()]


def positive_control(summary: Summary) -> list[str]:
    """Did the bench tell the changed specimen from the reference?"""
    control = summary.comparison.positive_control
    rows = [r for r in control.itertuples() if r.feature in summary.primary]
    judged = [r for r in rows if math.isfinite(r.difference)]
    if not judged:
        reasons = [str(r.reason) for r in rows if r.reason]
        why = reasons[0] if reasons else "no changed specimen was measured beside a reference"
        return [
            f'Not known: {why}. Without it, "same" is not backed by a change that this bench '
            "was seen to notice."
        ]
    seen = [r.feature for r in judged if r.told_apart]
    missed = [r.feature for r in judged if not r.told_apart]
    said = []
    if seen:
        said.append(
            f"Yes on {listed(seen)}: the bench told the changed specimen from the reference."
        )
    if missed:
        said.append(
            f"No on {listed(missed)}: the bench did not tell the changed specimen from "
            'the reference, so it has no right to say "same" there.'
        )
    return said


def set_aside(summary: Summary) -> list[str]:
    """How many takes are not used."""
    aside = set_aside_table(summary)
    total = len(summary.study.takes)
    if aside.empty:
        return [f"None of the {counted(total, 'take')} was set aside."]
    return [
        f"Not used: {len(aside)} of {counted(total, 'take')}. They stay in every table, with "
        "their reason."
    ]


def confounding(summary: Summary) -> list[str]:
    """Whether wood and batch can be told apart."""
    if summary.comparison.confounding_sentence:
        return [summary.comparison.confounding_sentence]
    if len(summary.study.batches) < 2:
        return ["All boards were measured in one batch."]
    return ["Every wood was measured in every batch: differences between batches are taken out."]


def failed_batches(summary: Summary) -> list[str]:
    """One sentence for each batch that is not in this summary."""
    return [
        f"Batch {batch} is missing from everything below: {why}"
        for batch, why in summary.gathered.failed.items()
    ]


def sheet_warnings(summary: Summary) -> list[str]:
    """What was odd in the sheets, but no error."""
    return list(summary.study.warnings)


def provenance() -> list[str]:
    """Where an auditor finds the rest."""
    return [
        "After `study run`, provenance.json beside this report lists the versions, the "
        "parameters and the SHA-256 of every recording, sheet and table; the folded code of this "
        "page and of the batches' pages is all that was run."
    ]


def cannot_say(summary: Summary) -> list[str]:
    """What this design cannot say, from its own plan and its own gaps."""
    said = [note for note in summary.comparison.notes if not note.startswith(_LONG_NOTE)]
    said += _not_compared(summary)
    said.append(
        "Whose harmonics they are: a level at 2f, 3f and so on includes the driver's own "
        "distortion, raised or lowered by the board. No harmonic is credited to a board here; "
        "attribution is not measured yet."
    )
    said += _calibration(summary)
    said += [
        "Whether anyone would hear it: no listening test was made. A limit says what listeners "
        "could just notice in someone else's experiment, or what was chosen for this study.",
        "Anything about other tones, other mountings or a whole instrument.",
    ]
    later = _later(summary)
    return [*said, later] if later else said


def _not_compared(summary: Summary) -> list[str]:
    coverage = summary.comparison.coverage
    names = coverage.loc[~coverage["compared"].astype(bool), "feature"].unique()
    if not len(names):
        return []
    return [
        f"Anything about woods on {listed(names_in_short(names))}: more than 5 % of some wood's "
        "takes lie below the noise there, and leaving out the quiet takes would bias the rest."
    ]


def _calibration(summary: Summary) -> list[str]:
    channels = summary.study.settings.channels
    if channels.response_kind != "microphone":
        return []  # the comparison's own notes say that such levels are relative
    if channels.full_scale_db is None and channels.calibrator_db is None:
        return [
            "How loud it is: the bench was not calibrated, so levels are relative to full scale "
            "and only differences mean anything."
        ]
    return ["How loud it is elsewhere: levels hold for this microphone, at this place."]


def _later(summary: Summary) -> str:
    kinds = {t.kind for t in summary.study.takes}
    present = [word for kind, word in LATER_KINDS.items() if kind in kinds]
    steps = any(t.kind == "tone" and t.drive_db < 0 for t in summary.study.takes)
    if steps:
        present.append("tones at lower drive")
    if not present:
        return ""
    return f"What the {listed(present)} in takes.csv hold: not measured yet."

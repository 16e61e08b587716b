"""The sentences of the summary.

What it does: puts verdicts, controls, gaps and limits of the study into plain sentences. Three
rules hold for every sentence here: takes are never counted as boards, a harmonic is never
credited to the board, and what was not measured is called "not measured yet".

Functions: `question`, `how_to_read`, `take_home`, `methods`, `positive_control`, `set_aside`,
`confounding`, `failed_batches`, `sheet_warnings`, `provenance`, `cannot_say`.
"""

from __future__ import annotations

import math

from studylib import register
from studylib.attribution.verdicts import CANNOT_TELL
from studylib.report.differences import unit_word
from studylib.report.order import order_sentences
from studylib.report.pair_words import named, pair_sentence
from studylib.report.summary import Summary
from studylib.report.tables import measured_takes, set_aside_table
from studylib.stats.effects import BLOCKED, CONFOUNDED
from studylib.words.numbers import counted
from studylib.words.text import listed, names_in_short

# This note gives the counts of every wood on every such feature, which fills a page; here its
# features are named and the counts stay in the table of features.
_LONG_NOTE = "Woods are not compared on these"
LATER_KINDS = {"pluck": "plucked strings"}


def question(summary: Summary) -> list[str]:
    """The question, and what was compared to answer it."""
    study = summary.study
    named = {s.specimen: s.wood for s in study.specimens if not s.role}
    takes = [t for t in measured_takes(summary) if t.specimen in named]
    boards, batches = {t.specimen for t in takes}, {t.batch for t in takes}
    woods = [wood for wood in summary.woods if wood in {named[board] for board in boards}]
    return [
        study.settings.study.question,
        f"Measured: {listed(woods)}, {counted(len(boards), 'board')} in "
        f"{counted(len(batches), 'batch', 'batches')} "
        f"({counted(len(takes), 'take')} of boards; takes of one board do not add up to more "
        "boards).",
    ]


def how_to_read(summary: Summary) -> list[str]:
    """The words that the tables use."""
    level, unit = f"{100 * summary.confidence:g} %", unit_word(summary)
    return [
        "Effect: the difference between two woods, second minus first, from the means of their "
        f"{unit}. Each {unit.removesuffix('s')} counts once, however many takes it has.",
        f"Interval: the differences that agree with the data. It is {level} for all pairs of a "
        "feature together.",
        f"g: the effect divided by the spread between {unit} of one wood. At g = 1 two woods lie "
        "one such spread apart; a single board then tells little about its wood.",
        "p adjusted: the chance of so large a difference between woods that do not differ, "
        "corrected for the number of pairs and of primary features. A difference is declared "
        f"when it is at most {1 - summary.confidence:.3g}.",
        "Repeatability: the spread of takes of one mount. Intermediate precision: the spread of "
        "takes when the board is taken off and mounted again between them (ISO 5725).",
        "Source: the plank, tree or lot that boards were cut from. Boards of one source count as "
        "one.",
        "Primary features decide. Exploratory ones are hints: with many of them, some look large "
        "by chance.",
    ]


def take_home(summary: Summary) -> list[str]:
    """A few sentences for each primary feature and pair of woods; one for what is missing."""
    effects = summary.primary_effects()
    measured = set(summary.comparison.coverage["feature"])
    missing = [f for f in summary.primary if f not in measured]
    alone = ["There is one wood only, so no woods are compared."] if len(summary.woods) < 2 else []
    return [
        *alone,
        *(pair_sentence(summary, row) for row in effects.itertuples()),
        *(f"{named(summary, feature)}: not measured yet." for feature in missing),
    ]


def methods(summary: Summary) -> list[str]:
    """How the primary features were compared, one sentence for each way."""
    effects = summary.primary_effects()
    by_method = effects.groupby("method", sort=False)["feature"].unique()
    return [f"{listed(names)}: {method}." for method, names in by_method.items()]


def positive_control(summary: Summary) -> list[str]:
    """Did the bench tell the changed specimen from the reference?"""
    control = summary.comparison.positive_control
    rows = [r for r in control.itertuples() if r.feature in summary.primary]
    judged = [r for r in rows if math.isfinite(r.low)]
    if not judged:
        reasons = [str(r.reason) for r in rows if r.reason]
        why = reasons[0] if reasons else "no changed specimen was measured beside a reference"
        return [
            f'Not known: {why}. Without it, "same" is not backed by a change that this bench '
            "was seen to notice."
        ]
    missed = {r.feature for r in judged if not r.detected}
    known = dict.fromkeys(r.feature for r in judged)
    seen = [feature for feature in known if feature not in missed]
    said = []
    if seen:
        said.append(
            f"Yes on {listed(seen)}: the bench told the changed specimen from the reference."
        )
    if missed:
        said.append(
            f"No on {listed(f for f in known if f in missed)}: the bench did not tell the changed "
            'specimen from the reference, so it has no right to say "same" there.'
        )
    said += [f"Not known on {r.feature}: {r.reason}." for r in rows if r.feature not in known]
    return said


def set_aside(summary: Summary) -> list[str]:
    """How many takes are not used."""
    aside = set_aside_table(summary)
    total = len(measured_takes(summary))
    if aside.empty:
        return [f"None of the {counted(total, 'take')} was set aside."]
    return [
        f"Not used: {len(aside)} of {counted(total, 'take')}. They stay in every table, with "
        "their reason."
    ]


def confounding(summary: Summary) -> list[str]:
    """Whether wood and batch can be told apart on the primary features."""
    if summary.comparison.confounding_sentence:
        return [summary.comparison.confounding_sentence]
    batches = summary.comparison.confounding.shape[1] - 1
    if batches < 2:
        return ["All boards were measured in one batch."] if batches else []
    methods = summary.primary_effects().dropna(subset="p").groupby("feature", sort=False)["method"]
    ways = methods.first()
    mixed = ways.str.contains(CONFOUNDED, regex=False)
    blocked = ways.str.contains(BLOCKED, regex=False) & ~mixed
    said = []
    if blocked.any():
        said.append(
            f"On {listed(ways.index[blocked])} every wood compared was measured in every batch: "
            "differences between batches are taken out of the effects. The figures show the "
            "boards as measured."
        )
    if mixed.any():
        said.append(
            f"On {listed(ways.index[mixed])} wood and batch are confounded: part of a difference "
            "between woods may be one between sittings."
        )
    return said


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
        'After "study run", provenance.json beside this report lists the versions, the '
        "parameters and the SHA-256 of every recording, sheet and table; the folded code of this "
        "page and of the batches' pages is all that was run."
    ]


def cannot_say(summary: Summary) -> list[str]:
    """What this design cannot say, from its own plan and its own gaps."""
    said = [note for note in summary.comparison.notes if not note.startswith(_LONG_NOTE)]
    said += _ordered(summary)
    said += _not_compared(summary)
    said += _harmonics(summary)
    said += _levels(summary)
    said += _calibration(summary)
    said += [
        "When the claims and the primary features were written down: study.toml says what they "
        "are, and only whoever wrote them can say that it was before recording.",
        "Whether anyone would hear it: no listening test was made. A limit says what listeners "
        "could just notice in someone else's experiment, or what was chosen for this study.",
        "Anything about other tones, other mountings or a whole instrument.",
    ]
    later = _later(summary)
    return [*said, later] if later else said


def _ordered(summary: Summary) -> list[str]:
    """What the order of recording, or the second column, leaves open."""
    checks = summary.checks
    said = list(order_sentences(summary)) if checks.order.confounded else []
    if checks.beside is not None and checks.beside.confounded:
        said.append(checks.beside.confounded)
    return said


def _not_compared(summary: Summary) -> list[str]:
    coverage = summary.comparison.coverage
    names = coverage.loc[~coverage["compared"].astype(bool), "feature"].unique()
    if not len(names):
        return []
    return [
        f"Anything about woods on {listed(names_in_short(names))}: more than 5 % of some wood's "
        "takes lie below the noise there, and leaving out the quiet takes would bias the rest."
    ]


def _harmonics(summary: Summary) -> list[str]:
    verdicts = summary.attribution.table["verdict"]
    open_ones = int((verdicts == CANNOT_TELL).sum())
    said = [
        "That a harmonic is the wood's: a level at 2f, 3f and so on holds the driver's own "
        "distortion, raised or lowered by the board. Where the driver explains it, it says nothing "
        "about the wood; where it does not, a loose contact, a crack, a fitting or the clamp may "
        "make it. A buzz in the very contact of driver and board reads as the driver.",
        "Whether something adds a little to a harmonic that the driver explains: a part up to "
        "about a fifth of it (14 dB weaker) would not be noticed.",
    ]
    if open_ones:
        said.append(
            f"Whose {counted(open_ones, 'harmonic')} are on which the attribution cannot tell "
            "(each with its reason in tables/attribution.csv)."
        )
    return said


def _levels(summary: Summary) -> list[str]:
    measured = summary.comparison.coverage["feature"].unique()
    said = []
    if any(register.find(feature).drive_level for feature in measured):
        heard = "here no channel senses it."
        if any(feature.endswith(".response_db") for feature in measured):
            heard = "only a response relative to the drive channel takes that out."
        said.append(
            "Whether a level (a name that ends in level_db) differs because of the board or "
            "because of what went into it: how hard the driver shakes a board depends on the "
            f"board, and {heard}"
        )
    if any(register.find(feature).noise for feature in measured):
        said.append(
            "Whose noise it is: the bands (tone.band...) hold what is left between the harmonics, "
            "the noise of the room and the recorder included, relative to the fundamental. A "
            "weaker fundamental alone raises them all."
        )
    return said


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
    said = f"What the {listed(present)} in takes.csv hold: not measured yet." if present else ""
    if "sweep" in kinds and not summary.study.settings.sweep.known:
        said += (
            " What the sweeps hold beside the response at multiples of the tone: study.toml does "
            "not say under [sweep] what was played."
        )
    return said.strip()

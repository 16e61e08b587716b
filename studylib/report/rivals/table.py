"""What viewers say was forgotten: the twelve rival explanations, and the doubts beside them.

One row for each: what it would look like, how far this study went, which takes or columns test it,
what they say. What is only bounded is given as the bound; what this design cannot rule out says
so; what was not tested says what to record or to fill in.

A doubt is looked at when something in the study bears on it; what that came to stands beside it.
Two can never be: no program knows how boards were chosen, and no bench is the instrument.

Functions: findings, further, rivals_table, rivals_sentences.
"""

import pandas as pd

from studylib import codes, words
from studylib.report import preregistration
from studylib.report.rivals import bench, boards, harmonics
from studylib.report.rivals.basis import Finding, basis_of, untested
from studylib.report.summary import Summary

_RIVALS = (
    *(
        harmonics.driver,
        harmonics.air,
        harmonics.recorder,
        harmonics.room,
        harmonics.buzz,
        bench.mounting,
    ),
    *(bench.drift, boards.dimensions, boards.moisture, bench.level, boards.planks, boards.mixed_up),
)


def findings(summary: Summary) -> list[Finding]:
    """What tests each of the twelve rivals, and what that says."""
    basis = basis_of(summary)
    return [rival(basis) for rival in _RIVALS]


def further(summary: Summary) -> list[Finding]:
    """The doubts beside the rivals, in the order in which a viewer raises them."""
    study = summary.study
    boards = [each for each in study.specimens if not each.role]
    grain = sum(bool(each.grain) for each in boards)
    places = len({take.place for take in study.takes if take.specimen})
    moved = sum(take.mic_times is not None for take in study.takes)
    effects, control = summary.primary_effects(), summary.comparison.positive_control
    tried = summary.of_primary(control[control["low"].notna()])["detected"]
    noticed, missed = (int(tried.eq(told).sum()) for told in (True, False))
    least = int(effects[["n_a", "n_b"]].min(axis=None)) if len(effects) else 0
    coded = sum(len(key.woods) for key in study.blinding)
    named = sum(not each.source_assumed for each in boards)
    tone_hz = study.settings.tone.fundamental_hz
    plucks = sum(take.kind == "pluck" for take in study.takes)
    return [
        _doubt("doubts.grain", codes.note("doubts.by_grain", filled=grain, boards=len(boards)),
               "doubts.grain_says" * (0 < grain == len(boards)), "doubts.grain_wanted"),
        _doubt("doubts.microphone", codes.note("doubts.by_microphone", places=places, moved=moved),
               "doubts.microphone_says" * (places > 1 or moved > 0), "doubts.microphone_wanted"),
        _doubt("doubts.chosen", codes.note("doubts.by_chosen", named=named), "",
               "doubts.chosen_wanted"),
        _doubt("doubts.expected", codes.note("doubts.by_expected", woods=coded),
               "doubts.expected_says" * bool(coded), "doubts.expected_wanted"),
        _doubt("doubts.hindsight", codes.note("doubts.by_hindsight", locks=len(study.locks)),
               "doubts.hindsight_says" * preregistration.lock_stands(study),
               "doubts.hindsight_wanted"),
        _doubt("doubts.one_tone", codes.note("doubts.by_one_tone", tone_hz=tone_hz),
               "doubts.one_tone_says" * (not summary.curves.reason), "doubts.one_tone_wanted"),
        _doubt("doubts.few", codes.note("doubts.by_few", least=least),
               "doubts.few_says" * (least >= study.settings.decide.smallest_n),
               "doubts.few_wanted"),
        _doubt("doubts.blind_bench", codes.note("doubts.by_blind_bench", noticed=noticed),
               "doubts.blind_bench_says" * bool(noticed), "doubts.blind_bench_wanted",
               "doubts.blind_bench_missed" * bool(missed)),
        _doubt("doubts.ears", "doubts.by_ears", "", "doubts.ears_wanted"),
        _doubt("doubts.instrument", codes.note("doubts.by_instrument", plucks=plucks), "",
               "doubts.instrument_wanted"),
    ]  # fmt: skip


def _doubt(name: str, done: str, says: str, wanted: str, lacks: str = "") -> Finding:
    """One doubt: what was done, what that says or else what would answer, and what it lacks."""
    return Finding(name, done, [says or untested(wanted), lacks if says else ""])


def rivals_table(summary: Summary) -> pd.DataFrame:
    """One row for each of the twelve rivals and of the further doubts, all cells notes."""
    return pd.DataFrame(
        [
            (
                codes.note(found.rival),
                found.status,
                codes.note(found.rival, looks=True),
                found.tested_by,
                codes.note("rivals.paragraph", notes=[each for each in found.says if each]),
            )
            for found in (*findings(summary), *further(summary))
        ],
        columns=[
            words.say("rivals.heading", column=name)
            for name in ("rival", "status", "looks", "tested_by", "says")
        ],
    )


def rivals_sentences(summary: Summary) -> list[str]:
    """How many rivals this study tests, and which it does not."""
    found = findings(summary)
    missing = [codes.note(each.rival) for each in found if not each.tested]
    return [
        codes.note("rivals.tested", tested=len(found) - len(missing), rivals=len(found)),
        *([codes.note("rivals.open_rivals", rivals=missing)] if missing else []),
        codes.note("rivals.not_ruled_out"),
    ]

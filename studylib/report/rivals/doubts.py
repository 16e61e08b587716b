"""What viewers doubt beside the twelve rivals: what the study did about each, or what would answer.

A doubt is looked at when something in the study bears on it; what that came to stands beside it.
Two can never be: no program knows how boards were chosen, and no bench is the instrument.

Functions: further.
"""

from studylib.codes import note
from studylib.report import preregistration
from studylib.report.rivals.basis import Finding, untested
from studylib.report.summary import Summary


def further(summary: Summary) -> list[Finding]:
    """The doubts beside the rivals, in the order in which a viewer raises them."""
    study = summary.study
    boards = [each for each in study.specimens if not each.role]
    grain = sum(bool(each.grain) for each in boards)
    places = len({take.place for take in study.takes if take.specimen})
    moved = sum(take.mic_times is not None for take in study.takes)
    effects, control = summary.primary_effects(), summary.primary_control()
    noticed, missed = (int(control["detected"].eq(told).sum()) for told in (True, False))
    fewest = [int(n) for n in effects[["n_a", "n_b"]].min()] if len(effects) else [0]
    locked = preregistration.lock_stands(study)
    return [
        _doubt("grain", 0 < grain == len(boards), filled=grain, boards=len(boards)),
        _doubt("microphone", places > 1 or moved, places=places, moved=moved),
        _doubt("chosen", False, named=sum(not each.source_assumed for each in boards)),
        _doubt("expected", study.blinding, woods=sum(len(key.woods) for key in study.blinding)),
        _doubt("hindsight", locked, locks=len(study.locks)),
        _doubt("one_tone", not summary.curves.reason, tone_hz=study.settings.tone.fundamental_hz),
        _doubt("few", min(fewest) >= study.settings.decide.smallest_n, least=min(fewest)),
        _doubt("blind_bench", noticed, missed and "doubts.blind_bench_missed", noticed=noticed),
        _doubt("ears", False),
        _doubt("instrument", False, plucks=sum(take.kind == "pluck" for take in study.takes)),
    ]


def _doubt(name: str, looked_at: bool, lacks: str = "", /, **fields) -> Finding:
    """One doubt; what would answer it where the study did not look, or not far enough."""
    says = f"doubts.{name}_says" if looked_at else untested(f"doubts.{name}_wanted")
    return Finding(f"doubts.{name}", note(f"doubts.by_{name}", **fields), [says, lacks or ""])

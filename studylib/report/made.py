"""How the takes of a study were made: what the caveats of its verdicts rest on.

The drive is the drive channel's own level at the multiple of the tone that was played, as if at
full drive: of the tone itself at full drive only, of probe tones at any. dB re full scale.

Function: `made_of`.
"""

from studylib import codes, sheets
from studylib.attribution.levels import level_findings, levels_of
from studylib.modes.gathered import Gathered
from studylib.report.preregistration import looks_of
from studylib.sheets.files import grouped
from studylib.sheets.lock import touches_verdicts
from studylib.sheets.study import recording_order
from studylib.stats import caveats, units


def made_of(study: sheets.Study, gathered: Gathered) -> caveats.Made:
    """Order, drive, levels, clock and lock of a study."""
    settings, changed = study.settings, len(touches_verdicts(study.changed_since_lock))
    recorded = study.lock.content["recorded"] if study.lock is not None else 0
    seen = looks_of(study, failed=gathered.failed)
    late = codes.holding(
        (recorded or changed, codes.note("caveats.lock", recorded=recorded, changes=changed)),
        (
            seen.number > study.looks or not seen.whole,
            codes.note(
                "caveats.looks", number=seen.number, planned=study.looks, rate=seen.rate,
                whole=seen.whole,
            ),
        ),
    )  # fmt: skip
    takes = [take for take in study.takes if take.support == "bench" and not take.exclude]
    rows, hz = gathered.harmonics, settings.tone.fundamental_hz
    levels = levels_of(rows.infer_objects(), takes, study.specimens, fundamental_hz=hz)
    played = (levels["kind"] == "tone") & ((levels["k"] > 1) | (levels["drive_db"] == 0))
    drive = levels[played].assign(y=levels["drive"] - levels["drive_db"])
    return caveats.Made(
        order=recording_order(study.takes),
        dealt=bool(study.schedules),
        drive=drive.rename(columns={"k": "harmonic"})[[*units.MOUNT, "harmonic", "y"]].dropna(),
        sensed=settings.channels.sensed,
        levels=tuple(level_findings(levels)) if len(levels) else (),
        at_large=tuple(late),
        clock=_contradicted(study),
    )


def _contradicted(study: sheets.Study) -> str:
    """The first batch whose takes have another order by `order` than by `started`, or ""."""
    timed = grouped(
        (take.batch, take.started.replace(tzinfo=None))
        for take in sorted(
            (take for take in study.takes if take.order is not None and take.started),
            key=lambda take: take.order,
        )
    )
    return min((batch for batch, own in timed.items() if own != sorted(own)), default="")

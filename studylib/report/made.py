"""How the takes of a study were made: what the caveats of its verdicts rest on.

The drive is the drive channel's own level at the multiple of the tone that was played, brought to
full drive and to the bench's gain by what takes.csv says; of the tone itself at full drive only,
of probe tones at any. Levels in dB re full scale.

Function: `made_of`.
"""

from itertools import groupby, pairwise

import numpy as np

from studylib.codes import note
from studylib.codes.comparison import Caveat
from studylib.measure.harmonic_rows import tone_multiple
from studylib.modes.gathered import Gathered
from studylib.report.preregistration import changed_since_lock
from studylib.sheets import Study
from studylib.sheets.study import recording_order
from studylib.stats.caveats import Made
from studylib.stats.units import MOUNT


def made_of(study: Study, gathered: Gathered) -> Made:
    """Order, drive, clock and lock of a study."""
    channels, changed = study.settings.channels, len(changed_since_lock(study))
    recorded = study.lock.recorded if study.lock is not None else 0
    late = [note(Caveat.LOCK, recorded=recorded, changes=changed)] if recorded or changed else []
    return Made(
        order=recording_order(study.takes),
        dealt=bool(study.schedules),
        drive=_drive(study, gathered),
        drive_kind=channels.drive_kind if channels.drive else "",
        at_large=tuple(late),
        clock=_contradicted(study),
    )


def _drive(study: Study, gathered: Gathered):
    """Levels of the drive channel: specimen, batch, mount, harmonic, y."""
    tone_hz = study.settings.tone.fundamental_hz
    played = {}
    for take in study.takes:
        plain = take.kind == "tone" and not take.is_test
        k = tone_multiple(take.tone_hz, fundamental_hz=tone_hz) if plain else None
        if k and take.support == "bench" and (k > 1 or take.drive_db == 0):
            place = (take.specimen, take.batch, take.mount, take.drive_db + take.gain_db)
            played[take.take, k] = place
    rows = gathered.harmonics
    rows = rows[rows["usable"].astype(bool)].set_index(["take", "harmonic"])
    rows = rows[rows.index.isin(list(played))]
    size = np.hypot(rows["drive_re"].astype(float), rows["drive_im"].astype(float))
    rows = rows.assign(size=size)[size > 0]
    places = np.array([(*played[key], key[1]) for key in rows.index], dtype=object).reshape(-1, 5)
    frame = rows[[]].assign(**dict(zip([*MOUNT, "off", "harmonic"], places.T, strict=True)))
    y = 20.0 * np.log10(rows["size"].to_numpy(float)) - frame["off"].to_numpy(float)
    return frame.assign(y=y).reset_index(drop=True)


def _contradicted(study: Study) -> str:
    """The first batch whose takes have another order by `order` than by `started`, or ""."""
    timed = [take for take in study.takes if take.order is not None and take.started]
    timed.sort(key=lambda take: (take.batch, take.order))
    for batch, own in groupby(timed, key=lambda take: take.batch):
        clocks = [take.started.replace(tzinfo=None) for take in own]
        if any(later < earlier for earlier, later in pairwise(clocks)):
            return batch
    return ""

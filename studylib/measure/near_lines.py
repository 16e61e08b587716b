"""Lines near the multiples of the tone that are none of its harmonics: mains and anything else.

A take at the fundamental hides what lies within two bins of its harmonics (`signal.partials` sees
it beat, where it is far enough). Probe tones, controls and silent takes leave most multiples free:
there a line shows, with the amplifier on and the board mounted as they were. What is found is held
against the harmonic itself, as the batch's tones have it.

Conventions: amplitudes re full scale at the bench's gain; near is within two bins of the analysed
length. A line more than 20 dB below a harmonic moves its level by less than 1 dB (20 lg 1.1) and is
not told.

Functions: lines_of, line_notes.
"""

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from studylib import codes, sheets
from studylib.measure.harmonic_rows import tone_multiple
from studylib.measure.take import TakeMeasurement, hum_of
from studylib.sheets.settings import MAINS_HZ, NEAR_BINS, Settings, Tone
from studylib.signal.noise import room_lines

KINDS = ("tone", "driver", "airborne", "room", "idle")
LOWEST_DB = -20.0
MOST_NAMED = 3
FEWEST = 3  # takes with a hum line: noise alone looks like one in a take of a hundred studies


class Found(NamedTuple):
    """What one take holds: amplitude of the line at each free multiple (k -> amplitude), and the
    mains frequency of its strongest hum line, None where there is none or 50 and 60 Hz share it."""

    take: str
    lines: dict[int, float]
    mains_hz: float | None


def lines_of(take: sheets.Take, measured: TakeMeasurement, tone: Tone) -> Found | None:
    """The lines in one take; None for a kind of take that shows none."""
    own = tone_multiple(take.tone_hz, fundamental_hz=tone.fundamental_hz)
    silent = take.tone_hz is None
    if take.kind not in KINDS or measured.density is None or not (own or silent):
        return None
    free = [k for k in range(1, tone.harmonics + 1) if silent or k % own]
    held = room_lines(
        measured.density,
        step_hz=measured.step_hz,
        frequencies_hz=tone.fundamental_hz * np.array(free),
        within_hz=NEAR_BINS / tone.length_s,
    )
    gain = 10.0 ** (-take.gain_db / 20.0)
    lines = {k: gain * line for k, (_, line, _) in zip(free, held, strict=False) if line}
    hum_hz = hum_of(measured, tone_hz=measured.fit.frequency_hz if measured.fit else None)[1]
    family = [mains for mains in MAINS_HZ if hum_hz and hum_hz % mains == 0]
    return Found(take.take, lines, family[0] if len(family) == 1 else None)


def line_notes(
    found: Sequence[Found], harmonics: pd.DataFrame, tones: Sequence[str], settings: Settings
) -> list[str]:
    """What to warn of: multiples where the mains of these takes lie, and lines that matter.

    harmonics : the batch's table.  tones : ids of its tones at the fundamental and full drive.
    """
    tone = settings.tone
    mains = Counter(one.mains_hz for one in found if one.mains_hz)
    mains_hz, takes = max(mains.items(), key=lambda item: item[1], default=(0.0, 0))
    multiples = settings.on_mains(mains_hz) if takes >= FEWEST else []
    at_hz = [tone.fundamental_hz * k for k in multiples]
    about = {"mains_hz": mains_hz, "takes": takes, "multiples": multiples, "at_hz": at_hz}
    notes = codes.holding((multiples, codes.note("measure.mains", **about)))
    own = harmonics[harmonics["take"].isin(tones) & harmonics["usable"].astype(bool)]
    size = pd.Series(np.hypot(own["response_re"], own["response_im"]).to_numpy(), own["harmonic"])
    for k, level in size.groupby(level=0).median().items():
        heard = {one.take: one.lines[k] for one in found if k in one.lines}
        ratio_db = 20.0 * np.log10(max(heard.values(), default=0.0) / level + 1e-20)
        named = sorted(heard, key=heard.get, reverse=True)[:MOST_NAMED]
        about = {"multiple": int(k), "at_hz": tone.fundamental_hz * k, "ratio_db": ratio_db}
        notes += codes.holding(
            (
                ratio_db > LOWEST_DB,
                codes.note("measure.line", **about, takes=named, more=len(heard) - len(named)),
            )
        )
    return notes

"""Rival: noise of the room, which hides harmonics, and mains lines, which pass for them.

The row says which reading a "not present" rests on: the noise in the harmonic's own narrow bin, or
the broadband noise, which lies much higher.

Source: levels of rooms for comparison are common practice without a source; that noise in a bin of
a reading of T seconds lies 10 lg(B T) below that in the bandwidth B follows from the definition of
a noise density.

Function: room.
"""

from __future__ import annotations

import math

import numpy as np

from studylib.attribution.verdicts import NOISE
from studylib.report.rivals.parts import (
    Ground,
    Rival,
    asked,
    db,
    lacking,
    no_tone,
    not_tested,
    place,
    takes_said,
)
from studylib.words.numbers import counted

ROOMS = (
    "For comparison (common practice, no source): a tone of 70 dB leaves 40 dB of broadband range "
    "in a quiet booth near 30 dB and 32 dB in a good studio near 38 dB; the 8 dB between them are "
    "a pressure ratio of 2.5."
)


def room(ground: Ground) -> Rival:
    """Noise of the room in the readings, and mains lines on harmonics."""
    looks = (
        "energy that is there with the driver silent; a harmonic that seems missing because noise "
        "hides it"
    )
    tested = f"{takes_said(ground, 'room')}; the noise between the harmonics of the boards' tones"
    known = [_narrow(ground), ROOMS if not ground.rows.empty else ""]
    if not ground.of_kind("room"):
        says = not_tested(f"record {asked(ground, 'room')}.", *known)
    elif ground.rows.empty:
        says = no_tone(ground)
    else:
        says = " ".join(filter(None, [_hum(ground), *known, lacking(ground, "room")]))
    return Rival("room and hum", looks, tested, says)


def _hum(ground: Ground) -> str:
    hum = ground.rows["hum_db"].astype(float)
    tested = ground.rows[hum.notna()]
    if tested.empty:
        return ""
    above = (hum - ground.rows["observed_db"].astype(float))[np.isfinite(hum)]
    if above.empty:
        return (
            f"No mains line was found on any of {counted(len(tested), 'harmonic')} of boards "
            "(mounts counted apart), present or not."
        )
    worst = ground.rows.loc[above.idxmax()]
    return (
        f"A mains line lies on {len(above)} of {counted(len(tested), 'harmonic')} of boards; the "
        f"strongest is {db(abs(float(above.max())))} {'above' if above.max() > 0 else 'below'} "
        f"what was recorded ({place(worst)})."
    )


def _narrow(ground: Ground) -> str:
    """Which reading a "not present" rests on, and how far each of the two reaches."""
    tone = {key: 20.0 * np.log10(abs(line.response[0])) for key, line in ground.tones.items()}
    rows = ground.rows[np.isfinite(ground.rows["noise_db"].astype(float))]
    reach = np.array(
        [tone.get((r.specimen, r.mount), np.nan) - r.noise_db for r in rows.itertuples()], float
    )
    quiet = (rows["verdict"] == NOISE).to_numpy(bool)
    finite = np.isfinite(reach)
    if not finite.any():
        return ""
    seconds = float(np.median([line.seconds for line in ground.tones.values()]))
    said = (
        f"Every 'not present' ({int(quiet.sum())} of {len(rows)} readings) rests on the narrow "
        f"band, a bin {1.0 / seconds:.3g} Hz wide: it means weaker than the tone by at least "
    )
    judged = reach[quiet & finite] if (quiet & finite).any() else reach[finite]
    said += f"{db(float(judged.min()))} (half of them by {db(float(np.median(judged)))} or more)."
    return f"{said} {_broadband(ground, seconds)}".strip()


def _broadband(ground: Ground, seconds: float) -> str:
    """The tone over the noise in all octave bands that it leaves free."""
    rows = ground.summary.gathered.features
    rows = rows[
        rows["feature"].str.startswith("tone.band")
        & rows["usable"].astype(bool)
        & rows["specimen"].isin(list(ground.boards))
        & np.isfinite(rows["value"].astype(float))
    ]
    if rows.empty:
        return "The broadband noise cannot be told: the tone fills every band."
    power = (10.0 ** (rows["value"].astype(float) / 10.0)).groupby(rows["take"]).sum()
    board = rows.groupby("take")["specimen"].first()
    means = (-10.0 * np.log10(power)).groupby(board).mean()
    middle = sorted(float(name[9:-7]) for name in rows["feature"].unique())
    low, high = middle[0] / math.sqrt(2.0), middle[-1] * math.sqrt(2.0)
    return (
        f"Broadband, in the octave bands from {middle[0]:g} to {middle[-1]:g} Hz that it leaves "
        f"free, the tone stands only {db(means.mean())} above the noise ({db(means.min())[:-3]} to "
        f"{db(means.max())} from board to board); against even noise a bin of {seconds:g} s "
        f"reaches 10 lg(bandwidth x time) = {10.0 * math.log10((high - low) * seconds):.0f} dB "
        "lower."
    )

"""Two boards to listen to: one of each wood of the pair that heads the page, tone and tap.

Each is heard alone, then both in turn, twice over (A B A B): as recorded, under one gain, and at
equal loudness (ITU-R BS.1770-5), for which the louder is turned down. The two answer different
questions, and each player says which.

The boards are not chosen by ear: of each wood it is the one nearest to the wood's mean in the
feature that heads the page, among those with a usable take of the kind, and of it the first such
take in takes.csv. A tone is heard where it was measured, a tap from just before its strike.

Conventions: the response channel, never resampled; the recorder's gain of a take (`gain_db`) is
undone. No sample exceeds a quarter of full scale. Sounds are FLAC in 16 bits as base64, a player a
note of what it is: 20 times `MOST_FRAMES` of 2 bytes make at most 2.8 MB, however badly FLAC packs.

Functions: `hear`, `players`, `in_turn`.
"""

import io
from base64 import b64encode
from collections.abc import Sequence
from html import escape

import numpy as np
import soundfile
from scipy.signal.windows import tukey

from studylib import recordings, register, words
from studylib.codes import holding, note
from studylib.errors import InputError
from studylib.measure.features import tone_order
from studylib.report import pages
from studylib.report.answer import lead
from studylib.report.rivals.basis import basis_of
from studylib.report.summary import Summary
from studylib.sheets import Take
from studylib.signal.loudness import integrated_loudness
from studylib.stats import scales

MOST_FRAMES, LONGEST_S = 52_000, 1.5  # of one board's sound, whichever is shorter
PEAK, FADE_S, PAUSE_S, BEFORE_TAP_S = 0.25, 0.01, 0.3, 0.05
SEARCHED_S = 20.0  # for the strike of a tap
SILENT = 1e-12  # of full scale: no recorder is as quiet


def hear(summary: Summary) -> pages.Shown:
    """The players, what they rest on, and a caution before the first; or why there are none."""
    told, found = players(summary)
    notes, caution = [*map(words.say, told)], holding((found, words.say("aloud.caution")))
    html = "".join(f"<p>{escape(one)}</p>" for one in notes)
    html += "".join(
        f'<blockquote class="heard"><p>{escape(one)}</p></blockquote>' for one in caution
    )
    html += "".join(
        f'<div class="heard"><p>{escape(label)}</p><audio controls="" preload="metadata" '
        f'aria-label="{escape(label)}" src="data:audio/flac;base64,{sound}"></audio></div>'
        for label, sound in ((words.say(one), sound) for one, sound in found.items())
    )
    return pages.Shown(html=html, text="\n".join([*notes, *caution, *map(words.say, found)]))


def players(summary: Summary) -> tuple[list[str], dict[str, str]]:
    """Notes of what is heard, or of why something is not, and the page's players."""
    row, missing, found, heard = lead(summary), [], {}, []
    if row is None or row.feature not in summary.measured:
        return ["aloud.no_pair"], {}
    usable, woods = basis_of(summary).takes, (row.wood_a, row.wood_b)
    boards = summary.means(row.feature).boards.set_index("specimen")["value"]
    for kind in ("tone", "tap"):
        try:
            takes = [_take(summary, row.feature, wood, kind, usable) for wood in woods]
            (a, rate_hz), (b, _) = (_sound(summary, take) for take in takes)
            found |= in_turn(kind, [take.specimen for take in takes], a, b, rate_hz=rate_hz)
            heard += [
                {"wood": wood, "take": take.take, "mean": boards[take.specimen]}
                for wood, take in zip(woods, takes, strict=True)
            ]
        except InputError as error:
            missing += error.notes
    about = {"name": row.feature, "unit": register.find(row.feature).unit, "heard": heard}
    about["channel"] = summary.study.settings.channels.response_kind
    chosen = note("aloud.chosen", seconds=LONGEST_S, **about)
    return [*holding((found, chosen)), *missing], found


def in_turn(
    kind: str, boards: Sequence[str], a: np.ndarray, b: np.ndarray, *, rate_hz: int
) -> dict[str, str]:
    """Four players of two sounds: each alone, both in turn as recorded, and at equal loudness.

    Parameters
    ----------
    kind : "tone" or "tap".
    boards : the two names.
    a, b : shape (frames,), on one scale; what one has more at its end is left out.

    Returns
    -------
    The note of a player -> its sound.

    Raises
    ------
    InputError : one of them is silent, or next to the other.
    """
    frames = min(len(a), len(b))
    recorded = np.array([a[:frames], b[:frames]]) * tukey(frames, 2 * FADE_S * rate_hz / frames)
    recorded *= PEAK / max(np.abs(recorded).max(), SILENT)
    loudness = np.array([integrated_loudness(x, rate_hz=rate_hz) for x in recorded])
    if not np.isfinite(loudness).all():
        raise InputError(note("aloud.silent", kind=kind, boards=boards))
    down_db, (quieter, louder) = loudness - loudness.min(), loudness.argsort()
    equal = recorded / 10 ** (down_db[:, None] / 20)
    told = {"kind": kind, "boards": boards, "down_db": down_db[louder]}
    told |= {"louder": boards[louder], "quieter": boards[quieter]}
    sounds = {note("aloud.alone", kind=kind, board=boards[i]): recorded[i] for i in (0, 1)}
    for code, pair in (("aloud.recorded", recorded), ("aloud.equal", equal)):
        paused = np.pad(pair, ((0, 0), (0, round(PAUSE_S * rate_hz))))
        sounds[note(code, **told)] = np.tile(paused.ravel(), 2)
    return {label: _flac(x, rate_hz) for label, x in sounds.items()}


def _flac(x: np.ndarray, rate_hz: int) -> str:
    held = io.BytesIO()
    soundfile.write(held, x, rate_hz, format="FLAC", subtype="PCM_16")
    return b64encode(held.getvalue()).decode("ascii")


def _take(summary: Summary, feature: str, wood: str, kind: str, usable: Sequence[Take]) -> Take:
    """The take of a kind that stands for a wood."""
    means, settings = summary.means(feature), summary.study.settings
    own = means.boards[means.boards["wood"] == wood]
    middle = means.means.loc[means.means["wood"] == wood, "mean"]
    y = scales.analysis_values([*own["value"], *middle], [means.feature.scale] * (len(own) + 1))
    found = [
        take
        for board in own["specimen"].iloc[np.argsort(np.abs(y[:-1] - y[-1]), kind="stable")]
        for take in usable
        if take.specimen == board
        and (
            tone_order(take, settings) == 1
            if kind == "tone"
            else take.kind == "tap" and take.support == "bench" and take.place == 1
        )
    ]
    if not found:
        raise InputError(note("aloud.no_take", kind=kind, wood=wood))
    return found[0]


def _sound(summary: Summary, take: Take) -> tuple[np.ndarray, int]:
    """What is heard of a take, at the bench's gain, and its rate."""
    settings, path = summary.study.settings, summary.study.path_of(take)
    info, channel = recordings.probe(path), settings.channels.response - 1
    rate = info.rate_hz
    if take.kind == "tone":
        checks = summary.gathered.quality
        settled = checks[(checks["take"] == take.take) & (checks["check"] == "window")]["value"]
        start = round(next(iter(settled), settings.tone.skip_s or 0.0) * rate)
        frames = round(min(LONGEST_S, settings.tone.length_s) * rate)
    else:
        frames = min(info.frames, round(SEARCHED_S * rate))
        strike = np.abs(recordings.read_window(path, start=0, frames=frames)[channel]).argmax()
        start, frames = max(int(strike - BEFORE_TAP_S * rate), 0), round(LONGEST_S * rate)
    frames = min(frames, MOST_FRAMES, info.frames - start)
    x = recordings.read_window(path, start=start, frames=frames)[channel]
    return x / 10 ** (take.gain_db / 20), rate

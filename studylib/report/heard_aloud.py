"""Two boards to listen to: one of each wood of the pair that heads the page, tone and tap.

Each is heard alone, then both in turn, twice over (A B A B): as recorded, under one gain, and at
equal loudness (ITU-R BS.1770-5), for which the louder is turned down. The two answer different
questions, and each player says which.

The boards are not chosen by ear: of each wood it is the one nearest to the wood's mean in the
feature that heads the page, among those with a usable take of the kind, and of it the first such
take in takes.csv. A tone is heard where it was measured; a tap, the first good one, from just
before the knock, where the analysis of taps finds it, and at most to the next.

Conventions: the response channel, never resampled; the recorder's gain of a take (`gain_db`) is
undone. No sample exceeds a quarter of full scale. Sounds are FLAC in 16 bits as base64, a player a
note of what it is: 20 times `MOST_FRAMES` of 2 bytes make at most 2.8 MB, however badly FLAC packs.

Functions: `hear`, `players`, `in_turn`; `sound`, `faded` and `packed` for whoever else plays takes.
"""

import io
from base64 import b64encode
from html import escape

import numpy as np
import soundfile

from studylib import errors, recordings, register, words
from studylib.codes import holding, note
from studylib.measure.features import tone_order
from studylib.modes.gathered import Gathered
from studylib.report import answer, pages
from studylib.report.rivals.basis import basis_of
from studylib.report.summary import Summary
from studylib.sheets import Study, Take
from studylib.signal.loudness import integrated_loudness
from studylib.signal.tap import find_knocks
from studylib.stats import scales

MOST_FRAMES, LONGEST_S = 52_000, 1.5  # of one board's sound, whichever is shorter
PEAK, FADE_S, PAUSE_S, BEFORE_KNOCK_S = 0.25, 0.01, 0.3, 0.05


def hear(summary: Summary) -> pages.Shown:
    """The players, what they rest on, and a caution before the first; or why there are none."""
    told, found = players(summary)
    notes, caution = [*map(words.say, told)], holding((found, words.say("aloud.caution")))
    labels = [words.say(one) for one in found]
    html = [
        *(f"<p>{escape(one)}</p>" for one in notes),
        *(f'<blockquote class="heard"><p>{escape(one)}</p></blockquote>' for one in caution),
        *(
            f'<div class="heard"><p>{escape(label)}</p><audio controls="" preload="metadata" '
            f'aria-label="{escape(label)}" src="data:audio/flac;base64,{sound}"></audio></div>'
            for label, sound in zip(labels, found.values(), strict=True)
        ),
    ]
    return pages.Shown(html="".join(html), text="\n".join([*notes, *caution, *labels]))


def players(summary: Summary) -> tuple[list[str], dict[str, str]]:
    """Notes of what is heard, or of why something is not, and the page's players."""
    row, missing, found, heard = answer.lead(summary), [], {}, []
    if row is None or row.feature not in summary.measured:
        return ["aloud.no_pair"], {}
    usable, woods = basis_of(summary).takes, (row.wood_a, row.wood_b)
    boards = summary.means(row.feature).boards.set_index("specimen")["value"]
    for kind in ("tone", "tap"):
        try:
            takes = [_take(summary, row.feature, wood, kind, usable) for wood in woods]
            (a, rate_hz), (b, _) = (_at_bench_gain(summary, take) for take in takes)
            named = [summary.study.specimen(take.specimen).shown for take in takes]
            found |= in_turn(kind, named, a, b, rate_hz=rate_hz)
            heard += [
                {"wood": wood, "take": take.take, "mean": boards[take.specimen]}
                for wood, take in zip(woods, takes, strict=True)
            ]
        except errors.InputError as error:
            missing += error.notes
    chosen = note(
        "aloud.chosen",
        name=row.feature,
        unit=register.find(row.feature).unit,
        heard=heard,
        seconds=LONGEST_S,
        channel=summary.study.settings.channels.response_kind,
    )
    return [*holding((found, chosen)), *missing], found


def in_turn(
    kind: str, boards: list[str], a: np.ndarray, b: np.ndarray, *, rate_hz: int
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
    recorded = faded(np.array([a[:frames], b[:frames]]), rate_hz=rate_hz)
    recorded *= PEAK / max(np.abs(recorded).max(), np.finfo(float).tiny)
    loudness = np.array([integrated_loudness(x, rate_hz=rate_hz) for x in recorded])
    errors.InputError.refuse(
        not np.isfinite(loudness).all(), "aloud.silent", kind=kind, boards=boards
    )
    down_db, (quieter, louder) = loudness - loudness.min(), loudness.argsort()
    equal, pause = recorded / 10 ** (down_db[:, None] / 20), round(PAUSE_S * rate_hz)
    sounds = {note("aloud.alone", kind=kind, board=boards[i]): recorded[i] for i in (0, 1)} | {
        note(
            code,
            kind=kind,
            boards=boards,
            louder=boards[louder],
            quieter=boards[quieter],
            down_db=down_db[louder],
        ): np.tile(np.pad(pair, ((0, 0), (0, pause))).ravel(), 2)
        for code, pair in (("aloud.recorded", recorded), ("aloud.equal", equal))
    }
    return {label: packed(x, rate_hz) for label, x in sounds.items()}


def faded(x: np.ndarray, *, rate_hz: int) -> np.ndarray:
    """Sounds, shape (..., frames), faded in and out by half a cosine."""
    number = np.arange(x.shape[-1])
    ends = np.minimum(number, number[::-1]) / (FADE_S * rate_hz)
    return x * np.sin(np.pi / 2 * np.minimum(ends, 1.0)) ** 2


def packed(x: np.ndarray, rate_hz: int) -> str:
    """A sound as base64 of a FLAC file; floats with full scale at 1.0, or 16-bit numbers."""
    held = io.BytesIO()
    soundfile.write(held, x, rate_hz, format="FLAC", subtype="PCM_16")
    return b64encode(held.getvalue()).decode("ascii")


def _take(summary: Summary, feature: str, wood: str, kind: str, usable: tuple[Take, ...]) -> Take:
    """The take of a kind that stands for a wood."""
    means = summary.means(feature)
    own, middle = (t[t["wood"] == wood] for t in (means.boards, means.means))
    y = scales.analysis_values(
        [*own["value"], *middle["mean"]], [means.feature.scale] * (len(own) + 1)
    )
    found = [
        take
        for board in own["specimen"].iloc[np.argsort(np.abs(y[:-1] - y[-1]), kind="stable")]
        for take in usable
        if take.specimen == board and is_like(take, kind, summary.study)
    ]
    errors.InputError.refuse(not found, "aloud.no_take", kind=kind, wood=wood)
    return found[0]


def is_like(take: Take, kind: str, study: Study) -> bool:
    """Whether a take is the tone at full drive, or a tap on the bench where taps are compared."""
    return (
        tone_order(take, study.settings) == 1
        if kind == "tone"
        else take.kind == "tap" and take.support == "bench" and take.place == 1
    )


def _at_bench_gain(summary: Summary, take: Take) -> tuple[np.ndarray, int]:
    longest = {"tone": min(LONGEST_S, summary.study.settings.tone.length_s), "tap": LONGEST_S}
    x, rate, _ = sound(summary.study, summary.gathered, take, seconds=longest[take.kind])
    return x[:MOST_FRAMES] / 10 ** (take.gain_db / 20), rate


def sound(
    study: Study, gathered: Gathered, take: Take, *, seconds: float
) -> tuple[np.ndarray, int, float]:
    """What is heard of a tone or tap that passed its checks, as it stands in the file.

    Parameters
    ----------
    gathered : what was measured of it.
    seconds : its length; it is shorter where the recording or the ring ends before.

    Returns
    -------
    samples, shape (frames,); sampling rate, Hz; where in the recording it begins, s.

    Raises
    ------
    InputError : the recording cannot be read, or no tap in it is good.
    """
    path, channel = study.path_of(take), study.settings.channels.response - 1
    info, checks, modes = recordings.probe(path), gathered.quality, gathered.modes
    rate, end = info.rate_hz, info.frames
    if take.kind == "tone":
        settled = checks[checks["check"] == "window"].set_index("take")["value"]
        start = round(settled.get(take.take, study.settings.tone.skip_s or 0.0) * rate)
    else:
        good = modes.loc[(modes["take"] == take.take) & modes["usable"].astype(bool), "tap"]
        errors.InputError.refuse(good.empty, "aloud.no_tap", take=take.take)
        x = recordings.read_window(path, start=0, frames=end)[channel]
        knock = find_knocks(x, rate_hz=rate)[int(good.min()) - 1]
        start, end = max(knock.first - round(BEFORE_KNOCK_S * rate), 0), knock.end
    frames = min(round(seconds * rate), end - start)
    return recordings.read_window(path, start=start, frames=frames)[channel], rate, start / rate

"""What a cable from output to input tells: latency, both clocks, and whether samples are changed.

The signal is a short sweep, which finds the latency by cross-correlation, and a steady tone. The
tone is fitted (`signal.tone`) and taken away with its harmonics. What is left is the residual:
where it stands above the noise that was there before the signal, something changes the samples on
the way. A converter of rates in a server between program and device is the usual cause and raises
no flag; where device and stream agree on one rate, nothing but noise is left.

A recorder that loses or repeats samples moves all that follows in time, and so the phase of a tone
for good: `time_jump` finds that in any take of a steady tone.

Conventions: samples re full scale; dB relative to the tone.

Functions: `probe_signal`, `probed`, `remarks`, `time_jump`.
Source: the limits are common practice; the figures beside them were measured on a server in user
space (a null sink).
"""

from collections.abc import Mapping

import numpy as np
from scipy.signal import correlate

from studylib import codes, errors
from studylib.signal.stimuli import steady_tone
from studylib.signal.sweep import SweepShape, sweep_signal
from studylib.signal.tone import fit_tone, record_length

SWEEP = SweepShape(200.0, 3400.0, 0.5)  # below half of any rate that is recorded at
GAP_S, TONE_HZ, TONE_S, FADE_S = 0.3, 997.0, 2.0, 0.1
HARMONICS, BELOW = 10, 0.45  # of the rate
# A converter left -84 dB, none at all -151 dB; one clock leaves nothing, two of quartz some tens of
# ppm; the sweep is found again where it correlates.
CLEAN_DB, OVER_NOISE_DB, CLOCKS_PPM, LIKE = -100.0, 6.0, 5.0, 0.5
STEP_S, STEPS = 0.02, 5
LEAST_JUMP, OVER_USUAL = 2.0, 10.0  # samples; times what the phase moves anyway


def probe_signal(rate_hz: int, *, peak: float) -> np.ndarray:
    """(n,) the sweep, a pause, the tone, all at this peak."""
    sweep = peak * sweep_signal(SWEEP, rate_hz=rate_hz, fade_s=0.01)
    tone = steady_tone(TONE_HZ, rate_hz=rate_hz, seconds=TONE_S, peak=peak, fade_s=FADE_S)
    return np.concatenate([sweep, np.zeros(round(GAP_S * rate_hz)), tone])


def probed(before: np.ndarray, heard: np.ndarray, rate_hz: int, *, peak: float) -> dict[str, float]:
    """What became of `probe_signal`.

    Parameters
    ----------
    before : (m,), heard before the signal.
    heard : (n,), heard from the moment at which its first sample was handed over.
    peak : as it was played.

    Returns
    -------
    latency_s : from handing over to hearing.  gain_db : heard over played.  clocks_ppm : the
    input's clock against the output's.  residual_db, noise_db : what the tone leaves, and what was
    there before it, both relative to the tone.

    Raises
    ------
    InputError : the signal does not come back, or breaks off.
    """
    sweep = sweep_signal(SWEEP, rate_hz=rate_hz, fade_s=0.01)
    found = correlate(heard, sweep, mode="valid", method="fft")
    at = int(np.argmax(np.abs(found)))
    size = np.linalg.norm(heard[at : at + sweep.size]) * np.linalg.norm(sweep)
    start = at + sweep.size + round((GAP_S + 2 * FADE_S) * rate_hz)
    n = record_length(round((TONE_S - 2 * FADE_S) * rate_hz))
    tone = heard[start : start + n]
    errors.InputError.refuse(
        abs(found[at]) < LIKE * size or tone.size < n or not size, "record.no_loopback"
    )
    spectrum, count = np.fft.rfft(tone)[None], min(HARMONICS, int(BELOW * rate_hz / TONE_HZ))
    fit = fit_tone(spectrum, n=n, rate_hz=rate_hz, nominal_hz=TONE_HZ, harmonics=count)
    turns = np.arange(n)[:, None] * (fit.frequency_hz / rate_hz) * np.arange(count + 1)
    model = np.hstack([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns[:, 1:])])
    parts = np.linalg.lstsq(model, tone, rcond=None)[0]
    amplitude = float(np.hypot(parts[1], parts[count + 1]))

    def relative(x: np.ndarray) -> float:
        return float(10.0 * np.log10(max(2.0 * np.mean(x**2) / amplitude**2, 1e-30)))

    return {
        "latency_s": at / rate_hz,
        "gain_db": float(20.0 * np.log10(amplitude / peak)),
        "clocks_ppm": 1e6 * (fit.frequency_hz / TONE_HZ - 1.0),
        "residual_db": relative(tone - model @ parts),
        "noise_db": relative(before - before.mean()),
    }


def remarks(found: Mapping[str, float], *, rate_hz: int) -> list[str]:
    """What is to be said of what `probed` found, as notes; none where nothing changes samples."""
    left_db, clocks_ppm = found["residual_db"], found["clocks_ppm"]
    return codes.holding(
        (
            left_db > max(CLEAN_DB, found["noise_db"] + OVER_NOISE_DB),
            codes.note("record.converted", residual_db=left_db, rate_hz=rate_hz),
        ),
        (
            abs(clocks_ppm) > CLOCKS_PPM,
            codes.note("record.two_clocks", clocks_ppm=clocks_ppm),
        ),
    )


def time_jump(x: np.ndarray, *, rate_hz: int, tone_hz: float) -> float:
    """By how many samples a steady tone jumps in time, where it jumps most; 0 for not at all.

    Parameters
    ----------
    x : (n,), the tone at full strength throughout.

    Returns
    -------
    positive where samples are missing, known up to whole periods of the tone. What the phase does
    everywhere (noise, slow drift) is no jump: only what stands out of it tenfold, and moves the
    phase before and behind it apart for good.
    """
    width = round(max(STEP_S, 4 / tone_hz) * rate_hz)
    if (count := x.size // width) < 2 * STEPS + 2:
        return 0.0
    turned = x * np.exp(-2j * np.pi * tone_hz / rate_hz * np.arange(x.size))
    parts = turned[: count * width].reshape(count, width) @ np.hanning(width)
    steps = np.angle(parts[1:] * parts[:-1].conj())
    path = np.concatenate([[0.0], np.cumsum(steps - np.median(steps))])
    held = np.median(np.lib.stride_tricks.sliding_window_view(path, STEPS), axis=1)
    moved = (held[STEPS + 1 :] - held[: -STEPS - 1]) * rate_hz / (2 * np.pi * tone_hz)
    jump = float(moved[np.argmax(np.abs(moved))])
    least = max(LEAST_JUMP, OVER_USUAL * float(np.median(np.abs(moved))))
    return jump if abs(jump) > least else 0.0

"""Facts about the samples themselves: peak, mean, runs at the rails, clicks, steps of level.

A take may be looked at in pieces; `merge` joins what two pieces gave.

Conventions: one channel, samples in units of full scale (a full-scale sine has amplitude 1).

Functions: describe, smallest_step, is_sound, merge, allowed_run, block_levels_db, sharpest_corner.
Source: elementary; the crest of a sine is a parabola (`allowed_run`).
"""

from dataclasses import dataclass, replace

import numpy as np

BLOCK_S = 0.010
QUANTUM_FRAMES = 4096
STEP_16_BIT = 2.0**-15
LARGEST = 1e6  # times full scale: 120 dB above it no sample is a sound, and squares overflow
FLATTEST_CREST = 0.3  # of a sine's curvature: what a distortion of a few percent may leave


@dataclass(frozen=True)
class SampleFacts:
    """Facts about one channel.

    finite : every sample is a number of at most a million times full scale; False leaves the rest
    at 0.
    """

    frames: int
    finite: bool
    mean: float
    mean_square: float
    highest: float
    lowest: float
    run_high: int  # longest run of samples at the highest value (within one step)
    run_low: int
    step: float  # smallest step found between samples, at least that of the format
    click: float  # sharpest corner against that of the median 10 ms
    block_high_db: float  # loudest and quietest 10 ms against the median, dB
    block_low_db: float


def describe(
    x: np.ndarray, *, step: float, rate_hz: float, tone_hz: float | None = None
) -> SampleFacts:
    """Facts about one channel of a piece.

    Parameters
    ----------
    x : float (frames,), full scale = 1.
    step : smallest step of the format (2**-15 for 16 bit).
    tone_hz : blocks of level then hold whole periods of it; None leaves blocks and clicks out.
    """
    if not is_sound(x):
        return SampleFacts(x.size, False, 0.0, 0.0, 0.0, 0.0, 0, 0, step, 0.0, 0.0, 0.0)
    high, low, mean = float(x.max()), float(x.min()), float(x.mean())
    step = smallest_step(x, step)
    loud = quiet = click = 0.0
    if tone_hz:
        loud, quiet = block_levels_db(x, mean=mean, rate_hz=rate_hz, tone_hz=tone_hz)
        click = sharpest_corner(x, rate_hz=rate_hz, tone_hz=tone_hz)
    return SampleFacts(
        frames=x.size,
        finite=True,
        mean=mean,
        # In one thread; a threaded dot product of this size costs more than it saves.
        mean_square=float(np.einsum("i,i->", x, x)) / x.size,
        highest=high,
        lowest=low,
        run_high=_longest_run(x >= high - step),
        run_low=_longest_run(x <= low + step),
        step=step,
        click=click,
        block_high_db=loud,
        block_low_db=quiet,
    )


def smallest_step(x: np.ndarray, step: float) -> float:
    """The smallest step between neighbours, at most 16-bit's, which a wider format may hold.

    step : the smallest one of the format.
    """
    steps = np.abs(np.diff(x[:QUANTUM_FRAMES]))
    return max(step, float(steps[steps > 0].min(initial=STEP_16_BIT))) if steps.any() else step


def is_sound(x: np.ndarray) -> bool:
    """Every sample is a number, and none is larger than a million times full scale."""
    # A NaN is the largest and smallest of all, and compares as False.
    return bool(x.min() >= -LARGEST and x.max() <= LARGEST)


def _longest_run(inside: np.ndarray) -> int:
    place = np.flatnonzero(inside)
    if place.size < 2:
        return int(place.size)
    # A run is broken wherever the next place is not the neighbour.
    ends = np.flatnonzero(np.diff(place) != 1)
    return int(np.diff(np.concatenate([[-1], ends, [place.size - 1]])).max())


def allowed_run(*, peak: float, step: float, tone_hz: float, rate_hz: float) -> int:
    """Samples that an unclipped tone of this peak spends within two steps of its crest, plus 2.

    The crest is a parabola: peak (1 - c (w t)^2 / 2) stays within 2 steps for
    2 sqrt(4 step / (c peak)) / w samples, w in radians a sample. c is 1 for a pure sine;
    harmonics may flatten the crest (FLATTEST_CREST).
    """
    if peak <= 0:
        return 2
    crest = 2.0 * np.sqrt(4.0 * step / (FLATTEST_CREST * peak)) / (2.0 * np.pi * tone_hz / rate_hz)
    return 2 + int(np.ceil(crest))


def _block_frames(rate_hz: float, tone_hz: float) -> int:
    """Whole periods of the tone, at least one, of about 10 ms."""
    return round(max(1, round(BLOCK_S * tone_hz)) * rate_hz / tone_hz)


def block_levels_db(
    x: np.ndarray, *, mean: float, rate_hz: float, tone_hz: float
) -> tuple[float, float]:
    """Loudest and quietest block of about 10 ms (whole periods) against the median block, dB.

    The record's mean is taken off first: a recorder's offset would hide a dropout.
    """
    size = _block_frames(rate_hz, tone_hz)
    count = x.size // size
    if count < 3:
        return 0.0, 0.0
    blocks = x[: count * size].reshape(count, size)
    power = np.einsum("ij,ij->i", blocks, blocks)
    power += mean * (size * mean - 2.0 * blocks.sum(axis=1))
    middle = _median(power)
    return (
        (0.0, 0.0)
        if middle <= 0
        else (
            10.0 * float(np.log10(power.max() / middle)),
            10.0 * float(np.log10(max(float(power.min()), middle * 1e-20) / middle)),
        )
    )


def sharpest_corner(x: np.ndarray, *, rate_hz: float, tone_hz: float) -> float:
    """Largest second difference over that of the median block of about 10 ms (whole periods).

    A buzz that comes back with every period stays near 1; a single click stands out.
    """
    bend = np.diff(x, n=2)
    np.abs(bend, out=bend)
    size = _block_frames(rate_hz, tone_hz)
    count = bend.size // size
    if count < 3:
        return 0.0
    blocks = bend[: count * size].reshape(count, size).max(axis=1)
    sharpest = max(float(blocks.max()), float(bend[count * size :].max(initial=0.0)))
    middle = _median(blocks)
    return sharpest / middle if middle > 0 else 0.0


def _median(values: np.ndarray) -> float:
    """The upper median; on some 100 values far quicker than NumPy's."""
    return float(np.sort(values)[values.size // 2])


def merge(a: SampleFacts, b: SampleFacts) -> SampleFacts:
    """Facts about two pieces of one take together."""
    frames = a.frames + b.frames
    share = a.frames / frames

    def run_at(field: str, extreme: str, sign: int) -> int:
        top_a, top_b = sign * getattr(a, extreme), sign * getattr(b, extreme)
        return max(
            [getattr(x, field) for x, top in ((a, top_a), (b, top_b)) if top >= max(top_a, top_b)]
        )

    return replace(
        a,
        frames=frames,
        finite=a.finite and b.finite,
        mean=share * a.mean + (1 - share) * b.mean,
        mean_square=share * a.mean_square + (1 - share) * b.mean_square,
        highest=max(a.highest, b.highest),
        lowest=min(a.lowest, b.lowest),
        run_high=run_at("run_high", "highest", 1),
        run_low=run_at("run_low", "lowest", -1),
        step=max(a.step, b.step),
        click=max(a.click, b.click),
        block_high_db=max(a.block_high_db, b.block_high_db),
        block_low_db=min(a.block_low_db, b.block_low_db),
    )

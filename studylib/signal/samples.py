"""Facts about the samples themselves: peak, mean, runs at the rails, clicks, steps of level.

A take may be looked at in pieces; `merge` joins what two pieces gave.

Conventions: one channel, samples in units of full scale (a full-scale sine has amplitude 1).

Functions: describe, merge, allowed_run, block_levels_db.
Source: elementary; the crest of a sine is a parabola (`allowed_run`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

BLOCK_S = 0.010


@dataclass(frozen=True)
class SampleFacts:
    """Facts about one channel; `finite` False leaves the rest at 0."""

    frames: int
    finite: bool
    mean: float
    mean_square: float
    highest: float
    lowest: float
    run_high: int  # longest run of samples at the highest value (within one step)
    run_low: int
    click: float  # largest second difference over its rms
    block_high_db: float  # loudest and quietest 10 ms against the median, dB
    block_low_db: float

    @property
    def peak(self) -> float:
        """Largest magnitude, full scale = 1."""
        return max(abs(self.highest), abs(self.lowest))

    @property
    def run(self) -> int:
        """Longest run at either rail, in samples."""
        return max(self.run_high, self.run_low)


def describe(
    x: np.ndarray, *, step: float, rate_hz: float, tone_hz: float | None = None
) -> SampleFacts:
    """Facts about one channel of a piece.

    Parameters
    ----------
    x : float (frames,), full scale = 1.
    step : smallest step of the format (2**-15 for 16 bit).
    tone_hz : blocks of level then hold whole periods of it; None leaves the blocks out.
    """
    square = _sum_of_squares(x)
    if not np.isfinite(square):
        return SampleFacts(x.size, False, 0.0, 0.0, 0.0, 0.0, 0, 0, 0.0, 0.0, 0.0)
    high, low = float(x.max()), float(x.min())
    bend = x[2:] + x[:-2]
    bend -= x[1:-1]
    bend -= x[1:-1]
    rms = np.sqrt(_sum_of_squares(bend) / max(bend.size, 1))
    click = max(float(bend.max()), -float(bend.min())) / rms if bend.size and rms > 0 else 0.0
    loud, quiet = block_levels_db(x, rate_hz=rate_hz, tone_hz=tone_hz) if tone_hz else (0.0, 0.0)
    return SampleFacts(
        frames=x.size,
        finite=True,
        mean=float(x.mean()),
        mean_square=square / x.size,
        highest=high,
        lowest=low,
        run_high=_longest_run(x >= high - step),
        run_low=_longest_run(x <= low + step),
        click=click,
        block_high_db=loud,
        block_low_db=quiet,
    )


def _sum_of_squares(x: np.ndarray) -> float:
    # einsum stays in one thread; a threaded dot product of this size costs more than it saves.
    return float(np.einsum("i,i->", x, x))


def _longest_run(inside: np.ndarray) -> int:
    place = np.flatnonzero(inside)
    if place.size < 2:
        return int(place.size)
    # A run is broken wherever the next place is not the neighbour.
    ends = np.flatnonzero(np.diff(place) != 1)
    edges = np.concatenate([[-1], ends, [place.size - 1]])
    return int(np.diff(edges).max())


def allowed_run(*, peak: float, step: float, tone_hz: float, rate_hz: float) -> int:
    """Samples that an unclipped sine of this peak spends within two steps of its crest, plus 3.

    The crest is a parabola: peak (1 - (w t)^2 / 2) stays within 2 steps for
    2 sqrt(4 step / peak) / w samples, w in radians a sample.
    """
    if peak <= 0:
        return 3
    crest = 2.0 * np.sqrt(4.0 * step / peak) / (2.0 * np.pi * tone_hz / rate_hz)
    return 3 + int(np.ceil(crest))


def block_levels_db(x: np.ndarray, *, rate_hz: float, tone_hz: float) -> tuple[float, float]:
    """Loudest and quietest block of about 10 ms (whole periods) against the median block, dB."""
    periods = max(1, round(BLOCK_S * tone_hz))
    size = round(periods * rate_hz / tone_hz)
    count = x.size // size
    if count < 3:
        return 0.0, 0.0
    blocks = x[: count * size].reshape(count, size)
    power = np.einsum("ij,ij->i", blocks, blocks)
    middle = float(np.median(power))
    if middle <= 0:
        return 0.0, 0.0
    tiny = middle * 1e-20
    return (
        10.0 * float(np.log10(power.max() / middle)),
        10.0 * float(np.log10(max(float(power.min()), tiny) / middle)),
    )


def merge(a: SampleFacts, b: SampleFacts) -> SampleFacts:
    """Facts about two pieces of one take together."""
    frames = a.frames + b.frames
    share = a.frames / frames

    def run_at(field: str, extreme: str, sign: int) -> int:
        top_a, top_b = sign * getattr(a, extreme), sign * getattr(b, extreme)
        runs = [
            getattr(x, field) for x, top in ((a, top_a), (b, top_b)) if top >= max(top_a, top_b)
        ]
        return max(runs)

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
        click=max(a.click, b.click),
        block_high_db=max(a.block_high_db, b.block_high_db),
        block_low_db=min(a.block_low_db, b.block_low_db),
    )

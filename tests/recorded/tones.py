"""Held tones of real instruments: the library's harmonics against peaks at free frequencies.

    OPENBLAS_NUM_THREADS=1 python -m tests.recorded.tones FOLDER [--only WORDS]

FOLDER was written by `tests.recorded.extract`. Each tone of `sustained.csv` is measured from a
third of its length on. The other side knows nothing of a series: every partial is the highest peak
of a zero-padded FFT under Hann's window within 3 % of a multiple of the pitch (a parabola through
three points); levels are those of the sinusoids at these frequencies that together leave the least
squares, without a window: as the library's, a mean over the whole stretch.

Printed for each tone: whether its harmonics are usable and why not; over those within 40 dB of the
strongest, the largest deviation of a partial from its multiple, in cents, and the largest
difference of level. A usable level that is off by more than half a decibel and twice its stated
uncertainty is what must not happen.

Functions: partials, compared.
"""

from __future__ import annotations

import argparse
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

import studylib as st
from studylib.errors import StudyError
from tests.recorded.score import read_list, read_stroke

HARMONICS = 12
WITHIN_DB = 40.0
PITCH_HZ = (27.0, 4200.0)
REACH = 0.03
PADDED = 16
OFF_DB = 0.5


class Partial(NamedTuple):
    """One partial: its number, Hz, peak amplitude in dB re full scale."""

    number: int
    frequency_hz: float
    level_db: float


class Compared(NamedTuple):
    """One tone. cents, off_db, u_db : by harmonic; reasons : why rows are unusable, by harmonic."""

    pitch_hz: float
    cents: dict[int, float]
    off_db: dict[int, float]
    u_db: dict[int, float]
    reasons: dict[int, str]
    failed: str


def pitch_of(samples: np.ndarray, rate_hz: float) -> float:
    """Hz, from the first lag whose autocorrelation is nearly the highest."""
    n = len(samples)
    power = np.abs(np.fft.rfft(samples * np.hanning(n), 2 * n)) ** 2
    alike = np.fft.irfft(power)[:n] / np.maximum(1.0 - np.arange(n) / n, 0.2)
    low, high = int(rate_hz / PITCH_HZ[1]), min(int(rate_hz / PITCH_HZ[0]), n // 2)
    inner = alike[low:high]
    tops = np.flatnonzero((inner[1:-1] > inner[:-2]) & (inner[1:-1] >= inner[2:])) + 1
    lag = low + int(tops[np.argmax(inner[tops] > 0.93 * inner[tops].max())])
    return _peak(samples, rate_hz, rate_hz / lag, 1.0 / lag + 0.02)


def partials(samples: np.ndarray, rate_hz: float, pitch_hz: float) -> list[Partial]:
    """The partials near the multiples of a pitch, each by itself."""
    highest = min(HARMONICS, int(0.45 * rate_hz / pitch_hz))
    at = [_peak(samples, rate_hz, k * pitch_hz, REACH) for k in range(1, highest + 1)]
    turns = np.outer(np.arange(len(samples)), 2.0 * np.pi * np.array(at) / rate_hz)
    columns = np.hstack([np.cos(turns), np.sin(turns)])
    c = np.linalg.solve(columns.T @ columns, columns.T @ samples)
    size = np.hypot(c[:highest], c[highest:])
    return [Partial(k + 1, at[k], 20.0 * np.log10(size[k] + 1e-30)) for k in range(highest)]


def _peak(samples: np.ndarray, rate_hz: float, near_hz: float, reach: float) -> float:
    """Frequency of the highest peak near a frequency."""
    n = len(samples)
    size = _transform(samples.tobytes(), n)
    step = rate_hz / (PADDED * n)
    first = max(int(near_hz * (1 - reach) / step), 1)
    last = min(int(near_hz * (1 + reach) / step) + 1, len(size) - 2)
    k = first + int(np.argmax(size[first : last + 1]))
    left, middle, right = np.log(size[k - 1 : k + 2] + 1e-30)
    return (k + 0.5 * (left - right) / min(left - 2.0 * middle + right, -1e-12)) * step


@lru_cache(maxsize=1)
def _transform(samples: bytes, n: int) -> np.ndarray:
    return np.abs(np.fft.rfft(np.frombuffer(samples) * np.hanning(n), PADDED * n))


def compared(path: Path) -> Compared:
    """One recording, measured by both sides."""
    samples, rate = read_stroke(path)
    skip = len(samples) / rate / 3.0
    length = 0.98 * (len(samples) / rate - skip)
    held = samples[round(skip * rate) : round((skip + length) * rate)]
    pitch = pitch_of(held, rate)
    found = partials(held, rate, pitch)
    top = max(partial.level_db for partial in found)
    found = [partial for partial in found if partial.level_db > top - WITHIN_DB]
    series = found[int(np.argmax([partial.level_db for partial in found]))]
    unit = series.frequency_hz / series.number
    cents = {p.number: 1200.0 * np.log2(p.frequency_hz / (p.number * unit)) for p in found}
    try:
        rows = st.measure_take(
            path, tone_hz=pitch, harmonics=HARMONICS, skip_s=skip, length_s=length
        ).set_index("feature")
    except StudyError as error:
        return Compared(pitch, cents, {}, {}, {}, str(error).splitlines()[0])
    off, u, reasons = {}, {}, {}
    for partial in found:
        name = f"tone.h{partial.number}.level_db"
        if name in rows.index:
            off[partial.number] = float(rows.loc[name, "value"]) - partial.level_db
            u[partial.number] = float(rows.loc[name, "u"])
            reasons[partial.number] = "" if rows.loc[name, "usable"] else rows.loc[name, "reason"]
    return Compared(pitch, cents, off, u, reasons, "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=[])
    wanted = parser.parse_args()
    usable, silent, every = 0, [], []
    for row in read_list("sustained"):
        name = f"{row['file']} {row['object']}".lower()
        if wanted.only and not any(word.lower() in name for word in wanted.only):
            continue
        told = compared(wanted.folder / row["file"])
        used = [k for k, why in told.reasons.items() if not why]
        usable += bool(used)
        every += [told.off_db[k] for k in used]
        silent += [
            (row["file"], k, told.off_db[k], told.u_db[k])
            for k in used
            if abs(told.off_db[k]) > max(OFF_DB, 2.0 * told.u_db[k])
        ]
        cents = max(map(abs, told.cents.values()), default=np.nan)
        off = max(map(abs, told.off_db.values()), default=np.nan)
        why = told.failed or next((why for why in told.reasons.values() if why), "")
        print(
            f"{row['file'][-30:]:30s} {told.pitch_hz:8.2f} Hz  usable {len(used):2d} of "
            f"{len(told.off_db):2d}  most {cents:6.1f} cents, {off:5.2f} dB  {why[:90]}",
            flush=True,
        )
    print(f"\ntones with usable harmonics {usable}; median difference of their levels", end=" ")
    print(f"{np.median(np.abs(every)) if every else np.nan:.3f} dB; off by more than {OFF_DB} dB:")
    for file, k, off, u in silent:
        print(f"  {file} harmonic {k}: {off:+.2f} dB, u {u:.2f} dB")


if __name__ == "__main__":
    main()

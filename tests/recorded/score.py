"""The library's taps on recorded strokes, against four methods that share nothing with it.

    OPENBLAS_NUM_THREADS=1 python -m tests.recorded.score FOLDER [--only WORDS] [--kind stroke]
        [--list strokes] [--ahead quiet] [--to DIRECTORY]

FOLDER was written by `tests.recorded.extract`. Each stroke of the list gets 0.2 s put in
front of it (quiet: noise 80 dB below its peak; silence; nothing: the file begins at the stroke)
and goes through `measure_taps`. Printed are one line a stroke and a summary; `strokes.csv` and
`modes.csv` in the directory hold all numbers.

    accepted     the tap at the stroke has modes
    frequency    the highest peak of the transform is one of ours, within 0.1 %; and ours that is
                 strongest by energy, by initial amplitude, by its height in the transform is it;
                 confirmed: the subspace has that peak as well; steady: it stays where it is when
                 the ring begins later or ends earlier (those of clicks, rooms and gliding pitches
                 do not); alike: steady, and the two methods agree within 0.1 %; the same words
                 are used of every mode
    lost         transform and subspace both find it within 20 dB, ours does not
    spurious     ours within 20 dB, with neither a peak of the transform nor a pole of the subspace
    decay        ours within 10 % where the subspace agrees with envelope or integral within 10 %;
                 straight where the envelope falls late as it does early, within a quarter
                 (lost, spurious and decay are counted where the two find at most 16 modes: a
                 click with more of them is a noise, whose peaks nobody would list)
    excluded     two standard uncertainties around our decay hold none of at least two methods, and
                 neither a flag of the mode nor a sign of the tap says a word

Two methods may both follow the room, and a single slope is not what a mode of two stages has: look
at the disagreements before calling either side wrong.

In a line ? stands for a peak that is not confirmed, ~ for one that is not steady, ! for a decay
whose interval holds no method.

Functions: read_list, scored, summary. Stroke, Matched.
"""

from __future__ import annotations

import argparse
import csv
import inspect
import sys
import time
from collections import Counter
from dataclasses import dataclass, field, fields
from pathlib import Path

import numpy as np
import soundfile

from studylib.codes import code_of
from studylib.signal.tap import Tap, measure_taps
from tests.recorded.methods import (
    CONTACT_S,
    WITHIN_DB,
    Mode,
    agreed_modes,
    decay_rates,
    height_of,
    peaks,
    ring_of,
    staying,
)

LISTS = Path(__file__).parent
AHEAD_S, QUIET = 0.2, 1e-4
CLOSE_ENOUGH, AGREE = 1e-3, 0.1
STRAIGHT = (0.8, 1.25)  # late slope over early one
NEAR, NEAR_HZ = 3e-3, 0.3  # relative, and at least: the same mode
NOT_SPURIOUS, NOT_SPURIOUS_HZ = 0.01, 2.0  # the same for a peak nearby
MOST = 16
FACTS = {"lowest_hz": 40.0, "highest_hz": None, "most": MOST}


@dataclass
class Matched:
    """A mode that two methods find, beside ours; nan and "" where there is none."""

    file: str
    kind: str
    frequency_hz: float
    level_db: float
    subspace: float
    envelope: float
    integral: float
    bend: float
    steady: bool = False
    alike: bool = False
    ours_hz: float = np.nan
    ours: float = np.nan
    u: float = np.nan
    word: str = ""

    @property
    def methods(self) -> np.ndarray:
        every = np.array([self.subspace, self.envelope, self.integral])
        return every[np.isfinite(every)]

    @property
    def agreed(self) -> float:
        """The decay on which the subspace and another method agree; nan where none does."""
        both = [m for m in (self.envelope, self.integral) if abs(m / self.subspace - 1) < AGREE]
        return float(np.mean([self.subspace, *both])) if both else np.nan

    @property
    def excluded(self) -> bool:
        """Whether our interval holds no method's decay, where at least two of them give one."""
        off = np.abs(self.methods - self.ours) > 2.0 * self.u
        return len(off) > 1 and bool(off.all())

    @property
    def outside(self) -> bool:
        """Excluded, and not between them either."""
        beyond = (self.ours > self.methods.max()) or (self.ours < self.methods.min())
        return self.excluded and bool(beyond)


@dataclass
class Stroke:
    """One stroke: what became of it, and the modes of both sides."""

    file: str
    kind: str
    seconds: float
    peak_hz: float  # of the transform
    confirmed: bool  # by the subspace
    steady: bool  # the same in other stretches of the ring
    alike: bool  # and the subspace has it within a thousandth
    processor_s: float
    taps: int
    accepted: bool
    reason: str = ""
    nearest: float = np.nan  # our frequency nearest to that peak, relative
    by_energy: float = np.nan  # our strongest against that peak, relative
    by_amplitude: float = np.nan
    by_height: float = np.nan
    ours: int = 0
    ours_within: int = 0
    spurious: list[float] = field(default_factory=list)
    modes: list[Matched] = field(default_factory=list)


def read_list(name: str = "strokes") -> list[dict[str, str]]:
    """The rows of a list of recordings."""
    with open(LISTS / f"{name}.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def read_stroke(path: Path) -> tuple[np.ndarray, float]:
    """First channel and rate in Hz."""
    samples, rate = soundfile.read(path, always_2d=True)
    return samples[:, 0].copy(), float(rate)


def put_ahead(samples: np.ndarray, rate_hz: float, ahead: str) -> np.ndarray:
    """The recording with what stands in front of it."""
    n = round(AHEAD_S * rate_hz) if ahead != "nothing" else 0
    noise = np.random.default_rng(172).standard_normal(n) * QUIET * np.abs(samples).max()
    return np.concatenate([noise if ahead == "quiet" else np.zeros(n), samples])


def take_measured(x: np.ndarray, rate_hz: float) -> tuple[list[Tap], float]:
    """The taps of a recording made through the air, and the processor seconds they took."""
    about = dict(FACTS, rate_hz=rate_hz)
    if "through_air" in inspect.signature(measure_taps).parameters:
        about["through_air"] = True
    start = time.process_time()
    taps = measure_taps(x, **about)
    return taps, time.process_time() - start


def scored(samples: np.ndarray, rate_hz: float, *, file: str, kind: str, ahead: str) -> Stroke:
    """One stroke measured by both sides."""
    ring = ring_of(samples, rate_hz)
    onset = int(np.argmax(np.abs(samples) > 0.2 * np.abs(samples).max())) / rate_hz
    found, heights = peaks(ring, rate_hz)
    both, anything = agreed_modes(ring, rate_hz)
    x = put_ahead(samples, rate_hz, ahead)
    onset += (len(x) - len(samples)) / rate_hz
    taps, took = take_measured(x, rate_hz)
    tap = min(taps, key=lambda tap: abs(tap.start_s - onset), default=None)
    stroke = Stroke(
        file=file,
        kind=kind,
        seconds=len(samples) / rate_hz,
        peak_hz=float(found[0]) if len(found) else np.nan,
        confirmed=bool(both) and len(found) > 0 and both[0].frequency_hz == found[0],
        steady=bool(len(found)) and bool(staying(ring, rate_hz, found[:1])[0]),
        alike=False,
        processor_s=took,
        taps=len(taps),
        accepted=tap is not None and tap.decays is not None,
        reason=str(code_of(tap.reason)) if tap and tap.reason else "" if tap else "no tap found",
    )
    top = heights[0] if len(found) else 1.0
    stroke.modes = [_matched(mode, stroke, ring, rate_hz, found, top) for mode in both]
    kept = staying(ring, rate_hz, np.array([mode.frequency_hz for mode in both]))
    for mode, found_by, steady in zip(stroke.modes, both, kept, strict=True):
        off = abs(found_by.other_hz / mode.frequency_hz - 1.0)
        mode.steady, mode.alike = bool(steady), bool(steady) and off < CLOSE_ENOUGH
    stroke.alike = stroke.confirmed and stroke.modes[0].alike
    if stroke.accepted:
        _compare(stroke, tap, onset + CONTACT_S, len(ring), rate_hz, anything)
    return stroke


def _matched(mode: Mode, stroke: Stroke, ring, rate_hz, found, top) -> Matched:
    others = found[np.abs(found - mode.frequency_hz) > 1e-9]
    rates = decay_rates(ring, rate_hz, mode.frequency_hz, others)
    level = 20.0 * np.log10(mode.height / top)
    return Matched(stroke.file, stroke.kind, mode.frequency_hz, level, mode.rate, **rates)


def _compare(
    stroke: Stroke, tap: Tap, ring_s: float, n: int, rate_hz: float, anything: list[float]
) -> None:
    d = tap.decays
    rates = np.pi * d.frequency_hz * d.loss_factor
    later = d.amplitude * np.exp(np.clip(rates * (tap.start_s - ring_s), -50, 50))
    heights = np.array([height_of(*one, n, rate_hz) for one in zip(rates, later, strict=True)])
    for name, strength in (
        ("energy", d.amplitude**2 / rates),
        ("amplitude", d.amplitude),
        ("height", heights),
    ):
        off = d.frequency_hz[int(np.argmax(strength))] / stroke.peak_hz - 1.0
        setattr(stroke, f"by_{name}", float(off))
    off = d.frequency_hz / stroke.peak_hz - 1.0
    stroke.nearest = float(off[np.argmin(np.abs(off))])
    stroke.ours = len(rates)
    within = heights > 10 ** (-WITHIN_DB / 20) * heights.max()
    stroke.ours_within = int(within.sum())
    near = np.array(anything) if anything else np.array([np.inf])
    for f, rate in zip(d.frequency_hz[within], rates[within], strict=True):
        reach = max(NOT_SPURIOUS * f, NOT_SPURIOUS_HZ, rate / np.pi)
        if np.min(np.abs(near - f)) > reach:
            stroke.spurious.append(float(f))
    free = np.ones(len(rates), bool)
    for mode in stroke.modes:
        reach = np.maximum(max(NEAR * mode.frequency_hz, NEAR_HZ), 0.5 * rates / np.pi)
        same = np.flatnonzero(free & (np.abs(d.frequency_hz - mode.frequency_hz) < reach))
        if len(same):
            i = int(same[np.argmax(heights[same])])
            free[i] = False
            mode.ours_hz, mode.ours = float(d.frequency_hz[i]), float(rates[i])
            mode.u = float(np.pi * d.frequency_hz[i] * d.u_loss_factor[i])
            mode.word = _word(tap, i)


def _word(tap: Tap, i: int) -> str:
    """What is said about a decay besides its interval."""
    flags = [name for name in ("close", "misfit", "hidden") if _flag(tap.decays, name, i)]
    signs = [str(code_of(sign.what)) for sign in getattr(tap, "signs", ())]
    return " ".join([*flags, *signs])


def _flag(decays, name: str, i: int) -> bool:
    marks = getattr(decays, name, None)
    return marks is not None and bool(marks[i])


def summary(strokes: list[Stroke]) -> str:
    """Shares over some strokes, as lines of text."""
    few = [stroke for stroke in strokes if len(stroke.modes) <= MOST]
    modes = [mode for stroke in few for mode in stroke.modes if stroke.accepted]
    held = [mode for mode in modes if np.isfinite(mode.ours)]
    agreed = [mode for mode in held if np.isfinite(mode.agreed)]
    errors = np.array([mode.ours / mode.agreed - 1.0 for mode in agreed])
    straight = np.array([STRAIGHT[0] < mode.bend < STRAIGHT[1] for mode in agreed], bool)
    times = np.array([stroke.processor_s for stroke in strokes])
    accepted = [stroke for stroke in strokes if stroke.accepted]
    within = sum(stroke.ours_within for stroke in few)
    tried = [mode for mode in held if len(mode.methods) > 1]
    off = [mode for mode in tried if mode.excluded]
    silent = [mode for mode in off if not mode.word]
    beyond = [mode for mode in silent if mode.outside]
    lines = [
        f"accepted            {_share(len(accepted), len(strokes))}",
        f"processor time      median {np.median(times):.2f} s, most {times.max():.2f} s",
    ]
    for name in ("nearest", "by_height", "by_energy", "by_amplitude"):
        good = sum(abs(getattr(stroke, name)) < CLOSE_ENOUGH for stroke in accepted)
        lines.append(
            f"frequency {name:13s} {_share(good, len(strokes))} of all, "
            f"{_share(good, len(accepted))} of the accepted"
        )
    for name in ("confirmed", "steady", "alike"):
        sure = [stroke for stroke in strokes if getattr(stroke, name)]
        good = sum(abs(stroke.nearest) < CLOSE_ENOUGH for stroke in sure)
        lines.append(f"  nearest, {name:10s} {_share(good, len(sure))}")
    lines += [
        f"lost                {_lost(modes)}",
        f"  of the steady      {_lost([mode for mode in modes if mode.steady])}",
        f"  and alike          {_lost([mode for mode in modes if mode.alike])}",
        f"spurious            {_share(sum(len(stroke.spurious) for stroke in few), within)}",
        f"decay within 10 %   {_within(errors, 0.10)}",
        f"  where it is straight {_within(errors[straight], 0.10)}",
        f"decay within 25 %   {_within(errors, 0.25)}",
        f"ours over theirs    {1.0 + _middle(errors):.3f} in the median",
        f"interval, agreed    {_share(sum(_holds(mode) for mode in agreed), len(agreed))}"
        " hold the decay on which two methods agree, 5 % apart from it at most",
        f"excludes every method {_share(len(off), len(tried))}, without a word "
        f"{len(silent)}, of these not between the methods {len(beyond)}",
    ]
    refused = Counter(stroke.reason for stroke in strokes if not stroke.accepted)
    lines += [f"refused             {count} {reason}" for reason, count in refused.most_common()]
    return "\n".join(lines)


def _holds(mode: Matched) -> bool:
    return abs(mode.ours - mode.agreed) <= 2.0 * mode.u + 0.05 * mode.agreed


def _middle(errors: np.ndarray) -> float:
    return float(np.median(errors)) if len(errors) else np.nan


def _lost(modes: list[Matched]) -> str:
    return _share(sum(not np.isfinite(mode.ours) for mode in modes), len(modes))


def _within(errors: np.ndarray, most: float) -> str:
    return _share(int(np.sum(np.abs(errors) < most)), len(errors))


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100.0 * part / whole:.1f} %)" if whole else "none"


def _line(stroke: Stroke) -> str:
    told = f"{'ok' if stroke.accepted else 'NO':2s} {stroke.processor_s:6.2f} s "
    marks = f"{' ' if stroke.confirmed else '?'}{' ' if stroke.steady else '~'}"
    told += f"{stroke.peak_hz:8.1f} Hz{marks} "
    if not stroke.accepted:
        return told + stroke.reason
    lost = sum(not np.isfinite(mode.ours) for mode in stroke.modes)
    told += f"off {100 * stroke.nearest:7.3f} %  lost {lost} of {len(stroke.modes)}  "
    told += f"spurious {len(stroke.spurious)} of {stroke.ours_within}  "
    if len(stroke.modes) > MOST:
        return told + "a noise"
    told += "decays "
    return told + " ".join(
        f"{mode.ours:.1f}+-{2 * mode.u:.1f}/{mode.agreed:.1f}{'!' if mode.excluded else ''}"
        for mode in stroke.modes
        if np.isfinite(mode.ours)
    )


def write(strokes: list[Stroke], folder: Path) -> None:
    """Both tables as CSV files."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = [one.name for one in fields(Stroke) if one.name not in ("modes", "spurious")]
    with open(folder / "strokes.csv", "w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow([*kept, "spurious_hz"])
        for stroke in strokes:
            told = " ".join(f"{f:.1f}" for f in stroke.spurious)
            rows.writerow([*(getattr(stroke, name) for name in kept), told])
    with open(folder / "modes.csv", "w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        names = [one.name for one in fields(Matched)]
        rows.writerow([*names, "agreed", "excluded"])
        for mode in (mode for stroke in strokes for mode in stroke.modes):
            rows.writerow([*(getattr(mode, name) for name in names), mode.agreed, mode.excluded])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="what tests.recorded.extract wrote")
    parser.add_argument("--only", nargs="*", default=[], help="files whose name or object has it")
    parser.add_argument("--kind", choices=("stroke", "membrane", "glide"))
    parser.add_argument("--list", default="strokes", help="strokes, or apart")
    parser.add_argument("--ahead", choices=("quiet", "silence", "nothing"), default="quiet")
    parser.add_argument("--to", type=Path, help="where the tables are written")
    wanted = parser.parse_args()
    strokes = []
    for row in read_list(wanted.list):
        name = f"{row['file']} {row['object']}".lower()
        if wanted.only and not any(word.lower() in name for word in wanted.only):
            continue
        if wanted.kind and row["category"] != wanted.kind:
            continue
        samples, rate = read_stroke(wanted.folder / row["file"])
        about = {"file": row["file"], "kind": row["category"], "ahead": wanted.ahead}
        strokes.append(scored(samples, rate, **about))
        print(f"{row['file'][-34:]:34s} {_line(strokes[-1])}", flush=True)
    if not strokes:
        sys.exit("no stroke of the list has that name or kind")
    for kind in ("stroke", "membrane", "glide"):
        if some := [stroke for stroke in strokes if stroke.kind == kind]:
            print(f"\n== {kind} ({wanted.ahead} ahead) ==\n{summary(some)}")
    if wanted.to:
        write(strokes, wanted.to)


if __name__ == "__main__":
    main()

"""How long after a recording is complete `study check --watch` has its line: at most 2 s wanted.

Real files are written into a study's recordings while the watch runs in a thread; the time runs
from the end of writing to the line, by the clock, because somebody stands there and waits: measure
on a machine that does nothing else. As a floor stands the processor time of measuring the same take
alone.

Then the processor time of the first look alone at what may take long, at 96 kHz and two channels: a
tone of 10 s, one whose recorder ran 1 s early, a sweep, six taps in 10 s, the same with three
bounces each, and a recording that is one step.

    python -m tests.benchmarks.watch
"""

from __future__ import annotations

import queue
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile

from studylib.bench.schedule import write_schedule
from studylib.bench.watch import first_look, watch_bench
from studylib.sheets import read_study
from studylib.sheets.study import read_unrecorded
from tests.planned_study import TOML, write_planned
from tests.signal.rings import mode_set, tapped

RATE, SECONDS, TAKES = 48_000, 3.0, 12
FAST_RATE = 96_000


def main() -> None:
    """Print the median and the longest wait, and the measuring alone."""
    with tempfile.TemporaryDirectory() as place:
        folder = write_planned(Path(place) / "rails")
        write_schedule(read_unrecorded(folder))
        planned = read_study(folder).planned
        takes = [t for t in planned if t.kind in ("room", "tone", "tap")][:TAKES]
        said: queue.Queue = queue.Queue()
        stop = threading.Event()
        options = {"tell": said.put, "stop": stop}
        thread = threading.Thread(target=watch_bench, args=(folder,), kwargs=options)
        thread.start()
        said.get(timeout=60), said.get(timeout=60)
        waits, rng = [], np.random.default_rng(1)
        for take in takes:
            path = folder / take.file
            path.parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(path, _sound(take, rng), RATE, subtype="PCM_24")
            written = time.perf_counter()
            said.get(timeout=60)
            waits.append(time.perf_counter() - written)
        stop.set()
        thread.join()
        study = read_study(folder)
        alone = []
        for take in study.takes:
            began = time.process_time()
            first_look(study, take)
            alone.append(time.process_time() - began)
    print(
        f"{len(waits)} recordings of {SECONDS:g} s, two channels: line after "
        f"{np.median(waits):.2f} s (median), {max(waits):.2f} s (longest); "
        "wanted: at most 2 s. Measuring alone: "
        f"{np.median(alone):.2f} s (median), {max(alone):.2f} s (longest)."
    )
    for name, seconds, verdict in _long_looks():
        print(f"{name}: {seconds:.2f} s of processor time, {verdict}")


def _long_looks():
    """(what was recorded, processor time of its first look in seconds, keep or redo)."""
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as place:
        toml = TOML.replace("rate_hz = 48000", f"rate_hz = {FAST_RATE}")
        folder = write_planned(Path(place) / "rails", toml=toml)
        rows, sounds = ["take,batch,kind,specimen,mount,repeat,file,tone_hz"], _long_sounds(rng)
        for i, (kind, x) in enumerate(sounds.values()):
            both = np.stack([x, x], axis=1) + 3e-5 * rng.standard_normal((x.size, 2))
            file = f"recordings/{i}.wav"
            soundfile.write(folder / file, both.clip(-1, 1), FAST_RATE, subtype="PCM_24")
            rows.append(f"t{i},day1,{kind},L1,1,{i + 1},{file},{172 if kind == 'tone' else ''}")
        (folder / "takes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        study = read_study(folder)
        for name, take in zip(sounds, study.takes, strict=True):
            began = time.process_time()
            look = first_look(study, take)
            yield name, time.process_time() - began, look.verdict


def _long_sounds(rng: np.random.Generator) -> dict[str, tuple[str, np.ndarray]]:
    t = np.arange(10 * FAST_RATE) / FAST_RATE
    tone, pace = 0.1 * np.sin(2 * np.pi * 172 * t), 5.0 / np.log(8000 / 60)
    swept = t[: 5 * FAST_RATE]
    sweep = 0.2 * np.sin(2 * np.pi * 60 * pace * np.expm1(swept / pace))
    amplitudes = 0.1 * 10 ** (-rng.uniform(0, 20, 10) / 20)
    modes = mode_set(163 * 1.35 ** np.arange(10), np.full(10, 0.011), rng, amplitude=amplitudes)
    bounces = ((0.0, 1.0), (0.03, 0.5), (0.05, 0.25), (0.065, 0.1))
    at = np.arange(0.5, 9.5, 1.5)
    taps, bounced = (
        tapped(
            modes,
            n=t.size,
            knocks=[(a + late, strength) for a in at for late, strength in each],
            rate_hz=FAST_RATE,
        )
        for each in (bounces[:1], bounces)
    )
    return {
        "tone of 10 s": ("tone", tone),
        "tone, 1 s late": ("tone", tone * (t >= 1)),
        "sweep of 5 s": ("sweep", np.pad(sweep, FAST_RATE // 2)),
        "six taps in 10 s": ("tap", taps),
        "the same, each with three bounces": ("tap", bounced),
        "one step in 10 s": ("tap", np.where(t < 0.5, 1.0, -0.004)),
    }


def _sound(take, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(round(SECONDS * RATE)) / RATE
    x = 1e-4 * rng.standard_normal((t.size, 2))
    if take.kind == "tone":
        wave = 0.1 * 10 ** (take.drive_db / 20) * np.sin(2 * np.pi * take.tone_hz * t)
        x += wave[:, np.newaxis]
    if take.kind == "tap":
        since = np.clip(t - 0.5, 0, None)
        ring = 0.2 * np.exp(-8 * since) * np.sin(2 * np.pi * 163 * since) * (t > 0.5)
        x += ring[:, np.newaxis]
    return x


if __name__ == "__main__":
    main()

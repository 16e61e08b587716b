"""How long after a recording is complete `study check --watch` has its line: at most 2 s wanted.

Real files are written into a study's recordings while the watch runs in a thread; the time runs
from the end of writing to the line, by the clock, because somebody stands there and waits: measure
on a machine that does nothing else. As a floor stands the processor time of measuring the same take
alone.

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
from tests.planned_study import write_planned

RATE, SECONDS, TAKES = 48_000, 3.0, 12


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

"""Processor time and memory as studies grow: measuring from audio, and all that comes after it.

Measuring: 1,008 takes against 36, and a take of 30 minutes at 96 kHz with two channels, which is to
be analysed within 400 MB. After it, on invented tables of 32, 84, 252 and 834 boards (12 takes
each: 10,008 in the end): numbers for modes, parts read, woods compared and harmonics attributed,
figures, tables, page. For each stage the exponent of time over takes is fitted (1 is linear); all
of 10,008 takes is to stay within 30 s and 500 MB. Each size runs in a process of its own, so that
its peak memory is its own.

Run: python -m tests.benchmarks.growth            the stages after measuring
     python -m tests.benchmarks.growth --audio    measuring (a few minutes)
     python -m tests.benchmarks.growth --once     the stages once more at 100,008 takes
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import soundfile

from tests.benchmarks.common import Promise, report
from tests.small_study import TONE_HZ, Plan, write_small_study


def _study(folder: Path) -> tuple[float, float]:
    from studylib.measure import measure_batch
    from studylib.sheets import read_study

    start = time.process_time()
    study = read_study(folder)
    for batch in study.batches:
        measure_batch(study, batch)
    return time.process_time() - start, _peak_mb()


def _long(path: Path) -> tuple[float, float]:
    from studylib.measure.take import Expectation, measure_take
    from studylib.recordings import probe
    from studylib.signal.quality import CHECKS

    info = probe(path)
    wanted = Expectation(
        rate_hz=info.rate_hz,
        channels={"response": 0, "drive": 1},
        tone_hz=TONE_HZ,
        tone_on=("response", "drive"),
        harmonics=20,
        skip_s=0.0,
        length_s=info.frames / info.rate_hz,
    )
    start = time.process_time()
    measured = measure_take(path, info, wanted, CHECKS)
    print(f"  fitted in {measured.fit.segments} pieces")
    return time.process_time() - start, _peak_mb()


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _alone(work, argument) -> tuple[float, float]:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(work, (argument,))


def _write_long(path: Path, *, minutes: float, rate: int = 96_000) -> None:
    rng = np.random.default_rng(1)
    block = 10 * rate
    with soundfile.SoundFile(path, "w", rate, 2, subtype="PCM_24") as file:
        for place in range(int(minutes * 6)):
            t = (place * block + np.arange(block)) / rate
            x = np.sin(2 * np.pi * TONE_HZ * t)[:, None] * [0.2, 0.1]
            file.write(x + 1e-4 * rng.standard_normal((block, 2)))


STAGES = ("numbers of modes", "parts", "comparison", "report", "figures", "tables", "page")
SIZES = (32, 84, 252, 834)  # boards
MOUNTS, TAKES = 4, 3


def _after_measuring(boards: int) -> tuple[dict[str, float], float]:
    """Processor seconds of each stage and the peak of memory, for a study of so many boards."""
    import matplotlib

    matplotlib.use("Agg")
    from studylib.measure.batch import batch_slugs, save_part
    from studylib.modes.gathered import TABLES, gather
    from studylib.modes.means import board_modes
    from studylib.modes.numbers import number_modes
    from studylib.report import answer, pages, tables, trust
    from studylib.report.rivals.table import rivals_sentences
    from studylib.report.summary import summarise
    from tests import invented_modes
    from tests.invented_tables import Invention

    sittings = tuple(f"day {i + 1}" for i in range(max(2, boards // 16)))
    plan = Invention(boards=boards // 3, mounts=MOUNTS, takes=TAKES, batches=sittings, step_hz=9.0)
    study, gathered = plan.make()
    modes, about = invented_modes.invent(invented_modes.Study(boards=boards, mounts=MOUNTS))
    spent: dict[str, float] = {}

    def timed(stage: str, work):
        start = time.process_time()
        found = work()
        spent[stage] = time.process_time() - start
        return found

    timed(
        "numbers of modes",
        lambda: board_modes(number_modes(modes.drop(columns="truth"), about), about),
    )
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        batch_of = {take.take: take.batch for take in study.takes}
        own = {
            table: getattr(gathered, table).assign(
                batch=lambda rows: rows["take"].map(batch_of) if "take" in rows else rows["batch"]
            )
            for table in TABLES
        }
        for batch, slug in batch_slugs(study.batches).items():
            frames = {
                table: frame[frame["batch"] == batch].drop(
                    columns=[] if "batch" in getattr(gathered, table) and table != "bench"
                    else "batch"
                )
                for table, frame in own.items()
            }  # fmt: skip
            save_part(SimpleNamespace(batch=batch, **frames), room / "parts" / slug, key="")
        rows = len(gathered.features)
        del gathered, own, frames  # what follows is to be weighed alone
        read = timed("parts", lambda: gather(study, parts=room / "parts"))
        assert len(read.features) == rows, read.failed
        summary = timed("comparison", lambda: summarise(study, read))
        timed("report", lambda: (summary.drawings, rivals_sentences(summary)))
        timed("figures", lambda: [summary.figure(name) for name in summary.drawings])
        timed("tables", lambda: summary.write(room / "written"))
        shown = timed(
            "page",
            lambda: [
                answer.answer(summary), tables.checks_table(summary), trust.power_notes(summary),
                *(pages.table(make(summary), rows=90) for make in
                  (tables.budgets_table, trust.rests_on_table, trust.power_table)),
            ],
        )  # fmt: skip
        assert shown
        spent["bytes of tables"] = sum(
            path.stat().st_size for path in (room / "written" / "tables").iterdir()
        )
    return spent, _peak_mb()


def after_measuring(sizes: tuple[int, ...] = SIZES) -> list[Promise]:
    """Print seconds and memory by size, and the exponents of the stages."""
    found, takes = {}, np.array([(boards // 3 * 3 + 2) * MOUNTS * TAKES for boards in sizes])
    for boards, count in zip(sizes, takes, strict=True):
        spent, peak = found[boards] = _alone(_after_measuring, boards)
        told = ", ".join(f"{stage} {spent[stage]:.2f}" for stage in STAGES)
        whole = sum(spent[stage] for stage in STAGES)
        size = spent["bytes of tables"] / 1e6
        print(f"{count} takes: {told}; {whole:.1f} s, {peak:.0f} MB, tables {size:.1f} MB",
              flush=True)  # fmt: skip
    promises = []
    for stage in STAGES:
        seconds = np.array([spent[stage] for spent, _ in found.values()])
        exponent = float(np.polyfit(np.log(takes), np.log(seconds), 1)[0])
        steps = np.diff(np.log(seconds)) / np.diff(np.log(takes))
        result = {
            "ratio": exponent, "ratio_low": steps.min(), "ratio_high": steps.max(),
            "ours_s": seconds[-1], "floor_s": seconds[0],
        }  # fmt: skip
        promises.append(report(f"growth, exponent of {stage}", result, 1.1))
    return promises


def measuring() -> None:
    """Print milliseconds a take and peaks of memory, from audio."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        sizes = {}
        for boards in (1, 7, 28):
            plan = Plan(boards=boards, mounts=4, takes=3, controls=False)
            folder = write_small_study(root / f"boards{boards}", plan)
            sizes[36 * boards] = _alone(_study, folder)
        for takes, (elapsed, peak) in sizes.items():
            print(f"{takes} takes: {1e3 * elapsed / takes:.2f} ms a take, peak {peak:.0f} MB")
        _write_long(root / "long.wav", minutes=30)
        elapsed, peak = _alone(_long, root / "long.wav")
        print(f"30 minutes, 96 kHz, 2 channels: {elapsed:.1f} s, peak {peak:.0f} MB; wanted: 400")


def main() -> list[Promise]:
    """The stages after measuring."""
    return after_measuring()


if __name__ == "__main__":
    if "--audio" in sys.argv:
        measuring()
    elif "--once" in sys.argv:
        after_measuring((834, 8334))
    else:
        main()

"""Processor time and memory as studies grow: measuring from audio, and all that comes after it.

Measuring: 72 to 3,600 takes from audio to tables, and a take of 30 minutes at 96 kHz with two
channels, which is to be analysed within 400 MB. After it, on invented tables of 32, 84, 252 and 834
boards (12 takes each: 10,008 in the end), whose takes are steady tones alone: numbers for modes,
parts read, woods compared, figures, tables, page. For each stage the exponent of time over takes is
fitted (1 is linear); all of 10,008 takes is to stay within 30 s and 500 MB. Each size runs in a
process of its own, so that its peak memory is its own; tables are invented in yet another.

The page: the summary's notebook on the demo many times over (`grown`), with sweeps, taps and
controls; at 840 boards its page is to stay below 10 MB.

Run: python -m tests.benchmarks.growth            the stages after measuring
     python -m tests.benchmarks.growth --audio    measuring (a few minutes)
     python -m tests.benchmarks.growth --once     the stages once more at 100,008 takes
     python -m tests.benchmarks.growth --page     the summary's notebook and page (half an hour)
"""

from __future__ import annotations

import multiprocessing
import pickle
import resource
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import soundfile

from tests.benchmarks.common import Promise, processor_s, report
from tests.benchmarks.grown import measured_demo, write_grown
from tests.small_study import TONE_HZ, Plan, write_small_study

FROM_AUDIO = ("sheets", "measuring", "all after it")


def _study(folder: Path) -> tuple[dict[str, float], float]:
    """Processor seconds from the sheets to the tables of a folder with recordings, and the peak."""
    from studylib.measure import measure_batch
    from studylib.measure.batch import batch_slugs, save_part
    from studylib.modes.gathered import gather
    from studylib.report.summary import summarise
    from studylib.sheets import read_study

    times = [time.process_time()]
    study = read_study(folder)
    times.append(time.process_time())
    for batch, slug in batch_slugs(study.batches).items():
        save_part(measure_batch(study, batch), folder / "parts" / slug, key="")
    times.append(time.process_time())
    summarise(study, gather(study, parts=folder / "parts")).write(folder / "written")
    times.append(time.process_time())
    return dict(zip(FROM_AUDIO, np.diff(times).tolist(), strict=True)), _peak_mb()


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


def _alone(work, *arguments) -> tuple[float, float]:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(work, arguments)


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


def _invent(boards: int, room: Path) -> None:
    """Leave a study of so many boards in a folder: its parts, and the rest as pickles."""
    from studylib.measure.batch import batch_slugs, save_part
    from studylib.modes.gathered import TABLES
    from tests import invented_modes
    from tests.invented_tables import Invention

    sittings = tuple(f"day {i + 1}" for i in range(max(2, boards // 16)))
    plan = Invention(boards=boards // 3, mounts=MOUNTS, takes=TAKES, batches=sittings, step_hz=9.0)
    study, gathered = plan.make()
    modes, about = invented_modes.invent(invented_modes.Study(boards=boards, mounts=MOUNTS))
    batch_of = {take.take: take.batch for take in study.takes}
    parts: dict[str, dict] = {batch: {} for batch in study.batches}
    for table in TABLES:
        frame = getattr(gathered, table)
        own = frame["batch"] if "batch" in frame else frame["take"].map(batch_of)
        held = dict(list(frame.groupby(own, sort=False)))
        for batch, frames in parts.items():
            frames[table] = held.get(batch, frame.iloc[:0])
            if table == "bench":
                frames[table] = frames[table].drop(columns="batch")
    for batch, slug in batch_slugs(study.batches).items():
        save_part(SimpleNamespace(batch=batch, **parts[batch]), room / "parts" / slug, key="")
    kept = (study, modes.drop(columns="truth"), about, len(gathered.features))
    (room / "study.pickle").write_bytes(pickle.dumps(kept))


def _after_measuring(room: Path) -> tuple[dict[str, float], float]:
    """Processor seconds of each stage and the peak of memory, for a study from `_invent`."""
    import matplotlib

    matplotlib.use("Agg")
    from studylib.modes.gathered import gather
    from studylib.modes.means import board_modes
    from studylib.modes.numbers import number_modes
    from studylib.report import answer, pages, tables, trust
    from studylib.report.rivals.table import rivals_sentences
    from studylib.report.summary import summarise

    study, *of_modes, rows = pickle.loads((room / "study.pickle").read_bytes())
    spent: dict[str, float] = {}

    def timed(stage: str, work):
        start = time.process_time()
        found = work()
        spent[stage] = time.process_time() - start
        spent[f"MB after {stage}"] = _peak_mb()
        return found

    timed("numbers of modes", lambda: board_modes(number_modes(*of_modes), of_modes[1]))
    of_modes.clear()
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
    written = (room / "written" / "tables").iterdir()
    spent["bytes of tables"] = sum(path.stat().st_size for path in written)
    return spent, _peak_mb()


def after_measuring(sizes: tuple[int, ...] = SIZES) -> list[Promise]:
    """Print seconds and memory by size, and the exponents of the stages."""
    found, takes = {}, np.array([(boards // 3 * 3 + 2) * MOUNTS * TAKES for boards in sizes])
    for boards, count in zip(sizes, takes, strict=True):
        with tempfile.TemporaryDirectory() as name:
            _alone(_invent, boards, Path(name))
            spent, peak = found[boards] = _alone(_after_measuring, Path(name))
        told = ", ".join(f"{stage} {spent[stage]:.2f}" for stage in STAGES)
        whole = sum(spent[stage] for stage in STAGES)
        size = spent["bytes of tables"] / 1e6
        print(f"{count} takes: {told}; {whole:.1f} s, {peak:.0f} MB, tables {size:.1f} MB")
        told = ", ".join(f"{stage} {spent[f'MB after {stage}']:.0f}" for stage in STAGES)
        print(f"  most MB up to the end of: {told}", flush=True)
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
    """Print milliseconds a take, peaks of memory and the exponents of the stages, from audio."""
    with tempfile.TemporaryDirectory() as name:
        root, found = Path(name), {}
        for boards in (2, 10, 28, 100):  # a wood
            plan = Plan(boards=boards, mounts=4, takes=3, batches=boards // 2, controls=False)
            folder = write_small_study(root / f"boards{boards}", plan)
            takes = 36 * boards
            found[takes], peak = _alone(_study, folder)
            told = ", ".join(f"{stage} {1e3 * s / takes:.2f}" for stage, s in found[takes].items())
            print(f"{takes} takes, ms a take: {told}; peak {peak:.0f} MB", flush=True)
        for stage in FROM_AUDIO:
            spent = np.log([own[stage] for own in found.values()])
            print(f"exponent of {stage}: {np.polyfit(np.log(list(found)), spent, 1)[0]:.3f}")
        _write_long(root / "long.wav", minutes=30)
        elapsed, peak = _alone(_long, root / "long.wav")
        print(f"30 minutes, 96 kHz, 2 channels: {elapsed:.1f} s, peak {peak:.0f} MB; wanted: 400")


SUMMARY = Path(__file__).resolve().parents[2] / "notebooks" / "summary.ipynb"


def _page(folder: Path) -> tuple[dict[str, float], float]:
    """Processor seconds of the summary's notebook, bytes of its page, and the kernel's peak."""
    from studylib.report.pages import page_html
    from studylib.run.execution import run_notebook

    start = processor_s()
    places = {"folder": folder, "parts": folder / "parts", "output": folder / "written"}
    done = run_notebook(SUMMARY, places)
    spent = {"notebook": processor_s() - start}
    spent["bytes"] = len(page_html(done, title="grown").encode())
    return spent, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def pages(copies: tuple[int, ...] = (3, 9, 24, 70)) -> None:
    """Print the page's size, and what its notebook takes, for the demo so many times over."""
    with tempfile.TemporaryDirectory() as name:
        root, seconds = Path(name), {}
        demo = measured_demo(root / "demo")
        for many in copies:
            takes, boards = write_grown(root / str(many), demo, copies=many)
            spent, peak = _alone(_page, root / str(many))
            seconds[takes] = spent["notebook"]
            print(f"{takes} takes of {boards} boards: page {spent['bytes'] / 1e6:.2f} MB, notebook "
                  f"{spent['notebook']:.0f} s, {peak:.0f} MB", flush=True)  # fmt: skip
        slope = np.polyfit(*np.log([list(seconds), list(seconds.values())]), 1)[0]
        print(f"exponent of the notebook: {slope:.3f}")


def main() -> list[Promise]:
    """The stages after measuring."""
    return after_measuring()


if __name__ == "__main__":
    if "--audio" in sys.argv:
        measuring()
    elif "--once" in sys.argv:
        after_measuring((834, 8334))
    elif "--page" in sys.argv:
        pages()
    else:
        main()

"""What attribution adds to the analysis of about 1,000 takes, against that analysis without it.

Real files: boards with three tones each mount and either probe tones at all multiples or one probe
tone and a sweep, and all controls, 20 harmonics. The floor: every batch measured (`gather`, its
tables passed through their text as in a part) and the woods compared, with nothing kept for the
attribution. What is added is timed piece by piece inside a whole run, because the difference of two
long runs is mostly noise: `attribute_study`, the table of harmonics and its way through text, the
sums of sweeps. Floor and ours take turns in one run, in processor seconds; wanted at most 0.10.

Run: python -m tests.benchmarks.attribution_time [takes] [rate in Hz]
"""

from __future__ import annotations

import gc
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from pkgutil import resolve_name
from unittest.mock import patch

from studylib.measure.take import Expectation
from studylib.modes.gathered import gather
from studylib.report.summary import summarise
from studylib.sheets import Study, read_study
from tests.attribution.audio import audio_plan, write_audio_study
from tests.benchmarks.common import Promise, report

RUNS = 5
MOUNTS, HARMONICS = 4, 20
# Takes of one mount by kind of study.
TAKES_A_MOUNT = {"all probe tones": 3 + HARMONICS - 1, "one probe tone and a sweep": 3 + 1 + 1}
PROBED = {"all probe tones": "own", "one probe tone and a sweep": "sweep"}

STACK = "studylib.modes.gathered._stacked"
# What is left out for the floor, and what is timed as what inside a whole run.
LEFT_OUT = (
    "studylib.measure.features.harmonic_rows",
    "studylib.measure.session.Expectation",
    "studylib.report.summary.attribute_study",
)
TIMED = {
    "studylib.report.summary.attribute_study": "attribution",
    "studylib.measure.features.harmonic_rows": "table of harmonics",
    "studylib.measure.take.line_sums": "sums of sweeps",
    "studylib.measure.take.end_levels": "sums of sweeps",
}
PATCHED = (STACK, *LEFT_OUT, *TIMED)


def write(folder: Path, kind: str, *, takes: int, rate_hz: int) -> Study:
    """A study of about so many takes."""
    boards = max(3, round(takes / (MOUNTS * TAKES_A_MOUNT[kind])))
    plan = replace(
        audio_plan("driver only", size=HARMONICS), boards=boards, mounts=MOUNTS, probe_repeats=1,
        probed=PROBED[kind],
    )  # fmt: skip
    return read_study(write_audio_study(folder, plan, seed=1, rate_hz=rate_hz).folder)


def analyse(study: Study) -> None:
    """What a run computes: batches measured, woods compared, harmonics attributed."""
    summarise(study, gather(study))


def without(study: Study) -> None:
    """The same with nothing kept for the attribution and none made."""

    def no_sweep_lines(**wanted):
        return Expectation(**{**wanted, "lines_hz": ()})

    others = (lambda *_, **__: (), no_sweep_lines, lambda *_, **__: None)
    with ExitStack() as stack:
        for name, other in zip(LEFT_OUT, others, strict=True):
            stack.enter_context(patch(name, other))
        analyse(study)


class Pieces:
    """Processor seconds spent in what attribution adds, while a whole analysis runs."""

    def __init__(self) -> None:
        self.spent = dict.fromkeys(("attribution", "table of harmonics", "sums of sweeps"), 0.0)

    def timed(self, piece: str, work: Callable) -> Callable:
        def wrapped(*args, **named):
            start = time.process_time()
            found = work(*args, **named)
            if isinstance(found, Iterator):  # rows are made only when they are asked for
                found = list(found)
            self.spent[piece] += time.process_time() - start
            return found

        return wrapped

    def run(self, study: Study) -> dict[str, float]:
        whole = resolve_name(STACK)
        of_harmonics = self.timed("table of harmonics", whole)

        def stack_tables(frames):
            return (of_harmonics if "response_re" in frames[0] else whole)(frames)

        with ExitStack() as stack:
            for name, piece in TIMED.items():
                stack.enter_context(patch(name, self.timed(piece, resolve_name(name))))
            stack.enter_context(patch(STACK, stack_tables))
            analyse(study)
        return self.spent


def steady(work: Callable[[], object]) -> float:
    """Processor seconds of one call, with the rubbish of the last one out of the way."""
    gc.collect()
    start = time.process_time()
    work()
    return time.process_time() - start


def measure(study: Study, kind: str) -> Promise:
    """Print floor, what is added, and the ratio."""
    rows = len(summarise(study, gather(study)).attribution.table)
    floors, added = [], []
    for _ in range(RUNS):
        floors.append(steady(lambda: without(study)))
        gc.collect()
        added.append(Pieces().run(study))
    ratios = sorted(
        sum(pieces.values()) / floor for pieces, floor in zip(added, floors, strict=True)
    )
    print(f"  {len(study.takes)} takes, {rows} rows of attribution")
    for piece in added[0]:
        print(f"  {piece}: {statistics.median(each[piece] for each in added):.3f} s")
    result = {
        "ratio": statistics.median(ratios), "ratio_low": ratios[0], "ratio_high": ratios[-1],
        "ours_s": statistics.median(sum(pieces.values()) for pieces in added),
        "floor_s": statistics.median(floors),
    }  # fmt: skip
    return report(f"attribution, {kind}", result, 0.10)


def main() -> list[Promise]:
    """Both kinds of study."""
    takes = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rate_hz = int(sys.argv[2]) if len(sys.argv) > 2 else 24_000
    print(f"processor seconds, medians of {RUNS}")
    found = []
    for kind in TAKES_A_MOUNT:
        with tempfile.TemporaryDirectory() as name:
            print(f"{kind}, {rate_hz} Hz:")
            study = write(Path(name) / "study", kind, takes=takes, rate_hz=rate_hz)
            found.append(measure(study, kind))
    return found


if __name__ == "__main__":
    main()

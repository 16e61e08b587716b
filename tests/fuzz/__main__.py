"""The long form: so many sheets and recordings, in a process of its own for every hundred, so that
one that kills its process or hangs is named and the rest goes on.

`python -m tests.fuzz --sheets 10000 --recordings 5000 [--seed 1] [--keep FOLDER]` prints how many
were used, set aside and refused, the slowest, and every fault of the program; `--keep` writes
a hundred of the sheets that were accepted without a word although they say something else now, for
a person to read.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
import traceback
from collections import Counter
from multiprocessing import Pool, TimeoutError
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, seed, settings

from tests.breakable_study import write_study
from tests.fuzz import recordings, sheets

AT_ONCE, SLOW_S, KEPT = 100, 10.0, 100


def some_sheets(number: int, keep: Path | None) -> tuple[Counter, float, list[str]]:
    """A hundred draws of sheets: how they ended, the slowest in s, and faults of the program."""
    ends, slowest, faults = Counter(), 0.0, []
    with tempfile.TemporaryDirectory() as room:
        folder = write_study(Path(room) / "s")
        texts = {name: (folder / name).read_text(encoding="utf-8") for name in sheets.NAMES}
        whole = sheets.read(folder)

        @seed(number)
        @settings(max_examples=AT_ONCE, deadline=None, database=None,
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        @given(sheets.sheets)
        def one(drawn):
            nonlocal slowest
            sheets.write(folder, texts, drawn)
            start = time.monotonic()
            try:
                accepted = sheets.read(folder)
            except Exception:
                faults.append(f"sheets {number}: {drawn!r}\n{traceback.format_exc()}"[-3000:])
                accepted = None
            slowest = max(slowest, time.monotonic() - start)
            ends["accepted" if accepted else "told"] += 1
            if accepted in (None, whole) or keep is None:
                return
            if len(list(keep.iterdir())) < KEPT:
                into = keep / f"{number}-{ends['accepted']}"
                into.mkdir(parents=True)
                (into / "changes.txt").write_text(repr(drawn), encoding="utf-8")
                for name in sheets.NAMES:
                    shutil.copy(folder / name, into)

        one()
    return ends, slowest, faults


def some_recordings(number: int, keep: Path | None) -> tuple[Counter, float, list[str]]:
    """A hundred broken recordings, as `some_sheets`."""
    ends, slowest, faults = Counter(), 0.0, []
    rng = np.random.default_rng(number)
    with tempfile.TemporaryDirectory() as room:
        whole = [recordings.clean(Path(room), *one) for one in recordings.CONTAINERS]
        for count in range(AT_ONCE):
            which = int(rng.integers(len(whole)))
            data = recordings.broken(whole[which], recordings.CONTAINERS[which][0], rng)
            start = time.monotonic()
            try:
                ends[recordings.measured(Path(room), data)] += 1
            except Exception:
                told = traceback.format_exc()
                place = f"recordings {number}, {count}, {recordings.CONTAINERS[which]}"
                faults.append(f"{place}\n{told}"[-3000:])
            slowest = max(slowest, time.monotonic() - start)
    return ends, slowest, faults


def main() -> int:
    """Run what is asked for; 1 where anything was a fault of the program or slow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", type=int, default=10_000)
    parser.add_argument("--recordings", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    bad = False
    for work, count in ((some_sheets, asked.sheets), (some_recordings, asked.recordings)):
        ends, slowest, faults = Counter(), 0.0, []
        for number in range(asked.seed, asked.seed + -(-count // AT_ONCE)):
            with Pool(1) as pool:  # is ended with its work, whatever that does
                try:
                    own = pool.apply_async(work, (number, asked.keep)).get(AT_ONCE * SLOW_S)
                except TimeoutError:
                    faults.append(f"{work.__name__} {number}: no end, or its process died")
                    continue
            ends += own[0]
            slowest = max(slowest, own[1])
            faults += own[2]
        print(work.__name__, dict(ends), f"slowest {slowest:.1f} s, faults {len(faults)}")
        print("\n".join(faults))
        bad |= bool(faults) or slowest > SLOW_S
    return int(bad)


if __name__ == "__main__":
    raise SystemExit(main())

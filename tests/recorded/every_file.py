"""Every recording of the packages, fit for the purpose or not: numbers or a sentence, in time.

    OPENBLAS_NUM_THREADS=1 python -m tests.recorded.every_file FOLDER [--part 1/4] [--to FILE]

FOLDER was written by `tests.recorded.extract`. Each file goes through `recordings.probe` and the
first 6 s of its first channel through `measure_taps`. Counted are the taps used and refused, files
that ended in a sentence, and those that ended in anything else; the slowest files are listed. The
files are loops, speech, drums, synthesised sounds and held notes as well: none of them may be an
error of the program, none may go over its time.

Functions: looked_into, main.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np

from studylib.codes import code_of
from studylib.errors import StudyError
from studylib.recordings import probe, read_window
from tests.recorded.extract import AUDIO
from tests.recorded.score import take_measured

FIRST_S = 6.0
FIELDS = ("file", "seconds", "processor_s", "ended", "taps", "used", "refused")


def looked_into(path: Path) -> dict[str, object]:
    """One file: how it ended, and the processor time it took."""
    row = dict.fromkeys(FIELDS, "")
    row["file"] = f"{path.parent.name}/{path.name}"
    start = time.process_time()
    try:
        info = probe(path)
        frames = min(info.frames, round(FIRST_S * info.rate_hz))
        row["seconds"] = frames / info.rate_hz
        x = read_window(path, start=0, frames=frames)[0]
        taps, _ = take_measured(x, float(info.rate_hz))
        used = [tap for tap in taps if tap.decays is not None]
        row["ended"] = "numbers" if used else "refused" if taps else "no tap"
        row["taps"], row["used"] = len(taps), len(used)
        row["refused"] = " ".join(str(code_of(tap.reason)) for tap in taps if tap.reason)
        for tap in used:
            d = tap.decays
            told = np.concatenate([d.frequency_hz, d.loss_factor, d.amplitude])
            spread = np.concatenate([d.u_frequency_hz, d.u_loss_factor, d.u_amplitude])
            if not (np.isfinite(told).all() and (told > 0).all() and not np.isnan(spread).any()):
                row["ended"] = "not numbers"
        if any(tap.decays is None and not tap.reason for tap in taps):
            row["ended"] = "refused without a reason"
    except StudyError as error:
        row["ended"] = f"a sentence: {error}"
    except Exception:
        row["ended"] = "AN ERROR: " + traceback.format_exc().strip().splitlines()[-1]
    row["processor_s"] = round(time.process_time() - start, 3)
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--part", default="1/1", help="which of how many equal parts")
    parser.add_argument("--to", type=Path, help="a CSV file of all of them")
    wanted = parser.parse_args()
    part, parts = (int(number) for number in wanted.part.split("/"))
    files = sorted(p for p in wanted.folder.rglob("*") if p.suffix.lower() in AUDIO)
    rows = [looked_into(path) for path in files[part - 1 :: parts]]
    if not rows:
        sys.exit("no recording in that folder")
    times = np.array([row["processor_s"] for row in rows])
    print(f"{len(rows)} files, processor time median {np.median(times):.2f} s, ", end="")
    print(f"95 % {np.quantile(times, 0.95):.2f} s, most {times.max():.2f} s")
    for ended, count in Counter(str(row["ended"]).split(":")[0] for row in rows).most_common():
        print(f"{count:6d}  {ended}")
    reasons = Counter(code for row in rows for code in str(row["refused"]).split())
    for reason, count in reasons.most_common():
        print(f"{count:6d}  taps refused: {reason}")
    for row in sorted(rows, key=lambda row: -row["processor_s"])[:10]:
        print(f"{row['processor_s']:6.2f} s  {row['file']}")
    odd = ("AN ERROR", "not numbers", "a sentence", "refused without")
    for row in rows:
        if str(row["ended"]).startswith(odd):
            print(row["file"], row["ended"])
    if wanted.to:
        with open(wanted.to, "w", newline="", encoding="utf-8") as file:
            table = csv.DictWriter(file, FIELDS, lineterminator="\n")
            table.writeheader()
            table.writerows(rows)


if __name__ == "__main__":
    main()

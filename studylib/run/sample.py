"""Refresh the one small sample of a report that the repository keeps.

Runs the demo into a temporary folder and copies the summary page, the short tables and a few
figures into reports/sample. A release step, not part of a run.

Run from the top of the checkout: python -m studylib.run.sample
"""

import shutil
import tempfile
from pathlib import Path

from studylib.codes import note
from studylib.codes.run import RunFault
from studylib.errors import RunError
from studylib.run.runner import run_study
from studylib.writing import replace_folder, write_whole

KEPT = (
    "summary.html",
    "tables/effects.csv",
    "tables/variance.csv",
    "tables/claims.csv",
    "figures/effects.png",
    "figures/variance.png",
    "figures/boards_tone.h1.response_db.png",
    "figures/excess.png",
    "figures/story.png",
)
# Written by tests.benchmarks.truth, and kept as it is.
TRUTH = ("truth.html", "truth.csv")


def refresh(study: Path, sample: Path) -> list[Path]:
    """Run `study` and replace the folder `sample` by the kept files; returns their paths.

    Raises
    ------
    RunError : a notebook of the run failed; the old sample stays.
    """
    with tempfile.TemporaryDirectory() as room:
        outcome = run_study(study, reports=Path(room) / "reports")
        if outcome.failed or outcome.summary_html is None:
            raise RunError(note(RunFault.NO_SAMPLE, failed=outcome.failed))
        new = sample.parent / f".{sample.name}.new"
        for name in KEPT:
            (new / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(outcome.home / name, new / name)
        page = (new / "summary.html").read_text(encoding="utf-8")
        # The page shows the run's parameters; where this machine keeps its room is none of them.
        write_whole(new / "summary.html", page.replace(f"{Path(room).as_posix()}/", ""))
        for name in TRUTH:
            if (sample / name).is_file():
                shutil.copyfile(sample / name, new / name)
        replace_folder(new, sample)
    return [sample / name for name in KEPT]


if __name__ == "__main__":
    for path in refresh(Path("data_demo"), Path("reports/sample")):
        print(path)

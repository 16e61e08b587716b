"""`study run` on the demo against papermill on empty notebooks plus the work in one process.

Floor: papermill on three notebooks that hold nothing but the imports of the batch and summary
notebooks (two side by side, then the third, as the run does), plus the analysis of both
batches, every figure and table of the report and the three pages, in one process one after
the other. Ours: the command itself, from nothing, in a process of its own. Processor time, kernels
included.

Run: python -m tests.benchmarks.run
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat

from tests.benchmarks.common import report, seconds

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data_demo"


def _only_imports(name: str, folder: Path) -> Path:
    """A notebook that holds the first code cell of notebooks/<name>.ipynb."""
    notebook = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    first = next(cell for cell in notebook.cells if cell.cell_type == "code")
    notebook.cells = [first]
    path = folder / f"{name}.ipynb"
    nbformat.write(notebook, path)
    return path


def _papermill(folder: Path) -> None:
    """Three bare notebooks in a process of its own, imports of papermill included."""
    script = f"""
import warnings
warnings.simplefilter("ignore")
from concurrent.futures import ThreadPoolExecutor
from papermill import execute_notebook
def run(name, place):
    execute_notebook(rf"{folder}/{{name}}.ipynb", rf"{folder}/out{{place}}.ipynb",
                     kernel_name="python3", progress_bar=False)
with ThreadPoolExecutor(2) as pool:
    list(pool.map(run, ["batch", "batch"], [1, 2]))
run("summary", 3)
"""
    subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)


WORK = f"""
import warnings
warnings.simplefilter("ignore")
import matplotlib
matplotlib.use("Agg")
import matplotlib.pyplot as plt
from pathlib import Path
import tempfile
from studylib import figures
from studylib.modes.gathered import gather
from studylib.report.pages import page_html
from studylib.report.summary import summarise, write_summary
from studylib.sheets import read_study
study = read_study(r"{DEMO}")
gathered = gather(study, parts="")
for batch in study.batches:
    takes = [take.take for take in study.takes_of(batch)]
    spectra = gathered.spectra[gathered.spectra["take"].isin(takes)].reset_index(drop=True)
    figures.spectra_figure(spectra, study)
    plt.close("all")
summary = summarise(study, gathered)
with tempfile.TemporaryDirectory() as folder:
    write_summary(summary, folder)
import nbformat
for path in sorted(Path(r"{{pages}}").rglob("*.ipynb")):
    page_html(nbformat.read(path, as_version=4), title="page")
"""


def main() -> None:
    """Print the ratio."""
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        for notebook in ("batch", "summary"):
            _only_imports(notebook, room)
        ours_s, floor_s, ratios = [], [], []
        for turn in range(4):
            reports = room / f"reports{turn}"
            ours = seconds(
                lambda reports=reports: subprocess.run(
                    [sys.executable, "-m", "studylib.cli", "run", str(DEMO), "--reports",
                     str(reports)],
                    check=True, capture_output=True,
                )
            )  # fmt: skip
            script = WORK.format(pages=reports)
            bare = seconds(lambda: _papermill(room))
            work = seconds(
                lambda script=script: subprocess.run(
                    [sys.executable, "-c", script], check=True, capture_output=True
                )
            )
            if turn:  # the first turn warms the caches
                ours_s.append(ours)
                floor_s.append(bare + work)
                ratios.append(ours / (bare + work))
    middle = sorted(range(len(ratios)), key=ratios.__getitem__)[len(ratios) // 2]
    report(
        "study run on the demo",
        {
            "ratio": ratios[middle],
            "ratio_low": min(ratios),
            "ratio_high": max(ratios),
            "ours_s": ours_s[middle],
            "floor_s": floor_s[middle],
        },
        "wanted: at most 1.5",
    )


if __name__ == "__main__":
    main()

"""`study run` on the demo against papermill on empty notebooks plus each recording read once.

Floor: papermill on three notebooks that hold nothing but the imports of the batch and summary
notebooks, and each recording of the demo read, with one real FFT of each channel. Ours: the command
itself with one batch at a time, from nothing, in a process of its own. Processor time, kernels
included.

Run: python -m tests.benchmarks.run
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat

from tests.benchmarks.common import Promise, report, seconds

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


READING = f"""
import scipy.fft
import soundfile
from studylib.sheets import read_study
study = read_study(r"{DEMO}")
for take in study.takes:
    x = soundfile.read(study.path_of(take), dtype="float64", always_2d=True)[0]
    for channel in x.T:
        scipy.fft.rfft(channel)
"""


def floor() -> float:
    """Processor seconds of three bare notebooks, and of each recording read and transformed."""
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        for notebook in ("batch", "summary"):
            _only_imports(notebook, room)
        bare = seconds(lambda: _papermill(room))
    command = [sys.executable, "-c", READING]
    return bare + seconds(lambda: subprocess.run(command, check=True, capture_output=True))


def ours() -> float:
    """Processor seconds of the command, from nothing."""
    with tempfile.TemporaryDirectory() as name:
        command = [sys.executable, "-m", "studylib.cli", "run", str(DEMO), "--jobs", "1",
                   "--reports", name]  # fmt: skip
        return seconds(lambda: subprocess.run(command, check=True, capture_output=True))


def main() -> list[Promise]:
    """Print the ratio."""
    floor()  # warms the caches
    turns = [(ours(), floor()) for _ in range(3)]
    ratios = sorted(a / b for a, b in turns)
    result = {
        "ratio": statistics.median(ratios), "ratio_low": ratios[0], "ratio_high": ratios[-1],
        "ours_s": statistics.median(a for a, _ in turns),
        "floor_s": statistics.median(b for _, b in turns),
    }  # fmt: skip
    return [report("study run on the demo", result, 5)]


if __name__ == "__main__":
    main()

"""The notebooks without their figures, for tests of what a run does besides drawing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import nbformat

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
NOT_SAVED = """
import studylib.elsewhere
import studylib.report.film
import studylib.report.plan

for module in (studylib.figures, studylib.report.plan):
    module.save_sizes = lambda *_, **__: None  # figures are tested elsewhere
studylib.report.film.files_of = lambda _: {}
studylib.elsewhere.begin = lambda call: call
"""


def lean_notebooks(folder: Path, *, drawn: int = 0) -> Callable[[str], Path]:
    """What takes the place of `runner.notebook_path`: only so many cells of each draw, the first
    ones, and no figure is saved."""
    for name in ("batch", "summary", "plan"):
        whole = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)
        drawing = [cell.id for cell in whole.cells if "plt.show()" in cell.source]
        whole.cells = [cell for cell in whole.cells if cell.id not in drawing[drawn:]]
        first = next(cell for cell in whole.cells if cell.cell_type == "code")
        first.source += NOT_SAVED
        nbformat.write(whole, folder / f"{name}.ipynb")
    return lambda name: folder / f"{name}.ipynb"

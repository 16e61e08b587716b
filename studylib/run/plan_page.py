"""The plan's page: the plan notebook executed for one study, beside its report.

Function: `write_plan_page`.
"""

from __future__ import annotations

from pathlib import Path

import nbformat

from studylib.report.pages import page_html
from studylib.run.alone import alone_in
from studylib.run.execution import run_notebook
from studylib.run.runner import notebook_path
from studylib.sheets.boards import read_boards
from studylib.writing import slug, write_whole


def write_plan_page(folder: Path | str, *, reports: Path | str) -> Path:
    """Execute the plan notebook for a study; the page's path, `reports/<study>/plan.html`. Its
    figures and tables go to `plan/` beside it.

    Raises
    ------
    InputError : the sheets have faults.
    RunError : the notebook is missing or failed, or another run holds the folder.
    """
    folder, boards = Path(folder), read_boards(folder)
    home = Path(reports) / slug(boards.folder.name)
    with alone_in(home):
        parameters = {"folder": folder.as_posix(), "output": (home / "plan").as_posix()}
        done = run_notebook(notebook_path("plan"), parameters)
        write_whole(home / "plan.ipynb", nbformat.writes(done) + "\n")
        title = f"Plan: {boards.settings.study.title}"
        write_whole(home / "plan.html", page_html(done, title=title))
    return home / "plan.html"

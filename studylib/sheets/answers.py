"""What listeners answered, read back: which results count, and why others are left out.

A result counts when it is of this very test, whole, unchanged since it was saved (each row carries
a mark, see `listening`), and by somebody who chose between the excerpts. Whatever does not is named
by file and row, stays where it is, and keeps its answers as far as they can be read. Two files of
one listener: where one was saved on the way to the other, the longer one counts; else neither does,
since nobody can tell which was the first.

Function: `read_answers`.
"""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from studylib import codes, errors
from studylib.sheets import files
from studylib.sheets.listening import (
    EXCERPTS,
    FOLDER,
    RESULT_COLUMNS,
    RESULTS,
    TRIAL_COLUMNS,
    TRIALS,
    mark,
)


def read_answers(folder: Path) -> tuple[pd.DataFrame, dict[str, str]]:
    """Answers to the test of a study, and the results that hold them.

    Returns
    -------
    answers : a row each, its columns those of results and trials as text, with `file`, and `null`
        and `correct` as truth values; those of results that are of this test and unchanged.
    left_out : file name of each result -> why it does not count, a note, or "".

    Raises
    ------
    InputError : trials.csv or excerpts.csv cannot be read.
    """
    home = folder / FOLDER
    test = mark(files.read_text(home / TRIALS) + files.read_text(home / EXCERPTS))
    trials = {row.cells["trial"]: row.cells for row in files.read_table(home / TRIALS).rows}
    rows, left_out = [], {}
    for path in sorted((home / RESULTS).glob("*.csv")):
        try:
            own = _answers_in(files.read_table(path), test, trials)
        except errors.InputError as error:
            left_out[path.name] = codes.several(error.notes)
        else:
            rows += [{**trials[one["trial"]], **one, "file": path.name} for one in own]
            left_out[path.name] = _why_not(own, trials)
    columns = list(dict.fromkeys((*TRIAL_COLUMNS, *RESULT_COLUMNS, "file")))
    answers = pd.DataFrame(rows, columns=columns, dtype=str).assign(
        null=lambda own: own["null"] == "yes", correct=lambda own: own["answer"] == own["odd"]
    )
    for _, own in answers.groupby(answers["listener"].str.casefold()):
        left_out |= _of_one_listener(own)
    return answers, left_out


def _answers_in(
    table: files.Table, test: str, trials: Mapping[str, Mapping[str, str]]
) -> list[dict[str, str]]:
    """The rows of a result.

    Raises
    ------
    InputError : it is no result, or of another test, or was changed.
    """
    about, before = {"file": table.name}, test
    errors.InputError.refuse(
        table.columns != RESULT_COLUMNS, "heard.no_result", **about, columns=RESULT_COLUMNS
    )
    for row in table.rows:
        *cells, own = row.cells.values()
        errors.InputError.refuse(
            row.cells["test"] != test, "heard.other_test", **about, row=row.number, test=test
        )
        before = mark(before, *cells)
        wrong = own != before or row.cells["trial"] not in trials
        errors.InputError.refuse(wrong, "heard.edited", **about, row=row.number)
    return [row.cells for row in table.rows]


def _why_not(rows: list[dict[str, str]], trials: Mapping[str, Mapping[str, str]]) -> str:
    """Why a result that is as it was saved does not count, a note, or ""."""
    answers, whole = {row["answer"] for row in rows}, {row["trial"] for row in rows} == {*trials}
    told = {"answered": len(rows), "of": len(trials)}
    why = codes.holding(
        (not whole or len(rows) > len(trials), codes.note("heard.unfinished", **told)),
        (len(answers) == 1, codes.note("heard.one_answer", answer=min(answers, default=""))),
    )
    return codes.several(why[:1])


def _of_one_listener(answers: pd.DataFrame) -> dict[str, str]:
    """Of all results of one listener those that do not count beside each other: file -> note."""
    last = answers.groupby("file")["mark"].last()
    longest = answers["file"].value_counts().index[0]
    saved = last.isin(answers.loc[answers["file"] == longest, "mark"]).all()
    beside = last.index.drop(longest) if saved else last.index if len(last) > 1 else []
    code = "heard.saved_before" if saved else "heard.two_results"
    return {file: codes.note(code, files=list(last.index), longest=longest) for file in beside}

"""Whether a report comes out again from its recordings, by somebody else and somewhere else.

First every file is held against the SHA-256 that was stated of it. Then the study is run in a
folder of its own, with this library on this machine, and each cell of each table of the kept report
is compared with the one that came out:
- texts, names, verdicts, codes, whole numbers, yes and no: exactly;
- other numbers: within `SAME_VERSIONS`, or `OTHER_VERSIONS` where Python, the library or what it
  computes with has another version, times the largest size of a number in that column, among the
  rows of the same feature, quantity or check;
- sentences: exactly, but where the library is another one, whose wording may have changed: there
  the codes beside them are compared, and no sentence.
Rows are told apart by the key of their table, rows of one key by their order; a key's own numbers
are compared as any others are.

Pages and figures show these tables and are not compared: their bytes hang on fonts and drawing.

Functions: `verify`, `compare`.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from studylib import codes, errors, sheets, tables, writing
from studylib.run import archive, runner
from studylib.run.notebooks import FOLDER
from studylib.run.provenance import folder_digests
from studylib.sheets.study import SHEETS, file_hashes

SAME_VERSIONS, OTHER_VERSIONS = 1e-9, 1e-6
MOST_TOLD = 20
# Columns of which the first that a table has tells the numbers of one kind from all others.
KINDS = ("feature", "quantity", "check")
NOT_RUN = "notebooks_not_run"


def verify(
    kept: Path,
    *,
    room: Path,
    study: Path | None = None,
    trust: bool = False,
    jobs: int = 2,
    progress: runner.RunProgress | None = None,
) -> tuple[list[str], bool]:
    """Run a kept study again and compare every table.

    Parameters
    ----------
    kept : an archive of `study pack`, or the folder of a report.
    room : an empty folder: the study is laid there, and its new report into `reports/` beside it.
    study : the study folder of a report; None looks beside and above `reports/`.
    trust : run the notebooks that came with the study, not the library's.

    Returns
    -------
    Notes of what was found, and whether all of it is as it was.

    Raises
    ------
    InputError : what is kept is no archive or report, is not whole, or its study is not found or
        has faults.
    RunError : nothing could be run at all.
    """
    if kept.is_dir():
        folder, home, wrong = _laid(kept, study, room), kept, []
    else:
        folder = archive.unpack(kept, room)
        home = folder / "reports" / folder.name
        held = {n: sha for n, sha in folder_digests(folder).items() if n != archive.METADATA}
        wrong = archive.differing(archive.stated(folder), held)
    made = writing.read_json(home / archive.PROVENANCE)
    wrong = wrong or archive.changed(made, file_hashes(sheets.read_study(folder)), home)
    if wrong:
        return [codes.note("verify.not_as_stated", files=wrong)], False
    if aside := (folder / FOLDER).is_dir() and not trust:
        (folder / FOLDER).rename(folder / NOT_RUN)
    outcome = runner.run_study(
        folder, reports=room / "reports", jobs=jobs, trust=trust, progress=progress
    )
    failed = [codes.note("verify.failed", batch=b, why=w) for b, w in outcome.failed.items()]
    errors.RunError.refuse_all(failed if outcome.summary_html is None else [])
    again = writing.read_json(outcome.home / archive.PROVENANCE)
    before, here = (
        archive.part(one, "versions") | {"library": one.get("library")} for one in (made, again)
    )
    other = archive.differing(before, here)
    tolerance = OTHER_VERSIONS if other else SAME_VERSIONS
    found = compare(
        home / "tables",
        outcome.home / "tables",
        tolerance=tolerance,
        sentences="library" not in other,
    )
    notes = [note for told in found.values() for note in told]
    moved = archive.differing(archive.part(made, "tables"), archive.part(again, "tables"))
    return [
        codes.note("verify.as_stated", files=len(archive.part(made, "inputs"))),
        *codes.holding((aside, codes.note("verify.not_trusted", folder=NOT_RUN))),
        *failed,
        *(
            codes.note("verify.version", name=n, kept=before.get(n), here=here.get(n))
            for n in other
        ),
        *notes[:MOST_TOLD],
        codes.note(
            "verify.outcome",
            told=MOST_TOLD,
            tolerance=tolerance,
            tables=len(found),
            apart=len([name for name in found if f"tables/{name}.csv" in moved]),
            differ=len([told for told in found.values() if told]),
            count=len(notes),
        ),
    ], not (notes or failed)


def compare(
    kept: Path, again: Path, *, tolerance: float, sentences: bool = True
) -> dict[str, list[str]]:
    """Compare tables cell by cell.

    Parameters
    ----------
    kept, again : folders of tables as a run writes them; tables that only `again` has are left out.
    tolerance : of numbers, relative to the largest of their kind in their column.
    sentences : False compares the codes of notes alone, not their words.

    Returns
    -------
    Each table of `kept` -> a note for each difference.
    """
    return {
        path.stem: _differences(path, again / path.name, tolerance, sentences)
        for path in sorted(kept.glob("*.csv"))
    }


def _differences(kept: Path, again: Path, tolerance: float, sentences: bool) -> list[str]:
    """What of one table is not the same, one note each."""
    name = kept.stem
    try:
        old, new = (pd.read_csv(p, dtype=str, keep_default_na=False) for p in (kept, again))
    except (OSError, ValueError):
        return [codes.note("verify.no_table", table=name)]
    table = tables.TABLES.get(name) or tables.Table(name, (), ())
    numbers, apart = table.of_type("number"), [] if sentences else table.of_type("note")
    shared = [column for column in old if column in new]
    key = [column for column in table.key if column in shared and column not in numbers]
    old, new = _by_row(old, key), _by_row(new, key)
    odd = old.index.symmetric_difference(new.index)
    rows = old.index.intersection(new.index)
    told = codes.holding(
        (len(shared) < len({*old, *new}), codes.note("verify.columns", table=name, shared=shared)),
        (len(odd), codes.note("verify.rows", table=name, rows=[*odd])),
    )
    kind = next((old.loc[rows, one] for one in KINDS if one in shared), pd.Series("", rows))
    for column in [one for one in shared if one not in apart]:
        a, b = old.loc[rows, column], new.loc[rows, column]
        near = _near(a, b, kind, tolerance) if column in numbers else a == b
        told += [
            codes.note("verify.cell", row=row, kept=a[row], again=b[row], table=name, column=column)
            for row in rows[~(near | (a == b))]
        ]
    return told


def _by_row(frame: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    """The table with the key of each row as its name, and which of the rows of that key it is."""
    nth = frame.groupby(list(key)).cumcount() if key else pd.Series(range(len(frame)))
    return frame.set_axis(pd.MultiIndex.from_arrays([*(frame[one] for one in key), nth + 1]))


def _near(kept: pd.Series, again: pd.Series, kind: pd.Series, tolerance: float) -> pd.Series:
    """Which numbers agree within the tolerance; what is no number, or infinite, does not."""
    a, b = (pd.to_numeric(one, errors="coerce") for one in (kept, again))
    size = a.abs().where(a.abs() < np.inf).groupby(kind).transform("max")
    return (a - b).abs() <= tolerance * size


def _laid(report: Path, beside: Path | None, room: Path) -> Path:
    """A copy of the study that a report was made of."""
    made, above = writing.read_json(report / archive.PROVENANCE), report.resolve().parent.parent
    errors.InputError.refuse(not made, "verify.no_report", folder=report)
    places = [beside] if beside else [above / str(made.get("study")), above]
    found = [place for place in places if (place / SHEETS[0]).is_file()]
    errors.InputError.refuse(not found, "verify.no_study", study=made.get("study"), places=places)
    study = sheets.read_study(found[0])
    for name, path in archive.study_files(study.folder, file_hashes(study)).items():
        writing.write_whole(room / study.name / name, path.read_bytes())
    return room / study.name

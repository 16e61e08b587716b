"""The folder of a blind test by ear: which files it holds, and how an answer is sealed.

`listening/` in the study folder holds the page that listeners get (`test.html`), the key to it
(`trials.csv`, which no listener may see), how each excerpt was made (`excerpts.csv`), and in
`results/` one CSV file for each sitting, under any name.

A trial is a triangle (ISO 4120): three excerpts, of which one is of another board than the other
two. `odd` counts from 1 which it is. In a trial with `null` = yes all three are takes of one board,
and `odd` was drawn all the same.

Each row of a result carries a mark, which rests on the mark before it; the first one on the test.
Whoever changes an answer, leaves one out or puts one in breaks every mark from there on. It is no
secret how a mark is made: it tells of slips and of edits by hand, not of forgery.

Conventions: `test` is the first `DIGITS` of the SHA-256 of trials.csv and excerpts.csv, one behind
the other; a mark is the first `DIGITS` of that of the mark before it and the row's cells as they
stand in the file, with commas between.

Function: `mark`.
"""

import hashlib

FOLDER, RESULTS = "listening", "results"
PAGE, TRIALS, EXCERPTS = "test.html", "trials.csv", "excerpts.csv"
DIGITS = 16
TRIAL_COLUMNS = (
    *("trial", "place", "wood_a", "wood_b", "specimen_a", "specimen_b"),
    *("take_1", "take_2", "take_3", "odd", "null"),
)
EXCERPT_COLUMNS = (
    *("take", "file", "sha256", "specimen", "wood", "start_s", "length_s", "gain_db"),
    *("loudness_before_lufs", "loudness_after_lufs", "peak_dbtp"),
)
RESULT_COLUMNS = (
    *("test", "listener", "place", "trial", "answer", "replays", "seconds"),
    "mark",
)


def mark(before: str, *cells: str) -> str:
    """The mark of a row of a result; without cells the name of a test.

    Parameters
    ----------
    before : the mark of the row above it, the test's name for the first row; for a test's name, the
        texts of its two tables, one behind the other.
    cells : the other cells of the row as text, in the order of `RESULT_COLUMNS`.
    """
    return hashlib.sha256(",".join((before, *cells)).encode("utf-8")).hexdigest()[:DIGITS]

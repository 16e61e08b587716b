"""What viewers say was forgotten: the twelve rival explanations, and the doubts beside them.

One row for each: what it would look like, how far this study went, which takes or columns test it,
what they say. What is only bounded is given as the bound; what this design cannot rule out says
so; what was not tested says what to record or to fill in.

Functions: findings, rivals_table, rivals_sentences.
"""

import pandas as pd

from studylib import codes, words
from studylib.report.rivals import bench, boards, harmonics
from studylib.report.rivals.basis import Finding, basis_of
from studylib.report.rivals.doubts import further
from studylib.report.summary import Summary

_RIVALS = (
    *(
        harmonics.driver,
        harmonics.air,
        harmonics.recorder,
        harmonics.room,
        harmonics.buzz,
        bench.mounting,
    ),
    *(bench.drift, boards.dimensions, boards.moisture, bench.level, boards.planks, boards.mixed_up),
)


def findings(summary: Summary) -> list[Finding]:
    """What tests each of the twelve rivals, and what that says."""
    basis = basis_of(summary)
    return [rival(basis) for rival in _RIVALS]


def rivals_table(summary: Summary) -> pd.DataFrame:
    """One row for each of the twelve rivals and of the further doubts, all cells notes."""
    rows = [
        (
            codes.note(found.rival),
            found.status,
            codes.note(found.rival, looks=True),
            found.tested_by,
            codes.note("rivals.paragraph", notes=[each for each in found.says if each]),
        )
        for found in (*findings(summary), *further(summary))
    ]
    return pd.DataFrame(
        rows,
        columns=[
            words.say("rivals.heading", column=name)
            for name in ("rival", "status", "looks", "tested_by", "says")
        ],
    )


def rivals_sentences(summary: Summary) -> list[str]:
    """How many rivals this study tests, and which it does not."""
    found = findings(summary)
    missing = [codes.note(each.rival) for each in found if not each.tested]
    tested = codes.note("rivals.tested", tested=len(found) - len(missing), rivals=len(found))
    return [
        tested,
        *([codes.note("rivals.open_rivals", rivals=missing)] if missing else []),
        codes.note("rivals.not_ruled_out"),
    ]

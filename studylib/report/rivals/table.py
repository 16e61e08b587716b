"""The twelve rival explanations: what else than the wood could make a difference.

One row for each rival: what it would look like, which takes or columns of this study test it,
what they say. What is only bounded is given as the bound; what this design cannot rule out says
so; what was not tested says what to record or to fill in.

Functions: findings, rivals_table, rivals_sentences.
"""

import pandas as pd

from studylib.codes import note
from studylib.report.rivals.basis import Finding, basis_of
from studylib.report.rivals.bench import drift, level, mounting
from studylib.report.rivals.boards import dimensions, moisture, planks
from studylib.report.rivals.harmonics import air, buzz, driver, recorder, room
from studylib.report.rivals.mixup import mixed_up
from studylib.report.summary import Summary
from studylib.words import say

_RIVALS = (
    *(driver, air, recorder, room, buzz, mounting),
    *(drift, dimensions, moisture, level, planks, mixed_up),
)


def findings(summary: Summary) -> list[Finding]:
    """What tests each of the twelve rivals, and what that says."""
    basis = basis_of(summary)
    return [rival(basis) for rival in _RIVALS]


def rivals_table(summary: Summary) -> pd.DataFrame:
    """One row for each of the twelve rivals, all cells notes."""
    rows = [
        (
            note(found.rival),
            note(found.rival, looks=True),
            found.tested_by,
            note("rivals.paragraph", notes=[each for each in found.says if each]),
        )
        for found in findings(summary)
    ]
    return pd.DataFrame(
        rows,
        columns=[
            say("rivals.heading", column=name) for name in ("rival", "looks", "tested_by", "says")
        ],
    )


def rivals_sentences(summary: Summary) -> list[str]:
    """How many rivals this study tests, and which it does not."""
    found = findings(summary)
    missing = [note(each.rival) for each in found if not each.tested]
    tested = note("rivals.tested", tested=len(found) - len(missing), rivals=len(found))
    return [
        tested,
        *([note("rivals.open_rivals", rivals=missing)] if missing else []),
        note("rivals.not_ruled_out"),
    ]

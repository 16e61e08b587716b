"""The method, step by step on one study, for an audience: what the walk of its notebook shows.

Every step shows something that the study itself holds, from one recording to the verdict. The last
but one turns the method wrong on purpose: with the spreads that this study found and woods that do
not differ at all, it counts how often each way of counting would report a difference.

Conventions: the feature is the one that heads the report (`answer.lead`), else the first primary
one; the take is that of `heard_take`.

Functions: `heard_take`, `lines`, `counting`, `counted_notes`, `explore_takes`.
"""

import math
from typing import Any

import pandas as pd

from studylib import sheets
from studylib.codes import note
from studylib.figures.plan import counting_figure
from studylib.report import answer, pages
from studylib.report.summary import Summary
from studylib.stats import planning

LEVELS = ("source", "specimen", "mount", "take")
TAKES = (1, 2, 3, 5, 10)


def heard_take(summary: Summary) -> sheets.Take:
    """The first usable tone at full drive of a board that is compared."""
    usable = summary.gathered.features.query("kind == 'tone' and usable")["take"]
    boards = {one.specimen for one in summary.study.specimens if not one.role}
    return next(t for t in summary.study.takes if t.take in set(usable) and t.specimen in boards)


def lines(summary: Summary) -> pd.DataFrame:
    """What was fitted to that take: one row a harmonic, as in the table `harmonics`."""
    rows = summary.gathered.harmonics
    return rows[rows["take"] == heard_take(summary).take]


def counting(summary: Summary, *, takes: int = 3) -> pd.DataFrame:
    """False alarms of each way of counting, with this study's spreads and numbers of boards.

    Parameters
    ----------
    takes : of each mount.

    Returns
    -------
    As `stats.planning.false_alarms`; ways that come to the same number stand once.
    """
    row = answer.lead(summary)
    feature = summary.measured[0] if row is None else row.feature
    variance, mounts = summary.comparison.variance, summary.comparison.mount_means
    found = variance[variance["feature"] == feature].set_index("level")["variance"]
    sd = [math.sqrt(max(found.get(level, 0.0), 0.0)) for level in LEVELS]
    mounts = mounts[(mounts["feature"] == feature) & (mounts["role"] == "")]
    planks = mounts.groupby("wood")["source"].nunique().median()
    boards = mounts.groupby("source")["specimen"].nunique().median()
    return planning.false_alarms(
        planning.Spreads(*sd, *sd[:1] * 2, origin=""),
        woods=len(summary.woods), planks=int(planks), boards=int(boards),
        mounts=int(mounts.groupby("specimen").size().median()), takes=takes,
    ).drop_duplicates("units")  # fmt: skip


def counted_notes(alarms: pd.DataFrame, *, counted: str) -> list[str]:
    """What a way of counting does to woods that do not differ: `planks`, `mounts` or `takes`."""
    fields = alarms.set_index("counted").loc[counted, ["units", "rate", "low", "high"]].to_dict()
    return [note("method.counted", counted=counted, right=alarms["counted"].iloc[0], **fields)]


def explore_takes(summary: Summary) -> Any:
    """`counting_figure` under a slider of takes a mount; without widgets the one in the middle."""

    def show(takes: int) -> None:
        pages.figures(counting_figure(counting(summary, takes=takes)))

    try:
        from ipywidgets import SelectionSlider, interact
    except ImportError:
        return show(TAKES[len(TAKES) // 2])
    return interact(show, takes=SelectionSlider(options=TAKES, value=TAKES[len(TAKES) // 2]))

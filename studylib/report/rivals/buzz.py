"""Rival: a loose contact that adds harmonics in one mounting.

It shows as an excess beyond the driver in one mount that the board's other mounts do not have, and
as a harmonic that does not grow with the drive as the sensed one does.

Function: buzz.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib.attribution.advice import CONTROLS
from studylib.attribution.excess import MARGIN_DB
from studylib.attribution.steps import CANNOT_TELL as STEP_OPEN
from studylib.attribution.steps import NOT_WITH
from studylib.attribution.verdicts import BEYOND, DRIVER
from studylib.report.rivals.parts import (
    CONTACT,
    Ground,
    Rival,
    asked,
    no_tone,
    record,
    with_interval,
)
from studylib.words.numbers import counted
from studylib.words.text import listed

MOST_PLACES = 5


def buzz(ground: Ground) -> Rival:
    """A loose contact that adds harmonics in one mounting."""
    looks = (
        "harmonics beyond the driver's in one mounting, gone after remounting; with the drive "
        "they grow otherwise than the driver's own"
    )
    steps = _steps(ground)
    mounts = len(steps[["specimen", "mount"]].drop_duplicates())
    boards = len({board for board, _ in ground.tones})
    tested = (
        f"{counted(len(ground.tones), 'mount')} of {counted(boards, 'board')}; drive steps in "
        f"{counted(mounts, 'mount')}"
    )
    return Rival("buzz (a loose contact)", looks, tested, _buzz_says(ground, steps))


def _steps(ground: Ground) -> pd.DataFrame:
    steps = ground.summary.attribution.steps
    return steps[steps["specimen"].isin(list(ground.boards))]


def _buzz_says(ground: Ground, steps: pd.DataFrame) -> str:
    if ground.rows.empty:
        return no_tone(ground)
    if not ground.sensed:
        return f"{record(ground, 'sensor')}."
    judged = ground.heard[ground.heard["verdict"].isin([DRIVER, BEYOND])]
    left = len(ground.heard) - len(judged)
    if left and judged.empty and (steps["verdict"] == STEP_OPEN).all():
        return f"{record(ground, *_wanted(ground, steps))}."
    said = _places(ground, judged)
    if not said and not judged.empty:
        mounts = judged[["specimen", "mount"]].drop_duplicates()
        said.append(
            f"None found: in {counted(len(mounts), 'mount')} with a harmonic that can be judged, "
            f"none is more than {MARGIN_DB:g} dB beyond the driver."
        )
    if left:
        said.append(
            f"On {counted(left, 'more harmonic')} above the noise nothing was told: a buzz could "
            "lie there."
        )
    elif judged.empty:
        said.append("No harmonic of a board stands out of its noise; a buzz would lie below it.")
    return " ".join([*said, _stepped(ground, steps), CONTACT])


def _wanted(ground: Ground, steps: pd.DataFrame) -> list[str]:
    """Controls that would settle most of what cannot be told."""
    keys = {control.name: key for key, control in CONTROLS.items()}
    names = ground.heard.loc[ground.heard["settle"].isin(list(keys)), "settle"]
    wanted = [keys[name] for name in names.value_counts().index[:2]]
    return wanted if wanted and not steps.empty else list(dict.fromkeys([*wanted, "steps"]))


def _places(ground: Ground, judged: pd.DataFrame) -> list[str]:
    beyond = judged[judged["verdict"] == BEYOND]
    groups = list(beyond.groupby(["specimen", "mount"], sort=False))
    said = [
        f"In {board} mount {mount} "
        f"({'harmonics' if len(own) > 1 else 'harmonic'} {listed(own['harmonic'])}, largest "
        f"{with_interval(_largest(own))}): "
        f"{_elsewhere(ground.rows, board, mount, own['harmonic'])}."
        for (board, mount), own in groups[:MOST_PLACES]
    ]
    if len(groups) > MOST_PLACES:
        said.append(f"{counted(len(groups) - MOST_PLACES, 'more mount')} like that.")
    return said


def _largest(rows: pd.DataFrame) -> pd.Series:
    return rows.iloc[rows["excess_db"].astype(float).fillna(-np.inf).to_numpy().argmax()]


def _elsewhere(rows: pd.DataFrame, board: str, mount: int, harmonics: pd.Series) -> str:
    """What the same harmonics do in the board's other mounts."""
    mine = rows["specimen"] == board
    others = rows[mine & (rows["mount"] != mount) & rows["harmonic"].isin(harmonics)]
    if others.empty:
        return "mounted once; mount the board again and see whether it comes back"
    count = counted(others["mount"].nunique(), "other mount")
    found = others.groupby("mount")["verdict"].agg(set)
    if all(verdicts == {DRIVER} for verdicts in found):
        return f"gone in the board's {count}, where the driver alone explains them: a loose contact"
    again = sum(BEYOND in verdicts for verdicts in found)
    if again == len(found):
        return f"there in the board's {count} too, so it is not one mounting's"
    known = sum(verdicts == {DRIVER} for verdicts in found)
    return (
        f"of the board's {count}, {again} show it too, in {known} the driver alone explains all of "
        "them, the rest cannot tell"
    )


def _stepped(ground: Ground, steps: pd.DataFrame) -> str:
    if steps.empty:
        return f"No drive steps: record {asked(ground, 'steps')}."
    told = steps[steps["verdict"] != STEP_OPEN]
    odd = told[told["verdict"] == NOT_WITH]
    pairs = odd[["specimen", "mount"]].drop_duplicates()
    places = [f"{p.specimen} mount {p.mount}" for p in pairs.itertuples()][:MOST_PLACES]
    where = f" ({listed(places)})" if places else ""
    stepped = len(steps[["specimen", "mount"]].drop_duplicates())
    return (
        f"Drive steps: {len(odd)} of {len(told)} that can be judged do not go with the sensed "
        f"harmonic{where}; {stepped} of {counted(len(ground.tones), 'mount')} have them."
    )

"""Board or driver, as the reader meets it: sentences and tables on the attribution.

Rows count mounts and harmonics, never takes, and nothing here is said about woods: a harmonic that
the driver explains says nothing about the wood, and one that it does not explain belongs to a
mounting, a fitting or a board before it can be a wood's.

Functions: attribution_sentences, counts_table, beyond_table, wanted_table, controls_table,
steps_sentences, telling_specimen, story_sentence, story_table.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from studylib.attribution.advice import CONTROLS
from studylib.attribution.steps import NOT_WITH, WITH
from studylib.attribution.uncertainty import DB
from studylib.attribution.verdicts import BEYOND, CANNOT_TELL, DRIVER, NOISE, VERDICTS
from studylib.errors import InputError
from studylib.figures.excess import worth_showing
from studylib.sheets import Study
from studylib.words.numbers import counted
from studylib.words.text import listed, nearest, shown

if TYPE_CHECKING:
    from studylib.report.summary import Summary

WANTED_COLUMNS = ["record", "harmonics it may settle", "how", "start at", "take care"]
DECIMALS = dict.fromkeys(("recorded", "driver alone", "excess (dB)", "from", "to", "noise"), 1)
STORY_COLUMNS = {
    "mount": "mount",
    "harmonic": "harmonic",
    "observed_db": "recorded",
    "predicted_db": "driver alone",
    "excess_db": "excess (dB)",
    "low": "from",
    "high": "to",
    "noise_db": "noise",
    "air_db": "air",
    "recorder_db": "recorder",
    "verdict": "verdict",
    "reason": "reason",
}


def attribution_sentences(summary: Summary) -> list[str]:
    """What the harmonics turned out to be, over all mounts, and what that rests on."""
    table = summary.attribution.table
    if table.empty:
        return ["No harmonic could be attributed: there is no usable take of the tone."]
    usable = table[table["observed_db"].notna()]
    mounts = len(table[["specimen", "mount"]].drop_duplicates())
    boards = usable[["specimen", "mount"]].drop_duplicates()
    if boards.empty:
        none = f"No take of the tone is fit for use in any of {counted(mounts, 'mount')}."
        return [none, *_basis(summary)]
    heard = usable[usable["verdict"] != NOISE]
    said = [
        f"In {counted(len(boards), 'mount')} of {counted(boards['specimen'].nunique(), 'specimen')}"
        f", harmonics above the noise of their own narrow bin: {len(heard)}."
    ]
    if mounts > len(boards):
        lost = mounts - len(boards)
        has = "has" if lost == 1 else "have"
        said.append(f"{counted(lost, 'more mount')} {has} no usable take of the tone.")
    count = heard["verdict"].value_counts()
    for verdict, words in _SAID.items():
        if count.get(verdict):
            said.append(words.format(n=count[verdict]))
    said += _basis(summary)
    beyond = table[table["verdict"] == BEYOND]
    if not beyond.empty:
        places = [
            f"{specimen} mount {mount} ({_harmonics(own['harmonic'])})"
            for (specimen, mount), own in beyond.groupby(["specimen", "mount"], sort=False)
        ]
        said.append(f"Beyond the driver: {listed(places)}.")
    return said


_SAID = {
    DRIVER: "Explained by the driver's own distortion within 1.5 dB: {n}.",
    "recorder": "Within 6 dB of the recorder's own distortion: {n}.",
    "air": "Within 6 dB of sound through the air, or below it: {n}.",
    BEYOND: "More than driver, air and recorder can give: {n}.",
    CANNOT_TELL: "Nothing can be said: {n}; the table below lists what may settle it.",
}


def _harmonics(numbers: pd.Series) -> str:
    word = "harmonic" if len(numbers) == 1 else "harmonics"
    return f"{word} {listed(map(str, numbers))}"


def _basis(summary: Summary) -> list[str]:
    spread = summary.attribution.take_spread
    channels = summary.study.settings.channels
    if channels.drive is None or channels.drive_kind == "voltage":
        return [
            "There is no force or acceleration channel at the driving point. What the driver does "
            "on a board is then known only from takes on the block, where its distortion is "
            "another one: this can never show that anything is beyond the driver."
        ]
    said = [
        "The prediction is the harmonic sensed at the driving point times what the mounted board "
        "passes on at that frequency. The sensor feels one direction at one place: what enters "
        "the board in other ways, by rocking or through the stand, is not in it."
    ]
    if spread.df:
        said.append(
            "Two takes of one mount lie apart by a standard deviation of "
            f"{DB * spread.level**0.5:.2f} dB ({spread.df} degrees of freedom, all mounts "
            "together); this is in every interval."
        )
    return said


def counts_table(summary: Summary) -> pd.DataFrame:
    """Verdicts counted over mounts, one row a harmonic, as far up as the figure goes."""
    table = summary.attribution.table
    if table.empty:
        return pd.DataFrame(columns=["harmonic", *VERDICTS])
    table = table[table["harmonic"] <= worth_showing(table)]
    counts = pd.crosstab(table["harmonic"], table["verdict"])
    counts = counts.reindex(columns=list(VERDICTS), fill_value=0)
    return counts.rename_axis(columns=None).reset_index()


def beyond_table(summary: Summary) -> pd.DataFrame:
    """Every harmonic that is beyond the driver, with its reason."""
    table = summary.attribution.table
    rows = table[table["verdict"] == BEYOND]
    columns = ["specimen", "mount", "harmonic", "excess_db", "low", "high", "reason"]
    return rows[columns].rename(columns={"excess_db": "excess (dB)", "low": "from", "high": "to"})


def wanted_table(summary: Summary) -> pd.DataFrame:
    """What to record next: for each control, how many harmonics it would settle, and how."""
    table = summary.attribution.table
    open_ones = table[table["verdict"] == CANNOT_TELL]
    counts = open_ones["settle"].value_counts()
    rows = [
        (control.name, int(counts[control.name]), control.how, control.start, control.care)
        for control in CONTROLS.values()
        if counts.get(control.name)
    ]
    rows.sort(key=lambda row: -row[1])
    return pd.DataFrame(rows, columns=WANTED_COLUMNS)


def controls_table(study: Study) -> pd.DataFrame:
    """Every control: what it rules out, which batches have it, how to record it, with what care."""
    rows = []
    for key, control in CONTROLS.items():
        if key == "longer":
            continue
        having = [batch for batch in study.batches if _has(study, batch, key)]
        rows.append(
            {
                "control": control.name,
                "tells": control.tells,
                "recorded in": listed(having) if having else "no batch",
                "how": control.how,
                "start at": control.start,
                "take care": control.care,
            }
        )
    return pd.DataFrame(rows)


def _has(study: Study, batch: str, control: str) -> bool:
    takes = [take for take in study.takes if take.batch == batch and not take.exclude]
    tone_hz = study.settings.tone.fundamental_hz
    tones = [take for take in takes if take.kind == "tone"]
    match control:
        case "sensor":
            channels = study.settings.channels
            return channels.drive is not None and channels.drive_kind != "voltage"
        case "probe":
            return any(take.tone_hz > 1.5 * tone_hz for take in tones)
        case "steps":
            return any(take.drive_db < 0 and take.tone_hz < 1.5 * tone_hz for take in tones)
        case "repeats":
            return any(take.repeat > 1 for take in tones)
        case "remount":
            mounts = {(take.specimen, take.mount) for take in tones}
            return len(mounts) > len({specimen for specimen, _ in mounts})
        case _:
            return any(take.kind == control for take in takes)


def steps_sentences(summary: Summary) -> list[str]:
    """What the drive steps say: mounts and harmonics, never woods."""
    steps = summary.attribution.steps
    if steps.empty:
        return [
            "No mount has drive steps. Not tested: record "
            f"{CONTROLS['steps'].ask.format(at=0, tone=0)}."
        ]
    mounts = steps[["specimen", "mount"]].drop_duplicates()
    judged = steps[steps["verdict"] != CANNOT_TELL]
    odd = judged[judged["verdict"] == NOT_WITH]
    said = [
        f"Recorded at lower drive as well: {counted(len(mounts), 'mount')}. A linear board "
        "lets each harmonic grow exactly as the one sensed at the driving point.",
        f"Of {len(steps)} readings (one harmonic at one lower drive) "
        f"{(judged['verdict'] == WITH).sum()} do so within 1.5 dB and {len(odd)} do not; on "
        f"{len(steps) - len(judged)} nothing can be said (below the noise, too wide an interval, "
        "or no sensor).",
    ]
    if not odd.empty:
        places = odd[["specimen", "mount"]].drop_duplicates()
        said.append(
            "Not as the driver: "
            + listed([f"{p.specimen} mount {p.mount}" for p in places.itertuples()])
            + ". A contact that opens and closes does that; a linear board does not."
        )
    return said


def telling_specimen(table: pd.DataFrame, chosen: str = "") -> str:
    """The specimen whose story is told: the chosen one; else one with something beyond the driver,
    else the first. "" for an empty table.

    Raises
    ------
    InputError : the chosen specimen is not in the table.
    """
    names = list(dict.fromkeys(table["specimen"]))
    if chosen and chosen not in names:
        known = f"; the nearest is {shown(nearest(chosen, names))}" if names else ""
        raise InputError(f"this batch has no take of the tone of {shown(chosen)}{known}")
    beyond = table.loc[table["verdict"] == BEYOND, "specimen"]
    return chosen or (beyond.iloc[0] if len(beyond) else (names[0] if names else ""))


def story_sentence(table: pd.DataFrame, specimen: str) -> str:
    """Verdicts of one specimen in a sentence."""
    rows = table[(table["specimen"] == specimen) & (table["verdict"] != NOISE)]
    if rows.empty:
        return f"{specimen}: no harmonic stands out of the noise."
    counts = rows["verdict"].value_counts()
    parts = [f"{counts[v]} {v}" for v in VERDICTS if counts.get(v)]
    return (
        f"{specimen}: {counted(len(rows), 'harmonic')} above the noise in "
        f"{counted(rows['mount'].nunique(), 'mount')}: {listed(parts)}."
    )


def story_table(table: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """One specimen's rows above the noise; levels in the table's unit."""
    rows = table[(table["specimen"] == specimen) & (table["verdict"] != NOISE)]
    said = rows.assign(
        air_db=_levels(rows["air_db"], rows["air_is_limit"]),
        recorder_db=_levels(rows["recorder_db"], rows["recorder_is_limit"]),
    )
    return said[list(STORY_COLUMNS)].rename(columns=STORY_COLUMNS).reset_index(drop=True)


def _levels(level: pd.Series, limit: pd.Series) -> list[str]:
    """Levels in words, "at most" where they are only bounds; untested ones stay empty."""
    return [
        "not tested" if math.isnan(value) else f"{'at most ' if most else ''}{value:.1f}"
        for value, most in zip(level, limit.astype(bool), strict=True)
    ]

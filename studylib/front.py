"""The front door's own functions: what a Python user can do without a study folder, or with one.

`import studylib as st` offers them beside the rest; tables go in and out as plain frames, reasons
as sentences. The work is done where a run does it: one take is measured as a study of one take.

Functions: `measure_take`, `compare`, `attribute`, `plan`.
"""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd
from pydantic import ValidationError

from studylib import attribution, codes, errors, measure, recordings, sheets, words
from studylib.modes.gathered import boards_with_numbers
from studylib.report.plan_study import StudyPlan, plan_study
from studylib.sheets.study import read_unrecorded
from studylib.stats import compare as comparison

MEASURED = ["feature", "value", "unit", "u", "usable", "reason"]


def measure_take(
    path: Path | str,
    *,
    tone_hz: float,
    harmonics: int = 20,
    response: int = 1,
    drive: int | None = None,
    drive_kind: str = "acceleration",
    full_scale_db: float | None = None,
    gain_db: float = 0.0,
    skip_s: float | None = None,
    length_s: float = 0.8,
) -> pd.DataFrame:
    """Measure a recording of a steady tone; no study is needed.

    Parameters
    ----------
    path : WAV, FLAC or AIFF.
    tone_hz : frequency of the tone, Hz, above 0.
    harmonics : highest harmonic to measure, 1 or more.
    response, drive : channels as a person counts them; `drive` None where there is none.
    drive_kind : "force", "acceleration" or "voltage"; a response is given for the first two.
    full_scale_db : dB re 20 uPa of a full-scale sine; without it levels are re full scale.
    gain_db : of the recorder over the bench's setting; levels are brought to that.
    skip_s : what is left out at the start, s; None: the tone is found where it sounds.
    length_s : what is analysed, s.

    Returns
    -------
    One row a feature: feature, value, unit, u (standard uncertainty), usable, reason (a sentence
    where the row is not usable). A recording that fails a check keeps its rows, unusable.

    Raises
    ------
    InputError : the file cannot be read as audio, or an argument cannot be used.

    Examples
    --------
    >>> take = "data_demo/recordings/day1/L1-m1-tone172-r1.flac"
    >>> found = st.measure_take(take, tone_hz=172.0, drive=2).set_index("feature")
    >>> print(*found.loc["tone.h3.rel_db", ["unit", "usable"]])
    dB True
    >>> bool(found.loc["tone.frequency_hz", "u"] < 0.01)
    True
    """
    path = Path(os.path.abspath(path))
    recordings.probe(path)  # what cannot be opened is said at once, not as a row
    channels = {"response": response, "full_scale_db": full_scale_db}
    if drive is not None:
        channels |= {"drive": drive, "drive_kind": drive_kind}
    tone = {
        "fundamental_hz": tone_hz, "harmonics": harmonics, "skip_s": skip_s, "length_s": length_s,
    }  # fmt: skip
    try:
        settings = sheets.Settings.model_validate(
            {"study": {"title": path.name, "question": path.name}, "channels": channels,
             "tone": tone}
        )  # fmt: skip
    except ValidationError as error:
        first = error.errors()[0]
        name, given = str(first["loc"][-1]), first["input"]
        raise errors.InputError(
            codes.note("front.argument", name=name, given=str(given), right=first["msg"])
        ) from None
    board = sheets.Specimen(specimen="board", wood="wood", row=2)
    take = sheets.Take(
        take="take", batch="batch", kind="tone", specimen="board", mount="1",
        repeat="1", file=path.name, tone_hz=repr(float(tone_hz)), row=2,
        gain_db=repr(float(gain_db)),
    )  # fmt: skip
    features = measure.measure_batch(
        sheets.Study(path.parent, "study", settings, (board,), (take,), ()), "batch"
    ).features
    return features[MEASURED].assign(reason=features["reason"].map(words.in_words))


def compare(
    features: pd.DataFrame,
    specimens: pd.DataFrame,
    *,
    primary: Sequence[str] | None = None,
    confidence: float = 0.95,
    smallest_n: int = 2,
    limits: Mapping[str, float] | None = None,
    claims: Sequence[Mapping[str, str]] = (),
    locked: bool = False,
    looks: int = 1,
    places: pd.DataFrame | None = None,
    listening: bool = True,
) -> comparison.Comparison:
    """Compare woods, each board one number, from plain tables.

    Parameters
    ----------
    features : one row a take and feature: specimen, feature, value; as far as they are known also
        take, mount (1), batch, usable (where the value is finite), reason.
    specimens : one row a board: specimen, wood; as far as they are known also source (the plank; if
        a board has none, all boards of its wood count as one plank) and role ("reference",
        "changed", or "").
    primary : features that decide; None for all that are measured.
    confidence : above 0.5 and below 1.
    smallest_n : sources of each wood before anything is said about woods, 2 or more.
    limits : feature -> listening limit, dB or a ratio above 1, beside those of the register.
    claims : each with text, feature, higher, lower.
    locked : whether they stood before recording, so that they alone decide.
    looks : how many looks at these boards were planned, 1 or more; all share the error.
    places : specimen, batch, mount, place in the order of recording, where drift is taken out.
    listening : whether a microphone heard it, so that listening limits exist.

    Returns
    -------
    Tables with woods in the order of `specimens`; `effects`, `variance`, `boards` and `claims` as
    a run writes them, reasons as notes (`say` makes the sentences).

    Raises
    ------
    InputError : a column is missing, a board has no row of its own, or a feature is not known
        (`register.extended` makes your own known).

    Examples
    --------
    >>> boards = pd.DataFrame({"specimen": ["L1", "L2", "L3", "R1", "R2", "R3"],
    ...                        "wood": ["larch"] * 3 + ["robinia"] * 3,
    ...                        "source": ["1", "2", "3", "4", "5", "6"]})
    >>> level = [-20.1, -19.6, -20.4, -14.0, -14.7, -14.4]
    >>> takes = boards.assign(feature="probe.k3.response_db", value=level)
    >>> found = st.compare(takes, boards, limits={"probe.k3.response_db": 1.0})
    >>> print(*found.effects.loc[0, ["wood_a", "wood_b", "verdict"]], sep=", ")
    larch, robinia, beyond limit
    >>> figure = st.figures.effects_figure(found.effects)
    """
    specimens = _with(specimens, "specimens", ("specimen", "wood"), {"source": "", "role": ""})
    unnamed = specimens["source"].isna() | (specimens["source"] == "")
    woods = specimens.loc[unnamed & (specimens["role"] == ""), "wood"]
    one_plank = specimens["wood"].isin(woods) & (specimens["role"] == "")
    named = specimens["source"].where(~unnamed, specimens["specimen"])
    specimens["source"] = named.where(~one_plank, specimens["wood"])
    specimens["source_assumed"] = unnamed
    doubled = specimens.loc[specimens["specimen"].duplicated(), "specimen"]
    if len(doubled):
        raise errors.InputError(codes.note("front.one_row_each", name=str(doubled.iloc[0])))
    features = _with(
        features, "features", ("specimen", "feature", "value"),
        {"batch": "1", "mount": 1, "reason": ""},
    )  # fmt: skip
    strange = sorted(set(features["specimen"]) - set(specimens["specimen"]))
    errors.InputError.refuse(
        strange, "front.unknown_specimens", names=[str(name) for name in strange]
    )
    numbers = [str(number) for number in range(len(features))]
    features = features.assign(
        **{name: numbers for name in ("id", "take") if name not in features},
        **({} if "usable" in features else {"usable": features["value"].notna()}),
    )
    return comparison.compare(
        features,
        specimens,
        woods=list(dict.fromkeys(specimens.loc[specimens["role"] == "", "wood"])),
        primary=list(dict.fromkeys(features["feature"])) if primary is None else primary,
        confidence=confidence,
        smallest_n=smallest_n,
        limits=limits,
        claims=claims,
        locked=locked,
        looks=looks,
        places=places,
        own_limits=set(limits or ()),
        listening=listening,
    )


def _with(
    frame: pd.DataFrame, table: str, needed: Sequence[str], others: Mapping[str, object]
) -> pd.DataFrame:
    """A copy that has all columns; `others` are filled in where they are missing."""
    if missing := [name for name in needed if name not in frame]:
        about = {"name": missing[0], "known": [str(column) for column in frame.columns]}
        raise errors.InputError(codes.note("front.no_column", table=table, **about))
    return frame.reset_index(drop=True).assign(
        **{name: value for name, value in others.items() if name not in frame}
    )


def attribute(study: sheets.Study, *measured: measure.BatchMeasurement) -> attribution.Attribution:
    """Board or driver? One verdict for each board, mount and harmonic of the tone.

    Parameters
    ----------
    study : from `read_study`.
    measured : batches, from `measure_batch`.

    Returns
    -------
    `table`, the verdicts with their intervals and reasons, and `steps`, the drive steps.

    Raises
    ------
    InputError : no batch is given, or one that the study does not have.

    Examples
    --------
    >>> verdicts = st.attribute(study, measured).table
    >>> "driver" in set(verdicts["verdict"])
    True
    >>> len(st.say(verdicts.loc[0, "reason"])) > 20
    True
    """
    errors.InputError.refuse(not measured, "front.no_batch")
    harmonics, found = (
        pd.concat([getattr(batch, name) for batch in measured], ignore_index=True)
        for name in ("harmonics", "modes")
    )
    return attribution.attribute_study(
        study,
        harmonics,
        batches=[batch.batch for batch in measured],
        board_modes=boards_with_numbers(study, found.drop(columns="mode"))[1],
    )


def plan(folder: Path | str) -> StudyPlan:
    """What the design of a study can find, and what it never can, before boards are cut.

    Parameters
    ----------
    folder : the study folder; of takes.csv nothing is needed.

    Returns
    -------
    The planks of each wood and, for each primary feature, spreads, chances of each verdict, the
    smallest designs and the best split of the minutes.

    Raises
    ------
    InputError : the sheets have faults, or name one wood only.

    Examples
    --------
    >>> st.plan("data_demo").planks
    {'larch': 4, 'cherry': 4, 'robinia': 4}
    """
    return plan_study(read_unrecorded(folder))

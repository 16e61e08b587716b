"""What `study check` says at the bench: which takes are not fit for use, why, and what to do.

Takes that were excluded by hand are counted and no more: their reason is known.

Functions: `fitness`, `bench_warnings`, `levels_told`, `repeats_apart`, `failed_checks`.
"""

from collections.abc import Iterable, Mapping

import pandas as pd

from studylib import codes, register, sheets, words
from studylib.attribution.levels import CASE, OF_THE_DRIVE, level_findings, levels_of
from studylib.codes.checks import Verdict
from studylib.measure.batch import BatchMeasurement
from studylib.signal.quality import ABOUT_FILE, CHECKS, TOLD_BY_SOURCE, Check, finding

MOST_NAMED = 5
UNADVISED = ("readable", "rate")  # their finding says all there is to do
OF_THE_TONE = ("tone.h1.level_db", "tone.h1.response_db")
APART_DB = 3.0  # common practice, no source: repeats of one mount differ by some tenths of a dB


def fitness(
    study: sheets.Study, quality: pd.DataFrame, *, slips: Mapping[str, str]
) -> tuple[list[str], int]:
    """The quality tables of a study in words, most urgent last, and how many takes fail.

    Parameters
    ----------
    quality : the checks of all batches (`measure.BatchMeasurement.quality`), one row a check.
    slips : take -> a note of what its recording most likely is (`bench.slips`). Where that is
        another signal, the checks of the one that was expected are left out.
    """
    excluded = {take.take for take in study.takes if take.exclude}
    rows = quality[~quality["take"].isin(excluded)]
    verdicts = rows[rows["check"] == "take"].set_index("take")["verdict"]
    rows = rows[rows["check"] != "take"]
    failed = [take for take in study.takes if verdicts.get(take.take) == Verdict.FAIL]
    used = rows[~rows["take"].isin({take.take for take in failed})]
    by_take = dict(list(rows.groupby("take", sort=False)))
    lines = _warnings(used[used["verdict"] == Verdict.WARN])
    lines += [
        words.say("slips.warning", take=take, slip=slip)
        for take, slip in slips.items()
        if verdicts.get(take) != Verdict.FAIL
    ]
    lines += [words.say("checks.not_fit")] * bool(failed)
    for take in failed:
        slip = slips.get(take.take, "")
        found, advice = (
            ([], []) if codes.code_of(slip) == "slips.other" else failed_checks(by_take[take.take])
        )
        lines += [
            "  " + words.say("checks.take", take=take.take, row=take.row, file=take.file),
            *(f"    {words.say(one)}" for one in (slip, *found) if one),
            *("    " + words.say("checks.to_do", advice=one) for one in advice),
        ]
    total = words.say(
        "checks.total",
        takes=len(study.takes),
        failed=len(failed),
        warned=int((verdicts == Verdict.WARN).sum()),
        excluded=len(excluded),
    )
    return [*lines, total], len(failed)


def bench_warnings(batches: Iterable[BatchMeasurement], *, item: str = "warning") -> list[str]:
    """What is odd about the bench of a batch as a whole, such as calibrators that disagree.

    item : "clocks" for how far those of player and recorder are apart.
    """
    return [
        codes.note("checks.batch_warning", batch=batch.batch, warning=value)
        for batch in batches
        for value in batch.bench.loc[batch.bench["item"] == item, "value"]
    ]


def levels_told(study: sheets.Study, batches: Iterable[BatchMeasurement]) -> list[str]:
    """Level control and ceilings that the steps of the drive show; of a microphone without a drive
    channel, that there are no steps to show any."""
    takes = [take for take in study.takes if take.support == "bench" and not take.exclude]
    rows = pd.concat([batch.harmonics for batch in batches], ignore_index=True).infer_objects()
    channels, tone = study.settings.channels, study.settings.tone
    levels = levels_of(rows, takes, study.specimens, fundamental_hz=tone.fundamental_hz)
    alone = channels.drive is None and channels.response_kind == "microphone"
    if alone and levels.groupby(CASE)["drive_db"].nunique().max() == 1:
        return ["checks.levels_untested"]
    return [
        one
        for one in (level_findings(levels) if len(levels) else ())
        if codes.code_of(one) in OF_THE_DRIVE
    ]


def repeats_apart(batches: Iterable[BatchMeasurement]) -> list[str]:
    """Repeats of one mount that disagree on a tone: the lowest and the highest, neither blamed."""
    features = pd.concat([batch.features for batch in batches], ignore_index=True)
    # At the tone itself, and of what the board passes of a probe tone.
    levels = [
        name
        for name in features["feature"].unique()
        for feature in [register.find(name)]
        if feature.scale == "db" and (feature.kind == register.Kind.PROBE or name in OF_THE_TONE)
    ]
    own = features[features["feature"].isin(levels) & features["usable"]]
    where = ["batch", "specimen", "mount", "feature"]
    return [
        codes.note(
            "checks.apart",
            **dict(zip(where, group, strict=True)),
            **{"low": low, "high": high, "takes": len(rows), "unit": rows["unit"].iloc[0]},
        )
        for group, rows in own.groupby(where, sort=False)
        for ends in [rows["value"].agg(["idxmin", "idxmax"])]
        for low, high in [rows.loc[ends, ["take", "value"]].to_dict("records")]
        if high["value"] - low["value"] > APART_DB
    ]


def _warnings(rows: pd.DataFrame) -> list[str]:
    """One line a check: the takes that it warns about, and the worst of them.

    Remarks on files have a line each: the worst of one cannot speak for another.
    """
    lines = []
    remark = rows["source"].where(rows["check"].isin(TOLD_BY_SOURCE), "")
    for (check, _), found in rows.groupby(["check", remark], sort=False):
        worst = found.loc[[found["value"].agg("idxmin" if CHECKS[check].low else "idxmax")]]
        takes = list(dict.fromkeys(found["take"]))
        named = worst["take"].iloc[0] if len(takes) > 1 else ""
        lines.append(
            words.say(
                "checks.warning",
                takes=takes[:MOST_NAMED],
                more=max(len(takes) - MOST_NAMED, 0),
                finding=finding(_checks(worst), worst=named),
            )
        )
    return lines


def failed_checks(rows: pd.DataFrame) -> tuple[list[str], list[str]]:
    """What failed in one take, and what to do about it, each once, as notes.

    What its file is remarked for comes with it: the next recording had better not repeat it.

    Parameters
    ----------
    rows : the checks of one take (columns of tables/quality.csv).
    """
    remarked = rows["check"].isin(ABOUT_FILE) & (rows["verdict"] == Verdict.WARN)
    told = dict(
        list(rows[(rows["verdict"] == Verdict.FAIL) | remarked].groupby("check", sort=False))
    )
    asked = [
        codes.note(CHECKS[check].code, form="advice") for check in told if check not in UNADVISED
    ]
    advice = {words.say(todo): todo for todo in asked}  # two checks may ask for the same
    return [finding(_checks(own)) for own in told.values()], list(advice.values())


def _checks(rows: pd.DataFrame) -> list[Check]:
    return [Check(*row) for row in rows[list(Check._fields)].itertuples(index=False)]

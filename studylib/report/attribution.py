"""Board or driver, as the reader meets it: notes and tables on the attribution.

Rows count mounts and harmonics, never takes, and nothing here is said about woods: a harmonic that
the driver explains says nothing about the wood, and one that it does not explain belongs to a
mounting, a fitting or a board before it can be a wood's.

Functions: attribution_sentences, counts_table, beyond_table, wanted_table, controls_table,
steps_sentences, steps_table, story_sentence, story_table.
"""

import math
from itertools import groupby

import pandas as pd

from studylib import codes, sheets, words
from studylib.attribution import excess, rivals, uncertainty
from studylib.attribution.verdicts import NEAR_DB, highest_shown
from studylib.codes.attribution import Control, StepVerdict, Verdict
from studylib.report.rivals.basis import mounts_of
from studylib.report.summary import Summary
from studylib.sheets.files import grouped
from studylib.sheets.study import in_batch_order
from studylib.words import numbers, text

LEVELS = (
    "observed_db", "predicted_db", "excess_db", "low", "high", "noise_db",
    "drive_db", "growth_db", "sensed_growth_db", "difference_db",
)  # fmt: skip
DECIMALS = {words.say("attribution.heading", column=column): 1 for column in LEVELS}
STORY_COLUMNS = (
    "mount", "harmonic", "observed_db", "predicted_db", "excess_db", "low", "high", "noise_db",
    "air_db", "recorder_db", "verdict", "reason",
)  # fmt: skip
STEP_COLUMNS = (
    "mount", "harmonic", "drive_db", "growth_db", "sensed_growth_db", "difference_db", "low",
    "high", "verdict",
)  # fmt: skip
BEYOND_COLUMNS = ("specimen", "mount", "harmonic", "excess_db", "low", "high", "reason")


def attribution_sentences(summary: Summary) -> list[str]:
    """What the harmonics turned out to be, over all mounts, and what that rests on."""
    table = summary.attribution.table
    if table.empty:
        return [codes.note("attribution.nothing")]
    usable = table[table["observed_db"].notna()]
    mounts, measured = len(mounts_of(table)), len(mounts_of(usable))
    if not measured:
        return [codes.note("attribution.no_usable_tone", mounts=mounts), *_basis(summary)]
    heard = usable[usable["verdict"] != Verdict.NOISE]
    specimens = usable["specimen"].nunique()
    count = heard["verdict"].value_counts()
    beyond = table[table["verdict"] == Verdict.BEYOND]
    places = [
        codes.note(
            "attribution.place_harmonics",
            specimen=summary.study.specimen(specimen).shown,
            mount=mount,
            harmonics=own,
        )
        for (specimen, mount), own in beyond.groupby(["specimen", "mount"], sort=False)["harmonic"]
    ]
    return [
        codes.note("attribution.heard", mounts=measured, specimens=specimens, harmonics=len(heard)),
        *codes.holding(
            (mounts > measured, codes.note("attribution.lost_mounts", mounts=mounts - measured)),
        ),
        *(
            codes.note(
                "attribution.counted_verdict",
                verdict=verdict,
                harmonics=count[verdict],
                margin_db=excess.MARGIN_DB,
                near_db=NEAR_DB,
            )
            for verdict in _IN_ORDER
            if verdict in count
        ),
        *_basis(summary),
        *codes.holding((places, codes.note("attribution.beyond_places", places=places))),
    ]


_IN_ORDER = (
    Verdict.DRIVER,
    Verdict.RECORDER,
    Verdict.AIR,
    Verdict.BENCH,
    Verdict.BEYOND,
    Verdict.CANNOT_TELL,
)


def _basis(summary: Summary) -> list[str]:
    if not summary.study.settings.channels.sensed:
        return [codes.note("attribution.no_sensor")]
    spread = summary.attribution.take_spread
    repeated = codes.note(
        "attribution.take_spread", sd_db=uncertainty.DB * spread.level**0.5, df=spread.df
    )
    return [codes.note("attribution.basis"), *codes.holding((spread.df, repeated))]


def counts_table(summary: Summary) -> pd.DataFrame:
    """Verdicts counted over mounts, one row a harmonic, as far up as the figure goes."""
    table, verdicts = summary.attribution.table, list(Verdict)
    if table.empty:
        return pd.DataFrame(columns=["harmonic", *verdicts])
    table = table[table["harmonic"] <= highest_shown(table)]
    return (
        pd.crosstab(table["harmonic"], table["verdict"])
        .reindex(columns=verdicts, fill_value=0)
        .rename_axis(columns=None)
        .reset_index()
    )


def beyond_table(summary: Summary) -> pd.DataFrame:
    """Every harmonic that is beyond the driver, with its reason."""
    table = summary.attribution.table
    return _headed(table[table["verdict"] == Verdict.BEYOND], BEYOND_COLUMNS)


def wanted_table(summary: Summary) -> pd.DataFrame:
    """What to record next: for each control, how many harmonics it would settle, and how."""
    table = summary.attribution.table
    counts = table.loc[table["verdict"] == Verdict.CANNOT_TELL, "settle"].value_counts()
    rows = [
        (codes.note(control), int(counts[control]), *_how(control))
        for control in Control
        if control in counts
    ]
    return pd.DataFrame(
        sorted(rows, key=lambda row: -row[1]),
        columns=_headings("record", "settles", "how", "start", "care"),
    )


def controls_table(study: sheets.Study) -> pd.DataFrame:
    """Every control: what it rules out, which batches have it, how to record it, with what care."""
    rows = [
        (
            codes.note(control),
            codes.note(control, part="tells"),
            text.listed([batch for batch in study.batches if _has(study, batch, control)])
            or words.say("attribution.no_batch"),
            *_how(control),
        )
        for control in Control
        if control not in (Control.LONGER, Control.ELSEWHERE)
    ]
    return pd.DataFrame(
        rows, columns=_headings("control", "tells", "recorded_in", "how", "start", "care")
    )


def _how(control: Control) -> list[str]:
    """How to record a control, at which level to start, with what care."""
    return [codes.note(control, part=part) for part in ("how", "start", "care")]


def _headings(*columns: str) -> list[str]:
    return [words.say("attribution.heading", column=column) for column in columns]


def _headed(table: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """These columns of a table, each under its heading."""
    return table[list(columns)].set_axis(_headings(*columns), axis="columns")


def _has(study: sheets.Study, batch: str, control: Control) -> bool:
    takes = [take for take in study.takes if take.batch == batch and not take.exclude]
    tone_hz = study.settings.tone.fundamental_hz
    tones = [take for take in takes if take.kind == "tone"]
    mounts = {(take.specimen, take.mount) for take in tones}
    specimens = {take.specimen for take in tones}
    having = {
        Control.SENSOR: study.settings.channels.sensed,
        Control.PROBE: any(take.tone_hz > 1.5 * tone_hz for take in tones),
        Control.STEPS: any(take.drive_db < 0 and take.tone_hz < 1.5 * tone_hz for take in tones),
        Control.TAPS: any(take.kind == "tap" and take.support == "bench" for take in takes),
        Control.BOARDS: len(specimens) > rivals.FEWEST_OTHERS,
        Control.REPEATS: any(take.repeat > 1 for take in tones),
        Control.PROBE_AFTER: _probed_on_both_sides(tones, tone_hz),
        Control.TURNED: any(take.turned for take in tones),
        Control.MOVED: any(take.moved_mm for take in tones),
        Control.FARTHER: any(take.mic_times for take in takes),
        Control.LEVELS: any(take.kind == "driver" and take.drive_db for take in takes),
        Control.REMOUNT: len(mounts) > len(specimens),
    }
    # The others are called as their kind of take.
    return having.get(control, any(take.kind == control.name.lower() for take in takes))


def _probed_on_both_sides(tones: list[sheets.Take], tone_hz: float) -> bool:
    """Some mount has probe tones before and after a tone at the fundamental."""
    mounts = grouped(
        ((take.specimen, take.mount), take.tone_hz > 1.5 * tone_hz)
        for take in in_batch_order(tones)[1]
    )
    return any(sum(kind for kind, _ in groupby(own)) > 1 for own in mounts.values())


def steps_sentences(summary: Summary) -> list[str]:
    """What the drive steps say: mounts and harmonics, never woods."""
    steps = summary.attribution.steps
    if steps.empty:
        return [codes.note("attribution.no_steps")]
    count = steps["verdict"].value_counts()
    places = [
        codes.note("attribution.place", **place)
        for place in mounts_of(steps[steps["verdict"] == StepVerdict.NOT_WITH]).to_dict("records")
    ]
    return [
        codes.note("attribution.stepped_mounts", mounts=len(mounts_of(steps))),
        codes.note(
            "attribution.step_counts",
            readings=len(steps),
            with_driver=count.get(StepVerdict.WITH, 0),
            not_with_driver=count.get(StepVerdict.NOT_WITH, 0),
            open=count.get(StepVerdict.CANNOT_TELL, 0),
            margin_db=excess.MARGIN_DB,
        ),
        *codes.holding((places, codes.note("attribution.odd_steps", places=places))),
    ]


def steps_table(steps: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """How one specimen's harmonics grew from each lower drive to full drive, beside the harmonic
    that was sensed; of those that stand out of the noise in both."""
    known = steps[(steps["specimen"] == specimen) & steps["difference_db"].notna()]
    return _headed(known, STEP_COLUMNS).reset_index(drop=True)


def story_sentence(table: pd.DataFrame, specimen: str) -> str:
    """Verdicts of one specimen, counted."""
    rows = table[(table["specimen"] == specimen) & (table["verdict"] != Verdict.NOISE)]
    if rows.empty:
        return codes.note("attribution.story_below_noise", specimen=specimen)
    counts = rows["verdict"].value_counts()
    told = [
        codes.note("attribution.verdict_count", verdict=verdict, count=counts[verdict])
        for verdict in Verdict
        if verdict in counts
    ]
    return codes.note(
        "attribution.story",
        specimen=specimen,
        harmonics=len(rows),
        mounts=rows["mount"].nunique(),
        counts=told,
    )


def story_table(table: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """One specimen's rows above the noise; levels in the table's unit."""
    rows = table[(table["specimen"] == specimen) & (table["verdict"] != Verdict.NOISE)]
    levels = {
        column: _levels(rows[column], rows[limit])
        for column, limit in (("air_db", "air_is_limit"), ("recorder_db", "recorder_is_limit"))
    }
    return _headed(rows.assign(**levels), STORY_COLUMNS).reset_index(drop=True)


def _levels(level: pd.Series, limit: pd.Series) -> list[str]:
    """Levels as notes, "at most" where they are only bounds."""
    return [
        "attribution.not_tested"
        if math.isnan(value)
        else codes.note("attribution.at_most", level=value)
        if most
        else numbers.fixed(value, 1)
        for value, most in zip(level, limit.astype(bool), strict=True)
    ]

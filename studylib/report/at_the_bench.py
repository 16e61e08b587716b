"""What `study check` says at the bench: which takes are not fit for use, why, and what to do.

Takes that were excluded by hand are counted and no more: their reason is known.

Functions: `fitness`, `bench_warnings`, `failed_checks`. Classes: `Fitness`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from studylib.signal.limits import LIMITS
from studylib.words.numbers import number
from studylib.words.text import listed

if TYPE_CHECKING:
    import pandas as pd

    from studylib.measure import BatchMeasurement
    from studylib.sheets import Study, Take

MOST_NAMED = 5
AGAIN = "Record the take again."
ADVICE = {
    "truncated finite": "Copy the file again from the recorder, or record the take again.",
    "rate": "Set the recorder to the rate of the study, or correct rate_hz in study.toml.",
    "channels": "Record every channel, or correct response and drive in study.toml.",
    "length": "Record longer, or set a shorter skip_s or length_s in study.toml.",
    "silence tone_absent": "Look at driver, cables and channel numbers, and record again.",
    "clipping peak": "Turn the recorder's gain down (gain_db in takes.csv) and record again.",
    "dc": "Try another input of the recorder, and record again.",
    "tone_ppm": "Set the generator to tone_hz, or correct tone_hz in takes.csv.",
    "drift_ppm wander steady": "Let generator, driver and mount settle, and record again.",
    "bump dropout click": "Look for knocks, loose parts and bad contacts, and record again.",
    "taps taps_refused": (
        "Tap once with something small and hard, let it ring out, keep hands off, and wait a "
        "second before the next tap."
    ),
    "sweep_unlike": (
        "Play the sweep of study.toml from its start to its end, or correct [sweep] there. Start "
        "quietly: a sweep through a resonance is louder than the tone before it."
    ),
    "hum": "Move cables away from mains leads and transformers (never cut a protective earth).",
    "mains": "Choose a tone between the multiples of 50 and 60 Hz, such as 172 Hz.",
    "noise_over_room noise_over_room_a noise_a snr_h1": (
        "Wait for quiet, look for a rattle, or come closer, and record again."
    ),
}
_ADVICE = {name: advice for names, advice in ADVICE.items() for name in names.split()}


@dataclass(frozen=True)
class Fitness:
    """The lines to print, most urgent last, and how many takes fail."""

    lines: tuple[str, ...]
    failed: int


def fitness(study: Study, quality: pd.DataFrame) -> Fitness:
    """Put the quality tables of a study into words.

    Parameters
    ----------
    quality : the checks of all batches (`measure.BatchMeasurement.quality`), one row a check.
    """
    excluded = {take.take for take in study.takes if take.exclude}
    rows = quality[~quality["take"].isin(excluded)]
    verdicts = rows[rows["check"] == "take"].set_index("take")["verdict"]
    rows = rows[rows["check"] != "take"]
    failed = [take for take in study.takes if verdicts.get(take.take) == "fail"]
    warned = int((verdicts == "warn").sum())
    used = rows[~rows["take"].isin({take.take for take in failed})]
    lines = _warnings(used[used["verdict"] == "warn"])
    if failed:
        lines.append("Not fit for use:")
    by_take = dict(list(rows[rows["verdict"] == "fail"].groupby("take", sort=False)))
    for take in failed:
        lines += _failure(take, by_take[take.take])
    by_hand = f", {len(excluded)} excluded by hand" if excluded else ""
    lines.append(
        f"{len(study.takes)} takes: {len(failed)} not fit for use, {warned} used with a "
        f"warning{by_hand}."
    )
    return Fitness(tuple(lines), len(failed))


def bench_warnings(batches: Iterable[BatchMeasurement]) -> list[str]:
    """What is odd about the bench of a batch as a whole, such as calibrators that disagree."""
    return [
        f"batch {batch.batch}: {said}"
        for batch in batches
        for said in batch.bench.loc[batch.bench["item"] == "warning", "value"]
    ]


def _warnings(rows: pd.DataFrame) -> list[str]:
    """One line a check: the takes that it warns about, and the worst of them."""
    lines = []
    for check, found in rows.groupby("check", sort=False):
        values = found["value"]
        worst = found.loc[values.idxmin() if LIMITS[check].low else values.idxmax()]
        names = list(dict.fromkeys(found["take"]))
        more = len(names) - MOST_NAMED
        if more > 0:
            names = [*names[:MOST_NAMED], f"{more} more"]
        where = f", worst in {worst['take']}" if len(names) > 1 else ""
        lines.append(f"Warning: {listed(names)}: {_measured(check, [worst], where=where)}")
    return lines


def _failure(take: Take, rows: pd.DataFrame) -> list[str]:
    """A take that is not fit for use: where it stands, each failed check, what to do."""
    lines = [f"  {take.take} (takes.csv, row {take.row}; {take.file})"]
    said, advice = failed_checks(rows)
    return [*lines, *(f"    {one}" for one in said), *(f"    To do: {one}" for one in advice)]


def failed_checks(rows: pd.DataFrame) -> tuple[list[str], list[str]]:
    """What failed in one take, and what to do about it, each once.

    Parameters
    ----------
    rows : the failed checks of one take (columns of tables/quality.csv).
    """
    said, advice = [], {}
    for check, found in rows.groupby("check", sort=False):
        if check == "readable":  # its source is a whole sentence, advice included
            said.append(found["source"].iloc[0])
            continue
        said.append(_measured(check, [row for _, row in found.iterrows()]))
        advice[_ADVICE.get(check, AGAIN)] = True
    return said, list(advice)


def _measured(check: str, rows: list[pd.Series], *, where: str = "") -> str:
    """The meaning of a check, its name, and what was found on each channel."""
    limit = LIMITS[check]
    said = f"{limit.meaning} ({check}){where}"
    if limit.fail == 0 and not limit.unit:
        return said
    unit = f" {limit.unit}" if limit.unit else ""
    values = [f"{number(row['value'], digits=3)}{unit}{_on(row['channel'])}" for row in rows]
    bound = rows[0]["limit"]
    held = f", limit {bound:g}{unit}" if bound else ""
    return f"{said}: {listed(values)}{held}"


def _on(channel: str) -> str:
    return f" ({channel})" if channel else ""

"""One table of all mounts' numbers, and its verdicts.

`numbers` gives the columns of one mount as arrays; `judged` joins those of all mounts, judges every
row, and says of an excess whether it comes back in the board's other mounts.

Contents: ATTRIBUTION_COLUMNS, numbers, unusable, judged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from studylib.attribution.advice import CONTROLS
from studylib.attribution.controls import Source
from studylib.attribution.excess import Evidence, excess_of, load_range
from studylib.attribution.verdicts import BEYOND, DRIVER, NOISE, judge
from studylib.sheets import Take

ATTRIBUTION_COLUMNS = [
    "specimen", "mount", "harmonic", "observed_db", "predicted_db", "excess_db", "low", "high",
    "verdict", "reason", "unit", "u", "phase_deg", "route", "noise_db", "air_db", "air_is_limit",
    "recorder_db", "recorder_is_limit", "hum_db", "settle", "batch",
]  # fmt: skip
OF_EXCESS = ["excess_db", "low", "high", "u", "phase_deg"]


@np.errstate(divide="ignore", invalid="ignore")
def numbers(evidence: Evidence, *, fundamental_hz: float) -> dict[str, np.ndarray]:
    """All that the verdicts of one mount rest on: name -> (rows,), from k = 2 up."""
    tone, found = evidence.tone, excess_of(evidence)
    k = np.arange(1, found.observed.size + 1)
    load_low, load_high = load_range(k.size)
    columns = {
        "specimen": tone.take.specimen,
        "mount": tone.take.mount,
        "harmonic": k,
        "observed_db": found.observed,
        "predicted_db": found.predicted,
        "excess_db": found.excess,
        "low": found.low,
        "high": found.high,
        "least": found.least,
        "unit": tone.unit,
        "u": found.u,
        "phase_deg": found.phase_deg,
        "route": evidence.transfer.source,
        "noise_db": found.noise,
        **_source("air", evidence.air),
        **_source("recorder", evidence.recorder),
        # Tested and nothing found: minus infinity; not tested: NaN.
        "hum_db": 20.0 * np.log10(evidence.room.line),
        "batch": tone.take.batch,
        "present": found.present,
        "driven": found.driven,
        "restless": found.restless,
        "widest": found.widest,
        "loosest": found.loosest,
        "phase_off": found.phase_off,
        "sensed": evidence.sensed,
        "air_known": np.isfinite(evidence.transfer.drive) | (not evidence.sensed),
        "has_block": evidence.block is not None,
        "repeats_known": bool(evidence.take_spread.df),
        "bin_hz": 1.0 / tone.seconds,
        "tone_hz": fundamental_hz,
        "at_hz": fundamental_hz * k,
        "load_low": load_low,
        "load_high": load_high,
    }
    # Harmonics above half the rate were never recorded.
    return _filled(columns, (k > 1) & np.isfinite(np.abs(tone.response)))


def unusable(key: tuple[str, int], take: Take, *, size: int) -> dict[str, np.ndarray]:
    """The same columns for a mount that was planned and has no usable take of the tone."""
    k = np.arange(1, size + 1)
    text = {"specimen": key[0], "mount": key[1], "harmonic": k, "batch": take.batch}
    empty = dict.fromkeys(("unit", "route", "widest", "loosest"), "")
    no = dict.fromkeys(
        ("air_is_limit", "recorder_is_limit", "present", "driven", "restless", "phase_off",
         "sensed", "air_known", "has_block", "repeats_known"),
        False,
    )  # fmt: skip
    nothing = dict.fromkeys(
        ("observed_db", "predicted_db", "noise_db", "air_db", "air_most_db", "recorder_db",
         "recorder_most_db", "hum_db", "least", "bin_hz", "tone_hz", "at_hz", "load_low",
         "load_high", *OF_EXCESS),
        np.nan,
    )  # fmt: skip
    return _filled({**text, **empty, **no, **nothing}, k > 1)


def _filled(columns: dict, kept: np.ndarray) -> dict[str, np.ndarray]:
    count = int(kept.sum())
    return {
        name: value[kept] if isinstance(value, np.ndarray) else _repeated(value, count)
        for name, value in columns.items()
    }


def _repeated(value, count: int) -> np.ndarray:
    return np.full(count, value, dtype=object if isinstance(value, str) else type(value))


def _source(name: str, source: Source) -> dict[str, np.ndarray]:
    limit = np.isnan(source.level)
    level = 20.0 * np.log10(np.where(limit, source.bound, source.level))
    return {
        f"{name}_db": level,
        f"{name}_is_limit": limit & ~np.isnan(source.bound),
        f"{name}_most_db": 20.0 * np.log10(source.bound),
    }


def judged(mounts: Sequence[dict[str, np.ndarray]]) -> pd.DataFrame:
    """The table of all mounts (ATTRIBUTION_COLUMNS), judged row by row."""
    if not mounts:
        return pd.DataFrame(columns=ATTRIBUTION_COLUMNS)
    table = pd.DataFrame(
        {name: np.concatenate([mount[name] for mount in mounts]) for name in mounts[0]}
    )
    found = [judge(row) for row in table.itertuples(index=False)]
    table["verdict"] = [each.verdict for each in found]
    table["reason"] = [each.reason for each in found]
    table["settle"] = [CONTROLS[each.settle].name if each.settle else "" for each in found]
    # Of what is not above the noise there is no excess to speak of.
    table.loc[table["verdict"] == NOISE, OF_EXCESS] = np.nan
    return _with_other_mounts(table[ATTRIBUTION_COLUMNS])


def _with_other_mounts(table: pd.DataFrame) -> pd.DataFrame:
    """Say of an excess whether it comes with the board or with one mounting of it."""
    verdicts = table["verdict"].tolist()
    if BEYOND not in verdicts:
        return table
    places = list(zip(table["specimen"], table["harmonic"], strict=True))
    mounts, found = Counter(places), Counter(zip(places, verdicts, strict=True))
    reasons = [
        reason
        + _where(mounts[place], found[place, BEYOND], found[place, DRIVER] + found[place, NOISE])
        if verdict == BEYOND
        else reason
        for place, verdict, reason in zip(places, verdicts, table["reason"], strict=True)
    ]
    return table.assign(reason=reasons)


def _where(mounts: int, beyond: int, without: int) -> str:
    """`without`: mounts in which the driver alone explains it or nothing stands out."""
    if mounts == 1:
        return "; mount the board again and see whether it comes back"
    if beyond == mounts:
        return (
            f"; it is there in all {mounts} mounts of this board: then it goes with this board on "
            "this bench (a crack, a fitting, the clamp, a path the sensor does not feel), which "
            "does not show that it is the wood's"
        )
    if beyond == 1 and without:
        return (
            f"; in {without} of the board's {mounts} mounts there is no such excess, so it comes "
            "with this mounting (a loose contact) rather than with the wood"
        )
    return (
        f"; it is there in {beyond} of the board's {mounts} mounts, not in {without}: whether it "
        "comes with the board or with its mounting is open"
    )

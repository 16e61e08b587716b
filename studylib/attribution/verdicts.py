"""The verdict on every harmonic of every mount: the first rule that applies.

`noise`, `recorder`, `air`, `bench`, `driver`, `beyond the driver`, `cannot tell`, in this order. A
cause is named only when the take that tests it was recorded: the recorder by a loopback take, the
air by an airborne take, the driver by a sensed drive (or takes on the block) together with T.
`recorder`: only where the harmonic is not what the driver gives, because a loopback take holds what
plays the tone as well. `air`: only where the probe tone held as much of it, so that there is no
excess, and where the airborne takes do not hold as much of the drive channel at other frequencies,
as they do of what leaks from it. `bench`: an excess that all boards share and an inert one shows
too. `driver`: only where a harmonic made on the board would have been noticed, and every part of
one where other boards show such. `beyond the driver` needs all of the controls, a sensed drive, an
excess above what the other boards show, and takes of the mount that rule out what else the bench
may do. Repeats that disagree in phase leave nothing to explain; a level that agrees while the phase
does not is no explanation: part of the sum is then something else.

`mount_numbers` gives the columns of one mount; `judged_table` joins all mounts, adds what the other
boards say, judges each row, and adds to an excess whether it comes back in the board's other
mounts.

Contents: judge, untested, ask, mount_numbers, unusable_mount, judged_table,
clearest_specimen, highest_shown.
"""

import math
from collections import Counter, namedtuple
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from studylib import codes, errors, sheets, tables
from studylib.attribution import board_facts, controls, rivals, uncertainty
from studylib.attribution.excess import MARGIN_DB, Evidence, load_range, near_mains
from studylib.attribution.rivals import SETTLES, WithOthers, add_others, rivals_left, steps_of
from studylib.codes.attribution import Cause, Control, Rival, Verdict
from studylib.sheets.files import grouped
from studylib.words.text import nearest

NEAR_DB = 6.0  # a leak this near to the observed level explains it
OF_EXCESS = ["excess_db", "low", "high", "u", "phase_deg"]

# The control that narrows an interval which is this wide for this cause.
SETTLED_BY = {
    Cause.NOISE: Control.LONGER,
    Cause.DRIVE: Control.LONGER,
    Cause.RESPONSE: Control.PROBE,
    Cause.BLOCK: Control.DRIVER,
    Cause.REMOUNT: Control.PROBE,
    Cause.TAKES: Control.REPEATS,
    Cause.FREQUENCY: Control.PROBE,
    Cause.SWEEP: Control.SWEEP,
    Cause.DRIVE_RECORDER: Control.LOOPBACK,
    Cause.AIR: Control.AIRBORNE,
    Cause.RECORDER: Control.LOOPBACK,
    Cause.MAINS: Control.ROOM,
    Cause.LOAD: Control.SENSOR,
}


class Judgement(NamedTuple):
    """A verdict, the code of its reason, the control that would settle it (or ""), and the fields
    of the reason: most judgements are put by for another one, and need no note."""

    verdict: Verdict
    code: str
    settle: str = ""
    fields: Mapping[str, Any] = {}

    @property
    def reason(self) -> str:
        """The note of its reason."""
        return codes.note(self.code, **self.fields)


def judge(row) -> Judgement:
    """Judge one row of `mount_numbers`: the first rule that holds counts."""
    if not row.apart and not math.isfinite(row.observed_db):
        # A mount without a usable take has no unit either, nor anything else that is asked below.
        unknown = "attribution.unsettled" if row.unit else "attribution.unusable"
        return _open(Control.REPEATS, unknown)
    near_db = row.observed_db - NEAR_DB
    hum, in_air, of_recorder = (
        row.hum_db > near_db,
        not row.air_is_limit and row.air_db > near_db,
        not row.recorder_is_limit and row.recorder_db > near_db,
    )
    recorder = _leak(Verdict.RECORDER, "attribution.recorder", row.recorder_db - row.observed_db)
    excess = {"excess_db": row.excess_db, "low": row.low, "high": row.high}
    return _first(
        # Takes that turn against each other may leave a mean of nothing.
        (row.apart and not hum, lambda: _apart(row)),
        (
            not row.present,
            lambda: Judgement(
                Verdict.NOISE,
                "attribution.below_noise",
                "",
                {"bin_hz": row.bin_hz, "noise_db": row.noise_db, "unit": row.unit},
            ),
        ),
        (
            hum,
            lambda: _leak(Verdict.NOISE, "attribution.mains", row.hum_db - row.observed_db),
        ),
        # What plays the tone is in the loopback take too, and reaches the board by the driver.
        (
            of_recorder and row.as_driven,
            lambda: _open(Control.LOOPBACK, "attribution.recorder_or_player", **recorder.fields),
        ),
        (of_recorder, lambda: recorder),
        # A sensed harmonic that the board should make far louder is not what entered it.
        (
            in_air and not row.level_followed,
            lambda: _open(Control.STEPS, "attribution.air_level", **_at(row)),
        ),
        (
            in_air and not (row.air_alike and row.air_agrees and row.as_probed),
            lambda: _open(Control.AIRBORNE, "attribution.air_elsewhere", **_at(row)),
        ),
        (
            in_air and row.air_leaks,
            lambda: _open(Control.AIRBORNE, "attribution.air_or_leak", **_at(row)),
        ),
        (in_air, lambda: _leak(Verdict.AIR, "attribution.air", row.air_db - row.observed_db)),
        (not math.isfinite(row.excess_db), lambda: _not_predicted(row)),
        (
            not row.repeats_known,
            lambda: _open(Control.REPEATS, "attribution.not_repeated"),
        ),
        (row.shared, lambda: _shared(row, excess)),
        (
            row.driven and row.low >= -MARGIN_DB and row.high <= MARGIN_DB,
            lambda: _predicted(row, excess),
        ),
        (row.sensed and row.low > MARGIN_DB, lambda: _above(row, excess)),
        (True, lambda: _undecided(row, excess)),
    )


def _first(*rules: tuple[Any, Callable[[], Judgement]]) -> Judgement:
    """What the first rule that holds says; the others are not asked for it."""
    return next(judgement() for holds, judgement in rules if holds)


def _apart(row) -> Judgement:
    """Repeats, of the tone or of a probe tone, that lie apart in phase."""
    return _open(
        Control.IDLE if row.looks == "attribution.looks_line" else Control.REPEATS,
        "attribution.apart",
        looks=codes.note(row.looks),
        angle_deg=row.angle_deg,
        probes=row.of_probes,
    )


def _predicted(row, excess: dict[str, float]) -> Judgement:
    """As much as the driver gives: would a harmonic made on the board have been noticed?"""
    # Off 0 beyond doubt, though within the margin: then no place on the board may explain it.
    enough = board_facts.ENOUGH if row.low <= 0.0 <= row.high else 1.0
    told = {**excess, "route": row.route}
    return _first(
        (
            row.phase_off,
            lambda: _open(Control.REMOUNT, "attribution.phase", **excess, phase_deg=row.phase_deg),
        ),
        (
            row.modes_asked and math.isnan(row.noticed),
            lambda: _open(Control.TAPS, "attribution.modes_unknown", **excess),
        ),
        (
            row.noticed < enough,
            lambda: _open(Control.ELSEWHERE, "attribution.hidden", **excess, **_hidden(row)),
        ),
        (
            row.modes_asked and row.odd_beside,
            lambda: _open(Control.REMOUNT, "attribution.odd_beside", **excess),
        ),
        (
            row.modes_asked and row.odd_boards >= rivals.ODD_BOARDS and row.part_noticed < 1.0,
            lambda: _open(
                Control.ELSEWHERE, "attribution.odd_beside", **excess, boards=row.odd_boards
            ),
        ),
        (
            row.sensed,
            lambda: Judgement(
                Verdict.DRIVER,
                "attribution.driver",
                "",
                {**told, "air_tested": not math.isnan(row.air_db)},
            ),
        ),
        (True, lambda: Judgement(Verdict.DRIVER, "attribution.driver_on_block", "", told)),
    )


def _shared(row, excess: dict[str, float]) -> Judgement:
    """All boards show it: the bench's where an inert one does too."""
    told = {"boards": row.boards, "common_low_db": row.common_low_db}
    # Recorder and air may be what all share: then the takes that bound them decide.
    if row.witnessed and row.excess_db > MARGIN_DB and row.low_with_leaks > 0.0:
        told |= _told(row, {rival: SETTLES[rival] for rival in row.bench_rivals})
        return Judgement(Verdict.BENCH, "attribution.bench", "", excess | told)
    return _open(
        Control.DRIVER, "attribution.shared", **excess, **told, **_at(row), witness=row.witness
    )


def _above(row, excess: dict[str, float]) -> Judgement:
    """More than driver, air and recorder: also more than other boards show and the bench may do?"""
    # What is not wood may show an excess there too, though not all boards do.
    of_bench = {rival: SETTLES[rival] for rival in row.bench_rivals}
    left = of_bench if row.witnessed else rivals_left(row)
    missing, cause = untested(row), row.least_excluded

    def may_be() -> Judgement:
        return _open(
            next(iter(left.values()), ""), "attribution.rivals_left", **excess, **_told(row, left)
        )

    return _first(
        (
            missing,
            lambda: _open(
                missing[0],
                "attribution.not_ruled_out",
                **excess,
                missing=[ask(control, **_at(row)) for control in missing],
            ),
        ),
        (
            row.low_with_leaks <= MARGIN_DB,
            lambda: _open(
                SETTLED_BY[cause], "attribution.room_left", **excess, cause=_cause(row, cause)
            ),
        ),
        (row.witnessed, may_be),
        (
            row.one_wood,
            lambda: _open(Control.TURNED, "attribution.one_wood", **excess, **_at(row)),
        ),
        (
            row.others < rivals.FEWEST_OTHERS,
            lambda: _open(
                Control.BOARDS,
                "attribution.few_boards",
                **excess,
                others=row.others,
                fewest=rivals.FEWEST_OTHERS,
            ),
        ),
        (
            not row.low > row.upper_db + MARGIN_DB,
            lambda: _open(
                Control.TURNED,
                "attribution.not_above_others",
                **excess,
                upper_db=row.upper_db,
                others=row.others,
                **_at(row),
            ),
        ),
        (left, may_be),
        (
            True,
            lambda: Judgement(
                Verdict.BEYOND,
                "attribution.beyond",
                "",
                {
                    **excess,
                    "recorder_below_db": int(row.observed_db - row.recorder_most_db),
                    "air_below_db": int(row.observed_db - row.air_most_db),
                    "upper_db": row.upper_db,
                },
            ),
        ),
    )


def _told(row, rivals: Mapping[Rival, Control]) -> dict[str, list[str]]:
    """Rivals and what to record, as the fields of a note."""
    asked = [ask(control, **_at(row)) for control in dict.fromkeys(rivals.values())]
    return {"rivals": [codes.note(rival) for rival in rivals], "missing": asked}


def _hidden(row) -> dict[str, float]:
    """Where a harmonic made on the board would pass for the driver's."""
    return {
        "at_hz": row.at_hz,
        "mode_hz": row.mode_hz,
        # Without a model, or beside a mode outside it, only the nearness is known.
        "missed": round((1.0 - row.noticed) * board_facts.PLACES) if row.noticed > 0 else 0,
        "places": board_facts.PLACES,
    }


def untested(row) -> list[Control]:
    """Controls without which nothing may be called beyond the driver."""
    no_air, no_room = math.isnan(row.air_db), math.isnan(row.hum_db)
    # Without the mount's own probe tone an airborne take cannot be scaled.
    return codes.holding(
        (math.isnan(row.recorder_db), Control.LOOPBACK),
        (no_air and not row.air_known, Control.PROBE),
        (no_air, Control.AIRBORNE),
        (no_room and near_mains(row.at_hz, row.bin_hz), Control.ROOM),
    )


def ask(control: Control, *, at_hz: float, tone_hz: float, every: bool = False) -> str:
    """The note of what to record, as it stands in a sentence; `every`: in each mount."""
    return codes.note(control, part="ask", at_hz=at_hz, tone_hz=tone_hz, every=every)


def _open(settle: Control, reason: str, **fields: Any) -> Judgement:
    return Judgement(Verdict.CANNOT_TELL, reason, settle, fields)


def _at(row) -> dict[str, float]:
    return {"at_hz": row.at_hz, "tone_hz": row.tone_hz}


def _cause(row, cause: Cause) -> str:
    return codes.note(cause, **_at(row), route=row.route)


def _leak(verdict: Verdict, reason: str, above_db: float) -> Judgement:
    return Judgement(verdict, reason, "", {"distance_db": abs(above_db), "above": above_db >= 0})


def _not_predicted(row) -> Judgement:
    """Nothing tells what the driver alone would give."""
    return _first(
        (row.sensed and row.route, lambda: _open(Control.LONGER, "attribution.not_sensed")),
        (row.sensed, lambda: _open(Control.PROBE, "attribution.not_probed", **_at(row))),
        (
            not row.has_block,
            lambda: _open(Control.SENSOR, "attribution.no_driver_take", **_at(row)),
        ),
        (row.route, lambda: _open(Control.DRIVER, "attribution.no_block_probe", **_at(row))),
        (True, lambda: _open(Control.PROBE, "attribution.no_probe", **_at(row))),
    )


def _undecided(row, excess: dict[str, float]) -> Judgement:
    """The interval holds both answers, or the harmonic is weaker than predicted."""
    # The spread of a take is in both means: more of the fewer ones help most.
    probes, cause = row.probes < row.tones, row.width_cause
    return _first(
        (
            not row.sensed,
            lambda: _open(
                Control.SENSOR,
                "attribution.load",
                excess_db=row.excess_db,
                load_low_db=row.load_low,
                load_high_db=row.load_high,
            ),
        ),
        (
            not row.driven,
            lambda: _open(
                Control.LONGER,
                "attribution.drive_below_noise",
                predicted_db=row.predicted_db,
                unit=row.unit,
            ),
        ),
        (
            row.takes_disagree and row.low < -MARGIN_DB,
            lambda: _open(Control.REMOUNT, "attribution.takes_disagree", **excess),
        ),
        (
            row.high < -MARGIN_DB,
            lambda: _open(Control.REMOUNT, "attribution.weaker", **excess, route=row.route),
        ),
        (
            row.high - row.low < 2.0 * MARGIN_DB,
            lambda: _open(
                Control.PROBE if probes else Control.REPEATS,
                "attribution.near_margin",
                **excess,
                margin_db=MARGIN_DB,
                probes=probes,
                **_at(row),
            ),
        ),
        (
            True,
            lambda: _open(
                SETTLED_BY[cause], "attribution.wide", **excess, cause=_cause(row, cause)
            ),
        ),
    )


# ---------------------------------------------------------------- the table


@np.errstate(divide="ignore", invalid="ignore")
def mount_numbers(
    evidence: Evidence,
    found: Mapping[str, np.ndarray],
    *,
    fundamental_hz: float,
    steps: list[tuple],
    moves: np.ndarray,
    air_alike: bool,
) -> dict[str, np.ndarray]:
    """All that the verdicts of one mount rest on: name -> (rows,), from k = 2 up.

    Parameters
    ----------
    found : its excess, from `excess_of`.
    steps : its rows of the table `drive_steps`.
    moves : nepers that a new mounting moves T at most (K,), NaN where unknown.
    air_alike : an airborne take stands beside a board of the same wood.
    """
    tone, agree = evidence.tone, evidence.tones_agree
    probes = evidence.probes_agree
    of_probes = probes.apart & ~agree.apart
    k = np.arange(1, tone.response.size + 1)
    columns = {
        "specimen": tone.take.specimen,
        "mount": tone.take.mount,
        "harmonic": k,
        "unit": tone.unit,
        **found,
        "apart": agree.apart | of_probes,
        "of_probes": of_probes,
        "looks": np.where(of_probes, probes.looks, agree.looks),
        "angle_deg": np.degrees(np.where(of_probes, probes.angle, agree.angle)),
        "counts": evidence.sensed & found["present"] & found["driven"] & ~agree.apart & ~of_probes,
        "modes_asked": evidence.modes_asked,
        "mode_hz": np.nan if evidence.hidden is None else evidence.hidden.mode_hz,
        "steps": steps_of(steps, k.size),
        "drift_db": uncertainty.DB * evidence.drift,
        "moves_db": uncertainty.DB * moves,
        "air_alike": air_alike,
        "air_agrees": evidence.in_air.agrees,
        "air_leaks": evidence.in_air.leaks,
        "beside_most_db": 20.0 * np.log10(evidence.in_air.most),
        "beside": evidence.in_air.beside,
        "tone_db": 20.0 * np.log10(np.abs(tone.response[0])),
        "tones": tone.n,
        "probes": evidence.transfer.n,
        "route": evidence.transfer.source,
        **_source("air", evidence.air),
        **_source("recorder", evidence.recorder),
        # Tested and nothing found: minus infinity; not tested: NaN.
        "hum_db": 20.0 * np.log10(evidence.room.line),
        "batch": tone.take.batch,
        "sensed": evidence.sensed,
        "air_known": np.isfinite(evidence.transfer.drive) | (not evidence.sensed),
        "has_block": evidence.block is not None,
        "repeats_known": bool(evidence.take_spread.df),
        "bin_hz": 1.0 / tone.seconds,
        "tone_hz": fundamental_hz,
        "at_hz": fundamental_hz * k,
        **dict(zip(("load_low", "load_high"), load_range(k.size), strict=True)),
    }
    # Harmonics above half the rate were never recorded.
    kept = (k > 1) & np.isfinite(tone.frequency_hz)
    return {
        name: (value if isinstance(value, np.ndarray) else np.full(k.shape, value))[kept]
        for name, value in columns.items()
    }


def unusable_mount(key: tuple[str, int], take: sheets.Take, *, size: int) -> dict[str, np.ndarray]:
    """Those columns that a mount has which was planned and has no usable take of the tone."""
    k = np.arange(2, size + 1)
    columns = {
        **dict.fromkeys(tables.TABLES["attribution"].of_type("number"), np.nan),
        "specimen": key[0],
        "mount": key[1],
        "harmonic": k,
        "batch": take.batch,
        **dict.fromkeys(("unit", "route"), ""),
        **dict.fromkeys(("air_is_limit", "recorder_is_limit"), False),
        **dict.fromkeys(("counts", "apart", "phase_off"), False),
        **dict.fromkeys(("drift_db", "tone_db"), np.nan),
    }
    return {name: np.broadcast_to(value, k.shape) for name, value in columns.items()}


def _source(name: str, source: controls.Source) -> dict[str, np.ndarray]:
    limit = np.isnan(source.level)
    level = 20.0 * np.log10(np.where(limit, source.bound, source.level))
    return {
        f"{name}_db": level,
        f"{name}_is_limit": limit & ~np.isnan(source.bound),
        f"{name}_most_db": 20.0 * np.log10(source.bound),
    }


def judged_table(mounts: Sequence[dict[str, np.ndarray]], others: WithOthers) -> pd.DataFrame:
    """The table `attribution` of all mounts, judged row by row beside all the others."""
    if not mounts:
        return tables.empty("attribution")
    table = add_others(_stacked(mounts), others)
    found = [
        judge(row)
        for row in map(
            namedtuple("Row", table.columns)._make,
            zip(*(table[name].tolist() for name in table), strict=True),
        )
    ]
    places = list(zip(table["specimen"], table["harmonic"], strict=True))
    table = table.assign(
        verdict=[each.verdict for each in found], settle=[each.settle for each in found]
    )
    # Of what is not above the noise, or has no repeats, there is no excess to speak of.
    table.loc[(table["verdict"] == Verdict.NOISE) | table["apart"], OF_EXCESS] = np.nan
    mounted = Counter(places)
    counts = Counter(zip(places, table["verdict"], strict=True))
    table["reason"] = [
        codes.several([each.reason, _other_mounts(mounted[place], place, counts)])
        if each.verdict == Verdict.BEYOND
        else each.reason
        for each, place in zip(found, places, strict=True)
    ]
    return tables.typed("attribution", table)


def _stacked(mounts: Sequence[dict[str, np.ndarray]]) -> pd.DataFrame:
    """The rows of all mounts in their order; of those that have the same columns at once."""
    frames = [
        pd.DataFrame(
            {name: np.concatenate([mount[name] for _, mount in own]) for name in own[0][1]},
            index=np.repeat([at for at, _ in own], [mount["harmonic"].size for _, mount in own]),
        )
        for own in grouped((tuple(mount), (at, mount)) for at, mount in enumerate(mounts)).values()
    ]
    return pd.concat(frames).sort_index(kind="stable").reset_index(drop=True)


def _other_mounts(mounts: int, place: tuple[str, int], counts: Counter) -> str:
    """Whether an excess comes with the board or with one mounting of it."""
    beyond = counts[place, Verdict.BEYOND]
    # There the driver alone explains it, or nothing stands out.
    without = counts[place, Verdict.DRIVER] + counts[place, Verdict.NOISE]
    return codes.holding(
        (mounts == 1, codes.note("attribution.mounted_once")),
        (beyond == mounts, codes.note("attribution.in_all_mounts", mounts=mounts)),
        (
            beyond == 1 and without,
            codes.note("attribution.in_this_mount", mounts=mounts, without=without),
        ),
        (
            True,
            codes.note("attribution.in_some_mounts", mounts=mounts, beyond=beyond, without=without),
        ),
    )[0]


def clearest_specimen(table: pd.DataFrame, chosen: str = "") -> str:
    """The specimen to show mount by mount: the chosen one; else the first with something beyond
    the driver, else the first. "" for an empty table.

    Raises
    ------
    InputError : the chosen specimen is not in the table.
    """
    names = list(dict.fromkeys(table["specimen"]))
    errors.InputError.refuse(
        chosen and chosen not in names,
        "attribution.no_specimen",
        specimen=chosen,
        nearest=nearest(chosen, names),
    )
    return chosen or next(
        iter([*table.loc[table["verdict"] == Verdict.BEYOND, "specimen"], *names]), ""
    )


def highest_shown(table: pd.DataFrame) -> int:
    """The highest harmonic that is settled anywhere, or heard in a tenth of the mounts."""
    least = 0.1 * len(table[["specimen", "mount"]].drop_duplicates())
    heard = table.loc[table["verdict"] != Verdict.NOISE, "harmonic"].value_counts()
    settled = table.loc[
        table["verdict"].isin([Verdict.DRIVER, Verdict.BENCH, Verdict.BEYOND]), "harmonic"
    ]
    return min(int(table["harmonic"].max()), int(max([3, *settled, *heard[heard >= least].index])))

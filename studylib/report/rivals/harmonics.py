"""Rivals that add to a recording or hide in it: driver, air, recorder, room, a loose contact.

They rest on the attribution of the boards' harmonics. Leaks are coherent: one at L dB below a level
moves it by at most 20 lg(1 + 10^(-L/20)). What was not heard is given as its bound. A study without
a sensed drive has only takes on the block, and then the driver's finding says what that route can
say. A loose contact shows as an excess beyond the driver in one mount that the board's other mounts
do not have, and as a harmonic that does not grow with the drive as the sensed one does.

Sources: that noise in a bin of a reading of T seconds lies 10 lg(B T) below that in the bandwidth B
follows from the definition of a noise density. The yardstick of the driver's distortion is ANSI
S3.6 and IEC 60645-1 as recalled; the table itself could not be opened.

Functions: driver, air, recorder, room, buzz; distortion.
"""

import math

import numpy as np
import pandas as pd

from studylib import register
from studylib.attribution import excess
from studylib.attribution.lines import EXPANDED, Lines
from studylib.codes import holding, note
from studylib.codes.attribution import Control, StepVerdict, Verdict
from studylib.measure.features import tone_multiple
from studylib.report.rivals.basis import (
    Basis,
    Finding,
    asked,
    board_takes,
    excess_of_row,
    lacking,
    leak_shift,
    mounts_of,
    no_tone,
    place_of,
    record,
    takes_note,
)
from studylib.sheets.files import grouped

MOST_PLACES = 5

# ---------------------------------------------------------------- driver


def driver(basis: Basis) -> Finding:
    """The driver's own distortion, raised or lowered by the boards."""
    takes = board_takes(basis)
    orders = [
        tone_multiple(take.tone_hz, fundamental_hz=basis.tone_hz)
        for take in takes
        if take.kind == "tone"
    ]
    return Finding(
        "rivals.driver",
        note(
            "rivals.by_driver",
            drive_kind=basis.drive_kind,
            probes=sum((order or 1) > 1 for order in orders),
            sweeps=sum(take.kind == "sweep" for take in takes),
            takes=takes_note(basis, "driver"),
        ),
        _driver_says(basis),
    )


def _driver_says(basis: Basis) -> list[str]:
    heard, sensed = basis.heard, _sensed_distortion(basis)
    wanted = (Control.PROBE,) if basis.sensed else (Control.DRIVER, Control.SENSOR)
    gaps = holding(
        (basis.rows.empty, [no_tone(basis)]),
        (heard.empty, [note("rivals.nothing_to_explain"), sensed]),
        (not np.isfinite(heard["predicted_db"]).any(), [record(basis, *wanted), sensed]),
    )
    if gaps:
        return gaps[0]
    of_driver = {"driver": Verdict.DRIVER, "beyond": Verdict.BEYOND, "open": Verdict.CANNOT_TELL}
    count = {name: (heard["verdict"] == verdict).sum() for name, verdict in of_driver.items()}
    others = len(heard) - sum(count.values())
    return [
        note("rivals.driver_counts", harmonics=len(heard), **count, margin_db=excess.MARGIN_DB),
        *holding((others, note("rivals.other_causes", harmonics=others))),
        _clearest_excess(heard),
        *([sensed, note("rivals.contact")] if basis.sensed else [note("rivals.block_only")]),
    ]


def _clearest_excess(heard: pd.DataFrame) -> str:
    """The largest excess beyond the driver; without one, that whose interval lies highest."""
    bounded = heard[np.isfinite(heard[["excess_db", "low", "high"]]).all(axis=1)]
    if bounded.empty:
        return ""
    beyond = bounded[bounded["verdict"] == Verdict.BEYOND]
    code, row = (
        ("rivals.highest_excess", bounded.loc[bounded["low"].idxmax()])
        if beyond.empty
        else ("rivals.largest_beyond", beyond.loc[beyond["excess_db"].idxmax()])
    )
    return note(code, **excess_of_row(row), **place_of(row), verdict=row.verdict)


def _sensed_distortion(basis: Basis) -> str:
    """The driver's own distortion where it was sensed, over the boards; or ""."""
    shares = [(board, distortion(tone)) for (board, _), tone in basis.tones.items()]
    known = grouped((board, share) for board, share in shares if math.isfinite(share))
    means = [float(np.mean(found)) for found in known.values()]
    if not (means and basis.sensed):
        return ""
    return note(
        "rivals.distortion",
        percent=float(np.mean(means)),
        low=min(means),
        high=max(means),
        boards=len(means),
    )


def distortion(tone: Lines) -> float:
    """Harmonics over the total of the sensed drive in percent, the noise's power taken off."""
    power = np.abs(tone.drive) ** 2 - 2.0 * tone.u_drive**2
    power = np.where(np.isfinite(power), np.maximum(power, 0.0), 0.0)
    return (
        100.0 * math.sqrt(float(power[1:].sum()) / float(power.sum())) if power[0] > 0 else math.nan
    )


# ---------------------------------------------------------------- leaks


def air(basis: Basis) -> Finding:
    """Sound that reaches the microphone without passing the board."""
    return Finding("rivals.air", takes_note(basis, "airborne"), _air_says(basis))


def _air_says(basis: Basis) -> list[str]:
    harmonics, tone = _leak(basis.heard, "air", Verdict.AIR), _tone_leak(basis)
    wanted = (Control.AIRBORNE, Control.PROBE)
    gaps = holding(
        (not basis.of_kind("airborne"), record(basis, Control.AIRBORNE)),
        (basis.rows.empty, no_tone(basis)),
        (not harmonics and not tone, record(basis, *wanted)),
    )
    if gaps:
        return gaps[:1]
    untold = note("rivals.harmonics_not_tested", asked=asked(basis, *wanted))
    return [
        *harmonics,
        *holding((not harmonics and not basis.heard.empty, untold)),
        tone or note("rivals.tone_not_tested", tone_hz=basis.tone_hz),
        lacking(basis, "airborne", Control.AIRBORNE),
    ]


def recorder(basis: Basis) -> Finding:
    """The recorder's own distortion."""
    own, leaks = _own_distortion(basis), _leak(basis.heard, "recorder", Verdict.RECORDER)
    says = holding(
        (not basis.of_kind("loopback") or not own, [record(basis, Control.LOOPBACK)]),
        (basis.rows.empty, [no_tone(basis), own]),
        (True, [*leaks, own, lacking(basis, "loopback", Control.LOOPBACK)]),
    )
    return Finding("rivals.recorder", takes_note(basis, "loopback"), says[0])


def _leak(heard: pd.DataFrame, name: str, verdict: Verdict) -> list[str]:
    """The strongest leak into the harmonics, against what was recorded there; or nothing."""
    below = heard["observed_db"] - heard[f"{name}_db"]
    below = below[np.isfinite(below)]
    if below.empty:
        return []
    limits = heard[f"{name}_is_limit"].astype(bool)
    worst, distance = heard.loc[below.idxmin()], float(below.min())
    bounded = bool(limits[below.idxmin()])
    leak = note(
        "rivals.leak",
        held=len(below),
        heard=len(heard),
        bounded=bounded,
        distance_db=distance,
        shift_db=leak_shift(distance),
        **place_of(worst),
    )
    found = below[~limits[below.index]]
    named = (heard["verdict"] == verdict).sum()
    return [
        leak,
        *(
            [
                note(
                    "rivals.leak_found",
                    distance_db=float(found.min()),
                    **place_of(heard.loc[found.idxmin()]),
                )
            ]
            if bounded and not found.empty
            else []
        ),
        *holding((named, note("rivals.leak_explains", harmonics=named))),
    ]


def _tone_leak(basis: Basis) -> str:
    """The driver in the air at the tone itself, against the weakest tone of the same batch."""
    found = []
    for take in (line for lines in basis.sorted_takes.airborne.values() for line in lines):
        size, u = abs(take.response[0]), float(take.u_response[0])
        limit = float(take.presence(take.u_response)[0])
        most = (size + (EXPANDED * u if size > limit else limit)) / take.drive_factor
        least = min(
            (abs(t.response[0]) for t in basis.tones.values() if t.take.batch == take.take.batch),
            default=0.0,
        )
        if take.number == 1 and most > 0 and least > 0:
            found.append((_db(least / most), bool(size <= limit)))
    if not found:
        return ""
    distance, bounded = min(found)
    return note(
        "rivals.tone_leak", distance_db=distance, bounded=bounded, shift_db=leak_shift(distance)
    )


def _own_distortion(basis: Basis) -> str:
    """The strongest harmonic of the loopback takes, relative to their tone; or ""."""
    found, bound = [], []
    for take in (line for lines in basis.sorted_takes.loopbacks.values() for line in lines):
        base, size = abs(take.response[0]), np.abs(take.response[1:])
        limit = take.presence(take.u_response)[1:]
        if base > 0:
            found += list(size[size > limit] / base)
            bound += list((size + limit)[np.isfinite(size)] / base)
    if found:
        return note("rivals.loopback_found", distance_db=-_db(max(found)))
    return (
        note("rivals.loopback_nothing", distance_db=-_db(max(bound)))
        if bound and max(bound) > 0
        else ""
    )


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


# ---------------------------------------------------------------- room


def room(basis: Basis) -> Finding:
    """Noise of the room in the readings, and mains lines on harmonics."""
    measured = [] if basis.rows.empty else _bands(basis)
    says = holding(
        (not basis.of_kind("room"), [record(basis, Control.ROOM), *measured]),
        (basis.rows.empty, [no_tone(basis)]),
        (True, [_hum(basis.rows), *measured, lacking(basis, "room", Control.ROOM)]),
    )
    return Finding("rivals.room", note("rivals.by_room", takes=takes_note(basis, "room")), says[0])


def _hum(rows: pd.DataFrame) -> str:
    hum = rows["hum_db"]
    tested = int(hum.notna().sum())
    above = (hum - rows["observed_db"])[np.isfinite(hum)]
    if above.empty:
        return note("rivals.no_mains_line", harmonics=tested) if tested else ""
    return note(
        "rivals.mains_lines",
        lines=len(above),
        harmonics=tested,
        distance_db=abs(float(above.max())),
        above=bool(above.max() > 0),
        **place_of(rows.loc[above.idxmax()]),
    )


def _bands(basis: Basis) -> list[str]:
    """Which reading a "not present" rests on, and how far each of the two reaches."""
    tone = {key: 20.0 * np.log10(abs(line.response[0])) for key, line in basis.tones.items()}
    rows = basis.rows[np.isfinite(basis.rows["noise_db"])]
    reach = np.array(
        [tone.get((r.specimen, r.mount), np.nan) - r.noise_db for r in rows.itertuples()], float
    )
    quiet = (rows["verdict"] == Verdict.NOISE).to_numpy(bool)
    finite = np.isfinite(reach)
    if not basis.tones:
        return []
    seconds = float(np.median([line.seconds for line in basis.tones.values()]))
    if not finite.any():
        return [_broadband(basis, seconds)]
    judged = reach[quiet & finite] if (quiet & finite).any() else reach[finite]
    narrow = note(
        "rivals.narrow_band",
        quiet=int(quiet.sum()),
        readings=len(rows),
        bin_hz=1.0 / seconds,
        least_db=float(judged.min()),
        median_db=float(np.median(judged)),
    )
    return [narrow, _broadband(basis, seconds)]


def _broadband(basis: Basis, seconds: float) -> str:
    """The tone over the noise in all octave bands that it leaves free."""
    rows = basis.summary.gathered.features
    known = {name: register.find(name) for name in rows["feature"].unique()}
    bands = {name: float(each.number) for name, each in known.items() if each.noise}
    rows = rows[
        rows["feature"].isin(list(bands))
        & rows["usable"].astype(bool)
        & rows["specimen"].isin(list(basis.boards))
        & np.isfinite(rows["value"].astype(float))
    ]
    if rows.empty:
        return note("rivals.no_broadband")
    power = (10.0 ** (rows["value"].astype(float) / 10.0)).groupby(rows["take"]).sum()
    means = (-10.0 * np.log10(power)).groupby(rows.groupby("take")["specimen"].first()).mean()
    middle = sorted(bands[name] for name in rows["feature"].unique())
    width_hz = middle[-1] * math.sqrt(2.0) - middle[0] / math.sqrt(2.0)
    return note(
        "rivals.broadband",
        low_hz=middle[0],
        high_hz=middle[-1],
        mean_db=float(means.mean()),
        least_db=float(means.min()),
        most_db=float(means.max()),
        seconds=seconds,
        gain_db=10.0 * math.log10(width_hz * seconds),
    )


# ---------------------------------------------------------------- a loose contact


def buzz(basis: Basis) -> Finding:
    """A loose contact that adds harmonics in one mounting."""
    steps = basis.summary.attribution.steps
    steps = steps[steps["specimen"].isin(list(basis.boards))]
    return Finding(
        "rivals.buzz",
        note(
            "rivals.by_buzz",
            mounts=len(basis.tones),
            boards=len({board for board, _ in basis.tones}),
            stepped=len(mounts_of(steps)),
        ),
        _buzz_says(basis, steps),
    )


def _buzz_says(basis: Basis, steps: pd.DataFrame) -> list[str]:
    if basis.rows.empty:
        return [no_tone(basis)]
    if not basis.sensed:
        return [record(basis, Control.SENSOR)]
    judged = basis.heard[basis.heard["verdict"].isin([Verdict.DRIVER, Verdict.BEYOND])]
    left = len(basis.heard) - len(judged)
    if left and judged.empty and (steps["verdict"] == StepVerdict.CANNOT_TELL).all():
        # What would settle most of what cannot be told.
        settle = basis.heard["settle"]
        wanted = list(settle[settle != ""].value_counts().index[:2])
        more = [Control.STEPS] if steps.empty or not wanted else []
        return [record(basis, *dict.fromkeys([*wanted, *more]))]
    said = _places(basis, judged)
    mounts = 0 if said else len(mounts_of(judged))
    return [
        *said,
        *holding(
            (mounts, note("rivals.no_buzz", mounts=mounts, margin_db=excess.MARGIN_DB)),
            (left, note("rivals.buzz_open", harmonics=left)),
            (not left and judged.empty, note("rivals.buzz_below_noise")),
        ),
        _stepped(basis, steps),
        note("rivals.contact"),
    ]


def _places(basis: Basis, judged: pd.DataFrame) -> list[str]:
    groups = list(
        judged[judged["verdict"] == Verdict.BEYOND].groupby(["specimen", "mount"], sort=False)
    )
    # NumPy's argmax, because no excess may be finite.
    said = [
        note(
            "rivals.buzz_place",
            specimen=board,
            mount=mount,
            harmonics=own["harmonic"].to_numpy(),
            **excess_of_row(own.iloc[own["excess_db"].fillna(-np.inf).to_numpy().argmax()]),
            elsewhere=_elsewhere(basis.rows, board, mount, own["harmonic"]),
        )
        for (board, mount), own in groups[:MOST_PLACES]
    ]
    more = len(groups) - MOST_PLACES
    return [*said, *holding((more > 0, note("rivals.more_places", mounts=more)))]


def _elsewhere(rows: pd.DataFrame, board: str, mount: int, harmonics: pd.Series) -> str:
    """What the same harmonics do in the board's other mounts."""
    others = rows[
        (rows["specimen"] == board) & (rows["mount"] != mount) & rows["harmonic"].isin(harmonics)
    ]
    found = [set(own) for _, own in others.groupby("mount")["verdict"]]
    known = sum(verdicts == {Verdict.DRIVER} for verdicts in found)
    again = sum(Verdict.BEYOND in verdicts for verdicts in found)
    return holding(
        (not found, note("attribution.mounted_once")),
        (known == len(found), note("rivals.gone", mounts=known)),
        (again == len(found), note("rivals.again", mounts=again)),
        (True, note("rivals.mixed", mounts=len(found), again=again, driver=known)),
    )[0]


def _stepped(basis: Basis, steps: pd.DataFrame) -> str:
    if steps.empty:
        return note("attribution.no_steps")
    judged = steps[steps["verdict"] != StepVerdict.CANNOT_TELL]
    odd = judged[judged["verdict"] == StepVerdict.NOT_WITH]
    places = mounts_of(odd).to_dict("records")[:MOST_PLACES]
    return note(
        "rivals.steps",
        odd=len(odd),
        judged=len(judged),
        places=[note("attribution.place", **place) for place in places],
        stepped=len(mounts_of(steps)),
        mounts=len(basis.tones),
    )

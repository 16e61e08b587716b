"""Is a take fit for use? The checks of one take, each a value held against a limit.

One table, `CHECKS`, says what a check is: unit, limits, and where they come from. A check with a
`fail` limit sets the take aside beyond it; between `warn` and `fail` the take is used and the
report says so. What it means, its label and what to do at the bench are one macro of its name in
the chapter "checks" of the words room.

The checks take what the measurement worked out anyway (file facts, sample facts, tone fit,
noise), so that nothing is read or transformed twice. Values of drift, wander and steadiness are
what exceeds the noise.

To add a check: give its value in the function of its group below, its entry to `CHECKS`, and its
macro to `words/en/checks.j2`.

Functions: overridden (the table with a study's own limits), check, file_checks, sample_checks,
edge_checks, gain_checks, tone_checks, noise_checks, take_verdict, finding.
Source: `CHECKS` names the source of each limit; IEC 61672-1 for the A-weighting.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from studylib.codes import code_of, each, note, several
from studylib.codes.checks import Verdict
from studylib.errors import InputError
from studylib.signal import band_edge, gain_moves, harmonics, partials, samples, tone
from studylib.signal.noise import distance_from_mains

LOWEST_CLIPPED = 1000  # steps: clipping is looked for in channels that reach further
NOISE_REACH = 3.5  # standard deviations that noise alone may reach in some 30 instants
PLAYED_SHARE = 0.9  # of where a sweep ends: from here on, an edge is its own
FLOOR_DB = -400.0  # stands for a level of zero, so that a table holds no infinity


@dataclass(frozen=True)
class Entry:
    """What a check is.

    code : "checks.<name>", its macro in the words room.  unit : of its value.
    warn, fail : limits, None for none.  low : smaller is worse.  source : code of the limits'.
    """

    code: str
    unit: str
    warn: float | None
    fail: float | None
    source: str = "checks.practice"
    low: bool = False

    @property
    def name(self) -> str:
        """As in the table of checks and under [quality] in study.toml."""
        return self.code.partition(".")[2]


CHECKS: dict[str, Entry] = {
    entry.name: entry
    for entry in (
        Entry("checks.readable", "", None, 0, "checks.definition"),
        Entry("checks.truncated", "", None, 0, "checks.definition"),
        Entry("checks.rate", "Hz", None, 0, "checks.definition"),
        Entry("checks.channels", "", None, 0, "checks.definition"),
        Entry("checks.length", "s", None, 0, "checks.definition"),
        Entry("checks.tone_short", "s", None, 0, "checks.definition"),
        Entry("checks.window", "s", None, None, "checks.definition"),
        Entry("checks.file_lossy", "", 0, None, "checks.definition"),
        Entry("checks.file_odd", "", 0, None, "checks.definition"),
        Entry("checks.finite", "", None, 0, "checks.definition"),
        Entry("checks.silence", "dBFS", -80.0, -100.0, low=True),
        Entry("checks.clipping", "samples", None, 0, "checks.crest"),
        Entry("checks.peak", "dBFS", -1.0, None),
        Entry("checks.dc", "percent", 1.0, 10.0),
        Entry("checks.cut_off", "kHz", math.inf, None, "checks.filters", low=True),
        Entry("checks.noise_gated", "dB", gain_moves.GATE_DB, None, "checks.tried"),
        Entry("checks.gain_moves", "dB", gain_moves.GAIN_DB, None, "checks.tried"),
        Entry("checks.tone_absent", "dB", None, 0.0, "checks.f_test"),
        Entry("checks.tone_ppm", "ppm", 200.0, 5000.0, "checks.clocks"),
        Entry("checks.drift_ppm", "ppm", 50.0, 500.0),
        Entry("checks.wander", "dB", 0.1, 1.0),
        Entry("checks.steady", "dB", 0.3, 1.0),
        Entry("checks.level_drift", "dB", 0.6, 2.0),
        Entry("checks.modulation", "dB", 0.3, 1.0),
        Entry("checks.beating", "dB", 0.3, 1.0),
        Entry("checks.inharmonic", "dB", -40.0, -10.0),
        Entry("checks.bump", "dB", 1.0, 3.0),
        Entry("checks.dropout", "dB", 1.0, 3.0),
        Entry("checks.click", "", 4.0, None),
        Entry("checks.hum", "dB", -40.0, -10.0),
        Entry("checks.mains", "Hz", 2.0, None, "checks.hum_line", low=True),
        Entry("checks.noise_over_room", "dB", 3.0, 10.0),
        Entry("checks.noise_over_room_a", "dB(A)", 3.0, 10.0),
        Entry("checks.noise_a", "dB(A)", 50.0, None),
        Entry("checks.taps", "", None, 1.0, "checks.definition", low=True),
        Entry("checks.taps_refused", "taps", 0.0, None, "checks.definition"),
        Entry("checks.sweep_unlike", "", 0.0, None, "checks.definition"),
        Entry("checks.snr_h1", "dB", 30.0, 15.0, low=True),
    )
}

# Which remark on a file stands behind which check; it takes the place of the limit's source.
_REMARKS = {
    "truncated": (
        "recordings.breaks_off", "recordings.holds_more", "recordings.end_unread",
    ),
    "rate": ("recordings.other_rate",),
    "file_lossy": ("recordings.lossy",),
    "file_odd": ("recordings.open_length", "recordings.other_content"),
}  # fmt: skip
ABOUT_FILE = ("file_lossy", "file_odd")  # have a row only where there is a remark
TOLD_BY_SOURCE = ("readable", "tone_short", *_REMARKS)


def overridden(own: Mapping[str, float]) -> dict[str, Entry]:
    """The table with the study's own limits: the one that sets a take aside, else the warning.

    Raises
    ------
    InputError : a name that is no check.
    """
    unknown = sorted(set(own) - set(CHECKS))
    InputError.refuse(unknown, "checks.unknown", names=unknown, known=list(CHECKS))
    table = dict(CHECKS)
    for name, value in own.items():
        old = table[name]
        warn, fail = (value, None) if old.fail is None else (old.warn, value)
        if fail is not None and warn is not None and (warn < fail if old.low else warn > fail):
            warn = None
        table[name] = replace(old, warn=warn, fail=fail, source="checks.own")
    return table


class Check(NamedTuple):
    """One row of the quality table; `channel` is the channel's name, or "" for the file."""

    channel: str
    check: str
    value: float
    unit: str
    limit: float | None
    source: str
    verdict: str


def check(name: str, value: float, table: Mapping[str, Entry], *, channel: str = "") -> Check:
    """Hold one value against its limits in the table."""
    entry = table[name]
    bounds = {Verdict.FAIL: entry.fail, Verdict.WARN: entry.warn}
    # `not <=` so that a value that is not a number never passes.
    beyond = [
        verdict
        for verdict, bound in bounds.items()
        if bound is not None and not (value >= bound if entry.low else value <= bound)
    ]
    verdict = beyond[0] if beyond else Verdict.PASS
    bound = bounds.get(verdict, entry.fail if entry.warn is None else entry.warn)
    return Check(channel, name, float(value), entry.unit, bound, entry.source, verdict)


def _held(
    values: Mapping[str, float], table: Mapping[str, Entry], *, channel: str = ""
) -> list[Check]:
    return [check(name, value, table, channel=channel) for name, value in values.items()]


def decibels(power: float) -> float:
    """10 lg of a power, -400 dB for none at all."""
    return 10.0 * math.log10(power) if power > 0 else FLOOR_DB


def file_checks(
    table: Mapping[str, Entry],
    *,
    remarks: str,
    truncated: bool,
    rate_hz: int,
    wanted_rate_hz: int,
    channels: int,
    wanted_channels: int,
    seconds: float,
    wanted_s: float,
) -> list[Check]:
    """Checks that need only the file's header.

    remarks : a cell with what is unusual about the file (`recordings.probe`, `other_rate`).
    """
    told = {
        name: several(one for one in each(remarks) if code_of(one) in codes)
        for name, codes in _REMARKS.items()
    }
    values = {
        "truncated": truncated,
        "rate": abs(rate_hz - wanted_rate_hz),
        "channels": max(0, wanted_channels - channels),
        "length": max(0.0, wanted_s - seconds),
    } | {name: 1.0 for name in ABOUT_FILE if told[name]}
    rows = _held(values, table)
    odd = {row.check: told.get(row.check) for row in rows if row.verdict != Verdict.PASS}
    return [row._replace(source=odd.get(row.check) or row.source) for row in rows]


def edge_checks(
    edge_hz: float | None,
    table: Mapping[str, Entry],
    *,
    rate_hz: float,
    played_hz: float | None,
) -> list[Check]:
    """The check on a spectrum that ends (`band_edge`): a row only where it does.

    played_hz : a sweep ends here, and so may its recording.
    """
    if edge_hz is None or (played_hz is not None and edge_hz > PLAYED_SHARE * played_hz):
        return []
    row = check("cut_off", edge_hz / 1000.0, table, channel="response")
    return [row._replace(limit=min(row.limit, band_edge.HIGHEST_SHARE * rate_hz / 1000.0))]


def gain_checks(
    gate_db: float | None, gain_db: float | None, table: Mapping[str, Entry]
) -> list[Check]:
    """The checks on a gain that moves by itself (`gain_moves`): a row only where it does.

    A gate moves the gain as well, and is told alone.
    """
    told = (("noise_gated", gate_db), ("gain_moves", None if gate_db else gain_db))
    return [check(name, db, table, channel="response") for name, db in told if db]


def hides_weak_lines(checks: Iterable[Check]) -> bool:
    """Whether something drops what is weak: a coder (by the file's content, or by where its
    spectrum ends) or noise suppression (by the noise that it takes away).

    A coder spends its bits on what is loud. Measured with libsndfile's own coders (MP3, Vorbis and
    Opus, 22 to 260 kbit/s a channel; tests/signal/test_coders.py) the level of a steady tone
    changes by less than 0.2 dB, harmonics 30 dB below it by up to 1.9 dB, 60 dB below by up to
    12 dB, and weaker ones vanish. Frequencies of modes stay within 0.1 % and decays within 1.5 %
    from about 35 kbit/s (MP3) or 130 kbit/s (Opus) on, and do not below. A file that was merely
    resampled has kept all of it, but its spectrum looks the same.
    """
    return any(row.check in ("file_lossy", "cut_off", "noise_gated") for row in checks)


def sample_checks(
    facts: samples.SampleFacts,
    table: Mapping[str, Entry],
    *,
    channel: str,
    rate_hz: float,
    tone_hz: float | None,
    may_be_silent: bool,
) -> list[Check]:
    """Checks on one channel's samples.

    tone_hz : a tone's frequency decides how long an honest crest may last; without one (taps,
        noise) the crest of a 50 Hz sine is allowed.
    may_be_silent : a room take may hold next to nothing; digital silence never passes.
    """
    values: dict[str, float] = {"finite": not facts.finite}
    if facts.finite:
        span = 0.5 * (facts.highest - facts.lowest)
        if not may_be_silent or span == 0.0:
            # The mean is no sound.
            power = 2.0 * max(facts.mean_square - facts.mean**2, 0.0)
            values["silence"] = decibels(power if span else 0.0)
        allowed = samples.allowed_run(
            peak=span, step=facts.step, tone_hz=tone_hz or 50.0, rate_hz=rate_hz
        )
        # A channel near the smallest step is all flat tops; it cannot have met a rail.
        runs = (facts.run_high, facts.run_low) if span > LOWEST_CLIPPED * facts.step else ()
        values |= {
            "clipping": max((0, *(run - allowed for run in runs))),
            "peak": decibels(max(abs(facts.highest), abs(facts.lowest)) ** 2),
            "dc": 100.0 * abs(facts.mean),
        }
    return _held(values, table, channel=channel)


def tone_checks(
    fit: tone.ToneFit,
    facts: samples.SampleFacts,
    table: Mapping[str, Entry],
    *,
    channel: str,
    index: int,
    tone_hz: float,
) -> list[Check]:
    """Checks on a steady tone on one channel (index: its row in the fit)."""
    amplitude = abs(fit.amplitude[index, 0])
    missing = decibels(fit.search_amplitude[index] ** 2) - decibels(amplitude**2)
    # Digital silence has no noise to be held against.
    missing = missing if amplitude != 0.0 else -FLOOR_DB
    absent = check("tone_absent", missing, table, channel=channel)
    if absent.verdict == Verdict.FAIL:
        return [absent]
    # Only a drift beyond its own uncertainty counts.
    drift = max(abs(fit.drift_hz_s) - 3.0 * fit.u_drift_hz_s, 0.0) * fit.seconds / fit.frequency_hz
    departure, wander = _unsteadiness(fit, index)
    values = {
        "tone_ppm": 1e6 * abs(fit.frequency_hz / tone_hz - 1.0),
        "drift_ppm": 1e6 * drift,
        "wander": wander,
        "steady": departure,
        **_partials(fit, index),
        "bump": facts.block_high_db,
        "dropout": -facts.block_low_db,
        "click": facts.click,
        "mains": distance_from_mains(tone_hz),
    }
    return [
        absent,
        *_held(values, table, channel=channel),
        *_harmonic_checks(fit, table, channel=channel, index=index),
    ]


def _unsteadiness(fit: tone.ToneFit, index: int) -> tuple[float, float]:
    """(largest departure of the level, what the highest harmonic loses to a phase that wanders).

    Both in dB, of one channel's fundamental. Noise shakes level and phase alike, so that each is
    the other's yardstick: only what exceeds it counts.
    """
    envelope = fit.envelope[index]
    level, phase = np.abs(envelope), np.angle(envelope)
    by_noise = NOISE_REACH * phase.std()
    highest = max(level.max() - by_noise, 1.0)
    departure = harmonics.DB_PER_RATIO * max(
        np.log(highest), -np.log(max(level.min() + by_noise, 1e-20))
    )
    # A ratio of variances of 4 comes from noise alone once in 1e4 (F with 32 and 32).
    wanders = phase.var() > 4.0 * level.var()
    top = np.flatnonzero(fit.present[index]).max(initial=0) + 1
    kept = abs(np.exp(1j * top * phase).mean()) if wanders else 1.0
    return departure, -decibels(kept**2)


def _partials(fit: tone.ToneFit, index: int) -> dict[str, float]:
    """How the fundamental's level moves, by its cause, and the power of what is no harmonic."""
    kind, none = int(fit.partials.kind[index, 0]), fit.partials.no_harmonic[index]
    swing, foreign = abs(float(fit.partials.swing_db[index, 0])), 0.0
    if none.any():
        none = none & fit.present[index]
        none[0] &= kind == partials.Kind.OFF  # where it beats, its own check says so
        power = np.abs(fit.amplitude[index]) ** 2
        foreign = float(power[none].sum() / power.sum())
    return {
        "level_drift": swing if kind == partials.Kind.DRIFTING else 0.0,
        "modulation": swing if kind == partials.Kind.MODULATED else 0.0,
        "beating": swing if kind == partials.Kind.BEATING else 0.0,
        "inharmonic": decibels(foreign),
    }


def _harmonic_checks(
    fit: tone.ToneFit, table: Mapping[str, Entry], *, channel: str, index: int
) -> list[Check]:
    """Signal-to-noise ratio of each harmonic in its own bin.

    Only the fundamental's decides about the take; the others are there to be read, held
    against what noise alone exceeds in 1 % of records.
    """
    noise = fit.u_amplitude[index] ** 2
    ratio = np.divide(
        0.5 * np.abs(fit.amplitude[index]) ** 2,
        noise,
        out=np.full(noise.size, 1e40),
        where=noise > 0,
    )
    bound = decibels(
        0.5 * float(fit.presence_amplitude[index, 0] ** 2 / noise[0]) if noise[0] else 1.0
    )
    return [
        check("snr_h1", decibels(ratio[0]), table, channel=channel),
        *(
            Check(channel, f"snr_h{k}", decibels(value), "dB", bound, "checks.f_test", Verdict.PASS)
            for k, value in enumerate(ratio[1:], start=2)
        ),
    ]


def noise_checks(
    table: Mapping[str, Entry],
    *,
    channel: str,
    noise_power: float,
    room_power: float | None,
    hum_power: float,
    tone_power: float | None,
    upper_limit: bool = False,
    noise_a_db: float | None = None,
    room_a_db: float | None = None,
) -> list[Check]:
    """Checks on the noise of a channel. Powers are mean squares at the bench's gain.

    hum_power : of the strongest mains line (0: none stands out), held against the tone's
        power; without a tone there is nothing to hold it against.
    upper_limit : the tone hides some of the noise, whose powers are then too high; a level
        beyond its limit is no more than a warning.
    noise_a_db, room_a_db : A-weighted sound pressure levels, only when calibrated.
    """
    noise = {
        "noise_over_room": decibels(noise_power) - decibels(room_power)
        if room_power is not None
        else None,
        "noise_a": noise_a_db,
        "noise_over_room_a": noise_a_db - room_a_db
        if None not in (noise_a_db, room_a_db)
        else None,
    }
    rows = [
        row._replace(verdict=Verdict.WARN, source="checks.hidden")
        if upper_limit and row.verdict == Verdict.FAIL
        else row
        for row in _held(
            {name: db for name, db in noise.items() if db is not None}, table, channel=channel
        )
    ]
    hum = {"hum": decibels(hum_power / tone_power)} if tone_power else {}
    return [*_held(hum, table, channel=channel), *rows]


def take_verdict(checks: Sequence[Check]) -> tuple[Verdict, str]:
    """(worst verdict, cell with a note for each check behind it, its channels together) of a
    take."""
    for verdict in (Verdict.FAIL, Verdict.WARN):
        rows = [row for row in checks if row.verdict == verdict]
        names = dict.fromkeys(row.check for row in rows)
        if rows:
            return verdict, several(finding([r for r in rows if r.check == name]) for name in names)
    return Verdict.PASS, ""


def finding(rows: Sequence[Check], *, worst: str = "") -> str:
    """The note of what one check found, on one channel or several.

    worst : the take that the rows are of, where several takes are told of.
    """
    first = rows[0]
    code = f"checks.{first.check}"
    # The source of these says what is wrong with the file, where it is not that of the limit.
    if first.check in TOLD_BY_SOURCE and not first.source.startswith("checks."):
        return note(code, why=first.source)
    fields = {"found": [(row.value, row.channel) for row in rows], "worst": worst}
    if first.unit or first.limit:  # otherwise a matter of yes or no
        fields |= {"unit": first.unit, "limit": first.limit}
    return note(code, **{name: value for name, value in fields.items() if value})

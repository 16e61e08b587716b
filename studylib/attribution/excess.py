"""The driver-only hypothesis, harmonic by harmonic of one mount: predicted, observed, excess.

With a sensed drive the prediction is T(kf) times the sensed k-th harmonic. With driver takes on
the block only, it is the board's probe tone at kf times the block's k-th harmonic over the block's
probe tone, and the load (how the driver's distortion changes when it leaves the block for a board)
widens it. Neither: no prediction.

And drive steps: does a harmonic grow as the one that was sensed at the driving point? A linear
board passes the k-th harmonic on by the same factor at every drive, so its growth between a lower
drive and full drive equals the growth of the sensed k-th harmonic, however the driver distorts. A
contact that opens and closes does not. No probe tone is needed for this. Without a sensed drive the
growth stands beside that of the same step on the block and beside k dB a dB, which is what a
driver's own distortion of order k does when it is weak; the verdict is then `cannot tell`. What the
room and the recorder put into either take is bounded at both drives. By as much as the fundamental
itself does not follow, a gain changed with the level (level control, a knob), and no harmonic is
said not to follow on the ground of that much.

Conventions: natural logarithms of amplitude inside (nepers), decibels outside; arrays over k.
Growth is from the lower drive to full drive; intervals at 99 %, corrected as in uncertainty.py.

Contents: Evidence, excess_of, leak_bounds, load_range, step_rows, near_mains.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from studylib.attribution import board_facts, controls, lines
from studylib.attribution.uncertainty import (
    DB,
    Bound,
    Spread,
    Term,
    coverage,
    or_zero,
    shift,
    side,
)
from studylib.codes.attribution import Cause, StepVerdict
from studylib.sheets.files import grouped
from studylib.signal.line_sums import LOWEST_LOSS_FACTOR
from studylib.signal.noise import distance_from_mains

# By how many dB a driver's own harmonic may stand lower or higher on a board than on the block:
# a simple inertial driver under a 180 g board, simulated, no published source; from the fourth on
# nothing better is known than the third's.
LOAD_DB = {2: (-2.0, 13.0), 3: (-11.0, 21.0)}
LEAKS = (Cause.AIR, Cause.RECORDER, Cause.DRIVE_RECORDER)
LEAK_PHASES = 24  # phases of a leak that are tried out
DISAGREE_ERROR = 0.001  # chance that repeats that agree are said to disagree
MARGIN_DB = 1.5  # an excess within this of 0 is the driver's, above it is beyond the driver
# A phase that far off moves a phasor by as much as the margin does.
PHASE_ALLOWANCE = 2.0 * float(np.arcsin((10.0 ** (MARGIN_DB / 20.0) - 1.0) / 2.0))


@dataclass(frozen=True)
class Evidence:
    """All that bears on one mount. `take_spread` has df 0 where nothing was repeated.

    tones_agree, probes_agree : of its tones, and of its probe tones at each multiple.
    drift : nepers from probe tones before the tones to those after them (K,), NaN without both.
    hidden : what the board could hide; None where its modes are not known, and where
    `modes_asked` is False nobody asks.
    """

    tone: lines.Lines
    transfer: lines.Transfer
    room: controls.Room
    recorder: controls.Source
    drive_recorder: controls.Source
    air: controls.Source
    in_air: controls.InAir
    block: controls.Block | None
    take_spread: Spread
    sensed: bool
    rows: int
    tones_agree: lines.Agreement
    probes_agree: lines.Agreement
    drift: np.ndarray
    hidden: board_facts.Hidden | None
    modes_asked: bool


def load_range(size: int) -> tuple[np.ndarray, np.ndarray]:
    """(least, most) in dB by which a harmonic's driver part may differ from the block's."""
    each = [LOAD_DB.get(k, LOAD_DB[3]) for k in range(1, size + 1)]
    return np.array([low for low, _ in each]), np.array([high for _, high in each])


def excess_of(
    mounts: Mapping[tuple[str, int], Evidence],
) -> dict[tuple[str, int], dict[str, np.ndarray]]:
    """Observed over predicted at every multiple of each mount's tone: columns (K,), dB.

    Those of the table `attribution`, NaN where there is no prediction, and
    low_with_leaks : the interval's lower end, with every leak that the controls do not exclude;
    present : the harmonic is above the noise of its own bin;
    driven : the driver's own harmonic is known, and not only bounded by the noise;
    takes_disagree : repeats lie farther apart than their noise and the take spread allow;
    phase_off : the phase is not that of the prediction, beyond doubt and allowance;
    as_probed : but for the air, level and phase hold 0: there the driver's sound through the air,
        of which the probe tone held the same share, leaves them;
    as_driven : with a sensed drive, and but for air and recorder, level and phase may lie within
        the margin: half of a harmonic, added by the recorder, would have moved them out of it;
    noticed, part_noticed : shares of places on the board where a harmonic made there, or a part of
        one, would not pass for the driver's; NaN where the board's modes are not known;
    width_cause : the chief cause of the interval's width;
    least_excluded : the leak that the controls leave most room for.
    """
    return {
        mount: {name: column[i] for name, column in columns.items()}
        # Those that differ in nothing but their arrays are worked out at once.
        for own in grouped(
            ((each.tone.n, each.tone.dof, each.rows, id(each.block)), mount)
            for mount, each in mounts.items()
        ).values()
        for columns in [_excess_of([mounts[mount] for mount in own])]
        for i, mount in enumerate(own)
    }


def _joined(parts: Sequence):
    """Several as one: arrays (K,) become (mounts, K), the rest is the first one's."""
    first = parts[0]
    arrays = {
        name: np.stack([getattr(each, name) for each in parts])
        for name in type(first).__annotations__
        if isinstance(getattr(first, name), np.ndarray)
    }
    return first._replace(**arrays) if isinstance(first, tuple) else replace(first, **arrays)


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def _excess_of(mounts: Sequence[Evidence]) -> dict[str, np.ndarray]:
    """The columns of `excess_of` (mounts, K)."""
    evidence = replace(
        _joined(mounts),
        **{
            name: _joined([getattr(each, name) for each in mounts])
            for name in ("tone", "transfer", "room", "recorder", "drive_recorder", "air")
        },
    )
    tone = evidence.tone
    observed = np.abs(tone.response)
    limit = tone.presence(np.fmax(tone.u_response, evidence.room.u / np.sqrt(tone.n)))
    present = observed > limit
    # A drive channel's harmonic below its noise predicts at most; it does not predict.
    driven = (
        np.abs(tone.drive) > tone.presence(tone.u_drive)
        if evidence.sensed
        else np.full(observed.shape, evidence.block is not None)
    )
    ratio, terms, bounds = _sensed(evidence) if evidence.sensed else _by_block(evidence)
    terms.insert(0, _noise(Cause.NOISE, tone.u_response, observed, tone.dof, "top"))
    of_takes, takes_disagree, lowest, highest = _repeats(evidence, terms)
    terms.append(of_takes)
    bounds = [
        _always(
            Cause.FREQUENCY,
            np.abs(evidence.transfer.frequency_hz / tone.frequency_hz - 1.0) / LOWEST_LOSS_FACTOR,
        ),
        *bounds,
        _leak(Cause.AIR, evidence.air, observed, "both" if evidence.sensed else "top"),
        *leak_bounds(evidence),
    ]
    middle = np.log(np.abs(ratio))
    low_load, high_load = (
        (0.0, 0.0) if evidence.sensed else (end / DB for end in load_range(observed.shape[-1]))
    )
    q, u = coverage(terms, rows=evidence.rows)
    seen = [bound._replace(share=np.where(bound.found, bound.share, 0.0)) for bound in bounds]
    plain = middle + lowest - side(terms, q, up=False) - high_load
    top = middle + highest + side(terms, q, up=True) - low_load
    low, low_with_leaks = plain + shift(seen, up=False), plain + shift(bounds, up=False)
    high = top + shift(seen, up=True)
    as_probed = ~((low > 0.0) | (high < 0.0))
    if evidence.sensed:
        down, up = _air_shift(ratio, evidence.air.bound / observed)
        heard = np.isfinite(evidence.air.level)
        low, high = low + np.where(heard, down, 0.0), high + np.where(heard, up, 0.0)
        low_with_leaks = low_with_leaks + down
    # Whatever the terms: the estimate lies inside.
    low, high = np.minimum(low, middle), np.maximum(high, middle)
    shares = np.sqrt(sum(bound.share**2 for bound in seen) / 3.0)
    whole = np.sqrt(u**2 + shares**2 + ((high_load - low_load) ** 2) / 12.0)
    phase, turn = _phase(evidence, ratio, terms, seen, q)
    leaks, others = (
        [bound for bound in seen if (bound.cause in LEAKS) is of_leak] for of_leak in (True, False)
    )
    clear = turn - 2.0 * sum(bound.share for bound in leaks)
    noticed = np.array(
        [
            np.full((2, middle.shape[-1]), np.nan)
            if each.hidden is None
            else board_facts.noticed_shares(
                each.hidden,
                observed=ratio[i],
                down_db=DB * (middle[i] - low[i]),
                up_db=DB * (high[i] - middle[i]),
                turn=turn[i] - PHASE_ALLOWANCE,
            )
            for i, each in enumerate(mounts)
        ]
    )
    return {
        "observed_db": DB * np.log(np.where(present, observed, observed + limit)),
        "noise_db": DB * np.log(limit),
        "predicted_db": DB * (np.log(observed) - middle),
        "excess_db": DB * middle,
        "low": DB * low,
        "high": DB * high,
        "low_with_leaks": DB * low_with_leaks,
        "u": DB * whole,
        "phase_deg": np.degrees(phase),
        "phase_off": np.abs(phase) > turn,
        "as_probed": as_probed & ~(np.abs(phase) > clear),
        "as_driven": (DB * (plain + shift(others, up=False)) <= MARGIN_DB)
        & (DB * (top + shift(others, up=True)) >= -MARGIN_DB)
        & (np.abs(phase) <= clear),
        "noticed": noticed[:, 0],
        "part_noticed": noticed[:, 1],
        "present": present,
        "driven": driven,
        "takes_disagree": takes_disagree,
        "width_cause": _chief_cause(terms, seen, q, load=not evidence.sensed),
        "least_excluded": _chief_cause([], [b for b in bounds if b.cause in LEAKS], q, load=False),
    }


def _df(value: float, like: np.ndarray) -> np.ndarray:
    return np.full(like.shape, float(max(value, 1)))


def _noise(cause: Cause, u: np.ndarray, value: np.ndarray, df: int, acts: str) -> Term:
    return Term(cause, u / np.abs(value), _df(df, value), acts)


def _always(cause: Cause, share: np.ndarray) -> Bound:
    return Bound(cause, share, "bottom", np.ones(share.shape, dtype=bool))


def _sensed(evidence: Evidence) -> tuple[np.ndarray, list[Term], list[Bound]]:
    tone, transfer = evidence.tone, evidence.transfer
    ratio = tone.response / (tone.drive * transfer.value)
    terms = [
        _noise(Cause.DRIVE, tone.u_drive, tone.drive, tone.dof, "bottom"),
        Term(Cause.RESPONSE, transfer.u_noise, transfer.dof, "bottom"),
        Term(Cause.REMOUNT, transfer.u_remount, transfer.df_remount, "spread"),
    ]
    # Between probe tones, T was somewhere between what it was before and after.
    between = _always(Cause.TAKES, or_zero(evidence.drift) / 2.0)
    return ratio, terms, [_always(Cause.SWEEP, transfer.bound), between]


def _by_block(evidence: Evidence) -> tuple[np.ndarray, list[Term], list[Bound]]:
    tone, transfer, block = evidence.tone, evidence.transfer, evidence.block
    if block is None:
        nothing = np.full(tone.response.shape, np.nan)
        return nothing + 0j, [Term(Cause.BLOCK, nothing, np.ones(nothing.shape), "bottom")], []
    predicted = np.abs(transfer.value) * np.abs(block.harmonic) / np.abs(block.probe)
    terms = [
        Term(Cause.RESPONSE, transfer.u_noise, transfer.dof, "bottom"),
        _noise(Cause.BLOCK, block.u_harmonic, block.harmonic, block.dof, "bottom"),
        _noise(Cause.BLOCK, block.u_probe, block.probe, block.dof, "bottom"),
        Term(Cause.REMOUNT, transfer.u_remount, transfer.df_remount, "spread"),
    ]
    return np.abs(tone.response) / predicted + 0j, terms, []


def _repeats(
    evidence: Evidence, terms: list[Term]
) -> tuple[Term, np.ndarray, np.ndarray, np.ndarray]:
    """The spread between takes; (K,) where they disagree; and there ln of the lowest and of the
    highest take over their mean, else 0, so that the interval covers every single take."""
    tone, transfer, spread = evidence.tone, evidence.transfer, evidence.take_spread
    shape = tone.response.shape
    # A level without a sensed drive follows the drive's level k times over.
    order = np.ones(shape) if evidence.sensed else np.arange(1.0, shape[-1] + 1) + np.zeros(shape)
    takes_disagree = np.zeros(shape, dtype=bool)
    if tone.n > 1 and spread.df:
        noise = sum(term.u**2 for term in terms if term.cause in (Cause.NOISE, Cause.DRIVE))
        expected = tone.n * noise + spread.level * order**2
        v = tone.n - 1
        takes_disagree = tone.scatter**2 * v / expected > chdtri(v, DISAGREE_ERROR)
    n = np.where(takes_disagree, 1, tone.n)
    variance = spread.level * (order**2 / n + 1.0 / transfer.n)
    return (
        Term(Cause.TAKES, np.sqrt(variance), _df(spread.df, order), "spread"),
        takes_disagree,
        np.where(takes_disagree, np.minimum(tone.lowest, 0.0), 0.0),
        np.where(takes_disagree, np.maximum(tone.highest, 0.0), 0.0),
    )


def leak_bounds(evidence: Evidence) -> list[Bound]:
    """Recorder and mains hum in the response, and the recorder in the sensed drive."""
    tone = evidence.tone
    observed = np.abs(tone.response)
    line = or_zero(evidence.room.line / observed)
    of_drive = [Cause.DRIVE_RECORDER] if evidence.sensed else []
    return [
        _leak(Cause.RECORDER, evidence.recorder, observed),
        Bound(Cause.MAINS, line, "top", line > 0),
        *(_leak(c, evidence.drive_recorder, np.abs(tone.drive), "bottom") for c in of_drive),
    ]


def _air_shift(ratio: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far a leak of `share` of the observed moves the lower and the upper end, nepers.

    By itself it moves the observed by 20 lg (1 -+ share). But the probe tone that T is from was
    heard through the same air: a leak l of the predicted makes the true ratio (z - l) / (1 - l) of
    the z that was read, which matters where z is far from 1. The wider of the two counts.
    """
    share = or_zero(share)
    leak = np.minimum(share * np.abs(ratio), 1.0)
    phases = np.arange(LEAK_PHASES).reshape(-1, *[1] * leak.ndim)
    around = leak * np.exp(2j * np.pi * phases / LEAK_PHASES)
    both = np.log(np.abs((ratio - around) / (1.0 - around) / ratio))
    both = np.where(leak < 1.0, both, np.where(phases % 2, np.inf, -np.inf))
    alone = np.where(share < 1.0, np.log1p(-np.minimum(share, 1.0)), -np.inf)
    return np.minimum(both.min(axis=0), alone), np.maximum(both.max(axis=0), np.log1p(share))


def _leak(cause: Cause, source: controls.Source, observed: np.ndarray, acts: str = "top") -> Bound:
    return Bound(cause, or_zero(source.bound / observed), acts, np.isfinite(source.level))


def _phase(
    evidence: Evidence,
    ratio: np.ndarray,
    terms: list[Term],
    bounds: list[Bound],
    q: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Phase of observed over predicted, and up to which angle doubt and allowance explain it."""
    if not evidence.sensed:
        nothing = np.full(ratio.shape, np.nan)
        return nothing, nothing
    spread = evidence.take_spread.phase * (1.0 / evidence.tone.n + 1.0 / evidence.transfer.n)
    noise = sum(term.u**2 for term in terms if term.acts != "spread")
    u = np.sqrt(noise + spread + evidence.transfer.phase_remount**2)
    # Across a resonance a phase turns twice as fast as the level changes at most.
    return np.angle(ratio), q * u + 2.0 * sum(b.share for b in bounds) + PHASE_ALLOWANCE


def _chief_cause(
    terms: list[Term], bounds: list[Bound], q: np.ndarray, *, load: bool
) -> np.ndarray:
    parts = [(term.cause, q * term.u) for term in terms]
    parts += [(bound.cause, bound.share) for bound in bounds]
    parts += [(Cause.LOAD, np.subtract(*load_range(q.shape[-1])[::-1]) / DB)] * load
    causes, reach = zip(*parts, strict=True)
    most = or_zero(np.stack(np.broadcast_arrays(*reach))).argmax(axis=0)
    return np.array(causes, dtype=object)[most]


# ---------------------------------------------------------------- drive steps


@np.errstate(divide="ignore", invalid="ignore")
def step_rows(
    key: tuple[str, int],
    full: Evidence,
    lower: Mapping[float, Evidence],
    block: Mapping[float, list[lines.Lines]],
) -> list[tuple]:
    """Rows of the table `drive_steps` of one mount, for the harmonics that stand out at full drive.

    Parameters
    ----------
    full, lower : all that bears on the tone at full drive, and at each lower drive (dB).
    block : the driver's takes on the block at each drive, 0 for full.
    """
    on_block, rows = _levels(block.get(0.0)), []
    tone = full.tone
    loud = np.abs(tone.response) > tone.presence(tone.u_response)
    for drive_db in sorted(lower, reverse=True):
        step = lower[drive_db].tone
        growth = _db(tone.response) - _db(step.response)
        sensed = _db(tone.drive) - _db(step.drive) if full.sensed else np.full(growth.size, np.nan)
        of_block = on_block - _levels(block.get(drive_db))
        of_block = np.pad(of_block, (0, growth.size), constant_values=np.nan)
        *found, verdict = _difference(full, lower[drive_db])
        heard = np.abs(step.response) > step.presence(step.u_response)
        rows += [
            (
                *key, i + 1, drive_db, growth[i] if heard[i] else np.nan, sensed[i], of_block[i],
                -drive_db * (i + 1), *(part[i] for part in found), verdict[i],
            )
            for i in range(1, growth.size)
            if loud[i]
        ]  # fmt: skip
    return rows


def _difference(
    full: Evidence, step: Evidence
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Growth of the response over that of the sensed harmonic, its interval, dB, and a verdict.

    Sound through the air goes with the driver's harmonic at any drive and takes no part in it. The
    verdict is held against leaks that are only bounded as well.
    """
    tone, low, spread = full.tone, step.tone, full.take_spread
    if not (full.sensed and spread.df):
        nothing = np.full((3, tone.response.size), np.nan)
        return *nothing, np.full(tone.response.size, StepVerdict.CANNOT_TELL, dtype=object)
    middle = np.log(np.abs((tone.response / tone.drive) / (low.response / low.drive)))
    takes = spread.level * (1.0 / tone.n + 1.0 / low.n)
    terms = [
        _noise(Cause.NOISE, tone.u_response, tone.response, tone.dof, "top"),
        _noise(Cause.NOISE, low.u_drive, low.drive, low.dof, "top"),
        _noise(Cause.NOISE, tone.u_drive, tone.drive, tone.dof, "bottom"),
        _noise(Cause.NOISE, low.u_response, low.response, low.dof, "bottom"),
        Term(Cause.TAKES, np.full(middle.size, np.sqrt(takes)), _df(spread.df, middle), "spread"),
    ]
    turned = {"top": "bottom", "bottom": "top"}
    bounds = leak_bounds(full)
    bounds += [bound._replace(acts=turned[bound.acts]) for bound in leak_bounds(step)]
    seen = [bound._replace(share=np.where(bound.found, bound.share, 0.0)) for bound in bounds]
    q, _ = coverage(terms, rows=full.rows)
    down, up = middle - side(terms, q, up=False), middle + side(terms, q, up=True)
    lowest, highest = DB * (down + shift(seen, up=False)), DB * (up + shift(seen, up=True))
    alike = (lowest >= -MARGIN_DB) & (highest <= MARGIN_DB)
    apart = DB * (down + shift(bounds, up=False) - abs(middle[0])) > MARGIN_DB
    apart |= DB * (up + shift(bounds, up=True) + abs(middle[0])) < -MARGIN_DB
    # The recorder or a mains line cannot grow in the board's place.
    near = [near_mains(float(f), 1.0 / tone.seconds) for f in or_zero(tone.frequency_hz)]
    tested = ~np.isnan(full.recorder.bound) & ~(np.array(near) & np.isnan(full.room.line))
    verdict = np.select(
        [alike, apart & tested],
        [StepVerdict.WITH, StepVerdict.NOT_WITH],
        StepVerdict.CANNOT_TELL,
    )
    return DB * middle, lowest, highest, verdict


def _levels(takes: list[lines.Lines] | None) -> np.ndarray:
    return _db(lines.mean_lines(takes).response) if takes else np.array([np.nan])


def _db(amplitude: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(amplitude))


def near_mains(frequency_hz: float, within_hz: float) -> bool:
    """Whether a multiple of 50 or 60 Hz lies within two bins of that width."""
    return distance_from_mains(frequency_hz) < 2 * within_hz

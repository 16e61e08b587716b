"""The modes of one ring that a microphone heard: decays, and what the room makes of them.

The ring is cut where it has died into the background, searched from the strongest peak down
(`signal.decay_search`), and each group of overlapping decays is fitted once more with the room in
the model (`signal.room_fit`): on as much of the record as it rings, and the room with it. The
room's own decay is taken from what the strongest groups show of it; how much of it is heard, from
all groups together, and for each group as far as its own bins say otherwise.

The stated uncertainty has two parts. The background's shrinks with every further tap; the room's,
`u_place`, is the same for all taps that are heard at one place, and shrinks only over places. A
decay's interval is Student's, as the room's share is itself known from few ripples.

Where decays in noise alone explain a ring, there is nothing to search: `not_heard` says what a room
that is too weak to be heard may have made of them.

Conventions: as in `signal.decays`, whose `Decays` come out.

Functions: find_decays_heard, not_heard. Heard, Room.
Source: `signal.room_fit`, `signal.decay_search`; limits are our own choice, tried out on recorded
strokes and in simulated rooms.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy import fft, ndimage
from scipy.special import stdtrit

from studylib.signal import damping, decay_search, poles, room_fit
from studylib.signal.decays import Decays, no_decays, told_decays

DEAD = 1e-5  # of the ring's energy: what comes after is not looked at
SHORTEST_S = 0.1
QUIET_S = 0.03  # before the knock, at least, to know the background from
LAST = 0.15  # of the record, for the background as well
SMOOTH_BINS = 9
SILENT = 1e-12  # of the strongest bin: no record is quieter
MOST_SOUGHT = 40
ROOM_S = 0.4  # decay time to -60 dB of a room of which nothing is known
ROOM_UNSURE = 0.6  # standard deviation of its logarithm: nearly a factor of two
ROOMS_S = (0.15, 0.3, 0.6, 1.2)
MOST_TOLD = 12.0  # of the logarithm of the likelihood, from one group
SHARE_UNSURE = 1.2  # of the logarithm of the room's share, before anything is known: 5 dB
GROUP_UNSURE = 0.7  # of a group's share about that of all: 3 dB
STEEP_SHARE = 0.9  # of the steepest decay that is fitted: steeper ones are the knock
NO_ROOM = 10 ** (-38.0 / 10)  # a share below it is none
STRONGEST = 5  # groups that tell of the room
FOLLOWED = 4.6  # nepers of the slower of mode and room: 40 dB
ROOM_REACH = 4.5  # of the room
EARLY_S = 0.02  # in which a room's single reflections come
SLOW = 0.5  # nepers in that time
ASIDE, ROOM_ASIDE = 0.3, 0.1  # half widths, of the decay and of the room, that a fit may move
FAR = float(np.log(4.0))  # from the search's decay and level: farther, a fit is of something else
MOST_SHARE = 10.0  # times what the search left over of a group: more, the room cannot make
RIPPLED = 10 ** (-15.0 / 10)  # of the room's share, from which it can catch a start in a ripple
BESIDE = 3.0  # spread of a decay over that of all else at its peak, in noise no narrower than it
WIDER = (1.0, 3.0)  # times the width that the search found, as starts of a fit
MOST_BINS = 56
TOGETHER = 4.0  # mean bandwidths
WORTH = 12.0  # of the logarithm of the likelihood, that one decay more must bring
UNFITTED = 10.0  # times its uncertainty a decay is taken for, that no fit came to terms with
LEAST_FALL = 1.0  # nepers over the record, of such a one: less is a line that does not die
ASTRAY = 3.0  # times the uncertainty of decays that the model does not fit
MOST_TOGETHER = 4
# The least spread of any estimate from one place is sqrt(share) times this, for decays as fast as
# the room's and faster; slower ones are freed of it as (their decay over the room's) squared.
AS_FAST, FREED = 0.6, 0.45
TOLD_TOO_LOW = 1.5  # times what is told of the share, which the decays have fitted in part
LOUD = 10 ** (-20.0 / 20)  # of the strongest peak: lower ones are not named when left over


class Room(NamedTuple):
    """What the ring tells of the room. decay_time_s : to -60 dB, with its relative standard
    uncertainty.  ratio_db : of the direct sound to the reverberant one."""

    decay_time_s: float
    u_relative: float
    ratio_db: float


class Heard(NamedTuple):
    """decays : the modes.  room : None where none is heard.  left_over : Hz, of peaks within 20 dB
    of the strongest that are no modes, strongest first.  seconds : of the ring that were used."""

    decays: Decays
    room: Room | None
    left_over: tuple[float, ...]
    seconds: float


@dataclass
class _Ring:
    """The samples and what has been found in them so far."""

    x: np.ndarray
    rate_hz: float
    background: np.ndarray  # per sample, of white noise as strong, over `frequency_hz`
    frequency_hz: np.ndarray
    s: np.ndarray
    c: np.ndarray
    spectra: dict[tuple[int, int], np.ndarray]

    def spectrum(self, n: int, first: int = 0) -> np.ndarray:
        if (first, n) not in self.spectra:
            self.spectra[first, n] = fft.rfft(self.x[first : first + n])
        return self.spectra[first, n]

    def noise_at(self, angle) -> np.ndarray:
        """Variance per sample at angles per sample."""
        f = np.asarray(angle) * self.rate_hz / (2.0 * np.pi)
        return np.interp(f, self.frequency_hz, self.background)


def find_decays_heard(
    x: np.ndarray,
    *,
    quiet: np.ndarray,
    rate_hz: float,
    lowest_hz: float,
    highest_hz: float,
    most: int,
) -> Heard:
    """The modes of one ring heard by a microphone.

    Parameters
    ----------
    x : (n,) samples from just after the contact on, until nothing rings any more.
    quiet : samples of the background before it; may be empty.
    lowest_hz, highest_hz : where modes are looked for.  most : modes at most; of more those
        that stand highest in the spectrum are kept.

    Returns
    -------
    Heard. Its work is bounded: rounds, decays and bins of a fit are.
    """
    ring = _ring_of(x, quiet, rate_hz)
    n = len(ring.x)
    bins = decay_search.bins_of(
        ring.spectrum(n), n=n, rate_hz=rate_hz, lowest_hz=lowest_hz, highest_hz=highest_hz
    )
    if len(bins.values) <= 4 * decay_search.LEAST_BINS or not np.any(bins.values):
        none = no_decays(rate_hz=rate_hz, most=most, limits_hz=(lowest_hz, highest_hz))
        return Heard(none, None, (), n / rate_hz)
    noise = n * ring.noise_at(2.0 * np.pi / n * (bins.first + np.arange(len(bins.values))))
    bins = bins._replace(background=np.maximum(noise, SILENT * np.abs(bins.values).max() ** 2))
    sought, ratio = decay_search.search_in_room(bins, step_hz=rate_hz / n, most=MOST_SOUGHT)
    ring.s, ring.c = sought.s.copy(), sought.c.copy()
    fits, alpha, u_alpha, share = _in_room(ring, ratio)
    return _report(ring, bins, fits, (alpha, u_alpha, share), (lowest_hz, highest_hz), most)


def not_heard(decays: Decays, *, rate_hz: float) -> Decays:
    """Decays that explain a ring without a room, with what one that is too weak to be heard may
    have made of them: of each its own tail, and at its peak the tails of the others."""
    angle = 2.0 * np.pi / rate_hz * decays.frequency_hz
    own = np.abs(decays.poles.imag - angle[:, None]).argmin(axis=1), np.arange(len(angle))
    s = decays.poles[own[0]]
    each = decays.amplitudes[:, None] / (1.0 - np.exp(decays.poles[:, None] - 1j * s.imag))
    beside, alpha = np.abs(each.sum(axis=0) / each[own] - 1.0), damping.LN_1000 / ROOM_S / rate_hz
    # Whatever else the decays leave over may be as much like a room.
    share = max(NO_ROOM, decays.unexplained)
    u_place = (
        np.hypot(_least(s, alpha, ROOM_UNSURE, share), BESIDE * np.sqrt(share) * beside)
        * decays.loss_factor
    )
    return replace(
        decays,
        u_loss_factor=np.hypot(decays.u_loss_factor, u_place),
        u_frequency_hz=np.hypot(decays.u_frequency_hz, 0.5 * u_place * decays.frequency_hz),
        u_place=u_place,
    )


def _least(s: np.ndarray, alpha: float, u_alpha: float, share: float) -> np.ndarray:
    """The least relative spread of decays from one place: a tail that dies as slowly as a mode, or
    more slowly, can be taken for it."""
    squared = np.square(s.real / alpha * np.exp(u_alpha))
    return AS_FAST * np.sqrt(TOLD_TOO_LOW * share) * squared / (squared + FREED)


def _ring_of(x: np.ndarray, quiet: np.ndarray, rate_hz: float) -> _Ring:
    last = x[-max(int(LAST * len(x)), min(len(x), int(SHORTEST_S * rate_hz))) :]
    f, background = _density(last, rate_hz)
    if len(quiet) >= QUIET_S * rate_hz and np.any(quiet):
        other_f, other = _density(quiet, rate_hz)
        background = np.minimum(background, np.interp(f, other_f, other))
    left = np.cumsum(np.square(x[::-1] - x.mean()))[::-1]
    left = left - background.mean() * np.arange(len(x), 0, -1)
    dead = np.flatnonzero(left < DEAD * left[0])
    end = min(max(int(dead[0]), int(SHORTEST_S * rate_hz)), len(x)) if len(dead) else len(x)
    return _Ring(
        x[: fft.prev_fast_len(end, real=True)], rate_hz, background, f,
        *np.zeros((2, 0), complex), {},
    )  # fmt: skip


def _density(x: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """(Hz, variance per sample of white noise as strong), smoothed over a few bins."""
    window = np.hanning(len(x) + 2)[1:-1]
    return np.fft.rfftfreq(len(x), 1.0 / rate_hz), ndimage.uniform_filter1d(
        np.abs(fft.rfft(x * window)) ** 2 / np.sum(window**2), SMOOTH_BINS
    )


# The room


def _in_room(ring: _Ring, ratio: float):
    """Every group fitted with the room in the model.

    Returns (list of (indices, RoomFit)), alpha per sample, standard deviation of its logarithm,
    and the room's share over all groups.
    """
    groups = decay_search.small_groups(ring.s, together=TOGETHER, most=MOST_TOGETHER)
    energy = np.abs(ring.c) ** 2 / np.maximum(-ring.s.real, 1e-9)
    groups.sort(key=lambda group: -energy[group].max())
    prior, share = damping.LN_1000 / ROOM_S / ring.rate_hz, float(np.clip(ratio, NO_ROOM, 1.0))
    alpha, u_alpha, first = _room_decay(ring, groups[:STRONGEST], prior, share)
    share = _share_of_all(first, share)
    hearing, fits = room_fit.Hearing(share, GROUP_UNSURE, alpha, 0.0), []
    for group in groups:
        group, fit = _fewest(ring, group, hearing)
        if fit is not None:
            ring.s[group], ring.c[group] = fit.s, fit.c
            fits.append((group, fit))
    return fits, alpha, u_alpha, _share_of_all([fit for _, fit in fits if not fit.kept], share)


def _fewest(
    ring: _Ring, group: np.ndarray, hearing: room_fit.Hearing
) -> tuple[np.ndarray, room_fit.RoomFit | None]:
    """A group and its fit, without the decays that the room may have made of the others."""
    fit, whole = _fitted(ring, group, hearing), group
    while fit is not None and len(group) > 1:
        weakest = int(np.argmin(np.abs(ring.c[group]) ** 2 / -ring.s[group].real))
        gone, left = group[weakest], np.delete(group, weakest)
        height = ring.c[gone]
        ring.c[gone] = 0.0
        fewer = _fitted(ring, left, hearing, around=whole)
        if fewer is None or fewer.kept or fit.likelihood - fewer.likelihood > WORTH:
            ring.c[gone] = height
            break
        group, fit = left, fewer
    return group, fit


def _room_decay(ring: _Ring, groups: list[np.ndarray], prior: float, share: float):
    """(alpha, standard deviation of its logarithm, fits of the groups with it)."""
    rooms = damping.LN_1000 / np.array(ROOMS_S) / ring.rate_hz
    total, fits = -0.5 * (np.log(rooms / prior) / ROOM_UNSURE) ** 2, []  # from the prior
    for group in groups:
        start = _fitted(
            ring, group, room_fit.Hearing(share, SHARE_UNSURE, prior, 0.0), steps=room_fit.STEPS - 1
        )
        if start is None:
            continue
        fits.append(start)
        known = room_fit.Hearing(start.ratio, SHARE_UNSURE, prior, 0.0)
        trials = [
            _fitted(ring, group, known._replace(alpha=alpha), steps=2, room=rooms.min())
            for alpha in rooms
        ]
        if all(trials):
            told = np.array([trial.evidence for trial in trials])
            # One group whose fit goes astray must not decide for all.
            total = total + np.maximum(told - told.max(), -MOST_TOLD)
    return *_peak_of(np.log(rooms), total), fits


def _peak_of(at: np.ndarray, height: np.ndarray) -> tuple[float, float]:
    """(position, spread) of the bell through the highest of evenly spaced points, exponentiated."""
    k, step = int(np.clip(np.argmax(height), 1, len(at) - 2)), at[1] - at[0]
    left, middle, right = height[k - 1 : k + 2]
    curvature = (2.0 * middle - left - right) / step**2
    if curvature <= 0.0:
        return float(np.exp(at[np.argmax(height)])), ROOM_UNSURE
    away = float(np.clip(0.5 * (right - left) / step / curvature, -abs(step), abs(step)))
    return float(np.exp(at[k] + away)), float(max(curvature**-0.5, 0.1))


def _share_of_all(fits: list[room_fit.RoomFit], otherwise: float) -> float:
    if not fits:
        return otherwise
    weight = np.array([1.0 / (fit.u_ratio**2 + GROUP_UNSURE**2) for fit in fits])
    return float(np.exp(weight @ np.log([fit.ratio for fit in fits]) / weight.sum()))


def _fitted(
    ring: _Ring,
    group: np.ndarray,
    hearing: room_fit.Hearing,
    *,
    steps: int = room_fit.STEPS,
    room: float | None = None,
    around: np.ndarray | None = None,
) -> room_fit.RoomFit | None:
    """One group fitted on as much of the record as it and the room ring; None where it fails.

    around : the group whose bins are fitted, where that is another.
    """
    bins_of = group if around is None else around
    first = _later(ring, bins_of)
    at, n, turns, spectrum = _bins_of(ring, bins_of, room or hearing.alpha, first)
    if len(at) < 4 * len(group) + 2:
        return None
    s, every = ring.s[group], ring.c * np.exp(ring.s * first)
    others = poles.decays_in_bins(ring.s, every, n=n, turns=turns)
    others -= every[group] @ poles.terms(s, n=n, turns=turns)
    noise = max(
        n * float(np.mean(ring.noise_at(2.0 * np.pi / n * at))),
        SILENT * float(np.abs(spectrum).max()) ** 2,
    )
    facts = {
        "n": n, "turns": turns, "others": others, "steps": steps,
        "hearing": hearing._replace(background=noise),
    }  # fmt: skip
    fit = _best_fit(spectrum[at], s, every[group], facts, hearing.alpha)
    if fit is None:
        return None
    back = np.exp(-fit.s * first)
    return fit._replace(c=fit.c * back, c_spread=fit.c_spread * np.abs(back))


def _best_fit(
    target: np.ndarray, s: np.ndarray, c: np.ndarray, facts: dict, alpha: float
) -> room_fit.RoomFit | None:
    """The best of the fits from a start and from wider ones; where none stays near, the start."""
    n, turns, others = facts["n"], facts["turns"], facts["others"]
    model = others + c @ poles.terms(s, n=n, turns=turns)
    share = float(np.sum(np.abs(target - model) ** 2) / np.sum(np.abs(model) ** 2))
    most = float(np.clip(MOST_SHARE * share, 2.0 * NO_ROOM, 4.0))
    known = facts["hearing"]
    facts["hearing"] = known = known._replace(ratio=min(known.ratio, 0.5 * most), most=most)
    fits = []
    for wider in WIDER if known.ratio > RIPPLED else WIDER[:1]:
        start, height = wider * s.real + 1j * s.imag, c
        if wider > 1.0:
            unit = poles.terms(start, n=n, turns=turns)
            height = np.linalg.lstsq(unit.T, target - others, rcond=None)[0]
        fits += [f for f in _tried(target, start, height, facts) if _near(f, s, c, alpha)]
    if fits or facts["steps"] < room_fit.STEPS:
        return max(fits, key=lambda fit: fit.evidence, default=None)
    # The model does not fit: what the search found stands, with what the model says of its worth.
    known = known._replace(ratio=float(np.clip(share, NO_ROOM, most)))
    fits = _tried(target, s, c, facts | {"steps": 0, "hearing": known})
    return fits[0]._replace(kept=True) if fits else None


def _tried(target: np.ndarray, s: np.ndarray, c: np.ndarray, facts: dict) -> list[room_fit.RoomFit]:
    """The fit from a start, or none where it goes astray."""
    try:
        fit = room_fit.fit_in_room(target, s=s, c=c, **facts)
    except np.linalg.LinAlgError:
        return []
    told = (fit.s, fit.c, fit.s_spread, fit.f_spread, fit.c_spread, fit.quiet)
    return [fit] if all(np.all(np.isfinite(part)) for part in told) else []


def _near(fit: room_fit.RoomFit, s: np.ndarray, c: np.ndarray, alpha: float) -> bool:
    """Whether a fit is still of the decays that the search found."""
    away = np.abs(fit.s.imag - s.imag) < ASIDE * -s.real + ROOM_ASIDE * alpha
    steeper = np.abs(np.log(fit.s.real / s.real)) < FAR
    return bool(np.all(away & steeper & (np.abs(np.log(np.abs(fit.c / c))) < FAR)))


def _later(ring: _Ring, group: np.ndarray) -> int:
    """Sample from which a group is fitted: slow decays from after the early reflections on, which
    then only change their level."""
    first = int(EARLY_S * ring.rate_hz)
    return first if np.max(-ring.s[group].real) * first < SLOW and len(ring.x) > 4 * first else 0


def _bins_of(ring: _Ring, group: np.ndarray, room: float, first: int):
    """Numbers of the bins around a group, of a record of n samples; n; w of the bins; all bins."""
    s = ring.s[group]
    slower, n = min(float(np.min(-s.real)), room), len(ring.x) - first
    while n // 2 > FOLLOWED / slower and n // 2 > SHORTEST_S * ring.rate_hz:
        n //= 2
    n = fft.prev_fast_len(n, real=True)
    spectrum, width = ring.spectrum(n, first), n / (2.0 * np.pi)
    # Room ripples are as narrow as the room rings long: a start caught by one sees further.
    away = np.maximum(
        np.maximum(decay_search.REACH * 2.0 * -s.real, ROOM_REACH * 2.0 * room) * width,
        1.5 * decay_search.LEAST_BINS,
    )
    low = max(int((s.imag * width - away).min()), 1)
    high = min(int(np.ceil((s.imag * width + away).max())) + 1, len(spectrum) - 1)
    at = np.arange(low, high, max(1, -(-(high - low) // MOST_BINS)))
    return at, n, np.exp(-2j * np.pi / n * at), spectrum


# The report


def _report(ring, bins: decay_search.Bins, fits, room, limits, most: int) -> Heard:
    alpha, u_alpha, share = room
    s, c, rate = ring.s, ring.c, ring.rate_hz
    # What no fit came to terms with is known to itself, and marked.
    u_s, u_f, u_c = -s.real, -s.real, np.abs(c)
    unfitted = np.where(-s.real * len(ring.x) > LEAST_FALL, UNFITTED, 1.0)
    quiet, misfit = -s.real / unfitted, np.ones(len(s), bool)
    for group, fit in fits:
        # How much wider an interval is when the variance is known from as few freedoms as this.
        t = stdtrit([max(2.0 / fit.u_ratio**2, 2.0), np.inf], 0.975)
        factor = float(t[0] / t[1]) * (ASTRAY if fit.kept else 1.0)
        u_s[group], u_f[group] = factor * fit.s_spread, factor * fit.f_spread
        u_c[group] = factor * fit.c_spread
        quiet[group] = quiet[group] if fit.kept else fit.quiet
        misfit[group] = fit.kept or fit.ratio > 4.0 * share
    u_s = np.maximum(u_s, -s.real * _least(s, alpha, u_alpha, share))
    s, c, misfit, u_s, u_f, u_c, quiet = (
        part[ring.c != 0.0] for part in (s, c, misfit, u_s, u_f, u_c, quiet)
    )
    decays = told_decays(
        s, c, u_decay=u_s, u_angle=u_f, u_amplitude=u_c, noise=ring.noise_at(s.imag),
        misfit=misfit,
        rate_hz=rate, limits_hz=limits, most=most, quiet=quiet,
        largest_loss=STEEP_SHARE * 2.0 * decay_search.steepest(s.imag, rate),
    )  # fmt: skip
    return Heard(
        decays,
        room=Room(damping.LN_1000 / alpha / rate, u_alpha, -10.0 * float(np.log10(share)))
        if fits
        else None,
        left_over=_left_over(decays, bins, rate),
        seconds=len(ring.x) / rate,
    )


def _left_over(decays: Decays, bins: decay_search.Bins, rate_hz: float) -> tuple[float, ...]:
    """Peaks within 20 dB of the strongest at which no reported mode stands, strongest first."""
    step = rate_hz / bins.n
    peaks = decay_search.loud_peaks(bins.values, bins.background, step_hz=step)
    size = np.abs(bins.values[peaks])
    loud = (peaks[size > LOUD * size.max(initial=0.0)] + bins.first) * step
    # Within a few half widths a peak is the decay's own, rippled by the room.
    width = np.maximum(1.5 * decays.frequency_hz * decays.loss_factor, 2.0 * step)
    return tuple(loud[(np.abs(loud[:, None] - decays.frequency_hz) > width).all(axis=1)].tolist())

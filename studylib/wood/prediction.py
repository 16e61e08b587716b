"""What each board of a study should pass from its driving point to where it is heard.

A board's own numbers (sizes, density, stiffness and shear from its free taps, the loss factor of
each mode found) go into the bar of `forward`; nothing is taken from how it answered on the bench.
What comes out is known up to one constant, that of the channels. Uncertainty is Monte Carlo
(JCGM 101): `DRAWS` boards that the measurements allow, sizes and stiffness together, as one was
found with the other; and every mode by itself off the bar's by the unevenness of the wood, or by as
much as the free modes show, where that is more.

What the drive channel senses decides what is predicted: the response over acceleration or over
force at the driving point. With a voltage, or no channel, it is the response to a constant force on
the driver's mass: the driver's own response is not in it, and all boards share that.

Conventions: dB; draw 0 is the best estimate. A loss factor between modes lies on a line over the
logarithm of frequency, beyond them it stays what the nearest has.

And which of a board's modes lies next to each harmonic of the tone, and by how much it lifts it: a
harmonic that falls on a resonance comes out louder whatever made it. Which resonance that is goes
by what the response is held against.

- *Force* at the driving point: far end over force peaks at the modes of the board on the bench.
  The nearest mode is told three ways: measured on the bench, measured on the free board, predicted
  from size and stiffness. The gain holds the resonance against the same strip without ends, whose
  response runs through the middle of peaks and dips: a peak stands 2 s / (pi eta f) over that mean
  (amplitude), with s the distance between neighbouring modes, eta the loss factor and f the mode's
  frequency. Off the peak by d half-power bandwidths it falls by 10 lg(1 + 4 d^2) dB. This is the
  mean-value view after Skudrzyk (recalled). It knows nothing of where the board is driven and
  heard: at a mode's node there is no lift at all.
- *Acceleration* at the driving point: far end over acceleration peaks where the driving point
  stands still, at the modes of the board held there (`forward`). They are predicted from size,
  stiffness and the driver's place, and the gain is the whole ratio in the model: by how much what
  is heard moves more than the driving point, with the interval of its draws.
- *Voltage*, or no channel at all: neither, because the driver's own response comes in. The nearest
  modes are told, a gain is not.

There, distance is harmonic minus mode; gain in dB with low and high from two standard uncertainties
of frequency and loss factor, or from the draws; NaN where a way of knowing the modes gives no gain.

And one board cut so that it answers like another. How far apart two boards are is the root of the
mean square over the band of the difference of their levels, in dB. The channels' constant is the
same for both and drops out; no other is taken out. One size is lowered; density, stiffness and loss
stay what they are, and what comes off is the same in all draws of the model. A board is shortened
at its far end: the driver and the supports keep their places from the end at the driver, and the
place where it is heard keeps its distance from the far end. The size that is chosen has the
smallest mean square over all boards that the measurements allow, not that of the best estimate
alone, which would promise too much: two boards that are known to a decibel are never nothing apart.

There, sizes are in mm; a triple is (middle, low, high): the root mean square over the draws, and
the ends that hold 95 % of them. A board is a bar as long as its waves are long beside its width.
The limit is the one that holds for whole boards: at `boards.WIDEST` the first mode's wave, 1.33 of
the length, is 6.6 widths long.

Functions: `model_of`, `board_numbers`, `levels_db`, `swapped`; `modes_near_tone`, `resonance_gain`;
`best_cut`, `cut`, `highest_hz`. Classes: `Numbers`, `OnBench`, `Model`.
"""

import hashlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib import codes, sheets, tables
from studylib.codes.features import ModeBasis
from studylib.signal.damping import bandwidth
from studylib.wood import beams, boards, forward, stiffness, study_wood

DRAWS = 200
GROUPS = {
    "sizes": ("length", "width", "thickness"),
    "density": ("density",),
    "stiffness": ("youngs_modulus", "shear_ratio", "uneven"),
    "loss": ("loss",),
}
"""What a board's answer hangs on, as a maker takes hold of it."""

ASSUMED_LOSS = 0.01
U_ASSUMED_LOSS = 0.004
"""A loss factor where none was measured: within the range of listed woods, 0.005 to 0.02 (common
practice, no source)."""

_NODES_HZ = np.geomspace(20.0, 20_000.0, 121)  # between which loss and unevenness are interpolated
_AT_ONCE = 4096  # draws times frequencies; larger arrays are slower
_MODES = 20  # of the bar, each off by itself


@dataclass(frozen=True)
class Numbers:
    """One board, or as many as the measurements allow: arrays of shape (draws,), in SI units.

    loss, uneven : (draws, nodes) loss factor, and frequency over that of the even bar less 1.
    """

    length: np.ndarray
    width: np.ndarray
    thickness: np.ndarray
    density: np.ndarray
    youngs_modulus: np.ndarray
    shear_ratio: np.ndarray
    loss: np.ndarray
    uneven: np.ndarray

    def draw(self, own: slice) -> "Numbers":
        """Some of the draws, which hold none of the others in memory."""
        return Numbers(**{name: values[own].copy() for name, values in vars(self).items()})


@dataclass(frozen=True)
class OnBench:
    """Where a board is driven and heard, from the end at the driver, and what rests on it.

    sensed : "acceleration", "force" or another word for neither.  drive_m : (draws,).  heard_m :
    None for the far end.  supports : (places in m, N/m).  air : kg/m3.
    """

    sensed: str
    drive_m: np.ndarray
    heard_m: float | None
    driver_kg: float
    supports: tuple[tuple[float, ...], float]
    air: float

    def draw(self, own: slice) -> "OnBench":
        """Some of the draws."""
        return replace(self, drive_m=self.drive_m[own])


@dataclass(frozen=True)
class Model:
    """A study's bench and boards in the model. bench : None where nothing can be predicted.
    boards : by specimen.  reasons : notes, by specimen, of why a board is not among them; under ""
    why none is.  told : what is known of each, by specimen."""

    bench: OnBench | None
    boards: dict[str, boards.Board]
    reasons: dict[str, str]
    told: dict[str, boards.Board]

    def numbers(self, name: str) -> Numbers:
        """One of `boards`, drawn when it is asked for: the draws of hundreds take much room."""
        return board_numbers(self.boards[name], _random(name))


def model_of(study: sheets.Study, board_modes: pd.DataFrame, *, by_density: bool = False) -> Model:
    """The boards of a study, with what it says of its bench.

    board_modes : one row a specimen, support and mode number (see `study_wood.boards_of`).
    by_density : a board without free modes has the stiffness of its density (`boards.untapped`).
    """
    bench, told = study.settings.bench, study_wood.boards_of(study, board_modes)
    if bench.drive_at_mm is None:
        return Model(None, {}, {"": "forward.no_place"}, told)
    if bench.heard_at_mm is not None and bench.heard_at_mm < bench.drive_at_mm:
        places = {"drive_mm": bench.drive_at_mm, "heard_mm": bench.heard_at_mm}
        return Model(None, {}, {"": codes.note("forward.heard_before", **places)}, told)
    off = np.concatenate([[0.0], _random("bench").standard_normal(DRAWS)])
    on_bench = OnBench(
        study.settings.channels.drive_kind,
        np.maximum(bench.drive_at_mm + bench.u_drive_at_mm * off, 0.0) / 1000.0,
        None if bench.heard_at_mm is None else bench.heard_at_mm / 1000.0,
        (bench.driver_g or 0.0) / 1000.0,
        (tuple(place / 1000.0 for place in sorted(bench.supports_mm)), 1000.0 * bench.support_n_mm),
        beams.air_density(beams.AIR_C),
    )
    farthest = max(bench.drive_at_mm, bench.heard_at_mm or 0.0, *bench.supports_mm)
    found: dict[str, boards.Board] = {}
    reasons: dict[str, str] = {}
    for specimen in study.specimens:
        name = specimen.specimen
        board = told[name]
        if by_density and codes.has(board.reason, "wood.no_free_mode"):
            board = boards.untapped(board, study.settings.wood, moisture_pct=specimen.moisture_pct)
        if board.fit is None or board.reason:
            reasons[name] = board.reason
        elif farthest > specimen.length_mm:
            about = {"place_mm": farthest, "length_mm": specimen.length_mm}
            reasons[name] = codes.note("forward.off_board", board=name, **about)
        else:
            found[name] = board
    return Model(on_bench, found, reasons, told)


def _random(name: str) -> np.random.Generator:
    """Draws of its own for each board, the same in every run."""
    return np.random.default_rng(int(hashlib.sha256(name.encode()).hexdigest()[:8], 16))


def board_numbers(board: boards.Board, rng: np.random.Generator) -> Numbers:
    """A board whose stiffness is known, and `DRAWS` others that its measurements allow."""
    bar, fit = board.bar, board.fit
    z = np.vstack([np.zeros(4), rng.standard_normal((DRAWS, 4))])
    off = z * bar.u  # relative, of length, width, thickness and mass
    share = np.linalg.cholesky(fit.covariance + 1e-18 * np.eye(2))
    free = np.vstack([np.zeros(2), rng.standard_normal((DRAWS, 2))]) @ share.T
    stiff = np.exp(off @ fit.by_size.T + free)
    size = np.array([bar.length, bar.width, bar.thickness, bar.mass]) * (1.0 + off)
    length, width, thickness, mass = size.T
    hz, _ = stiffness.predict_modes(fit, bar, count=_MODES)
    known = np.isfinite(hz)
    hz, order = hz[known], np.arange(1, _MODES + 1)[known]
    apart = max(stiffness.UNEVEN, float(np.sqrt(np.mean(fit.residual**2))))
    each = apart * np.vstack([np.zeros(hz.size), rng.standard_normal((DRAWS, hz.size))])
    own = np.isin(order, list(board.loss_of))
    loss, loss_u = np.array(
        [board.loss_of[n] for n in order[own]] or [(ASSUMED_LOSS, U_ASSUMED_LOSS)]
    ).T
    at_hz = hz[own] if own.any() else hz[:1]
    factor = np.vstack([np.zeros(loss.size), rng.standard_normal((DRAWS, loss.size))])
    logs = np.log(loss) + np.nan_to_num(loss_u) / loss * factor
    return Numbers(
        length, width, thickness, mass / (length * width * thickness),
        fit.youngs_modulus * stiff[:, 0], fit.shear_ratio * stiff[:, 1],
        np.exp(_between(at_hz, logs, _NODES_HZ)), _between(hz, each, _NODES_HZ),
    )  # fmt: skip


def _between(hz: np.ndarray, values: np.ndarray, at_hz: np.ndarray) -> np.ndarray:
    """Values known at some frequencies, (draws, n), at others, (draws, m): on lines over the
    logarithm, and beyond the known ones as at the nearest."""
    known = np.log(hz)
    place = np.interp(np.log(at_hz), known, np.arange(known.size))
    low = np.minimum(place.astype(int), max(known.size - 2, 0))
    high = np.minimum(low + 1, known.size - 1)
    return values[:, low] + (place - low) * (values[:, high] - values[:, low])


def swapped(board: Numbers, other: Numbers, sets: Collection[Collection[str]]) -> Numbers:
    """The board with each of these sets of `GROUPS` as the other has them, one below the other."""
    return Numbers(
        **{
            name: np.concatenate([getattr(other if group in own else board, name) for own in sets])
            for group, names in GROUPS.items()
            for name in names
        }
    )


def levels_db(numbers: Numbers, frequency_hz: np.ndarray, bench: OnBench) -> np.ndarray:
    """What is heard over what is sensed, in dB re an arbitrary constant, (draws, frequencies)."""
    # Arrays of about one size.
    some = -(-len(numbers.length) // -(-len(numbers.length) * len(frequency_hz) // _AT_ONCE))
    parts = [slice(i, i + some) for i in range(0, len(numbers.length), some)]
    return np.concatenate(
        [_levels(numbers.draw(own), frequency_hz, bench.draw(own)) for own in parts]
    )


def _levels(numbers: Numbers, frequency_hz: np.ndarray, bench: OnBench) -> np.ndarray:
    loss, uneven = (
        _between(_NODES_HZ, rows, frequency_hz) for rows in (numbers.loss, numbers.uneven)
    )
    one = {name: value[:, None] for name, value in vars(numbers).items() if value.ndim == 1}
    length, thickness = one["length"], one["thickness"]
    air = np.pi / 4.0 * bench.air * one["width"] ** 2
    line = one["density"] * one["width"] * thickness + air  # kg/m
    stiff = one["youngs_modulus"] * one["width"] * thickness**3 / (12.0 * length**3)
    yields = 1.0 / (1.0 + 1j * loss)
    omega2 = (2.0 * np.pi * frequency_hz / (1.0 + uneven)) ** 2
    square = omega2 * (line * length / stiff) * yields
    # A place at the board's end, or at the driver, lies beyond it in some draws.
    x = np.minimum(bench.drive_m[:, None] / length, 1.0)
    heard = 1.0 if bench.heard_m is None else np.clip(bench.heard_m / length, x, 1.0)
    places, spring = bench.supports
    loads = [(np.minimum(place / length, 1.0), spring / stiff * yields) for place in places]
    found = forward.driven(
        square, x, slenderness=length / thickness, shear_ratio=one["shear_ratio"],
        heard=heard, loads=loads,
    )  # fmt: skip
    if bench.sensed == "acceleration":
        return 20.0 * np.log10(np.abs(found.heard))
    driver = -square * bench.driver_kg / (line * length)
    force = (found.force + driver) * (stiff / yields)
    return 20.0 * np.log10(np.abs(omega2 * found.heard / force))


# ---------------------------------------------------------------- modes near the tone

LIFTED_DB = 6.0
"""A harmonic counts as lifted when the gain's low end is at least this (a stated choice)."""

PREDICTED_MODES = 10
_WIDE = 2.0  # standard uncertainties
_MOVED_M = 1e-3
# What the drive channel senses -> the ways of knowing the modes that then give a gain.
_GAINS = {
    "force": (ModeBasis.BENCH, ModeBasis.FREE, ModeBasis.PREDICTED),
    "acceleration": (ModeBasis.HELD,),
}
_MEASURED = ["mode", "frequency_hz", "frequency_u", "loss_factor", "loss_factor_u"]


@dataclass(frozen=True)
class _Ladder:
    """A board's modes by one way of knowing them, by rising frequency; arrays of shape (n,)."""

    basis: ModeBasis
    mode: np.ndarray
    frequency: np.ndarray
    frequency_u: np.ndarray
    loss: np.ndarray
    loss_u: np.ndarray
    loss_basis: tuple[str, ...]

    @property
    def spacing(self) -> np.ndarray:
        """Mean distance to the neighbours; at either end the distance to the one there is."""
        f = self.frequency
        return np.gradient(f) if f.size > 1 else np.full(f.size, np.nan)


def resonance_gain(frequency_hz, mode_hz, loss_factor, spacing_hz):
    """Gain in dB of a resonance at a frequency, over the same strip without ends."""
    width = bandwidth(mode_hz, loss_factor)
    peak = 20.0 * np.log10(2.0 * spacing_hz / (np.pi * width))
    return peak - 10.0 * np.log10(1.0 + 4.0 * ((frequency_hz - mode_hz) / width) ** 2)


def modes_near_tone(
    study: sheets.Study, model: Model, board_modes: pd.DataFrame, wood: pd.DataFrame
) -> pd.DataFrame:
    """Nearest mode to each harmonic of the tone, for every board and way of knowing its modes.

    Parameters
    ----------
    model, board_modes : see `model_of`.
    wood : the table of `study_wood.wood_table`; a board whose Young's modulus it does not give has
        no predicted modes.

    Returns
    -------
    The table `modes_near_tone`: harmonics up to the study's highest and below the highest mode
    known. A ladder needs two modes at least: with one there is no spacing. Held modes need an
    acceleration channel and the driver's place.
    """
    known = (wood["quantity"] == "wood.youngs_modulus_gpa") & wood["value"].notna()
    stiff = set(wood.loc[known, "specimen"])
    modes, held = tables.rows_of(board_modes), _held_hz(model)
    rows = [
        (specimen.specimen, specimen.wood, specimen.role, *row)
        for specimen in study.specimens
        for board, own in [(model.told[specimen.specimen], modes(specimen.specimen))]
        for predicted in [specimen.specimen in stiff and board.fit is not None]
        for ladder in _ladders(board, own, predicted, held.get(specimen.specimen))
        for row in _rows(study, model, specimen.specimen, ladder)
    ]
    return tables.typed("modes_near_tone", rows)


def _rows(study: sheets.Study, model: Model, name: str, ladder: _Ladder) -> Iterator[tuple]:
    tone, sensed = study.settings.tone, study.settings.channels.drive_kind
    told = ladder.basis in _GAINS.get(sensed, ())
    k = np.arange(1, tone.harmonics + 1)
    k = k[k * tone.fundamental_hz <= ladder.frequency[-1]]
    frequency = k * tone.fundamental_hz
    at = np.abs(np.log(ladder.frequency / frequency[:, None])).argmin(axis=1)
    held = told and ladder.basis == ModeBasis.HELD and len(k)
    whole = _held_gains(model, name, frequency) if held else np.full((len(k), 5), np.nan)
    for n, f, i, numbers in zip(k, frequency, at, whole, strict=True):
        mode_hz, loss = float(ladder.frequency[i]), float(ladder.loss[i])
        gain, low, high = _gain(f, ladder, i) if told and not held else numbers[:3]
        distance = f - mode_hz
        yield (
            n, f, ladder.basis, int(ladder.mode[i]), mode_hz, 100.0 * distance / mode_hz,
            distance / bandwidth(mode_hz, loss), gain, low, high, low >= LIFTED_DB, loss,
            ladder.loss_basis[i], *numbers[3:],
        )  # fmt: skip


def _gain(frequency: float, ladder: _Ladder, at: int) -> tuple[float, float, float]:
    """Gain, and its lowest and highest while everything stays within two uncertainties."""
    reach = _WIDE * float(ladder.frequency_u[at])
    mode_hz, loss = float(ladder.frequency[at]), float(ladder.loss[at])
    mode = mode_hz + np.linspace(-reach, reach, 21)
    # The nearest the mode may come counts as well, where the harmonic lies within its reach.
    mode = np.append(mode, np.clip(frequency, mode[0], mode[-1]))
    relative, spacing = float(ladder.loss_u[at] / loss), float(ladder.spacing[at])
    losses = loss * np.exp(_WIDE * relative * np.array([-1.0, 0.0, 1.0]))
    gain = float(resonance_gain(frequency, mode_hz, loss, spacing))
    others = [resonance_gain(frequency, mode, one, spacing) for one in losses]
    return gain, min(gain, float(np.min(others))), max(gain, float(np.max(others)))


def _held_gains(model: Model, name: str, frequency: np.ndarray) -> np.ndarray:
    """Gain, low, high, dB for each mm of the driver's place, and dB for each percent of the modes'
    frequencies: (harmonics, 5)."""
    numbers, bench = model.numbers(name), model.bench
    levels = levels_db(numbers, frequency, bench)
    best, own = numbers.draw(slice(0, 1)), bench.draw(slice(0, 1))
    aside = [
        levels_db(best, frequency, replace(own, drive_m=own.drive_m + shift))[0]
        for shift in (_MOVED_M, -_MOVED_M)
    ]
    beside = [levels_db(best, share * frequency, own)[0] for share in (1.005, 0.995)]
    low, high = np.quantile(levels, [0.025, 0.975], axis=0)
    per_mm, per_percent = (
        np.abs(aside[0] - aside[1]) / (2e3 * _MOVED_M),
        np.abs(np.subtract(*beside)),
    )
    ends = np.minimum(low, levels[0]), np.maximum(high, levels[0])
    return np.stack([levels[0], *ends, per_mm, per_percent], axis=1)


def _held_hz(model: Model) -> dict[str, np.ndarray]:
    """Hz of the modes of each board held where the driver sits, and of those with the driver moved
    by a standard deviation, (2, n); of all boards at once, where acceleration is sensed."""
    if not model.boards or model.bench.sensed != "acceleration":
        return {}
    known = list(model.boards.values())
    x = model.bench.drive_m / np.array([[board.bar.length] for board in known])
    places = x[:, :1] + np.std(x[:, 1:], axis=1, keepdims=True) * [0.0, 1.0]
    bar = {
        "slenderness": np.array([board.bar.slenderness for board in known])[:, None, None],
        "shear_ratio": np.array([board.fit.shear_ratio for board in known])[:, None, None],
    }
    ratio = forward.held_frequencies(places[:, :, None], count=PREDICTED_MODES, **bar)
    free = np.array([stiffness.predict_modes(board.fit, board.bar, count=1)[0] for board in known])
    unit_hz = free[:, :, None] / beams.timoshenko_ratio(1, **bar)
    return {
        name: hz[:, np.isfinite(hz).all(axis=0)]
        for name, hz in zip(model.boards, unit_hz * ratio, strict=True)
    }


def _ladders(
    board: boards.Board, own: pd.DataFrame, predicted: bool, held: np.ndarray | None
) -> Iterator[_Ladder]:
    for support, basis in (("bench", ModeBasis.BENCH), ("free", ModeBasis.FREE)):
        found = own[(own["support"] == support) & (own["frequency_hz"] > 0)]
        if len(found) > 1:
            mode, *columns = found.sort_values("frequency_hz")[_MEASURED].to_numpy(dtype=float).T
            frequency, u, loss, loss_u = columns
            losses = [(x, u) if x > 0 else None for x, u in zip(loss, loss_u, strict=True)]
            yield _ladder(basis, mode.astype(int), frequency, np.nan_to_num(u), losses, board)
    if predicted:
        free = _predicted(board)
        yield free
        if held is not None:
            n = np.arange(held.shape[1])
            u = np.hypot(free.frequency_u[n] / free.frequency[n] * held[0], held[1] - held[0])
            losses = [board.loss_of.get(i + 1) for i in n]
            yield _ladder(ModeBasis.HELD, n + 1, held[0], u, losses, board)


def _predicted(board: boards.Board) -> _Ladder:
    frequency, u = stiffness.predict_modes(board.fit, board.bar, count=PREDICTED_MODES)
    inside = np.isfinite(frequency)
    order = np.arange(1, PREDICTED_MODES + 1)[inside]
    own = [board.loss_of.get(int(n)) for n in order]
    return _ladder(ModeBasis.PREDICTED, order, frequency[inside], u[inside], own, board)


def _ladder(
    basis: ModeBasis,
    mode: np.ndarray,
    frequency: np.ndarray,
    frequency_u: np.ndarray,
    own: list[tuple[float, float] | None],
    board: boards.Board,
) -> _Ladder:
    """own : loss factor of each mode and its uncertainty, None where it has none."""
    loss, loss_u, known = zip(*(_loss(one, board) for one in own), strict=True)
    return _Ladder(basis, mode, frequency, frequency_u, np.array(loss), np.array(loss_u), known)


def _loss(own: tuple[float, float] | None, board: boards.Board) -> tuple[float, float, str]:
    """A mode's loss factor: its own, else the mean of the board's free modes, else assumed."""
    if own is not None:
        return own[0], float(np.nan_to_num(own[1])), "wood.own_loss"
    known = [value for value, _ in board.loss_of.values()]
    if known:
        spread = float(np.std(known, ddof=1)) if len(known) > 1 else U_ASSUMED_LOSS
        return float(np.mean(known)), spread, "wood.mean_loss"
    return ASSUMED_LOSS, U_ASSUMED_LOSS, "wood.assumed_loss"


# ---------------------------------------------------------------- one board cut like another

ENDS = (2.5, 97.5)
NOTHING_DB = 0.1
"""A size that moves the answer by less over its whole stock does nothing, and a gain below it is
none (a stated choice)."""

_WAVE = 6.6  # widths
_SIZES = 81  # looked at


def highest_hz(board: Numbers, air: float) -> float:
    """Up to which frequency a board is a bar, by its best estimate; air in kg/m3."""
    one = board.draw(slice(1))
    wave2, radius2 = (2.0 * np.pi / (_WAVE * one.width)) ** 2, one.thickness**2 / 12.0
    heavy = one.density + np.pi / 4.0 * air * one.width / one.thickness
    turning = 1.0 + wave2 * radius2 * (1.0 + one.shear_ratio / beams.SHEAR_COEFFICIENT)
    square = wave2**2 * radius2 * one.youngs_modulus / heavy / turning
    return float(np.sqrt(square[0]) / (2.0 * np.pi))


def cut(board: Numbers, bench: OnBench, name: str, off_mm: float) -> tuple[Numbers, OnBench]:
    """The board with this much off one size, and the bench that it then has."""
    off = off_mm / 1000.0
    heard = bench.heard_m and bench.heard_m - off * (name == "length")
    return replace(board, **{name: getattr(board, name) - off}), replace(bench, heard_m=heard)


def best_cut(
    board: Numbers,
    like: Numbers,
    bench: OnBench,
    frequency_hz: np.ndarray,
    *,
    name: str,
    least_mm: float,
) -> dict[str, str | float | bool]:
    """The cut of one size that makes a board answer most like another.

    Parameters
    ----------
    board, like : as `prediction.model_of` gives them, draw by draw.
    frequency_hz : one, or the band's, evenly over its logarithm.
    name : length, width or thickness.  least_mm : below the present size, above 0.

    Returns
    -------
    For the maker: name, now_mm, to_mm (the best size) and off_mm; keeps_low_mm and keeps_high_mm,
    between which at least half of the gain is left; best_low_mm and best_high_mm, between which the
    best size lies in 95 of 100 draws; before_db, after_db and gain_db (how far apart the boards are
    now and then, and the difference), each with _low and _high; helps, where the gain is sure to
    exceed `NOTHING_DB`; at_end, where all comes off that may; idle, where the size does nothing.
    """
    now, others = 1000.0 * float(getattr(board, name)[0]), levels_db(like, frequency_hz, bench)
    at, found = np.linspace(now, least_mm, _SIZES), np.empty((_SIZES, len(others)))
    for i, size in enumerate(at):
        lower, placed = cut(board, bench, name, now - size)
        found[i] = np.sqrt(np.mean((levels_db(lower, frequency_hz, placed) - others) ** 2, axis=1))
    course = np.array([np.sqrt(np.mean(found**2, axis=1)), *np.percentile(found, ENDS, axis=1)]).T
    best, step = int(course[:, 0].argmin()), at[0] - at[1]
    (first, *_), (last, *_) = course[[0, best]]
    gain = np.array([first - last, *np.percentile(found[0] - found[best], ENDS)])
    over = at[course[:, 0] > last + gain[0] / 2.0]
    mm = {
        "now": now, "to": at[best], "off": now - at[best],
        "keeps_low": max(over[over < at[best]], default=least_mm - step) + step,
        "keeps_high": min(over[over > at[best]], default=now + step) - step,
    }  # fmt: skip
    mm |= zip(("best_low", "best_high"), np.percentile(at[found.argmin(axis=0)], ENDS), strict=True)
    db = {
        what + end: value
        for what, triple in {"before": course[0], "after": course[best], "gain": gain}.items()
        for end, value in zip(("", "_low", "_high"), triple, strict=True)
    }
    return {
        "name": name,
        **{f"{key}_mm": float(value) for key, value in mm.items()},
        **{f"{key}_db": float(value) for key, value in db.items()},
        "helps": bool(gain[1] > NOTHING_DB),
        "at_end": best == _SIZES - 1,
        "idle": bool(np.ptp(course[:, 0]) < NOTHING_DB),
    }

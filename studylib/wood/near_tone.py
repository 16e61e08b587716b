"""Which of a board's modes lies next to each harmonic of the tone, and by how much it lifts it.

A harmonic that falls on a resonance comes out louder whatever made it. Which resonance that is goes
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
  stiffness and the driver's place, and the gain is the whole ratio in the model of `prediction`: by
  how much what is heard moves more than the driving point, with the interval of its draws.
- *Voltage*, or no channel at all: neither, because the driver's own response comes in. The nearest
  modes are told, a gain is not.

Conventions: Hz; distance = harmonic minus mode; gain in dB with low and high from two standard
uncertainties of frequency and loss factor, or from the draws; NaN where a way of knowing the modes
gives no gain.

Functions: `modes_near_tone`, `resonance_gain`.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib import sheets, tables
from studylib.codes.wood import ModeBasis
from studylib.signal.damping import bandwidth
from studylib.wood import beams, boards, prediction, stiffness, study_wood
from studylib.wood.forward import held_frequencies

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
        gaps = np.diff(self.frequency)
        below = np.concatenate([[np.nan], gaps])
        above = np.concatenate([gaps, [np.nan]])
        return np.where(
            np.isnan(below), above, np.where(np.isnan(above), below, (below + above) / 2)
        )


def resonance_gain(frequency_hz, mode_hz, loss_factor, spacing_hz):
    """Gain in dB of a resonance at a frequency, over the same strip without ends."""
    width = bandwidth(mode_hz, loss_factor)
    peak = 20.0 * np.log10(2.0 * spacing_hz / (np.pi * width))
    return peak - 10.0 * np.log10(1.0 + 4.0 * ((frequency_hz - mode_hz) / width) ** 2)


def modes_near_tone(
    study: sheets.Study, board_modes: pd.DataFrame, wood: pd.DataFrame
) -> pd.DataFrame:
    """Nearest mode to each harmonic of the tone, for every board and way of knowing its modes.

    Parameters
    ----------
    board_modes : one row a specimen, support and mode number (see `study_wood.wood_table`).
    wood : the table of `study_wood.wood_table`; a board whose Young's modulus it does not give has
        no predicted modes.

    Returns
    -------
    The table `modes_near_tone`: harmonics up to the study's highest and below the highest mode
    known. A ladder needs two modes at least: with one there is no spacing. Held modes need an
    acceleration channel and the driver's place.
    """
    model = prediction.model_of(study, board_modes)
    known = (wood["quantity"] == "wood.youngs_modulus_gpa") & wood["value"].notna()
    stiff = set(wood.loc[known, "specimen"])
    rows = [
        (specimen.specimen, specimen.wood, specimen.role, *row)
        for specimen in study.specimens
        for board in [study_wood.board_of(study, specimen, board_modes)]
        for ladder in _ladders(model, specimen, board, board_modes, specimen.specimen in stiff)
        for row in _rows(study, model, specimen.specimen, ladder)
    ]
    return tables.typed("modes_near_tone", rows)


def _rows(
    study: sheets.Study, model: prediction.Model, name: str, ladder: _Ladder
) -> Iterator[tuple]:
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


def _held_gains(model: prediction.Model, name: str, frequency: np.ndarray) -> np.ndarray:
    """Gain, low, high, dB for each mm of the driver's place, and dB for each percent of the modes'
    frequencies: (harmonics, 5)."""
    numbers, bench = model.boards[name], model.bench
    levels = prediction.levels_db(numbers, frequency, bench)
    best, own = numbers.draw(slice(0, 1)), bench.draw(slice(0, 1))
    aside = [
        prediction.levels_db(best, frequency, replace(own, drive_m=own.drive_m + shift))[0]
        for shift in (_MOVED_M, -_MOVED_M)
    ]
    beside = [prediction.levels_db(best, share * frequency, own)[0] for share in (1.005, 0.995)]
    low, high = np.quantile(levels, [0.025, 0.975], axis=0)
    per_mm, per_percent = (
        np.abs(aside[0] - aside[1]) / (2e3 * _MOVED_M),
        np.abs(np.subtract(*beside)),
    )
    ends = np.minimum(low, levels[0]), np.maximum(high, levels[0])
    return np.stack([levels[0], *ends, per_mm, per_percent], axis=1)


def _ladders(
    model: prediction.Model,
    specimen: sheets.Specimen,
    board: boards.Board,
    board_modes: pd.DataFrame,
    predicted: bool,
) -> Iterator[_Ladder]:
    own = board_modes[board_modes["specimen"] == specimen.specimen]
    for support, basis in (("bench", ModeBasis.BENCH), ("free", ModeBasis.FREE)):
        found = own[(own["support"] == support) & (own["frequency_hz"] > 0)]
        if len(found) > 1:
            mode, *columns = found.sort_values("frequency_hz")[_MEASURED].to_numpy(dtype=float).T
            frequency, u, loss, loss_u = columns
            losses = [(x, u) if x > 0 else None for x, u in zip(loss, loss_u, strict=True)]
            yield _ladder(basis, mode.astype(int), frequency, np.nan_to_num(u), losses, board)
    if predicted and board.fit is not None:
        yield _predicted(board)
        if specimen.specimen in model.boards and model.bench.sensed == "acceleration":
            yield _held(_predicted(board), board, model.bench.drive_m / board.bar.length)


def _predicted(board: boards.Board) -> _Ladder:
    frequency, u = stiffness.predict_modes(board.fit, board.bar, count=PREDICTED_MODES)
    inside = np.isfinite(frequency)
    order = np.arange(1, PREDICTED_MODES + 1)[inside]
    own = [board.loss_of.get(int(n)) for n in order]
    return _ladder(ModeBasis.PREDICTED, order, frequency[inside], u[inside], own, board)


def _held(free: _Ladder, board: boards.Board, x: np.ndarray) -> _Ladder:
    """The modes of the board held where the driver sits, x with its draws."""
    bar = {"slenderness": board.bar.slenderness, "shear_ratio": board.fit.shear_ratio}
    unit_hz = float(free.frequency[0] / beams.timoshenko_ratio(1, **bar))
    frequency, moved = (
        unit_hz * held_frequencies(place, count=PREDICTED_MODES, **bar)
        for place in (x[0], x[0] + np.std(x[1:]))
    )
    n = np.arange(frequency.size)
    u = np.hypot(free.frequency_u[n] / free.frequency[n] * frequency, moved - frequency)
    own = [board.loss_of.get(i + 1) for i in n]
    return _ladder(ModeBasis.HELD, n + 1, frequency, u, own, board)


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
        spread = float(np.std(known, ddof=1)) if len(known) > 1 else prediction.U_ASSUMED_LOSS
        return float(np.mean(known)), spread, "wood.mean_loss"
    return prediction.ASSUMED_LOSS, prediction.U_ASSUMED_LOSS, "wood.assumed_loss"

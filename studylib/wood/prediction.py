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

Functions: `model_of`, `board_numbers`, `levels_db`, `swapped`.
Classes: `Numbers`, `OnBench`, `Model`.
"""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib import codes, sheets
from studylib.wood import beams, boards, stiffness, study_wood
from studylib.wood.forward import driven

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
_AT_ONCE = 2048  # draws times frequencies; larger arrays are slower
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
        """Some of the draws."""
        return Numbers(**{name: values[own] for name, values in vars(self).items()})


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
    why none is."""

    bench: OnBench | None
    boards: dict[str, Numbers]
    reasons: dict[str, str]


def model_of(study: sheets.Study, board_modes: pd.DataFrame, *, by_density: bool = False) -> Model:
    """The boards of a study, with what it says of its bench.

    board_modes : one row a specimen, support and mode number (see `study_wood.wood_table`).
    by_density : a board without free modes has the stiffness of its density (`boards.untapped`).
    """
    bench = study.settings.bench
    if bench.drive_at_mm is None:
        return Model(None, {}, {"": "forward.no_place"})
    if bench.heard_at_mm is not None and bench.heard_at_mm < bench.drive_at_mm:
        places = {"drive_mm": bench.drive_at_mm, "heard_mm": bench.heard_at_mm}
        return Model(None, {}, {"": codes.note("forward.heard_before", **places)})
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
    found: dict[str, Numbers] = {}
    reasons: dict[str, str] = {}
    for specimen in study.specimens:
        board = study_wood.board_of(study, specimen, board_modes)
        name = specimen.specimen
        if by_density and codes.has(board.reason, "wood.no_free_mode"):
            moisture = specimen.moisture_pct
            board = boards.untapped(board, study.settings.wood, moisture_pct=moisture)
        if board.fit is None or board.reason:
            reasons[name] = board.reason
        elif farthest > specimen.length_mm:
            about = {"place_mm": farthest, "length_mm": specimen.length_mm}
            reasons[name] = codes.note("forward.off_board", board=name, **about)
        else:
            found[name] = board_numbers(board, _random(name))
    return Model(on_bench, found, reasons)


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
        np.exp(_between(at_hz, logs)), _between(hz, each),
    )  # fmt: skip


def _between(hz: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values known at some frequencies, (draws, n), on the nodes."""
    nodes = np.log(_NODES_HZ)
    return np.array([np.interp(nodes, np.log(hz), row) for row in values])


def swapped(board: Numbers, other: Numbers, groups: Collection[str]) -> Numbers:
    """The board with these of `GROUPS` as the other has them."""
    taken = [name for group in groups for name in GROUPS[group]]
    return replace(board, **{name: getattr(other, name) for name in taken})


def levels_db(numbers: Numbers, frequency_hz: np.ndarray, bench: OnBench) -> np.ndarray:
    """What is heard over what is sensed, in dB re an arbitrary constant, (draws, frequencies)."""
    some = max(4, _AT_ONCE // len(frequency_hz))
    rows = [
        _levels(numbers.draw(own), frequency_hz, bench.draw(own))
        for own in (slice(i, i + some) for i in range(0, len(numbers.length), some))
    ]
    return np.concatenate(rows)


def _levels(numbers: Numbers, frequency_hz: np.ndarray, bench: OnBench) -> np.ndarray:
    nodes = np.log(_NODES_HZ)
    log_f = np.log(frequency_hz)
    loss, uneven = (
        np.array([np.interp(log_f, nodes, row) for row in rows])
        for rows in (numbers.loss, numbers.uneven)
    )
    one = {name: value[:, None] for name, value in vars(numbers).items() if value.ndim == 1}
    length, thickness, stiff = (
        one["length"],
        one["thickness"],
        one["youngs_modulus"] * (1 + 1j * loss),
    )
    air = np.pi / 4.0 * bench.air * one["width"] ** 2
    line = one["density"] * one["width"] * thickness + air  # kg/m
    bending = stiff * one["width"] * thickness**3 / 12.0
    omega2 = (2.0 * np.pi * frequency_hz / (1.0 + uneven)) ** 2
    square = omega2 * line * length**4 / bending
    # A place at the board's end, or at the driver, lies beyond it in some draws.
    x = np.minimum(bench.drive_m[:, None] / length, 1.0)
    heard = 1.0 if bench.heard_m is None else np.clip(bench.heard_m / length, x, 1.0)
    places, spring = bench.supports
    loads = [(np.minimum(place / length, 1.0), spring * length**3 / bending) for place in places]
    found = driven(
        square, x, slenderness=length / thickness, shear_ratio=one["shear_ratio"],
        heard=heard, loads=loads,
    )  # fmt: skip
    if bench.sensed == "acceleration":
        return 20.0 * np.log10(np.abs(found.heard))
    driver = -square * bench.driver_kg / (line * length)
    force = (found.force + driver) * bending / length**3
    return 20.0 * np.log10(np.abs(omega2 * found.heard / force))

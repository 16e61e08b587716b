"""One board and its free modes: sizes, orders, stiffness and loss in a row, or why not.

A board more than a fifth as wide as it is long (`WIDEST`) is a plate: it twists and bends across
the grain among its bending modes, and reading those as a bar's gives a wrong stiffness that looks
sure. Its stiffness is not given. Of 240 simulated thin orthotropic plates none narrower than 0.3
was read wrong; from 0.35 on it was 30 of the 58 that were read at all. The limit keeps clear.

A board that nobody has tapped has the stiffness that woods of its density have: the published
functions of specific gravity (oven-dry mass over volume) at 12 % moisture, 20.5 G^0.84 GPa in
softwoods and 16.5 G^0.70 GPa in hardwoods. Which of the two it is, nobody says, so the mean of
their logarithms counts. Pieces of one species differ by 22 % (`SCATTER`, coefficient of variation
of clear wood). Source: USDA Forest Products Laboratory, Wood Handbook (FPL-GTR-282), chapter on
mechanical properties (recalled).

Class: `Board`. Functions: `assess`, `free_modes`, `untapped`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from studylib import codes, errors, sheets
from studylib.modes.means import between_places, own_squared
from studylib.sheets.settings import Wood
from studylib.wood import beams, stiffness
from studylib.wood.stiffness import SHEAR_RANGE, Orders, find_orders

LINES = np.array([[20.5, 0.84], [16.5, 0.70]])
"""GPa at a specific gravity of 1, and its power: softwoods, hardwoods."""

SCATTER = 0.22
USUAL_MOISTURE_PCT = 12.0

_NUMBERS = ("frequency_hz", "frequency_u", "loss_factor", "loss_factor_u")
_OF_TAPS = ("mode", *_NUMBERS, "loss_factor_place_u", "place", "support", "usable")
WIDEST = 0.2
"""Width over length from which on a board is no bar."""

HELD = 0.02
"""Relative standard uncertainty of a loss factor from what holds the board while it rings, where it
was set up once: what a second mount would show (a stated choice, no source)."""

UNSURE_SHEAR = 0.5
"""Relative uncertainty of the shear modulus from which on it is not used (a stated choice)."""


@dataclass(frozen=True)
class Board:
    """What could be told of one board; what could not is None or empty, and the reason says why.

    Attributes
    ----------
    bar : its sizes; None when one is missing.
    density : kg/m3; None without sizes.
    fit : its stiffness; None when it cannot be told.
    values : the register's names to their values, from the fit.
    loss : of the first bending mode; None when that was not found.
    loss_of : bending order to (loss factor, standard uncertainty) of the modes found.
    left_over : Hz of the modes that are no bending modes in the direction of the thickness.
    size_reason, reason, loss_reason : notes of why `bar`, `fit` and `loss` cannot be used; "" when
        they can.
    shear_reason : a note of why the shear modulus cannot be used; "" when it can.
    """

    bar: beams.Bar | None = None
    density: stiffness.Value | None = None
    fit: stiffness.Stiffness | None = None
    values: dict[str, stiffness.Value] = field(default_factory=dict)
    loss: stiffness.Value | None = None
    loss_of: dict[int, tuple[float, float]] = field(default_factory=dict)
    left_over: tuple[float, ...] = ()
    size_reason: str = ""
    reason: str = ""
    loss_reason: str = ""
    shear_reason: str = ""


_REASONS = ("size_reason", "reason", "loss_reason", "shear_reason")


def free_modes(table: pd.DataFrame, *, hidden: Mapping[int, str] | None = None) -> pd.DataFrame:
    """Usable free modes with a number as means over taps: one row a mode number.

    `table` has the columns of `numbered` or of `board_modes`, of one board (and mount). A mean's
    uncertainty is that of the taps' own uncertainties and of their scatter, the larger, with the
    room's part beside it.

    hidden : notes by mode where the room hides the decay, whose loss factor is then NaN; they come
        back in the column `hidden`.
    """
    taps = {name: table[name].to_numpy() for name in _OF_TAPS if name in table}
    kept = (taps["support"] == "free") & (taps["frequency_hz"] > 0) & ~np.isnan(taps["mode"])
    kept &= taps.get("usable", kept).astype(bool)
    modes, hidden = np.unique(taps["mode"][kept]), hidden or {}
    why = [hidden.get(int(mode), "") for mode in modes]
    found = np.full((modes.size, 1 + len(_NUMBERS)), np.nan)
    for row, mode, lost in zip(found, modes, why, strict=True):
        own = {name: values[kept & (taps["mode"] == mode)] for name, values in taps.items()}
        row[:3] = mode, *_mean(own["frequency_hz"], own["frequency_u"])
        row[3:] = (np.nan, np.nan) if lost else _mean(own["loss_factor"], *_room_apart(own))
    return pd.DataFrame(found, columns=["mode", *_NUMBERS]).assign(hidden=why)


def _room_apart(taps: Mapping[str, np.ndarray]) -> tuple[np.ndarray, float]:
    """What is a tap's own in its loss factor's uncertainty, and the room's part of the mean."""
    if "loss_factor_place_u" not in taps:
        return taps["loss_factor_u"], 0.0
    room = np.nan_to_num(taps["loss_factor_place_u"])
    _, place = np.unique(taps["place"], return_inverse=True)
    by_place = np.bincount(place, room) / len(room)
    alike = between_places(float(taps["frequency_hz"].mean()))
    shared = np.sqrt(alike * by_place.sum() ** 2 + (1.0 - alike) * (by_place**2).sum())
    return np.sqrt(own_squared(taps["loss_factor_u"], room)), float(shared)


def assess(
    specimen: sheets.Specimen,
    modes: pd.DataFrame,
    wood: Wood,
    *,
    no_modes: str = "",
    air_c: float = beams.AIR_C,
) -> Board:
    """Everything that size, mass and free modes say of one board.

    Parameters
    ----------
    modes : as `free_modes` gives them.
    no_modes : a note of why there are none, if that is known.
    air_c : temperature of the air, degrees Celsius.
    """
    try:
        bar = beams.bar_of(specimen, wood, air_c=air_c)
    except errors.InputError as error:
        return Board(**dict.fromkeys(_REASONS, codes.several(error.notes)))
    board = Board(bar=bar, density=stiffness.density_value(bar))
    if bar.width > WIDEST * bar.length:
        return replace(
            board,
            **_unknown(codes.note("wood.too_wide", ratio=bar.width / bar.length, widest=WIDEST)),
        )
    if modes.empty:
        return replace(board, **_unknown(no_modes or "wood.no_free_mode"))
    frequency = modes["frequency_hz"].to_numpy()
    orders = find_orders(frequency, bar)
    left_over = tuple(float(f) for f in frequency[~orders.found])
    return replace(board, left_over=left_over, **_stiffness(modes, orders, bar, wood))


def untapped(board: Board, wood: Wood, *, moisture_pct: float | None) -> Board:
    """A board of known sizes and mass with the stiffness of its density, and with what `SCATTER`
    leaves open; no loss."""
    moisture = USUAL_MOISTURE_PCT if moisture_pct is None else moisture_pct
    gravity = board.density.value / 1000.0 / (1.0 + moisture / 100.0)
    power = float(LINES[:, 1].mean())
    fit = stiffness.Stiffness(
        youngs_modulus=1e9 * float(np.exp(np.log(LINES[:, 0]).mean()) * gravity**power),
        shear_ratio=wood.shear_ratio, fitted_shear=False, at_bound=False,
        order=np.array([1]), frequency_hz=np.array([np.nan]), residual=np.zeros(1),
        by_size=np.outer([power, 0.0], stiffness.DENSITY),
        covariance=np.diag([SCATTER, wood.u_shear_ratio / wood.shear_ratio]) ** 2,
    )  # fmt: skip
    return replace(board, fit=fit, reason="")


def _unknown(reason: str) -> dict[str, str]:
    """Neither stiffness nor loss nor shear modulus."""
    return dict.fromkeys(_REASONS[1:], reason)


def _stiffness(modes: pd.DataFrame, orders: Orders, bar: beams.Bar, wood: Wood) -> dict:
    if not orders.found.any():
        return _unknown("wood.nothing_fits")
    used = modes[orders.found]
    order = orders.order[orders.found]
    loss_of = {
        int(n): (float(loss), float(u))
        for n, loss, u in zip(order, used["loss_factor"], used["loss_factor_u"], strict=True)
        if loss > 0
    }
    try:
        fit = stiffness.fit_stiffness(
            order,
            used["frequency_hz"],
            used["frequency_u"],
            bar,
            shear_ratio=wood.shear_ratio,
            u_shear_ratio=wood.u_shear_ratio,
        )
    except errors.InputError as error:
        return {"loss_of": loss_of, **_unknown(codes.several(error.notes))}
    values = stiffness.derived_values(fit, bar)
    found: dict = {"loss_of": loss_of, "fit": fit, "values": values}
    if np.isfinite(orders.rival_gpa):
        gpa = fit.youngs_modulus / 1e9
        return found | _unknown(
            codes.note("wood.two_readings", gpa=gpa, other_gpa=orders.rival_gpa)
        )
    found["shear_reason"] = _shear_reason(fit, values["wood.shear_modulus_gpa"])
    if 1 in loss_of:
        loss, u = loss_of[1]
        return found | {
            "loss": stiffness.Value(loss, "1", float(np.hypot(u, HELD * loss)), HELD * loss)
        }
    hidden = "".join(used["hidden"][order == 1])
    return found | {"loss_reason": hidden or "wood.no_first_mode"}


def _shear_reason(fit: stiffness.Stiffness, shear: stiffness.Value) -> str:
    unsure = shear.u > UNSURE_SHEAR * shear.value
    ends = {"lowest": SHEAR_RANGE[0], "highest": SHEAR_RANGE[1]}
    return codes.holding(
        (fit.at_bound, codes.note("wood.ratio_at_bound", **ends)),
        (not fit.fitted_shear, "wood.one_mode"),
        (unsure, "wood.shear_unsure"),
        (True, ""),
    )[0]


def _mean(values: np.ndarray, u: np.ndarray, shared: float = 0.0) -> tuple[float, float]:
    """Mean and standard uncertainty; `shared` is what all values have in common."""
    known = np.isfinite(values)
    values, u = values[known], u[known]
    if values.size == 0:
        return float("nan"), float("nan")
    own = np.sqrt(np.nansum(u**2)) / values.size if np.isfinite(u).any() else float("nan")
    if values.size == 1:
        return float(values[0]), float(np.hypot(own, shared))
    scatter = float(np.std(values, ddof=1)) / np.sqrt(values.size)
    return float(values.mean()), float(np.hypot(np.nanmax([own, scatter]), shared))

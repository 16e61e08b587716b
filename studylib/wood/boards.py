"""One board and its free modes: sizes, orders, stiffness and loss in a row, or why not.

Class: `Board`. Functions: `reckon`, `free_modes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.errors import InputError
from studylib.sheets import Specimen
from studylib.sheets.settings import Wood
from studylib.wood.bar import Bar, bar_of
from studylib.wood.orders import find_orders
from studylib.wood.properties import Value, density_value, derived_values
from studylib.wood.stiffness import Stiffness, fit_stiffness

_NUMBERS = ("frequency_hz", "frequency_u", "loss_factor", "loss_factor_u")
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
    size_reason, reason, loss_reason : why `bar`, `fit` and `loss` are None; "" otherwise.
    shear_reason : why the shear modulus cannot be used; "" when it can.
    """

    bar: Bar | None
    density: Value | None
    fit: Stiffness | None
    values: dict[str, Value]
    loss: Value | None
    loss_of: dict[int, tuple[float, float]]
    left_over: tuple[float, ...]
    size_reason: str
    reason: str
    loss_reason: str
    shear_reason: str


def free_modes(table: pd.DataFrame) -> pd.DataFrame:
    """Usable free modes with a number as means over taps: one row a mode number.

    `table` has the columns of `numbered` or of `board_modes`, of one board (and mount). A mean's
    uncertainty is that of the taps' own uncertainties and of their scatter, the larger.
    """
    columns = ["mode", *_NUMBERS]
    kept = table[(table["support"] == "free") & table["mode"].notna()]
    kept = kept[kept["frequency_hz"].notna() & (kept["frequency_hz"] > 0)]
    if "usable" in kept:
        kept = kept[kept["usable"].astype(bool)]
    rows = []
    for mode, taps in kept.groupby("mode", sort=True):
        frequency = _mean(taps["frequency_hz"], taps["frequency_u"])
        loss = _mean(taps["loss_factor"], taps["loss_factor_u"])
        rows.append((mode, *frequency, *loss))
    return pd.DataFrame(rows, columns=columns).astype(float)


def reckon(specimen: Specimen, modes: pd.DataFrame, wood: Wood, *, no_modes: str = "") -> Board:
    """Everything that size, mass and free modes say of one board.

    Parameters
    ----------
    modes : as `free_modes` gives them.
    no_modes : why there are none, if that is known.
    """
    found = dict.fromkeys(Board.__dataclass_fields__, "")
    found |= {"bar": None, "density": None, "fit": None, "values": {}, "loss": None}
    found |= {"loss_of": {}, "left_over": ()}
    try:
        bar = bar_of(specimen, wood)
    except InputError as error:
        return Board(**{**found, **dict.fromkeys(_REASONS, str(error))})
    found |= {"bar": bar, "density": density_value(bar)}
    if modes.empty:
        why = no_modes or "no mode of the freely hung board was found; tap it on soft points"
        return Board(**{**found, **dict.fromkeys(_REASONS[1:], why)})
    frequency = modes["frequency_hz"].to_numpy()
    orders = find_orders(frequency, bar)
    found["left_over"] = tuple(float(f) for f in frequency[~orders.found])
    found |= _stiffness(modes, orders, bar, wood)
    return Board(**found)


_REASONS = ("size_reason", "reason", "loss_reason", "shear_reason")


def _stiffness(modes: pd.DataFrame, orders, bar: Bar, wood: Wood) -> dict:
    if not orders.found.any():
        why = (
            "no frequency found fits the bending modes of a board of this size and mass in any "
            "wood; look at its sizes, its mass and its taps"
        )
        return dict.fromkeys(_REASONS[1:], why)
    used = modes[orders.found]
    order = orders.order[orders.found]
    loss_of = {
        int(n): (float(loss), float(u))
        for n, loss, u in zip(order, used["loss_factor"], used["loss_factor_u"], strict=True)
        if loss > 0
    }
    found: dict = {"loss_of": loss_of}
    try:
        fit = fit_stiffness(
            order,
            used["frequency_hz"],
            used["frequency_u"],
            bar,
            shear_ratio=wood.shear_ratio,
            u_shear_ratio=wood.u_shear_ratio,
        )
    except InputError as error:
        return found | dict.fromkeys(_REASONS[1:], str(error))
    found |= {"fit": fit, "values": derived_values(fit, bar)}
    found["shear_reason"] = _shear_reason(fit, found["values"])
    if np.isfinite(orders.rival_gpa):
        gpa = fit.youngs_modulus / 1e9
        why = (
            f"the modes found can be read in two ways, as {gpa:.1f} or as "
            f"{orders.rival_gpa:.1f} GPa; tap again at other places to find the missing modes"
        )
        found |= dict.fromkeys(_REASONS[1:], why)
    elif 1 in loss_of:
        found["loss"] = Value(loss_of[1][0], "1", loss_of[1][1])
    else:
        found["loss_reason"] = "the first bending mode of the freely hung board was not found"
    return found


def _shear_reason(fit: Stiffness, values: dict[str, Value]) -> str:
    if fit.at_bound:
        return (
            "the modes ask for an E/G that no wood has (below 2 or above 60), so the stated one "
            "was taken; they do not tell the shear modulus"
        )
    if not fit.fitted_shear:
        return "one mode alone does not tell the shear modulus; the stated E/G was taken"
    shear = values["wood.shear_modulus_gpa"]
    if shear.u > UNSURE_SHEAR * shear.value:
        return "the modes found hardly tell the shear modulus; more or higher modes would"
    return ""


def _mean(values: pd.Series, u: pd.Series) -> tuple[float, float]:
    known = values.notna()
    values, u = values[known].to_numpy(dtype=float), u[known].to_numpy(dtype=float)
    if values.size == 0:
        return float("nan"), float("nan")
    own = np.sqrt(np.nansum(u**2)) / values.size if np.isfinite(u).any() else float("nan")
    if values.size == 1:
        return float(values[0]), float(own)
    scatter = float(np.std(values, ddof=1)) / np.sqrt(values.size)
    return float(values.mean()), float(np.nanmax([own, scatter]))

"""The study's table of its woods: each board's density, stiffness and what follows from them.

A long table, one quantity of one board a row. Quantities with the register's names (`wood.*`) are
features as well; the others stand beside them for the reader: the ratio E/G, the stiffness by the
standard for isotropic bars, the moisture, and properties brought to 12 % where the study asks for
it. A number that cannot be told is NaN, and its note says why.

Functions: `wood_table`, `board_of`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from studylib.sheets import Specimen, Study
from studylib.wood.boards import Board, free_modes, reckon
from studylib.wood.handbook import find_species
from studylib.wood.moisture import density_at_12_percent, equilibrium_moisture, to_12_percent
from studylib.wood.stiffness import UNEVEN, isotropic_modulus
from studylib.words.text import listed

COLUMNS = ["specimen", "wood", "source", "quantity", "value", "unit", "u", "method", "note"]
STIFFNESS = {
    "wood.youngs_modulus_gpa": "GPa",
    "wood.shear_modulus_gpa": "GPa",
    "wood.sound_speed_m_s": "m/s",
    "wood.radiation_m4_kg_s": "m4/(kg s)",
    "wood.impedance_pa_s_m": "Pa s/m",
}
U_MOISTURE_PCT = 1.0
"""Standard uncertainty of a moisture content in percent points (a stated choice, no source)."""

_NAN = float("nan")
_Row = tuple[str, float, str, float, str, str]


def board_of(study: Study, specimen: Specimen, board_modes: pd.DataFrame) -> Board:
    """One board reckoned from its mean free modes in `board_modes`."""
    return reckon(
        specimen,
        free_modes(board_modes[board_modes["specimen"] == specimen.specimen]),
        study.settings.wood,
    )


def wood_table(study: Study, board_modes: pd.DataFrame) -> pd.DataFrame:
    """Every specimen's wood, in the order of specimens.csv.

    Parameters
    ----------
    board_modes : one row a specimen, support and mode number (columns specimen, support, mode,
        frequency_hz, frequency_u, loss_factor, loss_factor_u at least); only free modes are used.

    Returns
    -------
    DataFrame with `COLUMNS`; u is a standard uncertainty in the value's unit.
    """
    rows = []
    for specimen in study.specimens:
        board = board_of(study, specimen, board_modes)
        head = (specimen.specimen, specimen.wood, specimen.source)
        for row in _rows(study, specimen, board):
            rows.append((*head, *row))
    return pd.DataFrame(rows, columns=COLUMNS).astype({"value": float, "u": float})


def fit_method(board: Board) -> str:
    """How the stiffness was found, in a few words."""
    if board.fit is None:
        return ""
    count = board.fit.order.size
    if board.fit.fitted_shear:
        return f"Timoshenko bar, {count} free bending modes at once"
    modes = "one free bending mode" if count == 1 else f"{count} free bending modes"
    return f"Timoshenko bar, {modes} with a stated E/G"


def _rows(study: Study, specimen: Specimen, board: Board) -> Iterator[_Row]:
    density = board.density or (_NAN, "kg/m3", _NAN)
    yield (
        "wood.density_kg_m3", density[0], "kg/m3", density[2], "mass over length x width x "
        "thickness", _notes(board.size_reason, _role_note(specimen)),
    )  # fmt: skip
    yield from _stiffness_rows(study, specimen, board)
    loss = board.loss or (_NAN, "1", _NAN)
    method = "loss factor of the first free bending mode"
    yield "wood.loss_factor", loss[0], "1", loss[2], method, board.loss_reason
    yield from _moisture_rows(study, specimen, board)


def _stiffness_rows(study: Study, specimen: Specimen, board: Board) -> Iterator[_Row]:
    method, fit = fit_method(board), board.fit
    note = _notes(
        board.reason,
        _role_note(specimen),
        _left_over(board),
        _attached_note(study, measured=fit is not None),
    )
    for name, unit in STIFFNESS.items():
        why = board.shear_reason if name == "wood.shear_modulus_gpa" else ""
        value = board.values.get(name)
        if value is None or board.reason or why:
            yield name, _NAN, unit, _NAN, method, why or note
        else:
            yield name, value.value, unit, value.u, method, note
    if fit is None or board.reason:
        return
    u_ratio = fit.shear_ratio * float(np.sqrt(fit.log_covariance(board.bar)[1, 1]))
    stated = "" if fit.fitted_shear else "stated, not measured"
    yield "shear_ratio", fit.shear_ratio, "1", u_ratio, method, stated
    worst = 100.0 * float(np.abs(fit.residual).max())
    if fit.order.size > 1:
        yield (
            "mode_misfit_percent", worst, "%", _NAN, "largest distance of a mode from the fit",
            f"uneven wood was given {100 * UNEVEN:.1f} %",
        )  # fmt: skip
    if 1 in fit.order:
        first = float(fit.frequency_hz[list(fit.order).index(1)])
        value = isotropic_modulus(first, board.bar) / 1e9
        # Powers 3, 1, 3, 1 of the sizes and mass; the correction for thickness adds little.
        sizes = np.array([9.0, 1.0, 9.0, 1.0]) @ board.bar.variances
        u = value * float(np.sqrt(sizes + (2.0 * UNEVEN) ** 2))
        yield (
            "youngs_modulus_isotropic_gpa", value, "GPa", u,
            "ASTM E1876 for isotropic bars, first mode alone",
            "too low for wood: its correction for thickness leaves out how much wood shears",
        )  # fmt: skip


def _moisture_rows(study: Study, specimen: Specimen, board: Board) -> Iterator[_Row]:
    air = _air(study, specimen)
    if air is not None:
        temperature, humidity = air
        yield (
            "equilibrium_moisture_pct", float(equilibrium_moisture(*air)), "%", U_MOISTURE_PCT,
            "Wood Handbook Eq 4-5",
            f"what wood settles at, given weeks, at {temperature:.0f} °C and {humidity:.0f} %",
        )  # fmt: skip
    moisture = specimen.moisture_pct
    if moisture is not None:
        yield "moisture_pct", moisture, "%", U_MOISTURE_PCT, "specimens.csv", ""
    if study.settings.wood.to_12_percent:
        yield from _at_12(specimen, board, moisture)


def _at_12(specimen: Specimen, board: Board, moisture: float | None) -> Iterator[_Row]:
    """Density and Young's modulus brought to 12 %, or why that cannot be done."""
    density, modulus = board.density, board.values.get("wood.youngs_modulus_gpa")
    why = ""
    if moisture is None:
        why = "not brought to 12 %: specimens.csv gives no moisture_pct for this board"
    elif not moisture < 25:
        why = "not brought to 12 %: the formulas hold for wood that has dried below 25 %"
    name, method = "density_at_12_percent_kg_m3", "Wood Handbook Eq 4-13 and 4-14"
    if why or density is None:
        yield name, _NAN, "kg/m3", _NAN, method, why or board.size_reason
    else:

        def reckoned(pct: float) -> float:
            return float(density_at_12_percent(density.value, moisture_pct=pct))

        value = reckoned(moisture)
        slope = reckoned(moisture + 0.5) - reckoned(moisture - 0.5) if moisture > 0.5 else 0.0
        u = float(np.hypot(density.u / density.value * value, slope * U_MOISTURE_PCT))
        yield name, value, "kg/m3", u, method, f"brought from {moisture:g} % to 12 % moisture"
    name, method = "youngs_modulus_at_12_percent_gpa", "Wood Handbook Eq 5-3"
    species = find_species(specimen.wood)
    if not why and species is None:
        why = (
            f"not brought to 12 %: the values of green wood for {specimen.wood} are not in the "
            "list; if it is a listed wood, give its full name, as in western larch"
        )
    if why or board.reason or modulus is None:
        yield name, _NAN, "GPa", _NAN, method, why or board.reason
        return
    ratio = {"dry_over_green": species.dry_over_green, "mp": species.mp}
    factor = float(to_12_percent(1.0, moisture_pct=moisture, **ratio))
    relative = np.log(species.dry_over_green) / (species.mp - 12.0) * U_MOISTURE_PCT
    value = modulus.value * factor
    u = value * float(np.hypot(modulus.u / modulus.value, relative))
    note = f"brought from {moisture:g} % to 12 % with the handbook's values of {species.name}"
    yield name, value, "GPa", u, method, note + (", from memory" if species.recalled else "")


def _air(study: Study, specimen: Specimen) -> tuple[float, float] | None:
    """Mean temperature and humidity of the specimen's takes; None when neither take gives both."""
    air = [
        (take.temperature_c, take.humidity_pct)
        for take in study.takes
        if take.specimen == specimen.specimen
        and take.temperature_c is not None
        and take.humidity_pct is not None
        and take.humidity_pct < 100
    ]
    if not air:
        return None
    temperature, humidity = np.mean(np.array(air), axis=0)
    return float(temperature), float(humidity)


def _role_note(specimen: Specimen) -> str:
    if specimen.role != "changed":
        return ""
    return "the mass fixed to it is reckoned as if it were wood, so this is not its wood's value"


def _left_over(board: Board) -> str:
    if not board.left_over:
        return ""
    found = listed(f"{f:.0f}" for f in board.left_over)
    return f"not a bending mode across the thickness, left out: {found} Hz"


def _attached_note(study: Study, *, measured: bool) -> str:
    grams = study.settings.wood.attached_g
    return f"{grams:g} g were left on the board and are not taken off" if grams and measured else ""


def _notes(*notes: str) -> str:
    return "; ".join(note for note in notes if note)

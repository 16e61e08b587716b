"""The study's table of its woods: each board's density, stiffness and what follows from them.

A long table, one quantity of one board a row. Quantities with the register's names (`wood.*`) are
features as well; the others stand beside them for the reader: the ratio E/G and the moisture. A
number that cannot be given is NaN, and its note says why.

As features, density stands once for each specimen, with the batch and mount of its first take.
Stiffness and what follows from it stands once for each mount in which the board was tapped while it
hung free, from the mean of that mount's taps: so the spread between mounts shows, and a board's
value is the mean of its mounts like that of any other feature. Their uncertainty is the taps' own:
what all mounts of a board share, its sizes above all, stands in the table of woods (`u_shared`),
and in the table of budgets.

Warnings say what a person should look at before trusting the numbers.

Functions: `boards_of`, `wood_table`, `equilibrium_moisture`, `wood_features`, `wood_warnings`.
"""

import hashlib
from collections.abc import Collection, Iterator, Mapping

import numpy as np
import pandas as pd

from studylib import codes, tables
from studylib.modes.means import hidden_decays, tap_rows
from studylib.sheets import Specimen, Study, Take, files
from studylib.wood import beams, boards, forward
from studylib.wood.stiffness import DERIVED, UNEVEN, Value

STIFFNESS = {name: unit for name, (*_, unit) in DERIVED.items()}
DENSITIES = (100.0, 1400.0)
"""kg/m3 beyond which a size or the mass was probably mistyped: balsa to the heaviest woods (common
practice, no source)."""

MOISTURE_APART_PCT = 1.0
"""Percent points between woods' mean moisture that are worth a warning (a stated choice)."""

U_MOISTURE_PCT = 1.0
"""Standard uncertainty of a moisture content in percent points (a stated choice, no source)."""

_MODULUS = "wood.youngs_modulus_gpa"
_NAN = float("nan")
_Row = tuple[str, float, str, float, str, str, float]


def boards_of(study: Study, board_modes: pd.DataFrame) -> dict[str, boards.Board]:
    """What is told of each specimen by its mean free modes.

    Parameters
    ----------
    board_modes : one row a specimen, support and mode number (columns specimen, support, mode,
        frequency_hz, frequency_u, loss_factor, loss_factor_u, reason at least); only free modes are
        used.

    Returns
    -------
    By specimen, in the order of specimens.csv.
    """
    own = tables.rows_of(board_modes)
    return {s.specimen: _board_of(study, s, own(s.specimen)) for s in study.specimens}


def _board_of(study: Study, specimen: Specimen, own: pd.DataFrame) -> boards.Board:
    free = own[own["support"] == "free"]
    told = zip(free["mode"], free["reason"], strict=True)
    hidden = {int(mode): why for mode, why in told if codes.has(why, "modes.room_hides")}
    return boards.assess(
        specimen, boards.free_modes(own, hidden=hidden), study.settings.wood,
        air_c=_temperature(study, specimen),
    )  # fmt: skip


def _temperature(study: Study, specimen: Specimen) -> float:
    """Mean temperature of the specimen's takes in degrees Celsius; 20 where none gives one."""
    noted = [
        take.temperature_c
        for take in study.takes_on.get(specimen.specimen, ())
        if take.temperature_c is not None
    ]
    return float(np.mean(noted)) if noted else beams.AIR_C


def wood_table(study: Study, told: Mapping[str, boards.Board]) -> pd.DataFrame:
    """Every specimen's wood, in the order of specimens.csv.

    Parameters
    ----------
    told : from `boards_of`.

    Returns
    -------
    The table `wood`; u is a standard uncertainty in the value's unit.
    """
    rows = [
        (s.specimen, s.wood, s.role, s.source, *row)
        for s in study.specimens
        for row in _rows(study, s, told[s.specimen])
    ]
    return tables.typed("wood", rows)


def _rows(study: Study, specimen: Specimen, board: boards.Board) -> Iterator[_Row]:
    role = "wood.role_changed" if specimen.role == "changed" else ""
    yield _row(
        "wood.density_kg_m3", board.density, "kg/m3", "wood.mass_over_volume",
        codes.several([board.size_reason, role]),
    )  # fmt: skip
    yield from _stiffness_rows(study, board, role)
    yield _row("wood.loss_factor", board.loss, "1", "wood.first_mode_loss", board.loss_reason)
    yield from _moisture_rows(study, specimen, board)


def _row(quantity: str, value: Value | None, unit: str, method: str, beside: str) -> _Row:
    number, u, shared = (value.value, value.u, value.shared) if value is not None else (_NAN,) * 3
    return quantity, number, unit, u, method, beside, shared


def _stiffness_rows(study: Study, board: boards.Board, role: str) -> Iterator[_Row]:
    fit, grams = board.fit, study.settings.wood.attached_g
    left_out = codes.note("wood.modes_left_out", frequencies=board.left_over)
    beside = [board.reason, role, *codes.holding((board.left_over, left_out))]
    method = ""
    if fit is not None:
        code = "wood.bar_fitted" if fit.fitted_shear else "wood.bar_stated_ratio"
        method = codes.note(code, modes=fit.order.size)
        beside += codes.holding((grams, codes.note("wood.mass_left_on", grams=grams)))
    for name, unit in STIFFNESS.items():
        why = board.shear_reason if name == "wood.shear_modulus_gpa" else ""
        value = None if board.reason or why else board.values.get(name)
        yield _row(name, value, unit, method, why or codes.several(beside))
    if fit is None or board.reason:
        return
    u_ratio = fit.shear_ratio * float(np.sqrt(fit.log_covariance(board.bar)[1, 1]))
    stated = "" if fit.fitted_shear else "wood.ratio_stated"
    yield "shear_ratio", fit.shear_ratio, "1", u_ratio, method, stated, _NAN
    if fit.order.size > 1:
        worst = 100.0 * float(np.abs(fit.residual).max())
        uneven = codes.note("wood.uneven", share=UNEVEN)
        yield "mode_misfit_percent", worst, "%", _NAN, "wood.largest_misfit", uneven, _NAN


def _moisture_rows(study: Study, specimen: Specimen, board: boards.Board) -> Iterator[_Row]:
    air = _air(study, specimen)
    if air is not None:
        yield (
            "equilibrium_moisture_pct", float(equilibrium_moisture(*air)), "%", U_MOISTURE_PCT,
            "wood.equilibrium",
            codes.note("wood.settles_at", temperature_c=air[0], humidity_pct=air[1]), _NAN,
        )  # fmt: skip
    moisture = specimen.moisture_pct
    if moisture is not None:
        yield "moisture_pct", moisture, "%", U_MOISTURE_PCT, "wood.as_stated", "", _NAN


def _air(study: Study, specimen: Specimen) -> tuple[float, float] | None:
    """Mean temperature and humidity of the specimen's takes; None when neither take gives both."""
    air = [
        (take.temperature_c, take.humidity_pct)
        for take in study.takes_on.get(specimen.specimen, ())
        if take.temperature_c is not None
        and take.humidity_pct is not None
        and take.humidity_pct < 100
    ]
    if not air:
        return None
    temperature, humidity = np.mean(np.array(air), axis=0)
    return float(temperature), float(humidity)


def equilibrium_moisture(temperature_c, humidity_pct):
    """Moisture content in percent that wood settles at in air of this temperature and humidity.

    In degrees Celsius and percent; of the oven-dry mass. Source, read in a copy: Wood Handbook
    (USDA FPL-GTR-282, 2021), Eq 4-5 (Hailwood and Horrobin's isotherm with Simpson's constants).
    """
    t = np.asarray(temperature_c, dtype=float)
    h = np.asarray(humidity_pct, dtype=float) / 100.0
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    one, two = k1 * k * h, k1 * k2 * k**2 * h**2
    return 1800.0 / w * (k * h / (1.0 - k * h) + (one + 2.0 * two) / (1.0 + one + two))


def wood_features(
    study: Study, numbered: pd.DataFrame, *, batches: Collection[str] | None = None
) -> pd.DataFrame:
    """Feature rows of every specimen's wood; `take` is "", `kind` is "wood".

    Parameters
    ----------
    numbered : the table `modes`, with its numbers; only free taps are used.
    batches : only rows of these batches; None for all.

    Returns
    -------
    The table `features`. What cannot be given is NaN, not usable, with its reason; a study
    without any free tap has no rows of stiffness.
    """
    hidden = hidden_decays(tap_rows(numbered))
    any_free = any(map(_is_free, study.takes))
    own = files.grouped(
        ((name, support), ((mount, mode), why))
        for (name, support, mode, mount), why in hidden.items()
    )
    modes = tables.rows_of(numbered)
    rows = [
        row
        for s in study.specimens
        if s.specimen in study.takes_on
        for lost in [dict(own.get((s.specimen, "free"), ()))]
        for row in _feature_rows(study, s, modes(s.specimen), lost, any_free=any_free)
    ]
    table = tables.typed("features", rows)
    kept = study.batches if batches is None else batches
    return table[table["batch"].isin(list(kept))].reset_index(drop=True)


def _is_free(take: Take) -> bool:
    return take.kind == "tap" and take.support == "free"


def _feature_rows(
    study: Study,
    specimen: Specimen,
    own: pd.DataFrame,
    hidden: Mapping[tuple[int, int], str],
    *,
    any_free: bool,
) -> Iterator[tuple]:
    """own : the specimen's rows of `modes`.  hidden : notes by mount and mode, of decays that the
    room hides."""
    wood, nothing, takes = study.settings.wood, own.iloc[:0], study.takes_on[specimen.specimen]
    board = boards.assess(specimen, boards.free_modes(nothing), wood)
    yield _feature_row(
        specimen, takes[0], "wood.density_kg_m3", board.density, "kg/m3", board.size_reason
    )
    free = files.grouped((take.mount, take) for take in filter(_is_free, takes))
    for mount, (take, *_) in free.items():
        why = codes.note("wood.no_free_mode_in_mount", mount=mount)
        lost = {mode: text for (at, mode), text in hidden.items() if at == mount}
        modes = boards.free_modes(own[own["mount"] == mount], hidden=lost)
        board = boards.assess(
            specimen, modes, wood, no_modes=why, air_c=_temperature(study, specimen)
        )
        yield from _stiffness_features(specimen, take, board)
    if any_free and not free:
        why = "wood.not_tapped_free"
        board = boards.assess(specimen, boards.free_modes(nothing), wood, no_modes=why)
        yield from _stiffness_features(specimen, takes[0], board)


def _stiffness_features(specimen: Specimen, take: Take, board: boards.Board) -> Iterator[tuple]:
    for name, unit in STIFFNESS.items():
        reason = board.shear_reason if name == "wood.shear_modulus_gpa" else ""
        yield _feature_row(
            specimen, take, name, board.values.get(name), unit, board.reason or reason
        )
    yield _feature_row(specimen, take, "wood.loss_factor", board.loss, "1", board.loss_reason)


def _feature_row(
    specimen: Specimen, take: Take, feature: str, value, unit: str, reason: str
) -> tuple:
    number, u = (value.value, value.own) if value is not None and not reason else (_NAN, _NAN)
    # Nine digits: what is beyond them hangs on the versions of the libraries.
    text = f"{specimen.specimen}|{take.batch}|{take.mount}|{feature}|{number:.9g}"
    key = hashlib.sha256(text.encode()).hexdigest()[:12]
    return (
        key, "", take.batch, "wood", specimen.specimen, specimen.wood, take.mount, 1,
        feature, number, unit, u, not reason, reason,
    )  # fmt: skip


def wood_warnings(study: Study, wood: pd.DataFrame) -> list[str]:
    """Notes of missing sizes, odd densities, plates, moisture, a mass left on, and open readings.

    Parameters
    ----------
    wood : as `wood_table` gives it.

    Returns
    -------
    list of notes of the chapter "wood".
    """
    density = wood[wood["quantity"] == "wood.density_kg_m3"].dropna(subset=["value"])
    low, high = DENSITIES
    odd = density[(density["value"] < low) | (density["value"] > high)]
    stiffness = wood[wood["quantity"] == _MODULUS]
    plates = [x.specimen for x in stiffness.itertuples() if codes.has(x.note, "wood.too_wide")]
    return [
        *_sizes(study),
        *(
            codes.note("wood.odd_density", board=x.specimen, density=x.value)
            for x in odd.itertuples()
        ),
        *codes.holding((plates, codes.note("wood.plates", boards=plates, widest=boards.WIDEST))),
        *_mass_left_on(study, wood),
        *_moisture_apart(study),
        *(
            codes.note("wood.reading", board=x.specimen, notes=codes.each(x.note))
            for x in stiffness[stiffness["value"].isna()].itertuples()
            if codes.has(x.note, "wood.two_readings", "wood.nothing_fits")
        ),
    ]


def _sizes(study: Study) -> Iterator[str]:
    missing = {s.specimen: beams.missing_sizes(s) for s in study.specimens}
    lacking = [{"name": name, "missing": sizes} for name, sizes in missing.items() if sizes]
    if lacking and len(lacking) == len(study.specimens):
        yield "wood.no_sizes_at_all"
    elif lacking:
        yield codes.note("wood.some_sizes_missing", boards=lacking)


def _mass_left_on(study: Study, wood: pd.DataFrame) -> Iterator[str]:
    grams = study.settings.wood.attached_g
    stiff = wood[(wood["quantity"] == _MODULUS) & wood["value"].notna()]
    if not grams or stiff.empty:
        return
    specimen = min(map(study.specimen, stiff["specimen"]), key=lambda one: one.mass_g)
    bar = beams.bar_of(specimen, study.settings.wood)
    share = forward.modulus_share(
        grams / specimen.mass_g, slenderness=bar.slenderness,
        shear_ratio=study.settings.wood.shear_ratio,
    )  # fmt: skip
    yield codes.note(
        "wood.mass_lowers", grams=grams, board=specimen.specimen, board_g=specimen.mass_g,
        frequency_share=1.0 - np.sqrt(1.0 - share), modulus_share=share,
    )  # fmt: skip


def _moisture_apart(study: Study) -> Iterator[str]:
    plain = [specimen for specimen in study.specimens if specimen.role == ""]
    given = files.grouped((s.wood, s.moisture_pct) for s in plain if s.moisture_pct is not None)
    without = [specimen.specimen for specimen in plain if specimen.moisture_pct is None]
    if given and without:
        yield codes.note("wood.moisture_unknown", boards=without)
    mean = {wood: float(np.mean(values)) for wood, values in given.items()}
    if len(mean) > 1 and max(mean.values()) - min(mean.values()) > MOISTURE_APART_PCT:
        woods = [{"name": wood, "percent": value} for wood, value in mean.items()]
        yield codes.note("wood.moisture_differs", woods=woods)

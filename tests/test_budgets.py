"""Uncertainty budgets: published components, sums by hand, what cancels, what is not known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studylib import register, tables
from studylib.codes import code_of, fields_of
from studylib.codes.features import ModeBasis, Term
from studylib.report.budgets import combined, make_budgets
from studylib.report.tables import budgets_table
from studylib.stats import scales
from studylib.words import say
from tests.wood.bars import demo, reference
from tests.words import asked_for

TONE, LOSS, FREE = "tone.h1.response_db", "tap.m1.loss_factor", "free.m1.loss_factor"


def _rows(feature: str, values, own: float) -> pd.DataFrame:
    """Takes of a feature: (board, mount, value) each, with an uncertainty of their own."""
    frame = pd.DataFrame(values, columns=["specimen", "mount", "value"])
    scale = np.full(len(frame), register.find(feature).scale)
    return frame.assign(
        feature=feature, batch="day1", state="used", u=own,
        id=[f"{feature}-{i}" for i in range(len(frame))],
        y=scales.analysis_values(frame["value"].to_numpy(float), scale),
    )  # fmt: skip


def summary_of(takes: pd.DataFrame, *, study=None, **tables_given):
    """As much of a summary as budgets ask for."""
    names = ("modes_near_tone", "wood", "modes", "harmonics")
    given = {name: tables_given.get(name, tables.empty(name)) for name in names}
    summary = SimpleNamespace(
        study=study or demo(),
        comparison=SimpleNamespace(workings=SimpleNamespace(takes=takes.drop(columns="u"))),
        gathered=SimpleNamespace(features=takes[["id", "u"]], harmonics=given["harmonics"]),
        modes=SimpleNamespace(
            near=given["modes_near_tone"], wood=given["wood"], numbered=given["modes"]
        ),
        measured=tuple(takes["feature"].unique()),
    )
    summary.budgets = make_budgets(summary)
    return summary


def _of(summary, feature: str) -> pd.DataFrame:
    rows = summary.budgets[summary.budgets["feature"] == feature]
    return rows.set_index("term")


def settings(**sections):
    """The demo with keys of some sections of study.toml changed."""
    study = demo()
    changed = {
        name: getattr(study.settings, name).model_copy(update=keys)
        for name, keys in sections.items()
    }
    return replace(study, settings=study.settings.model_copy(update=changed))


def test_spreads_are_the_published_components_of_nested_data():
    # Turnip leaves, Snedecor & Cochran (1967) p. 286 in tests/reference/turnip.csv: components
    # 0.006654 (samples of a leaf: takes of a mount) and 0.161060 (leaves of a plant: mounts).
    leaves = reference("turnip.csv")
    values = leaves[["plant", "leaf", "calcium"]].astype({"plant": str}).to_numpy()
    budget = _of(summary_of(_rows(TONE, values, 0.0)), TONE)
    assert budget.loc[Term.REPEAT, "u"] == pytest.approx(np.sqrt(0.006654), rel=1e-3)
    assert budget.loc[Term.MOUNT, "u"] == pytest.approx(np.sqrt(0.161060), rel=1e-3)
    assert fields_of(budget.loc[Term.REPEAT, "basis"]) == {"df": 12}
    assert fields_of(budget.loc[Term.MOUNT, "basis"]) == {"df": 8}
    # What a take states is a part of that spread and does not count twice.
    budget = _of(summary_of(_rows(TONE, values, 0.05)), TONE)
    assert budget.loc[Term.BACKGROUND, "u"] == pytest.approx(0.05)
    both = np.hypot(budget.loc[Term.BACKGROUND, "u"], budget.loc[Term.REPEAT, "u"])
    assert both == pytest.approx(np.sqrt(0.006654), rel=1e-3)


MANY = [("L1", 1, -20.0), ("L1", 1, -20.2), ("L1", 2, -20.5), ("L1", 2, -20.3)]


def test_what_both_sides_share_cancels():
    rows = [
        (TONE, Term.REPEAT, 0.1, "dB", "take", ""), (TONE, Term.MOUNT, 0.3, "dB", "mount", ""),
        (TONE, Term.MOISTURE, 0.4, "dB", "specimen", ""),
        (TONE, Term.TEMPERATURE, 0.5, "dB", "batch", ""),
        (TONE, Term.CALIBRATION, 1.2, "dB", "study", ""),
    ]  # fmt: skip
    budget = tables.typed("budgets", rows)
    assert combined(budget, shared="mount") == (pytest.approx(0.1), True)
    assert combined(budget, shared="batch") == (pytest.approx(np.sqrt(0.26)), True)
    assert combined(budget, shared="") == (pytest.approx(np.sqrt(0.26 + 0.25 + 1.44)), True)
    unknown = budget.assign(u=budget["u"].where(budget["common"] != "batch"))
    assert combined(unknown, shared="batch")[1]
    u, known = combined(unknown, shared="")
    assert u == pytest.approx(np.sqrt(0.26 + 1.44))
    assert not known


def test_the_drivers_place_is_measured_else_predicted_else_not_known():
    takes = _rows("probe.k3.response_db", MANY, 0.0)
    budget = _of(summary_of(takes), "probe.k3.response_db")
    assert np.isnan(budget.loc[Term.POSITION, "u"])
    assert budget.loc[Term.POSITION, "basis"] == "budgets.unknown"
    columns = ["specimen", "role", "harmonic", "basis", "per_mm_db", "per_percent_db"]
    boards = [("L1", "", 0.6, 0.3), ("L2", "", 0.8, 0.4), ("REFM", "changed", 9.0, 9.0)]
    near = pd.DataFrame(
        [(board, role, 3, ModeBasis.HELD, mm, pct) for board, role, mm, pct in boards],
        columns=columns,
    )
    study = settings(bench={"u_drive_at_mm": 0.5})
    predicted = _of(summary_of(takes, study=study, modes_near_tone=near), "probe.k3.response_db")
    # Root mean square of 0.6 and 0.8 dB a mm, half a mm; the changed board is left out.
    by_hand = 0.5 * np.sqrt((0.36 + 0.64) / 2)
    assert predicted.loc[Term.POSITION, "u"] == pytest.approx(by_hand)
    assert code_of(predicted.loc[Term.POSITION, "basis"]) == "budgets.model"
    # Handbook: a frequency by 1 % for a percent of moisture, each known to 1 in the demo.
    assert predicted.loc[Term.MOISTURE, "u"] == pytest.approx(np.sqrt((0.09 + 0.16) / 2))
    # 2 mm along, the response of one mount rose by 3 dB, of another by 1 dB: 1.5 and 0.5 a mm.
    base = next(t for t in demo().takes if t.take == "L1-m1-tone516-r1")
    played, lines = [], []
    for mount, rise in ((1, 3.0), (2, 1.0)):
        for mm, db in ((None, 0.0), (2.0, rise)):
            take = f"probe-{mount}-{mm}"
            played.append(base.model_copy(update={"take": take, "mount": mount, "moved_mm": mm}))
            lines.append(
                {"take": take, "harmonic": 3, "response_re": 10 ** (db / 20), "usable": True}
            )
    lines = pd.DataFrame(lines).assign(response_im=0.0, drive_re=0.0, drive_im=1.0)
    study = replace(study, takes=(*study.takes, *played))
    moved = summary_of(takes, study=study, modes_near_tone=near, harmonics=lines)
    moved = _of(moved, "probe.k3.response_db")
    assert moved.loc[Term.POSITION, "u"] == pytest.approx(0.5 * np.sqrt((2.25 + 0.25) / 2))
    assert fields_of(moved.loc[Term.POSITION, "basis"])["takes"] == 2


def test_a_measured_spread_between_mounts_holds_the_drivers_place():
    near = pd.DataFrame(
        [("L1", "", 1, ModeBasis.HELD, 0.2, 0.1)],
        columns=["specimen", "role", "harmonic", "basis", "per_mm_db", "per_percent_db"],
    )
    values = [(b, m, v) for b in ("L1", "L2") for m, v in ((1, 0.0), (2, 1.0), (3, 2.0))]
    budget = _of(summary_of(_rows(TONE, values, 0.0), modes_near_tone=near), TONE)
    assert budget.loc[Term.POSITION, "u"] == pytest.approx(0.2)
    assert budget.loc[Term.MOUNT, "u"] == pytest.approx(np.sqrt(1.0 - 0.2**2))


def test_a_clean_ring_of_one_mount_has_what_holds_the_board():
    """A loss factor of 0.009443 that the ring alone would give to 0.000001."""
    values = [(board, 4, 0.009443) for board in ("L1", "L2")]
    budget = _of(summary_of(_rows(FREE, values, 1e-6)), FREE)
    assert budget.loc[Term.BACKGROUND, "u"] == pytest.approx(100 * 1e-6 / 0.009443, rel=1e-3)
    assert budget.loc[Term.MOUNT, "u"] == pytest.approx(2.0)
    assert code_of(budget.loc[Term.MOUNT, "basis"]) == "budgets.assumed"
    u, known = combined(budget, shared="batch")
    assert u > 1.99
    assert not known  # nobody knows what moisture does to it
    # Set up twice, the boards tell it themselves.
    twice = [(board, m, 0.01 * (1 + 0.03 * m)) for board in ("L1", "L2") for m in (1, 2)]
    budget = _of(summary_of(_rows(LOSS, twice, 1e-6)), LOSS)
    by_hand = 100 * np.expm1(np.std(np.log([1.03, 1.06]), ddof=1))
    assert budget.loc[Term.MOUNT, "u"] == pytest.approx(by_hand, rel=1e-3)


def test_the_room_is_a_term_of_decays_and_is_taken_out_of_what_the_takes_state():
    values = [(board, m, 0.01) for board in ("L1", "L2") for m in (1, 2)]
    rings = pd.DataFrame(
        {"mode": [1.0, 1.0], "support": "bench", "loss_factor": 0.01,
         "loss_factor_place_u": [3e-4, 5e-4]}
    )  # fmt: skip
    summary = summary_of(_rows(LOSS, values, 6e-4), modes=rings)
    budget = _of(summary, LOSS)
    room = np.sqrt((9 + 25) / 2)
    assert budget.loc[Term.PLACE, "u"] == pytest.approx(room)
    assert budget.loc[Term.PLACE, "common"] == "batch"
    whole = np.hypot(budget.loc[Term.BACKGROUND, "u"], room)
    assert whole == pytest.approx(100 * np.expm1(0.06), rel=1e-6)
    contact = settings(channels={"response_kind": "accelerometer"})
    assert _of(summary_of(_rows(LOSS, values, 6e-4), study=contact), LOSS).loc[Term.PLACE, "u"] == 0


def test_calibration_is_stated_or_a_calibrators_or_not_known():
    level = "tone.h1.level_db"
    takes = pd.concat([_rows(level, MANY, 0.0), _rows(TONE, MANY, 0.0)], ignore_index=True)
    assert _of(summary_of(takes), level).loc[Term.CALIBRATION, "basis"] == "budgets.unknown"
    with_calibrator = settings(channels={"full_scale_db": None, "calibrator_db": 94.0})
    summary = summary_of(takes, study=with_calibrator)
    row = _of(summary, level).loc[Term.CALIBRATION]
    # IEC 60942 class 2: within 0.40 dB, as a rectangle (JCGM 100, 4.3.7).
    assert (row["u"], row["common"]) == (pytest.approx(0.231, abs=5e-4), "batch")
    assert np.isnan(_of(summary, TONE).loc[Term.CALIBRATION, "u"])
    stated = summary_of(takes, study=settings(bench={"u_calibration_db": 0.3}))
    for feature in (level, TONE):
        row = _of(stated, feature).loc[Term.CALIBRATION]
        assert (row["u"], row["common"]) == (0.3, "study")


def test_sizes_and_climate_of_the_wood():
    modulus, density = "wood.youngs_modulus_gpa", "wood.density_kg_m3"
    values = [("L1", 4, 13.0), ("L2", 4, 14.0)]
    takes = pd.concat(
        [_rows(modulus, values, 0.05), _rows(density, values, np.nan)], ignore_index=True
    )
    wood = pd.DataFrame(
        [("L1", "", modulus, 13.0, 0.13), ("L2", "", modulus, 14.0, 0.28),
         ("REF", "reference", modulus, 13.0, 9.0), ("L1", "", density, 570.0, 5.7)],
        columns=["specimen", "role", "quantity", "value", "u_shared"],
    )  # fmt: skip
    summary = summary_of(takes, wood=wood)
    budget = _of(summary, modulus)
    assert budget.loc[Term.SIZES, "u"] == pytest.approx(np.sqrt((1 + 4) / 2))
    assert budget.loc[Term.MOISTURE, "u"] == pytest.approx(1.5)
    noted = [t.temperature_c for t in demo().takes]
    # Wood Handbook table 5-16: 0.1108 % a degree Fahrenheit, 0.2 % a degree Celsius.
    assert budget.loc[Term.TEMPERATURE, "u"] == pytest.approx(0.2 * np.std(noted))
    assert set(_of(summary, density).index) == {Term.SIZES, Term.MOISTURE, Term.TEMPERATURE}
    dry = replace(
        demo(), takes=tuple(t.model_copy(update={"temperature_c": None}) for t in demo().takes)
    )
    assert np.isnan(
        _of(summary_of(takes, wood=wood, study=dry), modulus).loc[Term.TEMPERATURE, "u"]
    )


def test_a_study_without_a_usable_take_has_no_budget():
    nothing = _rows(TONE, [], 0.0)
    quiet = replace(demo(), takes=())
    summary = summary_of(nothing, study=quiet)
    assert list(summary.budgets.columns) == tables.TABLES["budgets"].names
    assert summary.budgets.empty
    assert budgets_table(summary).empty


def test_the_readers_table_says_what_is_not_known():
    shown = budgets_table(summary_of(_rows(TONE, MANY, 0.01)))
    cells = shown.set_index("term")["standard uncertainty"]
    assert cells["calibration"] == "not known"
    assert cells["together, between takes of one mount"].endswith(" dB")
    assert not cells["together, between takes of one mount"].startswith("at least")
    assert cells["together, between studies"].startswith("at least ")
    for basis in shown["rests on"]:
        assert not basis or say(basis)


def test_every_term_and_basis_has_its_words_and_every_feature_its_terms():
    per = {"per_mm_db": 0.95, "u_mm": 1.0}
    said = {
        "budgets.spread": {"df": 1}, "budgets.assumed": {"share": 0.02}, "budgets.model": per,
        "budgets.moved": {**per, "takes": 2},
        "budgets.handbook": {"slope": 0.2, "unit": "dB", "moisture": False, "u": 0.5},
    }  # fmt: skip
    for code in sorted(asked_for("budgets") - {"budgets.size", "budgets.total"}):
        assert say(code, **said.get(code, {}))
    assert say("budgets.handbook", **said["budgets.handbook"]) == (
        "0.20 dB per °C, from the Wood Handbook and the boards' model; it varied by 0.50 °C"
    )
    for name in register.example_names():
        terms = register.find(name).terms
        assert len(terms) == len(set(terms))
        assert (Term.CALIBRATION in terms) == name.endswith((".level_db", ".response_db"))
        assert (Term.SIZES in terms) == (name.startswith("wood.") and name != "wood.loss_factor")

"""The demo's taps, sweeps and wood against the truth that the simulation states.

The truth of bench modes and their decay is in truth/mounts.csv, of the boards themselves in
truth/boards.csv; the simulation's damping is hysteretic and its boards are uneven, so that decays
and the bar's formula hold nearly, not exactly.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studylib.codes.features import ModeBasis

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="module")
def demo(measured_demo):
    return measured_demo


def of_feature(gathered, name: str) -> pd.DataFrame:
    rows = gathered.features[gathered.features["feature"] == name]
    return rows.set_index(["specimen", "mount"])


def test_no_tap_of_the_demo_is_refused(demo):
    taps = demo[1].modes.query("kind == 'tap'")
    assert taps["usable"].all()
    assert len(taps.drop_duplicates(["take", "tap"])) == 174


# What a bench tap of the demo holds beside its modes, 36 dB below them, moves a decay by 0.13 %
# with the moment from which the ring is taken, and by up to 0.3 % where the room stays in the
# model; its stated uncertainty is 0.6 %.
@pytest.mark.parametrize(
    ("name", "truth", "within"),
    [("frequency_hz", "tap.m1.frequency_hz", 2e-5), ("decay_time_s", "tap.m1.decay_time_s", 3e-3)],
)
def test_the_first_mode_comes_back_for_every_mount(demo, name, truth, within):
    mounts = pd.read_csv(DEMO / "truth" / "mounts.csv", keep_default_na=False)
    mounts = mounts.set_index(["specimen", "mount", "support"])[truth].astype(float)
    seen = 0
    for support, stem in (("bench", "tap"), ("free", "free")):
        got = of_feature(demo[1], f"{stem}.m1.{name}")["value"]
        for (specimen, mount), value in got.items():
            expected = mounts[(specimen, mount, support)]
            assert value == pytest.approx(expected, rel=within), (specimen, mount)
            seen += 1
    assert seen == 58


def test_density_stiffness_and_shear_come_back_within_their_uncertainty(demo_summary):
    wood = demo_summary.modes.wood.set_index(["specimen", "quantity"])
    truth = pd.read_csv(DEMO / "truth" / "boards.csv", keep_default_na=False).set_index("specimen")
    plain = truth[truth["role"] != "changed"]
    off = []
    for board, row in plain.iterrows():
        for quantity, expected in (
            ("wood.youngs_modulus_gpa", float(row["youngs_modulus_gpa"])),
            ("shear_ratio", float(row["shear_ratio"])),
        ):
            found = wood.loc[(board, quantity)]
            off.append((found["value"] - expected) / found["u"])
    # Twelve boards and the reference, two quantities each: a few beyond 2 u are chance.
    assert np.mean(np.abs(off) < 2) > 0.85, off
    assert np.max(np.abs(off)) < 4, off


def test_sweeps_find_the_modes_that_taps_find_once_each(demo):
    modes = demo[1].modes
    sweeps = modes.query("kind == 'sweep' and mode <= 6")
    boards = demo[1].board_modes.query("support == 'bench'").set_index(["specimen", "mode"])
    found = 0
    for row in sweeps.itertuples():
        known = boards.loc[(row.specimen, int(row.mode))]
        if np.isfinite(known["frequency_hz"]):
            # Mounts differ by a percent or so; the loss by a few.
            assert row.frequency_hz == pytest.approx(known["frequency_hz"], rel=0.015)
            found += 1
    assert found > 0.9 * 44 * 5.5
    close = sweeps.groupby(["take", "mode"]).size()
    assert (close == 1).all()


def test_the_claim_about_decay_comes_out_as_the_truth_has_it(demo_summary):
    summary = demo_summary
    claims = summary.comparison.claims.set_index("claim")
    assert claims.loc["Robinia rings longer than larch", "verdict"] == "supported"
    rows = summary.comparison.effects.query(
        "feature == 'tap.m1.decay_time_s' and wood_a == 'larch' and wood_b == 'robinia'"
    )
    boards = pd.read_csv(DEMO / "truth" / "boards.csv", keep_default_na=False)
    own = boards[boards["role"] == ""].assign(t=lambda b: b["tap.m1.decay_time_s"].astype(float))
    mean = np.log(own["t"]).groupby(own["wood"]).mean()
    expected = 100 * (np.exp(mean["robinia"] - mean["larch"]) - 1)
    assert rows["low"].item() < expected < rows["high"].item()


def test_the_stated_gain_follows_the_measured_sweeps(demo_summary):
    """Held against what the sweeps of each mount measured, not against the demo's truth: at every
    multiple of the tone, the ratio of the far end to the driving point. The microphone's own
    factor, the same for all, is free."""
    modes = demo_summary.modes
    near = modes.near[modes.near["basis"] == ModeBasis.HELD]
    curves = demo_summary.gathered.curves.query("usable")
    board_of = {take.take: take.specimen for take in demo_summary.study.takes}
    curves = curves.assign(specimen=curves["take"].map(board_of))
    swept = curves.groupby(["specimen", "frequency_hz"])["level_db"].mean()
    heard = [
        np.interp(row.frequency_hz, swept[row.specimen].index, swept[row.specimen])
        for row in near.itertuples()
    ]
    near = near.assign(heard=heard)
    assert len(near) == 14 * 20
    # Stated from free taps, sizes and the driver's place alone.
    assert np.corrcoef(near["gain_db"], near["heard"])[0, 1] > 0.95
    # Between boards at one harmonic, where the trend over frequency cannot help.
    apart = near[["gain_db", "heard"]] - near.groupby("harmonic")[["gain_db", "heard"]].transform(
        "mean"
    )
    assert np.corrcoef(apart["gain_db"], apart["heard"])[0, 1] > 0.9
    # Peaks of L1 in its sweeps, 143, 762, 1142 and 1711 Hz, against the held modes.
    held = near[near["specimen"] == "L1"].drop_duplicates("mode").set_index("mode")["mode_hz"]
    np.testing.assert_allclose(held[[1, 3, 4, 5]], [143, 762, 1142, 1711], rtol=0.04)

"""The whole comparison on invented studies: columns, rules, order, gaps and strange input."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from studylib.codes import code_of, fields_of, has, note
from studylib.codes.comparison import Method
from studylib.errors import InputError
from studylib.stats.compare import compare
from studylib.stats.effects import effect_id
from studylib.stats.families import holm, over_features
from tests.stats.simulate import WOODS, features_table, specimens_table

CLIPPED = note("takes.set_aside", checks=["clipping"])
PRIMARY = ["tone.h3.rel_db"]
EFFECTS = [
    *("id", "feature", "role", "wood_a", "wood_b", "difference", "unit", "low", "high", "df", "p"),
    *("p_adjusted", "p_beyond", "p_within", "q", "g", "g_low", "g_high", "over_boards"),
    *("limit", "verdict"),
    *("caveats", "n_a", "n_b", "needed", "method"),
]
VARIANCE = ["feature", "level", "variance", "sd", "share", "low", "high", "df", "method"]
BOARDS = ["feature", "specimen_a", "specimen_b", "difference", "unit", "low", "high"]


def below_noise(rows, which):
    rows = rows.copy()
    rows.loc[which, "usable"] = False
    rows.loc[which, "reason"] = "takes.below_noise"
    return rows


def has_note(result, code) -> bool:
    return any(code_of(note) == code for note in result.notes)


def the_note(result, code) -> str:
    (found,) = [note for note in result.notes if code_of(note) == code]
    return found


def frames(result):
    return {name: value for name, value in vars(result).items() if isinstance(value, pd.DataFrame)}


class TestTables:
    NAMES = ("tone.h3.rel_db", "tone.h2.rel_db", "tone.h10.rel_db", "tone.centroid_hz")

    @pytest.fixture
    def study(self, rng):
        specimens = specimens_table(reference=True)
        return features_table(
            specimens, rng, names=self.NAMES, effect={"robinia": 8.0}, batches=2, change=5.0
        ), specimens

    def test_columns_are_those_of_the_design(self, study):
        result = compare(*study, woods=WOODS, primary=PRIMARY)
        assert list(result.effects.columns) == EFFECTS
        assert list(result.variance.columns) == VARIANCE
        assert list(result.boards.columns) == BOARDS
        assert set(result.boards["feature"]) == set(PRIMARY)

    def test_order_of_features_and_pairs(self, study):
        result = compare(*study, woods=WOODS, primary=["tone.h10.rel_db"])
        expected = ["tone.h10.rel_db", "tone.centroid_hz", "tone.h2.rel_db", "tone.h3.rel_db"]
        assert list(result.effects["feature"].unique()) == expected
        pairs = result.effects[["wood_a", "wood_b"]].head(3).to_numpy().tolist()
        assert pairs == [["larch", "cherry"], ["larch", "robinia"], ["cherry", "robinia"]]
        assert list(result.effects["role"].unique()) == ["primary", "exploratory"]

    def test_difference_is_b_minus_a_of_the_sources_means(self, study):
        rows, specimens = study
        one_day = rows.assign(batch="day 1")
        result = compare(one_day, specimens, woods=WOODS, primary=PRIMARY)
        own = one_day[one_day["feature"].eq("tone.h3.rel_db") & ~one_day["specimen"].isin(
            ["REF", "REF+10g"])]  # fmt: skip
        boards = own.groupby(["wood", "specimen"])["value"].mean()
        row = result.effects.iloc[1]
        assert row["difference"] == pytest.approx(boards["robinia"].mean() - boards["larch"].mean())
        assert result.unit_means["value"].head(4).to_numpy() == pytest.approx(boards["larch"])

    def test_logarithmic_features_are_in_percent_with_percent_limits(self, study):
        rows, specimens = study
        result = compare(
            rows, specimens, woods=WOODS, primary=["tone.centroid_hz"],
            limits={"tone.centroid_hz": 1.5}, own_limits={"tone.centroid_hz"},
        )  # fmt: skip
        row = result.effects.iloc[1]
        boards = result.unit_means.query("feature == 'tone.centroid_hz'")
        ratio = np.exp(
            np.log(boards.query("wood == 'robinia'")["adjusted"]).mean()
            - np.log(boards.query("wood == 'larch'")["adjusted"]).mean()
        )
        assert row["unit"] == "%"
        assert row["limit"] == pytest.approx(50.0)
        assert row["difference"] == pytest.approx(100 * (ratio - 1))
        assert has(row["method"], Method.LOGARITHMS)

    def test_rows_in_any_order_give_the_same_tables(self, study, rng):
        rows, specimens = study
        claims = [{"text": "c", "feature": PRIMARY[0], "higher": "robinia", "lower": "larch"}]
        kwargs = dict(woods=WOODS, primary=PRIMARY, claims=claims)
        first = compare(rows, specimens, **kwargs)
        shuffled = rows.sample(frac=1.0, random_state=4).reset_index(drop=True)
        second = compare(shuffled, specimens, **kwargs)
        for name, frame in frames(first).items():
            # Byte for byte, as they are written.
            assert frame.to_csv() == frames(second)[name].to_csv(), name
        assert first.notes == second.notes

    def test_index_labels_of_the_rows_do_not_matter(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, names=["tone.h1.response_db", "tone.h3.rel_db"])
        phases = rows[rows["feature"] == "tone.h1.response_db"].assign(
            feature="tone.h1.response_deg", value=lambda t: rng.normal(0, 30, len(t))
        )
        phases["id"] += "deg"
        rows = pd.concat([rows, phases], ignore_index=True)
        first = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        # Two batches put one below the other, each counting its rows from 0.
        twice = rows.set_axis(np.arange(len(rows)) // 2, axis=0)
        second = compare(twice, specimens, woods=WOODS, primary=PRIMARY)
        for name, frame in frames(first).items():
            assert frame.to_csv() == frames(second)[name].to_csv(), name

    def test_ids_name_the_rows_they_rest_on(self, study):
        rows, specimens = study
        first = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        assert first["id"].is_unique
        assert all(re.fullmatch("[0-9a-f]{12}", name) for name in first["id"])
        own = rows[(rows["feature"] == "tone.h2.rel_db") & (rows["specimen"] == "L1")]
        fewer = compare(rows.drop(own.index[:1]), specimens, woods=WOODS, primary=PRIMARY).effects
        changed = first["id"] != fewer["id"]
        assert set(first.loc[changed, "feature"]) == {"tone.h2.rel_db"}
        # The controls do not take part.
        controls = rows[rows["specimen"] == "REF"]
        without = compare(rows.drop(controls.index), specimens, woods=WOODS, primary=PRIMARY)
        assert list(without.effects["id"]) == list(first["id"])

    def test_an_id_does_not_depend_on_the_order_of_its_rows(self):
        assert effect_id("f", "a", "b", ["x", "y"]) == effect_id("f", "a", "b", ["y", "x"])
        assert effect_id("f", "a", "b", ["x", "y"]) != effect_id("f", "b", "a", ["x", "y"])

    def test_adjusted_p(self, study):
        result = compare(*study, woods=WOODS, primary=["tone.h3.rel_db", "tone.h2.rel_db"])
        primary = result.effects[result.effects["role"] == "primary"]
        other = result.effects[result.effects["role"] == "exploratory"]
        assert primary["q"].isna().all()
        closed = {
            name: [pair.closed for pair in result.workings.first[name]]
            for name in result.effects["feature"].unique()
        }
        expected = over_features(np.array([closed[name] for name in primary["feature"].unique()]))
        assert primary["p_adjusted"].to_numpy() == pytest.approx(expected.ravel())
        assert primary["p_adjusted"].min() >= 2 * primary["p"].min()
        own = np.concatenate([closed[name] for name in other["feature"].unique()])
        assert (other["p_adjusted"] == np.maximum(own, other["q"])).all()

    def test_a_large_effect_is_recovered(self, study):
        result = compare(*study, woods=WOODS, primary=PRIMARY)
        row = result.effects.iloc[1]
        assert row["low"] < 8.0 < row["high"]
        assert row["verdict"] == "different"
        assert row["n_a"] == row["n_b"] == 4


class TestClaims:
    """A lock that stands leaves the claims to decide."""

    CLAIMS = (
        {"text": "a", "feature": "tone.h3.rel_db", "higher": "robinia", "lower": "larch"},
        {"text": "b", "feature": "tone.h2.rel_db", "higher": "larch", "lower": "cherry"},
        {"text": "again", "feature": "tone.h3.rel_db", "higher": "larch", "lower": "robinia"},
    )

    @pytest.fixture
    def study(self, rng):
        names, specimens = ("tone.h3.rel_db", "tone.h2.rel_db", "tone.h5.rel_db"), specimens_table()
        return features_table(specimens, rng, names=names, effect={"robinia": 5.0}), specimens

    def made(self, study, **options):
        limits = {"tone.h3.rel_db": 1.0}
        primary = ["tone.h3.rel_db", "tone.h2.rel_db"]
        return compare(
            *study, woods=WOODS, primary=primary, claims=self.CLAIMS, limits=limits, **options
        ).effects

    def test_they_alone_are_primary_with_holm_over_them(self, study):
        effects = self.made(study, locked=True)
        primary = effects[effects["role"] == "primary"]
        pairs = primary[["feature", "wood_a", "wood_b"]].to_numpy().tolist()
        assert pairs == [
            ["tone.h3.rel_db", "larch", "robinia"], ["tone.h2.rel_db", "larch", "cherry"],
        ]  # fmt: skip
        expected = holm(primary["p"].to_numpy())
        assert primary["p_adjusted"].to_numpy() == pytest.approx(expected)
        others = effects[effects["role"] == "exploratory"]
        assert others["q"].notna().all()
        assert set(others["feature"]) >= {"tone.h3.rel_db", "tone.h2.rel_db"}

    def test_they_are_found_more_easily_than_all_pairs(self, study):
        locked, free = (self.made(study, locked=locked) for locked in (True, False))
        mine = locked["role"] == "primary"
        assert (locked.loc[mine, "p_adjusted"] < free.loc[mine, "p_adjusted"]).all()
        assert (locked.loc[mine, "p"] == free.loc[mine, "p"]).all()

    def test_beyond_takes_the_same_path(self, study):
        effects = self.made(study, locked=True).set_index(["feature", "wood_a", "wood_b"])
        row = effects.loc["tone.h3.rel_db", "larch", "robinia"]
        # One claim has a limit, so its p stands as it is.
        assert row["p_adjusted"] <= row["p_beyond"] <= 2 * row["p_adjusted"] + 0.05
        assert np.isnan(effects.loc["tone.h2.rel_db", "larch", "cherry"]["p_beyond"])


class TestOverBoards:
    def test_mounts_and_takes_are_taken_out(self, rng):
        specimens = specimens_table((12, 12, 12))
        rows = features_table(
            specimens, rng, effect={"robinia": 6.0}, board_sd=2.0, mount_sd=3.0, mounts=2, takes=2
        )
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        board = result.variance.set_index("level").loc["specimen"]
        row = result.effects.iloc[1]
        assert row["over_boards"] == pytest.approx(row["difference"] / board["sd"])
        # True: 6 over 2, and over the means' sqrt(4 + 9 / 2 + ...), which g has.
        assert row["over_boards"] > 1.2 * row["g"]

    def test_g_is_of_the_pair_and_a_wide_third_wood_is_not_in_it(self, rng):
        specimens = specimens_table((6, 6, 6))
        rows = features_table(specimens, rng, board_sd=1.0)
        wide = rows["wood"] == "robinia"
        before = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        rows.loc[wide, "value"] = -20.0 + 9.0 * (rows.loc[wide, "value"] + 20.0)
        after = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        for name in ("g", "g_low", "g_high", "p"):
            assert after[name].iloc[0] == pytest.approx(before[name].iloc[0])


class TestUnits:
    def test_two_woods_with_one_source_each_are_boards_only(self, rng):
        specimens = specimens_table((1, 1), woods=WOODS[:2])
        result = compare(
            features_table(specimens, rng), specimens, woods=WOODS[:2], primary=PRIMARY
        )
        row = result.effects.iloc[0]
        assert row["verdict"] == "boards only"
        assert row[["difference", "low", "high", "p", "p_adjusted", "g"]].isna().all()
        assert len(result.boards) == 1
        assert "wood" not in set(result.variance["level"])
        assert any(
            code_of(note) == "comparison.few_sources"
            and fields_of(note)["woods"] == list(WOODS[:2])
            for note in result.notes
        )

    def test_a_thin_wood_does_not_silence_the_others(self, rng):
        specimens = specimens_table((4, 1, 4))
        result = compare(features_table(specimens, rng), specimens, woods=WOODS, primary=PRIMARY)
        words = result.effects.set_index(["wood_a", "wood_b"])["verdict"]
        assert words["larch", "cherry"] == "boards only"
        assert words["larch", "robinia"] != "boards only"

    def test_smallest_n_of_the_study(self, rng):
        specimens = specimens_table((4, 4, 4))
        result = compare(
            features_table(specimens, rng), specimens, woods=WOODS, primary=PRIMARY, smallest_n=5
        )
        assert set(result.effects["verdict"]) == {"boards only"}

    def test_boards_of_one_plank_count_once(self, rng):
        planks = {f"{w}{i}": f"plank {w}{(i + 1) // 2}" for w in "LCR" for i in (1, 2, 3, 4)}
        specimens = specimens_table(sources=planks)
        result = compare(features_table(specimens, rng), specimens, woods=WOODS, primary=PRIMARY)
        assert set(result.effects["n_a"]) == {2}
        assert set(result.effects["df"].round(9)) == {1.0}
        assert list(result.variance["level"]) == ["wood", "source", "specimen", "mount", "take"]
        shared = fields_of(the_note(result, "comparison.shared_planks"))["woods"]
        assert shared[0] == {"wood": "larch", "boards": 4, "planks": 2}

    def test_one_plank_a_wood_is_boards_only(self, rng):
        planks = {f"{w}{i}": f"plank {w}" for w in "LCR" for i in (1, 2, 3, 4)}
        specimens = specimens_table(sources=planks)
        result = compare(features_table(specimens, rng), specimens, woods=WOODS, primary=PRIMARY)
        assert set(result.effects["verdict"]) == {"boards only"}
        assert "wood" not in set(result.variance["level"])

    def test_equal_plank_names_in_two_woods_are_two_planks(self, rng):
        specimens = specimens_table((2, 2), woods=WOODS[:2])
        specimens["source"] = ["1", "2", "1", "2"]
        result = compare(
            features_table(specimens, rng), specimens, woods=WOODS[:2], primary=PRIMARY
        )
        assert (result.effects.loc[0, "n_a"], result.effects.loc[0, "n_b"]) == (2, 2)

    def test_empty_source_is_a_source_of_its_own(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        expected = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        specimens["source"] = None
        found = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        pd.testing.assert_frame_equal(found, expected)

    def test_means_are_unweighted_at_each_step(self):
        specimens = specimens_table((2, 2), woods=WOODS[:2], sources={"L1": "P", "L2": "P"})
        rows = [("L1", 1, 0.0), ("L1", 1, 2.0), ("L1", 2, 5.0), ("L2", 1, 10.0)]
        rows += [("C1", 1, 1.0), ("C2", 1, 2.0)]
        table = pd.DataFrame(rows, columns=["specimen", "mount", "value"])
        table = table.assign(
            batch="one", feature=PRIMARY[0], usable=True, reason="", take=range(6), id=range(6)
        )
        result = compare(table, specimens, woods=WOODS[:2], primary=PRIMARY)
        # L1: (1 + 5) / 2 = 3; plank P: (3 + 10) / 2 = 6.5.
        assert result.unit_means.loc[0, "value"] == 6.5
        assert result.unit_means.loc[0, ["n_specimens", "n_mounts", "n_takes"]].tolist() == [
            2,
            3,
            4,
        ]
        assert result.specimen_means.loc[0, "value"] == 3.0

    def test_responses_are_averaged_as_complex_ratios_within_a_mount(self):
        specimens = specimens_table((1,), woods=("larch",))
        take = dict(batch="one", specimen="L1", usable=True, reason="")
        rows = []
        for i, (mount, degrees) in enumerate([(1, 0.0), (1, 90.0), (2, 0.0), (2, np.nan)]):
            for name, value in (("response_db", 0.0), ("response_deg", degrees)):
                feature = f"tone.h1.{name}"
                rows.append(
                    dict(take, take=i, id=f"{i}{name}", mount=mount, feature=feature, value=value)
                )
        result = compare(
            pd.DataFrame(rows), specimens, woods=["larch"], primary=["tone.h1.response_db"]
        )
        levels = result.mount_means["value"].to_numpy()
        # |(1 + i) / 2| is 3.01 dB down; without a phase the levels are averaged.
        assert levels == pytest.approx([20 * np.log10(np.sqrt(0.5)), 0.0])
        assert set(result.coverage["feature"]) == {"tone.h1.response_db"}


class TestCoverage:
    @pytest.fixture
    def study(self, rng):
        specimens = specimens_table()
        return features_table(specimens, rng), specimens

    @pytest.mark.parametrize(("count", "compared"), [(1, True), (2, False)])
    def test_five_percent_of_any_wood(self, study, count, compared):
        # 36 takes a wood: one is 2.8 %, two are 5.6 %.
        rows, specimens = study
        rows = below_noise(rows, rows[rows["wood"] == "cherry"].index[:count])
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        cherry = result.coverage.set_index("wood").loc["cherry"]
        assert cherry["below_noise"] == count
        assert cherry["usable"] == 36 - count
        assert result.coverage["compared"].tolist() == [compared] * 3
        if compared:
            assert result.effects["p"].notna().all()
        else:
            assert set(result.effects["verdict"]) == {"open"}
            assert result.effects[["difference", "p", "low"]].isna().all(axis=None)
            quiet = [{"wood": "cherry", "below": 2, "judged": 36}]
            for cell in result.effects["method"]:
                assert code_of(cell) == Method.BELOW_NOISE
                assert fields_of(cell) == {"share": 0.05, "woods": quiet}
            assert result.variance.empty
            refused = fields_of(the_note(result, "comparison.refused"))["refused"]
            assert refused == {PRIMARY[0]: result.effects.loc[0, "method"]}

    @pytest.mark.parametrize(
        ("reason", "method"),
        [
            (note("modes.room_hides", percent=34.0), Method.HIDDEN),
            (note("takes.off_multiple", harmonic=3, cents=2.0, u=0.1), Method.UNSETTLED),
            (note("takes.beats", harmonic=3, swing_db=4.0, apart_hz=1.0), Method.UNSETTLED),
        ],
    )
    def test_decays_and_harmonics_that_are_hidden_are_no_sample_either(self, study, reason, method):
        """Short decays and weak harmonics are lost first: what is left would mislead."""
        rows, specimens = study
        hidden = rows[rows["wood"] == "cherry"].index[:2]
        rows.loc[hidden, ["usable", "reason"]] = [False, reason]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert not result.coverage["compared"].any()
        lost = [{"wood": "cherry", "below": 2, "judged": 36}]
        assert result.effects.loc[0, "method"] == note(method, share=0.05, woods=lost)
        rows.loc[hidden[0], ["usable", "reason"]] = [True, ""]
        assert compare(rows, specimens, woods=WOODS, primary=PRIMARY).coverage["compared"].all()

    def test_claim_on_a_feature_that_is_not_compared(self, study):
        rows, specimens = study
        rows = below_noise(rows, rows[rows["wood"] == "cherry"].index[:9])
        claims = [{"text": "c", "feature": PRIMARY[0], "higher": "robinia", "lower": "larch"}]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY, claims=claims)
        assert result.claims.loc[0, "verdict"] == "open"
        assert code_of(result.claims.loc[0, "reason"]) == Method.BELOW_NOISE

    def test_takes_set_aside_are_counted_by_wood_and_do_not_dilute_the_share(self, study):
        rows, specimens = study
        larch = rows[rows["wood"] == "larch"].index
        rows.loc[larch[:18], "usable"] = False
        slammed = note("takes.excluded", reason="a door slammed")
        rows.loc[larch[:18], "reason"] = [CLIPPED, slammed] * 9
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        counts = result.coverage.set_index("wood").loc["larch"]
        assert (counts["takes"], counts["usable"], counts["set_aside"]) == (36, 18, 18)
        # One of 18 judged takes is 5.6 %, although it is 2.8 % of all takes.
        result = compare(below_noise(rows, larch[-1:]), specimens, woods=WOODS, primary=PRIMARY)
        assert not result.coverage["compared"].any()

    def test_takes_that_are_all_set_aside_are_measured_but_say_nothing(self, rng):
        name = "tone.h1.response_db"
        specimens = specimens_table()
        rows = features_table(specimens, rng, names=[name])
        rows = pd.concat([rows, rows.assign(feature="tone.h1.response_deg", id=rows["id"] + "deg")])
        rows["usable"], rows["reason"] = False, CLIPPED
        result = compare(rows, specimens, woods=WOODS, primary=[name])
        assert set(result.effects["verdict"]) == {"boards only"}
        assert fields_of(the_note(result, "comparison.no_take")) == {"features": [name]}
        assert not has_note(result, "comparison.not_measured")

    def test_a_primary_feature_wholly_below_the_noise_still_has_its_rows(self, study):
        rows, specimens = study
        result = compare(below_noise(rows, rows.index), specimens, woods=WOODS, primary=PRIMARY)
        assert set(result.effects["verdict"]) == {"open"}
        assert set(result.effects["n_a"]) == {0}

    def test_values_that_are_no_numbers_are_left_out(self, study):
        rows, specimens = study
        rows.loc[rows.index[0], "value"] = np.nan
        rows.loc[rows.index[1], "value"] = np.inf
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert result.coverage.loc[0, "usable"] == 34
        assert result.effects["p"].notna().all()

    def test_usable_as_text_is_read(self, study):
        rows, specimens = study
        expected = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        rows["usable"] = rows["usable"].map({True: "True", False: "False"})
        found = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        pd.testing.assert_frame_equal(found, expected)


class TestBatches:
    def test_a_shift_between_batches_cancels(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, batches=2)
        moved = rows.copy()
        moved.loc[moved["batch"] == "day 2", "value"] += 30.0
        one, other = (compare(r, specimens, woods=WOODS, primary=PRIMARY) for r in (rows, moved))
        for column in ("difference", "low", "high", "p", "g"):
            assert other.effects[column].to_numpy() == pytest.approx(one.effects[column])
        assert all(has(cell, Method.BLOCKED) for cell in one.effects["method"])
        assert one.confounded == ""
        assert one.confounding.to_numpy().tolist() == [[w, 2, 2] for w in WOODS]

    def test_boards_measured_in_every_batch(self, rng):
        # Mounts of each board spread over both batches: the shares are equal, batch cancels.
        specimens = specimens_table()
        rows = features_table(specimens, rng, mounts=4)
        rows["batch"] = np.where(rows["mount"] <= 2, "day 1", "day 2")
        moved = rows.copy()
        moved.loc[moved["batch"] == "day 2", "value"] += 30.0
        one, other = (compare(r, specimens, woods=WOODS, primary=PRIMARY) for r in (rows, moved))
        assert other.effects["p"].to_numpy() == pytest.approx(one.effects["p"])
        assert other.variance["variance"].to_numpy() == pytest.approx(
            one.variance["variance"], abs=1e-9
        )

    def test_wood_and_batch_confounded_is_named(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        rows["batch"] = np.where(rows["wood"] == "robinia", "day 2", "day 1")
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert code_of(result.confounded) == "comparison.confounded"
        missing = fields_of(result.confounded)["missing"]
        assert {"wood": "robinia", "batches": ["day 1"]} in missing
        assert result.notes[0] == result.confounded
        assert all(has(cell, Method.CONFOUNDED) for cell in result.effects["method"])
        assert not any(has(cell, Method.BLOCKED) for cell in result.effects["method"])

    def test_a_wood_of_which_nothing_is_said_confounds_nothing(self, rng):
        # Robinia has one board, measured on day 1: larch and cherry still cross both days.
        specimens = specimens_table((4, 4, 1))
        rows = features_table(specimens, rng, batches=2)
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert has(result.effects.loc[0, "method"], Method.BLOCKED)
        assert result.confounded == ""
        assert result.confounding.to_numpy().tolist()[2] == ["robinia", 1, 0]
        assert not has_note(result, "comparison.confounded")
        assert not has_note(result, "comparison.confounded_on")

    def test_a_feature_that_lacks_a_wood_in_one_batch_is_named(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, names=[*PRIMARY, "tone.h2.rel_db"], batches=2)
        gone = (rows["feature"] == PRIMARY[0]) & rows["specimen"].isin(["R1", "R3"])
        result = compare(rows[~gone], specimens, woods=WOODS, primary=PRIMARY)
        assert result.confounded == ""
        assert fields_of(the_note(result, "comparison.confounded_on")) == {"features": PRIMARY}
        assert not has_note(result, "comparison.confounded")

    def test_one_batch_is_said(self, rng):
        specimens = specimens_table()
        result = compare(features_table(specimens, rng), specimens, woods=WOODS, primary=PRIMARY)
        assert has_note(result, "comparison.one_batch")


class TestLimits:
    def test_needed_is_there_for_open_pairs_only(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, effect={"robinia": 9.0})
        effects = compare(
            rows, specimens, woods=WOODS, primary=PRIMARY, limits={PRIMARY[0]: 2.0}
        ).effects
        is_open = effects["verdict"] == "open"
        assert is_open.any()
        assert not is_open.all()
        with_limit = effects["limit"].notna()
        assert (is_open & with_limit).any()
        assert effects.loc[is_open & with_limit, "needed"].str.fullmatch(r"\d+ to .*\d+").all()
        assert (effects.loc[~(is_open & with_limit), "needed"] == "").all()

    def test_default_limits_need_a_microphone_own_ones_do_not(self, rng):
        specimens = specimens_table()
        names = ["pluck.p1.decay_time_s", "tone.h3.rel_db"]
        rows = features_table(specimens, rng, names=names)
        rows["value"] = rows["value"].abs()
        kwargs = dict(woods=WOODS, primary=names, limits={PRIMARY[0]: 1.0})
        heard = compare(rows, specimens, **kwargs)
        assert list(heard.limits["feature"]) == names
        assert heard.limits["own"].tolist() == [False, True]
        relative = compare(rows, specimens, listening=False, **kwargs)
        assert list(relative.limits["feature"]) == PRIMARY
        assert has_note(relative, "comparison.not_heard")
        assert heard.limits["source"].tolist() == ["limits.pluck_decay", "limits.own"]

    @pytest.mark.parametrize(
        ("limits", "code"),
        [({"tone.h3.rel_db": 0.0}, "comparison.limit_db"),
         ({"tone.centroid_hz": 0.9}, "comparison.limit_ratio"),
         ({"tone.h3.rel": 1.0}, "features.unknown")],
    )  # fmt: skip
    def test_a_wrong_limit_is_refused(self, rng, limits, code):
        specimens = specimens_table()
        with pytest.raises(InputError) as caught:
            compare(
                features_table(specimens, rng), specimens, woods=WOODS, primary=[], limits=limits
            )
        assert caught.value.codes == (code,)


class TestStrangeInput:
    def test_unknown_feature(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng).assign(feature="tone.loudness")
        with pytest.raises(InputError) as caught:
            compare(rows, specimens, woods=WOODS, primary=[])
        assert caught.value.codes == ("features.unknown",)

    def test_nothing_measured(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng).iloc[:0]
        claims = [{"text": "c", "feature": PRIMARY[0], "higher": "robinia", "lower": "larch"}]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY, claims=claims)
        assert result.effects.empty
        assert list(result.effects.columns) == EFFECTS
        assert list(result.variance.columns) == VARIANCE
        assert result.claims.loc[0, "reason"] == "claims.not_measured"
        assert fields_of(the_note(result, "comparison.not_measured")) == {"features": PRIMARY}

    def test_controls_and_phases_are_left_out(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        extra = rows.head(3).assign(specimen=None, id=["x", "y", "z"])
        phase = rows.head(3).assign(feature="tone.h3.response_deg", id=["p", "q", "r"])
        expected = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        found = compare(pd.concat([extra, phase, rows]), specimens, woods=WOODS, primary=PRIMARY)
        for name, frame in frames(expected).items():
            assert frames(found)[name].to_csv() == frame.to_csv(), name

    def test_one_wood_has_spreads_but_no_effects(self, rng):
        specimens = specimens_table((4,), woods=("larch",))
        result = compare(
            features_table(specimens, rng), specimens, woods=["larch"], primary=PRIMARY
        )
        assert result.effects.empty
        assert list(result.variance["level"]) == ["specimen", "mount", "take"]

    def test_missing_mounts_are_carried(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        rows = rows[~((rows["specimen"] == "L1") & (rows["mount"] > 1))]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert result.unit_means.loc[0, "n_mounts"] == 1
        assert result.effects["p"].notna().all()

    def test_identical_values_give_no_verdict(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        rows["value"] = 3.0
        effects = compare(rows, specimens, woods=WOODS, primary=PRIMARY).effects
        assert set(effects["verdict"]) == {"open"}
        assert all(has(cell, Method.NO_SPREAD) for cell in effects["method"])

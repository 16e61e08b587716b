"""What the lock expects of the boards before they are recorded, and what came of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from studylib.cli import main
from studylib.codes import code_of, fields_of
from studylib.report.plan import plan_notes
from studylib.report.plan_study import plan_study
from studylib.report.predicted import expected, expected_notes, prediction_table
from studylib.sheets import lock as locks
from studylib.sheets import read_study
from studylib.sheets.lock import Lock, read_locks
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.demo import DEMO
from tests.planned_study import TOML, boards, write_planned

PLACED = (
    TOML
    + """
[curve]
highest_hz = 1500.0
[bench]
drive_at_mm = 100.0
"""
)
TWO = {"larch": 4, "robinia": 4}


def heavier(rows: list[str]) -> list[str]:
    """Robinia's boards weigh 390 g."""
    return [row.replace(",18,25", ",18,39") if "robinia" in row else row for row in rows]


@pytest.fixture
def folder(tmp_path):
    return write_planned(tmp_path / "rails", toml=PLACED, rows=heavier(boards(TWO)))


def lock(folder, *more: str):
    told = CliRunner().invoke(main, ["lock", str(folder), *more])
    assert told.exit_code == 0, told.output
    return told.output


def by_feature(found: dict) -> dict[str, list[float]]:
    return {row[0]: row[3:] for row in found["rows"]}


def test_before_any_tap_the_difference_goes_by_the_density_and_is_wide(folder):
    found = expected(read_unrecorded(folder))
    assert found["notes"] == []
    assert found["by_density"] == [f"{wood}{i}" for wood in "LR" for i in (1, 2, 3, 4)]
    assert [row[:3] for row in found["rows"]] == [
        ["tone.h1.response_db", "larch", "robinia"], ["curve.response_db", "larch", "robinia"],
    ]  # fmt: skip
    for middle, low, high in by_feature(found).values():
        assert low < middle < high
    tone, band = (np.diff(ends[1:])[0] for ends in by_feature(found).values())
    # A tone may lie on either side of a mode; over the band that counts for less.
    assert tone > 3.0 * band
    assert found == json.loads(json.dumps(found))


def test_the_same_boards_are_expected_alike_every_time(folder):
    assert expected(read_unrecorded(folder)) == expected(read_unrecorded(folder))


def test_boards_of_one_wood_in_two_names_differ_by_nothing_within_the_interval(tmp_path):
    own = write_planned(tmp_path / "rails", toml=PLACED, rows=boards(TWO))
    for middle, low, high in by_feature(expected(read_unrecorded(own))).values():
        assert low < 0.0 < high
        assert abs(middle) < (high - low) / 4


def test_the_lock_holds_it_under_its_hash(folder):
    told = lock(folder)
    (made,) = read_locks(folder)
    assert made.content["expected"] == expected(read_unrecorded(folder))
    assert made.whole
    assert "robinia minus larch" in told
    told = CliRunner().invoke(main, ["lock", str(folder), "--verify", made.sha256])
    assert told.exit_code == 0, told.output
    text = (folder / "lock.json").read_text(encoding="utf-8")
    low = repr(made.content["expected"]["rows"][0][4])
    assert text.count(low) == 1
    (folder / "lock.json").write_text(text.replace(low, "-99.0"), encoding="utf-8")
    (forged,) = read_locks(folder)
    assert not forged.whole
    told = CliRunner().invoke(main, ["lock", str(folder), "--verify", made.sha256])
    assert told.exit_code == 2


def test_what_is_expected_is_no_change_of_what_decides(folder):
    lock(folder)
    study = read_unrecorded(folder)
    assert study.changed_since_lock == []
    old = {name: value for name, value in study.lock.content.items() if name != "expected"}
    older = replace(study, locks=(Lock(locks._digest(old), old),))
    assert older.changed_since_lock == []
    assert prediction_table(older, pd.DataFrame(columns=EFFECTS)).empty


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ("drive_at_mm = 100.0", "mains_hz = 50.0", "drive_at_mm under [bench]"),
        ("drive_at_mm = 100.0", "drive_at_mm = 800.0", "lies beyond the end"),
        ("drive_at_mm = 100.0", "drive_at_mm = 100.0\nheard_at_mm = 20.0", "heard_at_mm"),
    ],
)
def test_where_nothing_can_be_expected_the_lock_holds_why(tmp_path, old, new, mend):
    own = write_planned(tmp_path / "r", toml=PLACED.replace(old, new), rows=boards(TWO))
    told = lock(own)
    (made,) = read_locks(own)
    assert made.content["expected"]["rows"] == []
    (why,) = made.content["expected"]["notes"]
    assert mend in say(why)
    assert say(why) in told


def test_a_board_without_mass_is_named(tmp_path):
    rows = [row.replace(",18,251,", ",18,,") for row in boards(TWO)]
    own = write_planned(tmp_path / "rails", toml=PLACED, rows=rows)
    found = expected(read_unrecorded(own))
    (why,) = found["notes"]
    assert code_of(why) == "sealed.nothing"
    assert set(fields_of(why)["boards"]) == {"L2", "R2"}
    assert "mass" in say(why)


def test_beyond_what_bars_do_nothing_is_expected(tmp_path):
    toml = PLACED.replace("highest_hz = 1500.0", "lowest_hz = 100.0")
    own = write_planned(tmp_path / "rails", toml=toml, rows=boards(TWO))
    found = expected(read_unrecorded(own))
    assert [row[0] for row in found["rows"]] == ["tone.h1.response_db"]
    (why,) = found["notes"]
    assert fields_of(why)["feature"] == "curve.response_db"
    assert "[curve]" in say(why)


def test_of_one_wood_or_none_there_is_no_difference(tmp_path):
    for counts in ({"larch": 2}, {}):
        own = write_planned(tmp_path / f"rails{len(counts)}", toml=PLACED, rows=boards(counts))
        found = expected(read_unrecorded(own))
        assert (found["rows"], found["notes"]) == ([], [])


def test_the_plan_says_what_would_be_locked(folder, tmp_path):
    study = read_unrecorded(folder)
    told = plan_notes(plan_study(study))
    own = expected_notes(expected(study))
    assert [code_of(note) for note in own] == ["sealed.by", "sealed.row", "sealed.row"]
    assert set(own) <= set(told)


EFFECTS = ["feature", "wood_a", "wood_b", "difference", "low", "high"]


def test_what_came_of_it_stands_beside_it(folder):
    lock(folder)
    study = read_unrecorded(folder)
    (_, _, _, middle, low, high), (*_, band_low, band_high) = study.lock.content["expected"]["rows"]

    def outcome(*tone: float) -> list[str]:
        effects = pd.DataFrame(
            [["tone.h1.response_db", "larch", "robinia", *tone]], columns=EFFECTS
        )
        table = prediction_table(study, effects)
        assert table.loc[0, ["expected", "expected_low", "expected_high"]].tolist() == [
            middle, low, high,
        ]  # fmt: skip
        assert table.loc[0, ["difference", "low", "high"]].tolist() == list(tone)
        assert table.loc[1, "outcome"] == "sealed.not_measured"
        assert (table.loc[1, "expected_low"], table.loc[1, "expected_high"]) == (
            band_low,
            band_high,
        )
        return table.loc[0, "outcome"]

    assert outcome(middle, middle - 1.0, middle + 1.0) == "sealed.inside"
    assert outcome(high + 1.0, high - 1.0, high + 3.0) == "sealed.open"
    assert outcome(high + 3.0, high + 1.0, high + 5.0) == "sealed.outside"
    assert outcome(low - 3.0, low - 5.0, low - 1.0) == "sealed.outside"


def test_a_study_without_a_lock_has_nothing_beside(folder):
    assert prediction_table(read_unrecorded(folder), pd.DataFrame(columns=EFFECTS)).empty


def test_once_the_key_is_open_the_expected_woods_have_their_names(folder):
    for command in ("blind", "lock"):
        told = CliRunner().invoke(main, [command, str(folder)])
        assert told.exit_code == 0, told.output
    coded = read_unrecorded(folder)
    (_, first, second, *_), _ = coded.lock.content["expected"]["rows"]
    assert first.startswith("wood ")
    own = {first: "larch", second: "robinia"}
    opened = replace(
        coded,
        specimens=tuple(
            s.model_copy(update={"wood": own.get(s.wood, "cherry")}) for s in coded.specimens
        ),
    )
    table = prediction_table(opened, pd.DataFrame(columns=EFFECTS))
    assert table[["wood_a", "wood_b"]].drop_duplicates().to_numpy().tolist() == [
        ["larch", "robinia"]
    ]


def test_taps_that_are_there_already_narrow_it():
    study = read_study(DEMO)
    names = {"L1", "L2", "R1", "R2"}
    few = replace(study, specimens=tuple(s for s in study.specimens if s.specimen in names))
    tapped, bare = expected(few), expected(replace(few, takes=()))
    assert (tapped["by_density"], bare["by_density"]) == ([], sorted(names))
    (tone,), (wide,) = (by_feature(found).values() for found in (tapped, bare))
    # The demo's truth: robinia passes 3.8 to 4 dB less at its tone than larch.
    assert tone[0] == pytest.approx(-4.0, abs=0.8)
    assert wide[1] < tone[0] < wide[2]

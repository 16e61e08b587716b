"""A study that grows: three stages with files, two of them blind, a new wood, walked to the end."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.bench.schedule import write_schedule
from studylib.codes import code_of, fields_of, note
from studylib.errors import InputError
from studylib.modes.gathered import gather
from studylib.report import text
from studylib.report.preregistration import preregistered
from studylib.report.summary import summarise
from studylib.sheets import read_study
from studylib.sheets.blinding import coded_boards, read_blinding
from studylib.sheets.study import read_unrecorded
from studylib.stats.repeat import predicted
from studylib.words import say
from tests.growing_study import TOML, add_boards, blind, lock, record, unblind
from tests.planned_study import write_planned


@pytest.fixture(scope="module")
def grown(tmp_path_factory):
    """The study folder, and what was seen on the way."""
    seen = {}
    folder = write_planned(tmp_path_factory.mktemp("grown") / "rails", toml=TOML, rows=[])
    add_boards(folder, "larch", "robinia", first=1)
    blind(folder, 0)
    write_schedule(read_unrecorded(folder))
    lock(folder, 1)
    record(folder)
    study = read_study(folder)
    seen["coded"] = summarise(study, gather(study))
    assert unblind(folder, 2) == "woods.key.csv"
    study = read_study(folder)
    seen["first"] = summarise(study, gather(study))

    add_boards(folder, "larch", "robinia", "cherry", first=5)
    blind(folder, 10)
    seen["between"] = read_study(folder)
    write_schedule(read_unrecorded(folder), stage=True)
    lock(folder, 11)
    record(folder)
    study = read_study(folder)
    seen["second coded"] = summarise(study, gather(study))
    assert unblind(folder, 12) == "woods.key2.csv"

    add_boards(folder, "cherry", "larch", first=9)
    write_schedule(read_unrecorded(folder), stage=True)
    lock(folder, 21)
    record(folder)
    study = read_study(folder)
    seen["third"] = summarise(study, gather(study))
    return folder, seen


def test_each_stage_has_its_own_boards_days_codes_and_lock(grown):
    folder, _ = grown
    study = read_study(folder)
    assert study.stages == (1, 2, 3)
    assert [sorted(study.of_stages(n).woods) for n in study.stages] == [
        ["larch", "robinia"], ["cherry", "larch", "robinia"], ["cherry", "larch"],
    ]  # fmt: skip
    assert [len(study.of_stages(n).with_role("")) for n in study.stages] == [8, 12, 8]
    assert [study.of_stages(n).batches for n in study.stages] == [("day1",), ("day2",), ("day3",)]
    keys = read_blinding(folder)
    assert [(key.key, len(key.boards), len(key.woods)) for key in keys] == [
        ("woods.key.csv", 8, 2), ("woods.key2.csv", 12, 3),
    ]  # fmt: skip
    assert len(coded_boards(keys)) == 20
    # A report of the first stage is none of the second.
    assert [key.after_run for key in keys] == [True, False]
    for number in study.stages:
        part = study.of_stages(number)
        assert part.lock.content["stage"] == number
        assert part.lock.content["recorded"] == 0
        assert part.changed_since_lock == []
    told = [code_of(one) for one in preregistered(study)]
    assert told.count("preregistration.other_lock") == 2
    assert told.count("preregistration.blind") == 2


def test_opening_one_key_says_nothing_of_the_next(grown):
    _, seen = grown
    assert set(seen["coded"].woods) == {"wood A", "wood B"}
    assert set(seen["first"].woods) == {"larch", "robinia"}
    # New boards that are coded and not planned yet belong to no stage, and the first stands.
    between = seen["between"]
    assert between.stages == (1,)
    assert {"wood C", "wood D", "wood E", "larch", "robinia"} == set(between.woods)
    assert set(between.of_stages(1).woods) == {"larch", "robinia"}
    assert not between.of_stages(1).coded
    assert set(between.from_stage(2).woods) == {"wood C", "wood D", "wood E"}
    assert set(seen["second coded"].woods) == {"wood C", "wood D", "wood E"}
    assert set(seen["second coded"].comparison.claims["reason"]) == {"claims.coded"}
    assert seen["second coded"].stages.empty


def test_a_later_stage_repeats_and_all_together_have_no_verdict(grown):
    _, seen = grown
    assert seen["first"].stages.empty
    rows = seen["third"].stages
    woods = [{row.wood_a, row.wood_b} for row in rows.itertuples()]
    pair = rows[[both == {"larch", "robinia"} for both in woods]]
    assert pair["stage"].tolist() == [1, 2, 0]
    assert pair["outcome"].tolist() == ["different", "repeated", ""]
    second, together = pair.iloc[1], pair.iloc[2]
    # The wood's own 8 dB, boards spread by 0.5 dB: wide of neither end.
    assert second["predicted_low"] < second["difference"] < second["predicted_high"]
    assert sorted([together["n_a"], together["n_b"]]) == [8, 12]
    robinia_last = 1 if together["wood_b"] == "robinia" else -1
    assert together["low"] < 8.0 * robinia_last < together["high"]
    assert np.isnan(together["p"])
    # The new wood is in no claim of the locks: exploratory, and nothing that could be repeated.
    assert not any("cherry" in both for both in woods)
    effects = seen["third"].comparison.effects
    cherry = effects[(effects["wood_a"] == "cherry") | (effects["wood_b"] == "cherry")]
    assert set(cherry["role"]) == {"exploratory"}


def test_the_report_says_what_repeats_and_what_is_no_verdict(grown):
    _, seen = grown
    said = [say(one) for one in text.take_home(seen["third"])]
    (again,) = [one for one in said if "was declared in an earlier stage" in one]
    assert "larch" in again
    assert "robinia" in again
    assert "Stage 2 alone, with other boards, repeats it" in again
    together = [one for one in said if "all stages together" in one]
    assert len(together) == 1
    assert all("no verdict" in one for one in together)


def test_a_stage_needs_new_boards_and_a_wood_of_the_others(tmp_path):
    folder = write_planned(tmp_path / "rails", toml=TOML, rows=[])
    add_boards(folder, "larch", "robinia", first=1)
    write_schedule(read_unrecorded(folder))
    with pytest.raises(InputError) as caught:
        write_schedule(read_unrecorded(folder), stage=True)
    assert caught.value.notes == (note("bench.no_new_boards", file="specimens.csv"),)
    add_boards(folder, "cherry", first=1)
    with pytest.raises(InputError) as caught:
        write_schedule(read_unrecorded(folder), stage=True)
    assert fields_of(caught.value.notes[0])["woods"] == ["larch", "robinia"]
    # So also behind codes: the key's own names are enough, and say nothing of the codes.
    blind(folder, 1)
    with pytest.raises(InputError) as caught:
        write_schedule(read_unrecorded(folder), stage=True)
    assert code_of(caught.value.notes[0]) == "bench.strange_stage"


def test_a_key_of_another_stage_is_one_sentence(grown):
    folder, _ = grown
    own = (folder / "woods.key2.csv").read_bytes()
    (folder / "woods.key2.csv").write_bytes((folder / "woods.key.csv").read_bytes())
    with pytest.raises(InputError) as caught:
        read_study(folder)
    (folder / "woods.key2.csv").write_bytes(own)
    assert caught.value.codes == ("records.other_key",)
    assert "woods.key2.csv" in str(caught.value)


@pytest.mark.parametrize(("n", "m", "ratio"), [((4, 4), (4, 4), 1.0), ((3, 6), (8, 2), 3.0)])
def test_a_prediction_interval_holds_the_repetition_as_often_as_it_says(n, m, ratio):
    """By simulation: two woods of unequal spreads, a stage, and its repetition."""
    rng, runs, hits = np.random.default_rng(1), 4000, 0
    sd = (1.0, ratio)
    for _ in range(runs):
        first = [rng.normal(0.0, s, count) for s, count in zip(sd, n, strict=True)]
        again = [rng.normal(0.0, s, count) for s, count in zip(sd, m, strict=True)]
        low, high = predicted(
            first[1].mean() - first[0].mean(),
            tuple(x.var(ddof=1) for x in first),
            n,
            m,
            confidence=0.95,
        )
        hits += low <= again[1].mean() - again[0].mean() <= high
    assert 0.935 <= hits / runs <= 0.97  # standard error 0.0034

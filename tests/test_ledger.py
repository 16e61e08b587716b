"""The ledger: what counts as a look, what it keeps, and what it tells of a line that is missing."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime

import pandas as pd
import pytest
from click.testing import CliRunner

from studylib.bench.schedule import write_schedule
from studylib.cli import main
from studylib.codes import code_of, fields_of, has, several
from studylib.modes.gathered import gather
from studylib.report.made import made_of
from studylib.report.preregistration import looks_of, preregistered
from studylib.report.summary import summarise
from studylib.sheets import read_study
from studylib.sheets.records import LEDGER, Ledger, add_entry, read_ledger
from studylib.sheets.study import read_unrecorded
from studylib.stats.looks import rate_of
from studylib.words import say
from tests.growing_study import TOML, add_boards, blind, lock, record, unblind
from tests.planned_study import write_planned

NOON = datetime(2026, 3, 2, 12)
SHARED = (1 - 0.0293, 1 - 0.025)  # by two looks; the second where one wood spreads far wider


def boards(**recordings: str) -> dict[str, frozenset[str]]:
    return {name: frozenset(own.split()) for name, own in recordings.items()}


FOUR = boards(L1="a b", L2="c", R1="d", R2="e")
SIX = FOUR | boards(L3="f", R3="g")


def written(folder, *entries) -> Ledger:
    for entry in entries:
        add_entry(folder, entry, when=NOON)
    return read_ledger(folder)


def test_a_look_has_a_board_more(tmp_path):
    assert written(tmp_path).looks(FOUR) == (4,)
    assert written(tmp_path, FOUR).looks(FOUR) == (4,)
    assert written(tmp_path, FOUR).looks(SIX) == (4, 6)
    assert written(tmp_path, SIX).looks(SIX) == (4, 6)


@pytest.mark.parametrize(
    "again",
    [
        boards(L1="a", L2="c", R1="d", R2="e"),  # a take left out
        boards(A01="a b", A02="c", A03="d", A04="e"),  # other names: a key opened, a slip mended
        boards(L1="a b h", L2="c", R1="d", R2="e"),  # a take more
        boards(L1="a b", R1="d"),  # boards left out
    ],
)
def test_a_rerun_or_a_corrected_sheet_is_an_entry_and_no_look(tmp_path, again):
    ledger = written(tmp_path, FOUR, again)
    assert len(ledger.entries) == 2
    assert ledger.looks(again) == (4,)


def test_a_board_changed_for_another_is_a_look(tmp_path):
    assert written(tmp_path, FOUR).looks(boards(L1="a b", L2="c", R1="d", R4="x")) == (4, 5)


def test_other_boards_are_another_stage(tmp_path):
    other = boards(L5="p", R5="q")
    ledger = written(tmp_path, FOUR, other, SIX)
    assert ledger.looks(other) == (2,)
    assert ledger.looks(SIX) == (4, 6)
    assert ledger.looks(SIX | other) == (4, 6, 8)


def test_each_line_holds_the_one_before(tmp_path):
    ledger = written(tmp_path, FOUR, SIX)
    first, second = (tmp_path / LEDGER).read_bytes().splitlines()
    assert json.loads(second)["previous"] == hashlib.sha256(first).hexdigest()
    assert json.loads(first) == {
        "boards": {"L1": ["a", "b"], "L2": ["c"], "R1": ["d"], "R2": ["e"]},
        "previous": "",
        "when": "2026-03-02T12:00",
    }
    assert (ledger.whole, ledger.last) == (True, hashlib.sha256(second).hexdigest())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda lines: lines[1:],
        lambda lines: [lines[0], lines[2]],
        lambda lines: [lines[0].replace(b"L1", b"L9"), *lines[1:]],
        lambda lines: [lines[0], b"not a line of it", lines[2]],
        lambda lines: [lines[0], b'{"boards": [1], "previous": ""}', lines[2]],
        lambda lines: [lines[0], b"[]", lines[2]],
    ],
)
def test_a_missing_or_changed_line_shows_and_nothing_is_lost(tmp_path, spoil):
    written(tmp_path, FOUR, SIX, SIX)
    path = tmp_path / LEDGER
    spoilt = b"\n".join(spoil(path.read_bytes().splitlines()))
    path.write_bytes(spoilt)
    assert not read_ledger(tmp_path).whole
    add_entry(tmp_path, SIX, when=NOON)
    assert path.read_bytes().startswith(spoilt + b"\n")
    assert not read_ledger(tmp_path).whole
    assert read_ledger(tmp_path).entries[-1] == SIX


@pytest.fixture
def folder(tmp_path):
    """Eight boards, planned, locked before the first recording, recorded."""
    folder = write_planned(tmp_path / "rails", toml=TOML, rows=[])
    add_boards(folder, "larch", "robinia", first=1)
    return folder


def recorded(folder, *, stage: bool = False, day: int = 1):
    write_schedule(read_unrecorded(folder), stage=stage)
    lock(folder, day)
    record(folder)
    return read_study(folder)


def looks_note(study) -> dict:
    (told,) = [each for each in preregistered(study) if code_of(each) == "preregistration.looks"]
    say(told)
    return fields_of(told)


def plan_looks(folder, looks: int) -> None:
    toml = folder / "study.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("[decide]", f"[decide]\nlooks = {looks}"), encoding="utf-8")


def test_looks_that_nobody_planned_are_counted_and_named_beside_each_verdict(folder):
    study = recorded(folder)
    whole = study.boards_recorded()
    assert len(whole) == 8
    gathered = gather(study)
    first = summarise(study, gathered)
    assert looks_note(study)["number"] == 1
    assert not any("caveats.looks" in cell for cell in first.comparison.effects["caveats"])
    for names in (("L1", "R1", "L2", "R2"), ("L1", "R1", "L2", "R2", "L3", "R3")):
        add_entry(folder, {name: whole[name] for name in names}, when=NOON)
        assert has(several(made_of(study, gathered).at_large), "caveats.looks")
    told = looks_note(study)
    assert (told["number"], told["planned"]) == (3, 1)
    assert told["rate"] == pytest.approx(rate_of(0.05, (4, 6, 8)))
    assert "look 3" in say(preregistered(study)[2])
    found = summarise(study, gathered)
    assert all("caveats.looks" in cell for cell in found.comparison.effects["caveats"])
    assert "caveats.looks" in found.comparison.claims["caveats"][0]
    (folder / LEDGER).write_bytes(b"a line that is none\n")
    seen = looks_of(study)
    assert (seen.number, seen.whole) == (1, False)
    broken = summarise(study, gathered).comparison.effects["caveats"]
    assert all("caveats.looks" in cell for cell in broken)
    assert "cannot be told" in say(broken[0])


def test_boards_of_a_batch_that_was_not_shown_are_not_seen_yet(folder):
    study = recorded(folder)
    assert len(study.boards_recorded()) == 8
    assert study.boards_recorded(failed=study.batches) == {}
    assert looks_of(study, failed=study.batches).number == 0


def test_planned_looks_join_the_stages_and_share_the_error(folder):
    plan_looks(folder, 2)
    study = recorded(folder)
    first = summarise(study, gather(study))
    assert round(first.confidence, 4) in SHARED
    add_entry(folder, study.boards_recorded(), when=NOON)
    add_boards(folder, "larch", "robinia", first=5)
    blind(folder, 10)
    study = recorded(folder, stage=True, day=11)
    coded = summarise(study, gather(study))
    assert coded.study.stages == (2,)
    unblind(folder, 12)
    study = read_study(folder)
    both = summarise(study, gather(study))
    assert both.study.stages == (1, 2)
    assert both.stages.empty
    effect = both.comparison.effects.iloc[0]
    assert (effect["n_a"], effect["n_b"], effect["role"]) == (8, 8, "primary")
    assert round(both.confidence, 4) in SHARED
    assert list(both.comparison.claims["verdict"]) == ["supported"]
    told = looks_note(study)
    assert (told["number"], told["planned"]) == (2, 2)
    assert "caveats.looks" not in effect["caveats"]


def test_a_change_in_an_earlier_stage_is_seen_where_stages_are_joined(folder):
    plan_looks(folder, 2)
    recorded(folder)
    add_boards(folder, "larch", "robinia", first=5)
    study = recorded(folder, stage=True, day=11)
    assert study.compared.changed_since_lock == []
    sheet = folder / "specimens.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("L1,larch", "L1,robinia"))
    changed = read_study(folder).compared.changed_since_lock
    assert [code_of(each) for each in changed] == ["records.cells_changed"]


def test_a_claim_written_for_a_later_stage_is_locked_with_that_stage(folder):
    recorded(folder)
    add_boards(folder, "larch", "robinia", "cherry", first=5)
    with (folder / "study.toml").open("a", encoding="utf-8") as toml:
        toml.write(
            '[[claim]]\ntext = "Cherry passes more than larch"\n'
            'feature = "tone.h1.response_db"\nhigher = "cherry"\nlower = "larch"\n'
        )
    study = recorded(folder, stage=True, day=11)
    assert study.compared.changed_since_lock == []
    assert [fields_of(each) for each in study.of_stages(1).changed_since_lock] == [
        {"claim": "Cherry passes more than larch"}
    ]
    found = summarise(study, gather(study)).comparison
    effects = found.effects[found.effects["role"] == "primary"]
    assert {(r.wood_a, r.wood_b) for r in effects.itertuples()} == {
        ("larch", "robinia"),
        ("larch", "cherry"),
    }
    assert list(found.claims["verdict"]) == ["supported", "supported"]


def test_looks_are_planned_before_the_first_recording(folder):
    recorded(folder)
    add_boards(folder, "larch", "robinia", first=5)
    write_schedule(read_unrecorded(folder), stage=True)
    plan_looks(folder, 3)
    before = (folder / "lock.json").read_bytes()
    result = CliRunner().invoke(main, ["lock", str(folder)])
    assert result.exit_code == 2
    (fault,) = read_unrecorded(folder).looks_at_fault
    assert fields_of(fault)["before"] == 1
    assert result.stderr == say(fault) + "\n"
    assert (folder / "lock.json").read_bytes() == before


def test_looks_changed_after_the_lock_stay_as_they_were_locked(folder):
    plan_looks(folder, 2)
    recorded(folder)
    toml = folder / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("looks = 2", "looks = 1"))
    study = read_study(folder)
    assert study.looks == 2
    assert [fields_of(each)["key"] for each in study.changed_since_lock] == ["looks"]
    assert round(summarise(study, gather(study)).confidence, 4) in SHARED


def test_looks_without_a_lock_are_planned_and_not_counted(folder):
    plan_looks(folder, 2)
    write_schedule(read_unrecorded(folder))
    record(folder)
    study = read_study(folder)
    assert looks_note(study)["number"] == 0
    assert isinstance(summarise(study, gather(study)).comparison.effects, pd.DataFrame)

"""Codes in place of woods, the key, and its opening; and the lock on claims and choices."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from datetime import datetime

import pytest

from studylib.bench.schedule import write_schedule
from studylib.codes import code_of, fields_of, note
from studylib.codes.sheets import Change, SettingsFault
from studylib.codes.sheets import RecordFault as Fault
from studylib.errors import InputError
from studylib.report import preregistration
from studylib.sheets import read_study
from studylib.sheets.records import (
    _digest,
    changes_since,
    code_specimens,
    named,
    open_key,
    read_blinding,
    read_lock,
    write_lock,
)
from studylib.sheets.study import file_hashes, read_unrecorded
from studylib.words import say
from tests.notes import holds
from tests.planned_study import TOML, boards, write_planned

MONDAY, TUESDAY = datetime(2026, 3, 2, 9, 5), datetime(2026, 3, 3, 17, 0)
NAMES = ("larch", "cherry", "robinia", "L1", "C2", "R3", "REF", "rift", "fine")


def coded(folder, seed=1):
    return code_specimens(folder, compare="wood", when=MONDAY, rng=random.Random(seed))


def opened(folder):
    study = read_unrecorded(folder)
    return open_key(
        folder, specimens=study.specimens, compare="wood", when=TUESDAY, after_run=False
    )


def test_specimens_hold_codes_and_nothing_that_names_a_wood(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    text = (folder / "specimens.csv").read_text(encoding="utf-8")
    assert not [name for name in NAMES if name in text]
    study = read_unrecorded(folder)
    assert sorted(study.boards_by_wood) == ["wood A", "wood B", "wood C"]
    assert {len(own) for own in study.boards_by_wood.values()} == {4}
    assert [s.role for s in study.specimens if s.role] in (
        ["reference", "changed"], ["changed", "reference"],
    )  # fmt: skip


def test_the_key_brings_everything_back(tmp_path):
    folder = write_planned(tmp_path / "rails")
    before = {s.mass_g: s for s in read_unrecorded(folder).specimens if s.wood == "larch"}
    coded(folder)
    write_schedule(read_unrecorded(folder))
    while_blind = read_study(folder)
    assert while_blind.woods != ("larch",)
    opened(folder)
    study = read_study(folder)
    assert set(study.woods) == {"larch", "cherry", "robinia"}
    for specimen in study.specimens:
        if specimen.wood == "larch":
            own = before[specimen.mass_g]
            assert (specimen.source, specimen.grain, specimen.note) == (
                own.source, own.grain, own.note,
            )  # fmt: skip
    assert read_blinding(folder).opened == "2026-03-03T17:00"


def test_order_and_letters_say_nothing_of_the_woods(tmp_path):
    """Over many codings each wood gets each letter, and each board each place, about as often."""
    first = {"wood A": 0, "wood B": 0, "wood C": 0}
    at_top = 0
    for seed in range(60):
        folder = write_planned(tmp_path / str(seed))
        coded(folder, seed)
        opened(folder)
        key = (folder / "woods.key.csv").read_text(encoding="utf-8").splitlines()[1:]
        letters = {row.split(",")[2]: row.split(",")[3] for row in key}
        first[letters["larch"]] += 1
        at_top += key[0].split(",")[2] == "larch"
    assert min(first.values()) >= 8  # 20 expected, sd 3.7
    assert 6 <= at_top <= 30  # 4 boards of 14: 17 expected, sd 3.5


def test_new_boards_are_coded_into_the_same_key(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    known = dict(
        (row.split(",")[2], row.split(",")[3])
        for row in (folder / "woods.key.csv").read_text(encoding="utf-8").splitlines()[1:]
    )
    before = (folder / "specimens.csv").read_text(encoding="utf-8")
    with (folder / "specimens.csv").open("a", encoding="utf-8") as file:
        file.write("L9,larch,larch plank 9,745,38,18,299,9,,,\n")
    again = code_specimens(folder, compare="wood", when=TUESDAY, rng=random.Random(2))
    text = (folder / "specimens.csv").read_text(encoding="utf-8")
    assert text.startswith(before)
    assert text.splitlines()[-1].startswith(f"B15,{known['larch']},plank 13,")
    assert again.coded == ("2026-03-02T09:05", "2026-03-03T17:00")
    with pytest.raises(InputError) as caught:
        coded(folder)
    assert caught.value.codes == (Fault.ALL_CODED,)


def test_claims_may_name_the_woods_and_wait_for_the_key(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    write_schedule(read_unrecorded(folder))
    study = read_study(folder)
    assert study.settings.claims[0].higher == "larch"
    blind = fields_of(preregistration.preregistered(study)[1])
    assert (len(blind["coded"]), blind["opened"]) == (1, "")
    assert "the key is not opened" in say(preregistration.preregistered(study)[1])
    toml = TOML.replace('higher = "larch"', 'higher = "larsh"')
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_study(folder)
    names = {"value": "larsh", "nearest": "larch"}
    assert holds(caught.value.notes[0], SettingsFault.CLAIM_UNKNOWN_WOOD, **names)


def test_a_key_counts_among_the_inputs_only_when_it_was_opened(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    write_schedule(read_unrecorded(folder))
    assert "woods.key.csv" not in file_hashes(read_study(folder))
    opened(folder)
    assert "woods.key.csv" in file_hashes(read_study(folder))


@pytest.mark.parametrize(
    ("spoil", "code", "fields"),
    [
        (lambda f: (f / "woods.key.csv").unlink(), Fault.NO_KEY, {"file": "woods.key.csv"}),
        (
            lambda f: (f / "woods.key.csv").write_text(
                (f / "woods.key.csv").read_text().replace("larch", "cherry", 1)
            ),
            Fault.OTHER_KEY,
            {"file": "woods.key.csv", "record": "blind.json"},
        ),
        (
            lambda f: (f / "specimens.csv").write_text(
                (f / "specimens.csv").read_text().replace("B03,", "B33,")
            ),
            Fault.NOT_IN_KEY,
            {"file": "specimens.csv", "row": 4, "column": "specimen", "value": "B33"},
        ),
        (
            lambda f: (f / "specimens.csv").write_text(
                (f / "specimens.csv").read_text().replace("wood B", "wood A", 1)
            ),
            Fault.OTHER_CODE,
            {"file": "specimens.csv", "column": "wood", "value": "wood A", "code": "wood B"},
        ),
    ],
)
def test_a_key_that_does_not_fit_is_one_clear_fault(tmp_path, spoil, code, fields):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    spoil(folder)
    with pytest.raises(InputError) as caught:
        opened(folder)
    assert holds(caught.value.notes[0], code, **fields)
    assert say(caught.value.notes[0])
    assert read_blinding(folder).opened == ""


def test_a_key_without_the_column_that_is_compared_now(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    study = read_unrecorded(folder)
    with pytest.raises(InputError) as caught:
        named(folder, read_blinding(folder), study.specimens, compare="finish")
    file = "woods.key.csv"
    assert holds(caught.value.notes[0], Fault.KEY_WITHOUT_COLUMN, file=file, column="finish")


def test_what_was_opened_stays_open_and_what_is_not_blind_has_no_key(tmp_path):
    folder = write_planned(tmp_path / "rails")
    with pytest.raises(InputError) as caught:
        opened(folder)
    assert caught.value.codes == (Fault.NOT_BLIND,)
    coded(folder)
    opened(folder)
    for again, code in ((opened, Fault.OPENED_ALREADY), (coded, Fault.ONCE_OPENED)):
        with pytest.raises(InputError) as caught:
            again(folder)
        assert holds(caught.value.notes[0], code, opened="2026-03-03T17:00")


def test_a_key_of_unknown_origin_is_not_written_over(tmp_path):
    folder = write_planned(tmp_path / "rails")
    (folder / "woods.key.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        coded(folder)
    assert caught.value.codes == (Fault.STRANGE_KEY,)
    assert (folder / "woods.key.csv").read_text(encoding="utf-8") == "mine"


def locked(folder, recorded=0):
    study = read_unrecorded(folder)
    return write_lock(folder, study.settings, study.specimens, recorded=recorded, when=MONDAY)


def test_a_locked_study_that_stays_as_it_was_says_so(tmp_path):
    folder = write_planned(tmp_path / "rails")
    made = locked(folder)
    write_schedule(read_unrecorded(folder))
    study = read_study(folder)
    assert study.lock == made == read_lock(folder)
    assert changes_since(made, study.settings, study.specimens) == []
    locked_as = preregistration.preregistered(study)[0]
    assert locked_as == note(
        "preregistration.locked", when="2026-03-02 09:05", sha256=made.sha256, recorded=0, changes=0
    )
    assert "Nothing has changed since" in say(locked_as)


def test_every_kind_of_change_is_listed(tmp_path):
    folder = write_planned(tmp_path / "rails")
    made = locked(folder)
    toml = TOML.replace('"tone.h1.response_db" = 1.0', '"tone.h1.response_db" = 2.0')
    toml = toml.replace("Larch passes more", "Larch passes far more")
    toml = toml.replace("[decide]", "[decide]\nconfidence = 0.9", 1)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    rows = boards({"larch": 5, "cherry": 4, "robinia": 3})
    text = (folder / "specimens.csv").read_text(encoding="utf-8").splitlines()[0]
    (folder / "specimens.csv").write_text("\n".join([text, *rows]) + "\n", encoding="utf-8")
    study = read_unrecorded(folder)
    changes = changes_since(made, study.settings, study.specimens)
    limits = {"tone.h1.response_db": 1.0}, {"tone.h1.response_db": 2.0}
    for change, (code, fields) in zip(
        changes,
        [
            (Change.SETTING, {"key": "confidence", "before": 0.95, "now": 0.9}),
            (Change.SETTING, {"key": "limits", "before": limits[0], "now": limits[1]}),
            (Change.CLAIM_REMOVED, {"claim": "Larch passes more of the tone than robinia"}),
            (Change.CLAIM_ADDED, {"claim": "Larch passes far more of the tone than robinia"}),
            (Change.BOARDS_REMOVED, {"file": "specimens.csv", "names": ["R4"]}),
            (Change.BOARDS_ADDED, {"file": "specimens.csv", "names": ["L5"]}),
        ],
        strict=True,
    ):
        assert holds(change, code, **fields)
    assert say(changes[1]) == (
        'study.toml, [decide] limits: {"tone.h1.response_db": 1.0} when locked, '
        '{"tone.h1.response_db": 2.0} now.'
    )


def test_a_key_that_is_younger_than_the_lock_stood_at_its_default(tmp_path):
    folder = write_planned(tmp_path / "rails")
    made = locked(folder)
    older = json.loads(json.dumps(made.content))
    del older["settings"]["study"]["beside"], older["settings"]["decide"]["take_out_drift"]
    older = replace(made, content=older, sha256=_digest(older))
    study = read_unrecorded(folder)
    assert changes_since(older, study.settings, study.specimens) == []
    toml = TOML.replace("[decide]", "[decide]\ntake_out_drift = true", 1)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    study = read_unrecorded(folder)
    (change,) = changes_since(older, study.settings, study.specimens)
    key = {"section": "[decide]", "key": "take_out_drift"}
    assert holds(change, Change.SETTING, **key, before=False, now=True)


def test_the_plan_is_no_choice_of_the_analysis(tmp_path):
    folder = write_planned(tmp_path / "rails")
    made = locked(folder)
    (folder / "study.toml").write_text(TOML.replace("seed = 172", "mounts = 4"), encoding="utf-8")
    study = read_unrecorded(folder)
    assert changes_since(made, study.settings, study.specimens) == []


def test_a_lock_that_was_edited_gives_itself_away(tmp_path):
    folder = write_planned(tmp_path / "rails")
    locked(folder)
    content = json.loads((folder / "lock.json").read_text(encoding="utf-8"))
    content["settings"]["decide"]["confidence"] = 0.9
    (folder / "lock.json").write_text(json.dumps(content), encoding="utf-8")
    study = read_unrecorded(folder)
    said = changes_since(read_lock(folder), study.settings, study.specimens)
    assert code_of(said[0]) == Change.LOCK


def test_a_lock_is_not_made_twice_and_a_late_one_says_so(tmp_path):
    folder = write_planned(tmp_path / "rails")
    locked(folder, recorded=3)
    write_schedule(read_unrecorded(folder))
    assert fields_of(preregistration.preregistered(read_study(folder))[0])["recorded"] == 3
    with pytest.raises(InputError) as caught:
        locked(folder)
    assert holds(caught.value.notes[0], Fault.LOCKED_ALREADY, locked="2026-03-02T09:05")


def test_records_that_cannot_be_read_are_told_together(tmp_path):
    folder = write_planned(tmp_path / "rails")
    write_schedule(read_unrecorded(folder))
    for name in ("lock.json", "blind.json", "schedule.json"):
        (folder / name).write_text("[]", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_study(folder)
    for told, (name, command) in zip(
        caught.value.notes[:3],
        [("schedule.json", "plan"), ("blind.json", "blind"), ("lock.json", "lock")],
        strict=True,
    ):
        assert holds(told, Fault.UNREADABLE, file=name, command=command)

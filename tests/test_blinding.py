"""Codes in place of woods, the keys, and their opening."""

from __future__ import annotations

import random
from datetime import datetime

import pytest

from studylib.bench.schedule import write_schedule
from studylib.codes import fields_of
from studylib.errors import InputError
from studylib.report import preregistration
from studylib.sheets import read_study
from studylib.sheets.blinding import code_specimens, named, open_key, read_blinding
from studylib.sheets.study import file_hashes, read_unrecorded
from studylib.words import say
from tests.notes import holds
from tests.planned_study import TOML, write_planned

MONDAY, TUESDAY = datetime(2026, 3, 2, 9, 5), datetime(2026, 3, 3, 17, 0)
NAMES = ("larch", "cherry", "robinia", "L1", "C2", "R3", "REF", "rift", "fine")


def coded(folder, seed=1):
    return code_specimens(folder, compare="wood", when=MONDAY, rng=random.Random(seed))


def opened(folder):
    study = read_unrecorded(folder)
    return open_key(folder, specimens=study.specimens, compare="wood", when=TUESDAY)


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
    assert [key.opened for key in read_blinding(folder)] == ["2026-03-03T17:00"]


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
    assert caught.value.codes == ("records.all_coded",)


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
    assert holds(caught.value.notes[0], "settings.claim_unknown_wood", **names)


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
        (lambda f: (f / "woods.key.csv").unlink(), "records.no_key", {"file": "woods.key.csv"}),
        (
            lambda f: (f / "woods.key.csv").write_text(
                (f / "woods.key.csv").read_text().replace("larch", "cherry", 1)
            ),
            "records.other_key",
            {"file": "woods.key.csv", "record": "blind.json"},
        ),
        (
            lambda f: (f / "specimens.csv").write_text(
                (f / "specimens.csv").read_text().replace("B03,", "B33,")
            ),
            "records.not_in_key",
            {"file": "specimens.csv", "row": 4, "column": "specimen", "value": "B33"},
        ),
        (
            lambda f: (f / "specimens.csv").write_text(
                (f / "specimens.csv").read_text().replace("wood B", "wood A", 1)
            ),
            "records.other_code",
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
    assert [key.opened for key in read_blinding(folder)] == [""]


def test_a_key_without_the_column_that_is_compared_now(tmp_path):
    folder = write_planned(tmp_path / "rails")
    coded(folder)
    opened(folder)
    study = read_unrecorded(folder)
    with pytest.raises(InputError) as caught:
        named(folder, read_blinding(folder), study.specimens, compare="finish")
    file = "woods.key.csv"
    assert holds(caught.value.notes[0], "records.key_without_column", file=file, column="finish")


def test_what_was_opened_stays_open_and_what_is_not_blind_has_no_key(tmp_path):
    folder = write_planned(tmp_path / "rails")
    with pytest.raises(InputError) as caught:
        opened(folder)
    assert caught.value.codes == ("records.not_blind",)
    coded(folder)
    opened(folder)
    with pytest.raises(InputError) as caught:
        opened(folder)
    assert holds(caught.value.notes[0], "records.opened_already", opened="2026-03-03T17:00")
    with pytest.raises(InputError) as caught:
        coded(folder)
    assert caught.value.codes == ("records.all_coded",)


def test_a_key_of_unknown_origin_is_not_written_over(tmp_path):
    folder = write_planned(tmp_path / "rails")
    (folder / "woods.key.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        coded(folder)
    assert caught.value.codes == ("records.strange_key",)
    assert (folder / "woods.key.csv").read_text(encoding="utf-8") == "mine"


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
        assert holds(told, "records.unreadable", file=name, command=command)

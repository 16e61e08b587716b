"""The lock: what it holds, what it refuses, how it is amended, and what a third person can tell."""

from __future__ import annotations

import json
import random
from datetime import datetime

import pytest
from click.testing import CliRunner

from studylib.bench.schedule import write_schedule
from studylib.cli import main
from studylib.codes import code_of, fields_of, note
from studylib.errors import InputError
from studylib.report import preregistration
from studylib.sheets import lock as locks
from studylib.sheets import read_study
from studylib.sheets.blinding import code_specimens
from studylib.sheets.lock import (
    Lock,
    add_lock,
    changes_since,
    lock_of,
    read_locks,
    touches_verdicts,
    verified,
)
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.notes import holds
from tests.planned_study import write_planned

MONDAY, TUESDAY = datetime(2026, 3, 2, 9, 5), datetime(2026, 3, 3, 17, 0)


def locked(folder, *, recorded=0, when=MONDAY, amend=False) -> Lock:
    study = read_unrecorded(folder)
    return add_lock(folder, study.decided(1), stage=1, recorded=recorded, when=when, amend=amend)


@pytest.fixture
def folder(tmp_path):
    """A planned study whose takes are all in takes.csv."""
    folder = write_planned(tmp_path / "rails")
    write_schedule(read_unrecorded(folder))
    return folder


def rewrite(folder, name: str, *pairs: tuple[str, str]) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / name).write_text(text, encoding="utf-8")


def changes(folder, made: Lock) -> list[str]:
    return changes_since(made, read_unrecorded(folder).decided(1))


def study(*arguments: object):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_a_locked_study_that_stays_as_it_was_says_so(folder):
    made = locked(folder)
    study = read_study(folder)
    assert study.lock == made == read_locks(folder)[0]
    assert study.changed_since_lock == preregistration.touched(study) == []
    told = preregistration.preregistered(study)[0]
    assert told == note(
        "preregistration.locked", when="2026-03-02 09:05", sha256=made.sha256, recorded=0, changes=0
    )
    assert "Nothing has changed since" in say(told)


def test_every_kind_of_change_is_listed_with_before_and_after(folder):
    """A board under another wood, planks merged, a mass edited, takes left out or deleted: whatever
    decides is seen, row by row."""
    made = locked(folder)
    rewrite(
        folder, "study.toml",
        ('"tone.h1.response_db" = 1.0', '"tone.h1.response_db" = 2.0'),
        ("Larch passes more", "Larch passes far more"),
        ("[decide]", "[decide]\nconfidence = 0.9"),
        ("seed = 172", "mounts = 4"),  # the plan is no choice of the analysis
    )  # fmt: skip
    rows = (folder / "specimens.csv").read_text(encoding="utf-8").splitlines()
    assert rows[1].startswith("L1,larch,larch plank 1,")
    rows[1] = rows[1].replace("L1,larch,larch plank 1", "L1,robinia,larch plank 1")
    rows[2] = rows[2].replace("larch plank 2", "larch plank 1")
    cells = rows[3].split(",")
    mass, cells[6] = float(cells[6]), "999"
    rows[3] = ",".join(cells)
    gone = rows.pop(4).split(",")[0]
    rows.append("L9,larch,larch plank 9,745,38,18,299,9,,,")
    (folder / "specimens.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    takes = (folder / "takes.csv").read_text(encoding="utf-8").splitlines()
    header, kept = takes[0].split(","), [t for t in takes[1:] if t.split(",")[3] != gone]
    left_out = kept[5].split(",")
    left_out[header.index("exclude")], left_out[header.index("reason")] = "yes", "too loud"
    kept[5] = ",".join(left_out)
    (folder / "takes.csv").write_text("\n".join([takes[0], *kept]) + "\n", encoding="utf-8")
    deleted = [t.split(",")[0] for t in takes[1:] if t.split(",")[3] == gone]

    found = changes(folder, made)
    limits = {"tone.h1.response_db": 1.0}, {"tone.h1.response_db": 2.0}
    wood = {"name": "L1", "before": "larch", "now": "robinia"}
    plank = {"name": "L2", "before": "larch plank 2", "now": "larch plank 1"}
    weighed = {"name": "L3", "before": mass, "now": 999.0}
    out = {"name": left_out[0], "before": False, "now": True}
    for change, (code, fields) in zip(
        found,
        [
            ("records.setting_changed", {"key": "confidence", "before": 0.95, "now": 0.9}),
            ("records.setting_changed", {"key": "limits", "before": limits[0], "now": limits[1]}),
            ("records.claim_removed", {"claim": "Larch passes more of the tone than robinia"}),
            ("records.claim_added", {"claim": "Larch passes far more of the tone than robinia"}),
            ("records.rows_removed", {"file": "specimens.csv", "names": [gone]}),
            ("records.rows_added", {"file": "specimens.csv", "names": ["L9"]}),
            ("records.cells_changed", {"file": "specimens.csv", "column": "wood", "cells": [wood]}),
            (
                "records.cells_changed",
                {"file": "specimens.csv", "column": "source", "cells": [plank]},
            ),
            (
                "records.cells_changed",
                {"file": "specimens.csv", "column": "mass_g", "cells": [weighed]},
            ),
            ("records.rows_removed", {"file": "takes.csv", "names": sorted(deleted)}),
            ("records.cells_changed", {"file": "takes.csv", "column": "exclude", "cells": [out]}),
        ],
        strict=True,
    ):
        fields["names"] = sorted(fields["names"]) if "names" in fields else None
        told = fields_of(change)
        assert code_of(change) == code
        for name, value in fields.items():
            held = told.get(name)
            assert (sorted(held) if name == "names" and held else held) == value
    assert say(found[1]) == (
        'study.toml, [decide] limits: {"tone.h1.response_db": 1.0} when locked, '
        '{"tone.h1.response_db": 2.0} now.'
    )
    assert say(found[6]) == ('specimens.csv, column wood: "L1" "larch" when locked, "robinia" now.')
    assert touches_verdicts(found) == found


def test_what_touches_a_verdict_stands_in_the_first_part_and_a_new_title_does_not(folder):
    made = locked(folder)
    rewrite(folder, "study.toml", ('title = "', 'title = "New: '))
    assert [fields_of(one)["key"] for one in changes(folder, made)] == ["title"]
    study = read_unrecorded(folder)
    assert (len(study.changed_since_lock), preregistration.touched(study)) == (1, [])
    rewrite(folder, "specimens.csv", ("L1,larch", "L1,robinia"))
    first, *listed = preregistration.touched(read_unrecorded(folder))
    assert first == note("preregistration.touched", changes=1)
    assert [code_of(one) for one in listed] == ["records.cells_changed"]


def test_a_key_that_is_younger_than_the_lock_stood_at_its_default(folder):
    rewrite(folder, "specimens.csv", *[(",rift,", ",,")] * 12)
    made = locked(folder)
    older = json.loads(json.dumps(made.content))
    del older["settings"]["decide"]["take_out_drift"]
    for board in older["specimens"].values():
        del board["grain"]
    older = Lock(locks._digest(older), older)
    assert changes(folder, older) == []
    rewrite(folder, "study.toml", ("[decide]", "[decide]\ntake_out_drift = true"))
    (change,) = changes(folder, older)
    key = {"section": "[decide]", "key": "take_out_drift"}
    assert holds(change, "records.setting_changed", **key, before=False, now=True)


@pytest.mark.parametrize(("said", "listed"), [("", []), ("finish", ["finish", "oiled"])])
def test_a_key_that_is_no_more_counts_where_it_said_something(folder, said, listed):
    made = locked(folder)
    older = json.loads(json.dumps(made.content))
    older["settings"]["study"]["varnish"] = said
    for board in older["specimens"].values():
        board["varnish"] = said and "oiled"
    found = [fields_of(one) for one in changes(folder, Lock(locks._digest(older), older))]
    assert [told.get("before", "oiled") for told in found] == listed
    assert all(cell["before"] == "oiled" for told in found for cell in told.get("cells", ()))


def test_a_key_that_goes_after_the_lock_is_listed_and_another_library_too(folder, monkeypatch):
    for name in ("takes.csv", "schedule.json"):  # codes come before the schedule
        (folder / name).unlink()
    (folder / "takes.csv").write_text("take,batch,kind,specimen,file\n", encoding="utf-8")
    code_specimens(folder, compare="wood", when=MONDAY, rng=random.Random(1))
    made = locked(folder)
    assert changes(folder, made) == []
    for name in ("blind.json", "woods.key.csv"):
        (folder / name).unlink()
    (change,) = changes(folder, made)
    assert holds(change, "records.key_changed", file="blind.json", key="woods.key.csv")
    assert "cannot be taken back" in say(change)
    assert touches_verdicts([change]) == [change]
    monkeypatch.setattr(locks, "version_of", lambda: "99")
    newer = changes(folder, made)[1]
    assert holds(newer, "records.library_changed", now="99")
    assert touches_verdicts([newer]) == []


def test_a_lock_edited_by_hand_gives_itself_away(folder):
    made = locked(folder)
    rewrite(folder, "lock.json", ('"confidence": 0.95', '"confidence": 0.9'))
    edited = read_locks(folder)[0]
    assert code_of(changes(folder, edited)[0]) == "records.lock_changed"
    with pytest.raises(InputError) as caught:
        verified([edited], made.sha256)
    assert caught.value.codes == ("records.lock_edited",)
    rewrite(folder, "lock.json", ('"stage": 1', '"stage": "one"'))
    with pytest.raises(InputError) as caught:
        read_unrecorded(folder)
    assert caught.value.codes == ("records.unreadable",)


def test_a_lock_is_amended_openly_and_counts_only_before_the_first_recording(folder):
    first = locked(folder)
    with pytest.raises(InputError) as caught:
        locked(folder)
    assert holds(caught.value.notes[0], "records.locked_already", locked="2026-03-02T09:05")
    early = locked(folder, when=TUESDAY, amend=True)
    assert (early.content["amends"], early.sha256 != first.sha256) == (first.sha256, True)
    late = locked(folder, recorded=3, when=TUESDAY, amend=True)
    kept = read_locks(folder)
    assert kept == (first, early, late)
    assert lock_of(kept, 1) == early
    assert lock_of((late,), 1) == late
    assert lock_of(kept, 2) is None
    told = preregistration.preregistered(read_study(folder))
    assert [fields_of(one).get("amends") for one in told[:3]] == [None, False, True]
    assert "3 takes were recorded already" in say(told[2])


def test_a_study_with_faults_is_not_locked(folder):
    rewrite(folder, "study.toml", ('higher = "larch"', 'higher = "larsh"'))
    result = study("lock", folder)
    assert result.exit_code == 2
    (fault,) = read_unrecorded(folder).claims_at_fault
    assert code_of(fault) == "settings.claim_unknown_wood"
    assert result.stderr == say(fault) + "\n"
    rewrite(folder, "study.toml", ('"larsh"', '"larch"'))
    with (folder / "study.toml").open("a") as toml:
        toml.write("\n[quality]\nstaedy = 1.0\n")
    result = study("lock", folder)
    assert (result.exit_code, "staedy" in result.stderr) == (2, True)
    assert not (folder / "lock.json").exists()


def test_a_third_person_needs_the_printed_line_alone(folder):
    first = study("lock", folder)
    assert first.exit_code == 0, first.output
    (line,) = [line for line in first.stdout.splitlines() if line.startswith("SHA-256: ")]
    sha256 = line.removeprefix("SHA-256: ")
    fine = study("lock", folder, "--verify", sha256)
    assert (fine.exit_code, "Nothing has changed since" in fine.stdout) == (0, True)
    rewrite(folder, "specimens.csv", ("L1,larch", "L1,robinia"))
    told = study("lock", folder, "--verify", sha256.upper())
    assert told.exit_code == 1
    assert "1 thing has changed since" in told.stdout
    assert '"L1" "larch" when locked, "robinia" now' in told.stdout
    other = study("lock", folder, "--verify", "0" * 64)
    assert (other.exit_code, sha256 in other.stderr) == (2, True)
    assert len(other.stderr.splitlines()) == 1

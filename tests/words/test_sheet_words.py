"""Every code of the study folder and the bench as a sentence: where, what is wrong, the cure."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.codes.sheets import (
    CellFault,
    Change,
    RecordFault,
    Right,
    SettingsFault,
    SettingsWarning,
    SheetFault,
    SheetWarning,
)
from studylib.words import say
from tests.words import asked_for

CELL = {"file": "takes.csv", "row": 7, "column": "mount"}
ROW = {"file": "takes.csv", "row": 7}
TAKES = {"file": "takes.csv"}
BOARDS = {"file": "specimens.csv"}
KEY = {"file": "study.toml", "section": "[tone]", "key": "length_s"}
SECTION = {"file": "study.toml", "section": "[channels]"}
TOML = {"file": "study.toml"}

FAULTS = {
    CellFault.UNFIT: {**KEY, "value": 0, "right": note(Right.SECONDS, gt=0)},
    CellFault.EMPTY: {**CELL, "right": Right.REASON},
    CellFault.MISSING: {**KEY, "right": Right.TITLE},
    CellFault.NEEDED: {**CELL, "kind": "tone"},
    CellFault.NOT_A_NUMBER: {**CELL, "value": "3 mm"},
    CellFault.DECIMAL_COMMA: {**CELL, "value": "3,5"},
    CellFault.TWO_MARKS: {**CELL, "value": "1.234,5"},
    CellFault.TOO_LARGE: {**CELL, "value": "1e999"},
    CellFault.NOT_WHOLE: {**CELL, "value": "1.5"},
    CellFault.NOT_A_MOMENT: {**CELL, "value": "14.03.2025"},
    CellFault.NOT_YES: {**CELL, "value": "maybe"},
    CellFault.UNPRINTABLE: {**CELL, "value": "a\nb"},
    CellFault.UNKNOWN_WORD: {
        **CELL, "value": "tones", "nearest": "tone", "options": ["tone", "tap"], "may_be_empty": 1,
    },
    CellFault.BACKSLASH: {**CELL, "value": "a\\b.wav"},
    CellFault.LEADS_OUT: {**CELL, "value": "../b.wav"},
    CellFault.FREE_WITHOUT_TAP: {**CELL, "kind": "tone"},
    CellFault.PLACE_WITHOUT_TAP: {**CELL, "kind": "tone"},
    CellFault.TEST_OF_ANOTHER_KIND: {**CELL, "kind": "tap", "kinds": ["tone", "driver"]},
    CellFault.REPEATED: {**KEY, "item": 2, "value": "tone.h1.level_db"},
    SheetFault.NO_FOLDER: {"name": "rails"},
    SheetFault.NO_FILE: TAKES,
    SheetFault.UNREADABLE: {**TAKES, "reason": "permission denied"},
    SheetFault.WORKBOOK: TAKES,
    SheetFault.UTF_16: TAKES,
    SheetFault.NOT_UTF_8: {**TAKES, "line": 4},
    SheetFault.NO_HEADER: TAKES,
    SheetFault.NO_ROWS: TAKES,
    SheetFault.TABS: TAKES,
    SheetFault.COLUMN_UNPRINTABLE: {**ROW, "value": "a\nb"},
    SheetFault.COLUMN_TWICE: {**ROW, "value": "mount"},
    SheetFault.NO_COLUMN: {**ROW, "columns": ["drive_db", "support"], "scheduling": True},
    SheetFault.OPEN_QUOTE: ROW,
    SheetFault.STRAY_TEXT: {**ROW, "cells": [12, 13]},
    SheetFault.MIXED_MARKS: {
        **CELL, "value": "1.5", "mark": "point", "other": "comma", "other_row": 3,
    },
    SheetFault.UNKNOWN_SPECIMEN: {**CELL, "value": "L9", "nearest": "L1"},
    SheetFault.ID_TWICE: {**CELL, "value": "L1", "other_row": 3},
    SheetFault.SECOND_REFERENCE: {**CELL, "reference": "R0"},
    SheetFault.SAME_TAKE: {**CELL, "other_row": 3},
    SheetFault.MOUNT_IN_TWO_BATCHES: {
        **CELL, "specimen": "L1", "mount": 2, "batch": "day 1", "other_row": 3,
    },
    SheetFault.TURNED_IN_PART: {**CELL, "specimen": "L1", "mount": 2, "other_row": 3},
    SheetFault.BATCHES_SHARE_FILE: {
        **CELL, "batch": "day 1", "other": "day/1", "other_row": 3, "shared": "day_1",
    },
    SheetFault.MIXED_TIME_ZONES: {**CELL, "has_offset": True, "other_row": 3},
    SheetFault.LINK_OUT: {**CELL, "value": "recordings/a.wav"},
    SheetFault.FOLDER_NOT_FILE: {**CELL, "value": "recordings"},
    SheetFault.NO_RECORDING: {**CELL, "value": "recordings/a.wav"},
    SheetFault.EMPTY_RECORDING: {**CELL, "value": "recordings/a.wav"},
    SheetFault.CANNOT_OPEN: {**CELL, "value": "recordings/a.wav"},
    SheetFault.SAME_FILE: {**CELL, "value": "recordings/a.wav", "other_row": 3},
    SheetFault.COPY: {
        **CELL, "value": "recordings/a.wav", "other": "recordings/b.wav", "other_row": 3,
    },
    SheetFault.NO_SPECIMEN: {"name": "L9", "nearest": "L1"},
    SheetFault.NO_BATCH: {"name": "day9", "nearest": "day1"},
    SheetFault.NEW_IS_FILE: {"folder": "rails"},
    SheetFault.NEW_NOT_EMPTY: {"folder": "rails"},
    SheetFault.NEW_UNWRITABLE: {"folder": "rails", "reason": "read-only file system"},
    SettingsFault.KEY_TWICE: {**TOML, "line": 4},
    SettingsFault.NOT_TOML: {**TOML, "at_end": True},
    SettingsFault.NOT_A_SECTION: {**TOML, "name": "tone"},
    SettingsFault.CLAIM_BRACKETS: TOML,
    SettingsFault.SAME_CHANNEL: {**SECTION, "channel": 2},
    SettingsFault.NO_DRIVE_KIND: SECTION,
    SettingsFault.NO_DRIVE: SECTION,
    SettingsFault.TWO_LEVELS: SECTION,
    SettingsFault.FEW_PERIODS: {
        **KEY, "length_s": 0.05, "periods": 8.6, "fundamental_hz": 172.0, "least_s": 0.059,
    },
    SettingsFault.TAP_RANGE: {**SECTION, "lowest_hz": 500.0, "highest_hz": 400.0},
    SettingsFault.SWEEP_INCOMPLETE: {**SECTION, "keys": ["highest_hz", "length_s"]},
    SettingsFault.SWEEP_NARROW: SECTION,
    SettingsFault.SWEEP_FAST: {
        **KEY, "length_s": 0.1, "lowest_hz": 20.0, "highest_hz": 20000.0, "least_s": 1.4,
    },
    SettingsFault.NO_FEATURE: {**KEY, "name": "tone.h3", "nearest": "tone.h3.rel_db"},
    SettingsFault.NOT_COMPARED: {**KEY, "name": "tone.frequency_hz"},
    SettingsFault.CLAIM_NOT_PRIMARY: {**KEY, "name": "tone.h3.rel_db"},
    SettingsFault.CLAIM_ONE_WOOD: {**SECTION, "wood": "larch"},
    SettingsFault.CLAIM_UNKNOWN_WOOD: {
        **KEY, "value": "Larsh", "nearest": "larch", "woods": ["larch", "cherry"],
    },
    SettingsFault.COMPARE_UNFIT: {**KEY, "value": "mass_g"},
    SettingsFault.BESIDE_UNFIT: {**KEY, "value": "mass_g", "compare": "wood"},
    RecordFault.UNREADABLE: {"file": "schedule.json", "command": "plan"},
    RecordFault.LOCKED_ALREADY: {"locked": "2026-03-02T09:05", "sha256": "ab" * 32},
    RecordFault.LOCK_EDITED: {"file": "lock.json"},
    RecordFault.OTHER_LOCK: {"file": "lock.json", "sha256": "cd" * 32, "known": ["ab" * 32]},
    RecordFault.STRANGE_KEY: {"file": "woods.key.csv"},
    RecordFault.ALL_CODED: BOARDS,
    RecordFault.NOT_BLIND: {},
    RecordFault.OPENED_ALREADY: {"opened": "2026-03-02T09:05"},
    RecordFault.NO_KEY: {"file": "woods.key.csv"},
    RecordFault.OTHER_KEY: {"file": "woods.key.csv", "record": "blind.json"},
    RecordFault.KEY_WITHOUT_COLUMN: {"file": "woods.key.csv", "column": "finish"},
    RecordFault.NOT_IN_KEY: {**CELL, "value": "B33"},
    RecordFault.OTHER_CODE: {
        **CELL, "value": "wood A", "specimen": "B03", "code": "wood B",
    },
    "bench.no_boards": BOARDS,
    "bench.one_wood": {**BOARDS, "wood": "larch"},
    "bench.few_boards": {**KEY, "counts": {"larch": 1, "cherry": 2, "oak": 1}, "batches": 3},
    "bench.long_session": {
        **KEY, "mounts": 22, "recordings": 300, "minutes": 350.4, "minutes_day": 300.0,
    },
    "bench.takes_already": {**TAKES, "count": 12},
    "bench.take_already": {**TAKES, "take": "day2-room-r1"},
    "bench.shared_file": {"value": "recordings/day1/L_1.wav"},
    "bench.no_sweep": ROW,
    "bench.sweep_too_high": {**KEY, "highest_hz": 24000.0, "rate_hz": 48000},
    "bench.tone_too_high": {**CELL, "tone_hz": 25800.0, "rate_hz": 48000},
    "bench.too_quiet": {**CELL, "drive_db": -90.0},
    "bench.folder_gone": {"name": "rails"},
    "bench.nothing_to_code": BOARDS,
    "bench.named_already": {**CELL, "value": "L1"},
    "bench.no_new_boards": BOARDS,
    "bench.strange_stage": {**BOARDS, "woods": ["larch", "robinia"]},
}  # fmt: skip

REMARKS = {
    SheetWarning.UNKNOWN_COLUMN: {**ROW, "value": "temprature_c", "nearest": "temperature_c"},
    SheetWarning.TEXT_COLUMN: {**ROW, "value": "saw", "nearest": "mass_g"},
    SheetWarning.COVARIATE_LIKE_KNOWN: {**ROW, "value": "mass_kg", "nearest": "mass_g"},
    SheetWarning.NO_SIZES: {**BOARDS, "columns": ["length_mm", "mass_g"]},
    SheetWarning.NO_REFERENCE: {**BOARDS, "column": "role"},
    SheetWarning.PLANKS_UNNAMED: {
        **BOARDS, "column": "source", "rows": [2, 3], "woods": ["larch"],
    },
    SheetWarning.FEW_PLANKS: {
        **BOARDS, "column": "source", "planks": {"larch": 1, "cherry": 1}, "least": 2,
    },
    SheetWarning.SHARED_SOURCE: {**BOARDS, "value": "p1", "woods": ["larch", "cherry"]},
    SheetWarning.SPELLINGS: {**BOARDS, "names": ["larch", "Larch"], "noun": "wood"},
    SheetWarning.FORMULA: {**CELL, "value": "=A1", "more": 2},
    SheetWarning.REASON_UNUSED: CELL,
    SheetWarning.SKIPPED: {
        **CELL, "number": 5, "first": 2, "last": 4, "specimen": "L1", "mount": 1, "kind": "tone",
        "tone_hz": 172.0, "drive_db": -6.0,
    },
    SheetWarning.NO_TAKES: {**BOARDS, "row": 4, "value": "L1"},
    SheetWarning.FEWER_MOUNTS: {**TAKES, "value": "L1", "mounts": 1, "usual": 3},
    SheetWarning.REFERENCE_NOT_IN_BATCH: {**TAKES, "reference": "R0", "batch": "day2"},
    SheetWarning.ODD_TONE: {**CELL, "tone_hz": 170.0, "fundamental_hz": 172.0},
    SheetWarning.CALIBRATOR_UNUSED: {**CELL, "batch": "day1"},
    SheetWarning.NO_CALIBRATOR: {**TAKES, "batch": "day1"},
    SheetWarning.SAME_ORDER: {**CELL, "order": 3.0, "other_row": 3},
    SheetWarning.WAITING: {
        **TAKES, "count": 2, "batch": "day1", "first": "L1-m1-tap-r1", "first_row": 9,
    },
    SheetWarning.UNNAMED_RECORDINGS: {"files": ["recordings/a.wav", "recordings/b.wav"]},
    SettingsWarning.UNKNOWN_KEY: {**SECTION, "name": "respons", "nearest": "response"},
    SettingsWarning.HARMONIC_ON_MAINS: {
        **KEY, "fundamental_hz": 172.0, "mains_hz": 60.0, "multiples": [15],
    },
    SettingsWarning.ON_THE_MAINS: {
        **KEY, "fundamental_hz": 150.0, "mains_hz": 50.0, "multiple": 3,
    },
    SettingsWarning.LEVEL_UNUSED: {**KEY, "kind": "pickup"},
    Change.LOCK: {"file": "lock.json"},
    Change.SETTING: {**KEY, "before": 0.8, "now": None},
    Change.CLAIM_REMOVED: {"claim": "Larch passes more of the tone"},
    Change.CLAIM_ADDED: {"claim": "Larch passes more of the tone"},
    Change.ROWS_REMOVED: {**BOARDS, "names": ["L1", "L2"]},
    Change.ROWS_ADDED: {**BOARDS, "names": ["L1"]},
    Change.CELLS: {
        **BOARDS, "column": "mass_g", "cells": [{"name": "L1", "before": 291.1, "now": None}],
    },
    Change.KEY: {"file": "blind.json", "key": "woods.key.csv"},
    Change.LIBRARY: {"before": "1.0", "now": "1.1"},
    "bench.failed": {"checks": ["no tone.", "too short"], "advice": ["Look at the cables."]},
    "bench.room_heard": {"room_s": 0.42, "ratio_db": 11.6},
    "bench.room_hides": {"hidden": 4, "modes": 9, "room_s": 0.42, "ratio_db": 11.6, "places": 1},
    "bench.mind": {"checks": "a little noise"},
}  # fmt: skip

BOUNDED = {
    Right.WHOLE: {"ge": 1, "le": 40}, Right.NUMBER: {"gt": 0.5, "lt": 1}, Right.DRIVE: {"le": 0},
    Right.FREQUENCY: {"gt": 0}, Right.SECONDS: {"gt": 0, "le": 600}, Right.MINUTES: {"ge": 0},
    Right.MILLIMETRES: {"gt": 0}, Right.GRAMS: {"ge": 0}, Right.RATIO: {"gt": 2, "le": 60},
    Right.FULL_SCALE: {"ge": -80, "le": -0.1}, Right.CHANNEL: {"ge": 1}, Right.SIZE: {"gt": 0},
    Right.MOISTURE: {"ge": 0, "le": 300}, Right.TONE: {"gt": 0}, Right.HUMIDITY: {"ge": 0, "le": 9},
    Right.MOVED: {"gt": 0, "le": 100}, Right.MIC_TIMES: {"gt": 0, "le": 10},
    Right.CELSIUS: {"ge": -60, "le": 80}, Right.ONE_OF: {"options": ["force", "voltage"]},
}  # fmt: skip

# What names a thing that is not there, or says that nothing is to be done.
WITHOUT_CURE = {
    SheetFault.NO_SPECIMEN, SheetFault.NO_BATCH, RecordFault.NOT_BLIND,
    RecordFault.OPENED_ALREADY, RecordFault.ALL_CODED,
}  # fmt: skip

# What the bench is told on the way; read in the tests of the bench.
WHILE_WATCHING = {
    *("bench.caution", "bench.level", "bench.progress", "bench.recordings_back", "bench.stranger"),
    *("bench.recordings_gone", "bench.sheet_head", "bench.sheets_at_fault", "bench.to_do"),
    *("bench.sheets_read_again", "bench.signal_caution", "bench.unscheduled", "bench.watching"),
}


def test_the_tables_here_have_every_code():
    asked = asked_for("cells", "sheets", "settings", "records", "bench")
    assert set(FAULTS) | set(REMARKS) == asked - WHILE_WATCHING


def place_of(fields: dict) -> str:
    """The place as a sentence opens with it."""
    parts = [fields["file"]]
    parts += [f"line {fields['line']}"] if "line" in fields else []
    key = f" {fields['key']}" if "key" in fields else ""
    parts += [fields["section"] + key] if "section" in fields else []
    parts += [f"{name} {fields[name]}" for name in ("item", "row", "column") if name in fields]
    return ", ".join(parts)


ODD = re.compile(r"[{}_]{2}|\s[,;:)]|\s\.(?!\.)|None|undefined|cells\.|right\.")


def check(code: str, fields: dict) -> str:
    """The sentence, which opens with its place and holds every name and value that it was given."""
    sentence = say(note(code, **fields))
    assert sentence == re.sub(r"\s+", " ", sentence).strip()
    assert not ODD.search(sentence), sentence
    if "file" in fields:
        held = {name: fields[name] for name in fields if name != "column"}
        whole = place_of(fields if code not in HOLDS_COLUMN else held)
        assert sentence.startswith(whole), sentence
    for name in (
        "value",
        "nearest",
        "other",
        "other_row",
        "batch",
        "wood",
        "specimen",
        "reference",
    ):
        if isinstance(fields.get(name), str):
            shown = fields[name].encode("unicode_escape").decode().replace("\\\\", "\\")
            assert shown in sentence, (name, sentence)
        elif name in fields:
            assert str(fields[name]) in sentence, (name, sentence)
    return sentence


HOLDS_COLUMN = {RecordFault.KEY_WITHOUT_COLUMN}


@pytest.mark.parametrize(("code", "fields"), FAULTS.items(), ids=str)
def test_a_fault_names_its_place_and_what_would_be_right(code, fields):
    sentence = check(code, fields)
    assert ";" in sentence or code in WITHOUT_CURE, sentence
    assert not sentence.endswith(".") or sentence.endswith("...")


@pytest.mark.parametrize(("code", "fields"), REMARKS.items(), ids=str)
def test_a_remark_names_its_place(code, fields):
    check(code, fields)


@pytest.mark.parametrize("code", Right, ids=str)
def test_what_would_be_right_goes_behind_give(code):
    words = say(note(code, **BOUNDED.get(code, {})))
    assert words
    assert not words.endswith((".", ";"))
    assert words.startswith(('"', "0 or")) or words[0].islower()
    for bound in BOUNDED.get(code, {}).values():
        if not isinstance(bound, list):
            assert str(bound).removesuffix(".0") in words or code in FIXED, words


FIXED = {Right.CHANNEL, Right.DRIVE}  # bounds that the words have anyway


def test_bounds_read_as_a_person_says_them():
    said = [say(note(Right.WHOLE, **bounds)) for bounds in (
        {"ge": 1}, {"ge": 1, "le": 40}, {"gt": 0}, {"gt": 0, "le": 600}, {"gt": 0.5, "lt": 1}, {},
        {"ge": -60, "le": 80},
    )]  # fmt: skip
    assert said == [
        "a whole number of at least 1",
        "a whole number from 1 to 40",
        "a whole number above 0",
        "a whole number above 0 and at most 600",
        "a whole number between 0.5 and 1",
        "a whole number",
        "a whole number from -60 to 80",
    ]

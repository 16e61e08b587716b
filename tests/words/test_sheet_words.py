"""Every code of the study folder and the bench as a sentence: where, what is wrong, the cure."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
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
    "cells.unfit": {**KEY, "value": 0, "right": note("right.seconds", gt=0)},
    "cells.empty": {**CELL, "right": "right.reason"},
    "cells.missing": {**KEY, "right": "right.title"},
    "cells.needed": {**CELL, "kind": "tone"},
    "cells.not_a_number": {**CELL, "value": "3 mm"},
    "cells.decimal_comma": {**CELL, "value": "3,5"},
    "cells.two_marks": {**CELL, "value": "1.234,5"},
    "cells.too_large": {**CELL, "value": "1e999"},
    "cells.too_long": {**CELL, "letters": 10_000, "most": 1000},
    "cells.not_whole": {**CELL, "value": "1.5"},
    "cells.not_a_moment": {**CELL, "value": "14.03.2025"},
    "cells.not_yes": {**CELL, "value": "maybe"},
    "cells.unprintable": {**CELL, "value": "a\nb"},
    "cells.unknown_word": {
        **CELL, "value": "tones", "nearest": "tone", "options": ["tone", "tap"], "may_be_empty": 1,
    },
    "cells.backslash": {**CELL, "value": "a\\b.wav"},
    "cells.leads_out": {**CELL, "value": "../b.wav"},
    "cells.free_without_tap": {**CELL, "kind": "tone"},
    "cells.place_without_tap": {**CELL, "kind": "tone"},
    "cells.test_of_another_kind": {**CELL, "kind": "tap", "kinds": ["tone", "driver"]},
    "cells.repeated": {**KEY, "item": 2, "value": "tone.h1.level_db"},
    "sheets.no_folder": {"name": "rails", "place": "D:/rails"},
    "sheets.no_file": TAKES,
    "sheets.unreadable": {**TAKES, "reason": "permission denied"},
    "sheets.workbook": TAKES,
    "sheets.no_text": {**TAKES, "most_mb": 200},
    "sheets.only_workbook": {**TAKES, "book": "takes.xlsx"},
    "sheets.utf_16": TAKES,
    "sheets.not_utf_8": {**TAKES, "line": 4},
    "sheets.no_header": TAKES,
    "sheets.no_rows": TAKES,
    "sheets.tabs": TAKES,
    "sheets.column_unprintable": {**ROW, "value": "a\nb"},
    "sheets.column_twice": {**ROW, "value": "mount"},
    "sheets.no_column": {**ROW, "columns": ["drive_db", "support"], "scheduling": True},
    "sheets.open_quote": ROW,
    "sheets.stray_text": {**ROW, "cells": [12, 13]},
    "sheets.mixed_marks": {
        **CELL, "value": "1.5", "mark": "point", "other": "comma", "other_row": 3,
    },
    "sheets.unknown_specimen": {**CELL, "value": "L9", "nearest": "L1"},
    "sheets.id_twice": {**CELL, "value": "L1", "other_row": 3},
    "sheets.second_reference": {**CELL, "reference": "R0"},
    "sheets.same_take": {**CELL, "other_row": 3},
    "sheets.mount_in_two_batches": {
        **CELL, "specimen": "L1", "mount": 2, "batch": "day 1", "other_row": 3,
    },
    "sheets.turned_in_part": {**CELL, "specimen": "L1", "mount": 2, "other_row": 3},
    "sheets.batches_share_file": {
        **CELL, "batch": "day 1", "other": "day/1", "other_row": 3, "shared": "day_1",
    },
    "sheets.mixed_time_zones": {**CELL, "has_offset": True, "other_row": 3},
    "sheets.link_out": {**CELL, "value": "recordings/a.wav"},
    "sheets.folder_not_file": {**CELL, "value": "recordings"},
    "sheets.no_recording": {**CELL, "value": "recordings/a.wav"},
    "sheets.empty_recording": {**CELL, "value": "recordings/a.wav"},
    "sheets.cannot_open": {**CELL, "value": "recordings/a.wav"},
    "sheets.same_file": {**CELL, "value": "recordings/a.wav", "other_row": 3},
    "sheets.copy": {
        **CELL, "value": "recordings/a.wav", "other": "recordings/b.wav", "other_row": 3,
    },
    "sheets.no_specimen": {"name": "L9", "nearest": "L1"},
    "sheets.no_batch": {"name": "day9", "nearest": "day1"},
    "sheets.new_is_file": {"folder": "rails"},
    "sheets.new_not_empty": {"folder": "rails"},
    "sheets.new_unwritable": {"folder": "rails", "reason": "read-only file system"},
    "settings.key_twice": {**TOML, "line": 4},
    "settings.not_toml": {**TOML, "at_end": True},
    "settings.not_a_section": {**TOML, "name": "tone"},
    "settings.claim_brackets": TOML,
    "settings.same_channel": {**SECTION, "channel": 2},
    "settings.no_drive_kind": SECTION,
    "settings.no_drive": SECTION,
    "settings.two_levels": SECTION,
    "settings.few_periods": {
        **KEY, "length_s": 0.05, "periods": 8.6, "fundamental_hz": 172.0, "least_s": 0.059,
    },
    "settings.curve_range": {**SECTION, "lowest_hz": 500.0, "highest_hz": 400.0},
    "settings.tap_range": {**SECTION, "lowest_hz": 500.0, "highest_hz": 400.0},
    "settings.sweep_incomplete": {**SECTION, "keys": ["highest_hz", "length_s"]},
    "settings.sweep_narrow": SECTION,
    "settings.sweep_fast": {
        **KEY, "length_s": 0.1, "lowest_hz": 20.0, "highest_hz": 20000.0, "least_s": 1.4,
    },
    "settings.no_feature": {**KEY, "name": "tone.h3", "nearest": "tone.h3.rel_db"},
    "settings.not_compared": {**KEY, "name": "tone.frequency_hz"},
    "settings.claim_not_primary": {**KEY, "name": "tone.h3.rel_db"},
    "settings.claim_one_wood": {**SECTION, "wood": "larch"},
    "settings.claim_unknown_wood": {
        **KEY, "value": "Larsh", "nearest": "larch", "woods": ["larch", "cherry"],
    },
    "settings.compare_unfit": {**KEY, "value": "mass_g"},
    "records.unreadable": {"file": "schedule.json", "command": "plan"},
    "records.locked_already": {"locked": "2026-03-02T09:05", "sha256": "ab" * 32},
    "records.lock_edited": {"file": "lock.json"},
    "records.other_lock": {"file": "lock.json", "sha256": "cd" * 32, "known": ["ab" * 32]},
    "records.looks_late": {"file": "study.toml", "now": 3, "before": 1},
    "records.strange_key": {"file": "woods.key.csv"},
    "records.all_coded": BOARDS,
    "records.not_blind": {},
    "records.opened_already": {"opened": "2026-03-02T09:05"},
    "records.no_key": {"file": "woods.key.csv"},
    "records.other_key": {"file": "woods.key.csv", "record": "blind.json"},
    "records.key_without_column": {"file": "woods.key.csv", "column": "finish"},
    "records.not_in_key": {**CELL, "value": "B33"},
    "records.other_code": {
        **CELL, "value": "wood A", "specimen": "B03", "code": "wood B",
    },
    "bench.no_boards": BOARDS,
    "bench.one_wood": {**BOARDS, "wood": "larch"},
    "bench.few_boards": {**KEY, "counts": {"larch": 1, "cherry": 2, "oak": 1}, "batches": 3},
    "bench.long_session": {
        **KEY, "mounts": 22, "recordings": 300, "minutes": 350.4, "minutes_day": 300.0,
    },
    "new.unfit": {"name": "tone", "value": "250"},
    "new.added_already": {**TOML, "section": "[plan]", "what": "controls"},
    "new.set_already": {
        **TOML, "section": "[plan]", "key": "mounts", "now": "4", "wanted": "3", "what": "schedule",
    },
    "new.recorded_without": {"file": "recordings/day1/L1-1-tone.wav", "channel": 2},
    "new.other_lines": TOML,
    "new.by_hand": {
        **TOML, "section": "[plan]", "what": "controls", "lines": ["controls = true"],
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
    "new.pins": {"version": "0.1.0"},
    "new.title": {"woods": ["larch", "cherry"]},
    "new.question": {"woods": ["larch", "cherry"]},
    "sheets.unknown_column": {**ROW, "value": "temprature_c", "nearest": "temperature_c"},
    "sheets.text_column": {**ROW, "value": "saw", "nearest": "mass_g"},
    "sheets.covariate_like_known": {**ROW, "value": "mass_kg", "nearest": "mass_g"},
    "sheets.no_sizes": {**BOARDS, "columns": ["length_mm", "mass_g"]},
    "sheets.no_reference": {**BOARDS, "column": "role"},
    "sheets.planks_unnamed": {
        **BOARDS, "column": "source", "rows": [2, 3], "woods": ["larch"],
    },
    "sheets.few_planks": {
        **BOARDS, "column": "source", "planks": {"larch": 1, "cherry": 1}, "least": 2,
    },
    "sheets.shared_source": {**BOARDS, "value": "p1", "woods": ["larch", "cherry"]},
    "sheets.density": {
        **BOARDS, "row": 2, "value": "L1", "density": 0.56, "slips": ["mass_kg"], "more": 3,
    },
    "sheets.short": {**BOARDS, "row": 2, "value": "L1", "more": 2},
    "sheets.spellings": {**BOARDS, "names": ["larch", "Larch"], "noun": "wood"},
    "sheets.formula": {**CELL, "value": "=A1", "more": 2},
    "sheets.reason_unused": CELL,
    "sheets.skipped": {
        **CELL, "number": 5, "first": 2, "last": 4, "specimen": "L1", "mount": 1, "kind": "tone",
        "tone_hz": 172.0, "drive_db": -6.0,
    },
    "sheets.no_takes": {**BOARDS, "row": 4, "value": "L1"},
    "sheets.fewer_mounts": {**TAKES, "value": "L1", "mounts": 1, "usual": 3},
    "sheets.reference_not_in_batch": {**TAKES, "reference": "R0", "batch": "day2"},
    "sheets.odd_tone": {**CELL, "tone_hz": 170.0, "fundamental_hz": 172.0},
    "sheets.calibrator_unused": {**CELL, "batch": "day1"},
    "sheets.no_calibrator": {**TAKES, "batch": "day1"},
    "sheets.same_order": {**CELL, "order": 3.0, "other_row": 3},
    "sheets.waiting": {
        **TAKES, "count": 2, "batch": "day1", "first": "L1-m1-tap-r1", "first_row": 9,
    },
    "sheets.unnamed_recordings": {
        "files": ["recordings/a.wav", "recordings/b.m4a"], "unread": ["recordings/b.m4a"],
    },
    "settings.unknown_key": {**SECTION, "name": "respons", "nearest": "response"},
    "settings.harmonic_on_mains": {
        **KEY, "fundamental_hz": 172.0, "mains_hz": 60.0, "multiples": [15],
    },
    "settings.on_the_mains": {
        **KEY, "fundamental_hz": 150.0, "mains_hz": 50.0, "multiple": 3,
    },
    "settings.level_unused": {**KEY, "kind": "pickup"},
    "records.lock_changed": {"file": "lock.json"},
    "records.setting_changed": {**KEY, "before": 0.8, "now": None},
    "records.claim_removed": {"claim": "Larch passes more of the tone"},
    "records.claim_added": {"claim": "Larch passes more of the tone"},
    "records.rows_removed": {**BOARDS, "names": ["L1", "L2"]},
    "records.rows_added": {**BOARDS, "names": ["L1"]},
    "records.cells_changed": {
        **BOARDS, "column": "mass_g", "cells": [{"name": "L1", "before": 291.1, "now": None}],
    },
    "records.key_changed": {"file": "blind.json", "key": "woods.key.csv"},
    "records.library_changed": {"before": "1.0", "now": "1.1"},
    "bench.failed": {"checks": ["no tone.", "too short"], "advice": ["Look at the cables."]},
    "bench.room_heard": {"room_s": 0.42, "ratio_db": 11.6},
    "bench.room_hides": {"hidden": 4, "modes": 9, "room_s": 0.42, "ratio_db": 11.6, "places": 1},
    "bench.mind": {"checks": "a little noise"},
}  # fmt: skip

BOUNDED = {
    "right.whole": {"ge": 1, "le": 40}, "right.number": {"gt": 0.5, "lt": 1},
    "right.drive": {"ge": -200, "le": 0},
    "right.frequency": {"gt": 0}, "right.seconds": {"gt": 0, "le": 600}, "right.minutes": {"ge": 0},
    "right.millimetres": {"gt": 0}, "right.grams": {"ge": 0}, "right.ratio": {"gt": 2, "le": 60},
    "right.full_scale": {"ge": -80, "le": -0.1}, "right.channel": {"ge": 1},
    "right.size": {"gt": 0}, "right.tone": {"gt": 0},
    "right.moisture": {"ge": 0, "le": 300}, "right.humidity": {"ge": 0, "le": 9},
    "right.moved": {"gt": 0, "le": 100}, "right.mic_times": {"gt": 0, "le": 10},
    "right.celsius": {"ge": -60, "le": 80}, "right.one_of": {"options": ["force", "voltage"]},
}  # fmt: skip

# What names a thing that is not there, or says that nothing is to be done.
WITHOUT_CURE = {
    "sheets.no_specimen", "sheets.no_batch", "records.not_blind",
    "records.opened_already", "records.all_coded",
}  # fmt: skip

# What the bench is told on the way; read in the tests of the bench.
WHILE_WATCHING = {
    *("bench.caution", "bench.level", "bench.progress", "bench.recordings_back", "bench.stranger"),
    *("bench.recordings_gone", "bench.sheet_head", "bench.sheets_at_fault", "bench.to_do"),
    *("bench.sheets_read_again", "bench.signal_caution", "bench.unscheduled", "bench.watching"),
}


def test_the_tables_here_have_every_code():
    asked = asked_for("cells", "sheets", "settings", "records", "bench", "new")
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


HOLDS_COLUMN = {"records.key_without_column"}


@pytest.mark.parametrize(("code", "fields"), FAULTS.items(), ids=str)
def test_a_fault_names_its_place_and_what_would_be_right(code, fields):
    sentence = check(code, fields)
    assert ";" in sentence or code in WITHOUT_CURE, sentence
    assert not sentence.endswith(".") or sentence.endswith("...")


@pytest.mark.parametrize(("code", "fields"), REMARKS.items(), ids=str)
def test_a_remark_names_its_place(code, fields):
    check(code, fields)


@pytest.mark.parametrize("code", sorted(asked_for("right")), ids=str)
def test_what_would_be_right_goes_behind_give(code):
    words = say(note(code, **BOUNDED.get(code, {})))
    assert words
    assert not words.endswith((".", ";"))
    assert words.startswith(('"', "0 or")) or words[0].islower()
    for bound in BOUNDED.get(code, {}).values():
        if not isinstance(bound, list):
            assert str(bound).removesuffix(".0") in words or code in FIXED, words


FIXED = {"right.channel"}  # bounds that the words have anyway


def test_bounds_read_as_a_person_says_them():
    said = [say(note("right.whole", **bounds)) for bounds in (
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

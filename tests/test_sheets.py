"""The study folder as a whole: what is read, and every fault with its file, row and column."""

from __future__ import annotations

import hashlib
import shutil
import time
import unicodedata
from datetime import datetime

import numpy as np
import pytest
import soundfile

from studylib.codes import code_of, fields_of
from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.between_rows import density_warnings, spellings
from studylib.sheets.files import NAME, PATH, TEXT, grouped
from studylib.sheets.rows import Specimen
from studylib.sheets.study import file_hashes, read_unrecorded
from studylib.words import say
from tests.breakable_study import TOML, specimen_rows, take_rows, write_study
from tests.notes import holds


def faults_of(folder, **parts) -> tuple[str, ...]:
    """The faults of a study written with the parts given, as notes."""
    write_study(folder, **parts)
    return broken(folder)


def broken(folder) -> tuple[str, ...]:
    with pytest.raises(InputError) as caught:
        read_study(folder)
    return caught.value.notes


def place_of(note: str) -> tuple:
    """Row and column, or section and key."""
    found = fields_of(note)
    return tuple(found[name] for name in ("row", "column", "section", "key") if name in found)


def only(faults: tuple[str, ...]) -> str:
    assert len(faults) == 1, faults
    return faults[0]


def changed_take(index: int, **cells) -> list[dict[str, str]]:
    rows = take_rows()
    rows[index].update(cells)
    return rows


def changed_specimen(index: int, **cells) -> list[dict[str, str]]:
    rows = specimen_rows()
    rows[index].update(cells)
    return rows


# What is read


def test_a_whole_study_is_read_without_a_warning(tmp_path):
    study = read_study(write_study(tmp_path / "rails"))
    assert study.warnings == ()
    assert study.name == "rails"
    assert study.folder == tmp_path / "rails"
    assert study.batches == ("day 1",)
    assert study.woods == ("larch", "robinia")
    assert len(study.takes) == 21
    board = study.specimen("R2")
    assert (board.wood, board.source, board.source_assumed) == ("robinia", "plank R2", False)
    assert (board.width_mm, board.moisture_pct, board.role, board.row) == (38.5, None, "", 5)
    take = study.takes[0]
    assert (take.specimen, take.mount, take.repeat, take.tone_hz) == ("L1", 1, 1, 172.0)
    assert (take.drive_db, take.gain_db, take.support, take.exclude) == (0.0, 0.0, "bench", False)
    assert study.path_of(take) == tmp_path / "rails" / "recordings" / "L1-1-1.wav"


def test_settings_have_the_documented_defaults(tmp_path):
    toml = '[study]\ntitle = "t"\nquestion = "q"\n'
    settings = read_study(write_study(tmp_path / "s", toml=toml)).settings
    assert settings.study.compare == "wood"
    assert (settings.tone.fundamental_hz, settings.tone.harmonics) == (172.0, 20)
    assert (settings.tone.skip_s, settings.tone.length_s) == (None, 0.8)
    assert (settings.decide.confidence, settings.decide.smallest_n) == (0.95, 2)
    assert settings.channels.response == 1
    assert settings.channels.drive is None
    assert settings.channels.rate_hz is None
    assert settings.claims == ()


def test_takes_come_by_order_and_then_by_row(tmp_path):
    rows = take_rows()
    for row, order in zip(rows[:4], ("3", "", "1", "2.5"), strict=True):
        row["order"] = order
    study = read_study(write_study(tmp_path / "s", takes=rows))
    assert [t.row for t in study.takes_of("day 1")][:5] == [4, 5, 2, 3, 6]
    with pytest.raises(InputError) as caught:
        study.takes_of("day1")
    assert holds(caught.value.notes[0], "sheets.no_batch", name="day1", nearest="day 1")
    with pytest.raises(InputError) as caught:
        study.specimen("r1")
    assert holds(caught.value.notes[0], "sheets.no_specimen", name="r1", nearest="R1")


def test_batches_and_woods_keep_the_order_of_the_tables(tmp_path):
    rows = take_rows()
    for row in rows[:4]:
        row["batch"] = "second"
    study = read_study(write_study(tmp_path / "s", takes=rows, specimens=specimen_rows()[::-1]))
    assert study.batches == ("second", "day 1")
    assert study.woods == ("robinia", "larch")


def test_the_specimen_table_has_sizes_and_covariates_as_numbers(tmp_path):
    rows = changed_specimen(0, ring_width="2.5", note_on_saw="band saw", mass_g="")
    study = read_study(write_study(tmp_path / "s", specimens=rows))
    table = study.specimen_table()
    assert " ".join(table.columns) == (
        "specimen wood source source_assumed role length_mm width_mm thickness_mm mass_g "
        "moisture_pct ring_width"
    )
    assert table["ring_width"].dtype == np.float64
    assert table.loc[0, "ring_width"] == 2.5
    assert table["ring_width"].isna().sum() == 4
    assert np.isnan(table.loc[0, "mass_g"])
    assert study.specimen("L1").covariates == {"ring_width": 2.5}
    (warning,) = study.warnings
    place = {"file": "specimens.csv", "row": 1}
    assert holds(warning, "sheets.text_column", value="note_on_saw", **place)


def test_another_column_can_be_compared(tmp_path):
    rows = [{**row, "oil": "tung" if i % 2 else "none"} for i, row in enumerate(specimen_rows())]
    toml = TOML.replace("[study]", '[study]\ncompare = "oil"')
    toml = toml.replace('"robinia"', '"tung"').replace('"larch"', '"none"')
    study = read_study(write_study(tmp_path / "s", toml=toml, specimens=rows))
    assert study.woods == ("none", "tung")
    assert study.specimen("L2").wood == "tung"


def test_names_may_hold_any_printable_text(tmp_path):
    name = "<script>alert('ä; \"x\"')</script>"
    specimens = changed_specimen(0, specimen=name)
    takes = [{**t, "specimen": name} if t.get("specimen") == "L1" else t for t in take_rows()]
    study = read_study(write_study(tmp_path / "s", specimens=specimens, takes=takes))
    assert study.specimens[0].specimen == name
    assert study.takes[0].specimen == name


def test_hashes_are_those_of_the_bytes_on_disk(tmp_path):
    study = read_study(write_study(tmp_path / "s"))
    hashes = file_hashes(study)
    assert list(hashes)[:4] == ["study.toml", "specimens.csv", "takes.csv", "recordings/L1-1-1.wav"]
    assert len(hashes) == 3 + 21
    for name, digest in hashes.items():
        assert digest == hashlib.sha256((study.folder / name).read_bytes()).hexdigest()


def test_the_name_of_the_study_is_safe_for_a_file(tmp_path):
    assert read_study(write_study(tmp_path / "Räume & Hölzer")).name == "Raume_Holzer"


# All faults together, in order


def test_all_faults_of_a_folder_are_told_together(tmp_path):
    toml = TOML.replace("[decide]\n", "[tone]\nharmonics = 0\n\n[decide]\nconfidence = 2\n")
    specimens = changed_specimen(1, mass_g="-3", length_mm="long")
    takes = changed_take(3, mount="x", repeat="", kind="tone")
    takes[5]["specimen"] = "L9"
    faults = faults_of(tmp_path / "s", toml=toml, specimens=specimens, takes=takes)
    assert [say(fault).partition(":")[0] for fault in faults] == [
        "study.toml, [tone] harmonics",
        "study.toml, [decide] confidence",
        "specimens.csv, row 3, column length_mm",
        "specimens.csv, row 3, column mass_g",
        "takes.csv, row 5, column mount",
        "takes.csv, row 5, column repeat",
        "takes.csv, row 7, column specimen",
    ]
    assert all("\n" not in say(fault) for fault in faults)


def test_no_sentence_of_the_libraries_reaches_the_user(tmp_path):
    toml = TOML + '\n[tone]\nharmonics = "many"\nskip_s = -1\nlength_s = true\n'
    for fault in map(say, faults_of(tmp_path / "s", toml=toml)):
        assert "Input should be" not in fault
        assert "pydantic" not in fault
        assert "Value error" not in fault


@pytest.mark.parametrize("name", ["study.toml", "specimens.csv", "takes.csv"])
def test_a_missing_sheet_is_named(tmp_path, name):
    folder = write_study(tmp_path / "s")
    (folder / name).unlink()
    assert holds(only(broken(folder)), "sheets.no_file", file=name)


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path):
    place = tmp_path / "nowhere"
    assert holds(only(broken(place)), "sheets.no_folder", name="nowhere", place=str(place))


def test_the_notebooks_own_default_is_found_from_any_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert read_unrecorded("../data_demo").name == "data_demo"
    fault = only(broken("../elsewhere"))
    assert fields_of(fault)["place"] == str(tmp_path.parent / "elsewhere")


# specimens.csv


@pytest.mark.parametrize(
    ("cells", "code"),
    [
        ({"mass_g": "0"}, "cells.unfit"),
        ({"length_mm": "-700"}, "cells.unfit"),
        ({"width_mm": "0"}, "cells.unfit"),
        ({"thickness_mm": "0"}, "cells.unfit"),
        ({"moisture_pct": "-1"}, "cells.unfit"),
        ({"mass_g": "nan"}, "cells.not_a_number"),
        ({"mass_g": "1e999"}, "cells.too_large"),
        ({"mass_g": "310 g"}, "cells.not_a_number"),
        ({"mass_g": "310,5"}, "cells.decimal_comma"),
        ({"wood": ""}, "cells.empty"),
        ({"role": "referenz"}, "cells.unknown_word"),
        ({"specimen": ""}, "cells.empty"),
        ({"specimen": "L1\n2"}, "cells.unprintable"),
    ],
)
def test_a_specimen_at_fault(tmp_path, cells, code):
    ((column, value),) = cells.items()
    fault = faults_of(tmp_path / "s", specimens=changed_specimen(0, **cells))[0]
    place = {"file": "specimens.csv", "row": 2, "column": column}
    assert holds(fault, code, **place)
    assert fields_of(fault).get("value", "") == value


@pytest.mark.parametrize(
    ("column", "most"),
    [
        ("specimen", NAME), ("wood", NAME), ("source", NAME), ("grain", TEXT), ("note", TEXT),
    ],
)  # fmt: skip
def test_every_text_of_a_board_has_its_longest(tmp_path, column, most):
    longest = changed_specimen(4, **{column: "x" * most})
    if column != "specimen":  # whose takes are named by it
        read_study(write_study(tmp_path / "s", specimens=longest))
    broken_one = changed_specimen(2, **{column: "x" * 10_000})
    fault = faults_of(tmp_path / "t", specimens=broken_one)[0]
    place = {"file": "specimens.csv", "row": 4, "column": column}
    assert holds(fault, "cells.too_long", letters=10_000, most=most, **place)


@pytest.mark.parametrize(
    ("column", "most"), [("take", NAME), ("batch", NAME), ("file", PATH), ("reason", TEXT)]
)
def test_every_text_of_a_take_has_its_longest(tmp_path, column, most):
    rows = take_rows()
    rows[0] |= {column: "x" * 10_000}
    (fault, *_) = faults_of(tmp_path / "t", takes=rows)
    place = {"file": "takes.csv", "row": 2, "column": column}
    assert holds(fault, "cells.too_long", letters=10_000, most=most, **place)


def test_a_column_of_endless_name_is_one_short_sentence(tmp_path):
    rows = [row | {"x" * 10_000: "1"} for row in specimen_rows()]
    fault = only(faults_of(tmp_path / "t", specimens=rows))
    assert holds(fault, "cells.too_long", row=1, letters=10_000, most=NAME)
    assert len(say(fault)) < 250


@pytest.mark.parametrize(
    ("cells", "right"),
    [
        ({"mass_g": "0"}, 'right.size {"gt":0}'),
        ({"moisture_pct": "-1"}, 'right.moisture {"ge":0,"le":300}'),
        ({"wood": ""}, "right.group"),
        ({"specimen": ""}, "right.specimen_id"),
    ],
)
def test_a_fault_carries_what_would_be_right_with_the_bounds_of_the_field(tmp_path, cells, right):
    fault = faults_of(tmp_path / "s", specimens=changed_specimen(0, **cells))[0]
    assert fields_of(fault)["right"] == right


def test_a_word_that_is_not_known_comes_with_the_nearest(tmp_path):
    fault = only(faults_of(tmp_path / "s", specimens=changed_specimen(0, role="referenz")))
    options = ["reference", "changed"]
    known = {"nearest": "reference", "options": options, "may_be_empty": True}
    assert holds(fault, "cells.unknown_word", value="referenz", **known)


def test_a_name_at_fault_is_not_blamed_on_the_empty_source(tmp_path):
    rows = changed_specimen(0, specimen="L\n1", source="")
    faults = faults_of(tmp_path / "s", specimens=rows)
    ours = [f for f in faults if fields_of(f)["file"] == "specimens.csv"]
    assert holds(only(tuple(ours)), "cells.unprintable", row=2, column="specimen", value="L\n1")


def test_a_specimen_id_twice(tmp_path):
    fault = only(faults_of(tmp_path / "s", specimens=[*specimen_rows(), specimen_rows()[0]]))
    place = {"file": "specimens.csv", "row": 7, "column": "specimen"}
    assert holds(fault, "sheets.id_twice", **place, other_row=2)


def test_a_second_reference(tmp_path):
    fault = only(faults_of(tmp_path / "s", specimens=changed_specimen(0, role="Reference")))
    assert holds(fault, "sheets.second_reference", file="specimens.csv", row=6, column="role")


def test_a_missing_column_names_the_one_that_is_meant(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "specimens.csv"
    path.write_text(path.read_text().replace("wood,", "Wood ,", 1))
    place = {"file": "specimens.csv", "row": 1}
    assert holds(broken(folder)[0], "sheets.no_column", **place, columns=["wood"], perhaps="Wood")


@pytest.mark.parametrize("column", ["specimen", "source", "role", "mass_g"])
def test_a_column_that_cannot_be_compared(tmp_path, column):
    toml = TOML.replace("[study]", f'[study]\ncompare = "{column}"')
    faults = faults_of(tmp_path / "s", toml=toml)
    place = {"file": "study.toml", "section": "[study]", "key": "compare"}
    assert holds(faults[0], "settings.compare_unfit", **place, value=column)


# takes.csv, one row


@pytest.mark.parametrize(
    ("index", "cells", "column", "code"),
    [
        (0, {"take": ""}, "take", "cells.empty"),
        (0, {"batch": ""}, "batch", "cells.empty"),
        (0, {"kind": ""}, "kind", "cells.unknown_word"),
        (0, {"kind": "tones"}, "kind", "cells.unknown_word"),
        (0, {"specimen": ""}, "specimen", "cells.needed"),
        (0, {"mount": ""}, "mount", "cells.needed"),
        (0, {"repeat": ""}, "repeat", "cells.needed"),
        (0, {"tone_hz": ""}, "tone_hz", "cells.needed"),
        (0, {"mount": "0"}, "mount", "cells.unfit"),
        (0, {"repeat": "0"}, "repeat", "cells.unfit"),
        (0, {"temperature_c": "-300"}, "temperature_c", "cells.unfit"),
        (0, {"temperature_c": "95"}, "temperature_c", "cells.unfit"),
        (0, {"gain_db": "x"}, "gain_db", "cells.not_a_number"),
        (0, {"order": "first"}, "order", "cells.not_a_number"),
        (0, {"mount": "1.5"}, "mount", "cells.not_whole"),
        (0, {"tone_hz": "-172"}, "tone_hz", "cells.unfit"),
        (0, {"tone_hz": "inf"}, "tone_hz", "cells.not_a_number"),
        (0, {"drive_db": "3"}, "drive_db", "cells.unfit"),
        (0, {"support": "free"}, "support", "cells.free_without_tap"),
        (0, {"support": "table"}, "support", "cells.unknown_word"),
        (0, {"place": "2"}, "place", "cells.place_without_tap"),
        (0, {"kind": "tap", "place": "0"}, "place", "cells.unfit"),
        (0, {"kind": "tap", "place": "1.5"}, "place", "cells.not_whole"),
        (0, {"kind": "tap", "place": "left"}, "place", "cells.not_a_number"),
        (0, {"turned": "no"}, "turned", "cells.not_yes"),
        (0, {"moved_mm": "0"}, "moved_mm", "cells.unfit"),
        (0, {"moved_mm": "2 mm"}, "moved_mm", "cells.not_a_number"),
        (0, {"mic_times": "-2"}, "mic_times", "cells.unfit"),
        (0, {"started": "14.03.2025"}, "started", "cells.not_a_moment"),
        (0, {"started": "2025-02-30"}, "started", "cells.not_a_moment"),
        (0, {"exclude": "yes"}, "reason", "cells.empty"),
        (0, {"exclude": "maybe"}, "exclude", "cells.not_yes"),
        (0, {"humidity_pct": "140"}, "humidity_pct", "cells.unfit"),
        (0, {"specimen": "L3"}, "specimen", "sheets.unknown_specimen"),
        (20, {"kind": "driver"}, "tone_hz", "cells.needed"),
        (20, {"kind": "loopback"}, "tone_hz", "cells.needed"),
    ],
)
def test_a_take_at_fault(tmp_path, index, cells, column, code):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(index, **cells)))
    assert holds(fault, code, file="takes.csv", row=index + 2, column=column)
    found = fields_of(fault)
    alone = ("cells.free_without_tap", "cells.place_without_tap")
    assert found.get("value", "") == cells.get(column, "") or code in alone
    assert found.get("kind", "") == (cells.get("kind", "tone") if code == "cells.needed" else
                                     "tone" if code in alone else "")  # fmt: skip


@pytest.mark.parametrize(("kind", "cells"), [
    ("sweep", {"moved_mm": "2"}), ("tap", {"turned": "yes"}), ("driver", {"turned": "yes"}),
    ("loopback", {"mic_times": "2"}), ("idle", {"mic_times": "2"}),
])  # fmt: skip
def test_only_tones_test_a_cause_and_the_driver_on_the_block_at_another_distance(
    tmp_path, kind, cells
):
    rows = changed_take(0, kind=kind, **cells)
    place = {"row": 2, "column": next(iter(cells)), "kind": kind}
    assert holds(only(faults_of(tmp_path / "s", takes=rows)), "cells.test_of_another_kind", **place)
    rows = changed_take(20, kind="driver", tone_hz="172", mic_times="2")
    assert read_study(write_study(tmp_path / "t", takes=rows)).takes[-1].is_test


def test_a_mount_is_turned_or_it_is_not(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(0, turned="yes")))
    board = {"specimen": "L1", "mount": 1}
    assert holds(fault, "sheets.turned_in_part", row=3, column="turned", other_row=2, **board)


def test_takes_that_test_a_cause_may_share_repeat_and_signal_with_others(tmp_path):
    rows = take_rows()
    for row, cells in zip(rows[1:4], ({"moved_mm": "2"}, {"turned": "yes"}, {"turned": "yes"}),
                          strict=True):  # fmt: skip
        row |= cells
    rows[1]["repeat"] = "1"
    takes = read_study(write_study(tmp_path / "s", takes=rows)).takes
    assert [take.is_test for take in takes[:5]] == [False, True, True, True, False]
    assert (takes[1].moved_mm, takes[2].turned, takes[0].mic_times) == (2.0, True, None)


def test_an_airborne_take_needs_specimen_mount_and_tone_but_no_repeat(tmp_path):
    faults = faults_of(tmp_path / "s", takes=changed_take(20, kind="airborne"))
    assert [fields_of(fault)["column"] for fault in faults] == ["specimen", "mount", "tone_hz"]
    good = changed_take(20, kind="airborne", specimen="L1", mount="1", tone_hz="172")
    assert read_study(write_study(tmp_path / "t", takes=good)).takes[-1].repeat is None


def test_a_free_tap_is_read(tmp_path):
    rows = changed_take(0, kind="Tap", support="Free", tone_hz="")
    take = read_study(write_study(tmp_path / "s", takes=rows)).takes[0]
    assert (take.kind, take.support, take.tone_hz) == ("tap", "free", None)


def test_taps_of_one_mount_at_several_places_are_several_takes(tmp_path):
    """Repeats count within a place or over all of them; an empty cell is place 1."""
    rows = take_rows()
    for row, repeat, place in zip(rows[:4], "1112", ("", "2", "1", "3"), strict=True):
        row |= {"kind": "tap", "tone_hz": "", "repeat": repeat, "place": place}
    study = read_study(write_study(tmp_path / "s", takes=rows))
    assert [take.place for take in study.takes[:5]] == [1, 2, 1, 3, 1]
    assert study.warnings == ()
    rows[1]["place"] = "1"
    fault = only(faults_of(tmp_path / "t", takes=rows))
    assert holds(fault, "sheets.same_take", row=3, column="repeat", other_row=2)


def test_a_column_that_is_needed_but_not_there_is_told_once(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "takes.csv"
    path.write_text(path.read_text().replace("tone_hz", "tone", 1))
    place = {"file": "takes.csv", "row": 1}
    assert holds(
        only(broken(folder)), "sheets.no_column", **place, columns=["tone_hz"], kind="tone"
    )


def test_a_started_time_is_read_and_zones_are_not_mixed(tmp_path):
    rows = changed_take(0, started="2025-03-14 09:30")
    study = read_study(write_study(tmp_path / "s", takes=rows))
    assert study.takes[0].started == datetime(2025, 3, 14, 9, 30)
    rows[4]["started"] = "2025-03-14T09:30+01:00"
    fault = only(faults_of(tmp_path / "t", takes=rows))
    place = {"file": "takes.csv", "row": 6, "column": "started"}
    assert holds(fault, "sheets.mixed_time_zones", **place, has_offset=True, other_row=2)


# takes.csv, rows together


def test_a_take_id_twice(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(4, take="L1-1-1")))
    place = {"file": "takes.csv", "row": 6, "column": "take"}
    assert holds(fault, "sheets.id_twice", **place, value="L1-1-1", other_row=2)


def test_two_rows_that_claim_to_be_one_take(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(1, repeat="1")))
    place = {"file": "takes.csv", "row": 3, "column": "repeat"}
    assert holds(fault, "sheets.same_take", **place, other_row=2)


def test_a_take_made_again_under_its_number_after_one_set_aside(tmp_path):
    rows = changed_take(1, repeat="1")
    rows[0].update(exclude="YES", reason="a door")
    study = read_study(write_study(tmp_path / "s", takes=rows))
    assert study.takes[0].exclude
    assert not study.takes[1].exclude


@pytest.mark.parametrize("cells", [{"tone_hz": "344"}, {"drive_db": "-6"}])
def test_another_signal_counts_its_own_repeats(tmp_path, cells):
    rows = [*take_rows()]
    further = {**rows[0], "take": "more", "file": "recordings/more.wav", **cells}
    assert read_study(write_study(tmp_path / "s", takes=[*rows, further])).warnings == ()


def test_controls_need_no_numbers(tmp_path):
    again = {**take_rows()[20], "take": "room after", "file": "recordings/room2.wav"}
    assert len(read_study(write_study(tmp_path / "s", takes=[*take_rows(), again])).takes) == 22
    numbered = [{**row, "repeat": "1"} for row in (take_rows()[20], again)]
    fault = only(faults_of(tmp_path / "t", takes=[*take_rows()[:20], *numbered]))
    assert holds(fault, "sheets.same_take", file="takes.csv", row=23, column="repeat", other_row=22)


def test_what_a_room_take_says_of_a_board_and_a_tone_is_not_held_against_it(tmp_path):
    rows = changed_take(20, specimen="L1", mount="9", tone_hz="170", batch="night")
    (warning,) = warnings_of(tmp_path / "s", takes=rows)
    names = {"reference": "ref", "batch": "night"}
    assert holds(warning, "sheets.reference_not_in_batch", file="takes.csv", **names)


def test_a_batch_may_do_without_the_changed_specimen(tmp_path):
    boards, rows = changed_specimen(0, role="changed"), changed_take(20, batch="night")
    found = warnings_of(tmp_path / "s", specimens=boards, takes=rows)
    lacking = [one for one in found if code_of(one) == "sheets.reference_not_in_batch"]
    assert [fields_of(one)["reference"] for one in lacking] == ["ref"]


def test_a_mount_in_two_batches(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(1, batch="day 2")))
    place = {"file": "takes.csv", "row": 3, "column": "mount"}
    known = {"mount": 1, "specimen": "L1", "batch": "day 1", "other_row": 2}
    assert holds(fault, "sheets.mount_in_two_batches", **place, **known)


def test_batches_that_would_share_a_file_name(tmp_path):
    rows = take_rows()
    for row in rows[:4]:
        row["batch"] = "Day/1"
    fault = only(faults_of(tmp_path / "s", takes=rows))
    place = {"file": "takes.csv", "row": 6, "column": "batch"}
    names = {"batch": "day 1", "other": "Day/1", "shared": "day_1", "other_row": 2}
    assert holds(fault, "sheets.batches_share_file", **place, **names)


# Recordings


def test_a_missing_recording(tmp_path):
    folder = write_study(tmp_path / "s")
    (folder / "recordings" / "R1-2-1.wav").unlink()
    place = {"file": "takes.csv", "row": 12, "column": "file"}
    name = "recordings/R1-2-1.wav"
    assert holds(only(broken(folder)), "sheets.no_recording", **place, value=name)
    assert say(only(broken(folder))) == (
        'takes.csv, row 12, column file: there is no "recordings/R1-2-1.wav"; '
        "put the recording there or correct its name"
    )


@pytest.mark.parametrize(
    ("file", "code"),
    [
        ("", "cells.empty"),
        ("../other/a.wav", "cells.leads_out"),
        ("recordings/../../a.wav", "cells.leads_out"),
        ("/etc/hostname", "cells.leads_out"),
        ("C:/sounds/a.wav", "cells.leads_out"),
        ("~/a.wav", "cells.leads_out"),
        ("recordings\\a.wav", "cells.backslash"),
        ("recordings", "sheets.folder_not_file"),
        ("study.toml/a.wav", "sheets.no_recording"),
        ("r" * 300, "sheets.cannot_open"),
    ],
)
def test_a_path_at_fault(tmp_path, file, code):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(0, file=file)))
    assert holds(fault, code, file="takes.csv", row=2, column="file")
    assert fields_of(fault).get("value", "") == file


def test_a_link_that_leaves_the_study(tmp_path):
    folder = write_study(tmp_path / "s")
    inside = folder / "recordings" / "L1-1-1.wav"
    shutil.move(inside, tmp_path / "outside.wav")
    inside.symlink_to(tmp_path / "outside.wav")
    assert holds(only(broken(folder)), "sheets.link_out", row=2, column="file")


def test_a_folder_reached_through_a_link_that_leaves_the_study(tmp_path):
    folder = write_study(tmp_path / "s")
    shutil.move(folder / "recordings", tmp_path / "elsewhere")
    (folder / "recordings").symlink_to(tmp_path / "elsewhere")
    assert {code_of(fault) for fault in broken(folder)} == {"sheets.link_out"}


def test_a_loop_of_links(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "recordings" / "L1-1-1.wav"
    path.unlink()
    path.symlink_to(path.name)
    fault = only(broken(folder))
    assert code_of(fault) in ("sheets.cannot_open", "sheets.no_recording")
    assert place_of(fault) == (2, "file")


def test_a_study_folder_that_is_itself_a_link_is_read_under_its_own_name(tmp_path):
    (tmp_path / "link").symlink_to(write_study(tmp_path / "rails"))
    assert read_study(tmp_path / "link").name == "link"


@pytest.mark.parametrize("folder", ["recordings", "Aufnahmen für Höhe"])
def test_names_that_a_mac_has_taken_apart_are_found(tmp_path, folder):
    rows = take_rows()
    rows[0]["file"] = f"{folder}/Lärche 1.wav"
    study = write_study(tmp_path / "s", takes=rows)
    apart = study / unicodedata.normalize("NFD", rows[0]["file"])
    apart.parent.mkdir(exist_ok=True)
    (study / folder / "Lärche 1.wav").unlink(missing_ok=True)
    soundfile.write(apart, np.random.default_rng(9).normal(scale=0.1, size=(50, 2)), 24000)
    found = read_study(study)
    assert found.warnings == ()
    assert found.path_of(found.takes[0]).read_bytes() == apart.read_bytes()
    assert len(file_hashes(found)) == 3 + len(rows)


def test_two_rows_with_one_file(tmp_path):
    rows = changed_take(4, file="recordings/./L1-1-1.wav")
    fault = only(faults_of(tmp_path / "s", takes=rows))
    place = {"file": "takes.csv", "row": 6, "column": "file"}
    assert holds(fault, "sheets.same_file", **place, other_row=2)


def test_a_copy_under_another_name(tmp_path):
    folder = write_study(tmp_path / "s")
    recordings = folder / "recordings"
    shutil.copy(recordings / "L2-1-1.wav", recordings / "R2-2-2.wav")
    place = {"file": "takes.csv", "row": 17, "column": "file"}
    first = {"other": "recordings/L2-1-1.wav", "other_row": 6}
    assert holds(only(broken(folder)), "sheets.copy", **place, **first)


def test_recordings_alike_at_their_beginning_are_not_copies(tmp_path):
    folder = write_study(tmp_path / "s")
    recordings = folder / "recordings"
    for name, last in (("L1-1-1.wav", b"a"), ("L1-1-2.wav", b"b")):
        (recordings / name).write_bytes(b"\0" * 70_000 + last)
    assert len(read_study(folder).takes) == 21


def test_an_empty_recording(tmp_path):
    folder = write_study(tmp_path / "s")
    for name in ("L1-1-1.wav", "L1-1-2.wav"):
        (folder / "recordings" / name).write_bytes(b"")
    assert [code_of(fault) for fault in broken(folder)] == ["sheets.empty_recording"] * 2


# Warnings


def warnings_of(folder, **parts) -> tuple[str, ...]:
    return read_study(write_study(folder, **parts)).warnings


def test_a_skipped_mount_and_a_skipped_repeat(tmp_path):
    rows = take_rows()
    for row in rows[2:4]:
        row["mount"] = "5"
    rows[5]["repeat"] = "4"
    mount, repeat = warnings_of(tmp_path / "s", takes=rows)
    lost = {"number": 5, "first": 2, "last": 4, "specimen": "L1"}
    assert holds(mount, "sheets.skipped", file="takes.csv", row=4, column="mount", **lost)
    lost = {"number": 4, "first": 2, "last": 3, "specimen": "L2", "mount": 1, "kind": "tone"}
    assert holds(repeat, "sheets.skipped", row=7, column="repeat", tone_hz=172.0, **lost)
    assert say(repeat) == (
        'takes.csv, row 7, column repeat: specimen "L2", mount 1, tone at 172 Hz has repeat 4 but '
        "no repeat 2 to 3; was it lost, or is the number wrong?"
    )


def test_an_excluded_take_counts_as_present(tmp_path):
    rows = take_rows()
    rows[0].update(exclude="yes", reason="a lorry passed")
    for row in rows[2:4]:
        row.update(exclude="yes", reason="clamp slipped")
    assert warnings_of(tmp_path / "s", takes=rows) == ()


def test_fewer_mounts_than_the_others_and_none_at_all(tmp_path):
    rows = [r for r in take_rows() if r.get("specimen") != "R1"]
    del rows[2:4]
    said = warnings_of(tmp_path / "s", takes=rows)
    place = {"file": "specimens.csv", "row": 4, "column": "specimen"}
    assert holds(said[0], "sheets.no_takes", **place, value="R1")
    counts = {"value": "L1", "mounts": 1, "usual": 2}
    assert holds(said[1], "sheets.fewer_mounts", file="takes.csv", column="mount", **counts)


def test_a_reference_may_be_mounted_less_often(tmp_path):
    rows = [r for r in take_rows() if r.get("specimen") != "ref" or r["mount"] == "1"]
    assert warnings_of(tmp_path / "s", takes=rows) == ()


@pytest.mark.parametrize(("hz", "mains_hz"), [(150.0, 50.0), (180.4, 60.0)])
def test_a_fundamental_on_the_mains(tmp_path, hz, mains_hz):
    toml = TOML + f"\n[tone]\nfundamental_hz = {hz}\n"
    rows = [{**r, "tone_hz": str(hz)} if "tone_hz" in r else r for r in take_rows()]
    (warning,) = warnings_of(tmp_path / "s", toml=toml, takes=rows)
    place = {"file": "study.toml", "section": "[tone]", "key": "fundamental_hz"}
    assert holds(warning, "settings.on_the_mains", **place, mains_hz=mains_hz, multiple=3)


def test_sources_assumed(tmp_path):
    """A board without a plank may be of any: its whole wood counts as one plank, until stated."""
    rows = changed_specimen(0, source="")
    study = read_study(write_study(tmp_path / "s", specimens=rows))
    planks = [(s.source, s.source_assumed) for s in study.boards_by_wood["larch"]]
    assert planks == [("larch", True), ("larch", False)]
    assert len({s.source for s in study.boards_by_wood["robinia"]}) == 2
    told = {"column": "source", "rows": [2], "woods": ["larch"]}
    assert holds(study.warnings[0], "sheets.planks_unnamed", **told)
    toml = TOML.replace("[study]", "[study]\nseparate_trees = true", 1)
    study = read_study(write_study(tmp_path / "t", specimens=rows, toml=toml))
    first = study.specimens[0]
    assert (first.source, first.source_assumed, study.warnings) == ("L1", False, ())


def test_one_plank_a_wood_is_told_first(tmp_path):
    rows = changed_specimen(0, source="plank 7")
    rows[1]["source"] = "plank 7"
    study = read_study(write_study(tmp_path / "s", specimens=rows))
    told = {"column": "source", "planks": {"larch": 1}, "least": 2}
    assert holds(study.warnings[0], "sheets.few_planks", **told)
    assert "boards only, whatever you record" in say(study.warnings[0])


def test_one_source_in_two_woods_and_a_wood_spelled_twice(tmp_path):
    rows = changed_specimen(0, source="p")
    rows[2]["source"] = "p"
    rows[1]["wood"] = "Larch"
    shared, spelled = warnings_of(tmp_path / "s", specimens=rows)[1:3]
    woods = ["larch", "robinia"]
    assert holds(shared, "sheets.shared_source", column="source", value="p", woods=woods)
    assert holds(spelled, "sheets.spellings", names=["larch", "Larch"], noun="wood")


@pytest.mark.parametrize(
    ("sizes", "slips"),
    [
        ({"mass_g": "0.27"}, ["mass_kg"]),
        ({"length_mm": "74.5"}, ["length_cm", "width_cm", "thickness_cm"]),
        ({"length_mm": "0.745"}, ["length_m", "sizes_cm"]),
        ({"mass_g": "4000"}, ["length_cm", "width_cm", "thickness_cm"]),
        ({"mass_g": "1"}, []),
    ],
)
def test_a_size_in_another_unit_is_told_by_a_density_that_no_wood_has(tmp_path, sizes, slips):
    rows = changed_specimen(0, length_mm="745", width_mm="38", thickness_mm="18", mass_g="270")
    assert not [w for w in warnings_of(tmp_path / "s", specimens=rows) if "density" in w]
    rows[0] |= sizes
    (told,) = [w for w in warnings_of(tmp_path / "t", specimens=rows) if "density" in w]
    assert holds(told, "sheets.density", row=2, value=rows[0]["specimen"], slips=slips, more=0)


@pytest.mark.parametrize(
    "sizes", [{"length_mm": "7"}, {"width_mm": "701"}, {"thickness_mm": "701", "width_mm": ""}]
)
def test_sizes_in_the_wrong_columns_are_told(tmp_path, sizes):
    rows = [row | {"mass_g": ""} for row in specimen_rows()]
    assert not [w for w in warnings_of(tmp_path / "s", specimens=rows) if "short" in w]
    rows[1] |= sizes
    rows[3] |= sizes
    (told,) = [w for w in warnings_of(tmp_path / "t", specimens=rows) if "short" in w]
    assert holds(told, "sheets.short", row=3, value=rows[1]["specimen"], more=1)


def test_the_lightest_and_the_heaviest_of_woods_are_no_slip():
    # Densities in kg/m3, from memory: balsa from the light end of the trade, lignum vitae.
    for density in (90.0, 1350.0):
        board = Specimen(
            specimen="X", wood="x", length_mm="100", width_mm="100", thickness_mm="100",
            mass_g=str(density), row=2,
        )  # fmt: skip
        assert density_warnings([board], "specimens.csv") == []


def test_planks_and_boards_that_look_alike_are_told_with_the_letter(tmp_path):
    rows = changed_specimen(0, source="plank L1")
    rows[1]["source"], rows[2]["source"] = "Plank L1", "рlank L1"  # the last with a Cyrillic letter
    (told,) = [w for w in warnings_of(tmp_path / "s", specimens=rows) if "spellings" in w]
    assert holds(told, "sheets.spellings", names=["plank L1", "Plank L1", "рlank L1"], noun="plank")
    assert fields_of(told)["letters"] == ["р (cyrillic small letter er)"]
    assert spellings(["сосна", "Сосна 2", "pine", "L1-1", "L11"], "specimens.csv", "wood") == []


def test_a_gain_that_no_recorder_has_is_a_fault(tmp_path):
    takes = changed_take(0, gain_db="1e300")
    fault = faults_of(tmp_path / "s", takes=takes)[0]
    assert "from -200 to 200" in say(fault).replace("\N{MINUS SIGN}", "-")


def test_names_that_a_spreadsheet_would_work_out(tmp_path):
    name = "=cmd|' /C'!A0"
    specimens = changed_specimen(0, specimen=name, source="-plank")
    specimens[1]["wood"] = specimens[0]["wood"] = "-5"  # a number is no formula
    takes = [{**row, "take": f"@{row['take']}"} for row in take_rows()]
    for row in takes:
        row["specimen"] = name if row.get("specimen") == "L1" else row.get("specimen", "")
    toml = TOML.replace('lower = "larch"', 'lower = "-5"')
    said = warnings_of(tmp_path / "s", toml=toml, specimens=specimens, takes=takes)
    assert {code_of(w) for w in said} == {"sheets.formula"}
    assert [tuple(fields_of(w).values()) for w in said] == [
        ("specimens.csv", 2, "specimen", name, 0),
        ("specimens.csv", 2, "source", "-plank", 0),
        ("takes.csv", 2, "take", "@L1-1-1", 20),
    ]


def test_unknown_columns_name_the_nearest_known_one(tmp_path):
    specimens = [{**row, "mass_kg": "1"} for row in specimen_rows()]
    takes = changed_take(0, temprature_c="21")
    said = warnings_of(tmp_path / "s", specimens=specimens, takes=takes)
    mass, temperature = said
    names = {"value": "mass_kg", "nearest": "mass_g"}
    assert holds(mass, "sheets.covariate_like_known", file="specimens.csv", row=1, **names)
    names = {"value": "temprature_c", "nearest": "temperature_c"}
    assert holds(temperature, "sheets.unknown_column", file="takes.csv", row=1, **names)


def test_other_things_to_look_at(tmp_path):
    rows = changed_take(0, tone_hz="170", order="1", reason="?")
    rows[1]["order"] = "1"
    rows[20]["kind"] = "calibrator"
    rows.append({**take_rows()[0], "batch": "day 2", "mount": "3", "take": "x"})
    rows[-1]["file"] = "recordings/x.wav"
    folder = write_study(tmp_path / "s", takes=rows)
    (folder / "recordings" / "left over.WAV").write_bytes(b"x")
    told = {code_of(warning): warning for warning in read_study(folder).warnings}
    for code, place, fields in (
        ("sheets.odd_tone", (2, "tone_hz"), {"tone_hz": 170.0, "fundamental_hz": 172.0}),
        ("sheets.same_order", (3, "order"), {"order": 1.0, "other_row": 2}),
        ("sheets.reason_unused", (2, "reason"), {}),
        ("sheets.calibrator_unused", (22, "kind"), {"batch": "day 1"}),
        ("sheets.reference_not_in_batch", (), {"reference": "ref", "batch": "day 2"}),
        ("sheets.unnamed_recordings", (), {"files": ["recordings/left over.WAV"], "unread": []}),
    ):
        assert holds(told[code], code, **fields)
        assert place_of(told[code]) == place


def test_a_batch_without_its_calibrator(tmp_path):
    toml = TOML.replace("[channels]", "[channels]\ncalibrator_db = 94.0")
    (warning,) = warnings_of(tmp_path / "s", toml=toml)
    assert holds(warning, "sheets.no_calibrator", file="takes.csv", batch="day 1")
    calibrated = changed_take(20, kind="calibrator")
    assert warnings_of(tmp_path / "t", toml=toml, takes=calibrated) == ()
    toml = toml.replace("[channels]", '[channels]\nresponse_kind = "accelerometer"')
    (warning,) = warnings_of(tmp_path / "u", toml=toml)
    place = {"section": "[channels]", "key": "calibrator_db"}
    assert holds(warning, "settings.level_unused", **place, kind="accelerometer")


def test_a_loop_of_links_beside_the_recordings_is_no_recording(tmp_path):
    folder = write_study(tmp_path / "s")
    (folder / "recordings" / "loop.wav").symlink_to("loop.wav")
    assert read_study(folder).warnings == ()


# Speed


def test_a_thousand_takes_are_read_within_seconds(tmp_path):
    rows = []
    for i in range(1000):
        name = ("L1", "L2", "R1", "R2", "ref")[i % 5]
        mount, repeat = divmod(i // 5, 10)
        row = {**take_rows()[0], "take": f"t{i}", "specimen": name, "mount": str(mount + 1)}
        rows.append({**row, "repeat": str(repeat + 1), "file": f"recordings/{i}.wav"})
    folder = write_study(tmp_path / "s", takes=rows)
    started = time.perf_counter()
    study = read_study(folder)
    assert len(study.takes) == 1000
    assert study.warnings == ()
    # Measured 0.3 s; the bound only guards against work that grows with the square.
    assert time.perf_counter() - started < 5.0


def test_pairs_are_grouped_by_key_in_the_order_in_which_they_come():
    found = grouped([("oak", 2), ("ash", 1), ("oak", 1), ("oak", 3)])
    assert list(found.items()) == [("oak", [2, 1, 3]), ("ash", [1])]

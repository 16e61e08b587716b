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

from studylib.errors import InputError
from studylib.sheets import file_hashes, read_study
from tests.breakable_study import TOML, specimen_rows, take_rows, write_study


def faults_of(folder, **parts) -> tuple[str, ...]:
    """The faults of a study written with the parts given."""
    write_study(folder, **parts)
    with pytest.raises(InputError) as caught:
        read_study(folder)
    return caught.value.faults


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
    assert (settings.tone.skip_s, settings.tone.length_s) == (0.1, 0.8)
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
    with pytest.raises(InputError, match='nearest is "day 1"'):
        study.takes_of("day1")
    with pytest.raises(InputError, match='nearest is "R1"'):
        study.specimen("r1")


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
        "specimen wood source source_assumed role beside length_mm width_mm thickness_mm mass_g "
        "moisture_pct ring_width"
    )
    assert table["ring_width"].dtype == np.float64
    assert table.loc[0, "ring_width"] == 2.5
    assert table["ring_width"].isna().sum() == 4
    assert np.isnan(table.loc[0, "mass_g"])
    assert study.specimen("L1").covariates == {"ring_width": 2.5}
    (warning,) = study.warnings
    assert warning.startswith(
        'specimens.csv, row 1: the column "note_on_saw" is not known and does not hold numbers'
    )


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
    places = [fault.partition(":")[0] for fault in faults]
    assert places == [
        "study.toml, [tone] harmonics",
        "study.toml, [decide] confidence",
        "specimens.csv, row 3, column length_mm",
        "specimens.csv, row 3, column mass_g",
        "takes.csv, row 5, column mount",
        "takes.csv, row 5, column repeat",
        "takes.csv, row 7, column specimen",
    ]
    assert all("\n" not in fault for fault in faults)


def test_no_sentence_of_the_libraries_reaches_the_user(tmp_path):
    toml = TOML + '\n[tone]\nharmonics = "many"\nskip_s = -1\nlength_s = true\n'
    for fault in faults_of(tmp_path / "s", toml=toml):
        assert "Input should be" not in fault
        assert "pydantic" not in fault
        assert "Value error" not in fault


@pytest.mark.parametrize("name", ["study.toml", "specimens.csv", "takes.csv"])
def test_a_missing_sheet_is_named(tmp_path, name):
    folder = write_study(tmp_path / "s")
    (folder / name).unlink()
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert f"{name} is not in the study folder" in caught.value.faults[0]
    assert len(caught.value.faults) == 1


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match='no study folder "nowhere"'):
        read_study(tmp_path / "nowhere")


# specimens.csv


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"mass_g": "0"}, 'column mass_g: "0" does not fit; give a number above 0'),
        ({"length_mm": "-700"}, 'column length_mm: "-700" does not fit; give a number above 0'),
        ({"width_mm": "0"}, 'column width_mm: "0" does not fit; give a number above 0'),
        ({"thickness_mm": "0"}, 'column thickness_mm: "0" does not fit; give a number above 0'),
        ({"moisture_pct": "-1"}, 'column moisture_pct: "-1" does not fit; give percent'),
        ({"mass_g": "nan"}, 'column mass_g: "nan" is not a number'),
        ({"mass_g": "1e999"}, 'column mass_g: "1e999" is too large'),
        ({"mass_g": "310 g"}, 'column mass_g: "310 g" is not a number'),
        ({"mass_g": "310,5"}, 'column mass_g: "310,5" is not a number; write a decimal point'),
        ({"wood": ""}, "column wood: the cell is empty; give the group"),
        ({"role": "referenz"}, 'the nearest known word is "reference"'),
        ({"specimen": ""}, "column specimen: the cell is empty; give an id"),
        ({"specimen": "L1\n2"}, "holds a line break"),
    ],
)
def test_a_specimen_at_fault(tmp_path, cells, said):
    faults = faults_of(tmp_path / "s", specimens=changed_specimen(0, **cells))
    assert faults[0].startswith("specimens.csv, row 2, ")
    assert said in faults[0]


def test_a_name_at_fault_is_not_blamed_on_the_empty_source(tmp_path):
    rows = changed_specimen(0, specimen="L\n1", source="")
    faults = faults_of(tmp_path / "s", specimens=rows)
    assert [f for f in faults if "row 2" in f and f.startswith("specimens.csv")] == [
        'specimens.csv, row 2, column specimen: "L\\n1" holds a line break or another character '
        "that cannot be printed; write it on one line"
    ]


def test_a_specimen_id_twice(tmp_path):
    fault = only(faults_of(tmp_path / "s", specimens=[*specimen_rows(), specimen_rows()[0]]))
    assert fault.startswith("specimens.csv, row 7, column specimen:")
    assert "row 2" in fault


def test_a_second_reference(tmp_path):
    fault = only(faults_of(tmp_path / "s", specimens=changed_specimen(0, role="Reference")))
    assert fault.startswith("specimens.csv, row 6, column role:")


def test_a_missing_column_names_the_one_that_is_meant(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "specimens.csv"
    path.write_text(path.read_text().replace("wood,", "Wood ,", 1))
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert caught.value.faults[0] == (
        'specimens.csv, row 1: there is no column "wood"; add it (perhaps "Wood" is meant to be it)'
    )


@pytest.mark.parametrize("column", ["specimen", "source", "role", "mass_g"])
def test_a_column_that_cannot_be_compared(tmp_path, column):
    toml = TOML.replace("[study]", f'[study]\ncompare = "{column}"')
    faults = faults_of(tmp_path / "s", toml=toml)
    assert f'study.toml, [study] compare: "{column}" cannot be compared' in " ".join(faults)


# takes.csv, one row


@pytest.mark.parametrize(
    ("index", "cells", "said"),
    [
        (0, {"take": ""}, "column take: the cell is empty"),
        (0, {"batch": ""}, "column batch: the cell is empty"),
        (0, {"kind": ""}, "column kind:"),
        (0, {"kind": "tones"}, 'column kind: "tones" is not known here, the nearest known word is'),
        (0, {"specimen": ""}, "column specimen: the cell is empty; a tone take needs its specimen"),
        (0, {"mount": ""}, "column mount: the cell is empty; a tone take needs its mount"),
        (0, {"repeat": ""}, "column repeat: the cell is empty; a tone take needs its repeat"),
        (0, {"tone_hz": ""}, "column tone_hz: the cell is empty; a tone take needs its tone_hz"),
        (0, {"mount": "0"}, 'column mount: "0" does not fit; give a whole number from 1 up'),
        (0, {"repeat": "0"}, 'column repeat: "0" does not fit; give a whole number from 1 up'),
        (0, {"temperature_c": "-300"}, 'column temperature_c: "-300" does not fit; give degrees'),
        (0, {"temperature_c": "95"}, 'column temperature_c: "95" does not fit; give degrees'),
        (0, {"gain_db": "x"}, 'column gain_db: "x" is not a number'),
        (0, {"order": "first"}, 'column order: "first" is not a number'),
        (0, {"mount": "1.5"}, 'column mount: "1.5" is not a whole number'),
        (0, {"tone_hz": "-172"}, 'column tone_hz: "-172" does not fit'),
        (0, {"tone_hz": "inf"}, 'column tone_hz: "inf" is not a number'),
        (0, {"drive_db": "3"}, 'column drive_db: "3" does not fit; give 0 or a negative number'),
        (0, {"support": "free"}, 'column support: "free" is for taps'),
        (0, {"support": "table"}, 'column support: "table" is not known here'),
        (0, {"started": "14.03.2025"}, 'column started: "14.03.2025" is not a date and time'),
        (0, {"started": "2025-02-30"}, 'column started: "2025-02-30" is not a date and time'),
        (0, {"exclude": "yes"}, "column reason: the cell is empty"),
        (0, {"exclude": "maybe"}, 'column exclude: "maybe" does not fit'),
        (0, {"humidity_pct": "140"}, 'column humidity_pct: "140" does not fit'),
        (0, {"specimen": "L3"}, 'column specimen: "L3" is not in specimens.csv; the nearest is'),
        (20, {"kind": "driver"}, "column tone_hz: the cell is empty; a driver take needs"),
        (20, {"kind": "loopback"}, "column tone_hz: the cell is empty; a loopback take needs"),
    ],
)
def test_a_take_at_fault(tmp_path, index, cells, said):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(index, **cells)))
    assert fault.startswith(f"takes.csv, row {index + 2}, ")
    assert said in fault


def test_an_airborne_take_needs_specimen_mount_and_tone_but_no_repeat(tmp_path):
    faults = faults_of(tmp_path / "s", takes=changed_take(20, kind="airborne"))
    assert [f.split("column ")[1].split(":")[0] for f in faults] == ["specimen", "mount", "tone_hz"]
    good = changed_take(20, kind="airborne", specimen="L1", mount="1", tone_hz="172")
    assert read_study(write_study(tmp_path / "t", takes=good)).takes[-1].repeat is None


def test_a_free_tap_is_read(tmp_path):
    rows = changed_take(0, kind="Tap", support="Free", tone_hz="")
    take = read_study(write_study(tmp_path / "s", takes=rows)).takes[0]
    assert (take.kind, take.support, take.tone_hz) == ("tap", "free", None)


def test_a_column_that_is_needed_but_not_there_is_told_once(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "takes.csv"
    path.write_text(path.read_text().replace("tone_hz", "tone", 1))
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert caught.value.faults == (
        'takes.csv, row 1: there is no column "tone_hz", which a tone take needs; add it',
    )


def test_a_started_time_is_read_and_zones_are_not_mixed(tmp_path):
    rows = changed_take(0, started="2025-03-14 09:30")
    study = read_study(write_study(tmp_path / "s", takes=rows))
    assert study.takes[0].started == datetime(2025, 3, 14, 9, 30)
    rows[4]["started"] = "2025-03-14T09:30+01:00"
    fault = only(faults_of(tmp_path / "t", takes=rows))
    assert fault.startswith("takes.csv, row 6, column started:")


# takes.csv, rows together


def test_a_take_id_twice(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(4, take="L1-1-1")))
    assert fault.startswith("takes.csv, row 6, column take:")
    assert "row 2" in fault


def test_two_rows_that_claim_to_be_one_take(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(1, repeat="1")))
    assert fault.startswith("takes.csv, row 3, column repeat:")
    assert "row 2" in fault


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
    assert fault.startswith("takes.csv, row 23, column repeat:")


def test_what_a_room_take_says_of_a_board_and_a_tone_is_not_held_against_it(tmp_path):
    rows = changed_take(20, specimen="L1", mount="9", tone_hz="170", batch="night")
    said = warnings_of(tmp_path / "s", takes=rows)
    assert said == (
        'takes.csv: the reference "ref" is not in batch "night", so drift from batch to batch '
        "cannot be watched there",
    )


def test_a_mount_in_two_batches(tmp_path):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(1, batch="day 2")))
    assert fault.startswith('takes.csv, row 3, column mount: mount 1 of "L1" is in batch "day 1"')


def test_batches_that_would_share_a_file_name(tmp_path):
    rows = take_rows()
    for row in rows[:4]:
        row["batch"] = "Day/1"
    fault = only(faults_of(tmp_path / "s", takes=rows))
    assert fault.startswith('takes.csv, row 6, column batch: "day 1" and "Day/1" (row 2)')


# Recordings


def test_a_missing_recording(tmp_path):
    folder = write_study(tmp_path / "s")
    (folder / "recordings" / "R1-2-1.wav").unlink()
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert only(caught.value.faults) == (
        'takes.csv, row 12, column file: there is no "recordings/R1-2-1.wav"; '
        "put the recording there or correct its name"
    )


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("", "the cell is empty"),
        ("../other/a.wav", "leads out of the study folder"),
        ("recordings/../../a.wav", "leads out of the study folder"),
        ("/etc/hostname", "leads out of the study folder"),
        ("C:/sounds/a.wav", "leads out of the study folder"),
        ("~/a.wav", "leads out of the study folder"),
        ("recordings\\a.wav", "holds a backslash"),
        ("recordings", "is a folder"),
        ("study.toml/a.wav", 'there is no "study.toml/a.wav"'),
        ("r" * 300, "cannot be opened"),
    ],
)
def test_a_path_at_fault(tmp_path, file, said):
    fault = only(faults_of(tmp_path / "s", takes=changed_take(0, file=file)))
    assert fault.startswith("takes.csv, row 2, column file:")
    assert said in fault


def test_a_link_that_leaves_the_study(tmp_path):
    folder = write_study(tmp_path / "s")
    inside = folder / "recordings" / "L1-1-1.wav"
    shutil.move(inside, tmp_path / "outside.wav")
    inside.symlink_to(tmp_path / "outside.wav")
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert "row 2, column file" in only(caught.value.faults)
    assert "through a link" in only(caught.value.faults)


def test_a_folder_reached_through_a_link_that_leaves_the_study(tmp_path):
    folder = write_study(tmp_path / "s")
    shutil.move(folder / "recordings", tmp_path / "elsewhere")
    (folder / "recordings").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="through a link"):
        read_study(folder)


def test_a_loop_of_links(tmp_path):
    folder = write_study(tmp_path / "s")
    path = folder / "recordings" / "L1-1-1.wav"
    path.unlink()
    path.symlink_to(path.name)
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert only(caught.value.faults).startswith("takes.csv, row 2, column file:")


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
    assert fault.startswith("takes.csv, row 6, column file:")
    assert "is the recording of row 2 as well" in fault


def test_a_copy_under_another_name(tmp_path):
    folder = write_study(tmp_path / "s")
    recordings = folder / "recordings"
    shutil.copy(recordings / "L2-1-1.wav", recordings / "R2-2-2.wav")
    with pytest.raises(InputError) as caught:
        read_study(folder)
    fault = only(caught.value.faults)
    assert fault.startswith("takes.csv, row 17, column file:")
    assert 'is a copy of "recordings/L2-1-1.wav" (row 6)' in fault


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
    with pytest.raises(InputError) as caught:
        read_study(folder)
    assert ["is empty" in fault for fault in caught.value.faults] == [True, True]


# Warnings


def warnings_of(folder, **parts) -> tuple[str, ...]:
    return read_study(write_study(folder, **parts)).warnings


def test_a_skipped_mount_and_a_skipped_repeat(tmp_path):
    rows = take_rows()
    for row in rows[2:4]:
        row["mount"] = "5"
    rows[5]["repeat"] = "4"
    assert warnings_of(tmp_path / "s", takes=rows) == (
        'takes.csv, row 4, column mount: specimen "L1" has mount 5 but no mount 2 to 4; '
        "was it lost, or is the number wrong?",
        'takes.csv, row 7, column repeat: specimen "L2", mount 1, tone at 172 Hz has repeat 4 but '
        "no repeat 2 to 3; was it lost, or is the number wrong?",
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
    assert said[0] == 'specimens.csv, row 4, column specimen: no take of "R1" is in takes.csv'
    assert said[1] == 'takes.csv, column mount: "L1" has 1 mount where most specimens have 2'


@pytest.mark.parametrize(("hz", "said"), [(150.0, "3 x 50 Hz"), (180.4, "3 x 60 Hz")])
def test_a_fundamental_on_the_mains(tmp_path, hz, said):
    toml = TOML + f"\n[tone]\nfundamental_hz = {hz}\n"
    rows = [{**r, "tone_hz": str(hz)} if "tone_hz" in r else r for r in take_rows()]
    (warning,) = warnings_of(tmp_path / "s", toml=toml, takes=rows)
    assert warning.startswith("study.toml, [tone] fundamental_hz:")
    assert said in warning


def test_sources_assumed(tmp_path):
    rows = changed_specimen(0, source="")
    study = read_study(write_study(tmp_path / "s", specimens=rows))
    assert (study.specimens[0].source, study.specimens[0].source_assumed) == ("L1", True)
    assert "column source: empty in row 2;" in study.warnings[0]


def test_one_source_in_two_woods_and_a_wood_spelled_twice(tmp_path):
    rows = changed_specimen(0, source="p")
    rows[2]["source"] = "p"
    rows[1]["wood"] = "Larch"
    said = " ".join(warnings_of(tmp_path / "s", specimens=rows))
    assert 'column source: "p" is in "larch" and "robinia"' in said
    assert '"larch" and "Larch" differ only in capitals' in said


def test_names_that_a_spreadsheet_would_work_out(tmp_path):
    name = "=cmd|' /C'!A0"
    specimens = changed_specimen(0, specimen=name, source="-plank")
    specimens[1]["wood"] = specimens[0]["wood"] = "-5"  # a number is no formula
    takes = [{**row, "take": f"@{row['take']}"} for row in take_rows()]
    for row in takes:
        row["specimen"] = name if row.get("specimen") == "L1" else row.get("specimen", "")
    toml = TOML.replace('lower = "larch"', 'lower = "-5"')
    said = warnings_of(tmp_path / "s", toml=toml, specimens=specimens, takes=takes)
    assert [w.partition(" begins like a formula")[0] for w in said] == [
        f'specimens.csv, row 2, column specimen: "{name}"',
        'specimens.csv, row 2, column source: "-plank"',
        'takes.csv, row 2, column take: "@L1-1-1" (and 20 more)',
    ]


def test_unknown_columns_name_the_nearest_known_one(tmp_path):
    specimens = [{**row, "mass_kg": "1"} for row in specimen_rows()]
    takes = changed_take(0, temprature_c="21")
    said = warnings_of(tmp_path / "s", specimens=specimens, takes=takes)
    assert any('"mass_kg"' in w and '"mass_g"' in w for w in said)
    assert any('"temprature_c"' in w and '"temperature_c"' in w for w in said)


def test_other_things_to_look_at(tmp_path):
    rows = changed_take(0, tone_hz="170", order="1", reason="?")
    rows[1]["order"] = "1"
    rows[20]["kind"] = "calibrator"
    rows.append({**take_rows()[0], "batch": "day 2", "mount": "3", "take": "x"})
    rows[-1]["file"] = "recordings/x.wav"
    folder = write_study(tmp_path / "s", takes=rows)
    (folder / "recordings" / "left over.WAV").write_bytes(b"x")
    said = " | ".join(read_study(folder).warnings)
    assert "row 2, column tone_hz: 170 Hz is neither the fundamental" in said
    assert "row 3, column order: 1 is in row 2 already" in said
    assert "row 2, column reason: a reason is given but exclude is empty" in said
    assert "row 22, column kind: the calibrator take of batch" in said
    assert 'the reference "ref" is not in batch "day 2"' in said
    assert '1 recording is in no row of takes.csv ("recordings/left over.WAV")' in said


def test_a_batch_without_its_calibrator(tmp_path):
    toml = TOML.replace("[channels]", "[channels]\ncalibrator_db = 94.0")
    (warning,) = warnings_of(tmp_path / "s", toml=toml)
    assert 'batch "day 1" has no calibrator take' in warning
    calibrated = changed_take(20, kind="calibrator")
    assert warnings_of(tmp_path / "t", toml=toml, takes=calibrated) == ()
    toml = toml.replace("[channels]", '[channels]\nresponse_kind = "accelerometer"')
    (warning,) = warnings_of(tmp_path / "u", toml=toml)
    assert "used only for a microphone" in warning


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

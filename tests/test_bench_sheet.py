"""The bench sheet: every take once and in order, cautions on their lines, a table left alone."""

from __future__ import annotations

from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import soundfile
from markupsafe import escape

from studylib.bench.schedule import write_schedule
from studylib.bench.sheet import (
    BY_HAND,
    COLUMNS,
    advice,
    groups,
    level,
    sheet_table,
    to_do,
    write_sheets,
)
from studylib.codes import code_of, fields_of
from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.files import read_table
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.notes import holds
from tests.planned_study import TOML, boards, write_planned

FELT = 'response_kind = "accelerometer"\ndrive = 2'


class Page(HTMLParser):
    """Cells of the table rows as text, with the class of each row; and every tag."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.tags, self.headings, self._in_heading = [], [], [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        self._in_heading = tag == "h2"
        if self._in_heading:
            self.headings.append("")

    def handle_data(self, data):
        if self._in_heading:
            self.headings[-1] += data
            self._in_heading = False
        elif self.rows and self.rows[-1]:
            self.rows[-1][-1] += data

    def takes(self):
        return [row for row in self.rows if len(row) == 6 and row[0].isdigit()]


def scheduled(tmp_path, **options):
    folder = write_planned(tmp_path / "rails", **options)
    write_schedule(read_unrecorded(folder))
    return read_study(folder)


def page_of(study, batch="day1"):
    write_sheets(study)
    return Page((study.folder / "bench_sheets" / f"{batch}.html").read_text(encoding="utf-8"))


def test_every_take_is_there_once_and_in_order(tmp_path):
    study = scheduled(tmp_path)
    rows = page_of(study).takes()
    takes = study.scheduled_of("day1")
    assert [row[0] for row in rows] == [str(n) for n in range(1, len(takes) + 1)]
    assert [f"recordings/day1/{row[4]}" for row in rows] == [take.file for take in takes]
    probe = next(row for row in rows if "tone516" in row[4])
    take = takes[int(probe[0]) - 1]
    assert probe[2:4] == [say(to_do(take, takes)), say(level(take))]
    asked = {"kind": "tone", "signal": "tone516.wav", "taps": 3, "place": 0}
    assert fields_of(to_do(take, [take])) == asked
    assert fields_of(level(take)) == {"below_db": 0.0}


def test_what_is_recorded_is_ticked(tmp_path):
    study = scheduled(tmp_path)
    first = study.planned[0]
    (study.folder / "recordings" / "day1").mkdir()
    noise = np.random.default_rng(1).normal(scale=0.1, size=(50, 2))
    soundfile.write(study.folder / first.file, noise, 48_000)
    rows = page_of(read_study(study.folder)).takes()
    assert rows[0][1] == "✓"
    assert not any(row[1] for row in rows[1:])


def test_cautions_stand_before_the_lines_that_they_are_for(tmp_path):
    bare = TOML.replace('drive = 2\ndrive_kind = "acceleration"\n', "")
    page = page_of(scheduled(tmp_path, toml=bare))
    rows = [row for row in page.rows if row and (row[0].isdigit() or len(row) == 2)]
    after = {}
    for row, following in pairwise(rows):
        if len(row) == 2:
            after.setdefault(following[4], row[1])
    for name, kind, full in (
        ("day1-loopback172-r1.wav", "loopback", False),
        ("day1-driver172-down18-r1.wav", "driver", False),
        ("day1-driver172-r1.wav", "", True),
        ("day1-airborne172-r1.wav", "airborne", True),
        ("REF-m1-tone172-r1.wav", "", True),
        ("REF-m1-tap-p1-r1.wav", "tap", False),
    ):
        assert after[name] == say("bench.caution", kind=kind, full=full)
        assert after[name]
    assert "REF-m1-tone172-r2.wav" not in after
    text = (tmp_path / "rails" / "bench_sheets" / "day1.html").read_text(encoding="utf-8")
    for word in ("Loud tones", "Headphones", "Mains", "Wood dust", "Local rules"):
        assert word in text


def test_takes_that_test_a_cause_stand_with_what_to_change_and_its_caution(tmp_path):
    keys = "mic_times = 2\nmoved_mm = 2\nminutes_day = 500\n"
    study = scheduled(tmp_path, toml=TOML + keys)
    found = groups(study, "day1")
    said = [say(group.heading) for group in found]
    assert "Idle: everything on and turned up as for the tone, nothing played" in said
    assert "REF, mount 1: driver moved by 2 mm along the board, nothing else changed" in said
    assert any(text.startswith("REF, mount 1: microphone at 2 times its distance") for text in said)
    assert "Set up REF (reference) anew, its ends exchanged: mount 4" in said
    page = page_of(study)
    text = [row[-1] for row in page.rows if row and len(row) == 2]
    assert say("bench.caution", kind="idle", full=False) in text
    assert say("bench.caution", kind="moved", full=True) in text
    idle = next(row for row in page.takes() if row[4] == "day1-idle-r1.wav")
    assert idle[2].startswith("Play nothing")
    takes = study.scheduled_of("day1")
    text = (study.folder / "bench_sheets" / "day1.html").read_text(encoding="utf-8")
    assert f"about {23 * 5.0 + len(takes) * 0.8:.0f} minutes" in text  # moving and hanging are none


def test_the_sheet_says_where_the_microphone_goes_and_what_helps_against_the_room(tmp_path):
    study = scheduled(tmp_path)
    rows = {row[4]: row[2] for row in page_of(study).takes()}
    for place in (1, 2, 3):
        own = rows[f"REF-m1-tap-p{place}-r1.wav"]
        assert own.startswith(
            f"Microphone to place {place}; driver silent: record, then tap 3 times"
        )
    table = sheet_table(study, "day1").set_index("take")["place"]
    assert (table["REF-m1-tap-p3-r1"], table["REF-m1-tone172-r1"]) == (3, "")
    taps = advice(study, study.scheduled_of("day1"))
    assert list(map(code_of, taps)) == [
        "room.begin", "room.near", "room.moved", "room.damped", "room.contact"
    ]  # fmt: skip
    text = (study.folder / "bench_sheets" / "day1.html").read_text(encoding="utf-8")
    assert all(escape(say(one)) in text for one in taps)
    assert "at 3 places" in say(taps[2])
    felt = scheduled(tmp_path / "felt", toml=TOML.replace("drive = 2", FELT))
    page = {row[4]: row[2] for row in page_of(felt).takes()}
    assert page["REF-m1-tap-r1.wav"].startswith("Driver silent: record, then tap 3 times")
    assert advice(felt, felt.scheduled_of("day1")) == ["room.begin"]
    assert advice(study, study.scheduled_of("day1")[:1]) == []


def test_each_mount_has_its_heading_and_its_boxes(tmp_path):
    study = scheduled(tmp_path)
    page = page_of(study)
    found = groups(study, "day1")
    assert page.headings == [say(group.heading) for group in found]
    mounts = {(t.specimen, t.mount) for t in study.scheduled_of("day1") if t.kind == "sweep"}
    for specimen, mount in mounts:
        own = [fields_of(g.heading) for g in found if g.takes[0].kind != "airborne"]
        assert sum((f["specimen"], f["mount"], f["support"]) == (specimen, mount, "bench")
                   for f in own) == 1  # fmt: skip
    roles = {f["specimen"]: f["role"] for f in own}
    assert (roles["REF"], roles["CHA"]) == ("reference", "changed")


def test_the_page_opens_offline_and_shows_names_as_text(tmp_path):
    rows = [*boards({"larch": 2, "robinia": 2}), "<b>X</b>,larch,p,745,38,18,250,9,,,"]
    title = TOML.replace("Rails to be recorded", "Rails <script>alert(1)</script>")
    study = scheduled(tmp_path, rows=rows, toml=title + "batches = 1\n")
    page = page_of(study)
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "img", "iframe"}
    assert any("<b>X</b>" in heading for heading in page.headings)
    policy = next(a for tag, a in page.tags if tag == "meta" and "http-equiv" in a)
    assert policy["content"].startswith("default-src 'none'")
    text = (study.folder / "bench_sheets" / "day1.html").read_text(encoding="utf-8")
    assert "http" not in text.replace("http-equiv", "")


def test_the_table_is_one_that_a_spreadsheet_and_we_can_read(tmp_path):
    study = scheduled(tmp_path)
    write_sheets(study, batches=["day2"])
    path = study.folder / "bench_sheets" / "day2.csv"
    assert not (study.folder / "bench_sheets" / "day1.csv").exists()
    assert read_table(path).columns == COLUMNS
    read = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert list(read["take"]) == [t.take for t in study.scheduled_of("day2")]
    assert not read[list(BY_HAND)].any(axis=None)
    assert list(sheet_table(study, "day2").columns) == list(COLUMNS)


def test_a_table_that_was_filled_in_is_never_written_over(tmp_path):
    study = scheduled(tmp_path)
    write_sheets(study)
    path = study.folder / "bench_sheets" / "day1.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.loc[3, "remark"] = "a door slammed"
    table.to_csv(path, index=False)
    before = path.read_bytes()
    written = write_sheets(study)
    assert path.read_bytes() == before
    assert study.folder / "bench_sheets" / "day1-2.csv" in written
    assert write_sheets(study)[1].name == "day1-2.csv"  # nobody filled that one in


def test_an_unknown_batch_is_told_with_the_nearest(tmp_path):
    study = scheduled(tmp_path)
    with pytest.raises(InputError) as caught:
        write_sheets(study, batches=["day1", "day3"])
    assert holds(caught.value.notes[0], "sheets.no_batch", name="day3")
    assert not (study.folder / "bench_sheets").exists()

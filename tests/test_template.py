"""What `study new` writes fits what is read, and nothing is ever written over."""

from __future__ import annotations

import re
import tomllib

import pytest

from studylib.codes import code_of, fields_of
from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.files import write_template
from studylib.sheets.rows import SPECIMEN_COLUMNS, TAKE_COLUMNS
from studylib.sheets.settings import Claim, Settings
from studylib.sheets.settings_file import read_settings
from tests.breakable_study import specimen_rows, take_rows, write_study

SPECIMEN_HEADER = (
    "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g,moisture_pct,grain,role,note\n"
)


def test_the_files_are_written_and_named(tmp_path):
    folder = tmp_path / "below" / "rails"
    written = write_template(folder)
    assert [path.relative_to(folder).as_posix() for path in written] == [
        "study.toml",
        "specimens.csv",
        "takes.csv",
        "README.md",
        "recordings",
    ]
    assert sorted(folder.iterdir()) == sorted(written)
    assert b"\r" not in (folder / "study.toml").read_bytes()


def test_the_headers_are_the_columns_that_are_read(tmp_path):
    write_template(tmp_path)
    assert (tmp_path / "specimens.csv").read_text() == SPECIMEN_HEADER
    assert (tmp_path / "takes.csv").read_text() == ",".join(TAKE_COLUMNS) + "\n"
    readme = (tmp_path / "README.md").read_text()
    for column in (*SPECIMEN_COLUMNS, *TAKE_COLUMNS):
        assert re.search(rf"\b{column}\b", readme), column


def test_what_is_still_to_be_filled_in_is_told(tmp_path):
    write_template(tmp_path)
    with pytest.raises(InputError) as caught:
        read_study(tmp_path)
    faults = [(code_of(fault), fields_of(fault)) for fault in caught.value.notes]
    assert [(code, fields["file"], fields.get("key")) for code, fields in faults] == [
        ("cells.unfit", "study.toml", "title"),
        ("cells.unfit", "study.toml", "question"),
        ("sheets.no_rows", "specimens.csv", None),
        ("sheets.no_rows", "takes.csv", None),
    ]


def test_a_filled_template_is_read_without_a_word(tmp_path):
    template = write_template(tmp_path / "new")[0].read_text()
    toml = template.replace('title = ""', 'title = "t"').replace('question = ""', 'question = "q"')
    study = read_study(write_study(tmp_path / "s", toml=toml))
    assert study.warnings == ()
    assert study.settings == Settings.model_validate({"study": {"title": "t", "question": "q"}})


def test_every_key_stands_in_the_template_with_its_default(tmp_path):
    text = write_template(tmp_path)[0].read_text()
    # Remarks that set a key or open a claim become lines.
    lines = re.sub(r'(?m)^# (?=(\[\[|[a-z_]+ = |"))', "", text)
    raw = tomllib.loads(lines)
    for name, field in Settings.model_fields.items():
        inner = {"claims": Claim}.get(name) or field.annotation
        given = raw["claim"][0] if name == "claims" else raw[name]
        known = getattr(inner, "model_fields", {})
        assert set(known) == set(given) or name in ("quality", "tap", "sweep", "pluck"), name
    examples = {
        "drive",
        "drive_kind",
        "rate_hz",
        "full_scale_db",
        "calibrator_db",
        "limits",
        "skip_s",
    }
    for section in ("channels", "tone", "decide"):
        defaults = Settings.model_fields[section].annotation()
        for key, value in raw[section].items():
            default = getattr(defaults, key)
            expected = list(default) if isinstance(default, tuple) else default
            assert key in examples or value == expected, key


def test_the_examples_of_the_template_are_valid_together(tmp_path):
    path = write_template(tmp_path)[0]
    text = re.sub(r'(?m)^# (?=(\[\[|[a-z_]+ = |"))', "", path.read_text())
    text = re.sub(r"(?m)^calibrator_db.*$", "", text)
    text = text.replace('title = ""', 'title = "t"').replace('question = ""', 'question = "q"')
    path.write_text(text)
    reading = read_settings(path)
    assert reading.faults == ()
    assert reading.warnings == ()
    assert reading.settings.claims[0].higher == "cherry"
    assert reading.settings.decide.limits == {"tone.h1.level_db": 1.0}


def test_the_readme_carries_the_cautions(tmp_path):
    write_template(tmp_path)
    readme = (tmp_path / "README.md").read_text().lower()
    for word in ("loud tones", "headphones", "wood dust", "mains-powered", "local rules", "qualif"):
        assert word in readme


def test_an_empty_folder_is_filled(tmp_path):
    (tmp_path / "rails").mkdir()
    assert len(write_template(tmp_path / "rails")) == 5


@pytest.mark.parametrize("name", ["study.toml", ".hidden"])
def test_a_folder_that_holds_something_is_left_alone(tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(InputError) as caught:
        write_template(tmp_path)
    assert caught.value.codes == ("sheets.new_not_empty",)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "rails").write_text("mine")
    with pytest.raises(InputError) as caught:
        write_template(tmp_path / "rails")
    assert caught.value.codes == ("sheets.new_is_file",)
    with pytest.raises(InputError) as caught:
        write_template(tmp_path / "rails" / "below")
    assert caught.value.codes == ("sheets.new_unwritable",)
    assert (tmp_path / "rails").read_text() == "mine"


def test_the_helpers_of_these_tests_agree_with_the_template():
    assert set(specimen_rows()[0]) <= set(SPECIMEN_COLUMNS)
    assert set(take_rows()[0]) <= set(TAKE_COLUMNS)

"""What `study new` writes fits what is read, and nothing is ever written over."""

from __future__ import annotations

import re
import tomllib

import pytest

from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.first_study import SIMPLE, write_new
from studylib.sheets.rows import SPECIMEN_COLUMNS, TAKE_COLUMNS
from studylib.sheets.settings import Claim, Settings
from studylib.sheets.settings_file import read_settings
from studylib.sheets.study import read_unrecorded
from tests.breakable_study import specimen_rows, take_rows, write_study

SPECIMEN_HEADER = (
    "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g,moisture_pct,grain,role,note\n"
)


def begun(folder, **answers):
    """A new study of two woods."""
    given = {"woods": ("larch", "cherry"), "boards": 2, "separate_trees": True, "tone_hz": 172.0}
    write_new(folder, **(given | answers))
    return folder


def all_keys(folder) -> str:
    """every_key.toml with a title and a question; remarks that set a key are lines."""
    text = (folder / "every_key.toml").read_text()
    text = text.replace('title = ""', 'title = "t"').replace('question = ""', 'question = "q"')
    return re.sub(r'(?m)^# (?=(\[\[|[a-z_]+ = |"))', "", text)


def test_the_files_are_written_and_named(tmp_path):
    folder = begun(tmp_path / "below" / "rails")
    assert sorted(path.name for path in folder.iterdir()) == [
        *(".gitignore", "CITATION.cff", "LICENSE.md", "README.md", "every_key.toml", "recordings"),
        *("requirements.txt", "rerun.sh", "specimens.csv", "study.toml", "takes.csv"),
    ]
    assert b"\r" not in (folder / "study.toml").read_bytes()


def test_the_headers_are_the_columns_that_are_read(tmp_path):
    begun(tmp_path)
    assert (tmp_path / "specimens.csv").read_text().startswith(SPECIMEN_HEADER)
    assert (tmp_path / "takes.csv").read_text() == ",".join(TAKE_COLUMNS) + "\n"
    readme = (tmp_path / "README.md").read_text()
    for column in (*SPECIMEN_COLUMNS, *TAKE_COLUMNS):
        assert re.search(rf"\b{column}\b", readme), column


def test_a_new_study_holds_its_answers_and_is_read_without_a_word(tmp_path):
    woods = ("larch", "lime", 'the "old"\\ Kirsche')
    begun(tmp_path, woods=woods, boards=3, separate_trees=False, tone_hz=220.5)
    study = read_unrecorded(tmp_path)
    settings = study.settings
    assert study.woods == woods
    assert [s.specimen for s in study.specimens][:4] == ["La1", "La2", "La3", "Li1"]
    assert all(wood in settings.study.question for wood in woods)
    assert settings.tone.fundamental_hz == 220.5
    assert (settings.study.separate_trees, settings.plan.boards) == (False, 3)
    assert {name: getattr(settings.plan, name) for name in SIMPLE} == {
        name: tuple(value) if isinstance(value, list) else value for name, value in SIMPLE.items()
    }
    _, faults, warnings = read_settings(tmp_path / "study.toml")
    assert (faults, warnings) == ([], [])


@pytest.mark.parametrize(
    ("woods", "ids"),
    [
        (("larch", "cherry"), ["L1", "C1"]),
        (("red oak", "red ash"), ["O1", "A1"]),
        (("spruce", "spruce 2"), ["A1", "B1"]),
        (("maple", "mahogany"), ["Map1", "Mah1"]),
        (("ель", "дуб"), ["A1", "B1"]),
    ],
)
def test_boards_are_called_by_letters_that_tell_woods_apart(tmp_path, woods, ids):
    begun(tmp_path, woods=woods, boards=1)
    assert [s.specimen for s in read_unrecorded(tmp_path).specimens] == ids


def test_what_stands_in_the_list_of_keys_is_read_without_a_word(tmp_path):
    text = (begun(tmp_path / "new") / "every_key.toml").read_text()
    toml = text.replace('title = ""', 'title = "t"').replace('question = ""', 'question = "q"')
    study = read_study(write_study(tmp_path / "s", toml=toml))
    assert study.warnings == ()
    assert study.settings == Settings.model_validate({"study": {"title": "t", "question": "q"}})


def test_every_key_stands_in_the_template_with_its_default(tmp_path):
    raw = tomllib.loads(all_keys(begun(tmp_path)))
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
    path = begun(tmp_path) / "study.toml"
    path.write_text(re.sub(r"(?m)^calibrator_db.*$", "", all_keys(tmp_path)))
    settings, faults, warnings = read_settings(path)
    assert (faults, warnings) == ([], [])
    assert settings.claims[0].higher == "cherry"
    assert settings.decide.limits == {"tone.h1.level_db": 1.0}


def test_the_readme_carries_the_cautions(tmp_path):
    begun(tmp_path)
    readme = (tmp_path / "README.md").read_text().lower()
    for word in ("loud tones", "headphones", "wood dust", "mains-powered", "local rules", "qualif"):
        assert word in readme


def test_an_empty_folder_is_filled(tmp_path):
    (tmp_path / "rails").mkdir()
    assert len(list(begun(tmp_path / "rails").iterdir())) == 11


@pytest.mark.parametrize("name", ["study.toml", ".hidden"])
def test_a_folder_that_holds_something_is_left_alone(tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(InputError) as caught:
        begun(tmp_path)
    assert caught.value.codes == ("sheets.new_not_empty",)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "rails").write_text("mine")
    with pytest.raises(InputError) as caught:
        begun(tmp_path / "rails")
    assert caught.value.codes == ("sheets.new_is_file",)
    with pytest.raises(InputError) as caught:
        begun(tmp_path / "rails" / "below")
    assert caught.value.codes == ("sheets.new_unwritable",)
    assert (tmp_path / "rails").read_text() == "mine"


def test_the_helpers_of_these_tests_agree_with_the_template():
    assert set(specimen_rows()[0]) <= set(SPECIMEN_COLUMNS)
    assert set(take_rows()[0]) <= set(TAKE_COLUMNS)

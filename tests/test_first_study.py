"""`study new` asks and writes, `study add` changes what it wrote; as a person uses them."""

from __future__ import annotations

import itertools
import subprocess
import tomllib
from importlib.metadata import version

import click.testing
import pytest
import yaml
from click.testing import CliRunner
from packaging.requirements import Requirement

from studylib import cli
from studylib.errors import InputError
from studylib.sheets import first_study, read_study
from studylib.sheets.files import read_table
from studylib.sheets.settings import Plan
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.demo import DEMO

TOML = "study.toml"


def study(*arguments: object, typed: str | None = None):
    return CliRunner().invoke(cli.main, [str(one) for one in arguments], input=typed)


@pytest.fixture
def terminal(monkeypatch):
    """What is typed comes from a person."""
    monkeypatch.setattr(click.testing._NamedTextIOWrapper, "isatty", lambda _: True, raising=False)


@pytest.fixture
def rails(tmp_path):
    folder = tmp_path / "rails"
    result = study("new", folder, "--woods", "larch,cherry,robinia", "--trees", "y")
    assert result.exit_code == 0, result.output
    return folder


def keys(folder) -> dict:
    return tomllib.loads((folder / TOML).read_text(encoding="utf-8"))


def test_three_answers_make_a_study_that_is_ready(tmp_path, terminal):
    result = study("new", tmp_path / "rails", typed="larch; cherry\n3\nn\n")
    assert result.exit_code == 0, result.output
    for question in ("cli.ask_woods", "cli.ask_boards", "cli.ask_trees"):
        assert say(question) in result.stdout
    found = read_study(tmp_path / "rails")
    assert {wood: len(own) for wood, own in found.boards_by_wood.items()} == {
        "larch": 3,
        "cherry": 3,
    }
    # Two mounts of six boards, a tone and taps in each, the first tone also at lower drive, and the
    # room before and after.
    assert len(found.planned) == 2 * 6 * 2 + 1 + 2
    assert not found.settings.study.separate_trees


def test_a_new_study_is_a_repository_of_its_own(rails):
    """Outside: git itself says what it leaves out; Citation File Format 1.2.0 names what is needed;
    pip's requirements format."""
    subprocess.run(["git", "init", "-q", rails], check=True)
    for name in ("reports/rails/tables", "reports/rails/figures", "signals", "recordings/day1"):
        (rails / name).mkdir(parents=True, exist_ok=True)
        (rails / name / "a.csv").write_text("a\n", encoding="utf-8")
    told = subprocess.run(
        ["git", "-C", rails, "status", "--porcelain", "-uall"],
        capture_output=True, text=True, check=True,
    ).stdout.split("\n")  # fmt: skip
    kept = {line[3:] for line in told if line}
    assert {"study.toml", "LICENSE.md", "CITATION.cff", ".gitignore", "rerun.sh"} <= kept
    assert {name for name in kept if name.endswith("a.csv")} == {
        "reports/rails/tables/a.csv", "recordings/day1/a.csv",
    }  # fmt: skip
    cited = yaml.safe_load((rails / "CITATION.cff").read_text(encoding="utf-8"))
    assert {"cff-version", "message", "title", "authors"} <= set(cited)
    assert cited["title"] == keys(rails)["study"]["title"]
    pins = (rails / "requirements.txt").read_text(encoding="utf-8").splitlines()
    assert pins[0].startswith("# ")
    for line in pins[1:]:
        assert str(Requirement(line).specifier) == f"=={version(Requirement(line).name)}"
    subprocess.run(["bash", "-n", rails / "rerun.sh"], check=True)


def test_a_bad_answer_is_asked_again_and_enter_takes_what_is_proposed(tmp_path, terminal):
    result = study("new", tmp_path / "rails", typed="larch\nlarch,Larch\nlarch,cherry\n0\n\n?\n\n")
    assert result.exit_code == 0, result.output
    for name, value in (("woods", "larch"), ("woods", "larch,Larch"), ("boards", "0")):
        assert say("new.unfit", name=name, value=value) in result.output
    assert result.output.count(say("cli.ask_trees")) == 2
    assert [len(own) for own in read_study(tmp_path / "rails").boards_by_wood.values()] == [4, 4]


def test_whoever_stops_while_asked_leaves_nothing(tmp_path, terminal):
    result = study("new", tmp_path / "rails", typed="larch, cherry\n")
    assert result.exit_code == 130
    assert say("cli.stopped") in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_without_a_terminal_woods_are_needed_and_nobody_is_asked(tmp_path):
    result = study("new", tmp_path / "rails", typed="larch,cherry\n")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == say("new.unfit", name="woods", value="") + "\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("woods", "larch"),
        ("woods", "a,b,c,d,e,f,g,h,i"),
        ("woods", "larch,che\x1brry"),
        ("boards", "13"),
        ("boards", "two"),
        ("trees", "perhaps"),
        ("tone", "nan"),
        ("tone", "19"),
        ("tone", "250.5"),  # 5 x 50 Hz
    ],
)
def test_a_bad_option_is_one_clear_sentence(tmp_path, name, value):
    given = {"woods": "larch,cherry"} | {name: value}
    options = itertools.chain.from_iterable((f"--{key}", given[key]) for key in given)
    result = study("new", tmp_path / "rails", *options)
    assert result.exit_code == 2
    assert result.stderr == say("new.unfit", name=name, value=value) + "\n"
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_use_is_refused_before_anything_is_asked(rails, terminal):
    before = {path: path.read_bytes() for path in rails.iterdir() if path.is_file()}
    result = study("new", rails, typed="larch, cherry\n2\ny\n")
    assert result.exit_code == 2
    assert result.output == say("sheets.new_not_empty", folder=str(rails)) + "\n"
    assert {path: path.read_bytes() for path in rails.iterdir() if path.is_file()} == before


def test_rows_can_be_typed_and_mix_the_woods(rails):
    found = read_study(rails)
    names = [take.take for take in found.planned]
    assert [name.partition("-")[2] for name in names[1:4]] == ["1-tone-down12", "1-tone", "1-tap"]
    assert (names[0], names[-1]) == ("room-1", "room-2")
    assert {"L1-1-tone", "L1-1-tap", "R4-2-tone"} <= set(names)
    assert all(take.file == f"recordings/day1/{take.take}.wav" for take in found.planned)
    assert (rails / "recordings" / "day1").is_dir()
    # Every three mounts have every wood once, and no board comes twice before all came once.
    mounts = list(dict.fromkeys((t.specimen, t.mount) for t in found.planned if t.specimen))
    woods = [found.specimen(name).wood for name, _ in mounts]
    assert all(len(set(woods[i : i + 3])) == 3 for i in range(0, 24, 3))
    assert [mount for _, mount in mounts] == [1] * 12 + [2] * 12


def test_the_default_fits_into_an_hour(rails):
    plan = read_study(rails).settings.plan
    assert 24 * plan.minutes_mount + 51 * plan.minutes_take <= 45


OWN = """# mine, first
[plan]   # mine too
mounts = 2  # twice
takes=1
batches = 1
tap_places = 1
free_taps = 0
controls = false\t# without
probes = []
drive_steps_db = [-12]
note = "drive = 3"

[study]
title = "t"  # [channels]
question = '''
drive
'''
"""


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("what", ["drive", "controls", "schedule"])
def test_what_is_added_changes_its_keys_and_no_other_line(rails, what, ending):
    sheet = rails / TOML
    sheet.write_bytes(OWN.replace("\n", ending).encode())
    before, lines = keys(rails), sheet.read_bytes().splitlines()
    result = study("add", rails, what, *(["--kind", "force"] if what == "drive" else []))
    assert result.exit_code == 0, result.output
    after = keys(rails)
    if what == "drive":
        assert after.pop("channels") == {"drive": 2, "drive_kind": "force"}
        assert after == before
        assert sheet.read_bytes().splitlines()[: len(lines)] == lines
    else:
        full = Plan().model_dump(mode="json")
        changed = {name: full[name] for name in first_study.LATER[what]}
        assert after == before | {"plan": before["plan"] | changed}
        kept = [line for line in lines if line in sheet.read_bytes().splitlines()]
        assert len(kept) == len(lines) - len(changed)
        remark = b"# without" if what == "controls" else b"# twice"
        assert remark in sheet.read_bytes()
    read_unrecorded(rails)
    again = study("add", rails, what, *(["--kind", "force"] if what == "drive" else []))
    assert again.exit_code == 2
    section = "[channels]" if what == "drive" else "[plan]"
    place = {"file": TOML, "section": section}
    assert again.stderr == say("new.added_already", **place, what=what) + "\n"
    assert keys(rails) == after | ({"channels": keys(rails)["channels"]} if what == "drive" else {})


def test_all_three_can_be_added_and_the_schedule_follows(rails):
    assert study("add", rails, "drive", "--kind", "acceleration").exit_code == 0
    assert study("add", rails, "controls").exit_code == 0
    result = study("add", rails, "schedule")
    assert result.exit_code == 0
    assert f"study plan --again {rails}" in result.stdout
    settings = read_unrecorded(rails).settings
    plan = Plan()
    for names in first_study.LATER.values():
        assert all(getattr(settings.plan, name) == getattr(plan, name) for name in names)
    assert (settings.channels.drive, settings.channels.drive_kind) == (2, "acceleration")


@pytest.mark.parametrize(
    ("line", "value", "what"),
    [
        ("mounts = 2", "mounts = 4", "schedule"),
        ("probes = []", "probes = [2, 5]", "controls"),
        ('response_kind = "microphone"', 'drive = 3\ndrive_kind = "force"', "drive"),
    ],
)
def test_what_its_owner_has_chosen_is_not_changed(rails, line, value, what):
    sheet = rails / TOML
    sheet.write_text(sheet.read_text().replace(line, value))
    before = sheet.read_bytes()
    result = study("add", rails, what, *(["--kind", "force"] if what == "drive" else []))
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert value.split()[0] in result.stderr
    assert sheet.read_bytes() == before


STUDY = '[study]\ntitle = "t"\nquestion = "q"\n'
SIMPLE = "controls = false\ndrive_steps_db = [-12]\n"


@pytest.mark.parametrize(
    "text",
    [
        f"plan = {{controls = false, drive_steps_db = [-12], probes = []}}\n{STUDY}",
        f"plan.controls = false\nplan.drive_steps_db = [-12]\nplan.probes = []\n{STUDY}",
        f"{STUDY}[plan]\n{SIMPLE}probes = [\n]\n",
        f'{STUDY}note = """\n[plan]\n"""\n[ \'plan\' ]\n{SIMPLE}probes = []\n',
    ],
    ids=["inline", "dotted", "several lines", "inside a text"],
)
def test_lines_that_are_not_understood_are_left_alone(rails, text):
    sheet = rails / TOML
    sheet.write_text(text)
    result = study("add", rails, "controls")
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert "probes = [2, 3]" in result.stderr  # what its owner is to write
    assert sheet.read_text() == text


def test_a_drive_is_named_and_is_not_the_response(rails):
    before = (rails / TOML).read_bytes()
    result = study("add", rails, "drive")
    assert result.stderr == say("new.unfit", name="kind", value="") + "\n"
    result = study("add", rails, "drive", "--kind", "force", "--channel", "1")
    place = {"file": TOML, "section": "[channels]"}
    assert result.stderr == say("settings.same_channel", **place, channel=1) + "\n"
    assert (rails / TOML).read_bytes() == before


BENCH = """# the bench of the old barn
[study]
title = "Larch # robinia"   # to be told apart
question = 'Is "robinia" louder?'
compare = "finish"
licence = "CC0"

[decide]   # as agreed
primary = ["tone.h3.rel_db"]
limits = {"tone.h3.rel_db" = 1.5}

# What we expect.
[[claim]]
text = """

REST = """
feature = "tone.h3.rel_db"
higher = "oiled"
lower = "waxed"

[[ claim ]]
text = "Waxed is [[claim]] not better"
feature = "tone.h3.rel_db"
higher = "waxed"
lower = "oiled"

# The minutes of this bench.
[plan]
mounts = 3
batches = 2
pilot = "old.csv"
minutes_mount = 7.5   # stairs

[quality]
steady = 2.0

[tone]
fundamental_hz = 220.5
"""
BOARDS = """specimen;finish;maker;role;mass_g;note
L1;oiled;a;;310,5;
W1;waxed;b;;300;
ref;oiled;a;reference;305,5;the old rail
Chg;oiled;a;changed;309,5;with a coin
"""


def old_bench(folder, claim: str = '"Oiled beats waxed"'):
    folder.mkdir()
    (folder / TOML).write_text(BENCH + claim + REST, encoding="utf-8")
    (folder / "specimens.csv").write_text(BOARDS, encoding="utf-8")
    return folder


def test_the_same_bench_on_new_wood(tmp_path):
    """Nothing but its sheets is needed of the other study."""
    old = old_bench(tmp_path / "old")
    before = {path: path.read_bytes() for path in old.iterdir()}
    result = study("new", tmp_path / "new", "--from", old, "--woods", "Lime,waxed", "--boards", 2)
    assert result.exit_code == 0, result.output
    assert "Of its boards only ref and Chg are in specimens.csv." in result.output
    assert {path: path.read_bytes() for path in old.iterdir()} == before
    found, made, was = read_study(tmp_path / "new"), keys(tmp_path / "new"), keys(old)
    assert {name: made[name] for name in made if name not in ("study", "plan")} == {
        name: was[name] for name in was if name not in ("study", "plan", "claim")
    }
    assert made["plan"] == was["plan"] | {"boards": 2, "pilot": ""}
    kept = {"compare": "finish", "licence": "CC0", "separate_trees": False}
    assert made["study"] == kept | {
        "title": say("new.title", woods=["Lime", "waxed"]),
        "question": say("new.question", woods=["Lime", "waxed"]),
    }
    text = (tmp_path / "new" / TOML).read_text(encoding="utf-8")
    for remark in ("# the bench of the old barn", "# to be told apart", "# as agreed", "# stairs",
                   "# The minutes of this bench."):  # fmt: skip
        assert remark in text
    assert "robinia" not in text.lower()  # nothing is left of the old title and its claims
    assert found.woods == ("Lime", "waxed")
    rows = [row.cells for row in read_table(tmp_path / "new" / "specimens.csv").rows]
    # W1 is the name of a board that stands in the workshop already.
    assert [row["specimen"] for row in rows] == ["ref", "Chg", "L2", "L3", "W2", "W3"]
    assert rows[0] == {
        "specimen": "ref", "finish": "oiled", "maker": "a", "role": "reference",
        "mass_g": "305,5", "note": "the old rail",
    }  # fmt: skip
    assert found.specimen("ref").mass_g == 305.5
    assert len(found.all_batches) == 2
    assert {t.specimen for t in found.planned if t.specimen} == {row["specimen"] for row in rows}
    assert {t.tone_hz for t in found.planned if t.kind == "tone"} >= {220.5}


def test_the_bench_of_the_demo_on_new_wood(tmp_path):
    result = study("new", tmp_path / "new", "--from", DEMO, "--woods", "oak,ash", "--tone", "185.5")
    assert result.exit_code == 0, result.output
    made, was = keys(tmp_path / "new"), keys(DEMO)
    assert made["tone"] == was["tone"] | {"fundamental_hz": 185.5}
    assert {name: made[name] for name in ("channels", "bench", "decide", "sweep")} == {
        name: was[name] for name in ("channels", "bench", "decide", "sweep")
    }
    roles = {s.role for s in read_unrecorded(tmp_path / "new").specimens}
    assert roles == {"", "reference", "changed"}


@pytest.mark.parametrize(
    "claim", ['"""\n[plan]\n"""', '"a"\nnote = [\n[1],\n]'], ids=["in a text", "in a list"]
)
def test_lines_of_the_other_study_that_are_not_understood_write_nothing(tmp_path, claim):
    old = old_bench(tmp_path / "old", claim)
    result = study("new", tmp_path / "new", "--from", old, "--woods", "oak,ash")
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert result.stderr == say("new.other_lines", file=TOML) + "\n"
    assert not (tmp_path / "new").exists()


def test_faults_of_the_other_study_are_told_and_write_nothing(tmp_path):
    old = old_bench(tmp_path / "old")
    (old / TOML).write_text((old / TOML).read_text().replace("mounts = 3", "mounts = 0"))
    with pytest.raises(InputError) as caught:
        first_study.write_new(
            tmp_path / "new", woods=("a", "b"), boards=1, separate_trees=False, tone_hz=None,
            bench=old,
        )  # fmt: skip
    assert caught.value.codes == ("cells.unfit",)
    assert not (tmp_path / "new").exists()
    result = study("new", tmp_path / "new", "--from", tmp_path / "no", "--woods", "oak,ash")
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)

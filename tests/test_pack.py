"""A study packed into one archive: what is in it, what never is, and archives that are refused.

The study is real files; its report is written here as a run would leave it, because packing looks
at names and bytes alone. `test_verify` packs and verifies what real kernels made.
"""

from __future__ import annotations

import hashlib
import io
import json
import random
import re
import shutil
import stat
import sys
import zipfile
from contextlib import suppress
from datetime import datetime
from importlib import resources
from pathlib import Path
from urllib.parse import unquote

import pytest
from click.testing import CliRunner
from hypothesis import given, settings, strategies
from rocrate.rocrate import ROCrate

from studylib.cli import main
from studylib.codes import code_of, fields_of
from studylib.errors import InputError, RunError
from studylib.run import archive, provenance
from studylib.sheets import read_study
from studylib.sheets.blinding import code_specimens, open_key
from studylib.sheets.study import file_hashes, read_unrecorded
from studylib.writing import write_json, write_whole
from tests.small_study import Plan, write_small_study
from tests.test_blind_run import recode_takes

DAY = "2026-03-02"
PLAN = Plan(wood_db={"larch": 0.0, "robinia": 1.0}, boards=1, mounts=1, takes=1, controls=False)
# RO-Crate 1.1, "Root Data Entity" and "RO-Crate Metadata File Descriptor" (from memory).
PROFILE, CONTEXT = "https://w3id.org/ro/crate/1.1", "https://w3id.org/ro/crate/1.1/context"


def write_report(folder: Path, reports: Path) -> Path:
    """The files of a report and what its run wrote down, without a run."""
    study = read_study(folder)
    home = reports / study.name
    for name in ("summary.html", "summary.ipynb", "batches/day1.html", "figures/effects.png"):
        write_whole(home / name, name)
    write_whole(home / "tables" / "claims.csv", "claim,feature\n1,x\n")
    write_whole(home / "tables" / "datapackage.json", "{}")
    about = {"hashes": file_hashes(study), "batches": {}, "report": home, "library": "abc"}
    about |= {"notebooks": {}}
    write_json(home / "provenance.json", provenance.provenance(study, **about))
    return home


@pytest.fixture
def made(tmp_path):
    """A study folder with what else may lie in one; its report is in `reports` beside it."""
    folder = write_small_study(tmp_path / "rails", PLAN)
    for name in ("README.md", "CITATION.cff", "LICENSE.md", "rerun.sh", "ledger.jsonl"):
        write_whole(folder / name, name)
    for name in (
        "notebooks/batch.ipynb",
        "reports.xlsx",
        ".git/config",
        ".secret",
        "signals/a.wav",
    ):
        write_whole(folder / name, name)
    home = write_report(folder, tmp_path / "reports")
    for name in (".summary.json", ".parts/day1/done.json", "batches/failed/day1.ipynb"):
        write_whole(home / name, "{}")
    return folder


def packed(folder: Path, to: Path | None = None, *, date: str = DAY) -> Path:
    to = to or folder.parent / "rails.zip"
    archive.pack(read_study(folder), folder.parent / "reports" / "rails", to, date=date)
    return to


def names_in(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as opened:
        return opened.namelist()


def graph_of(path: Path) -> dict[str, dict]:
    with zipfile.ZipFile(path) as opened:
        content = json.loads(opened.read(archive.METADATA))
    return {one["@id"]: one for one in content["@graph"]}


# What goes in


def test_the_archive_holds_study_and_report_and_nothing_else(made):
    assert sorted(names_in(packed(made))) == [
        *("CITATION.cff", "LICENSE.md", "README.md", "ledger.jsonl", "notebooks/batch.ipynb"),
        *("recordings/lar1_m1_r1.wav", "recordings/rob1_m1_r1.wav"),
        *("reports/rails/batches/day1.html", "reports/rails/figures/effects.png"),
        *("reports/rails/provenance.json", "reports/rails/summary.html"),
        *("reports/rails/summary.ipynb", "reports/rails/tables/claims.csv"),
        *("reports/rails/tables/datapackage.json", "rerun.sh", "ro-crate-metadata.json"),
        *("specimens.csv", "study.toml", "takes.csv"),
    ]


def test_each_member_has_the_bytes_of_its_file(made):
    with zipfile.ZipFile(packed(made)) as opened:
        for name in opened.namelist():
            top = made.parent if name.startswith("reports/") else made
            if name != archive.METADATA:
                assert opened.read(name) == (top / name).read_bytes(), name


def test_the_same_study_gives_the_same_bytes_wherever_it_lies(made, tmp_path, monkeypatch):
    first = packed(made)
    shutil.copytree(tmp_path / "reports", tmp_path / "far" / "reports")
    other = tmp_path / "far" / "rails"
    other.mkdir()
    for path in reversed(sorted(made.rglob("*"))):  # made in another order, at another time
        if path.is_file():
            write_whole(other / path.relative_to(made), path.read_bytes())
    monkeypatch.setattr("time.time", lambda: 2e9)
    assert packed(other).read_bytes() == first.read_bytes()


def test_a_member_says_nothing_of_the_machine(made):
    with zipfile.ZipFile(packed(made)) as opened:
        names = opened.namelist()
        assert names == [archive.METADATA, *sorted(names[1:])]
        for member in opened.infolist():
            assert member.date_time == (1980, 1, 1, 0, 0, 0)
            assert member.external_attr >> 16 == stat.S_IFREG | 0o644
            assert (member.compress_type, member.extra, member.comment) == (0, b"", b"")


def test_what_is_left_out_is_named(made, tmp_path):
    notes = archive.pack(read_study(made), tmp_path / "reports/rails", tmp_path / "a.zip", date=DAY)
    (left,) = [fields_of(note) for note in notes if code_of(note) == "archive.left_out"]
    assert left == {"names": ["reports.xlsx", "signals"]}


def test_a_key_goes_along_only_when_it_is_opened(tmp_path):
    folder = write_small_study(tmp_path / "rails", PLAN)
    when = datetime(2026, 3, 2, 9)
    code_specimens(folder, compare="wood", when=when, rng=random.Random(3))
    recode_takes(folder)
    write_report(folder, tmp_path / "reports")
    assert "woods.key.csv" not in names_in(packed(folder))
    study = read_unrecorded(folder)
    open_key(folder, specimens=study.written, compare="wood", when=when, reported=set())
    write_report(folder, tmp_path / "reports")
    assert "woods.key.csv" in names_in(packed(folder))


# RO-Crate


def test_the_metadata_are_what_the_standard_asks_for(made):
    path = packed(made)
    graph = graph_of(path)
    about = graph["ro-crate-metadata.json"]
    assert about["@type"] == "CreativeWork"
    assert (about["about"], about["conformsTo"]) == ({"@id": "./"}, {"@id": PROFILE})
    root = graph["./"]
    assert root["@type"] == "Dataset"
    assert (root["name"], root["datePublished"]) == ("Rails, a small invented study", DAY)
    assert root["description"] == "Does the wood of the rail change what reaches the far end?"
    assert graph[root["license"]["@id"]]["name"] == "LICENSE.md"
    files = {unquote(name): one for name, one in graph.items() if one["@type"] == "File"}
    assert sorted(files) == sorted(set(names_in(path)) - {archive.METADATA})
    assert sorted(unquote(one["@id"]) for one in root["hasPart"]) == sorted(files)
    with zipfile.ZipFile(path) as opened:
        for name, one in files.items():
            assert one["sha256"] == hashlib.sha256(opened.read(name)).hexdigest()
            assert re.fullmatch(r"(text|image|audio|application)/[\w.+-]+", one["encodingFormat"])
    action = graph["#run"]
    assert {one["@id"] for one in action["object"]} == {
        *("recordings/lar1_m1_r1.wav", "recordings/rob1_m1_r1.wav"),
        *("specimens.csv", "study.toml", "takes.csv"),
    }
    assert {"@id": "reports/rails/summary.html"} in action["result"]
    assert graph[action["instrument"]["@id"]]["version"]


def test_the_library_of_the_standard_reads_the_archive_back(made, tmp_path):
    name = "recordings/day 1/Lärche, 1 #2.wav"
    (made / name).parent.mkdir()
    (made / "recordings/lar1_m1_r1.wav").rename(made / name)
    sheet = (made / "takes.csv").read_text()
    (made / "takes.csv").write_text(sheet.replace("recordings/lar1_m1_r1.wav", f'"{name}"'))
    write_report(made, tmp_path / "reports")
    crate = ROCrate(packed(made))
    assert (crate.version, crate.name) == ("1.1", "Rails, a small invented study")
    files = {unquote(one.id): Path(one.source) for one in crate.get_by_type("File")}
    assert files[name].read_bytes() == (made / name).read_bytes()
    assert all(path.is_file() for path in files.values())


@pytest.mark.parametrize("day", ["2026-02-27", "2026-03-05"])
def test_the_date_is_the_newest_that_the_study_names(made, tmp_path, day):
    lines = (made / "takes.csv").read_text().splitlines()
    stamps = ["started", "2026-02-26T09:30", f"{day}T17:00"]
    text = [f"{line},{stamp}" for line, stamp in zip(lines, stamps, strict=True)]
    (made / "takes.csv").write_text("\n".join(text) + "\n")
    write_report(made, tmp_path / "reports")
    assert graph_of(packed(made, date=""))["./"]["datePublished"] == day
    assert graph_of(packed(made))["./"]["datePublished"] == DAY


def test_a_study_without_any_date_asks_for_one(made):
    with pytest.raises(InputError) as caught:
        packed(made, date="")
    assert caught.value.codes == ("archive.no_date",)


@pytest.mark.parametrize("own", ["template", "none", "named", "file"])
def test_a_licence_that_nobody_chose_is_told_and_claimed_nowhere(made, tmp_path, own):
    template = resources.files("studylib.sheets") / "new_study" / "LICENSE.md"
    (made / "LICENSE.md").write_bytes(template.read_bytes() if own == "template" else b"CC BY 4.0")
    if own == "none":
        (made / "LICENSE.md").unlink()
    if own == "named":
        toml = (made / "study.toml").read_text()
        (made / "study.toml").write_text(toml.replace("[study]", '[study]\nlicence = "CC0 1.0"'))
        write_report(made, tmp_path / "reports")
    path = tmp_path / "a.zip"
    notes = archive.pack(read_study(made), tmp_path / "reports/rails", path, date=DAY)
    assert ("archive.unlicensed" in notes) == (own in ("template", "none"))
    graph = graph_of(path)
    told = graph[graph["./"]["license"]["@id"]]["name"]
    nothing = "no licence is chosen: all rights reserved"
    assert told == {"named": "CC0 1.0", "file": "LICENSE.md"}.get(own, nothing)


def test_the_missing_library_is_one_sentence_with_the_command(made, monkeypatch):
    monkeypatch.setitem(sys.modules, "rocrate.rocrate", None)
    with pytest.raises(RunError, match="pip install rocrate"):
        packed(made)
    assert not (made.parent / "rails.zip").exists()


# A report that is not of this study


def refused(folder: Path, code: str) -> dict:
    """The fields of the one fault for which packing is refused, and nothing is left behind."""
    before = sorted(folder.parent.iterdir())
    with pytest.raises(InputError) as caught:
        packed(folder)
    assert caught.value.codes == (code,)
    assert sorted(folder.parent.iterdir()) == before
    return fields_of(caught.value.notes[0])


def test_a_study_that_was_not_run_is_not_packed(made):
    shutil.rmtree(made.parent / "reports")
    refused(made, "archive.not_run")


@pytest.mark.parametrize("name", ["study.toml", "takes.csv", "recordings/lar1_m1_r1.wav"])
def test_a_report_of_other_sheets_or_recordings_is_not_packed(made, name):
    (made / name).write_bytes((made / name).read_bytes() + b"\n")
    assert refused(made, "archive.changed")["files"] == [name]


@pytest.mark.parametrize("change", ["edited", "added", "gone"])
def test_tables_that_are_not_as_the_run_left_them_are_not_packed(made, change):
    place = made.parent / "reports/rails/tables"
    if change == "gone":
        (place / "claims.csv").unlink()
    else:
        write_whole(place / ("claims.csv" if change == "edited" else "own.csv"), "claim\n2\n")
    name = "own" if change == "added" else "claims"
    assert refused(made, "archive.changed")["files"] == [f"tables/{name}.csv"]


def test_a_report_that_lacks_a_batch_is_not_packed(made):
    write_json(made.parent / "reports/rails/.parts/day1/not_used.json", {"reason": "run.changed"})
    assert refused(made, "archive.lacking") == {"batches": ["day1"]}


def test_a_link_out_of_the_study_is_not_followed(made):
    (made / "LICENSE.md").unlink()
    (made.parent / "private.txt").write_text("mine")
    (made / "LICENSE.md").symlink_to(made.parent / "private.txt")
    assert refused(made, "archive.elsewhere") == {"files": ["LICENSE.md"]}


def test_a_file_replaced_while_it_is_packed_is_not_passed_off(made, monkeypatch):
    copy = shutil.copyfileobj

    def and_replace(given, into):
        copy(given, into)
        (made / "takes.csv").write_text("replaced")

    monkeypatch.setattr(shutil, "copyfileobj", and_replace)
    with pytest.raises(RunError) as caught:
        packed(made)
    assert caught.value.codes == ("run.replaced",)
    assert [path.name for path in made.parent.iterdir() if path.is_file()] == []


# An archive of somebody else


def test_an_archive_is_unpacked_as_it_was_packed(made, tmp_path):
    folder = archive.unpack(packed(made), tmp_path / "room")
    assert folder == tmp_path / "room" / "rails"
    held = provenance.folder_digests(folder)
    assert archive.stated(folder) == {n: s for n, s in held.items() if n != archive.METADATA}


def again(path: Path, *members: tuple[zipfile.ZipInfo | str, bytes], method: int = 0) -> Path:
    """The archive packed once more by another program, with further members."""
    to = path.with_name("again.zip")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(to, "w", method) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
        for name, data in members:
            new.writestr(name, data)
    return to


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_an_archive_packed_again_by_another_program_is_taken(made, tmp_path, method):
    path = again(packed(made), ("recordings/", b""), method=method)
    folder = archive.unpack(path, tmp_path / "room")
    assert (folder / "takes.csv").read_bytes() == (made / "takes.csv").read_bytes()


def link(name: str) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name)
    member.external_attr = (stat.S_IFLNK | 0o777) << 16
    return member


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("../evil.txt", "archive.strange_names"),
        ("recordings/../../evil.txt", "archive.strange_names"),
        ("/etc/evil.txt", "archive.strange_names"),
        ("C:/evil.txt", "archive.strange_names"),
        ("recordings\\..\\evil.txt", "archive.strange_names"),
        ("recordings/.hidden", "archive.strange_names"),
        ("recordings//a.wav", "archive.strange_names"),
        ("recordings/\x1b[2J.wav", "archive.strange_names"),
        ("TAKES.csv", "archive.alike"),
        (link("recordings/link.wav"), "archive.odd_members"),
    ],
)
def test_members_that_no_study_has_are_refused_and_nothing_is_unpacked(made, tmp_path, name, code):
    path = again(packed(made), (name, b"/etc/passwd"))
    with pytest.raises(InputError) as caught:
        archive.unpack(path, tmp_path / "room")
    assert caught.value.codes == (code,)
    assert not (tmp_path / "room").exists()
    assert list(tmp_path.rglob("evil*")) == []


def test_one_name_twice_is_refused(made, tmp_path):
    with pytest.warns(UserWarning, match="Duplicate name"):
        path = again(packed(made), ("takes.csv", b"other"))
    with pytest.raises(InputError) as caught:
        archive.unpack(path, tmp_path / "room")
    assert caught.value.codes == ("archive.alike",)


def test_what_unpacks_beyond_sense_is_refused(made, tmp_path, monkeypatch):
    path = again(packed(made), ("recordings/a.wav", bytes(10**7 + 1)), method=zipfile.ZIP_DEFLATED)
    assert path.stat().st_size < 10**6
    with pytest.raises(InputError) as caught:
        archive.unpack(path, tmp_path / "room")
    assert caught.value.codes == ("archive.odd_members",)


@pytest.mark.parametrize(("name", "most"), [("MOST_BYTES", 1000), ("MOST_FILES", 5)])
def test_more_than_an_archive_may_hold_is_neither_packed_nor_unpacked(
    made, tmp_path, monkeypatch, name, most
):
    path = packed(made)
    monkeypatch.setattr(archive, name, most)
    for step in (lambda: archive.unpack(path, tmp_path / "room"), lambda: packed(made)):
        with pytest.raises(InputError) as caught:
            step()
        assert caught.value.codes == ("archive.too_large",)


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_another_compression_is_refused(made, tmp_path, method):
    with pytest.raises(InputError) as caught:
        archive.unpack(again(packed(made), method=method), tmp_path / "room")
    assert caught.value.codes == ("archive.odd_members",)


@pytest.mark.parametrize("kind", ["text", "zip", "no report", "two", "none", "folder name"])
def test_an_archive_of_another_kind_is_one_sentence(made, tmp_path, kind):
    path = tmp_path / "other.zip"
    if kind == "text":
        path.write_text("no archive")
    else:
        with zipfile.ZipFile(path, "w") as new:
            new.writestr("takes.csv", "take")
            if kind == "no report":
                new.writestr(archive.METADATA, "{}")
            if kind == "two":
                new.writestr(archive.METADATA, "{}")
                for name in ("a", "b"):
                    new.writestr(f"reports/{name}/provenance.json", "{}")
            if kind == "folder name":
                new.writestr(archive.METADATA, "{}")
                new.writestr("reports/con/provenance.json", "{}")
    path = tmp_path / "missing.zip" if kind == "none" else path
    result = CliRunner().invoke(main, ["verify", str(path)])
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert path.name in result.stderr
    assert "fault in the program" not in result.stderr


def test_an_archive_that_was_cut_off_or_damaged_is_one_sentence(made, tmp_path):
    whole = packed(made).read_bytes()
    path = tmp_path / "part.zip"
    middle = whole.index(b"RIFF") + 5000  # inside a recording: what tells is its checksum
    flipped = whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :]
    for data in (whole[:100], whole[: len(whole) // 2], whole[:-1], flipped):
        path.write_bytes(data)
        with pytest.raises(InputError) as caught:
            archive.unpack(path, tmp_path / "room")
        assert caught.value.codes == ("archive.broken",)


def small_archive(method: int) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as new:
        for name in (archive.METADATA, "takes.csv", "reports/rails/provenance.json"):
            member = zipfile.ZipInfo(name)
            member.compress_type = method
            new.writestr(member, f"{name} " * 20)
    return held.getvalue()


WHOLE = [small_archive(method) for method in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)]


@settings(max_examples=300, deadline=None)
@given(
    strategies.sampled_from(WHOLE),
    strategies.lists(
        strategies.tuples(strategies.integers(0, 10**6), strategies.binary(max_size=4))
    ),
)
def test_no_damage_ends_in_another_error_than_ours(tmp_path_factory, whole, changes):
    data = bytearray(whole)
    for place, new in changes:
        at = place % len(data)
        data[at : at + len(new)] = new
    room = tmp_path_factory.mktemp("damaged")
    (room / "a.zip").write_bytes(data)
    with suppress(InputError):
        archive.unpack(room / "a.zip", room / "out")
    outside = [path for path in room.iterdir() if path.name not in ("a.zip", "out")]
    assert outside == []


@pytest.mark.parametrize(
    "content", ["[]", "{}", '{"@graph": 3}', '{"@graph": [1, {"@type": "File"}]}']
)
def test_metadata_that_say_nothing_state_nothing(tmp_path, content):
    (tmp_path / archive.METADATA).write_text(content)
    assert not any(archive.stated(tmp_path).values())


# The command


def test_the_command_says_what_was_written_and_by_which_hash(made, tmp_path):
    to = tmp_path / "handed.zip"
    asked = ["pack", str(made), "--reports", str(tmp_path / "reports"), "--to", str(to)]
    result = CliRunner().invoke(main, [*asked, "--date", DAY])
    assert result.exit_code == 0, result.output
    assert hashlib.sha256(to.read_bytes()).hexdigest() in result.output
    assert "study verify" in result.output
    assert "19 files" in result.output
    assert CliRunner().invoke(main, [*asked, "--date", "tomorrow"]).exit_code == 2

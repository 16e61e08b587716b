"""Kills in the middle: `blind`, `unblind`, `plan` and `lock` leave a study before or after, never
between.

One process imports the library once and forks: child n gets a real SIGKILL at its nth call that
would change the drive (Python's audit events), until one comes through whole.
"""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from studylib import writing
from studylib.cli import main
from studylib.sheets.blinding import read_blinding
from studylib.sheets.study import read_unrecorded
from studylib.writing import settle, write_together
from tests.planned_study import write_planned

KILLER = """
import os, shutil, signal, sys
from pathlib import Path
from click.testing import CliRunner
from studylib.bench.schedule import write_schedule
from studylib.cli import main
from studylib.sheets.study import read_unrecorded

command, start, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])

def changes(event, args):
    if event == "open":
        return args[2] & (os.O_WRONLY | os.O_RDWR)
    return event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir")

for n in range(1, 100):
    folder = out / f"{n:02d}" / "rails"
    shutil.copytree(start, folder)
    child = os.fork()
    if child == 0:
        left = n
        def hook(event, args):
            global left
            if changes(event, args):
                left -= 1
                if left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
        sys.addaudithook(hook)
        if command == "plan":  # without its page
            write_schedule(read_unrecorded(folder))
            os._exit(10)
        os._exit(10 + CliRunner().invoke(main, [command, str(folder)]).exit_code)
    status = os.waitpid(child, 0)[1]
    if os.WIFEXITED(status):
        sys.exit(0 if os.WEXITSTATUS(status) == 10 else 1)
"""


def killed(command: str, folder: Path, out: Path) -> list[Path]:
    """Copies of the study, killed at each step of the command; the last came through."""
    done = subprocess.run(
        [sys.executable, "-c", KILLER, command, folder, out],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parent.parent,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return sorted(out.glob("*/rails"))


def contents(folder: Path) -> dict[str, bytes]:
    """Every file and folder, hidden ones too."""
    return {p.name: p.read_bytes() if p.is_file() else b"" for p in folder.rglob("*")}


def test_a_killed_coding_is_finished_or_taken_back_by_whoever_comes_next(tmp_path):
    start = write_planned(tmp_path / "start")
    before = contents(start)
    copies = killed("blind", start, tmp_path / "killed")
    assert len(copies) > 8
    coded = []
    for folder in copies:
        study = read_unrecorded(folder)
        now = contents(folder)
        coded.append(set(now) - set(before) == {"woods.key.csv", "blind.json"})
        if coded[-1]:
            assert read_blinding(folder)[0].woods == ("cherry", "larch", "robinia")
            assert not {"larch", "cherry", "robinia"} & set(study.boards_by_wood)
        else:
            assert now == before
    # Up to one step nothing counts, from it on all of it does.
    assert coded == sorted(coded)
    assert 3 < sum(coded) < len(coded) - 3


@pytest.mark.parametrize(
    ("command", "changed"),
    [
        ("unblind", {"blind.json"}),
        ("lock", {"lock.json"}),
        ("plan", {"schedule.json", "takes.csv"}),
    ],
)
def test_other_killed_commands_leave_all_or_nothing(tmp_path, command, changed):
    start = write_planned(tmp_path / "start")
    if command == "unblind":
        assert CliRunner().invoke(main, ["blind", str(start)]).exit_code == 0
    before = contents(start)
    done = []
    for folder in killed(command, start, tmp_path / "killed"):
        read_unrecorded(folder)
        now = contents(folder)
        done.append(now != before)
        if done[-1]:
            assert {name for name in now if now[name] != before.get(name)} == changed
    assert done == sorted(done)
    assert not done[0]
    assert done[-1]


def test_a_full_drive_leaves_all_files_as_they_were(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("old")

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    with pytest.raises(OSError, match="No space left") as caught:
        write_together(tmp_path, {"a": "new", "b": "new"})
    assert caught.value.filename == str(tmp_path)
    assert contents(tmp_path) == {"a": b"old"}


def test_whoever_is_taken_back_cannot_make_half_a_change_count(tmp_path, monkeypatch):
    """Another command reads the folder while the files are being written."""
    (tmp_path / "a").write_text("old")
    fsync = os.fsync

    def meanwhile(number):
        fsync(number)
        settle(tmp_path)

    monkeypatch.setattr(writing.os, "fsync", meanwhile)
    with pytest.raises(FileNotFoundError):
        write_together(tmp_path, {"a": "new", "b": "new"})
    assert contents(tmp_path) == {"a": b"old"}


def test_a_change_that_counts_is_finished_before_the_next(tmp_path):
    change = tmp_path / ".change"
    change.mkdir()
    (change / "a").write_text(json.dumps(1))
    write_together(tmp_path, {"b": "2"})
    assert contents(tmp_path) == {"a": b"1", "b": b"2"}

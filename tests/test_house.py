"""The house is in order: what stands at the top, what is pinned, what nobody may find in it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TRACKED_TEXT = (
    ".py",
    ".md",
    ".toml",
    ".cfg",
    ".csv",
    ".txt",
    ".css",
    ".j2",
    ".json",
    ".ipynb",
    ".html",
)


def _files() -> list[Path]:
    """Files that belong to the project: what git tracks, or all that .gitignore does not name."""
    if shutil.which("git") and (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT, capture_output=True, text=True, check=True,
        ).stdout.splitlines()  # fmt: skip
        return [ROOT / name for name in listed if (ROOT / name).is_file()]
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    folders = [line.rstrip("/") for line in lines if line.endswith("/") and line[0] != "!"]
    found = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]
    return [
        ROOT / path
        for path in found
        if not any(fnmatch(part, folder) for part in path.parts for folder in folders)
        and (path.parts[0] != "reports" or path.parts[1] in ("sample", "README.md"))
    ]


def test_the_top_level_is_what_the_manual_names():
    manual = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = re.search(r"## The house\n.*?```text\n(.*?)```", manual, re.DOTALL)[1]
    named = {line.split()[0].rstrip("/") for line in block.splitlines() if line[:1].strip()}
    found = {path.relative_to(ROOT).parts[0] for path in _files()}
    assert {name for name in found if not name.startswith(".")} == {
        name for name in named if not name.startswith(".")
    }
    assert {name for name in found if name.startswith(".")} <= {
        ".ci", ".github", ".gitignore", ".pre-commit-config.yaml",
    }  # fmt: skip


def test_the_manual_names_files_that_exist():
    manual = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    prose = re.sub(r"```.*?```", "", manual, flags=re.DOTALL)
    named = re.findall(r"`([^`\s]*(?:/|\.py|\.md|\.toml)[^`\s]*)`", prose)
    named += [name.replace(".", "/") + ".py" for name in re.findall(r"-m ([\w.]+)", manual)]
    assert len(named) > 30
    for name in named:
        # What stands behind -m may be a package.
        either = (name, name.removesuffix(".py"))
        assert any(
            (ROOT / base / one).exists() for base in (".", "studylib", "tests") for one in either
        ), name


@pytest.mark.parametrize("what", [["check"], ["format", "--check"]])
def test_ruff_has_nothing_to_say(what):
    found = subprocess.run(
        [sys.executable, "-m", "ruff", *what, "."], cwd=ROOT, capture_output=True, text=True
    )
    assert found.returncode == 0, found.stdout


def test_pins_are_plain_and_complete():
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").split()
    assert len(lines) > 50
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line) for line in lines)
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in lines}
    assert {"numpy", "scipy", "pandas", "matplotlib", "papermill", "nbval", "soundfile"} <= pinned


def test_no_path_of_a_machine_and_no_address_of_a_registry():
    machine = re.compile(r"(^|[^A-Za-z0-9_.])/(work|root|home|tmp)/[A-Za-z.]", re.MULTILINE)
    registry = re.compile(
        r"index[-]url|find[-]links|https?://[^ \"]*/(simple|packages|debian)(/|$)"
    )
    for path in _files():
        if path.suffix in TRACKED_TEXT and path != Path(__file__):
            text = path.read_text(encoding="utf-8")
            assert not machine.search(text), path
            assert not registry.search(text), path


def test_the_readme_holds_the_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "pip install -c .ci/constraints.txt -e . && study run data_demo\n" in text
    assert "pip install -c .ci/constraints.txt -e '.[test]' && pytest -n auto\n" in text


def test_signal_knows_no_tables_and_statistics_no_sound():
    for package, strangers in (("signal", "pandas|statsmodels"), ("stats", "soundfile|recordings")):
        for path in (ROOT / "studylib" / package).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            assert not re.search(rf"^\s*(from|import) .*\b({strangers})\b", text, re.M), path

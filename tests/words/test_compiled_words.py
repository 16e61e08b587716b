"""Compiled sentences are kept from run to run where the system lets them be, and else are not."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

SAYS = "from studylib import words; print(words.say('run.in_summary'))"


def said(folder) -> str:
    """A sentence from a process whose temporary files lie in that folder."""
    return subprocess.run(
        [sys.executable, "-c", SAYS], env={**os.environ, "TMPDIR": str(folder)},
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="elsewhere the folder is the user's own")
def test_a_strangers_file_in_place_of_the_folder_is_no_fault(tmp_path):
    place = tmp_path / f"_jinja2-cache-{os.getuid()}"
    first = said(tmp_path)
    assert "in the summary" in first
    assert list(place.iterdir())
    for path in place.iterdir():
        path.unlink()
    place.rmdir()
    place.write_text("a stranger's")
    assert said(tmp_path) == first

"""The short form of `tests.fuzz`: a few hundred broken sheets, some broken recordings of each kind.

Outside: Hypothesis draws the sheets; the fields of a WAV file are those of RIFF (Microsoft and IBM
1991), those of an AIFF file Apple's (1989).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from tests.breakable_study import write_study
from tests.fuzz import recordings, sheets


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = write_study(tmp_path_factory.mktemp("fuzz") / "s")
    return folder, {name: (folder / name).read_text(encoding="utf-8") for name in sheets.NAMES}


@settings(
    max_examples=300, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(drawn=sheets.sheets)
def test_broken_sheets_end_in_sentences(room, drawn):
    folder, texts = room
    sheets.write(folder, texts, drawn)
    sheets.read(folder)


@pytest.mark.parametrize("container", recordings.CONTAINERS, ids="-".join)
def test_broken_recordings_are_used_set_aside_or_refused(tmp_path, container):
    rng = np.random.default_rng(21)
    data = recordings.clean(tmp_path, *container)
    assert recordings.measured(tmp_path, data) == "used"
    ends = {
        recordings.measured(tmp_path, recordings.broken(data, container[0], rng)) for _ in range(6)
    }
    assert ends <= {"used", "set aside", "refused"}

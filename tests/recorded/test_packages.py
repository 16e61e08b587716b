"""The recordings of the packages through the library; skipped without them (README here)."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from studylib.signal.gain_moves import gate_db, noise_floors, recovery_db
from tests.recorded.every_file import looked_into
from tests.recorded.extract import AUDIO
from tests.recorded.score import read_list, read_stroke

WHERE = "STUDY_RECORDED"
FOLDER = Path(os.environ.get(WHERE, ""))

pytestmark = pytest.mark.skipif(
    WHERE not in os.environ, reason=f"{WHERE} does not name a folder of extracted recordings"
)


def test_every_listed_file_is_there():
    for name in ("strokes", "sustained"):
        missing = [row["file"] for row in read_list(name) if not (FOLDER / row["file"]).is_file()]
        assert not missing, missing


def test_a_stroke_has_one_channel_and_a_rate():
    samples, rate = read_stroke(FOLDER / read_list()[0]["file"])
    assert samples.ndim == 1
    assert np.abs(samples).max() > 0.01
    assert rate >= 8000


def test_no_stroke_was_recorded_with_a_gate_or_automatic_gain():
    """Some were cut by their makers to digital silence; that alone is no gate."""
    for row in read_list():
        x, rate_hz = read_stroke(FOLDER / row["file"])
        floors = noise_floors(x, rate_hz=rate_hz, step=2.0**-15)
        assert (gate_db(*floors), recovery_db(*floors)) == (None, None), row


def test_files_of_every_kind_end_in_numbers_or_a_sentence():
    # Every fortieth: tests.recorded.every_file goes through all of them.
    files = sorted(path for path in FOLDER.rglob("*") if path.suffix.lower() in AUDIO)
    rows = [looked_into(path) for path in files[::40]]
    assert len(rows) > 30
    for row in rows:
        assert str(row["ended"]).startswith(("numbers", "refused", "no tap", "a sentence")), row
        assert row["ended"] != "refused without a reason", row

"""How the takes of a study were made: drive, clock and lock, from invented sheets."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from studylib.attribution.lines import Lines, mean_lines
from studylib.codes import code_of, has, note
from studylib.report import tables
from studylib.report.made import made_of
from studylib.report.summary import summarise
from studylib.words import say
from tests.invented_tables import Invention

H3 = "tone.h3.rel_db"


def timed(study, *, wrong: int | None = None):
    """Takes in the order of their rows, five minutes apart; the clock of one of them is wrong."""
    for number, take in enumerate(study.takes):
        take.order = number + 1
        hour = -6 if number == wrong else 0
        take.started = datetime(2026, 3, 2, 9) + timedelta(hours=hour, minutes=5 * number)
    return study


def test_a_clock_that_contradicts_the_order_stands_beside_every_verdict():
    study, gathered = Invention(primary=(H3,)).make()
    assert not made_of(timed(study), gathered).clock
    assert made_of(timed(study, wrong=30), gathered).clock == study.takes[30].batch
    effects = summarise(study, gathered).primary_effects()
    assert all(has(cell, "caveats.clock") for cell in effects["caveats"])


def test_choices_made_after_recording_began_stand_beside_every_verdict():
    study, gathered = Invention(primary=(H3,)).make()
    for recorded, changes, told in (
        (3, [], ["caveats.lock"]),
        (0, [], []),
        (0, [note("records.rows_removed", file="takes.csv", names=["t1"])], ["caveats.lock"]),
        (0, [note("records.library_changed", before="1", now="2")], []),
    ):
        lock = SimpleNamespace(content={"recorded": recorded})
        one = dataclasses.replace(study, lock=lock, changed_since_lock=changes)
        assert list(map(code_of, made_of(one, gathered).at_large)) == told


def test_a_table_that_shows_a_verdict_shows_its_caveats():
    summary = summarise(*Invention(primary=(H3,)).make())
    cells = [say(cell) for cell in tables.effects_table(summary)["verdict"]]
    assert all("see the remarks on the driver, order and the missing sensor" in cell
               for cell in cells)  # fmt: skip


@pytest.mark.parametrize("heard", [True, False])
def test_takes_are_not_said_to_scatter_because_a_voltage_holds_no_harmonic(heard):
    """A generator's voltage has no third harmonic: what stands there is noise, and a ratio to it
    scatters with that noise. The response itself is steady to 1 %."""
    rng, n = np.random.default_rng(2), 200
    response = np.stack([np.ones(n), 0.01 * (1 + 0.01 * rng.standard_normal(n))], axis=1)
    noise = 1e-6 * (rng.standard_normal((n, 2)) + 1j * rng.standard_normal((n, 2)))
    drive = np.array([1.0, 1e-3 if heard else 0.0]) + noise
    at, u = np.array([172.0, 344.0]), np.full(2, 1e-6)
    takes = [
        Lines(None, at, r + 0j, u, d, u, 20, 1.0, 1.0, "dB")
        for r, d in zip(response, drive, strict=True)
    ]
    mean = mean_lines(takes)
    assert mean.scatter[1] == pytest.approx(0.01, rel=0.2)
    assert mean.lowest[1] < 0 < mean.highest[1]

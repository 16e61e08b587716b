"""A run on other processes than its own: plain ones, and a Dask cluster of this machine.

The reference of the tables is the run on one machine; the rest are faults with names.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from concurrent.futures import ProcessPoolExecutor

import pytest

from studylib.codes import code_of, fields_of
from studylib.errors import RunError
from studylib.run import cluster, provenance, runner
from tests.lean_notebooks import lean_notebooks
from tests.small_study import Plan, write_small_study
from tests.test_runner import (
    BATCH_CELLS,
    BATCH_PARAMETERS,
    SUMMARY_CELLS,
    SUMMARY_PARAMETERS,
    notebooks,
    write_notebook,
    write_study,
)

distributed = pytest.importorskip("distributed")

__all__ = ["notebooks"]  # a fixture
SPAWN = multiprocessing.get_context("spawn")
# Ends the worker that runs it, once; the process above a kernel is its worker.
LOSE_IT = """
import os, signal
from pathlib import Path
lost = Path(output).parents[1] / "lost.txt"
if batch == "lost" and not lost.exists():
    lost.touch()
    os.kill(os.getppid(), signal.SIGKILL)
"""


@pytest.fixture(scope="module")
def dask():
    """The address of a scheduler with two workers in processes of their own."""
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0"}
    with distributed.LocalCluster(**options) as local:
        yield local.scheduler_address


@pytest.fixture
def small(notebooks, monkeypatch):
    monkeypatch.setattr(runner, "notebook_path", lambda name: notebooks / f"{name}.ipynb")


def tables_of(folder, lean, **options) -> dict[str, str]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "notebook_path", lean)
        reports = folder.parent / f"reports{len(list(folder.parent.iterdir()))}"
        outcome = runner.run_study(folder, reports=reports, **options)
    assert not outcome.failed, outcome.failed
    assert not list(outcome.home.rglob(".*.part"))
    return provenance.folder_digests(outcome.home / "tables")


def test_tables_are_those_of_one_machine_to_the_byte(tmp_path, dask):
    folder = write_small_study(tmp_path / "rails", Plan(boards=2, batches=2, mounts=1))
    (tmp_path / "lean").mkdir()
    lean = lean_notebooks(tmp_path / "lean")
    here = tables_of(folder, lean)
    assert {"effects.csv", "features.csv"} <= set(here)
    with ProcessPoolExecutor(2, mp_context=SPAWN) as executor:
        assert tables_of(folder, lean, executor=executor) == here
    with cluster.connected(dask) as executor:
        assert tables_of(folder, lean, executor=executor) == here


def test_the_batch_of_a_lost_worker_is_run_again_elsewhere(tmp_path, notebooks, monkeypatch, dask):
    first, *others = BATCH_CELLS
    part = f"PART = {str(notebooks / 'part')!r}"
    write_notebook(tmp_path / "batch.ipynb", BATCH_PARAMETERS, first + part, LOSE_IT, *others)
    write_notebook(tmp_path / "summary.ipynb", SUMMARY_PARAMETERS, *SUMMARY_CELLS)
    monkeypatch.setattr(runner, "notebook_path", lambda name: tmp_path / f"{name}.ipynb")
    folder, told = write_study(tmp_path / "rails", "lost", "day 2"), set()
    with cluster.connected(dask) as executor:
        outcome = runner.run_study(
            folder, reports=tmp_path / "reports", executor=executor,
            progress=lambda task, done, total, what: told.add((task, what)),
        )  # fmt: skip
    assert (outcome.home / "lost.txt").exists()
    assert not outcome.failed
    assert {("lost", "done"), ("day 2", "done"), ("the summary", "done")} <= told


def test_a_pool_that_lost_a_worker_says_so_and_the_run_can_go_on(tmp_path, notebooks, monkeypatch):
    first, *others = BATCH_CELLS
    part = f"PART = {str(notebooks / 'part')!r}"
    write_notebook(tmp_path / "batch.ipynb", BATCH_PARAMETERS, first + part, LOSE_IT, *others)
    write_notebook(tmp_path / "summary.ipynb", SUMMARY_PARAMETERS, *SUMMARY_CELLS)
    monkeypatch.setattr(runner, "notebook_path", lambda name: tmp_path / f"{name}.ipynb")
    folder = write_study(tmp_path / "rails", "lost")
    with ProcessPoolExecutor(1, mp_context=SPAWN) as executor:
        failed = runner.run_study(folder, reports=tmp_path / "r", executor=executor).failed
    assert code_of(failed["lost"]) == "run.worker_lost"
    assert fields_of(failed["lost"])["task"] == "lost"
    assert not runner.run_study(folder, reports=tmp_path / "r").failed


def test_a_worker_with_another_library_is_refused_by_name(tmp_path, small, monkeypatch):
    folder = write_study(tmp_path / "rails", "day 1")
    monkeypatch.setattr(provenance, "library_digest", lambda: "another")  # here, not there
    with ProcessPoolExecutor(1, mp_context=SPAWN) as executor:
        failed = runner.run_study(folder, reports=tmp_path / "r", executor=executor).failed
    assert code_of(failed["day 1"]) == "run.other_library"
    assert fields_of(failed["day 1"])["parts"] == ["studylib"]
    assert str(os.getpid()) not in fields_of(failed["day 1"])["place"]


@pytest.mark.parametrize("lacking", ["report", "rails"])
def test_a_worker_that_does_not_see_the_folders_says_which(tmp_path, lacking):
    notebook, study = tmp_path / "report" / ".x.part" / "batch.ipynb", tmp_path / "rails"
    for file in (notebook, study / "study.toml"):
        file.parent.mkdir(parents=True)
        if lacking not in file.parts:
            file.touch()
    with pytest.raises(RunError) as caught:
        cluster.run_elsewhere(notebook, {"folder": study}, wanted=cluster.made_with())
    assert code_of(caught.value.notes[0]) == "run.unseen"
    assert fields_of(caught.value.notes[0])["folders"] == [str(tmp_path / lacking)]


def test_stopping_ends_the_kernel_of_a_worker(tmp_path, small):
    folder, home = write_study(tmp_path / "rails", "waiting"), tmp_path / "reports" / "rails"

    def stop_once_it_waits(task, done, total, what):
        if (home / "pid.txt").exists() and (home / "pid.txt").read_text():
            assert (task, done, total, what) == ("waiting", 1, 3, "take two")
            raise KeyboardInterrupt

    with ProcessPoolExecutor(1, mp_context=SPAWN) as executor, pytest.raises(KeyboardInterrupt):
        runner.run_study(
            folder, reports=home.parent, executor=executor, progress=stop_once_it_waits
        )
    with pytest.raises(ProcessLookupError):
        os.kill(int((home / "pid.txt").read_text()), 0)
    assert not list(home.rglob("*.part"))


def test_an_address_that_answers_nothing_is_one_sentence(monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 0.3)
    with pytest.raises(RunError) as caught, cluster.connected("tcp://127.0.0.1:9"):
        pass
    assert code_of(caught.value.notes[0]) == "run.no_cluster"
    for address in ("nonsense://x", "bench.invalid"):
        with pytest.raises(RunError), cluster.connected(address):
            pass


def test_a_scheduler_without_workers_is_told(dask):
    with distributed.LocalCluster(n_workers=0, dashboard_address=":0") as local:
        with pytest.raises(RunError) as caught, cluster.connected(local.scheduler_address):
            pass
        assert code_of(caught.value.notes[0]) == "run.no_workers"
    assert threading.active_count() < 60

"""Work done by other processes: the same files, the same errors, and nobody left behind."""

from __future__ import annotations

import multiprocessing
import os
import select
import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor, wait
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import matplotlib.pyplot as plt
import pandas as pd
import pytest

from studylib import elsewhere
from studylib.errors import InputError
from studylib.report.film import write_film
from studylib.report.predicted import parts_of, predicted_of
from studylib.report.summary import summarise
from studylib.run.execution import run_notebook
from tests.invented_tables import Invention
from tests.test_runner import write_notebook

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no process is forked there")


@pytest.fixture
def two(monkeypatch):
    """This process and one other."""
    monkeypatch.setenv("STUDYLIB_JOBS", "2")
    elsewhere._others.cache_clear()
    yield
    elsewhere._others().shutdown()
    elsewhere._others.cache_clear()


@pytest.fixture(params=["alone", "beside threads"])
def threads(request):
    """A second thread of this process, or none that is known of."""
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    if request.param == "beside threads":
        thread.start()
    yield
    done.set()
    if request.param == "beside threads":
        thread.join()


def answers(told: Path, asked: Path) -> bytes:
    """Tells its number and waits for what to give back."""
    told.write_text(str(os.getpid()))
    with asked.open("rb") as pipe:
        return pipe.readline()


def refuses() -> bytes:
    InputError.refuse(True, "run.no_notebook", file="spruce.ipynb")
    return b""


@pytest.fixture
def busy(tmp_path):
    """A call that takes as long as a test wants."""
    told, asked = tmp_path / "told", tmp_path / "asked"
    for path in (told, asked):
        os.mkfifo(path)
    pipe = os.open(asked, os.O_RDWR)  # a write has not to wait for its reader
    yield SimpleNamespace(
        call=partial(answers, told, asked), told=told, ends=partial(os.write, pipe, b"larch\n")
    )
    os.close(pipe)


def test_without_the_variable_a_call_is_made_here_and_not_before_its_result_is_wanted(monkeypatch):
    monkeypatch.delenv("STUDYLIB_JOBS", raising=False)
    elsewhere._others.cache_clear()
    made = []
    given = elsewhere.begin(lambda: made.append(threading.active_count()) or b"here")
    assert made == []
    assert given() == b"here"
    assert made == [threading.active_count()], "nothing was started for it"


def test_a_call_is_made_by_another_process(two, threads):
    assert elsewhere.begin(os.getpid)() != os.getpid()


def test_there_are_no_more_than_find_something_to_do(two, monkeypatch):
    monkeypatch.setenv("STUDYLIB_JOBS", "9")
    before = {*multiprocessing.active_children()}
    for given in [elsewhere.begin(os.getpid) for _ in range(20)]:
        given()
    assert 1 <= len({*multiprocessing.active_children()} - before) <= 2


def test_what_nobody_has_begun_is_made_here(two, busy):
    given = elsewhere.begin(busy.call)
    worker = int(busy.told.read_text())
    waiting = [elsewhere.begin(os.getpid) for _ in range(5)]
    with ThreadPoolExecutor(1) as thread:
        last = thread.submit(waiting[-1])
        try:
            assert last.result(timeout=20) == os.getpid()
        finally:
            busy.ends()
    assert given() == b"larch\n"
    assert waiting[0]() == worker


@pytest.mark.parametrize("jobs", [1, 2])
def test_many_calls_give_their_results_in_order_and_few_at_a_time(jobs, request):
    if jobs == 2:
        request.getfixturevalue("two")
    asked = []

    def calls():
        for number in range(50):
            asked.append(number)
            yield partial(divmod, number, 7)

    given = elsewhere.each(calls())
    assert next(given) == (0, 0)
    assert len(asked) <= 16, "all of them at once would hold all results at once"
    assert [*given] == [divmod(number, 7) for number in range(1, 50)]


def test_many_calls_are_made_there_and_here(two, busy):
    given = elsewhere.each([busy.call, *[os.getpid] * 6])
    with ThreadPoolExecutor(1) as thread:
        results = thread.submit(list, given)
        worker = int(busy.told.read_text())
        busy.ends()
    first, *others = results.result()
    assert first == b"larch\n"
    assert others[-1] == os.getpid()
    assert {*others} <= {worker, os.getpid()}


def test_of_many_calls_one_that_fails_fails_as_it_does_here(two):
    with pytest.raises(InputError) as there:
        list(elsewhere.each([os.getpid, refuses, os.getpid]))
    assert there.value.notes


def test_an_interrupt_is_not_theirs(two, threads, busy):
    given = elsewhere.begin(busy.call)
    os.kill(int(busy.told.read_text()), signal.SIGINT)
    busy.ends()
    assert given() == b"larch\n"


def test_an_error_is_that_of_a_call_made_here(two):
    with pytest.raises(InputError) as here:
        refuses()
    with pytest.raises(InputError) as there:
        elsewhere.begin(refuses)()
    assert (type(there.value), str(there.value)) == (type(here.value), str(here.value))
    assert vars(there.value) == vars(here.value)


def dies_beside(alone: int) -> int:
    """Ends any process but one."""
    if os.getpid() != alone:
        os._exit(3)
    return alone


def test_what_a_process_that_dies_had_begun_is_made_here(two, threads):
    call = partial(dies_beside, os.getpid())
    begun = elsewhere.begin(call)
    wait([elsewhere._others().submit(os.getpid)], timeout=20)
    later = elsewhere.begin(call)
    assert begun() == later() == os.getpid()
    assert [*elsewhere.each([os.getpid] * 20)] == [os.getpid()] * 20


def test_a_frame_that_fails_leaves_no_folder_behind(two, tmp_path):
    summary = summarise(*Invention(boards=2, mounts=1, takes=1).make())
    summary.shown["drift"] = (summary.drawings["drift"](), elsewhere.begin(refuses))
    with pytest.raises(InputError):
        summary.write(tmp_path)
    plt.close("all")
    assert list(tmp_path.iterdir()) == []


def test_all_figures_are_the_same_whoever_draws_them(tmp_path, monkeypatch, request):
    def drawn(folder: str, *, shown: bool) -> dict[str, bytes]:
        summary = summarise(*Invention(boards=2, mounts=2, takes=2).make())
        for name in [*summary.drawings] * shown:
            summary.figure(name)
        summary.write(tmp_path / folder, write_film)
        written = (tmp_path / folder / "figures").rglob("*.*")
        return {path.name: path.read_bytes() for path in written}

    monkeypatch.delenv("STUDYLIB_JOBS", raising=False)
    elsewhere._others.cache_clear()
    alone = drawn("alone", shown=False)
    assert drawn("shown", shown=True) == alone
    request.getfixturevalue("two")
    assert drawn("two", shown=True) == alone
    assert len(alone) > 30


def test_a_prediction_is_the_same_whoever_works_it_out(demo_summary, two):
    summary, study = demo_summary, demo_summary.study
    there = predicted_of(study, summary.modes.model, summary.curves.levels)
    pd.testing.assert_frame_equal(there.curves, summary.predicted.curves, check_exact=True)
    parts = parts_of(study, there, summary.curves, summary.comparison)
    pd.testing.assert_frame_equal(parts.table, summary.parts.table, check_exact=True)
    assert parts.rests == summary.parts.rests


RUN = """
import os, signal, sys, threading
from functools import partial
from studylib import elsewhere

def stays(told):
    with open(told, "w") as pipe:
        print(os.getpid(), os.getppid(), file=pipe)
    signal.pause()

if __name__ == "__main__":
    if sys.argv[2] == "beside threads":
        threading.Thread(target=signal.pause, daemon=True).start()
    elsewhere.begin(partial(stays, sys.argv[1]))
    signal.pause()
"""


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="no process can be watched there")
@pytest.mark.parametrize("way", ["alone", "beside threads"])
def test_they_end_with_the_process_they_work_for_however_that_ends(tmp_path, busy, way):
    script = tmp_path / "run.py"
    script.write_text(RUN, encoding="utf-8")
    environment = os.environ | {"STUDYLIB_JOBS": "2"}
    with subprocess.Popen([sys.executable, script, busy.told, way], env=environment) as run:
        worker, parent = map(int, busy.told.read_text().split())
        held = [os.pidfd_open(pid) for pid in {worker, parent} - {run.pid}]
        run.kill()
    assert (parent == run.pid) == (way == "alone")
    for one in held:
        with os.fdopen(one, "rb", buffering=0):
            assert select.select([one], [], [], 20)[0], "it has not ended"


FRAME = """
import os, sys
os.environ["STUDYLIB_JOBS"] = "2"
from functools import partial
from studylib import elsewhere
from studylib.figures import style
frame = partial(style.video_frame, partial(style.empty_figure, "Nothing rings."))
print(elsewhere.begin(os.getpid)() != os.getpid(), elsewhere.begin(frame)() == frame())
"""


def test_a_notebook_has_its_frames_drawn_elsewhere(tmp_path):
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", FRAME.strip())
    (tmp_path / "matplotlib.py").write_text("raise SystemExit('read from the caller')")
    done = run_notebook(path, {}, folder=tmp_path)
    assert [one.text for cell in done.cells for one in cell.get("outputs", [])] == ["True True\n"]

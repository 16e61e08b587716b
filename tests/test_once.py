"""What the tests share is made once, whole or not at all, and equal to what was made in place."""

from __future__ import annotations

import pickle
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from studylib.modes.gathered import gather
from studylib.sheets import read_study
from tests import demo
from tests.once import made_once
from tests.quick import NAMES, QUICK, is_quick
from tests.small_study import Plan, write_small_study


def test_of_many_who_ask_at_once_one_makes_it(tmp_path):
    made, all_here = [], threading.Barrier(12)

    def make() -> bytes:
        made.append("here")
        return b"whole"

    def ask(_) -> bytes:
        all_here.wait(30)
        return made_once(tmp_path / "shared", make)

    with ThreadPoolExecutor(12) as pool:
        assert list(pool.map(ask, range(12))) == [b"whole"] * 12
    assert made == ["here"]
    assert [path.name for path in tmp_path.iterdir()] == ["shared"]


def test_a_maker_that_fails_leaves_nothing_in_the_way(tmp_path):
    with pytest.raises(ZeroDivisionError):
        made_once(tmp_path / "shared", lambda: 1 // 0)
    assert list(tmp_path.iterdir()) == []
    assert made_once(tmp_path / "shared", lambda: b"second") == b"second"


def test_a_maker_that_vanished_is_given_up(tmp_path):
    (tmp_path / "shared.making").mkdir()
    assert made_once(tmp_path / "shared", lambda: b"mine", patience_s=0.0) == b"mine"


def test_only_the_demo_is_shared_and_only_for_a_while(tmp_path, monkeypatch):
    from studylib import measure

    calls = []
    monkeypatch.setattr(demo, "MEASURE", lambda study, batch: calls.append(batch) or [batch])
    monkeypatch.setattr(measure, "measure_batch", demo.MEASURE)
    once, own = demo.OnceMeasured(tmp_path), SimpleNamespace(folder=demo.DEMO)
    with once.in_place():
        first, second = (measure.measure_batch(own, "day1") for _ in range(2))
        measure.measure_batch(SimpleNamespace(folder=tmp_path), "elsewhere")
        measure.measure_batch(SimpleNamespace(folder=tmp_path), "elsewhere")
    assert first == second == ["day1"]
    assert first is not second
    assert calls == ["day1", "elsewhere", "elsewhere"]
    assert measure.measure_batch is demo.MEASURE


def test_a_notebooks_kernel_takes_the_shared_demo_and_keeps_no_name_of_it(tmp_path):
    (tmp_path / "day1.pickle").write_bytes(pickle.dumps("as it was measured"))
    startup = demo.write_startup(tmp_path) / "profile_default" / "startup" / "00-demo.py"
    code = (
        f"exec(open({str(startup)!r}).read()); from types import SimpleNamespace;"
        "from studylib.measure import measure_batch;"
        f"print(measure_batch(SimpleNamespace(folder={str(demo.DEMO)!r}), 'day1'), dir())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    assert done.stdout.startswith("as it was measured")
    assert "share" not in done.stdout


def test_a_measured_study_survives_the_way_through_the_file(tmp_path):
    study = read_study(write_small_study(tmp_path / "rails", Plan(boards=2, mounts=1, takes=1)))
    here = gather(study)
    again, kept = pickle.loads(pickle.dumps((study, here)))
    assert again == study
    for name, table in vars(here).items():
        if isinstance(table, pd.DataFrame):
            pd.testing.assert_frame_equal(getattr(kept, name), table, check_exact=True)
        elif name == "failed":
            assert kept.failed == table


def test_the_tests_to_begin_with_are_there_and_leave_no_room_out():
    library = Path(demo.studylib.__file__).parent
    rooms = {path.parent.name for path in library.glob("*/__init__.py")}
    # Codes and words are in what every other room gives; their own tests run over all of them.
    assert rooms - {"codes", "words"} <= set(QUICK)
    for name in NAMES:
        file, _, test = name.partition("::")
        assert f"def {test or 'test_'}" in (Path(__file__).parent / file).read_text(), name
    assert is_quick("test_sheets.py::test_any[a]")
    assert is_quick(f"{QUICK['run'][0]}[parameters0]")
    assert not is_quick(f"{QUICK['run'][0]}_and_more")

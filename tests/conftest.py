"""Shared fixtures: a seeded generator, the demo measured once; nothing draws on a screen.

What is made once for a whole run lies in a folder of that run, which all workers share when tests
run side by side (`pytest -n auto`), and which is gone afterwards.
"""

from __future__ import annotations

import pickle
import shutil
import tempfile
from pathlib import Path

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import pytest

from studylib.modes.gathered import gather
from studylib.report.summary import Summary, summarise
from studylib.sheets import read_study
from tests.demo import DEMO, OnceMeasured, write_startup
from tests.once import made_once
from tests.quick import FILES, is_quick

matplotlib.use("Agg")

SHARED = pytest.StashKey[Path]()
QUICK_FILES = {Path(__file__).parent / name for name in FILES}
# The dearest files first, so that whichever is the last one to run beside nothing is short. The
# first measures the demo; those that the other workers begin with do not need it.
FIRST = (
    "notebooks/summary.ipynb",
    "tests/test_cli.py",
    "tests/test_planted_modules.py",
    "tests/test_runner.py",
    "tests/attribution/test_truth.py",
    "tests/signal/test_tap.py",
    "tests/test_rivals.py",
    "tests/test_plan.py",
    "tests/test_front.py",
    "tests/test_figures.py",
    "tests/test_summary.py",
    "tests/test_checks_report.py",
    "tests/stats/test_design_power.py",
    "tests/test_attribution_report.py",
    "tests/test_blind_run.py",
)


class Everywhere:
    """Hooks for tests and notebooks alike; those of this file are for its own folder only."""

    def __init__(self, shared: Path) -> None:
        self.shared = shared

    def pytest_ignore_collect(self, collection_path, config):
        """With `-m quick` no other file is even read."""
        if config.option.markexpr == "quick" and collection_path.is_file():
            return collection_path not in QUICK_FILES or None
        return None

    def pytest_collection_modifyitems(self, config, items):
        """The dearest files first; mark the tests to begin with."""
        places = {config.rootpath / name: place for place, name in enumerate(FIRST)}
        items.sort(key=lambda item: places.get(item.path, len(FIRST)))
        for item in items:
            if item.path in QUICK_FILES and is_quick(item.nodeid.removeprefix("tests/")):
                item.add_marker("quick")

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item):
        """Let a notebook's kernel share the demo; it is started when the first cell is set up."""
        if item.path.suffix != ".ipynb":
            return (yield)
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("IPYTHONDIR", str(write_startup(self.shared)))
            return (yield)


def pytest_configure(config):
    """The folder of this run: made here, or told by the process that started this worker."""
    given = getattr(config, "workerinput", {}).get("shared")
    config.stash[SHARED] = Path(given or tempfile.mkdtemp(prefix="studylib-tests-"))
    config.pluginmanager.register(Everywhere(config.stash[SHARED]))


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node):
    """Tell a worker the folder."""
    node.workerinput["shared"] = str(node.config.stash[SHARED])


def pytest_unconfigure(config):
    """Leave nothing behind."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(config.stash[SHARED], ignore_errors=True)


def measure_demo(measure: OnceMeasured) -> bytes:
    """(study, gathered) of the demo, pickled: what all tests of a run share."""
    study = read_study(DEMO)
    with measure.in_place():
        return pickle.dumps((study, gather(study)))


@pytest.fixture(autouse=True)
def no_figure_left():
    """Figures that a test drew are closed after it."""
    yield
    plt.close("all")


@pytest.fixture(scope="session")
def demo_batch(request) -> OnceMeasured:
    """`measure_batch` for the demo's batches, each measured once a run."""
    return OnceMeasured(request.config.stash[SHARED])


@pytest.fixture(scope="session")
def measured_demo(request, demo_batch) -> tuple:
    """(study, gathered) of the demo, measured once a run; nobody changes it."""
    place = request.config.stash[SHARED] / "gathered.pickle"
    return pickle.loads(made_once(place, lambda: measure_demo(demo_batch)))


@pytest.fixture(scope="session")
def demo_summary(request, measured_demo) -> Summary:
    """The summary of the demo, made once a run; nobody changes it."""
    place = request.config.stash[SHARED] / "summary.pickle"
    return pickle.loads(made_once(place, lambda: pickle.dumps(summarise(*measured_demo))))


@pytest.fixture(scope="session")
def rung(request) -> tuple:
    """(study, gathered) of two woods tapped and swept (tests/test_rings.py), a hand laid on one
    tap; written and measured once a run, and nobody changes it."""
    from tests.test_rings import Files, write_study  # a test module: its asserts are rewritten

    shared = request.config.stash[SHARED]

    def make() -> bytes:
        study = read_study(write_study(Path(tempfile.mkdtemp(dir=shared)) / "s", Files("hand")))
        return pickle.dumps((study, gather(study)))

    return pickle.loads(made_once(shared / "rung.pickle", make))


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed of its own for each test."""
    return np.random.default_rng(20261125)

"""Shared fixtures: a seeded generator, the demo measured once; nothing draws on a screen."""

from __future__ import annotations

import pickle
from pathlib import Path

import matplotlib
import numpy as np
import pytest

from studylib.measure.parts import gather
from studylib.sheets import read_study
from tests.once import made_once

matplotlib.use("Agg")

DEMO = Path(__file__).parents[1] / "data_demo"


def measure_demo() -> bytes:
    """(study, gathered) of the demo, pickled: what all tests of a run share."""
    study = read_study(DEMO)
    return pickle.dumps((study, gather(study)))


@pytest.fixture(scope="session")
def measured_demo(tmp_path_factory, request) -> tuple:
    """(study, gathered) of the demo, measured once a run of pytest; nobody changes it."""
    root = tmp_path_factory.getbasetemp()
    if hasattr(request.config, "workerinput"):  # one of several side by side: their common folder
        root = root.parent
    return pickle.loads(made_once(root / "measured_demo.pickle", measure_demo))


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed of its own for each test."""
    return np.random.default_rng(20261125)

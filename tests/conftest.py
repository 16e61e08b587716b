"""Shared fixtures: a seeded generator, and nothing that draws on a screen."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import pytest

from studylib.measure.parts import gather
from studylib.sheets import read_study

matplotlib.use("Agg")


@pytest.fixture(scope="session")
def measured_demo() -> tuple:
    """(study, gathered) of the demo, measured once for all tests; nobody changes it."""
    study = read_study(Path(__file__).parents[1] / "data_demo")
    return study, gather(study)


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed of its own for each test."""
    return np.random.default_rng(20261125)

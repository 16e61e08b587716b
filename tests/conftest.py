"""Shared fixtures: a seeded generator, and nothing that draws on a screen."""

from __future__ import annotations

import matplotlib
import numpy as np
import pytest

matplotlib.use("Agg")


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed of its own for each test."""
    return np.random.default_rng(20261125)

"""What tests of several signal files share."""

from __future__ import annotations

import pytest

from studylib.signal import poles


@pytest.fixture
def moved(monkeypatch):
    """How many decays each fit of a search moves."""
    taken, fit = [], poles.fit_poles

    def counted(*args, **options):
        taken.append(options["s"].size)
        return fit(*args, **options)

    monkeypatch.setattr(poles, "fit_poles", counted)
    return taken

"""Boards in numbers, known exactly or within measurement, and the bench that they lie on."""

from __future__ import annotations

import numpy as np

from studylib.wood.prediction import Numbers, OnBench

DRAWS = 3


def rail(draws: int = DRAWS, **own) -> Numbers:
    """A rail of larch, the same in all draws but for `own`."""
    numbers = {
        "length": 0.745, "width": 0.038, "thickness": 0.018, "density": 570.0,
        "youngs_modulus": 13.9e9, "shear_ratio": 16.0, **own,
    }  # fmt: skip
    one = {name: value * np.ones(draws) for name, value in numbers.items() if name != "loss"}
    nodes = np.ones((draws, 121))
    return Numbers(**one, loss=numbers.get("loss", 0.01) * nodes, uneven=0.0 * nodes)


def bench(draws: int = DRAWS, **own) -> OnBench:
    """Driven 100 mm from the end by what an accelerometer senses, heard at the far end."""
    told = {
        "sensed": "acceleration", "drive_m": 0.1, "heard_m": None, "driver_kg": 0.0,
        "supports": ((), 0.0), "air": 0.0, **own,
    }  # fmt: skip
    return OnBench(**{**told, "drive_m": told["drive_m"] * np.ones(draws)})

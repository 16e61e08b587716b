"""Moisture: what wood settles at in the air of a room.

Source, read in a copy: Wood Handbook (USDA FPL-GTR-282, 2021), Eq 4-5 (Hailwood and Horrobin's
isotherm with Simpson's constants).

Conventions: temperature in degrees Celsius, relative humidity and moisture content in percent, the
latter of the oven-dry mass.

Function: `equilibrium_moisture`.
"""

import numpy as np


def equilibrium_moisture(temperature_c, humidity_pct):
    """Moisture content in percent that wood settles at in air of this temperature and humidity."""
    t = np.asarray(temperature_c, dtype=float)
    h = np.asarray(humidity_pct, dtype=float) / 100.0
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    one, two = k1 * k * h, k1 * k2 * k**2 * h**2
    return 1800.0 / w * (k * h / (1.0 - k * h) + (one + 2.0 * two) / (1.0 + one + two))

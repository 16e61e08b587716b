"""Moisture: what wood settles at in a room, and properties brought from there to 12 %.

Sources, all read in copies: Wood Handbook (USDA FPL-GTR-282, 2021), Eq 4-5 for the equilibrium
(Hailwood and Horrobin's isotherm with Simpson's constants), Eq 5-3 for strength and stiffness,
Eq 4-13 and 4-14 for specific gravity and density; tables 5-3 (modulus of elasticity) and 5-13 (the
moisture content Mp at which drying begins to stiffen), as far as bringing to 12 % needs them. Black
walnut is from the laboratory's own sheet; rows marked recalled are from memory.

Conventions: temperature in degrees Celsius, relative humidity and moisture content in percent, the
latter of the oven-dry mass.

Functions: `equilibrium_moisture`, `at_moisture`, `to_12_percent`, `density_at_12_percent`,
`listed_species`, `find_species`. Class: `Species`.
"""

import csv
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

COMMON_MP = 25.0
"""Moisture content at which drying begins to stiffen wood, where the handbook lists none."""

FIBRE_SATURATION = 30.0  # as in Eq 4-13


class Species(NamedTuple):
    """Modulus of elasticity in MPa, green and at 12 %; Mp in percent."""

    name: str
    latin: str
    green_mpa: float
    at_12_mpa: float
    mp: float
    recalled: bool = False

    @property
    def dry_over_green(self) -> float:
        """Modulus at 12 % over that of green wood."""
        return self.at_12_mpa / self.green_mpa


@lru_cache(maxsize=1)
def listed_species() -> tuple[Species, ...]:
    """The woods of species.csv; where the handbook lists no Mp, the common one."""
    text = Path(__file__).with_name("species.csv").read_text(encoding="utf-8")
    return tuple(
        Species(
            row["name"], row["latin"], float(row["green_mpa"]), float(row["at_12_mpa"]),
            float(row["mp"] or COMMON_MP), row["recalled"] == "yes",
        )
        for row in csv.DictReader(text.splitlines())
    )  # fmt: skip


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


def at_moisture(at_12, *, moisture_pct, dry_over_green, mp: float = COMMON_MP):
    """A property at some moisture content, from its value at 12 % (Eq 5-3).

    Parameters
    ----------
    dry_over_green : the property at 12 % over that of green wood.
    mp : see `COMMON_MP`. At this moisture content and above the property stays that of green wood.
    """
    wet = np.minimum(np.asarray(moisture_pct, dtype=float), mp)
    return at_12 * dry_over_green ** ((12.0 - wet) / (mp - 12.0))


def to_12_percent(value, *, moisture_pct, dry_over_green, mp: float = COMMON_MP):
    """A property brought to 12 % from what was found at some moisture content (Eq 5-3)."""
    return value / at_moisture(1.0, moisture_pct=moisture_pct, dry_over_green=dry_over_green, mp=mp)


def density_at_12_percent(density, *, moisture_pct):
    """Density in kg/m3 brought to 12 %: water gained, and wood swollen (Eq 4-13 and 4-14).

    Holds up to 30 % moisture, where wood stops swelling.
    """
    here = density / (1000.0 * (1.0 + moisture_pct / 100.0))
    basic = here / (1.0 + 0.265 * (1.0 - moisture_pct / FIBRE_SATURATION) * here)
    return 1000.0 * 1.12 * basic / (1.0 - 0.265 * basic * (1.0 - 12.0 / FIBRE_SATURATION))


def find_species(name: str) -> Species | None:
    """The listed wood of exactly this common or Latin name, in any case; None without one.

    Nothing near is taken: "larch" is not western larch until somebody says so.
    """
    wanted = name.strip().casefold()
    return next(
        (s for s in listed_species() if wanted in (s.name.casefold(), s.latin.casefold())), None
    )

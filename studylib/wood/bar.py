"""One board as a bar: its sizes and mass, with standard uncertainties.

Conventions: SI units inside (m, kg); relative standard uncertainties, because every property of a
board is a product of powers of these four. `SIZES` fixes their order wherever they stand in a row.

Class: `Bar`. Functions: `bar_of`, `missing_sizes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studylib.codes import note
from studylib.codes.wood import WoodReason
from studylib.errors import InputError
from studylib.sheets import Specimen
from studylib.sheets.settings import Wood

SIZES = ("length", "width", "thickness", "mass")
_COLUMNS = {
    "length": "length_mm",
    "width": "width_mm",
    "thickness": "thickness_mm",
    "mass": "mass_g",
}


@dataclass(frozen=True)
class Bar:
    """Sizes in m, mass in kg; `u` holds their relative standard uncertainties as in `SIZES`.

    `thickness` is the size in the direction in which the board bends.
    """

    length: float
    width: float
    thickness: float
    mass: float
    u: tuple[float, float, float, float]

    @property
    def density(self) -> float:
        """kg/m3."""
        return self.mass / (self.length * self.width * self.thickness)

    @property
    def slenderness(self) -> float:
        """Length over thickness."""
        return self.length / self.thickness

    @property
    def variances(self) -> np.ndarray:
        """Squares of the relative uncertainties, shape (4,)."""
        return np.square(self.u)


def missing_sizes(specimen: Specimen) -> tuple[str, ...]:
    """Which of length, width, thickness and mass specimens.csv does not give."""
    return tuple(name for name in SIZES if getattr(specimen, _COLUMNS[name]) is None)


def bar_of(specimen: Specimen, wood: Wood) -> Bar:
    """The specimen as a bar, measured as well as study.toml says under [wood].

    Raises
    ------
    InputError : a size or the mass is missing.
    """
    missing = missing_sizes(specimen)
    if missing:
        facts = {"board": specimen.specimen, "missing": missing}
        raise InputError(note(WoodReason.SIZES_MISSING, **facts))
    sizes = [getattr(specimen, _COLUMNS[name]) / 1000.0 for name in SIZES]
    u = [wood.u_length_mm, wood.u_width_mm, wood.u_thickness_mm, wood.u_mass_g]
    return Bar(*sizes, u=tuple(part / 1000.0 / size for part, size in zip(u, sizes, strict=True)))

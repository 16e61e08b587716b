"""Stiffness of listed woods, green and at 12 % moisture, as far as bringing to 12 % needs it.

Source: Wood Handbook (USDA FPL-GTR-282, 2021), tables 5-3 (modulus of elasticity) and 5-13 (the
moisture content Mp at which drying begins to stiffen), read in copies; black walnut from the
laboratory's own sheet; rows marked recalled are from memory.

Functions: `find_species`. Class: `Species`.
"""

from __future__ import annotations

from typing import NamedTuple

from studylib.wood.moisture import COMMON_MP


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


SPECIES = (
    Species("white ash", "Fraxinus americana", 9900, 12000, 24),
    Species("black cherry", "Prunus serotina", 9000, 10300, COMMON_MP),
    Species("sugar maple", "Acer saccharum", 10700, 12600, COMMON_MP),
    Species("northern red oak", "Quercus rubra", 9300, 12500, COMMON_MP),
    Species("white oak", "Quercus alba", 8600, 12300, COMMON_MP),
    Species("yellow-poplar", "Liriodendron tulipifera", 8400, 10900, COMMON_MP),
    Species("western larch", "Larix occidentalis", 10100, 12900, 28),
    Species("coast Douglas-fir", "Pseudotsuga menziesii", 10800, 13400, 24),
    Species("black walnut", "Juglans nigra", 9800, 11600, COMMON_MP),
    Species("Sitka spruce", "Picea sitchensis", 8500, 10800, 27, recalled=True),
    Species("western redcedar", "Thuja plicata", 6500, 7700, COMMON_MP, recalled=True),
    Species("mahogany", "Swietenia macrophylla", 9200, 10300, COMMON_MP, recalled=True),
    Species("tamarack", "Larix laricina", 8500, 11300, 24, recalled=True),
)


def find_species(name: str) -> Species | None:
    """The listed wood of exactly this common or Latin name, in any case; None without one.

    Nothing near is taken: "larch" is not western larch until somebody says so.
    """
    wanted = name.strip().casefold()
    return next((s for s in SPECIES if wanted in (s.name.casefold(), s.latin.casefold())), None)

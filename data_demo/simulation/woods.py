"""The woods, and the invented boards drawn from them.

Stiffness and density of the woods are the Wood Handbook's (USDA, FPL-GTR-282, table 5-3, values at
12 % moisture, read in copies): western larch 12.9 GPa and specific gravity 0.52, black
cherry 10.3 and 0.50, black locust (robinia) 14.134 (2.05e6 psi) and 0.69. The handbook's bending
stiffness holds shear deflection; 10 % more is the stiffness without it (the handbook's note, from
memory). Density = 1000 x gravity x 1.12 (equation 4-14).
Loss factors: softwoods 0.008 to 0.010 (Vigran 2008, table 3.1, read second-hand); cherry and
robinia are common range, no source. E/G is common range (10 to 20 along the grain), no source.
The spread between boards is invented: stock that a workshop has picked for straight grain
(stiffness 5 %, density 4 %), well below the handbook's 22 % (read) and 10 % (from memory) within a
whole species.

Contents: Wood, WOODS, Specimen, specimens, measured_sheet_row.
"""

from dataclasses import dataclass, replace

import numpy as np

from .beam import Beam
from .streams import stream

BENDING_MODES = 26
NOMINAL_SIZE = (0.745, 0.038, 0.018)  # length, width, thickness of a rail in m
SIZE_SD = (0.0003, 0.00010, 0.00005)  # m
STIFFNESS_CV, DENSITY_CV, STIFFNESS_DENSITY_CORRELATION = 0.05, 0.04, 0.6
LOSS_CV = 0.10  # between boards
MODE_LOSS_CV = 0.04  # between the modes of one board
LOSS_SLOPE = 0.10  # loss factor grows as (mode frequency / first mode frequency) ** LOSS_SLOPE
DENSE_SPOTS, DENSE_SPOT_SD = 2, 0.003  # kg; knots and pale streaks: more or less than average
CHANGED_MASS, CHANGED_FROM_FAR_END = 0.015, 0.060  # kg and m: what turns REF into REFM


@dataclass(frozen=True)
class Wood:
    """Mean of a wood: stiffness in Pa (without shear), density in kg/m3."""

    name: str
    youngs_modulus: float
    density: float
    loss_factor: float
    shear_ratio: float


WOODS = {
    wood.name: wood
    for wood in (
        Wood("larch", 1.10 * 12.900e9, 1120 * 0.52, 0.0090, 16.0),
        Wood("cherry", 1.10 * 10.300e9, 1120 * 0.50, 0.0105, 13.0),
        Wood("robinia", 1.10 * 14.134e9, 1120 * 0.69, 0.0060, 12.0),
    )
}


@dataclass(frozen=True)
class Specimen:
    """One rail as it truly is. ``spots`` are (position m, extra mass kg); loss factor a mode."""

    name: str
    wood: str
    role: str
    source: str
    beam: Beam
    loss_factor: np.ndarray  # shape (BENDING_MODES,), at each mode's own frequency
    spots: tuple[tuple[float, float], ...]
    added_mass: float  # kg, fixed on top; 0 for all but the changed specimen
    moisture_pct: float

    @property
    def mass(self) -> float:
        """True mass in kg, spots and added mass included."""
        return self.beam.mass + sum(extra for _, extra in self.spots) + self.added_mass


def specimens(boards_per_wood: int = 4) -> tuple[Specimen, ...]:
    """The rails of the study: the boards of each wood, the reference, the changed specimen."""
    rails = [
        _draw(f"{wood[0].upper()}{n}", WOODS[wood], f"{wood} plank {n}")
        for wood in WOODS
        for n in range(1, boards_per_wood + 1)
    ]
    reference = replace(_draw("REF", WOODS["larch"], "larch plank 9"), role="reference")
    return (
        *rails,
        reference,
        replace(reference, name="REFM", role="changed", added_mass=CHANGED_MASS),
    )


def _draw(name: str, wood: Wood, source: str) -> Specimen:
    rng = stream(f"board {name}")
    first, second = rng.standard_normal(2)
    rho = STIFFNESS_DENSITY_CORRELATION
    stiff = wood.youngs_modulus * (1 + STIFFNESS_CV * first)
    dense = wood.density * (1 + DENSITY_CV * (rho * first + np.sqrt(1 - rho**2) * second))
    length, width, thickness = np.array(NOMINAL_SIZE) + np.array(SIZE_SD) * rng.standard_normal(3)
    loss = wood.loss_factor * np.exp(LOSS_CV * rng.standard_normal())
    modes = np.exp(MODE_LOSS_CV * rng.standard_normal(BENDING_MODES))
    places = rng.uniform(0.03, 0.97, DENSE_SPOTS) * length
    masses = DENSE_SPOT_SD * rng.standard_normal(DENSE_SPOTS)
    return Specimen(
        name=name,
        wood=wood.name,
        role="",
        source=source,
        beam=Beam(
            length=float(length),
            width=float(width),
            thickness=float(thickness),
            density=float(dense),
            youngs_modulus=float(stiff),
            shear_ratio=wood.shear_ratio,
        ),
        loss_factor=loss * modes,
        spots=tuple(zip(places.tolist(), masses.tolist(), strict=True)),
        added_mass=0.0,
        moisture_pct=float(np.round(8.6 + 0.4 * rng.standard_normal(), 1)),
    )


def measured_sheet_row(specimen: Specimen) -> dict[str, str]:
    """Sizes and mass as the workshop measured them: rule, calliper and kitchen scale.

    Resolutions: length 0.5 mm, width and thickness 0.05 mm, mass 0.1 g. The reference is measured
    once; the changed specimen shares its sizes and is weighed again with the mass on.
    """
    rng = stream("measuring REF" if specimen.role else f"measuring {specimen.name}")
    beam, (dl, dw, dt) = specimen.beam, rng.standard_normal(3)
    scale = 0.05 * stream(f"weighing {specimen.name}").standard_normal()
    return {
        "length_mm": f"{round((1000 * beam.length + 0.2 * dl) * 2) / 2:.1f}",
        "width_mm": f"{round((1000 * beam.width + 0.03 * dw) * 20) / 20:.2f}",
        "thickness_mm": f"{round((1000 * beam.thickness + 0.02 * dt) * 20) / 20:.2f}",
        "mass_g": f"{1000 * specimen.mass + scale:.1f}",
        "moisture_pct": f"{specimen.moisture_pct:.1f}",
    }

"""Which of a free board's modes bend it, the stiffness they give, and what follows from that.

A free board also twists and bends sideways, and a mode tapped at its own node is not heard. So the
frequencies are held against the ladder of a Timoshenko bar, over all plausible speeds of sound and
ratios E/G, and the ladder that explains most is taken: a found step counts for it, a step that
should be there and is not counts against it, and what does not fit is left over and said. A second
ladder that does about as well with another stiffness makes the answer ambiguous, and that is said
too. Stated choices, no source: the speed of sound along the board lies between 2,000 and 7,000 m/s
(listed woods: 4,000 to 5,100, see the tests), E/G between 2 and 60, and uneven wood shifts a mode
by up to 2 % from the ladder.

Several modes: log frequency = log of Timoshenko's bar, least squares over ln E and ln(E/G) with
weights from each frequency's uncertainty. Wood is uneven, which shifts each mode by itself; this
share (`UNEVEN`, a stated choice, no source) is in every weight, and where the modes miss the ladder
by more than it explains, the uncertainty grows by that misfit. One mode: Timoshenko's bar with a
stated E/G.

The air that moves with the board (`beams`) counts as mass wherever frequencies meet stiffness; how
much it is, is known to a fifth (`U_AIR`): the strip's formula holds for waves much longer than the
board is wide, and air thins with height.

Uncertainty: GUM (JCGM 100), by first-order sensitivities in logarithms. Sizes and mass are in the
density and in Young's modulus at once, so what follows from both has an uncertainty of its own,
not the sum of theirs: the speed of sound does not depend on the mass or the width at all. Every
property is a product of powers, so ln of it is a weighted sum of ln E, ln(E/G) and ln of the four
sizes, and its variance follows from one covariance (JCGM 100, 5.2).

Conventions: frequencies in Hz, orders from 1; kg/m3, GPa, m/s, m4/(kg s), Pa s/m.

Functions: `find_orders`, `fit_stiffness`, `predict_modes`, `density_value`, `derived_values`.
Classes: `Orders`, `Stiffness`, `Value`.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from studylib import errors
from studylib.wood import beams

SPEED_RANGE = (2000.0, 7000.0)
SHEAR_RANGE = (2.0, 60.0)
FARTHEST = 0.02
"""How far from its step, as a share, a frequency may lie and still be taken for that mode."""

HIGHEST_ORDER = 16
HIGHEST_ANCHOR = 3
"""Of the bending modes up to this one at least one must be found: the low ones ring loudest."""
_SPREAD = FARTHEST / 3.0
# A frequency that meets a step by chance is rarer (about one in seven) than a mode that a tap
# misses, so a step found weighs more than one missing.
_FOUND, _MISSING, _BELOW = 2.0, 1.2, 1.0
_SHEAR_GRID = np.geomspace(*SHEAR_RANGE, 36)
_DIFFERENT = 0.05  # two readings that agree better than this in E are one
_CLEAR = 1.0  # a rival within this score leaves the answer open

UNEVEN = 0.003
"""Standard uncertainty of a mode's frequency, as a share, from wood that is uneven."""

U_AIR = 0.2
"""Relative standard uncertainty of the mass of the air (a stated choice, no source)."""

_DEGREE = 8  # of a polynomial over a tenth of a logarithm
_STEP = 1e-4  # of logarithms, for numerical derivatives

DENSITY = np.array([-1.0, -1.0, -1.0, 1.0])  # powers of length, width, thickness, mass
# Powers of E, of E/G and of the density.
DERIVED = {
    "wood.youngs_modulus_gpa": (1.0, 0.0, 0.0, 1e-9, "GPa"),
    "wood.shear_modulus_gpa": (1.0, -1.0, 0.0, 1e-9, "GPa"),
    "wood.sound_speed_m_s": (0.5, 0.0, -0.5, 1.0, "m/s"),
    "wood.radiation_m4_kg_s": (0.5, 0.0, -1.5, 1.0, "m4/(kg s)"),
    "wood.impedance_pa_s_m": (0.5, 0.0, 0.5, 1.0, "Pa s/m"),
}


@dataclass(frozen=True)
class Orders:
    """The bending order of each frequency; 0 for one that is no bending mode of this ladder.

    `order` has the frequencies' own order. `rival_gpa` is Young's modulus (Pa / 1e9) of another
    reading that fits about as well, NaN without one.
    """

    order: np.ndarray
    rival_gpa: float

    @property
    def found(self) -> np.ndarray:
        """True for bending modes."""
        return self.order > 0


def find_orders(frequency_hz, bar: beams.Bar) -> Orders:
    """Tell the bending orders of frequencies of a free board, shape (n,), all above 0.

    Nothing fits (all orders 0) when no ladder of a plausible wood meets even one frequency.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    none = Orders(np.zeros(frequency.size, dtype=int), float("nan"))
    if frequency.size == 0:
        return none
    # Frequencies of the bar at a speed of sound of 1 m/s, shape (ratios E/G, orders).
    ladders = beams.bending_frequencies(
        youngs_modulus=1.0, density=1.0, shear_ratio=_SHEAR_GRID[:, None], length=bar.length,
        thickness=bar.thickness, count=HIGHEST_ORDER,
    )  # fmt: skip
    best = _readings(frequency, ladders)
    if not best:
        return none
    score, _, order, speed = best[0]
    rivals = [
        r for r in best[1:] if r[0] > score - _CLEAR and abs(2 * np.log(r[3] / speed)) > _DIFFERENT
    ]
    rival = rivals[0][3] ** 2 * bar.density / 1e9 if rivals else float("nan")
    return Orders(order, float(rival))


def _readings(frequency: np.ndarray, ladders: np.ndarray) -> list[tuple]:
    """(score, steps missing with a minus, orders, speed) of every reading, the best first.

    Each reading sets one frequency on one low step for one E/G; then the speed is refined by the
    mean over all that were met. The best E/G of each set of orders is kept.
    """
    speed = frequency[:, None, None] / ladders[None, :, :HIGHEST_ANCHOR]
    _, row, _ = at = np.nonzero((speed >= SPEED_RANGE[0]) & (speed <= SPEED_RANGE[1]))
    ladder, speed = ladders[row], speed[at]
    off = np.log(frequency[None, :, None] / (speed[:, None, None] * ladder[:, None, :]))
    off = np.where(np.isnan(off), np.inf, off)
    nearest = np.argmin(np.abs(off), axis=2)
    residual = np.take_along_axis(off, nearest[..., None], axis=2)[..., 0]
    # One step takes one frequency, the nearer; one frequency takes one step.
    taken = np.take_along_axis(np.argmin(np.abs(off), axis=1), nearest, axis=1)
    met = (np.abs(residual) <= FARTHEST) & (taken == np.arange(frequency.size))
    order = np.where(met, nearest + 1, 0)
    count = met.sum(axis=1)
    shift = np.where(met, residual, 0.0).sum(axis=1) / np.maximum(count, 1)
    spread = np.where(met, residual - shift[:, None], 0.0)
    missing = order.max(axis=1, initial=0) - count
    first = (speed * ladder[:, 0])[:, None]
    below = ~met & (frequency < first * (1 - FARTHEST)) & (frequency > first / 2)
    score = (
        _FOUND * count - _MISSING * missing - _BELOW * below.sum(axis=1)
        - np.sum((spread / _SPREAD) ** 2, axis=1) / 2.0
    )  # fmt: skip
    speed = speed * np.exp(shift)
    # Of equal readings the one with fewer steps missing, then the stiffer one, comes first.
    sorting = np.lexsort((-speed, missing, -score))
    # A lone frequency fits some step of some wood; only as the first mode is it worth believing.
    sorting = sorting[(count[sorting] > 1) | (order[sorting].max(axis=1, initial=0) == 1)]
    _, first_of = np.unique(order[sorting], axis=0, return_index=True)
    kept = sorting[np.sort(first_of)]
    return [
        (float(score[i]), -int(missing[i]), order[i], float(speed[i])) for i in kept if count[i]
    ]


@dataclass(frozen=True)
class Stiffness:
    """Stiffness of one bar from its modes.

    Attributes
    ----------
    youngs_modulus : Pa.
    shear_ratio : E/G, fitted or as stated.
    fitted_shear : whether E/G comes from the modes.
    at_bound : the modes asked for an E/G outside the range of woods, so the stated one was taken.
    order, frequency_hz : the modes used, shape (n,).
    residual : found over fitted frequency minus 1, shape (n,).
    by_size : d ln E and d ln(E/G) over d ln of length, width, thickness, mass; shape (2, 4).
    covariance : of ln E and ln(E/G) from all but the sizes: frequencies, misfit, stated E/G;
        shape (2, 2).
    """

    youngs_modulus: float
    shear_ratio: float
    fitted_shear: bool
    at_bound: bool
    order: np.ndarray
    frequency_hz: np.ndarray
    residual: np.ndarray
    by_size: np.ndarray
    covariance: np.ndarray

    def log_covariance(self, bar: beams.Bar) -> np.ndarray:
        """Covariance of ln E and ln(E/G), sizes included, shape (2, 2)."""
        return self.covariance + (self.by_size * bar.variances) @ self.by_size.T


def fit_stiffness(
    order, frequency_hz, frequency_u, bar: beams.Bar, *, shear_ratio: float, u_shear_ratio: float
) -> Stiffness:
    """E and E/G of a bar from bending modes of known order.

    Parameters
    ----------
    order : bending orders from 1, all different, shape (n,).
    frequency_hz, frequency_u : Hz, shape (n,); an uncertainty that is not known (NaN) counts as 0
        beside that of uneven wood.
    shear_ratio, u_shear_ratio : E/G and its standard uncertainty for one mode alone.

    Raises
    ------
    InputError : no mode, or a mode that is too high for the theory of a bar as thick as this.
    """
    order = np.asarray(order, dtype=int)
    frequency = np.asarray(frequency_hz, dtype=float)
    errors.InputError.refuse(order.size == 0, "wood.no_bending_mode")
    u = np.nan_to_num(np.asarray(frequency_u, dtype=float)) / frequency
    variance = u**2 + UNEVEN**2
    fitted = _fit_ratio(order, frequency, variance, bar) if order.size > 1 else float("nan")
    at_bound = order.size > 1 and np.isnan(fitted)
    ratio = shear_ratio if np.isnan(fitted) else fitted
    factor, by_shear, by_length = _slopes(order, bar, ratio)
    errors.InputError.refuse(
        np.isnan(factor).any(),
        "wood.above_theory",
        mode=order.max(),
        slenderness=bar.slenderness,
    )
    # ln E at this E/G, and what is left of each ln frequency.
    model = _log_slender(order, bar) + factor
    log_e = float(np.average(2.0 * (np.log(frequency) - model), weights=1.0 / variance))
    residual = np.log(frequency) - model - log_e / 2.0
    by_size = _model_by_size(by_length)
    weight, known = 1.0 / variance, 1 if np.isnan(fitted) else 2
    jacobian = np.stack([np.full(order.size, 0.5), by_shear][:known], axis=1)
    gain = np.linalg.solve((jacobian.T * weight) @ jacobian, jacobian.T * weight)
    free = order.size - known
    misfit = max(1.0, float(np.sum(weight * residual**2)) / free) if free > 0 else 1.0
    covariance = np.zeros((2, 2))
    sizes = np.zeros((2, 4))
    covariance[:known, :known] = misfit * (gain * variance) @ gain.T
    sizes[:known] = -gain @ by_size
    covariance[0, 0] += (U_AIR * bar.air / bar.mass) ** 2
    if known == 1:
        direction = np.array([-float((gain @ by_shear)[0]), 1.0])
        covariance += (u_shear_ratio / shear_ratio) ** 2 * np.outer(direction, direction)
    return Stiffness(
        youngs_modulus=float(np.exp(log_e)),
        shear_ratio=float(ratio),
        fitted_shear=known == 2,
        at_bound=bool(at_bound),
        order=order,
        frequency_hz=frequency,
        residual=np.expm1(residual),
        by_size=sizes,
        covariance=covariance,
    )


def predict_modes(fit: Stiffness, bar: beams.Bar, *, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in Hz of the first bending modes of a bar, and their standard uncertainties.

    The sizes were already used to find E from the same board's modes, so what they leave here is
    what does not cancel; uneven wood comes on top. Modes above the cut-off are NaN.
    """
    order = np.arange(1, count + 1)
    factor, by_shear, by_length = _slopes(order, bar, fit.shear_ratio)
    frequency = np.exp(_log_slender(order, bar) + factor) * np.sqrt(fit.youngs_modulus)
    by_fit = np.stack([np.full(count, 0.5), by_shear], axis=1)
    by_size = _model_by_size(by_length) + by_fit @ fit.by_size
    variance = np.einsum("ni,ij,nj->n", by_fit, fit.covariance, by_fit)
    variance += by_size**2 @ bar.variances + UNEVEN**2
    return frequency, frequency * np.sqrt(variance)


def _log_slender(order: np.ndarray, bar: beams.Bar) -> np.ndarray:
    """ln of the slender bar's frequencies for E = 1 Pa."""
    root = beams.eigenvalues(int(order.max()))[order - 1]
    moving = bar.mass + bar.air
    stiff = bar.width * bar.thickness**3 / (12.0 * moving * bar.length**3)
    return np.log(root**2 / (2 * np.pi) * np.sqrt(stiff))


def _fit_ratio(order, frequency, variance, bar: beams.Bar) -> float:
    """The E/G that fits best; NaN when none inside the range of woods does.

    The sum of squares is first looked at over the whole range, so no starting value is needed and
    no second minimum missed. Where it is least a polynomial through it tells its lowest point, to
    which the sum itself is too flat. Beside a ratio that puts a mode above the theory the range is
    narrowed down instead.
    """
    low, high = np.log(SHEAR_RANGE)
    slender = _log_slender(order, bar)
    weight = 1.0 / variance
    for turn in range(6):
        grid = np.linspace(low, high, 41)
        shear = beams.timoshenko_ratio(order[None], bar.slenderness, np.exp(grid)[:, None])
        half_e = np.log(frequency) - slender - np.log(shear)
        rest = half_e - np.average(half_e, axis=1, weights=weight)[:, None]
        cost = np.where(np.isnan(rest).any(axis=1), np.inf, np.sum(weight * rest**2, axis=1))
        best = int(np.argmin(cost))
        if best in (0, grid.size - 1) and turn == 0:
            return float("nan")
        if turn and np.isfinite(cost).all():
            course = np.polynomial.Chebyshev.fit(grid, cost - cost[best], _DEGREE)
            level = course.deriv().roots()
            return float(np.exp(level[np.argmin(np.abs(level - grid[best]))].real))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    return float(np.exp(grid[best]))


def _slopes(order, bar: beams.Bar, ratio: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """ln of Timoshenko's factor of the frequency f; d ln f over d ln(E/G) and over
    d ln(length/thickness), shape (n,)."""
    off = np.exp(_STEP * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]]).T[..., None])
    ratios = beams.timoshenko_ratio(order[None], bar.slenderness * off[1], ratio * off[0])
    own, *moved = np.log(ratios)
    return own, *((up - down) / (2 * _STEP) for up, down in (moved[:2], moved[2:]))


def _model_by_size(by_length: np.ndarray) -> np.ndarray:
    """d ln f over d ln of length, width, thickness, mass at constant E and E/G, shape (n, 4)."""
    half = np.full_like(by_length, 0.5)
    return np.stack([by_length - 1.5, half, 1.5 - by_length, -half], axis=1)


class Value(NamedTuple):
    """A number, its unit and its standard uncertainty; `shared` is the part of that which all takes
    of the board have in common, such as that of its sizes."""

    value: float
    unit: str
    u: float
    shared: float

    @property
    def own(self) -> float:
        """What is left of the uncertainty for the takes themselves; NaN for nothing."""
        own = np.sqrt(max(self.u**2 - self.shared**2, 0.0))
        return float(own) if own > 0.0 else float("nan")


def density_value(bar: beams.Bar) -> Value:
    """Density in kg/m3."""
    u = bar.density * float(np.sqrt(DENSITY**2 @ bar.variances))
    return Value(bar.density, "kg/m3", u, u)


def derived_values(fit: Stiffness, bar: beams.Bar) -> dict[str, Value]:
    """Young's modulus, shear modulus, speed of sound, radiation coefficient and impedance.

    The keys are the register's names.
    """
    found = {}
    for name, (of_e, of_ratio, of_density, scale, unit) in DERIVED.items():
        value = fit.youngs_modulus**of_e * fit.shear_ratio**of_ratio * bar.density**of_density
        powers = np.array([of_e, of_ratio])
        by_size = powers @ fit.by_size + of_density * DENSITY
        sizes = by_size**2 @ bar.variances
        u = [float(np.sqrt(x)) for x in (powers @ fit.covariance @ powers + sizes, sizes)]
        found[name] = Value(value * scale, unit, *(value * scale * x for x in u))
    return found

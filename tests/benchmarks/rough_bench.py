"""Whole studies on rough boards: what a workshop would measure where no bar is uniform.

Boards of larch, cherry and robinia are cut, measured, tapped on soft foam and swept on the bench,
several mountings each, as arrays in memory. The physics is that of `rough_bar`; what is known to
the workshop (sizes, mass, taps, the driver's place) comes with ordinary errors of measurement. The
truth stands beside it: every board, every roughness, every mounting.

Conventions: SI units in the truth, mm and g on the bench sheet. Frequencies are 96 an octave, as
2^(n/96) Hz. Responses are far end over driving point, complex, shape (mounts, F); decibels are
20 lg of their size. A roughness of strength 0 is not there; 1 would pass unnoticed in a workshop
that looks at its boards with care; 2 and 3 are twice and three times that. What has a direction (a
taper, a gradient, a driver off the centre line) has it by chance, board by board, or always the
same where it is a wood's own (`only`). The same seed draws the same boards, mountings and errors
whatever the roughness is.
Source: woods after the Wood Handbook's larch, black cherry and black locust (density at 12 %,
stiffness with 10 % for shear); losses, shear and all roughnesses are invented within common range.

Classes: `Kind`, `Specimen`, `Mount`, `RoughStudy`. Functions: `grid`, `rough_study`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from tests.benchmarks import rough_bar
from tests.benchmarks.rough_bar import Driver, Ear, Knot, Roughness, Support, Wood

PER_OCTAVE = 96
NOMINAL_M = (0.745, 0.038, 0.018)
DRIVE_AT_M = 0.100
CUT_SD_M = (3e-4, 1e-4, 5e-5)
"""Between boards of a wood: length, width, thickness."""
ERRORS = {"length_mm": 0.3, "width_mm": 0.04, "thickness_mm": 0.03, "mass_g": 0.06}
"""Standard deviations of what the workshop reads off its rule, calliper and scale."""
TAP_FREQUENCY, TAP_LOSS = 2e-4, 0.03
"""Relative standard deviations of a mode's mean over taps."""
MOUNT_AT_M, MOUNT_GAIN_DB, MOUNT_STIFFNESS = 6e-4, 0.3, 0.003
"""Between mountings: the driver's place, the microphone's level, the board's stiffness that day."""
NOISE, NOISE_SHARE = 0.002, 0.003
"""Of a response: the floor over its median, and the share of its own size."""
HIGHEST_TAP_HZ = 5000.0


@dataclass(frozen=True)
class Kind:
    """A wood's means, and relative standard deviations between its boards."""

    youngs_modulus: float
    density: float
    loss: float
    shear_ratio: float
    stiffness_sd: float = 0.06
    density_sd: float = 0.04
    loss_sd: float = 0.10


WOODS: dict[str, Kind] = {
    "larch": Kind(14.2e9, 582.0, 0.0090, 16.0),
    "cherry": Kind(11.3e9, 560.0, 0.0105, 13.0),
    "robinia": Kind(15.5e9, 773.0, 0.0060, 12.0),
}


@dataclass(frozen=True)
class Specimen:
    """A board: the truth, its row of the bench sheet, and its free modes as tapped.

    Attributes
    ----------
    sheet : length_mm, width_mm, thickness_mm, mass_g as measured.
    modes : as heard; shape (n,) each of frequency_hz, frequency_u, loss_factor, loss_factor_u.
    twist : the share of each mode's motion that is twist, which nobody at the bench knows.
    """

    name: str
    wood: str
    true: Wood
    rough: Roughness
    sheet: Mapping[str, float]
    modes: Mapping[str, np.ndarray]
    twist: np.ndarray


@dataclass(frozen=True)
class Mount:
    """One setting-up, as it truly was."""

    specimen: str
    number: int
    driver: Driver
    supports: tuple[Support, ...]
    ear: Ear
    gain_db: float


@dataclass(frozen=True)
class RoughStudy:
    """All that was measured, with the truth beside it.

    Attributes
    ----------
    response : as measured, complex, (mounts, F).
    u_db : standard uncertainty of its level, (mounts, F).
    true_response : without noise and without the microphone's level.
    drive_at_mm, u_drive_at_mm : what the workshop says of the driver's place.
    """

    frequency_hz: np.ndarray
    specimens: tuple[Specimen, ...]
    mounts: tuple[Mount, ...]
    response: np.ndarray
    u_db: np.ndarray
    true_response: np.ndarray
    drive_at_mm: float
    u_drive_at_mm: float

    @property
    def level_db(self) -> np.ndarray:
        """(mounts, F)."""
        return 20.0 * np.log10(np.abs(self.response))

    def mounts_of(self, name: str) -> list[int]:
        """Rows of a board's mountings."""
        return [at for at, mount in enumerate(self.mounts) if mount.specimen == name]


@dataclass(frozen=True)
class _Bench:
    """What may be rough beside the wood."""

    driver: Driver
    supports: tuple[Support, ...] = ()
    ear: Ear = field(default_factory=Ear)


_Rough = tuple[Roughness, _Bench]


def grid(low_hz: float = 60.0, high_hz: float = 4000.0) -> np.ndarray:
    """96 an octave."""
    first, last = np.ceil(PER_OCTAVE * np.log2(low_hz)), np.floor(PER_OCTAVE * np.log2(high_hz))
    return 2.0 ** (np.arange(first, last + 1) / PER_OCTAVE)


def _taper(rough: Roughness, bench: _Bench, by: float, sign: float, length: float, rng) -> _Rough:
    return replace(rough, thickness=0.03 * by * sign, width=0.02 * by * sign), bench


def _density(rough, bench, by, sign, length, rng) -> _Rough:
    return replace(rough, density=0.08 * by * sign), bench


def _stiffness(rough, bench, by, sign, length, rng) -> _Rough:
    return replace(rough, stiffness=0.15 * by * sign), bench


def _knots(rough, bench, by, sign, length, rng) -> _Rough:
    spots = tuple(
        Knot(at * length, 0.012, stiffness=-0.2 * by, density=0.15 * by, loss=0.5 * by)
        for at in rng.uniform(0.1, 0.9, 2)
    )
    return replace(rough, knots=rough.knots + spots), bench


def _torsion(rough, bench, by, sign, length, rng) -> _Rough:
    driver = replace(bench.driver, across=0.002 * by * sign)
    return rough, replace(bench, driver=driver, ear=replace(bench.ear, across=0.005 * by))


def _supports(rough, bench, by, sign, length, rng) -> _Rough:
    # A strip holds against roll: two points, 11 mm on either side of the centre line.
    strips = tuple(
        Support(share * length, 5e3 * by, 0.3, across=side * 0.011)
        for share in (0.2, 0.8)
        for side in (-1, 1)
    )
    return rough, replace(bench, supports=strips)


def _rocking(rough, bench, by, sign, length, rng) -> _Rough:
    driver = replace(
        bench.driver, mass=0.03, turning=1.5e-6 * by, lever=0.002 * by * sign, sensor=0.002 * by
    )
    return rough, replace(bench, driver=driver)


def _patch(rough, bench, by, sign, length, rng) -> _Rough:
    # A film of glue: the foot stiffens what it covers and turns with the board as a whole.
    driver = replace(bench.driver, mass=0.03, turning=3e-6, foot_length=0.015 * by, bed=5e9)
    return rough, replace(bench, driver=driver)


def _loss(rough, bench, by, sign, length, rng) -> _Rough:
    return replace(rough, loss_power=0.15 * by, shear_loss=0.5 * by), bench


def _grain(rough, bench, by, sign, length, rng) -> _Rough:
    return replace(rough, grain=np.radians(3.0) * by * sign), bench


def _hearing(rough, bench, by, sign, length, rng) -> _Rough:
    ear = replace(bench.ear, at=length - 0.005 * by, height=0.005 * by)
    return rough, replace(bench, ear=ear)


KNOBS = {
    "taper": _taper,
    "density": _density,
    "stiffness": _stiffness,
    "knots": _knots,
    "torsion": _torsion,
    "supports": _supports,
    "rocking": _rocking,
    "patch": _patch,
    "loss": _loss,
    "grain": _grain,
    "hearing": _hearing,
}
"""The roughnesses by name: of the wood (taper, density, stiffness, knots, loss, grain) and of the
bench (torsion from a driver and a microphone off the centre line, supports, a rocking driver, one
that is no point, a microphone that hears more than the far end)."""


def rough_study(
    rng: np.random.Generator,
    strengths: Mapping[str, float] | None = None,
    *,
    boards: int = 4,
    mounts: int = 3,
    taps: int = 6,
    only: Collection[str] | None = None,
    cut: Mapping[str, float] | None = None,
    alike: bool = False,
    frequency_hz: np.ndarray | None = None,
    drive_at_m: float = DRIVE_AT_M,
    nominal_m: tuple[float, float, float] = NOMINAL_M,
    hear_twist: bool = False,
    errors: float = 1.0,
) -> RoughStudy:
    """One study.

    Parameters
    ----------
    strengths : of each roughness of `KNOBS`; those not named are 0.
    boards, mounts : of each wood, of each board.
    taps : how many free modes are heard of each board; 0 for a board that was not tapped.
    only : the woods that are rough; None for all.
    cut : thickness of a wood's boards, as a share of the nominal one.
    alike : all woods are larch by another name.
    hear_twist : the taps hear twisting modes as well.
    errors : of measuring, mounting and noise, as a share of ordinary ones.
    """
    frequency = grid() if frequency_hz is None else np.asarray(frequency_hz, dtype=float)
    cutting, roughing, tapping, mounting, hearing = rng.spawn(5)
    specimens: list[Specimen] = []
    set_up: list[Mount] = []
    responses = []
    for wood, kind in WOODS.items():
        here = strengths if strengths and (only is None or wood in only) else {}
        for number in range(1, boards + 1):
            board = _cut(
                rng, WOODS["larch"] if alike else kind, (cut or {}).get(wood, 1.0), nominal_m
            )
            sign = 1.0 if only else float(roughing.choice((-1.0, 1.0)))
            rough, bench = Roughness(), _Bench(Driver(drive_at_m))
            for knob, strength in here.items():
                if strength:
                    add = KNOBS[knob]
                    rough, bench = add(rough, bench, strength, sign, board.length, roughing)
            name = f"{wood[0].upper()}{number}"
            modes, twist = _tapped(tapping, board, rough, taps, hear_twist, errors)
            sheet = _measured(cutting, board, rough, errors)
            specimens.append(Specimen(name, wood, board, rough, sheet, modes, twist))
            for mount in range(1, mounts + 1):
                own, today, gain = _set_up(mounting, board, bench, errors)
                moved = rough_bar.motion(
                    today, frequency, own.driver, rough=rough, supports=own.supports, ear=own.ear
                )
                set_up.append(Mount(name, mount, own.driver, own.supports, own.ear, gain))
                responses.append(moved.ratio)
    true = np.array(responses).reshape(len(set_up), frequency.size)
    gains = np.array([mount.gain_db for mount in set_up])
    heard = true * 10.0 ** (gains[:, None] / 20.0)
    floor = np.hypot(NOISE * np.median(np.abs(heard), axis=1)[:, None], NOISE_SHARE * np.abs(heard))
    noise = hearing.standard_normal((2, *heard.shape)) * floor / np.sqrt(2.0)
    response = heard + errors * (noise[0] + 1j * noise[1])
    return RoughStudy(
        frequency_hz=frequency,
        specimens=tuple(specimens),
        mounts=tuple(set_up),
        response=response,
        u_db=20.0 / np.log(10.0) * floor / np.sqrt(2.0) / np.abs(response),
        true_response=true,
        drive_at_mm=1000.0 * drive_at_m,
        u_drive_at_mm=1.0,
    )


def _cut(rng, kind: Kind, thinner: float, nominal) -> Wood:
    length, width, thickness = np.array(nominal) + np.array(CUT_SD_M) * rng.standard_normal(3)
    stiff, dense, lossy = rng.standard_normal(3)
    modulus = kind.youngs_modulus * np.exp(kind.stiffness_sd * stiff)
    # Dense boards are stiff ones.
    density = kind.density * np.exp(kind.density_sd * (0.6 * stiff + 0.8 * dense))
    return Wood(
        length=float(length),
        width=float(width),
        thickness=float(thickness * thinner),
        density=float(density),
        youngs_modulus=float(modulus),
        shear_modulus=float(modulus / kind.shear_ratio),
        loss=float(kind.loss * np.exp(kind.loss_sd * lossy)),
    )


def _measured(rng, board: Wood, rough: Roughness, share: float) -> dict[str, float]:
    true = {
        "length_mm": 1000.0 * board.length,
        "width_mm": 1000.0 * board.width,
        "thickness_mm": 1000.0 * board.thickness,
        "mass_g": 1000.0 * rough_bar.mass(board, rough),
    }
    return {key: value + share * ERRORS[key] * rng.standard_normal() for key, value in true.items()}


def _tapped(rng, board: Wood, rough: Roughness, taps: int, hear_twist: bool, share: float):
    """Mean free modes on soft foam at the nodes of the first, and what each is."""
    foam = tuple(Support(share * board.length, 300.0, 0.1) for share in (0.2242, 0.7758))
    found = rough_bar.free_modes(board, 2 * taps + 6, rough=rough, supports=foam)
    heard = (found.frequency_hz < HIGHEST_TAP_HZ) & (hear_twist | (found.twist < 0.5))
    at = np.flatnonzero(heard)[:taps]
    errors = share * rng.standard_normal((2, taps))[:, : at.size]
    frequency = found.frequency_hz[at] * (1.0 + TAP_FREQUENCY * errors[0])
    loss = found.loss[at] * np.exp(TAP_LOSS * errors[1])
    modes = {
        "frequency_hz": frequency,
        "frequency_u": TAP_FREQUENCY * frequency,
        "loss_factor": loss,
        "loss_factor_u": TAP_LOSS * loss,
    }
    return modes, found.twist[at]


def _set_up(rng, board: Wood, bench: _Bench, scale: float) -> tuple[_Bench, Wood, float]:
    away, gain, day, *strips = scale * rng.standard_normal(7)
    at = float(np.clip(bench.driver.at + MOUNT_AT_M * away, 0.0, board.length))
    supports = tuple(
        replace(s, at=s.at + 0.003 * own, stiffness=s.stiffness * np.exp(0.2 * own))
        for s, own in zip(bench.supports, strips, strict=False)
    )
    share = 1.0 + MOUNT_STIFFNESS * day
    today = replace(
        board,
        youngs_modulus=board.youngs_modulus * share,
        shear_modulus=board.shear_modulus * share,
    )
    driver = replace(bench.driver, at=at)
    return replace(bench, driver=driver, supports=supports), today, MOUNT_GAIN_DB * float(gain)

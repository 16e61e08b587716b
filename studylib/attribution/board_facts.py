"""What is known of each board beside its takes: its wood, whether it is inert, where its modes lie.

And what such a board could hide. A harmonic made on the board itself shakes the driving point as
well as the far end. Near a mode of the board as it lies on the bench, the two keep one ratio
whoever excites it, so that it looks like the driver's. Therefore it is forced, in the board's own
model, at 20 places along it: E = A(m, x) A(d, d) / (A(d, x) A(m, d)) is the excess that the
attribution would read, A being the response of a free bar between two points, d the driving point,
m the far end, x the place. It is noticed there if E is not what was observed, within its interval
and what the model itself may be off by. A part of the harmonic shows less: where the driver and
that place together make w times what the driver makes alone, z = w E / (w + E - 1) is read, so that
a z that was read leaves w = z (E - 1) / (E - z).

The model is the modal sum of a slender bar: shapes of Euler-Bernoulli, and for the frequencies and
loss factors what taps of the board found, with the driver on it if they were (what the driver's
mass does is then in them). Two rigid modes come first. Modes that no tap found are put where the
ladder has them, and shifted by 3 % either way. Within 2.5 bandwidths of any mode that taps found, a
bar or not, all is hidden: so near, the answer hangs on what no sheet knows to the hertz.
Source: modal superposition (any textbook of vibration); roots of cos(b) cosh(b) = 1.

Conventions: places as shares of the length from the end at the driver; Hz; arrays over k.

Contents: BoardModes, BoardFacts, facts_of_study, Hidden, forced_excess, noticed_shares.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from studylib.sheets import Specimen, Study
from studylib.sheets.files import grouped
from studylib.signal.harmonics import DB_PER_RATIO

PLACES = 20
ENOUGH = 0.8  # share of the places at which a harmonic made on the board has to be noticed
NEAR_BANDWIDTHS = 2.5
PART_DB = 3.0  # a part made on the board that moves the level by more is not the driver's harmonic
WIDEST_DB = 3.1  # of a wider interval nothing is put down to the driver, and nothing is asked
MODEL_DB = 0.2  # and as much in phase: what the model of a bar may be off by, so far from a mode
INERT_KG_M3 = 1500.0  # no wood is so dense (cell walls alone: 1,500, Wood Handbook, from memory)
UNKNOWN_DRIVE_AT = (0.07, 0.13, 0.2, 0.27)
SHIFTS = (0.97, 1.0, 1.03)  # of modes that no tap found
FAR = 1.5  # from so many times the highest harmonic on, a mode's exact place makes no difference
LADDER = 18  # bending modes in the sum
MATCH = 0.07  # how far a frequency may lie from its step of the ladder
STEP_SHORT = 0.97  # a step of a real bar's ladder over that of a slender one's, about
ASSUMED_LOSS = 0.01
FREE_DRIVERS = (0.0, 0.03)  # the driver's mass over the board's, where only the free board is known


@dataclass(frozen=True)
class BoardModes:
    """Modes that taps found: Hz and loss factors (n,), NaN where a decay is not known.

    loaded : found with the driver on the board.
    drive_at : where the driver sits, as a share of the length; None: not known.
    """

    frequency_hz: np.ndarray
    loss_factor: np.ndarray
    loaded: bool = True
    drive_at: float | None = None


@dataclass(frozen=True)
class BoardFacts:
    """Wood and role as in specimens.csv; inert: no wood; modes: None where none are known."""

    wood: str = ""
    role: str = ""
    inert: bool = False
    modes: BoardModes | None = None


def facts_of_study(study: Study, board_modes: pd.DataFrame) -> dict[str, BoardFacts]:
    """What specimens.csv, study.toml and the table `board_modes` say of each specimen."""
    rows = board_modes.loc[
        board_modes["frequency_hz"] > 0, ["specimen", "support", "frequency_hz", "loss_factor"]
    ]
    of = grouped(
        ((specimen, support), mode) for specimen, support, *mode in rows.itertuples(index=False)
    )
    return {
        each.specimen: BoardFacts(
            each.wood,
            each.role,
            each.role == "reference" and each.density_kg_m3 > INERT_KG_M3,
            _modes(
                *(np.reshape(of.get((each.specimen, s), ()), (-1, 2)) for s in ("bench", "free")),
                specimen=each,
                drive_mm=study.settings.bench.drive_at_mm,
            ),
        )
        for each in study.specimens
    }


def _modes(
    bench: np.ndarray, free: np.ndarray, *, specimen: Specimen, drive_mm: float | None
) -> BoardModes | None:
    """Those of the bench, and from the free board what taps on the bench left out; both are
    frequencies and loss factors (n, 2)."""
    if not bench.size + free.size:
        return None
    if len(bench):
        apart = np.abs(free[:, None, 0] / bench[None, :, 0] - 1.0).min(axis=1, initial=np.inf)
        free = free[apart > 0.5 * MATCH]
    both = np.concatenate([bench, free])
    both = both[np.argsort(both[:, 0])]
    at_known = drive_mm is not None and specimen.length_mm
    return BoardModes(
        both[:, 0],
        both[:, 1],
        loaded=len(bench) > 0,
        drive_at=drive_mm / specimen.length_mm if at_known else None,
    )


# ---------------------------------------------------------------- the model


@dataclass(frozen=True)
class Hidden:
    """What a board could hide at each multiple.

    excess : complex (places of the driver, shifts, K, 20), see `forced_excess`.
    near : (K,) within 2.5 bandwidths of a mode.
    mode_hz : (K,) the nearest mode.
    """

    excess: np.ndarray
    near: np.ndarray
    mode_hz: np.ndarray


@lru_cache
def _roots() -> np.ndarray:
    """Roots of cos(b) cosh(b) = 1 above 0 (LADDER,): Newton from (n + 1/2) pi."""
    b = (np.arange(1, LADDER + 1) + 0.5) * np.pi
    for _ in range(6):
        b = b - (np.cos(b) - 1.0 / np.cosh(b)) / (np.tanh(b) / np.cosh(b) - np.sin(b))
    return b


def _shapes(x: np.ndarray) -> np.ndarray:
    """Shapes of the free bar's modes at places x, two rigid ones first: (LADDER + 2, places)."""
    b, x = _roots()[:, None], np.asarray(x, dtype=float)[None, :]
    # cosh and sinh taken together, so that high modes do not overflow.
    fall = np.exp(-b)
    whole = 1.0 - fall * (fall + 2.0 * np.sin(b))
    share = (1.0 + fall * (fall - 2.0 * np.cos(b))) / whole
    rest = 2.0 * (np.cos(b) - np.sin(b) - fall) / whole
    ends = (1.0 + share) / 2.0 * np.exp(-b * x) + rest / 2.0 * np.exp(b * (x - 1.0))
    bending = ends + np.cos(b * x) - share * np.sin(b * x)
    return np.concatenate([np.ones_like(x), np.sqrt(12.0) * (x - 0.5), bending])


def _ladder(frequency_hz: np.ndarray) -> dict[int, int]:
    """Bending order (from 0) -> index of the frequency that is it; the fullest ladder counts."""
    square, hz = (_roots() ** 2).tolist(), frequency_hz.tolist()  # numbers: few at a time
    best: dict[int, int] = {}
    for start in range(min(4, len(hz))):
        found, last = {0: start}, 0
        for i in range(start + 1, len(hz)):
            off, nearest = min(
                (
                    (abs(hz[i] / hz[found[last]] / wanted - 1.0), ahead)
                    for ahead in range(last + 1, min(last + 4, LADDER))
                    for wanted in [square[ahead] / square[last] * STEP_SHORT ** (ahead - last)]
                ),
                default=(np.inf, last),
            )
            if off < MATCH:
                last, found[nearest] = nearest, i
        if len(found) > len(best):
            best = found
    return best


def forced_excess(modes: BoardModes, frequencies_hz: np.ndarray) -> Hidden:
    """The excess, as a complex ratio, of a harmonic that a force on the board makes.

    Parameters
    ----------
    modes : with one frequency at least.
    frequencies_hz : (K,) where the harmonics lie.
    """
    found, at = np.asarray(modes.frequency_hz, float), np.asarray(frequencies_hz, float)
    loss = np.asarray(modes.loss_factor, float)
    known = loss[loss > 0]
    loss = np.where(loss > 0, loss, known.mean() if known.size else ASSUMED_LOSS)
    nearest = np.abs(np.log(at[:, None] / found)).argmin(axis=1)
    width = np.abs(at[:, None] - found) / (loss * found)
    ladder = _ladder(found)
    near = (width < NEAR_BANDWIDTHS).any(axis=1)
    if len(ladder) < 2:
        # No bar has such modes: nothing but their nearness is left to go by.
        return Hidden(np.full((1, 1, at.size, PLACES), np.inf + 0j), near, found[nearest])
    drive_at = UNKNOWN_DRIVE_AT if modes.drive_at is None else (modes.drive_at,)
    own, damping, guessed = _filled(ladder, found, loss)
    drivers = (0.0,) if modes.loaded else FREE_DRIVERS
    unsure = (guessed & (own < FAR * at.max())).any()
    each = [
        [
            _excess(own * np.where(guessed, shift, 1.0), damping, at, place, driver)
            for shift in (SHIFTS if unsure else (1.0,))
            for driver in drivers
        ]
        for place in drive_at
    ]
    return Hidden(np.array(each), near, found[nearest])


def _filled(
    ladder: Mapping[int, int], found: np.ndarray, loss: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies and loss factors of the whole ladder, and which of them no tap found."""
    square, own, damping = _roots() ** 2, np.full(LADDER, np.nan), np.full(LADDER, loss.mean())
    for order, i in ladder.items():
        own[order], damping[order] = found[i], loss[i]
    guessed = np.isnan(own)
    for order in np.flatnonzero(guessed):
        own[order] = own[order - 1] * square[order] / square[order - 1] * STEP_SHORT
    return own, damping, guessed


def _excess(
    own: np.ndarray, damping: np.ndarray, at: np.ndarray, drive_at: float, driver: float
) -> np.ndarray:
    """E (K, places); `driver`: a mass at the driving point, over the board's, not yet in `own`."""
    places = np.r_[1.0, drive_at, (np.arange(PLACES) + 0.5) / PLACES]
    far, near, there = np.split(_shapes(places), (1, 2), axis=1)
    own, damping = np.r_[0.0, 0.0, own], np.r_[0.0, 0.0, damping]
    square = np.square(at)[:, None]
    # Acceleration for a force, of a board of mass 1.
    gain = -square / (own**2 - square + 1j * damping * own * at[:, None])
    drive, passed = gain @ near**2, gain @ (near * far)
    ratio = (gain @ (far * there)) * drive / ((gain @ (near * there)) * passed)
    return 1.0 + (ratio - 1.0) * (1.0 + driver * drive)


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def noticed_shares(
    hidden: Hidden,
    *,
    observed: np.ndarray,
    down_db: np.ndarray,
    up_db: np.ndarray,
    turn: np.ndarray,
) -> np.ndarray:
    """Shares (2, K) of places at which a harmonic made on the board would not give what was read:
    one made there alone, and one of which a part that moves the level by PART_DB is made there. 0
    near a mode, and where the interval is too wide to ask.

    Parameters
    ----------
    observed : (K,) the excess as a complex ratio.
    down_db, up_db : (K,) how far its interval reaches below and above it.
    turn : (K,) the phase in rad up to which two ratios agree.
    """
    out = np.zeros((2, observed.size))
    asked = ~hidden.near & (down_db + up_db < WIDEST_DB)
    off = np.log(hidden.excess[:, :, asked] / observed[asked, None])
    low, high, angle = (
        (each + MODEL_DB / DB_PER_RATIO)[asked, None]
        for each in (down_db / DB_PER_RATIO, up_db / DB_PER_RATIO, turn)
    )
    # Of all that may have been read, what lies nearest to E and farthest from it.
    near = np.clip(off.real, -low, high) + 1j * np.clip(off.imag, -angle, angle)
    far = np.where(off.real > (high - low) / 2.0, -low, high) - 1j * np.copysign(angle, off.imag)
    parts = np.stack([np.exp(z) / (1.0 - np.exp(z - off)) for z in (near, far)])
    moved = np.abs(np.log(np.abs(parts * (observed[asked, None] - np.exp(-off)))))
    out[:, asked] = [
        (1.0 - hides.mean(axis=-1)).min(axis=1).mean(axis=0)
        for hides in (near == off, ~(moved < PART_DB / DB_PER_RATIO).all(axis=0))
    ]
    return out

"""Drive steps: does a harmonic grow as the one that was sensed at the driving point?

A linear board passes the k-th harmonic on by the same factor at every drive, so its growth between
a lower drive and full drive equals the growth of the sensed k-th harmonic, however the driver
distorts. A contact that opens and closes does not. No probe tone is needed for this. Without a
sensed drive the growth stands beside that of the same step on the block and beside k dB a dB,
which is what a driver's own distortion of order k does when it is weak; the verdict is then
`cannot tell`.

What the room and the recorder put into either take is bounded at both drives. By as much as the
fundamental itself does not follow, a gain changed with the level (level control, a knob), and no
harmonic is said not to follow on the ground of that much.

Conventions: growth from the lower drive to full drive in dB; interval at 99 %, corrected as in
uncertainty.py.

Functions: step_rows.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from studylib.attribution import excess, lines, uncertainty, verdicts
from studylib.codes.attribution import Cause, StepVerdict


@np.errstate(divide="ignore", invalid="ignore")
def step_rows(
    key: tuple[str, int],
    full: excess.Evidence,
    lower: Mapping[float, excess.Evidence],
    block: Mapping[float, list[lines.Lines]],
) -> list[tuple]:
    """Rows of the table `drive_steps` of one mount, for the harmonics that stand out at full drive.

    Parameters
    ----------
    full, lower : all that bears on the tone at full drive, and at each lower drive (dB).
    block : the driver's takes on the block at each drive, 0 for full.
    """
    on_block, rows = _levels(block.get(0.0)), []
    tone = full.tone
    loud = np.abs(tone.response) > tone.presence(tone.u_response)
    for drive_db in sorted(lower, reverse=True):
        step = lower[drive_db].tone
        growth = _db(tone.response) - _db(step.response)
        sensed = _db(tone.drive) - _db(step.drive) if full.sensed else np.full(growth.size, np.nan)
        of_block = on_block - _levels(block.get(drive_db))
        of_block = np.pad(of_block, (0, growth.size), constant_values=np.nan)
        found = _difference(full, lower[drive_db])
        heard = np.abs(step.response) > step.presence(step.u_response)
        rows += [
            (
                *key, i + 1, drive_db, growth[i] if heard[i] else np.nan, sensed[i], of_block[i],
                -drive_db * (i + 1), found.middle[i], found.low[i], found.high[i],
                _verdict(found, i),
            )
            for i in range(1, growth.size)
            if loud[i]
        ]  # fmt: skip
    return rows


class _Difference(NamedTuple):
    """Growth over the sensed one in dB; `least`, `most` also hold leaks that are only bounded.

    tested : the recorder was, and so was the room where a mains line could lie in the bin.
    """

    middle: np.ndarray
    low: np.ndarray
    high: np.ndarray
    least: np.ndarray
    most: np.ndarray
    tested: np.ndarray


def _verdict(found: _Difference, i: int) -> StepVerdict:
    if found.low[i] >= -excess.MARGIN_DB and found.high[i] <= excess.MARGIN_DB:
        return StepVerdict.WITH
    apart = found.least[i] > excess.MARGIN_DB or found.most[i] < -excess.MARGIN_DB
    return StepVerdict.NOT_WITH if apart and found.tested[i] else StepVerdict.CANNOT_TELL


def _difference(full: excess.Evidence, step: excess.Evidence) -> _Difference:
    """Growth of the response over that of the sensed harmonic.

    Sound through the air goes with the driver's harmonic at any drive and takes no part in it.
    """
    tone, low, spread = full.tone, step.tone, full.take_spread
    if not (full.sensed and spread.df):
        nothing = np.full((5, tone.response.size), np.nan)
        return _Difference(*nothing, np.zeros(tone.response.size, dtype=bool))
    middle = np.log(np.abs((tone.response / tone.drive) / (low.response / low.drive)))
    takes = np.full(middle.size, np.sqrt(spread.level * (1.0 / tone.n + 1.0 / low.n)))
    terms = [
        _noise(tone.u_response, tone.response, tone.dof, "top"),
        _noise(low.u_drive, low.drive, low.dof, "top"),
        _noise(tone.u_drive, tone.drive, tone.dof, "bottom"),
        _noise(low.u_response, low.response, low.dof, "bottom"),
        uncertainty.Term(Cause.TAKES, takes, np.full(middle.size, float(spread.df)), "spread"),
    ]
    turned = {"top": "bottom", "bottom": "top"}
    bounds = excess.leak_bounds(full)
    bounds += [bound._replace(acts=turned[bound.acts]) for bound in excess.leak_bounds(step)]
    seen = [bound._replace(share=np.where(bound.found, bound.share, 0.0)) for bound in bounds]
    gain = abs(middle[0])
    q, _ = uncertainty.coverage(terms, rows=full.rows)
    down, up = (
        middle - uncertainty.side(terms, q, up=False),
        middle + uncertainty.side(terms, q, up=True),
    )
    far = [
        not verdicts.near_mains(float(f), 1.0 / full.tone.seconds)
        for f in uncertainty.or_zero(full.tone.frequency_hz)
    ]
    return _Difference(
        uncertainty.DB * middle,
        uncertainty.DB * (down + uncertainty.shift(seen, up=False)),
        uncertainty.DB * (up + uncertainty.shift(seen, up=True)),
        uncertainty.DB * (down + uncertainty.shift(bounds, up=False) - gain),
        uncertainty.DB * (up + uncertainty.shift(bounds, up=True) + gain),
        # The recorder or a mains line cannot grow in the board's place.
        ~np.isnan(full.recorder.bound) & (np.array(far) | ~np.isnan(full.room.line)),
    )


def _noise(u: np.ndarray, value: np.ndarray, df: int, acts: str) -> uncertainty.Term:
    return uncertainty.Term(
        Cause.NOISE, u / np.abs(value), np.full(value.size, float(max(df, 1))), acts
    )


def _levels(takes: list[lines.Lines] | None) -> np.ndarray:
    return _db(lines.mean_lines(takes).response) if takes else np.array([np.nan])


def _db(amplitude: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(amplitude))

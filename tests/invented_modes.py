"""Invented tables of modes with a known truth: boards that are scaled copies of one ladder.

The ladder of the free boards is that of a slender bar with free ends: the roots of
cos x cosh x = 1 squared, over the first (Blevins, Formulas for Natural Frequency and Mode Shape,
1979, table 8-1; roots 4.73004074, 7.85320462, 10.99560784, 14.13716549).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

ROOTS = np.array([4.73004074, 7.85320462, 10.99560784, 14.13716549])
BAR = (ROOTS / ROOTS[0]) ** 2  # 1, 2.7565, 5.4039, 8.9330


@dataclass(frozen=True)
class Study:
    """What is invented; relative standard deviations of one log frequency each."""

    ladder: tuple[float, ...] = tuple(170.0 * BAR)
    boards: int = 9
    mounts: int = 3
    takes: int = 1
    taps: int = 3
    factors: tuple[float, ...] = ()  # of each board; drawn from 0.8 to 1.25 when empty
    board_sd: float = 0.01
    mount_sd: float = 0.01  # of the whole mount
    mode_sd: float = 0.003  # of each mode of a mount
    tap_sd: float = 0.0005
    lost: float = 0.0  # chance that a tap does not show a mode
    foreign: float = 0.0  # expected number of foreign modes in a tap
    without: tuple[tuple[int, int], ...] = ()  # (board, mode) never shown, both from 1
    sizes: bool = True
    support: str = "bench"
    speed_sd: float = 0.05  # of the speed of sound, where sizes are given


def invent(study: Study, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(modes with a column `truth`, NaN for a foreign one; specimens)."""
    rng = np.random.default_rng(seed)
    factors = np.array(study.factors) if study.factors else rng.uniform(0.8, 1.25, study.boards)
    ladder = np.log(study.ladder)
    rows, boards = [], []
    for b in range(study.boards):
        name = f"B{b + 1}"
        speed = np.exp(study.speed_sd * rng.standard_normal())
        thickness = 18.0 * factors[b] / speed
        boards.append((name, "larch", "", 745.0 if study.sizes else np.nan,
                       thickness if study.sizes else np.nan))  # fmt: skip
        own = ladder + np.log(factors[b]) + study.board_sd * rng.standard_normal(len(ladder))
        for m in range(study.mounts):
            mount = own + study.mount_sd * rng.standard_normal()
            mount = mount + study.mode_sd * rng.standard_normal(len(own))
            for t in range(study.takes):
                for tap in range(study.taps):
                    found = mount + study.tap_sd * rng.standard_normal(len(own))
                    show = rng.random(len(own)) >= study.lost
                    show &= [(b + 1, k + 1) not in study.without for k in range(len(own))]
                    here = [(f, k + 1.0) for k, f in enumerate(found) if show[k]]
                    here += [
                        (rng.uniform(ladder[0] - 0.3, ladder[-1] + 0.3), np.nan)
                        for _ in range(rng.poisson(study.foreign))
                    ]
                    where = (f"{name}-{m + 1}-{t + 1}", "day1", "tap", name, "larch", m + 1, t + 1,
                             study.support, tap + 1)  # fmt: skip
                    rows += [_row(where, f, truth, rng) for f, truth in here]
    columns = [
        "take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support", "tap",
        "frequency_hz", "frequency_u", "loss_factor", "loss_factor_u", "level_db", "level_u",
        "snr_db", "close", "usable", "reason", "truth", "place", "loss_factor_place_u",
        "room_decay_s", "direct_db",
    ]  # fmt: skip
    names = ["specimen", "wood", "role", "length_mm", "thickness_mm"]
    return pd.DataFrame(rows, columns=columns), pd.DataFrame(boards, columns=names)


def _row(where: tuple, log_f: float, truth: float, rng: np.random.Generator) -> tuple:
    frequency = float(np.exp(log_f))
    loss = 0.01 * np.exp(0.1 * rng.standard_normal())
    level = -30.0 + 4.0 * rng.standard_normal() - (8.0 if np.isnan(truth) else 0.0)
    no_room = (1, 0.0, np.nan, np.nan)
    return (*where, frequency, 2e-4 * frequency, loss, 0.02 * loss, level, 0.3, 30.0, False, True,
            "", truth, *no_room)  # fmt: skip

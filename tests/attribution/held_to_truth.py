"""Simulated benches judged by the function that the report calls, and held to their truth.

A false cause is a verdict that the simulation contradicts:

- `driver` where what is heard is more than twice, or less than half, the power that the driver
  gives there;
- `beyond the driver` where what was made on the board adds less than 1 dB to the driver's part;
- `air`, `recorder` more than 8 dB below the sum (they are named from 6 dB below on);
- `bench` that names no candidate which is true.

A bench with any false cause counts once: its boards are takes of one bench.

Contents: judge, held, bench_of, benches, line_of.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import beta

from studylib.attribution import Attribution, attribute
from tests.attribution.benches import Simulated, draw_design, simulate
from tests.attribution.troubles import FAMILIES, draw_trouble

OWN_DB, MADE_DB, LEAK_DB = 3.0, 1.0, -8.0
KEYS = ["specimen", "mount", "harmonic"]
CLEAR_U_DB = 0.3
RIVAL = re.compile(r"attribution\.rival_(\w+)")  # the code of a candidate that a reason names


def judge(simulated: Simulated) -> Attribution:
    """The attribution of a simulated bench."""
    design = simulated.world.design
    return attribute(
        simulated.harmonics, simulated.takes, fundamental_hz=design.fundamental_hz,
        harmonics_kept=design.size, sensed=True, boards=simulated.world.facts(),
    )  # fmt: skip


def held(simulated: Simulated, table: pd.DataFrame) -> pd.DataFrame:
    """Rows of the attribution beside their truth, with `false`: the verdict contradicts it."""
    rows = table.merge(simulated.truth, on=KEYS, suffixes=("", "_true"), validate="one_to_one")
    if len(rows) != len(simulated.truth):
        raise AssertionError("the table of the attribution has other rows than were simulated")
    trouble = simulated.trouble
    verdict = rows["verdict"].astype(str)
    air = np.fmax(rows["air_db_true"], rows["elsewhere_db"])
    false = (verdict == "driver") & (rows["own_db"].abs() > OWN_DB)
    false |= (verdict == "beyond the driver") & ~(rows["made_db"] > MADE_DB)
    false |= (verdict == "air") & (air < LEAK_DB)
    false |= (verdict == "recorder") & (rows["recorder_db_true"] < LEAK_DB)
    true_causes = set(trouble.causes) if trouble.present else set()
    unnamed = np.array([not named(note) & true_causes for note in rows["reason"]], dtype=bool)
    false |= (verdict == "bench") & unnamed
    whole = ~np.isfinite(rows["low"]) | ~np.isfinite(rows["high"])
    inside = (rows["low"] <= rows["excess_db"] + 1e-9) & (rows["excess_db"] <= rows["high"] + 1e-9)
    return rows.assign(
        false=false,
        own_inside=whole | inside,
        covered=whole
        | (rows["low"] <= rows["excess_db_true"] + 1e-9)
        & (rows["excess_db_true"] <= rows["high"] + 1e-9),
        interval=~whole,
    )


def named(reason: str) -> set[str]:
    """The candidates that a reason names, from its codes."""
    return set(RIVAL.findall(str(reason)))


class Bench(NamedTuple):
    """One simulated bench: its place in the table of families and its rows."""

    family: str
    number: int
    size: str
    where: str
    whole: bool  # every control is there
    rows: pd.DataFrame


def bench_of(family: str, number: int, seed: int) -> Bench:
    """Bench number n of a family: drawn by [seed, family, n] alone."""
    rng = np.random.default_rng([seed, list(FAMILIES).index(family), number])
    trouble = draw_trouble(family, number)
    design = draw_design(rng)
    simulated = simulate(design, trouble, rng)
    rows = held(simulated, judge(simulated).table)
    whole = not design.left_out and design.before and design.metal
    return Bench(family, number, trouble.size, trouble.where, whole, rows)


def benches(family: str, count: int, seed: int) -> list[Bench]:
    """The first benches of a family."""
    return [bench_of(family, number, seed) for number in range(count)]


def upper_bound(hits: int, count: int) -> float:
    """Upper end of the two-sided 95 % interval of Clopper and Pearson (1934)."""
    return 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))


class Figures(NamedTuple):
    """What a group of benches shows; shares from 0 to 1, NaN where there is nothing to count."""

    benches: int
    false: int
    upper: float
    covered: float  # boards whose intervals all hold, of whole benches
    outside: int  # intervals without their own estimate
    found: float  # `beyond the driver` where one mount adds more than 4 dB
    driver_right: float  # `driver` in clear rows of harmonics that are the driver's
    open_rows: float  # `cannot tell` in rows that are the driver's, no mode nearby


def figures(group: list[Bench]) -> Figures:
    """Count a group of benches."""
    false = sum(bool(each.rows["false"].any()) for each in group)
    rows = pd.concat([each.rows.assign(bench=each.number) for each in group], ignore_index=True)
    rows["whole"] = rows["bench"].map({each.number: each.whole for each in group})
    part = rows[rows["whole"] & rows["interval"]]
    covered = part.groupby(["bench", "specimen"])["covered"].all()
    far = rows[~rows["near_mode"] & rows["whole"] & (rows["own_db"].abs() < 0.5)]
    clear = far[far["u"] <= CLEAR_U_DB]
    alone = rows["bench"].map({each.number: each.where == "one" for each in group})
    made = rows[rows["whole"] & alone & ~rows["near_mode"] & (rows["made_db"] > 4.0)]
    return Figures(
        len(group), false, upper_bound(false, len(group)),
        covered.mean() if len(covered) else np.nan, int((~rows["own_inside"]).sum()),
        (made["verdict"] == "beyond the driver").mean() if len(made) else np.nan,
        (clear["verdict"] == "driver").mean() if len(clear) else np.nan,
        (far["verdict"] == "cannot tell").mean() if len(far) else np.nan,
    )  # fmt: skip


def line_of(name: str, group: list[Bench]) -> str:
    """One line of the table."""
    found = figures(group)
    verdicts = pd.concat([each.rows.loc[each.rows["false"], "verdict"] for each in group])
    said = ", ".join(f"{word} {n}" for word, n in verdicts.value_counts().items())
    return (
        f"{name:20s} {found.false:3d}/{found.benches:<3d} {100 * found.upper:5.1f}  "
        f"{100 * found.covered:5.1f} {found.outside:4d}  {100 * found.driver_right:5.1f} "
        f"{100 * found.open_rows:5.1f} {100 * found.found:5.1f}  {said}"
    )

"""What a plan works out: spreads, the minutes of a day, and the curves of its figures.

Spreads are standard deviations on the scale of analysis: dB for levels and responses, natural
logarithm for everything else (0.15 is about 15 %); common ones, or those of a pilot. What boards of
one plank share is seldom known, so the common spread of boards stands wholly on the plank: further
boards of one plank then tell nothing new, which errs on the careful side.

Minutes are shared out by trying all whole numbers of mounts and takes (`best_splits`). Where all
spreads and costs are above zero, the best lie near the classical optimum of nested sampling
(Cochran, Sampling Techniques, 3rd ed. 1977, sections 10.6 and 10.8, recalled): with costs c1, c2,
c3 of a board, a mount and a take and standard deviations s1, s2, s3 between them, the variance of a
wood's mean is smallest for its cost with

    mounts of a board = s2 / s1 sqrt(c1 / c2),   takes of a mount = s3 / s2 sqrt(c2 / c3)

and the rest of the money buys boards.

Error rates of wrong counting: studies in which no wood differs are drawn with the given spreads and
compared by the same pairs as the report's, once with takes, mounts, boards of one plank and planks
counted as one. A way is wrong when it calls some pair different in more than one study of twenty.

Functions: `common_spreads`, `pilot_spreads`, `best_splits`; `power_curves`, `never_beyond`,
`false_alarms`.
Classes: `Spreads`, `Nest`, `Minutes`.
"""

import math
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd

from studylib import codes, errors, register
from studylib.codes import comparison
from studylib.stats import blocks, pairs, power

COMMON_DB = (1.5, 1.0, 0.5)
COMMON_LOG = (0.15, 0.06, 0.03)
HALF_TO_DOUBLE = (0.5, 2.0)
PILOT_COLUMNS = ("feature", "level", "variance", "low", "high")
MOST_MOUNTS, MOST_TAKES = 12, 12
SPLIT_COLUMNS = ("boards", "mounts", "takes", "minutes", "sd")
DRAWS = 4000
PLANKS = (2, 3, 4, 5, 6, 8, 10, 13, 16, 20, 26, 32, 40, 50, 64, 80, 100)
COUNTED = ("planks", "boards", "mounts", "takes")
RUNS = 400


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of one feature on the scale of analysis.

    source : between planks, specimen : between boards of one plank, mount, take.
    source_low, source_high : how small and how large the first may be.
    origin : a note that says where the numbers are from.
    """

    source: float
    specimen: float
    mount: float
    take: float
    source_low: float
    source_high: float
    origin: str


@dataclass(frozen=True)
class Nest:
    """What lies below one plank: boards of it, mounts of each board, takes of each mount.

    Each is 1 or more, or infinity for what unlimited repeating would leave.
    """

    boards: float
    mounts: float
    takes: float

    def variance(self, spreads: Spreads) -> float:
        """Of the mean of one plank, on the scale of analysis squared."""
        below = spreads.mount**2 / self.mounts + spreads.take**2 / (self.mounts * self.takes)
        return spreads.source**2 + (spreads.specimen**2 + below) / self.boards


@dataclass(frozen=True)
class Minutes:
    """What one more board, one more mount of it and one more take cost, in minutes."""

    board: float
    mount: float
    take: float

    def of_board(self, mounts: float, takes: float) -> float:
        """A board with so many mounts of so many takes."""
        return self.board + mounts * (self.mount + takes * self.take)


def common_spreads(feature: str) -> Spreads:
    """The spreads that stand in until there is a pilot.

    Raises
    ------
    InputError : a feature that the register does not know.
    """
    level = register.find(feature).scale == "db"
    board, mount, take = COMMON_DB if level else COMMON_LOG
    shown = 1.0 if level else 100.0
    origin = codes.note(
        "plan.common", board=shown * board, mount=shown * mount, take=shown * take,
        unit="dB" if level else "%",
    )  # fmt: skip
    low, high = (factor * board for factor in HALF_TO_DOUBLE)
    return Spreads(board, 0.0, mount, take, low, high, origin)


def pilot_spreads(variance: pd.DataFrame, feature: str, *, name: str) -> Spreads:
    """The spreads of an earlier run, from its tables/variance.csv.

    Parameters
    ----------
    variance : columns feature, level, variance, low, high (squares on the scale of analysis).
    name : of the file.

    Raises
    ------
    InputError : a column is missing, the feature is not there, or its boards show no spread.
    """
    missing = [column for column in PILOT_COLUMNS if column not in variance.columns]
    errors.InputError.refuse(missing, "plan.pilot_columns", name=name, missing=missing)
    rows = variance[variance["feature"] == feature].drop_duplicates("level").set_index("level")
    errors.InputError.refuse(rows.empty, "plan.pilot_lacks", name=name, feature=feature)
    # Where no plank has two boards, the row "specimen" is the spread of planks and boards as one.
    top = "source" if "source" in rows.index else "specimen"
    errors.InputError.refuse(
        top not in rows.index or not rows.at[top, "variance"] > 0,
        "plan.pilot_flat",
        name=name,
        feature=feature,
    )
    sd = {level: math.sqrt(max(float(rows.at[level, "variance"]), 0.0)) for level in rows.index}
    low, high = (math.sqrt(max(float(rows.at[top, end]), 0.0)) for end in ("low", "high"))
    return Spreads(
        sd[top],
        sd.get("specimen", 0.0) if top == "source" else 0.0,
        sd.get("mount", 0.0),
        sd.get("take", 0.0),
        min(low, sd[top]),
        high if math.isfinite(high) else 2 * sd[top],
        codes.note(
            "plan.pilot",
            name=name,
            unseen=[level for level in ("mount", "take") if level not in sd],
        ),
    )


def best_splits(
    spreads: Spreads, minutes: Minutes, *, woods: int, budget: float, rows: int = 10
) -> pd.DataFrame:
    """Designs that fit into the minutes, the best first.

    Parameters
    ----------
    woods : number of woods, all with the same number of boards.
    budget : minutes for boards, mounts and takes of all woods together.
    rows : how many designs at most.

    Returns
    -------
    boards (a wood), mounts (a board), takes (a mount), minutes, sd (of a wood's mean, on the scale
    of analysis).

    Raises
    ------
    InputError : not even two boards of each wood fit.
    """
    found = [
        (
            *(boards, mounts, takes, woods * boards * each),
            math.sqrt(Nest(1, mounts, takes).variance(spreads) / boards),
        )
        for mounts, takes in product(range(1, MOST_MOUNTS + 1), range(1, MOST_TAKES + 1))
        for each in [minutes.of_board(mounts, takes)]
        for boards in [int(budget // (woods * each))]
        if boards >= 2
    ]
    errors.InputError.refuse(
        not found,
        "plan.few_minutes",
        budget=budget,
        woods=woods,
        least=2 * woods * minutes.of_board(1, 1),
    )
    table = pd.DataFrame(found, columns=list(SPLIT_COLUMNS))
    table = table.sort_values(["sd", "minutes"], kind="stable")
    # One line a number of boards and mounts: the takes that serve it best.
    return table.drop_duplicates(["boards", "mounts"], ignore_index=True).head(rows)


# ------------------------------------------------------------------ curves of the figures


def power_curves(
    spreads: Spreads, nest: Nest, decision: power.Decision, *, difference: float
) -> pd.DataFrame:
    """Probability that a true difference is declared, over the planks of each wood.

    Parameters
    ----------
    difference : between the named pair, above 0; the other woods lie halfway between.

    Returns
    -------
    planks, line (`codes.comparison.Line`), chance, low, high; low and high (of the planned mounts
    only) hold for the larger and the smaller spread of boards.
    """

    def declared(planks: int, own: Spreads, way: Nest = nest) -> float:
        return decision.chances(difference, way.variance(own), planks, draws=DRAWS).declared

    rows = []
    ways = [
        replace(spreads, source=source)
        for source in (spreads.source, spreads.source_high, spreads.source_low)
    ]
    once, always = (replace(nest, mounts=mounts) for mounts in (1, math.inf))
    for planks in PLANKS:
        one, best = (declared(planks, spreads, way) for way in (once, always))
        rows += [
            (planks, comparison.Line.ONE_MOUNT, one, math.nan, math.nan),
            (planks, comparison.Line.PLANNED, *(declared(planks, each) for each in ways)),
            (planks, comparison.Line.UNLIMITED, best, math.nan, math.nan),
        ]
    return pd.DataFrame(rows, columns=["planks", "line", "chance", "low", "high"])


def never_beyond(limit: float, variance: float, decision: power.Decision) -> float:
    """Probability of `beyond limit` for a true difference as large as the limit, with 1,000
    planks of each wood: what no number of boards will ever raise."""
    chances = decision.free.chances(limit, variance, 1000, limit=limit)
    return chances.of[comparison.Verdict.BEYOND]


def false_alarms(
    spreads: Spreads,
    *,
    woods: int,
    planks: int,
    boards: int,
    mounts: int,
    takes: int,
    confidence: float = 0.95,
    runs: int = RUNS,
    seed: int = 172,
) -> pd.DataFrame:
    """How often some pair is declared although no wood differs.

    Parameters
    ----------
    planks : of each wood, 2 or more.  boards : of each plank.  mounts : of each board.
    takes : of each mount.
    runs : drawn studies.

    Returns
    -------
    counted, units (a wood), rate, low, high (the rate give or take two standard errors).
    """
    shape = (woods, planks, boards, mounts, takes)
    sizes = [math.prod(shape[1 : 2 + level]) for level in range(len(COUNTED))]
    models = [
        blocks.wood_model(
            np.repeat(np.arange(woods), size), np.ones((woods * size, 1)), block=False
        )
        for size in sizes
    ]
    rng = np.random.default_rng(seed)
    drawn = [_drawn(spreads, shape, rng) for _ in range(runs)]
    rate = np.empty(len(COUNTED))
    for level, model in enumerate(models):
        units = [one.mean(axis=tuple(range(2 + level, 5))).ravel() for one in drawn]
        found = pairs.all_pairs(model, np.array(units)).closed <= 1 - confidence
        rate[level] = found.any(axis=1).mean()
    se = np.sqrt(np.maximum(rate * (1 - rate), 1 / runs) / runs)
    return pd.DataFrame(
        {
            "counted": COUNTED,
            "units": sizes,
            "rate": rate,
            "low": np.maximum(rate - 2 * se, 0.0),
            "high": np.minimum(rate + 2 * se, 1.0),
        }
    )


def _drawn(spreads: Spreads, shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    values = np.zeros(shape)
    for level, sd in enumerate((spreads.source, spreads.specimen, spreads.mount, spreads.take)):
        values = values + sd * rng.standard_normal(shape[: 2 + level] + (1,) * (3 - level))
    return values

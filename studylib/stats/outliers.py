"""Boards, mounts and takes far from the rest, and the effects when one of them is left out.

After ISO 5725-2:1994 (7.3.1 to 7.3.4).

Each level is held against its own:

    source    Grubbs' test of the sources' means within their wood (batch effects taken off)
    specimen  Grubbs' test of the boards of one plank, where there are three or more; where there
              are two, Cochran's test of the planks' spreads in one batch, and both are named
    mount     Cochran's test of the boards' spreads between mounts in one batch; of the
              board that stands out the mount farthest from its median is named, and where it
              has but two mounts, both: they differ from each other, and neither from a median
    take      Cochran's test of the mounts' spreads between takes, likewise

A straggler is beyond the 5 % point of its test, an outlier beyond the 1 % point. Cochran's test is
for equal numbers of values in each group; with nearly equal ones it takes the most frequent
number, as the standard allows (7.3.3.2), and groups of other sizes are passed over.

Nothing is removed here or anywhere. Among many tests some point at something by chance: at the 5 %
point one in twenty of them. For every item that stands out the comparison of its feature is made
again without its takes, all other steps being the same (the other primary features included),
so that the two stand side by side.

Functions: `find_outliers`, `number_of_tests`, `leave_one_out`, `grubbs_critical`,
`cochran_critical`.
"""

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, tables
from studylib.codes.comparison import OutlierTest, StandsOut
from studylib.stats import compare, scales, units
from studylib.stats.effects import compared_pairs, effects_table
from studylib.stats.samples import Sample, make_samples

LEVELS = (0.05, 0.01)
SMALLEST = 3
_SHOWN = ("difference", "low", "high", "p_adjusted", "verdict")


def grubbs_critical(n: int, alpha: float) -> float:
    """Two-sided critical value of |x - mean| / s for the most distant of n >= 3 values."""
    t2 = special.stdtrit(n - 2, 1 - alpha / (2 * n)) ** 2
    return float((n - 1) / np.sqrt(n) * np.sqrt(t2 / (n - 2 + t2)))


def cochran_critical(groups: int, n: int, alpha: float) -> float:
    """Critical value of largest variance / sum, for p >= 2 groups of n >= 2 values each."""
    f = special.fdtri(n - 1, (groups - 1) * (n - 1), 1 - alpha / groups)
    return float(1.0 / (1.0 + (groups - 1) / f))


def find_outliers(samples: Mapping[str, Sample], features: Iterable[str]) -> pd.DataFrame:
    """One row for each item that stands out: the table "outliers", and columns `ids` and `says`.

    item names it ("L3", "L3, mount 2", "take ...", "pair of takes ..."); ids are the take ids that
    rest on it, by which it can be left out to see what then becomes of the effects; says is a note
    of what each of a pair says, "" for all else.
    """
    return pd.DataFrame(
        [
            row
            for name in features
            if name in samples
            for row in (
                *_sources(name, samples[name]),
                *_boards_of_planks(name, samples[name].takes),
                *_spreads(samples[name], "specimen"),
                *_spreads(samples[name], "mount"),
                *_spreads(samples[name], "take"),
            )
        ],
        columns=[*tables.TABLES["outliers"].names, "ids", "says"],
    )


def number_of_tests(samples: Mapping[str, Sample], features: Iterable[str]) -> int:
    """How many tests `find_outliers` makes on these features."""
    known = [samples[name] for name in features if name in samples]
    sources = sum(int((s.units.groupby("wood").size() >= SMALLEST).sum()) for s in known)
    return sources + sum(
        len(_usual(_cells(sample.takes, level), keys)[0]) >= 2
        for sample in known
        for level, (keys, _) in _INSIDE.items()
    )


def leave_one_out(
    workings: compare.Workings, found: pd.DataFrame, effects: pd.DataFrame
) -> pd.DataFrame:
    """Effects with and without each item that stands out: the table "effects_without".

    Parameters
    ----------
    workings : what the comparison was made from.
    found : from `find_outliers`.
    effects : the effects table of the comparison.
    """
    rows = [
        {
            **{"feature": item.feature, "without": item.item, "unit": before.unit},
            **{name: getattr(before, name) for name in ("wood_a", "wood_b", *_SHOWN)},
            **{f"{name}_without": getattr(after, name) for name in _SHOWN},
            "changes": before.verdict != after.verdict,
        }
        for item in found.itertuples()
        for again in [_left_out(workings, item.feature, set(item.ids))]
        for with_it in [effects[effects["feature"] == item.feature]]
        for before, after in zip(with_it.itertuples(), again.itertuples(), strict=True)
    ]
    return tables.typed("effects_without", rows)


def _left_out(workings: compare.Workings, feature: str, ids: set[str]) -> pd.DataFrame:
    """Effects of one feature without these takes."""
    takes, mounts = workings.without(feature, ids)
    made = make_samples(
        takes, mounts, order=[feature], woods=workings.woods, smallest_n=workings.smallest_n
    )
    others = {
        name: sample
        for name, sample in workings.samples.items()
        if name in workings.primary and name != feature
    }
    first = {name: pairs for name, pairs in workings.first.items() if name in others}
    first |= compared_pairs(made, refused=(), confidence=workings.confidence)
    table = effects_table(
        others | made,
        first,
        order=list(dict.fromkeys([*workings.primary, feature])),
        woods=workings.woods,
        primary=workings.primary,
        refused=workings.refused,
        limits=workings.limits,
        detected=workings.detected,
        caveats=workings.caveats,
        confidence=workings.confidence,
        same_level=workings.same_level,
        claimed=workings.claimed,
    )
    return table[table["feature"] == feature]


def _centred(sample: Sample) -> np.ndarray:
    """Sources' means less their wood's, batch effects taken off where they can be."""
    adjusted = sample.adjusted()
    y = np.where(np.isfinite(adjusted), adjusted, sample.units["y"].to_numpy(float))
    return y - pd.Series(y).groupby(sample.units["wood"].to_numpy()).transform("mean").to_numpy()


def _sources(name: str, sample: Sample) -> Iterator[dict]:
    takes = sample.takes
    for wood, own in sample.units.assign(z=_centred(sample)).groupby("wood", sort=False):
        for place, found in _grubbs(own["z"].to_numpy()):
            source = own["source"].iloc[place]
            mine = takes[(takes["wood"] == wood) & (takes["source"] == source)]
            boards = mine["specimen"].unique()
            item = str(boards[0]) if len(boards) == 1 else f"plank {source}"
            yield _row(name, "source", item, wood, OutlierTest.GRUBBS, found, mine)


def _boards_of_planks(name: str, takes: pd.DataFrame) -> Iterator[dict]:
    plank = ["wood", "source"]
    boards = (
        takes.groupby([*plank, *units.MOUNT], sort=False)["y"]
        .mean()
        .groupby(level=[*plank, "specimen"], sort=False)
        .mean()
    )
    enough = boards.groupby(level=plank).transform("size") >= SMALLEST
    for (wood, _), own in boards[enough].groupby(level=plank, sort=False):
        for place, found in _grubbs(own.to_numpy() - own.mean()):
            mine = takes[(takes[[*plank, "specimen"]] == list(own.index[place])).all(axis=1)]
            yield _row(
                name, "specimen", own.index[place][-1], wood, OutlierTest.GRUBBS, found, mine
            )


_INSIDE = {
    "specimen": (["wood", "source", "batch"], ["wood", "source", "batch", "specimen"]),
    "mount": (["specimen", "batch"], units.MOUNT),
    "take": (units.MOUNT, [*units.MOUNT, "take"]),
}


def _cells(takes: pd.DataFrame, level: str) -> pd.Series:
    """The values whose spread is looked at: means of boards of planks that have two in a batch,
    means of mounts, or takes."""
    keys, inside = _INSIDE[level]
    cells = (
        takes.groupby(list(dict.fromkeys([*inside, *units.MOUNT])), sort=False)["y"]
        .mean()
        .groupby(level=inside, sort=False)
        .mean()
    )
    return cells[cells.groupby(level=keys).transform("size") == 2] if level == "specimen" else cells


def _usual(values: pd.Series, keys: list[str]) -> tuple[pd.DataFrame, int]:
    """Variances of the groups of the most frequent size, and that size."""
    groups = values.groupby(level=keys, sort=False).agg(["var", "size"])
    groups = groups[groups["size"] >= 2]
    if groups.empty:
        return groups, 0
    size = int(groups["size"].mode().iloc[0])
    return groups[groups["size"] == size], size


def _spreads(sample: Sample, level: str) -> list[dict]:
    """Cochran's test over the groups; of the one that stands out, the value farthest from its
    median, or the two that it holds."""
    keys, inside = _INSIDE[level]
    values = _cells(sample.takes, level)
    groups, n = _usual(values, keys)
    if len(groups) < 2 or not groups["var"].sum() > 0:
        return []
    share = float(groups["var"].max() / groups["var"].sum())
    ends = [cochran_critical(len(groups), n, alpha) for alpha in LEVELS]
    if share <= ends[0]:
        return []
    own = values.xs(groups["var"].idxmax(), level=keys, drop_level=False)
    odd = own if n == 2 else own.iloc[[int(np.argmax(np.abs(own - own.median()).to_numpy()))]]
    mine = sample.takes[pd.MultiIndex.from_frame(sample.takes[inside]).isin(odd.index)]
    of = "{}, {}, ".format(*odd.index[0]) if level == "mount" else ""
    names, feature = [str(key[-1]) for key in odd.index], sample.feature
    item, says = f"{of}{level} {names[0]}", ""
    if n == 2:
        item = f"{of}pair of {level.replace('specimen', 'board')}s {names[0]} and {names[1]}"
        says = codes.note(
            "outliers.pair", feature=feature.name, level=level, of=of, names=names,
            values=scales.reported_values(odd, feature).to_list(), unit=feature.unit,
            apart=scales.reported_difference(odd.max() - odd.min(), feature),
            apart_unit=feature.difference_unit,
        )  # fmt: skip
    about = (feature.name, level, item, mine["wood"].iloc[0], OutlierTest.COCHRAN, (share, *ends))
    return [_row(*about, mine, says=says)]


def _grubbs(z: np.ndarray) -> list[tuple[int, tuple[float, float, float]]]:
    """Place of the most distant value with its statistic and critical values, if it stands out."""
    n = z.size
    s = z.std(ddof=1) if n >= SMALLEST else 0.0
    if not s > 1e-12 * max(1.0, float(np.max(np.abs(z), initial=0.0))):
        return []
    place = int(np.argmax(np.abs(z - z.mean())))
    statistic = float(abs(z[place] - z.mean()) / s)
    ends = [grubbs_critical(n, alpha) for alpha in LEVELS]
    return [(place, (statistic, *ends))] if statistic > ends[0] else []


def _row(name, level, item, wood, test, found, takes: pd.DataFrame, *, says: str = "") -> dict:
    statistic, critical, critical_1 = found
    return {
        "feature": name, "level": level, "item": item, "wood": wood, "test": test,
        "statistic": statistic, "critical": critical, "critical_1": critical_1,
        "verdict": StandsOut.OUTLIER if statistic > critical_1 else StandsOut.STRAGGLER,
        "ids": tuple(takes["id"].astype(str)), "says": says,
    }  # fmt: skip

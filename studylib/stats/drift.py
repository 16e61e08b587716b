"""Drift and order: the reference over the run, every board over the run, and woods in the order.

    reference chart  mounts of the reference specimens in the order of recording, each from the
                     reference's mean in its batch (batches are blocks), with limits that hold for
                     all its points together (Student, Bonferroni), from the spread between mounts
                     of one other board in one batch: a chart for single values (ISO 7870-2) whose
                     spread comes from elsewhere, as the reference alone has too few points.
    trend            the change from the first take of a batch to the last, by least squares on the
                     mounts, each board in each batch with a level of its own: boards mounted at
                     several times of one session carry it. Student's intervals, which hold for
                     each batch and for all batches together (Bonferroni): opposite drifts of two
                     batches cancel in the whole. None that is clear is not none: it is told how
                     large one would have been seen.
    steadiness       both together, feature by feature. This one result is what the drift section,
                     the rival explanations, the positive control and the caveats of a verdict rest
                     on, so that they cannot contradict each other.
    order of woods   how far the woods' boards lie apart in the order of recording: the correlation
                     ratio of the boards' mean places on wood (for two woods the point-biserial
                     correlation), with the F test over boards; and the pairs of woods of which one
                     was wholly recorded before the other.

On the scale of analysis (dB or natural logarithm). Nothing is corrected here; a comparison takes a
drift out only where the study asks for it (`samples`: the places as a column of the model).

A remark on a bench that is in order costs the user an answer, so each kind of it (chart, trend,
drive) is given in at most ERROR of such studies, over all their primary features.

Functions: `reference_chart`, `trends`, `steadiness`, `order_of_woods`, `confidence_each`.
Classes: `Steadiness`, `OrderOfWoods`.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, register, tables
from studylib.stats import scales, units

ERROR = 0.003  # share of clean studies with a remark of one kind on any primary feature
CONFOUNDED = 0.001  # chance of woods this far apart in a random order
ROUNDING = 1e-9  # of a point on its limit


def confidence_each(tests: int) -> float:
    """Confidence of each of several tests that together err in at most ERROR of studies."""
    return 1.0 - ERROR / max(tests, 1)


@dataclass(frozen=True)
class Steadiness:
    """Whether the bench stayed as it was on one feature.

    notes : what the chart of each reference and the trend say.
    known : there are control limits.
    moved : a mount of a reference outside its limits, or a clear trend that was left in.
    drifts : a clear trend, left in or taken out of the effects: what is compared as it was
        measured, such as the positive control, cannot rest on a bench that drifts.
    """

    notes: tuple[str, ...]
    known: bool
    moved: bool
    drifts: bool

    @property
    def steady(self) -> bool | None:
        """Known to have stayed within what mounts differ by chance; None where nothing is known."""
        changed = self.moved or self.drifts
        return self.known and not changed if self.known or changed else None


@dataclass(frozen=True)
class OrderOfWoods:
    """Where the woods' boards lie in the order.

    places : wood, boards, place (mean over boards, 0 first and 1 last; from the middle of what was
        measured in the same batch).
    correlation : 0 to 1, NaN where it cannot be told; p : of the F test over boards.
    apart : pairs (first, last) of woods of which one was wholly recorded before the other in every
        batch that they share.
    """

    places: pd.DataFrame
    correlation: float
    p: float
    apart: tuple[tuple[str, str], ...] = ()

    @property
    def confounded(self) -> bool:
        """Whether the woods lie farther apart in the order than boards dealt at random would."""
        return bool(self.p <= CONFOUNDED or self.apart)

    def between(self, wood_a: str, wood_b: str) -> tuple[str, str] | None:
        """The two in the order in which they were recorded, where order and wood go together."""
        pair = next((each for each in self.apart if {*each} == {wood_a, wood_b}), None)
        if pair or not self.p <= CONFOUNDED:
            return pair
        place = self.places.set_index("wood")["place"]
        return tuple(sorted((wood_a, wood_b), key=lambda wood: float(place.get(wood, 0.0))))


@np.errstate(divide="ignore", invalid="ignore")
def reference_chart(
    mounts: pd.DataFrame, order: pd.DataFrame, *, references: Iterable[str], confidence: float
) -> pd.DataFrame:
    """The table "reference_chart", in the order of recording.

    Parameters
    ----------
    mounts : of all specimens: feature, specimen, batch, mount, y.
    order : from `sheets.study.recording_order`.
    """
    placed = mounts.merge(order, on=units.MOUNT, how="inner").sort_values(["feature", "number"])
    again = placed.groupby(["feature", "specimen", "batch"], sort=False)["y"]
    n, centre = again.transform("size"), again.transform("mean")
    own = placed["specimen"].isin(list(references))
    # Degrees of freedom: the mounts less one of each board in each batch, spread over its mounts.
    spread = pd.DataFrame({"square": (placed["y"] - centre) ** 2, "df": 1 - 1 / n})
    pooled = spread[~own].groupby(placed["feature"]).sum().reindex(placed["feature"])
    tested = (own & (n > 1)).groupby([placed["feature"], placed["specimen"]]).transform("sum")
    square, df = pooled["square"].to_numpy(), np.round(pooled["df"].to_numpy())
    t = special.stdtrit(df, 1 - (1 - confidence) / (2 * tested.to_numpy()))
    half = np.where((n > 1) & (df >= 1), t * np.sqrt(square / df * (1 - 1 / n)), np.nan)
    placed = placed.assign(
        centre=centre,
        low=centre - half,
        high=centre + half,
        outside=np.abs(placed["y"] - centre) > half + ROUNDING,
    )
    return tables.typed("reference_chart", placed[own].reset_index(drop=True))


def steadiness(
    chart: pd.DataFrame, changes: pd.DataFrame, *, removed: bool
) -> dict[str, Steadiness]:
    """Feature -> whether the bench was steady; features without a reference or a trend have none.

    Parameters
    ----------
    chart : from `reference_chart`.
    changes : from `trends`.
    removed : whether the study takes the trend out of its effects.
    """
    told: dict[str, list[str]] = {}
    known: dict[str, bool] = {}
    moved = set(chart.loc[chart["outside"], "feature"])
    for (feature, name), own in chart.groupby(["feature", "specimen"], sort=False):
        limits, judged = _limits(own), int(own["high"].notna().sum())
        what = {"feature": feature, "specimen": name, "mounts": judged or len(own)}
        code = "drift.inside" if limits else "drift.no_limits"
        if own["outside"].any():
            code = "drift.outside"
            limits["outside"] = own.loc[own["outside"], ["mount", "batch"]].to_dict("records")
        told.setdefault(feature, []).append(codes.note(code, **what, **limits))
        known[feature] = known.get(feature, True) and bool(limits)
    drifts = set(changes.loc[changes["clear"], "feature"])
    for name, own in changes[changes["change"].notna()].groupby("feature", sort=False):
        clear, whole = own[own["clear"]], own[own["clear"] & (own["batch"] == "")]
        told.setdefault(name, []).extend(
            _change(row, removed=removed and not whole.empty)
            for row in (clear if whole.empty else whole).itertuples()
        )
        if clear.empty:
            told[name].append(_none_larger(own))
        elif not removed or whole.empty:
            moved.add(name)
    return {
        feature: Steadiness(
            tuple(notes), known.get(feature, False), feature in moved, feature in drifts
        )
        for feature, notes in told.items()
    }


def _change(row, *, removed: bool) -> str:
    feature = register.find(row.feature)
    return codes.note(
        "drift.change",
        feature=row.feature,
        batch=row.batch,
        change=scales.reported_difference(row.change, feature),
        low=scales.reported_difference(row.low, feature),
        high=scales.reported_difference(row.high, feature),
        unit=feature.difference_unit,
        removed=removed,
    )


def _none_larger(own: pd.DataFrame) -> str:
    """No trend of one feature is clear: the largest that its intervals allow."""
    feature = register.find(own["feature"].iloc[0])
    return codes.note(
        "drift.none_larger",
        feature=feature.name,
        most=scales.reported_difference(own[["low", "high"]].abs().to_numpy().max(), feature),
        unit=feature.difference_unit,
    )


def _limits(own: pd.DataFrame) -> dict:
    """How far a reference lay from its mean, and how far chance takes it; empty without limits."""
    half = (own["high"] - own["centre"]).to_numpy()
    if not np.isfinite(half).any():
        return {}
    feature = register.find(own["feature"].iloc[0])
    apart = np.abs(own["y"] - own["centre"])[np.isfinite(half)].max()
    most, limit = scales.reported_difference(np.array([apart, np.nanmax(half)]), feature).tolist()
    return {"most": most, "limit": limit, "unit": feature.difference_unit}


def trends(mounts: pd.DataFrame, order: pd.DataFrame, *, confidence: float) -> pd.DataFrame:
    """Change over a batch: the table "trends", every batch, then all together (batch "").

    The intervals of a feature hold together; clear : the row's own lies clear of zero.
    """
    rows = [
        (feature, batch, *_slope(part, 1 - (1 - confidence) / len(names)))
        for feature, own in mounts.merge(order, on=units.MOUNT).groupby("feature", sort=False)
        for batches in [own.sort_values("number")["batch"].unique()]
        for names in [[*(batches if len(batches) > 1 else ()), ""]]
        for batch in names
        for part in [own if batch == "" else own[own["batch"] == batch]]
    ]
    return tables.typed("trends", rows)


def _slope(part: pd.DataFrame, confidence: float) -> tuple[float, float, float, int, bool]:
    groups = part.groupby(["specimen", "batch"], sort=False)
    x = (part["place"] - groups["place"].transform("mean")).to_numpy()
    y = (part["y"] - groups["y"].transform("mean")).to_numpy()
    df, square = len(part) - groups.ngroups - 1, float(x @ x)
    if df < 1 or square < 1e-12:
        return float("nan"), float("nan"), float("nan"), max(df, 0), False
    slope = float(x @ y / square)
    variance = float(np.sum((y - slope * x) ** 2) / df)
    half = special.stdtrit(df, 0.5 + confidence / 2) * np.sqrt(variance / square)
    return slope, slope - half, slope + half, df, bool(abs(slope) > half)


def order_of_woods(order: pd.DataFrame, boards: pd.DataFrame) -> OrderOfWoods:
    """How wood and order go together.

    Parameters
    ----------
    order : from `sheets.study.recording_order`.
    boards : specimens under comparison: specimen, wood.
    """
    wood = dict(zip(boards["specimen"], boards["wood"], strict=True))
    own = order[order["specimen"].isin(list(wood))]
    middle = own["place"] - own.groupby("batch")["place"].transform("mean")
    place = middle.groupby(own["specimen"], sort=False).mean()
    table = pd.DataFrame({"wood": [wood[name] for name in place.index], "place": place.to_numpy()})
    groups = table.groupby("wood", sort=False)["place"]
    places = groups.agg(boards="size", place="mean").reset_index()
    places["place"] += float(own["place"].mean()) if len(own) else 0.0
    k, n = len(places), len(table)
    total = float(np.sum((table["place"] - table["place"].mean()) ** 2))
    apart = tuple(_apart(own.assign(wood=own["specimen"].map(wood)), list(places["wood"])))
    if k < 2 or n <= k or total < 1e-12:
        return OrderOfWoods(places, float("nan"), float("nan"), apart)
    within = float(np.sum((table["place"] - groups.transform("mean")) ** 2))
    f = (total - within) / (k - 1) / max(within / (n - k), 1e-300)
    p = float(special.fdtrc(k - 1, n - k, f))
    return OrderOfWoods(places, float(np.sqrt(max(1.0 - within / total, 0.0))), p, apart)


def _apart(mounts: pd.DataFrame, woods: list[str]) -> Iterator[tuple[str, str]]:
    """Pairs of woods with several boards, one wholly before the other in each shared batch."""
    spans = mounts.groupby(["wood", "batch"])["place"].agg(["min", "max"])
    boards = mounts.groupby("wood")["specimen"].nunique()
    for a, b in permutations([wood for wood in woods if boards[wood] > 1], 2):
        shared = spans.loc[a].index.intersection(spans.loc[b].index)
        before = spans.loc[a].loc[shared, "max"] < spans.loc[b].loc[shared, "min"]
        if len(shared) and before.all():
            yield a, b

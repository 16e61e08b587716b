"""The comparison of woods, put together: one call from the features table to every table.

`compare` is a pure function: the same rows in any order give the same tables. The steps are in
the other files of this package; the order of features is the primary ones as given, then the
others by name.

Function: `compare`; `Comparison`, `Workings`.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from studylib import codes, errors, register, tables
from studylib.stats import boards, components, design, drift, effects, mixed, pairs, scales
from studylib.stats import units as unit_steps
from studylib.stats.caveats import Caveats, Made, drive_gaps
from studylib.stats.looks import levels
from studylib.stats.samples import Sample, make_samples, reported_means, unit_means

LOST = {
    "below": "control.below_noise",
    "hidden": "control.hidden",
    "unsettled": "control.unsettled",
}


@dataclass(frozen=True)
class Workings:
    """What a comparison was made from, kept for whoever asks it further questions.

    Attributes
    ----------
    takes, mounts : rows of stats.units of the specimens under comparison.
    samples, first : by feature: the sample, its pairs of woods.
    woods, primary, smallest_n, confidence, same_level, refused, limits, detected, caveats,
        claimed : as the effects took them.
    chart, trends : see stats.drift; the chart of every feature, trends of the primary ones.
    """

    takes: pd.DataFrame
    mounts: pd.DataFrame
    samples: Mapping[str, Sample]
    first: Mapping[str, list[pairs.Pair]]
    woods: tuple[str, ...]
    primary: tuple[str, ...]
    smallest_n: int
    confidence: float
    same_level: float
    refused: Mapping[str, str]
    limits: Mapping[str, float]
    detected: frozenset[str]
    caveats: Caveats
    claimed: effects.Claimed
    chart: pd.DataFrame
    trends: pd.DataFrame

    @property
    def compared(self) -> list[str]:
        """Primary features of which any pair of woods was compared."""
        return [name for name in self.primary if self.first.get(name)]

    @property
    def usable(self) -> list[str]:
        """Primary features with usable takes that may be compared, of one wood or more."""
        return [n for n in self.primary if n in self.samples and n not in self.refused]

    def without(self, feature: str, ids: set[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Takes and mounts of one feature without the rows of these ids."""
        takes = self.takes[self.takes["feature"] == feature]
        takes = takes[~takes["id"].astype(str).isin(ids)]
        mounts = unit_steps.mount_means(takes)
        if "place" in self.mounts:
            mounts = unit_steps.with_places(mounts, self.mounts.drop_duplicates(unit_steps.MOUNT))
        return takes, mounts


@dataclass(frozen=True)
class Comparison:
    """Every table and remark of one comparison; columns and types stand in `studylib.tables`.

    effects, variance, boards, claims, coverage, limits : what their names say.
    unit_means, specimen_means, mount_means : see stats.samples.
    confounding : wood, then one column a batch with the number of specimens.
    confounded : "", or a note on what cannot be separated among the woods with enough sources.
    positive_control : see stats.boards.
    precision : repeatability and intermediate precision, see stats.components.
    woods_at_random : of the primary features, see stats.components.
    second_opinion : the mixed model on the same pairs, see stats.mixed.
    notes : what this design cannot say, and how to read its numbers.
    workings : what all this was made from.
    """

    effects: pd.DataFrame
    variance: pd.DataFrame
    boards: pd.DataFrame
    claims: pd.DataFrame
    unit_means: pd.DataFrame
    specimen_means: pd.DataFrame
    mount_means: pd.DataFrame
    coverage: pd.DataFrame
    confounding: pd.DataFrame
    confounded: str
    positive_control: pd.DataFrame
    precision: pd.DataFrame
    woods_at_random: pd.DataFrame
    second_opinion: pd.DataFrame
    limits: pd.DataFrame
    notes: tuple[str, ...]
    workings: Workings


def compare(
    features: pd.DataFrame,
    specimens: pd.DataFrame,
    *,
    woods: Sequence[str],
    primary: Sequence[str],
    confidence: float = 0.95,
    looks: int = 1,
    smallest_n: int = 2,
    limits: Mapping[str, float] | None = None,
    claims: Sequence[Mapping[str, str]] = (),
    locked: bool = False,
    own_limits: Collection[str] = (),
    listening: bool = True,
    places: pd.DataFrame | None = None,
    made: Made | None = None,
) -> Comparison:
    """Compare woods on every feature.

    Parameters
    ----------
    features : rows id, take, batch, specimen, mount, feature, value, usable, reason; one row a
        take and feature.
    specimens : rows specimen, wood, source, source_assumed, role.
    woods : woods in the order of the tables.
    primary : feature names.
    confidence : in (0.5, 1).
    looks : how many looks at these boards were planned, this one among them, 1 or more: all of them
        share the error (`stats.looks`), and every interval is wider for it.
    smallest_n : sources a wood before anything is said about woods; never fewer than 2.
    limits : feature -> limit (dB, or ratio above 1); defaults of the register are added for a
        microphone.
    claims : each with text, feature, higher, lower.
    locked : whether they stood before recording and stand still, so that they alone decide.
    own_limits : features whose limit is the study's own choice.
    listening : whether the response is a microphone, so that listening limits exist.
    places : specimen, batch, mount, place in the order of recording, where drift is to be taken out
        by it; left in without.
    made : how the takes were made; without it the caveats are those that these tables show.

    Raises
    ------
    InputError : an unknown feature, a limit that is not one, or a mount without a place.
    """
    tidy = unit_steps.tidy(features, specimens)
    measured = set(tidy["feature"])
    first = [name for name in dict.fromkeys(primary) if name in measured]
    order = first + sorted(measured - set(first), key=unit_steps.natural_key)
    mounts = unit_steps.mount_means(tidy)
    if places is not None:
        mounts = unit_steps.with_places(mounts, places)
        errors.InputError.refuse(mounts["place"].isna().any(), "comparison.no_place")
    specimen_means = unit_steps.specimen_means(mounts)
    own = tidy[_under_comparison(tidy, woods)]
    own_mounts = mounts[_under_comparison(mounts, woods)]
    counted = design.coverage_table(own, woods=woods, order=order)
    refused = design.not_compared(counted)
    samples = make_samples(own, own_mounts, order=order, woods=woods, smallest_n=smallest_n)
    compared = {name: s for name, s in samples.items() if name not in refused}
    spreads = [
        sample.design.model.wood_variances(sample.y)
        for name, sample in compared.items()
        if name in primary and sample.design.model
    ]
    confidence, same_level = levels(confidence, looks, spreads)
    chosen = scales.limits_table(
        [*order, *(name for name in primary if name not in order)],
        limits or {},
        own_limits=own_limits,
        listening=listening,
    )
    cells = {name: boards.mount_cells(group) for name, group in mounts.groupby("feature")}
    caveats, chart, trends = _watched(mounts, specimens, primary, made, removed=places is not None)
    in_use = scales.limits_of(chosen)
    positive = _positive_control(order, cells, tidy, specimens, in_use, caveats, confidence)
    detected = boards.features_detected(positive)
    first = effects.compared_pairs(samples, refused=refused, confidence=confidence)
    fits = mixed.fit_features(compared)
    spread = _spread(compared, fits, confidence)
    claimed = effects.claimed_pairs(claims if locked else ())
    found = effects.effects_table(
        samples,
        first,
        order=order,
        woods=woods,
        primary=primary,
        refused=refused,
        limits=in_use,
        detected=detected,
        caveats=caveats,
        confidence=confidence,
        claimed=claimed,
        board_sd=components.board_spreads(spread[0]),
        same_level=same_level,
    )
    table = design.wood_by_batch(own_mounts, woods)
    sources = own_mounts.groupby("wood")["source"].nunique()
    spoken_of = [wood for wood in woods if sources.get(wood, 0) >= max(2, smallest_n)]
    confounded = design.confounded(table[table["wood"].isin(spoken_of)])
    return Comparison(
        effects=found,
        variance=spread[0],
        boards=_boards(primary, cells, specimens, confidence),
        claims=effects.claims_table(claims, found, refused=refused, confidence=confidence),
        unit_means=unit_means(samples),
        specimen_means=reported_means(
            "specimen_means", specimen_means, order=order, specimens=specimens
        ),
        mount_means=reported_means("mount_means", mounts, order=order, specimens=specimens),
        coverage=counted,
        confounding=table,
        confounded=confounded,
        positive_control=positive,
        precision=spread[1],
        woods_at_random=tables.typed(
            "woods_at_random",
            [
                row
                for name in dict.fromkeys(primary)
                if name in compared
                for row in components.wood_at_random(compared[name], confidence=confidence)
            ],
        ),
        second_opinion=mixed.second_opinion(compared, fits, first, confidence=confidence),
        limits=chosen,
        notes=(
            *codes.holding(
                (confounded, confounded),
                (
                    len(specimens) > boards.MOST_PAIRED,
                    codes.note(
                        "comparison.pairs_left_out", boards=len(specimens), most=boards.MOST_PAIRED
                    ),
                ),
            ),
            *design.comparison_notes(
                samples,
                found,
                spread[0],
                order=order,
                primary=primary,
                refused=refused,
                confounded=bool(confounded),
                confidence=confidence,
                same_level=same_level,
            ),
            *design.design_notes(
                specimens[specimens["role"].fillna("") == ""],
                own_mounts,
                woods=woods,
                smallest_n=smallest_n,
                listening=listening,
            ),
        ),
        workings=Workings(
            takes=own,
            mounts=own_mounts,
            samples=samples,
            first=first,
            woods=tuple(woods),
            primary=tuple(dict.fromkeys(primary)),
            smallest_n=smallest_n,
            confidence=confidence,
            same_level=same_level,
            refused=refused,
            limits=in_use,
            detected=detected,
            caveats=caveats,
            claimed=claimed,
            chart=chart,
            trends=trends,
        ),
    )


def _under_comparison(rows: pd.DataFrame, woods: Sequence[str]) -> pd.Series:
    return (rows["role"] == "") & rows["wood"].isin(list(woods))


def _watched(
    mounts, specimens, primary, made: Made | None, *, removed: bool
) -> tuple[Caveats, pd.DataFrame, pd.DataFrame]:
    """The bench over the session: what the caveats rest on, the chart and the trends."""
    boards = specimens[specimens["role"].fillna("") == ""]
    references = list(specimens.loc[specimens["role"] == "reference", "specimen"])
    own = mounts.drop(columns="place", errors="ignore")  # that of the order is taken
    order = _as_they_come(own) if made is None else made.order
    decides = own["feature"].isin(list(primary))
    confidence = drift.confidence_each(own.loc[decides, "feature"].nunique())
    chart = drift.reference_chart(own, order, references=references, confidence=confidence)
    changes = drift.trends(own[decides], order, confidence=confidence)
    caveats = Caveats(drift.steadiness(chart, changes, removed=removed), None, {}, made)
    if made is not None:
        woods = drift.order_of_woods(order, boards)
        caveats = replace(
            caveats,
            order=replace(woods, apart=()) if made.dealt else woods,
            gaps=drive_gaps(made.drive, dict(zip(boards["specimen"], boards["wood"], strict=True))),
        )
    return caveats, chart, changes


def _as_they_come(mounts: pd.DataFrame) -> pd.DataFrame:
    """Mounts in the order of their numbers, where nothing is known of their order."""
    order = mounts[unit_steps.MOUNT].drop_duplicates().reset_index(drop=True)
    return order.assign(place=float("nan"), number=order.index + 1, started=pd.NaT)


def _positive_control(
    order, cells, tidy, specimens, limits, caveats: Caveats, confidence
) -> pd.DataFrame:
    names = {
        role: list(specimens.loc[specimens["role"] == role, "specimen"])
        for role in ("changed", "reference")
    }
    judged = tidy[(tidy["role"] != "") & tidy["state"].isin(["used", *LOST])]
    shares = {state: (judged["state"] == state).groupby(judged["feature"]).mean() for state in LOST}
    most = design.MOST_BELOW_NOISE
    rows = [
        row
        for name in order
        for lost in [next((s for s, share in shares.items() if share.get(name, 0.0) > most), "")]
        for row in boards.control_rows(
            register.find(name),
            cells.get(name),
            **names,
            confidence=confidence,
            limit=limits.get(name),
            steady=getattr(caveats.steadiness.get(name), "steady", None),
            lost=codes.note(LOST[lost], share=most) if lost else "",
        )
    ]
    return tables.typed("positive_control", rows)


def _spread(samples, fits, confidence) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Variance components and precision of the features that are compared."""
    variance = [
        row
        for name, sample in samples.items()
        for fitted in [fits[name].components if name in fits else None]
        for row in components.variance_rows(sample, confidence=confidence, fitted=fitted)
    ]
    exactness = [
        components.precision_row(sample.feature, strata, confidence=confidence)
        for sample in samples.values()
        for strata in [sample.design.nested.strata(sample.takes["y"].to_numpy(float))]
    ]
    return tables.typed("variance", variance), tables.typed("precision", exactness)


def _boards(primary, cells, specimens, confidence) -> pd.DataFrame:
    order = list(specimens["specimen"])
    beside = list(specimens.loc[specimens["role"] == "reference", "specimen"])
    found = [
        boards.boards_table(
            register.find(name), cells[name], order=order, confidence=confidence, beside=beside
        )
        for name in dict.fromkeys(primary)
        if name in cells
    ]
    found = [table for table in found if not table.empty]
    return pd.concat(found, ignore_index=True) if found else tables.empty("boards")

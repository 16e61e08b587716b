"""The sentences of the summary, as notes.

What it does: puts verdicts, controls, gaps and limits of the study into notes, with what else than
the board is in each feature as the register has it. Three rules hold for every sentence here: takes
are never counted as boards, a harmonic is never credited to the board, and what was not measured is
called "not measured yet".

Functions: `question`, `how_to_read`, `take_home`, `stage_notes`, `pair_note`, `methods`,
`positive_control`, `set_aside`, `confounding`, `failed_batches`, `provenance`,
`files`, `cannot_say`, `explained`.
"""

import numpy as np

from studylib import register
from studylib.codes import attribution, code_of, comparison, each, has, holding, note
from studylib.measure.batch import batch_slugs
from studylib.report import checks, pages, preregistration, tables
from studylib.report.summary import Summary
from studylib.stats import design, repeat
from studylib.words import glossary, say

_STEADY = (register.Kind.TONE, register.Kind.PROBE, register.Kind.SWEEP)


def question(summary: Summary) -> list[str]:
    """The question, what was compared to answer it, and what was changed after the lock."""
    study = summary.study
    named = {s.specimen: s.wood for s in study.specimens if not s.role}
    takes = [t for t in tables.measured_takes(summary) if t.specimen in named]
    boards = {t.specimen for t in takes}
    woods = {named[board] for board in boards}
    return [
        study.settings.study.question,
        note(
            "summary.measured",
            woods=[wood for wood in summary.woods if wood in woods],
            boards=len(boards),
            batches=len({t.batch for t in takes}),
            takes=len(takes),
        ),
        *preregistration.touched(study),
    ]


def how_to_read(summary: Summary) -> list[str]:
    """The words that the tables use."""
    return [
        note("effects.read_effect", unit=summary.unit),
        note("effects.read_interval", confidence=summary.confidence),
        note("effects.read_g", unit=summary.unit),
        note("effects.read_p", alpha=1 - summary.confidence),
        "effects.read_precision",
        "effects.read_source",
        "effects.read_role",
    ]


def take_home(summary: Summary) -> list[str]:
    """One note for each primary feature and pair of woods; one for what is missing."""
    measured = set(summary.comparison.coverage["feature"])
    return [
        *(["effects.one_wood"] if len(summary.woods) < 2 else []),
        *(pair_note(summary, row) for row in summary.primary_effects().itertuples()),
        *(note("effects.not_measured", name=f) for f in summary.primary if f not in measured),
        *stage_notes(summary),
    ]


def stage_notes(summary: Summary) -> list[str]:
    """What the last stage repeats of what was declared before, and what all stages show together;
    none where there is one stage only."""
    rows = summary.stages
    last = rows[rows["stage"] == rows["stage"].max()]
    again = last[last["p_adjusted"].notna()]
    together = rows[rows["stage"] == repeat.ALL]
    pair = ("wood_a", "wood_b", "n_a", "n_b")
    repeated = (*pair, "predicted_low", "predicted_high", "p_adjusted", "outcome", "stage")
    return [
        *(_sized("stages.again", row, *repeated) for row in again.to_dict("records")),
        *(_sized("stages.together", row, *pair) for row in together.to_dict("records")),
    ]


def _sized(code: str, row: dict, *named: str) -> str:
    """A note on a difference in a row of a table, with these columns of it."""
    sizes = ("feature", "difference", "low", "high", "unit")
    return note(
        code,
        name=row["feature"],
        amount=tables.amount_fields(*(row[name] for name in sizes)),
        **{name: row[name] for name in named},
    )


def pair_note(summary: Summary, row) -> str:
    """The verdict on one pair of woods, a row of effects, with what else is in the feature.

    Woods are compared on the boards' own response at a harmonic, so that of a feature that the
    driver's distortion is in comes with it.
    """
    known = register.find(row.feature)
    harmonic = known.harmonic if known.driver and np.isfinite(row.difference) else None
    return note(
        "effects.pair",
        name=row.feature,
        wood_a=row.wood_a,
        wood_b=row.wood_b,
        result=_result(summary, row),
        harmonic=harmonic,
        response=_response(summary, row, harmonic) if harmonic else None,
    )


def _response(summary: Summary, row, harmonic: int) -> dict | None:
    """What the boards themselves pass on at a harmonic's frequency; None where not compared."""
    effects = summary.comparison.effects
    same_pair = (effects["wood_a"] == row.wood_a) & (effects["wood_b"] == row.wood_b)
    found = effects[same_pair & (effects["feature"] == f"probe.k{harmonic}.response_db")]
    for own in found.itertuples():
        return _result(summary, own) | {"exploratory": own.role != comparison.Role.PRIMARY}
    return None


def _result(summary: Summary, row) -> dict:
    ends = (row.difference, row.low, row.high)
    decide = summary.study.settings.decide
    # Woods of which some board's plank is not named.
    unnamed = {s.wood for s in summary.study.specimens if s.source_assumed and not s.role}
    return {
        "verdict": row.verdict,
        "caveats": each(row.caveats),
        "amount": tables.amount_fields(row.feature, *ends, row.unit)
        if np.isfinite(ends[0])
        else None,
        "n_a": row.n_a,
        "n_b": row.n_b,
        "unit": summary.unit,
        "limit": row.limit if np.isfinite(row.limit) else None,
        "own_limit": row.feature in decide.limits,
        "needed": row.needed,
        "not_earned": has(row.method, comparison.Method.NOT_EARNED),
        "by_steps": has(row.method, comparison.Method.BY_STEPS),
        "method": row.method,
        "confidence": summary.confidence,
        "same_level": summary.comparison.workings.same_level,
        "least": decide.smallest_n,
        "unnamed": [wood for wood in (row.wood_a, row.wood_b) if wood in unnamed],
        "named_boards": row.feature in set(summary.comparison.boards["feature"]),
    }


def methods(summary: Summary) -> list[str]:
    """How the primary features were compared, one note for each way."""
    by_method = summary.primary_effects().groupby("method", sort=False)["feature"].unique()
    return [
        note("effects.methods", features=features, method=method)
        for method, features in by_method.items()
    ]


def positive_control(summary: Summary) -> list[str]:
    """Did the bench detect the changed specimen beside the reference?"""
    control = summary.of_primary(summary.comparison.positive_control)
    judged = control[np.isfinite(control["low"])]
    if judged.empty:
        return [note("control.unknown", reason=next(filter(None, control["reason"]), ""))]
    missed = list(judged.loc[~judged["detected"], "feature"].unique())
    seen = judged[~judged["feature"].isin(missed)].sort_values(
        "counts", ascending=False, kind="stable"
    )
    return [
        *(
            _sized("control.seen", row, "changed", "reference", "limit", "reason")
            for row in seen.replace({"limit": {np.nan: None}}).to_dict("records")
        ),
        *([note("control.missed", features=missed)] if missed else []),
        *(
            note("control.unknown_on", feature=row.feature, reason=row.reason)
            for row in control[~control["feature"].isin(judged["feature"])].itertuples()
        ),
    ]


def set_aside(summary: Summary) -> list[str]:
    """How many takes are not used."""
    aside, takes = len(tables.set_aside_table(summary)), len(tables.measured_takes(summary))
    return (
        [note("summary.set_aside", count=aside, takes=takes)]
        if aside
        else [note("summary.none_set_aside", takes=takes)]
    )


def confounding(summary: Summary) -> list[str]:
    """Whether wood and batch are confounded on the primary features."""
    if summary.comparison.confounded:
        return [summary.comparison.confounded]
    batches = summary.comparison.confounding.shape[1] - 1
    if batches < 2:
        return ["summary.one_batch"] if batches else []
    ways = (
        summary.primary_effects()
        .dropna(subset="p")
        .groupby("feature", sort=False)["method"]
        .first()
    )
    mixed = [feature for feature, way in ways.items() if has(way, comparison.Method.CONFOUNDED)]
    blocked = [
        f for f, way in ways.items() if has(way, comparison.Method.BLOCKED) and f not in mixed
    ]
    return [
        *([note("summary.blocked", features=blocked)] if blocked else []),
        *([note("summary.confounded", features=mixed)] if mixed else []),
    ]


def failed_batches(summary: Summary) -> list[str]:
    """One note for each batch that is not in this summary."""
    return [
        note("summary.failed_batch", batch=batch, why=why)
        for batch, why in summary.gathered.failed.items()
    ]


def provenance() -> list[str]:
    """Where an auditor finds the rest."""
    return ["summary.provenance"]


def files(summary: Summary) -> list[str]:
    """Links to what stands beside the report. Pages of batches that could not be measured are not
    among them."""
    return [
        *(
            pages.link(say("summary.batch_page", batch=batch), f"batches/{slug}.html")
            for batch, slug in batch_slugs(summary.study.batches).items()
            if batch not in summary.gathered.failed
        ),
        *(pages.link(name, name) for name in ("tables/", "figures/", "provenance.json")),
    ]


def cannot_say(summary: Summary) -> list[str]:
    """What this design cannot say, from its own plan and its own gaps."""
    # The comparison's own note on refused features gives the counts of every wood, which fills a
    # page; here the features are named and the counts stay in the table of features.
    own = [told for told in summary.comparison.notes if code_of(told) != "comparison.refused"]
    untold = int((summary.attribution.table["verdict"] == attribution.Verdict.CANNOT_TELL).sum())
    lock, kinds = summary.study.lock, {take.kind for take in summary.study.takes}
    notes = [
        *own,
        *(checks.order_notes(summary.checks) if summary.checks.order.confounded else ()),
        *_features(summary),
        "summary.whose_harmonic",
        "summary.small_part",
        note("summary.untold_harmonics", count=untold) if untold else "",
        _calibration(summary),
        # Without a lock nobody can tell whether the claims are older than the recordings.
        "" if lock is not None and not lock.content["recorded"] else "summary.before_recording",
        "summary.not_heard",
        "summary.elsewhere",
        *holding(
            ("pluck" in kinds, "summary.plucks"),
            ("sweep" in kinds and not summary.study.settings.sweep.known, "summary.sweeps"),
        ),
    ]
    return [told for told in notes if told]


def _features(summary: Summary) -> list[str]:
    """What else than the board is in the features that were measured."""
    coverage = summary.comparison.coverage
    refused = coverage[~coverage["compared"].astype(bool)].drop_duplicates("feature")
    lost = refused["reason"].map(code_of)
    quiet, muffled, unsettled = (
        list(refused.loc[lost == why, "feature"])
        for why in (
            comparison.Method.BELOW_NOISE,
            comparison.Method.HIDDEN,
            comparison.Method.UNSETTLED,
        )
    )
    known = [register.find(name) for name in coverage["feature"].unique()]
    # Levels that are relative to what a sensor felt at the driving point.
    sensed = any(f.scale == "db" and f.kind in _STEADY and not f.cautions for f in known)
    distorted = [f.name for f in known if f.driver and f.harmonic is None]
    return holding(
        (quiet, note("summary.not_compared", features=quiet, share=design.MOST_BELOW_NOISE)),
        (muffled, note("summary.hidden", features=muffled, share=design.MOST_BELOW_NOISE)),
        (unsettled, note("summary.unsettled", features=unsettled, share=design.MOST_BELOW_NOISE)),
        (distorted, note("summary.driver_in", features=distorted)),
        (any(f.drive_level for f in known), note("summary.level_or_drive", sensed=sensed)),
        (any(f.noise for f in known), "summary.whose_noise"),
    )


def _calibration(summary: Summary) -> str:
    channels = summary.study.settings.channels
    if channels.response_kind != "microphone":
        return ""  # the comparison's own notes say that such levels are relative
    return (
        "summary.not_calibrated"
        if channels.full_scale_db is None and channels.calibrator_db is None
        else "summary.loud_elsewhere"
    )


def explained() -> dict[str, list[str]]:
    """Every term of the glossary with its meaning, in the order of the alphabet."""
    terms = {term["name"]: [term["meaning"]] for term in glossary().values()}
    return dict(sorted(terms.items(), key=lambda one: one[0].casefold()))

"""What the boards do beside what their own numbers predict, and what differences act through.

`wood.prediction` predicts each board's curve from its sizes, mass and free taps, up to one constant
a batch: that of the channels, the mean over all mounts and frequencies of measured less predicted.
Nothing else is taken from the bench. A board's interval holds what its measurements allow, and what
its mounts differ by. What all boards share at a frequency is told apart: it may be the microphone,
the bench or what the bar lacks, and says nothing of one board. Whether the bar describes the boards
goes by the rest, wood by wood; the limit allows for errors that all frequencies of a board share.
Hundreds of boards share the draws: with fewer, the ends of an interval are less sure, and so far
out that it holds as much.
`stats.split` tells what the woods' differences act through.

Before anything is recorded: `study lock` keeps beside the claims what theory of the bar expects of
each pair of woods: their difference at the tone, and over the band of the curves. Stiffness comes
from the free taps where those are there already, else from the density, as published
(`wood.boards.untapped`). By density each board strays by `boards.SCATTER`, and the boards of a wood
together as much again: no figure is published for how far a species lies off the line, and half of
the distance between softwoods' and hardwoods' lines, a tenth at most, is in it. What the boards of
a wood differ by counts as well (a t with as many degrees of freedom): they are a sample.

Conventions: dB; wood b minus wood a; frequencies are those of the curves (`report.curves`).

Functions: `predicted_of`, `predicted_of_batch`, `parts_of`, `predicted_notes`, `parts_notes`,
`expected`, `expected_notes`, `prediction_table`. Classes: `Predicted`, `Parts`.
"""

from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from studylib import codes, elsewhere, measure, sheets, tables
from studylib.modes.gathered import boards_with_numbers, free_modes_of
from studylib.report.curves import Curves, levels_of
from studylib.signal.sweep import SweepShape, usable_band
from studylib.stats import compare, split
from studylib.stats.curves import curve_bands
from studylib.wood import boards, prediction

COVERED = 0.8  # of a wood's curves: with less inside the 95 % intervals, the bar lacks something
VAGUE = 2.0  # times how far boards lie from their mean: wider intervals test nothing
SHARED_BY = 3  # boards: with fewer, what all share is not told from what each does
ALL_DRAWS, FEWEST = 16_000, 50  # of all boards together; of each board at least
EVERY = 4  # of the curve's frequencies, for the parts over the band
_FEW = slice(25)  # draws of each board for the parts, the best estimate first
TONES = ("tone.h1.response_db", "tone.h1.level_db")
TONE, BAND = "tone", "band"
WITHIN = 0.90  # confidence of "nothing that matters is left over"
_KEYS = ["specimen", "wood", "batch", "mount"]


@dataclass(frozen=True)
class Predicted:
    """What the bar says of boards.

    curves, mounts : the tables `predicted` and `predicted_mounts`.  model : of the boards.
    best : board -> its predicted curve in dB, at the frequencies of `curves`.
    missing : board -> a note of why it has no prediction.  reason : a note of why there is nothing;
    "" where there is.
    """

    curves: pd.DataFrame
    mounts: pd.DataFrame
    model: prediction.Model
    best: dict[str, np.ndarray]
    missing: dict[str, str]
    reason: str

    @property
    def covered(self) -> float:
        """The share of its curves inside their intervals, of the wood that is described worst."""
        return float(self.curves.groupby("wood")["inside"].mean().min())

    @property
    def describes(self) -> str:
        """A note on whether the bar describes these boards."""
        curves = self.curves
        half = ((curves["high_db"] - curves["low_db"]) / 2.0).median()
        common = curves.groupby("frequency_hz")["measured_db"].transform("mean")
        apart = (curves["measured_db"] - common).abs().median()
        once = not self.mounts.duplicated("specimen").any()
        vague = codes.note("forward.vague", half_db=half, apart_db=apart)
        return codes.holding(
            (once, "forward.one_mount"),
            (half > VAGUE * apart > 0.0, vague),
            (self.covered >= COVERED, "forward.covered"),
            (True, "forward.uncovered"),
        )[0]


@dataclass(frozen=True)
class Parts:
    """What differences act through.

    table : the table `split`.  rests : pair of woods -> root mean square of what is not explained,
    its low and high end, and how far its band reaches.  reason : as in `Predicted`.
    """

    table: pd.DataFrame
    rests: dict[tuple[str, str], tuple[float, float, float, float]]
    reason: str


def predicted_of(study: sheets.Study, model: prediction.Model, levels: pd.DataFrame) -> Predicted:
    """Measured beside predicted for every board that has a sweep and free taps.

    levels : see `report.curves.levels_of`.
    """
    boards = {s.specimen: s.wood for s in study.specimens if not s.role}
    reasons = {name: why for name, why in model.reasons.items() if name in boards}
    about = {
        t.take: (t.specimen, boards[t.specimen], t.batch, t.mount)
        for t in study.takes
        if t.specimen in model.boards.keys() & boards.keys()
    }
    own = levels[levels.index.isin(list(about))]
    reason = model.reasons.get("") or ("" if levels.size else "forward.no_sweeps")
    if reason or own.empty:
        reason = reason or codes.note("forward.no_numbers", boards=reasons)
        nothing = (tables.empty(name) for name in ("predicted", "predicted_mounts"))
        return Predicted(*nothing, model, {}, reasons, reason)
    index = pd.MultiIndex.from_tuples([about[name] for name in own.index], names=_KEYS)
    mounts = own.set_axis(index).groupby(_KEYS, sort=False).mean()
    frequency, named = levels.columns.to_numpy(float), mounts.index.get_level_values("specimen")
    best = {
        name: prediction.levels_db(
            model.numbers(name).draw(slice(1)), frequency, model.bench.draw(slice(1))
        )[0]
        for name in dict.fromkeys(named)
    }
    off = mounts - np.array([best[name] for name in named])
    off = off.sub(off.groupby("batch").transform("mean").mean(axis=1), axis=0)
    by_board = off.groupby(_KEYS[:2], sort=False)
    remount = np.nan_to_num(np.sqrt(by_board.var().mean()).to_numpy())
    common = by_board.mean().mean().to_numpy() * (len(best) >= SHARED_BY)
    many = int(np.clip(ALL_DRAWS // len(best), FEWEST, prediction.DRAWS))
    drawn, ends = slice(many + 1), [outside(many), 1.0 - outside(many)]
    bench, rng, rows, of_mounts = model.bench.draw(drawn), np.random.default_rng(1), [], []
    levels_of_each = elsewhere.each(
        partial(prediction.levels_db, model.numbers(name).draw(drawn), frequency, bench)
        for name, _ in by_board.groups
    )
    for ((name, wood), of_board), levels in zip(by_board, levels_of_each, strict=True):
        bar = best[name]
        spread = levels[1:] - bar
        noise = remount * rng.standard_normal(spread.shape)
        low, high = np.quantile(spread + noise / np.sqrt(len(of_board)), ends, axis=0)
        mean = of_board.mean().to_numpy()
        inside = (low <= mean - common) & (mean - common <= high)
        columns = name, wood, frequency, bar + mean, bar, bar + low, bar + high, inside
        rows.append(pd.DataFrame(dict(zip(tables.TABLES["predicted"].names, columns, strict=True))))
        low, high = np.quantile(spread + noise, ends, axis=0)
        for (*who, batch, mount), one in (of_board - common).iterrows():
            r, left = np.corrcoef(bar, bar + one)[0, 1], np.sqrt(np.mean(one**2))
            of_mounts.append(
                (*who, batch, mount, r, left, 100.0 * np.mean((low <= one) & (one <= high)))
            )
    return Predicted(
        tables.typed("predicted", pd.concat(rows, ignore_index=True)),
        tables.typed("predicted_mounts", of_mounts), model, best, reasons, "",
    )  # fmt: skip


def outside(draws: int) -> float:
    """The share of draws beyond either end of an interval that is to hold as much of what was not
    drawn as all but 2.5 % at either end of `prediction.DRAWS` hold.

    Between the n draws and beyond them, each gap holds 1 / (n + 1) in the mean.
    """
    beyond = (0.025 * (prediction.DRAWS - 1) + 1.0) * (draws + 1) / (prediction.DRAWS + 1)
    return (beyond - 1.0) / (draws - 1)


def predicted_of_batch(study: sheets.Study, measurement: measure.BatchMeasurement) -> Predicted:
    """The same for the boards of one batch, by its own taps."""
    modes = measurement.modes.drop(columns="mode")
    _, board_modes = boards_with_numbers(study, modes)
    curves, boards = measurement.curves, {s.specimen for s in study.with_role("")}
    usable = set(curves.loc[curves["usable"], "take"])
    takes = [t.take for t in study.takes if t.take in usable and t.specimen in boards]
    model = prediction.model_of(study, board_modes)
    return predicted_of(study, model, levels_of(study, curves, takes)[0])


def parts_of(
    study: sheets.Study, predicted: Predicted, curves: Curves, comparison: compare.Comparison
) -> Parts:
    """What the woods' differences act through, at the tone and over the band of the curves.

    predicted : of the same curves.
    """
    reason = predicted.reason or curves.reason
    if not reason:
        design = curves.sample.design
        units = curves.sample.units[design.in_model].reset_index(drop=True)
        number = np.where(design.in_model, np.cumsum(design.in_model) - 1, -1)
        of_take = number[design.nested.groups["source"][design.nested.mount]]
        source = {
            name: int(i)
            for name, i in zip(curves.sample.takes["specimen"], of_take, strict=True)
            if i >= 0
        }
        lacking = [name for name in source if name not in predicted.best]
        few = "forward.few" if design.model.counts.min() < 2 else ""
        reason = codes.note("forward.no_split", boards=lacking) if lacking else few
    if reason:
        return Parts(tables.empty("split"), {}, reason)
    model, tone = design.model, study.settings.tone.fundamental_hz
    own = [[name for name, i in source.items() if i == unit] for unit in range(len(units))]
    bar = np.array([np.mean([predicted.best[name] for name in names], axis=0) for names in own])
    measured = curves.boards["level_db"].to_numpy().reshape(len(units), -1)
    reach = {
        (one.a, one.b): float(np.max(np.abs(one.difference) + one.half))
        for one in curve_bands(model, measured - bar, confidence=WITHIN)
    }
    # What the batches differ by is taken off.
    adjusted = (model.weights @ measured)[model.group] + model.left(measured)
    over = {BAND: (adjusted[:, ::EVERY], slice(0, -1))}
    if (at_tone := _at_tone(comparison, units)) is not None:
        over = {TONE: (at_tone[:, None], slice(-1, None)), **over}
    bench = predicted.model.bench.draw(_FEW)
    numbers = {name: predicted.model.numbers(name).draw(_FEW) for name in source}
    grid = np.append(curves.levels.columns.to_numpy(float)[::EVERY], tone)
    rows, rests = [], {}
    for pair in combinations(range(model.k), 2):
        names = tuple(design.woods[i] for i in pair)
        members = [np.flatnonzero(model.group == wood) for wood in pair]
        a, b = ({name: u for name, u in source.items() if u in one} for one in members)
        pairing = split.paired(numbers, bench, a, b, grid)
        for where, (values, at) in over.items():
            parts, rest = split.split(
                pairing.at(at), values, *members, confidence=comparison.workings.confidence
            )
            rows += [(*names, where, one.name, one.value, one.low, one.high) for one in parts]
            rests[names] = rest.value, max(rest.low, 0.0), rest.high, reach[pair]  # of the band
    return Parts(tables.typed("split", rows), rests, "")


def _at_tone(comparison: compare.Comparison, units: pd.DataFrame) -> np.ndarray | None:
    """The sources' means at the tone without batches; None where a source has none."""
    workings = comparison.workings
    for name in TONES:
        if name in workings.samples and name not in workings.refused:
            sample = workings.samples[name]
            own = sample.units[["wood", "source"]].assign(y=sample.adjusted())
            y = units[["wood", "source"]].merge(own, how="left", on=["wood", "source"])["y"]
            return None if y.isna().any() else y.to_numpy(float)
    return None


def predicted_notes(predicted: Predicted, study: sheets.Study) -> list[str]:
    """How near the bar comes to what was measured, for whom it says nothing, and what it lacks."""
    if predicted.reason:
        return [predicted.reason]
    table, channels = predicted.curves, study.settings.channels
    about = {"low_hz": table["frequency_hz"].min(), "high_hz": table["frequency_hz"].max()}
    off = (table["measured_db"] - table["predicted_db"]).groupby(table["frequency_hz"]).mean()
    about["shared_db"] = float(np.sqrt(np.mean(off**2)))
    measured, bar = (
        wide - wide.mean()
        for column in ("measured_db", "predicted_db")
        for wide in [table.pivot(index="specimen", columns="frequency_hz", values=column)]
    )
    if len(bar) > 1:
        about["r"] = float(np.corrcoef(measured.to_numpy().ravel(), bar.to_numpy().ravel())[0, 1])
        about["apart_db"] = float(np.sqrt((measured**2).mean(axis=None)))
        about["left_db"] = float(np.sqrt(((measured - bar) ** 2).mean(axis=None)))
    driver = codes.note("forward.no_sensor", driver_g=study.settings.bench.driver_g)
    return [
        codes.note("forward.predicted", boards=len(bar), covered=predicted.covered, **about),
        predicted.describes,
        *codes.holding(
            (predicted.missing, codes.note("forward.missing", boards=predicted.missing)),
            (not channels.sensed, driver),
        ),
    ]


def parts_notes(parts: Parts, predicted: Predicted, study: sheets.Study) -> list[str]:
    """What the woods' differences act through, pair by pair, and what is left over."""
    if parts.reason:
        return [parts.reason] * (parts.reason != predicted.reason)
    limit, tone = (study.settings.decide.limits.get("curve.response_db"),
                   study.settings.tone.fundamental_hz)  # fmt: skip
    found = []
    for (a, b, over), own in parts.table.groupby(["wood_a", "wood_b", "over"], sort=False):
        numbers = own[["difference_db", "low_db", "high_db"]].to_numpy().tolist()
        about = {"a": a, "b": b, "parts": dict(zip(own["part"], numbers, strict=True))}
        if over == TONE:
            found.append(codes.note("forward.split_tone", tone_hz=tone, **about))
            continue
        *rest, reach = parts.rests[a, b]
        found.append(codes.note("forward.split_band", rest=rest, **about))
        if limit is not None and reach <= limit:
            found.append(codes.note("forward.rest_within", limit_db=limit))
    over_band = parts.table[(parts.table["over"] == BAND) & (parts.table["part"] == split.REST)]
    beyond = over_band[over_band["low_db"] > 0.0]
    pairs = [f"{row.wood_b} / {row.wood_a}" for row in beyond.itertuples()]
    hedge = predicted.describes != "forward.covered" or pairs
    return [
        *found,
        *codes.holding(
            (pairs, codes.note("forward.unexplained", pairs=pairs)), (hedge, "forward.hedged")
        ),
        "forward.species",
    ]


_BAND, _ENDS = 120, (50.0, 2.5, 97.5)  # frequencies of the band; percentiles


def expected(study: sheets.Study) -> dict[str, Any]:
    """What a lock holds of it, as plain data: `rows` (feature, wood_a, wood_b, difference, low,
    high), `by_density` (the boards without free taps), and `notes` of what is not expected.

    study : the boards of one stage.
    """
    own = replace(study, specimens=study.with_role(""))
    modes = free_modes_of(study, {s.specimen for s in own.specimens})
    model = prediction.model_of(own, modes, by_density=True)
    free = set(modes.loc[modes["support"] == "free", "specimen"])
    if model.reasons or not model.boards:
        why = model.reasons.get("") or codes.note("sealed.nothing", boards=model.reasons)
        return {"rows": [], "by_density": [], "notes": [why] * bool(model.reasons)}
    spans = _spans(study.settings)
    limit = min(prediction.highest_hz(model.numbers(s), model.bench.air) for s in model.boards)
    rng, woods = np.random.default_rng(1), {}
    for wood, members in own.boards_by_wood.items():
        shared = np.exp(boards.SCATTER * rng.standard_normal(prediction.DRAWS + 1))
        numbers = [
            replace(
                one, youngs_modulus=one.youngs_modulus * (1.0 if s.specimen in free else shared)
            )
            for s in members
            for one in [model.numbers(s.specimen)]
        ]
        woods[wood] = {
            feature: _mean(
                [prediction.levels_db(one, hz, model.bench).mean(axis=1) for one in numbers], rng
            )
            for feature, hz in spans.items()
            if hz[-1] <= limit
        }
    return {
        "rows": [
            [feature, a, b, *np.percentile(other[feature] - one[feature], _ENDS).tolist()]
            for (a, one), (b, other) in combinations(woods.items(), 2)
            for feature in one
        ],
        "by_density": sorted(model.boards.keys() - free),
        "notes": [
            codes.note("sealed.beyond", feature=feature, high_hz=hz[-1], limit_hz=limit)
            for feature, hz in spans.items()
            if hz[-1] > limit
        ],
    }


def _mean(boards_db: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Of a wood of which these boards are a sample, draw by draw; one board tells nothing of it."""
    many, mean = len(boards_db), np.mean(boards_db, axis=0)
    spread = np.std([one[0] for one in boards_db], ddof=min(1, many - 1)) / np.sqrt(many)
    return mean + spread * rng.standard_t(max(many - 1, 1), mean.size)


def _spans(settings: sheets.Settings) -> dict[str, np.ndarray]:
    """Feature -> the frequencies that it is the mean over: the tone; the band of the curves."""
    unit = "response_db" if settings.channels.sensed else "level_db"
    spans = {f"tone.h1.{unit}": np.array([settings.tone.fundamental_hz])}
    sweep, curve = settings.sweep, settings.curve
    if sweep.known:
        low, high = usable_band(SweepShape(sweep.lowest_hz, sweep.highest_hz, sweep.length_s))
        ends = curve.lowest_hz or low, curve.highest_hz or high
        spans[f"curve.{unit}"] = np.geomspace(*ends, _BAND)
    return spans


def expected_notes(found: dict[str, Any]) -> list[str]:
    """The same for a reader: each pair of woods, what it rests on, and what is not expected."""
    rows = [
        codes.note("sealed.row", feature=feature, a=a, b=b, difference=middle, low=low, high=high)
        for feature, a, b, middle, low, high in found["rows"]
    ]
    by = codes.note("sealed.by", by_density=found["by_density"])
    return [*[by] * bool(rows), *rows, *found["notes"]]


def prediction_table(study: sheets.Study, effects: pd.DataFrame) -> pd.DataFrame:
    """What the lock that counts expected, beside what was measured.

    effects : the table of that name.

    Returns
    -------
    One row a feature and pair of woods: feature, wood_a, wood_b; expected, expected_low,
    expected_high; difference, low, high as measured (NaN where they were not); outcome, a code.
    """
    lock, keys = study.compared.lock, ["feature", "wood_a", "wood_b"]
    rows = lock.content.get("expected", {"rows": []})["rows"] if lock else []
    # A key that was opened since gives the woods their names.
    named = {own.wood: now.wood for own, now in zip(study.written, study.specimens, strict=True)}
    both = pd.DataFrame(
        [[feature, named.get(a, a), named.get(b, b), *ends] for feature, a, b, *ends in rows],
        columns=[*keys, "expected", "expected_low", "expected_high"],
    ).merge(effects[[*keys, "difference", "low", "high"]], how="left", on=keys)
    low, high = both["expected_low"], both["expected_high"]
    apart = (both["low"] > high) | (both["high"] < low)
    known = [both["difference"].between(low, high), apart, both["difference"].isna()]
    outcomes = ["sealed.inside", "sealed.outside", "sealed.not_measured"]
    return both.assign(outcome=np.select(known, outcomes, "sealed.open"))

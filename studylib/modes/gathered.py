"""All batches of a study in one place: every table that the summary works on.

Features of taps come with it: a row for each take and numbered mode's frequency, loss factor and
decay time.

Bench taps give `tap.m{n}.*`, taps of the freely hung board `free.m{n}.*`. A value is the mean
over the good taps of the take that show the mode, unweighted and of logarithms, as in the
comparison of woods. Its standard uncertainty (JCGM 100) is the larger of the estimator's own,
carried through the mean, and the spread between the taps over the root of their number; to that
comes the room's part, which all taps of a take share. It says how well this take is known, in this
room and at this place of the microphone, and nothing of another mount.

Where the room hides the decay of a mount (`modes.means`), its takes keep the numbers of loss factor
and decay time, unusable and with the reason; the frequency stands.

The decay time to -60 dB is T = ln(1000) / (pi f eta): f the frequency, eta the loss factor.

Taps give the numbers. A sweep's modes take those of the same board's taps; where no board
was tapped on the bench, the sweeps are numbered by themselves.

Functions: `gather`, `free_modes_of`, `with_numbers`, `boards_with_numbers`,
`mode_feature_rows`. Class: `Gathered`.
"""

import hashlib
from collections.abc import Container, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from studylib import codes, errors, sheets, tables
from studylib.codes.takes import ASIDE
from studylib.measure.batch import (
    TABLES,
    Measured,
    Progress,
    batch_slugs,
    measure_batch,
    saved_part,
)
from studylib.modes.means import board_modes, hidden_decays, mode_counts, own_squared, tap_rows
from studylib.modes.numbers import number_modes
from studylib.signal.damping import decay_time


@dataclass(frozen=True)
class Gathered(Measured):
    """All whole parts of a study, in the order of its batches; `failed` names the others.

    modes : with the number of each over the whole study (`modes.numbers`).  board_modes : one row
    a board and number (`modes.means`).  features : with those of the numbered modes.  bench : with
    the batch of each fact.  failed : batch -> a note of why it is not among them.
    """

    board_modes: pd.DataFrame
    failed: dict[str, str] = field(default_factory=dict)

    def of(self, study: sheets.Study) -> "Gathered":
        """What belongs to the takes of a part of the study; numbers of modes stay as they are."""
        own = {
            "take": [t.take for t in study.takes],
            "batch": study.batches,
            "specimen": [s.specimen for s in study.specimens],
        }
        frames = {name: getattr(self, name) for name in (*TABLES, "board_modes")}
        columns = {name: next(c for c in own if c in frame) for name, frame in frames.items()}
        return replace(
            self,
            **{
                name: frame[frame[columns[name]].isin(own[columns[name]])].reset_index(drop=True)
                for name, frame in frames.items()
            },
        )


def gather(
    study: sheets.Study, *, parts: Path | str | None = None, progress: Progress | None = None
) -> Gathered:
    """Everything the summary works on.

    Parameters
    ----------
    study : the study, from `read_study`.
    parts : the folder of parts that batch notebooks left; None or "" measures every batch here.
    progress : called with (batches done, batches in all, what is being done).

    Returns
    -------
    The tables of all batches, one below the other; `failed` has a note for each batch that is not
    among them.
    """
    slugs = batch_slugs(study.batches)
    whole = {name: [tables.empty(name)] for name in TABLES}
    whole["bench"][0].insert(0, "batch", "")  # where an item is of one batch
    failed: dict[str, str] = {}
    tell = progress or (lambda *_: None)
    for done, batch in enumerate(study.batches):
        tell(done, len(study.batches), f"batch {batch}")
        try:
            part = saved_part(Path(parts) / slugs[batch]) if parts else measure_batch(study, batch)
        except errors.StudyError as error:
            failed[batch] = first_fault(error)
            continue
        for name, frames in whole.items():
            frames.append(getattr(part, name))
        whole["bench"][-1].insert(0, "batch", batch)
    # One table after the other, so that none but the one at hand is held twice.
    frames = {name: _stacked(whole.pop(name)) for name in TABLES}
    features, modes, boards = with_numbers(
        study, frames.pop("features"), frames.pop("modes").drop(columns="mode")
    )
    return Gathered(features=features, modes=modes, board_modes=boards, failed=failed, **frames)


def free_modes_of(
    study: sheets.Study, boards: Container[str], *, progress: Progress | None = None
) -> pd.DataFrame:
    """`board_modes` of some boards from their free taps alone, measured here; without any run."""
    free = {
        take.take: take.batch
        for take in study.takes
        if take.specimen in boards and take.kind == "tap" and take.support == "free"
    }
    own = [
        take
        for take in study.takes
        if take.take in free
        or (take.kind in ("room", "calibrator") and take.batch in free.values())
    ]
    return gather(replace(study, takes=tuple(own), planned=()), progress=progress).board_modes


def first_fault(error: errors.StudyError) -> str:
    """The first fault of an error, and how many more it has, as one note."""
    first, *others = error.notes
    return codes.note("measure.first_of", fault=first, more=len(others)) if others else first


def _stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """One table of several, one below the other."""
    # An empty frame has no types of its own; beside full ones it would only spoil theirs.
    full = [frame for frame in frames if not frame.empty]
    return pd.concat(full or frames[:1], ignore_index=True)


PREFIX = {"bench": "tap", "free": "free"}
QUANTITIES = (("frequency_hz", "Hz"), ("loss_factor", "1"), ("decay_time_s", "s"))
MOST_MODES = 99  # the register's highest number
_TAKE = [
    "take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support", "content",
]  # fmt: skip
SAME_MODE = 0.015  # relative: a sweep's and the taps' frequency of one mode on the bench


def with_numbers(
    study: sheets.Study, features: pd.DataFrame, modes: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """What rings, over the whole study: numbers for its modes, and the features they give.

    Parameters
    ----------
    study : the study, for the sizes of its boards.
    features, modes : the tables of these names, all batches; modes without numbers.

    Returns
    -------
    The tables `features`, those of taps added; `modes`, with their numbers; and `board_modes`.
    """
    numbered, boards = boards_with_numbers(study, modes)
    if modes.empty:
        return features, numbered, boards
    # One row a take, with why it is set aside ("" if it is not).
    takes = modes.drop_duplicates("take").reset_index(drop=True)
    aside = takes["reason"].where([codes.has(why, *ASIDE) for why in takes["reason"]], "")
    rows = mode_feature_rows(numbered, takes[_TAKE].assign(aside=aside))
    return _stacked([features, rows]), numbered, boards


def boards_with_numbers(
    study: sheets.Study, modes: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The same without features: `modes`, with their numbers, and `board_modes`, which goes by taps
    alone."""
    if modes.empty:
        return modes.assign(mode=np.nan), tables.empty("board_modes")
    specimens = pd.DataFrame(
        [(s.specimen, s.wood, s.role or "", s.length_mm, s.thickness_mm) for s in study.specimens],
        columns=["specimen", "wood", "role", "length_mm", "thickness_mm"],
    ).astype({"length_mm": float, "thickness_mm": float})
    taps, sweeps = modes["kind"] == "tap", modes["kind"] == "sweep"
    on_bench = (taps & (modes["support"] == "bench") & modes["usable"].astype(bool)).any()
    if not (sweeps.any() and on_bench):
        numbered = number_modes(modes, specimens)
        return numbered, board_modes(numbered, specimens)
    tapped = number_modes(modes[taps].reset_index(drop=True), specimens)
    boards = board_modes(tapped, specimens)
    on_bench = boards[(boards["support"] == "bench") & ~boards["missing"]]
    swept = modes[sweeps].reset_index(drop=True)
    swept = swept.assign(mode=_nearest_numbers(swept, on_bench))
    return pd.concat([tapped, swept], ignore_index=True), boards


def _nearest_numbers(sweeps: pd.DataFrame, boards: pd.DataFrame) -> pd.Series:
    """The number of the same board's nearest tapped mode; each only once a sweep."""
    pairs = sweeps.reset_index().merge(
        boards[["specimen", "mode", "frequency_hz"]], on="specimen", suffixes=("", "_tap")
    )
    pairs["off"] = (pairs["frequency_hz"] / pairs["frequency_hz_tap"] - 1.0).abs()
    pairs = (
        pairs[pairs["usable"].astype(bool) & (pairs["off"] < SAME_MODE)]
        .sort_values("off", kind="stable")
        .drop_duplicates(["index"])
        .drop_duplicates(["take", "mode"])
    )
    return pairs.set_index("index")["mode"].astype(float).reindex(sweeps.index)


def mode_feature_rows(numbered: pd.DataFrame, takes: pd.DataFrame) -> pd.DataFrame:
    """Rows of the features table for all tap takes.

    Parameters
    ----------
    numbered : from `number_modes`, of the whole study; its taps say which modes there are.
    takes : columns take, batch, kind, specimen, wood, mount, repeat, support, content (a hash of
        the recording), aside (why the take was set aside, "" if it was not). Kinds other than
        "tap" give nothing.

    Returns
    -------
    Frame with the columns of the features table, in the order of `takes`, modes rising. Every
    take has a row for every mode of its support. Without a value it is NaN, `usable` False, and
    `reason` is a note of why; a take set aside has its reason in every row.
    """
    takes = takes[takes["kind"] == "tap"]
    rows = tap_rows(numbered)
    rows = rows[rows["mode"] <= MOST_MODES]
    values, hidden = _values(rows), hidden_decays(rows)
    taps = numbered[numbered["kind"] == "tap"]
    good = taps["usable"].astype(bool).groupby(taps["take"]).transform("any")
    # Why takes without a single good tap have none.
    why = {
        take: codes.note(
            "modes.no_usable_tap",
            taps=mode_counts(part)[0],
            reasons=sorted({reason for reason in part["reason"] if reason}),
        )
        for take, part in taps[~good].groupby("take")
    }
    modes = {support: sorted(set(part["mode"])) for support, part in rows.groupby("support")}
    out = []
    pairs = [(t, mode) for t in takes.itertuples(index=False) for mode in modes.get(t.support, ())]
    for take, mode in pairs:
        found = {
            name: own[take.take, mode] for name, own in values.items() if (take.take, mode) in own
        }
        absent = "" if found else codes.note("modes.not_in_take", mode=mode)
        reason = take.aside or why.get(take.take, "") or absent
        room = hidden.get((take.specimen, take.support, mode, take.mount), "")
        out += [
            (
                hashlib.sha256(f"{take.take}|{take.content}|{row[0]}".encode()).hexdigest()[:12],
                *(take.take, take.batch, take.kind, take.specimen, take.wood, take.mount),
                *(take.repeat, *row),
            )
            for row in _three(found, f"{PREFIX[take.support]}.m{mode}", reason, hidden=room)
        ]
    return tables.typed("features", out)


def _three(
    found: dict[str, tuple[float, float]], head: str, reason: str, *, hidden: str
) -> Iterator[tuple]:
    """(feature, value, unit, u, usable, reason) of the three quantities; `hidden`, a reason, holds
    for the decay alone."""
    for name, unit in QUANTITIES:
        log, relative = found.get(name, (np.nan, np.nan))
        value = float(np.exp(log))
        unknown = "modes.no_decay" if np.isnan(value) else hidden * (name != "frequency_hz")
        why = reason or unknown * bool(found)
        yield (f"{head}.{name}", value, unit, value * relative, not why, why)


def _values(rows: pd.DataFrame) -> dict[str, dict[tuple[str, int], tuple[float, float]]]:
    """(mean logarithm, relative uncertainty) by quantity and (take, mode)."""
    rows = rows.assign(
        log_t=np.log(decay_time(np.exp(rows["log_f"]), np.exp(rows["log_eta"]))),
        u_t=np.hypot(rows["u_f"], rows["u_eta"]),
        p_f=0.0,
        p_t=rows["p_eta"],
    )
    shorts = ("f", "eta", "t")
    own = {f"s_{a}": own_squared(rows[f"u_{a}"], rows[f"p_{a}"]) for a in shorts}
    grouped = rows.assign(**own).groupby(["take", "mode"])
    found = {}
    for (name, _), short in zip(QUANTITIES, shorts, strict=True):
        count = grouped[f"log_{short}"].count()
        stated = np.sqrt(grouped[f"s_{short}"].sum(min_count=1)) / count.where(count > 0)
        u = np.hypot(np.fmax(stated, grouped[f"log_{short}"].sem()), grouped[f"p_{short}"].mean())
        log = grouped[f"log_{short}"].mean()
        found[name] = dict(zip(log.index, zip(log, u, strict=True), strict=True))
    return found

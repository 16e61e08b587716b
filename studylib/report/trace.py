"""From a number of the report to the recordings that it rests on.

A trail goes down one feature: its effects and the claims about them, the means of woods, sources,
boards and mounts, the takes; and of one take the recording, which stretch of it was analysed, which
line was read there and which limits it had to pass. With each step stand the lines of Python that
make its numbers again from the step below (`trail.toml`).

A trail goes by what the last run left. Boards stand under the names that the sheets have, coded or
not.

Conventions: means in the feature's unit, geometric where woods are compared by logarithms. The
noise at a line is given as a sine of the same mean square.

Functions: `last_run`, `trail`, `primary_trails`, `lead_figure`. Class: `Places`.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studylib import errors, figures, register, sheets, tables, words, writing
from studylib.codes import each, holding, note
from studylib.measure.batch import spectrum_of
from studylib.modes.gathered import gather
from studylib.report import answer, pages, preregistration
from studylib.report.summary import Summary, summarise
from studylib.sheets.files import sha256
from studylib.sheets.lock import version_of
from studylib.sheets.study import file_hashes
from studylib.signal.quality import CHECKS
from studylib.stats.samples import wood_means

_PYTHON = tomllib.loads(Path(__file__).with_name("trail.toml").read_text(encoding="utf-8"))
MADE_WITH = ("studylib", "numpy", "scipy", "soundfile")
MOST_ROWS = 200  # of a step; of many boards the lines below it give all
COLUMNS = {
    "trace.woods": ["wood", "mean", "n"],
    "trace.sources": ["wood", "source", "value", "adjusted", "unit"],
    "trace.boards": ["specimen", "wood", "source", "role", "value", "unit"],
    "trace.mounts": ["specimen", "batch", "mount", "n_takes", "value", "unit"],
    "trace.takes": [
        "id", "take", "specimen", "batch", "mount", "value", "unit", "usable", "reason", "file"
    ],
    "trace.limits": ["check", "channel", "value", "unit", "limit", "source", "verdict"],
}  # fmt: skip


@dataclass(frozen=True)
class Places:
    """Where things lie, as whoever reads a trail names them.

    folder, report : of the study and of its report, for the lines of Python.
    link : from the page to the study folder, ending in "/"; "" where there is no way.
    inputs : path from the study folder -> SHA-256 at the run; empty: as it is now.
    library : hash of the library that made the run; "" for the one that is running.
    """

    folder: str
    report: str
    link: str = ""
    inputs: Mapping[str, str] = field(default_factory=dict)
    library: str = ""


def last_run(study: sheets.Study, home: Path, *, folder: str) -> tuple[Summary, Places]:
    """What the last run of a study left.

    Parameters
    ----------
    study : as it is now.  home : the folder of its report.
    folder : the study folder as the reader names it.

    Raises
    ------
    InputError : there was no run, a sheet has changed since, or the report is of another run.
    """
    made = writing.read_json(home / "provenance.json")
    errors.InputError.refuse(not made, "trace.not_run", study=study.name, home=home)
    recorded = {take.file for take in study.takes}
    changed = [
        name
        for name, sha in file_hashes(study).items()
        if name not in recorded and made["inputs"].get(name) != sha
    ]
    errors.InputError.refuse(changed, "trace.changed", study=study.name, files=changed)
    summary = summarise(study, gather(study, parts=home / ".parts"))
    reported = set(tables.read("effects", home / "tables/effects.csv")["id"])
    errors.InputError.refuse(
        reported != set(summary.comparison.effects["id"]), "trace.other_run", study=study.name
    )
    return summary, Places(folder, home.as_posix(), inputs=made["inputs"], library=made["library"])


def trail(summary: Summary, wanted: str, places: Places) -> pages.Shown:
    """The trail of one number.

    Parameters
    ----------
    wanted : id of an effect or of a row of features; number of a claim, or how its text begins.

    Raises
    ------
    InputError : there is no such id or claim, or the claim has no effect yet.
    """
    effects, rows = summary.comparison.effects, summary.gathered.features
    mine, chosen = effects[effects["id"] == wanted], rows[rows["id"] == wanted]
    if not chosen.empty:
        mine = effects[effects["feature"].isin(chosen["feature"])]
    elif mine.empty:
        mine = _of_claim(summary, wanted)
    name = (mine if chosen.empty else chosen)["feature"].iloc[0]
    return _steps(summary, name, mine, rows if chosen.empty else chosen, places)


def _of_claim(summary: Summary, wanted: str) -> pd.DataFrame:
    """The effect that a claim is about, by its number or how its text begins."""
    claims = {str(number): one for number, one in enumerate(summary.study.settings.claims, 1)}
    named = [
        answer.effects_of(summary, claim)
        for number, claim in claims.items()
        if wanted and (claim.text.casefold().startswith(wanted.casefold()) or wanted == number)
    ]
    errors.InputError.refuse(
        len(named) != 1 or named[0].empty, "trace.unknown", wanted=wanted,
        claims=[claim.text for claim in claims.values()], named=len(named),
    )  # fmt: skip
    return named[0]


def primary_trails(summary: Summary, output: str) -> pages.Shown:
    """The trails of the primary features; each effect has the anchor "trace-" and its id.

    A study that lies elsewhere than beside the reports has no links to its recordings, so that no
    page tells of the machine it was made on.

    Parameters
    ----------
    output : the folder that tables are written to, inside that of the report; "" for none.
    """
    study, effects = summary.study, summary.comparison.effects
    home = Path(output).absolute().parent if output else Path("reports", study.name)
    around = home.parent.parent
    beside = bool(around.name) and study.folder.is_relative_to(around)
    folder = study.folder.relative_to(around).as_posix() if beside else study.folder.name
    places = Places(folder, f"{home.parent.name}/{home.name}", f"../../{folder}/" * beside)
    return pages.together(
        *(
            _steps(summary, name, own, summary.gathered.features, places)
            for name in summary.primary
            for own in [effects[effects["feature"] == name]]
        )
    )


def lead_figure(summary: Summary) -> Figure:
    """The spectrum of one recording behind the number that heads the page, and the line that was
    read there."""
    lead, effects = answer.lead(summary), summary.primary_effects()
    name = summary.primary[0] if lead is None else lead.feature
    row = _first(summary.study, name, effects, summary.gathered.features)
    if row is None:
        return figures.spectra_figure(tables.empty("spectra"), summary.study)
    *_, read = _reading(summary, row, Places("", ""))
    return figures.spectra_figure(spectrum_of(summary.study, row.take), summary.study, read=read)


def _first(study: sheets.Study, name: str, effects: pd.DataFrame, rows: pd.DataFrame):
    """The row of a feature whose recording is shown: the first in use of a board of these effects,
    as far as there is one; None where no recording stands behind it alone."""
    woods = [*effects["wood_a"], *effects["wood_b"]]
    boards = [s.specimen for s in study.specimens if not s.role and s.wood in woods]
    rows = rows[(rows["feature"] == name) & (rows["take"] != "")]
    order = 2 * ~rows["usable"].astype(bool) + ~rows["specimen"].isin(boards)
    return next(rows.loc[order.sort_values(kind="stable").index].itertuples(), None)


def _lines(*names: str, how: Mapping[str, Any] | None = None, **fields: Any) -> pages.Shown:
    """The lines of Python of these names, filled in; `how` as keyword arguments."""
    given = [f"{key}={one!r}" for key, one in (how or {}).items() if one is not None]
    text = "\n".join(_PYTHON[name].strip() for name in names)
    return pages.lines(text.format(how=",\n    ".join(given), **fields))


def _steps(
    summary: Summary, name: str, effects: pd.DataFrame, rows: pd.DataFrame, places: Places
) -> pages.Shown:
    """The trail of a feature, from its effects down to the recording of one of these rows."""
    known, compared, features = register.find(name), summary.comparison, summary.gathered.features
    log, planks = "_log" * (known.scale == "log"), compared.unit_means
    adjusted = planks.assign(value=planks["adjusted"])
    files = {
        take.take: pages.link(take.file, places.link and places.link + take.file)
        for take in summary.study.takes
    }
    shown = {
        f"woods{log}": wood_means(adjusted, known, confidence=summary.confidence).assign(
            feature=name
        ),
        f"sources{log}": planks,
        f"boards{log}": compared.specimen_means,
        f"mounts{'_phase' if known.phase else log}": compared.mount_means,
        "takes": features.assign(file=features["take"].map(files).fillna("")),
    }
    row = _first(summary.study, name, effects, rows)
    return pages.together(
        pages.heading(note("trace.of_feature", name=name), level=3),
        _start(summary, places),
        *(part for effect in effects.itertuples() for part in _effect(summary, effect)),
        *(
            part
            for step, table in shown.items()
            for title in [f"trace.{step.partition('_')[0]}"]
            for own in [table[table["feature"] == name]]
            for file in ["features" * (step == "takes" and len(own) > MOST_ROWS)]
            for part in (
                pages.heading(title, level=4),
                pages.table(own, columns=COLUMNS[title], digits=6, rows=MOST_ROWS, file=file),
                _lines(step, feature=name, phase=known.phase),
            )
        ),
        *([] if row is None else _recording(summary, row, places)),
    )


def _start(summary: Summary, places: Places) -> pages.Shown:
    """The lines before all others: the table of the run, compared as the run compared it."""
    study, decide = summary.study, summary.study.settings.decide
    locked = preregistration.lock_stands(study)
    how = {
        "primary": list(decide.primary), "limits": dict(decide.limits), "looks": study.looks,
        "confidence": decide.confidence, "smallest_n": decide.smallest_n,
        "locked": locked,
        "claims": [one.model_dump() for one in study.settings.claims] if locked else None,
        "listening": study.settings.channels.response_kind == "microphone",
    }  # fmt: skip
    return _lines(
        "start", "compare_in_order" if decide.take_out_drift else "compare",
        folder=places.folder, report=places.report, how=how,
    )  # fmt: skip


def _effect(summary: Summary, row) -> list[pages.Shown]:
    """An effect: the claims about it, its numbers as in the table, what decides beside them."""
    outcomes = zip(summary.study.settings.claims, summary.comparison.claims["verdict"], strict=True)
    claims = [
        note("trace.claim", number=number, text=claim.text, outcome=outcome)
        for number, (claim, outcome) in enumerate(outcomes, 1)
        if row.id in list(answer.effects_of(summary, claim)["id"])
    ]
    numbers = note(
        "trace.difference", difference=row.difference, low=row.low, high=row.high, unit=row.unit,
        verdict=row.verdict, n_a=row.n_a, n_b=row.n_b, confidence=summary.confidence,
    )  # fmt: skip
    return [
        pages.heading(
            note("trace.effect", a=row.wood_a, b=row.wood_b, id=row.id),
            level=4,
            anchor=f"trace-{row.id}",
        ),
        pages.sentences([*claims, numbers, *each(row.caveats), *each(row.method)]),
        _lines("effect", id=row.id),
    ]


def _recording(summary: Summary, row, places: Places) -> list[pages.Shown]:
    """The recording of a row: what was read there, under which limits, and how to read it again."""
    study, checks = summary.study, summary.gathered.quality
    take = next(take for take in study.takes if take.take == row.take)
    role, sha = study.specimen(take.specimen).role, sha256(study.path_of(take))
    settings, made = study.settings.model_dump(mode="json"), {n: version_of(n) for n in MADE_WITH}
    read, again, _ = _reading(summary, row, places)
    told = [
        note("trace.value", name=row.feature, value=row.value, u=row.u, unit=row.unit),
        *holding(
            (not row.usable, note("trace.aside", reason=each(row.reason))),
            (role, note("trace.role", role=role)),
        ),
        note("trace.file", file=take.file, sha=sha, run=places.inputs.get(take.file, sha)),
        *read,
        *(
            note("trace.settings", section=name, values=settings[name])
            for name in ("channels", row.kind, "quality")
            if settings.get(name)
        ),
        note("trace.made", versions=made, library=places.library),
    ]
    checks = checks[(checks["take"] == row.take) & checks["check"].isin([*CHECKS])]
    checks = checks.assign(check=[words.say(CHECKS[c].code, form="label") for c in checks["check"]])
    return [
        pages.heading(note("trace.take", take=row.take, id=row.id), level=4),
        pages.sentences(told),
        pages.table(checks, columns=COLUMNS["trace.limits"], caption="trace.limits"),
        again,
    ]


def _reading(summary: Summary, row, places: Places) -> tuple:
    """What a row was read from.

    Returns
    -------
    Notes; the lines that measure it again; of the line its frequency, level and the level of the
    noise there, as far as they are known.
    """
    settings, gathered, known = summary.study.settings, summary.gathered, register.find(row.feature)
    take = next(take for take in summary.study.takes if take.take == row.take)
    fields = {"batch": take.batch, "take": take.take, "id": row.id, "number": known.number}
    if row.kind == "tap":
        modes = gathered.modes[gathered.modes["mode"] == float(known.number)]
        taps = modes[(modes["take"] == row.take) & modes["usable"]]
        means = {name: float(taps[name].mean()) for name in ("frequency_hz", "loss_factor")}
        return (
            ["trace.whole", note("trace.ringing", taps=len(taps), **means)],
            _lines("alone", "tap", row.feature.split(".")[2], report=places.report, **fields),
            (means["frequency_hz"],),
        )
    lines = gathered.harmonics[gathered.harmonics["harmonic"] == (known.harmonic or 1)]
    lines = lines[(lines["take"] == row.take) & (row.kind == "tone")]
    if lines.empty:
        return ["trace.whole"], _lines("alone", "other", **fields), ()
    line, tone, channels = next(lines.itertuples()), settings.tone, settings.channels
    sizes = [
        np.hypot(line.response_re, line.response_im),
        np.sqrt(2.0) * line.response_u,
        np.hypot(line.drive_re, line.drive_im),
    ]
    bare, noise, drive = (20.0 * np.log10(np.maximum(sizes, 1e-20))).tolist()
    level, noise = bare + line.offset_db, noise + line.offset_db
    checks = gathered.quality[gathered.quality["take"] == row.take].set_index("check")["value"]
    start = checks.get("window", tone.skip_s)
    how = {
        "tone_hz": take.tone_hz, "harmonics": tone.harmonics, "response": channels.response,
        "drive": channels.drive, "drive_kind": channels.drive_kind,
        "full_scale_db": line.offset_db or None, "gain_db": take.gain_db,
        "skip_s": tone.skip_s, "length_s": tone.length_s,
    }  # fmt: skip
    return (
        [
            note("trace.window", start_s=start, end_s=start + line.seconds),
            note(
                "trace.line", frequency_hz=line.frequency_hz, level_db=level, noise_db=noise,
                over_db=level - noise, unit=line.unit, bare_db=bare, drive_db=drive,
            ),
        ],
        _lines(
            "tone", path=f"{places.folder}/{take.file}", how=how,
            name=row.feature.replace(f"probe.k{known.number}.", "tone.h1."),
        ),
        (line.frequency_hz, level, noise),
    )  # fmt: skip

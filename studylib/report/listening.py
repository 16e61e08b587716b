"""The study's own blind test: which answers count, what came of them, and in how few words.

Results are read by `sheets.answers` and judged by `stats.listening`. Boards are planks where
several come from one, as everywhere. A trial in which a take is heard that is no longer fit for
use, or that is not the recording any more which was cut for the test, does not count. Whatever does
not count keeps a row of the table, with the reason.

Functions: `heard_of`, `in_short`, `heard_notes`, `claim_of`, `write_heard`.
"""

from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path

import pandas as pd

from studylib import codes, figures, sheets, tables
from studylib.codes.checks import Verdict
from studylib.codes.comparison import Heard, Outcome
from studylib.modes.gathered import gather
from studylib.sheets.answers import read_answers
from studylib.sheets.files import read_table, sha256
from studylib.sheets.listening import EXCERPTS, FOLDER, TRIALS
from studylib.sheets.lock import LISTEN
from studylib.sheets.settings import Settings
from studylib.stats.listening import told_apart

_SAID = {
    Heard.WOODS: "heard.woods",
    Heard.BOARDS: "heard.boards",
    Heard.RULED_OUT: "heard.ruled_out",
    Heard.OPEN: "heard.open",
    Heard.VOID: "heard.void",
}
ENDS = [f"{of}{end}" for of in ("share", "able", "d_prime") for end in ("", "_low", "_high")]
_OUTCOMES = {
    Heard.WOODS: Outcome.SUPPORTED,
    Heard.BOARDS: Outcome.BOARDS_ONLY,
    Heard.RULED_OUT: Outcome.CONTRADICTED,
}


def heard_of(study: sheets.Study, quality: pd.DataFrame | None = None) -> pd.DataFrame:
    """The table `listening` of a study, without rows where there is no test or no result.

    Parameters
    ----------
    quality : the checks of the study's takes; None checks those of the test here.

    Raises
    ------
    InputError : trials.csv or excerpts.csv cannot be read.
    """
    if not (study.folder / FOLDER / TRIALS).is_file():
        return tables.empty("listening")
    (answers, left_out), spoiled = read_answers(study.folder), _spoiled(study, quality)
    woods = {s.specimen: s.wood for s in study.specimens}
    planks = {s.specimen: f"{s.wood} {s.source}" for s in study.specimens}
    for what, side in product((("wood", woods), ("board", planks)), "ab"):
        answers[f"{what[0]}_{side}"] = answers[f"specimen_{side}"].map(what[1])
    lost = answers[["take_1", "take_2", "take_3"]].isin(list(spoiled)).any(axis=1)
    whole = answers["file"].map(left_out).eq("")
    found = told_apart(
        answers[whole & ~lost],
        confidence=study.settings.decide.confidence,
        share=study.settings.listen.share,
    )
    apart = answers[answers["wood_a"] != answers["wood_b"]]
    unused = {file: (apart[apart["file"] == file], why) for file, why in left_out.items() if why}
    if spoiled:
        unused[EXCERPTS] = answers[whole & lost], codes.note("heard.spoiled", takes=spoiled)
    rows = [
        {
            **{"about": "woods", "file": file, "used": False, "reason": why, "answers": len(own)},
            "listener": own["listener"].iloc[0] if file in left_out and len(own) else "",
            "correct": own["correct"].sum(),
        }
        for file, (own, why) in unused.items()
    ]
    return tables.typed("listening", [*found.to_dict("records"), *rows])


def _spoiled(study: sheets.Study, quality: pd.DataFrame | None) -> dict[str, str]:
    """Takes of the test that cannot be used any more -> "gone", "unfit" or "changed"."""
    excerpts = read_table(study.folder / FOLDER / EXCERPTS)
    cut = {row.cells["take"]: row.cells["sha256"] for row in excerpts.rows}
    if quality is None:
        own = [t for t in study.takes if t.take in cut or t.kind in ("room", "calibrator")]
        quality = gather(replace(study, takes=tuple(own), planned=())).quality
    failed = {
        *quality.loc[quality["check"].eq("take") & quality["verdict"].eq(Verdict.FAIL), "take"]
    }
    states = {
        take.take: "unfit"
        if take.exclude or take.take in failed
        else "changed" * (sha256(study.path_of(take)) != cut[take.take])
        for take in study.takes
        if take.take in cut
    }
    return {name: state for name in cut if (state := states.get(name, "gone"))}


def in_short(table: pd.DataFrame, settings: Settings) -> str:
    """What came of the test, as one note; "" while nothing has.

    table : `listening`.
    """
    if not (table["verdict"] != "").any():
        return ""
    first, counted = table.iloc[0], table[table["used"]]
    told = counted[counted["listener"].eq("")].set_index("about")[["answers", "correct", "share"]]
    own = {n: first[n] for n in ("wood_a", "wood_b", "able_low", "able_high", "p_woods")}
    return codes.note(
        _SAID[first["verdict"]],
        **own,
        told=told.to_dict("index"),
        who=settings.listen.who,
        listeners=counted["listener"].nunique() - 1,
    )


def heard_notes(table: pd.DataFrame, settings: Settings) -> list[str]:
    """The test in sentences: what came of it, what that rests on, and what did not count.

    table : `listening`.
    """
    left_out = [
        codes.note("heard.left_out", file=row.file, listener=row.listener, why=row.reason)
        for row in table[~table["used"]].itertuples()
    ]
    short, confidence = in_short(table, settings), settings.decide.confidence
    if not short:
        return left_out
    alone = table[table["used"] & table["about"].eq("woods") & table["listener"].ne("")]
    numbers = table.iloc[0][["answers", "correct", "p", *ENDS]]
    return [
        short,
        codes.note("heard.because", reason=table["reason"].iloc[0]),
        codes.note("heard.numbers", **numbers, confidence=confidence),
        codes.note(
            "heard.alone", of=len(alone), beyond=(alone["p_adjusted"] <= 1 - confidence).sum()
        ),
        *left_out,
        "heard.only_these",
    ]


def claim_of(table: pd.DataFrame, study: sheets.Study) -> pd.DataFrame:
    """The claim about what is heard, as rows of the table `claims`; none where none was made. That
    the section of the test was changed after the lock is its caveat.

    table : `listening`.
    """
    told = [codes.fields_of(change).get("section") for change in study.changed_since_lock]
    changes, claim = told.count(LISTEN), study.settings.listen.claim
    verdict, reason = next(iter(table[["verdict", "reason"]].to_numpy()), ("", ""))
    caveat = codes.note("caveats.lock", recorded=0, changes=changes) if changes else ""
    outcome, why = _OUTCOMES.get(verdict, Outcome.OPEN), reason or "heard.no_result_yet"
    return tables.typed("claims", [(claim, "listening", outcome, caveat, why)] * bool(claim))


def write_heard(table: pd.DataFrame, settings: Settings, output: str) -> str:
    """Write the table and its figure (page and video size) into the folder `output`, or nothing
    when it is empty; a note says so."""
    if not output:
        return "summary.not_written"
    tables.write("listening", table, output)
    draw = partial(figures.heard_figure, table, confidence=settings.decide.confidence)
    figures.save_sizes(draw, Path(output), "heard")
    return "plan.written"

"""A blind test by ear on the study's own recordings: its excerpts, its page, what is said of it.

Excerpts are of one length, begin at one place before the onset, have the same fades and, unless
study.toml has them as recorded, one loudness within `ALIKE_LU`, measured on the very samples that
are heard. Takes that fail their checks are never heard, nor taps whose ring does not last as long
as the excerpt, nor boards with one good take alone. Which are played in which order is drawn in
`triangles`.

The page (`listening.html`, `listening.js`) is one file, sounds included, that works without a
network. It holds the codes of trials and excerpts and no more: the key stays in trials.csv.

Conventions: one channel, 16 bits with triangular dither, the recordings' own rate; levels in dB re
full scale. Excerpts are brought to `TARGET_LUFS` (as recorded: the loudest of them). Where one
would then exceed `HIGHEST_DBTP` between its samples, all are lowered together.

Function: `write_test`.
Source: ITU-R BS.1770-5 for loudness and true peak; target and highest peak from EBU R 128
(recalled).
"""

import hashlib
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.signal import resample_poly

from studylib import errors, sheets, writing
from studylib.bench.sheet import template
from studylib.bench.triangles import CODES, FIRST_CODE, draw_trials
from studylib.codes import holding, note
from studylib.measure.session import FIRST_KINDS
from studylib.modes.gathered import Progress, gather
from studylib.report.heard_aloud import faded, is_like, packed, sound
from studylib.sheets import Take, listening
from studylib.sheets.files import grouped, sha256
from studylib.signal.loudness import integrated_loudness
from studylib.signal.stimuli import quantised
from studylib.stats.listening import POWER, answers_needed

FEWEST_BOARDS = 2  # of a wood
TARGET_LUFS, HIGHEST_DBTP, ALIKE_LU = -23.0, -1.0, 0.1
UNEVEN_DB = 10.0  # of gain: the noise behind a soft take comes up with it
OVERSAMPLED = 4  # as BS.1770 asks for at 48 kHz; more is harmless
TRIAL_S = 15.0  # a guess: three excerpts, and time to make up one's mind
TAKES = ["take_1", "take_2", "take_3"]


class Excerpt(NamedTuple):
    """A take, its samples as they stand in the file, their rate, and where they begin."""

    take: Take
    x: np.ndarray
    rate_hz: int
    start_s: float


def write_test(study: sheets.Study, *, progress: Progress) -> tuple[Path, list[str]]:
    """Write the test that study.toml asks for under [listen] to `listening/`.

    The same study gives the same bytes.

    Parameters
    ----------
    progress : called as (done, total, what).

    Returns
    -------
    The page for listeners, and notes: what the test is, and what it cannot say.

    Raises
    ------
    InputError : results of a test lie there already, a wood is not known, a wood has too few boards
        with a good take, or an excerpt is silent.
    """
    listen, folder = study.settings.listen, study.folder / listening.FOLDER
    results, needed = folder / listening.RESULTS, answers_needed(listen.share)
    errors.InputError.refuse(
        any(results.glob("[!.]*")), "listening.results_there", folder=folder.name
    )
    wood_of = _boards(study)
    heard, left_out = _excerpts(study, wood_of, progress)
    takes = grouped((one.take.specimen, one.take) for one in heard)
    table, samples, level = _levelled(study, heard)
    excerpts = table.to_csv(index=False, lineterminator="\n")
    rng = np.random.default_rng([listen.seed, *hashlib.sha256(excerpts.encode()).digest()])
    answers = listen.answers or needed
    trials = draw_trials(rng, takes, wood_of, answers=answers, nulls=round(listen.nulls * answers))
    key = trials.to_csv(index=False, lineterminator="\n")
    name, before = listening.mark(key + excerpts), folder / listening.TRIALS
    other = before.is_file() and before.read_bytes() != key.encode()
    rate, loudest = heard[0].rate_hz, table["take"][table["loudness_after_lufs"].idxmax()]
    sounds = {one.take.take: packed(x, rate) for one, x in zip(heard, samples, strict=True)}
    page = _page(rng, name, trials, sounds, rate_hz=rate, loudest=loudest)
    results.mkdir(parents=True, exist_ok=True)
    writing.write_together(
        folder, {listening.PAGE: page, listening.TRIALS: key, listening.EXCERPTS: excerpts}
    )
    batch_of = {take.take: take.batch for own in takes.values() for take in own}
    sessions = trials[TAKES].replace(batch_of).nunique(axis=1)
    kinds = trials["wood_a"].eq(trials["wood_b"]).astype(int) + trials["null"].eq("yes")
    one_mount = [board for board, own in takes.items() if len({take.mount for take in own}) == 1]
    ear = study.settings.channels.response_kind
    return folder / listening.PAGE, [
        note(
            "listening.made",
            test=name,
            kind=listen.kind,
            boards=grouped((wood_of[board], board) for board in takes),
            trials=[int((kinds == kind).sum()) for kind in range(3)],
            minutes=len(trials) * TRIAL_S / 60,
        ),
        note("listening.enough", answers=answers, needed=needed, share=listen.share, power=POWER),
        *(level, *left_out),
        *holding(
            (one_mount, note("listening.one_mount", boards=one_mount)),
            (sessions.max() > 1, note("listening.sessions", trials=int((sessions > 1).sum()))),
            (ear != "microphone", note("listening.other_ear", kind=ear)),
            (other, "listening.replaced"),
        ),
    ]


def _boards(study: sheets.Study) -> dict[str, str]:
    """The boards of the two woods -> their wood, in the order of specimens.csv."""
    known, listen = study.boards_by_wood, study.settings.listen
    claimed = [(one.higher, one.lower) for one in study.settings.claims]
    ends = (*study.woods[:1], *study.woods[-1:])
    woods = listen.woods or next((two for two in claimed if {*two} <= {*known}), ends)
    wrong = len({*woods}) != 2 or not {*woods} <= {*known}
    errors.InputError.refuse(
        wrong,
        "listening.two_woods",
        file="study.toml",
        section="[listen]",
        key="woods",
        woods=woods,
        known=[*known],
    )
    return {one.specimen: wood for wood in known if wood in woods for one in known[wood]}


def _excerpts(
    study: sheets.Study, wood_of: dict[str, str], progress: Progress
) -> tuple[list[Excerpt], list[str]]:
    """The excerpts of the takes that may be heard, and notes on those that may not.

    Raises
    ------
    InputError : a wood has too few boards with one.
    """
    listen, woods = study.settings.listen, dict.fromkeys(wood_of.values())
    heard, short = [], {}
    own = [
        take
        for take in study.takes
        if take.specimen in wood_of and not take.is_test and is_like(take, listen.kind, study)
    ]
    batches = {take.batch for take in own}
    beside = [t for t in study.takes if t.kind in FIRST_KINDS and t.batch in batches]
    measured = gather(replace(study, takes=(*own, *beside), planned=()), progress=progress)
    checks = measured.quality[measured.quality["check"] == "take"]
    fit = set(checks.loc[checks["verdict"] != "fail", "take"])
    failed = [take.take for take in own if take.take not in fit]
    for take in (one for one in own if one.take in fit):
        x, rate, start_s = sound(study, measured, take, seconds=listen.length_s)
        if len(x) < round(listen.length_s * rate) or (take.kind == "tap" and not start_s):
            short[take.take] = len(x) / rate
        else:
            heard.append(Excerpt(take, x, rate, start_s))
    found = grouped((one.take.specimen, one) for one in heard)
    counts = {board: len(found.get(board, ())) for board in wood_of}
    good = {wood: [b for b, n in counts.items() if wood_of[b] == wood and n > 1] for wood in woods}
    single = [board for board, count in counts.items() if count == 1]
    left_out = holding(
        (failed, note("listening.failed", takes=failed)),
        (short, note("listening.short", length_s=listen.length_s, lengths_s=short)),
        (single, note("listening.single", boards=single)),
    )
    few = [
        note("listening.too_few", wood=wood, boards=boards, kind=listen.kind, fewest=FEWEST_BOARDS)
        for wood, boards in good.items()
        if len(boards) < FEWEST_BOARDS
    ]
    errors.InputError.refuse_all([*few, *left_out] if few else [])
    return [
        one for b in good.values() for board in b[: listen.boards] for one in found[board]
    ], left_out


def _levelled(
    study: sheets.Study, heard: Sequence[Excerpt]
) -> tuple[pd.DataFrame, list[np.ndarray], str]:
    """How each excerpt was made (`listening.EXCERPT_COLUMNS`), what is heard, and a note on what
    was done to all."""
    matched, rate = study.settings.listen.matched, heard[0].rate_hz
    x = faded(np.array([one.x for one in heard]), rate_hz=rate)
    before = np.array([integrated_loudness(own, rate_hz=rate) for own in x])
    silent = [one.take.take for one, lufs in zip(heard, before, strict=True) if lufs == -np.inf]
    errors.InputError.refuse(silent, "listening.silent", takes=silent)
    as_set = -np.array([one.take.gain_db for one in heard])
    gain_db = TARGET_LUFS - before if matched else as_set + TARGET_LUFS - max(before + as_set)
    peaks = [np.abs(resample_poly(own, OVERSAMPLED, 1)).max() for own in x]
    peak_db = 20 * np.log10(peaks) + gain_db
    lowered_db = max(0.0, peak_db.max() - HIGHEST_DBTP)
    scaled = x * 10 ** ((gain_db - lowered_db) / 20)[:, None]
    rng = np.random.default_rng(0)  # a dither is drawn as well as any other
    samples = [quantised(own, rng=rng, bits=16).astype(np.int16) for own in scaled]
    after = [integrated_loudness(own / 2**15, rate_hz=rate) for own in samples]
    spread = np.ptp(after)
    errors.InputError.refuse(
        matched and spread > ALIKE_LU, "listening.not_alike", spread_lu=spread, alike_lu=ALIKE_LU
    )
    rows = [
        (
            *(one.take.take, one.take.file, sha256(study.path_of(one.take)), one.take.specimen),
            *(study.specimen(one.take.specimen).wood, one.start_s, len(one.x) / rate),
            *(gain_db[i] - lowered_db, before[i], after[i], peak_db[i] - lowered_db),
        )
        for i, one in enumerate(heard)
    ]
    table = pd.DataFrame(rows, columns=list(listening.EXCERPT_COLUMNS)).round(4)
    return (
        table,
        samples,
        note(
            "listening.level",
            matched=matched,
            spread_lu=spread,
            lowest_db=table["gain_db"].min(),
            highest_db=table["gain_db"].max(),
            uneven=np.ptp(table["gain_db"]) > UNEVEN_DB,
            lowered_db=lowered_db,
            highest_dbtp=HIGHEST_DBTP,
        ),
    )


def _page(
    rng: np.random.Generator,
    name: str,
    trials: pd.DataFrame,
    sounds: dict[str, str],
    *,
    rate_hz: int,
    loudest: str,
) -> str:
    """The page for listeners. sounds : take -> its excerpt; their codes are drawn, so that nothing
    in the page says which are alike."""
    drawn = FIRST_CODE + rng.choice(CODES, len(sounds), replace=False)
    code = {take: f"s{number}" for take, number in zip(sounds, drawn, strict=True)}
    test = {
        "name": name,
        "rate_hz": rate_hz,
        "loudest": code[loudest],
        "sounds": {code[take]: sound for take, sound in sounds.items()},
        "trials": [
            [trial, [code[take] for take in heard]]
            for trial, *heard in trials[["trial", *TAKES]].itertuples(index=False)
        ],
    }
    script = Path(__file__).with_suffix(".js").read_text(encoding="utf-8")
    digest = b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return template("listening.html").render(test=test, script=script, script_digest=digest)

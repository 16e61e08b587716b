"""The bench sheet: what to record next, as a page to be printed and as a CSV for a spreadsheet.

One page a batch in `bench_sheets/` of the study folder. The page (`sheet.html`) opens offline, has
no script, and a Content-Security-Policy forbids all that is not in the file. Everything from the
sheets is shown as text. A study whose woods are coded shows its codes, as specimens.csv holds
nothing else.

A CSV in which somebody has filled in temperature, humidity, time or a remark is never written over:
the new one is put beside it under the next free number.

What to do for each take (`groups`, `to_do`, `level`, `caution`) is what the watch and the recording
session say as well.

Functions: `write_sheets`, `sheet_table`, `groups`, `setting`, `to_do`, `level`, `caution`,
`advice`, `template`. Class: `Group`.
"""

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pandas as pd
from jinja2 import Environment, Template

from studylib import codes, sheets, words, writing
from studylib.bench.signals import signal_name

FOLDER = "bench_sheets"
BY_HAND = ("temperature_c", "humidity_pct", "started", "remark")
COLUMNS = (
    *("take", "batch", "order", "kind", "specimen", "mount", "place", "repeat", "file", "signal"),
    *("level", "what_to_do", *BY_HAND),
)
TAPS = 3  # in one recording
WARNED = ("idle", "airborne", "driver", "loopback", "sweep", "tap")
HEADED = ("specimen", "mount", "kind", "support", "turned", "moved_mm", "mic_times")
LOUD = ("tone", "airborne", "driver")


@dataclass(frozen=True)
class Group:
    """Takes that follow one another with the same thing on the bench, and what to set up (note)."""

    heading: str
    takes: tuple[sheets.Take, ...]


def groups(study: sheets.Study, batch: str) -> list[Group]:
    """The takes of a batch in their order, parted where something else is put on the bench."""
    return [
        Group(
            codes.note(
                "bench.heading",
                **{name: getattr(take, name) for name in HEADED},
                role=study.specimen(take.specimen).role if take.specimen else "",
            ),
            (take, *others),
        )
        for _, (take, *others) in itertools.groupby(study.scheduled_of(batch), key=setting)
    ]


def setting(take: sheets.Take) -> tuple:
    """What is on the bench: a board set up in one way, or nothing but a control's own."""
    if take.specimen is None:
        return (take.kind,)
    return (
        *(take.specimen, take.mount, take.support, take.kind == "airborne"),
        *(take.moved_mm, take.mic_times),
    )


def to_do(take: sheets.Take, among: Iterable[sheets.Take]) -> str:
    """What one take asks for, as a note; `among` the takes of its group.

    The microphone's place is named where it changes within the group.
    """
    place = take.place if any(other.place > 1 for other in among) else 0
    return codes.note(
        "bench.to_do", kind=take.kind, signal=signal_name(take), taps=TAPS, place=place
    )


def level(take: sheets.Take) -> str:
    """The drive level, as a note; "" where nothing is played."""
    return (
        codes.note("bench.level", below_db=-take.drive_db)
        if signal_name(take) and take.kind != "room"
        else ""
    )


def caution(take: sheets.Take, before: tuple[sheets.Take, ...]) -> str:
    """The caution that stands on this line: of its kind, once in a group, and at the first full
    drive of a mounting. `before` are the takes of the group that came earlier."""
    same = [t for t in before if t.kind == take.kind]
    kind = "moved" if take.moved_mm else take.kind
    kind = kind if kind in (*WARNED, "moved") and not same else ""
    full = take.drive_db == 0 and take.kind in LOUD and all(t.drive_db for t in same)
    return words.say("bench.caution", kind=kind, full=full)


def write_sheets(study: sheets.Study, *, batches: Iterable[str] | None = None) -> list[Path]:
    """Write the bench sheets of a study.

    Parameters
    ----------
    study : from `sheets.read_study`.
    batches : only these; None means all.

    Returns
    -------
    the paths written, page and table of each batch.

    Raises
    ------
    InputError : there is no such batch.
    OSError : the folder cannot be written to.
    """
    # All pages first: an unknown batch is told before any file is written.
    names = study.all_batches if batches is None else batches
    pages = {name: _page(study, name) for name in names}
    written = []
    for name, text in pages.items():
        page = study.folder / FOLDER / f"{writing.slug(name)}.html"
        writing.write_whole(page, text)
        table = _free(page.with_suffix(".csv"))
        writing.write_whole(
            table, sheet_table(study, name).to_csv(index=False, lineterminator="\n")
        )
        written += [page, table]
    return written


def sheet_table(study: sheets.Study, batch: str) -> pd.DataFrame:
    """One row a take in their order; columns `COLUMNS`, the last four to be filled in by hand."""
    return pd.DataFrame(
        [
            (
                *(t.take, t.batch, "" if t.order is None else f"{t.order:g}", t.kind),
                *(t.specimen or "", t.mount or "", t.place if t.kind == "tap" else ""),
                *(t.repeat or "", t.file, signal_name(t)),
                *(words.say(level(t)), words.say(to_do(t, group.takes)), *[""] * len(BY_HAND)),
            )
            for group in groups(study, batch)
            for t in group.takes
        ],
        columns=list(COLUMNS),
    )


def _free(path: Path) -> Path:
    """The path itself, or the next one beside it that nobody has filled in."""
    further = (path.with_name(f"{path.stem}-{number}.csv") for number in itertools.count(2))
    return next(
        place
        for place in itertools.chain([path], further)
        if not (place.exists() and _filled_in(place))
    )


def _filled_in(path: Path) -> bool:
    try:
        found = pd.read_csv(path, dtype=str, keep_default_na=False, sep=None, engine="python")
    except (OSError, ValueError):
        return True  # not ours to judge, so not ours to replace
    known = [name for name in BY_HAND if name in found.columns]
    return len(known) < len(BY_HAND) or bool((found[known] != "").any(axis=None))


@lru_cache
def template(name: str) -> Template:
    """A page of this folder as a template that knows `say`; what it is given stands as text."""
    text = Path(__file__).with_name(name).read_text(encoding="utf-8")
    made = Environment(autoescape=True)
    made.globals["say"] = words.say
    return made.from_string(text)


def _page(study: sheets.Study, batch: str) -> str:
    found = groups(study, batch)
    takes = [take for group in found for take in group.takes]
    folders = {take.file.rpartition("/")[0] for take in takes}
    folder = folders.pop() if len(folders) == 1 else ""
    recorded = {take.take for take in study.takes}
    number = {take.take: n for n, take in enumerate(takes, start=1)}
    return template("sheet.html").render(
        sections=[
            (
                words.say(group.heading),
                [
                    {
                        "number": number[take.take],
                        "recorded": take.take in recorded,
                        "caution": caution(take, group.takes[:i]),
                        "to_do": words.say(to_do(take, group.takes)),
                        "level": words.say(level(take)),
                        "file": take.file.removeprefix(f"{folder}/") if folder else take.file,
                    }
                    for i, take in enumerate(group.takes)
                ],
            )
            for group in found
        ],
        batch=batch,
        title=study.settings.study.title,
        head=_head(study, found, len(takes), folder),
        taps=" ".join(map(words.say, advice(study, takes))),
    )


def advice(study: sheets.Study, takes: Iterable[sheets.Take]) -> list[str]:
    """How to tap with this bench, as notes; none without a tap among the takes."""
    places = {take.place for take in takes if take.kind == "tap"}
    heard = places and study.settings.channels.response_kind == "microphone"
    many = max(len(places), study.settings.tap_places)
    return codes.holding(
        (places, "room.begin"),
        (heard, "room.near"),
        (heard and many > 1, codes.note("room.moved", places=many)),
        (heard, "room.damped"),
        (heard, "room.contact"),
    )


def _head(study: sheets.Study, found: list[Group], recordings: int, folder: str) -> str:
    plan = study.settings.plan
    mounts = {
        (t.specimen, t.mount)
        for t in (group.takes[0] for group in found)
        if t.specimen and t.support == "bench"
    }
    minutes = len(mounts) * plan.minutes_mount + recordings * plan.minutes_take
    told = {"rate_hz", "response", "response_kind", "drive", "drive_kind"}
    return words.say(
        "bench.sheet_head", recordings=recordings, minutes=minutes, folder=folder,
        **study.settings.channels.model_dump(include=told),
    )  # fmt: skip

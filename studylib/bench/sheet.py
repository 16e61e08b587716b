"""The bench sheet: what to record next, as a page to be printed and as a CSV for a spreadsheet.

One page a batch in `bench_sheets/` of the study folder. The page opens offline, holds no script,
and a Content-Security-Policy forbids all that is not in the file. Everything from the sheets is
shown as text. A study whose woods are coded shows its codes, as specimens.csv holds nothing else.

A CSV in which somebody has filled in temperature, humidity, time or a remark is never written over:
the new one is put beside it under the next free number.

Functions: `write_sheets`, `sheet_table`.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from pathlib import Path

import pandas as pd

from studylib.bench.instructions import Group, caution_for, groups, level_words, what_to_do
from studylib.bench.signals import signal_name
from studylib.sheets import Study, Take
from studylib.writing import slug, write_whole

FOLDER = "bench_sheets"
BY_HAND = ("temperature_c", "humidity_pct", "started", "remark")
COLUMNS = (
    *("take", "batch", "order", "kind", "specimen", "mount", "repeat", "file", "signal", "level"),
    *("what_to_do", *BY_HAND),
)
SAFETY = (
    "<b>Loud tones:</b> start every driver at its lowest level and come up slowly; a steady tone "
    "can harm hearing before it hurts. <b>Headphones:</b> off, until the level is known. "
    "<b>Mains:</b> amplifiers and drivers closed and dry; opening them is for qualified people. "
    "<b>Wood dust:</b> extraction and a mask where boards are cut. "
    "Local rules and qualified people come before this sheet."
)
STYLE = """
@page { size: landscape; margin: 11mm;
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 10pt sans-serif; } }
* { box-sizing: border-box; }
body { font: 14pt/1.3 sans-serif; color: #000; background: #fff; margin: 0 auto;
  max-width: 285mm; padding: 4mm; }
h1 { font-size: 22pt; margin: 0 0 2mm; overflow-wrap: anywhere; }
p { margin: 0 0 3mm; }
.safety { border: 2.5pt solid #000; padding: 2mm 3mm; }
section { break-inside: avoid; margin: 0 0 5mm; border-top: 2.5pt solid #000; }
h2 { font-size: 18pt; margin: 1.5mm 0; overflow-wrap: anywhere; }
.air { display: flex; gap: 6mm; margin: 0 0 1.5mm; }
.air span { white-space: nowrap; }
.air i { display: inline-block; width: 24mm; height: 7mm; border-bottom: 1pt solid #000; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th { font-size: 11pt; text-align: left; border-bottom: 1pt solid #000; }
td { border-bottom: 0.5pt solid #777; padding: 0.6mm 2mm 0.6mm 0; vertical-align: top;
  overflow-wrap: anywhere; }
.n { width: 13mm; font-size: 18pt; font-weight: bold; }
.box { width: 12mm; } .do { width: 31%; } .level { width: 19%; } .file { width: 29%; }
.tick { display: inline-block; width: 7mm; height: 7mm; border: 1.5pt solid #000;
  text-align: center; line-height: 6mm; font-weight: bold; }
.take { font-weight: bold; } .caution td { font-style: italic; border: 0; padding-top: 1.5mm; }
tr.caution { break-after: avoid; }
"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def write_sheets(study: Study, *, batches: Iterable[str] | None = None) -> list[Path]:
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
    names = study.all_batches if batches is None else [_known(study, name) for name in batches]
    written = []
    for name in names:
        page = study.folder / FOLDER / f"{slug(name)}.html"
        write_whole(page, _page(study, name))
        table = _free(page.with_suffix(".csv"))
        write_whole(table, sheet_table(study, name).to_csv(index=False, lineterminator="\n"))
        written += [page, table]
    return written


def sheet_table(study: Study, batch: str) -> pd.DataFrame:
    """One row a take in run order; columns `COLUMNS`, the last four to be filled in by hand."""
    rows = [
        (
            *(t.take, t.batch, "" if t.order is None else f"{t.order:g}", t.kind),
            *(t.specimen or "", t.mount or "", t.repeat or "", t.file),
            *(signal_name(t), level_words(t), what_to_do(t), "", "", "", ""),
        )
        for t in study.scheduled_of(batch)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _known(study: Study, name: str) -> str:
    study.scheduled_of(name)  # tells the nearest where there is none
    return name


def _free(path: Path) -> Path:
    """The path itself, or the next one beside it that nobody has filled in."""
    number, place = 1, path
    while place.exists() and _filled_in(place):
        number += 1
        place = path.with_name(f"{path.stem}-{number}.csv")
    return place


def _filled_in(path: Path) -> bool:
    try:
        found = pd.read_csv(path, dtype=str, keep_default_na=False, sep=None, engine="python")
    except (OSError, ValueError):
        return True  # not ours to judge, so not ours to replace
    known = [name for name in BY_HAND if name in found.columns]
    return len(known) < len(BY_HAND) or bool((found[known] != "").any(axis=None))


def _page(study: Study, batch: str) -> str:
    found = groups(study, batch)
    recorded = {take.take for take in study.takes}
    takes = [take for group in found for take in group.takes]
    number = {take.take: n for n, take in enumerate(takes, start=1)}
    folder = _folder(takes)
    sections = "".join(_section(group, number, recorded, folder) for group in found)
    title = f"Bench sheet: {batch}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head>\n<body>"
        f"<h1>{escape(study.settings.study.title)}: {escape(batch)}</h1>\n"
        f"<p>{escape(_head(study, takes, found))}</p>\n"
        f'<p class="safety">{SAFETY}</p>\n{sections}</body></html>\n'
    )


def _head(study: Study, takes: list[Take], found: list[Group]) -> str:
    channels, plan = study.settings.channels, study.settings.plan
    mounts = sum(
        group.takes[0].specimen is not None and group.takes[0].support == "bench" for group in found
    )
    minutes = mounts * plan.minutes_mount + len(takes) * plan.minutes_take
    rate = f"{channels.rate_hz} Hz" if channels.rate_hz else "one rate for all"
    heard = f"channel {channels.response}: {channels.response_kind} at the far end"
    if channels.drive:
        heard += f"; channel {channels.drive}: {channels.drive_kind} at the driving point"
    return (
        f"{len(takes)} recordings, about {minutes:.0f} minutes. Recorder: {rate}, 24 bit, {heard}. "
        f"Signals are in signals/. Save each recording {_where(takes)}."
    )


def _folder(takes: Iterable[Take]) -> str:
    """The folder that all recordings share; "" where there are several."""
    folders = {take.file.rpartition("/")[0] for take in takes}
    return folders.pop() if len(folders) == 1 else ""


def _where(takes: list[Take]) -> str:
    folder = _folder(takes)
    return f"in {folder}/ under the name given" if folder else "under the name given"


def _section(group: Group, number: dict[str, int], recorded: set[str], folder: str) -> str:
    rows = "".join(
        _row(take, group.takes[:i], number[take.take], take.take in recorded, folder)
        for i, take in enumerate(group.takes)
    )
    boxes = "".join(
        f"<span>{name} <i></i></span>" for name in ("time", "temperature °C", "humidity %")
    )
    head = "".join(
        f'<th class="{kind}">{name}</th>'
        for kind, name in (
            ("n", "no."),
            ("box", "done"),
            ("do", "what to do"),
            ("level", "level"),
            ("file", "record as"),
            ("note", "remark"),
        )
    )
    return (
        f'<section><h2>{escape(group.heading)}</h2><div class="air">{boxes}</div>'
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></section>\n"
    )


def _row(take: Take, before: tuple[Take, ...], number: int, done: bool, folder: str) -> str:
    caution = caution_for(take, before)
    warned = ""
    if caution:
        warned = (
            f'<tr class="caution"><td colspan="2"></td><td colspan="4">{escape(caution)}</td></tr>'
        )
    tick = "&#10003;" if done else ""
    name = take.file.removeprefix(f"{folder}/") if folder else take.file
    return (
        f'{warned}<tr><td class="n">{number}</td>'
        f'<td class="box"><span class="tick">{tick}</span></td>'
        f'<td class="do">{escape(what_to_do(take))}</td>'
        f'<td class="level">{escape(level_words(take))}</td>'
        f'<td class="file"><span class="take">{escape(name)}</span></td>'
        '<td class="note"></td></tr>'
    )

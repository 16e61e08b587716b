"""Warnings between rows: what a person should look at before believing the report.

A number skipped, a group spelled in two ways, sources assumed, mounts lost, a batch without
the reference. Takes with `exclude` count as present: they were recorded, and only set aside.

Functions: `specimen_warnings`, `take_warnings`.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence

from studylib.sheets.field_faults import gaps
from studylib.sheets.plan_faults import SPECIMENS, TAKES, mounted
from studylib.sheets.rows import TONE_KINDS, Specimen, Take
from studylib.sheets.settings import Settings
from studylib.sheets.spreadsheet import Table
from studylib.words.text import listed, shown

FORMULA = re.compile(r"[=@]|[+-](?![0-9.,]*$)")
"""How a cell begins that a spreadsheet takes for a formula; a plain number is none."""

MULTIPLE_MARGIN = 0.01
"""A tone within this of a whole multiple of the fundamental is meant as that multiple."""


def specimen_warnings(specimens: Sequence[Specimen], table: Table) -> list[str]:
    """What to look at in specimens.csv: assumed or shared sources, spellings, sizes, control."""
    compared = [s for s in specimens if s.role == ""]
    warnings = _assumed(compared) + _shared_sources(compared)
    warnings += _spellings(SPECIMENS, (s.wood for s in compared), "one wood")
    warnings += _formulas(SPECIMENS, specimens, ("specimen", "wood"))
    warnings += _formulas(SPECIMENS, [s for s in specimens if not s.source_assumed], ("source",))
    sizes = ("length_mm", "width_mm", "thickness_mm", "mass_g")
    missing = [c for c in sizes if c not in table.columns]
    if missing:
        warnings.append(
            f"{SPECIMENS} has no column {listed(missing, last='or')}: density, stiffness and what "
            "follows from them cannot be given"
        )
    roles = {s.role for s in specimens}
    if "changed" in roles and "reference" not in roles:
        warnings.append(
            f"{SPECIMENS}, column role: there is a changed specimen but no reference, so whether "
            "the bench can tell the two apart cannot be judged"
        )
    return warnings


def _assumed(compared: Sequence[Specimen]) -> list[str]:
    assumed = [s for s in compared if s.source_assumed]
    if not assumed:
        return []
    rows = f"row {assumed[0].row}" if len(assumed) == 1 else f"{len(assumed)} rows"
    return [
        f"{SPECIMENS}, column source: empty in {rows}; each such specimen is taken as cut from a "
        "plank of its own, which is an assumption: boards of one plank share a source"
    ]


def _shared_sources(compared: Sequence[Specimen]) -> list[str]:
    woods: dict[str, list[str]] = defaultdict(list)
    for s in compared:
        if s.wood not in woods[s.source]:
            woods[s.source].append(s.wood)
    return [
        f"{SPECIMENS}, column source: {shown(source)} is in {listed(map(shown, groups))}; "
        "give each plank a name of its own unless one plank was really shared between them"
        for source, groups in woods.items()
        if len(groups) > 1
    ]


def _spellings(name: str, words: Iterable[str], what: str) -> list[str]:
    forms: dict[str, list[str]] = defaultdict(list)
    for word in words:
        known = forms["".join(word.split()).casefold()]
        if word not in known:
            known.append(word)
    return [
        f"{name}: {listed(map(shown, known))} differ only in capitals or spaces; "
        f"write them alike if they are {what}"
        for known in forms.values()
        if len(known) > 1
    ]


def _formulas(
    name: str, rows: Sequence[Specimen] | Sequence[Take], columns: Sequence[str]
) -> list[str]:
    """Names that a spreadsheet would work out. Tables hold them as they are: data stay data."""
    warnings = []
    for column in columns:
        odd = {getattr(row, column): row for row in reversed(rows)}
        found = [(row.row, text) for text, row in odd.items() if FORMULA.match(text)]
        if found:
            row, text = min(found)
            more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
            warnings.append(
                f"{name}, row {row}, column {column}: {shown(text)}{more} begins like a formula, "
                "which a spreadsheet would work out when it opens the tables of the report; begin "
                "it with a letter or a digit"
            )
    return warnings


def take_warnings(
    takes: Sequence[Take], specimens: Sequence[Specimen], settings: Settings
) -> list[str]:
    """What to look at in takes.csv: skipped numbers, uneven mounts, odd tones, controls."""
    return [
        *_skipped_mounts(takes),
        *_skipped_repeats(takes),
        *_uneven(takes, specimens),
        *_reference_gaps(takes, specimens),
        *_odd_tones(takes, settings.tone.fundamental_hz),
        *_calibrators(takes, settings),
        *_same_order(takes),
        *_spellings(TAKES, (t.batch for t in takes), "one batch"),
        *_formulas(TAKES, takes, ("take", "batch")),
        *(
            f"{TAKES}, row {t.row}, column reason: a reason is given but exclude is empty, "
            "so the take is used"
            for t in takes
            if t.reason and not t.exclude
        ),
    ]


def _skipped_mounts(takes: Sequence[Take]) -> list[str]:
    groups: dict[Hashable, list[Take]] = defaultdict(list)
    for t in mounted(takes):
        groups[t.specimen].append(t)
    return _skipped(groups.values(), "mount", lambda t: f"specimen {shown(t.specimen)}")


def _skipped_repeats(takes: Sequence[Take]) -> list[str]:
    groups: dict[Hashable, list[Take]] = defaultdict(list)
    for t in takes:
        if t.repeat is not None:
            signal = (t.kind, t.tone_hz, t.drive_db, t.support)
            groups[(t.batch, t.specimen, t.mount, *signal)].append(t)
    return _skipped(groups.values(), "repeat", _signal)


def _signal(take: Take) -> str:
    tone = f" at {take.tone_hz:g} Hz" if take.tone_hz and take.kind in TONE_KINDS else ""
    drive = f" and {take.drive_db:g} dB" if take.drive_db else ""
    board = f"specimen {shown(take.specimen)}, mount {take.mount}, " if take.specimen else ""
    return f"{board}{take.kind}{tone}{drive}"


def _skipped(
    groups: Iterable[list[Take]], column: str, described: Callable[[Take], str]
) -> list[str]:
    warnings = []
    for group in groups:
        numbers = {getattr(t, column): t for t in reversed(group)}
        for first, last, then in gaps(numbers):
            run = str(first) if first == last else f"{first} to {last}"
            t = numbers[then]
            warnings.append(
                f"{TAKES}, row {t.row}, column {column}: {described(t)} has {column} {then} "
                f"but no {column} {run}; was it lost, or is the number wrong?"
            )
    return warnings


def _uneven(takes: Sequence[Take], specimens: Sequence[Specimen]) -> list[str]:
    """Specimens under comparison with no takes, or with fewer mounts than most."""
    mounts: dict[str, set] = {s.specimen: set() for s in specimens if s.role == ""}
    seen = {t.specimen for t in takes}
    for t in mounted(takes):
        if t.specimen in mounts and t.support == "bench":
            mounts[t.specimen].add(t.mount)
    warnings = [
        f"{SPECIMENS}, row {s.row}, column specimen: no take of {shown(s.specimen)} is in {TAKES}"
        for s in specimens
        if s.specimen not in seen
    ]
    counts = Counter(len(m) for m in mounts.values() if m)
    usual = max(counts, key=lambda n: (counts[n], n), default=0)
    fewer = {name: len(m) for name, m in mounts.items() if 0 < len(m) < usual}
    warnings += [
        f"{TAKES}, column mount: {shown(name)} has {n} mount{'s' if n > 1 else ''} where most "
        f"specimens have {usual}"
        for name, n in fewer.items()
    ]
    return warnings


def _reference_gaps(takes: Sequence[Take], specimens: Sequence[Specimen]) -> list[str]:
    reference = next((s.specimen for s in specimens if s.role == "reference"), None)
    if reference is None:
        return []
    batches = dict.fromkeys(t.batch for t in takes)
    measured = {t.batch for t in mounted(takes) if t.specimen == reference}
    return [
        f"{TAKES}: the reference {shown(reference)} is not in batch {shown(batch)}, so drift "
        "from batch to batch cannot be watched there"
        for batch in batches
        if batch not in measured
    ]


def _odd_tones(takes: Sequence[Take], fundamental_hz: float) -> list[str]:
    """Tones that are no multiple of the fundamental; told once for each frequency."""
    odd: dict[float, Take] = {}
    for t in takes:
        if t.kind in TONE_KINDS and t.tone_hz:
            ratio = t.tone_hz / fundamental_hz
            if abs(ratio - round(ratio)) > MULTIPLE_MARGIN or round(ratio) < 1:
                odd.setdefault(t.tone_hz, t)
    return [
        f"{TAKES}, row {t.row}, column tone_hz: {t.tone_hz:g} Hz is neither the fundamental of "
        f"{fundamental_hz:g} Hz nor a whole multiple of it"
        for t in odd.values()
    ]


def _calibrators(takes: Sequence[Take], settings: Settings) -> list[str]:
    batches = dict.fromkeys(t.batch for t in takes)
    calibrated = {t.batch: t for t in takes if t.kind == "calibrator"}
    if settings.channels.calibrator_db is None:
        return [
            f"{TAKES}, row {t.row}, column kind: the calibrator take of batch {shown(batch)} is "
            "not used without calibrator_db in study.toml, [channels]"
            for batch, t in calibrated.items()
        ]
    return [
        f"{TAKES}: batch {shown(batch)} has no calibrator take, so its levels stay relative to "
        "full scale although study.toml gives calibrator_db"
        for batch in batches
        if batch not in calibrated and settings.channels.response_kind == "microphone"
    ]


def _same_order(takes: Sequence[Take]) -> list[str]:
    first: dict[Hashable, Take] = {}
    warnings = []
    for t in takes:
        if t.order is None:
            continue
        known = first.setdefault((t.batch, t.order), t)
        if known is not t:
            warnings.append(
                f"{TAKES}, row {t.row}, column order: {t.order:g} is in row {known.row} already; "
                "the two are taken in the order of their rows"
            )
    return warnings

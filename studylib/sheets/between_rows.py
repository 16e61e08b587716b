"""What rows say together: faults that no analysis could put right, and what to look at.

Faults: ids given twice, two takes that claim to be the same one, a mount in two batches or turned
in part, batches that would share a file name, times with and without an offset, a second reference.
Warnings: planks that are not named, a number skipped, a group spelled in two ways, mounts lost, a
batch without the reference. Takes with `exclude` count as present: they were recorded, and set
aside.

Slips of the hand in specimens.csv that no cell shows by itself: a size in another unit, one name
written in two ways.

A board's density follows from its sizes and its mass. No dry wood is lighter than about 80 kg/m3 or
heavier than about 1,450 (Wood Handbook, FPL-GTR-282, chapter 5: balsa 160, lignum vitae 1,140 to
1,230; from memory, with a margin). Where a board lies outside, the units that would bring it inside
are named. Nothing is corrected: the boards may be of something else than wood.

Two names count as one spelling where they differ only in capitals and blanks, or in letters of
another script that look the same: the Greek and Cyrillic ones among those that Unicode Technical
Standard 39 calls confusables.

Functions: `repeated_ids`, `role_faults`, `take_faults`, `plank_warnings`, `specimen_warnings`,
`take_warnings`, `waiting_takes`, `gaps`, `density_warnings`, `spellings`.
"""

import unicodedata
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from itertools import pairwise
from typing import Any

from studylib import codes, writing
from studylib.sheets.files import SPECIMENS, TAKES, Table, grouped
from studylib.sheets.rows import BOARD_KINDS, MOUNT_KINDS, TONE_KINDS, Specimen, Take
from studylib.sheets.settings import Settings

SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g")

MULTIPLE_MARGIN = 0.01
"""A tone within this of a whole multiple of the fundamental is meant as that multiple."""


def _take_note(code: codes.Code, take: Take, column: str, **fields: Any) -> str:
    return codes.note(code, file=TAKES, row=take.row, column=column, **fields)


# Faults


def _seen_before(items: Iterable[Any], key: Callable[[Any], Hashable]) -> list[tuple[Any, Any]]:
    """(first, later) for each item whose key an earlier one has."""
    first: dict[Hashable, Any] = {}
    pairs = [(first.setdefault(key(item), item), item) for item in items]
    return [(known, item) for known, item in pairs if known is not item]


def repeated_ids(table: Table, column: str) -> list[str]:
    """Ids that an earlier row has already."""
    rows = [row for row in table.rows if row.cells.get(column)]
    return [
        codes.note(
            "sheets.id_twice",
            file=table.name,
            row=row.number,
            column=column,
            value=row.cells[column],
            other_row=first.number,
        )
        for first, row in _seen_before(rows, lambda row: row.cells[column])
    ]


def role_faults(specimens: Sequence[Specimen]) -> list[str]:
    """A second reference: drift is watched on one specimen."""
    return [
        codes.note(
            "sheets.second_reference",
            file=SPECIMENS,
            column="role",
            row=other.row,
            reference=first.specimen,
        )
        for first, other in _seen_before(
            [s for s in specimens if s.role == "reference"], lambda s: s.role
        )
    ]


def take_faults(takes: Sequence[Take]) -> list[str]:
    """Faults between rows of takes.csv: doubles, mounts in two batches, batch names, time zones."""
    # A take set aside may be made again under its number, and controls need no numbers.
    numbered = [
        t for t in takes if (t.kind in BOARD_KINDS or t.repeat is not None) and not t.exclude
    ]
    first_of_batch = {t.batch: t for t in reversed(takes)}.values()
    timed = [(t, t.started.tzinfo is not None) for t in takes if t.started is not None]
    odd = [(t, offset) for t, offset in timed if offset != timed[0][1]]
    return [
        *(
            _take_note("sheets.same_take", t, "repeat", other_row=known.row)
            for known, t in _seen_before(numbered, lambda t: (*_signal(t), t.place, t.repeat))
        ),
        *(
            _take_note(
                "sheets.mount_in_two_batches", t, "mount",
                **_board(t), batch=known.batch, other_row=known.row,
            )
            for known, t in _seen_before(
                _mounted(takes), lambda t: (t.specimen, t.mount, t.support)
            )
            if known.batch != t.batch
        ),
        # A board is turned by mounting it anew, so that its taps and tones lie one way.
        *(
            _take_note("sheets.turned_in_part", t, "turned", **_board(t), other_row=known.row)
            for known, t in _seen_before(
                [t for t in _mounted(takes) if t.kind == "tone"], lambda t: (t.specimen, t.mount)
            )
            if known.turned != t.turned
        ),
        # Batches become files; two names must not become one (capitals do not count everywhere).
        *(
            _take_note(
                "sheets.batches_share_file", t, "batch",
                batch=t.batch, other=known.batch, other_row=known.row, shared=writing.slug(t.batch),
            )
            for known, t in _seen_before(
                sorted(first_of_batch, key=lambda t: t.row),
                lambda t: writing.slug(t.batch).casefold(),
            )
        ),
        # Times with and without an offset cannot be put in order.
        *(
            _take_note(
                "sheets.mixed_time_zones", t, "started",
                has_offset=offset, other_row=timed[0][0].row,
            )
            for t, offset in odd[:1]
        ),
    ]  # fmt: skip


def _signal(take: Take) -> tuple:
    """What takes have in common that differ in their repeat alone."""
    return (
        *(take.batch, take.specimen, take.mount, take.support),
        *(take.kind, take.tone_hz, take.drive_db),
        *(take.turned, take.moved_mm, take.mic_times),
    )


def _board(take: Take) -> dict[str, Any]:
    return {"specimen": take.specimen, "mount": take.mount}


def _mounted(takes: Iterable[Take]) -> list[Take]:
    """The takes that belong to one mount of one specimen."""
    return [t for t in takes if t.kind in MOUNT_KINDS and t.specimen and t.mount]


# Warnings


def specimen_warnings(specimens: Sequence[Specimen], table: Table) -> list[str]:
    """What to look at in specimens.csv: shared sources, spellings, sizes, control."""
    compared = [s for s in specimens if s.role == ""]
    missing = [c for c in SIZES if c not in table.columns]
    roles = {s.role for s in specimens}
    short = [
        s
        for s in specimens
        if s.length_mm and s.length_mm < max(s.width_mm or 0, s.thickness_mm or 0)
    ]
    return [
        *_shared_sources(compared),
        *density_warnings(specimens, SPECIMENS),
        *spellings((s.wood for s in compared), SPECIMENS, "wood"),
        *spellings((s.source for s in compared if s.source), SPECIMENS, "plank"),
        *spellings((s.specimen for s in specimens), SPECIMENS, "board"),
        *_formulas(SPECIMENS, specimens, ("specimen", "wood", "source")),
        *(
            codes.note(
                "sheets.short", file=SPECIMENS, row=s.row, value=s.specimen, more=len(short) - 1
            )
            for s in short[:1]
        ),
        *codes.holding(
            (missing, codes.note("sheets.no_sizes", file=SPECIMENS, columns=missing)),
            (
                "changed" in roles and "reference" not in roles,
                codes.note("sheets.no_reference", file=SPECIMENS, column="role"),
            ),
        ),
    ]


def plank_warnings(specimens: Sequence[Specimen], settings: Settings) -> list[str]:
    """Woods of which nothing can be said however much is recorded, for want of planks.

    specimens : from `rows.with_planks`.
    """
    compared = [s for s in specimens if s.role == ""]
    unnamed = [s for s in compared if s.source_assumed]
    rows, woods = [s.row for s in unnamed], dict.fromkeys(s.wood for s in unnamed)
    named = grouped((s.wood, s.source) for s in compared if s.wood not in woods)
    least = settings.decide.smallest_n
    few = {wood: len(set(own)) for wood, own in named.items() if len(set(own)) < least}
    place = {"file": SPECIMENS, "column": "source"}
    return codes.holding(
        (rows, codes.note("sheets.planks_unnamed", **place, rows=rows, woods=list(woods))),
        (few, codes.note("sheets.few_planks", **place, planks=few, least=least)),
    )


def _shared_sources(compared: Sequence[Specimen]) -> list[str]:
    return [
        codes.note(
            "sheets.shared_source",
            file=SPECIMENS,
            column="source",
            value=source,
            woods=list(dict.fromkeys(groups)),
        )
        for source, groups in grouped((s.source, s.wood) for s in compared if s.source).items()
        if len(set(groups)) > 1
    ]


def _formulas(
    name: str, rows: Sequence[Specimen] | Sequence[Take], columns: Sequence[str]
) -> list[str]:
    """Names that a spreadsheet would work out. Tables hold them as they are: data stay data."""
    odd = {column: {getattr(row, column): row.row for row in reversed(rows)} for column in columns}
    found = {
        column: sorted((row, text) for text, row in texts.items() if writing.FORMULA.match(text))
        for column, texts in odd.items()
    }
    return [
        codes.note(
            "sheets.formula", file=name, row=row, column=column, value=text, more=len(own) - 1
        )
        for column, own in found.items()
        for row, text in own[:1]
    ]


def take_warnings(
    takes: Sequence[Take], specimens: Sequence[Specimen], settings: Settings
) -> list[str]:
    """What to look at in takes.csv: skipped numbers, uneven mounts, odd tones, controls."""
    return [
        *_skipped(_mounted(takes), "mount", lambda t: t.specimen),
        *_skipped([t for t in takes if t.repeat is not None], "repeat", _signal),
        *_uneven(takes, specimens),
        *_reference_gaps(takes, specimens),
        *_odd_tones(takes, settings.tone.fundamental_hz),
        *_calibrators(takes, settings),
        *(
            _take_note("sheets.same_order", t, "order", order=t.order, other_row=known.row)
            for known, t in _seen_before(
                [t for t in takes if t.order is not None], lambda t: (t.batch, t.order)
            )
        ),
        *spellings((t.batch for t in takes), TAKES, "batch"),
        *_formulas(TAKES, takes, ("take", "batch")),
        *(
            _take_note("sheets.reason_unused", t, "reason")
            for t in takes
            if t.reason and not t.exclude
        ),
    ]


def waiting_takes(takes: Sequence[Take], planned: Sequence[Take]) -> list[str]:
    """Batches that were begun and lack recordings of their schedule."""
    begun = {take.batch for take in takes}
    waiting = grouped((take.batch, take) for take in planned if take.batch in begun)
    return [
        codes.note(
            "sheets.waiting",
            file=TAKES,
            batch=batch,
            count=len(lacking),
            first=lacking[0].take,
            first_row=lacking[0].row,
        )
        for batch, lacking in waiting.items()
    ]


def _skipped(takes: Iterable[Take], column: str, group: Callable[[Take], Hashable]) -> list[str]:
    """Numbers that takes of one group leave out; a group is described by its board and signal."""
    groups = [
        {getattr(t, column): t for t in reversed(own)}
        for own in grouped((group(t), t) for t in takes).values()
    ]
    return [
        _take_note(
            "sheets.skipped",
            numbers[number],
            column,
            number=number,
            first=first,
            last=last,
            **_described(numbers[number], column),
        )
        for numbers in groups
        for first, last, number in gaps(numbers)
    ]


def _described(take: Take, column: str) -> dict[str, Any]:
    """The board, and for a repeat also mount and signal, as far as they tell takes apart."""
    if column == "mount":
        return {"specimen": take.specimen}
    return {
        **(_board(take) if take.specimen else {}),
        **({"tone_hz": take.tone_hz} if take.kind in TONE_KINDS else {}),
        "kind": take.kind,
        "drive_db": take.drive_db,
    }


def gaps(numbers: Iterable[int]) -> list[tuple[int, int, int]]:
    """Runs of whole numbers skipped when counting 1, 2, ... up to the largest.

    Returns
    -------
    list of (first skipped, last skipped, the number that follows), in order.
    """
    return [
        (before + 1, n - 1, n)
        for before, n in pairwise([0, *sorted(set(numbers))])
        if n > before + 1
    ]


def _uneven(takes: Sequence[Take], specimens: Sequence[Specimen]) -> list[str]:
    """Specimens under comparison with no takes, or with fewer mounts than most."""
    seen = {t.specimen for t in takes}
    mounts = grouped(
        (t.specimen, t.mount) for t in _mounted(takes) if t.support == "bench" and not t.is_test
    )
    found = {
        s.specimen: len(set(mounts[s.specimen]))
        for s in specimens
        if s.role == "" and s.specimen in mounts
    }
    counts = Counter(found.values())
    usual = max(counts, key=lambda n: (counts[n], n), default=0)
    return [
        *(
            codes.note(
                "sheets.no_takes", file=SPECIMENS, column="specimen", row=s.row, value=s.specimen
            )
            for s in specimens
            if s.specimen not in seen
        ),
        *(
            codes.note(
                "sheets.fewer_mounts", file=TAKES, column="mount", value=name, mounts=n, usual=usual
            )
            for name, n in found.items()
            if n < usual
        ),
    ]


def _reference_gaps(takes: Sequence[Take], specimens: Sequence[Specimen]) -> list[str]:
    measured = {(t.specimen, t.batch) for t in _mounted(takes)}
    return [
        codes.note("sheets.reference_not_in_batch", file=TAKES, reference=s.specimen, batch=batch)
        for s in specimens
        if s.role == "reference"
        for batch in dict.fromkeys(t.batch for t in takes)
        if (s.specimen, batch) not in measured
    ]


def _odd_tones(takes: Sequence[Take], fundamental_hz: float) -> list[str]:
    """Tones that are no multiple of the fundamental; told once for each frequency."""
    tones = [(t, t.tone_hz / fundamental_hz) for t in takes if t.kind in TONE_KINDS and t.tone_hz]
    odd = grouped(
        (t.tone_hz, t)
        for t, ratio in tones
        if abs(ratio - round(ratio)) > MULTIPLE_MARGIN or round(ratio) < 1
    )
    return [
        _take_note("sheets.odd_tone", own[0], "tone_hz", tone_hz=hz, fundamental_hz=fundamental_hz)
        for hz, own in odd.items()
    ]


def _calibrators(takes: Sequence[Take], settings: Settings) -> list[str]:
    calibrated = {t.batch: t for t in takes if t.kind == "calibrator"}
    if settings.channels.calibrator_db is None:
        return [
            _take_note("sheets.calibrator_unused", t, "kind", batch=batch)
            for batch, t in calibrated.items()
        ]
    return [
        codes.note("sheets.no_calibrator", file=TAKES, batch=batch)
        for batch in dict.fromkeys(t.batch for t in takes)
        if batch not in calibrated and settings.channels.response_kind == "microphone"
    ]


LIGHTEST, HEAVIEST = 80.0, 1450.0  # kg/m3
SLIPS = {  # what a density is to be multiplied by where this was written
    "mass_kg": 1e3,
    "length_cm": 0.1,
    "length_m": 1e-3,
    "width_cm": 0.1,
    "thickness_cm": 0.1,
    "sizes_cm": 1e-3,
    "sizes_inch": 25.4**-3,
}
ALIKE = str.maketrans(
    "АВЕКМНОРСТХУаеорсухіјѕΑΒΕΖΗΙΚΜΝΟΡΤΥΧοαν", "ABEKMHOPCTXYaeopcyxijsABEZHIKMNOPTYXoav"
)


def density_warnings(specimens: Sequence[Specimen], file: str) -> list[str]:
    """One note for all boards that have one slip in common."""
    odd = grouped(
        (tuple(n for n, f in SLIPS.items() if LIGHTEST <= density * f <= HEAVIEST), (s, density))
        for s in specimens
        if (density := s.density_kg_m3) < LIGHTEST or density > HEAVIEST
    )
    return [
        codes.note(
            "sheets.density",
            file=file,
            row=found[0][0].row,
            more=len(found) - 1,
            value=found[0][0].specimen,
            density=found[0][1],
            slips=list(slips),
        )
        for slips, found in odd.items()
    ]


def spellings(words: Iterable[str], file: str, noun: str) -> list[str]:
    """Names that look like one name written in several ways."""
    return [
        codes.note("sheets.spellings", file=file, noun=noun, names=known, letters=_letters(known))
        for known in grouped((_plain(word), word) for word in dict.fromkeys(words)).values()
        if len(known) > 1
    ]


def _plain(word: str) -> str:
    return "".join(unicodedata.normalize("NFKC", word).translate(ALIKE).casefold().split())


def _letters(names: Iterable[str]) -> list[str]:
    """Letters that look like others, with the names that Unicode gives them."""
    odd = {c for name in names for c in name if ord(c) in ALIKE}
    return [f"{c} ({unicodedata.name(c).lower()})" for c in sorted(odd)]

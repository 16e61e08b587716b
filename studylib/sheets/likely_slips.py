"""Slips of the hand in specimens.csv that no cell shows by itself: a size in another unit, one name
written in two ways.

A board's density follows from its sizes and its mass. No dry wood is lighter than about 80 kg/m3 or
heavier than about 1,450 (Wood Handbook, FPL-GTR-282, chapter 5: balsa 160, lignum vitae 1,140 to
1,230; from memory, with a margin). Where a board lies outside, the units that would bring it inside
are named. Nothing is corrected: the boards may be of something else than wood.

Two names count as one spelling where they differ only in capitals and blanks, or in letters of
another script that look the same: the Greek and Cyrillic ones among those that Unicode Technical
Standard 39 calls confusables.

Functions: `density_warnings`, `spellings`.
"""

import unicodedata
from collections.abc import Iterable, Sequence

from studylib.codes import note
from studylib.sheets import files, rows

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


def density_warnings(specimens: Sequence[rows.Specimen], file: str) -> list[str]:
    """One note for all boards that have one slip in common."""
    odd = files.grouped(
        (tuple(n for n, f in SLIPS.items() if LIGHTEST <= density * f <= HEAVIEST), (s, density))
        for s in specimens
        if (density := s.density_kg_m3) < LIGHTEST or density > HEAVIEST
    )
    return [
        note(
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
        note("sheets.spellings", file=file, noun=noun, names=known, letters=_letters(known))
        for known in files.grouped((_plain(word), word) for word in dict.fromkeys(words)).values()
        if len(known) > 1
    ]


def _plain(word: str) -> str:
    return "".join(unicodedata.normalize("NFKC", word).translate(ALIKE).casefold().split())


def _letters(names: Iterable[str]) -> list[str]:
    """Letters that look like others, with the names that Unicode gives them."""
    odd = {c for name in names for c in name if ord(c) in ALIKE}
    return [f"{c} ({unicodedata.name(c).lower()})" for c in sorted(odd)]

"""Names and values as a sentence quotes them.

Functions: `shown`, `listed`, `nearest`, `level_word`, `in_short`, `capital`, `runs`, `note_name`.
"""

import difflib
import math
from collections.abc import Iterable, Sequence
from itertools import groupby

FILTERS = ("shown", "listed", "level_word", "in_short", "capital", "note_name")

LONGEST_SHOWN = 60
"""A value longer than this many characters is cut when it is quoted in a sentence."""


def shown(value: object) -> str:
    """A value as a sentence quotes it: text in quotes, control characters spelled out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list | tuple):
        return "a list"
    text = "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(value)
    )
    text = text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "..."
    return f'"{text}"' if isinstance(value, str) else text


def listed(items: Iterable[object], *, last: str = "and") -> str:
    """Items as a person lists them: "a, b and c"."""
    words = [str(item) for item in items]
    return "".join(words) if len(words) < 2 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def nearest(name: str, known: Sequence[str]) -> str:
    """The known name most like `name`; "" when nothing is known."""
    folded = {item.casefold(): item for item in reversed(known)}
    near = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.0)
    return folded[near[0]] if near else ""


_LEVELS = {"source": "source (plank, tree or lot)", "specimen": "board"}
_NOTES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def note_name(frequency_hz: float) -> str:
    """The nearest note of equal temperament at A4 = 440 Hz (ISO 16), such as "F3"."""
    number = round(69 + 12 * math.log2(frequency_hz / 440.0))
    return f"{_NOTES[number % 12]}{number // 12 - 1}"


def level_word(name: str) -> str:
    """A level of the nesting as the reader knows it: a specimen is a board."""
    return _LEVELS.get(name, name)


def runs(numbers: Iterable[str]) -> str:
    """Numbers as a person lists them, three or more in a row by their ends: "2, 4 and 6 to 20"."""
    # In a run without gaps the number less its place is constant.
    placed = groupby(enumerate(sorted(map(float, numbers))), key=lambda pair: pair[1] - pair[0])
    each: list[str] = []
    for run in ([f"{number:g}" for _, number in pairs] for _, pairs in placed):
        each += run if len(run) < 3 else [f"{run[0]} to {run[-1]}"]
    return listed(each)


def in_short(meaning: str) -> str:
    """The meaning of a feature without what is added after a colon."""
    return meaning.partition(":")[0]


def capital(text: str) -> str:
    """Text as a sentence begins: its first letter large, the others as they are."""
    return text[:1].upper() + text[1:]

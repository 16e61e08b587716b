"""What the library says, read from its source, so that no sentence of it is left untried."""

import re
from pathlib import Path

LIBRARY = Path(__file__).parents[2] / "studylib"
# What stands in the head of a table is read in the tests of that table.
HEAD = re.compile(r"h_\w+|\w*heading(s)?")


def asked_for(*chapters: str) -> set[str]:
    """The codes of these chapters that the source spells out, those of the figures left out."""
    code = re.compile(rf'"((?:{"|".join(chapters)})\.([a-z0-9_]+))"')
    return {
        found[1]
        for path in LIBRARY.rglob("*.py")
        if path.parent != LIBRARY / "figures"
        for found in code.finditer(path.read_text(encoding="utf-8"))
        if not HEAD.fullmatch(found[2])
    }

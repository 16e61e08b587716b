"""Sheets of a small study, changed as people, programs and bad luck change them.

A draw is a list of changes to the texts of the three sheets. Reading must end in a study or in
sentences. `accepted` keeps what was read without a word, so that a person can look at a sample.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from hypothesis import strategies as st

from studylib.errors import StudyError
from studylib.sheets import read_study
from studylib.sheets.lock import decided
from studylib.sheets.study import read_unrecorded
from studylib.words import say

NAMES = ("study.toml", "specimens.csv", "takes.csv")
ODD = (
    "", " ", "nan", "inf", "-inf", "1e999", "-1e999", "1e-999", "0", "-0", "-5", "1.5", "1,5",
    "1.234,5", "0x10", "9" * 400, "9" * 5000, "=1+1", "@x", "'", '"', '"""', ";", ",", "\t", "#",
    "\\", "../x.wav", "/etc/passwd", "C:\\x.wav", "recordings/room.wav", "recordings", ".", "~",
    "yes", "no", "tone", "room", "sweep", "larch", "L1", "ref", "\u202e", "\u0000", "\ufeff", "é",
    "e\u0301", "Ä" * 300, "\U0001f332", "2025-02-30", "2025-03-14T09:30", "0000-00-00",
    "9999-12-31T23:59:59.999999+23:59", "a\nb", "true", "[]", "{}", "x" * 40_000,
)  # fmt: skip
VALUES = (
    "nan", "inf", "-inf", "1e999", "-1", "0", "1", "2.5", "1_000", "9" * 30, '""', '"x"', "true",
    "[]", "[1]", '["x"]', "[[]]", "{}", "{a = 1}", "2025-03-14", "07:32:00", "'", '"', "0x10",
    "1979-05-27T07:32:00Z", '"tone.h3.rel_db"', '["tone.h1.level_db"]', "[" * 300 + "]" * 300,
    "1" * 4301, '"' + "x" * 10_000 + '"', '"\\u0000"', "[-1, nan]", "[1e308, 1e308]",
)  # fmt: skip
KEYS = (
    "drive", "response", "rate_hz", "fundamental_hz", "harmonics", "skip_s", "length_s", "primary",
    "confidence", "smallest_n", "looks", "limits", "compare", "title", "separate_trees",
    "full_scale_db", "calibrator_db", "lowest_hz", "highest_hz", "seconds", "mounts", "boards",
    "drive_at_mm", "supports_mm", "unknown", "claim", "feature", "[study]", "[sweep]", "[x.y]",
)  # fmt: skip
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252")

place = st.integers(0, 10_000)
change = st.one_of(
    st.tuples(st.just("cell"), place, place, st.sampled_from(ODD)),
    st.tuples(st.just("value"), place, place, st.sampled_from(VALUES)),
    st.tuples(st.just("key"), place, st.sampled_from(KEYS), st.sampled_from(VALUES)),
    st.tuples(st.just("cut"), place, place, st.just("")),
    st.tuples(st.just("insert"), place, place, st.text(max_size=8)),
    st.tuples(st.just("line"), place, place, st.sampled_from(("drop", "double", "swap"))),
    st.tuples(st.just("separator"), place, place, st.sampled_from((";", "\t", "|"))),
)
sheets = st.tuples(
    st.lists(st.tuples(st.integers(0, 2), change), min_size=1, max_size=4),
    st.sampled_from(ENCODINGS),
)


def changed(text: str, how: tuple) -> str:
    """One text after one change; places beyond it count round."""
    kind, at, other, what = how
    lines = text.split("\n")
    row = at % len(lines)
    if kind == "cell":
        cells = lines[row].split(",")
        cells[other % len(cells)] = what
        lines[row] = ",".join(cells)
    elif kind == "value":
        name, equals, _ = lines[row].partition("=")
        lines[row] = f"{name}{equals} {what}"
    elif kind == "key":
        lines.insert(row, other if other.startswith("[") else f"{other} = {what}")
    elif kind == "line" and what == "drop":
        del lines[row]
    elif kind == "line" and what == "double":
        lines.insert(row, lines[row])
    elif kind == "line":
        second = other % len(lines)
        lines[row], lines[second] = lines[second], lines[row]
    elif kind == "separator":
        return text.replace(",", what)
    else:
        first = at % (len(text) + 1)
        rest = first if kind == "insert" else min(first + other % 40, len(text))
        return text[:first] + what + text[rest:]
    return "\n".join(lines)


def write(folder: Path, texts: dict[str, str], drawn: tuple) -> None:
    """The sheets after a draw, in a folder that has the recordings."""
    changes, encoding = drawn
    texts = dict(texts)
    for number, how in changes:
        texts[NAMES[number]] = changed(texts[NAMES[number]], how)
    touched = {NAMES[number] for number, _ in changes}
    for name, text in texts.items():
        code = encoding if name in touched else "utf-8"
        (folder / name).write_bytes(text.encode(code, errors="replace"))


def read(folder: Path) -> tuple | None:
    """Read a study in both ways, and what a lock would hold of it; what was accepted without a word
    (settings, boards, takes), None where something was said.

    A fault of the program comes out as it is.
    """
    try:
        study = read_study(folder)
    except StudyError as error:
        said(error)
        study = None
    try:
        waiting = read_unrecorded(folder)
        decided(waiting.settings, waiting.specimens, waiting.takes, waiting.blinding)
    except StudyError as error:
        said(error)
    short(map(say, study.warnings if study else ()))
    if study is None or study.warnings:
        return None
    takes = sorted((take.take, str(take.model_copy(update={"row": 0}))) for take in study.takes)
    boards = sorted(str(board.model_copy(update={"row": 0})) for board in study.specimens)
    return study.settings, boards, takes


def said(error: StudyError) -> None:
    """Every fault is a sentence."""
    assert error.faults
    short(error.faults)


def short(sentences: Iterable[str]) -> None:
    """Each is one, and can be read."""
    for sentence in sentences:
        assert sentence.strip()
        assert len(sentence) < 2000
        assert "Input should be" not in sentence

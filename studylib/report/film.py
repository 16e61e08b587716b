"""The film kit: five stills in order, a caption for each, and a paragraph for the description.

The stills are the question, the boards, the difference, the rival, and the answer with its limits.
A headline says what the verdicts say (`answer.answer_code`) and no more; what a frame has no room
for stands in its caption. The description holds the SHA-256 of the lock, or that there is none.

Functions: `write_film`.
"""

from dataclasses import replace
from functools import partial
from pathlib import Path

from studylib import elsewhere, figures, writing
from studylib.codes import code_of, each, fields_of, note
from studylib.figures.style import files_of
from studylib.report import answer, preregistration
from studylib.report.rivals.table import findings, rivals_sentences
from studylib.report.summary import Summary
from studylib.words import in_words


def write_film(summary: Summary, folder: Path) -> None:
    """Write `film/` into `folder`: 1_question to 5_answer (PNG, SVG), captions.txt and
    description.txt."""
    study, row = summary.study, answer.lead(summary)
    told = [each(one)[0] for one in answer.answer(summary)]  # without the page's own links
    asked, but, rivals = study.settings.study, answer.but(summary), findings(summary)
    means = summary.means(row.feature) if row and row.feature in summary.measured else None
    found = {"code": code_of(told[0]), **fields_of(told[0])}
    count, sha256 = len(study.with_role("")), study.lock.sha256 if study.lock else ""
    boards = note("film.boards", woods=summary.woods, boards=count)
    lock = note("film.lock", sha256=sha256, stands=preregistration.lock_stands(study))
    foot = note("film.foot", licence=asked.licence)
    frames = {  # headline, lines, caption, what is drawn
        "1_question": (asked.question, [boards, lock], [asked.question, boards, lock], None),
        "2_boards": (
            note("film.points", boards=count),
            ["film.takes"],
            [boards, "film.takes"],
            means and replace(means, means=means.means[:0]),
        ),
        "3_difference": (
            note("film.difference", **found),
            ["film.bands"],
            [*told, note("film.key", confidence=summary.confidence)],
            means,
        ),
        "4_rival": (
            note(
                "film.rival", code=found["code"], cautions=means.feature.cautions if means else ()
            ),
            [
                note(
                    "film.tested",
                    rivals=len(rivals),
                    left=[note(one.rival) for one in rivals if not one.tested],
                    part=sum(one.status == "rivals.partly" for one in rivals),
                )
            ],
            rivals_sentences(summary),
            None,
        ),
        "5_answer": (
            note("film.answer", **found),
            [but, "film.limits", "film.report"],
            [*told, but, answer.heard(summary), answer.next_step(summary)],
            None,
        ),
    }
    place = folder / "film"
    captions = (f"{name}.png\n{_said(caption)}" for name, (*_, caption, _) in frames.items())
    writing.write_whole(place / "captions.txt", "\n".join(captions))
    writing.write_whole(
        place / "description.txt",
        _said([f"{asked.title}: {asked.question}", *told, but, lock, foot]),
    )
    stills = (
        partial(
            figures.still_figure,
            in_words(headline), [in_words(line) for line in lines if line], in_words(foot),
            means=drawn,
        )
        for headline, lines, _, drawn in frames.values()
    )  # fmt: skip
    drawings = elsewhere.each(partial(files_of, still) for still in stills)
    for name, files in zip(frames, drawings, strict=True):
        for ending, content in files.items():
            (place / f"{name}{ending}").write_bytes(content)


def _said(items: list[str]) -> str:
    return " ".join(in_words(one) for one in items if one) + "\n"

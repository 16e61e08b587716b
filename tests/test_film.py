"""The film kit: what is written, how much stands on a frame, and that no headline goes beyond the
verdicts."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from itertools import cycle

import matplotlib.pyplot as plt
import pandas as pd
import pytest
from matplotlib.text import Text

from studylib import figures
from studylib.codes import each, note
from studylib.codes.comparison import Verdict
from studylib.report import answer, film
from studylib.report.answer import Answer
from studylib.report.film import write_film
from studylib.report.summary import summarise, write_summary
from studylib.sheets.lock import add_lock
from studylib.words import say
from tests.invented_tables import Invention

FRAMES = ["1_question", "2_boards", "3_difference", "4_rival", "5_answer"]
MOST_WORDS = 40
RIM = 0.03


@pytest.fixture
def drawn(monkeypatch):
    """Frames by name, kept open instead of saved."""
    kept, names = {}, cycle(FRAMES)

    def keeps(draw):
        kept[next(names)] = draw()
        return {}

    monkeypatch.setattr(film.elsewhere, "each", lambda calls: [call() for call in calls])
    monkeypatch.setattr(film, "files_of", keeps)
    yield kept
    plt.close("all")


def texts(figure) -> list[Text]:
    return [text for text in figure.findobj(Text) if text.get_visible() and text.get_text()]


def words_on(figure) -> int:
    return len(" ".join(text.get_text() for text in texts(figure)).split())


def changed(summary, **study):
    settings = summary.study.settings
    other = settings.model_copy(update={"study": settings.study.model_copy(update=study)})
    return replace(summary, study=replace(summary.study, settings=other))


def judged(summary, verdict: Verdict):
    effects = summary.comparison.effects.assign(verdict=verdict, caveats="")
    return replace(summary, comparison=replace(summary.comparison, effects=effects))


@pytest.fixture(scope="module")
def null():
    return summarise(*Invention(boards=2, mounts=2, takes=2).make())


def test_five_frames_of_1920_by_1080_stand_in_order(demo_summary, tmp_path):
    write_film(demo_summary, tmp_path)
    written = sorted(path.name for path in (tmp_path / "film").iterdir())
    frames = [f"{name}.{end}" for name in FRAMES for end in ("png", "svg")]
    assert written == [*frames, "captions.txt", "description.txt"]
    for name in FRAMES:
        assert plt.imread(tmp_path / "film" / f"{name}.png").shape[:2] == (1080, 1920)
    captions = (tmp_path / "film" / "captions.txt").read_text(encoding="utf-8")
    assert re.findall(r"^(\S+)\.png$", captions, re.MULTILINE) == FRAMES
    assert not re.search(r"None|undefined|[{}]| [,.;:]|\bfilm\.", captions)
    # The caption of the answer is the page's own, whole.
    for one in [*answer.answer(demo_summary), answer.but(demo_summary)]:
        assert say(each(one)[0]) in captions.split("5_answer.png")[1]
    assert "trail" not in captions
    assert not plt.get_fignums()


def test_the_description_gives_the_locks_hash_or_says_that_there_is_none(
    demo_summary, tmp_path, drawn
):
    write_film(demo_summary, tmp_path / "a")
    told = (tmp_path / "a/film/description.txt").read_text(encoding="utf-8")
    assert "No lock shows" in told
    assert not re.search(r"[0-9a-f]{64}", told)
    about = {"stage": 1, "recorded": 0, "when": datetime(2026, 3, 2, 9)}
    lock = add_lock(tmp_path, demo_summary.study.decided(1), **about)
    early = replace(demo_summary, study=replace(demo_summary.study, locks=(lock,)))
    late = replace(lock, content={**lock.content, "recorded": 9})
    late = replace(demo_summary, study=replace(demo_summary.study, locks=(late,)))
    for name, locked, stands in (("b", early, True), ("c", late, False)):
        write_film(locked, tmp_path / name)
        told = (tmp_path / name / "film/description.txt").read_text(encoding="utf-8")
        assert re.findall(r"[0-9a-f]{64}", told) == [lock.sha256]
        assert ("Locked before the first recording" in told) == stands
        shown = "".join(text.get_text() for text in texts(drawn["1_question"]))
        assert lock.sha256 in re.sub(r"\s", "", shown)


@pytest.mark.parametrize(
    ("verdict", "feature"),
    [*((each, "tone.h1.response_db") for each in Verdict), (Verdict.BEYOND, "tap.m1.decay_time_s")],
)
def test_a_frame_holds_at_most_forty_words_and_nothing_is_cut_off(
    demo_summary, tmp_path, drawn, verdict, feature
):
    long = changed(
        judged(demo_summary, verdict),
        question="Does " + "really and truly " * 30 + "it?",
        licence="as the author allows it",
    )
    effects = long.comparison.effects
    long = replace(
        long,
        comparison=replace(long.comparison, effects=effects[effects["feature"] == feature]),
    )
    for summary in (judged(demo_summary, verdict), long):
        write_film(summary, tmp_path)
        assert list(drawn) == FRAMES
        for name, figure in drawn.items():
            assert words_on(figure) <= MOST_WORDS, name
            figure.draw_without_rendering()
            for text in texts(figure):
                box = text.get_window_extent().transformed(figure.transFigure.inverted())
                inside = box.x0 >= RIM and box.y0 >= RIM and box.x1 <= 1 - RIM and box.y1 <= 1 - RIM
                assert inside, (name, text.get_text())
            heading, body = figure.texts[0], figure.texts[-1]
            if body.get_text():
                assert heading.get_window_extent().y0 > body.get_window_extent().y1, name


@pytest.mark.parametrize(
    ("woods", "name"), [(1, "wood"), (2, "wood of the long island"), (10, "w")]
)
def test_any_number_of_woods_fits(tmp_path, drawn, woods, name):
    names = tuple(f"{name} {number}" for number in range(woods))
    write_film(summarise(*Invention(woods=names, boards=2, mounts=2, takes=1).make()), tmp_path)
    assert max(map(words_on, drawn.values())) <= MOST_WORDS


def test_a_crowd_of_woods_goes_without_names(null):
    names = tuple(f"w{number}" for number in range(40))
    means = null.means("tone.h1.level_db")
    boards = pd.DataFrame({"specimen": names, "wood": names, "value": range(40)})
    crowd = replace(
        means, woods=names, boards=boards, mounts=means.mounts[:0], means=means.means[:0]
    )
    figure = figures.still_figure("Forty woods", [], "Own recordings.", means=crowd)
    assert words_on(figure) <= MOST_WORDS
    plt.close(figure)


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_headline_says_no_more_than_the_verdicts(demo_summary, tmp_path, drawn, verdict):
    write_film(judged(demo_summary, verdict), tmp_path)
    head = {name: " ".join(figure.texts[0].get_text().split()) for name, figure in drawn.items()}
    declared = verdict in (Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN)
    assert ("passes on more" in head["3_difference"]) == declared
    assert ("passes on more" in head["5_answer"]) == (declared and verdict != Verdict.WITHIN)
    assert ("by more than the limit" in head["5_answer"]) == (verdict == Verdict.BEYOND)
    assert ("Nothing that matters" in head["5_answer"]) == (verdict == Verdict.WITHIN)
    assert drawn["3_difference"].axes[0].get_ylabel()
    assert head["4_rival"].startswith("Not the driver") == declared


def test_a_number_that_carries_more_than_the_board_rules_nothing_out(null, tmp_path, drawn):
    # tone.h1.level_db rises with what the driver gives a board, and tone.h3.rel_db is the driver's.
    write_film(judged(null, Verdict.BEYOND), tmp_path)
    head = " ".join(drawn["4_rival"].texts[0].get_text().split())
    assert head.startswith("Not ruled out: how hard the driver shook each board")


@pytest.mark.parametrize("code", list(Answer))
def test_every_answer_has_a_headline(code):
    about = {} if code == Answer.NOTHING else {
        "name": "tone.h1.response_db", "higher": "larch", "lower": "robinia", "difference": 3.9,
        "low": 2.4, "high": 5.4, "unit": "dB", "n": [4, 4], "same": [],
    }  # fmt: skip
    for name in ("film.difference", "film.answer"):
        said = say(note(name, code=code, **about))
        assert 2 < len(said.split()) <= 24
        assert not re.search(r"[{}]|\s[,.;:)]|None", said), said


def test_nothing_compared_is_told_too(demo_summary, tmp_path, drawn):
    comparison = demo_summary.comparison
    write_film(
        replace(demo_summary, comparison=replace(comparison, effects=comparison.effects[:0])),
        tmp_path,
    )
    assert drawn["3_difference"].texts[0].get_text() == "There is no answer"
    assert not drawn["2_boards"].axes


def test_no_film_is_left_half(null, tmp_path, monkeypatch):
    (tmp_path / "figures").mkdir()
    (tmp_path / "figures" / "old.png").write_bytes(b"kept")
    monkeypatch.setattr(figures, "save_sizes", lambda *_: None)
    saved = []

    def breaks_off(draw):
        saved.append(draw)
        if len(saved) == 3:
            raise OSError("disk full")

    monkeypatch.setattr(film, "files_of", breaks_off)
    with pytest.raises(OSError, match="disk full"):
        write_summary(null, str(tmp_path), write_film)
    plt.close("all")
    assert len(saved) == 3
    assert [path.name for path in tmp_path.iterdir()] == ["figures"]
    assert [path.name for path in (tmp_path / "figures").iterdir()] == ["old.png"]

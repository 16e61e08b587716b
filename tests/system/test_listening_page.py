"""The page of a blind test in a real browser, by keyboard alone: a whole test, closed in the middle
and opened again, its result read back; on a desktop and on a telephone; and by the rules of WCAG 2.

Outside: chromium and its driver; axe-core 4 (its own defaults); hashlib's SHA-256 for the marks.
"""

from __future__ import annotations

import csv
import hashlib
import json
import re
import time
from pathlib import Path

import pytest

from studylib.bench.listening import write_test
from studylib.sheets import read_study
from tests.system.driver import DRIVER, ENTER, SPACE, Browser
from tests.system.test_every_page import RULES
from tests.system.test_first_screen import BROWSER
from tests.tapped_study import TOML, write_tapped

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BROWSER is None or DRIVER is None,
        reason="no browser or no driver: .ci/system installs both",
    ),
]
HEADER = "test,listener,place,trial,answer,replays,seconds,mark"
NAMES = ("First", "Second", "Third")
# What is really played: every source's seconds and its largest sample times its gain.
SPY = """
window.played = [];
const start = AudioBufferSourceNode.prototype.start;
const connect = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (to, ...rest) {
  this.to = to;
  return connect.call(this, to, ...rest);
};
AudioBufferSourceNode.prototype.start = function (...when) {
  const samples = this.buffer.getChannelData(0);
  window.played.push([this.buffer.duration, Math.max(...samples.map(Math.abs)) * this.to.gain.value,
    this.buffer.sampleRate]);
  return start.apply(this, when);
};
"""
SHOWN = "[...document.querySelectorAll('section')].find(one => !one.hidden).id"


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    """6 + 2 + 2 trials."""
    toml = TOML.replace("length_s = 0.7", "length_s = 0.4") + "answers = 6\nnulls = 0.34\n"
    folder = write_tapped(tmp_path_factory.mktemp("tapped") / "rails", mounts=3, toml=toml)
    made, _ = write_test(read_study(folder), progress=lambda *_: None)
    return made


def begin(browser: Browser, page: Path, listener: str) -> None:
    """From the first screen to the first triangle."""
    browser.open(page)
    browser.run(SPY)
    browser.tab_to("listener")
    if browser.run("return document.activeElement.value;") != listener:
        browser.press(*listener)
    browser.press(ENTER)
    browser.wait(f"{SHOWN} === 'level'")
    browser.tab_to("loudest")
    browser.press(ENTER)
    browser.wait("!document.getElementById('comfortable').disabled")
    browser.tab_to("comfortable")
    browser.press(SPACE)
    browser.wait(f"{SHOWN} === 'triangle'")


def heading(browser: Browser) -> str:
    return browser.run("return document.getElementById('heading').textContent;")


def hear(browser: Browser) -> None:
    browser.tab_to("play")
    browser.press(ENTER)
    browser.wait("!document.querySelector('.answers button').disabled")


def answer(browser: Browser, number: int) -> None:
    """Hear a triangle and choose; the keyboard is back on its button afterwards."""
    hear(browser)
    browser.tab_to(NAMES[number - 1])
    browser.press(ENTER)


def marks_hold(rows: list[list[str]], test: str) -> bool:
    before = test
    for *cells, mark in rows:
        before = hashlib.sha256(",".join([before, *cells]).encode()).hexdigest()[:16]
        if mark != before:
            return False
    return True


def test_a_whole_test_by_keyboard_closed_in_the_middle_and_read_back(page, tmp_path):
    key = (page.parent / "trials.csv").read_text(encoding="utf-8")
    trials = list(csv.DictReader(key.splitlines()))
    given = [1 + place % 3 for place in range(len(trials))]
    assert len(trials) == 10
    down, profile = tmp_path / "down", tmp_path / "profile"
    down.mkdir()
    with Browser(profile, down) as browser:
        begin(browser, page, "E-7")
        assert heading(browser) == "Practice 1 of 2"
        hear(browser)
        *_, one, two, three = browser.run("return window.played;")
        # One sound three times, one of them softer: feedback says which.
        softer = min(range(3), key=lambda i: (one, two, three)[i][1])
        assert min(one[1], two[1], three[1]) == pytest.approx(max(one[1], two[1], three[1]) / 2)
        browser.tab_to(NAMES[softer])
        browser.press(ENTER)
        assert "Right." in browser.shown()
        hear(browser)
        softer = min(range(3), key=lambda i: browser.run("return window.played;")[-3:][i][1])
        browser.tab_to(NAMES[(softer + 1) % 3])
        browser.press(ENTER)
        assert f"No. The softer one was this: {NAMES[softer]}." in browser.shown()
        for place in range(4):
            assert heading(browser) == f"Trial {place + 1} of 10"
            if place == 2:
                hear(browser)
                hear(browser)
            answer(browser, given[place])
        # What was played are sounds of the length asked for, at the recordings' rate.
        played = browser.run("return window.played;")
        assert len(played) == 1 + 2 * 3 + 6 * 3
        assert all(length == pytest.approx(0.4) for length, _, _ in played)
        assert all(peak > 0.1 and rate == 16_000 for _, peak, rate in played)
        assert browser.complaints() == []
    # Closed, and opened again: it goes on where it was left.
    with Browser(profile, down) as browser:
        browser.open(page)
        assert "E-7 has answered 4 of 10" in browser.shown()
        begin(browser, page, "E-7")
        for place in range(4, 10):
            assert heading(browser) == f"Trial {place + 1} of 10"
            answer(browser, given[place])
        assert browser.run(f"return {SHOWN};") == "end"
        browser.tab_to("save")
        browser.press(ENTER)
        test = page_name(page)
        saved = down / f"listening-{test}-E-7.csv"
        for _ in range(200):
            if saved.is_file():
                break
            time.sleep(0.05)
        assert browser.complaints() == []
        shown = browser.shown()
        assert browser.run("return document.getElementById('rows').value;") == saved.read_text()
        # The same listener again is led to the result, not through the test.
        browser.open(page)
        browser.tab_to("listener")
        browser.press(*"E-7", ENTER)
        assert browser.run(f"return {SHOWN};") == "end"
        assert "already answered everything" in browser.shown()
    header, *rows = csv.reader(saved.read_text(encoding="utf-8").splitlines())
    assert ",".join(header) == HEADER
    assert [row[0] for row in rows] == [test] * 10
    assert [row[1] for row in rows] == ["E-7"] * 10
    assert [row[2] for row in rows] == [str(place) for place in range(1, 11)]
    assert [row[3] for row in rows] == [trial["trial"] for trial in trials]
    assert [row[4] for row in rows] == [str(number) for number in given]
    assert [row[5] for row in rows] == ["0", "0", "2"] + ["0"] * 7
    assert all(re.fullmatch(r"\d+", row[6]) for row in rows)
    assert marks_hold(rows, test)
    assert rows[-1][7] in shown
    rows[3][4] = "1" if rows[3][4] != "1" else "2"
    assert not marks_hold(rows, test)


def page_name(page: Path) -> str:
    found = re.search(r'id="test">(.*?)</script>', page.read_text(encoding="utf-8"))
    return json.loads(found[1])["name"]


def test_an_answer_needs_a_triangle_that_was_heard_and_a_code_that_is_none_of_a_name(
    page, tmp_path
):
    with Browser(tmp_path / "profile", tmp_path) as browser:
        browser.open(page)
        browser.tab_to("listener")
        browser.press(*"Ann Other", ENTER)
        assert browser.run(f"return {SHOWN};") == "begin"
        assert "without spaces" in browser.shown()
        assert browser.run("return document.activeElement.id;") == "listener"
        begin(browser, page, "E8")
        # Nothing can be chosen before it was heard, and nothing twice.
        assert (
            browser.run("return document.querySelectorAll('.answers button:enabled').length;") == 0
        )
        hear(browser)
        browser.tab_to("First")
        browser.press(ENTER, ENTER)
        assert heading(browser) == "Practice 2 of 2"


def test_without_a_place_to_keep_answers_the_page_says_so_and_goes_on(page, tmp_path):
    copy = tmp_path / "test.html"
    text = page.read_text(encoding="utf-8")
    # A page in a frame without an origin of its own has no storage.
    text = text.replace('"', "&quot;")
    copy.write_text(
        f'<!doctype html><title>t</title><iframe id="f" sandbox="allow-scripts allow-forms" '
        f'style="width:900px;height:700px" srcdoc="{text}"></iframe>',
        encoding="utf-8",
    )
    with Browser(tmp_path / "profile", tmp_path) as browser:
        browser.open(copy)
        browser.into_frame("f")
        assert "leave it open until you have saved" in browser.shown()


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844)])
def test_no_screen_of_it_is_wider_than_the_window(page, tmp_path, width, height):
    with Browser(tmp_path / "profile", tmp_path, width=width, height=height) as browser:
        browser.open(page)
        for section in ("begin", "level", "triangle", "end"):
            found = browser.run(
                "for (const one of document.querySelectorAll('section'))"
                "  one.hidden = one.id !== arguments[0];"
                "const right = [...document.querySelectorAll('main *')].map("
                "  (one) => one.getBoundingClientRect().right);"
                "return [innerWidth, document.documentElement.scrollWidth, Math.max(...right)];",
                section,
            )
            assert found[0] == width
            assert found[1] <= width
            assert found[2] <= width


@pytest.mark.skipif(RULES is None, reason="no axe-core: .ci/system installs it")
def test_no_screen_of_it_breaks_a_rule_of_accessibility(page, tmp_path):
    rules = (Path(RULES.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")
    with Browser(tmp_path / "profile", tmp_path) as browser:
        begin(browser, page, "E9")
        browser.run(rules + ";window.axe = axe;")
        for section in ("begin", "level", "triangle", "end"):
            found = browser.run(
                "for (const one of document.querySelectorAll('section'))"
                "  one.hidden = one.id !== arguments[0];"
                "return axe.run(document).then((found) => [found.violations, found.incomplete].map("
                "  (all) => all.map((rule) => [rule.id, rule.nodes.map((node) => node.html)])));",
                section,
            )
            assert found == [[], []], section

"""The players of the summary page: which boards, how loud, how large, and what is said when there
are none.

Outside references: the recordings as soundfile reads them, the level of the tone as the features
have it (of a pure tone, LU are dB), and ITU-R BS.1770 through `studylib.signal.loudness`, which has
tests of its own.
"""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
import soundfile

from studylib.codes import code_of, fields_of, note
from studylib.errors import InputError
from studylib.report import heard_aloud
from studylib.report.heard_aloud import in_turn, players
from studylib.signal.loudness import integrated_loudness
from studylib.words import say


def sound(text: str) -> tuple[np.ndarray, int]:
    return soundfile.read(io.BytesIO(base64.b64decode(text)))


def of_kind(found: dict[str, str], code: str, kind: str) -> tuple[dict, np.ndarray, int]:
    ((label, text),) = [
        (label, text)
        for label, text in found.items()
        if code_of(label) == code and fields_of(label)["kind"] == kind
    ]
    return fields_of(label), *sound(text)


def quarters(x: np.ndarray, rate: int) -> list[np.ndarray]:
    """A B A B without their pauses."""
    each = len(x) // 4
    return [x[i * each : (i + 1) * each - round(heard_aloud.PAUSE_S * rate)] for i in range(4)]


def with_takes(summary, change):
    """The same with every take as `change` gives it; None leaves it out."""
    takes = tuple(take for take in map(change, summary.study.takes) if take is not None)
    return replace(summary, study=replace(summary.study, takes=takes))


@pytest.fixture(scope="module")
def heard(demo_summary):
    told, found = players(demo_summary)
    (chosen,) = told
    return fields_of(chosen), found


def test_the_boards_are_the_nearest_to_their_woods_mean(demo_summary, heard):
    means = demo_summary.means("tone.h1.response_db")
    boards = means.boards.assign(
        off=means.boards["value"] - means.boards["wood"].map(means.means.set_index("wood")["mean"])
    )
    nearest = boards.loc[boards["off"].abs().groupby(boards["wood"]).idxmin()]
    nearest = nearest.set_index("wood")["specimen"]
    for one in heard[0]["heard"]:
        take = next(t for t in demo_summary.study.takes if t.take == one["take"])
        assert take.specimen == nearest[one["wood"]]
        assert (take.mount, take.repeat) == (1, 1)
    assert [one["wood"] for one in heard[0]["heard"]] == ["larch", "robinia"] * 2


def test_a_tone_is_what_was_measured_of_the_recording(demo_summary, heard):
    label, x, rate = of_kind(heard[1], "aloud.recorded", "tone")
    raw = [
        soundfile.read(demo_summary.study.folder / f"recordings/day1/{name}-m1-tone172-r1.flac")
        for name in label["boards"]
    ]
    # skip_s and length_s of study.toml; between the fades sample by sample, up to one gain.
    start, frames = round(0.1 * rate), round(0.8 * rate)
    own = np.concatenate([y[start : start + frames, 0][300:-300] for y, _ in raw])
    a, b, *_ = quarters(x, rate)
    shown = np.concatenate([a[300:-300], b[300:-300]])
    gain = shown @ own / (own @ own)
    assert {rate} == {hz for _, hz in raw}
    assert shown == pytest.approx(gain * own, abs=2**-15)


def test_a_tone_that_settles_late_is_heard_from_there(demo_summary, heard):
    """Where study.toml sets no `skip_s`, the check `window` says from when a tone was measured."""
    gathered = demo_summary.gathered
    row = gathered.quality.iloc[[0]].assign(take="L2-m1-tone172-r1", check="window", value=0.15)
    later = replace(gathered, quality=pd.concat([gathered.quality, row], ignore_index=True))
    _, found = players(replace(demo_summary, gathered=later))
    (_, before, rate), (_, after, _) = (
        of_kind(each, "aloud.recorded", "tone") for each in (heard[1], found)
    )
    a, b = quarters(before, rate)[0], quarters(after, rate)[0]
    moved, n = round(0.05 * rate), 12_000
    assert b[300:n] == pytest.approx(a[300 + moved : n + moved], rel=0.02, abs=1e-3)
    assert np.abs(b[300:n] - a[300:n]).max() > 0.1


def test_as_recorded_the_tones_differ_as_their_levels_do(demo_summary, heard):
    rows = demo_summary.gathered.features.query("feature == 'tone.h1.level_db'")
    levels = rows.set_index("take")["value"]
    a, b = (levels[f"{name}-m1-tone172-r1"] for name in ("L2", "R2"))
    label, x, rate = of_kind(heard[1], "aloud.recorded", "tone")
    assert label["louder"] == "L2"
    assert label["down_db"] == pytest.approx(a - b, abs=0.1)
    one, two, *_ = (integrated_loudness(part, rate_hz=rate) for part in quarters(x, rate))
    assert one - two == pytest.approx(label["down_db"], abs=0.1)


@pytest.mark.parametrize("kind", ["tone", "tap"])
def test_both_turns_are_alike_and_at_equal_loudness_within_a_tenth(heard, kind):
    _label, x, rate = of_kind(heard[1], "aloud.equal", kind)
    a, b, again, last = quarters(x, rate)
    assert (a == again).all()
    assert (b == last).all()
    loudness = [integrated_loudness(part, rate_hz=rate) for part in (a, b)]
    assert loudness[0] == pytest.approx(loudness[1], abs=0.1)
    # The louder is turned down, so nobody who was careful with the first is surprised.
    _, recorded, _ = of_kind(heard[1], "aloud.recorded", kind)
    assert np.abs(x).max() <= np.abs(recorded).max() + 2**-15
    assert np.abs(recorded).max() == pytest.approx(0.25, abs=2**-15)
    assert {abs(x[0]), abs(a[-1])} == {0.0}  # faded


def test_the_recorders_gain_is_undone(demo_summary, heard):
    def louder(take):
        return take.model_copy(update={"gain_db": 6.0}) if take.specimen == "L2" else take

    _, found = players(with_takes(demo_summary, louder))
    before, after = (
        of_kind(each, "aloud.recorded", "tone")[0]["down_db"] for each in (heard[1], found)
    )
    assert before - after == pytest.approx(6.0, abs=0.01)


def test_a_tap_is_heard_from_just_before_its_strike(heard):
    """50 ms of quiet, then the knock; its loudest moment comes within 15 ms (a soft mallet)."""
    _, x, rate = of_kind(heard[1], "aloud.recorded", "tap")
    for part in quarters(x, rate)[:2]:
        before = np.abs(part[: round(0.05 * rate)]).max()
        assert before < 0.1 * np.abs(part).max()
        assert 0.05 <= np.abs(part).argmax() / rate <= 0.065


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 192_000])
def test_a_page_never_holds_more_than_three_megabytes_of_sound(rng, rate):
    frames = min(heard_aloud.MOST_FRAMES, round(heard_aloud.LONGEST_S * rate))
    a, b = rng.choice([-1.0, 1.0], (2, frames)) * rng.random((2, frames))  # nothing to pack
    found = in_turn("tone", ["A", "B"], a, b, rate_hz=rate)
    assert 2 * sum(map(len, found.values())) < 3_000_000


def test_a_sound_below_a_gating_block_can_be_heard(rng):
    a, b = rng.normal(0, [[0.1], [0.01]], (2, 2_000))
    found = in_turn("tap", ["A", "B"], a, b, rate_hz=24_000)
    label, _, _ = of_kind(found, "aloud.equal", "tap")
    assert (label["louder"], label["down_db"]) == ("A", pytest.approx(20.0, abs=0.5))


def test_what_cannot_be_heard_is_a_sentence(demo_summary, tmp_path):
    told, found = players(with_takes(demo_summary, lambda t: None if t.kind == "tap" else t))
    assert {fields_of(label)["kind"] for label in found} == {"tone"}
    assert told[1] == note("aloud.no_take", kind="tap", wood="larch")
    away = replace(demo_summary, study=replace(demo_summary.study, folder=tmp_path))
    told, found = players(away)
    assert not found
    assert {code_of(one) for one in told} == {"recordings.not_there"}
    comparison = demo_summary.comparison
    none = replace(demo_summary, comparison=replace(comparison, effects=comparison.effects[:0]))
    assert players(none) == (["aloud.no_pair"], {})
    shown = heard_aloud.hear(none)
    assert "<audio" not in shown._repr_html_()
    assert "volume" not in repr(shown)


@pytest.mark.parametrize("quiet", [0.0, 1e-9])
def test_silence_is_refused(rng, quiet):
    x = rng.normal(0, 0.1, 24_000)
    with pytest.raises(InputError) as caught:
        in_turn("tone", ["A", "B"], x, quiet * x, rate_hz=24_000)
    assert caught.value.codes == ("aloud.silent",)
    with pytest.raises(InputError):
        in_turn("tone", ["A", "B"], 0 * x, 0 * x, rate_hz=24_000)


def test_a_caution_stands_before_the_first_player_and_each_says_what_it_answers(demo_summary):
    class Order(HTMLParser):
        seen: list

        def handle_starttag(self, tag, attrs):
            self.seen += [(tag, dict(attrs))]

    order = Order()
    order.seen = []
    order.feed(heard_aloud.hear(demo_summary)._repr_html_())
    tags = [tag for tag, _ in order.seen]
    assert tags.index("blockquote") < tags.index("audio")
    sounds = [attrs for tag, attrs in order.seen if tag == "audio"]
    assert len(sounds) == 8
    assert all("controls" in a and "autoplay" not in a and "loop" not in a for a in sounds)
    labels = [a["aria-label"] for a in sounds]
    assert len(set(labels)) == 8
    assert sum("How much louder is it?" in label for label in labels) == 2
    assert sum("different at the same loudness?" in label for label in labels) == 2
    assert "headphones" in say("aloud.caution")


def test_a_boards_name_is_never_markup(demo_summary, monkeypatch):
    evil = note("aloud.alone", kind="tone", board='<b onclick="x">')
    monkeypatch.setattr(heard_aloud, "players", lambda _: ([evil], {evil: ""}))
    html = heard_aloud.hear(demo_summary)._repr_html_()
    assert "<b " not in html
    assert 'onclick="' not in html

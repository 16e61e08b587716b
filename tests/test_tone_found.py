"""The tone is analysed where it sounds: real files whose tone starts late, ends early, or breaks.

Each file's truth is what was put in: the tone's times and level. Unless a study sets skip_s, what
is analysed lies inside the tone; a take whose tone starts at once is measured as it always was.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import soundfile

import studylib as st
from studylib.codes import code_of, fields_of
from studylib.measure import measure_batch
from studylib.measure.take import SETTLE_S, TONE_ON, Expectation, measure_take
from studylib.recordings import probe
from studylib.sheets import read_study
from studylib.signal import tone_window
from studylib.signal.quality import CHECKS, take_verdict
from studylib.words import said

RATE, TONE_HZ, LENGTH_S = 24_000, 172.0, 0.8
BLOCK_S = 4 / TONE_HZ
WANTED = Expectation(
    rate_hz=RATE,
    channels={"response": 0, "drive": 1},
    tone_hz=TONE_HZ,
    tone_on=TONE_ON["tone"],
    harmonics=8,
    skip_s=None,
    length_s=LENGTH_S,
)


def sound(rng, seconds, *spans, hz=TONE_HZ, noise=(1e-5, 1e-5), response=1.0, drive=1.0):
    """(frames, 2): a distorted tone within each span (start, end, level in dB) on both channels."""
    t = np.arange(round(seconds * RATE)) / RATE
    level = np.zeros(t.size)
    for start, end, level_db in spans:
        level[(t >= start) & (t < end)] = 10 ** (level_db / 20)
    phi = 2 * np.pi * hz * t + 0.7
    wave = level * (np.sin(phi) + 0.02 * np.sin(2 * phi) + 0.01 * np.sin(3 * phi))
    x = wave[:, None] * [0.05 * response, 0.1 * drive]
    return x + rng.standard_normal(x.shape) * noise


@pytest.fixture
def measured(tmp_path):
    """Measure samples (frames, 2) as a take; keywords change what is wanted of it."""

    def measure(x, **wanted):
        path = tmp_path / "take.wav"
        soundfile.write(path, x, RATE, subtype="PCM_24")
        return measure_take(path, probe(path), dataclasses.replace(WANTED, **wanted), CHECKS)

    return measure


def start_of(found):
    """Where what was analysed starts, in seconds, as its row says."""
    (row,) = [row for row in found.checks if row.check == "window"]
    assert (row.channel, row.unit, row.verdict) == ("", "s", "pass")
    return row.value


def failed(found):
    return {row.check for row in found.checks if row.verdict == "fail"}


def level_db(found, name="response"):
    return 20 * np.log10(abs(found.fit.amplitude[found.names.index(name), 0]))


LEVEL_DB = 20 * np.log10(0.05)

# Seconds of the take, its spans of tone, and the span that what is analysed must lie in.
TRUTH = {
    "recorder started 1 s early": (5, [(1, 5, 0)], (1, 5)),
    "recorder stopped 1 s late": (5, [(0, 4, 0)], (0, 4)),
    "from before the start to the end": (5, [(0, 5, 0)], (0, 5)),
    "just long enough, early": (3, [(1, 2, 0)], (1, 2)),
    "two tones, the first too short": (5, [(0, 0.5, 0), (2, 5, 0)], (2, 5)),
    "a gap where it would be analysed": (6, [(0, 0.6, 0), (0.9, 6, 0)], (0.9, 6)),
    "a gap later on": (6, [(0, 2.5, 0), (3, 6, 0)], (0, 2.5)),
    "a soft tone of the same pitch before": (6, [(0, 2, -40), (2, 6, 0)], (2, 6)),
    "late by a hair": (5, [(0.12, 5, 0)], (0.12, 5)),
}


@pytest.mark.parametrize("name", TRUTH)
def test_what_is_analysed_lies_inside_the_tone(name, measured, rng):
    seconds, spans, (start, end) = TRUTH[name]
    found = measured(sound(rng, seconds, *spans))
    assert failed(found) == set()
    begins = start_of(found)
    # A moment to settle, less what a block leaves open.
    assert begins >= start + SETTLE_S - 0.5 * BLOCK_S
    assert begins + LENGTH_S <= end
    assert found.fit.seconds == pytest.approx(LENGTH_S, rel=0.01)
    assert level_db(found) == pytest.approx(LEVEL_DB, abs=0.01)
    assert level_db(found, "drive") == pytest.approx(20 * np.log10(0.1), abs=0.01)


def test_before_a_tone_that_starts_at_once_there_is_no_noise_to_be_looked_at(measured, rng):
    """A twentieth of a second late and in doubt for its hum, it is looked for."""
    hum = 0.01 * np.sin(2 * np.pi * 150 * np.arange(5 * RATE) / RATE)[:, None]
    found = measured(sound(rng, 5, (0.03, 5, 0)) + hum)
    assert failed(found) == {"beating"}
    assert start_of(found) < 2 * SETTLE_S


def test_a_drop_of_6_db_in_the_middle_is_not_analysed_across(measured, rng):
    for spans, level in (
        ([(1, 3, 0), (3, 6, -6)], LEVEL_DB - 6),  # the longer part
        ([(0, 0.5, 0), (0.5, 3, -6)], LEVEL_DB - 6),
    ):
        found = measured(sound(rng, spans[-1][1], *spans))
        assert failed(found) == set()
        assert level_db(found) == pytest.approx(level, abs=0.01)


def test_a_tone_that_fades_in_is_analysed_where_it_holds(measured, rng):
    x = sound(rng, 6, (0, 6, 0))
    fade = np.clip((np.arange(len(x)) / RATE - 1) / 2, 0, 1)[:, None]
    found = measured(fade * x)
    assert failed(found) == set()
    assert start_of(found) > 2.7
    assert level_db(found) == pytest.approx(LEVEL_DB, abs=0.2)


@pytest.mark.parametrize("seconds", [0.9, 0.95, 5.0])
@pytest.mark.parametrize("noise", [1e-5, 3e-3])
def test_a_tone_that_starts_at_once_is_measured_as_with_skip_s_of_a_tenth(
    seconds, noise, measured, rng
):
    x = sound(rng, seconds, (0, seconds, 0), noise=noise)
    ours, as_ever = measured(x), measured(x, skip_s=0.1)
    assert start_of(ours) == 0.1
    assert [row for row in ours.checks if row.check != "window"] == as_ever.checks
    for name in ("frequency_hz", "amplitude", "u_amplitude", "noise_density", "envelope"):
        assert np.array_equal(getattr(ours.fit, name), getattr(as_ever.fit, name))
    assert np.array_equal(ours.density, as_ever.density)


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda t: 1 + 0.3 * np.sin(2 * np.pi * 4 * t),  # a fan
        lambda t: 1 + 0.9 * np.sin(2 * np.pi * 4 * t),  # a second source, nearly as loud
        lambda t: 10 ** (-8 * t / 5 / 20),  # an automatic gain
        lambda t: 1 - 0.9 * ((t > 0.4) & (t < 0.42)),  # a bad contact for a moment
    ],
)
def test_a_tone_that_starts_at_once_and_does_not_hold_fails_as_it_always_did(spoilt, measured, rng):
    t = np.arange(5 * RATE)[:, None] / RATE
    x = spoilt(t) * sound(rng, 5, (0, 5, 0))
    ours, as_ever = measured(x), measured(x, skip_s=0.1)
    assert take_verdict(ours.checks) == take_verdict(as_ever.checks)
    assert start_of(ours) == 0.1
    assert take_verdict(ours.checks)[0] != "pass"


def test_skip_s_that_is_set_holds_from_the_start_of_the_file(measured, rng):
    x = sound(rng, 5, (1, 5, 0))
    found = measured(x, skip_s=0.1)
    assert {"tone_absent"} <= failed(found)
    assert "window" not in {row.check for row in found.checks}
    assert level_db(measured(x, skip_s=2.0)) == pytest.approx(LEVEL_DB, abs=0.01)


SHORT = {
    "in the middle": (5, [(1.2, 1.6, 0)], (1.2, 1.6)),
    "at the start": (5, [(0, 0.5, 0)], (0, 0.5)),
    "at the end": (5, [(4.5, 5, 0)], (4.5, 5)),
    "a little too short": (5, [(1, 1.88, 0)], (1, 1.88)),
}


@pytest.mark.parametrize("name", SHORT)
def test_a_tone_too_short_is_told_with_its_times_and_never_sent_to_the_cables(name, measured, rng):
    seconds, spans, (start, end) = SHORT[name]
    found = measured(sound(rng, seconds, *spans))
    assert found.fit is None
    assert failed(found) == {"tone_short"}
    (row,) = [row for row in found.checks if row.verdict == "fail"]
    told = fields_of(row.source)
    assert (code_of(row.source), told["tone_hz"]) == ("measure.tone_lasts", TONE_HZ)
    assert told["from_s"] == pytest.approx(start, abs=BLOCK_S)
    # To within the block in which it ends, which is left out.
    assert end - 2 * BLOCK_S <= told["to_s"] <= end
    assert told["needed_s"] == pytest.approx(SETTLE_S + LENGTH_S)
    assert row.value == pytest.approx(told["needed_s"] - (told["to_s"] - told["from_s"]))
    words = said(take_verdict(found.checks)[1])
    assert f"lasts from {told['from_s']:.2f} to {told['to_s']:.2f} s; 0.90 s are needed" in words
    assert "cables" not in words


def test_a_tone_in_pieces_that_are_all_too_short_is_told_where_it_breaks(measured, rng):
    found = measured(sound(rng, 5, (1, 1.5, 0), (1.7, 2.2, 0), (2.4, 2.9, 0)))
    assert "dropout" in failed(found)
    assert "tone_absent" not in failed(found)
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)


def test_two_short_tones_far_apart_are_no_absent_tone(measured, rng):
    found = measured(sound(rng, 6, (1, 1.3, 0), (4, 4.3, 0)))
    assert failed(found)
    assert not failed(found) & {"tone_absent", "silence"}


def test_room_noise_alone_is_an_absent_tone(measured, rng):
    for _ in range(10):
        found = measured(sound(rng, 5, noise=1e-3))
        assert "tone_absent" in failed(found)
        assert "tone_short" not in failed(found)


def test_silence_is_an_absent_tone(measured):
    assert "tone_absent" in failed(measured(np.zeros((3 * RATE, 2))))


def test_a_tone_of_the_wrong_frequency_is_told_by_its_frequency(measured, rng):
    found = measured(sound(rng, 5, (1, 5, 0), hz=180.0))
    assert failed(found) == {"tone_ppm"}
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)
    assert found.fit.frequency_hz == pytest.approx(180.0, abs=0.01)


def test_a_tone_far_off_sends_to_the_generator_as_well_as_to_the_cables(measured, rng):
    found = measured(sound(rng, 5, (1, 5, 0), hz=440.0))
    assert "tone_absent" in failed(found)
    assert "frequency of the generator" in st.say("checks.tone_absent", form="advice")


def test_a_knock_at_the_start_of_a_recording_that_runs_early(measured, rng):
    x = sound(rng, 6, (1, 6, 0), response=0.3)
    knock = 0.9 * np.exp(-np.arange(RATE // 4) / RATE / 0.02) * rng.standard_normal(RATE // 4)
    x[RATE // 5 :][: knock.size, 0] += knock
    found = measured(x.clip(-1, 1))
    assert failed(found) == set()
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)


def test_hum_and_an_automatic_gain_around_a_late_tone(measured, rng):
    """A hostile bench: hum 26 dB below the tone, and a gain that falls by 1 dB a second."""
    x = sound(rng, 6, (1.5, 5, 0))
    t = np.arange(len(x))[:, None] / RATE
    x = 10 ** (-t / 20) * (
        x + 0.0025 * np.sin(2 * np.pi * 50 * t) + 0.0025 * np.sin(6.283 * 150 * t)
    )
    found = measured(x)
    assert not failed(found) - {"steady", "hum"}
    assert start_of(found) == pytest.approx(1.6, abs=2 * BLOCK_S)
    # 20 lg 0.05 less what the gain has fallen by amid what is analysed.
    middle = start_of(found) + LENGTH_S / 2
    assert level_db(found) == pytest.approx(LEVEL_DB - middle, abs=0.1)


def test_where_the_response_hides_the_tone_the_drive_shows_it(measured, rng):
    x = sound(rng, 6, (2, 6, 0), response=0.003, noise=(2e-3, 1e-5))
    found = measured(x)
    assert start_of(found) == pytest.approx(2.1, abs=BLOCK_S)
    assert level_db(found, "drive") == pytest.approx(20 * np.log10(0.1), abs=0.01)


def test_a_faint_tone_in_the_noise_throughout_stays_where_it_always_was(measured, rng):
    for _ in range(10):
        x = sound(rng, 4, (0, 4, 0), response=0.02, noise=(2e-3, 1e-5))
        ours, as_ever = measured(x, tone_on=("response",)), measured(x, skip_s=0.1)
        assert start_of(ours) == 0.1
        assert np.array_equal(ours.fit.amplitude, as_ever.fit.amplitude)


@pytest.mark.parametrize("kind", TONE_ON)
def test_every_kind_with_a_steady_tone_finds_it(kind, measured, rng):
    quiet = kind in ("airborne", "driver")
    x = sound(rng, 5, (1, 5, 0), response=1e-4 if quiet else 1.0)
    channels = {"response": 0, "drive": 1} if "drive" in TONE_ON[kind] else {"response": 0}
    found = measured(x, tone_on=TONE_ON[kind], channels=channels, may_be_silent=quiet)
    assert failed(found) == set()
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)


def test_without_a_drive_channel_an_airborne_take_is_not_read_in_the_silence_before(measured, rng):
    x = sound(rng, 5, (1, 5, 0), response=0.01)
    found = measured(x, tone_on=(), channels={"response": 0}, may_be_silent=True)
    assert level_db(found) == pytest.approx(LEVEL_DB - 40, abs=0.1)


@pytest.mark.parametrize("multiple", [2, 3, 20])
def test_a_probe_tone_is_found_at_its_own_frequency(multiple, measured, rng):
    hz = multiple * TONE_HZ
    found = measured(sound(rng, 5, (1, 5, 0), hz=hz), tone_hz=hz, harmonics=2)
    assert failed(found) == set()
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)


def test_a_long_take_is_analysed_in_pieces_inside_its_tone(measured, rng):
    found = measured(sound(rng, 26, (1, 25, 0)), length_s=22.0)
    assert failed(found) == set()
    assert found.fit.segments == 3
    assert start_of(found) == pytest.approx(1.1, abs=BLOCK_S)
    assert level_db(found) == pytest.approx(LEVEL_DB, abs=0.01)


def test_a_good_take_is_not_searched(measured, rng, monkeypatch):
    """What a take costs is measured by tests.benchmarks.take; here, that nothing is read twice."""
    monkeypatch.setattr(tone_window, "stretch_of", None)
    assert failed(measured(sound(rng, 5, (0, 5, 0)))) == set()


STUDY = """
[study]
title = "t"
question = "q"
[channels]
drive = 2
drive_kind = "acceleration"
[tone]
harmonics = 8
"""


@pytest.fixture
def study(tmp_path, rng):
    """A folder with one take of each steady kind, each with a tone from 1 s on."""

    def write(toml=STUDY):
        folder = tmp_path / "study"
        (folder / "recordings").mkdir(parents=True)
        (folder / "study.toml").write_text(toml, encoding="utf-8")
        (folder / "specimens.csv").write_text("specimen,wood\nL1,larch\n", encoding="utf-8")
        rows = ["take,batch,kind,specimen,mount,repeat,file,tone_hz,drive_db"]
        for kind, drive_db in [(kind, "") for kind in TONE_ON] + [("tone", "-18")]:
            name = f"{kind}{drive_db}"
            on = "L1,1" if kind in ("tone", "airborne") else ","
            rows.append(f"{name},day1,{kind},{on},{len(rows)},recordings/{name}.wav,172,{drive_db}")
            x = sound(rng, 4, (1, 4, float(drive_db or 0)))
            soundfile.write(folder / f"recordings/{name}.wav", x, RATE, subtype="PCM_24")
        (folder / "takes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        return measure_batch(read_study(folder), "day1")

    return write


def test_in_a_study_that_sets_nothing_every_take_says_where_it_was_analysed(study):
    found = study()
    rows = found.quality[found.quality["check"] == "window"]
    assert len(rows) == 5
    assert rows["value"].to_numpy() == pytest.approx(1.1, abs=BLOCK_S)
    takes = found.quality[found.quality["check"] == "take"].set_index("take")
    assert set(takes["verdict"]) <= {"pass", "warn"}
    (tone,) = found.bench.loc[found.bench["item"] == "tone", "value"]
    assert st.say(tone) == "172 Hz, 0.8 s from where the tone has settled"


def test_a_study_that_sets_skip_s_is_told_in_the_advice(study):
    found = study(STUDY + "skip_s = 0.1\n")
    assert "window" not in set(found.quality["check"])
    absent = found.quality[found.quality["check"] == "tone_absent"]
    assert "fail" in set(absent["verdict"])
    assert "study.toml sets skip_s" in st.say("checks.tone_absent", form="advice")
    (tone,) = found.bench.loc[found.bench["item"] == "tone", "value"]
    assert st.say(tone) == "172 Hz, 0.8 s after 0.1 s"


def test_the_front_door_finds_it_too(tmp_path, rng):
    path = tmp_path / "take.wav"
    soundfile.write(path, sound(rng, 4, (1, 4, 0)), RATE, subtype="PCM_24")
    found = st.measure_take(path, tone_hz=TONE_HZ, harmonics=3).set_index("feature")
    assert found.loc["tone.h1.level_db", "value"] == pytest.approx(LEVEL_DB, abs=0.01)
    assert found.loc["tone.h1.level_db", "usable"]

"""Playing while recording: on devices that lose samples, end, refuse or lie about it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from studylib.bench import recording_session
from studylib.bench.recording_session import open_sound, play_and_record
from studylib.codes import fields_of
from studylib.errors import InputError
from tests.fake_sound import BLOCK, DELAY, FakeSound

RATE = 8000
LINE = {"input": "inner", "output": "outer", "rate_hz": RATE, "channels": 2}


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(recording_session, "PATIENCE_S", 0.2)


def tone(seconds=1.0, peak=0.1):
    return peak * np.sin(2 * np.pi * 172 * np.arange(round(seconds * RATE)) / RATE)


def run(sound, samples=None, *, most=0.2, silenced=lambda: False, **options):
    """What was heard from the moment at which the signal was handed over, and before it."""
    blocks, ends = [], []

    def listen(block, begins):
        blocks.append(block)
        ends.append(begins + len(block))

    samples = tone() if samples is None else samples
    ended = play_and_record(
        sound, samples, **LINE, most=most, on_block=listen, silenced=silenced, tail_s=0.5, **options
    )
    return ended, *np.split(np.concatenate(blocks), [-ends[-1]])


def test_the_signal_comes_back_where_it_was_counted_and_whole():
    sound = FakeSound(noise=0.0)
    ended, before, heard = run(sound)
    assert ended
    assert heard.shape[1] == 2
    assert len(heard) >= 1.5 * RATE
    start = int(np.flatnonzero(np.abs(heard[:, 0]) > 1e-9)[0])
    # The first sample of a sine is nothing.
    assert start - 1 == DELAY
    found = heard[start - 1 : start - 1 + RATE, 1]
    assert np.max(np.abs(found - tone())) < 2.0**-31
    assert not before.any()


@pytest.mark.parametrize("lead_s", [0.0, 1.0, 1.7])
def test_at_least_a_second_of_silence_is_played_first(lead_s):
    sound = FakeSound()
    run(sound, lead_s=lead_s)
    played = np.concatenate(sound.played)
    first = int(np.flatnonzero(played)[0]) - 1
    assert first == round(max(lead_s, 1.0) * RATE)
    assert sound.log[:4] == ["input open", "output open", "input started", "output started"]


@pytest.mark.parametrize("peak", [0.2001, np.nan, np.inf])
def test_nothing_louder_than_allowed_is_ever_handed_to_a_device(peak):
    sound, samples = FakeSound(), tone()
    samples[100] = -peak
    with pytest.raises(InputError) as caught:
        run(sound, samples)
    assert caught.value.codes == ("record.too_loud",)
    assert sound.log == []


def test_whoever_silences_cuts_the_output_off():
    sound, blocks = FakeSound(), []
    ended, _, _ = run(sound, silenced=lambda: blocks.append(1) or len(blocks) > 5)
    assert not ended
    assert sound.log[-3:] == ["output aborted", "output closed", "input closed"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, InputError, OSError])
def test_whatever_ends_it_cuts_the_output_off(error):
    sound = FakeSound()

    def listen(block, begins):
        if begins > 0:
            raise error

    with pytest.raises(error):
        play_and_record(
            sound, tone(), **LINE, most=0.2, on_block=listen, silenced=lambda: False, tail_s=0.5
        )
    assert sound.log[-3:] == ["output aborted", "output closed", "input closed"]


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"short_at": 40}, "record.gap"),
        ({"flag_at": 50}, "record.gap"),
        ({"ends_at": 40}, "record.unplugged"),
        ({"refuses": -9985}, "record.device_held"),
        ({"refuses": -9985, "refused_by": "output"}, "record.device_held"),
        ({"refuses": -9997}, "record.rate_refused"),
        ({"refuses": -9998}, "record.channels_refused"),
        ({"refuses": -9999}, "record.device_fails"),
        ({"devices": (("outer", 0, 2),)}, "record.no_device"),
    ],
)
def test_a_device_that_fails_is_one_sentence_and_all_is_closed(options, code):
    sound = FakeSound(**options)
    with pytest.raises(InputError) as caught:
        run(sound)
    assert caught.value.codes == (code,)
    assert len(caught.value.faults) == 1
    for way in ("input", "output"):
        assert sound.log.count(f"{way} closed") == sound.log.count(f"{way} open")


def test_a_flag_before_the_signal_is_no_fault():
    assert run(FakeSound(flag_at=1))[0]


def test_an_output_that_died_is_not_taken_for_silence():
    sound = FakeSound()

    def listen(block, begins):
        sound.plays.active = begins < 0

    with pytest.raises(InputError) as caught:
        play_and_record(
            sound, tone(), **LINE, most=0.2, on_block=listen, silenced=lambda: False, tail_s=0.5
        )
    assert caught.value.codes == ("record.unplugged",)


@pytest.mark.parametrize(("own_hz", "told"), [(8000.0, False), (8100.0, False), (7350.0, True)])
def test_samples_that_come_at_another_rate_are_told_by_the_clock(monkeypatch, own_hz, told):
    """7350 to 8000 Hz is as 44.1 to 48 kHz; some blocks come late by a third of a second."""
    blocks = iter(range(10**6))

    def clock():
        number = next(blocks)
        return number * BLOCK / own_hz + (0.3 if number == 60 or number > 106 else 0.0)

    monkeypatch.setattr(recording_session, "time", SimpleNamespace(monotonic=clock))
    if not told:
        assert run(FakeSound(), tone(2.0))[0]
        return
    with pytest.raises(InputError) as caught:
        run(FakeSound(), tone(2.0))
    assert caught.value.codes == ("record.wrong_rate",)
    (fault,) = caught.value.notes
    assert fields_of(fault)["heard_hz"] == pytest.approx(own_hz, rel=0.03)


@pytest.mark.parametrize(
    ("error", "code"), [(ImportError, "record.no_extra"), (OSError, "record.no_portaudio")]
)
def test_what_is_not_installed_is_named(monkeypatch, error, code):
    def lacking(name):
        assert name == "sounddevice"
        raise error

    monkeypatch.setattr(recording_session, "importlib", SimpleNamespace(import_module=lacking))
    with pytest.raises(InputError) as caught:
        open_sound()
    assert caught.value.codes == (code,)

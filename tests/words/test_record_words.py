"""What `study record` asks and says: each code as a whole sentence with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.cli.recording import BACK, KEEP, REDO, SKIP, STOP
from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

LINE = {"input": "Inner 2", "output": "Outer 4", "rate_hz": 48000, "channels": 2}
CABLE = {
    "when": "2026-03-07 09:00", "latency_s": 0.3125, "gain_db": -0.004, "clocks_ppm": 0.0,
    "residual_db": -151.4, "noise_db": -140.2,
}  # fmt: skip
DO = {"signal": "tone172.wav", "taps": 3, "place": 0, "level": "", "seconds": 5.0}
HEADING = note(
    "bench.heading", specimen="L1", mount=2, kind="tone", support="bench", role="", turned=False,
    moved_mm=None, mic_times=None,
)  # fmt: skip
FIELDS = {
    "record.no_extra": {},
    "record.no_portaudio": {},
    "record.no_take": {"name": "L1-b", "nearest": "L1-a"},
    "record.not_chosen": {},
    "record.no_device": {**LINE, "why": "No input device matching 'Inner 2'"},
    "record.device_held": {**LINE, "why": "Device unavailable"},
    "record.rate_refused": {**LINE, "why": "Invalid sample rate"},
    "record.channels_refused": {**LINE, "why": "Invalid number of channels"},
    "record.device_fails": {**LINE, "why": "Unanticipated host error"},
    "record.unplugged": LINE,
    "record.gap": {},
    "record.wrong_rate": {"heard_hz": 44103.2, "rate_hz": 48000},
    "record.too_loud": {"peak": 1.0, "most": 0.0251},
    "record.clips": {"below_db": 20.0},
    "record.no_signal": {"name": "tone172.wav", "own_hz": 44100, "rate_hz": 48000},
    "record.no_loopback": {},
    "record.device": {
        "number": 3,
        "found": {"name": "Inner 2", "max_input_channels": 1, "max_output_channels": 0},
    },
    "record.line": LINE,
    "record.channels": {
        "response": 1, "response_kind": "microphone", "drive": 2, "drive_kind": "acceleration",
    },
    "record.unknown_latency": {},
    "record.loopback_known": CABLE,
    "record.converted": {"residual_db": -83.8, "rate_hz": 48000},
    "record.two_clocks": {"clocks_ppm": -12.3},
    "record.ask_loopback": {"batch": "day1"},
    "record.left_over": {"take": "L1-a"},
    "record.next": {
        "take": "L1-a", "done": 4, "total": 140, "heading": HEADING,
        "to_do": note("record.to_do", kind="tone", **DO), "caution": "Start low.",
    },
    "record.to_do": {"kind": "tone", **DO},
    "record.ask_begin": {"below_db": 20.0, "plays": True},
    "record.silenced": {},
    "record.meter": {"channels": [["###", -12.3, -80.0]]},
    "record.looked": {"take": "L1-a", "good": False, "reason": note("record.jump", samples=12.0)},
    "record.jump": {"samples": 12.0},
    "record.ask_keep": {"good": True},
    "record.given_up": {"take": "L1-a", "tries": 5},
    "record.done": {"waiting": 1},
}  # fmt: skip


@pytest.mark.parametrize("code", sorted(asked_for("record")))
def test_a_code_is_one_whole_sentence_with_what_it_was_given(code):
    fields = FIELDS[code]
    sentence = say(note(code, **fields))
    assert sentence == re.sub(r"\s+", " ", sentence).strip()
    assert not re.search(r"[{}]|\s[,;:)]|\s\.(?![\w\[])|None|undefined|record\.", sentence), (
        sentence
    )
    for name, value in fields.items():
        if isinstance(value, str) and name not in ("why", "to_do", "heading", "reason"):
            assert value in sentence, name
        elif (
            isinstance(value, int) and not isinstance(value, bool) and name not in ("taps", "place")
        ):
            assert str(value) in sentence or code.startswith("record.device_") or name in LINE, name


def test_nothing_is_left_untried():
    assert set(FIELDS) == asked_for("record")


@pytest.mark.parametrize(
    ("kind", "further", "told"),
    [
        ("room", {}, "Keep quiet for 5 s."),
        ("idle", {}, "Nothing is played; keep quiet for 5 s."),
        ("calibrator", {}, "Switch the calibrator on; 5 s are recorded."),
        (
            "tap",
            {"place": 2, "seconds": 120},
            "Microphone to place 2. Nothing is played: tap 3 times",
        ),
        ("pluck", {"seconds": 120}, "at the latest after 120 s."),
        ("sweep", {"signal": "sweep.wav"}, "sweep.wav is played and recorded."),
        ("tone", {"level": note("bench.level", below_db=6)}, "(6 dB below full) and recorded."),
    ],
)
def test_each_kind_of_take_says_what_is_to_be_done(kind, further, told):
    assert told in say("record.to_do", kind=kind, **(DO | further))


def test_every_question_names_the_keys_that_it_takes():
    questions = {
        say("record.ask_begin", below_db=20.0, plays=True): SKIP + BACK + STOP,
        say("record.ask_begin", below_db=0.0, plays=True): SKIP + BACK + STOP,
        say("record.ask_begin", below_db=0.0, plays=False): SKIP + BACK + STOP,
        say("record.ask_keep", good=True): KEEP + REDO + SKIP + BACK + STOP,
        say("record.ask_keep", good=False): KEEP + REDO + SKIP + BACK + STOP,
        say("record.ask_loopback", batch="day1"): SKIP + STOP,
    }
    words = {KEEP: "keep", REDO: "redo", SKIP: "skip", BACK: "back", STOP: "stop"}
    for question, letters in questions.items():
        assert question.count("Enter:") == 1
        for key, word in words.items():
            assert bool(re.search(rf"\b{key}: {word}\b", question)) == (key in letters), question


def test_where_it_may_be_loud_the_question_says_how_to_silence_it():
    loud = say("record.ask_begin", below_db=20.0, plays=True)
    assert "Headphones off" in loud
    assert "any key silences it at once" in loud
    assert "rattles or gets warm" in loud
    assert "any key silences" in say("record.ask_begin", below_db=0.0, plays=True)
    assert "no headphones" in say("record.ask_loopback", batch="day1")


def test_an_empty_schedule_and_a_study_without_drive_have_their_own_words():
    assert "`study plan`" in say("record.no_take", name="", nearest="")
    assert "driving point" not in say(
        "record.channels", response=2, response_kind="pickup", drive=None, drive_kind=None
    )
    assert say("record.done", waiting=0) == "Every take of the schedule is recorded."
    assert say("record.looked", take="L1-a", good=True, reason="") == "good L1-a"

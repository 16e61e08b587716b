"""Every code of the attribution and of the rivals has its sentence, with the fields it is sent."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.codes import rivals as rival_codes
from studylib.codes.attribution import (
    AttributionFault,
    AttributionSays,
    Cause,
    Control,
    Looks,
    OtherMounts,
    Reason,
    Route,
    Verdict,
)
from studylib.codes.attribution import Rival as OfTheBench
from studylib.codes.rivals import Rival, Says
from studylib.words import say

EXCESS = {"excess_db": 2.345, "low": 1.5, "high": 3.2}
OPEN_ENDED = {"excess_db": -12.3, "low": float("-inf"), "high": -10.1}
AT = {"at_hz": 344.0, "tone_hz": 172.0}
ASKED = [note(Control.PROBE, part="ask", **AT, every=True), note(Control.ROOM, part="ask")]
PLACE = {"specimen": "C3", "mount": 2}
HARMONIC = {**PLACE, "harmonic": 5}
SPREAD = {"feature": "tone.h1.response_db", "sd": 0.4, "low": 0.3, "high": 0.6, "unit": "dB"}
CHANGE = {"value": -1.2, "low": -2.3, "high": 0.1, "unit": "dB"}
PROBE = str(Route.PROBE)
SHARED = {"boards": 12, "common_low_db": 2.1}
RIVALS = [str(OfTheBench.MICROPHONE), str(OfTheBench.ROCKING)]

SENT = {
    Route.PROBE: {}, Route.SWEEP: {}, Route.OTHER_PROBE: {}, Route.OTHER_SWEEP: {},
    Reason.UNUSABLE: {},
    Reason.UNSETTLED: {},
    Reason.BELOW_NOISE: {"bin_hz": 1.25, "noise_db": -4.3, "unit": "dB SPL"},
    Reason.MAINS: {"distance_db": 2.0, "above": True},
    Reason.RECORDER: {"distance_db": 2.0, "above": False},
    Reason.AIR: {"distance_db": 2.0, "above": False},
    Reason.DRIVER: {**EXCESS, "route": PROBE, "air_tested": False},
    Reason.DRIVER_ON_BLOCK: {**EXCESS, "route": PROBE},
    Reason.BEYOND: {**EXCESS, "recorder_below_db": 51, "air_below_db": 30, "upper_db": 0.4},
    Reason.AIR_ELSEWHERE: AT,
    Reason.BENCH: {**EXCESS, **SHARED, "rivals": RIVALS, "missing": ASKED},
    Reason.SHARED: {**EXCESS, **SHARED, **AT, "witness": False},
    Reason.HIDDEN: {**EXCESS, "at_hz": 860.0, "mode_hz": 845.0, "missed": 9, "places": 20},
    Reason.MODES_UNKNOWN: EXCESS,
    Reason.ODD_BESIDE: EXCESS,
    Reason.APART: {"looks": str(Looks.LINE), "angle_deg": 71.0, "probes": False},
    **{looks: {} for looks in Looks},
    **{rival: {} for rival in OfTheBench},
    Reason.ONE_WOOD: {**EXCESS, **AT},
    Reason.FEW_BOARDS: {**EXCESS, "others": 1, "fewest": 4},
    Reason.NOT_ABOVE_OTHERS: {**EXCESS, **AT, "upper_db": 3.4, "others": 11},
    Reason.RIVALS_LEFT: {**EXCESS, "rivals": RIVALS, "missing": ASKED},
    Reason.NOT_SENSED: {},
    Reason.NOT_PROBED: AT,
    Reason.NO_DRIVER_TAKE: AT,
    Reason.NO_PROBE: AT,
    Reason.NO_BLOCK_PROBE: AT,
    Reason.NOT_REPEATED: {},
    Reason.PHASE: {**EXCESS, "phase_deg": -130.0},
    Reason.NOT_RULED_OUT: {**EXCESS, "missing": ASKED},
    Reason.ROOM_LEFT: {**EXCESS, "cause": note(Cause.AIR, **AT, route=PROBE)},
    Reason.LOAD: {"excess_db": -3.0, "load_low_db": -2.0, "load_high_db": 13.0},
    Reason.DRIVE_BELOW_NOISE: {"predicted_db": -20.0, "unit": "dB SPL"},
    Reason.TAKES_DISAGREE: OPEN_ENDED,
    Reason.WEAKER: {**OPEN_ENDED, "route": PROBE},
    Reason.NEAR_MARGIN: {**EXCESS, **AT, "margin_db": 1.5, "probes": True},
    Reason.WIDE: {**EXCESS, "cause": note(Cause.LOAD, **AT, route=PROBE)},
    **{cause: {**AT, "route": PROBE} for cause in Cause},
    OtherMounts.NONE: {},
    OtherMounts.ALL: {"mounts": 3},
    OtherMounts.THIS: {"mounts": 3, "without": 2},
    OtherMounts.SOME: {"mounts": 4, "beyond": 3, "without": 1},
    AttributionFault.NO_SPECIMEN: {"specimen": "C4", "nearest": "C3"},
    AttributionSays.NOTHING: {},
    AttributionSays.NO_USABLE_TONE: {"mounts": 1},
    AttributionSays.HEARD: {"mounts": 3, "specimens": 1, "harmonics": 20},
    AttributionSays.LOST_MOUNTS: {"mounts": 1},
    AttributionSays.COUNTED: {
        "verdict": "air", "harmonics": 1, "margin_db": 1.5, "near_db": 6.0,
    },
    AttributionSays.NO_SENSOR: {},
    AttributionSays.BASIS: {},
    AttributionSays.TAKE_SPREAD: {"sd_db": 0.123, "df": 88},
    AttributionSays.PLACE: PLACE,
    AttributionSays.PLACE_HARMONICS: {**PLACE, "harmonics": [2, 3]},
    AttributionSays.BEYOND_PLACES: {"places": [note(AttributionSays.PLACE, **PLACE)]},
    AttributionSays.NO_STEPS: {},
    AttributionSays.STEPPED_MOUNTS: {"mounts": 1},
    AttributionSays.STEP_COUNTS: {
        "readings": 21, "with_driver": 15, "not_with_driver": 1, "open": 5, "margin_db": 1.5,
    },
    AttributionSays.ODD_STEPS: {"places": [note(AttributionSays.PLACE, **PLACE)]},
    AttributionSays.STORY_BELOW_NOISE: {"specimen": "C3"},
    AttributionSays.VERDICT_COUNT: {"verdict": "driver", "count": 8},
    AttributionSays.STORY: {
        "specimen": "C3", "harmonics": 8, "mounts": 3,
        "counts": [note(AttributionSays.VERDICT_COUNT, verdict="driver", count=8)],
    },
    **{rival: {"looks": True} for rival in Rival},
    rival_codes.TestedBy.DRIVER: {
        "drive_kind": "force", "probes": 72, "sweeps": 1,
        "takes": note(rival_codes.TestedBy.TAKES, kind="driver", usable=1, set_aside=2),
    },
    rival_codes.TestedBy.TAKES: {"kind": "driver", "usable": 0, "set_aside": 0},
    rival_codes.TestedBy.ROOM: {
        "takes": note(rival_codes.TestedBy.TAKES, kind="room", usable=2, set_aside=0)
    },
    rival_codes.TestedBy.BUZZ: {"mounts": 6, "boards": 2, "stepped": 0},
    rival_codes.TestedBy.MOUNTING: {"least": 1, "most": 3, "boards": 4},
    rival_codes.TestedBy.LEVEL: {"drive_kind": "", "gains": 0, "drives": 3, "takes": 9},
    rival_codes.TestedBy.DRIFT: {"references": ["ref"], "mounts": 4, "batches": 2},
    rival_codes.TestedBy.SIZES: {"length_mm": 3, "thickness_mm": 4, "boards": 4},
    rival_codes.TestedBy.MOISTURE: {"filled": 3, "boards": 4},
    rival_codes.TestedBy.PLANKS: {"given": 3, "boards": 4},
    rival_codes.TestedBy.MIX_UP: {"mounts": 12, "features": ["tone.h1.level_db"]},
    Says.PARAGRAPH: {"notes": [note(Says.CONTACT), note(Says.SHARED)]},
    Says.NOT_TESTED: {"what": note(Says.RECORD, asked=ASKED)},
    Says.RECORD: {"asked": ASKED},
    Says.NO_TONE: {"tone_hz": 172.0},
    Says.LACKING: {"batches": ["day1", "day2"], "asked": ASKED},
    Says.DRIVER_COUNTS: {
        "harmonics": 20, "driver": 1, "beyond": 2, "open": 17, "margin_db": 1.5,
    },
    Says.OTHER_CAUSES: {"harmonics": 3},
    Says.LARGEST_BEYOND: {**EXCESS, **HARMONIC, "verdict": "beyond the driver"},
    Says.HIGHEST_EXCESS: {**EXCESS, **HARMONIC, "verdict": "driver"},
    Says.DISTORTION: {"percent": 1.118, "low": 0.9, "high": 1.3, "boards": 4},
    Says.LEAK: {
        "held": 3, "heard": 20, "bounded": True, "distance_db": 46.2, "shift_db": 0.042, **HARMONIC,
    },
    Says.LEAK_FOUND: {"distance_db": 6.21, **HARMONIC},
    Says.LEAK_EXPLAINS: {"harmonics": 1},
    Says.HARMONICS_NOT_TESTED: {"asked": ASKED},
    Says.TONE_NOT_TESTED: {"tone_hz": 172.0},
    Says.TONE_LEAK: {"distance_db": 46.0, "bounded": True, "shift_db": 0.043},
    Says.LOOPBACK_FOUND: {"distance_db": 99.0},
    Says.LOOPBACK_NOTHING: {"distance_db": 99.0},
    Says.NO_MAINS_LINE: {"harmonics": 20},
    Says.MAINS_LINES: {"lines": 2, "harmonics": 20, "distance_db": 3.0, "above": True, **HARMONIC},
    Says.NARROW_BAND: {
        "quiet": 1, "readings": 20, "bin_hz": 1.25, "least_db": 90.1, "median_db": 96.0,
    },
    Says.BROADBAND: {
        "low_hz": 31.5, "high_hz": 8000.0, "mean_db": 69.0, "least_db": 63.0, "most_db": 77.0,
        "seconds": 0.8, "gain_db": 40.1,
    },
    Says.BUZZ_PLACE: {
        **PLACE, "harmonics": [2, 3], **EXCESS, "elsewhere": note(Says.GONE, mounts=2),
    },
    Says.MORE_PLACES: {"mounts": 1},
    Says.NO_BUZZ: {"mounts": 9, "margin_db": 1.5},
    Says.BUZZ_OPEN: {"harmonics": 1},
    Says.STEPS: {
        "odd": 6, "judged": 21, "places": [note(AttributionSays.PLACE, **PLACE)], "stepped": 1,
        "mounts": 36,
    },
    Says.GONE: {"mounts": 2},
    Says.AGAIN: {"mounts": 1},
    Says.MIXED: {"mounts": 3, "again": 1, "driver": 1},
    Says.MOUNT_SPREAD: {
        **SPREAD,
        "widest": {"wood_a": "larch", "wood_b": "robinia", "difference": -3.9, "low": -5.3,
                   "high": -2.5},
    },
    Says.LEVEL_CANCELS: {"features": ["tone.h1.response_db"]},
    Says.LEVEL_STAYS: {"features": ["tone.h1.level_db", "tone.h3.level_db"]},
    Says.LEVEL_GAP: {"higher": "larch", "lower": "cherry", "difference_db": 1.2, "u_db": 0.2},
    Says.LEVEL_UNLESS: {"features": ["probe.k3.response_db"], "size_db": 2.5},
    Says.RECORD_REFERENCE: {"references": []},
    Says.FILL_IN: {"columns": ["source"], "measured": False},
    Says.WOOD_MEAN: {"column": "length_mm", "wood": "larch", "mean": 745.123, "sd": None},
    Says.MEANS: {
        "column": "moisture_pct",
        "woods": [note(Says.WOOD_MEAN, column="moisture_pct", wood="larch", mean=8.7, sd=0.5)],
    },
    Says.SIZE_GAP: {
        "length_mm": {"percent": 0.067, "u": None}, "thickness_mm": {"percent": 0.42, "u": 0.15},
    },
    Says.BENDING: {"a": "larch", "b": "cherry", "percent": -0.42, "u": 0.18},
    Says.SIZES_LACKING: {"columns": ["length_mm"]},
    Says.MOISTURE_GAP: {"a": "larch", "b": "robinia", "size": 0.38, "u": 0.39},
    Says.MOISTURE_LACKING: {"boards": 1},
    Says.CLIMATE: {"temperature": None, "humidity": [43.5, 52.1], "instead": True},
    Says.WOOD_SOURCES: {"wood": "larch", "sources": 2, "least": 1, "most": 3},
    Says.SOURCES: {
        "woods": [note(Says.WOOD_SOURCES, wood="larch", sources=1, least=2, most=2)],
    },
    Says.SOME_ASSUMED: {"boards": 1},
    Says.ONE_SOURCE: {"woods": ["larch"]},
    Says.SOURCE_SPREAD: {**SPREAD, "level": "source"},
    Says.FARTHEST: {"mounts": 12, **PLACE, "times": 1.61, "chance": 3.6},
    Says.NEARER: {"near": 1, "mounts": 12, "other_wood": 0},
    Says.SUSPECT: {**PLACE, "other": "L1"},
    Says.CHECK: {"suspects": [note(Says.SUSPECT, **PLACE, other="L1")]},
    Says.TESTED: {"tested": 3, "rivals": 12},
    Says.OPEN_RIVALS: {"rivals": [note(Rival.AIR)]},
}  # fmt: skip

CODES = [
    *(Route, Reason, Cause, OtherMounts, AttributionFault, AttributionSays, Control),
    *(Rival, rival_codes.TestedBy, Says),
]
MEMBERS = [member for kind in CODES for member in kind]
# A space before a stop, two in a row, a number that is none, a hyphen for a minus.
ODD = re.compile(r"\bnan\b|\binf\b|\bNone\b(?! of| found)|(?<![\w])-\d|  |\(\)| [.,;:)]|\( |\.\.")


@pytest.mark.parametrize("code", MEMBERS)
def test_every_code_becomes_a_clean_sentence(code):
    sentence = say(note(code, **SENT.get(code, {})))
    assert sentence
    assert not ODD.search(sentence), sentence


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_is_counted_in_words_of_its_own(verdict):
    if verdict != Verdict.NOISE:
        limits = {"margin_db": 1.5, "near_db": 6.0}
        said = say(note(AttributionSays.COUNTED, verdict=verdict, harmonics=41, **limits))
        assert "41" in said
        others = {
            say(note(AttributionSays.COUNTED, verdict=other, harmonics=41, **limits))
            for other in Verdict
            if other not in (verdict, Verdict.NOISE)
        }
        assert said not in others

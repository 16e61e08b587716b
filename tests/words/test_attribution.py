"""Every code of the attribution and of the rivals has its sentence, with the fields it is sent."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.codes.attribution import Cause, Control, Verdict
from studylib.codes.attribution import Rival as OfTheBench
from studylib.words import say
from tests.words import asked_for

EXCESS = {"excess_db": 2.345, "low": 1.5, "high": 3.2}
OPEN_ENDED = {"excess_db": -12.3, "low": float("-inf"), "high": -10.1}
AT = {"at_hz": 344.0, "tone_hz": 172.0}
ASKED = [note(Control.PROBE, part="ask", **AT, every=True), note(Control.ROOM, part="ask")]
PLACE = {"specimen": "C3", "mount": 2}
HARMONIC = {**PLACE, "harmonic": 5}
SPREAD = {"feature": "tone.h1.response_db", "sd": 0.4, "low": 0.3, "high": 0.6, "unit": "dB"}
CHANGE = {"value": -1.2, "low": -2.3, "high": 0.1, "unit": "dB"}
PROBE = "attribution.probe"
SHARED = {"boards": 12, "common_low_db": 2.1}
RIVALS = [str(OfTheBench.MICROPHONE), str(OfTheBench.ROCKING)]

RIVALS = [
    *("rivals.driver", "rivals.air", "rivals.recorder", "rivals.room", "rivals.buzz"),
    *("rivals.mounting", "rivals.drift", "rivals.dimensions", "rivals.moisture"),
    *("rivals.level", "rivals.planks", "rivals.mix_up"),
]
SENT = {
    **{f"attribution.{route}": {} for route in ("probe", "sweep", "other_probe", "other_sweep")},
    "attribution.unusable": {},
    "attribution.unsettled": {},
    "attribution.below_noise": {"bin_hz": 1.25, "noise_db": -4.3, "unit": "dB SPL"},
    "attribution.mains": {"distance_db": 2.0, "above": True},
    "attribution.recorder": {"distance_db": 2.0, "above": False},
    "attribution.recorder_or_player": {"distance_db": 2.0, "above": False},
    "attribution.air": {"distance_db": 2.0, "above": False},
    "attribution.driver": {**EXCESS, "route": PROBE, "air_tested": False},
    "attribution.driver_on_block": {**EXCESS, "route": PROBE},
    "attribution.beyond": {**EXCESS, "recorder_below_db": 51, "air_below_db": 30, "upper_db": 0.4},
    "attribution.air_elsewhere": AT,
    "attribution.air_or_leak": AT,
    "attribution.bench": {**EXCESS, **SHARED, "rivals": RIVALS, "missing": ASKED},
    "attribution.shared": {**EXCESS, **SHARED, **AT, "witness": False},
    "attribution.hidden": {**EXCESS, "at_hz": 860.0, "mode_hz": 845.0, "missed": 9, "places": 20},
    "attribution.modes_unknown": EXCESS,
    "attribution.odd_beside": {**EXCESS, "boards": 3},
    "attribution.apart": {"looks": "attribution.looks_line", "angle_deg": 71.0, "probes": False},
    **{f"attribution.looks_{how}": {} for how in ("inverted", "both_inverted", "line", "wanders")},
    **{rival: {} for rival in OfTheBench},
    "attribution.one_wood": {**EXCESS, **AT},
    "attribution.few_boards": {**EXCESS, "others": 1, "fewest": 4},
    "attribution.not_above_others": {**EXCESS, **AT, "upper_db": 3.4, "others": 11},
    "attribution.rivals_left": {**EXCESS, "rivals": RIVALS, "missing": ASKED},
    "attribution.not_sensed": {},
    "attribution.not_probed": AT,
    "attribution.no_driver_take": AT,
    "attribution.no_probe": AT,
    "attribution.no_block_probe": AT,
    "attribution.not_repeated": {},
    "attribution.phase": {**EXCESS, "phase_deg": -130.0},
    "attribution.not_ruled_out": {**EXCESS, "missing": ASKED},
    "attribution.room_left": {**EXCESS, "cause": note(Cause.AIR, **AT, route=PROBE)},
    "attribution.load": {"excess_db": -3.0, "load_low_db": -2.0, "load_high_db": 13.0},
    "attribution.drive_below_noise": {"predicted_db": -20.0, "unit": "dB SPL"},
    "attribution.takes_disagree": OPEN_ENDED,
    "attribution.weaker": {**OPEN_ENDED, "route": PROBE},
    "attribution.near_margin": {**EXCESS, **AT, "margin_db": 1.5, "probes": True},
    "attribution.wide": {**EXCESS, "cause": note(Cause.LOAD, **AT, route=PROBE)},
    **{cause: {**AT, "route": PROBE} for cause in Cause},
    "attribution.mounted_once": {},
    "attribution.in_all_mounts": {"mounts": 3},
    "attribution.in_this_mount": {"mounts": 3, "without": 2},
    "attribution.in_some_mounts": {"mounts": 4, "beyond": 3, "without": 1},
    "attribution.no_specimen": {"specimen": "C4", "nearest": "C3"},
    "attribution.nothing": {},
    "attribution.no_usable_tone": {"mounts": 1},
    "attribution.heard": {"mounts": 3, "specimens": 1, "harmonics": 20},
    "attribution.lost_mounts": {"mounts": 1},
    "attribution.counted_verdict": {
        "verdict": "air", "harmonics": 1, "margin_db": 1.5, "near_db": 6.0,
    },
    "attribution.no_sensor": {},
    "attribution.basis": {},
    "attribution.take_spread": {"sd_db": 0.123, "df": 88},
    "attribution.place": PLACE,
    "attribution.place_harmonics": {**PLACE, "harmonics": [2, 3]},
    "attribution.beyond_places": {"places": [note("attribution.place", **PLACE)]},
    "attribution.no_steps": {},
    "attribution.stepped_mounts": {"mounts": 1},
    "attribution.step_counts": {
        "readings": 21, "with_driver": 15, "not_with_driver": 1, "open": 5, "margin_db": 1.5,
    },
    "attribution.odd_steps": {"places": [note("attribution.place", **PLACE)]},
    "attribution.story_below_noise": {"specimen": "C3"},
    "attribution.verdict_count": {"verdict": "driver", "count": 8},
    "attribution.story": {
        "specimen": "C3", "harmonics": 8, "mounts": 3,
        "counts": [note("attribution.verdict_count", verdict="driver", count=8)],
    },
    **{rival: {"looks": True} for rival in RIVALS},
    "rivals.by_driver": {
        "drive_kind": "force", "probes": 72, "sweeps": 1,
        "takes": note("rivals.by_takes", kind="driver", usable=1, set_aside=2),
    },
    "rivals.by_takes": {"kind": "driver", "usable": 0, "set_aside": 0},
    "rivals.by_room": {
        "takes": note("rivals.by_takes", kind="room", usable=2, set_aside=0)
    },
    "rivals.by_buzz": {"mounts": 6, "boards": 2, "stepped": 0},
    "rivals.by_mounting": {"least": 1, "most": 3, "boards": 4},
    "rivals.by_level": {"drive_kind": "", "gains": 0, "drives": 3, "takes": 9},
    "rivals.by_drift": {"references": ["ref"], "mounts": 4, "batches": 2, "trend": True},
    "rivals.jump": {"what": note("rivals.record_reference", references=["ref"])},
    "rivals.by_sizes": {"length_mm": 3, "thickness_mm": 4, "boards": 4},
    "rivals.by_moisture": {"filled": 3, "boards": 4},
    "rivals.by_planks": {"given": 3, "boards": 4},
    "rivals.by_mix_up": {"mounts": 12, "features": ["tone.h1.level_db"]},
    "rivals.paragraph": {"notes": [note("rivals.contact"), note("rivals.shared")]},
    "rivals.not_tested": {"what": note("rivals.record", asked=ASKED)},
    "rivals.record": {"asked": ASKED},
    "rivals.no_tone": {"tone_hz": 172.0},
    "rivals.lacking": {"batches": ["day1", "day2"], "asked": ASKED},
    "rivals.driver_counts": {
        "harmonics": 20, "driver": 1, "beyond": 2, "open": 17, "margin_db": 1.5,
    },
    "rivals.other_causes": {"harmonics": 3},
    "rivals.largest_beyond": {**EXCESS, **HARMONIC, "verdict": "beyond the driver"},
    "rivals.highest_excess": {**EXCESS, **HARMONIC, "verdict": "driver"},
    "rivals.distortion": {"percent": 1.118, "low": 0.9, "high": 1.3, "boards": 4},
    "rivals.leak": {
        "held": 3, "heard": 20, "bounded": True, "distance_db": 46.2, "shift_db": 0.042, **HARMONIC,
    },
    "rivals.leak_found": {"distance_db": 6.21, **HARMONIC},
    "rivals.leak_explains": {"harmonics": 1},
    "rivals.harmonics_not_tested": {"asked": ASKED},
    "rivals.tone_not_tested": {"tone_hz": 172.0},
    "rivals.tone_leak": {"distance_db": 46.0, "bounded": True, "shift_db": 0.043},
    "rivals.loopback_found": {"distance_db": 99.0},
    "rivals.loopback_nothing": {"distance_db": 99.0},
    "rivals.no_mains_line": {"harmonics": 20},
    "rivals.mains_lines": {
        "lines": 2, "harmonics": 20, "distance_db": 3.0, "above": True, **HARMONIC,
    },
    "rivals.narrow_band": {
        "quiet": 1, "readings": 20, "bin_hz": 1.25, "least_db": 90.1, "median_db": 96.0,
    },
    "rivals.broadband": {
        "low_hz": 31.5, "high_hz": 8000.0, "mean_db": 69.0, "least_db": 63.0, "most_db": 77.0,
        "seconds": 0.8, "gain_db": 40.1,
    },
    "rivals.buzz_place": {
        **PLACE, "harmonics": [2, 3], **EXCESS, "elsewhere": note("rivals.gone", mounts=2),
    },
    "rivals.more_places": {"mounts": 1},
    "rivals.no_buzz": {"mounts": 9, "margin_db": 1.5},
    "rivals.buzz_open": {"harmonics": 1},
    "rivals.steps": {
        "odd": 6, "judged": 21, "places": [note("attribution.place", **PLACE)], "stepped": 1,
        "mounts": 36,
    },
    "rivals.gone": {"mounts": 2},
    "rivals.again": {"mounts": 1},
    "rivals.mixed": {"mounts": 3, "again": 1, "driver": 1},
    "rivals.mount_spread": {
        **SPREAD,
        "widest": {"wood_a": "larch", "wood_b": "robinia", "difference": -3.9, "low": -5.3,
                   "high": -2.5},
    },
    "rivals.level_cancels": {"features": ["tone.h1.response_db"]},
    "rivals.level_stays": {"features": ["tone.h1.level_db", "tone.h3.level_db"]},
    "rivals.level_gap": {"higher": "larch", "lower": "cherry", "difference_db": 1.2, "u_db": 0.2},
    "rivals.level_unless": {"features": ["probe.k3.response_db"], "size_db": 2.5},
    "rivals.record_reference": {"references": []},
    "rivals.fill_in": {"columns": ["source"], "measured": False},
    "rivals.wood_mean": {"column": "length_mm", "wood": "larch", "mean": 745.123, "sd": None},
    "rivals.means": {
        "column": "moisture_pct",
        "woods": [note("rivals.wood_mean", column="moisture_pct", wood="larch", mean=8.7, sd=0.5)],
    },
    "rivals.size_gap": {
        "length_mm": {"percent": 0.067, "u": None}, "thickness_mm": {"percent": 0.42, "u": 0.15},
    },
    "rivals.bending": {"a": "larch", "b": "cherry", "percent": -0.42, "u": 0.18},
    "rivals.sizes_lacking": {"columns": ["length_mm"]},
    "rivals.moisture_gap": {"a": "larch", "b": "robinia", "size": 0.38, "u": 0.39},
    "rivals.moisture_lacking": {"boards": 1},
    "rivals.climate": {"temperature": None, "humidity": [43.5, 52.1], "instead": True},
    "rivals.wood_sources": {"wood": "larch", "sources": 2, "least": 1, "most": 3},
    "rivals.sources": {
        "woods": [note("rivals.wood_sources", wood="larch", sources=1, least=2, most=2)],
    },
    "rivals.some_assumed": {"boards": 1},
    "rivals.one_source": {"woods": ["larch"]},
    "rivals.source_spread": {**SPREAD, "level": "source"},
    "rivals.farthest": {"mounts": 12, **PLACE, "times": 1.61, "chance": 3.6},
    "rivals.nearer": {"near": 1, "mounts": 12, "other_wood": 0},
    "rivals.suspect": {**PLACE, "other": "L1"},
    "rivals.check": {"suspects": [note("rivals.suspect", **PLACE, other="L1")]},
    "rivals.tested": {"tested": 3, "rivals": 12},
    "rivals.open_rivals": {"rivals": [note("rivals.air")]},
}  # fmt: skip

IN_TABLES = {"attribution.at_most", "attribution.no_batch", "attribution.not_tested"}
CODES = asked_for("attribution", "rivals", "controls") - IN_TABLES
# A space before a stop, two in a row, a number that is none, a hyphen for a minus.
ODD = re.compile(r"\bnan\b|\binf\b|\bNone\b(?! of| found)|(?<![\w])-\d|  |\(\)| [.,;:)]|\( |\.\.")


@pytest.mark.parametrize("code", sorted(CODES))
def test_every_code_becomes_a_clean_sentence(code):
    sentence = say(note(code, **SENT.get(code, {})))
    assert sentence
    assert not ODD.search(sentence), sentence


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_is_counted_in_words_of_its_own(verdict):
    if verdict != Verdict.NOISE:
        limits = {"margin_db": 1.5, "near_db": 6.0}
        said = say(note("attribution.counted_verdict", verdict=verdict, harmonics=41, **limits))
        assert "41" in said
        others = {
            say(note("attribution.counted_verdict", verdict=other, harmonics=41, **limits))
            for other in Verdict
            if other not in (verdict, Verdict.NOISE)
        }
        assert said not in others

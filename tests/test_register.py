"""The register: every feature name of the design is known, and nothing else is."""

from __future__ import annotations

import math

import pytest

from studylib import register, words
from studylib.errors import InputError

NAMES = {
    "tone.h1.level_db": "db",
    "tone.h3.rel_db": "db",
    "tone.h20.response_db": "db",
    "tone.h2.response_deg": "none",
    "tone.thd_percent": "log",
    "tone.band31.5.rel_db": "db",
    "tone.band4000.rel_db": "db",
    "tone.centroid_hz": "log",
    "tone.frequency_hz": "none",
    "probe.k3.response_db": "db",
    "probe.k3.level_db": "db",
    "probe.k3.response_deg": "none",
    "tap.m1.frequency_hz": "log",
    "tap.m1.loss_factor": "log",
    "tap.m1.decay_time_s": "log",
    "wood.density_kg_m3": "log",
    "wood.youngs_modulus_gpa": "log",
    "wood.sound_speed_m_s": "log",
    "wood.radiation_m4_kg_s": "log",
    "pluck.p1.level_db": "db",
    "pluck.p1.decay_time_s": "log",
    "pluck.fundamental_hz": "log",
    "pluck.inharmonicity": "log",
}


@pytest.mark.parametrize(("name", "scale"), NAMES.items())
def test_every_name_of_the_design_is_known(name, scale):
    feature = register.find(name)
    assert feature.name == name
    assert feature.scale == scale
    assert feature.kind == name.split(".")[0]
    assert words.feature(name)
    assert feature.unit


@pytest.mark.parametrize(
    ("wrong", "near"),
    [
        ("tone.h3.rel", "tone.h3.rel_db"),
        ("tone.h03.rel_db", "tone.h3.rel_db"),
        ("tone.band4k.rel_db", "tone.band4000.rel_db"),
        ("tap.m1.decay_time", "tap.m1.decay_time_s"),
        ("tone.thd", "tone.thd_percent"),
    ],
)
def test_a_wrong_name_gets_the_nearest_known_one(wrong, near):
    assert not register.is_known(wrong)
    with pytest.raises(InputError, match=near) as caught:
        register.find(wrong)
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize(
    "name",
    ["", "tone", "tone.h0.level_db", "tone.h1.rel_db", "tone.band100.rel_db", "tone.h3.rel_db ",
     "xtone.h3.rel_db", "probe.k1.level_db", "tone.h2.5.rel_db"],
)  # fmt: skip
def test_names_outside_a_family_are_unknown(name):
    assert not register.is_known(name)


def test_every_example_name_finds_itself_once():
    names = register.example_names()
    assert len(set(names)) == len(names)
    assert all(register.find(name).name == name for name in names)


def test_limits_fit_their_scale_and_every_feature_says_why():
    for feature in map(register.find, register.example_names()):
        assert feature.limit_source
        if feature.limit is None:
            assert words.say(feature.limit_source).startswith(("no default", "never compared"))
        else:
            assert feature.limit > (1 if feature.scale == "log" else 0)


def test_plucked_decay_limit_is_the_stricter_side_of_the_published_range():
    # Tolonen & Järveläinen: -25 % to +40 % of the time constant not heard (signs recalled).
    limit = register.find("pluck.p1.decay_time_s").limit
    assert math.isclose(limit, 1 / 0.75)
    assert limit < 1.40


def test_units_of_differences():
    assert register.find("tone.h3.rel_db").difference_unit == "dB"
    assert register.find("tap.m1.frequency_hz").difference_unit == "%"
    assert register.find("tap.m1.frequency_hz").is_frequency
    assert not register.find("tap.m1.decay_time_s").is_frequency

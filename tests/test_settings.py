"""study.toml: each key's limits, features and claims, and what TOML itself can get wrong."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.codes import code_of, fields_of
from studylib.sheets.files import NAME, PATH, TEXT, TITLE
from studylib.sheets.settings import Settings, mains_multiple
from studylib.sheets.settings_file import claim_faults, read_settings
from studylib.signal.tone import MIN_PERIODS, record_length
from studylib.words import say
from tests.notes import holds

HEAD = '[study]\ntitle = "t"\nquestion = "q"\n'


def read(tmp_path, text: str):
    path = tmp_path / "study.toml"
    path.write_bytes(text.encode())
    return read_settings(path)


def faults_of(tmp_path, text: str) -> tuple[str, ...]:
    return tuple(read(tmp_path, text)[1])


def test_every_section_is_read(tmp_path):
    text = """
        [study]
        title = "Rails"
        question = "Does the wood matter?"
        compare = "lot"
        [channels]
        response = 3
        response_kind = "accelerometer"
        drive = 1
        drive_kind = "force"
        rate_hz = 96000
        [tone]
        fundamental_hz = 172
        harmonics = 12
        [decide]
        primary = ["tone.h3.rel_db", "tap.m1.decay_time_s"]
        confidence = 0.9
        smallest_n = 3
        [decide.limits]
        "tone.h3.rel_db" = 1
        "tap.m1.decay_time_s" = 1.05
        [[claim]]
        text = "Robinia rings longer than larch"
        feature = "tap.m1.decay_time_s"
        higher = "robinia"
        lower = "larch"
        [quality]
        snr_db = 20
        [tap]
        lowest_hz = 60
        [sweep]
        lowest_hz = 60.0
        highest_hz = 8000
        length_s = 5
        [wood]
        u_mass_g = 0.5
        [pluck]
        anything = [1, 2]
    """
    settings, faults, warnings = read(tmp_path, text)
    assert (faults, warnings) == ([], [])
    assert settings.study.compare == "lot"
    assert (settings.channels.response, settings.channels.drive_kind) == (3, "force")
    assert settings.tone.fundamental_hz == 172.0
    assert settings.tone.skip_s is None
    assert settings.decide.primary == ("tone.h3.rel_db", "tap.m1.decay_time_s")
    assert settings.decide.limits == {"tone.h3.rel_db": 1.0, "tap.m1.decay_time_s": 1.05}
    assert settings.claims[0].higher == "robinia"
    assert settings.quality == {"snr_db": 20}
    assert settings.tap.lowest_hz == 60.0
    assert settings.tap.most_modes == 16
    assert settings.sweep.known
    assert settings.wood.u_mass_g == 0.5
    assert settings.pluck == {"anything": [1, 2]}


def test_settings_cannot_be_changed_afterwards(tmp_path):
    settings, *_ = read(tmp_path, HEAD)
    assert isinstance(settings, Settings)
    with pytest.raises(ValueError, match="frozen"):
        settings.tone.harmonics = 3


@pytest.mark.parametrize("text", ["\ufeff" + HEAD, HEAD.replace("\n", "\r\n")])
def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path, text):
    settings, faults, _ = read(tmp_path, text)
    assert faults == []
    assert settings.study.title == "t"


@pytest.mark.parametrize(
    ("text", "place", "code"),
    [
        ("", "[study] title", "cells.missing"),
        ('[study]\ntitle = ""\nquestion = "q"', "[study] title", "cells.unfit"),
        ('[study]\ntitle = 3\nquestion = "q"', "[study] title", "cells.unfit"),
        (HEAD + "[channels]\nresponse = 0", "[channels] response", "cells.unfit"),
        (HEAD + "[channels]\nresponse = true", "[channels] response", "cells.unfit"),
        (HEAD + '[channels]\nresponse = "1"', "[channels] response", "cells.unfit"),
        (HEAD + "[channels]\nresponse = 2025-01-01", "[channels] response", "cells.unfit"),
        (HEAD + "[channels]\nresponse = [2025-01-01]", "[channels] response", "cells.unfit"),
        (HEAD + '[channels]\nresponse_kind = "mic"', "[channels] response_kind", "cells.unfit"),
        (HEAD + "[channels]\ndrive = 2", "[channels]", "settings.no_drive_kind"),
        (HEAD + '[channels]\ndrive_kind = "force"', "[channels]", "settings.no_drive"),
        (
            HEAD + '[channels]\ndrive = 1\ndrive_kind = "force"',
            "[channels]",
            "settings.same_channel",
        ),
        (HEAD + "[channels]\nrate_hz = 48000.5", "[channels] rate_hz", "cells.unfit"),
        (HEAD + "[channels]\nrate_hz = -1", "[channels] rate_hz", "cells.unfit"),
        (
            HEAD + "[channels]\nfull_scale_db = 1.0\ncalibrator_db = 94.0",
            "[channels]",
            "settings.two_levels",
        ),
        (HEAD + "[channels]\nfull_scale_db = inf", "[channels] full_scale_db", "cells.unfit"),
        (HEAD + '[listen]\nkind = "pluck"', "[listen] kind", "cells.unfit"),
        (HEAD + '[listen]\nwoods = ["a", "b", "c"]', "[listen] woods", "cells.unfit"),
        (HEAD + "[listen]\nlength_s = 0.1", "[listen] length_s", "cells.unfit"),
        (HEAD + "[listen]\nmatched = 1", "[listen] matched", "cells.unfit"),
        (HEAD + "[listen]\nshare = 0", "[listen] share", "cells.unfit"),
        (HEAD + "[listen]\nshare = 1.0", "[listen] share", "cells.unfit"),
        (HEAD + "[listen]\nanswers = 3", "[listen] answers", "cells.unfit"),
        (HEAD + "[listen]\nnulls = -0.1", "[listen] nulls", "cells.unfit"),
        (HEAD + "[listen]\nseed = -1", "[listen] seed", "cells.unfit"),
        (HEAD + "[tone]\nfundamental_hz = 0", "[tone] fundamental_hz", "cells.unfit"),
        (HEAD + "[tone]\nfundamental_hz = nan", "[tone] fundamental_hz", "cells.unfit"),
        (HEAD + "[tone]\nharmonics = 0", "[tone] harmonics", "cells.unfit"),
        (HEAD + "[tone]\nharmonics = 2.5", "[tone] harmonics", "cells.unfit"),
        (HEAD + "[tone]\nskip_s = -0.1", "[tone] skip_s", "cells.unfit"),
        (HEAD + "[tone]\nlength_s = 0.0", "[tone] length_s", "cells.unfit"),
        (HEAD + "[decide]\nconfidence = 0.5", "[decide] confidence", "cells.unfit"),
        (HEAD + "[decide]\nconfidence = 1.0", "[decide] confidence", "cells.unfit"),
        (HEAD + "[decide]\nconfidence = 95", "[decide] confidence", "cells.unfit"),
        (HEAD + "[decide]\nsmallest_n = 1", "[decide] smallest_n", "cells.unfit"),
        (HEAD + "[decide]\nprimary = []", "[decide] primary", "cells.unfit"),
        (HEAD + '[decide]\nprimary = "tone.h1.level_db"', "[decide] primary", "cells.unfit"),
        (HEAD + "[decide]\nprimary = [3]", "[decide] primary, item 1", "cells.unfit"),
        (
            HEAD + '[decide]\nprimary = ["tone.h3.rel_dB"]',
            "[decide] primary, item 1",
            "settings.no_feature",
        ),
        (
            HEAD + '[decide]\nprimary = ["tone.h3.response_deg"]',
            "[decide] primary, item 1",
            "settings.not_compared",
        ),
        (
            HEAD + '[decide]\nprimary = ["tone.h1.level_db", "tone.h1.level_db"]',
            "[decide] primary, item 2",
            "cells.repeated",
        ),
        (
            HEAD + '[decide.limits]\n"tone.h3.rel_db" = 0',
            '[decide.limits] "tone.h3.rel_db"',
            "cells.unfit",
        ),
        (
            HEAD + '[decide.limits]\n"tone.centroid_hz" = 0.05',
            '[decide.limits] "tone.centroid_hz"',
            "cells.unfit",
        ),
        (
            HEAD + '[decide.limits]\n"tone.h3.rel_db" = "1"',
            '[decide.limits] "tone.h3.rel_db"',
            "cells.unfit",
        ),
        (HEAD + '[decide.limits]\n"tone.h3" = 1', "[decide.limits]", "settings.no_feature"),
        (HEAD + '[quality]\nsnr_db = "a"', "[quality] snr_db", "cells.unfit"),
        (HEAD + "[quality]\nsnr_db = true", "[quality] snr_db", "cells.unfit"),
        (HEAD + "[quality]\nsnr_db = nan", "[quality] snr_db", "cells.unfit"),
        (HEAD + "[quality]\nsnr_db = 2025-01-01", "[quality] snr_db", "cells.unfit"),
        (HEAD + "[tone]\nlength_s = 0.05", "[tone] length_s", "settings.few_periods"),
        (HEAD + "[plan]\nprobes = [2, 3, 2]", "[plan] probes", "cells.repeated"),
        ("tone = 5\n" + HEAD, "", "settings.not_a_section"),
        ("quality = 5\n" + HEAD, "", "settings.not_a_section"),
        ("claim = [3]\n" + HEAD, "", "settings.claim_brackets"),
        (HEAD + '[claim]\ntext = "x"', "", "settings.claim_brackets"),
    ],
)
def test_a_fault_is_one_sentence_with_its_place(tmp_path, text, place, code):
    fault = faults_of(tmp_path, text)[0]
    assert code_of(fault) == code
    assert place_of(fault) == place
    sentence = say(fault)
    assert sentence.startswith(f"study.toml{', ' if place else ''}{place}")
    assert "\n" not in sentence


def place_of(fault: str) -> str:
    """Section, key and item, as the sentence writes them."""
    found = fields_of(fault)
    item = f", item {found['item']}" if "item" in found else ""
    return f"{found.get('section', '')} {found.get('key', '')}".strip() + item


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("[channels]\nresponse = 0", 'right.channel {"ge":1}'),
        ("[decide]\nconfidence = 95", 'right.number {"gt":0.5,"lt":1}'),
        ("[tap]\nmost_modes = 0", 'right.whole {"ge":1,"le":40}'),
        ('[decide.limits]\n"tone.h3.rel_db" = 0', "right.limit_db"),
        ('[decide.limits]\n"tone.centroid_hz" = 0.05', "right.limit_ratio"),
        ('[quality]\nsnr_db = "a"', "right.number"),
        ("[decide]\nprimary = [3]", "right.features"),
    ],
)
def test_what_would_be_right_comes_with_the_bounds_of_the_field(tmp_path, text, right):
    fault = faults_of(tmp_path, HEAD + text)[0]
    assert fields_of(fault)["right"] == right


def test_an_unknown_feature_comes_with_the_nearest_and_a_short_take_with_what_is_needed(tmp_path):
    (fault,) = faults_of(tmp_path, HEAD + '[decide]\nprimary = ["tone.h3.rel_dB"]')
    assert holds(fault, "settings.no_feature", name="tone.h3.rel_dB", nearest="tone.h3.rel_db")
    (fault,) = faults_of(tmp_path, HEAD + "[tone]\nlength_s = 0.05")
    assert holds(fault, "settings.few_periods", length_s=0.05, fundamental_hz=172.0, least_s=0.059)
    assert fields_of(fault)["periods"] == pytest.approx(8.6)


@pytest.mark.parametrize(
    ("text", "code", "place"),
    [
        ("[study]\ntitle = Rails\n", "settings.not_toml", {"line": 2}),
        ("[study]\ntitle = 'a'\ntitle = 'b'\n", "settings.key_twice", {"line": 3}),
        ("[study]\ntitle = 'a'\n[study]\n", "settings.key_twice", {"line": 3}),
        ("[study]\ntitle = 'open", "settings.not_toml", {"at_end": True}),
        ("a = 1\na = 2", "settings.key_twice", {"at_end": True}),
        ("[tone]\nfundamental_hz = 172,5\n", "settings.not_toml", {"line": 2}),
        (f"[x]\ny = {'[' * 5000}{']' * 5000}\n", "settings.not_toml", {}),
        (f"[tone]\nharmonics = {'9' * 5000}\n", "settings.not_toml", {}),
    ],
)
def test_what_is_no_toml_names_its_line(tmp_path, text, code, place):
    (fault,) = faults_of(tmp_path, text)
    assert holds(fault, code, file="study.toml", **place)
    assert say(fault)


CLAIM = """
[[claim]]
text = "Robinia has more third harmonic"
feature = "{}"
higher = "{}"
lower = "larch"
"""


def test_the_least_length_that_is_asked_for_is_enough(tmp_path):
    settings, faults, _ = read(tmp_path, HEAD + "[tone]\nlength_s = 0.059")
    assert faults == []
    tone = settings.tone
    kept = record_length(round(tone.length_s * 8000)) / 8000  # the lowest rate loses the most
    assert kept * tone.fundamental_hz >= MIN_PERIODS


def test_a_claims_feature_is_primary(tmp_path):
    claim = CLAIM.format("tone.h3.rel_db", "robinia")
    (fault,) = faults_of(tmp_path, HEAD + claim)
    assert place_of(fault) == "[[claim]] 1 feature"
    assert holds(fault, "settings.claim_not_primary", name="tone.h3.rel_db")
    primary = '[decide]\nprimary = ["tone.h3.rel_db"]\n'
    assert faults_of(tmp_path, HEAD + primary + claim) == ()


def test_a_claim_is_not_blamed_for_a_primary_list_at_fault(tmp_path):
    text = HEAD + "[decide]\nprimary = 3\n" + CLAIM.format("tone.h3.rel_db", "robinia")
    (fault,) = faults_of(tmp_path, text)
    assert place_of(fault) == "[decide] primary"
    assert holds(fault, "cells.unfit", value=3)


def test_a_slip_in_one_key_does_not_hide_the_next(tmp_path):
    text = HEAD + (
        '[decide]\nconfidence = 3\nprimary = ["tone.h3.rel_db", "no.such"]\n'
        '[decide.limits]\n"tone.h3.rel_db" = -1\n'
    )
    assert [place_of(fault) for fault in faults_of(tmp_path, text)] == [
        "[decide] confidence",
        "[decide] primary, item 2",
        '[decide.limits] "tone.h3.rel_db"',
    ]


def test_a_drive_at_fault_is_not_called_missing(tmp_path):
    (fault,) = faults_of(tmp_path, HEAD + '[channels]\ndrive = 0\ndrive_kind = "force"\n')
    assert place_of(fault) == "[channels] drive"
    assert holds(fault, "cells.unfit", value=0)


def test_a_claim_at_fault(tmp_path):
    text = HEAD + '[[claim]]\ntext = "x"\nfeature = "tone.h1.level_db"\nhigher = "a"\n'
    (fault,) = faults_of(tmp_path, text)
    assert place_of(fault) == "[[claim]] 1 lower"
    assert holds(fault, "cells.missing", right="right.lower")
    for key in ("text", "feature", "higher", "lower"):
        empty = {"text": "x", "feature": "tone.h1.level_db", "higher": "a", "lower": "b", key: ""}
        lines = "".join(f'{name} = "{value}"\n' for name, value in empty.items())
        (fault,) = faults_of(tmp_path, HEAD + "[[claim]]\n" + lines)
        assert place_of(fault) == f"[[claim]] 1 {key}"
        assert holds(fault, "cells.unfit", value="")
    (fault,) = faults_of(tmp_path, HEAD + CLAIM.format("tone.h1.level_db", "larch"))
    assert holds(fault, "settings.claim_one_wood", section="[[claim]] 1", wood="larch")


def test_a_claim_about_a_wood_that_is_not_there(tmp_path):
    settings, *_ = read(tmp_path, HEAD + CLAIM.format("tone.h1.level_db", "Robinia"))
    (fault,) = claim_faults(settings, ("larch", "robinia"))
    assert place_of(fault) == "[[claim]] 1 higher"
    woods = {"nearest": "robinia", "woods": ["larch", "robinia"]}
    assert holds(fault, "settings.claim_unknown_wood", value="Robinia", **woods)
    (fault, _) = claim_faults(settings, ())
    assert say(fault).endswith("; give a wood of specimens.csv")
    assert claim_faults(settings, ("larch", "Robinia")) == []


def test_unknown_names_are_warnings_with_the_nearest_known_one(tmp_path):
    text = "woood = 1\n" + HEAD + "titel = 1\n[tones]\n[tone]\nharmonic = 3\n"
    _, faults, warnings = read(tmp_path, text)
    assert faults == []
    assert {code_of(w) for w in warnings} == {"settings.unknown_key"}
    assert [(fields_of(w)["name"], fields_of(w)["nearest"]) for w in warnings] == [
        ("woood", "wood"),
        ("tones", "tone"),
        ("titel", "title"),
        ("harmonic", "harmonics"),
    ]


def test_full_scale_of_something_else_than_a_microphone(tmp_path):
    text = HEAD + '[channels]\nresponse_kind = "pickup"\nfull_scale_db = 110\n'
    *_, (warning,) = read(tmp_path, text)
    assert place_of(warning) == "[channels] full_scale_db"
    assert holds(warning, "settings.level_unused", kind="pickup")


@pytest.mark.parametrize(
    ("section", "code", "fields"),
    [
        (
            "[sweep]\nlowest_hz = 60\n",
            "settings.sweep_incomplete",
            {"keys": ["highest_hz", "length_s"]},
        ),
        ("[sweep]\nlowest_hz = 60\nhighest_hz = 90\nlength_s = 5\n", "settings.sweep_narrow", {}),
        (
            "[sweep]\nlowest_hz = 20\nhighest_hz = 20000\nlength_s = 0.1\n",
            "settings.sweep_fast",
            {"length_s": 0.1, "least_s": pytest.approx(4 / 20 * np.log(1000))},
        ),
        (
            "[tap]\nlowest_hz = 500\nhighest_hz = 400\n",
            "settings.tap_range",
            {"lowest_hz": 500.0, "highest_hz": 400.0},
        ),
        (
            "[wood]\nshear_ratio = 1.0\n",
            "cells.unfit",
            {"value": 1.0, "right": 'right.ratio {"gt":2,"le":60}'},
        ),
    ],
)
def test_taps_sweeps_and_wood_that_cannot_be(tmp_path, section, code, fields):
    (fault,) = faults_of(tmp_path, HEAD + section)
    assert holds(fault, code, file="study.toml", **fields)
    assert fields_of(fault)["section"] == section.partition("\n")[0]


def test_mains_multiples():
    assert mains_multiple(150.0) == (50.0, 3)
    assert mains_multiple(179.2) == (60.0, 3)
    assert mains_multiple(300.0) == (50.0, 6)
    assert mains_multiple(172.0) is None
    assert mains_multiple(151.0) is None
    assert mains_multiple(0.5) is None


ONE_CLAIM = """[[claim]]
text = "t"
feature = "tone.h1.level_db"
higher = "larch"
lower = "lime"
"""


@pytest.mark.parametrize(
    ("text", "most", "section", "key"),
    [
        ('[study]\ntitle = "%s"\nquestion = "q"\n', TITLE, "[study]", "title"),
        ('[study]\ntitle = "t"\nquestion = "%s"\n', TEXT, "[study]", "question"),
        (HEAD + 'compare = "%s"\n', NAME, "[study]", "compare"),
        (HEAD + 'licence = "%s"\n', 24, "[study]", "licence"),
        (HEAD + '[plan]\npilot = "%s"\n', PATH, "[plan]", "pilot"),
        (HEAD + '[listen]\nwho = "%s"\n', 40, "[listen]", "who"),
        (HEAD + '[listen]\nclaim = "%s"\n', TEXT, "[listen]", "claim"),
        (HEAD + ONE_CLAIM.replace('"t"', '"%s"'), TEXT, "[[claim]] 1", "text"),
        (HEAD + ONE_CLAIM.replace("larch", "%s"), NAME, "[[claim]] 1", "higher"),
        (HEAD + ONE_CLAIM.replace("lime", "%s"), NAME, "[[claim]] 1", "lower"),
    ],
)
def test_every_text_has_its_longest(tmp_path, text, most, section, key):
    assert faults_of(tmp_path, text % ("x" * most)) == ()
    (fault,) = faults_of(tmp_path, text % ("x" * 10_000))
    about = {"file": "study.toml", "section": section, "key": key, "letters": 10_000, "most": most}
    assert holds(fault, "cells.too_long", **about)
    assert len(say(fault)) < 200


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('[decide]\nprimary = ["%s"]\n', {"key": "primary", "item": 1}),
        ('[decide.limits]\n"%s" = 1.0\n', {"section": "[decide.limits]"}),
        ('[quality]\n"%s" = 1.0\n', {"section": "[quality]"}),
        (ONE_CLAIM.replace("tone.h1.level_db", "%s"), {"key": "feature"}),
    ],
)
def test_a_name_of_ours_that_is_endless_is_not_quoted(tmp_path, text, place):
    (fault,) = faults_of(tmp_path, HEAD + text % ("x" * 10_000))
    code = "cells.too_long" if "quality" in text else "settings.no_feature"
    assert holds(fault, code, **place)
    assert len(say(fault)) < 250


@pytest.mark.parametrize(
    "name",
    ["boards", "mounts", "takes", "batches", "idle", "sweeps", "taps", "tap_places", "free_taps"],
)
def test_a_plan_has_an_end(tmp_path, name):
    (fault,) = faults_of(tmp_path, f"{HEAD}[plan]\n{name} = 1000000\n")
    assert holds(fault, "cells.unfit", section="[plan]", key=name, value=1_000_000)
    most = fields_of(fields_of(fault)["right"])["le"]
    assert faults_of(tmp_path, f"{HEAD}[plan]\n{name} = {most}\n") == ()


@pytest.mark.parametrize("odd", ["\\u0000", "\\u202e", "\\u001b[31m"])
@pytest.mark.parametrize("key", ["title", "question", "text"])
def test_a_text_that_cannot_be_printed_is_refused_and_lines_are_not(tmp_path, key, odd):
    whole = HEAD + ONE_CLAIM
    start = whole.index(f'{key} = "')
    given = whole[:start] + whole[start:].replace(' = "', ' = "one\\ntwo ', 1)
    assert faults_of(tmp_path, given) == ()
    (fault,) = faults_of(tmp_path, given.replace("two ", odd))
    assert holds(fault, "cells.unprintable", key=key)

"""study.toml: each key's limits, features and claims, and what TOML itself can get wrong."""

from __future__ import annotations

import pytest

from studylib.sheets.settings import Settings, mains_multiple
from studylib.sheets.settings_file import claim_faults, read_settings
from studylib.signal.tone import MIN_PERIODS, record_length

HEAD = '[study]\ntitle = "t"\nquestion = "q"\n'


def read(tmp_path, text: str):
    path = tmp_path / "study.toml"
    path.write_bytes(text.encode())
    return read_settings(path)


def faults_of(tmp_path, text: str) -> tuple[str, ...]:
    return read(tmp_path, text).faults


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
        to_12_percent = true
        [pluck]
        anything = [1, 2]
    """
    reading = read(tmp_path, text)
    assert reading.faults == ()
    assert reading.warnings == ()
    settings = reading.settings
    assert settings.study.compare == "lot"
    assert (settings.channels.response, settings.channels.drive_kind) == (3, "force")
    assert settings.tone.fundamental_hz == 172.0
    assert settings.tone.skip_s == 0.1
    assert settings.decide.primary == ("tone.h3.rel_db", "tap.m1.decay_time_s")
    assert settings.decide.limits == {"tone.h3.rel_db": 1.0, "tap.m1.decay_time_s": 1.05}
    assert settings.claims[0].higher == "robinia"
    assert settings.quality == {"snr_db": 20}
    assert settings.tap.lowest_hz == 60.0
    assert settings.tap.most_modes == 16
    assert settings.sweep.known
    assert (settings.wood.u_mass_g, settings.wood.to_12_percent) == (0.5, True)
    assert settings.pluck == {"anything": [1, 2]}


def test_settings_cannot_be_changed_afterwards(tmp_path):
    settings = read(tmp_path, HEAD).settings
    assert isinstance(settings, Settings)
    with pytest.raises(ValueError, match="frozen"):
        settings.tone.harmonics = 3


@pytest.mark.parametrize("text", ["\ufeff" + HEAD, HEAD.replace("\n", "\r\n")])
def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path, text):
    reading = read(tmp_path, text)
    assert reading.faults == ()
    assert reading.settings.study.title == "t"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "study.toml, [study] title: is missing; give the title"),
        ('[study]\ntitle = ""\nquestion = "q"', 'study.toml, [study] title: "" does not fit'),
        ('[study]\ntitle = 3\nquestion = "q"', "study.toml, [study] title: 3 does not fit"),
        (HEAD + "[channels]\nresponse = 0", "[channels] response: 0 does not fit; give a channel"),
        (HEAD + "[channels]\nresponse = true", "[channels] response: true does not fit"),
        (HEAD + '[channels]\nresponse = "1"', '[channels] response: "1" does not fit'),
        (HEAD + '[channels]\nresponse_kind = "mic"', 'response_kind: "mic" does not fit; give "mi'),
        (HEAD + "[channels]\ndrive = 2", "drive_kind is missing although there is a drive channel"),
        (HEAD + '[channels]\ndrive_kind = "force"', "drive is missing although drive_kind"),
        (
            HEAD + '[channels]\ndrive = 1\ndrive_kind = "force"',
            "response and drive are both channel 1",
        ),
        (HEAD + "[channels]\nrate_hz = 48000.5", "[channels] rate_hz: 48000.5 does not fit"),
        (HEAD + "[channels]\nrate_hz = -1", "[channels] rate_hz: -1 does not fit"),
        (
            HEAD + "[channels]\nfull_scale_db = 1.0\ncalibrator_db = 94.0",
            "full_scale_db and calibrator_db are both given",
        ),
        (HEAD + "[channels]\nfull_scale_db = inf", "[channels] full_scale_db: inf does not fit"),
        (HEAD + "[tone]\nfundamental_hz = 0", "[tone] fundamental_hz: 0 does not fit"),
        (HEAD + "[tone]\nfundamental_hz = nan", "[tone] fundamental_hz: nan does not fit"),
        (HEAD + "[tone]\nharmonics = 0", "[tone] harmonics: 0 does not fit; give a whole number"),
        (HEAD + "[tone]\nharmonics = 2.5", "[tone] harmonics: 2.5 does not fit"),
        (HEAD + "[tone]\nskip_s = -0.1", "[tone] skip_s: -0.1 does not fit"),
        (HEAD + "[tone]\nlength_s = 0.0", "[tone] length_s: 0.0 does not fit"),
        (HEAD + "[decide]\nconfidence = 0.5", "[decide] confidence: 0.5 does not fit"),
        (HEAD + "[decide]\nconfidence = 1.0", "[decide] confidence: 1.0 does not fit"),
        (HEAD + "[decide]\nconfidence = 95", "[decide] confidence: 95 does not fit"),
        (HEAD + "[decide]\nsmallest_n = 1", "[decide] smallest_n: 1 does not fit"),
        (HEAD + "[decide]\nprimary = []", "[decide] primary: a list does not fit"),
        (HEAD + '[decide]\nprimary = "tone.h1.level_db"', "[decide] primary: "),
        (HEAD + "[decide]\nprimary = [3]", "[decide] primary, item 1: 3 does not fit"),
        (
            HEAD + '[decide]\nprimary = ["tone.h3.rel_dB"]',
            'item 1: there is no feature called "tone.h3.rel_dB"; the nearest known name is "tone.',
        ),
        (
            HEAD + '[decide]\nprimary = ["tone.h3.response_deg"]',
            '"tone.h3.response_deg" is never compared',
        ),
        (
            HEAD + '[decide]\nprimary = ["tone.h1.level_db", "tone.h1.level_db"]',
            'item 2: "tone.h1.level_db" is there twice',
        ),
        (
            HEAD + '[decide.limits]\n"tone.h3.rel_db" = 0',
            '[decide.limits] "tone.h3.rel_db": 0.0 does not fit; give a number of dB above 0',
        ),
        (
            HEAD + '[decide.limits]\n"tone.centroid_hz" = 0.05',
            "give a ratio above 1, as in 1.05 for five percent",
        ),
        (HEAD + '[decide.limits]\n"tone.h3.rel_db" = "1"', '"tone.h3.rel_db": "1" does not fit'),
        (HEAD + '[decide.limits]\n"tone.h3" = 1', 'there is no feature called "tone.h3"'),
        (HEAD + '[quality]\nsnr_db = "a"', '[quality] snr_db: "a" does not fit; give a number'),
        (HEAD + "[quality]\nsnr_db = true", "[quality] snr_db: true does not fit; give a number"),
        (HEAD + "[quality]\nsnr_db = nan", "[quality] snr_db: nan does not fit; give a number"),
        (
            HEAD + "[tone]\nlength_s = 0.05",
            "length_s: 0.05 s hold only 8.6 periods of 172 Hz; give at least 0.059",
        ),
        ("tone = 5\n" + HEAD, "tone is a section; write [tone] on a line"),
        ("quality = 5\n" + HEAD, "quality is a section; write [quality] on a line"),
        ("claim = [3]\n" + HEAD, "a claim is written below a line [[claim]]"),
        (HEAD + '[claim]\ntext = "x"', "a claim is written below a line [[claim]]"),
    ],
)
def test_a_fault_is_one_sentence(tmp_path, text, said):
    faults = faults_of(tmp_path, text)
    assert faults[0].startswith("study.toml")
    assert any(said in fault for fault in faults), faults


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[study]\ntitle = Rails\n", "study.toml, line 2: this cannot be read"),
        ("[study]\ntitle = 'a'\ntitle = 'b'\n", "study.toml, line 3: a name is given twice"),
        ("[study]\ntitle = 'a'\n[study]\n", "study.toml, line 3: a name is given twice"),
        ("[study]\ntitle = 'open", "study.toml, at its end: this cannot be read"),
        ("[tone]\nfundamental_hz = 172,5\n", "study.toml, line 2: this cannot be read"),
    ],
)
def test_what_is_no_toml_names_its_line(tmp_path, text, said):
    (fault,) = faults_of(tmp_path, text)
    assert fault.startswith(said)


CLAIM = """
[[claim]]
text = "Robinia has more third harmonic"
feature = "{}"
higher = "{}"
lower = "larch"
"""


def test_the_least_length_that_is_asked_for_is_enough(tmp_path):
    reading = read(tmp_path, HEAD + "[tone]\nlength_s = 0.059")
    assert reading.faults == ()
    tone = reading.settings.tone
    kept = record_length(round(tone.length_s * 8000)) / 8000  # the lowest rate loses the most
    assert kept * tone.fundamental_hz >= MIN_PERIODS


def test_a_claims_feature_is_primary(tmp_path):
    claim = CLAIM.format("tone.h3.rel_db", "robinia")
    (fault,) = faults_of(tmp_path, HEAD + claim)
    assert fault == (
        "study.toml, [[claim]] 1 feature: a claim's feature is primary; "
        'add "tone.h3.rel_db" to primary under [decide]'
    )
    primary = '[decide]\nprimary = ["tone.h3.rel_db"]\n'
    assert faults_of(tmp_path, HEAD + primary + claim) == ()


def test_a_claim_is_not_blamed_for_a_primary_list_at_fault(tmp_path):
    text = HEAD + "[decide]\nprimary = 3\n" + CLAIM.format("tone.h3.rel_db", "robinia")
    (fault,) = faults_of(tmp_path, text)
    assert fault.startswith("study.toml, [decide] primary: 3 does not fit")


def test_a_slip_in_one_key_does_not_hide_the_next(tmp_path):
    text = HEAD + (
        '[decide]\nconfidence = 3\nprimary = ["tone.h3.rel_db", "no.such"]\n'
        '[decide.limits]\n"tone.h3.rel_db" = -1\n'
    )
    assert [fault.partition(":")[0] for fault in faults_of(tmp_path, text)] == [
        "study.toml, [decide] confidence",
        "study.toml, [decide] primary, item 2",
        'study.toml, [decide.limits] "tone.h3.rel_db"',
    ]


def test_a_drive_at_fault_is_not_called_missing(tmp_path):
    (fault,) = faults_of(tmp_path, HEAD + '[channels]\ndrive = 0\ndrive_kind = "force"\n')
    assert fault.startswith("study.toml, [channels] drive: 0 does not fit")


def test_a_claim_at_fault(tmp_path):
    text = HEAD + '[[claim]]\ntext = "x"\nfeature = "tone.h1.level_db"\nhigher = "a"\n'
    (fault,) = faults_of(tmp_path, text)
    assert fault.startswith("study.toml, [[claim]] 1 lower: is missing; give the wood")
    for key in ("text", "feature", "higher", "lower"):
        empty = {"text": "x", "feature": "tone.h1.level_db", "higher": "a", "lower": "b", key: ""}
        lines = "".join(f'{name} = "{value}"\n' for name, value in empty.items())
        (fault,) = faults_of(tmp_path, HEAD + "[[claim]]\n" + lines)
        assert fault.startswith(f'study.toml, [[claim]] 1 {key}: "" does not fit; give ')
    (fault,) = faults_of(tmp_path, HEAD + CLAIM.format("tone.h1.level_db", "larch"))
    assert "higher and lower are both" in fault


def test_a_claim_about_a_wood_that_is_not_there(tmp_path):
    settings = read(tmp_path, HEAD + CLAIM.format("tone.h1.level_db", "Robinia")).settings
    (fault,) = claim_faults(settings, ("larch", "robinia"))
    assert fault.startswith("study.toml, [[claim]] 1 higher: no specimen under comparison is of")
    assert 'the nearest is "robinia"' in fault
    assert claim_faults(settings, ("larch", "Robinia")) == []


def test_unknown_names_are_warnings_with_the_nearest_known_one(tmp_path):
    text = "colour = 1\n" + HEAD + "titel = 1\n[tones]\n[tone]\nharmonic = 3\n"
    reading = read(tmp_path, text)
    assert reading.faults == ()
    assert [(w.split('"')[1], w.split('"')[3]) for w in reading.warnings] == [
        ("colour", "wood"),
        ("tones", "tone"),
        ("titel", "title"),
        ("harmonic", "harmonics"),
    ]


def test_full_scale_of_something_else_than_a_microphone(tmp_path):
    text = HEAD + '[channels]\nresponse_kind = "pickup"\nfull_scale_db = 110\n'
    (warning,) = read(tmp_path, text).warnings
    assert warning.startswith("study.toml, [channels] full_scale_db: it is used only for a micro")


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ("[sweep]\nlowest_hz = 60\n", "highest_hz and length_s are missing"),
        ("[sweep]\nlowest_hz = 60\nhighest_hz = 90\nlength_s = 5\n", "at least an octave"),
        ("[sweep]\nlowest_hz = 20\nhighest_hz = 20000\nlength_s = 0.1\n", "too fast"),
        ("[tap]\nlowest_hz = 500\nhighest_hz = 400\n", "highest_hz must be above lowest_hz"),
        ("[wood]\nshear_ratio = 1.0\n", "a ratio from 2 to 60"),
        ("[tap]\nmost_modes = 0\n", "a whole number from 1 to 40"),
    ],
)
def test_taps_sweeps_and_wood_that_cannot_be(tmp_path, section, said):
    (fault,) = read(tmp_path, HEAD + section).faults
    assert fault.startswith("study.toml, [")
    assert said in fault


def test_mains_multiples():
    assert mains_multiple(150.0) == (50.0, 3)
    assert mains_multiple(179.2) == (60.0, 3)
    assert mains_multiple(300.0) == (50.0, 6)
    assert mains_multiple(172.0) is None
    assert mains_multiple(151.0) is None
    assert mains_multiple(0.5) is None

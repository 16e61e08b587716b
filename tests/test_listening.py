"""A blind test by ear: its excerpts, its trials, its page, and what keeps it from being made.

Outside references: pyloudnorm, another implementation of ITU-R BS.1770, for what is heard;
`sha256sum` of GNU coreutils for the marks. The taps are invented: where they begin, how loud they
are and which wood they are of is known.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from collections import Counter
from itertools import combinations_with_replacement
from pathlib import Path

import numpy as np
import pandas as pd
import pyloudnorm
import pytest
import soundfile
from click.testing import CliRunner
from scipy.signal import resample_poly

from studylib.bench.listening import ALIKE_LU, HIGHEST_DBTP, write_test
from studylib.bench.triangles import draw_trials
from studylib.cli import main
from studylib.codes import code_of, fields_of
from studylib.errors import InputError
from studylib.sheets import Take, listening, read_study
from studylib.words import say
from tests.small_study import Plan, write_small_study
from tests.tapped_study import BOARDS, FIRST_S, RATE_HZ, TOML, write_tapped

WOOD_OF = {"L1": "larch", "L2": "larch", "R1": "robinia", "R2": "robinia"}
TAKES = ["take_1", "take_2", "take_3"]


def written(folder: Path) -> dict[str, str]:
    """Code of each note -> the note, of a test that is made now."""
    page, notes = write_test(read_study(folder), progress=lambda *_: None)
    assert page == folder / "listening" / "test.html"
    return {code_of(one): one for one in notes}


def refused(folder: Path) -> InputError:
    with pytest.raises(InputError) as caught:
        written(folder)
    assert not (folder / "listening" / "test.html").exists()
    return caught.value


class Heard:
    """A test as its files have it, and each excerpt as the page plays it."""

    def __init__(self, folder: Path):
        home = folder / "listening"
        self.folder, self.page = folder, (home / "test.html").read_text(encoding="utf-8")
        self.trials = pd.read_csv(home / "trials.csv", keep_default_na=False)
        self.excerpts = pd.read_csv(home / "excerpts.csv").set_index("take")
        self.test = json.loads(re.search(r'id="test">(.*?)</script>', self.page)[1])
        played = {trial: codes for trial, codes in self.test["trials"]}
        self.code = {
            take: code
            for row in self.trials.itertuples()
            for take, code in zip(
                (row.take_1, row.take_2, row.take_3), played[row.trial], strict=True
            )
        }

    def sound(self, take: str) -> tuple[np.ndarray, int]:
        data = base64.b64decode(self.test["sounds"][self.code[take]])
        return soundfile.read(io.BytesIO(data))

    def loudness(self) -> dict[str, float]:
        """By another library than ours."""
        found = {take: self.sound(take) for take in self.code}
        return {
            take: pyloudnorm.Meter(rate).integrated_loudness(x) for take, (x, rate) in found.items()
        }


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Heard:
    folder = write_tapped(tmp_path_factory.mktemp("tapped") / "rails", mounts=3)
    written(folder)
    return Heard(folder)


# Marks


def test_a_mark_is_what_sha256sum_says_of_the_row_behind_the_mark_before():
    # printf '%s' 'abcd,T,L1,1,t1,2,0,7' | sha256sum
    first = listening.mark("abcd", "T", "L1", "1", "t1", "2", "0", "7")
    assert first == "a5ed101c65d92616"
    # printf '%s' 'a,b' 'c,d' | sha256sum
    assert listening.mark("a,b" + "c,d") == "afa35ee21ad5d487"


# What is heard


def test_all_excerpts_are_equally_loud_by_another_library(made):
    found = made.loudness()
    assert len(found) == 12
    assert max(found.values()) - min(found.values()) < ALIKE_LU
    # Before, they were not: they were hit at random.
    assert np.ptp(made.excerpts["loudness_before_lufs"]) > 5
    # The two libraries cut the last block of so short a sound differently.
    told = made.excerpts["loudness_after_lufs"]
    assert [found[take] for take in told.index] == pytest.approx(list(told), abs=0.1)


def test_an_excerpt_is_the_recording_from_50_ms_before_the_knock_times_its_gain(made):
    for take, row in made.excerpts.iterrows():
        x, rate = made.sound(take)
        raw, _ = soundfile.read(made.folder / row["file"])
        assert rate == RATE_HZ
        assert row["start_s"] == pytest.approx(FIRST_S - 0.05, abs=0.001)
        assert len(x) == round(0.7 * rate)
        start, fade = round(row["start_s"] * rate), round(0.01 * rate)
        own = raw[start : start + len(x)] * 10 ** (row["gain_db"] / 20)
        # Between the fades, to the dither of 16 bits.
        assert x[fade:-fade] == pytest.approx(own[fade:-fade], abs=2 / 2**15)
        assert (x[0], x[-1]) == (0.0, 0.0)
        sha = hashlib.sha256((made.folder / row["file"]).read_bytes()).hexdigest()
        assert row["sha256"] == sha


def true_peak_db(x: np.ndarray) -> float:
    return 20 * np.log10(np.abs(resample_poly(x, 8, 1)).max())


def knocked(x: np.ndarray, take: str) -> np.ndarray:
    """A click on one take's onset: next to nothing in loudness, all of its peak."""
    if take == "L1-m1":
        x = x.copy()
        x[round((FIRST_S + 0.001) * RATE_HZ)] += 6 * np.abs(x).max()
    return x


def test_where_one_excerpt_would_clip_all_are_lowered_alike_and_it_is_said(tmp_path, made):
    folder = write_tapped(tmp_path / "rails", mounts=3, change=knocked)
    level = fields_of(written(folder)["listening.level"])
    heard = Heard(folder)
    peaks = [true_peak_db(heard.sound(take)[0]) for take in heard.code]
    assert max(peaks) == pytest.approx(HIGHEST_DBTP, abs=0.05)
    assert level["lowered_db"] > 3
    assert "was lowered" in say("listening.level", **level)
    found = list(heard.loudness().values())
    assert max(found) - min(found) < ALIKE_LU
    assert list(heard.excerpts["loudness_after_lufs"]) == pytest.approx(
        [-23.0 - level["lowered_db"]] * 12, abs=0.02
    )


def test_as_recorded_the_differences_stay_and_the_recorders_gain_is_undone(tmp_path):
    toml = TOML + "matched = false\n"
    told, heard = [], []
    for name, gain in (("as", {}), ("turned", {"R1-m1": {"gain_db": "6"}})):
        folder = write_tapped(tmp_path / name, toml=toml, rows=gain)
        told.append(fields_of(written(folder)["listening.level"]))
        heard.append(Heard(folder))
    plain, turned = (each.excerpts for each in heard)
    found = heard[0].loudness()
    apart = plain["loudness_before_lufs"]
    for take, own in found.items():
        assert own - found["L1-m1"] == pytest.approx(apart[take] - apart["L1-m1"], abs=0.1)
    assert plain["gain_db"].nunique() == 1
    assert told[0]["spread_lu"] == pytest.approx(np.ptp(apart), abs=0.01)
    assert "loudness may be what is heard" in say("listening.level", **told[0])
    by_gain = turned["gain_db"] - turned["gain_db"]["L1-m1"]
    assert by_gain["R1-m1"] == pytest.approx(-6.0)
    assert (by_gain.drop("R1-m1") == 0).all()


def test_a_steady_tone_is_heard_where_it_was_measured(tmp_path):
    plan = Plan(wood_db={"larch": 0.0, "robinia": 2.0}, seconds=1.2, mounts=2, takes=1)
    folder = write_small_study(tmp_path / "rails", plan)
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write('[listen]\nkind = "tone"\nlength_s = 0.5\n')
    told = written(folder)
    heard = Heard(folder)
    assert "steady tones" in say(told["listening.made"])
    assert set(heard.excerpts["wood"]) == {"larch", "robinia"}
    assert not set(heard.excerpts["specimen"]) & {"ref", "chg"}
    for take in heard.code:
        x, rate = heard.sound(take)
        assert len(x) == round(0.5 * rate)
        assert np.abs(np.fft.rfft(x)).argmax() / 0.5 == pytest.approx(172.0, abs=1.0)
    found = list(heard.loudness().values())
    assert max(found) - min(found) < ALIKE_LU


# Trials


def take(board: str, mount: int, *, repeat: int = 1, batch: str = "day1", row: int = 2) -> Take:
    name = f"{board}-m{mount}-r{repeat}-{batch}"
    return Take(
        take=name, batch=batch, kind="tap", specimen=board, mount=str(mount), repeat=str(repeat),
        file=f"{name}.wav", row=row,
    )  # fmt: skip


def drawn(takes: dict[str, list[Take]], *, seed: int = 1, answers: int = 16, nulls: int = 4):
    wood_of = {board: WOOD_OF[board] for board in takes}
    rng = np.random.default_rng(seed)
    return draw_trials(rng, takes, wood_of, answers=answers, nulls=nulls)


THREE = {board: [take(board, mount) for mount in (1, 2, 3)] for board in WOOD_OF}
KINDS = {"woods": 18, "one wood": 2, "one board": 4}


def kind_of(row) -> str:
    return "one board" if row.null else "one wood" if row.wood_a == row.wood_b else "woods"


@pytest.mark.parametrize("seed", range(20))
def test_trials_are_triangles_of_two_takes_of_one_board_and_one_of_another(seed):
    found = drawn(THREE, seed=seed, answers=18)
    assert list(found["place"]) == list(range(1, 25))
    assert found["trial"].is_unique
    assert Counter(map(kind_of, found.itertuples())) == KINDS
    for row in found.itertuples():
        names = [row.take_1, row.take_2, row.take_3]
        assert len(set(names)) == 3
        odd = names.pop(row.odd - 1)
        boards = [name.partition("-")[0] for name in (*names, odd)]
        assert boards[0] == boards[1]
        # Two mounts that are alike, so that a mount tells nothing.
        assert names[0].split("-")[1] != names[1].split("-")[1]
        assert sorted({boards[0], boards[2]}) == sorted({row.specimen_a, row.specimen_b})
        assert (boards[0] == boards[2]) == (row.null == "yes")
        assert (row.wood_a, row.wood_b) == (WOOD_OF[row.specimen_a], WOOD_OF[row.specimen_b])


@pytest.mark.parametrize("seed", range(20))
def test_every_order_comes_equally_often_and_every_pair_of_boards_is_asked(seed):
    found = drawn(THREE, seed=seed, answers=18)
    woods = found[[kind_of(row) == "woods" for row in found.itertuples()]]
    orders = Counter(
        (row.odd, WOOD_OF[row[5 + row.odd + 1].partition("-")[0]]) for row in woods.itertuples()
    )
    assert orders == {(odd, wood): 3 for odd in (1, 2, 3) for wood in ("larch", "robinia")}
    asked = Counter(zip(found["specimen_a"], found["specimen_b"], strict=True))
    assert set(asked) == set(combinations_with_replacement(WOOD_OF, 2))
    cross = [asked[a, b] for a in ("L1", "L2") for b in ("R1", "R2")]
    assert max(cross) - min(cross) <= 1
    used = Counter(name for column in TAKES for name in woods[column])
    assert set(used) == {one.take for own in THREE.values() for one in own}
    assert max(used.values()) - min(used.values()) <= 3


def test_another_seed_draws_another_order_and_places_tell_nothing_of_codes():
    first, second = drawn(THREE), drawn(THREE, seed=2)
    assert first.equals(drawn(THREE))
    assert list(first["odd"]) != list(second["odd"])
    assert list(first["trial"].sort_values()) != list(first["trial"])


def test_few_answers_ask_every_pair_all_the_same():
    assert Counter(map(kind_of, drawn(THREE, answers=3, nulls=0).itertuples())) == {
        "woods": 4, "one wood": 2,
    }  # fmt: skip


def test_where_there_are_two_takes_alone_no_recording_is_heard_twice_and_no_trial_is_hidden():
    found = drawn({board: own[:2] for board, own in THREE.items()})
    assert (found["null"] == "").all()
    assert all(len({row.take_1, row.take_2, row.take_3}) == 3 for row in found.itertuples())


def test_two_that_are_alike_are_of_two_mounts_where_a_board_has_two():
    twice = {
        board: [take(board, mount, repeat=repeat) for mount in (1, 2) for repeat in (1, 2)]
        for board in WOOD_OF
    }
    for row in drawn(twice).itertuples():
        names = [row.take_1, row.take_2, row.take_3]
        del names[row.odd - 1]
        assert names[0].split("-")[1] != names[1].split("-")[1]


def test_takes_of_one_session_go_together_where_there_are_such():
    days = {
        board: [take(board, mount, batch=f"day{1 + mount // 3}") for mount in (1, 2, 3, 4)]
        for board in WOOD_OF
    }
    found = drawn(days)
    real = found[found["null"] == ""]
    sessions = [{row[name][-4:] for name in TAKES} for _, row in real.iterrows()]
    assert all(len(one) == 1 for one in sessions)


# The page


def test_the_page_holds_no_key(made):
    for word in (*BOARDS, "larch", "robinia", "-m1", "specimen"):
        assert word not in re.sub(r'"s\d+": "[^"]+"', "", made.page), word
    assert sorted(made.test) == ["loudest", "name", "rate_hz", "sounds", "trials"]
    # The codes of excerpts stand in the order of their numbers, whatever they are of.
    assert list(made.test["sounds"]) == sorted(made.test["sounds"])
    boards = [made.excerpts["specimen"][name] for name in sorted(made.code, key=made.code.get)]
    assert boards != sorted(boards)


def test_the_page_is_of_this_test_and_needs_no_network(made):
    home = made.folder / "listening"
    texts = [(home / name).read_text(encoding="utf-8") for name in ("trials.csv", "excerpts.csv")]
    name = hashlib.sha256("".join(texts).encode("utf-8")).hexdigest()[:16]
    assert made.test["name"] == name
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', made.page)[1]
    script = re.search(r"<script>(.*)</script>", made.page, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none';")
    assert not re.search(r"(src|href)=|https?:|fetch|XMLHttp|WebSocket", made.page)


def test_the_same_study_gives_the_same_bytes_and_another_seed_another_order(tmp_path):
    folder = write_tapped(tmp_path / "rails")
    told = written(folder)
    before = {path.name: path.read_bytes() for path in (folder / "listening").glob("*.*")}
    assert set(before) == {"test.html", "trials.csv", "excerpts.csv"}
    # What a system leaves there is no result.
    (folder / "listening" / "results" / ".hidden").touch()
    again = written(folder)
    assert {p.name: p.read_bytes() for p in (folder / "listening").glob("*.*")} == before
    assert "listening.replaced" not in {**told, **again}
    (folder / "study.toml").write_text(TOML + "seed = 2\n", encoding="utf-8")
    assert "listening.replaced" in written(folder)
    assert (folder / "listening" / "trials.csv").read_bytes() != before["trials.csv"]
    assert (folder / "listening" / "excerpts.csv").read_bytes() == before["excerpts.csv"]


def test_the_number_of_answers_follows_from_the_share_or_from_the_study(tmp_path):
    folder = write_tapped(tmp_path / "rails")
    for keys, answers, trials in (
        ("", 16, [16, 2, 0]),
        ("share = 0.3", 42, [42, 2, 0]),
        ("answers = 8", 8, [8, 2, 0]),
    ):
        (folder / "study.toml").write_text(f"{TOML}{keys}\n", encoding="utf-8")
        told = written(folder)
        assert fields_of(told["listening.enough"])["answers"] == answers
        assert fields_of(told["listening.made"])["trials"] == trials
    assert "fewer than the 16" in say(told["listening.enough"])
    assert "nothing will show" in say(told["listening.made"])


def test_only_so_many_boards_of_a_wood_are_heard_in_the_order_of_the_sheet(tmp_path):
    """Whatever the order in which they were recorded."""
    boards = {"R3": "robinia", **BOARDS, "L3": "larch"}
    folder = write_tapped(tmp_path / "rails", boards=boards, toml=TOML + "boards = 2\n")
    header, *rows = (folder / "takes.csv").read_text(encoding="utf-8").splitlines()
    (folder / "takes.csv").write_text("\n".join([header, *rows[::-1]]) + "\n", encoding="utf-8")
    assert fields_of(written(folder)["listening.made"])["boards"] == {
        "larch": ["L1", "L2"], "robinia": ["R3", "R1"],
    }  # fmt: skip


# What is said, and what is refused


def test_what_the_test_cannot_tell_is_said(tmp_path):
    days = {"L1": "day1", "R1": "day1", "L2": "day2", "R2": "day2"}
    toml = TOML + '[channels]\nresponse_kind = "pickup"\n'
    rows = {
        f"{board}-m{mount}": {"mount": "1", "repeat": str(mount)}
        for board in BOARDS
        for mount in (1, 2)
    }
    told = written(write_tapped(tmp_path / "rails", batches=days, toml=toml, rows=rows))
    assert fields_of(told["listening.one_mount"])["boards"] == [*BOARDS]
    # Pairs of boards of two days: half of those of two woods, and both of those of one.
    assert fields_of(told["listening.sessions"])["trials"] == 8 + 2
    assert "pickup" in say(told["listening.other_ear"])


def test_takes_that_failed_or_are_excluded_are_never_heard(tmp_path):
    def clipped(x, name):
        return np.clip(x * 40, -1, 1) if name == "L1-m3" else x

    rows = {"R1-m3": {"exclude": "yes", "reason": "a chair fell"}}
    folder = write_tapped(tmp_path / "rails", mounts=3, change=clipped, rows=rows)
    told = written(folder)
    assert fields_of(told["listening.failed"])["takes"] == ["L1-m3", "R1-m3"]
    heard = Heard(folder)
    assert not {"L1-m3", "R1-m3"} & set(heard.code)
    assert set(heard.excerpts.index) == {f"{b}-m{m}" for b in BOARDS for m in (1, 2, 3)} - {
        "L1-m3", "R1-m3",
    }  # fmt: skip


def test_a_board_with_one_good_take_is_not_heard(tmp_path):
    boards = {**BOARDS, "L3": "larch"}
    rows = {"L3-m1": {"exclude": "yes", "reason": "a chair fell"}}
    told = written(write_tapped(tmp_path / "rails", boards=boards, rows=rows))
    assert fields_of(told["listening.single"])["boards"] == ["L3"]
    assert fields_of(told["listening.made"])["boards"]["larch"] == ["L1", "L2"]


def test_too_few_boards_are_one_sentence_with_what_was_left_out(tmp_path):
    rows = {"L1-m1": {"exclude": "yes", "reason": "a chair fell"}}
    error = refused(write_tapped(tmp_path / "rails", rows=rows))
    assert error.codes == ("listening.too_few", "listening.failed", "listening.single")
    assert "1 board of larch (L2)" in error.faults[0]
    assert "L1-m1" in error.faults[1]


def test_rings_that_are_too_short_say_which_length_would_do(tmp_path):
    toml = TOML.replace("length_s = 0.7", "length_s = 1.5")
    error = refused(write_tapped(tmp_path / "rails", toml=toml))
    assert error.codes == ("listening.too_few", "listening.too_few", "listening.short")
    assert "no board of robinia" in error.faults[1]
    # 0.9 s to the next knock, less what is left out before it, and the 50 ms before this one.
    assert "L1-m1 (0.94 s)" in error.faults[2]


def test_a_tap_that_is_refused_is_passed_over(tmp_path):
    """Two contacts, and 0.2 s after the second the next tap: only that one rings long enough."""
    extra = (FIRST_S + 0.15, FIRST_S + 0.3525)

    def doubled(x, name):
        if name != "L1-m1":
            return x
        sum_of = x.copy()
        for at in extra:
            start = round((at - FIRST_S) * RATE_HZ)
            sum_of[start:] += x[: len(x) - start]
        return sum_of

    toml = TOML.replace("length_s = 0.7", "length_s = 0.5")
    folder = write_tapped(tmp_path / "rails", toml=toml, change=doubled)
    written(folder)
    start_s = Heard(folder).excerpts["start_s"]
    assert start_s["L1-m1"] == pytest.approx(extra[1] - 0.05, abs=0.002)
    assert start_s["L1-m2"] == pytest.approx(FIRST_S - 0.05, abs=0.002)


def test_a_recording_that_begins_with_the_knock_is_left_out(tmp_path):
    def late(x, name):
        return x[round((FIRST_S - 0.02) * RATE_HZ) :] if name == "L1-m3" else x

    told = written(write_tapped(tmp_path / "rails", mounts=3, change=late))
    assert [*fields_of(told["listening.short"])["lengths_s"]] == ["L1-m3"]


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ('woods = ["larch", "cherry"]', "cherry"),
        ('woods = ["larch", "larch"]', "two different woods"),
        ('woods = ["larch"]', "two different woods"),
    ],
)
def test_woods_that_cannot_be_told_apart_are_refused(tmp_path, keys, expected):
    error = refused(write_tapped(tmp_path / "rails", toml=f"{TOML}{keys}\n"))
    assert error.codes == ("listening.two_woods",)
    assert expected in str(error)
    assert "study.toml, [listen] woods" in str(error)


def test_the_woods_are_those_of_the_first_claim_else_the_ends_of_the_sheet(tmp_path):
    boards = {**BOARDS, "C1": "cherry", "C2": "cherry"}
    modes = {"boards": {**boards}}
    claim = (
        '[[claim]]\ntext = "Larch passes more"\nfeature = "tone.h1.level_db"\n'
        'higher = "robinia"\nlower = "larch"\n'
    )
    for name, toml, woods in (
        ("claimed", TOML + claim, {"larch", "robinia"}),
        ("ends", TOML, {"larch", "cherry"}),
        ("asked", TOML + 'woods = ["cherry", "robinia"]\n', {"cherry", "robinia"}),
    ):
        told = written(write_tapped(tmp_path / name, toml=toml, **modes))
        assert set(fields_of(told["listening.made"])["boards"]) == woods


def test_a_silent_excerpt_is_refused(tmp_path):
    def faint(x, name):
        return x * 1e-3 if name == "R2-m2" else x

    toml = TOML + "[quality]\nsilence = -140.0\n"
    error = refused(write_tapped(tmp_path / "rails", change=faint, toml=toml))
    assert error.codes == ("listening.silent",)
    assert "R2-m2" in str(error)


def test_one_loudness_is_promised_only_where_it_was_reached(tmp_path, monkeypatch):
    monkeypatch.setattr("studylib.bench.listening.ALIKE_LU", -1.0)
    assert refused(write_tapped(tmp_path / "rails")).codes == ("listening.not_alike",)


def test_a_test_that_has_results_is_never_written_over(tmp_path):
    folder = write_tapped(tmp_path / "rails")
    written(folder)
    (folder / "listening" / "results" / "E7.csv").write_text("x\n", encoding="utf-8")
    before = {p.name: p.read_bytes() for p in (folder / "listening").glob("*.*")}
    (folder / "study.toml").write_text(TOML + "seed = 2\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        written(folder)
    assert caught.value.codes == ("listening.results_there",)
    assert {p.name: p.read_bytes() for p in (folder / "listening").glob("*.*")} == before


def test_the_command_says_what_it_made_and_faults_are_sentences(tmp_path):
    folder = write_tapped(tmp_path / "rails")
    told = CliRunner().invoke(main, ["listen", str(folder)])
    assert told.exit_code == 0, told.output
    lines = told.output.splitlines()
    assert lines[0].startswith("Test ")
    assert "volume turned" in lines[-1]
    assert "trials.csv beside it is the key" in lines[-1]
    (folder / "listening" / "results" / "E7.csv").write_text("x\n", encoding="utf-8")
    again = CliRunner().invoke(main, ["listen", str(folder)])
    assert again.exit_code == 2
    assert "rename the folder listening" in again.output

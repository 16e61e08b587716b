"""The `study` command as a person uses it: exit codes, clear sentences, never a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from click.testing import CliRunner

from studylib import cli
from studylib.bench.schedule import write_schedule
from studylib.codes import note
from studylib.errors import InputError, RunError
from studylib.run import provenance, runner
from studylib.sheets.study import read_unrecorded
from studylib.signal.quality import CHECKS
from studylib.words import say
from tests.planned_study import write_planned

RATE_HZ = 24000
TOML = f"""
[study]
separate_trees = true
title = "Rails <b>for</b> a dulcimer"
question = "Does the wood of the rail matter?"
[channels]
rate_hz = {RATE_HZ}
[decide]
primary = ["tone.h1.level_db"]
"""


def write_tones(folder: Path, *, silent: str = "") -> Path:
    """Two woods, two boards each, two mounts, one take: a clean tone of 172 Hz, 1 s.

    The take named `silent` holds nothing but zeros.
    """
    rng = np.random.default_rng(172)
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    specimens = ["specimen,wood,length_mm,width_mm,thickness_mm,mass_g"]
    takes = ["take,batch,kind,specimen,mount,repeat,file,tone_hz"]
    t = np.arange(RATE_HZ) / RATE_HZ
    for board in ("L1", "L2", "<script>", "R2"):
        wood = "larch" if board.startswith("L") else "<i>robinia</i>"
        specimens.append(f"{board},{wood},600,40,12,180")
        for mount in (1, 2):
            take = f"t{len(takes)}"
            amplitude = 0.1 * (1 + 0.1 * rng.standard_normal())
            sound = amplitude * np.sin(2 * np.pi * 172 * t) + 1e-4 * rng.standard_normal(t.size)
            if take == silent:
                sound[:] = 0.0
            file = f"recordings/{take}.wav"
            soundfile.write(folder / file, sound, RATE_HZ, subtype="PCM_24")
            batch = "morning" if mount == 1 else "evening"
            takes.append(f"{take},{batch},tone,{board},{mount},1,{file},172")
    (folder / "specimens.csv").write_text("\n".join(specimens) + "\n", encoding="utf-8")
    (folder / "takes.csv").write_text("\n".join(takes) + "\n", encoding="utf-8")
    return folder


def study(*arguments: object):
    return CliRunner().invoke(cli.main, [str(argument) for argument in arguments])


@pytest.fixture(autouse=True, scope="module")
def still_library():
    """Whoever works on the library while the tests run must not make them run more."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(provenance, "library_digest", lambda: "the library")
        yield


@pytest.fixture(scope="module")
def tones(tmp_path_factory) -> Path:
    return write_tones(tmp_path_factory.mktemp("tones") / "rails")


@pytest.fixture(scope="module")
def finished(tones):
    """The whole way with the real notebooks: command, folder of the report."""
    reports = tones.parent / "reports"
    return study("run", tones, "--reports", reports), reports / "rails"


def test_a_run_ends_in_a_report(finished):
    result, home = finished
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[-1] == f"The report is in {home / 'summary.html'}"
    assert result.stderr == ""
    for name in ("summary.html", "summary.ipynb", "provenance.json"):
        assert (home / name).is_file()
    for name in ("morning", "evening"):
        assert (home / "batches" / f"{name}.html").is_file()
        assert (home / "batches" / f"{name}.ipynb").is_file()


def test_the_report_shows_names_as_text(finished):
    _, home = finished
    for page in (home / "summary.html", home / "batches" / "morning.html"):
        html = page.read_text(encoding="utf-8")
        assert "&lt;i&gt;robinia&lt;/i&gt;" in html
        assert "<i>robinia" not in html
        assert "<script" not in html
        assert "Rails &lt;b&gt;for&lt;/b&gt; a dulcimer" in html
    assert "&lt;script&gt;" in html  # the page of the batch, which lists its boards


def test_the_tables_hold_every_take(finished):
    _, home = finished
    features = pd.read_csv(home / "tables" / "features.csv")
    assert features["take"].nunique() == 8
    assert set(features["batch"]) == {"morning", "evening"}
    level = features[features["feature"] == "tone.h1.level_db"]
    # A sine of amplitude 0.1 lies 20 dB below a full-scale sine; the boards differ by 10 %.
    assert level["value"].between(-23, -17.5).all()


def test_a_second_run_has_nothing_to_do(finished, tones):
    _, home = finished
    before = (home / "summary.html").stat().st_mtime_ns
    result = study("run", tones, "--reports", home.parent)
    assert result.exit_code == 0
    assert "Unchanged, not run again: morning, evening." in result.stdout
    assert (home / "summary.html").stat().st_mtime_ns == before


def test_check_passes_a_clean_study(tones):
    result = study("check", tones)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[-1] == "8 takes: 0 not fit for use, 0 used with a warning."


def test_check_names_a_silent_take_and_exits_with_one(tmp_path):
    result = study("check", write_tones(tmp_path / "rails", silent="t3"))
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    at = lines.index("  " + say("checks.take", take="t3", row=4, file="recordings/t3.wav"))
    assert "(silence)" in lines[at + 1]
    advice = note(CHECKS["silence"].code, form="advice")
    assert "    " + say("checks.to_do", advice=advice) in lines[at:]
    assert lines[-1] == say("checks.total", takes=8, failed=1, warned=0, excluded=0)


def test_a_take_that_was_excluded_by_hand_does_not_fail_the_check(tmp_path):
    folder = write_tones(tmp_path / "rails", silent="t3")
    sheet = folder / "takes.csv"
    header, *rows = sheet.read_text().splitlines()
    rows[2] += ",yes,cable fell off"
    sheet.write_text("\n".join([f"{header},exclude,reason", *rows]) + "\n")
    result = study("check", folder)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[-1] == (
        "8 takes: 0 not fit for use, 0 used with a warning, 1 excluded by hand."
    )


def test_check_speaks_of_calibrators_that_disagree(tmp_path):
    folder = write_tones(tmp_path / "rails")
    toml = folder / "study.toml"
    toml.write_text(TOML.replace("[decide]", "calibrator_db = 94.0\n[decide]"))
    t = np.arange(RATE_HZ) / RATE_HZ
    with (folder / "takes.csv").open("a") as sheet:
        for name, amplitude in (("before", 0.1), ("after", 0.11)):
            sound = amplitude * np.sin(2 * np.pi * 1000 * t)
            soundfile.write(folder / "recordings" / f"{name}.wav", sound, RATE_HZ)
            sheet.write(f"{name},morning,calibrator,,,,recordings/{name}.wav,\n")
    result = study("check", folder)
    # 20 lg 1.1 = 0.83 dB.
    (line,) = [line for line in result.stdout.splitlines() if "0.83 dB" in line]
    assert line.startswith("Warning: ")
    assert "morning" in line


def test_new_writes_a_folder_that_check_can_speak_about(tmp_path):
    folder = tmp_path / "my rails"
    first = study("new", folder, "--woods", "larch, cherry")
    assert first.exit_code == 0
    assert (folder / "study.toml").is_file()
    result = study("check", folder)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[-1] == say("cli.nothing_recorded", planned=35)
    assert f"study signals '{folder}'" in first.stdout
    again = study("new", folder, "--woods", "larch, cherry")
    assert again.exit_code == 2
    assert len(again.stderr.splitlines()) == 1


def test_a_study_without_boards_is_not_coded_and_codes_come_before_the_schedule(tmp_path):
    result = study("blind", write_planned(tmp_path / "empty", rows=[]))
    fault = note("bench.nothing_to_code", file="specimens.csv")
    assert (result.exit_code, result.stderr) == (2, say(fault) + "\n")
    folder = write_planned(tmp_path / "planned")
    write_schedule(read_unrecorded(folder))
    first = next(take for take in read_unrecorded(folder).planned if take.specimen)
    result = study("blind", folder)
    place = {"file": "takes.csv", "row": first.row, "column": "specimen"}
    fault = note("bench.named_already", **place, value=first.specimen)
    assert (result.exit_code, result.stderr) == (2, say(fault) + "\n")


def test_every_fault_of_the_sheets_is_one_line_on_standard_error(tmp_path):
    folder = write_tones(tmp_path / "rails")
    sheet = folder / "takes.csv"
    text = sheet.read_text().replace("t1,morning,tone,L1", "t1,morning,tone,L9")
    sheet.write_text(text.replace("t3,morning,tone,L2,1", "t3,morning,tune,L2,1"))
    for command in ("check", "run"):
        result = study(command, folder)
        assert result.exit_code == 2
        lines = result.stderr.splitlines()
        assert len(lines) == 2
        assert "row 2" in lines[0]
        assert "row 4" in lines[1]


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path):
    for command in ("check", "run"):
        result = study(command, tmp_path / "nowhere")
        assert result.exit_code == 2
        assert len(result.stderr.splitlines()) == 1
        assert "nowhere" in result.stderr


def test_an_unknown_batch_is_named_with_the_nearest(tones, tmp_path):
    result = study("run", tones, "--batch", "mornin", "--reports", tmp_path / "reports")
    assert result.exit_code == 2
    assert 'no batch "mornin"; the nearest is "morning"' in result.stderr


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (KeyboardInterrupt(), 130, "Stopped."),
        (InputError("One.", "Two."), 2, "One.\nTwo.\n"),
        (RunError("The notebook is missing."), 2, "The notebook is missing.\n"),
        (OSError(28, "No space left on device", "/a/b.csv"), 2, "(b.csv): No space left"),
        (ValueError("odd\x1b[31m"), 2, "The program itself failed (ValueError: odd\\x1b[31m)."),
    ],
)
def test_no_error_ends_in_a_traceback(tones, monkeypatch, error, code, said):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr(runner, "run_study", fail)
    monkeypatch.delenv("STUDY_DEBUG", raising=False)
    result = study("run", tones)
    assert result.exit_code == code
    assert said in result.stderr
    assert "Traceback" not in result.output


def test_failed_batches_are_named_at_the_end_and_the_exit_code_says_so(
    tones, monkeypatch, tmp_path
):
    outcome = runner.Outcome(
        home=tmp_path,
        summary_html=tmp_path / "summary.html",
        failed={"evening": "takes.csv, row 9: broken."},
        not_run={"noon": "It has not been run yet."},
    )
    monkeypatch.setattr(runner, "run_study", lambda *_, **__: outcome)
    result = study("run", tones)
    assert result.exit_code == 1
    assert result.stderr == "Failed: evening. takes.csv, row 9: broken.\n"
    assert "Not in the summary: noon. It has not been run yet." in result.stdout


def test_help_is_quick_because_nothing_heavy_is_imported():
    code = (
        "import sys; from click.testing import CliRunner; from studylib.cli import main; "
        "CliRunner().invoke(main, ['--help']); "
        "print([m for m in ('numpy', 'pandas', 'papermill', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"

"""From a number of the report to its recordings: the trail is whole, and its lines give the number.

The lines of Python that a trail prints are run here as a reader would run them.
"""

from __future__ import annotations

import contextlib
import csv
import html
import io
import random
import re
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from click.testing import CliRunner

import studylib as st
from studylib import tables
from studylib.cli import main
from studylib.measure.batch import batch_slugs, measure_batch, save_part, spectrum_of
from studylib.modes.gathered import gather
from studylib.report import answer, pages, trace
from studylib.report.summary import summarise
from studylib.run import provenance
from studylib.sheets import read_study
from studylib.sheets.blinding import code_specimens
from studylib.sheets.study import file_hashes
from studylib.writing import write_json
from tests.demo import DEMO
from tests.small_study import Plan, write_small_study

DAMAGED = "lar1_m1_r2"


def run_lines(text: str, names: dict) -> str:
    """What these lines print."""
    with contextlib.redirect_stdout(io.StringIO()) as told:
        exec(compile(text, "the trail", "exec"), names)
    return told.getvalue()


def lines_in(part: str) -> list[str]:
    """The lines of Python on a part of a page."""
    found = re.findall(r'<pre class="said lines">(.*?)</pre>', part, re.DOTALL)
    return [html.unescape(text) for text in found]


def leave_run(folder: Path, reports: Path) -> Path:
    """What a run leaves of a study, without kernels and pages."""
    study = read_study(folder)
    home = reports / study.name
    for name, slug in batch_slugs(study.batches).items():
        save_part(measure_batch(study, name), home / ".parts" / slug, key="k")
    for name, frame in summarise(study, gather(study, parts=home / ".parts")).tables().items():
        tables.write(name, frame, home / "tables")
    made = {"hashes": file_hashes(study), "batches": {}, "report": home, "library": "abc"}
    made |= {"notebooks": {}}
    write_json(home / "provenance.json", provenance.provenance(study, **made))
    return home


@pytest.fixture(scope="module")
def demo_page(demo_summary, tmp_path_factory):
    """(folder from which the lines run, the page's trails) of the demo."""
    around = tmp_path_factory.mktemp("around")
    (around / "data_demo").symlink_to(DEMO)
    for name in ("features", "effects", "modes"):
        tables.write(name, demo_summary.tables()[name], around / "reports/data_demo/tables")
    return around, trace.primary_trails(demo_summary, "")._repr_html_()


def section(page: str, effect: str) -> str:
    """The part of the page, one feature, in which the trail of an effect stands."""
    return next(part for part in page.split("<h3>") if f'id="trace-{effect}"' in part)


def test_the_number_that_heads_the_page_comes_out_of_its_recordings_again(
    demo_summary, demo_page, monkeypatch
):
    around, page = demo_page
    monkeypatch.chdir(around)
    lead = answer.lead(demo_summary)
    first = pages.first_words("?", answer.answer(demo_summary))._repr_html_()
    assert f'href="#trace-{lead.id}"' in first
    start, *steps = lines_in(section(page, lead.id))
    names: dict = {}
    run_lines(start, names)
    # Nothing of the table is left: every value is read again from its recording.
    features, own = names["features"], [lead.feature, "tone.h1.response_deg"]
    wanted = features["feature"].isin(own)
    was = features.loc[wanted, "value"].copy()
    features.loc[wanted, "value"] = np.nan
    places = trace.Places("data_demo", "reports/data_demo")
    rows = demo_summary.gathered.features
    for row in rows[rows["feature"] == lead.feature].itertuples():
        run_lines(repr(trace._reading(demo_summary, row, places)[1]), names)
        again = names["take"].set_index("feature")["value"]
        mine = features["take"] == row.take
        for name in own:
            features.loc[mine & (features["feature"] == name), "value"] = again[name]
    assert features.loc[wanted, "value"].equals(was)
    run_lines(start[start.index("found =") :], names)
    effect = next(step for step in steps if lead.id in step)
    told = run_lines(effect, names).split()
    with Path("reports/data_demo/tables/effects.csv").open(encoding="utf-8", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["id"] == lead.id]
    assert told == [row["difference"], row["low"], row["high"]]


def test_each_step_of_every_trail_follows_from_the_one_below(demo_summary, demo_page, monkeypatch):
    around, page = demo_page
    monkeypatch.chdir(around)
    compared = demo_summary.comparison
    for feature in demo_summary.primary:
        effects = compared.effects[compared.effects["feature"] == feature]
        names: dict = {}
        told = [run_lines(text, names) for text in lines_in(section(page, effects["id"].iloc[0]))]
        for name, table, by in (
            ("sources", compared.unit_means, ["wood", "source"]),
            ("boards", compared.specimen_means, "specimen"),
            ("mounts", compared.mount_means, ["specimen", "batch", "mount"]),
        ):
            own = table[table["feature"] == feature].set_index(by)["value"]
            pd.testing.assert_series_equal(
                names[name].sort_index(), own.sort_index(), check_names=False, rtol=1e-12
            )
        woods = names["woods"]
        for row in effects.itertuples():
            ratio = 100 * (woods[row.wood_b] / woods[row.wood_a] - 1)
            apart = ratio if row.unit == "%" else woods[row.wood_b] - woods[row.wood_a]
            assert row.difference == pytest.approx(apart, rel=1e-9)
        # The last lines measure one recording: of a tone, or of a tap.
        (row,) = demo_summary.gathered.features.query(
            f"id == '{re.search(r'row ([0-9a-f]{12}) of', section(page, row.id))[1]}'"
        ).itertuples()
        assert row.usable
        assert re.search(r"[0-9.]{6,}", told[-1])
        measured = names["take"].set_index("feature")["value"] if row.kind == "tone" else None
        again = float(told[-1]) if measured is None else measured[_as_tone(row.feature)]
        assert again == pytest.approx(row.value, rel=1e-12)


def _as_tone(feature: str) -> str:
    return re.sub(r"^probe\.k\d+", "tone.h1", feature)


def test_the_figure_marks_the_line_where_the_spectrum_has_its_peak(demo_summary):
    figure = trace.lead_figure(demo_summary)
    drawn = {line.get_label().partition(":")[0]: line for line in figure.axes[0].lines}
    (at,), (level,) = drawn["read"].get_data()
    assert at == pytest.approx(172.0, abs=0.01)
    spectrum = figure.axes[0].lines[0]
    near = np.abs(spectrum.get_xdata() / at - 1) < 0.01
    # Between two bins a cos^4 window shows up to 0.86 dB less (Harris 1978, table 1).
    assert 0 <= level - spectrum.get_ydata()[near].max() <= 0.86
    assert drawn["noise there"].get_ydata()[0] < level - 60


def test_the_spectrum_of_a_tap_has_the_level_of_its_batch(demo_summary):
    study, modes = demo_summary.study, demo_summary.gathered.modes
    tap = modes.loc[(modes["kind"] == "tap") & modes["usable"], "take"].iloc[0]
    x = soundfile.read(DEMO / next(t.file for t in study.takes if t.take == tap))[0][:, 0]
    found = spectrum_of(study, tap)["level_db"].max()
    # No line of a recording is stronger than all of it, nor far below where a few modes ring.
    whole = 112.0 + 10 * np.log10(2 * np.mean(x**2))
    assert whole - 20 < found <= whole


# ---------------------------------------------------------------- the command


@pytest.fixture
def small(tmp_path):
    """(study folder, its report): one claim, one take set aside by hand, a text that is markup."""
    folder = write_small_study(tmp_path / "rails", Plan(mounts=1, board_sd=0.1, wood_db={
        "larch": 0.0, "robinia": 6.0}))  # fmt: skip
    toml = (folder / "study.toml").read_text(encoding="utf-8")
    toml = toml.replace('text = "Robinia passes', 'text = "Robinia <i>rings</i> and passes')
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    head, *takes = (folder / "takes.csv").read_text(encoding="utf-8").split()
    aside = {DAMAGED: "yes,a <b>door</b>"}
    takes = [f"{take},{aside.get(take.split(',')[0], ',')}" for take in takes]
    text = "\n".join([f"{head},exclude,reason", *takes, ""])
    (folder / "takes.csv").write_text(text, encoding="utf-8")
    return folder, leave_run(folder, tmp_path / "reports")


def traced(folder: Path, wanted: str, reports: Path | None = None):
    reports = reports or folder.parent / "reports"
    return CliRunner().invoke(main, ["trace", str(folder), wanted, "--reports", str(reports)])


def test_a_claim_an_effect_and_a_take_lead_to_one_trail(small):
    folder, home = small
    effects = tables.read("effects", home / "tables/effects.csv")
    effects = effects[effects["feature"] == "tone.h1.response_db"]
    by_effect = traced(folder, effects["id"].item())
    assert by_effect.exit_code == 0, by_effect.output
    assert traced(folder, "1").output == by_effect.output
    assert traced(folder, "robinia <I>").output == by_effect.output
    assert "Claim 1, open: Robinia <i>rings</i> and passes more" in by_effect.output
    assert str(effects["difference"].item()) in by_effect.output
    assert "excluded in takes.csv: a <b>door</b>" in by_effect.output
    assert "SHA-256 as at the run" in by_effect.output
    assert "SHA-256 of the library at the run: abc" in by_effect.output
    rows = tables.read("features", home / "tables/features.csv")
    aside = rows[(rows["take"] == DAMAGED) & (rows["feature"] == "tone.h1.response_db")]
    of_take = traced(folder, aside["id"].item())
    assert "Not used: excluded in takes.csv: a <b>door</b>" in of_take.output
    assert f"{folder.as_posix()}/recordings/{DAMAGED}.wav" in of_take.output
    lines = of_take.output[of_take.output.rindex("take = st.measure_take") :]
    assert str(aside["value"].item())[:6] in run_lines(lines, {"st": st})
    # Markup of the sheets stays text on a page.
    study = read_study(folder)
    summary, _ = trace.last_run(study, home, folder="rails")
    places = trace.Places("rails", "reports/rails", "../../rails/")
    shown = trace.trail(summary, "1", places)._repr_html_()
    assert "<b>" not in shown
    assert "<i>" not in shown
    assert f'href="../../rails/recordings/{DAMAGED}.wav"' in shown


@pytest.mark.parametrize(
    ("wanted", "told"), [("000000000000", "no id of"), ("", "no id of"), ("2", "no id of")]
)
def test_what_is_no_id_is_said_in_a_sentence(small, wanted, told):
    found = traced(small[0], wanted)
    assert found.exit_code == 2
    assert len(found.output.splitlines()) == 1
    assert told in found.output


def test_a_study_that_was_not_run_or_has_changed_has_no_trails(small, tmp_path):
    folder, _ = small
    found = traced(folder, "1", tmp_path / "elsewhere")
    assert (found.exit_code, len(found.output.splitlines())) == (2, 1)
    assert "has not been run" in found.output
    with (folder / "specimens.csv").open("a", encoding="utf-8") as file:
        file.write("oak1,oak,\n")
    found = traced(folder, "1")
    assert (found.exit_code, len(found.output.splitlines())) == (2, 1)
    assert "specimens.csv is not as at the last run" in found.output


def test_a_report_of_another_run_than_its_parts_has_no_trails(small):
    folder, home = small
    text = (home / "tables/effects.csv").read_text(encoding="utf-8")
    (home / "tables/effects.csv").write_text("\n".join(text.split("\n")[:2]), encoding="utf-8")
    found = traced(folder, "1")
    assert found.exit_code == 2
    assert "of another run" in found.output


def test_a_recording_that_has_changed_is_named(small):
    folder, _ = small
    shown = re.search(r"The take (\S+), row", traced(folder, "1").output)[1]
    path = folder / "recordings" / f"{shown}.wav"
    x, rate = soundfile.read(path)
    soundfile.write(path, x * 0.9, rate, subtype="PCM_24")
    found = traced(folder, "1")
    assert found.exit_code == 0
    assert f"The recording recordings/{shown}.wav is not the one that was run" in found.output


def test_a_blind_study_is_traced_under_its_codes(tmp_path):
    folder = write_small_study(tmp_path / "rails", Plan(mounts=1, boards=2, board_sd=0.1))
    rng = random.Random(3)
    code_specimens(folder, compare="wood", when=datetime(2026, 3, 2, 9), rng=rng)
    with (folder / "woods.key.csv").open(encoding="utf-8", newline="") as file:
        codes = {row["own_name"]: row["specimen"] for row in csv.DictReader(file)}
    head, *takes = (folder / "takes.csv").read_text(encoding="utf-8").split()
    for number, take in enumerate(takes):
        for name, code in codes.items():
            take = take.replace(f",{name},", f",{code},")
        takes[number] = f"t{number},{take.partition(',')[2]}"
    (folder / "takes.csv").write_text("\n".join([head, *takes, ""]), encoding="utf-8")
    home = leave_run(folder, tmp_path / "reports")
    effects = tables.read("effects", home / "tables/effects.csv")
    found = traced(folder, effects["id"].iloc[0])
    assert found.exit_code == 0, found.output
    assert not re.search(r"larch|cherry|robinia", found.output)
    claim = traced(folder, "1")
    assert claim.exit_code == 2
    assert "has no effect yet" in claim.output


def test_a_page_links_to_recordings_beside_the_reports_and_tells_of_no_other_place(small):
    folder, home = small
    study = read_study(folder)
    summary, _ = trace.last_run(study, home, folder="rails")
    beside = trace.primary_trails(summary, str(home / ".summary.part"))._repr_html_()
    assert 'href="../../rails/recordings/' in beside
    assert "read_study(&#x27;rails&#x27;)" in beside
    away = trace.primary_trails(summary, str(folder / "a/b/c/.summary.part"))._repr_html_()
    assert "recordings/" in away
    assert "<a href" not in away
    assert str(folder.parent) not in beside + away


def test_of_many_takes_the_first_are_shown_and_the_table_of_all_is_named(small, monkeypatch):
    folder, home = small
    summary, _ = trace.last_run(read_study(folder), home, folder="rails")
    whole = trace.primary_trails(summary, "")._repr_html_()
    assert "rows." not in whole
    assert 'href="tables/features.csv"' not in whole
    monkeypatch.setattr(trace, "MOST_ROWS", 3)
    short = trace.primary_trails(summary, "")._repr_html_()
    assert short.count("The first 3 of") == 4  # sources, boards, mounts and takes; not the woods
    assert short.count('href="tables/features.csv"') == 1
    assert lines_in(short) == lines_in(whole)

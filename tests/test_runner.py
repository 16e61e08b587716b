"""The runner with real kernels and small notebooks of our own; known faults in, named faults out.

The notebooks here stand in for the real ones so that each way to fail can be asked for: a batch
called "faulty" raises, "killed" ends its kernel, "silent" leaves no result, "waiting" never ends.
They import from the library only where that is what is asked for: a kernel that does takes four
times as long, and the real notebooks are run by `test_cli`.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import nbformat
import numpy as np
import pandas as pd
import pytest

from studylib import tables
from studylib.codes import code_of, fields_of, note
from studylib.errors import InputError, RunError
from studylib.measure.batch import TABLES, save_part
from studylib.run import provenance, runner
from studylib.run.execution import NotebookError, refresh, run_notebook, tidy
from studylib.run.workers import alone_in
from studylib.words import say

soundfile = pytest.importorskip("soundfile")

TOML = """
[study]
separate_trees = true
title = "Rails & <b>robinia</b>"
question = "Does the wood matter?"
[channels]
rate_hz = 24000
"""

BATCH_CELLS = (
    """
import json, os, shutil, threading
from pathlib import Path
""",
    """
with (Path(output).parents[1] / "ran.txt").open("a") as log:
    log.write(batch + "\\n")
with (Path(output).parents[1] / "processes.txt").open("a") as log:
    log.write(os.environ["STUDYLIB_JOBS"])
if batch == "faulty":
    from studylib.codes import note
    from studylib.errors import InputError
    raise InputError(note("run.no_jobs", jobs=9), note("run.no_part"))
if batch == "killed":
    os._exit(1)
if batch == "waiting":
    from studylib.measure.batch import note_progress
    note_progress(output)(1, 3, "take two")
    (Path(output).parents[1] / "pid.txt").write_text(str(os.getpid()))
    threading.Event().wait(300)
""",
    """
if batch != "silent":
    done = json.loads((Path(PART) / "done.json").read_text()) | {"batch": batch, "key": key}
    shutil.copytree(PART, output, dirs_exist_ok=True)
    (Path(output) / "done.json").write_text(json.dumps(done))
print(batch)
""",
)
SUMMARY_CELLS = (
    """
import os
from pathlib import Path
with (Path(output).parent / "processes.txt").open("a") as log:
    log.write(f" then {os.environ['STUDYLIB_JOBS']}")
""",
    """
if list(Path(parts).glob("*/not_used.json")):
    from studylib.modes.gathered import gather
    from studylib.sheets import read_study
    from studylib.words import say
    for name, reason in gather(read_study(folder), parts=parts).failed.items():
        print(f"{name}: {say(reason)}")
""",
    """
for folder in ("tables", "figures"):
    (Path(output) / folder).mkdir(parents=True)
for name in ("quality", "features", "variance", "effects", "boards", "claims"):
    (Path(output) / "tables" / f"{name}.csv").write_text("a,b\\n1,2\\n")
""",
)
BATCH_PARAMETERS = 'folder: str = ""\nbatch: str = ""\noutput: str = ""\nkey: str = ""'
SUMMARY_PARAMETERS = 'folder: str = ""\nparts: str = ""\noutput: str = ""'


def write_notebook(path: Path, parameters: str, *sources: str) -> Path:
    """A small notebook with fixed cell ids."""
    new = nbformat.v4.new_code_cell
    cells = [new(parameters, id="parameters", metadata={"tags": ["parameters"]})]
    cells += [new(source.strip(), id=f"cell-{i}") for i, source in enumerate(sources)]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel}), path)
    return path


def write_study(folder: Path, *batches: str) -> Path:
    """A study folder with one tone take in each batch."""
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    (folder / "specimens.csv").write_text(
        "specimen,wood,length_mm,width_mm,thickness_mm,mass_g\n"
        "L1,larch,600,40,12,170\nR1,robinia,600,40,12,210\n",
        encoding="utf-8",
    )
    rows = ["take,batch,kind,specimen,mount,repeat,file,tone_hz"]
    rng = np.random.default_rng(20)
    for i, batch in enumerate(batches):
        samples = 0.1 * rng.standard_normal(2400)
        soundfile.write(folder / "recordings" / f"{i}.wav", samples, 24000)
        rows.append(f"t{i},{batch},tone,L1,{i + 1},1,recordings/{i}.wav,172")
    (folder / "takes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebooks {with} braces")
    frames = {name: tables.empty(name) for name in TABLES}
    save_part(SimpleNamespace(batch="", **frames), folder / "part", key="")
    first, *others = BATCH_CELLS
    first += f"PART = {str(folder / 'part')!r}"
    write_notebook(folder / "batch.ipynb", BATCH_PARAMETERS, first, *others)
    write_notebook(folder / "summary.ipynb", SUMMARY_PARAMETERS, *SUMMARY_CELLS)
    return folder


@pytest.fixture(autouse=True)
def small_notebooks(notebooks, monkeypatch):
    use_small_notebooks(notebooks, monkeypatch)


def use_small_notebooks(notebooks: Path, patch: pytest.MonkeyPatch) -> None:
    patch.setattr(runner, "notebook_path", lambda name: notebooks / f"{name}.ipynb")
    # Whoever works on the library while the tests run must not make them run more.
    patch.setattr(provenance, "library_digest", lambda: "the library")


class Report:
    """One run of a study with every kind of batch, shared by the tests that look at it."""

    def __init__(self, folder: Path, notebooks: Path, *batches: str):
        self.told: list[tuple] = []
        self.folder = write_study(folder / "rails", *batches)
        self.home = folder / "reports" / "rails"
        with pytest.MonkeyPatch.context() as patch:
            use_small_notebooks(notebooks, patch)
            self.outcome = self.run()

    def run(self, **options) -> runner.Outcome:
        return runner.run_study(
            self.folder,
            reports=self.home.parent,
            progress=lambda *told: self.told.append(told),
            **options,
        )

    def ran(self) -> list[str]:
        """The batches whose notebooks were executed since this was last asked."""
        log = self.home / "ran.txt"
        lines = log.read_text().splitlines() if log.exists() else []
        log.unlink(missing_ok=True)
        return sorted(lines)

    def leftovers(self) -> list[str]:
        return [p.name for p in self.home.rglob(".*.part")] + [
            p.name for p in self.home.rglob(".summary.part")
        ]


@pytest.fixture(scope="module")
def mixed(tmp_path_factory, notebooks):
    """Five batches: two good (one with a name that is markup), three that fail, each its way."""
    folder = tmp_path_factory.mktemp("mixed")
    return Report(folder, notebooks, "day 1", "faulty", "killed", "silent", "<script>")


def test_a_failing_batch_stops_nothing_else(mixed):
    assert set(mixed.outcome.failed) == {"faulty", "killed", "silent"}
    assert mixed.outcome.summary_html == mixed.home / "summary.html"
    assert mixed.outcome.summary_html.is_file()
    pages = sorted(p.name for p in (mixed.home / "batches").glob("*.html"))
    assert pages == ["day_1.html", "script.html"]


def test_each_failure_is_one_clear_sentence(mixed):
    failed = mixed.outcome.failed
    own = say("run.no_jobs", jobs=9)
    assert failed["faulty"] == note("run.cell_refused", said=own, more=1)
    assert code_of(failed["killed"]) == "run.kernel_ended"
    assert fields_of(failed["killed"])["notebook"] == "batch.ipynb"
    assert failed["silent"] == note("run.no_part")


def test_the_summary_names_the_failed_batches(mixed):
    summary = nbformat.read(mixed.home / "summary.ipynb", as_version=4)
    said = "".join(o["text"] for c in summary.cells for o in c.get("outputs", []))
    assert f"faulty: {say('run.no_jobs', jobs=9)} (and 1 more)" in said
    assert f"killed: {say(mixed.outcome.failed['killed'])}" in said
    assert "day 1" not in said


def test_the_notebook_of_a_failed_batch_is_kept_under_another_name(mixed):
    kept = mixed.home / "batches" / "failed" / "faulty.ipynb"
    cells = nbformat.read(kept, as_version=4).cells
    assert any(o["output_type"] == "error" for c in cells for o in c.get("outputs", []))
    assert not any("papermill" in str(c.metadata) for c in cells)


def test_nothing_half_written_is_left(mixed):
    assert mixed.leftovers() == []


def test_progress_says_what_is_being_done(mixed):
    told = {task: set() for task in ("day 1", "faulty", "the summary")}
    for task, done, total, what in mixed.told:
        assert 0 <= done <= total
        told.setdefault(task, set()).add(what)
    assert "done" in told["day 1"]
    assert "failed" in told["faulty"]
    assert "done" in told["the summary"]


def test_provenance_names_inputs_tables_versions_and_no_machine_path(mixed):
    text = (mixed.home / "provenance.json").read_text(encoding="utf-8")
    content = json.loads(text)
    assert set(content["inputs"]) >= {"study.toml", "takes.csv", "recordings/0.wav"}
    assert set(content["tables"]) == {
        f"tables/{name}.csv"
        for name in ("quality", "features", "variance", "effects", "boards", "claims")
    }
    # SHA-256 of "a,b\n1,2\n", from the coreutils program sha256sum.
    known = "492d5ea496056f1a6a6592241032fab764c321596317930b4fa0e1e8bc3b7470"
    assert content["tables"]["tables/effects.csv"] == known
    assert content["parameters"]["channels"]["rate_hz"] == 24000
    assert content["versions"]["numpy"] == np.__version__
    assert content["packages"]["pandas"] == pd.__version__
    assert content["commit"] == ""
    assert content["batches"]["day 1"] == "in the summary"
    assert content["batches"]["silent"] == say("run.no_part")
    assert str(mixed.folder.parent) not in text
    assert str(Path.home()) not in text


def test_the_commit_of_a_studys_repository_is_the_one_that_git_tells(tmp_path):
    git = ["git", "-C", tmp_path, "-c", "user.name=maker", "-c", "user.email=maker@example.org"]
    for command in (["init", "-q"], ["commit", "-q", "--allow-empty", "-m", "first"]):
        subprocess.run([*git, *command], check=True)
    told = subprocess.run([*git, "log", "--format=%H"], capture_output=True, text=True, check=True)
    assert provenance._commit(tmp_path) == told.stdout.strip() != ""


@pytest.fixture(scope="module")
def two(tmp_path_factory, notebooks):
    return Report(tmp_path_factory.mktemp("two"), notebooks, "one", "two")


def files_of(home: Path) -> dict[str, bytes]:
    return {
        p.relative_to(home).as_posix(): p.read_bytes()
        for p in home.rglob("*")
        if p.is_file() and p.name not in ("ran.txt", "processes.txt", "progress.json")
    }


def test_the_summary_has_the_processes_of_all_and_a_batch_one(two):
    assert (two.home / "processes.txt").read_text() == "11 then 2"


def test_unchanged_batches_and_summary_are_not_run_again(two):
    before = {p: p.stat().st_mtime_ns for p in two.home.rglob("summary.*")}
    two.ran()
    outcome = two.run()
    assert two.ran() == []
    assert outcome.skipped == ("one", "two")
    assert outcome.failed == {}
    assert {p: p.stat().st_mtime_ns for p in before} == before


def test_a_change_in_one_batch_runs_that_batch_only(two):
    sheet = two.folder / "takes.csv"
    sheet.write_text(sheet.read_text().replace("t1,two,tone,L1,2", "t1,two,tone,R1,1"))
    two.ran()
    outcome = two.run()
    assert two.ran() == ["two"]
    assert outcome.skipped == ("one",)


def test_a_recording_counts_as_a_change(two):
    samples, rate = soundfile.read(two.folder / "recordings" / "0.wav")
    soundfile.write(two.folder / "recordings" / "0.wav", samples[::-1], rate)
    two.ran()
    two.run()
    assert two.ran() == ["one"]


@pytest.mark.parametrize(
    "broken", ["batches/one.html", ".parts/one/quality.csv", ".parts/one/shown.json"]
)
def test_a_result_that_was_touched_is_made_again(two, broken):
    (two.home / broken).write_text("touched")
    two.ran()
    two.run()
    assert two.ran() == ["one"]
    assert (two.home / broken).read_text() != "touched"


def test_the_same_run_gives_the_same_bytes(two):
    first = files_of(two.home)
    for name in ("batches", ".parts", "tables"):
        for path in (two.home / name).rglob("*"):
            if path.is_file():
                path.unlink()
    two.run(jobs=1)
    second = files_of(two.home)
    assert sorted(first) == sorted(second)
    assert [name for name in first if first[name] != second[name]] == []


def test_one_batch_alone_names_the_others_as_not_run(tmp_path, notebooks):
    report = Report(tmp_path, notebooks, "one", "two")
    sheet = report.folder / "study.toml"
    sheet.write_text(sheet.read_text().replace("wood matter", "wood really matter"))
    report.ran()
    outcome = report.run(batches=("two",))
    assert report.ran() == ["two"]
    assert outcome.failed == {}
    assert set(outcome.not_run) == {"one"}
    assert outcome.not_run["one"] == note("run.changed")
    assert f"one: {say('run.changed')}" in (report.home / "summary.html").read_text()


def test_what_a_kill_left_is_gone_after_the_next_run(two):
    left = [two.home / ".summary.part" / "tables", two.home / "tables" / ".effects.csv.0a1b.part"]
    left[0].mkdir(parents=True)
    left[1].write_text("a,b", encoding="utf-8")
    assert len(two.leftovers()) > 1
    two.run()
    assert two.leftovers() == []


def test_a_batch_that_is_no_more_leaves_no_page(two):
    sheet = two.folder / "takes.csv"
    text = sheet.read_text()
    sheet.write_text(text.replace(",two,", ",three,"))
    outcome = two.run()
    assert outcome.skipped == ("one",)
    assert sorted(p.name for p in (two.home / "batches").glob("*.html")) == [
        "one.html",
        "three.html",
    ]
    assert sorted(p.name for p in (two.home / ".parts").iterdir()) == ["one", "three"]
    sheet.write_text(text)


def test_a_summary_that_fails_keeps_the_report_of_before(tmp_path, notebooks, monkeypatch):
    report = Report(tmp_path, notebooks, "one")
    before = files_of(report.home)
    own = write_notebook(tmp_path / "summary.ipynb", SUMMARY_PARAMETERS, "1 / 0")
    paths = {"batch": notebooks / "batch.ipynb", "summary": own}
    monkeypatch.setattr(runner, "notebook_path", paths.get)
    outcome = report.run()
    assert outcome.summary_html is None
    fault = note(
        "run.cell_failed", notebook="summary.ipynb", code="1 / 0", error="ZeroDivisionError",
        said="division by zero",
    )  # fmt: skip
    assert outcome.failed == {"the summary": fault}
    after = files_of(report.home)
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {"summary.failed.ipynb"}
    use_small_notebooks(notebooks, monkeypatch)
    assert report.run().failed == {}
    assert files_of(report.home) == before


def test_a_summary_that_leaves_out_a_table_does_not_count(tmp_path, notebooks, monkeypatch):
    folder = write_study(tmp_path / "rails", "one")
    own = write_notebook(
        tmp_path / "summary.ipynb",
        SUMMARY_PARAMETERS,
        *SUMMARY_CELLS,
        "(Path(output) / 'tables' / 'claims.csv').unlink()",
    )
    paths = {"batch": notebooks / "batch.ipynb", "summary": own}
    monkeypatch.setattr(runner, "notebook_path", paths.get)
    outcome = runner.run_study(folder, reports=tmp_path / "reports")
    assert outcome.failed == {"the summary": note("run.not_written", file="tables/claims.csv")}
    assert not (tmp_path / "reports" / "rails" / "tables").exists()


@pytest.mark.parametrize("name", ["recordings/0.wav", "takes.csv"])
def test_what_is_replaced_during_a_run_is_not_passed_off_as_analysed(
    tmp_path, notebooks, monkeypatch, name
):
    folder = write_study(tmp_path / "rails", "one", "two")
    before = (folder / name).read_bytes()
    own = nbformat.read(notebooks / "batch.ipynb", as_version=4)
    touch = f"Path(folder, {name!r}).write_bytes(Path(folder, {name!r}).read_bytes() + b' ')"
    own.cells.append(nbformat.v4.new_code_cell(f"if batch == 'one':\n    {touch}", id="late"))
    nbformat.write(own, tmp_path / "batch.ipynb")
    paths = {"batch": tmp_path / "batch.ipynb", "summary": notebooks / "summary.ipynb"}
    monkeypatch.setattr(runner, "notebook_path", paths.get)
    outcome = runner.run_study(folder, reports=tmp_path / "reports", jobs=1)
    assert outcome.failed["one"] == note("run.replaced", files=[name])
    (folder / name).write_bytes(before)
    use_small_notebooks(notebooks, monkeypatch)
    again = runner.run_study(folder, reports=tmp_path / "reports", jobs=1)
    assert again.failed == {}
    assert "one" not in again.skipped


def test_a_run_without_any_result_makes_no_summary(tmp_path, notebooks):
    report = Report(tmp_path, notebooks, "faulty")
    assert report.outcome.summary_html is None
    assert report.outcome.failed["the summary"] == note("run.no_result")


def test_an_unknown_batch_is_named_with_the_nearest(tmp_path):
    folder = write_study(tmp_path / "rails", "morning", "evening")
    with pytest.raises(InputError, match='no batch "mornin"; the nearest is "morning"'):
        runner.run_study(folder, reports=tmp_path / "reports", batches=("mornin",))
    assert not (tmp_path / "reports").exists()


def test_a_second_run_in_the_same_report_is_refused_until_the_first_has_ended(two):
    with alone_in(two.home), pytest.raises(RunError) as caught:
        two.run()
    assert caught.value.codes == ("run.held",)
    assert two.run().failed == {}


def test_a_report_that_cannot_be_written_is_told_before_anything_runs(tmp_path):
    folder = write_study(tmp_path / "rails", "one")
    (tmp_path / "reports").write_text("in the way")
    with pytest.raises(RunError) as caught:
        runner.run_study(folder, reports=tmp_path / "reports")
    told = note("run.not_writable", home=tmp_path / "reports" / "rails", why="not a directory")
    assert caught.value.notes == (told,)


def test_a_report_is_never_written_over_a_study(tmp_path):
    folder = write_study(tmp_path / "rails", "one")
    (folder / "figures").mkdir()
    with pytest.raises(RunError) as caught:
        runner.run_study(folder, reports=tmp_path)
    assert caught.value.codes == ("run.study_folder",)
    assert (folder / "figures").is_dir()


def test_an_unknown_check_is_told_once_and_before_anything_runs(tmp_path):
    folder = write_study(tmp_path / "rails", "one", "two")
    with (folder / "study.toml").open("a") as toml:
        toml.write("[quality]\nstaedy = 1.0\n")
    with pytest.raises(InputError, match="there is no check named staedy"):
        runner.run_study(folder, reports=tmp_path / "reports")
    assert not (tmp_path / "reports").exists()


def test_stopping_kills_the_kernels_and_leaves_nothing_half_written(tmp_path, monkeypatch):
    folder = write_study(tmp_path / "rails", "waiting")
    home = tmp_path / "reports" / "rails"

    def stop_once_it_waits(task, done, total, what):
        if (home / "pid.txt").exists() and (home / "pid.txt").read_text():
            # Three cells done of five, and one take of three.
            assert (task, done, total, what) == ("waiting", 4, 8, "take two")
            raise KeyboardInterrupt

    started = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        runner.run_study(folder, reports=home.parent, progress=stop_once_it_waits)
    assert time.monotonic() - started < 30
    kernel = int((home / "pid.txt").read_text())
    with pytest.raises(ProcessLookupError):
        os.kill(kernel, 0)
    assert [p.name for p in home.rglob("*") if p.suffix in (".ipynb", ".html", ".part")] == []


PARAMETERS = 'name: str = "a"\ncount: int = 1'


@pytest.mark.parametrize(
    ("parameters", "fault", "field"),
    [
        ({"nane": "x"}, "run.no_parameter", {"name": "nane", "known": ["name", "count"]}),
        ({"name": b"x"}, "run.not_plain", {"name": "name", "type": "bytes"}),
        ({"name": ("x",)}, "run.not_plain", {"name": "name", "type": "tuple"}),
        ({"name": [Path("x")]}, "run.not_plain", {"name": "name", "type": "list"}),
        ({"count": np.int64(3)}, "run.not_plain", {"name": "count", "type": "int64"}),
        ({"name": [np.float64(1.0)]}, "run.not_plain", {"name": "name", "type": "list"}),
        ({"name = 1\nimport os\nx": 1}, "run.no_parameter", {}),
    ],
)
def test_parameters_that_papermill_would_paste_are_refused(tmp_path, parameters, fault, field):
    path = write_notebook(tmp_path / "n.ipynb", PARAMETERS, "name")
    with pytest.raises(RunError) as caught:
        run_notebook(path, parameters)
    assert caught.value.codes == (fault,)
    assert field.items() <= fields_of(caught.value.notes[0]).items()


def test_a_path_is_handed_over_whole_and_published_as_it_was_given(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = write_notebook(tmp_path / "n.ipynb", PARAMETERS, "name == str(count), len(name)")
    given = Path("my") / "rails"
    done = run_notebook(path, {"name": given})
    whole = (tmp_path / given).as_posix()
    assert done.cells[-1].outputs[0]["data"]["text/plain"] == f"(False, {len(whole)})"
    assert str(tmp_path) not in nbformat.writes(done)
    assert 'name = "my/rails"' in done.cells[1].source
    done = run_notebook(path, {"name": tmp_path / given})
    assert 'name = "rails"' in done.cells[1].source
    assert str(tmp_path) not in nbformat.writes(done)


def test_a_kernel_killed_in_the_last_cell_does_not_pass(tmp_path):
    path = write_notebook(tmp_path / "n.ipynb", PARAMETERS, "import os\nos._exit(0)")
    with pytest.raises(NotebookError) as caught:
        run_notebook(path, {"count": 2})
    assert caught.value.codes == ("run.kernel_ended",)


def test_cells_that_were_never_run_do_not_pass(tmp_path):
    path = write_notebook(tmp_path / "n.ipynb", PARAMETERS, "import sys\nsys.exit(0)", "1 + 1")
    with pytest.raises(NotebookError) as caught:
        run_notebook(path, {})
    assert caught.value.notes == (note("run.cells_not_run", notebook="n.ipynb", cells=1),)


def test_parameters_arrive_as_they_are_and_figures_are_inline(tmp_path, monkeypatch):
    monkeypatch.setenv("MPLBACKEND", "agg")
    odd = 'it\'s "{odd}" \\ \n <script>'
    path = write_notebook(
        tmp_path / "{n}.ipynb",
        PARAMETERS,
        "import matplotlib.pyplot as plt\nprint(repr(name))\nplt.plot([1, 2])\nplt.show()",
    )
    done = run_notebook(path, {"name": odd})
    assert done.cells[-1].outputs[0]["text"].strip() == repr(odd)
    assert "image/png" in done.cells[-1].outputs[1]["data"]


DRAWN = """
from matplotlib import pyplot as plt
from studylib.report import pages
figure, axes = plt.subplots()
axes.plot([1, 3, 2])
pages.figures(figure)
pages.heading(name)
"""


def test_a_notebook_run_by_hand_is_tidied_into_the_one_that_is_kept(tmp_path):
    """Outside: nbconvert runs it in place, as its own users do; and a lab's marks by hand."""
    path = write_notebook(tmp_path / "n.ipynb", PARAMETERS, DRAWN)
    refresh(path)
    kept = path.read_bytes()
    refresh(path)
    assert path.read_bytes() == kept
    assert b"image/png" in kept
    command = (sys.executable, "-m", "nbconvert", "--execute", "--inplace", "--to", "notebook")
    subprocess.run([*command, path], check=True, capture_output=True, cwd=tmp_path.parent)
    by_hand = nbformat.read(path, as_version=4)
    assert any("execution" in cell.metadata for cell in by_hand.cells)
    by_hand.metadata["kernelspec"]["display_name"] = "Python 3 (ipykernel)"
    by_hand.metadata["language_info"]["version"] = "3.99.0"
    by_hand.cells[1].metadata |= {"scrolled": True, "editable": True}
    nbformat.write(by_hand, path)
    assert path.read_bytes() != kept
    tidy(path)
    assert path.read_bytes() == kept


@pytest.mark.parametrize("name", ["batch", "method", "plan", "summary"])
def test_the_notebooks_stand_as_they_are_kept(tmp_path, name):
    path = Path(__file__).parents[1] / "notebooks" / f"{name}.ipynb"
    (tmp_path / path.name).write_bytes(path.read_bytes())
    tidy(tmp_path / path.name)
    assert (tmp_path / path.name).read_bytes() == path.read_bytes()


def test_nbval_by_hand_from_another_folder_overlooks_what_it_should(tmp_path):
    """An address that is another in every run is no difference, wherever pytest starts."""
    root, folder = Path(__file__).parents[1], tmp_path / "notebooks"
    for name in ("notebooks/conftest.py", "tests/nbval_sanitize.cfg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes((root / name).read_bytes())
    path = write_notebook(folder / "n.ipynb", PARAMETERS, "print(hex(2**40 + id(name)))")
    refresh(path)
    command = [sys.executable, "-m", "pytest", "--nbval", "--nbval-current-env", "-q", path]
    done = subprocess.run(
        [*command, "-p", "no:cacheprovider"], cwd=tmp_path.parent, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout
    assert "2 passed" in done.stdout

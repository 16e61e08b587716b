"""A study's own notebooks: copied, changed, told apart from the library's, trusted or not run."""

from __future__ import annotations

import json
import os
from pathlib import Path

import nbformat
import pytest

from studylib.codes import fields_of, note
from studylib.errors import InputError, RunError
from studylib.run import provenance, runner
from studylib.run.notebooks import COPIED, NAMES, copy_notebooks, own_notebooks, read_notebook
from studylib.words import say
from tests.test_runner import (
    SUMMARY_CELLS,
    SUMMARY_PARAMETERS,
    write_notebook,
    write_study,
)
from tests.test_runner import notebooks as small  # noqa: F401 (a fixture)

TEMPLATES = {name: runner.notebook_path(name) for name in NAMES}


@pytest.fixture(autouse=True)
def own_machine(tmp_path, monkeypatch) -> Path:
    """Nothing is remembered from elsewhere; the file in which this machine remembers."""
    for name in ("HOME", "APPDATA", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "settings"))
    return tmp_path / "settings" / "studylib" / "trusted.json"


@pytest.fixture
def copied(tmp_path) -> Path:
    """A folder with fresh copies."""
    copy_notebooks(tmp_path / "rails", TEMPLATES)
    return tmp_path / "rails"


def change(path: Path, *, at: int = -1, source: str = "1 + 1", **further) -> dict:
    """Another source in one cell, as an editor would save it."""
    whole = json.loads(path.read_text(encoding="utf-8"))
    whole["cells"][at] |= {"source": source.splitlines(keepends=True), **further}
    path.write_text(json.dumps(whole), encoding="utf-8")
    return whole["cells"][at]


def test_copies_hold_no_outputs_and_the_study_above_them(copied):
    for name in NAMES:
        made = nbformat.read(copied / "notebooks" / f"{name}.ipynb", as_version=4)
        nbformat.validate(made)
        original = nbformat.read(TEMPLATES[name], as_version=4)
        assert [cell.id for cell in made.cells] == [cell.id for cell in original.cells]
        assert not any(cell.get("outputs") for cell in made.cells)
        (parameters,) = [c for c in made.cells if "parameters" in c.metadata.get("tags", [])]
        assert 'folder: str = ".."' in parameters.source


def test_what_nobody_changed_is_the_librarys(copied):
    before = {name: read_notebook(path).about for name, path in TEMPLATES.items()}
    # Run and saved by hand: outputs, counts, the kernel's name, an order of keys.
    change(copied / "notebooks" / "plan.ipynb", at=0, source=source_of("plan", 0), outputs=[])
    found = own_notebooks(copied, TEMPLATES, trust=False)
    assert {name: one.about for name, one in found.items()} == before
    assert not any(one.differs for one in found.values())


def source_of(name: str, at: int) -> str:
    return nbformat.read(TEMPLATES[name], as_version=4).cells[at].source


def test_cells_that_differ_are_named(copied):
    path = copied / "notebooks" / "batch.ipynb"
    whole = json.loads(path.read_text())
    ids = [cell["id"] for cell in whole["cells"]]
    whole["cells"][4]["source"] = "pass"
    whole["cells"][6]["metadata"]["tags"] = ["first"]
    moved = whole["cells"].pop(8)
    whole["cells"].insert(12, moved)
    del whole["cells"][-1]
    new = {"cell_type": "markdown", "id": "mine", "metadata": {}, "source": "Mine."}
    whole["cells"].insert(2, new)
    path.write_text(json.dumps(whole))
    found = own_notebooks(copied, TEMPLATES, trust=True)["batch"]
    assert found.differs == {
        "changed": [ids[4], ids[6]], "added": ["mine"], "removed": [ids[-1]],
        "moved": [*ids[9:13], ids[8]],
    }  # fmt: skip
    moved = ", ".join(f"`{name}`" for name in found.differs["moved"])
    told = say(note("run.own_cells", name="batch", **found.differs))
    assert told == (
        f"`batch.ipynb`, changed: `{ids[4]}`, `{ids[6]}`; added: `mine`; "
        f"removed: `{ids[-1]}`; moved: {moved}"
    )


def test_a_picture_that_is_attached_counts(copied):
    path = copied / "notebooks" / "plan.ipynb"
    picture = {"a.png": {"image/png": "aGVsbG8="}}
    cell = change(path, at=0, source=source_of("plan", 0), attachments=picture)
    found = own_notebooks(copied, TEMPLATES, trust=True)["plan"]
    assert found.differs["changed"] == [cell["id"]]
    assert json.loads(found.text())["cells"][0]["attachments"] == picture


def test_what_is_run_is_what_was_hashed(copied):
    path = copied / "notebooks" / "plan.ipynb"
    change(path, metadata={"tags": ["mine"], "papermill": {"x": 1}}, outputs=[])
    whole = json.loads(path.read_text())
    whole["metadata"] = {"kernelspec": {"name": "other", "display_name": "o"}, "widgets": {"a": 1}}
    path.write_text(json.dumps(whole))
    made = nbformat.reads(own_notebooks(copied, TEMPLATES, trust=True)["plan"].text(), as_version=4)
    nbformat.validate(made)
    assert made.metadata == nbformat.read(TEMPLATES["plan"], as_version=4).metadata
    assert made.cells[-1].metadata == {"tags": ["mine"]}
    path.write_text("nothing that anybody read")
    assert made.cells[-1].source == "1 + 1"


def test_a_newer_library_renews_what_nobody_changed_and_lists_the_rest(copied, tmp_path):
    newer = {}
    for name, path in TEMPLATES.items():
        newer[name] = tmp_path / "newer" / f"{name}.ipynb"
        newer[name].parent.mkdir(exist_ok=True)
        newer[name].write_bytes(path.read_bytes())
        if name != "summary":
            change(newer[name], source="'newer'")
    change(copied / "notebooks" / "batch.ipynb", source="'mine'")
    before = (copied / "notebooks" / "batch.ipynb").read_bytes()
    states = copy_notebooks(copied, newer)
    assert states == {"copied": ["plan", "listening"], "same": ["summary"], "changed": ["batch"]}
    assert (copied / "notebooks" / "batch.ipynb").read_bytes() == before
    assert read_notebook(copied / "notebooks" / "plan.ipynb").cells[-1].source == "'newer'"
    assert copy_notebooks(copied, newer)["same"] == ["summary", "plan", "listening"]
    # Whoever takes the mark away has a copy of their own.
    whole = json.loads((copied / "notebooks" / "plan.ipynb").read_text())
    del whole["metadata"][COPIED]
    (copied / "notebooks" / "plan.ipynb").write_text(json.dumps(whole))
    assert copy_notebooks(copied, TEMPLATES)["changed"] == ["batch", "plan"]


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[1]", '{"cells": [3], "metadata": {}, "nbformat": 4}', "[" * 100_000, "\ud800",
     '{"cells": [], "metadata": {}, "nbformat": 3}'],
)  # fmt: skip
def test_what_is_no_notebook_is_one_sentence(copied, text):
    path = copied / "notebooks" / "plan.ipynb"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    for call in (lambda: own_notebooks(copied, TEMPLATES, trust=True),
                 lambda: copy_notebooks(copied, TEMPLATES)):  # fmt: skip
        with pytest.raises(InputError) as caught:
            call()
        assert len(caught.value.faults) == 1
        assert "plan.ipynb" in str(caught.value)


def test_two_cells_of_one_name_are_refused(copied):
    path = copied / "notebooks" / "plan.ipynb"
    whole = json.loads(path.read_text())
    whole["cells"][3]["id"] = whole["cells"][5]["id"]
    path.write_text(json.dumps(whole))
    with pytest.raises(InputError) as caught:
        own_notebooks(copied, TEMPLATES, trust=True)
    assert caught.value.notes == (note("run.no_notebook", file="plan.ipynb"),)


def test_trust_is_asked_for_remembered_and_asked_again_after_a_change(copied, own_machine):
    path = copied / "notebooks" / "plan.ipynb"
    cell = change(path, source="'mine'")
    with pytest.raises(RunError) as caught:
        own_notebooks(copied, TEMPLATES, trust=False)
    assert caught.value.codes == ("run.not_trusted",)
    assert cell["id"] in str(caught.value)
    assert not own_machine.exists()
    own_notebooks(copied, TEMPLATES, trust=True)
    assert own_notebooks(copied, TEMPLATES, trust=False)["plan"].differs["changed"] == [cell["id"]]
    if os.name == "posix":
        assert own_machine.stat().st_mode & 0o777 == 0o600
        assert own_machine.parent.stat().st_mode & 0o777 == 0o700
    change(path, source="'mine, once more'")
    with pytest.raises(RunError):
        own_notebooks(copied, TEMPLATES, trust=False)
    change(path, source="'mine'")
    assert own_notebooks(copied, TEMPLATES, trust=False)


@pytest.mark.parametrize(
    "kept",
    ["", "[]", "{", '{"notebooks": 3}', '{"notebooks": [[], 4]}', "[" * 9999, "folder", None],
)
def test_a_memory_that_is_broken_or_cannot_be_written_only_asks_again(copied, own_machine, kept):
    change(copied / "notebooks" / "plan.ipynb")
    if kept is None:  # a file where the folder would be
        own_machine.parents[1].mkdir()
        own_machine.parent.write_text("in the way")
    elif kept == "folder":
        own_machine.mkdir(parents=True)
    else:
        own_machine.parent.mkdir(parents=True)
        own_machine.write_text(kept)
    with pytest.raises(RunError):
        own_notebooks(copied, TEMPLATES, trust=False)
    assert own_notebooks(copied, TEMPLATES, trust=True)["plan"].differs
    if kept in (None, "folder"):
        with pytest.raises(RunError):
            own_notebooks(copied, TEMPLATES, trust=False)
    else:
        assert own_notebooks(copied, TEMPLATES, trust=False)


@pytest.fixture
def study(tmp_path, small, monkeypatch) -> Path:  # noqa: F811
    """A study of one batch whose summary is its own, beside small notebooks of the library."""
    monkeypatch.setattr(runner, "notebook_path", lambda name: small / f"{name}.ipynb")
    monkeypatch.setattr(provenance, "library_digest", lambda: "the library")
    folder = write_study(tmp_path / "rails", "one")
    (folder / "notebooks").mkdir()
    own = folder / "notebooks" / "summary.ipynb"
    write_notebook(own, SUMMARY_PARAMETERS, *SUMMARY_CELLS, "print('mine')")
    return folder


def test_a_run_uses_the_studys_own_and_says_so(study, tmp_path):
    reports = tmp_path / "reports"
    with pytest.raises(RunError) as caught:
        runner.run_study(study, reports=reports)
    assert caught.value.codes == ("run.not_trusted",)
    assert not reports.exists()
    outcome = runner.run_study(study, reports=reports, trust=True)
    assert outcome.failed == {}
    done = nbformat.read(outcome.home / "summary.ipynb", as_version=4)
    assert done.cells[-2].outputs[0]["text"] == "mine\n"
    line = note("run.own_cells", name="summary", changed=[], added=["cell-3"], removed=[], moved=[])
    assert done.cells[-1].source.splitlines()[-1] == f"- {say(line)}"
    page = outcome.summary_html.read_text(encoding="utf-8")
    assert say("run.own_notebooks") in page
    assert "<code>cell-3</code>" in page
    assert say("run.own_notebooks") not in (outcome.home / "batches" / "one.html").read_text()
    made = json.loads((outcome.home / "provenance.json").read_text())["notebooks"]
    digest = read_notebook(study / "notebooks" / "summary.ipynb").digest
    assert made["summary"] == {
        "sha256": digest, "changed": [], "added": ["cell-3"], "removed": [], "moved": [],
    }  # fmt: skip
    assert set(made["batch"]) == {"sha256"}
    # Remembered; nothing changed, so nothing is run; a change of the summary runs that alone.
    again = runner.run_study(study, reports=reports)
    assert (again.skipped, again.summary_html.stat().st_mtime_ns) == (
        ("one",), outcome.summary_html.stat().st_mtime_ns,
    )  # fmt: skip
    change(study / "notebooks" / "summary.ipynb", source="print('other')")
    third = runner.run_study(study, reports=reports, trust=True)
    assert third.skipped == ("one",)
    assert "other" in third.summary_html.read_text()


def test_a_plan_page_is_not_made_by_what_is_not_trusted(study, tmp_path):
    cells = "from pathlib import Path\nPath(output).mkdir(parents=True)", "folder"
    parameters = 'folder: str = ""\noutput: str = ""'
    library = write_notebook(tmp_path / "plan.ipynb", parameters, *cells)
    own = write_notebook(study / "notebooks" / "plan.ipynb", parameters, *cells, "'mine'")
    patched = {"plan": library}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "notebook_path", patched.get)
        with pytest.raises(RunError) as caught:
            runner.write_page("plan", study, reports=tmp_path / "reports")
        assert fields_of(caught.value.notes[0])["cells"]
        page = runner.write_page("plan", study, reports=tmp_path / "reports", trust=True)
    assert say("run.own_notebooks") in page.read_text()
    assert read_notebook(own).digest != read_notebook(library).digest

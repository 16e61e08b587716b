"""Run a study: batches side by side, then the summary, then what both are made of.

The order, and what makes a result count:
1. the study is read and its inputs hashed; each batch has a key (`provenance.batch_key`);
2. every asked-for batch that has no good result is executed, `jobs` at a time, in threads that
   only wait for kernels; a batch counts as run when its notebook went through (`execution`)
   and its part is whole and carries this run's key (`parts`);
3. its page is made while other notebooks run, and both are renamed into place (`places`);
4. the summary is executed into a folder of its own; that of a locked study is entered in its
   ledger; tables and figures take the place of the old ones when all of it is there; an unchanged
   summary is not run again either;
5. `provenance.json` is written.
A batch that fails stops nothing else: the summary and the outcome name it.

Functions: `run_study`; `write_page`, a notebook that stands alone; `own_notebooks`, what they run;
`notebook_path`.
"""

import shutil
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, wait
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from studylib import codes, errors, sheets, words, writing
from studylib.measure.batch import (
    PROGRESS,
    batch_slugs,
    choose_batch,
    part_key,
    read_progress,
    take_in,
)
from studylib.measure.session import common_rate
from studylib.report.preregistration import looks_of
from studylib.run import notebooks, provenance, workers
from studylib.sheets.files import sha256
from studylib.sheets.listening import FOLDER
from studylib.sheets.records import LEDGER, add_entry
from studylib.sheets.study import SHEETS, file_hashes, read_unrecorded
from studylib.signal.quality import overridden

# How the summary is called beside the batches, in progress and among the failures.
SUMMARY = "the summary"
# What the summary notebook must have written before it counts as run.
SUMMARY_FILES = (
    *(f"tables/{name}.csv" for name in ("quality", "features", "variance", "effects")),
    *(f"tables/{name}.csv" for name in ("boards", "claims")),
    "figures",
)
# Called in the main thread with (batch or SUMMARY, done, total, what is being done).
RunProgress = Callable[[str, int, int, str], None]


@dataclass(frozen=True)
class Outcome:
    """What a run came to.

    home : the folder of the report.
    summary_html : the report, or None when this run could not make one.
    failed : batch (or SUMMARY) -> what went wrong, a note.
    skipped : batches whose result was still good.
    not_run : batches that were not asked for and have no good result -> why, a note.
    """

    home: Path
    summary_html: Path | None
    failed: dict[str, str] = field(default_factory=dict)
    skipped: tuple[str, ...] = ()
    not_run: dict[str, str] = field(default_factory=dict)


def notebook_path(name: str) -> Path:
    """The notebook of that name: inside the package, or in the checkout beside it.

    Raises
    ------
    RunError : neither is there.
    """
    package = Path(__file__).parent.parent
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (folder / f"{name}.ipynb").is_file():
            return folder / f"{name}.ipynb"
    raise errors.RunError(codes.note("run.notebook_missing", name=name))


def own_notebooks(
    folder: Path | str, *names: str, trust: bool = False
) -> dict[str, notebooks.Notebook]:
    """The notebooks of these names that a study is run with (`notebooks.own_notebooks`).

    Raises
    ------
    InputError : one cannot be read, or is no notebook.
    RunError : the installation lacks one, or the study's own is not trusted.
    """
    return notebooks.own_notebooks(
        Path(folder), {name: notebook_path(name) for name in names}, trust=trust
    )


def run_study(
    folder: Path | str,
    *,
    reports: Path | str = Path("reports"),
    batches: tuple[str, ...] | None = None,
    jobs: int = 2,
    trust: bool = False,
    executor: Executor | None = None,
    progress: RunProgress | None = None,
) -> Outcome:
    """Execute the notebooks of a study and write `reports/<study>/`.

    Parameters
    ----------
    folder : the study folder.
    reports : the folder of all reports; is made when missing.
    batches : run only these, and let the summary use what is good; None runs all.
    jobs : how many batch notebooks run at a time, 1 or more.
    trust : run notebooks of the study that differ from the library's, and remember them.
    executor : whose workers run the notebooks, as many at a time as it takes (see `cluster`); None
        for this machine.
    progress : called in this thread with (batch or SUMMARY, done, total, what).

    Returns
    -------
    What the run came to; a batch that failed is named there and is no error.

    Raises
    ------
    InputError : the sheets have faults, or there is no such batch or check.
    RunError : the installation lacks a notebook, a notebook of the study is not trusted, `jobs` is
        below 1, or the folder of the report cannot be written to or is held by another run.
    """
    errors.RunError.refuse(jobs < 1, "run.no_jobs", jobs=jobs)
    study = sheets.read_study(folder)
    errors.InputError.refuse(
        not study.takes, "run.nothing_recorded", study=study.name, planned=len(study.planned)
    )
    overridden(study.settings.quality)  # a wrong name is told once, not by every batch
    names = [choose_batch(study, name) for name in batches or study.batches]
    own = own_notebooks(study.folder, "batch", "summary", trust=trust)
    with (
        workers.alone_in(Path(reports) / study.name) as home,
        # Where every worker sees it, and named as what a killed run leaves behind.
        tempfile.TemporaryDirectory(dir=home, prefix=".", suffix=".part") as room,
    ):
        about = {"own": own, "room": Path(room), "executor": executor, "progress": progress}
        about["jobs"] = jobs if executor is None else len(names)
        run = _Run(study, Path(folder), Path(reports), **about)
        try:
            return run.go(names)
        finally:
            run.workers.close()
            shutil.rmtree(run.summary.staging, ignore_errors=True)


def write_page(name: str, folder: Path | str, *, reports: Path | str, trust: bool = False) -> Path:
    """Execute one of the notebooks that stand alone, "plan" or "listening"; its figures and tables
    go to a folder of that name beside the page.

    Parameters
    ----------
    name : of the notebook.
    folder : the study folder.
    reports : the folder of all reports; is made when missing.
    trust : run a notebook of the study that differs from the library's, and remember it.

    Returns
    -------
    The page, `reports/<study>/<name>.html`.

    Raises
    ------
    InputError : the sheets have faults.
    RunError : the notebook is missing, not trusted or failed, or another run holds the folder.
    """
    from studylib.report.pages import page_html
    from studylib.run.execution import run_notebook

    boards = read_unrecorded(folder)
    home = Path(reports) / writing.slug(boards.folder.name)
    own = own_notebooks(boards.folder, name, trust=trust)
    with workers.alone_in(home), tempfile.TemporaryDirectory() as room:
        done = notebooks.with_own(
            run_notebook(
                own[name].put(Path(room) / f"{name}.ipynb"),
                {"folder": Path(folder), "output": home / name},
            ),
            own,
        )
        writing.write_whole(home / f"{name}.ipynb", _text(done))
        title = words.say("run.title_of", page=name, title=boards.settings.study.title)
        writing.write_whole(home / f"{name}.html", page_html(done, title=title))
    return home / f"{name}.html"


class _Run:
    """One run: what it knows from the start, and its steps."""

    def __init__(
        self,
        study: sheets.Study,
        folder: Path,
        reports: Path,
        *,
        own: dict[str, notebooks.Notebook],
        room: Path,
        jobs: int,
        executor: Executor | None,
        progress: RunProgress | None,
    ) -> None:
        self.study, self.folder, self.own = study, folder, own
        self.home = reports / study.name
        self.summary = provenance.SummaryPlace(self.home)
        self.hashes = file_hashes(study)
        self.library = provenance.library_digest()
        self.notebooks = {name: one.put(room / f"{name}.ipynb") for name, one in own.items()}
        slugs = batch_slugs(study.batches)
        same = {"hashes": self.hashes, "rate_hz": _rate(study), "library": self.library}
        self.places = {
            name: provenance.BatchPlace(
                name=name,
                key=provenance.batch_key(study, name, notebook=own["batch"].about, **same),
                home=self.home,
                slug=slugs[name],
            )
            for name in study.batches
        }
        self.workers = workers.Workers(
            jobs=jobs,
            tell=progress or (lambda *_: None),
            noted=self._noted,
            executor=executor,
        )
        self.page_work: dict[Future, provenance.BatchPlace] = {}

    def _noted(self, task: str) -> tuple[int, int, str] | None:
        place = self.places.get(task)
        return place and (
            read_progress(place.part) or (0, len(self.study.takes_of(task)), "starting")
        )

    def go(self, wanted: list[str]) -> Outcome:
        places = list(self.places.values())
        # Part, notebook and page are there, whole, of this key, and none was set aside.
        good = [p for p in places if part_key(p.part) == p.key and p.is_shown(p.key)]
        asked = [place for place in places if place.name in wanted]
        to_run = [place for place in asked if place not in good]
        failed = self.run_batches(to_run)
        not_run = {
            place.name: place.set_aside()
            for place in places
            if place not in good and place not in to_run
        }
        left_out = failed | not_run
        trouble = self.run_summary(left_out)
        wait(self.page_work)
        failed |= {
            place.name: codes.note("run.no_page", why=_fault(work.exception()))
            for work, place in self.page_work.items()
            if work.exception() is not None
        }
        if trouble:
            failed[SUMMARY] = trouble
        else:
            writing.write_json(
                self.home / "provenance.json",
                provenance.provenance(
                    self.study,
                    hashes=self.hashes,
                    batches={
                        name: words.say(left_out.get(name, "run.in_summary"))
                        for name in self.places
                    },
                    report=self.home,
                    library=self.library,
                    notebooks={name: one.about for name, one in self.own.items()},
                ),
            )
        provenance.remove_strangers(self.home, {place.slug for place in places})
        return Outcome(
            home=self.home,
            summary_html=None if trouble else self.summary.page,
            failed=failed,
            skipped=tuple(place.name for place in asked if place in good),
            not_run=not_run,
        )

    def run_batches(self, places: list[provenance.BatchPlace]) -> dict[str, str]:
        """Execute batches side by side; a note for each one that failed."""
        failed = {}
        running = {self.workers.submit(self._execute_batch, place): place for place in places}
        for future in self.workers.as_finished(
            {future: place.name for future, place in running.items()}
        ):
            place, error = running[future], future.exception()
            if error is None:
                page = self.workers.submit_page(self._show_batch, place, future.result())
                self.page_work[page] = place
            else:
                failed[place.name] = _fault(error)
                place.fail(failed[place.name], notebook=_notebook_of(error))
        return failed

    def run_summary(self, left_out: dict[str, str]) -> str:
        """Execute the summary unless it is still good; a note when that failed, or ""."""
        used = {name: place.key for name, place in self.places.items() if name not in left_out}
        if not used:
            return codes.note("run.no_result")
        looks = looks_of(self.study.compared, failed=left_out)
        key = provenance.summary_key(
            hashes=self.hashes | {LEDGER: f"{looks.number} {looks.whole}"},
            parts=used,
            left_out=left_out,
            notebook=self.own["summary"].about,
            library=self.library,
        )
        if self.summary.is_shown(key):
            self.summary.failed_notebook.unlink(missing_ok=True)
            return ""
        for name in used:
            take_in(self.places[name].part)
        work = self.workers.submit(partial(self._execute_summary, left_out=tuple(left_out)), key)
        for future in self.workers.as_finished({work: SUMMARY}):
            if error := future.exception():
                if notebook := _notebook_of(error):
                    writing.write_whole(self.summary.failed_notebook, notebook)
                return _fault(error)
        return ""

    def _execute_batch(self, place: provenance.BatchPlace) -> Any:
        from studylib.run.execution import NotebookError

        (place.part / PROGRESS).unlink(missing_ok=True)
        notebook = self.workers.execute(
            self.notebooks["batch"],
            place.name,
            {"folder": self.folder, "batch": place.name, "output": place.part, "key": place.key},
        )
        (place.part / PROGRESS).unlink(missing_ok=True)
        if part_key(place.part) != place.key:
            raise NotebookError(codes.note("run.no_part"), notebook)
        self._hold_still([*SHEETS, *(take.file for take in self.study.takes_of(place.name))])
        return notebook

    def _hold_still(self, names: Iterable[str]) -> None:
        """Refuse what was analysed while these files of the study were replaced."""
        replaced = [n for n in names if sha256(self.study.folder / n) != self.hashes[n]]
        errors.RunError.refuse(replaced, "run.replaced", files=replaced)

    def _execute_summary(self, key: str, *, left_out: tuple[str, ...]) -> None:
        from studylib.report.pages import page_html
        from studylib.run.execution import NotebookError

        staging = self.summary.staging
        shutil.rmtree(staging, ignore_errors=True)
        notebook = self.workers.execute(
            self.notebooks["summary"],
            SUMMARY,
            {
                "folder": self.folder,
                "parts": self.home / ".parts",
                "output": staging,
            },
            alone=True,
        )
        missing = [name for name in SUMMARY_FILES if not (staging / name).exists()]
        if missing:
            raise NotebookError(codes.note("run.not_written", file=missing[0]), notebook)
        self._hold_still(name for name in self.hashes if name.startswith((*SHEETS, FOLDER)))
        part = self.study.compared
        if part.lock:  # before the page is shown, so that no look goes uncounted
            add_entry(part.folder, part.boards_recorded(failed=left_out), when=datetime.now())
        notebooks.with_own(notebook, self.own)
        self.summary.keep(
            key,
            notebook=_text(notebook),
            page=page_html(notebook, title=self.study.settings.study.title),
        )

    def _show_batch(self, place: provenance.BatchPlace, notebook: Any) -> None:
        from studylib.report.pages import page_html

        title = f"{place.name} - {self.study.settings.study.title}"
        notebooks.with_own(notebook, {"batch": self.own["batch"]})
        place.show(place.key, _text(notebook), page_html(notebook, title=title))


def _rate(study: sheets.Study) -> int | None:
    with suppress(errors.StudyError):  # no recording opens: each batch will say so of its own
        return common_rate(study)
    return None


def _fault(error: BaseException) -> str:
    return (
        codes.several(error.notes)
        if isinstance(error, errors.RunError)
        else codes.note("run.other", error=type(error).__name__, said=str(error))
    )


def _notebook_of(error: BaseException) -> str | None:
    notebook = getattr(error, "notebook", None)
    return None if notebook is None else _text(notebook)


def _text(notebook: Any) -> str:
    import nbformat

    return nbformat.writes(notebook) + "\n"

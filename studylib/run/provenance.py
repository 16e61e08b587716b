"""Where a result came from, where it lies, and whether it is still good.

Conventions: SHA-256 as hexadecimal digits; paths relative to the study folder or to the report,
with "/"; no time, no user, no machine path, so that the same inputs give the same bytes.

- `batch_key`, `summary_key`: one mark for everything a notebook's result depends on.
- `provenance`: versions, parameters, hashes of every input and every table, as plain data.

Layout of `reports/<study>/`: the pages and tables a reader opens, and beside them the hidden
folder `.parts/` with what the batches left for the summary. Good means: written whole, and
under the key that the inputs, the notebook and the library have now.

- `BatchPlace`: one batch: its part, its notebook, its page.
- `SummaryPlace`: the summary: its notebook, its page, tables and figures.
- `remove_strangers`: takes away what is left of batches that the study no longer has.
"""

import hashlib
import json
import platform
import shutil
import subprocess
from collections.abc import Collection, Iterable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from studylib import sheets, writing
from studylib.measure.batch import leave_out, part_key
from studylib.sheets.files import sha256
from studylib.sheets.lock import version_of

# What the numbers hang on; a change of one of these means measuring again.
NUMERIC = ("numpy", "scipy", "soundfile", "pandas")
# What else a report is made with.
REPORTING = ("matplotlib", "pydantic", "papermill", "nbconvert", "ipykernel")
# The files besides takes.csv that a batch's result depends on, where they are there.
GIVE_WOODS = ("study.toml", "specimens.csv", "woods.key")
PACKAGE = Path(__file__).parent.parent


def digest(content: Any) -> str:
    """SHA-256 of plain data, by its JSON with sorted keys."""
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=False, default=str).encode("utf-8")
    ).hexdigest()


def folder_digests(folder: Path) -> dict[str, str]:
    """Path relative to the folder -> SHA-256, for every file in it that is not hidden."""
    names = {path.relative_to(folder): path for path in sorted(folder.rglob("*"))}
    return {
        name.as_posix(): sha256(path)
        for name, path in names.items()
        if path.is_file() and not any(s.startswith((".", "__pycache__")) for s in name.parts)
    }


def versions(names: Iterable[str]) -> dict[str, str]:
    """Installed version of each distribution; "not installed" where there is none."""
    return {name: version_of(name) or "not installed" for name in names}


def library_digest() -> str:
    """One hash of the library's own files; notebooks that lie inside it have their own."""
    return digest(
        {
            name: sha
            for name, sha in folder_digests(PACKAGE).items()
            if not name.startswith("notebooks/")
        }
    )


def batch_key(
    study: sheets.Study,
    batch: str,
    *,
    hashes: Mapping[str, str],
    rate_hz: int | None,
    notebook: Mapping[str, Any],
    library: str,
) -> str:
    """The mark of one batch's result.

    Parameters
    ----------
    hashes : SHA-256 of every input, from `sheets.file_hashes`.
    rate_hz : what every take must have; it can hang on the recordings of all batches.
    notebook : what is told of the batch notebook (`Notebook.about`).
    library : from `library_digest`.

    Returns
    -------
    A hash of the batch's recordings, its rows of takes.csv, study.toml, specimens.csv, the
    notebook, the library and the versions of what it computes with. Rows of other batches,
    and the place of a row in its sheet, do not count.
    """
    takes = study.takes_of(batch)
    return digest(
        {
            "batch": batch,
            "study": study.name,
            # The keys of a blind study only where they were opened: they then give the woods.
            "sheets": {name: own for name, own in hashes.items() if name.startswith(GIVE_WOODS)},
            "takes": [{k: str(value) for k, value in take if k != "row"} for take in takes],
            "rate_hz": rate_hz,
            "recordings": {take.file: hashes[take.file] for take in takes},
            "notebook": dict(notebook),
            "library": library,
            "python": platform.python_version(),
            "versions": versions(NUMERIC),
        }
    )


def summary_key(
    *,
    hashes: Mapping[str, str],
    parts: Mapping[str, str],
    left_out: Mapping[str, str],
    notebook: Mapping[str, Any],
    library: str,
) -> str:
    """The mark of the summary: its parts, the batches it lacks, the inputs, notebook, library."""
    return digest(
        {
            "inputs": dict(hashes),
            "parts": dict(parts),
            "left_out": dict(left_out),
            "notebook": dict(notebook),
            "library": library,
            "python": platform.python_version(),
            "versions": versions([*NUMERIC, *REPORTING]),
        }
    )


def provenance(
    study: sheets.Study,
    *,
    hashes: Mapping[str, str],
    batches: Mapping[str, str],
    report: Path,
    library: str,
    notebooks: Mapping[str, Any],
) -> dict[str, Any]:
    """Everything that a reader needs to make the report again, as plain data.

    Parameters
    ----------
    hashes : SHA-256 of every input.
    batches : batch -> "in the summary", or why it is not.
    report : the folder with `tables/` and the pages.
    notebooks : name -> the SHA-256 of what it does, and the cells that are not the library's.
    """
    import soundfile

    return {
        "study": study.name,
        "title": study.settings.study.title,
        "parameters": study.settings.model_dump(mode="json"),
        "batches": dict(batches),
        "inputs": dict(hashes),
        "tables": {
            f"tables/{name}": value for name, value in folder_digests(report / "tables").items()
        },
        "library": library,
        "notebooks": dict(notebooks),
        "versions": {
            "python": platform.python_version(),
            "libsndfile": soundfile.__libsndfile_version__,
            **versions(["studylib", *NUMERIC, *REPORTING]),
        },
        "packages": {one.name: one.version for one in metadata.distributions()},
        "commit": _commit(study.folder),
    }


def _commit(folder: Path) -> str:
    """The commit of the repository that a study lies in; "" without one, or without git."""
    command = ["git", "-C", folder, "rev-parse", "--verify", "--quiet", "HEAD"]
    try:
        return subprocess.run(command, capture_output=True, text=True).stdout.strip()
    except OSError:
        return ""


class _Place:
    """A notebook and its page, and the note of the key under which they belong together."""

    def __init__(self, home: Path, notebook: str, *, failed: str, shown: str) -> None:
        """All names are relative to `home`, the report's folder."""
        self.home, self.notebook = home, home / notebook
        self.page = self.notebook.with_suffix(".html")
        self.failed_notebook, self._shown = home / failed, home / shown

    def digests(self) -> dict[str, str]:
        """SHA-256 of what is in place, by name."""
        return {path.name: sha256(path) for path in (self.notebook, self.page) if path.is_file()}

    def is_shown(self, key: str) -> bool:
        """What was put in place under this key is there as it was written."""
        shown = writing.read_json(self._shown)
        return shown.get("key") == key and shown.get("files") == self.digests()

    def show(self, key: str, notebook: str, page: str) -> None:
        """Put notebook and page in place; the note that they belong goes first and comes last."""
        self._shown.unlink(missing_ok=True)
        writing.write_whole(self.notebook, notebook)
        writing.write_whole(self.page, page)
        self.failed_notebook.unlink(missing_ok=True)
        writing.write_json(self._shown, {"key": key, "files": self.digests()})


class BatchPlace(_Place):
    """One batch of a report and the key that its results must carry to be good."""

    def __init__(self, *, name: str, key: str, home: Path, slug: str) -> None:
        self.name, self.key, self.slug = name, key, slug
        self.part = home / ".parts" / slug
        super().__init__(
            *(home, f"batches/{slug}.ipynb"),
            failed=f"batches/failed/{slug}.ipynb",
            shown=f".parts/{slug}/shown.json",
        )

    def fail(self, fault: str, *, notebook: str | None) -> None:
        """Take away what an earlier run left, so that it cannot pass for this one's.

        The notebook as far as it got is kept under a name of its own.
        """
        leave_out(self.part, fault)
        for path in (self._shown, self.notebook, self.page, self.failed_notebook):
            path.unlink(missing_ok=True)
        if notebook is not None:
            writing.write_whole(self.failed_notebook, notebook)

    def set_aside(self) -> str:
        """Keep a result that was not asked for and is not good out of the summary; says why."""
        reason = "run.not_run" if part_key(self.part) is None else "run.changed"
        leave_out(self.part, reason)
        return reason


class SummaryPlace(_Place):
    """The summary of a report."""

    def __init__(self, home: Path) -> None:
        self.staging = home / ".summary.part"
        super().__init__(
            *(home, "summary.ipynb"), failed="summary.failed.ipynb", shown=".summary.json"
        )

    def keep(self, key: str, *, notebook: str, page: str) -> None:
        """Put tables, figures, notebook and page in place."""
        self._shown.unlink(missing_ok=True)
        for folder in ("tables", "figures"):
            writing.replace_folder(self.staging / folder, self.home / folder)
        self.show(key, notebook, page)

    def digests(self) -> dict[str, str]:
        """SHA-256 of what is in place, tables and figures with it."""
        return super().digests() | {
            f"{folder}/{name}": value
            for folder in ("tables", "figures")
            for name, value in folder_digests(self.home / folder).items()
        }


def remove_strangers(home: Path, slugs: Collection[str]) -> None:
    """Delete parts, notebooks and pages of batches that are not in the study any more, and what
    killed runs left behind.

    Only what stands in `.parts/`, and so was written by a run, is taken for a batch.
    """
    known = {slug.casefold() for slug in slugs}
    for part in sorted(home.glob(".parts/*/")):
        if part.name.casefold() not in known:
            place = BatchPlace(name="", key="", home=home, slug=part.name)
            for path in (place.notebook, place.page, place.failed_notebook):
                path.unlink(missing_ok=True)
            shutil.rmtree(part)
    for left in list(home.rglob(".*.part")):  # of a run that was killed: a folder, or a file
        shutil.rmtree(left, ignore_errors=True)
        left.unlink(missing_ok=True)

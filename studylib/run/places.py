"""Where the things of one report lie, and whether they are still good.

Layout of `reports/<study>/`: the pages and tables a reader opens, and beside them the hidden
folder `.parts/` with what the batches left for the summary. Good means: written whole, and
under the key that the inputs, the notebook and the library have now.

- `BatchPlace`: one batch: its part, its notebook, its page.
- `SummaryPlace`: the summary: its notebook, its page, tables and figures.
- `remove_strangers`: takes away what is left of batches that the study no longer has.
"""

import shutil
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from studylib.codes import note
from studylib.codes.run import BatchState
from studylib.measure.parts import leave_out, part_key, take_in
from studylib.run.provenance import folder_digests
from studylib.sheets.files import sha256
from studylib.writing import read_json, replace_folder, write_json, write_whole


class _Place:
    """A notebook and its page, and the note of the key under which they belong together."""

    def digests(self) -> dict[str, str]:
        """SHA-256 of what is in place, by name."""
        return {path.name: sha256(path) for path in (self.notebook, self.page) if path.is_file()}

    def is_shown(self, key: str) -> bool:
        """What was put in place under this key is there as it was written."""
        shown = read_json(self._shown)
        return shown.get("key") == key and shown.get("files") == self.digests()

    def show(self, key: str, notebook: str, page: str) -> None:
        """Put notebook and page in place; the note that they belong, last."""
        write_whole(self.notebook, notebook)
        write_whole(self.page, page)
        self.failed_notebook.unlink(missing_ok=True)
        write_json(self._shown, {"key": key, "files": self.digests()})


@dataclass(frozen=True)
class BatchPlace(_Place):
    """One batch of a report and the key that its results must carry to be good."""

    name: str
    key: str
    home: Path
    slug: str

    @property
    def part(self) -> Path:
        return self.home / ".parts" / self.slug

    @property
    def notebook(self) -> Path:
        return self.home / "batches" / f"{self.slug}.ipynb"

    @property
    def page(self) -> Path:
        return self.home / "batches" / f"{self.slug}.html"

    @property
    def failed_notebook(self) -> Path:
        return self.home / "batches" / "failed" / f"{self.slug}.ipynb"

    @property
    def _shown(self) -> Path:
        return self.part / "shown.json"

    def is_good(self) -> bool:
        """Part, notebook and page are there, whole, of this key, and none was set aside."""
        return part_key(self.part) == self.key and self.is_shown(self.key)

    def keep(self, *, notebook: str, page: str) -> None:
        """Put the executed notebook and its page in place."""
        self._shown.unlink(missing_ok=True)
        self.show(self.key, notebook, page)

    def fail(self, fault: str, *, notebook: str | None) -> None:
        """Take away what an earlier run left, so that it cannot pass for this one's.

        The notebook as far as it got is kept under a name of its own.
        """
        leave_out(self.part, fault)
        for path in (self._shown, self.notebook, self.page, self.failed_notebook):
            path.unlink(missing_ok=True)
        if notebook is not None:
            write_whole(self.failed_notebook, notebook)

    def set_aside(self) -> str:
        """Keep a result that was not asked for and is not good out of the summary; says why."""
        was_run = part_key(self.part) is not None
        reason = note(BatchState.CHANGED if was_run else BatchState.NOT_RUN)
        leave_out(self.part, reason)
        return reason

    def take_in(self) -> None:
        """Let the summary use the part."""
        take_in(self.part)


@dataclass(frozen=True)
class SummaryPlace(_Place):
    """The summary of a report."""

    home: Path

    @property
    def notebook(self) -> Path:
        return self.home / "summary.ipynb"

    @property
    def page(self) -> Path:
        return self.home / "summary.html"

    @property
    def failed_notebook(self) -> Path:
        return self.home / "summary.failed.ipynb"

    @property
    def staging(self) -> Path:
        return self.home / ".summary.part"

    @property
    def _shown(self) -> Path:
        return self.home / ".summary.json"

    def keep(self, key: str, *, notebook: str, page: str) -> None:
        """Put tables, figures, notebook and page in place."""
        self._shown.unlink(missing_ok=True)
        for folder in ("tables", "figures"):
            replace_folder(self.staging / folder, self.home / folder)
        self.show(key, notebook, page)

    def digests(self) -> dict[str, str]:
        """SHA-256 of what is in place, tables and figures with it."""
        return super().digests() | {
            f"{folder}/{name}": value
            for folder in ("tables", "figures")
            for name, value in folder_digests(self.home / folder).items()
        }


def remove_strangers(home: Path, slugs: Collection[str]) -> None:
    """Delete parts, notebooks and pages of batches that are not in the study any more.

    Only what stands in `.parts/`, and so was written by a run, is taken for a batch.
    """
    parts = home / ".parts"
    known = {slug.casefold() for slug in slugs}
    for part in sorted(parts.iterdir()) if parts.is_dir() else []:
        if part.is_dir() and part.name.casefold() not in known:
            place = BatchPlace(name="", key="", home=home, slug=part.name)
            for path in (place.notebook, place.page, place.failed_notebook):
                path.unlink(missing_ok=True)
            shutil.rmtree(part)

"""Where a result came from: keys that say when it must be made again, and `provenance.json`.

Conventions: SHA-256 as hexadecimal digits; paths relative to the study folder or to the report,
with "/"; no time, no user, no machine path, so that the same inputs give the same bytes.

- `batch_key`, `summary_key`: one mark for everything a notebook's result depends on.
- `provenance`: versions, parameters, hashes of every input and every table, as plain data.
"""

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from studylib.sheets import Study
from studylib.sheets.files import sha256

# What the numbers hang on; a change of one of these means measuring again.
NUMERIC = ("numpy", "scipy", "soundfile", "pandas")
# What else a report is made with.
REPORTING = ("matplotlib", "pydantic", "papermill", "nbconvert", "ipykernel")
# The files besides takes.csv that a batch's result depends on, where they are there.
GIVE_WOODS = ("study.toml", "specimens.csv", "woods.key.csv")
PACKAGE = Path(__file__).parent.parent


def digest(content: Any) -> str:
    """SHA-256 of plain data, by its JSON with sorted keys."""
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=False, default=str).encode("utf-8")
    ).hexdigest()


def notebook_digest(path: Path | str) -> str:
    """SHA-256 of what a notebook does: kind, source and tags of its cells, not the outputs that
    it happens to hold."""
    cells = json.loads(Path(path).read_text(encoding="utf-8"))["cells"]
    return digest(
        [[cell["cell_type"], cell["source"], cell["metadata"].get("tags")] for cell in cells]
    )


def folder_digests(folder: Path) -> dict[str, str]:
    """Path relative to the folder -> SHA-256, for every file in it that is not hidden."""
    found = sorted(path for path in folder.rglob("*") if path.is_file())
    names = {path.relative_to(folder).as_posix(): path for path in found}
    return {
        name: sha256(path)
        for name, path in names.items()
        if not any(step.startswith((".", "__pycache__")) for step in name.split("/"))
    }


def versions(names: Iterable[str]) -> dict[str, str]:
    """Installed version of each distribution; "not installed" where there is none."""
    found = {}
    for name in names:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def library_digest() -> str:
    """One hash of the library's own files; notebooks that lie inside it have their own."""
    digests = folder_digests(PACKAGE)
    return digest({name: sha for name, sha in digests.items() if not name.startswith("notebooks/")})


def batch_key(
    study: Study,
    batch: str,
    *,
    hashes: Mapping[str, str],
    rate_hz: int | None,
    notebook: Path,
    library: str,
) -> str:
    """The mark of one batch's result.

    Parameters
    ----------
    hashes : SHA-256 of every input, from `sheets.file_hashes`.
    rate_hz : what every take must have; it can hang on the recordings of all batches.
    notebook : the batch notebook.
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
            # The key of a blind study only where it was opened: it then gives the woods.
            "sheets": {name: hashes[name] for name in GIVE_WOODS if name in hashes},
            "takes": [{k: str(value) for k, value in take if k != "row"} for take in takes],
            "rate_hz": rate_hz,
            "recordings": {take.file: hashes[take.file] for take in takes},
            "notebook": notebook_digest(notebook),
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
    notebook: Path,
    library: str,
) -> str:
    """The mark of the summary: its parts, the batches it lacks, the inputs, notebook, library."""
    return digest(
        {
            "inputs": dict(hashes),
            "parts": dict(parts),
            "left_out": dict(left_out),
            "notebook": notebook_digest(notebook),
            "library": library,
            "python": platform.python_version(),
            "versions": versions([*NUMERIC, *REPORTING]),
        }
    )


def provenance(
    study: Study,
    *,
    hashes: Mapping[str, str],
    batches: Mapping[str, str],
    report: Path,
    library: str,
) -> dict[str, Any]:
    """Everything that a reader needs to make the report again, as plain data.

    Parameters
    ----------
    hashes : SHA-256 of every input.
    batches : batch -> "in the summary", or why it is not.
    report : the folder with `tables/` and the pages.
    """
    import soundfile

    tables = folder_digests(report / "tables") if (report / "tables").is_dir() else {}
    return {
        "study": study.name,
        "title": study.settings.study.title,
        "parameters": study.settings.model_dump(mode="json"),
        "batches": dict(batches),
        "inputs": dict(hashes),
        "tables": {f"tables/{name}": value for name, value in tables.items()},
        "library": library,
        "versions": {
            "python": platform.python_version(),
            "libsndfile": soundfile.__libsndfile_version__,
            **versions(["studylib", *NUMERIC, *REPORTING]),
        },
    }

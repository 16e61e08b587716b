"""What `study new` writes: a study folder with nothing in it yet but words.

The settings file names every key with its default; the tables hold their headers; a short
README says what to fill in and what to mind at the bench. The texts stand in `new_study/`
beside this file.

Functions: `write_template`.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from studylib.errors import InputError
from studylib.words.text import shown

FILES = ("study.toml", "specimens.csv", "takes.csv", "README.md")


def write_template(folder: Path) -> list[Path]:
    """Write an empty study into a new or empty folder.

    Parameters
    ----------
    folder : made with its parents where it is not there.

    Returns
    -------
    the paths written, in order: three sheets, the README, the folder for recordings.

    Raises
    ------
    InputError : the folder holds something already, is a file, or cannot be written to.
    """
    folder = Path(folder)
    try:
        if folder.exists() and not folder.is_dir():
            raise InputError(f"{shown(str(folder))} is a file; name a new folder for the study")
        if folder.is_dir() and any(folder.iterdir()):
            raise InputError(
                f"the folder {shown(str(folder))} is not empty; name a new one, so that nothing "
                "is written over"
            )
        return _write(folder)
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(
            f"the folder {shown(str(folder))} cannot be written ({reason}); name one that you "
            "may write to"
        ) from None


def _write(folder: Path) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    texts = resources.files("studylib.sheets") / "new_study"
    written = []
    for name in FILES:
        path = folder / name
        path.write_text((texts / name).read_text(encoding="utf-8"), encoding="utf-8", newline="\n")
        written.append(path)
    recordings = folder / "recordings"
    recordings.mkdir()
    return [*written, recordings]

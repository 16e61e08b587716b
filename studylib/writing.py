"""Writing files so that half a file never passes for a whole one.

Convention: everything is written under a hidden name in the same folder and then renamed,
which is one step for whoever reads it. A name that starts with a dot and ends in ".part" is
a leftover of a run that was killed and may be deleted.

Files that belong together are one change: all of them are written into a hidden folder, whose
renaming to ".change" is the moment from which they count; then each is put into its place. Whoever
comes next (`settle`) finishes a change that counts and takes back one that does not, so that a kill
at any step leaves all of the files as they were or all of them new.

Functions: `whole`, `write_whole`, `write_json`, `json_text`, `read_json`, `write_together`,
`settle`, `replace_folder`, `fill_folder`, `slug`.
"""

import hashlib
import json
import os
import re
import shutil
import tempfile
import unicodedata
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

CHANGE = ".change"
FORMULA = re.compile(r"[=@\t\r]|[+-](?![0-9.,]*$)")
"""How a cell begins that a spreadsheet takes for a formula; a plain number is none."""


@contextmanager
def whole(path: Path | str) -> Iterator[Path]:
    """A hidden file beside a place, to be written in the `with` block; renamed there at its end.

    The folder is made when it is missing. When the writing fails, the old file stays as it was
    and nothing is left beside it.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.parent / f".{path.name[:80]}.{uuid.uuid4().hex[:12]}.part"
    try:
        yield beside
        os.replace(beside, path)
    except OSError as error:
        if error.filename in (None, str(beside)):
            error.filename = str(path)  # a full drive names none, others the hidden one
        raise
    finally:
        beside.unlink(missing_ok=True)


def write_whole(path: Path | str, content: str | bytes | Iterable[str]) -> None:
    """Write a file beside its place and rename it there (`whole`); text, in one piece or in many,
    is UTF-8 with "\\n" line ends."""
    pieces = [content] if isinstance(content, str | bytes) else content
    with whole(path) as beside, beside.open("wb") as file:
        file.writelines(one.encode("utf-8") if isinstance(one, str) else one for one in pieces)


def write_json(path: Path | str, content: Any) -> None:
    """Write JSON whole."""
    write_whole(path, json_text(content))


def json_text(content: Any) -> str:
    """JSON with sorted keys and two spaces, so that the same content gives the same bytes."""
    return json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def read_json(path: Path | str) -> dict[str, Any]:
    """The object in a JSON file; empty when there is no such file or no object in it."""
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8") if Path(path).is_file() else "")
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def write_together(folder: Path, files: Mapping[str, str]) -> None:
    """Write files of one folder as one change; `files` gives the UTF-8 text by name.

    When the writing fails, all of them stay as they were and nothing is left beside them.
    """
    settle(folder)
    beside = folder / f"{CHANGE}.{uuid.uuid4().hex[:12]}.part"
    try:
        beside.mkdir()
        for name, text in files.items():
            with (beside / name).open("wb") as stream:
                stream.write(text.encode("utf-8"))
                stream.flush()
                os.fsync(stream.fileno())
        os.rename(beside, folder / CHANGE)
    except OSError as error:
        if error.filename in (None, str(beside)):
            error.filename = str(folder)  # as in `write_whole`
        raise
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    settle(folder)


def settle(folder: Path) -> None:
    """Finish the change that a kill interrupted after it counted, take back one before that."""
    for beside in folder.glob(f"{CHANGE}.*.part"):
        # Renamed first: whoever should still be writing there can no longer make it count.
        aside = folder / f"{CHANGE}.{uuid.uuid4().hex[:12]}.part"
        with suppress(FileNotFoundError):
            os.rename(beside, aside)
        shutil.rmtree(aside, ignore_errors=True)
    change = folder / CHANGE
    with suppress(FileNotFoundError):
        for path in sorted(change.iterdir()):
            os.replace(path, folder / path.name)
        change.rmdir()


def replace_folder(new: Path, place: Path) -> None:
    """Put folder `new` in the place of folder `place`; what stood there is deleted.

    Both lie on one drive. Between the two renames the place is empty for a moment, never mixed.
    """
    aside = place.parent / f".{place.name}.{uuid.uuid4().hex[:12]}.part"
    if place.exists():
        os.replace(place, aside)
    os.replace(new, place)
    shutil.rmtree(aside, ignore_errors=True)


def fill_folder(place: Path, fill: Callable[[Path], Any]) -> Any:
    """Fill a hidden folder beside `place` and rename it there when it is complete; what `fill`
    gives."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(
        prefix=f".{place.name}.", suffix=".part", dir=place.parent
    ) as beside:
        new = Path(beside) / place.name
        new.mkdir()
        given = fill(new)
        replace_folder(new, place)
    return given


def slug(text: str) -> str:
    """A name fit for a file on any system: letters, digits, "_", "." and "-" of ASCII.

    Letters lose their accents. Where a letter or digit has no ASCII form, six digits of the
    text's SHA-256 are added, so that two names in another script stay two names.
    """
    kept = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    lost = any(c.isalnum() and not c.isascii() for c in kept)
    name = re.sub(r"[^A-Za-z0-9_.-]+", "_", kept).strip("_.-")[:80]
    # Windows keeps these names for devices, with or without an ending.
    reserved = re.fullmatch(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", name)
    if lost or reserved or not name:
        # A folder's name need not be UTF-8: what Python could not read stands as surrogates.
        data = unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")
        mark = hashlib.sha256(data).hexdigest()[:6]
        name = f"{name}-{mark}" if name and not reserved else f"x{name}-{mark}"
    return name

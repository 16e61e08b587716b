"""Writing files so that half a file never passes for a whole one.

Convention: everything is written under a hidden name in the same folder and then renamed,
which is one step for whoever reads it. A name that starts with a dot and ends in ".part" is
a leftover of a run that was killed and may be deleted.

Functions: `write_whole`, `write_json`, `read_json`, `replace_folder`, `fill_folder`,
`slug`.
"""

import hashlib
import json
import os
import re
import shutil
import tempfile
import unicodedata
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any


def write_whole(path: Path | str, content: str | bytes) -> None:
    """Write a file beside its place and rename it there; text is UTF-8 with "\\n" line ends.

    The folder is made when it is missing. When the writing fails, the old file stays as it was
    and nothing is left beside it.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.parent / f".{path.name[:80]}.{uuid.uuid4().hex[:12]}.part"
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        beside.write_bytes(data)
        os.replace(beside, path)
    except OSError as error:
        error.filename = str(path)  # a full drive names none, others the hidden one
        raise
    finally:
        beside.unlink(missing_ok=True)


def write_json(path: Path | str, content: Any) -> None:
    """Write JSON whole: sorted keys, two spaces, so that the same content gives the same bytes."""
    write_whole(path, json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False) + "\n")


def read_json(path: Path | str) -> dict[str, Any]:
    """The object in a JSON file; empty when there is no such file or no object in it."""
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def replace_folder(new: Path, place: Path) -> None:
    """Put folder `new` in the place of folder `place`; what stood there is deleted.

    Both lie on one drive. Between the two renames the place is empty for a moment, never mixed.
    """
    aside = place.parent / f".{place.name}.{uuid.uuid4().hex[:12]}.part"
    if place.exists():
        os.replace(place, aside)
    os.replace(new, place)
    shutil.rmtree(aside, ignore_errors=True)


def fill_folder(place: Path, fill: Callable[[Path], None]) -> None:
    """Fill a hidden folder beside `place` and rename it there when it is complete."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(
        prefix=f".{place.name}.", suffix=".part", dir=place.parent
    ) as beside:
        new = Path(beside) / place.name
        new.mkdir()
        fill(new)
        replace_folder(new, place)


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

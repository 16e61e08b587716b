"""Whose notebooks a study runs: the library's, or its own where its maker changed some.

A study may hold copies of the library's notebooks in its folder `notebooks`. They are programs:
they run with the rights of whoever runs the study. Hence
- a copy differs when its cells do other than the library's: kind, source, tags, attached pictures;
  outputs, counts and all else in the file do not count, and never reach the kernel or the page;
- what differs is run only where it is trusted: said with the run, and remembered on this machine
  by its hash in a file of the user's own, so that it is asked again when the notebook changes;
- what is run is what was read and hashed, whatever becomes of the file meanwhile;
- the report names the cells that differ, below all else that the notebook shows.

A copy has the study above it in place of the demo, no outputs, and in its metadata the hash of what
was copied: whoever copies again gets the newer library's, but for copies that were changed.

Functions: `copy_notebooks`, `own_notebooks`, `with_own`. Class: `Notebook`.
"""

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, Literal

import click
from pydantic import AfterValidator, AliasPath, BaseModel, Field, ValidationError

from studylib import codes, errors, words, writing
from studylib.run.provenance import digest
from studylib.sheets.files import read_text

FOLDER = "notebooks"
NAMES = ("batch", "summary", "plan", "listening")
COPIED = "studylib_copied"
# What stands in the parameters of the library's notebooks, and of a copy.
DEMO, ABOVE = '"../data_demo"', '".."'


class _Cell(BaseModel):
    id: str = Field(pattern="^[a-zA-Z0-9_-]{1,64}$")
    cell_type: Literal["code", "markdown", "raw"]
    source: Annotated[str | list[str], AfterValidator("".join)]
    tags: list[str] = Field([], validation_alias=AliasPath("metadata", "tags"))
    jupyter: dict[str, Any] = Field({}, validation_alias=AliasPath("metadata", "jupyter"))
    attachments: dict[str, Any] = {}


class Notebook(BaseModel):
    """What of a notebook's file counts.

    Attributes
    ----------
    cells : id, kind, source, tags and attached pictures of each.
    metadata : of the file.
    differs : changed, added, removed, moved -> ids of cells, against the library's; empty for the
        library's own, and a copy that does the same.
    """

    nbformat: Literal[4]
    cells: list[_Cell]
    metadata: dict[str, Any]
    differs: dict[str, list[str]] = {}

    @property
    def does(self) -> dict[str, list[Any]]:
        """Cell -> what it does."""
        return {c.id: [c.cell_type, c.source, c.tags, c.attachments] for c in self.cells}

    @property
    def digest(self) -> str:
        """SHA-256 of what its cells do, one after another."""
        return digest(list(self.does.values()))

    @property
    def about(self) -> dict[str, Any]:
        """What a report says of it, and what a result hangs on that it made."""
        return {"sha256": self.digest, **self.differs}

    def text(self) -> str:
        """The file, without outputs."""
        cells = [
            {
                **cell.model_dump(exclude={"tags", "jupyter"}, exclude_defaults=True),
                "metadata": cell.model_dump(include={"tags", "jupyter"}, exclude_defaults=True),
                **({"outputs": [], "execution_count": None} if cell.cell_type == "code" else {}),
            }
            for cell in self.cells
        ]
        return json.dumps(
            {"cells": cells, "metadata": self.metadata, "nbformat": 4, "nbformat_minor": 5},
            indent=1, ensure_ascii=False,
        ) + "\n"  # fmt: skip

    def put(self, path: Path) -> Path:
        """Write the file there."""
        writing.write_whole(path, self.text())
        return path


def read_notebook(path: Path) -> Notebook:
    """What of a notebook's file counts.

    Raises
    ------
    InputError : it cannot be read, or is no notebook whose cells have ids.
    """
    found = None
    with suppress(ValidationError):
        found = Notebook.model_validate_json(read_text(path))
    unfit = found is None or len(found.does) < len(found.cells)
    errors.InputError.refuse(unfit, "run.no_notebook", file=path.name)
    return found


def copy_notebooks(folder: Path, templates: Mapping[str, Path]) -> dict[str, list[str]]:
    """Copy notebooks into a study for its maker to change; copies that were changed stay.

    Parameters
    ----------
    folder : the study folder.
    templates : name -> the library's notebook.

    Returns
    -------
    copied (new, or in the place of a copy that nobody changed), same, changed -> names.

    Raises
    ------
    InputError : what stands there cannot be read, or is no notebook.
    """
    states: dict[str, list[str]] = {"copied": [], "same": [], "changed": []}
    for name, path in templates.items():
        place, made = folder / FOLDER / f"{name}.ipynb", _copy_of(read_notebook(path))
        there = read_notebook(place) if place.exists() else None
        changed = there is not None and there.metadata.get(COPIED) != there.digest
        same = there is not None and there.digest == made.digest
        state = "same" if same else "changed" if changed else "copied"
        states[state].append(name)
        if state == "copied":
            made.put(place)
    return states


def own_notebooks(
    folder: Path, templates: Mapping[str, Path], *, trust: bool
) -> dict[str, Notebook]:
    """The notebooks that a study is run with, its own where it has some.

    Parameters
    ----------
    folder : the study folder.
    templates : name -> the library's notebook.
    trust : run those that differ from the library's, and remember them on this machine.

    Returns
    -------
    name -> what is to be run.

    Raises
    ------
    InputError : one cannot be read, or is no notebook.
    RunError : one differs from the library's and is not trusted.
    """
    found = {
        name: _chosen(folder / FOLDER / f"{name}.ipynb", read_notebook(path))
        for name, path in templates.items()
    }
    place = Path(click.get_app_dir("studylib")) / "trusted.json"
    kept = writing.read_json(place).get(FOLDER)
    known = set(map(str, kept)) if isinstance(kept, list) else set()
    new = {name: one for name, one in found.items() if one.differs and one.digest not in known}
    errors.RunError.refuse(new and not trust, "run.not_trusted", cells=_told(new))
    if new:
        with suppress(OSError):  # it is then asked again
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            writing.write_json(place, {FOLDER: sorted({*known, *(o.digest for o in new.values())})})
            place.chmod(0o600)
    return found


def with_own(done: Any, used: Mapping[str, Notebook]) -> Any:
    """An executed notebook, with the cells that differ from the library's named at its end.

    Parameters
    ----------
    done : changed in place.
    used : name -> what was run, for `done` or for what it shows.
    """
    if told := [f"- {words.say(one)}" for one in _told(used)]:
        from nbformat.v4 import new_markdown_cell

        head = f"### {words.say('run.own_title')}\n\n{words.say('run.own_notebooks')}\n"
        # A name that no other cell has.
        done.cells.append(new_markdown_cell("\n".join([head, *told]), id=digest(told)))
    return done


def _copy_of(library: Notebook) -> Notebook:
    """A copy for a study, with the hash of what it does."""
    made = library.model_copy(deep=True)
    for cell in made.cells:
        if "parameters" in cell.tags:
            cell.source = cell.source.replace(DEMO, ABOVE)
    made.metadata[COPIED] = made.digest
    return made


def _chosen(own: Path, library: Notebook) -> Notebook:
    if not own.exists():
        return library
    there, made = read_notebook(own), _copy_of(library)
    differs = _differences(there, made) if there.digest != made.digest else {}
    return (
        there.model_copy(update={"metadata": library.metadata, "differs": differs})
        if differs
        else library
    )


def _differences(own: Notebook, library: Notebook) -> dict[str, list[str]]:
    ours, theirs = own.does, library.does
    here, there = ([name for name in one if name in ours.keys() & theirs] for one in (ours, theirs))
    return {
        "changed": [name for name in here if ours[name] != theirs[name]],
        "added": [name for name in ours if name not in theirs],
        "removed": [name for name in theirs if name not in ours],
        "moved": [name for name, other in zip(here, there, strict=True) if name != other],
    }


def _told(used: Mapping[str, Notebook]) -> list[str]:
    return [
        codes.note("run.own_cells", name=name, **one.differs)
        for name, one in used.items()
        if one.differs
    ]

"""What pydantic finds in a sheet, as notes of our own.

The models of `settings` and `rows` say in the description of each field what would be right there,
as a note of the chapter "right"; the bounds of the field (ge, gt, le, lt) are added here, so that
each stands once. Validators raise ValueError with a note that has no place yet.

Functions: `field_faults`, `placed`, `quotable`.
"""

from collections.abc import Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from studylib.codes import code_of, fields_of, note

BOUNDS = ("ge", "gt", "le", "lt")


def placed(fault: str, /, **place: Any) -> str:
    """The note of a fault with the place that it is at."""
    return note(code_of(fault), **place, **fields_of(fault))


def field_faults(
    error: ValidationError, model: type[BaseModel], *, cells: Mapping[str, str] | None = None
) -> list[tuple[tuple, str]]:
    """What pydantic found, in our own codes.

    Parameters
    ----------
    error : as raised by `model.model_validate`.
    model : its fields' descriptions are notes that say what would be right.
    cells : for a row of a table, the cells as written, which are then quoted.

    Returns
    -------
    list of (location inside the model, note without its place); the caller adds the place.
    """
    found = []
    for item in error.errors(include_url=False):
        location = tuple(part for part in item["loc"] if part != "[key]")
        value = item["input"] if cells is None else cells.get(location[0], item["input"])
        right = _right(model, location)
        if item["type"] == "missing":
            fault = note("cells.missing", right=right)
        elif item["type"] == "value_error":
            fault = str(item["ctx"]["error"])
        elif cells is not None and value == "":
            fault = note("cells.empty", right=right)
        else:
            fault = note("cells.unfit", value=quotable(value), right=right)
        found.append((location, fault))
    return found


def quotable(value: Any) -> Any:
    """A value of study.toml as a note can hold it: dates as text, lists and sections empty."""
    if isinstance(value, list | dict):
        return type(value)()
    return value if isinstance(value, str | bool | int | float) else str(value)


def _right(model: type[BaseModel], location: tuple) -> str:
    """What would be right in the innermost field that the location passes through."""
    right, inner = "right.anything", model
    for part in location:
        field = inner.model_fields.get(part) if inner is not None else None
        if field is not None:
            limits = {
                name: getattr(one, name)
                for one in field.metadata
                for name in BOUNDS
                if getattr(one, name, None) is not None
            }
            right = placed(field.description, **limits) if field.description else right
            inner = _model_inside(field.annotation)
    return right


def _model_inside(annotation: Any) -> type[BaseModel] | None:
    return (
        annotation
        if isinstance(annotation, type) and issubclass(annotation, BaseModel)
        else next((m for m in map(_model_inside, get_args(annotation)) if m is not None), None)
    )

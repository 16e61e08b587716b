"""What pydantic finds in a sheet, in the project's own words.

The models of `settings` and `rows` carry what would be right in the description of each field, so
that pydantic finds the fault and this file says it.

Functions: `field_faults`, `gaps`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from studylib.words.text import shown


def gaps(numbers: Iterable[int]) -> list[tuple[int, int, int]]:
    """Runs of whole numbers skipped when counting 1, 2, ... up to the largest.

    Returns
    -------
    list of (first skipped, last skipped, the number that follows), in order.
    """
    found, expected = [], 1
    for number in sorted(set(numbers)):
        if number > expected:
            found.append((expected, number - 1, number))
        expected = number + 1
    return found


def field_faults(
    error: ValidationError, model: type[BaseModel], *, cells: Mapping[str, str] | None = None
) -> list[tuple[tuple, str]]:
    """What pydantic found, in our own words.

    Parameters
    ----------
    error : as raised by `model.model_validate`.
    model : its fields' descriptions say what would be right, as in "a whole number from 1 up".
    cells : for a row of a table, the cells as written, which are then quoted.

    Returns
    -------
    list of (location inside the model, rest of the sentence); the caller puts the place before.
    """
    found = []
    for item in error.errors(include_url=False):
        location = tuple(part for part in item["loc"] if part != "[key]")
        right = _right(model, location)
        if item["type"] == "missing":
            said = f"is missing; give {right}"
        elif item["type"] == "value_error":
            said = str(item["ctx"]["error"])
        else:
            value = (cells or {}).get(location[0], item["input"])
            said = f"{shown(value)} does not fit; give {right}"
        found.append((location, said))
    return found


def _right(model: type[BaseModel], location: tuple) -> str:
    """The description of the innermost field that the location passes through."""
    right, inner = "a value that fits", model
    for part in location:
        fields = inner.model_fields if inner is not None else {}
        field = fields.get(part)
        if field is not None:
            right = field.description or right
            inner = _model_inside(field.annotation)
    return right


def _model_inside(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_inside, get_args(annotation)) if m is not None), None)

"""What can still be read of a file that has faults, so that one mistake does not hide the next.

Every table gets a twin in which all fields may be missing; values at fault are taken out of the data and
the rest is validated as usual. Only files with faults pay for this.
"""

from __future__ import annotations

import copy
from functools import cache
from typing import Any, TypeVar, cast

from pydantic import (
    BaseModel,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    create_model,
)

from tiltwright.files.described import Table
from tiltwright.files.faults import Finding, KeyPath
from tiltwright.files.findings import details, findings_of, is_table_list, model_inside
from tiltwright.files.thorough import model_of

__all__ = ["drafted"]

AnyTable = TypeVar("AnyTable", bound=Table)

_ROUNDS = 20


def drafted(table: type[AnyTable], data: dict[str, Any]) -> tuple[AnyTable, list[Finding]]:
    """A draft of a file's data, and everything that is wrong with it.

    The draft is a model with the fields of the table; see `tiltwright.files.validate.validated`.
    """
    model = model_of(table)
    try:
        return cast(AnyTable, model.model_validate(data)), []
    except ValidationError as error:
        return cast(AnyTable, _draft(model, data, error)), findings_of(model, error)


def _draft(model: type[BaseModel], data: dict[str, Any], error: ValidationError) -> BaseModel:
    twin, kept = _twin(model), copy.deepcopy(data)
    for _ in range(_ROUNDS):
        for detail in details(error):
            _take_out(model, kept, detail["loc"])
        try:
            return twin.model_validate(kept)
        except ValidationError as left:
            error = left
    return twin.model_validate({})


def _take_out(model: type[BaseModel], data: Any, path: KeyPath) -> None:  # noqa: ANN401 - a file's data
    """Take out of the data what an error points into, with a None where a key was given but cannot be read.

    Only unknown keys and lists of tables go without a trace; what should be a table of a list becomes an
    empty one.
    """
    table: type[BaseModel] | None = model
    for place, part in enumerate(path):
        last = place + 1 == len(path)
        if isinstance(part, int):
            if last:
                data[part] = {}
                return
            data = data[part]
            continue
        field = table.model_fields.get(part) if table is not None else None
        table = model_inside(field.annotation) if field is not None else None
        if field is None or (last and is_table_list(field)):
            data.pop(part, None)
            return
        if last or table is None:
            if part in data:
                data[part] = None
            return
        data = data[part]


def _or_none(value: object, handler: ValidatorFunctionWrapHandler) -> object:
    return None if value is None else handler(value)


@cache
def _twin(model: type[BaseModel]) -> type[BaseModel]:
    """The same table with nothing required and None for what cannot be read."""
    fields: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        inside = model_inside(field.annotation)
        if inside is None:
            kind: Any = field.annotation
            relaxed: Any = copy.copy(field)
            relaxed.default = None if field.is_required() else field.default
            relaxed.metadata = [*field.metadata, WrapValidator(_or_none)]
        elif is_table_list(field):
            kind = tuple[_twin(inside), ...]  # type: ignore[misc]
            relaxed = Field(default=(), strict=False)
        else:
            kind = _twin(inside) | None
            relaxed = Field(default=None)
        fields[name] = (kind, relaxed)
    return create_model(model.__name__, __base__=model, **fields)

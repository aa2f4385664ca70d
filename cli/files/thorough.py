"""The tables of files as pydantic's models, which find every fault of a file and give the JSON Schema.

Loading pydantic takes longer than all the rest of reading a file, so that only what needs it does.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache, partial
from types import UnionType
from typing import Annotated, Any, Union, cast, get_args, get_origin

import msgspec
from msgspec import Meta

from tiltwright.files.described import Before, Choice, Kind, Table, words_of
from tiltwright.files.faults import Refused

# Looking through every installed package for plugins of pydantic costs 30 ms; none is wanted.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    create_model,
)
from pydantic_core import PydanticCustomError

__all__ = ["REFUSED", "model_of"]

REFUSED = "refused"
"""The error type of every refusal of our own; its context holds `allowed`, `found` and `tip`."""

_CONSTRAINTS = ("ge", "gt", "le", "lt", "min_length", "max_length", "description", "examples")


class _Strict(BaseModel):
    # A table is built into its file's validator when that is first used: on its own it never needs one.
    model_config = ConfigDict(defer_build=True, strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


@cache
def model_of(table: type[Table]) -> type[BaseModel]:
    """The model that takes what the table takes, with the same fields and defaults."""
    fields: dict[str, Any] = {}
    for field in msgspec.structs.fields(table):
        fields[field.name] = (_annotation(field.type), _default(field.default))
    return cast(
        type[BaseModel],
        create_model(table.__name__, __base__=_ruled(table.schema_rule), __doc__=table.__doc__, **fields),
    )


def _ruled(rule: dict[str, Any]) -> type[BaseModel]:
    """The base of a model whose JSON Schema says more than its keys do."""

    class Ruled(_Strict):
        model_config = ConfigDict(json_schema_extra=rule)

    return Ruled if rule else _Strict


def _default(default: object) -> object:
    """A field's default as the plain type, which JSON knows."""
    if default is msgspec.NODEFAULT:
        return ...
    return type(default).__mro__[-2](default) if isinstance(default, Kind) else default


def _annotation(annotation: Any) -> Any:  # noqa: ANN401 - whatever an annotation may be
    """A field's annotation as pydantic reads it."""
    if isinstance(annotation, type) and not get_args(annotation):
        return _type(annotation)
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        told: list[Any] = []
        for metadata in annotation.__metadata__:
            told += _metadata(metadata, arguments[0])
        return Annotated[(_annotation(arguments[0]), *told)]
    if origin in (Union, UnionType):
        return Union[tuple(_annotation(argument) for argument in arguments)]  # noqa: UP007 - of a tuple
    if origin is tuple:
        inside = tuple(a if a is Ellipsis else _annotation(a) for a in arguments)
        # A file knows lists only.
        return Annotated[tuple[inside], Field(strict=False)]  # type: ignore[valid-type]
    if origin is dict:
        return dict[tuple(_annotation(argument) for argument in arguments)]  # type: ignore[misc]
    return annotation


def _type(kind: type) -> Any:  # noqa: ANN401 - a type or an annotated one
    if issubclass(kind, Table):
        return model_of(kind)
    if issubclass(kind, Kind):
        told: list[Any] = [BeforeValidator(_told(kind.before)), AfterValidator(_told(kind.after))]
        if kind.schema is not None:
            told.append(WithJsonSchema(kind.schema))
        return Annotated[(_annotation(kind.plain), *told)]
    return kind


def _metadata(metadata: object, annotation: object) -> list[Any]:
    if isinstance(metadata, Meta):
        said = {name: getattr(metadata, name) for name in dir(metadata) if not name.startswith("_")}
        told = {name: value for name, value in said.items() if value is not None}
        if unknown := told.keys() - set(_CONSTRAINTS):
            raise TypeError(f"a Meta: expected {', '.join(_CONSTRAINTS)}, found {', '.join(sorted(unknown))}")
        return [Field(**told)]
    if isinstance(metadata, Before):
        schema = [] if metadata.schema is None else [WithJsonSchema(metadata.schema)]
        return [BeforeValidator(_told(metadata.check)), *schema]
    if isinstance(metadata, Choice):
        words = words_of(annotation)
        if not words:
            raise TypeError(f"a Choice: expected a Literal before it, found {annotation!r}")
        return [BeforeValidator(_told(partial(metadata.check, words=words)))]
    raise TypeError(f"an annotation: expected Meta, Before or Choice beside a type, found {metadata!r}")


def _told(check: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """A check whose refusal reaches the list of errors with its words."""

    def checked(value: Any) -> Any:  # noqa: ANN401 - as the check has it
        try:
            return check(value)
        except Refused as refusal:
            context = {"allowed": refusal.allowed, "found": refusal.found, "tip": refusal.tip}
            raise PydanticCustomError(REFUSED, "{allowed}", context) from None

    return checked

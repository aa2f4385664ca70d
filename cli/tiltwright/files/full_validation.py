"""Full validation of a file with pydantic models built from its description: every fault, and a partial model of the rest.

Loading pydantic takes longer than all the rest of reading a file, so only files with faults pay for it. Every table
gets a partial model in which all fields are optional; faulty values are removed from the data, and the rest is
validated as usual.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import Enum
from functools import cache, partial
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin

import msgspec
from msgspec import Meta
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    WrapValidator,
    create_model,
)
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from tiltwright.files.diagnostics import (
    InvalidValue,
    KeyPath,
    UnlocatedDiagnostic,
    nearest,
    one_of,
    shown,
    type_words,
)
from tiltwright.files.schema_types import Choice, FieldType, FileTable, PreValidator, table_fields, words_of

__all__ = [
    "REFUSED",
    "details",
    "diagnostics_of",
    "is_table_list",
    "model_inside",
    "partial_model",
    "pydantic_model",
]

# The search of every installed package for pydantic plugins costs 30 ms, and none is wanted.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")


REFUSED = "refused"
"""Error type of an `InvalidValue`; its context holds `allowed`, `found` and `tip`."""

_CONSTRAINTS = ("ge", "gt", "le", "lt", "min_length", "max_length", "description", "examples")


class _Strict(BaseModel):
    # A table is built into its file's validator when that is first used, and needs none of its own.
    model_config = ConfigDict(defer_build=True, strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


@cache
def pydantic_model(table: type[FileTable]) -> type[BaseModel]:
    """The pydantic model of a table, with the same fields, defaults and rules."""
    fields: dict[str, Any] = {}
    for field in table_fields(table):
        fields[field.name] = (_annotation(field.type), _default(field.default))
    return cast(
        type[BaseModel],
        create_model(table.__name__, __base__=_ruled(table.schema_rule), __doc__=table.__doc__, **fields),
    )


def _ruled(rule: dict[str, Any]) -> type[BaseModel]:
    """Base of a model whose JSON Schema has rules between keys."""

    class Ruled(_Strict):
        model_config = ConfigDict(json_schema_extra=rule)

    return Ruled if rule else _Strict


def _default(default: object) -> object:
    """A field's default as a type that JSON knows."""
    if default is msgspec.NODEFAULT:
        return ...
    return type(default).__mro__[-2](default) if isinstance(default, FieldType) else default


def _annotation(annotation: Any) -> Any:  # noqa: ANN401 - any annotation
    """A field's annotation, as pydantic reads it."""
    if isinstance(annotation, type) and not get_args(annotation):
        return _type(annotation)
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        constraints: list[Any] = []
        for metadata in annotation.__metadata__:
            constraints += _metadata(metadata, arguments[0])
        return Annotated[(_annotation(arguments[0]), *constraints)]
    if origin in (Union, UnionType):
        return Union[tuple(_annotation(argument) for argument in arguments)]  # noqa: UP007 - of a tuple
    if origin is tuple:
        inside = tuple(a if a is Ellipsis else _annotation(a) for a in arguments)
        # TOML has lists only.
        return Annotated[tuple[inside], Field(strict=False)]  # type: ignore[valid-type]
    if origin is dict:
        return dict[tuple(_annotation(argument) for argument in arguments)]  # type: ignore[misc]
    return annotation


def _type(kind: type) -> Any:  # noqa: ANN401 - a type or an annotated one
    if issubclass(kind, FileTable):
        return pydantic_model(kind)
    if issubclass(kind, FieldType):
        rules: list[Any] = [BeforeValidator(_reported(kind.before)), AfterValidator(_reported(kind.after))]
        if kind.schema is not None:
            rules.append(WithJsonSchema(kind.schema))
        return Annotated[(_annotation(kind.plain), *rules)]
    return kind


def _metadata(metadata: object, annotation: object) -> list[Any]:
    if isinstance(metadata, Meta):
        named = {name: getattr(metadata, name) for name in dir(metadata) if not name.startswith("_")}
        given = {name: value for name, value in named.items() if value is not None}
        if unknown := given.keys() - set(_CONSTRAINTS):
            raise TypeError(f"a Meta: expected {', '.join(_CONSTRAINTS)}, found {', '.join(sorted(unknown))}")
        return [Field(**given)]
    if isinstance(metadata, PreValidator):
        schema = [] if metadata.schema is None else [WithJsonSchema(metadata.schema)]
        return [BeforeValidator(_reported(metadata.check)), *schema]
    if isinstance(metadata, Choice):
        words = words_of(annotation)
        if not words:
            raise TypeError(f"a Choice: expected a Literal before it, found {annotation!r}")
        return [BeforeValidator(_reported(partial(metadata.check, words=words)))]
    raise TypeError(f"an annotation: expected Meta, PreValidator or Choice beside a type, found {metadata!r}")


def _reported(check: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """A check whose `InvalidValue` becomes an error of pydantic's, with its words."""

    def checked(value: Any) -> Any:  # noqa: ANN401 - the check's own types
        try:
            return check(value)
        except InvalidValue as refusal:
            context = {"allowed": refusal.allowed, "found": refusal.found, "tip": refusal.tip}
            raise PydanticCustomError(REFUSED, "{allowed}", context) from None

    return checked


_WANTED = {
    "float_type": "a number, without quotes",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of a sensible size",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "model_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list in square brackets",
    "bool_type": "true or false, without quotes",
}
# Other words of the trade, and misspellings too far off to be recognised, where they can mean one key only.
_OTHER_WORDS = {
    **dict.fromkeys(("height", "heigth", "hight", "thickness", "thick", "rise", "lift"), "up"),
    **dict.fromkeys(("offset", "offsets", "xy"), "shift"),
    **dict.fromkeys(("clocking", "clocked", "clock"), "turn"),
    **dict.fromkeys(("pivot", "center", "centre", "position"), "point"),
    **dict.fromkeys(("sense", "rotation", "sense_of_turn"), "positive_turn"),
    **dict.fromkeys(("range", "min_max"), "limits"),
    **dict.fromkeys(("dia", "diam"), "diameter"),
    **dict.fromkeys(("unit", "measure"), "units"),
    "title": "name",
    "rev": "revision",
    **dict.fromkeys(("remark", "remarks", "comment", "comments"), "notes"),
    **dict.fromkeys(("axis", "axes", "rotaries"), "rotary"),
    **dict.fromkeys(("angle", "angles"), "at"),
    **dict.fromkeys(("direction", "vector"), "normal"),
    **dict.fromkeys(("points", "plane"), "through"),
    **dict.fromkeys(("zero", "datum"), "origin"),
    **dict.fromkeys(("tolerance", "tol"), "within"),
    **dict.fromkeys(("op", "ops"), "operation"),
}
_COUNT = {1: "one", 2: "two", 3: "three"}
_ENDS = ("ge", "gt", "le")
_BOUNDS = {
    "greater_than": "more than",
    "greater_than_equal": "not less than",
    "less_than": "less than",
    "less_than_equal": "not more than",
}


def diagnostics_of(model: type[BaseModel], error: ValidationError) -> list[UnlocatedDiagnostic]:
    """The errors of validating a file's data, as diagnostics."""
    return [_diagnostic(model, detail) for detail in details(error)]


def details(error: ValidationError) -> list[Mapping[str, Any]]:
    """The errors, without lists that are too short only because their values are invalid."""
    return [
        detail
        for detail in error.errors(include_url=False)
        if detail["type"] != "too_short" or len(detail["input"]) < detail["ctx"]["min_length"]
    ]


def _diagnostic(model: type[BaseModel], detail: Mapping[str, Any]) -> UnlocatedDiagnostic:
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    path: KeyPath = tuple(part for part in detail["loc"] if part != "[key]")
    table, field = _field_at(model, path)
    if kind == "extra_forbidden":
        return _unknown_key(model, table, path)
    if kind == "missing":
        return UnlocatedDiagnostic(path, "the key is missing", _meaning(str(path[-1]), field), missing=True)
    if kind == REFUSED:
        return UnlocatedDiagnostic(
            path, context["found"] or _value_words(value), context["allowed"], context["tip"]
        )
    return UnlocatedDiagnostic(path, _value_words(value), _wanted(kind, context, path, field))


def _wanted(kind: str, context: Mapping[str, Any], path: KeyPath, field: FieldInfo | None) -> str:
    if field is not None and is_table_list(field) and len(path) == 1:
        many = f"at most {context['max_length']}" if kind == "too_long" else "one or more"
        return f"{many} [[{path[0]}]] tables, in double brackets"
    if kind in _BOUNDS:
        return _bounds(field, kind, context)
    if kind == "literal_error":
        return str(context["expected"]).replace("'", '"')
    if kind in ("too_short", "too_long"):
        least = kind == "too_short"
        count = context["min_length" if least else "max_length"]
        return f"{'at least' if least else 'at most'} {_COUNT.get(count, count)} {'entry' if count == 1 else 'entries'}"
    return _WANTED.get(kind, "another value")


def _unknown_key(model: type[BaseModel], table: type[BaseModel] | None, path: KeyPath) -> UnlocatedDiagnostic:
    known = list(table.model_fields) if table else []
    near = _intended_key(str(path[-1]), known)
    tip = f'did you mean "{near}"?' if near else _right_table(model, str(path[-1]))
    return UnlocatedDiagnostic(
        path, f"an unknown key, {shown(path[-1])}", f"the keys {one_of(known, 'and')}", tip
    )


_NOT_TYPED = ("correction",)
"""Tables that a command writes: nobody's key belongs there."""


def _right_table(model: type[BaseModel], key: str) -> str:
    """A tip for a key in the wrong table: to TOML every key belongs to the table above it."""
    if key in model.model_fields:
        return "it goes at the top of the file, before the first table in brackets"
    for name, field in model.model_fields.items():
        inside = model_inside(field.annotation)
        if name not in _NOT_TYPED and inside is not None and key in inside.model_fields:
            return f"it goes into {f'[[{name}]]' if is_table_list(field) else f'[{name}]'}"
    return ""


def _intended_key(word: str, known: Sequence[str]) -> str | None:
    """The known key that a mistyped one, or another word of the trade, means; None where none is near."""
    other = _OTHER_WORDS.get(word.casefold())
    return nearest(word, known) or (other if other in known else None)


def _value_words(value: object) -> str:
    """A value with its type where that may be mistaken ("50", 2026-01-02)."""
    if isinstance(value, Mapping) and not value:
        return "an empty table"
    if isinstance(value, (list, tuple)) and not value:
        return "an empty list"
    words = type_words(value)
    return (
        f"{shown(value)} ({words})" if words in ("text", "a date or time", "true or false") else shown(value)
    )


def _meaning(key: str, field: FieldInfo | None) -> str:
    """A missing key with its choices or an example, and its description."""
    if field is None:
        return "a value"
    if is_table_list(field):
        return f"one or more [[{key}]] tables, in double brackets"
    choices = _choices(field.annotation)
    value = one_of(choices) if choices else shown((field.examples or ["..."])[0])
    return f"{key} = {value}. {field.description}"


def _choices(annotation: object) -> tuple[object, ...]:
    """The words that a key may be, where they are few."""
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return tuple(member.value for member in annotation)
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _bounds(field: FieldInfo | None, kind: str, context: Mapping[str, Any]) -> str:
    """The range of a number where its key has one, else the bound that it breaks."""
    stated = {
        name: getattr(limit, name)
        for limit in (_limits_of(field) if field else ())
        for name in _ENDS
        if hasattr(limit, name)
    }
    if "le" in stated and len(stated) == 2:
        low = stated.get("ge", stated.get("gt"))
        return (
            f"a number from {low:.7g} to {stated['le']:.7g}"
            if "ge" in stated
            else f"a number above {f'{low:.7f}'.rstrip('0').rstrip('.')}"
        )
    return f"a number {_BOUNDS[kind]} {next(iter(context.values())):.7g}"


def _limits_of(field: FieldInfo) -> Iterator[object]:
    """The constraints on a number, optional or not."""
    yield from field.metadata
    for argument in get_args(field.annotation):
        for metadata in getattr(argument, "__metadata__", ()):
            yield from getattr(metadata, "metadata", ())


def is_table_list(field: FieldInfo) -> bool:
    """Test whether a field is a list of tables, ``[[rotary]]``."""
    return model_inside(field.annotation) is not None and any(
        arg is Ellipsis for arg in get_args(field.annotation)
    )


def model_inside(annotation: object) -> type[BaseModel] | None:
    """The model in an annotation such as ``Model | None`` or ``tuple[Model, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        inside = model_inside(argument)
        if inside is not None:
            return inside
    return None


def _field_at(model: type[BaseModel], path: KeyPath) -> tuple[type[BaseModel] | None, FieldInfo | None]:
    """The table of a path's last key, and the last field on the path."""
    table: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for place, part in enumerate(path):
        if isinstance(part, int) or table is None:
            continue
        field = table.model_fields.get(part)
        if field is not None and place + 1 < len(path):
            table = model_inside(field.annotation)
    return table, field


AnyTable = TypeVar("AnyTable", bound=FileTable)

_ROUNDS = 20


def partial_model(table: type[AnyTable], data: dict[str, Any]) -> tuple[AnyTable, list[UnlocatedDiagnostic]]:
    """A partial model of a file's data, and its diagnostics.

    The model has the fields of the table; see `tiltwright.files.decoding.decode_table`.
    """
    model = pydantic_model(table)
    try:
        return cast(AnyTable, model.model_validate(data)), []
    except ValidationError as error:
        return cast(AnyTable, _partial(model, data, error)), diagnostics_of(model, error)


def _partial(model: type[BaseModel], data: dict[str, Any], error: ValidationError) -> BaseModel:
    partial_, kept = _all_optional(model), copy.deepcopy(data)
    for _ in range(_ROUNDS):
        for detail in details(error):
            _remove(model, kept, detail["loc"])
        try:
            return partial_.model_validate(kept)
        except ValidationError as left:
            error = left
    return partial_.model_validate({})


def _remove(model: type[BaseModel], data: Any, path: KeyPath) -> None:  # noqa: ANN401 - a file's data
    """Remove the value that an error points to; a key that was given but cannot be read becomes None.

    Unknown keys and lists of tables are removed altogether; an entry of a list that should be a table becomes an
    empty table.
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
def _all_optional(model: type[BaseModel]) -> type[BaseModel]:
    """The same model with every field optional, and None for a value that cannot be read."""
    fields: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        inside = model_inside(field.annotation)
        if inside is None:
            kind: Any = field.annotation
            relaxed: Any = copy.copy(field)
            relaxed.default = None if field.is_required() else field.default
            relaxed.metadata = [*field.metadata, WrapValidator(_or_none)]
        elif is_table_list(field):
            kind = tuple[_all_optional(inside), ...]  # type: ignore[misc]
            relaxed = Field(default=(), strict=False)
        else:
            kind = _all_optional(inside) | None
            relaxed = Field(default=None)
        fields[name] = (kind, relaxed)
    return create_model(model.__name__, __base__=model, **fields)

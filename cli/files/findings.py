"""From a validator's errors to findings in a machinist's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from tiltwright.files.faults import Finding, KeyPath, kind_of, nearest, one_of, shown
from tiltwright.files.thorough import REFUSED

__all__ = ["details", "findings_of", "is_table_list", "model_inside"]

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
# Other words of the trade, and slips too far off to be recognised, where they can mean one key only.
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


def findings_of(model: type[BaseModel], error: ValidationError) -> list[Finding]:
    """Every error that validating a file's data gave: where, what was found, what is allowed."""
    return [_finding(model, detail) for detail in details(error)]


def details(error: ValidationError) -> list[Mapping[str, Any]]:
    """The errors, without the lists that count as too short only because their values were refused."""
    return [
        detail
        for detail in error.errors(include_url=False)
        if detail["type"] != "too_short" or len(detail["input"]) < detail["ctx"]["min_length"]
    ]


def _finding(model: type[BaseModel], detail: Mapping[str, Any]) -> Finding:
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    path: KeyPath = tuple(part for part in detail["loc"] if part != "[key]")
    table, field = _field_at(model, path)
    if kind == "extra_forbidden":
        return _unknown_key(model, table, path)
    if kind == "missing":
        return Finding(path, "nothing, the key is missing", _meaning(str(path[-1]), field))
    if kind == REFUSED:
        return Finding(path, context["found"] or _said(value), context["allowed"], context["tip"])
    return Finding(path, _said(value), _wanted(kind, context, path, field))


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


def _unknown_key(model: type[BaseModel], table: type[BaseModel] | None, path: KeyPath) -> Finding:
    known = list(table.model_fields) if table else []
    near = _meant(str(path[-1]), known)
    tip = f'did you mean "{near}"?' if near else _home(model, str(path[-1]))
    return Finding(path, f"an unknown key, {shown(path[-1])}", f"the keys {one_of(known, 'and')}", tip)


def _home(model: type[BaseModel], key: str) -> str:
    """Where a key would be at home that stands in the wrong table; TOML takes every key for the last table's."""
    if key in model.model_fields:
        return "it goes at the top of the file, before the first table in brackets"
    for name, field in model.model_fields.items():
        inside = model_inside(field.annotation)
        if inside is not None and key in inside.model_fields:
            return f"it goes into {f'[[{name}]]' if is_table_list(field) else f'[{name}]'}"
    return ""


def _meant(word: str, known: Sequence[str]) -> str | None:
    """The key that a mistyped one, or another word of the trade, stands for."""
    other = _OTHER_WORDS.get(word.casefold())
    return nearest(word, known) or (other if other in known else None)


def _said(value: object) -> str:
    """A value and, where its looks may deceive ("50", 2026-01-02), its kind."""
    if isinstance(value, Mapping) and not value:
        return "an empty table"
    if isinstance(value, (list, tuple)) and not value:
        return "an empty list"
    words = kind_of(value)
    return (
        f"{shown(value)} ({words})" if words in ("text", "a date or time", "true or false") else shown(value)
    )


def _meaning(key: str, field: FieldInfo | None) -> str:
    """What a missing key should say: its choices, else an example, and what it means."""
    if field is None:
        return "a value"
    if is_table_list(field):
        return f"one or more [[{key}]] tables, in double brackets"
    choices = _choices(field.annotation)
    value = one_of(choices) if choices else shown((field.examples or ["..."])[0])
    return f"{key} = {value}. {field.description}"


def _choices(annotation: object) -> tuple[object, ...]:
    """The words of a key that has only a few."""
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return tuple(member.value for member in annotation)
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _bounds(field: FieldInfo | None, kind: str, context: Mapping[str, Any]) -> str:
    """The whole range of a number where its key states one, else the bound that it broke."""
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
            else f"a number above {low:.7g}"
        )
    return f"a number {_BOUNDS[kind]} {next(iter(context.values())):.7g}"


def _limits_of(field: FieldInfo) -> Iterator[object]:
    """What is said of a number, also where it may be left out."""
    yield from field.metadata
    for argument in get_args(field.annotation):
        for metadata in getattr(argument, "__metadata__", ()):
            yield from getattr(metadata, "metadata", ())


def is_table_list(field: FieldInfo) -> bool:
    """Whether a field is a list of tables, ``[[rotary]]``."""
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
    """The table that holds the last key of a path, and the field that the path runs through last."""
    table: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for place, part in enumerate(path):
        if isinstance(part, int) or table is None:
            continue
        field = table.model_fields.get(part)
        if field is not None and place + 1 < len(path):
            table = model_inside(field.annotation)
    return table, field

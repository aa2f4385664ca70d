"""The keys of each kind of file: as JSON Schema, by which editors complete and check, and as tables for people."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec

from tiltwright.files.diagnostics import shown
from tiltwright.files.schema_types import FieldType, FileTable, table_fields

__all__ = ["FILE_KINDS", "FileKind", "KeyRow", "KeyTable", "file_table", "json_schema", "key_tables"]

FileKind = Literal["machine", "job", "plan", "rule"]
FILE_KINDS: tuple[FileKind, ...] = get_args(FileKind)


def file_table(kind: FileKind) -> type[FileTable]:
    """The table at the top of a kind of file.

    Raises
    ------
    ValueError
        When `kind` is none of the four.
    """
    from tiltwright.files.job_file import JobFile
    from tiltwright.files.machine_file import MachineFile
    from tiltwright.files.probing_files import PlanFile, RuleFile

    tables: dict[str, type[FileTable]] = {
        "machine": MachineFile,
        "job": JobFile,
        "plan": PlanFile,
        "rule": RuleFile,
    }
    if kind not in tables:
        raise ValueError(f'expected "machine", "job", "plan" or "rule", found {kind!r}')
    return tables[kind]


def json_schema(kind: FileKind) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a machine, job, plan or rule file.

    Raises
    ------
    ValueError
        When `kind` is none of the four.

    Examples
    --------
    >>> schema = json_schema("machine")
    >>> schema["required"]
    ['name', 'units', 'z_reference', 'rotary']
    >>> schema["properties"]["units"]["enum"]
    ['mm', 'inch']
    """
    table = file_table(kind)
    from tiltwright.files.full_validation import pydantic_model

    schema: dict[str, Any] = _plain(pydantic_model(table).model_json_schema())
    schema["title"] = f"{kind} file"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _plain(schema: Any, *, names: bool = False) -> Any:  # noqa: ANN401 - any JSON
    """The schema without titles made from field names, and without null, which TOML lacks.

    `names` is set inside a table of properties, whose keys are names and not words of the schema.
    """
    if isinstance(schema, list):
        return [_plain(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    if names:
        return {key: _plain(part) for key, part in schema.items()}
    kept = {
        key: part
        if key in {"examples", "default", "enum", "required"}
        else _plain(part, names=key in {"properties", "$defs"})
        for key, part in schema.items()
        if key != "title" and not (key == "default" and part is None)
    }
    choices = [choice for choice in kept.get("anyOf", []) if choice != {"type": "null"}]
    if len(choices) == 1:
        del kept["anyOf"]
        return {**choices[0], **kept}
    if choices:
        kept["anyOf"] = choices
    return kept


@dataclass(frozen=True)
class KeyRow:
    """One key.

    Attributes
    ----------
    key : str
    values : tuple of str
        The words that it may be, else examples, as TOML; empty for a table.
    meaning : str
        A sentence or several.
    required : bool
    """

    key: str
    values: tuple[str, ...]
    meaning: str
    required: bool


@dataclass(frozen=True)
class KeyTable:
    """One table of a file.

    Attributes
    ----------
    heading : str
        As TOML writes it, ``[[rotary]]`` or ``repeat = { ... }``; for the top of the file its kind, "job file".
    summary : str
    rows : tuple of KeyRow
    """

    heading: str
    summary: str
    rows: tuple[KeyRow, ...]


def key_tables(kind: FileKind) -> tuple[KeyTable, ...]:
    """The tables of a kind of file: its top first, then each table where its key is first named.

    Examples
    --------
    >>> [table.heading for table in key_tables("plan")]
    ['plan file', '[[target]]', '[probe]']
    >>> key_tables("rule")[0].rows[0]
    KeyRow(key='units', values=('"mm"', '"inch"'), meaning='Unit of every length in the log.', required=True)
    """
    return tuple(_tables(file_table(kind), f"{kind} file", 0, set()))


def _tables(
    table: type[FileTable], heading: str, depth: int, listed: set[type[FileTable]]
) -> Iterator[KeyTable]:
    listed.add(table)
    fields = table_fields(table)
    summary = " ".join((table.__doc__ or "").split("\n\n")[0].split())
    yield KeyTable(heading, summary, tuple(_row(field) for field in fields))
    for field in fields:
        inside = _table_inside(field.type)
        if inside is not None and inside not in listed:
            inline = f"{field.name} = {{ ... }}" + (f" in {heading}" if heading.startswith("[") else "")
            several = any(argument is Ellipsis for argument in _arguments(field.type))
            name = inline if depth else f"[[{field.name}]]" if several else f"[{field.name}]"
            yield from _tables(inside, name, depth + 1, listed)


def _row(field: msgspec.structs.FieldInfo) -> KeyRow:
    required = field.default is msgspec.NODEFAULT
    (meta,) = (one for one in _metadata(field.type) if one.description)
    meaning = str(meta.description)
    default = field.default
    if isinstance(default, FieldType):
        # A field type's value reads as its own class; an example reads as the plain type.
        default = type(default).__mro__[-2](default)
    if isinstance(default, (int, float, tuple)) and default != () and "left out" not in meaning.lower():
        meaning = f"{meaning.removesuffix('.')}; left out: {shown(default)}."
    if _table_inside(field.type) is not None:
        return KeyRow(field.name, (), meaning, required)
    values = _words(field.type) or meta.examples or ()
    return KeyRow(field.name, tuple(shown(value) for value in values), meaning, required)


def _words(annotation: Any) -> tuple[str, ...]:  # noqa: ANN401 - any annotation
    """The words of a key that takes nothing but one of a few."""
    if get_origin(annotation) is Annotated:
        return _words(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return tuple(word for part in get_args(annotation) for word in _words(part))
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    if isinstance(annotation, type) and issubclass(annotation, FieldType):
        return _words(annotation.plain)
    if isinstance(annotation, type) and issubclass(annotation, enum.Enum):
        return tuple(str(member.value) for member in annotation)
    return ()


def _metadata(annotation: Any) -> tuple[msgspec.Meta, ...]:  # noqa: ANN401 - any annotation
    return tuple(one for one in getattr(annotation, "__metadata__", ()) if isinstance(one, msgspec.Meta))


def _arguments(annotation: Any) -> tuple[Any, ...]:  # noqa: ANN401 - any annotation
    """Every part of an annotation, however deep."""
    parts = get_args(annotation)
    return parts + tuple(inner for part in parts for inner in _arguments(part))


def _table_inside(annotation: Any) -> type[FileTable] | None:  # noqa: ANN401 - any annotation
    for part in (annotation, *_arguments(annotation)):
        if isinstance(part, type) and issubclass(part, FileTable):
            return part
    return None
